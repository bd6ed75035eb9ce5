"""Alarm pages: list, detail, journal, answering by signed link; acknowledge, shelve, reset, remove from service."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Depends, Form, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from service.alarms.machine import (
    QUIET,
    Acknowledge,
    AlarmState,
    Command,
    RemoveFromService,
    Reset,
    ReturnToService,
    Shelve,
    Unshelve,
)
from service.jobs.accounts.actor import Door
from service.jobs.alarms.command import submit_command
from service.jobs.calls.journal import told_journal
from service.storage.alarms.alarms import AlarmRecord, find_alarms
from service.storage.database.session import transaction
from service.web.alarms.words import WordedAlarms, alarms_in_words
from service.web.base.access import FormChecked, Operator, Principal, Public, Supervisor, Viewer
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page
from service.web.base.throttle import limit_failures, limit_uses
from service.web.base.times import moment
from service.web.blanket.board import AlarmView, alarm_views
from service.web.blanket.board_page import board_of

router = APIRouter(include_in_schema=False)

#: Offered shelving times. [h]
SHELF_HOURS = (0.5, 1.0, 2.0, 4.0, 8.0)
#: Journal lines on one page.
LINES = 100

Note = Annotated[str, Form(max_length=500)]
ByLink = Annotated[Principal, Depends(Public("the signed link is the permission"))]


@router.get("/alarms")
def listed(request: Request, plant: Plant, visitor: Viewer) -> HTMLResponse:
    """List the alarms that are not normal."""
    # A page that brings itself up to date takes what was read for all of them; whoever opens it gets the newest.
    view = board_of(request).view(fresh="x-live" not in request.headers)
    kept: WordedAlarms = request.app.state.worded_alarms
    shown = kept.of(plant, view)
    return page(
        request,
        plant,
        visitor,
        "alarms.html.j2",
        active=[t for t in shown if t.view.active],
        over=[t for t in shown if not t.view.active and t.view.state not in QUIET],
        aside=[t for t in shown if t.view.state in QUIET],
        hours=SHELF_HOURS,
    )


@router.get("/alarms/{name}")
def one(request: Request, plant: Plant, visitor: Viewer, name: str) -> HTMLResponse:
    """One alarm: definition, status and journal."""
    view = _found(plant, name)
    [words] = alarms_in_words(plant, [view], plant.clock())
    with transaction(plant.engine) as conn:
        lines = told_journal(conn, key=view.record.key, limit=LINES)
    return page(request, plant, visitor, "alarm.html.j2", told=words, lines=lines, hours=SHELF_HOURS)


@router.post("/alarms/{name}/acknowledge", dependencies=[FormChecked])
def acknowledge(request: Request, plant: Plant, visitor: Operator, name: str, note: Note = "") -> Response:
    """Acknowledge an alarm."""
    return _do(request, plant, visitor, name, Acknowledge(note=note.strip()))


@router.post("/alarms/{name}/shelve", dependencies=[FormChecked])
def shelve(
    request: Request,
    plant: Plant,
    visitor: Operator,
    name: str,
    hours: Annotated[float, Form(gt=0, le=12)] = 1.0,
    why: Note = "",
) -> Response:
    """Shelve an alarm."""
    if not why.strip():
        raise HTTPException(400, "Say why it is shelved; the next shift needs to know.")
    until = plant.clock() + timedelta(hours=hours)
    return _do(request, plant, visitor, name, Shelve(why=why.strip(), until=until))


@router.post("/alarms/{name}/unshelve", dependencies=[FormChecked])
def unshelve(request: Request, plant: Plant, visitor: Operator, name: str) -> Response:
    """Unshelve an alarm."""
    return _do(request, plant, visitor, name, Unshelve())


@router.post("/alarms/{name}/reset", dependencies=[FormChecked])
def reset(request: Request, plant: Plant, visitor: Operator, name: str, note: Note = "") -> Response:
    """Reset a latched alarm."""
    return _do(request, plant, visitor, name, Reset(note=note.strip()))


@router.post("/alarms/{name}/remove", dependencies=[FormChecked])
def remove(
    request: Request, plant: Plant, visitor: Supervisor, name: str, why: Note = "", permit: Note = ""
) -> Response:
    """Remove an alarm from service until somebody returns it."""
    return _do(request, plant, visitor, name, RemoveFromService(why=why.strip(), permit=permit.strip()))


@router.post("/alarms/{name}/restore", dependencies=[FormChecked])
def restore(request: Request, plant: Plant, visitor: Supervisor, name: str, why: Note = "") -> Response:
    """Return an alarm to service."""
    return _do(request, plant, visitor, name, ReturnToService(why=why.strip()))


@router.get("/journal")
def journal_page(
    request: Request, plant: Plant, visitor: Viewer, alarm: str | None = None, before: str | None = None
) -> HTMLResponse:
    """The alarm journal, newest first."""
    end = None if before is None else moment(before)
    with transaction(plant.engine) as conn:
        lines = told_journal(conn, key=alarm, end=end, limit=LINES + 1)
    more = lines[LINES - 1].at if len(lines) > LINES else None
    return page(request, plant, visitor, "journal.html.j2", lines=lines[:LINES], alarm=alarm, more=more, before=before)


@router.get("/a/{token}")
def by_link(request: Request, plant: Plant, visitor: ByLink, token: str) -> Response:
    """The page a message links to. GET changes nothing: mail scanners open links too."""
    view = _of_link(request, plant, visitor, token)
    [words] = alarms_in_words(plant, [view], plant.clock())
    names = list(dict.fromkeys(contact.name for contact in plant.alarms.contacts))
    return page(request, plant, visitor, "answer.html.j2", told=words, token=token, names=names)


@router.post("/a/{token}")
def answer_by_link(
    request: Request,
    plant: Plant,
    visitor: ByLink,
    token: str,
    who: Annotated[str, Form(max_length=100)] = "",
    other: Annotated[str, Form(max_length=100)] = "",
    note: Note = "",
) -> Response:
    """Acknowledge by link."""
    view = _of_link(request, plant, visitor, token)
    name = visitor.label or other.strip() or who.strip()
    if not name:
        raise HTTPException(400, "Say who has it: go back and choose a name.")
    actor = replace(visitor.actor, name=name, via=Door.LINK)
    command = Acknowledge(note=note.strip())
    with transaction(plant.engine) as conn:
        done = submit_command(conn, plant, view.record.key, command, actor, now=plant.clock())
    [words] = alarms_in_words(plant, [_found(plant, view.record.key)], plant.clock())
    return page(request, plant, visitor, "answered.html.j2", told=words, done=done, who=name)


def _of_link(request: Request, plant: WebPlant, visitor: Principal, token: str) -> AlarmView:
    found = plant.links.read(token, plant.clock())
    if found is None:
        limit_failures(request, plant, visitor.address, "link")
        raise HTTPException(
            410, "This link has expired or is incomplete. Sign in, or answer with the code of the message."
        )
    limit_uses(request, plant, token)
    view = _found(plant, found.key)
    if view.record.machine.code != found.code:
        raise HTTPException(410, "This link belongs to an earlier alarm, which is over. Sign in to see the alarms now.")
    return view


def _found(plant: WebPlant, name: str) -> AlarmView:
    with transaction(plant.engine) as conn:
        records: list[AlarmRecord] = find_alarms(conn, name)
    standing = [r for r in records if r.machine.state is not AlarmState.NORMAL] or records
    for record in standing:
        definition = plant.alarms.definition(record.key)
        if definition is not None:
            views = alarm_views(plant, [record])
            tank = plant.tanks.get(definition.tank) if definition.tank else None
            return views[0] if views else AlarmView(record=record, definition=definition, tank=tank)
    raise HTTPException(404, f"There is no alarm {name!r}.")


def _do(request: Request, plant: WebPlant, visitor: Principal, name: str, command: Command) -> Response:
    with transaction(plant.engine) as conn:
        done = submit_command(conn, plant, name, command, visitor.actor, now=plant.clock())
    if not done.changed:
        raise HTTPException(409, f"Nothing was changed: {done.reason}. The alarm is {done.state}.")
    board_of(request).view(fresh=True)
    return RedirectResponse(f"/alarms#a-{done.key}", status_code=303)
