"""The recompute queue: per tank, the earliest time whose data changed; and backfills of the past.

Marks are written in the transaction that stores the data, so neither is lost without the other. An estimate run claims what
is due, works, and settles its claim in the transaction that writes its results. Marks made meanwhile are kept beside the
claim: they neither block the run, nor are lost, nor restart it. A run that dies leaves its claim, which is due again.

What is too much to be estimated at once becomes the tank's backfill: a time, ``past_from``, before which every estimate and
checkpoint stored is that of all data. It advances chunk by chunk. A chunk is announced (``past_to``), computed without any
lock, and written only if it is still announced: a change within it, or before it, withdraws it.
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
    #: Fencing number: only the newest claim on the tank may settle.
    claim: int


@dataclass(frozen=True, slots=True)
class Backfill:
    """A backfill: the past of a tank, estimated again beside the present."""

    tank_id: int
    since: datetime  #: its beginning
    reached: datetime  #: everything earlier is estimated from all data
    began_at: datetime
    piece: int  #: number of the chunk announced last
    piece_to: datetime | None  #: the chunk's end; None where it is written, or was withdrawn


def mark_dirty(conn: Connection, earliest: Mapping[int, datetime]) -> None:
    """Mark tanks (by row number) as changed from a time on; an earlier mark is kept."""
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
    """Mark the tanks of signals (by row number); a signal of the whole plant marks every tank."""
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
    """Claim every tank that is due and that no other process works on.

    Commit before the work begins: until then transactions that store data of these tanks wait.
    """
    conn.execute(_CLAIM, {"space": _ESTIMATING})
    rows = conn.execute(_CLAIMED).all()
    return [Due(row.tank_id, row.working_from, row.claims) for row in rows]


def dirty_since(conn: Connection, tank_id: int) -> datetime | None:
    """Return from when on a tank is due, claimed or not; None where it is not. Claims nothing."""
    found: datetime | None = conn.execute(_WAITING, {"tank_id": tank_id}).scalar_one_or_none()
    return found


def settle(conn: Connection, done: Due) -> bool:
    """Release a claim whose work is done in this transaction; False when another process claimed the tank since: it stays due."""
    return conn.execute(_SETTLE, {"tank_id": done.tank_id, "claim": done.claim}).rowcount == 1


def lock_tank(conn: Connection, tank_id: int) -> bool:
    """Lock a tank's estimates against other writers until the transaction ends; False after a short wait.

    Writing a chunk of a backfill takes a moment, which is waited for; a process that was halted in the middle is not.
    """
    give_up = time.monotonic() + LOCK_WAIT_S
    while not conn.execute(_HOLD, {"space": _ESTIMATING, "tank_id": tank_id}).scalar_one():
        if time.monotonic() > give_up:
            return False
        time.sleep(LOCK_WAIT_S / 20)
    return True


def find_backfill(conn: Connection, tank_id: int) -> Backfill | None:
    """Return the backfill of a tank; None when there is none."""
    return backfills(conn, [tank_id]).get(tank_id)


def backfills(conn: Connection, tank_ids: Sequence[int]) -> dict[int, Backfill]:
    """Return backfills by the tank's row number."""
    rows = conn.execute(_PASTS, {"tank_ids": list(tank_ids)})
    return {row.tank_id: Backfill(*row) for row in rows}


def backfills_by_key(conn: Connection) -> dict[str, Backfill]:
    """Return all backfills by the tank's key."""
    keys = {row.id: row.key for row in conn.execute(select(TankRow.id, TankRow.key))}
    return {keys[number]: found for number, found in backfills(conn, sorted(keys)).items()}


def extend_backfill(conn: Connection, tank_id: int, changed_from: datetime, now: datetime) -> None:
    """Begin a backfill from a time on, or extend one, and withdraw a chunk that this touches."""
    conn.execute(_LEAVE, {"tank_id": tank_id, "changed": changed_from, "now": now})


def announce_chunk(conn: Connection, tank_id: int, to: datetime) -> Backfill:
    """Announce a chunk by its end; return the backfill, valid until the chunk is written or withdrawn."""
    conn.execute(_ANNOUNCE, {"tank_id": tank_id, "to": to})
    return backfills(conn, [tank_id])[tank_id]


def advance_backfill(conn: Connection, tank_id: int, reached: datetime | None) -> None:
    """Advance the backfill to a time; None ends it."""
    conn.execute(_MOVE, {"tank_id": tank_id, "reached": reached})


#: Lock timeout of :func:`lock_tank` [s].
LOCK_WAIT_S = 2.0

#: First key of the advisory locks on tanks, unique in this program.
_ESTIMATING = 0x7357
_HOLD = text("SELECT pg_try_advisory_xact_lock(:space, :tank_id)")

#: A tank that is being marked right now is left for the next time: no waiting, no deadlock.
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
