"""Form that records work on a sensor step by step: as found, what was done, as left, review."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Literal
from uuid import UUID, uuid4

from fastapi import APIRouter, Form, HTTPException, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from pydantic import BaseModel, Field

from service.domain.blanket.estimate import TankSetup
from service.domain.blanket.fusion import PIVOT_SHARE
from service.domain.cores.core import Calibration, CalibrationKind
from service.domain.plant.display import format_length
from service.domain.plant.signal import Signal, sensor_height
from service.domain.plant.tank import Tank
from service.domain.sensors.advice import TOLERANCE, Action, setting_for
from service.errors import InputError
from service.jobs.blanket.estimate import head_at
from service.jobs.sensors.calibrate import doubts_of_work, record_work
from service.jobs.sensors.review import Reviewed
from service.storage.database.session import transaction
from service.storage.sensors.calibrations import CalibrationRecord, find_calibration
from service.web.base.access import FormChecked, Principal, Technician
from service.web.base.lengths import length, signed_length
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page, words_of
from service.web.base.times import plant_moment
from service.web.sensors.page import counting_words, reviewed, settings, signal_of

router = APIRouter(include_in_schema=False)

Line = Annotated[str, Field(max_length=100)]

SIDES: tuple[Literal["found", "left"], ...] = ("found", "left")
#: What can be chosen, with the words of the page.
KINDS = (
    (CalibrationKind.CLEANING, "cleaned", "its settings were left as they are"),
    (CalibrationKind.CALIBRATION, "calibrated", "offset or span was changed, cleaned or not"),
    (CalibrationKind.REPLACEMENT, "replaced", "another sensor hangs there now"),
)


class WorkForm(BaseModel):
    """The fields of the form as typed."""

    id: Line = ""
    kind: Line = ""
    found_reads: Line = ""
    found_core: Line = ""
    found_error: Line = ""
    left_reads: Line = ""
    left_core: Line = ""
    left_error: Line = ""
    spot: Line = ""
    when: Line = ""
    by: Line = ""
    why: Line = ""
    note: Annotated[str, Field(max_length=1000)] = ""
    corrects: Line = ""
    correction: Line = ""
    looked_over: Line = ""


@router.get("/sensors/{tag:path}/calibrate")
def form(
    request: Request, plant: Plant, visitor: Technician, tag: str, corrects: Annotated[UUID | None, Query()] = None
) -> HTMLResponse:
    """The form; with *corrects* it is filled in with the record to correct."""
    typed = WorkForm(id=str(uuid4()), kind=CalibrationKind.CALIBRATION.value, by=visitor.label)
    if corrects is not None:
        typed = _of(plant, _recorded(plant, corrects))
    return _form(request, plant, visitor, tag, typed)


@router.post("/sensors/{tag:path}/calibrate", dependencies=[FormChecked])
def record(
    request: Request, plant: Plant, visitor: Technician, tag: str, form: Annotated[WorkForm, Form()]
) -> Response:
    """Show what would be recorded; record it once it was reviewed."""
    # The time is fixed at the first step: the review takes a while, and the form may be sent twice.
    defaults = {
        "id": form.id or str(uuid4()),
        "when": form.when or _local(plant, plant.clock()),
        "by": form.by or visitor.label,
    }
    typed = form.model_copy(update=defaults)
    setup = _setup(plant, tag)
    try:
        read = _read(plant, setup, tag, typed)
        work_id, corrects = _id(typed.id), _id(typed.corrects) if typed.corrects else None
        if typed.looked_over != "confirmed":
            with transaction(plant.engine) as conn:
                doubts = doubts_of_work(
                    conn, setup, plant.ids, read.work, plant.units, now=plant.clock(), id=work_id, supersedes=corrects
                )
            if doubts or typed.looked_over != "yes":
                return _form(request, plant, visitor, tag, typed, read=read, doubts=doubts)
        done = record_work(
            plant.engine,
            setup,
            plant.ids,
            read.work,
            visitor.actor,
            now=plant.clock(),
            units=plant.units,
            typed=(read.found.typed, read.left.typed),
            confirmed=typed.looked_over == "confirmed",
            note=typed.note.strip(),
            id=work_id,
            supersedes=corrects,
            correction_reason=typed.correction.strip(),
        )
    except InputError as error:
        text = str(error)
        return _form(request, plant, visitor, tag, typed, wrong=text[:1].upper() + text[1:], status=400)
    return RedirectResponse(f"/calibrations/{done.id}", status_code=303)


def _form(
    request: Request,
    plant: WebPlant,
    visitor: Principal,
    tag: str,
    typed: WorkForm,
    *,
    read: WorkRead | None = None,
    doubts: tuple[str, ...] = (),
    wrong: str = "",
    status: int = 200,
) -> HTMLResponse:
    found = reviewed(plant, tag)
    tank = found.setup.tank
    return page(
        request,
        plant,
        visitor,
        "calibrate.html.j2",
        Action=Action,
        tolerance=TOLERANCE,
        status=status,
        tag=tag,
        tank=tank,
        advice=found.review.advice,
        settings=settings(found, words_of(plant)),
        counts=counting_words(signal_of(found)),
        kinds=KINDS,
        typed=typed,
        work=None if read is None else read.work,
        read=read,
        doubts=doubts,
        still_off=None if read is None else _still_off(found, read),
        wrong=wrong,
    )


@dataclass(frozen=True, slots=True)
class ErrorRead:
    """One side of the work: the error, what was typed, and how the error came of it. [m]; ``error`` None where nothing was typed."""

    error: float | None
    typed: str = ""
    made: str = ""


@dataclass(frozen=True, slots=True)
class WorkRead:
    """The work with what was typed of either side; ``surface`` is the water's above the floor datum then. [m]"""

    work: Calibration
    found: ErrorRead
    left: ErrorRead
    surface: float


def _still_off(found: Reviewed, read: WorkRead) -> float | None:
    """What has to be added to what the sensor reads when it was left further off than is good enough; else None. [m]"""
    error = read.left.error
    if error is None or abs(error) <= TOLERANCE:
        return None
    pivot = PIVOT_SHARE * found.setup.tank.side_water_depth
    return setting_for(signal_of(found), read.surface, pivot, error).add


def _read(plant: WebPlant, setup: TankSetup, tag: str, typed: WorkForm) -> WorkRead:
    """The work as it was typed.

    Raises
    ------
    InputError
        saying what cannot be read or does not fit together.
    """
    if typed.kind not in set(CalibrationKind):
        raise InputError("choose what was done: cleaned, calibrated or replaced")
    if not typed.why.strip():
        raise InputError("say why the work was done: it is what the next technician will ask")
    if typed.corrects and not typed.correction.strip():
        raise InputError("say what was wrong with the record that this one corrects")
    signal = next(signal for signal in setup.blankets if signal.tag == tag)
    at = plant_moment(typed.when, plant.zone, plant.clock())
    with transaction(plant.engine) as conn:
        head = head_at(conn, setup, plant.ids, at)
    found, left = (_error(plant, setup.tank, signal, side, typed, head) for side in SIDES)
    work = Calibration(
        tag=tag,
        at=at,
        kind=CalibrationKind(typed.kind),
        done_by=typed.by.strip(),
        reason=typed.why.strip(),
        as_found_offset=found.error,
        as_left_offset=left.error,
    )
    return WorkRead(work, found, left, setup.tank.side_water_depth + head)


def _error(
    plant: WebPlant, tank: Tank, signal: Signal, side: Literal["found", "left"], typed: WorkForm, head: float
) -> ErrorRead:
    """Reading minus truth in blanket height, from a reading and the core beside it, or as typed; None for neither. [m]

    Parameters
    ----------
    head : water surface above the weir crest then: a sensor may count from the surface. [m]
    """
    unit = words_of(plant).length_unit
    reads, core, error = (getattr(typed, f"{side}_{name}").strip() for name in ("reads", "core", "error"))
    try:
        if error:
            if reads or core:
                raise InputError("enter either the reading with its core, or the error itself, not both")
            metres = signed_length(error, unit)
            return ErrorRead(metres, f"error {error}" if error.endswith(unit) else f"error {error} {unit}")
        if not reads and not core:
            return ErrorRead(None)
        if not reads or not core:
            raise InputError("enter both the reading and the hand core beside it; one alone says nothing")
        shown = signed_length(reads, unit)
        thickness = length(core, unit)[0]
        away = length(typed.spot, unit)[0] if typed.spot.strip() else tank.core_distance_from_wall
        if away > tank.reach:
            raise InputError(f"{format_length(away, plant.units)} from {tank.wall} is outside {tank.label}")
    except InputError as problem:
        raise InputError(f"as {side}: {problem}") from None
    height = shown if signal.mount is None else sensor_height(shown, tank, signal.mount, head)
    true = tank.height_from_thickness(thickness, away)
    say = words_of(plant)
    return ErrorRead(
        height - true,
        f"shows {reads} {unit}, core {core} {unit} at {say.length(away)} from the wall",
        f"blanket above the floor at the wall: {say.length(height)} by the sensor, {say.length(true)} by the core",
    )


def _of(plant: WebPlant, old: CalibrationRecord) -> WorkForm:
    """The form filled in with a record, for a correction."""
    say, done = words_of(plant), old.calibration

    def error(value: float | None) -> str:
        return "" if value is None else f"{say.in_unit(value):+.2f}"

    return WorkForm(
        id=str(uuid4()),
        kind=done.kind.value,
        found_error=error(done.as_found_offset),
        left_error=error(done.as_left_offset),
        when=_local(plant, done.at),
        by=done.done_by,
        why=done.reason,
        note=old.note,
        corrects=str(old.id),
    )


def _local(plant: WebPlant, at: datetime) -> str:
    """A moment as the browser's field takes it."""
    return f"{at.astimezone(plant.zone):%Y-%m-%dT%H:%M}"


def _recorded(plant: WebPlant, calibration_id: UUID) -> CalibrationRecord:
    with transaction(plant.engine) as conn:
        found = find_calibration(conn, calibration_id)
    if found is None:
        raise HTTPException(404, "There is no such record of work.")
    return found


def _setup(plant: WebPlant, tag: str) -> TankSetup:
    for setup in plant.setups:
        if any(signal.tag == tag for signal in setup.blankets):
            return setup
    raise HTTPException(404, f"There is no blanket sensor {tag!r}.")


def _id(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise InputError("this form is damaged; load it again") from None
