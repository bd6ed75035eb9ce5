"""The installation as the pages need it, and how a route gets it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

from fastapi import Depends, Request
from sqlalchemy import Engine

from service.domain.plant.role import SecondFactorRule
from service.domain.plant.units import UnitSystem
from service.jobs.accounts.people import LONGEST_TOKEN
from service.jobs.plant.plant import Plant as JobPlant
from service.notify.channels.gateway_hook import GatewayHook
from service.notify.messages.links import AlarmLinks
from service.storage.database.session import read_only
from service.storage.plant.site_tables import SiteVersion

if TYPE_CHECKING:  # it loads much, and few plants have an identity provider
    from service.identity import IdentityClient


@dataclass(frozen=True, kw_only=True)
class WebPlant(JobPlant):
    """One installation for the pages."""

    engine: Engine
    name: str
    units: UnitSystem
    zone: ZoneInfo
    connectors: tuple[str, ...]
    secret: bytes
    links: AlarmLinks
    clock: Callable[[], datetime]
    #: Where people can also sign in.
    identity: IdentityClient | None = None
    #: Who has to give a one-time code after the password.
    second_factor: SecondFactorRule = SecondFactorRule.ADMINISTRATORS
    #: How long a token may be good for.
    longest_token: timedelta = LONGEST_TOKEN
    #: Account signed in without a password; only for a demo that nobody else can reach.
    guest: str | None = None
    #: Which version of the site file is in force.
    version: SiteVersion | None = None
    #: Notice that the file on disk differs; empty where it does not.
    file_notice: Callable[[], str] = str
    #: What text message gateways may post here.
    hooks: Mapping[str, GatewayHook] = field(default_factory=dict)


def _whole(request: Request) -> WebPlant:
    found: WebPlant = request.app.state.plant
    return found


def _as_asked(request: Request) -> WebPlant:
    """GET and HEAD requests get a read-only engine: the database refuses writes."""
    found: WebPlant = request.app.state.plant
    return replace(found, engine=read_only(found.engine)) if request.method in ("GET", "HEAD") else found


Plant = Annotated[WebPlant, Depends(_as_asked)]
#: For GET requests that write: the time a session was last used, a sign-in that ends with a redirect.
WritablePlant = Annotated[WebPlant, Depends(_whole)]
