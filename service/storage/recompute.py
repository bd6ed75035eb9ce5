"""What has to be estimated again: per tank, the earliest time whose data changed.

Marks are written in the transaction that stores the data, so neither can be lost without the other. An estimate run claims
what is due, works, and settles its claim in the transaction that writes its results. Marks made meanwhile wait beside the
claim: they neither hold up the run, nor are overlooked, nor make it start over, however often they come. A run that dies
leaves its claim, which is due again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, select, text
from sqlalchemy.dialects.postgresql import insert

from service.storage.moments import from_us
from service.storage.tables import Recompute, SignalRow, TankRow


@dataclass(frozen=True, slots=True)
class Due:
    """A tank whose estimate is out of date from ``dirty_from`` on, inclusive."""

    tank_id: int
    dirty_from: datetime
    #: Counts the claims on this tank: whoever claimed last may settle.
    claim: int


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
    """Claim every tank that has to be estimated again and that no other process is at.

    Commit before the work begins: until then whoever stores data of these tanks waits.
    """
    conn.execute(_CLAIM, {"space": _ESTIMATING})
    rows = conn.execute(_CLAIMED).all()
    return [Due(row.tank_id, row.working_from, row.claims) for row in rows]


def settle(conn: Connection, done: Due) -> bool:
    """Drop a claim whose work is done in this transaction; False when somebody else claimed the tank since: it stays due."""
    return conn.execute(_SETTLE, {"tank_id": done.tank_id, "claim": done.claim}).rowcount == 1


def hold(conn: Connection, tank_id: int) -> bool:
    """Take the sole right to estimate a tank until the transaction ends; False when another process has it."""
    return bool(conn.execute(_HOLD, {"space": _ESTIMATING, "tank_id": tank_id}).scalar_one())


#: First key of the advisory locks on tanks being estimated: any number not used for another purpose.
_ESTIMATING = 0x7357
_HOLD = text("SELECT pg_try_advisory_xact_lock(:space, :tank_id)")

#: A tank that is being marked at this very moment is left for the next time: nobody waits, nothing deadlocks.
_CLAIM = text(
    "UPDATE recompute AS r SET working_from = least(r.working_from, r.dirty_from), dirty_from = NULL, "
    "claims = r.claims + 1 FROM ("
    "SELECT tank_id FROM recompute WHERE dirty_from IS NOT NULL ORDER BY tank_id FOR UPDATE SKIP LOCKED) AS free "
    "WHERE r.tank_id = free.tank_id AND pg_try_advisory_xact_lock(:space, r.tank_id)"
)
_CLAIMED = text("SELECT tank_id, working_from, claims FROM recompute WHERE working_from IS NOT NULL ORDER BY tank_id")
_SETTLE = text("UPDATE recompute SET working_from = NULL WHERE tank_id = :tank_id AND claims = :claim")
