"""Compares what the plant produced with what is stored, and what should have been called with what was sent."""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime

import psycopg

from tests.faults.stand import Stand


@dataclass
class Account:
    """What one campaign came to."""

    produced: int = 0
    lost: list[str] = field(default_factory=list)  #: produced and not stored, or stored differently
    shown: int = 0
    excused: int = 0  #: numbers of the register that fell to a kill or a bad line
    calls: int = 0
    missed: list[str] = field(default_factory=list)  #: should have been called and was not
    unfounded: list[str] = field(default_factory=list)  #: sent although nothing decided so
    duplicates: int = 0
    delays: list[float] = field(default_factory=list)  #: from file to mail [s]

    def wrong(self) -> list[str]:
        """Everything that must not be."""
        return [*self.lost, *self.missed, *self.unfounded]


def settled(stand: Stand) -> list[str]:
    """What is not yet done, in words; empty when all is quiet."""
    waits = [f"file {name} not taken" for name in stand.plant.waiting()]
    waits += [f"nobody called for tank {storm.tank}" for storm in stand.plant.storms if storm.called_at is None]
    waits += [f"record {path} is not stored" for path in stand.records()]
    try:
        with psycopg.connect(stand.pair.primary.url, connect_timeout=3) as conn:
            for key, attempts in conn.execute("SELECT key, attempts FROM outbox WHERE status = 'waiting'"):
                waits.append(f"message {key} waits after {attempts} attempts")
    except psycopg.Error as error:
        waits.append(f"database: {error}")
    return waits


def examine(stand: Stand) -> Account:
    """The account at the end of a campaign."""
    plant = stand.plant
    account = Account(produced=len(plant.produced), shown=len(plant.register.shown_at), calls=len(plant.storms))
    with psycopg.connect(stand.pair.primary.url) as conn:
        stored = {
            (tag, at.astimezone(UTC)): value
            for tag, at, value in conn.execute(
                "SELECT tag, time, value FROM reading JOIN signal ON signal.id = signal_id WHERE tag <> 'COUNTER'"
            )
        }
        counted = {
            round(value * 86_400 / 3785.411784)
            for (value,) in conn.execute(
                "SELECT value FROM reading JOIN signal ON signal.id = signal_id WHERE tag = 'COUNTER' AND value <> 'NaN'"
            )
        }
        [(known_lost,)] = conn.execute("SELECT coalesce(sum(lost), 0) FROM connector_state").fetchall()
        outbox: dict[str, int] = dict(conn.execute("SELECT status, count(*) FROM outbox GROUP BY status").fetchall())
        failed = conn.execute("SELECT key, status FROM outbox WHERE status NOT IN ('sent', 'waiting')").fetchall()
        # A decision in the outbox without its line in the journal, or the other way round.
        orphans = conn.execute(
            "SELECT key FROM outbox WHERE alarm_event_id IS NULL AND payload ->> 'kind' = 'alarm'"
        ).fetchall()
    account.lost += unlike(plant.produced, stored)
    account.lost += [f"file {name} was never taken" for name in plant.waiting()]
    missing = [
        (number, at)
        for number, at in enumerate(plant.register.shown_at)
        if number not in counted and not any(start <= at <= end for start, end in stand.excused)
    ]
    account.excused = len(set(range(len(plant.register.shown_at))) - counted) - len(missing)
    account.lost += [
        f"register number {number}, shown {time.monotonic() - at:.0f} s ago and not stored;"
        f" the service itself counts {known_lost} as lost"
        for number, at in missing
    ]
    ids = Counter(str(mail["Message-ID"]) for mail in stand.mails.mails)
    account.duplicates = sum(count - 1 for count in ids.values())
    account.delays = [s.called_at - s.dropped_at for s in plant.storms if s.called_at is not None]
    account.missed += [f"nobody was called for tank {storm.tank}" for storm in plant.storms if storm.called_at is None]
    account.missed += [f"message {key} is {status}" for key, status in failed]
    account.missed += [f"message {key} has no line in the journal" for (key,) in orphans]
    if len(ids) != outbox.get("sent", 0):
        (account.unfounded if len(ids) > outbox.get("sent", 0) else account.missed).append(
            f"{len(ids)} different messages arrived, {outbox.get('sent', 0)} are recorded as sent"
        )
    return account


def unlike(produced: dict[tuple[str, datetime], float], stored: dict[tuple[str, datetime], float]) -> list[str]:
    """What of the produced heights [ft] is not stored, is stored as something else [m], or was never produced."""
    wrong = []
    for (tag, at), height in produced.items():
        found = stored.get((tag, at))
        if found is None:
            wrong.append(f"{tag} at {at.isoformat()} is not stored")
        elif abs(found - height * 0.3048) > 1e-9:
            wrong.append(f"{tag} at {at.isoformat()} is stored as {found} m, not {height} ft")
    wrong += [f"{tag} at {at.isoformat()} is stored and was never produced" for tag, at in stored.keys() - produced]
    return wrong
