"""A replay lives stored history as it was lived: the same journal, knowing no more than was known."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

import pytest
from sqlalchemy import Engine, text

from service.alarms.backtest import BacktestLine
from service.domain.plant.units import UnitSystem
from service.jobs.alarms.replay import TankReplay, believed_as_known_then, replay
from service.jobs.blanket.estimate import believed_between, update_estimates
from service.storage.alarms.alarms import JournalLine
from service.storage.database.session import transaction
from service.storage.readings.arrival import reading_arrivals
from service.storage.readings.history import arrived_readings
from tests.support import replay_night as story
from tests.support.replay_night import MINUTES, Night, minute

Told = tuple[datetime, datetime, str, str, str, str, str]
SI: UnitSystem = "si"


def _of_live(lines: Iterable[JournalLine]) -> list[Told]:
    return [(e.recorded_at, e.at, e.key, e.event, e.from_state, e.to_state, e.reason) for e in lines]


def _of_replay(lines: Iterable[BacktestLine]) -> list[Told]:
    made = [
        (
            line.known_at,
            line.transition.at,
            line.definition.key,
            str(line.transition.event),
            str(line.transition.from_state),
            str(line.transition.to_state),
            str(line.transition.reason),
        )
        for line in lines
    ]
    return sorted(made, key=lambda told: told[:3])


def _replay(
    night: Night,
    first: int = 0,
    last: int = MINUTES,
    *,
    checkpoints: bool = True,
    arrived_after: timedelta | None = None,
) -> TankReplay:
    [told] = replay(
        night.engine,
        night.site.setups(),
        night.site.alarm_definitions(),
        night.ids,
        start=minute(first),
        end=minute(last),
        system=SI,
        stored={setup.tank.key: setup for setup in night.plant.setups} if checkpoints else {},
        arrived_after=arrived_after,
    )
    return told


def _rows(engine: Engine) -> dict[str, int]:
    tables = ("reading", "hand_core", "estimate", "assessment", "estimator_checkpoint", "alarm_event", "outbox")
    with transaction(engine) as conn:
        return {table: conn.execute(text(f"SELECT count(*) FROM {table}")).scalar_one() for table in tables}


def _troubled() -> dict[int, list[story.Act]]:
    """Readings that come late or are changed, and cores that are late, corrected and withdrawn."""
    late, silent = range(54, 68, 2), range(108, 126, 2)
    acts = story.ordinary(skip=[*late, *silent])
    acts.setdefault(71, []).append(story.told("LT-E", *late))
    acts.setdefault(72, []).append(story.told("FT-E", *late))
    acts.setdefault(85, []).append(story.told("LT-E", 80, 82, change=0.3))  # another value than first told
    acts.setdefault(38, []).append(story.cored(1, 20, 3.4))
    acts.setdefault(49, []).append(story.corrected(1, 2, 20, 1.85))
    acts.setdefault(127, []).append(story.told("LT-E", *silent))  # the danger was over meanwhile
    acts.setdefault(84, []).append(story.cored(3, 76, 3.1))
    acts.setdefault(131, []).append(story.cored(4, 128, 3.9))
    acts.setdefault(135, []).append(story.withdrawn(4, 5))
    return acts


def test_a_quiet_delivery_is_replayed_to_the_same_journal(engine: Engine) -> None:
    night = Night(engine)
    night.live(story.ordinary())
    lived = _of_live(night.journal())
    before = _rows(engine)
    told = _replay(night)
    assert _of_replay(told.lines) == lived
    assert {key for _, _, key, event, *_ in lived if event == "occurred"} >= {
        "east.high",
        "east.high-high",
        "east.time-to-danger",
    }
    assert _rows(engine) == before


@pytest.mark.untraced  # goes often over what other tests reach
def test_a_night_of_late_and_corrected_data_is_replayed_as_it_was_lived(engine: Engine) -> None:
    night = Night(engine)
    night.live(_troubled())
    lived = _of_live(night.journal())
    whole = _replay(night)
    assert _of_replay(whole.lines) == lived
    # A core typed in 18 minutes late, and its correction, count from when they were known.
    deviation = [(known, event) for known, _, key, event, *_ in lived if key == "east.deviation"]
    assert (minute(38), "occurred") in deviation
    assert (minute(49), "returned to normal") in deviation

    # After the fact the replay of the first part knows nothing of what came later.
    for last in (45, 70, 100):
        part = _replay(night, last=last)
        assert _of_replay(part.lines) == _of_live(night.journal(until=minute(last)))


@pytest.mark.untraced  # goes often over what other tests reach
def test_work_on_a_sensor_counts_from_when_it_was_written_down(engine: Engine) -> None:
    """Done at minute 20, written down at 60 (it left the sensor 0.8 m low), put right at 90, taken back at 120."""
    acts = story.ordinary()
    acts.setdefault(60, []).append(story.worked(11, 20, -0.8))
    acts.setdefault(90, []).append(story.work_corrected(11, 12, 25, 0.5))
    acts.setdefault(120, []).append(story.work_withdrawn(12, 13))
    night = Night(engine)
    night.live(acts)
    lived = _of_live(night.journal())
    assert _of_replay(_replay(night).lines) == lived
    for last in (59, 75, 100):
        assert _of_replay(_replay(night, last=last).lines) == _of_live(night.journal(until=minute(last)))
    # It mattered: with the sensor thought to be 0.8 m low the blanket at once stood too high.
    danger = [known for known, _, key, event, *_ in lived if key == "east.high-high" and event == "occurred"]
    assert minute(60) <= danger[0] <= minute(63), "the storm itself comes there a quarter of an hour later"
    begun_later = _replay(night, first=70)
    assert begun_later.began_at is None or begun_later.began_at < minute(20)


def test_a_checkpoint_is_begun_at_only_where_nothing_older_came_later(engine: Engine) -> None:
    night = Night(engine)
    for hour in range(8):
        night.now = minute(60 * hour + 60)
        with transaction(engine) as conn:
            story.told("LT-E", *range(60 * hour, 60 * hour + 60, 2))(conn, night.ids, night.now)
            story.told("FT-E", *range(60 * hour, 60 * hour + 60, 2))(conn, night.ids, night.now)
        update_estimates(engine, night.plant.setups, night.ids, night.now)
    short = _replay(night, first=330, last=480)
    whole = _replay(night, first=330, last=480, checkpoints=False)
    assert short.began_at is not None
    assert minute(120) < short.began_at < minute(330)
    assert whole.began_at is None
    assert short.lines == whole.lines
    assert short.comparison == whole.comparison

    night.now = minute(485)
    with transaction(engine) as conn:
        story.told("LT-E", 101)(conn, night.ids, night.now)
    before_it = _replay(night, first=330, last=480)
    assert before_it.began_at is not None
    assert before_it.began_at < minute(101)
    assert before_it.lines == whole.lines


def test_a_reading_counts_from_its_arrival_with_the_value_it_then_had(engine: Engine) -> None:
    night = Night(engine)
    acts: dict[int, list[story.Act]] = {
        1: [story.told("LT-E", 0)],
        9: [story.told("LT-E", 0, change=0.3), story.told("LT-E", 2)],
    }
    for m, things in acts.items():
        for act in things:
            with transaction(engine) as conn:
                act(conn, night.ids, minute(m))
    with transaction(engine) as conn:
        found = arrived_readings(conn, [night.ids.signals["LT-E"]], minute(20))
    assert found.known(minute(0))[0].value.tolist() == []
    assert found.known(minute(8))[0].value.tolist() == [story.height(0)]
    then, rest = found.known(minute(9))
    assert then.value.tolist() == [story.height(0) + 0.3, story.height(2)]
    assert len(rest) == 0


#: A month after the night.
LATER = 30 * 24 * 60


def _do(night: Night, at: int, *acts: story.Act) -> None:
    night.now = minute(at)
    with transaction(night.engine) as conn:
        for act in acts:
            act(conn, night.ids, night.now)


def _raised(told: TankReplay) -> dict[str, datetime]:
    """When each alarm was first raised, by what was known then."""
    found: dict[str, datetime] = {}
    for line in told.lines:
        if line.transition.event == "occurred":
            found.setdefault(line.definition.key, line.known_at)
    return found


@pytest.mark.untraced  # goes often over what other tests reach
def test_a_night_imported_a_month_later_is_lived_through_as_if_the_service_had_watched(engine: Engine) -> None:
    night = Night(engine)
    every = range(0, MINUTES, 2)
    _do(night, LATER, story.told("LT-E", *every), story.told("FT-E", *every), story.cored(1, 20, 1.9))
    told = _replay(night)
    assert (told.readings, told.imported) == (2 * len(every) - 2, 2 * len(every) - 2)  # those of the start were known
    assert {tag: model.measured for tag, model in told.arrivals.items()} == {"LT-E": False}
    raised = _raised(told)
    # The storm is at its height at minute 95; it is foretold, then over each limit within minutes of the truth.
    assert raised["east.time-to-danger"] < raised["east.high-high"]
    crossed = next(m for m in every if story.height(m) > 4.0 - 0.9)
    assert timedelta(0) <= raised["east.high-high"] - minute(crossed) <= timedelta(minutes=6)
    # What was recorded a month later is known during the night, too.
    assert "east.deviation" not in raised
    _do(night, LATER + 1, story.cored(2, 30, 3.4))
    assert timedelta(0) <= _raised(_replay(night))["east.deviation"] - minute(30) <= timedelta(minutes=4)


def test_imported_readings_arrive_as_late_as_their_source_usually_is(engine: Engine) -> None:
    night = Night(engine)
    every = range(0, MINUTES, 2)
    _do(night, LATER, story.told("LT-E", *every), story.told("FT-E", *every))
    for m in range(LATER + 1, LATER + 61, 2):
        _do(night, m + 7, story.told("LT-E", m))
    late = _replay(night)
    assert late.arrivals["LT-E"].delay == timedelta(minutes=7)
    assert late.arrivals["LT-E"].measured
    soon = _replay(night, arrived_after=timedelta(0))
    assert _raised(late)["east.high-high"] > _raised(soon)["east.high-high"]
    signal = night.ids.signals["LT-E"]
    with transaction(engine) as conn:
        found = arrived_readings(conn, [signal], minute(30), models=reading_arrivals(conn, [signal]))
    assert [at for at, _ in found.groups()] == [minute(m + 7) for m in range(0, 24, 2)]


@pytest.mark.untraced  # goes often over what other tests reach
def test_what_was_late_while_the_service_watched_is_late_in_the_replay(engine: Engine) -> None:
    """A line that is down for the night delivers in the morning: nobody can have known, unless that is what is asked."""
    night = Night(engine)
    _do(night, -60, story.told("LT-E", -61), story.told("FT-E", -61))
    every = range(0, MINUTES, 2)
    _do(night, 24 * 60, story.told("LT-E", *every), story.told("FT-E", *every))
    lived = _replay(night)
    assert (lived.readings, lived.imported) == (0, 0)
    assert "east.high-high" not in _raised(lived)
    asked = _replay(night, arrived_after=timedelta(minutes=5))
    assert asked.imported == asked.readings > 0
    assert "east.high-high" in _raised(asked)


def test_an_imported_reading_that_was_changed_later_has_its_first_value_until_then(engine: Engine) -> None:
    night = Night(engine)
    _do(night, LATER, story.told("LT-E", 0, 2))
    _do(night, LATER + 50, story.told("LT-E", 2, change=0.5))
    signal = night.ids.signals["LT-E"]
    with transaction(engine) as conn:
        models = reading_arrivals(conn, [signal])
        found = arrived_readings(conn, [signal], minute(LATER + 60), models=models)
        early = arrived_readings(conn, [signal], minute(10), models=models)
    assert early.readings.value.tolist() == [story.height(0), story.height(2)]
    assert early.imported.tolist() == [True, True]
    assert found.readings.value.tolist() == [story.height(0), story.height(2), story.height(2) + 0.5]
    assert found.imported.tolist() == [True, True, False]
    assert [at for at, _ in found.groups()] == [minute(0), minute(2), minute(LATER + 50)]


@pytest.mark.untraced  # goes often over what other tests reach
def test_what_was_believed_then_is_what_was_believed_then(engine: Engine) -> None:
    """Late, changed, corrected and withdrawn: the belief of each moment is asked for at that moment, and again afterwards."""
    night = Night(engine)
    [setup] = night.plant.setups
    lived: list[tuple[float, float]] = []
    for m, acts in sorted(_troubled().items()):
        _do(night, m, *acts)
        [now] = believed_between(engine, setup, night.ids, minute(m), minute(m), timedelta(minutes=1))
        lived.append((m, round(now.height, 9)))
    every = timedelta(minutes=1)
    then = believed_as_known_then(engine, setup, night.ids, minute(0), minute(MINUTES), every)
    assert [(m, round(then[int(m)].height, 9)) for m, _ in lived] == lived
    hindsight = believed_between(engine, setup, night.ids, minute(0), minute(MINUTES), every)
    assert max(abs(a.height - b.height) for a, b in zip(then, hindsight, strict=True)) > 0.2
