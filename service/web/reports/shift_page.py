"""Shift log page with notes and hand-over; log sheet of cores."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated, Literal
from uuid import UUID, uuid4

from fastapi import APIRouter, Form, HTTPException, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from service.domain.plant.period import day_of
from service.domain.plant.role import Role
from service.errors import InputError
from service.jobs.reports.report import read_cores
from service.jobs.reports.shift import read_shift, take_over, taking_over, write_note
from service.reports.log_sheet import HEADS, LogSheet, log_sheet, sheet_document
from service.reports.rendering.document import Document
from service.reports.shift_document import shift_document
from service.web.base.access import FormChecked, Operator, Principal, Viewer
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page, words_of
from service.web.base.times import moment

router = APIRouter(include_in_schema=False)

At = Annotated[str, Query(max_length=40)]
Whole = Literal["shift", "day"]
Line = Annotated[str, Form(max_length=40)]
Text = Annotated[str, Form(max_length=4000)]


@router.get("/shift")
def shown(request: Request, plant: Plant, visitor: Viewer, at: At = "") -> HTMLResponse:
    """A shift, by default the running one."""
    return _page(request, plant, visitor, _moment(plant, at))


@router.get("/shift.pdf")
def printed(plant: Plant, visitor: Viewer, at: At = "") -> Response:
    """The shift log as PDF."""
    now = plant.clock()
    log = read_shift(plant.engine, plant, plant.shift(_moment(plant, at)), now)
    document = shift_document(log, site=plant.name, zone=plant.zone, now=now)
    return pdf(plant, document, now, f"shift-{_local(plant, log.shift.start):%Y-%m-%d-%H%M}")


@router.post("/shift/notes", dependencies=[FormChecked])
def note(
    request: Request,
    plant: Plant,
    visitor: Operator,
    id: Line = "",
    note: Text = "",
    at: Line = "",
    corrects: Line = "",
) -> Response:
    """Add a note, or a correction of one."""
    asked = _moment(plant, at)
    now = plant.clock()
    try:
        write_note(
            plant.engine,
            plant,
            note,
            visitor.actor,
            id=_id(id),
            now=now,
            at=min(asked, now),
            corrects=_id(corrects) if corrects else None,
        )
    except InputError as error:
        return _page(request, plant, visitor, asked, wrong=str(error), typed=note)
    return _back(plant, asked)


@router.post("/shift/take-over", dependencies=[FormChecked])
def sign(plant: Plant, visitor: Operator, id: Line = "", at: Line = "") -> Response:
    """Sign the take-over of the plant."""
    take_over(plant.engine, plant, visitor.actor, id=_id(id), now=plant.clock())
    return _back(plant, _moment(plant, at))


@router.get("/log-sheet")
def sheet(request: Request, plant: Plant, visitor: Viewer, at: At = "", whole: Whole = "shift") -> HTMLResponse:
    """The log sheet of cores of a shift or a day, with rows for writing by hand."""
    start, end, title = _stretch(plant, _moment(plant, at), whole)
    return page(
        request,
        plant,
        visitor,
        "log_sheet.html.j2",
        sheet=_sheet(plant, start, end, title),
        heads=HEADS,
        start=start,
        whole=whole,
        earlier=_stretch(plant, start - timedelta.resolution, whole)[0],
        later=end,
    )


@router.get("/log-sheet.pdf")
def sheet_printed(plant: Plant, visitor: Viewer, at: At = "", whole: Whole = "shift") -> Response:
    """The same to print."""
    start, end, title = _stretch(plant, _moment(plant, at), whole)
    document = sheet_document(_sheet(plant, start, end, title))
    return pdf(plant, document, plant.clock(), f"log-sheet-{_local(plant, start):%Y-%m-%d-%H%M}")


def pdf(plant: WebPlant, document: Document, made_at: datetime, name: str) -> Response:
    """A document the browser shows."""
    from service.reports.rendering.pdf import as_pdf  # the libraries of documents are large, and load slowly

    return Response(
        as_pdf(document, units=plant.units, made_at=made_at),
        media_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="{name}.pdf"'},
    )


def _page(
    request: Request, plant: WebPlant, visitor: Principal, at: datetime, *, wrong: str = "", typed: str = ""
) -> HTMLResponse:
    now, shift = plant.clock(), plant.shift(at)
    log = read_shift(plant.engine, plant, shift, now)
    coming = taking_over(plant, now)
    # Read on the log of the shift that ends, or on that of the one that has just begun.
    signed = {shift.start: log.taken_over, shift.end: log.handed_over}.get(coming.start)
    return page(
        request,
        plant,
        visitor,
        "shift.html.j2",
        status=400 if wrong else 200,
        log=log,
        coming=coming,
        may_sign=visitor.may(Role.OPERATOR) and signed is not None and visitor.label not in [one.who for one in signed],
        may_write=visitor.may(Role.OPERATOR),
        earlier=plant.shift_before(shift).start,
        later=None if log.running else shift.end,
        wrong=wrong,
        typed=typed,
        fresh=uuid4,
    )


def _stretch(plant: WebPlant, at: datetime, whole: str) -> tuple[datetime, datetime, str]:
    """Beginning, end and name of the shift or day that holds a moment."""
    if whole == "day":
        day = day_of(_local(plant, at).date(), plant.zone)
        return day.start, day.end, day.name
    shift = plant.shift(at)
    say = words_of(plant)
    return shift.start, shift.end, f"{shift.name}, {say.time(shift.start)} to {say.clock(shift.end)}"


def _sheet(plant: WebPlant, start: datetime, end: datetime, title: str) -> LogSheet:
    return log_sheet(
        read_cores(plant.engine, plant, start, end),
        plant.tanks,
        title=f"Log sheet of cores: {title}",
        site=plant.name,
        units=plant.units,
        zone=plant.zone,
        now=plant.clock(),
    )


def _moment(plant: WebPlant, at: str) -> datetime:
    """The time requested; 404 beyond the calendar."""
    now = plant.clock()
    asked = moment(at) if at else now
    if not 1970 < asked.year < now.year + 2:
        raise HTTPException(404, "There is no shift at that time.")
    return asked


def _id(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise HTTPException(400, "This form is incomplete. Reload the page and try again.") from None


def _back(plant: WebPlant, at: datetime) -> RedirectResponse:
    start = plant.shift(at).start
    return RedirectResponse(f"/shift?at={start:%Y-%m-%dT%H:%M:%SZ}", status_code=303)


def _local(plant: WebPlant, at: datetime) -> datetime:
    return at.astimezone(plant.zone)
