"""Cuts connections to a server that no longer answers.

A statement's time limit is kept by the server. One that hangs, or that a firewall has quietly cut off, keeps no limit, and a
client waits for its answer for ever: then the line is cut on this side, and whoever waits gets an error that says try again.
"""

from __future__ import annotations

import os
import socket
from typing import Any
from weakref import WeakSet

import psycopg
from sqlalchemy import Engine, event


class ConnectionKiller:
    """The connections an engine has open."""

    def __init__(self, *engines: Engine) -> None:
        self._open: WeakSet[psycopg.Connection[Any]] = WeakSet()
        for engine in engines:
            event.listen(engine, "connect", self._opened)
            # What lies in the pool was opened before anybody listened, and could never be cut.
            engine.dispose()

    def _opened(self, connection: psycopg.Connection[Any], record: object) -> None:
        self._open.add(connection)

    def cut(self) -> int:
        """Cut every one, and return how many there were."""
        cut = 0
        for connection in list(self._open):
            try:
                with socket.socket(fileno=os.dup(connection.fileno())) as line:
                    line.shutdown(socket.SHUT_RDWR)
                cut += 1
            except (OSError, psycopg.Error):
                continue  # closed already
        return cut
