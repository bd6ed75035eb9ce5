"""A real web server in front of a real database with an invented plant in it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import httpx
from fastapi import FastAPI
from sqlalchemy import Engine

from service.domain.blanket.estimate import TankSetup
from service.domain.effluent.permit import NO_PERMIT, Permit
from service.domain.plant.role import Role, Scope, SecondFactorRule
from service.domain.plant.units import UnitSystem
from service.jobs.accounts import people
from service.notify.channels.gateway_hook import GatewayHook
from service.notify.messages.links import AlarmLinks
from service.storage.database.session import make_engine, page_engine, transaction
from service.storage.plant.site_tables import site_ids
from service.web.app import create_app
from service.web.base.plant import WebPlant
from service.web.server import WebServer, bind_socket
from tests.support.alarm_plant import NIGHT, TANKS, AlarmPlant, alarm_setup

PASSWORD = "six heron marsh lantern"
SECRET = b"an invented secret of more than 32 bytes"


class Clock:
    """Time that stands until it is moved."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now

    def forward(self, span: timedelta) -> None:
        """Let time pass."""
        self.now += span


@dataclass
class WebSite:
    """A running server with its plant and people.

    Jobs of the watch go by ``plant.engine``: the pages' own, ``web.engine``, gives up a transaction that works for ten seconds between
    two statements, which one does on a busy machine.
    """

    app: FastAPI
    web: WebPlant
    plant: AlarmPlant
    clock: Clock
    url: str
    clients: list[httpx.Client] = field(default_factory=list)

    def client(self, role: Role | None = None) -> httpx.Client:
        """A browser, signed in as the person of that role; it loads no certificates, as that costs more than most tests."""
        client = httpx.Client(base_url=self.url, headers={"Accept": "text/html"}, timeout=300, verify=False)
        self.clients.append(client)
        if role is not None:
            answer = self.sign_in(client, role.value)
            assert answer.status_code == 303, answer.text
        return client

    def sign_in(self, client: httpx.Client, name: str, password: str = PASSWORD, to: str = "/") -> httpx.Response:
        """Fill in the form and send it."""
        token = form_token(client.get("/sign-in").text)
        return client.post("/sign-in", data={"form_token": token, "name": name, "password": password, "to": to})

    def token(self, role: Role, *scopes: Scope) -> dict[str, str]:
        """The header of a program that acts for the person of that role."""
        secret = people.issue_token(
            self.web.engine, role.value, purpose="a test", scopes=scopes, now=self.clock(), actor="test"
        )
        return {"Authorization": f"Bearer {secret}"}


def form_token(page: str) -> str:
    """The form token of a page."""
    found = re.search(r'name="form_token" value="([^"]+)"', page)
    assert found is not None, page[:500]
    return found[1]


def settle(engine: Engine, setups: tuple[TankSetup, ...] = TANKS) -> AlarmPlant:
    """Put a plant into an empty database, and one person for each role, named after it."""
    plant = AlarmPlant.build(engine, tanks=setups)
    for role in Role:
        people.add(
            engine, name=role, label=f"{role.title()} Person", role=role, password=PASSWORD, now=NIGHT, actor="x"
        )
    return plant


def settled(url: str) -> None:
    """Fill the database that tests of the usual plant begin with a copy of."""
    engine = make_engine(url, application_name="underweir-tests")
    settle(engine)
    engine.dispose()


@contextmanager
def served(
    engine: Engine,
    *,
    units: UnitSystem = "us",
    setups: tuple[TankSetup, ...] = TANKS,
    hooks: tuple[GatewayHook, ...] = (),
    permit: Permit = NO_PERMIT,
) -> Iterator[WebSite]:
    """The server, for as long as the block lasts; the plant and its people are there already, or are made."""
    clock = Clock(NIGHT)
    with transaction(engine) as conn:
        ids = site_ids(conn)
    plant = AlarmPlant(engine, alarm_setup(), ids, setups) if ids.tanks else settle(engine, setups)
    assert plant.ids.tanks.keys() == {s.tank.key for s in setups}, "another plant is there; see filled_by"
    web = WebPlant(
        engine=page_engine(engine),
        name="Alder Creek",
        units=units,
        zone=ZoneInfo("America/New_York"),
        setups=setups,
        signals=plant.model.signals,
        ids=plant.ids,
        alarms=plant.setup,
        permit=permit,
        connectors=("drop",),
        secret=SECRET,
        links=AlarmLinks(SECRET, "https://underweir.example.org"),
        clock=clock,
        # The administrator of these tests signs in with the password alone; what the default asks has tests of its own.
        second_factor=SecondFactorRule.OPTIONAL,
        hooks={hook.key: hook for hook in hooks},
    )
    app = create_app(web)
    server = WebServer(app, bind_socket("127.0.0.1", 0))
    server.start()
    site = WebSite(app, web, plant, clock, server.address)
    try:
        yield site
    finally:
        for client in site.clients:
            client.close()
        server.stop()
