"""Limits concurrent requests of one client, so that none can take every thread."""

from __future__ import annotations

from collections import Counter
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from service.web.base.access import SESSION_COOKIE

#: Concurrent requests of a session, a token, or an address without either.
MOST_AT_ONCE = 8
#: Open event streams of one client: one a tab, without a thread while waiting.
MOST_STREAMS = 32
STREAM = "/live"

_TOO_MANY = PlainTextResponse(
    "Too many requests at once; wait for some to end.\n", status_code=429, headers={"Retry-After": "2"}
)


class RequestLimit:
    """Middleware that counts requests in progress, on the event loop's thread."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self._running: Counter[tuple[str, bool]] = Counter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        stream = scope["path"] == STREAM
        client = (_client(scope), stream)
        if self._running[client] >= (MOST_STREAMS if stream else MOST_AT_ONCE):
            await _TOO_MANY(scope, receive, send)
            return
        self._running[client] += 1
        try:
            await self._app(scope, receive, send)
        finally:
            self._running[client] -= 1
            if not self._running[client]:
                del self._running[client]


def _client(scope: Scope) -> str:
    """Client a request is counted for: token, session or address."""
    headers = Headers(scope=scope)
    if token := headers.get("authorization"):
        return f"token {token}"
    try:
        cookies = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        cookies = SimpleCookie()
    for name in (SESSION_COOKIE, f"__Host-{SESSION_COOKIE}"):
        if name in cookies:
            return f"session {cookies[name].value}"
    return f"address {(scope.get('client') or ('',))[0]}"
