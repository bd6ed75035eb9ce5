"""What has to be estimated again: per tank, the earliest time whose data changed.

Marks are written in the transaction that stores the data, so neither can be lost without the other. An estimate run reads
a mark with its ticket, works, and settles it by that ticket in the transaction that writes its results: a mark made in
between changes the ticket, so the tank stays due and no change is overlooked. Nobody waits while an estimate is computed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, bindparam, select, text
from sqlalchemy.dialects.postgresql import insert

from service.storage.moments import from_us
from service.storage.tables import Recompute, SignalRow, TankRow


@dataclass(frozen=True, slots=True)
class Due:
    """A tank whose estimate is out of date from ``dirty_from`` on, inclusive."""

    tank_id: int
    dirty_from: datetime
    #: The transaction that last wrote the mark (PostgreSQL's xmin).
    ticket: str


def mark(conn: Connection, earliest: Mapping[int, datetime]) -> None:
    """Mark tanks (by row number) as changed from a time on; an earlier mark stands."""
    if not earliest:
        return
    statement = insert(Recompute).values(
        [{"tank_id": tank_id, "dirty_from": earliest[tank_id]} for tank_id in sorted(earliest)]
    )
    # LEAST ignores nulls in PostgreSQL. Rows are locked in the order of their numbers: no deadlocks.
    conn.execute(
        statement.on_conflict_do_update(
            index_elements=[Recompute.tank_id],
            set_={"dirty_from": text("least(recompute.dirty_from, excluded.dirty_from)")},
        )
    )


def mark_signals(conn: Connection, earliest_us: Mapping[int, int]) -> None:
    """Mark the tanks that signals (by row number) speak of; a signal of the whole plant speaks of every tank."""
    if not earliest_us:
        return
    tank_of = {
        row.id: row.tank_id
        for row in conn.execute(
            select(SignalRow.id, SignalRow.tank_id).where(SignalRow.id.in_(list(earliest_us)))
        ).all()
    }
    changed: dict[int, int] = {}
    of_plant = [us for signal_id, us in earliest_us.items() if tank_of[signal_id] is None]
    if of_plant:
        every = conn.execute(select(TankRow.id).where(TankRow.described)).scalars()
        changed = dict.fromkeys(every, min(of_plant))
    for signal_id, us in earliest_us.items():
        tank_id = tank_of[signal_id]
        if tank_id is not None:
            changed[tank_id] = min(us, changed.get(tank_id, us))
    mark(conn, {tank_id: from_us(us) for tank_id, us in changed.items()})


def due(conn: Connection) -> list[Due]:
    """Every tank that has to be estimated again."""
    rows = conn.execute(
        text(
            "SELECT tank_id, dirty_from, xmin::text AS ticket FROM recompute "
            "WHERE dirty_from IS NOT NULL ORDER BY tank_id"
        )
    ).all()
    return [Due(row.tank_id, row.dirty_from, row.ticket) for row in rows]


def settle(conn: Connection, done: Due) -> bool:
    """Clear a mark whose work is done in this transaction; False when more changed meanwhile and the tank stays due."""
    statement = text(
        "UPDATE recompute SET dirty_from = NULL WHERE tank_id = :tank_id AND xmin::text = :ticket"
    ).bindparams(bindparam("tank_id", done.tank_id), bindparam("ticket", done.ticket))
    return conn.execute(statement).rowcount == 1


def hold(conn: Connection, tank_id: int) -> bool:
    """Take the sole right to estimate a tank until the transaction ends; False when another process has it."""
    return bool(conn.execute(_HOLD, {"space": _ESTIMATING, "tank_id": tank_id}).scalar_one())


#: First key of the advisory locks on tanks being estimated: any number not used for another purpose.
_ESTIMATING = 0x7357
_HOLD = text("SELECT pg_try_advisory_xact_lock(:space, :tank_id)")
