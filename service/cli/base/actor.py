"""The actor of a command: who types it."""

from __future__ import annotations

import getpass
import os
import socket

from service.jobs.accounts.actor import Actor, Door


def login_name() -> str:
    """The name of the account that runs the command; its number where the machine has no name for it, as in a container."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return f"user {os.getuid()}"


def typed_by(name: str | None = None) -> Actor:
    """Whoever types the command, on this machine, as the person of that name; as the account itself without one."""
    login = login_name()
    return Actor(name=name or login, via=Door.COMMAND, address=socket.gethostname(), account=login)
