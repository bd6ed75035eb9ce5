"""How fast a year of one-minute data is drawn, from a table of a million readings and from one of a hundred million.

    python -m tests.benchmarks.trend                        10^6 beside 10^8 rows; about 14 GB of disk, the most part of an hour
    python -m tests.benchmarks.trend --sizes 1e6 1e7

Both tables are in one embedded server that syncs nothing to disk, filled as a plant does it: minute after minute, all signals
together, through the service's own writer, rolled up week by week. Answers are timed in turns, so that a busy machine is
unfair to both sizes alike; the median counts. Beside the service's answer stands the same question put to the rows
themselves, which is what an answer would cost without rollups. The data are invented and removed afterwards.
"""

from __future__ import annotations

import argparse
import json
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import psycopg
from sqlalchemy import Connection, Engine, text

from service.jobs.operations.rollup import roll_up
from service.storage.database.epoch import to_us
from service.storage.database.partitions import ensure_months
from service.storage.database.schema import migrate
from service.storage.database.session import make_engine, transaction
from service.storage.embedded.server import EmbeddedServer
from service.storage.readings.batches import open_batch
from service.storage.readings.columns import ReadingColumns
from service.storage.readings.writer import ReadingWriter
from service.storage.trends.series import buckets
from tests.support.stopping import in_order

START = datetime(2025, 1, 1, tzinfo=UTC)
MINUTES = 365 * 1440
WEEK = 7 * 1440
WIDTH = 1000
BYTES_A_ROW = 140
#: A benchmark's data need not survive a power cut; everything else is as the service starts its own server.
SETTINGS = {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off", "max_wal_size": "4GB"}
STRETCHES = {"a year": 365, "three months": 91, "two weeks": 14, "a day": 1}


@dataclass(frozen=True, slots=True)
class Filled:
    """A database with a year in it."""

    engine: Engine
    signals: int

    @property
    def rows(self) -> int:
        return self.signals * MINUTES


def main() -> None:
    """Fill, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", nargs="+", type=float, default=[1e6, 1e8], help="rows of the tables to compare")
    parser.add_argument("--rounds", type=int, default=15)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    signals = [max(1, round(size / MINUTES)) for size in given.sizes]
    needed, free = sum(signals) * MINUTES * BYTES_A_ROW, shutil.disk_usage(tempfile.gettempdir()).free
    if needed > 0.8 * free:
        raise SystemExit(f"needs about {needed / 1e9:.0f} GB of disk, and {free / 1e9:.0f} GB are free; see --sizes")
    with server() as url:
        filled = [fill(url, f"size_{number}", count, tell=_tell) for number, count in enumerate(signals)]
        found = measure(filled, given.rounds)
        for database in filled:
            database.engine.dispose()
    if given.json:
        print(json.dumps(found, indent=2))
        return
    print(f"{WIDTH} pixels, median of {given.rounds} rounds, {MINUTES:,} readings a signal")
    print(f"{'stretch':<16}{'rows in table':>15}{'answer':>12}{'from the rows':>16}{'ratio':>9}")
    for stretch, sizes in found.items():
        for rows, figures in sizes.items():
            print(
                f"{stretch:<16}{int(rows):>15,}{figures['answer_ms']:>9.1f} ms{figures['rows_ms']:>13.1f} ms"
                f"{figures['rows_ms'] / figures['answer_ms']:>9.1f}"
            )
        first, last = next(iter(sizes.values())), list(sizes.values())[-1]
        print(f"{'':<16}largest table / smallest: {last['answer_ms'] / first['answer_ms']:.2f}")


@contextmanager
def server() -> Iterator[str]:
    """An embedded server of this run's own, gone with its data at the end."""
    folder = Path(tempfile.mkdtemp(prefix="underweir-bench-"))
    folder.chmod(0o711)  # started by root the server runs as another account, which has to get in
    try:
        with EmbeddedServer(folder / "database", settings=SETTINGS) as embedded:
            yield embedded.owner_url
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def fill(
    url: str, name: str, signals: int, *, minutes: int = MINUTES, tell: Callable[[str], None] | None = None
) -> Filled:
    """A database of its own with a year of one-minute readings of so many signals, rolled up."""
    with psycopg.connect(url, autocommit=True) as admin:
        admin.execute(f'CREATE DATABASE "{name}"'.encode())
    engine = make_engine(url.replace("/underweir?", f"/{name}?"))
    migrate(engine)
    rng = np.random.default_rng(20260101)
    with transaction(engine) as conn:
        ensure_months(conn, "reading", START, START + timedelta(minutes=minutes))
        batch = open_batch(conn, "bench", "bench", START)
    writing = rolling = 0.0
    for begin in range(0, minutes, WEEK):
        minute = np.arange(begin, min(begin + WEEK, minutes), dtype=np.int64)
        began = time.perf_counter()
        with transaction(engine) as conn:
            writer = ReadingWriter(conn, batch)
            for part in np.array_split(minute, max(1, minute.size * signals // 200_000)):
                writer.store(_columns(part, signals, rng))
        written = time.perf_counter()
        roll_up(engine)
        writing, rolling = writing + written - began, rolling + time.perf_counter() - written
        if tell is not None and begin % (13 * WEEK) == 0:
            tell(
                f"{signals} signals: {minute[-1] + 1:,} of {minutes:,} minutes, written {writing:.0f} s, rolled up {rolling:.0f} s"
            )
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as conn:
        conn.execute(text("VACUUM (ANALYZE) reading"))
        conn.execute(text("VACUUM (ANALYZE) rollup"))
    return Filled(engine, signals)


def measure(filled: Sequence[Filled], rounds: int) -> dict[str, dict[str, dict[str, float]]]:
    """Milliseconds per stretch and table size: the service's answer, and the same from the rows."""
    rng = np.random.default_rng(7)
    taken: dict[tuple[str, int, str], list[float]] = {}
    for _ in range(rounds):
        for stretch, days in STRETCHES.items():
            for database in filled:
                signal = int(rng.integers(1, database.signals + 1))
                last = START + timedelta(minutes=MINUTES - int(rng.integers(1, 500)), seconds=13)
                first = last - timedelta(days=days)
                with transaction(database.engine) as conn:
                    for way, ask in (("answer_ms", _answer), ("rows_ms", _from_rows)):
                        began = time.perf_counter()
                        ask(conn, signal, first, last)
                        taken.setdefault((stretch, database.rows, way), []).append(1000 * (time.perf_counter() - began))
    return {
        stretch: {
            str(database.rows): {
                way: statistics.median(taken[stretch, database.rows, way]) for way in ("answer_ms", "rows_ms")
            }
            for database in filled
        }
        for stretch in STRETCHES
    }


def _answer(conn: Connection, signal: int, first: datetime, last: datetime) -> None:
    buckets(conn, "reading", signal, first, last, WIDTH)


def _from_rows(conn: Connection, signal: int, first: datetime, last: datetime) -> None:
    conn.execute(
        text(
            "SELECT date_bin(CAST(:step AS interval), time, :first) AS bucket, min(value), max(value),"
            " (array_agg(value ORDER BY time DESC))[1], count(*) FROM reading WHERE signal_id = :signal"
            " AND time >= :first AND time < :last AND value <> 'NaN' GROUP BY bucket ORDER BY bucket"
        ),
        {"step": (last - first) / WIDTH, "signal": signal, "first": first, "last": last},
    ).all()


def _columns(minute: np.ndarray, signals: int, rng: np.random.Generator) -> ReadingColumns:
    rows = minute.size * signals
    value = 1.5 + 0.5 * np.sin(np.repeat(minute, signals) / 230.0) + 0.05 * rng.standard_normal(rows)
    return ReadingColumns(
        np.tile(np.arange(1, signals + 1, dtype=np.int32), minute.size),
        to_us(START) + np.repeat(minute, signals) * 60_000_000,
        value,
        np.zeros(rows, np.int16),
        np.zeros(rows, np.int16),
    )


def _tell(words: str) -> None:
    print(words, file=sys.stderr, flush=True)


if __name__ == "__main__":
    in_order(main)
