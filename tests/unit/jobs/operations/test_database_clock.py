"""All nodes go by the database's time of day, whatever their own clocks say."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from service.jobs.operations.database_clock import DatabaseClock

T0 = datetime(2026, 3, 14, 3, 10, tzinfo=UTC)
HOUR = timedelta(hours=1)


class Machine:
    """A machine with a time of day that can be set, and a steady clock that cannot."""

    def __init__(self) -> None:
        self.day = T0
        self.steady = 100.0
        self.clock = DatabaseClock(lambda: self.day, lambda: self.steady)

    def let_pass(self, seconds: float) -> None:
        self.day += timedelta(seconds=seconds)
        self.steady += seconds

    def hear(self, theirs: datetime, took: float = 0.0) -> None:
        self.clock.observe(theirs, self.steady - took, self.steady)


def test_until_the_database_is_heard_the_own_clock_has_to_do() -> None:
    machine = Machine()
    assert machine.clock() == T0


def test_the_databases_time_counts_and_goes_on_while_it_is_away() -> None:
    machine = Machine()
    machine.hear(T0 - 2 * HOUR)
    machine.let_pass(30)
    assert machine.clock() == T0 - 2 * HOUR + timedelta(seconds=30)


def test_setting_the_own_clock_changes_nothing() -> None:
    machine = Machine()
    machine.hear(T0)
    machine.day -= 2 * HOUR
    machine.let_pass(5)
    assert machine.clock() == T0 + timedelta(seconds=5)


def test_the_way_there_and_back_does_not_make_it_tremble() -> None:
    machine = Machine()
    machine.hear(T0)
    machine.let_pass(4)
    machine.hear(T0 + timedelta(seconds=4.2))
    assert machine.clock() == T0 + timedelta(seconds=4)
    machine.hear(T0 + timedelta(seconds=5))
    assert machine.clock() == T0 + timedelta(seconds=5)


def test_an_answer_that_took_long_says_nothing() -> None:
    machine = Machine()
    machine.hear(T0)
    machine.hear(T0 + HOUR, took=20.0)
    assert machine.clock() == T0
