"""Shut down the sockets of connections to a server that no longer answers.

The server enforces the statement timeout. One that hangs, or that a firewall has silently cut off, enforces nothing, and a
client would wait for ever: its socket is then shut down on this side, and the waiting thread gets a retryable error.
"""

from __future__ import annotations

import os
import socket
from typing import Any
from weakref import WeakSet

import psycopg
from sqlalchemy import Engine, event


class ConnectionKiller:
    """Tracks the open connections of engines."""

    def __init__(self, *engines: Engine) -> None:
        self._open: WeakSet[psycopg.Connection[Any]] = WeakSet()
        for engine in engines:
            event.listen(engine, "connect", self._opened)
            # Connections already in the pool were opened before the listener, and could not be killed.
            engine.dispose()

    def _opened(self, connection: psycopg.Connection[Any], record: object) -> None:
        self._open.add(connection)

    def kill_all(self) -> int:
        """Shut down every open connection; return how many there were."""
        killed = 0
        for connection in list(self._open):
            try:
                with socket.socket(fileno=os.dup(connection.fileno())) as raw:
                    raw.shutdown(socket.SHUT_RDWR)
                killed += 1
            except (OSError, psycopg.Error):
                continue  # closed already
        return killed
