"""Rate limits on wrong links and secrets of one address, and on uses of one link. In memory, per node.

What is right is never kept waiting by what others got wrong: whoever holds the link of an alarm at night must get through, also
behind an address from which somebody else tries links that are none.
"""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from datetime import datetime, timedelta

from fastapi import HTTPException, Request

from service.web.base.plant import WebPlant

#: Over this time things are counted.
OVER = timedelta(minutes=10)
#: So many wrong links, or gateway secrets, of one address are answered one by one; of a client that is merely mistaken one or two are.
MOST_WRONG = 20
#: So often one link is looked at or pressed; people do so a few times.
MOST_PRESSES = 60
#: So many addresses and links are remembered; the one unused longest goes first.
MOST_REMEMBERED = 10_000


class Throttle:
    """Counts by key.

    >>> throttle, then = Throttle(), datetime(2026, 3, 14, 3, 10)
    >>> [throttle.wait("192.0.2.1", 2, then) for _ in range(3)]
    [datetime.timedelta(0), datetime.timedelta(0), datetime.timedelta(seconds=600)]
    >>> throttle.wait("192.0.2.1", 2, then + OVER)
    datetime.timedelta(0)
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._seen: OrderedDict[str, list[datetime]] = OrderedDict()

    def wait(self, key: str, most: int, now: datetime) -> timedelta:
        """Count one more and return nothing, or how long it has to wait: beyond *most* nothing is counted."""
        with self._lock:
            recent = [at for at in self._seen.pop(key, ()) if now - at < OVER]
            over = len(recent) >= most
            self._seen[key] = recent if over else [*recent, now]
            if len(self._seen) > MOST_REMEMBERED:
                self._seen.popitem(last=False)
            return recent[0] + OVER - now if over else timedelta(0)


def count_wrong(request: Request, plant: WebPlant, address: str, what: str) -> None:
    """Count something wrong from an address: a link, or a gateway's secret.

    Raises
    ------
    HTTPException
        429, when there was too much of it.
    """
    _wait(request, plant, f"{what} {address}", MOST_WRONG)


def count_press(request: Request, plant: WebPlant, link: str) -> None:
    """Count that a link was used.

    Raises
    ------
    HTTPException
        429, when it was too often.
    """
    _wait(request, plant, f"link {link}", MOST_PRESSES)


def _wait(request: Request, plant: WebPlant, key: str, most: int) -> None:
    throttle: Throttle = request.app.state.throttle
    wait = math.ceil(throttle.wait(key, most, plant.clock()).total_seconds())
    if wait > 0:
        raise HTTPException(429, f"Too many tries. Wait {wait} s, then try again.", headers={"Retry-After": str(wait)})
