"""Security headers on every response, and a size limit on request bodies."""

from __future__ import annotations

from collections.abc import Callable

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: More than any form or batch of ours needs.
LARGEST_BODY = 8 * 1024 * 1024

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "font-src 'self'",
        "connect-src 'self'",
        "worker-src 'self'",
        "manifest-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}


_NO_NUL = JSONResponse(
    {"title": "Bad Request", "status": 400, "detail": "An address holds no NUL character."},
    status_code=400,
    media_type="application/problem+json",
)
_TOO_LARGE = JSONResponse(
    {
        "title": "Too large",
        "status": 413,
        "detail": f"More than {LARGEST_BODY // 1024 // 1024} MiB is not taken at once.",
    },
    status_code=413,
    media_type="application/problem+json",
)


class TooLarge(Exception):
    """A request's body passed the limit."""


class SecurityHeaders:
    """Middleware: headers on every response, also to a failure, and 413 for bodies beyond the limit."""

    def __init__(
        self, app: ASGIApp, failed: Callable[[Request, Exception], Response], largest_body: int = LARGEST_BODY
    ) -> None:
        self._app = app
        self._failed = failed
        self._largest = largest_body

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        taken, started, refused = 0, False, False

        async def limited() -> Message:
            nonlocal taken, refused
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > self._largest:
                refused = True
                raise TooLarge
            return message

        async def guarded(message: Message) -> None:
            nonlocal started, refused
            if refused:
                # Body parsers take the refusal for a parse error, so the 413 is sent here.
                if not started:
                    refused = False
                    await _TOO_LARGE(scope, receive, guarded)
                    refused = True
                return
            if message["type"] == "http.response.start":
                started = True
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "no-store")
                if scope["path"].startswith("/api/"):
                    # API responses are never shown as a page.
                    headers.setdefault("Content-Disposition", 'attachment; filename="api.json"')
                if scope["scheme"] == "https":
                    headers.setdefault("Strict-Transport-Security", "max-age=31536000; includeSubDomains")
            await send(message)

        # PostgreSQL takes no NUL character in text.
        app: ASGIApp = _NO_NUL if "\0" in scope["path"] or b"%00" in scope["query_string"] else self._app
        try:
            await app(scope, limited, guarded)
        except TooLarge:
            if not started:
                refused = False
                await _TOO_LARGE(scope, receive, guarded)
        except Exception as error:  # last resort: no internals shown, headers kept
            answer = await run_in_threadpool(self._failed, Request(scope), error)
            if started:
                raise
            await answer(scope, receive, guarded)
