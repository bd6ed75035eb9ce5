"""The installation as the pages need it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

from fastapi import Depends, Request
from sqlalchemy import Engine

from service.domain.blanket.estimate import TankSetup
from service.domain.plant.role import SecondFactorRule
from service.domain.plant.tank import Tank
from service.domain.plant.units import UnitSystem
from service.jobs.accounts.people import LONGEST_TOKEN
from service.jobs.alarms.setup import AlarmSetup
from service.jobs.ingest.plant import Plant as IntakePlant
from service.jobs.reports.plant import ReportPlant
from service.notify.channels.gateway_hook import GatewayHook
from service.notify.messages.links import AlarmLinks
from service.storage.database.session import read_only
from service.storage.plant.site_tables import SiteIds, SiteVersion

if TYPE_CHECKING:  # it loads much, and few plants have an identity provider
    from service.identity import IdentityClient


@dataclass(frozen=True, kw_only=True)
class WebPlant:
    """One installation as the pages see it."""

    engine: Engine
    name: str
    units: UnitSystem
    zone: ZoneInfo
    setups: tuple[TankSetup, ...]
    ids: SiteIds
    alarms: AlarmSetup
    connectors: tuple[str, ...]
    #: What taking in pushed readings has to know.
    intake: IntakePlant
    secret: bytes
    links: AlarmLinks
    clock: Callable[[], datetime]
    #: Where people can also sign in.
    identity: IdentityClient | None = None
    #: Who has to give a one-time code after the password.
    second_factor: SecondFactorRule = SecondFactorRule.ADMINISTRATORS
    #: How long a token may be good for.
    longest_token: timedelta = LONGEST_TOKEN
    #: Who is signed in without a password; only for a demo that nobody else can reach.
    guest: str | None = None
    #: Which version of the site file is in force.
    version: SiteVersion | None = None
    #: Says that the file on disk is another one; empty where it is not.
    file_notice: Callable[[], str] = str
    #: What text message gateways may post here.
    hooks: Mapping[str, GatewayHook] = field(default_factory=dict)

    @property
    def tanks(self) -> Mapping[str, Tank]:
        """Every tank by its key."""
        return {setup.tank.key: setup.tank for setup in self.setups}

    @property
    def reports(self) -> ReportPlant:
        """The installation as shift logs and reports see it."""
        return ReportPlant(engine=self.engine, alarms=self.alarms, setups=self.setups, ids=self.ids)

    def setup(self, key: str) -> TankSetup | None:
        """The tank of that key with its signals."""
        return next((setup for setup in self.setups if setup.tank.key == key), None)


def _whole(request: Request) -> WebPlant:
    found: WebPlant = request.app.state.plant
    return found


def _as_asked(request: Request) -> WebPlant:
    """Whoever asks with GET or HEAD only reads: the database refuses whatever the answer would write."""
    found: WebPlant = request.app.state.plant
    return replace(found, engine=read_only(found.engine)) if request.method in ("GET", "HEAD") else found


Plant = Annotated[WebPlant, Depends(_as_asked)]
#: For what is written along the way, whatever is asked: when a session was last used, and a sign-in that ends with a redirect.
WholePlant = Annotated[WebPlant, Depends(_whole)]
