"""How the commands among the tests end when they are asked to."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable
from types import FrameType
from typing import NoReturn


def in_order(main: Callable[[], int | None]) -> NoReturn:
    """Run a command; SIGTERM ends it as Ctrl-C does: on the way out servers are stopped and folders removed."""

    def end(number: int, frame: FrameType | None) -> None:
        signal.signal(number, lambda again, where: None)  # asked once more, it goes on tidying up
        sys.exit(128 + number)

    signal.signal(signal.SIGTERM, end)
    sys.exit(main())
