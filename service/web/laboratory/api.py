"""The laboratory's values for programs: read, entered, and what follows from them."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated, Any, Literal
from uuid import UUID

from fastapi import HTTPException, Query, Response
from pydantic import BaseModel

from service.domain.laboratory.check import refused
from service.domain.laboratory.result import LaboratoryKind
from service.errors import InputError
from service.jobs.laboratory.day import laboratory_day
from service.jobs.laboratory.entry import LaboratoryEntry, draft_of
from service.jobs.laboratory.export import figure_values, result_values
from service.jobs.laboratory.result import submit_result
from service.storage.database.session import transaction
from service.storage.laboratory.results import laboratory_results
from service.web.api.router import When, api_router
from service.web.api.schemas import PROBLEMS
from service.web.base.access import CoreLogger, Reader, ScriptChecked
from service.web.base.plant import Plant, WebPlant
from service.web.base.problems import problem
from service.web.base.times import moment

router = api_router("laboratory")

#: Most values of one answer.
MOST = 2000
Tank = Annotated[str | None, Query(max_length=200, description="A tank's key.")]


class LaboratoryValueKept(BaseModel):
    """One value in force."""

    id: UUID
    kind: LaboratoryKind
    tank: str | None
    taken_at: datetime
    recorded_at: datetime
    value_si: float
    typed_value: float
    typed_unit: str
    minute: int | None
    stirred: bool
    dilution: float
    taken_by: str
    note: str
    source: str
    warnings: list[str]
    supersedes: UUID | None
    correction_reason: str


class LaboratoryValues(BaseModel):
    """Values in force, oldest first; ``truncated`` says that there are older ones in the range."""

    values: list[LaboratoryValueKept]
    truncated: bool


class LaboratoryFigures(BaseModel):
    """What follows from the newest values."""

    at: datetime
    tank: str | None
    figures: list[dict[str, Any]]


class LaboratoryVerdictTold(BaseModel):
    """Result of entering a value."""

    id: UUID
    state: Literal["stored", "already"]


@router.get("/laboratory", response_model=LaboratoryValues)
def values(
    plant: Plant,
    visitor: Reader,
    tank: Tank = None,
    kind: Annotated[LaboratoryKind | None, Query()] = None,
    start: When = None,
    end: When = None,
    limit: Annotated[int, Query(ge=1, le=MOST)] = 500,
) -> dict[str, Any]:
    """Laboratory and field values in force (corrections applied), the newest of the range, oldest first."""
    now = plant.clock()
    until = moment(end) if end else now + timedelta(hours=1)
    since = moment(start) if start else until - timedelta(days=30)
    ids = None if tank is None else [_tank_id(plant, tank)]
    kinds = tuple(LaboratoryKind) if kind is None else (kind,)
    with transaction(plant.engine) as conn:
        found = laboratory_results(conn, kinds, since, until, ids, limit=limit + 1)
    return {"values": [result_values(r) for r in found[-limit:]], "truncated": len(found) > limit}


@router.get("/laboratory/figures", response_model=LaboratoryFigures)
def figures(plant: Plant, visitor: Reader, tank: Tank = None) -> dict[str, Any]:
    """Sludge indices, solids held, solids age, waste and return now, of the plant or with a tank's own values."""
    now = plant.clock()
    if tank is not None:
        _tank_id(plant, tank)
    with transaction(plant.engine) as conn:
        day = laboratory_day(conn, plant, now, tank=tank)
    return {"at": now, "tank": tank, "figures": [figure_values(f) for f in day.sheet.figures]}


@router.post(
    "/laboratory",
    status_code=201,
    response_model=LaboratoryVerdictTold,
    responses={
        200: {"model": LaboratoryVerdictTold, "description": "Already stored."},
        409: PROBLEMS[409] | {"description": "Doubtful: check again, and send it with confirmed = true."},
    },
)
def enter(
    plant: Plant,
    visitor: CoreLogger,
    _checked: Annotated[None, ScriptChecked],
    entry: LaboratoryEntry,
    response: Response,
) -> Any:
    """Enter a value. The client chooses the id: sending it again stores it once."""
    try:
        draft = draft_of(entry, visitor.label, plant.clock())
        with transaction(plant.engine) as conn:
            verdict = submit_result(conn, plant, draft, visitor.actor, now=plant.clock())
    except InputError as error:
        return problem(422, str(error))
    if not verdict.stored:
        told = [{"problem": f.problem, "severity": f.severity, "sentence": f.sentence} for f in verdict.findings]
        detail = " ".join(f.sentence for f in verdict.findings)
        return problem(422 if refused(verdict.findings) else 409, detail, findings=told)
    if verdict.already:
        response.status_code = 200
    kept = entry.id if verdict.known is None else verdict.known.result.id
    return {"id": kept, "state": "already" if verdict.already else "stored"}


def _tank_id(plant: WebPlant, key: str) -> int:
    if key not in plant.tanks:
        raise HTTPException(404, f"There is no tank {key!r}.")
    return plant.ids.tanks[key]
