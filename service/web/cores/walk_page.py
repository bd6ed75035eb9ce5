"""Rounds: what the surface and the machine of a tank look like, without a core; corrected and withdrawn as cores are."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated
from uuid import UUID, uuid4

from fastapi import APIRouter, Form, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from pydantic import BaseModel, Field

from service.domain.cores.round import Round
from service.domain.plant.role import Role
from service.errors import InputError
from service.jobs.cores.round import submit_round, withdraw_round, words_of_rounds
from service.jobs.laboratory.entry import number
from service.storage.cores.rounds import find_round, round_history, rounds_between
from service.storage.database.session import transaction
from service.web.base.access import FormChecked, Operator, Principal, Supervisor, Viewer
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page
from service.web.base.times import plant_moment

router = APIRouter(include_in_schema=False)

#: Rounds of so long are listed, at most so many.
LISTED_FOR, LISTED = timedelta(days=7), 60
Line = Annotated[str, Field(max_length=100)]


class RoundForm(BaseModel):
    """The fields of a round as typed; ``form_token`` is checked by the route."""

    id: Line = ""
    tank: Line = ""
    words: Annotated[list[Line], Field(max_length=100)] = []
    torque: Line = ""
    taken_by: Line = ""
    note: Annotated[str, Field(max_length=1000)] = ""
    when: Line = ""
    reason: Line = ""


@router.get("/rounds")
def listed(request: Request, plant: Plant, visitor: Viewer) -> HTMLResponse:
    """The form, and the last rounds."""
    return _page(request, plant, visitor, RoundForm())


@router.post("/rounds", dependencies=[FormChecked])
def log(request: Request, plant: Plant, visitor: Operator, form: Annotated[RoundForm, Form()]) -> HTMLResponse:
    """Log a round of one tank."""
    now = plant.clock()
    try:
        seen = _seen(plant, visitor, form, plant_moment(form.when, plant.zone, now))
        with transaction(plant.engine) as conn:
            submit_round(conn, plant, seen, visitor.actor, now=now)
    except InputError as error:
        return _page(request, plant, visitor, form, wrong=_sentence(error), status=400)
    label = plant.tanks[seen.tank].label
    return _page(request, plant, visitor, RoundForm(taken_by=form.taken_by), said=f"{label}: {seen.told}")


@router.get("/rounds/{round_id}")
def one(request: Request, plant: Plant, visitor: Viewer, round_id: UUID) -> HTMLResponse:
    """One round with its history, and the form that corrects it."""
    return _one(request, plant, visitor, round_id)


@router.post("/rounds/{round_id}/correct", dependencies=[FormChecked])
def correct(
    request: Request, plant: Plant, visitor: Operator, round_id: UUID, form: Annotated[RoundForm, Form()]
) -> Response:
    """Correct a round; the old version stays in its history."""
    now = plant.clock()
    try:
        with transaction(plant.engine) as conn:
            old = find_round(conn, round_id)
            if old is None:
                raise HTTPException(404, "There is no such round.")
            taken_at = plant_moment(form.when, plant.zone, now) if form.when else old.seen.taken_at
            seen = _seen(plant, visitor, form, taken_at)
            submit_round(conn, plant, seen, visitor.actor, now=now, supersedes=round_id, reason=form.reason)
    except InputError as error:
        return _one(request, plant, visitor, round_id, form=form, wrong=_sentence(error), status=400)
    return RedirectResponse(f"/rounds/{seen.id}", status_code=303)


@router.post("/rounds/{round_id}/withdraw", dependencies=[FormChecked])
def withdraw(
    request: Request,
    plant: Plant,
    visitor: Supervisor,
    round_id: UUID,
    reason: Annotated[str, Form(max_length=100)] = "",
) -> Response:
    """Take a round back that never was."""
    try:
        with transaction(plant.engine) as conn:
            withdraw_round(conn, round_id, visitor.actor, reason=reason, now=plant.clock())
    except InputError as error:
        return _one(request, plant, visitor, round_id, wrong=_sentence(error), status=400)
    return RedirectResponse("/rounds", status_code=303)


def _seen(plant: WebPlant, visitor: Principal, form: RoundForm, taken_at: datetime) -> Round:
    return Round(
        id=_id(form.id),
        tank=form.tank,
        taken_at=taken_at,
        recorded_at=plant.clock(),
        words=tuple(form.words),
        torque=number(form.torque, "torque") / 100.0 if form.torque.strip() else None,
        taken_by=form.taken_by or visitor.label,
        note=form.note.strip(),
    )


def _sentence(error: InputError) -> str:
    said = str(error)
    return f"{said[:1].upper()}{said[1:]}."


def _id(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        return uuid4()


def _page(
    request: Request,
    plant: WebPlant,
    visitor: Principal,
    form: RoundForm,
    *,
    wrong: str = "",
    said: str = "",
    status: int = 200,
) -> HTMLResponse:
    now = plant.clock()
    with transaction(plant.engine) as conn:
        found = rounds_between(
            conn,
            [plant.ids.tanks[key] for key in plant.tanks],
            now - LISTED_FOR,
            now + timedelta(hours=1),
            limit=LISTED,
        )
    return page(
        request,
        plant,
        visitor,
        "rounds.html.j2",
        status=status,
        form=form,
        id=form.id or str(uuid4()),
        words=words_of_rounds(plant),
        rounds=[record.seen for record in reversed(found)],
        since=now - timedelta(days=92),
        wrong=wrong,
        said=said,
        may_log=visitor.may(Role.OPERATOR),
    )


def _one(
    request: Request,
    plant: WebPlant,
    visitor: Principal,
    round_id: UUID,
    *,
    form: RoundForm | None = None,
    wrong: str = "",
    status: int = 200,
) -> HTMLResponse:
    with transaction(plant.engine) as conn:
        versions = round_history(conn, round_id)
    if not versions:
        raise HTTPException(404, "There is no such round.")
    newest = versions[-1]
    seen = newest.seen
    typed = form or RoundForm(
        tank=seen.tank,
        words=list(seen.words),
        torque="" if seen.torque is None else f"{100.0 * seen.torque:g}",
        taken_by=seen.taken_by,
        note=seen.note,
    )
    return page(
        request,
        plant,
        visitor,
        "round_seen.html.j2",
        status=status,
        versions=versions,
        newest=newest,
        label=plant.tanks[seen.tank].label if seen.tank in plant.tanks else seen.tank,
        form=typed,
        id=typed.id or str(uuid4()),
        words=words_of_rounds(plant),
        may_correct=visitor.may(Role.OPERATOR) and not newest.withdrawn,
        wrong=wrong,
    )
