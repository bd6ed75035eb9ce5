"""Second step of sign-in: the one-time code after the password."""

from __future__ import annotations

import base64
import json
import math
from datetime import UTC, datetime
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request, Response
from fastapi.responses import RedirectResponse

from service.errors import InputError
from service.jobs.accounts import second_factor
from service.jobs.accounts.people import SignedIn, TurnedAway
from service.jobs.accounts.second_factor import FactorKeys
from service.web.accounts.sign_in import CODE_COOKIE, CODE_PATH, browser_noted, session_started, sign_in_refused
from service.web.base.access import FormChecked, Principal, Public, signer_of
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page

router = APIRouter(include_in_schema=False)
Anybody = Annotated[
    Principal, Depends(Public("whoever signs in is not known yet; the cookie says whose password was right"))
]
_TOO_LATE = "That took too long. Start over with the password."


@router.get("/sign-in/code")
def form(request: Request, plant: Plant, visitor: Anybody) -> Response:
    """The form for the code."""
    if visitor.person is not None:
        return RedirectResponse("/", status_code=303)
    if _half_way(request) is None or not visitor.visit:
        return RedirectResponse("/sign-in", status_code=303)
    return _form(request, plant, visitor)


@router.post("/sign-in/code", dependencies=[FormChecked])
def check(
    request: Request, plant: Plant, visitor: Anybody, code: Annotated[str, Form(max_length=100)] = ""
) -> Response:
    """Check the code."""
    half_way = _half_way(request)
    if half_way is None:
        return sign_in_refused(request, plant, visitor, "/", _TOO_LATE, 401)
    name, proven_at, to = half_way
    agent = request.headers.get("user-agent", "")
    try:
        came = second_factor.sign_in(
            plant.engine,
            FactorKeys(plant.secret),
            name,
            code,
            proven_at=proven_at,
            address=visitor.address,
            agent=agent,
            now=plant.clock(),
        )
    except InputError as error:
        words = str(error)
        answer = sign_in_refused(request, plant, visitor, to, f"{words[:1].upper()}{words[1:]}.", 401)
        answer.delete_cookie(CODE_COOKIE, path=CODE_PATH)
        return answer
    match came:
        case SignedIn():
            answer = browser_noted(request, plant, came, session_started(request, came, to))
            answer.delete_cookie(CODE_COOKIE, path=CODE_PATH)
            return answer
        case TurnedAway(wait=wait) if wait.total_seconds() > 0:
            seconds = math.ceil(wait.total_seconds())
            answer = _form(request, plant, visitor, f"Too many tries. Wait {seconds} s, then try again.", 429)
            answer.headers["Retry-After"] = str(seconds)
            return answer
        case TurnedAway():
            wrong = "That code is wrong or was used already. Wait for the next one the phone shows."
            return _form(request, plant, visitor, wrong, 401)


def _half_way(request: Request) -> tuple[str, datetime, str] | None:
    value = signer_of(request).value(request.cookies.get(CODE_COOKIE, ""), "half way")
    if value is None:
        return None
    name, proven_at, to = json.loads(base64.urlsafe_b64decode(value))
    return name, datetime.fromtimestamp(proven_at, UTC), to


def _form(request: Request, plant: WebPlant, visitor: Principal, wrong: str = "", status: int = 200) -> Response:
    return page(request, plant, visitor, "sign_in_code.html.j2", status=status, wrong=wrong)
