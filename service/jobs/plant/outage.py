"""Takes a tank out of service and puts it back. Its alarms are suppressed by design meanwhile, and journalled so."""

from __future__ import annotations

from datetime import datetime

import structlog
from sqlalchemy import Engine

from service.errors import InputError
from service.jobs.accounts.actor import Actor, audit
from service.jobs.plant.plant import Plant
from service.storage.database.session import transaction
from service.storage.plant.outages import Outage, begin_outage, end_outage, open_outages

log = structlog.get_logger(__name__)


def take_out(
    engine: Engine,
    plant: Plant,
    tank: str,
    actor: Actor,
    *,
    why: str,
    permit: str = "",
    now: datetime,
) -> bool:
    """Take a tank out of service; False when it is out already.

    Raises
    ------
    InputError
        without a name and a reason, or when the site file keeps the tank out.
    """
    _named(actor, why)
    _not_by_site(plant, tank)
    with transaction(engine) as conn:
        begun = begin_outage(conn, plant.ids.tanks[tank], Outage(since=now, who=actor.name, why=why, permit=permit))
        if begun:
            audit(conn, actor, now, "tank taken out of service", tank, {"why": why, "permit": permit})
    log.info("tank out of service", tank=tank, changed=begun)
    return begun


def put_back(engine: Engine, plant: Plant, tank: str, actor: Actor, *, now: datetime) -> bool:
    """Put a tank back into service; False when it is in service. What is wrong with it calls at the next look.

    Raises
    ------
    InputError
        without a name, or when the site file keeps the tank out.
    """
    _named(actor, "-")
    _not_by_site(plant, tank)
    with transaction(engine) as conn:
        ended = end_outage(conn, plant.ids.tanks[tank], now, actor.name)
        if ended:
            audit(conn, actor, now, "tank put back into service", tank)
    log.info("tank in service", tank=tank, changed=ended)
    return ended


def tanks_out(engine: Engine, plant: Plant, at: datetime | None = None) -> dict[str, str]:
    """Every tank out of service with the reason, by the site file or by a person; at a time, or now."""
    with transaction(engine) as conn:
        out = open_outages(conn, at)
    by_person = {
        plant.ids.tank_key(tank_id): f"{found.why} ({found.who}{f', permit {found.permit}' if found.permit else ''})"
        for tank_id, found in out.items()
    }
    return {**by_person, **plant.alarms.out_of_service}


def _named(actor: Actor, why: str) -> None:
    if not actor.name.strip() or not why.strip():
        raise InputError("a name and a reason are needed: who takes the tank out or puts it back, and why")


def _not_by_site(plant: Plant, tank: str) -> None:
    if tank in plant.alarms.out_of_service:
        raise InputError(f"tank {tank} is kept out of service by the site file; remove out_of_service there")
