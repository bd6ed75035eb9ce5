"""Duty page: who is on duty, how people are reached, and test calls."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Form, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from service.calls.duty import on_duty, stretches
from service.calls.routing import address_of
from service.domain.plant.role import Role
from service.jobs.calls.channel_tests import call_to_test
from service.web.base.access import FormChecked, Principal, Supervisor, Viewer
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page

router = APIRouter(include_in_schema=False)

AHEAD = timedelta(days=14)


@router.get("/duty")
def duty(request: Request, plant: Plant, visitor: Viewer, tested: str = "") -> HTMLResponse:
    """On duty now and in the next two weeks, gaps, and everybody's contact channels."""
    now = plant.clock()
    rotas = [(rota, on_duty(rota, now), stretches(rota, now, now + AHEAD)) for rota in plant.alarms.rotas]
    known = {contact.name for contact in plant.alarms.contacts}
    return page(
        request,
        plant,
        visitor,
        "duty.html.j2",
        rotas=rotas,
        uncovered=[(r, gaps) for r, _, ahead in rotas if (gaps := [s for s in ahead if s.person is None])],
        ways=_ways(plant, visitor),
        tested=tested if tested in known else "",
    )


@router.post("/duty/test", dependencies=[FormChecked])
def send_test(plant: Plant, visitor: Supervisor, name: Annotated[str, Form(max_length=200)] = "") -> Response:
    """Send a test call on every channel."""
    contact = next((c for c in plant.alarms.contacts if c.name == name), None)
    if contact is None:
        raise HTTPException(404, f"There is no contact {name!r} in the site file.")
    actor = visitor.actor.account
    if not call_to_test(
        plant.engine, plant.alarms, contact, by=visitor.label, actor=actor, address=visitor.address, now=plant.clock()
    ):
        raise HTTPException(409, f"{name} was called a moment ago, or cannot be reached by any way this service has.")
    return RedirectResponse(f"/duty?tested={quote(contact.name)}", status_code=303)


def _ways(plant: WebPlant, visitor: Principal) -> list[tuple[str, list[tuple[str, str, bool]]]]:
    """By contact: channel, address as this visitor may see it, and whether the service can use it."""
    whole = visitor.may(Role.OPERATOR)
    return [
        (
            contact.name,
            [
                (channel, address if whole else mask_address(address), channel in plant.alarms.channels)
                for channel in contact.channels
                if (address := address_of(contact, channel)) is not None
            ],
        )
        for contact in plant.alarms.contacts
    ]


def mask_address(address: str) -> str:
    """The address, masked to what tells people apart.

    >>> mask_address("+15550100199"), mask_address("night@example.org")
    ('…199', 'n…@example.org')
    """
    local, at, domain = address.partition("@")
    return f"{local[:1]}…@{domain}" if at else f"…{address[-3:]}"
