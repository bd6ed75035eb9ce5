"""Rounds for programs: read and logged."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated, Any, Literal
from uuid import UUID, uuid4

from fastapi import HTTPException, Query, Response
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from service.domain.cores.round import Round
from service.errors import InputError
from service.jobs.cores.round import round_values, submit_round
from service.storage.cores.rounds import rounds_between
from service.storage.database.session import transaction
from service.web.api.router import When, api_router
from service.web.base.access import CoreLogger, Reader, ScriptChecked
from service.web.base.plant import Plant
from service.web.base.problems import problem
from service.web.base.times import moment

router = api_router("rounds")

#: Most rounds of one answer.
MOST = 2000


class RoundEntry(BaseModel):
    """A round as sent. The client makes the ``id``, so that sending twice stores once."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    id: UUID = Field(default_factory=uuid4)
    tank: Annotated[str, Field(max_length=100)]
    taken_at: AwareDatetime
    words: Annotated[list[Annotated[str, Field(max_length=100)]], Field(max_length=100)] = []
    torque: Annotated[float | None, Field(description="Part of the drive's rating: 0.4 is 40 %.")] = None
    taken_by: Annotated[str, Field(max_length=100)] = ""
    note: Annotated[str, Field(max_length=1000)] = ""


class RoundKept(BaseModel):
    """One round in force."""

    id: UUID
    tank: str
    taken_at: datetime
    recorded_at: datetime
    words: list[str]
    torque: float | None
    taken_by: str
    note: str
    source: str
    supersedes: UUID | None
    correction_reason: str


class Rounds(BaseModel):
    """Rounds in force, oldest first; ``truncated`` says that there are older ones in the range."""

    rounds: list[RoundKept]
    truncated: bool


class RoundVerdict(BaseModel):
    """Result of logging a round."""

    id: UUID
    state: Literal["stored", "already"]


@router.get("/rounds", response_model=Rounds)
def rounds(
    plant: Plant,
    visitor: Reader,
    tank: Annotated[str | None, Query(max_length=200, description="A tank's key.")] = None,
    start: When = None,
    end: When = None,
    limit: Annotated[int, Query(ge=1, le=MOST)] = 500,
) -> dict[str, Any]:
    """Rounds in force (corrections applied), the newest of the range, oldest first. For whole tables use the exports."""
    if tank is not None and tank not in plant.tanks:
        raise HTTPException(404, f"There is no tank {tank!r}.")
    until = moment(end) if end else plant.clock() + timedelta(hours=1)
    since = moment(start) if start else until - timedelta(days=30)
    ids = [plant.ids.tanks[key] for key in plant.tanks if tank in (None, key)]
    with transaction(plant.engine) as conn:
        found = rounds_between(conn, ids, since, until, limit=limit + 1)
    return {"rounds": [round_values(record) for record in found[-limit:]], "truncated": len(found) > limit}


@router.post(
    "/rounds",
    status_code=201,
    response_model=RoundVerdict,
    responses={200: {"model": RoundVerdict, "description": "Already stored under this id."}},
)
def log(
    plant: Plant, visitor: CoreLogger, _checked: Annotated[None, ScriptChecked], entry: RoundEntry, response: Response
) -> Any:
    """Log a round. The client chooses the id: sending it again stores it once."""
    now = plant.clock()
    typed = entry.model_dump() | {"words": tuple(entry.words), "taken_by": entry.taken_by or visitor.label}
    try:
        with transaction(plant.engine) as conn:
            new = submit_round(conn, plant, Round(recorded_at=now, **typed), visitor.actor, now=now)
    except InputError as error:
        return problem(422, str(error))
    if not new:
        response.status_code = 200
    return {"id": entry.id, "state": "stored" if new else "already"}
