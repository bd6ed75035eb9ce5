"""How fast CSV text becomes samples, beside a plain pandas.read_csv of the same file.

    python -m tests.benchmarks.csv_parse                    2,000,000 readings a file
    python -m tests.benchmarks.csv_parse --rows 200000

Each file is read in a process of its own, ours and pandas' by turns, so that a busy machine is unfair to both; the best round
counts. pandas parses no times, checks nothing and keeps the whole file in memory; ours does all three, block by block. The
rows are invented. Time is processor time: what else runs on the machine does not count.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from connectors.csv.decoding.format import CsvFormat
from connectors.csv.decoding.reader import FileDecoder
from tests.support.stopping import in_order

TAGS = [f"CL{i}.BLANKET" for i in range(1, 21)]
ZONE = "America/New_York"
NOW = datetime(2026, 1, 1, tzinfo=UTC)
KINDS = {
    "long": "time, tag, value, quality; ISO 8601 in UTC",
    "quoted": "the same with every field in quotes",
    "comma": "semicolons, decimal commas, local day-first time across a change of the clock",
    "wide": "twenty tags a row, local time",
    "utf16": "the long file in UTF-16",
    "dirty": "the long file with one cell in a hundred unreadable",
}


def main() -> None:
    """Make each file, read it both ways, print one table."""
    arguments = argparse.ArgumentParser(description="Benchmark of reading CSV files.")
    arguments.add_argument("--rows", type=int, default=2_000_000)
    arguments.add_argument("--rounds", type=int, default=3)
    arguments.add_argument("--one", nargs=2, metavar=("WAY", "FILE"), help=argparse.SUPPRESS)
    given = arguments.parse_args()
    if given.one:
        print(json.dumps(_ours(Path(given.one[1])) if given.one[0] == "ours" else _plain(Path(given.one[1]))))
        return
    print(
        f"{'file':<8} {'MB':>6} {'readings/s':>12} {'peak MB':>8} {'pandas rows/s':>14} {'peak MB':>8} {'ratio':>6}  what"
    )
    with tempfile.TemporaryDirectory(prefix="underweir-bench-") as folder:
        for kind, what in KINDS.items():
            path = Path(folder) / f"{kind}.csv"
            write(path, kind, given.rows)
            rounds = [(_run("ours", path), _run("pandas", path)) for _ in range(given.rounds)]
            ours = max((ours for ours, _ in rounds), key=lambda r: r["rate"])
            plain = max((plain for _, plain in rounds), key=lambda r: r["rate"])
            # A wide row holds many readings, so the two are compared by readings.
            factor = len(TAGS) if kind == "wide" else 1
            print(
                f"{kind:<8} {path.stat().st_size / 1e6:>6.0f} {ours['rate']:>12,.0f} {ours['peak_mb']:>8.0f} "
                f"{plain['rate'] * factor:>14,.0f} {plain['peak_mb']:>8.0f} {ours['rate'] / (plain['rate'] * factor):>6.2f}  {what}"
            )
            path.unlink()


def write(path: Path, kind: str, readings: int) -> None:
    """An invented file of that kind, with about so many readings."""
    rng = np.random.default_rng(7)
    rows = readings // len(TAGS)
    times = pd.date_range("2025-11-01 18:00", periods=rows, freq="s", tz="UTC")
    values = np.round(rng.normal(2.0, 0.3, (rows, len(TAGS))), 3)
    if kind == "wide":
        frame = pd.DataFrame(values, columns=TAGS)
        frame.insert(0, "time", times.tz_convert(ZONE).strftime("%Y-%m-%d %H:%M:%S"))
        frame.to_csv(path, index=False)
        return
    written = (
        times.tz_convert(ZONE).strftime("%d.%m.%Y %H:%M:%S")
        if kind == "comma"
        else times.strftime("%Y-%m-%dT%H:%M:%SZ")
    )
    value = pd.Series(values.ravel())
    if kind == "dirty":
        value = value.astype(object).where(rng.random(value.size) >= 0.01, "no echo")
    frame = pd.DataFrame({"time": written.repeat(len(TAGS)), "tag": TAGS * rows, "value": value, "quality": "GOOD"})
    frame.to_csv(
        path,
        index=False,
        sep=";" if kind == "comma" else ",",
        decimal="," if kind == "comma" else ".",
        quoting=1 if kind == "quoted" else 0,
        encoding="utf-16" if kind == "utf16" else "utf-8",
    )


def _run(way: str, path: Path) -> dict[str, float]:
    command = [sys.executable, "-m", "tests.benchmarks.csv_parse", "--one", way, str(path)]
    result: dict[str, float] = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    return result


def _ours(path: Path) -> dict[str, float]:
    began = time.process_time()
    reading = FileDecoder(CsvFormat(tags=frozenset(TAGS), zone=ZONE), NOW, path.name)
    count = 0
    with path.open("rb") as file:
        for chunk in reading.chunks(file):
            count += len(chunk.samples) + len(chunk.rejects)
    return {"rate": count / (time.process_time() - began), "peak_mb": _peak_mb()}


def _plain(path: Path) -> dict[str, float]:
    began = time.process_time()
    frame = pd.read_csv(
        path,
        sep=";" if path.stem == "comma" else ",",
        decimal="," if path.stem == "comma" else ".",
        encoding="utf-16" if path.stem == "utf16" else "utf-8",
    )
    return {"rate": len(frame) / (time.process_time() - began), "peak_mb": _peak_mb()}


def _peak_mb() -> float:
    # Not getrusage: its peak begins with what the parent held when it forked.
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM:"))


if __name__ == "__main__":
    in_order(main)
