"""Each connector's position in its source, and its health."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, func, select, text
from sqlalchemy.dialects.postgresql import insert

from service.storage.database.tables import ConnectorState


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeDeadLetters:
    """Dead letters of a source on one node."""

    node: str
    records: int
    newest_at: datetime
    folder: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ConnectorHealth:
    """Health of a connector's source; ``failures`` counts those since the last success."""

    connector: str
    last_good_at: datetime | None
    last_sample_at: datetime | None
    last_error_at: datetime | None
    last_error: str
    failures: int
    delivered: int
    lost: int = 0
    lost_at: datetime | None = None
    #: The status the supervisor wrote last: circuit, spool, clock skew, problems.
    standing: Mapping[str, Any] = field(default_factory=dict)

    @property
    def ahead_until(self) -> datetime | None:
        """The time of the reading furthest ahead of the clock that the source sent last; None where none was."""
        until = self.standing.get("ahead_until")
        return None if until is None else datetime.fromisoformat(until)

    @property
    def dead_letters(self) -> list[NodeDeadLetters]:
        """Dead letters by node."""
        return [
            NodeDeadLetters(node=node, **kept | {"newest_at": datetime.fromisoformat(kept["newest_at"])})
            for node, kept in sorted(self.standing.get("refused", {}).items())
        ]


def load_state(conn: Connection, connector: str) -> dict[str, Any]:
    """Return the position the connector stored last; empty at the first start."""
    state = conn.execute(select(ConnectorState.state).where(ConnectorState.connector == connector)).scalar()
    return {} if state is None else state


def record_success(
    conn: Connection,
    connector: str,
    now: datetime,
    *,
    state: Mapping[str, Any] | None = None,
    delivered: int = 0,
    last_sample_at: datetime | None = None,
    ahead_until: datetime | None = None,
) -> None:
    """Record that the source answered; *state* is its new position, in the transaction that stores what it delivered.

    Parameters
    ----------
    last_sample_at : the newest of its readings that is not ahead of the clock.
    ahead_until : the time of the one furthest ahead, if there are such.
    """
    statement = insert(ConnectorState).values(
        connector=connector,
        state={} if state is None else dict(state),
        last_good_at=now,
        last_sample_at=last_sample_at,
        delivered=delivered,
        standing={} if ahead_until is None else {"ahead_until": ahead_until.isoformat()},
    )
    new = statement.excluded
    changes: dict[str, Any] = {
        "last_good_at": new.last_good_at,
        "last_sample_at": func.greatest(ConnectorState.last_sample_at, new.last_sample_at),
        "failures": 0,
        "delivered": ConnectorState.delivered + new.delivered,
    }
    if state is not None:
        changes["state"] = new.state
    if ahead_until is not None:
        changes["standing"] = ConnectorState.standing.concat(new.standing)
    conn.execute(statement.on_conflict_do_update(index_elements=[ConnectorState.connector], set_=changes))


def record_failure(conn: Connection, connector: str, now: datetime, error: str) -> None:
    """Record that the source could not be read; its position stays."""
    statement = insert(ConnectorState).values(
        connector=connector, state={}, last_error_at=now, last_error=error, failures=1
    )
    conn.execute(
        statement.on_conflict_do_update(
            index_elements=[ConnectorState.connector],
            set_={
                "last_error_at": statement.excluded.last_error_at,
                "last_error": statement.excluded.last_error,
                "failures": ConnectorState.failures + 1,
            },
        )
    )


def record_status(
    conn: Connection, connector: str, now: datetime, standing: Mapping[str, Any], *, lost: int = 0
) -> None:
    """Record the status of a source, and how many more of its samples are lost."""
    statement = insert(ConnectorState).values(
        connector=connector, state={}, standing=dict(standing), lost=lost, lost_at=now if lost else None
    )
    # The polling node does not know other nodes' dead letters, nor which times a source has sent.
    kept = func.jsonb_strip_nulls(
        func.jsonb_build_object(
            "refused", ConnectorState.standing["refused"], "ahead_until", ConnectorState.standing["ahead_until"]
        )
    )
    changes: dict[str, Any] = {"standing": statement.excluded.standing.concat(kept)}
    if lost:
        changes |= {"lost": ConnectorState.lost + lost, "lost_at": now}
    conn.execute(statement.on_conflict_do_update(index_elements=[ConnectorState.connector], set_=changes))


def record_losses(conn: Connection, connector: str, now: datetime, lost: int) -> None:
    """Record only that more of a source's samples are lost; the status is for the node that polls it."""
    statement = insert(ConnectorState).values(connector=connector, state={}, lost=lost, lost_at=now)
    changes = {"lost": ConnectorState.lost + lost, "lost_at": now}
    conn.execute(statement.on_conflict_do_update(index_elements=[ConnectorState.connector], set_=changes))


def record_dead_letters(conn: Connection, connector: str, node: str, kept: NodeDeadLetters | None) -> None:
    """Record a source's dead letters on a node; None when there are none (any more)."""
    mine = {}
    if kept is not None:
        mine = {
            node: {"records": kept.records, "newest_at": kept.newest_at.isoformat(), "folder": kept.folder},
        }
    conn.execute(_RECORD_REFUSED, {"connector": connector, "node": node, "mine": json.dumps(mine)})


_RECORD_REFUSED = text(
    "UPDATE connector_state SET standing = jsonb_set(standing, '{refused}', "
    "coalesce(standing -> 'refused', '{}') - CAST(:node AS text) || CAST(:mine AS jsonb)) WHERE connector = :connector "
    "AND (standing -> 'refused' -> CAST(:node AS text)) IS DISTINCT FROM (CAST(:mine AS jsonb) -> CAST(:node AS text))"
)


def connector_health(conn: Connection) -> list[ConnectorHealth]:
    """Every connector that ever ran, by name."""
    columns = [column for column in ConnectorState.__table__.c if column.key != "state"]
    rows = conn.execute(select(*columns).order_by(ConnectorState.connector))
    return [ConnectorHealth(**found._mapping) for found in rows]
