"""Outages: tanks taken out of service and put back, by whom and why."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, select, update
from sqlalchemy.dialects.postgresql import insert

from service.storage.database.tables import TankOutage


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """A tank out of service."""

    since: datetime
    who: str
    why: str
    permit: str


def begin_outage(conn: Connection, tank_id: int, outage: Outage) -> bool:
    """Take the tank out; False when it is out already."""
    statement = insert(TankOutage).values(
        tank_id=tank_id, since=outage.since, who=outage.who, why=outage.why, permit=outage.permit
    )
    begun = conn.execute(statement.on_conflict_do_nothing().returning(TankOutage.id)).first()
    return begun is not None


def end_outage(conn: Connection, tank_id: int, at: datetime, who: str) -> bool:
    """Put the tank back; False when it is in service."""
    statement = (
        update(TankOutage)
        .where(TankOutage.tank_id == tank_id, TankOutage.until.is_(None))
        .values(until=at, ended_by=who)
        .returning(TankOutage.id)
    )
    return conn.execute(statement).first() is not None


def open_outages(conn: Connection, at: datetime | None = None) -> dict[int, Outage]:
    """The tanks out of service at a time, by row number; now when it is None."""
    statement = select(TankOutage.__table__)
    if at is None:
        statement = statement.where(TankOutage.until.is_(None))
    else:
        statement = statement.where(TankOutage.since <= at, TankOutage.until.is_(None) | (TankOutage.until > at))
    rows = conn.execute(statement)
    return {r.tank_id: Outage(since=r.since, who=r.who, why=r.why, permit=r.permit) for r in rows}
