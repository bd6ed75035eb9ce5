"""The shift log from what happened: in order, each alarm once, and what stands at the end."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest

from service.alarms.definition import AlarmDefinition, AlarmKind, system_definitions
from service.alarms.figures import Happened
from service.alarms.machine import AlarmState, Event
from service.calls.hand_over import WorkedShift
from service.domain.blanket.estimate import Estimate, EstimateReason, Trust
from service.domain.cores.check import CoreProblem
from service.domain.cores.core import Calibration, CalibrationKind, Core, Surface
from service.reports.alarm_names import name_of
from service.reports.rendering.pdf import as_pdf
from service.reports.rendering.plain_text import as_text
from service.reports.shift_document import shift_document
from service.reports.shift_log import (
    EntryKind,
    HandOver,
    LoggedCore,
    LoggedMessage,
    ShiftFacts,
    ShiftLog,
    WrittenNote,
    shift_log,
)
from tests.support import plant

ZONE = ZoneInfo("America/New_York")
START = datetime(2026, 1, 14, 0, tzinfo=UTC)  # 19:00 in New York
SHIFT = WorkedShift(name="night", start=START, end=START + timedelta(hours=12))
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)
HIGH = AlarmDefinition(key="east.high", kind=AlarmKind.HIGH, tank="east", limit=1.2)
DEFINITIONS = {d.key: d for d in (HIGH, *system_definitions(["plc"]))}
EAST = plant.tank("east")


def line(hours: float, event: Event, state: AlarmState, **more: Any) -> Happened:
    given: dict[str, Any] = {"key": "east.high", "at": START + hours * HOUR, "event": event, "to_state": state}
    return Happened(**given | more)


def raised(hours: float, **more: Any) -> Happened:
    return line(hours, Event.OCCURRED, AlarmState.UNACKNOWLEDGED, **{"value": 0.9} | more)


def taken(hours: float, **more: Any) -> Happened:
    return line(hours, Event.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED, **{"actor": "Sam"} | more)


def over(hours: float, **more: Any) -> Happened:
    return line(hours, Event.RETURNED, AlarmState.NORMAL, **more)


def log(*happened: Happened, now: datetime = SHIFT.end, **more: Any) -> ShiftLog:
    given: dict[str, Any] = {
        "shift": SHIFT,
        "now": now,
        "definitions": DEFINITIONS,
        "alarm_words": {"east.high": "WARNING"},
        "tanks": {"east": EAST},
        "tank_of_signal": {"LT-E": "east"},
        "estimates": {},
        "happened": happened,
    } | more
    return shift_log(ShiftFacts(**given), units="us", zone=ZONE)


def test_an_alarm_is_one_line_from_raising_to_its_end() -> None:
    [entry] = log(raised(1), taken(1 + 4 / 60, note="pump 2 was off"), over(2)).entries
    assert entry.at == START + HOUR
    assert entry.about == EAST.label
    assert entry.words == ("WARNING, 3.0 ft under the weir; Sam had it after 4 min (pump 2 was off); over 21:00 EST")


def test_an_alarm_nobody_took_says_so_and_stands() -> None:
    found = log(raised(1))
    assert found.entries[0].words.endswith("nobody acknowledged it; still active")
    [standing] = found.open
    assert standing.words == "WARNING since 20:00 EST; nobody has it"


def test_what_stood_when_the_shift_began_is_told_at_its_beginning() -> None:
    [entry] = log(raised(-30), taken(-29), over(3)).entries
    assert entry.at == START
    assert "active since Mon 12 Jan 13:00 EST" in entry.words
    assert log(raised(-30), over(-29)).entries == ()


def test_what_comes_after_the_shift_is_not_in_it() -> None:
    found = log(raised(11), over(13), now=START + 20 * HOUR)
    assert found.entries[0].words.endswith("still active")
    assert not found.running
    assert len(found.open) == 1


def test_putting_aside_is_told_with_its_reason_and_stays_open() -> None:
    found = log(
        raised(1), taken(1.1), line(2, Event.SHELVED, AlarmState.SHELVED, actor="Ann", note="divers in the tank")
    )
    assert found.entries[-1].words == "WARNING shelved: divers in the tank"
    assert found.entries[-1].who == "Ann"
    assert [one.words for one in found.open] == ["WARNING shelved by Ann: divers in the tank"]


def test_a_source_without_data_is_a_source_and_no_alarm_of_a_tank() -> None:
    [entry] = log(raised(1, key="system.connector.plc", value=0.3), over(2, key="system.connector.plc")).entries
    assert (entry.kind, entry.about) == (EntryKind.SOURCE, "Source plc")
    assert entry.words == "no data; nobody acknowledged it; over 21:00 EST"


def test_what_the_service_finds_wrong_with_itself_is_named() -> None:
    found = log(raised(1, key="system.delivery", value=0.3), raised(2, key="system.filling", value=1.0))
    assert [(entry.about, entry.words.partition(";")[0]) for entry in found.entries] == [
        ("The service", "messages cannot be delivered"),
        ("The plant", "several tanks filling at once"),
    ]
    assert all(name_of(d.key, d, {}) != d.key for d in system_definitions(["plc"], duty=True))


def test_cores_work_messages_and_notes_come_in_the_order_of_time() -> None:
    core = Core(
        id=UUID(int=1),
        tank="east",
        taken_at=START + 2 * HOUR,
        recorded_at=START + 2 * HOUR,
        thickness=1.0,
        distance_from_wall=5.0,
        surface=(Surface.TURBID, Surface.CLUMPS),
        taken_by="Sam",
        note="gusty",
    )
    work = Calibration(
        tag="LT-E",
        at=START + HOUR,
        kind=CalibrationKind.CLEANING,
        done_by="Kim",
        reason="fouled",
        as_found_offset=-0.3048,
        as_left_offset=0.0,
    )
    messages = [
        LoggedMessage(at=START + 3 * HOUR, kind="alarm", contact="Sam", channel="sms", status="sent"),
        LoggedMessage(at=START + 3 * HOUR, kind="alarm", contact="Ann", channel="email", status="failed"),
    ]
    note = WrittenNote(id=UUID(int=2), at=START + 4 * HOUR, author="Sam", text="Gate B sticks")
    right = WrittenNote(id=UUID(int=3), at=START + 5 * HOUR, author="Sam", text="It was gate C", corrects=note.id)
    entries = log(
        cores=[LoggedCore(core=core, corrected=True)], works=[work], messages=messages, notes=[note, right]
    ).entries
    assert [entry.kind for entry in entries] == ["sensor work", "core", "message", "note", "note"]
    assert entries[0].words == "LT-E: cleaning: fouled, read -1.0 ft before, 0.0 ft after"
    assert "turbid, clumps; gusty; corrected" in entries[1].words
    assert entries[2].words == "Called: Sam by sms, Ann by email (NOT SENT)"
    assert (entries[3].corrected, entries[4].corrected) == (True, False)
    assert entries[4].words == "Correction: It was gate C"


@pytest.mark.parametrize(
    ("found", "words"),
    [
        ((), ""),
        ((CoreProblem.UNIT_SLIP,), "DOUBTFUL: it would fit another unit"),
        ((CoreProblem.FAR_FROM_ESTIMATE,), "DOUBTFUL: far from what was expected"),
    ],
)
def test_a_core_that_was_doubted_when_it_was_logged_says_so(found: tuple[CoreProblem, ...], words: str) -> None:
    core = Core(
        id=UUID(int=1),
        tank="east",
        taken_at=START + HOUR,
        recorded_at=START + HOUR,
        thickness=3.0,
        distance_from_wall=5.0,
        taken_by="Sam",
    )
    [entry] = log(cores=[LoggedCore(core=core, warnings=tuple(one.value for one in found))]).entries
    assert entry.words.partition("; ")[2] == words


@pytest.mark.parametrize(
    ("age", "trust", "words", "doubt"),
    [
        (MINUTE, Trust.GOOD, "6.6 ft under the weir, rising 0.3 ft/h", ""),
        (MINUTE, Trust.BLIND, "6.6 ft under the weir, rising 0.3 ft/h", "no valid reading: the number is old"),
        (3 * HOUR, Trust.GOOD, "no data", "no estimate: take a core"),
    ],
)
def test_where_a_tank_stands_is_said_with_its_doubt(age: timedelta, trust: Trust, words: str, doubt: str) -> None:
    estimate = Estimate(
        tank="east",
        time=SHIFT.end - age,
        height=EAST.side_water_depth - 2.0,
        sd=0.05,
        rate=0.1,
        trust=trust,
        reason=EstimateReason.SENSOR,
    )
    [standing] = log(estimates={"east": estimate}).tanks
    assert (standing.words, standing.doubt) == (words, doubt)


def test_an_ordinary_night_prints_on_one_page_and_reads_as_text() -> None:
    notes = [
        WrittenNote(id=UUID(int=n), at=START + n * HOUR, author="Sam Okafor", text="Scum skimmer hosed down, runs.")
        for n in range(1, 5)
    ]
    cores = [
        LoggedCore(
            core=Core(
                id=UUID(int=100 + n),
                tank="east",
                taken_at=START + n * 3 * HOUR,
                recorded_at=START + n * 3 * HOUR,
                thickness=1.0,
                distance_from_wall=5.0,
                taken_by="Sam Okafor",
            )
        )
        for n in range(4)
    ]
    found = log(raised(1), taken(1.1), over(2), cores=cores, notes=notes, taken_over=[HandOver(who="Sam", at=START)])
    document = shift_document(found, site="Invented Creek Works", zone=ZONE, now=SHIFT.end)
    content = as_pdf(document, units="si", made_at=SHIFT.end)
    assert content.count(b"/Type /Page\n") == 1
    text = as_text(document)
    assert "Taken over by   Sam, Tue 13 Jan 19:00 EST" in text
    assert "20:00 EST  alarm" in text
