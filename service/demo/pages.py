"""Serves the pages after the demo's night, to this machine alone and without a password."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import datetime, timedelta

from service.bootstrap import Installation
from service.domain.plant.role import Role
from service.jobs.accounts import people
from service.jobs.blanket.estimate import update_estimates
from service.web.app import create_app
from service.web.server import WebServer, bind_socket

GUEST = "demo"


def serve_until_stopped(plant: Installation, since: datetime, say: Callable[[str], None]) -> None:
    """Serve the pages on this machine only, until Ctrl-C; time goes on from the end of the night.

    Raises
    ------
    ConfigError
        when the port is taken.
    """
    began = time.monotonic()

    def clock() -> datetime:
        return since + timedelta(seconds=time.monotonic() - began)

    people.add(
        plant.engine,
        name=GUEST,
        label="Guest of the demo (invented)",
        role=Role.SUPERVISOR,
        password=None,
        now=since,
        actor="demo",
    )
    server = WebServer(create_app(plant.pages(clock, guest=GUEST)), bind_socket("127.0.0.1", plant.settings.http_port))
    server.start()
    say(f"\nThe pages, open without a password to this machine alone: {server.address}   (Ctrl-C ends)")
    try:
        while True:
            time.sleep(2)
            update_estimates(plant.engine, plant.setups, plant.ids, clock())
    except KeyboardInterrupt:
        say("\nstopped")
    finally:
        server.stop()
