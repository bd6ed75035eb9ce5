"""Daily and monthly reports as page, PDF and spreadsheet."""

from __future__ import annotations

import threading
from datetime import date, timedelta
from typing import Annotated

from fastapi import APIRouter, HTTPException, Query, Request, Response
from fastapi.responses import HTMLResponse

from service.domain.plant.period import Period, PeriodKind, last_whole, period_of
from service.jobs.reports.report import read_period
from service.reports.period_document import period_document
from service.reports.rendering.document import Document
from service.web.base.access import Viewer
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page
from service.web.reports.shift_page import pdf

router = APIRouter(include_in_schema=False)

Day = Annotated[str, Query(alias="date", max_length=20)]
#: Concurrent reports: a month of many tanks takes a while, and the alarms need the database too.
_running, WAIT = threading.BoundedSemaphore(2), timedelta(seconds=20)
_XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@router.get("/reports")
def choice(request: Request, plant: Plant, visitor: Viewer) -> HTMLResponse:
    """Which report, of which day."""
    now = plant.clock()
    return page(
        request,
        plant,
        visitor,
        "reports.html.j2",
        yesterday=last_whole(PeriodKind.DAILY, now, plant.zone).first,
        last_month=last_whole(PeriodKind.MONTHLY, now, plant.zone).first,
        today=now.astimezone(plant.zone).date(),
    )


@router.get("/reports/{span}")
def shown(request: Request, plant: Plant, visitor: Viewer, span: str, date: Day = "") -> HTMLResponse:
    """The report on a page."""
    period = period_asked(plant, span, date)
    today = plant.clock().astimezone(plant.zone).date()
    later = period.first + timedelta(days=1 if period.span is PeriodKind.DAILY else 32)
    later = later if period.span is PeriodKind.DAILY else later.replace(day=1)
    return page(
        request,
        plant,
        visitor,
        "report.html.j2",
        document=_document(plant, period),
        period=period,
        earlier=period.first - timedelta(days=1),
        later=later if later <= today else None,
    )


@router.get("/reports/{span}/{form}")
def handed_out(plant: Plant, visitor: Viewer, span: str, form: str, date: Day = "") -> Response:
    """The report as a file: pdf or xlsx."""
    period = period_asked(plant, span, date)
    if form not in ("pdf", "xlsx"):
        raise HTTPException(404, "Reports come as pdf or xlsx.")
    now, name = plant.clock(), f"{period.span}-{period.name}"
    document = _document(plant, period)
    if form == "pdf":
        return pdf(plant, document, now, name)
    from service.reports.rendering.workbook import as_workbook  # as with pdf()

    return Response(
        as_workbook(document, made_at=now),
        media_type=_XLSX,
        headers={"Content-Disposition": f'attachment; filename="{name}.xlsx"'},
    )


def _document(plant: WebPlant, period: Period) -> Document:
    now = plant.clock()
    if not _running.acquire(timeout=WAIT.total_seconds()):
        raise HTTPException(
            503, "Other reports are being prepared; try again when they are done.", {"Retry-After": "30"}
        )
    try:
        report = read_period(plant.engine, plant, period, now)
    finally:
        _running.release()
    return period_document(report, site=plant.name, units=plant.units, zone=plant.zone, now=now)


def period_asked(plant: WebPlant, span: str, day: str) -> Period:
    """The day or month that was asked for; 404 for one there cannot be."""
    if span not in set(PeriodKind):
        raise HTTPException(404, "There is a daily and a monthly report.")
    now = plant.clock()
    if not day:
        return last_whole(PeriodKind(span), now, plant.zone)
    try:
        # A month may be written without a day.
        found = date.fromisoformat(day if len(day) > 7 else f"{day}-01")
    except ValueError:
        raise HTTPException(400, f"{day!r} is not a day; write one as 2026-03-14.") from None
    if found.year < 1970 or found > now.astimezone(plant.zone).date():
        raise HTTPException(404, "There is no report of that day.")
    return period_of(PeriodKind(span), found, plant.zone)
