"""Rate limits on wrong links and secrets of one address, on uses of one link, and on what one person changes. In memory, per node.

A valid link is never delayed by others' failures: whoever is called at night must get through, also from an address from which
somebody else tries invalid links.
"""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from datetime import datetime, timedelta

from fastapi import HTTPException, Request

from service.web.base.plant import WebPlant

#: Time window of the counts.
WINDOW = timedelta(minutes=10)
#: Wrong links or gateway secrets of one address within the window; an honest mistake makes one or two.
MAX_FAILURES = 20
#: Uses of one link within the window; people need a few.
MAX_USES = 60
#: Forms and cores of one session within the window: a round of a hundred cores kept on a phone, twice; no hand is faster.
MAX_CHANGES = 200
#: Keys remembered; the least recently used goes first.
MAX_KEYS = 10_000


class Throttle:
    """Sliding-window counters by key.

    >>> throttle, then = Throttle(), datetime(2026, 3, 14, 3, 10)
    >>> [throttle.wait("192.0.2.1", 2, then) for _ in range(3)]
    [datetime.timedelta(0), datetime.timedelta(0), datetime.timedelta(seconds=600)]
    >>> throttle.wait("192.0.2.1", 2, then + WINDOW)
    datetime.timedelta(0)
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._seen: OrderedDict[str, list[datetime]] = OrderedDict()

    def wait(self, key: str, most: int, now: datetime) -> timedelta:
        """Count one more and return nothing, or how long it has to wait: beyond *most* nothing is counted."""
        with self._lock:
            recent = [at for at in self._seen.pop(key, ()) if now - at < WINDOW]
            over = len(recent) >= most
            self._seen[key] = recent if over else [*recent, now]
            if len(self._seen) > MAX_KEYS:
                self._seen.popitem(last=False)
            return recent[0] + WINDOW - now if over else timedelta(0)


def limit_failures(request: Request, plant: WebPlant, address: str, what: str) -> None:
    """Count a failure of an address: a wrong link or gateway secret.

    Raises
    ------
    HTTPException
        429, when there were too many.
    """
    _wait(request, plant, f"{what} {address}", MAX_FAILURES)


def limit_uses(request: Request, plant: WebPlant, link: str) -> None:
    """Count a use of a link.

    Raises
    ------
    HTTPException
        429, when there were too many.
    """
    _wait(request, plant, f"link {link}", MAX_USES)


def limit_changes(request: Request, plant: WebPlant, visit: str) -> None:
    """Count something that a person changes.

    Raises
    ------
    HTTPException
        429, when there was more than a person can do.
    """
    _wait(request, plant, f"changes {visit}", MAX_CHANGES)


def _wait(request: Request, plant: WebPlant, key: str, most: int) -> None:
    throttle: Throttle = request.app.state.throttle
    wait = math.ceil(throttle.wait(key, most, plant.clock()).total_seconds())
    if wait > 0:
        raise HTTPException(429, f"Too many tries. Wait {wait} s, then try again.", headers={"Retry-After": str(wait)})
