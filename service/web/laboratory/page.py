"""The day's sheet: laboratory and field values typed on one page, what follows from them, corrections, and their export."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated
from uuid import UUID, uuid4, uuid5

from fastapi import APIRouter, Form, HTTPException, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from pydantic import BaseModel, Field, ValidationError
from starlette.concurrency import run_in_threadpool

from service.domain.laboratory.check import LaboratoryFinding, refused, spelled
from service.domain.laboratory.result import LaboratoryKind, units_of
from service.domain.laboratory.sheet_words import figure_words, typed_words
from service.domain.plant.role import Role
from service.errors import InputError
from service.jobs.laboratory.day import laboratory_day
from service.jobs.laboratory.entry import FIELDS, GROUPS, LaboratoryEntry, SheetField, draft_of, label_of
from service.jobs.laboratory.export import csv_of
from service.jobs.laboratory.result import LaboratoryDraft, LaboratoryVerdict, submit_result, withdraw_result
from service.storage.database.session import transaction
from service.storage.laboratory.results import find_result, laboratory_results, result_history
from service.web.base.access import FormChecked, Operator, Principal, Supervisor, Viewer
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page
from service.web.base.times import plant_moment
from service.web.charts.laboratory import TRENDS, kinds_of, trend_plot

router = APIRouter(include_in_schema=False)

#: Most days exported at once, and shown beside the sheet.
MOST_DAYS, SHOWN_DAYS = 400, 8
#: Spans a trend is offered over. [d]
SPANS = (7, 31, 92, 366)
TREND_DAYS = 31
#: Most values of one export; a program reads more by the interface for programs, range by range.
MOST_EXPORTED = 5_000
#: Most values listed beside the sheet.
MOST_SHOWN = 60

Line = Annotated[str, Field(max_length=100)]
Tank = Annotated[str, Query(max_length=100)]
Shown = Annotated[str, Query(max_length=40)]


class NotStored(Exception):
    """Some value of a sheet is refused or asked about: nothing of it is stored."""


@dataclass(frozen=True, slots=True)
class Question:
    """What is wrong with a field, or asked about it."""

    field: str
    label: str
    sentence: str
    refused: bool


@router.get("/laboratory")
def sheet(
    request: Request,
    plant: Plant,
    visitor: Viewer,
    tank: Tank = "",
    trend: Shown = "",
    span: Annotated[int, Query(ge=1, le=MOST_DAYS)] = TREND_DAYS,
) -> HTMLResponse:
    """The sheet of a tank or the plant, its figures, a trend and its last values."""
    return _sheet(request, plant, visitor, {"tank": _tank(plant, tank) or ""}, trend=trend, span=span)


@router.post("/laboratory", dependencies=[FormChecked])
async def enter(request: Request, plant: Plant, visitor: Operator) -> Response:
    """Store what was typed; where a value is refused or has to be confirmed, nothing is stored yet."""
    form = await request.form()
    typed = {key: str(value)[:100].strip() for key, value in form.items() if key != "form_token"}
    return await run_in_threadpool(_enter, request, plant, visitor, typed)


def _enter(request: Request, plant: WebPlant, visitor: Principal, typed: dict[str, str]) -> Response:
    questions: list[Question] = []
    stored: list[LaboratoryVerdict] = []
    wrong = ""
    try:
        drafts = _drafts(plant, visitor, typed, questions)
        if not drafts and not questions:
            raise InputError("nothing is filled in: type at least one value")
        with transaction(plant.engine) as conn:
            for name, draft in drafts:
                verdict = submit_result(conn, plant, draft, visitor.actor, now=plant.clock())
                stored.append(verdict)
                questions += _questions(FIELDS[name], verdict.findings) if not verdict.stored else []
            if questions:
                raise NotStored
    except NotStored:
        pass
    except InputError as error:
        wrong = _sentence(str(error))
    if wrong or questions:
        status = 400 if wrong or any(q.refused for q in questions) else 409
        return _sheet(request, plant, visitor, typed, wrong=wrong, questions=questions, status=status)
    said = ", ".join(f"{v.draft.result.name} {typed_words(v.draft.typed_value, v.draft.typed_unit)}" for v in stored)
    kept = {"tank": typed.get("tank", ""), "taken_by": typed.get("taken_by", "")}
    return _sheet(request, plant, visitor, kept, said=said)


@router.get("/laboratory/values.csv")
def exported(plant: Plant, visitor: Viewer, days: Annotated[int, Query(ge=1, le=MOST_DAYS)] = 31) -> Response:
    """The values in force of the last days as CSV, oldest first."""
    now = plant.clock()
    with transaction(plant.engine) as conn:
        records = laboratory_results(
            conn, since=now - timedelta(days=days), until=now + timedelta(days=1), limit=MOST_EXPORTED
        )
    name = f"laboratory-{now.astimezone(plant.zone):%Y-%m-%d}.csv"
    return Response(
        csv_of(records),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


@router.get("/laboratory/{result_id}")
def one(request: Request, plant: Plant, visitor: Viewer, result_id: UUID) -> HTMLResponse:
    """One value with its history, and the form that corrects it."""
    return _one(request, plant, visitor, result_id)


class ValueCorrection(BaseModel):
    """The fields of a correction as typed."""

    value: Line = ""
    unit: Line = ""
    when: Line = ""
    reason: Line = ""
    confirmed: Line = ""


@router.post("/laboratory/{result_id}/correct", dependencies=[FormChecked])
def correct(
    request: Request, plant: Plant, visitor: Operator, result_id: UUID, form: Annotated[ValueCorrection, Form()]
) -> Response:
    """Correct a value; the old version stays in its history."""
    with transaction(plant.engine) as conn:
        old = find_result(conn, result_id)
    if old is None:
        raise HTTPException(404, "There is no such value.")
    if not form.reason.strip():
        return _one(request, plant, visitor, result_id, wrong="Say why it is corrected.", status=400)
    result = old.result
    try:
        entry = LaboratoryEntry.model_validate(
            {
                "kind": result.kind,
                "tank": result.tank,
                "taken_at": plant_moment(form.when, plant.zone, plant.clock()) if form.when else result.taken_at,
                "value": form.value,
                "unit": form.unit,
                "minute": result.minute,
                "stirred": result.stirred,
                "dilution": result.dilution,
                "taken_by": result.taken_by,
                "note": result.note,
                "confirmed": bool(form.confirmed),
            }
        )
        draft = draft_of(entry, visitor.label, plant.clock(), supersedes=result_id, reason=form.reason.strip())
        with transaction(plant.engine) as conn:
            verdict = submit_result(conn, plant, draft, visitor.actor, now=plant.clock())
    except (InputError, ValidationError) as error:
        said = _sentence(str(error)) if isinstance(error, InputError) else "This cannot be read; check value and time."
        return _one(request, plant, visitor, result_id, wrong=said, status=400)
    if not verdict.stored:
        asked = " ".join(finding.sentence for finding in verdict.findings)
        ask = not refused(verdict.findings)
        return _one(request, plant, visitor, result_id, wrong=asked, ask=ask, typed=form, status=409)
    return RedirectResponse(f"/laboratory/{entry.id}", status_code=303)


@router.post("/laboratory/{result_id}/withdraw", dependencies=[FormChecked])
def withdraw(
    request: Request,
    plant: Plant,
    visitor: Supervisor,
    result_id: UUID,
    reason: Annotated[str, Form(max_length=100)] = "",
) -> Response:
    """Take a value back that was never measured."""
    if not reason.strip():
        return _one(request, plant, visitor, result_id, wrong="Say why it is withdrawn.", status=400)
    with transaction(plant.engine) as conn:
        withdraw_result(conn, result_id, visitor.actor, reason=reason, now=plant.clock())
    return RedirectResponse("/laboratory", status_code=303)


def _tank(plant: WebPlant, key: str) -> str | None:
    return key if key in plant.tanks else None


def _drafts(
    plant: WebPlant, visitor: Principal, typed: dict[str, str], questions: list[Question]
) -> list[tuple[str, LaboratoryDraft]]:
    """The drafts of the fields that are filled in; what cannot be read is put among the questions."""
    now = plant.clock()
    taken_at = plant_moment(typed.get("when", ""), plant.zone, now)
    if typed.get("tank") and typed["tank"] not in plant.tanks:
        raise InputError("there is no such tank; choose one, or the whole plant")
    try:
        seed = UUID(typed.get("id", ""))
    except ValueError:
        seed = uuid4()
    drafts = []
    for name, field in FIELDS.items():
        if not typed.get(name):
            continue
        try:
            dilution = float(typed.get("dilution", "").replace(",", ".") or 2.0) if field.diluted else 1.0
            if field.stirred and typed.get("stirred_dilution"):
                dilution = float(typed["stirred_dilution"].replace(",", "."))
            entry = LaboratoryEntry.model_validate(
                {
                    "id": uuid5(seed, f"{name} {typed[name]} {typed.get(f'{name}_unit', '')} {typed.get('tank', '')}"),
                    "kind": field.kind,
                    "tank": typed.get("tank") or None,
                    "taken_at": taken_at,
                    "value": typed[name],
                    "unit": typed.get(f"{name}_unit") or units_of(field.kind, plant.units)[0],
                    "minute": field.minute,
                    "stirred": field.stirred,
                    "dilution": dilution,
                    "taken_by": typed.get("taken_by", ""),
                    "note": typed.get("note", ""),
                    "confirmed": bool(typed.get("confirmed")),
                }
            )
            drafts.append((name, draft_of(entry, visitor.label, now)))
        except (InputError, ValidationError, ValueError) as error:
            said = (
                _sentence(str(error))
                if isinstance(error, InputError)
                else "This cannot be read: a dilution is 1 to 50."
            )
            questions.append(Question(name, _label(field), said, True))
    return drafts


def _questions(field: SheetField, findings: Sequence[LaboratoryFinding]) -> list[Question]:
    return [Question(field.name, _label(field), f.sentence, refused([f])) for f in findings]


def _label(field: SheetField) -> str:
    if field.kind is not LaboratoryKind.SETTLED_VOLUME:
        return field.label
    how = "stirred, " if field.stirred else "diluted, " if field.diluted else ""
    return f"Settled volume, {how}{field.label}"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?")) else ".")


def _sheet(
    request: Request,
    plant: WebPlant,
    visitor: Principal,
    typed: dict[str, str],
    *,
    wrong: str = "",
    said: str = "",
    questions: Sequence[Question] = (),
    status: int = 200,
    trend: str = "",
    span: int = TREND_DAYS,
) -> HTMLResponse:
    now = plant.clock()
    tank = _tank(plant, typed.get("tank", ""))
    trend = trend if trend in TRENDS else next(iter(TRENDS))
    since, until = now - timedelta(days=span), now + timedelta(hours=1)
    with transaction(plant.engine) as conn:
        day = laboratory_day(conn, plant, now, tank=tank, days=SHOWN_DAYS)
        places = [None] if tank is None else [None, plant.ids.tanks[tank]]
        drawn = laboratory_results(conn, kinds_of(trend), since, until, places, limit=MOST_EXPORTED)
    return page(
        request,
        plant,
        visitor,
        "laboratory.html.j2",
        status=status,
        tank=tank,
        groups=GROUPS,
        units={field.name: units_of(field.kind, plant.units) for field in FIELDS.values()},
        spelled=spelled,
        typed={
            "id": str(uuid4()),
            "tank": "",
            "when": "",
            "taken_by": visitor.label,
            "note": "",
            "dilution": "2",
            "stirred_dilution": "1",
        }
        | typed,
        wrong=wrong,
        said=said,
        questions=questions,
        asked={q.field for q in questions},
        ask=bool(questions) and not any(q.refused for q in questions),
        known=[(f, figure_words(f, plant.units)) for f in day.sheet.figures if f.value is not None],
        lacking=[f for f in day.sheet.figures if f.value is None],
        rows=[
            (record, label_of(record.result), typed_words(record.typed_value, record.typed_unit))
            for record in day.records[:MOST_SHOWN]
        ],
        more=len(day.records) > MOST_SHOWN,
        days=SHOWN_DAYS,
        trend=trend,
        trends=TRENDS,
        span=span,
        spans=sorted({*SPANS, span}),
        plot=trend_plot(trend, [r.result for r in drawn], tank, (since, until), plant.units, plant.zone),
        may_enter=visitor.may(Role.OPERATOR),
    )


def _one(
    request: Request,
    plant: WebPlant,
    visitor: Principal,
    result_id: UUID,
    *,
    wrong: str = "",
    ask: bool = False,
    typed: ValueCorrection | None = None,
    status: int = 200,
) -> HTMLResponse:
    with transaction(plant.engine) as conn:
        versions = result_history(conn, result_id)
    if not versions:
        raise HTTPException(404, "There is no such value.")
    newest = versions[-1]
    return page(
        request,
        plant,
        visitor,
        "laboratory_value.html.j2",
        status=status,
        versions=[(record, typed_words(record.typed_value, record.typed_unit)) for record in versions],
        newest=newest,
        label=label_of(newest.result),
        units=units_of(newest.result.kind, plant.units),
        spelled=spelled,
        may_correct=visitor.may(Role.OPERATOR) and not newest.withdrawn,
        typed=typed or ValueCorrection(value=f"{newest.typed_value:g}", unit=newest.typed_unit),
        wrong=wrong,
        ask=ask,
    )
