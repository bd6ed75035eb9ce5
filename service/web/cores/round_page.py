"""Core pages: the round form, the list, correction and withdrawal."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from itertools import groupby
from typing import Annotated, Any
from uuid import UUID, uuid4

from fastapi import APIRouter, Depends, Form, HTTPException, Query, Request, Response, UploadFile
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse
from pydantic import BaseModel, Field, ValidationError

from service.calls.hand_over import hand_over_times
from service.domain.cores.round import CORE_WORDS
from service.domain.plant.role import Role
from service.domain.plant.tank import END_WALL, TankShape
from service.domain.plant.units import from_si
from service.errors import InputError
from service.jobs.cores.core import withdraw_core
from service.jobs.cores.photo import keep_photo
from service.photo import LARGEST
from service.storage.cores.cores import CoreRecord, core_history, find_core, newest_cores
from service.storage.cores.photos import photo_sizes
from service.storage.database.session import transaction
from service.web.base.access import FormChecked, Operator, Principal, Public, Supervisor, Viewer, signer_of
from service.web.base.lengths import READ_IN
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page, words_of
from service.web.base.times import plant_moment
from service.web.blanket.board_page import board_of
from service.web.cores.entry import CoreEntry, EntryVerdict, store_entry

router = APIRouter(include_in_schema=False)
Anybody = Annotated[Principal, Depends(Public("general advice; nothing of the plant is in it"))]

#: Position of the arm against the sampler, as seen from the walkway. [degree]
ARM = (
    ("", "not noted"),
    ("0", "has just passed"),
    ("90", "a quarter turn ago"),
    ("180", "half a turn away"),
    ("300", "comes next"),
)
#: A core this young belongs to the round that is being walked. Common practice, no source.
ROUND_TAKES = timedelta(hours=2)
#: Age of the oldest core listed.
LISTED_FOR = timedelta(days=30)
#: Most rows listed.
LISTED = 500

Line = Annotated[str, Field(max_length=100)]
Text = Annotated[str, Field(max_length=1000)]


class CoreForm(BaseModel):
    """The fields of the core form as typed; ``form_token`` is checked by the route."""

    id: Line = ""
    tank: Line = ""
    value: Line = ""
    unit: Line = ""
    inches: Line = ""
    distance: Line = ""
    fluff: Line = ""
    arm: Line = ""
    replicate: Line = "1"
    surface: list[str] = []
    taken_by: Line = ""
    note: Text = ""
    when: Line = ""
    confirmed: Line = ""
    photo: UploadFile | str | None = None

    @property
    def typed(self) -> dict[str, Any]:
        """The fields to show again, and to make an entry of."""
        typed = self.model_dump(exclude={"when", "confirmed", "photo"})
        return typed | {"id": self.id or str(uuid4()), "arm": self.arm or None}


class CorrectionForm(BaseModel):
    """The fields of a core's correction as typed."""

    value: Line = ""
    unit: Line = ""
    inches: Line = ""
    tank: Line = ""
    when: Line = ""
    reason: Line = ""
    note: Text = ""
    confirmed: Line = ""


@router.get("/round")
def form(request: Request, plant: Plant, visitor: Operator, tank: str = "") -> HTMLResponse:
    """The form."""
    return _form(request, plant, visitor, {"tank": tank})


@router.post("/round", dependencies=[FormChecked])
def log(
    request: Request,
    plant: Plant,
    visitor: Operator,
    form: Annotated[CoreForm, Form(media_type="multipart/form-data")],
) -> HTMLResponse:
    """Log a core from the plain form, without scripts."""
    typed = form.typed
    try:
        taken_at = plant_moment(form.when, plant.zone, plant.clock())
        entry = CoreEntry.model_validate({**typed, "confirmed": bool(form.confirmed), "taken_at": taken_at})
        verdict = store_entry(plant, visitor, entry)
    except (ValidationError, InputError) as error:
        return _form(request, plant, visitor, {**typed, "when": form.when}, wrong=_said(error), status=400)
    if verdict.state in ("stored", "already"):
        board_of(request).view(fresh=True)
        wrong = _store_photo(plant, visitor, verdict.core.id, form.photo)
        return _form(
            request,
            plant,
            visitor,
            {"tank": form.tank, "unit": form.unit},
            wrong=wrong,
            verdict=verdict,
            after=form.tank,
        )
    return _form(request, plant, visitor, {**typed, "when": form.when}, verdict=verdict, status=409)


@router.get("/round/data")
def data(request: Request, plant: Plant, visitor: Operator) -> JSONResponse:
    """Data for the phone: tanks with their last values, and a form token."""
    return JSONResponse(
        {
            "form_token": signer_of(request).form_token(visitor.visit),
            "who": visitor.label,
            "now": plant.clock().isoformat(),
            "tanks": _tiles(request, plant),
        }
    )


@router.get("/cautions")
def cautions(request: Request, plant: Plant, visitor: Anybody) -> HTMLResponse:
    """Cautions, and how to take a good core."""
    return page(request, plant, visitor, "cautions.html.j2")


@router.get("/cores")
def listed(
    request: Request,
    plant: Plant,
    visitor: Viewer,
    tank: Annotated[str, Query(max_length=100)] = "",
    day: Annotated[str, Query(max_length=10)] = "",
) -> HTMLResponse:
    """List current cores by day, newest first: of the last 30 days, or of one day."""
    keys = [tank] if tank in plant.tanks else list(plant.tanks)
    now = plant.clock()
    start, end = now - LISTED_FOR, None
    if day:
        try:
            start = datetime.combine(date.fromisoformat(day), time(), plant.zone)
            if not 1970 < start.year < 9999:
                raise ValueError("no day of a plant")
            end = datetime.combine(start.date() + timedelta(days=1), time(), plant.zone)
        except (ValueError, OverflowError):
            raise HTTPException(400, f"{day!r} is no day; write it as 2026-03-31.") from None
    with transaction(plant.engine) as conn:
        records = newest_cores(conn, [plant.ids.tanks[key] for key in keys], start, end, limit=LISTED + 1)
    rows = [(record, _height(plant, record)) for record in records[:LISTED]]
    return page(
        request,
        plant,
        visitor,
        "cores.html.j2",
        days=[
            (on, list(of))
            for on, of in groupby(rows, key=lambda row: row[0].core.taken_at.astimezone(plant.zone).date())
        ],
        count=len(rows),
        more=len(records) > LISTED,
        tank=tank if tank in plant.tanks else "",
        day=start.date() if day else None,
        today=now.astimezone(plant.zone).date(),
        one_day=timedelta(days=1),
    )


@router.get("/cores/{core_id}")
def one(request: Request, plant: Plant, visitor: Viewer, core_id: UUID) -> HTMLResponse:
    """One core with its history, and the form that corrects it."""
    return _core_page(request, plant, visitor, core_id)


@router.post("/cores/{core_id}/correct", dependencies=[FormChecked])
def correct(
    request: Request, plant: Plant, visitor: Operator, core_id: UUID, form: Annotated[CorrectionForm, Form()]
) -> Response:
    """Correct a core; the old version stays in its history."""
    with transaction(plant.engine) as conn:
        old = find_core(conn, core_id)
    if old is None:
        raise HTTPException(404, "There is no such core.")
    if not form.reason.strip():
        return _core_page(request, plant, visitor, core_id, wrong="Say why it is corrected.", status=400)
    core, tank = old.core, form.tank or old.core.tank
    try:
        entry = CoreEntry.model_validate(
            {
                "id": uuid4(),
                "tank": tank,
                "taken_at": plant_moment(form.when, plant.zone, plant.clock()) if form.when else core.taken_at,
                "value": form.value,
                "unit": form.unit,
                "inches": form.inches,
                "arm": core.arm_position,
                "replicate": core.replicate,
                "surface": core.surface,
                "taken_by": core.taken_by,
                "note": form.note or core.note,
                "confirmed": bool(form.confirmed),
                **_kept_lengths(plant, old, tank, form.unit),
            }
        )
        verdict = store_entry(plant, visitor, entry, supersedes=core_id, reason=form.reason.strip())
    except (ValidationError, InputError) as error:
        return _core_page(request, plant, visitor, core_id, wrong=_said(error), status=400)
    if verdict.state in ("stored", "already"):
        board_of(request).view(fresh=True)
        return RedirectResponse(f"/cores/{verdict.core.id}", status_code=303)
    question = " ".join(finding.sentence for finding in verdict.logged.findings)
    typed = form.model_dump(exclude={"confirmed"})
    return _core_page(
        request, plant, visitor, core_id, wrong=question, ask=verdict.state == "confirm", typed=typed, status=409
    )


@router.post("/cores/{core_id}/withdraw", dependencies=[FormChecked])
def withdraw(
    request: Request,
    plant: Plant,
    visitor: Supervisor,
    core_id: UUID,
    reason: Annotated[str, Form(max_length=100)] = "",
) -> Response:
    """Withdraw a core."""
    if not reason.strip():
        return _core_page(request, plant, visitor, core_id, wrong="Say why it is withdrawn.", status=400)
    with transaction(plant.engine) as conn:
        withdraw_core(conn, plant, core_id, visitor.actor, reason=reason.strip(), now=plant.clock())
    return RedirectResponse("/cores", status_code=303)


def _store_photo(plant: WebPlant, visitor: Principal, core_id: UUID, photo: UploadFile | str | None) -> str:
    """Store the photo of a form; returns what went wrong, or nothing. The core is stored in either case."""
    if photo is None or isinstance(photo, str):
        return ""
    content = photo.file.read(LARGEST + 1)
    if not content:
        return ""
    try:
        keep_photo(plant.engine, core_id, content, visitor.actor, now=plant.clock())
    except InputError as error:
        return f"The core is saved, but its photo is not: {error}."
    return ""


def _form(
    request: Request,
    plant: WebPlant,
    visitor: Principal,
    typed: dict[str, Any],
    *,
    wrong: str = "",
    verdict: EntryVerdict | None = None,
    status: int = 200,
    after: str = "",
) -> HTMLResponse:
    tiles = _tiles(request, plant)
    if after:
        typed = {**typed, "tank": _next(tiles, after)}
    units = READ_IN[plant.units]
    empty = {"id": "", "tank": "", "value": "", "unit": units[0][0], "inches": "", "distance": "", "fluff": ""}
    empty |= {"arm": "", "replicate": "1", "taken_by": visitor.label, "note": "", "when": ""}
    given = {**empty, "surface": [], **{key: value for key, value in typed.items() if value}}
    return page(
        request,
        plant,
        visitor,
        "round.html.j2",
        status=status,
        tiles=tiles,
        round_takes=ROUND_TAKES,
        units=units,
        arms=ARM,
        surfaces=[seen.value for seen in CORE_WORDS],
        hand_overs=[f"{local:%H:%M}" for local in hand_over_times(plant.alarms.rotas)],
        end_wall=END_WALL,
        long_tanks=[tank.label for tank in plant.tanks.values() if tank.shape is TankShape.RECTANGULAR],
        typed=given,
        wrong=wrong,
        verdict=verdict,
    )


def _next(tiles: list[dict[str, str]], after: str) -> str:
    """The next tank of the round in walking order that has no core in it yet; the same one where all have."""
    keys = [tile["key"] for tile in tiles]
    at = keys.index(after) + 1
    return next((tile["key"] for tile in tiles[at:] + tiles[:at] if not tile["done"]), after)


def _tiles(request: Request, plant: WebPlant) -> list[dict[str, str]]:
    """The tanks in walking order, which is the site file's."""
    say = words_of(plant)
    tiles = []
    views = {view.tank.key: view for view in board_of(request).view().tanks}
    for view in (views[key] for key in plant.tanks if key in views):
        core = view.core.core if view.core is not None else None
        tiles.append(
            {
                "key": view.tank.key,
                "label": view.tank.label,
                "now": say.clearance(view.clearance).removesuffix(" the weir") if view.known else "no data",
                "last": "no core yet" if core is None else f"core {say.length(core.thickness)}",
                "done": "yes" if core is not None and say.now - core.taken_at < ROUND_TAKES else "",
                "spot": say.number(view.tank.core_distance_from_wall),
            }
        )
    return tiles


def _core_page(
    request: Request,
    plant: WebPlant,
    visitor: Principal,
    core_id: UUID,
    *,
    wrong: str = "",
    ask: bool = False,
    typed: dict[str, str] | None = None,
    status: int = 200,
) -> HTMLResponse:
    with transaction(plant.engine) as conn:
        versions = core_history(conn, core_id)
        photos = photo_sizes(conn, [record.core.id for record in versions])
    if not versions:
        raise HTTPException(404, "There is no such core.")
    newest = versions[-1]
    return page(
        request,
        plant,
        visitor,
        "core.html.j2",
        status=status,
        versions=[(record, _height(plant, record)) for record in versions],
        newest=newest,
        photos=photos,
        may_correct=visitor.may(Role.OPERATOR) and not newest.withdrawn,
        units=READ_IN[plant.units],
        typed=typed or _typed_of(plant, newest),
        wrong=wrong,
        ask=ask,
    )


def _typed_of(plant: WebPlant, record: CoreRecord) -> dict[str, str]:
    value, unit, inches = f"{record.typed_value:g}", record.typed_unit, ""
    if unit == "in" and plant.units == "us" and record.typed_value >= 12.0:
        # Stored as inches, typed as feet and inches.
        feet, rest = divmod(record.typed_value, 12.0)
        value, unit, inches = f"{feet:g}", "ft in", f"{rest:g}"
    return {
        "value": value,
        "unit": unit,
        "inches": inches,
        "tank": record.core.tank,
        "when": "",
        "reason": "",
        "note": "",
    }


def _kept_lengths(plant: WebPlant, old: CoreRecord, tank: str, unit: str) -> dict[str, str]:
    """Position and fluff of the old version in the form's unit; the position only for the same tank."""
    plain = "ft" if unit == "ft in" else unit
    if plain not in ("ft", "in", "m", "cm"):
        return {}
    kept = {}
    if tank == old.core.tank:
        kept["distance"] = f"{from_si(old.core.distance_from_wall, plain):.3f}"
    if old.core.fluff is not None:
        kept["fluff"] = f"{from_si(old.core.fluff, plain):.3f}"
    return kept


def _height(plant: WebPlant, record: CoreRecord) -> float | None:
    tank = plant.tanks.get(record.core.tank)
    return None if tank is None else tank.height_from_thickness(record.core.thickness, record.core.distance_from_wall)


def _said(error: ValidationError | InputError) -> str:
    if isinstance(error, InputError):
        text = str(error)
        return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?")) else ".")
    first = error.errors()[0]
    field = str(first["loc"][0]) if first["loc"] else "form"
    names = {"unit": "Choose a unit.", "tank": "Choose a tank.", "taken_at": "The time cannot be read."}
    return names.get(field, f"{field}: {first['msg']}.")
