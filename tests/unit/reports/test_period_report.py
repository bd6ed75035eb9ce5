"""The report of a day from what was stored: what is missing is said, never filled in."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from io import BytesIO
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
from openpyxl import load_workbook

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.figures import Happened
from service.alarms.machine import AlarmState, Event
from service.domain.blanket.estimate import TankSetup
from service.domain.blanket.pairing import Pair
from service.domain.cores.core import Core
from service.domain.plant.period import day_of, month_of
from service.domain.plant.signal import Signal, SignalKind
from service.reports.period_document import period_document
from service.reports.period_report import (
    Blanket,
    PeriodFacts,
    PeriodReport,
    SignalSummary,
    TankFacts,
    period_report,
)
from service.reports.rendering.document import Table
from service.reports.rendering.pdf import as_pdf
from service.reports.rendering.plain_text import as_text
from service.reports.rendering.workbook import as_workbook
from tests.support import plant

ZONE = ZoneInfo("America/New_York")
DAY = day_of(date(2026, 3, 8), ZONE)  # 23 hours
HOUR = timedelta(hours=1)
EAST = plant.tank("east")
BLANKET = Blanket(
    known=23 * HOUR,
    lowest=0.5,
    lowest_at=DAY.start + HOUR,
    mean=1.0,
    highest=2.0,
    highest_at=DAY.start + 5 * HOUR,
    in_high=timedelta(minutes=90),
    in_high_high=timedelta(0),
)
CORE_DUE = AlarmDefinition(key="east.core", kind=AlarmKind.CORE_OVERDUE, tank="east", limit=8.0)
FLOW = Signal(tag="FLOW", kind=SignalKind.FLOW, tank=None, unit="MGD")
BACK = Signal(tag="RAS", kind=SignalKind.RETURN_FLOW, tank="east", unit="MGD")
FEED = Signal(tag="MLSS", kind=SignalKind.FEED_SOLIDS, tank=None, unit="mg/L")


def summary(mean: float, share: float = 1.0, highest: float | None = None) -> SignalSummary:
    return SignalSummary(known=23 * HOUR * share, readings=1380, bad=3, mean=mean, highest=highest or mean)


def pair(difference: float, wrong: float = 0.0) -> Pair:
    zeros = dict.fromkeys(
        ("thickness", "extra_var", "height", "foretold", "foretold_sd", "sound", "stepped", "offset", "offset_sd"), 0.0
    )
    return Pair(
        tag="LT-E",
        core=UUID(int=1),
        time=DAY.start,
        sensor=1.0 + difference,
        core_height=1.0,
        wrong=wrong,
        **zeros,
    )


def core(number: int, replicate: int = 1) -> Core:
    return Core(
        id=UUID(int=number),
        tank="east",
        taken_at=DAY.start + number * HOUR,
        recorded_at=DAY.start + number * HOUR,
        thickness=1.0,
        distance_from_wall=5.0,
        replicate=replicate,
    )


def facts(**changes: Any) -> PeriodFacts:
    setup = TankSetup(
        tank=EAST, blankets=(plant.blanket("LT-E", "east"),), others=(FLOW, BACK, FEED), share_of_plant=0.5
    )
    one: dict[str, Any] = {
        "setup": setup,
        "blanket": BLANKET,
        "signals": {
            "LT-E": summary(1.0, 0.9),
            "FLOW": summary(0.2, highest=0.4),
            "RAS": summary(0.05),
            "MLSS": summary(3.0),
        },
    } | {name: value for name, value in changes.items() if name in ("blanket", "cores", "pairs", "signals")}
    whole: dict[str, Any] = {
        "period": DAY,
        "now": DAY.end + HOUR,
        "tanks": [TankFacts(**one)],
        "definitions": {"east.core": CORE_DUE},
        "alarm_words": {"east.core": "CORE DUE"},
    } | {name: value for name, value in changes.items() if name not in one and name not in ("cores", "pairs")}
    return PeriodFacts(**whole)


def report(**changes: Any) -> PeriodReport:
    return period_report(facts(**changes))


def table(found: PeriodReport, title: str, units: str = "us") -> Table:
    document = period_document(
        found, site="Invented Creek Works", units="us" if units == "us" else "si", zone=ZONE, now=found.end
    )
    return next(one for one in document.tables if one.title == title)


def test_a_short_day_is_counted_as_it_was() -> None:
    [tank] = report().tanks
    assert tank.watched == 1.0
    assert tank.due == 2  # every 8 h in 23 h


def test_what_the_plant_shares_is_told_once() -> None:
    one = facts()
    two = replace(one, tanks=[*one.tanks, *one.tanks])
    assert [signal.tag for signal in period_report(two).signals] == ["FLOW", "MLSS"]
    assert ("The plant", "FLOW") in [row[:2] for row in table(period_report(two), "Data").rows]


def test_cores_count_in_rounds_and_replicates() -> None:
    [tank] = report(cores=[core(1), core(1, 2), core(9)]).tanks
    assert (tank.rounds, tank.cores) == (2, 3)


def test_a_wrong_core_says_nothing_about_the_sensor() -> None:
    [sensor] = report(pairs=[pair(0.1), pair(-0.3), pair(2.0, wrong=0.9)]).tanks[0].sensors
    assert sensor.cores == 2
    assert sensor.mean == pytest.approx(-0.1)
    assert sensor.greatest == pytest.approx(-0.3)
    assert report(pairs=[pair(2.0, wrong=0.9)]).tanks[0].sensors == ()


def test_loading_is_the_tanks_share_of_the_plants_flow() -> None:
    [tank] = report().tanks
    assert tank.load is not None
    assert tank.load.overflow_rate == pytest.approx(0.1 * 3600 / EAST.area)
    assert tank.peak_overflow == pytest.approx(0.2 * 3600 / EAST.area)
    assert tank.load.return_ratio == pytest.approx(0.5)
    assert tank.load.solids_loading == pytest.approx((0.1 + 0.05) * 3.0 * 3600 / EAST.area)


def test_a_flow_seen_for_less_than_half_the_day_gives_no_loading() -> None:
    found = report(signals={"LT-E": summary(1.0), "FLOW": summary(0.2, 0.4), "RAS": summary(0.05)})
    assert found.tanks[0].load is None
    assert table(found, "Loading").note.startswith("No flow was measured")


def test_what_is_not_known_is_said() -> None:
    found = report(blanket=None)
    assert found.tanks[0].watched == 0.0
    [row] = table(found, "Blanket").rows
    assert row[1:9] == ("no data",) * 8
    assert table(found, "Hand cores and sensors").rows[0][-1] == "no pair"


def test_alarms_are_told_with_the_time_until_somebody_had_them() -> None:
    def line(minutes: float, event: Event, state: AlarmState, actor: str = "") -> Happened:
        return Happened(
            key="east.core", at=DAY.start + timedelta(minutes=minutes), event=event, to_state=state, actor=actor
        )

    found = report(
        happened=[
            line(5, Event.OCCURRED, AlarmState.UNACKNOWLEDGED),
            line(17, Event.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED, "Sam"),
            line(40, Event.RETURNED, AlarmState.NORMAL),
            line(100, Event.OCCURRED, AlarmState.UNACKNOWLEDGED),
        ]
    )
    assert [alarm.time_to_acknowledge for alarm in found.alarms] == [timedelta(minutes=12), None]
    rows = table(found, "Alarms").rows
    assert rows[0][1:5] == ("CORE DUE", EAST.label, "Sam", "12 min")
    assert rows[1][3:] == ("nobody", "–", "still active")


def test_a_running_day_counts_only_what_is_over() -> None:
    found = report(now=DAY.start + 10 * HOUR, blanket=replace(BLANKET, known=5 * HOUR))
    assert found.running
    assert found.tanks[0].watched == 0.5
    document = period_document(found, site="x", units="us", zone=ZONE, now=found.end)
    assert "still running, counted up to 2026-03-08 11:00 EDT" in document.facts[0][1]


def test_the_same_report_in_every_form() -> None:
    found = report(cores=[core(1)], pairs=[pair(0.1)])
    document = period_document(found, site="Invented Creek Works", units="us", zone=ZONE, now=DAY.end)
    text = as_text(document)
    assert "2026-03-08 00:00 EST to 2026-03-09 00:00 EDT, 23 h" in text
    assert "6.6 ft" in text  # the highest blanket
    assert "1 h 30 min" in text  # in high
    content = as_pdf(document, units="us", made_at=DAY.end)
    assert content.count(b"/Type /Page\n") in (1, 2)
    book = load_workbook(BytesIO(as_workbook(document, made_at=DAY.end)))
    assert book["Blanket"]["E2"].value == pytest.approx(2.0 / 0.3048)
    assert book.sheetnames == ["Summary", *(one.title for one in document.tables)]


def test_a_month_is_named_and_metric_plants_read_metres() -> None:
    month = month_of(date(2026, 2, 3), ZONE)
    found = replace(report(), period=month, end=month.end)
    document = period_document(found, site="x", units="si", zone=ZONE, now=datetime.now(tz=ZONE))
    assert document.title == "Monthly report 2026-02"
    assert table(found, "Blanket", "si").rows[0][4].text == "2.00 m"  # type: ignore[union-attr]


def test_a_day_without_rounds_is_not_told_as_a_day_on_which_none_was_due() -> None:
    daily = replace(CORE_DUE, limit=26.0)
    found = report(cores=(), pairs=(), definitions={"east.core": daily})
    assert [tank.due for tank in found.tanks] == [1]  # in 23 h
    document = period_document(found, site="Invented Creek Works", units="us", zone=ZONE, now=found.end)
    assert "no round was logged, 1 due" in str(document)
