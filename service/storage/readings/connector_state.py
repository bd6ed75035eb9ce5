"""Where each connector stands in its source, and how it is doing."""

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
    """Records that could not be stored and lie aside on one node."""

    node: str
    records: int
    newest_at: datetime
    folder: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ConnectorHealth:
    """What is known of a connector's source; ``failures`` counts those since it was last good."""

    connector: str
    last_good_at: datetime | None
    last_sample_at: datetime | None
    last_error_at: datetime | None
    last_error: str
    failures: int
    delivered: int
    lost: int = 0
    lost_at: datetime | None = None
    #: What the supervisor last wrote of it: circuit, spool, clock skew, problems.
    standing: Mapping[str, Any] = field(default_factory=dict)

    @property
    def ahead_until(self) -> datetime | None:
        """The time of the reading furthest ahead of the clock that the source sent last; None where none was."""
        told = self.standing.get("ahead_until")
        return None if told is None else datetime.fromisoformat(told)

    @property
    def dead_letters(self) -> list[NodeDeadLetters]:
        """What lies aside, node by node."""
        return [
            NodeDeadLetters(node=node, **told | {"newest_at": datetime.fromisoformat(told["newest_at"])})
            for node, told in sorted(self.standing.get("refused", {}).items())
        ]


def load_state(conn: Connection, connector: str) -> dict[str, Any]:
    """The place the connector stored last; empty at the first start."""
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
    """The source answered; with *state*, its place moves, in the transaction that stores what it delivered.

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
    """The source could not be read; its place stays."""
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
    """How a source is doing now, and how many more of its samples are known to be lost."""
    statement = insert(ConnectorState).values(
        connector=connector, state={}, standing=dict(standing), lost=lost, lost_at=now if lost else None
    )
    # What other nodes have set aside is not for the reader to say, nor which time a source has sent.
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
    """So many more of a source's samples are known to be lost; how it is doing is for its reader to say."""
    statement = insert(ConnectorState).values(connector=connector, state={}, lost=lost, lost_at=now)
    changes = {"lost": ConnectorState.lost + lost, "lost_at": now}
    conn.execute(statement.on_conflict_do_update(index_elements=[ConnectorState.connector], set_=changes))


def record_dead_letters(conn: Connection, connector: str, node: str, told: NodeDeadLetters | None) -> None:
    """What of a source lies aside on a node now; None when nothing does (any more)."""
    mine = {}
    if told is not None:
        mine = {
            node: {"records": told.records, "newest_at": told.newest_at.isoformat(), "folder": told.folder},
        }
    conn.execute(_RECORD_REFUSED, {"connector": connector, "node": node, "mine": json.dumps(mine)})


_RECORD_REFUSED = text(
    "UPDATE connector_state SET standing = jsonb_set(standing, '{refused}', "
    "coalesce(standing -> 'refused', '{}') - CAST(:node AS text) || CAST(:mine AS jsonb)) WHERE connector = :connector "
    "AND (standing -> 'refused' -> CAST(:node AS text)) IS DISTINCT FROM (CAST(:mine AS jsonb) -> CAST(:node AS text))"
)


def connector_health(conn: Connection) -> list[ConnectorHealth]:
    """Every connector that ever ran, by name."""
    row = ConnectorState
    rows = conn.execute(
        select(
            row.connector,
            row.last_good_at,
            row.last_sample_at,
            row.last_error_at,
            row.last_error,
            row.failures,
            row.delivered,
            row.lost,
            row.lost_at,
            row.standing,
        ).order_by(row.connector)
    )
    return [ConnectorHealth(**found._mapping) for found in rows]
