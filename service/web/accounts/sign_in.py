"""Sign-in with name and password, and sign-out."""

from __future__ import annotations

import base64
import json
import math
import secrets
from datetime import datetime
from typing import Annotated
from urllib.parse import urlencode

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
#: Cookie of the people who signed in with this browser before, by number; it opens nothing.
KNOWN_COOKIE, KNOWN, KNOWN_FOR_S, MOST_KNOWN = "uw_known", "known browser", 400 * 86_400, 30
#: Where whoever signs in with a password that guessers try early is asked for another.
WEAK_PATH = "/account/weak-password"
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
        case CodeNeeded(person=person, weak=weak):
            return ask_for_code(request, person, _by_way_of(to, weak), now)
        case SignedIn():
            # A session always begins under a new secret: one planted before sign-in opens nothing.
            return browser_noted(request, plant, came, session_started(request, came, _by_way_of(to, came.weak)))


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


def browser_noted(request: Request, plant: WebPlant, signed_in: SignedIn, answer: Response) -> Response:
    """Keep in the browser that this person signed in with it, and tell its owner where that is new."""
    known = (signer_of(request).value(request.cookies.get(KNOWN_COOKIE, ""), KNOWN) or "").split("-")
    number = str(signed_in.person.id)
    if number not in known:
        address = request.client.host if request.client is not None else ""
        agent = request.headers.get("user-agent", "")
        people.note_new_browser(plant.engine, signed_in.person, address=address, agent=agent, now=plant.clock())
    kept = [number, *(one for one in known if one not in ("", number))][:MOST_KNOWN]
    answer.set_cookie(
        KNOWN_COOKIE,
        signer_of(request).signed("-".join(kept), KNOWN),
        max_age=KNOWN_FOR_S,
        path="/sign-in",
        httponly=True,
        samesite="lax",
        secure=request.url.scheme == "https",
    )
    return answer


def _by_way_of(to: str, weak: bool) -> str:
    """Where a sign-in leads; first to the page that asks for another password, which leads on."""
    return f"{WEAK_PATH}?{urlencode({'to': local_path(to)})}" if weak else to


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
