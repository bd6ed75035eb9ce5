"""Signal handling: how a command is told to stop."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import structlog

log = structlog.get_logger(__name__)

#: How soon a request to stop is seen [s].
LOOK_S = 0.2
#: How soon an interruption that went astray comes again [s].
AGAIN_S = 0.05


def stop_like_ctrl_c() -> None:
    """Let a closed terminal or a plain kill end a command as Ctrl-C does: an embedded server it started is shut down with it.

    Notes
    -----
    An interruption that falls into a destructor ends nothing: Python drops whatever is raised there. It is raised once more.
    """
    for number in (signal.SIGTERM, signal.SIGHUP):
        if signal.getsignal(number) is signal.SIG_DFL:  # under nohup, hanging up is meant to mean nothing
            signal.signal(number, signal.default_int_handler)
    signal.signal(signal.SIGALRM, signal.default_int_handler)
    say_dropped = sys.unraisablehook

    def dropped(what: sys.UnraisableHookArgs) -> None:
        if isinstance(what.exc_value, KeyboardInterrupt):
            signal.setitimer(signal.ITIMER_REAL, AGAIN_S)
        else:
            say_dropped(what)

    sys.unraisablehook = dropped


class StopAsked:
    """SIGTERM and Ctrl-C from now on are noted, and end nothing by themselves."""

    def __init__(self) -> None:
        self._signals: list[int] = []
        for number in (signal.SIGTERM, signal.SIGINT):
            # No lock and no log line here: this may interrupt whoever holds the lock.
            signal.signal(number, lambda given, frame: self._signals.append(given))

    def __bool__(self) -> bool:
        return bool(self._signals)

    @property
    def by(self) -> str:
        """The name of the first signal."""
        return signal.Signals(self._signals[0]).name

    def wait(self, seconds: float = float("inf")) -> None:
        """Return when asked to stop, or after so many seconds.

        Looked at again and again: a signal that another thread happens to get does not wake this one. Waiting for an event
        goes on rightly where somebody sets the time of day meanwhile.
        """
        never = threading.Event()
        while not self and seconds > 0:
            never.wait(min(LOOK_S, seconds))
            seconds -= LOOK_S


@contextmanager
def impatient(cut: Callable[[], int], after: float) -> Iterator[None]:
    """End what hangs in the database while the block waits for it, again and again until the block is over.

    Parameters
    ----------
    cut : cuts every connection, and returns how many there were.
    after : how long work under way is given to end by itself [s].
    """
    over = threading.Event()

    def hurry() -> None:
        while not over.wait(after):
            log.warning("the database does not let go; connections cut", connections=cut())

    threading.Thread(target=hurry, name="hurry", daemon=True).start()
    try:
        yield
    finally:
        over.set()
