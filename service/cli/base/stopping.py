"""Signal handling: how a command is told to stop."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import structlog

log = structlog.get_logger(__name__)

#: Polling interval for a signal [s].
LOOK_S = 0.2
#: Delay until a lost interruption is raised again [s].
AGAIN_S = 0.05


def stop_like_ctrl_c() -> None:
    """Make SIGTERM and SIGHUP end a command as Ctrl-C does, so that an embedded server it started shuts down too.

    Notes
    -----
    Python drops an exception raised in a destructor, KeyboardInterrupt included; it is raised again.
    """
    for number in (signal.SIGTERM, signal.SIGHUP):
        if signal.getsignal(number) is signal.SIG_DFL:  # not under nohup, which ignores SIGHUP
            signal.signal(number, signal.default_int_handler)
    signal.signal(signal.SIGALRM, signal.default_int_handler)
    say_dropped = sys.unraisablehook

    def dropped(what: sys.UnraisableHookArgs) -> None:
        if isinstance(what.exc_value, KeyboardInterrupt):
            signal.setitimer(signal.ITIMER_REAL, AGAIN_S)
        else:
            say_dropped(what)

    sys.unraisablehook = dropped


class StopSignal:
    """Records SIGTERM and SIGINT from now on in place of acting on them."""

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
        """Wait for a signal, or so many seconds.

        Polls, as a signal delivered to another thread does not wake this one. Event.wait is not affected by clock changes.
        """
        never = threading.Event()
        while not self and seconds > 0:
            never.wait(min(LOOK_S, seconds))
            seconds -= LOOK_S


@contextmanager
def cut_connections_after(cut: Callable[[], int], after: float) -> Iterator[None]:
    """Cut database connections that block the context, repeatedly until it is left.

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
