"""Limits the requests of one client: how many at once, so that none can take every thread, and how many in a minute."""

from __future__ import annotations

import asyncio
import math
from collections import Counter, OrderedDict
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
#: Requests of a session or a token in a row, and how many more each second brings: far more than a person's, and plenty for a program.
MOST_IN_A_ROW, MORE_A_SECOND = 600, 10.0
#: Clients remembered; the one that asked longest ago goes first.
MOST_CLIENTS = 10_000

_TOO_MANY = PlainTextResponse(
    "Too many requests at once; wait for some to end.\n", status_code=429, headers={"Retry-After": "2"}
)


def _too_fast(wait: int) -> PlainTextResponse:
    said = f"Too many requests one after the other; wait {wait} s, then go on more slowly.\n"
    return PlainTextResponse(said, status_code=429, headers={"Retry-After": str(wait)})


class Budget:
    """So many requests in a row, and so many more with every second (a token bucket), by client.

    >>> budget = Budget(in_a_row=2, a_second=0.5)
    >>> [budget.wait("token x", at) for at in (0.0, 0.0, 0.0, 2.0, 3.0)]
    [0.0, 0.0, 2.0, 0.0, 1.0]
    """

    def __init__(self, in_a_row: float, a_second: float) -> None:
        self._most, self._rate = in_a_row, a_second
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def wait(self, client: str, now: float) -> float:
        """Take one request out; how long until there is one, if there is none now. [s]"""
        left, since = self._left.pop(client, (self._most, now))
        left = min(self._most, left + (now - since) * self._rate)
        allowed = left >= 1.0
        self._left[client] = (left - 1.0 if allowed else left, now)
        if len(self._left) > MOST_CLIENTS:
            self._left.popitem(last=False)
        return 0.0 if allowed else (1.0 - left) / self._rate


class RequestLimit:
    """Middleware that counts requests, on the event loop's thread."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self._running: Counter[tuple[str, bool]] = Counter()
        self._budget = Budget(MOST_IN_A_ROW, MORE_A_SECOND)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        stream = scope["path"] == STREAM
        name = _client(scope)
        client = (name, stream)
        # Not of an address: links of alarm mails, gateways and monitoring come from there, and behind one may be a whole plant.
        if not name.startswith("address "):
            wait = math.ceil(self._budget.wait(name, asyncio.get_running_loop().time()))
            if wait > 0:
                await _too_fast(wait)(scope, receive, send)
                return
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
