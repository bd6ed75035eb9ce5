"""Rounds: what the surface and the machine of a tank look like, without a core."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated
from uuid import UUID, uuid4

from fastapi import APIRouter, Form, Request
from fastapi.responses import HTMLResponse
from pydantic import BaseModel, Field

from service.domain.cores.round import Round
from service.domain.plant.role import Role
from service.errors import InputError
from service.jobs.cores.round import submit_round, words_of_rounds
from service.jobs.laboratory.entry import number
from service.storage.cores.rounds import rounds_between
from service.storage.database.session import transaction
from service.web.base.access import FormChecked, Operator, Principal, Viewer
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


@router.get("/rounds")
def listed(request: Request, plant: Plant, visitor: Viewer) -> HTMLResponse:
    """The form, and the last rounds."""
    return _page(request, plant, visitor, RoundForm())


@router.post("/rounds", dependencies=[FormChecked])
def log(request: Request, plant: Plant, visitor: Operator, form: Annotated[RoundForm, Form()]) -> HTMLResponse:
    """Log a round of one tank."""
    now = plant.clock()
    try:
        seen = Round(
            id=_id(form.id),
            tank=form.tank,
            taken_at=plant_moment(form.when, plant.zone, now),
            recorded_at=now,
            words=tuple(form.words),
            torque=number(form.torque, "torque") / 100.0 if form.torque.strip() else None,
            taken_by=form.taken_by or visitor.label,
            note=form.note.strip(),
        )
        with transaction(plant.engine) as conn:
            submit_round(conn, plant, seen, visitor.actor, now=now)
    except InputError as error:
        said = str(error)
        return _page(request, plant, visitor, form, wrong=f"{said[:1].upper()}{said[1:]}.", status=400)
    label = plant.tanks[seen.tank].label
    return _page(request, plant, visitor, RoundForm(taken_by=form.taken_by), said=f"{label}: {seen.told}")


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
        rounds=list(reversed(found)),
        wrong=wrong,
        said=said,
        may_log=visitor.may(Role.OPERATOR),
    )
