"""A month of effluent against the permit: page, CSV, PDF, and its signature."""

from __future__ import annotations

import threading
from datetime import timedelta
from typing import Annotated
from uuid import UUID, uuid4

from fastapi import APIRouter, Form, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from service.domain.plant.period import Period, PeriodKind
from service.domain.plant.role import Role
from service.errors import InputError
from service.jobs.effluent.report import effluent_of
from service.jobs.effluent.signing import LONGEST_REASON, sign_month
from service.reports.effluent_document import effluent_csv, effluent_document
from service.reports.effluent_report import EffluentReport
from service.web.base.access import FormChecked, Principal, Supervisor, Viewer
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page
from service.web.charts.effluent import month_frame
from service.web.reports.reports_page import WAIT, Day, period_asked
from service.web.reports.shift_page import pdf

router = APIRouter(include_in_schema=False)
#: Concurrent months: each reads a month of readings, and the alarms need the database too.
_running = threading.BoundedSemaphore(2)
Line = Annotated[str, Form(max_length=40)]
Reason = Annotated[str, Form(max_length=LONGEST_REASON)]


@router.get("/permit")
def shown(request: Request, plant: Plant, visitor: Viewer, date: Day = "") -> HTMLResponse:
    """The month on a page."""
    return _page(request, plant, visitor, period_asked(plant, PeriodKind.MONTHLY, date))


@router.get("/permit.{form}")
def handed_out(plant: Plant, visitor: Viewer, form: str, date: Day = "") -> Response:
    """The month as a file: csv or pdf."""
    period = period_asked(plant, PeriodKind.MONTHLY, date)
    if form not in ("csv", "pdf"):
        raise HTTPException(404, "The month comes as csv or pdf.")
    report, now, name = report_of(plant, period), plant.clock(), f"effluent-{period.name}"
    if form == "pdf":
        document = effluent_document(report, period, site=plant.name, units=plant.units, zone=plant.zone, now=now)
        return pdf(plant, document, now, name)
    return Response(
        effluent_csv(report, plant.units, plant.zone),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}.csv"'},
    )


@router.post("/permit/sign", dependencies=[FormChecked])
def sign(
    request: Request, plant: Plant, visitor: Supervisor, id: Line = "", month: Line = "", reason: Reason = ""
) -> Response:
    """Sign the month."""
    period = period_asked(plant, PeriodKind.MONTHLY, month)
    try:
        number = UUID(id)
    except ValueError:
        raise HTTPException(400, "This form is incomplete. Reload the page and try again.") from None
    try:
        sign_month(plant.engine, plant, period, reason, visitor.actor, id=number, now=plant.clock())
    except InputError as error:
        return _page(request, plant, visitor, period, wrong=str(error), typed=reason)
    return RedirectResponse(f"/permit?date={period.name}", status_code=303)


def report_of(plant: WebPlant, period: Period) -> EffluentReport:
    """The effluent of a period; 503 while as many as may be are read."""
    if not _running.acquire(timeout=WAIT.total_seconds()):
        raise HTTPException(
            503, "Other reports are being prepared; try again when they are done.", {"Retry-After": "30"}
        )
    try:
        return effluent_of(plant.engine, plant, period, plant.clock())
    finally:
        _running.release()


def _page(
    request: Request, plant: WebPlant, visitor: Principal, period: Period, *, wrong: str = "", typed: str = ""
) -> HTMLResponse:
    now, report = plant.clock(), report_of(plant, period)
    later = (period.first + timedelta(days=32)).replace(day=1)
    return page(
        request,
        plant,
        visitor,
        "permit.html.j2",
        status=400 if wrong else 200,
        document=effluent_document(report, period, site=plant.name, units=plant.units, zone=plant.zone, now=now),
        broken=report.month.broken,
        frames=[month_frame(report, measure, plant.units) for measure in report.month.permit.measures()],
        period=period,
        earlier=f"{period.first - timedelta(days=1):%Y-%m}",
        later=f"{later:%Y-%m}" if later <= now.astimezone(plant.zone).date() else None,
        may_sign=visitor.may(Role.SUPERVISOR) and now >= period.end,
        running=now < period.end,
        wrong=wrong,
        typed=typed,
        fresh=uuid4(),
    )
