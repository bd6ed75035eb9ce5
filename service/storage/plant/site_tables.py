"""Tanks, signals and versions of the site file as rows, which all stored data refer to."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy import Connection, func, select, text, update
from sqlalchemy.dialects.postgresql import insert

from service.domain.plant.signal import Signal
from service.domain.plant.tank import Tank
from service.storage.database.tables import SignalRow, SiteRevision, TankRow


@dataclass(frozen=True, slots=True)
class SiteIds:
    """Row numbers of tanks (by key) and signals (by tag), those no longer described included."""

    tanks: Mapping[str, int]
    signals: Mapping[str, int]

    def tank_key(self, tank_id: int) -> str:
        """The key of the tank of that row number."""
        return next(key for key, number in self.tanks.items() if number == tank_id)

    def tag(self, signal_id: int) -> str:
        """The tag of the signal of that row number."""
        return next(tag for tag, number in self.signals.items() if number == signal_id)


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteVersion:
    """A version of the site file: its text, since when it is in force, and who applied it."""

    id: int
    content_hash: str
    applied_at: datetime
    applied_by: str
    content: str = field(repr=False)

    @property
    def short_hash(self) -> str:
        """Enough of the hash for people to tell versions apart."""
        return self.content_hash[:12]


def sync_site(conn: Connection, tanks: Iterable[Tank], signals: Iterable[Signal]) -> SiteIds:
    """Update the rows to the site file; a tank or signal no longer described keeps its row and history.

    Rows are written in the order of their keys, so that two services starting at once do not deadlock.
    """
    described_tanks = sorted(tanks, key=lambda tank: tank.key)
    described_signals = sorted(signals, key=lambda signal: signal.tag)
    for tank in described_tanks:
        row = {
            "label": tank.label,
            "kind": tank.kind.value,
            "shape": tank.shape.value,
            "side_water_depth": tank.side_water_depth,
            "floor_slope": tank.floor_slope,
            "diameter": tank.diameter,
            "length": tank.length,
            "width": tank.width,
            "weir_length": tank.weir_length,
            "core_distance_from_wall": tank.core_distance_from_wall,
            "described": True,
        }
        statement = insert(TankRow).values(key=tank.key, **row)
        conn.execute(statement.on_conflict_do_update(index_elements=[TankRow.key], set_=row))
    keys = [tank.key for tank in described_tanks]
    conn.execute(update(TankRow).where(TankRow.key.not_in(keys), TankRow.described).values(described=False))
    tank_ids = _tank_ids(conn)
    for signal in described_signals:
        row = {
            "kind": signal.kind.value,
            "unit": signal.unit,
            "tank_id": None if signal.tank is None else tank_ids[signal.tank],
            "described": True,
        }
        statement = insert(SignalRow).values(tag=signal.tag, **row)
        conn.execute(statement.on_conflict_do_update(index_elements=[SignalRow.tag], set_=row))
    tags = [signal.tag for signal in described_signals]
    conn.execute(update(SignalRow).where(SignalRow.tag.not_in(tags), SignalRow.described).values(described=False))
    return site_ids(conn)


def site_ids(conn: Connection) -> SiteIds:
    """Row numbers of every tank and signal ever described."""
    signals = conn.execute(select(SignalRow.tag, SignalRow.id)).all()
    return SiteIds(tanks=_tank_ids(conn), signals={row.tag: row.id for row in signals})


def lock_site(conn: Connection) -> None:
    """Lock against other site files being applied until the transaction ends; readers are not blocked."""
    conn.execute(text("LOCK TABLE site_revision IN SHARE ROW EXCLUSIVE MODE"))


def record_version(conn: Connection, content: str, *, at: datetime, by: str) -> SiteVersion:
    """Keep the text of the site file that comes into force, once per change."""
    found = version_in_force(conn)
    content_hash = hash_of(content)
    if found is not None and found.content_hash == content_hash:
        return found
    row = {"content_hash": content_hash, "applied_at": at, "applied_by": by, "content": content}
    number = conn.execute(insert(SiteRevision).values(row).returning(SiteRevision.id)).scalar_one()
    return SiteVersion(id=number, content_hash=content_hash, content=content, applied_at=at, applied_by=by)


def version_in_force(conn: Connection) -> SiteVersion | None:
    """The version of the site file that is in force; None where none ever was."""
    row = conn.execute(select(*SiteRevision.__table__.c).order_by(SiteRevision.id.desc()).limit(1)).first()
    return None if row is None else SiteVersion(**row._mapping)


def revision_in_force(conn: Connection) -> int | None:
    """The number of the version that is in force; None where none ever was."""
    return conn.execute(select(func.max(SiteRevision.id))).scalar_one()


def hash_of(content: str) -> str:
    """SHA-256 of a site file's text, hex."""
    return hashlib.sha256(content.encode()).hexdigest()


def _tank_ids(conn: Connection) -> dict[str, int]:
    return {row.key: row.id for row in conn.execute(select(TankRow.key, TankRow.id)).all()}
