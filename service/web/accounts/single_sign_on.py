"""Single sign-on: the redirect to the OpenID Connect provider, and its callback."""

from __future__ import annotations

import base64
import hmac
import json
from datetime import timedelta
from typing import TYPE_CHECKING, Annotated

import structlog
from fastapi import APIRouter, Depends, HTTPException, Query, Request, Response
from fastapi.responses import RedirectResponse

from service.errors import IdentityError, InputError
from service.jobs.accounts import people
from service.jobs.accounts.single_sign_on import asked_lately, let_in
from service.web.accounts.sign_in import browser_noted, local_path, session_started, sign_in_refused
from service.web.base.access import Principal, Public, signer_of
from service.web.base.plant import Plant, WebPlant, WritablePlant

if TYPE_CHECKING:
    from service.identity import IdentityClient

router = APIRouter(include_in_schema=False)
Anybody = Annotated[Principal, Depends(Public("whoever signs in is not known yet"))]
Word = Annotated[str, Query(max_length=4000)]
log = structlog.get_logger(__name__)

COOKIE, PATH = "uw_there_and_back", "/sign-in/single"
#: Longest time at the provider; later the sign-in has to start over.
LONGEST = timedelta(minutes=10)


@router.get("/sign-in/single")
def there(request: Request, plant: Plant, visitor: Anybody, to: Word = "/", fresh: bool = False) -> Response:
    """Redirect to the provider; state, nonce and verifier are kept in a signed cookie."""
    client = _client(plant)
    try:
        begun = client.begin(fresh=fresh)
    except IdentityError as error:
        log.warning("identity provider", problem=str(error))
        return sign_in_refused(request, plant, visitor, to, "The identity provider cannot be reached. Try again later, or use a local account.", 503)  # fmt: skip
    kept = [begun.state, begun.nonce, begun.verifier, local_path(to), plant.clock().timestamp(), fresh]
    answer = RedirectResponse(begun.address, status_code=303)
    answer.set_cookie(
        COOKIE,
        signer_of(request).signed(base64.urlsafe_b64encode(json.dumps(kept).encode()).decode("ascii")),
        max_age=int(LONGEST.total_seconds()),
        path=PATH,
        httponly=True,
        samesite="lax",  # the way back is a link from the provider's page
        secure=request.url.scheme == "https",
    )
    return answer


@router.get("/sign-in/single/done")
def back(
    request: Request, plant: WritablePlant, visitor: Anybody, code: Word = "", state: Word = "", error: Word = ""
) -> Response:
    """Callback: only for the browser that was redirected, once, and with a valid answer of the provider."""
    client = _client(plant)
    answer = _back(request, plant, visitor, client, code, state, error)
    answer.delete_cookie(COOKIE, path=PATH)
    return answer


def _back(
    request: Request, plant: WebPlant, visitor: Principal, client: IdentityClient, code: str, state: str, error: str
) -> Response:
    kept = _kept(request)
    now = plant.clock()
    if kept is None or not hmac.compare_digest(kept[0].encode(), state.encode()) or now.timestamp() - kept[4] > LONGEST.total_seconds():  # fmt: skip
        return sign_in_refused(request, plant, visitor, "/", "This sign-in took too long, or began in another browser. Start over.", 400)  # fmt: skip
    _, nonce, verifier, to, _, fresh = kept
    if error or not code:
        return sign_in_refused(request, plant, visitor, to, "The identity provider did not sign you in.", 401)
    try:
        who = client.finish(code, nonce=nonce, verifier=verifier, now=now)
        if fresh and not asked_lately(who, now):
            raise InputError(
                "the identity provider let you through without asking who you are; sign out there, then try again"
            )
        agent = request.headers.get("user-agent", "")
        signed_in = let_in(plant.engine, who, address=visitor.address, agent=agent, now=now)
    except IdentityError as problem:
        log.warning("single sign-on failed", problem=str(problem), address=visitor.address)
        return sign_in_refused(request, plant, visitor, to, "The identity provider's answer cannot be trusted. Start over.", 401)  # fmt: skip
    except InputError as problem:
        words = str(problem)
        return sign_in_refused(request, plant, visitor, to, f"{words[:1].upper()}{words[1:]}.", 403)
    if visitor.session:
        people.sign_out(plant.engine, visitor.session)  # one stay in this browser, and not the one without proof
    return browser_noted(request, plant, signed_in, session_started(request, signed_in, to))


def _kept(request: Request) -> tuple[str, str, str, str, float, bool] | None:
    value = signer_of(request).value(request.cookies.get(COOKIE, ""))
    try:
        found = json.loads(base64.urlsafe_b64decode((value or "").encode("ascii")))
        state, nonce, verifier, to, began, fresh = found
        return str(state), str(nonce), str(verifier), str(to), float(began), bool(fresh)
    except (ValueError, TypeError):
        return None


def _client(plant: WebPlant) -> IdentityClient:
    if plant.identity is None:
        raise HTTPException(404, "No identity provider is set: sign in with a local account.")
    return plant.identity
