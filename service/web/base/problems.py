"""Error responses: a page for people, an RFC 9457 problem for programs; no internal details."""

from __future__ import annotations

import traceback
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any
from urllib.parse import quote

import structlog
from fastapi import FastAPI, HTTPException, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, RedirectResponse
from starlette.exceptions import HTTPException as StarletteHTTPException

from service.errors import DomainError, InputError, ServiceError, StorageError
from service.web.base.access import CONFIRM, Principal, ProofNeeded, SecondFactorNeeded, SignInNeeded, visitor_of
from service.web.base.templating import page

log = structlog.get_logger(__name__)


def problem(status: int, detail: str, **more: Any) -> JSONResponse:
    """An RFC 9457 problem."""
    body = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status, "detail": detail, **more}
    return JSONResponse(body, status_code=status, media_type="application/problem+json")


def register(app: FastAPI) -> None:
    """Register the exception handlers."""
    app.add_exception_handler(SignInNeeded, _sign_in)
    app.add_exception_handler(SecondFactorNeeded, _second_factor)
    app.add_exception_handler(ProofNeeded, _proof)
    app.add_exception_handler(StarletteHTTPException, _http)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(ServiceError, _service)


def _sign_in(request: Request, error: Exception) -> Response:
    if _for_program(request) or request.method != "GET":
        answer = _answer(request, 401, "Sign in first, or send a token: Authorization: Bearer uw_…")
        answer.headers["WWW-Authenticate"] = "Bearer"
        return answer
    target = request.url.path + (f"?{request.url.query}" if request.url.query else "")
    return RedirectResponse("/sign-in" if target == "/" else f"/sign-in?to={quote(target)}", status_code=303)


def _second_factor(request: Request, error: Exception) -> Response:
    if _for_program(request) or request.method != "GET":
        return _answer(request, 403, "Set up the second factor first, on the page of your account.")
    return RedirectResponse("/account/second-factor", status_code=303)


def _proof(request: Request, error: Exception) -> Response:
    assert isinstance(error, ProofNeeded)
    if _for_program(request):
        return _answer(request, 403, "Confirm first that it is you, on the page of your account.")
    _note_refusal(request, 303, "to be confirmed by its owner first")
    return RedirectResponse(f"{CONFIRM}?to={quote(error.back)}", status_code=303)


def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, StarletteHTTPException)
    detail = str(error.detail)
    if error.status_code == 404 and detail == "Not Found":
        detail = "There is no such page."
    return _answer(request, error.status_code, detail, headers=error.headers)


def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    found = [
        {"where": ".".join(str(part) for part in one["loc"]), "problem": str(one["msg"])} for one in error.errors()
    ]
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if _wants_json(request) and kind != "application/json" and _of_body(error):
        return _answer(request, 415, f"Send application/json, not {kind or 'a body without a content type'}.")
    detail = "; ".join(f"{one['where']}: {one['problem']}" for one in found)
    return _answer(request, 422, detail, errors=found)


def _wants_json(request: Request) -> bool:
    body = getattr(request.scope.get("route"), "body_field", None)
    return body is not None and getattr(body.field_info, "media_type", "") == "application/json"


def _of_body(error: RequestValidationError) -> bool:
    return any(one["loc"][:1] == ("body",) for one in error.errors())


def _service(request: Request, error: Exception) -> Response:
    match error:
        case InputError():
            return _answer(request, 400, str(error))
        case StorageError(retryable=True):
            log.warning("page not answered", path=_path(request), error=str(error))
            return _answer(request, 503, "The database cannot be reached; try again in a moment.")
        case DomainError():
            log.error("page failed", path=_path(request), error=str(error))
            return _answer(request, 500, "Something went wrong in the service; the details are in its log.")
    log.error("page failed", path=_path(request), error=str(error))
    return _answer(request, 500, "Something went wrong in the service; the details are in its log.")


def unexpected_error(request: Request, error: Exception) -> Response:
    """Response to an unexpected exception; the traceback is logged."""
    # As text: a renderer with the variables of every frame would take minutes, and could show a secret.
    trace = "".join(traceback.format_exception(error, limit=-15))
    log.error("page failed", path=_path(request), trace=trace)
    return _answer(request, 500, "Something went wrong in the service; the details are in its log.")


def _for_program(request: Request) -> bool:
    return request.url.path.startswith("/api/") or "text/html" not in request.headers.get("accept", "")


def _answer(
    request: Request, status: int, detail: str, headers: Mapping[str, str] | None = None, **more: Any
) -> Response:
    if 400 <= status < 500 and status != 404:
        _note_refusal(request, status, detail)
    if _for_program(request):
        answer: Response = problem(status, detail, **more)
    else:
        answer = page(
            request,
            request.app.state.plant,
            _who(request),
            "problem.html.j2",
            status=status,
            code=status,
            detail=detail,
        )
    for name, value in (headers or {}).items():
        answer.headers[name] = value
    return answer


def _note_refusal(request: Request, status: int, detail: str) -> None:
    log.warning(
        "request refused",
        status=status,
        method=request.method,
        path=_path(request),
        person=_who(request).actor.name if status == 403 else "",
        address=request.client.host if request.client is not None else "",
        problem=detail[:300],
    )


def _path(request: Request) -> str:
    """The route's template, as the path itself may contain a secret."""
    found: str = getattr(request.scope.get("route"), "path", "no such page")
    return found


def _who(request: Request) -> Principal:
    try:
        return visitor_of(request, request.app.state.plant)
    except (HTTPException, ServiceError):  # this may be the failure itself
        return Principal()
