"""What has to be estimated again: per tank, the earliest time whose data changed.

Marks are written in the transaction that stores the data, so neither can be lost without the other. An estimate run claims
what is due, works, and settles its claim in the transaction that writes its results. Marks made meanwhile wait beside the
claim: they neither hold up the run, nor are overlooked, nor make it start over, however often they come. A run that dies
leaves its claim, which is due again.

What is too much to be estimated at once becomes the tank's *past*: a time, ``past_from``, before which every estimate and
checkpoint stored is that of all data. It is moved forward piece by piece. A piece is announced (``past_to``), worked out
without any lock, and written only if it still stands announced: a change within it, or before it, withdraws it.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, select, text
from sqlalchemy.dialects.postgresql import insert

from service.storage.database.epoch import from_us
from service.storage.database.tables import Recompute, SignalRow, TankRow


@dataclass(frozen=True, slots=True)
class Due:
    """A tank whose estimate is out of date from ``dirty_from`` on, inclusive."""

    tank_id: int
    dirty_from: datetime
    #: Counts the claims on this tank: whoever claimed last may settle.
    claim: int


@dataclass(frozen=True, slots=True)
class Backfill:
    """The past of a tank, while it is estimated again beside the present."""

    tank_id: int
    since: datetime  #: where it began
    reached: datetime  #: everything earlier is estimated from all data
    began_at: datetime
    piece: int  #: number of the piece that was announced last
    piece_to: datetime | None  #: its end; None where it is written, or was withdrawn


def mark_dirty(conn: Connection, earliest: Mapping[int, datetime]) -> None:
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


def mark_signals_dirty(conn: Connection, earliest_us: Mapping[int, int]) -> None:
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
    mark_dirty(conn, {tank_id: from_us(us) for tank_id, us in changed.items()})


def claim_due(conn: Connection) -> list[Due]:
    """Claim every tank that has to be estimated again and that no other process is at.

    Commit before the work begins: until then whoever stores data of these tanks waits.
    """
    conn.execute(_CLAIM, {"space": _ESTIMATING})
    rows = conn.execute(_CLAIMED).all()
    return [Due(row.tank_id, row.working_from, row.claims) for row in rows]


def dirty_since(conn: Connection, tank_id: int) -> datetime | None:
    """From when on a tank has yet to be estimated again, claimed or not; None where nothing waits. Claims nothing."""
    found: datetime | None = conn.execute(_WAITING, {"tank_id": tank_id}).scalar_one_or_none()
    return found


def settle(conn: Connection, done: Due) -> bool:
    """Drop a claim whose work is done in this transaction; False when somebody else claimed the tank since: it stays due."""
    return conn.execute(_SETTLE, {"tank_id": done.tank_id, "claim": done.claim}).rowcount == 1


def lock_tank(conn: Connection, tank_id: int) -> bool:
    """Take the sole right to write a tank's estimates until the transaction ends; False when another keeps it for long.

    A piece of the past is written in a moment, which is waited for; a process that was halted in the middle is not.
    """
    give_up = time.monotonic() + HOLD_WAIT_S
    while not conn.execute(_HOLD, {"space": _ESTIMATING, "tank_id": tank_id}).scalar_one():
        if time.monotonic() > give_up:
            return False
        time.sleep(HOLD_WAIT_S / 20)
    return True


def find_backfill(conn: Connection, tank_id: int) -> Backfill | None:
    """The past of a tank that is being estimated again; None when there is none."""
    return backfills(conn, [tank_id]).get(tank_id)


def backfills(conn: Connection, tank_ids: Sequence[int]) -> dict[int, Backfill]:
    """The pasts that are being estimated again, by the tank's row number."""
    rows = conn.execute(_PASTS, {"tank_ids": list(tank_ids)})
    return {row.tank_id: Backfill(*row) for row in rows}


def backfills_by_key(conn: Connection) -> dict[str, Backfill]:
    """All pasts that are being estimated again, by the tank's key."""
    keys = {row.id: row.key for row in conn.execute(select(TankRow.id, TankRow.key))}
    return {keys[number]: found for number, found in backfills(conn, sorted(keys)).items()}


def extend_backfill(conn: Connection, tank_id: int, changed_from: datetime, now: datetime) -> None:
    """Have everything from a time on estimated again beside the present, and withdraw a piece that this touches."""
    conn.execute(_LEAVE, {"tank_id": tank_id, "changed": changed_from, "now": now})


def announce_chunk(conn: Connection, tank_id: int, to: datetime) -> Backfill:
    """Say up to where the past is worked out now; returns the past as it stands until the piece is written or withdrawn."""
    conn.execute(_ANNOUNCE, {"tank_id": tank_id, "to": to})
    return backfills(conn, [tank_id])[tank_id]


def advance_backfill(conn: Connection, tank_id: int, reached: datetime | None) -> None:
    """The past is estimated up to a time; None: up to the present, and there is no past any more."""
    conn.execute(_MOVE, {"tank_id": tank_id, "reached": reached})


#: How long the right to write a tank is waited for [s].
HOLD_WAIT_S = 2.0

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
_WAITING = text("SELECT least(dirty_from, working_from, past_from) FROM recompute WHERE tank_id = :tank_id")
_CLAIMED = text("SELECT tank_id, working_from, claims FROM recompute WHERE working_from IS NOT NULL ORDER BY tank_id")
_SETTLE = text("UPDATE recompute SET working_from = NULL WHERE tank_id = :tank_id AND claims = :claim")
_LEAVE = text(
    "UPDATE recompute SET past_since = least(past_since, CAST(:changed AS timestamptz)), "
    "past_from = least(past_from, CAST(:changed AS timestamptz)), "
    "past_began_at = coalesce(past_began_at, CAST(:now AS timestamptz)), "
    "past_to = CASE WHEN past_to > :changed THEN NULL ELSE past_to END WHERE tank_id = :tank_id"
)
_PASTS = text(
    "SELECT tank_id, past_since, past_from, past_began_at, past_piece, past_to FROM recompute "
    "WHERE tank_id = ANY(CAST(:tank_ids AS integer[])) AND past_from IS NOT NULL"
)
_ANNOUNCE = text("UPDATE recompute SET past_to = :to, past_piece = past_piece + 1 WHERE tank_id = :tank_id")
_MOVE = text(
    "UPDATE recompute SET past_from = CAST(:reached AS timestamptz), past_to = NULL, "
    "past_since = CASE WHEN CAST(:reached AS timestamptz) IS NULL THEN NULL ELSE past_since END, "
    "past_began_at = CASE WHEN CAST(:reached AS timestamptz) IS NULL THEN NULL ELSE past_began_at END "
    "WHERE tank_id = :tank_id"
)
