"""Sign-in with name and password, and sign-out."""

from __future__ import annotations

import base64
import json
import math
import secrets
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request, Response
from fastapi.responses import RedirectResponse

from service.jobs.accounts import people
from service.jobs.accounts.people import CodeNeeded, SignedIn, TurnedAway
from service.jobs.accounts.second_factor import HALF_WAY
from service.storage.accounts import people as store
from service.storage.accounts.people import PersonRecord
from service.storage.database.session import transaction
from service.web.base.access import (
    SESSION_COOKIE,
    VISIT_COOKIE,
    AnyVisitor,
    FormChecked,
    Principal,
    Public,
    SettingUp,
    cookie_name,
    signer_of,
)
from service.web.base.plant import Plant, WebPlant, WritablePlant
from service.web.base.templating import page

router = APIRouter(include_in_schema=False)
Anybody = Annotated[Principal, Depends(Public("whoever signs in is not known yet"))]

#: Cookie of the second step: whose password was right, and when.
CODE_COOKIE, CODE_PATH = "uw_half_way", "/sign-in/code"
_THIS_MACHINE = frozenset({"127.0.0.1", "localhost", "::1"})


@router.get("/sign-in")
def form(request: Request, plant: WritablePlant, visitor: Anybody, to: str = "/") -> Response:
    """The form; the demo's guest is signed in at once."""
    if visitor.person is not None:
        return RedirectResponse(local_path(to), status_code=303)
    # Named as this machine: a page elsewhere that made its own name point here must not become the guest.
    if plant.guest is not None and request.url.hostname in _THIS_MACHINE:
        return _guest(request, plant, visitor, to)
    return _form(request, plant, visitor, to)


@router.post("/sign-in", dependencies=[FormChecked])
def sign_in(
    request: Request,
    plant: Plant,
    visitor: Anybody,
    name: Annotated[str, Form(max_length=200)] = "",
    password: Annotated[str, Form(max_length=1000)] = "",
    to: Annotated[str, Form(max_length=2000)] = "/",
) -> Response:
    """Check name and password."""
    agent = request.headers.get("user-agent", "")
    now = plant.clock()
    came = people.sign_in(plant.engine, name, password, address=visitor.address, agent=agent, now=now)
    match came:
        case TurnedAway(wait=wait) if wait.total_seconds() > 0:
            seconds = math.ceil(wait.total_seconds())
            answer = _form(
                request, plant, visitor, to, f"Too many tries. Wait {seconds} s, then try again.", name, status=429
            )
            answer.headers["Retry-After"] = str(seconds)
            return answer
        case TurnedAway():
            return _form(request, plant, visitor, to, "Name or password is wrong.", name, status=401)
        case CodeNeeded(person=person):
            return ask_for_code(request, person, to, now)
        case SignedIn():
            # A session always begins under a new secret: one planted before sign-in opens nothing.
            return session_started(request, came, to)


@router.post("/sign-out", dependencies=[FormChecked])
def sign_out(request: Request, plant: Plant, visitor: SettingUp) -> Response:
    """End the session."""
    people.sign_out(plant.engine, visitor.session)
    answer = RedirectResponse("/sign-in", status_code=303)
    _drop(request, answer, SESSION_COOKIE)
    answer.headers["Clear-Site-Data"] = '"cache"'
    return answer


def ask_for_code(request: Request, person: PersonRecord, to: str, now: datetime) -> Response:
    """Redirect to the second step; a signed cookie carries whose password was right, and when."""
    kept = json.dumps([person.name, now.timestamp(), local_path(to)])
    answer = RedirectResponse(CODE_PATH, status_code=303)
    answer.set_cookie(
        CODE_COOKIE,
        signer_of(request).signed(base64.urlsafe_b64encode(kept.encode()).decode("ascii"), "half way"),
        max_age=int(HALF_WAY.total_seconds()),
        path=CODE_PATH,
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
    )
    return answer


def _guest(request: Request, plant: WebPlant, visitor: AnyVisitor, to: str) -> Response:
    with transaction(plant.engine) as conn:
        person = store.find_person(conn, plant.guest or "")
    if person is None:
        return _form(request, plant, visitor, to)
    agent = request.headers.get("user-agent", "")
    signed_in = people.sign_in_guest(plant.engine, person, address=visitor.address, agent=agent, now=plant.clock())
    return session_started(request, signed_in, to)


def sign_in_refused(
    request: Request, plant: WebPlant, visitor: Principal, to: str, wrong: str, status: int
) -> Response:
    """The sign-in form again, with the reason."""
    return _form(request, plant, visitor, to, wrong, status=status)


def _form(
    request: Request, plant: WebPlant, visitor: Principal, to: str, wrong: str = "", name: str = "", status: int = 200
) -> Response:
    fresh = "" if visitor.visit else secrets.token_urlsafe(18)
    shown = Principal(visit=visitor.visit or fresh, address=visitor.address)
    answer = page(request, plant, shown, "sign_in.html.j2", status=status, to=local_path(to), wrong=wrong, name=name)
    if fresh:
        _set(request, answer, VISIT_COOKIE, fresh)
    return answer


def session_started(request: Request, signed_in: SignedIn, to: str) -> Response:
    """Start the session under a new secret."""
    answer = RedirectResponse(local_path(to), status_code=303)
    _set(request, answer, SESSION_COOKIE, signed_in.secret, max_age=int(people.LONGEST.total_seconds()))
    _drop(request, answer, VISIT_COOKIE)
    return answer


def _set(request: Request, answer: Response, name: str, value: str, max_age: int | None = None) -> None:
    # Lax, not Strict: a link in an alarm mail has to find its reader signed in.
    answer.set_cookie(
        cookie_name(request, name),
        signer_of(request).signed(value),
        max_age=max_age,
        path="/",
        httponly=True,
        samesite="lax",
        secure=request.url.scheme == "https",
    )


def _drop(request: Request, answer: Response, name: str) -> None:
    answer.delete_cookie(cookie_name(request, name), path="/", secure=request.url.scheme == "https")


def local_path(to: str) -> str:
    """A redirect target, if it is a path of this site, else "/" (no open redirect).

    >>> local_path("/alarms?x=1"), local_path("//example.com/"), local_path("https://example.com"), local_path("/\\\\example.com")
    ('/alarms?x=1', '/', '/', '/')
    """
    plain = to.startswith("/") and not to.startswith(("//", "/\\")) and to.isprintable() and "\\" not in to
    return to if plain else "/"
