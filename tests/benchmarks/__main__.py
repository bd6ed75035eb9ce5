"""The whole house measured at once, each part beside a limit measured in the same run on the same machine.

    python -m tests.benchmarks               about ten minutes on two quiet cores
    python -m tests.benchmarks --quick       a tenth of the size, to see that it runs

Ratios are what to keep: seconds depend on the machine and on what else it does. Each part is a benchmark of its own with more to
say; this one runs them small.
"""

from __future__ import annotations

import argparse
import json
import logging
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import structlog
from statsmodels.tsa.statespace.structural import UnobservedComponents

from service.domain.blanket.estimate import advance, initial
from service.domain.sensors.drift_history import drift_history
from service.storage.database.session import make_engine
from service.storage.embedded.server import EmbeddedServer
from tests.benchmarks import alarm_cycle, trend
from tests.benchmarks.drift_speed import invented_pairs, plain_fit, seconds
from tests.support.alarm_plant import tank_setup
from tests.support.embedded_server import make_tables
from tests.support.sensor_story import Story
from tests.support.stopping import in_order


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the table: ours, and the limit beside it, in the same unit."""

    part: str
    ours: float
    limit: float
    unit: str
    limit_is: str

    @property
    def ratio(self) -> float:
        return self.ours / self.limit


@dataclass(frozen=True, slots=True)
class Size:
    """How much of everything."""

    rows: int
    rounds: int
    sizes: tuple[float, float]
    days: float
    tanks: int
    years: float


USUAL = Size(rows=500_000, rounds=3, sizes=(1e6, 4e6), days=20, tanks=1000, years=2.5)
QUICK = Size(rows=40_000, rounds=1, sizes=(5.3e5, 1.06e6), days=3, tanks=100, years=0.5)


def main() -> None:
    """Run every part and print one table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    size = QUICK if given.quick else USUAL
    parts: tuple[Callable[[Size], Iterator[Line]], ...] = (_ingest, _trend, _estimate, _alarms, _refit)
    lines: list[Line] = []
    began = time.perf_counter()
    for part in parts:
        print(f"{time.perf_counter() - began:5.0f} s: {part.__name__.removeprefix('_')} …", file=sys.stderr, flush=True)
        lines += part(size)
    if given.json:
        print(json.dumps([_plain(line) for line in lines], indent=2))
        return
    print(f"{'part':<44}{'ours':>18}{'limit':>18}{'ratio':>8}  limit is")
    for line in lines:
        print(
            f"{line.part:<44}{line.ours:>11,.1f} {line.unit:<6}{line.limit:>11,.1f} {line.unit:<6}{line.ratio:>8.2f}"
            f"  {line.limit_is}"
        )
    print(f"in {time.perf_counter() - began:.0f} s")


def _plain(line: Line) -> dict[str, object]:
    return {
        "part": line.part,
        "ours": line.ours,
        "limit": line.limit,
        "unit": line.unit,
        "ratio": line.ratio,
        "limit_is": line.limit_is,
    }


def _ingest(size: Size) -> Iterator[Line]:
    command = [sys.executable, "-m", "tests.benchmarks.ingest", "--json"]
    command += ["--rows", str(size.rows), "--rounds", str(size.rounds), "--ways", "whole path", "late rows"]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    ways = json.loads(done.stdout)["ways"]
    bare = ways["bare COPY"]["rows_per_second"] / 1000
    for part, way in (("taking in a file", "whole path"), ("taking in late rows between stored ones", "late rows")):
        yield Line(part, ways[way]["rows_per_second"] / 1000, bare, "k/s", "bare COPY of the same rows")


def _trend(size: Size) -> Iterator[Line]:
    with trend.server() as url:
        signals = [max(1, round(rows / trend.MINUTES)) for rows in size.sizes]
        filled = [trend.fill(url, f"size_{number}", count) for number, count in enumerate(signals)]
        found = trend.measure(filled, 3 * size.rounds)
        for database in filled:
            database.engine.dispose()
    small, large = (found["a year"][str(database.rows)] for database in filled)
    yield Line("a year drawn, from rollups", small["answer_ms"], small["rows_ms"], "ms", "the same from the rows")
    words = f"{filled[0].rows / 1e6:.1f} million rows instead of {filled[1].rows / 1e6:.1f}"
    yield Line("a year drawn, larger table", large["answer_ms"], small["answer_ms"], "ms", words)


def _estimate(size: Size) -> Iterator[Line]:
    story = Story(days=size.days)
    events = story.events()
    ours = seconds(lambda: advance(story.setup, initial(story.setup), events)) / len(events)
    model = UnobservedComponents(np.asarray(story.seen), "local level")
    bare = seconds(lambda: model.filter([4e-4, 1e-4])) / len(story.seen)
    yield Line("estimate, a sample", 1e6 * ours, 1e6 * bare, "µs", "compiled local-level filter alone")


def _alarms(size: Size) -> Iterator[Line]:
    with tempfile.TemporaryDirectory(prefix="underweir-bench-", dir="/tmp") as folder:
        Path(folder).chmod(0o711)
        with EmbeddedServer(Path(folder) / "database") as server:
            make_tables(server)
            engine = make_engine(server.url)
            try:
                tanks = [tank_setup(f"t{number}", f"Tank {number}") for number in range(size.tanks)]
                took = alarm_cycle.storm(alarm_cycle.build(engine, tanks), tanks)
            finally:
                engine.dispose()
    yield Line(
        f"look at every alarm of {took.tanks:,} tanks", took.quiet, took.bare_look, "s", "bare reading of what it needs"
    )
    yield Line(
        f"delivery of {took.sent:,} mails", took.sending, took.bare_sending, "s", "bare sending of the same mails"
    )


def _refit(size: Size) -> Iterator[Line]:
    rounds = [invented_pairs(size.years, seed) for seed in range(size.rounds)]
    ours = statistics.median(seconds(lambda pairs=pairs: drift_history(pairs, (), 4.0, 1.2)) for pairs in rounds)  # type: ignore[misc]
    plain = statistics.median(seconds(lambda pairs=pairs: plain_fit(pairs)) for pairs in rounds)  # type: ignore[misc]
    yield Line(f"re-fit of {size.years:g} years of cores", ours, plain, "s", "plain local-level fit")


if __name__ == "__main__":
    in_order(main)
