"""How fast a large file gets into the database, beside what PostgreSQL can do at all.

    python -m tests.benchmarks.ingest                       2,000,000 rows, embedded database
    python -m tests.benchmarks.ingest --rows 200000
    UNDERWEIR_DATABASE_URL=postgresql://… python -m tests.benchmarks.ingest

Every way runs in a process of its own against a fresh database with the same partitioned table and keys, several rounds, one
way after the other, so that a busy machine is unfair to all of them; the median counts. The rows are invented.

whole path     CSV file → csv connector → ingest job → PostgreSQL: parsed, checked, in SI, exactly once, ledger, marks
bare COPY      the same rows, laid out beforehand as PostgreSQL's own binary format, streamed from a file by COPY
to_sql         pandas DataFrame.to_sql with its default method, from a frame in memory, on a part of the rows
late rows      every second row is there already; the file brings the ones between: each has to be compared
duplicates     the file brings rows that are all there already, under another content hash
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import numpy as np
import psycopg
from sqlalchemy import Engine, text
from sqlalchemy.engine import make_url

from tests.support.alarm_plant import alarm_setup
from tests.support.stopping import in_order

SIGNALS = 20
START = datetime(2026, 1, 1, tzinfo=UTC)
STEP = timedelta(minutes=1)
TO_SQL_PART = 10
WAYS = ("whole path", "bare COPY", "to_sql", "late rows", "duplicates")


def main() -> None:
    """Run all ways and print one table."""
    arguments = argparse.ArgumentParser(description="Benchmark of taking in a large CSV file.")
    arguments.add_argument("--rows", type=int, default=2_000_000)
    arguments.add_argument("--rounds", type=int, default=3)
    arguments.add_argument("--ways", nargs="+", choices=WAYS, default=WAYS, help="bare COPY is always measured")
    arguments.add_argument("--json", action="store_true")
    arguments.add_argument("--one", nargs=3, metavar=("WAY", "URL", "FOLDER"), help=argparse.SUPPRESS)
    given = arguments.parse_args()
    if given.one:
        way, url, folder = given.one
        print(json.dumps(_measure(way, url, Path(folder), given.rows)))
        return
    with tempfile.TemporaryDirectory(prefix="underweir-bench-") as folder, _server(Path(folder)) as url:
        files = Path(folder) / "files"
        files.mkdir()
        write_files(files, given.rows)
        ways = [way for way in WAYS if way in given.ways or way == "bare COPY"]
        found: dict[str, list[dict[str, float]]] = {way: [] for way in ways}
        for _ in range(given.rounds):
            for way in ways:
                found[way].append(_in_a_process(way, url, files, given.rows))
        version = _version(url)
    result = {way: _summary(rounds) for way, rounds in found.items()}
    bare = result["bare COPY"]["rows_per_second"]
    for figures in result.values():
        figures["of_bare_copy"] = figures["rows_per_second"] / bare
    if given.json:
        print(json.dumps({"postgresql": version, "rows": given.rows, "ways": result}, indent=2))
        return
    print(
        f"PostgreSQL {version}, {os.cpu_count()} processors, {given.rows:,} rows of {SIGNALS} signals, {given.rounds} rounds"
    )
    print(f"{'way':<12}{'rows':>12}{'rows/s':>12}{'of bare COPY':>14}{'peak memory':>13}")
    for way, figures in result.items():
        print(
            f"{way:<12}{figures['rows']:>12,.0f}{figures['rows_per_second']:>12,.0f}"
            f"{figures['of_bare_copy']:>13.0%}{figures['peak_mb']:>10.0f} MB"
        )


def _summary(rounds: list[dict[str, float]]) -> dict[str, float]:
    return {
        "rows": rounds[0]["rows"],
        "rows_per_second": statistics.median(r["rows"] / r["seconds"] for r in rounds),
        "peak_mb": max(r["peak_mb"] for r in rounds),
    }


def _in_a_process(way: str, url: str, files: Path, rows: int) -> dict[str, float]:
    with _fresh_database(url) as database:
        command = [
            sys.executable,
            "-m",
            "tests.benchmarks.ingest",
            "--rows",
            str(rows),
            "--one",
            way,
            database,
            str(files),
        ]
        done = subprocess.run(command, check=True, capture_output=True, text=True)
    figures: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return figures


def _measure(way: str, url: str, files: Path, rows: int) -> dict[str, float]:
    """One way, in this process."""
    from service.logs import configure
    from service.storage.database.schema import migrate
    from service.storage.database.session import make_engine

    configure("WARNING")
    engine = make_engine(url)
    migrate(engine)
    _prepare(engine)
    if way == "whole path":
        count, seconds = _whole_path(engine, files / "all.csv")
    elif way == "bare COPY":
        count, seconds = rows, _bare_copy(url, files / "all.copy")
    elif way == "to_sql":
        count, seconds = rows // TO_SQL_PART, _to_sql(engine, files / "all.csv", rows // TO_SQL_PART)
    else:
        _whole_path(engine, files / "even.csv")
        count, seconds = _whole_path(engine, files / ("odd.csv" if way == "late rows" else "even_again.csv"))
    engine.dispose()
    return {"rows": count, "seconds": seconds, "peak_mb": _peak_mb()}


def _whole_path(engine: Engine, path: Path) -> tuple[int, float]:
    from connectors.csv.decoding.format import CsvFormat
    from connectors.csv.drop import CsvDropConfig, CsvFiles
    from service.domain.blanket.estimate import TankSetup
    from service.jobs.ingest import Plant, ingest
    from service.reader import Reader
    from service.storage.database.session import transaction
    from service.storage.plant.site_tables import site_ids

    tank, signals = _plant()
    with transaction(engine) as conn:
        ids = site_ids(conn)
    plant = Plant(
        setups=[TankSetup(tank=tank, blankets=())], signals={s.tag: s for s in signals}, ids=ids, alarms=alarm_setup()
    )

    def now() -> datetime:
        return START + timedelta(days=3650)

    reader = Reader()
    reader.confinement()  # a service starts it once, not for each file
    started = time.perf_counter()
    form = CsvFormat(tags=frozenset(plant.signals))
    config = CsvDropConfig(key="bench", folder=path.parent, format=form)
    source = CsvFiles(config, [path], reader=reader, now=now)
    report = ingest(source, plant, engine, now)
    seconds = time.perf_counter() - started
    if report.error or report.rejected:
        raise SystemExit(f"{report.error} rejected {report.rejected}")
    source.close()
    return report.accepted + report.duplicate + report.revised, seconds


def _bare_copy(url: str, path: Path) -> float:
    connection = psycopg.connect(make_url(url).set(drivername="postgresql").render_as_string(hide_password=False))
    started = time.perf_counter()
    statement = "COPY reading (signal_id, time, value, batch_id, quality, reason) FROM STDIN (FORMAT BINARY)"
    with path.open("rb") as file, connection.cursor() as cursor, cursor.copy(statement) as copy:
        while data := file.read(1 << 17):
            copy.write(data)
    connection.commit()
    seconds = time.perf_counter() - started
    connection.close()
    return seconds


def _to_sql(engine: Engine, path: Path, rows: int) -> float:
    import pandas as pd

    frame = pd.read_csv(path, nrows=rows, parse_dates=["time"])
    frame["signal_id"] = frame.pop("tag").str.removeprefix("S").astype("int32") + 1
    frame = frame.assign(batch_id=1, quality=0, reason=0)
    started = time.perf_counter()
    with engine.begin() as conn:
        frame.to_sql("reading", conn, if_exists="append", index=False)
    return time.perf_counter() - started


def _prepare(engine: Engine) -> None:
    """Tank, signals and months, so that every way finds the same."""
    from service.storage.database.partitions import ensure_months
    from service.storage.database.session import transaction
    from service.storage.plant.site_tables import sync_site

    tank, signals = _plant()
    with transaction(engine) as conn:
        sync_site(conn, [tank], signals)
        ensure_months(conn, "reading", START, START + timedelta(days=370))
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as conn:
        conn.execute(text("CHECKPOINT"))


def _plant() -> tuple[Any, list[Any]]:
    from tests.support.plant import blanket, tank

    return tank(), [replace(blanket(f"S{i}", "east"), unit="ft") for i in range(SIGNALS)]


def write_files(folder: Path, rows: int) -> None:
    """The rows as CSV in the order of time, as every second minute, and as a binary COPY stream."""
    rng = np.random.default_rng(20260101)
    value = np.round(rng.normal(5.0, 1.0, rows), 3)
    heading = "time,tag,value\n"
    with (
        (folder / "all.csv").open("w") as every,
        (folder / "even.csv").open("w") as even,
        (folder / "odd.csv").open("w") as odd,
    ):
        for file in (every, even, odd):
            file.write(heading)
        for minute in range(rows // SIGNALS):
            at = f"{START + minute * STEP:%Y-%m-%dT%H:%M:%SZ}"
            here = value[minute * SIGNALS : (minute + 1) * SIGNALS].tolist()
            lines = "".join(f"{at},S{i},{v}\n" for i, v in enumerate(here))
            every.write(lines)
            (odd if minute % 2 else even).write(lines)
    # Another content, the same rows.
    (folder / "even_again.csv").write_bytes((folder / "even.csv").read_bytes() + b"\n")
    layout = np.dtype(
        [("fields", ">i2")]
        + [
            part
            for name, kind in [
                ("signal_id", ">i4"),
                ("time", ">i8"),
                ("value", ">f8"),
                ("batch_id", ">i8"),
                ("quality", ">i2"),
                ("reason", ">i2"),
            ]
            for part in ((f"length of {name}", ">i4"), (name, kind))
        ]
    )
    table = np.zeros(rows, dtype=layout)
    table["fields"] = 6
    for name in ("signal_id", "time", "value", "batch_id", "quality", "reason"):
        table[f"length of {name}"] = table.dtype[name].itemsize
    since_2000 = (START - datetime(2000, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    table["signal_id"] = np.arange(rows) % SIGNALS + 1
    table["time"] = since_2000 + np.arange(rows) // SIGNALS * (STEP // timedelta(microseconds=1))
    table["value"] = value * 0.3048
    table["batch_id"] = 1
    (folder / "all.copy").write_bytes(b"PGCOPY\n\xff\r\n\x00" + bytes(8) + table.tobytes() + b"\xff\xff")


def _peak_mb() -> float:
    """The most memory this process ever held, by Linux's own account of this very program."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return float(line.split()[1]) / 1024
    raise SystemExit("this system does not tell a process's peak memory")


@contextmanager
def _server(folder: Path) -> Iterator[str]:
    url = os.environ.get("UNDERWEIR_DATABASE_URL")
    if url:
        yield url
        return
    from service.storage.embedded.server import EmbeddedServer

    folder.chmod(0o711)  # started by root the server runs as another account, which has to get in
    with EmbeddedServer(folder / "database") as server:
        yield server.admin_url


@contextmanager
def _fresh_database(url: str) -> Iterator[str]:
    base = make_url(url).set(drivername="postgresql")
    name = f"bench_{uuid4().hex[:12]}"
    with psycopg.connect(base.render_as_string(hide_password=False), autocommit=True) as admin:
        admin.execute(f'CREATE DATABASE "{name}"'.encode())
        try:
            yield base.set(database=name).render_as_string(hide_password=False)
        finally:
            admin.execute(f'DROP DATABASE "{name}" WITH (FORCE)'.encode())


def _version(url: str) -> str:
    plain = make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)
    with psycopg.connect(plain) as conn:
        found = conn.execute("SHOW server_version").fetchone()
    return str(found[0]) if found else "unknown"


if __name__ == "__main__":
    in_order(main)
