"""REST API version 1: JSON in SI and UTC, described by OpenAPI, paged, with RFC 9457 problems.

Within version 1 fields are only ever added.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Annotated, Any

from fastapi import HTTPException, Path, Query, Request, Response
from fastapi.openapi.utils import get_openapi
from fastapi.responses import JSONResponse, StreamingResponse
from pydantic import BaseModel, ConfigDict, Field

from service import __version__
from service.alarms.machine import Acknowledge
from service.domain.blanket.estimate import Estimate
from service.domain.cores.core import Core
from service.errors import InputError
from service.jobs.alarms.command import submit_command
from service.jobs.blanket.estimate import newest_heading
from service.jobs.loading.loading import loading_of, loading_values
from service.storage.alarms.alarms import journal
from service.storage.blanket.estimates import estimates_between
from service.storage.cores.cores import CoreRecord, current_cores
from service.storage.database.session import transaction
from service.storage.trends.series import buckets
from service.web.api import schemas as answers
from service.web.api.export import Form, What, export
from service.web.api.router import When, api_router
from service.web.api.schemas import PROBLEMS
from service.web.base.access import AlarmHandler, CoreLogger, Reader, ScriptChecked
from service.web.base.plant import Plant, WebPlant
from service.web.base.problems import problem
from service.web.base.times import moment
from service.web.blanket.board import AlarmView, TankView
from service.web.blanket.board_page import board_of, tank_view
from service.web.blanket.flow_series import Lane
from service.web.blanket.series import series_of
from service.web.cores.entry import CoreEntry, EntryVerdict, store_entry
from service.web.diagnosis.what_if_page import split_now

router = api_router()

#: Rows of a page: default and maximum.
USUAL, MOST = 500, 5000
#: Largest width in pixels.
WIDEST = 4000

Limit = Annotated[int, Query(ge=1, le=MOST)]
Width = Annotated[
    int, Query(ge=1, le=WIDEST, description="Width in pixels: at most so many pairs of lowest and highest value.")
]
Name = Annotated[str, Path(max_length=200)]


class Note(BaseModel):
    """Body of an acknowledgement."""

    model_config = ConfigDict(extra="forbid")
    note: Annotated[str, Field(max_length=500)] = ""


@router.get("/tanks", response_model=answers.Tanks, tags=["tanks"])
def tanks(request: Request, plant: Plant, visitor: Reader) -> dict[str, Any]:
    """Every tank now, the worst first."""
    view = board_of(request).view()
    return {"at": view.at, "tanks": [_tank(tank) for tank in view.tanks]}


@router.get("/tanks/{key}", response_model=answers.TankNow, tags=["tanks"])
def tank(request: Request, plant: Plant, visitor: Reader, key: Name) -> dict[str, Any]:
    """One tank now."""
    return _tank(tank_view(request, key))


@router.get("/tanks/{key}/estimates", response_model=answers.Estimates, tags=["tanks"])
def estimates(
    plant: Plant, visitor: Reader, key: Name, start: When = None, end: When = None, limit: Limit = USUAL
) -> dict[str, Any]:
    """Estimates, oldest first; ``next`` is the start of the next page."""
    tank_id = _tank_id(plant, key)
    first, last = _range(plant, start, end)
    with transaction(plant.engine) as conn:
        found = estimates_between(conn, [tank_id], first, last, limit=limit + 1)
    rows = found[:limit]
    return {
        "estimates": [
            {
                "time": e.time,
                "height_m": _finite(e.height),
                "sd_m": _finite(e.sd),
                **_rivals(e),
                "rate_m_per_h": _finite(e.rate),
                "trust": e.trust,
                "reason": e.reason,
            }
            for e in rows
        ],
        "next": found[limit].time if len(found) > limit else None,
    }


@router.get("/tanks/{key}/loading", tags=["tanks"])
def loading(request: Request, plant: Plant, visitor: Reader, key: Name) -> dict[str, Any]:
    """Loading of a tank now with its limits, its state point, and the status of its inputs."""
    view = tank_view(request, key)
    now, setup = plant.clock(), split_now(plant, view)
    with transaction(plant.engine) as conn:
        heading = newest_heading(conn, setup, plant.ids.tanks[key])
        found = loading_of(conn, setup, plant.ids, heading, view.estimate, now)
    return {"at": now, **loading_values(found, plant.units)}


@router.get("/tanks/{key}/series", response_model=answers.TrendSeries, tags=["tanks"])
def series(
    plant: Plant,
    visitor: Reader,
    key: Name,
    start: When = None,
    end: When = None,
    width: Width = 1000,
    under: Annotated[
        Lane | None, Query(description="Also this flow or loading; null where it is not measured.")
    ] = None,
) -> dict[str, Any]:
    """Series for a trend of the tank: lowest and highest value per pixel, cores, limits, alarms."""
    _tank_id(plant, key)
    first, last = _range(plant, start, end)
    return series_of(plant, key, first, last, width, under)


@router.get("/signals", response_model=answers.Signals, tags=["readings"])
def signals(plant: Plant, visitor: Reader) -> dict[str, Any]:
    """Every signal of the site file."""
    found = {}
    for setup in plant.setups:
        for signal in (*setup.blankets, *setup.others):
            found[signal.tag] = {"tag": signal.tag, "kind": signal.kind, "tank": signal.tank, "unit": signal.unit}
    return {"signals": list(found.values())}


@router.get("/signals/{tag}/readings", response_model=answers.Readings, tags=["readings"])
def readings(
    plant: Plant, visitor: Reader, tag: Name, start: When = None, end: When = None, width: Width = 1000
) -> dict[str, Any]:
    """Readings in SI: lowest, highest and last value per pixel. For whole tables use the exports."""
    if tag not in {s.tag for setup in plant.setups for s in (*setup.blankets, *setup.others)}:
        raise HTTPException(404, f"There is no signal {tag!r}.")
    first, last = _range(plant, start, end)
    with transaction(plant.engine) as conn:
        found = buckets(conn, "reading", plant.ids.signals[tag], first, last, width)
    return {
        "tag": tag,
        "start": first,
        "end": last,
        "buckets": [{"time": b.time, "low": b.low, "high": b.high, "last": b.last, "count": b.count} for b in found],
    }


@router.get("/cores", response_model=answers.Cores, tags=["cores"])
def cores(
    plant: Plant,
    visitor: Reader,
    tank: Annotated[str | None, Query(max_length=200)] = None,
    start: When = None,
    end: When = None,
    limit: Limit = USUAL,
) -> dict[str, Any]:
    """Current hand cores (corrections applied), oldest first; ``next`` is the start of the next page."""
    ids = [_tank_id(plant, tank)] if tank is not None else [plant.ids.tanks[key] for key in plant.tanks]
    first, last = _range(plant, start, end, days=30)
    with transaction(plant.engine) as conn:
        found = current_cores(conn, ids, first, last, limit=limit + 1)
    rows = found[:limit]
    while len(found) > len(rows) > 0 and rows and found[len(rows)].core.taken_at == rows[-1].core.taken_at:
        rows.append(found[len(rows)])  # cores of one time stay on one page
    return {
        "cores": [_core(record) for record in rows],
        "next": found[len(rows)].core.taken_at if len(found) > len(rows) else None,
    }


@router.post(
    "/cores",
    tags=["cores"],
    status_code=201,
    response_model=answers.CoreVerdict,
    responses={
        200: {"model": answers.CoreVerdict, "description": "Already stored under this id."},
        409: PROBLEMS[409] | {"description": "Doubtful: check again, and send it with confirmed = true."},
    },
)
def log_core(
    request: Request,
    plant: Plant,
    visitor: CoreLogger,
    _checked: Annotated[None, ScriptChecked],
    entry: CoreEntry,
    response: Response,
) -> Any:
    """Log a hand core. The client chooses the id: sending it again stores it once."""
    try:
        verdict = store_entry(plant, visitor, entry)
    except InputError as error:
        return problem(422, str(error))
    match verdict.state:
        case "stored":
            board_of(request).view(fresh=True)
        case "already":
            response.status_code = 200
        case state:
            findings = [
                {"problem": f.problem, "severity": f.severity, "sentence": f.sentence} for f in verdict.logged.findings
            ]
            detail = " ".join(f.sentence for f in verdict.logged.findings)
            return problem(409 if state == "confirm" else 422, detail, findings=findings)
    return _verdict(verdict)


@router.get("/alarms", response_model=answers.Alarms, tags=["alarms"])
def alarms(request: Request, plant: Plant, visitor: Reader) -> dict[str, Any]:
    """Every alarm that is not normal, the worst first."""
    view = board_of(request).view()
    return {"at": view.at, "alarms": [_alarm(alarm) for alarm in view.alarms]}


@router.post("/alarms/{name}/acknowledge", response_model=answers.Acknowledged, tags=["alarms"])
def acknowledge(
    request: Request,
    plant: Plant,
    visitor: AlarmHandler,
    _checked: Annotated[None, ScriptChecked],
    name: Name,
    said: Note,
) -> Any:
    """Acknowledge an alarm; *name* is the code of the message or the alarm's key."""
    try:
        command = Acknowledge(note=said.note.strip())
        with transaction(plant.engine) as conn:
            done = submit_command(conn, plant, name, command, visitor.actor, now=plant.clock())
    except InputError as error:
        return problem(404, str(error))
    if not done.changed:
        return problem(409, f"Nothing was changed: {done.reason}.", state=done.state)
    board_of(request).view(fresh=True)
    return {"alarm": done.key, "code": done.code, "state": done.state, "told": done.told}


@router.get("/journal", response_model=answers.Journal, tags=["alarms"])
def journal_lines(
    plant: Plant, visitor: Reader, start: When = None, end: When = None, limit: Limit = USUAL
) -> dict[str, Any]:
    """The alarm journal, newest first; ``next`` is the end of the next page."""
    first, last = _range(plant, start, end, days=7)
    with transaction(plant.engine) as conn:
        lines = journal(conn, start=first, end=last, limit=limit)
    return {
        "journal": [
            {
                "id": line.id,
                "at": line.at,
                "alarm": line.key,
                "tank": line.tank,
                "event": line.event,
                "from_state": line.from_state,
                "to_state": line.to_state,
                "reason": line.reason,
                "actor": line.actor,
                "told": line.detail.get("told", []),
                "silent": line.detail.get("silent", []),
            }
            for line in lines
        ],
        "next": lines[-1].at if len(lines) == limit else None,
    }


@router.get("/exports/{what}.{form}", tags=["exports"], response_class=StreamingResponse)
def exported(
    plant: Plant,
    visitor: Reader,
    what: What,
    form: Form,
    tank: Annotated[str | None, Query(max_length=200)] = None,
    start: When = None,
    end: When = None,
) -> StreamingResponse:
    """A whole table as CSV or Parquet, streamed, in SI and UTC."""
    if tank is not None:
        _tank_id(plant, tank)
    first, last = _range(plant, start, end, days=30)
    return export(plant, what, form, [tank] if tank is not None else list(plant.tanks), first, last)


@router.get("/openapi.json", include_in_schema=False)
def description(request: Request, visitor: Reader) -> JSONResponse:
    """The OpenAPI description."""
    app = request.app
    found = get_openapi(title=app.title, version=__version__, summary=app.summary, routes=app.routes)
    found.setdefault("components", {})["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
    found["security"] = [{"token": []}]
    return JSONResponse(found)


def _range(plant: WebPlant, start: str | None, end: str | None, days: float = 1.0) -> tuple[datetime, datetime]:
    last = moment(end) if end else plant.clock() + timedelta(minutes=5)
    try:
        first = moment(start) if start else last - timedelta(days=days)
    except OverflowError:
        raise HTTPException(400, "These times are out of range.") from None
    if not _EARLIEST.year <= first.year <= _LATEST.year or last.year > _LATEST.year:
        raise HTTPException(400, f"Times lie between the years {_EARLIEST.year} and {_LATEST.year}.")
    if first >= last:
        raise HTTPException(400, "The end lies before the start.")
    return first, last


_EARLIEST, _LATEST = datetime(1970, 1, 1), datetime(2200, 1, 1)  # noqa: DTZ001 (only their years are looked at)


def _tank_id(plant: WebPlant, key: str) -> int:
    if key not in plant.tanks:
        raise HTTPException(404, f"There is no tank {key!r}.")
    return plant.ids.tanks[key]


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _rivals(estimate: Estimate) -> dict[str, Any]:
    """The 95 % interval over all stories, and the stories where there is more than one."""
    low, high = estimate.interval
    return {
        "low_m": _finite(low),
        "high_m": _finite(high),
        "stories": [{"chance": s.chance, "height_m": s.mean, "sd_m": s.sd} for s in estimate.stories],
    }


def _tank(view: TankView) -> dict[str, Any]:
    e, known = view.estimate, view.known
    return {
        "tank": view.tank.key,
        "label": view.tank.label,
        "level": view.level,
        "height_m": e.height if known else None,
        "sd_m": _finite(e.sd) if known else None,
        **_rivals(e),
        "rate_m_per_h": _finite(e.rate) if known else None,
        "clearance_m": view.clearance if known else None,
        "hours_to_danger": view.to_danger,
        "trust": view.trust,
        "reason": e.reason,
        "last_reading_at": view.heard_at,
        "readings_late": view.heard_late,
        "standing_observation": None if view.observation is None else view.observation.reason,
        "last_core": None if view.core is None else _core(view.core),
        "alarms": [_alarm(alarm) for alarm in view.alarms],
    }


def _alarm(view: AlarmView) -> dict[str, Any]:
    machine = view.record.machine
    return {
        "alarm": view.record.key,
        "kind": view.definition.kind,
        "priority": view.definition.priority,
        "tank": view.definition.tank,
        "state": machine.state,
        "active": view.active,
        "code": machine.code or None,
        "occurred_at": machine.occurred_at,
        "returned_at": machine.returned_at,
        "actor": machine.actor or None,
        "value": _finite(machine.value),
        "reason": machine.rule_reason or None,
    }


def _core(record: CoreRecord) -> dict[str, Any]:
    core: Core = record.core
    return {
        "id": core.id,
        "tank": core.tank,
        "taken_at": core.taken_at,
        "recorded_at": core.recorded_at,
        "thickness_m": core.thickness,
        "distance_from_wall_m": core.distance_from_wall,
        "arm_position_deg": core.arm_position,
        "replicate": core.replicate,
        "fluff_m": core.fluff,
        "surface": core.surface,
        "taken_by": core.taken_by,
        "note": core.note,
        "typed_value": record.typed_value,
        "typed_unit": record.typed_unit,
        "supersedes": record.supersedes,
        "correction_reason": record.correction_reason or None,
    }


def _verdict(verdict: EntryVerdict) -> dict[str, Any]:
    return {
        "id": verdict.core.id,
        "state": verdict.state,
        "height_m": verdict.height,
        "clearance_m": verdict.clearance,
        "sentence": verdict.sentence,
        "sensor_minus_core_m": _finite(verdict.sensor),
        "sensor_agrees": verdict.sensor_agrees,
        "sensor_sentence": verdict.sensor_sentence,
    }
