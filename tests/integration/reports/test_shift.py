"""The shift log and the day's report from a real database."""

from __future__ import annotations

import uuid
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import Engine, text

from service.domain.blanket.estimate import Trust
from service.domain.plant.period import day_of
from service.errors import InputError, StorageError
from service.jobs.alarms.evaluate import evaluate
from service.jobs.reports.report import read_period
from service.jobs.reports.shift import read_shift, take_over, taking_over, write_note
from service.reports.shift_log import EntryKind
from service.storage.accounts.audit import changes
from service.storage.database.session import transaction
from service.storage.readings.batches import open_batch
from service.storage.readings.writer import ReadingWriter
from service.storage.trends.period_figures import blanket_figures, signal_figures
from tests.support.alarm_plant import EAST, MINUTE, NIGHT, AlarmPlant, acknowledge, by, hand_over_all
from tests.support.plant import columns

ZONE = ZoneInfo("America/New_York")


@pytest.fixture
def plant(engine: Engine) -> AlarmPlant:
    return AlarmPlant.build(engine)


def storm(plant: AlarmPlant) -> None:
    """East comes near the weir at 03:00; Sam has it five minutes later."""
    for minute in range(4):
        plant.believe(NIGHT + minute * MINUTE, 0.9)
    for minute in (0, 2, 3):
        evaluate(plant.engine, plant.model, projected={}, now=NIGHT + minute * MINUTE)
    hand_over_all(plant, NIGHT + 4 * MINUTE)
    acknowledge(plant.engine, plant.model, "east.high", who="Sam", now=NIGHT + 7 * MINUTE, note="going")


def note(plant: AlarmPlant, words: str, now: datetime, **more: Any) -> uuid.UUID:
    fresh = uuid.uuid4()
    write_note(plant.engine, plant.model, words, by("Sam"), id=fresh, now=now, **more)
    return fresh


def test_a_night_with_an_alarm_is_told_in_order(plant: AlarmPlant) -> None:
    plant.core(NIGHT - timedelta(hours=1), 2.9)
    storm(plant)
    note(plant, "  West scum box hosed down  ", NIGHT + timedelta(hours=1))
    see = plant.model
    log = read_shift(plant.engine, see, see.shift(NIGHT), NIGHT + timedelta(hours=2))
    assert [entry.kind for entry in log.entries][:2] == [EntryKind.CORE, EntryKind.ALARM]
    assert "Sam had it after" in log.entries[1].words
    assert any(e.kind is EntryKind.MESSAGE and "Night operator by email" in e.words for e in log.entries)
    assert log.entries[-1].words == "West scum box hosed down"
    assert [one.about for one in log.open] == ["East clarifier"]
    assert log.tanks[0].words.startswith("3.0 ft under the weir")
    assert log.tanks[1].words == "no data"


def test_notes_are_corrected_beside_themselves_and_never_changed(plant: AlarmPlant) -> None:
    first = note(plant, "Gate B sticks", NIGHT)
    # Corrected in the next shift, it stands where it belongs.
    note(plant, "It is gate C", NIGHT + timedelta(hours=8), corrects=first)
    see = plant.model
    entries = read_shift(plant.engine, see, see.shift(NIGHT), NIGHT + timedelta(hours=9)).entries
    assert [(entry.words, entry.corrected) for entry in entries] == [
        ("Gate B sticks", True),
        ("Correction: It is gate C", False),
    ]
    with pytest.raises(StorageError, match="append-only"), transaction(plant.engine) as conn:
        conn.execute(text("UPDATE shift_note SET note = 'nothing happened'"))
    with transaction(plant.engine) as conn:
        assert [c.action for c in changes(conn)] == ["shift note written"] * 2


def test_a_note_that_cannot_be_is_refused(plant: AlarmPlant) -> None:
    wrong: list[tuple[str, dict[str, Any], str]] = [
        ("  ", {}, "empty"),
        ("x" * 2001, {}, "longer than 2000"),
        ("x", {"at": NIGHT + MINUTE}, "still to come"),
        ("x", {"corrects": uuid.uuid4()}, "no note"),
    ]
    for words, more, said in wrong:
        with pytest.raises(InputError, match=said):
            note(plant, words, NIGHT, **more)


def test_a_note_sent_twice_is_kept_once(plant: AlarmPlant) -> None:
    same = uuid.uuid4()
    for _ in range(2):
        write_note(plant.engine, plant.model, "once", by("Sam"), id=same, now=NIGHT)
    see = plant.model
    assert len(read_shift(plant.engine, see, see.shift(NIGHT), NIGHT).entries) == 1
    with transaction(plant.engine) as conn:
        assert len(changes(conn)) == 1


def test_whoever_comes_early_signs_for_the_shift_that_begins(plant: AlarmPlant) -> None:
    see = plant.model
    early = datetime(2026, 1, 14, 11, 45, tzinfo=UTC)  # 06:45
    assert taking_over(see, early).name == "day"
    take_over(plant.engine, see, by("Ann"), id=uuid.uuid4(), now=early)
    night, day = see.shift(early), see.shift_after(see.shift(early))
    assert [one.who for one in read_shift(plant.engine, see, night, early).handed_over] == ["Ann"]
    assert [one.who for one in read_shift(plant.engine, see, day, early).taken_over] == ["Ann"]
    assert taking_over(see, NIGHT).name == "night"


def test_each_estimate_speaks_until_the_next_but_no_longer_than_it_may(plant: AlarmPlant) -> None:
    start = NIGHT
    plant.believe(start - 5 * MINUTE, 3.0)  # speaks 5 minutes into the stretch
    plant.believe(start + 5 * MINUTE, 1.0)  # 10 minutes, above the limit
    plant.believe(start + 30 * MINUTE, 2.0)  # 10 minutes, then nothing is known
    plant.believe(start + 50 * MINUTE, 0.0, trust=Trust.BLIND)
    plant.believe(start + 58 * MINUTE, 2.0)  # 2 minutes to the end
    with transaction(plant.engine) as conn:
        found = blanket_figures(
            conn, plant.ids.tanks["east"], start, start + 60 * MINUTE, hold=10 * MINUTE, above=(2.8, 3.5)
        )
        nothing = blanket_figures(conn, plant.ids.tanks["west"], start, start + 60 * MINUTE, hold=10 * MINUTE, above=())
    assert nothing is None
    assert found is not None
    assert found.known == 27 * MINUTE
    assert (found.lowest, found.lowest_at) == (1.0, start)
    assert (found.highest, found.highest_at) == (3.0, start + 5 * MINUTE)
    assert found.mean == pytest.approx((5 * 1.0 + 10 * 3.0 + 12 * 2.0) / 27)
    assert found.over == (10 * MINUTE, timedelta(0))


def test_a_signals_gaps_and_bad_values_are_counted(plant: AlarmPlant) -> None:
    signal = plant.ids.signals[EAST.blankets[0].tag]
    with transaction(plant.engine) as conn:
        writer = ReadingWriter(conn, open_batch(conn, "drop", "test", NIGHT))
        writer.store(columns(signal, [1.0, 2.0, 3.0], start=NIGHT))
        writer.store(columns(signal, [41.0], start=NIGHT + 40 * MINUTE))
        found = signal_figures(conn, signal, NIGHT, NIGHT + 60 * MINUTE, hold=10 * MINUTE)
    assert found.readings == 4
    assert found.known == 22 * MINUTE  # 1 + 1 + 10 + 10
    assert found.highest == 41.0


def test_the_days_report_is_that_of_its_day(plant: AlarmPlant) -> None:
    plant.core(NIGHT - timedelta(hours=1), 2.9)
    plant.core(NIGHT - timedelta(hours=9), 2.0)  # the day before
    storm(plant)
    report = read_period(plant.engine, plant.model, day_of(date(2026, 1, 14), ZONE), NIGHT + timedelta(days=2))
    east, west = report.tanks
    assert (east.rounds, east.due) == (1, 1)
    assert east.blanket is not None
    assert east.blanket.in_high is not None
    assert timedelta(0) < east.blanket.in_high == east.blanket.known
    assert west.blanket is None
    [alarm] = [a for a in report.alarms if a.key == "east.high"]
    assert (alarm.acknowledged_by, alarm.returned_at) == ("Sam", None)
    assert read_period(plant.engine, plant.model, day_of(date(2026, 1, 12), ZONE), NIGHT).tanks[0].rounds == 0
