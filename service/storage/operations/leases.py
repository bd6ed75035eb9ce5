"""Leases in the database: acquired, renewed and released by its clock, and the fencing check before a commit.

The rules are those of :mod:`service.domain.operations.lease`; here they are as SQL, for any number of nodes at once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, bindparam, select, text
from sqlalchemy.dialects.postgresql import ARRAY, insert
from sqlalchemy.types import Text

from service.domain.operations.lease import reading, work_label
from service.errors import LeaseLost
from service.storage.database.tables import LeaseRow

#: A node that is paused between the fence and the commit holds up its successor no longer than this [ms]: the server ends it.
_COMMIT_WITHIN_MS = 5_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Holder:
    """One run of the service on one node."""

    node: str  #: kept in the node's data folder
    node_name: str  #: for people
    process: str  #: new at every start


@dataclass(frozen=True, slots=True, kw_only=True)
class LeaseView:
    """A lease with its holder."""

    name: str
    node_name: str | None  #: None where nobody has it
    since: datetime | None
    token: int
    live: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Worker:
    """A node and its work; ``node_name`` None stands for work that no node does. ``since`` is its newest work's."""

    node_name: str | None
    works: tuple[str, ...]
    since: datetime | None


@dataclass(frozen=True, slots=True)
class Fence:
    """Fencing check: the lease under which a writing transaction began is still this process's."""

    name: str
    process: str
    token: int

    def confirm(self, conn: Connection) -> None:
        """Lock the lease for this process until the transaction ends; a transaction that only read passes.

        Raises
        ------
        LeaseLost
            when another node has taken over; the transaction must not commit.
        """
        given = {"name": self.name, "process": self.process, "token": self.token, "limit": str(_COMMIT_WITHIN_MS)}
        if not conn.execute(_CONFIRM, given).scalar_one():
            raise LeaseLost(
                f"Another node has taken over {self.name!r}; what this node was about to write is left to it."
            )


# The lock keeps a successor from taking the lease between this statement and the commit. Only writers pay for it.
_CONFIRM = text(
    """
    SELECT CASE WHEN pg_current_xact_id_if_assigned() IS NULL THEN true ELSE (
        SELECT set_config('idle_in_transaction_session_timeout', :limit, true) FROM lease
        WHERE name = :name AND process = :process AND token = :token FOR SHARE
    ) IS NOT NULL END
    """
)

# clock_timestamp(): a transaction that waited for a lock must not use the time at which it began.
_RENEW = text(
    "UPDATE lease SET expires = clock_timestamp() + make_interval(secs => :term) WHERE process = :process"
    " RETURNING name, token"
)
_FREE = "(process IS NULL OR expires <= clock_timestamp() OR expires > clock_timestamp() + make_interval(secs => 2 * :term))"
_TAKE = text(
    f"""
    UPDATE lease SET node = :node, node_name = :node_name, process = :process, token = lease.token + 1,
        since = clock_timestamp(), expires = clock_timestamp() + make_interval(secs => :term)
    FROM (
        SELECT name, process AS before FROM lease WHERE name = ANY(:names) AND {_FREE} ORDER BY name FOR UPDATE SKIP LOCKED
    ) AS free
    WHERE lease.name = free.name
    RETURNING lease.name, lease.token, free.before
    """
).bindparams(bindparam("names", type_=ARRAY(Text)))
_LIMIT = text("SELECT set_config('idle_in_transaction_session_timeout', :limit, true)")
_END_SESSIONS = text(
    "SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity"
    " WHERE application_name = :name AND usename = current_user"
)
_GIVE_UP = text("UPDATE lease SET process = NULL WHERE process = :process")
_FORGET = text("UPDATE lease SET process = NULL WHERE node = :node AND process IS DISTINCT FROM :process")


def session_name(process: str) -> str:
    """The ``application_name`` of the sessions of a run of the service."""
    return f"underweir {process}"


def create_leases(conn: Connection, names: Sequence[str]) -> None:
    """Insert missing leases, held by nobody."""
    if names:
        rows = [{"name": name, "token": 0} for name in sorted(names)]
        conn.execute(insert(LeaseRow).values(rows).on_conflict_do_nothing())


def release_earlier(conn: Connection, holder: Holder) -> None:
    """Release what earlier runs on this node held: they are dead, as only one at a time has the node's data folder."""
    conn.execute(_FORGET, {"node": holder.node, "process": holder.process})


def renew(conn: Connection, holder: Holder, names: Sequence[str], term: float) -> Mapping[str, int]:
    """Renew the process's leases and acquire free ones; returns the fencing token of each lease held.

    Notes
    -----
    A process whose lease expired may be paused within a transaction, with rows locked: its sessions are terminated, or its
    successor would wait for it.
    """
    # A node paused here must not keep its leases from the others.
    conn.execute(_LIMIT, {"limit": str(_COMMIT_WITHIN_MS)})
    held = conn.execute(_RENEW, {"process": holder.process, "term": term}).all()
    found = {row.name: row.token for row in held}
    wanted = [name for name in names if name not in found]
    if wanted:
        taken = conn.execute(
            _TAKE,
            {
                "node": holder.node,
                "node_name": holder.node_name,
                "process": holder.process,
                "names": wanted,
                "term": term,
            },
        ).all()
        found |= {row.name: row.token for row in taken}
        for before in {row.before for row in taken} - {None}:
            conn.execute(_END_SESSIONS, {"name": session_name(before)})
    return found


def database_time(conn: Connection) -> datetime:
    """Return the database's time."""
    now: datetime = conn.execute(text("SELECT clock_timestamp()")).scalar_one()
    return now


def release(conn: Connection, holder: Holder) -> None:
    """Release every lease of the process, without waiting long: leases expire by themselves."""
    conn.execute(text("SET LOCAL lock_timeout = '5s'"))
    conn.execute(text("SET LOCAL synchronous_commit = local"))  # a standby that hangs must not block a node that stops
    conn.execute(_GIVE_UP, {"process": holder.process})


def active_node(conn: Connection, name: str, *, besides: str = "") -> str | None:
    """Return the name of the node that holds a lease now; None where none does.

    Parameters
    ----------
    besides : a node (``Holder.node``) that does not count, usually the caller.
    """
    live = text("process IS NOT NULL AND expires > clock_timestamp()")
    found = select(LeaseRow.node_name).where(LeaseRow.name == name, LeaseRow.node != besides, live)
    return conn.execute(found).scalar_one_or_none()


def workers(conn: Connection, sources: Sequence[str]) -> list[Worker]:
    """List every node with its work, then the work of none; of the sources only those named, as others are history."""
    named = {reading(source) for source in sources}
    by_node: dict[str | None, list[LeaseView]] = {}
    for lease in leases(conn):
        if lease.live or lease.name in named or not lease.name.startswith(reading("")):
            by_node.setdefault(lease.node_name, []).append(lease)
    found = [
        Worker(
            node_name=node,
            works=tuple(work_label(lease.name) for lease in held),
            since=max((lease.since for lease in held if lease.since is not None), default=None) if node else None,
        )
        for node, held in by_node.items()
    ]
    return sorted(found, key=lambda worker: (worker.node_name is None, worker.node_name or ""))


def leases(conn: Connection) -> list[LeaseView]:
    """List every lease by name."""
    rows = conn.execute(
        select(
            LeaseRow.name,
            LeaseRow.node_name,
            LeaseRow.since,
            LeaseRow.token,
            text("process IS NOT NULL AND expires > clock_timestamp() AS live"),
        ).order_by(LeaseRow.name)
    )
    return [
        LeaseView(
            name=row.name,
            node_name=row.node_name if row.live else None,
            since=row.since,
            token=row.token,
            live=row.live,
        )
        for row in rows
    ]
