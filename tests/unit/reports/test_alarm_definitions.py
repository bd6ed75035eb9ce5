"""The list of alarms: every word of a definition, set-points in the site's units, and what changed."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority, SystemWatch, system_definitions
from service.reports.alarm_definitions import ListedAlarm, SetPointChange, alarms_as_csv, listed_alarms

AT = datetime(2026, 1, 14, 8, 10, tzinfo=UTC)
HIGH = AlarmDefinition(
    key="east.high",
    kind=AlarmKind.HIGH,
    tank="east",
    limit=1.2192,
    deadband=0.06096,
    on_delay=timedelta(minutes=1),
    priority=Priority.MEDIUM,
    cause="Storm flow.",
    consequence="Less room.",
    action="=cmd: check the pumps.",
    re_alarm_after=timedelta(hours=4),
)
CHANGED = SetPointChange(
    at=AT,
    event="definition changed",
    by="site file",
    why="nuisance in storms",
    changed={
        "limit": [1.2192, 1.524],
        "on_delay": [60.0, 300.0],
        "cause": ["Rain.", "Storm flow."],
        "latching": [False, True],
    },
)


def listed(*definitions: AlarmDefinition) -> list[ListedAlarm]:
    return listed_alarms(
        definitions, {"east": "East clarifier"}, {"east.high": [CHANGED]}, units="us", zone=ZoneInfo("America/New_York")
    )


def test_one_alarm_in_words() -> None:
    (alarm,) = listed(HIGH)
    assert (alarm.tank, alarm.kind, alarm.set_point, alarm.deadband) == (
        "East clarifier",
        "high",
        "4.0 ft under the weir",
        "0.2 ft",
    )
    assert (alarm.on_delay, alarm.off_delay, alarm.re_alarm, alarm.respond_within) == (
        "1 min",
        "none",
        "after 4 h",
        "30 min",
    )
    assert alarm.history == (
        "Wed 14 Jan 03:10 EST, site file: definition changed: limit from 4.0 ft under the weir to 5.0 ft under the weir; on delay from 1 min to 5 min;"
        " cause from “Rain.” to “Storm flow.”; latching from False to True (nuisance in storms)",
    )


def test_every_kind_has_a_set_point_in_its_own_unit() -> None:
    shown = {kind: listed(replace(HIGH, kind=kind, limit=2.0))[0].set_point for kind in AlarmKind}
    assert shown[AlarmKind.RATE] == "6.6 ft/h"
    assert shown[AlarmKind.SOLIDS_LOADING].endswith("lb/d.ft2") or "lb" in shown[AlarmKind.SOLIDS_LOADING]
    assert shown[AlarmKind.CORE_OVERDUE] == shown[AlarmKind.TIME_TO_DANGER] == "2 h"
    assert all(shown.values())


def test_as_csv_no_cell_is_a_formula() -> None:
    rows = list(csv.DictReader(io.StringIO(alarms_as_csv(listed(HIGH)))))
    (row,) = rows
    assert row["corrective action"] == "'=cmd: check the pumps."
    assert (row["alarm"], row["cause"], row["set-point"]) == ("east.high", "Storm flow.", "4.0 ft under the weir")
    assert "nuisance in storms" in row["changes"]


def test_what_the_service_watches_of_itself_reads_as_words() -> None:
    kinds = [alarm.kind for alarm in listed(*system_definitions(["plc"], duty=True))]
    assert kinds[0] == "source silent: plc"
    assert len(kinds) == len(set(kinds)) == len(SystemWatch)
