"""Sensor pages: the worklist of all blanket sensors, and one sensor's drift, advice and work."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.responses import HTMLResponse

from service.domain.plant.role import Role
from service.domain.plant.signal import Measures, Signal
from service.domain.sensors.advice import TOLERANCE, Action, DriftCause
from service.domain.sensors.drift_history import CALLED
from service.jobs.sensors.review import Reviewed, review, worklist
from service.web.base.access import Viewer
from service.web.base.formatters import Words
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page, words_of
from service.web.sensors.charts import cusum_plot, ewma_plot, offset_plot, pair_plot

router = APIRouter(include_in_schema=False)

#: Stretches of the offset's path: words and days.
STRETCHES = (("30 days", 30), ("90 days", 90), ("1 year", 366), ("all", 0))
#: Cores in the table at most: the newest.
LISTED = 60
#: Wrong cores explained at most: the newest.
EXPLAINED = 20
#: Sign, style and word of each advice: never colour alone.
FLAGS = {
    Action.WORK: ("▲", "warning", "Needs work now"),
    Action.WATCH: ("◔", "quieted", "Watch"),
    Action.MORE_CORES: ("?", "quieted", "Not enough cores"),
    Action.FINE: ("", "", "Fine"),
}
CAUSES = {
    DriftCause.NONE: "no clear cause",
    DriftCause.FOULING: "slow fouling: it moves a little every day",
    DriftCause.STEP: "a step: it jumped at one moment",
    DriftCause.SPAN: "span: the error grows with the blanket",
    DriftCause.NOISE: "noise: no constant error, but the readings scatter",
    DriftCause.DATUM: "wrong datum or position: it has been off by the same amount from the start",
    DriftCause.UNIT: "wrong unit: it reads feet as metres, or the other way around",
}
COUNTS = {
    Measures.HEIGHT: "height, counted up from its own zero",
    Measures.DISTANCE: "distance, counted down from its face",
    Measures.DEPTH: "depth, counted down from the water surface",
}


@router.get("/sensors")
def listed(request: Request, plant: Plant, visitor: Viewer) -> HTMLResponse:
    """The worklist."""
    return page(
        request,
        plant,
        visitor,
        "sensors.html.j2",
        rows=worklist(plant.engine, plant, plant.clock()),
        flags=FLAGS,
        tolerance=TOLERANCE,
    )


@router.get("/sensors/{tag:path}")
def one(
    request: Request, plant: Plant, visitor: Viewer, tag: str, days: Annotated[int, Query(ge=0, le=36_600)] = 90
) -> HTMLResponse:
    """One sensor."""
    found = reviewed(plant, tag, explained=EXPLAINED)
    say = words_of(plant)
    start = say.now - timedelta(days=days) if days else datetime(1970, 1, 1, tzinfo=UTC)
    works = [work.calibration for work in found.works]
    points = found.review.history.points
    doubts = found.review.doubts
    return page(
        request,
        plant,
        visitor,
        "sensor.html.j2",
        Action=Action,
        tag=tag,
        tank=found.setup.tank,
        review=found.review,
        advice=found.review.advice,
        works=list(reversed(found.works)),
        flags=FLAGS,
        cause=CAUSES[found.review.advice.cause],
        settings=settings(found, say),
        counts=counting_words(signal_of(found)),
        tolerance=TOLERANCE,
        days=days,
        stretches=STRETCHES,
        pair=pair_plot(found.review, say),
        path_of_offset=offset_plot(found.review, works, say, start),
        cusum=cusum_plot(found.review, say),
        ewma=ewma_plot(found.review, say),
        doubtful=[(p, doubts[p.pair.core]) for p in reversed(points) if p.pair.core in doubts],
        wrong=sum(point.wrong > CALLED for point in points),
        rows=list(reversed(points[-LISTED:])),
        count=len(points),
        called=CALLED,
        may_work=visitor.may(Role.TECHNICIAN),
        may_log=visitor.may(Role.OPERATOR),
    )


@dataclass(frozen=True, slots=True)
class TransmitterSetting:
    """One thing to type into the transmitter."""

    name: str
    now: str
    to: str


def settings(found: Reviewed, say: Words) -> list[TransmitterSetting]:
    """Transmitter settings, with more digits than a blanket is read: the transmitter takes them."""
    setting, signal = found.review.advice.setting, signal_of(found)
    unit = say.length_unit

    def fine(metres: float, signed: bool = False) -> str:
        return f"{say.in_unit(metres):{'+' if signed else ''}.2f} {unit}"

    rows = []
    if setting.multiply != 1.0:
        rows.append(TransmitterSetting("Span: multiply by", "1.000", f"{setting.multiply:.3f}"))
    rows.append(TransmitterSetting("Offset: add to what it reads", "as it is", fine(setting.add, signed=True)))
    for name, now, to in (
        ("4 mA stands for", signal.low, setting.at_4_ma),
        ("20 mA stands for", signal.high, setting.at_20_ma),
    ):
        if now is not None and to is not None:
            rows.append(TransmitterSetting(name, fine(now), fine(to)))
    return rows


def counting_words(signal: Signal) -> str:
    """Direction the transmitter counts, in words; empty where the site file does not say."""
    return "" if signal.mount is None else COUNTS[signal.mount.measures]


def signal_of(found: Reviewed) -> Signal:
    """The sensor's signal."""
    return next(signal for signal in found.setup.blankets if signal.tag == found.review.tag)


def reviewed(plant: WebPlant, tag: str, explained: int | None = 0) -> Reviewed:
    """Review of the sensor of that tag, with everything known.

    Parameters
    ----------
    explained : so many of the newest wrong cores are explained; None for all.
    """
    if not any(signal.tag == tag for setup in plant.setups for signal in setup.blankets):
        raise HTTPException(404, f"There is no blanket sensor {tag!r}.")
    return review(plant.engine, plant, tag, plant.clock(), explained=explained)
