"""Many nights of random failures through the real jobs and database: what was promised, and what it came to.

    python -m tests.benchmarks.alarm_nights --nights 200

Storms, blind sensors, dead and flaky channels, processes that die while sending; people who do not answer, answer in their own
words, by a machine, or no; rounds that contradict the sensors, commands typed with another site file. Every night comes from its
own seed, all of it invented. Exit status 1 when a promise was broken.
"""

from __future__ import annotations

import argparse
import logging
import tempfile
import time
from collections import Counter
from datetime import timedelta
from pathlib import Path

import structlog

from service.storage.database.session import make_engine
from service.storage.embedded.server import EmbeddedServer
from tests.support.alarm_nights import Night, Outcome, plant_of_nights
from tests.support.database import FAST
from tests.support.embedded_server import make_tables
from tests.support.stopping import in_order

#: Nights from one print of the figures so far to the next.
BETWEEN_FIGURES = 200


def main() -> int:
    """Live the nights and print the figures."""
    arguments = argparse.ArgumentParser(description="Simulated nights of failures.")
    arguments.add_argument("--nights", type=int, default=100)
    arguments.add_argument("--first", type=int, default=0, help="seed of the first night")
    given = arguments.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    with tempfile.TemporaryDirectory(prefix="underweir-nights-", dir="/tmp") as folder:
        Path(folder).chmod(0o711)
        with EmbeddedServer(Path(folder) / "database", settings=FAST) as server:
            make_tables(server)
            engine = make_engine(server.url)
            begun = time.monotonic()
            site_files = Path(folder) / "sites"
            plant = plant_of_nights(engine, site_files)
            outcomes: list[Outcome] = []
            for seed in range(given.first, given.first + given.nights):
                outcomes.append(Night(plant, seed, site_files).live())
                # A run of hours that is broken off still says what it saw.
                if len(outcomes) % BETWEEN_FIGURES == 0 or len(outcomes) == given.nights:
                    print_figures(outcomes, time.monotonic() - begun)
            engine.dispose()
    broken = [(outcome.seed, line) for outcome in outcomes for line in outcome.promises_broken]
    for seed, line in broken:
        print(f"night {seed}: {line}")
    return 1 if broken else 0


def print_figures(outcomes: list[Outcome], seconds: float) -> None:
    """One line a figure."""
    received = sum(len(outcome.received) for outcome in outcomes)
    duplicates = sum(
        count - 1 for outcome in outcomes for count in Counter(message.key for message in outcome.received).values()
    )
    reached = sorted(pause for outcome in outcomes for pause in outcome.first_reached_after)
    print(f"nights {len(outcomes)} in {seconds:.0f} s")
    print(f"messages received {received}, {received / len(outcomes):.1f} a night")
    print(f"processes killed {sum(o.crashes for o in outcomes)}, answers lost {sum(o.broken_off for o in outcomes)}")
    print(f"duplicates {duplicates}")
    habits = Counter(said.habit.value for outcome in outcomes for said in outcome.said)
    print("answers: " + ", ".join(f"{habit} {count}" for habit, count in habits.most_common()))
    print(f"alarms taken by people {sum(o.answers for o in outcomes)}")
    seen = Counter(seen.value for outcome in outcomes for _, seen in outcome.rounds)
    print("rounds: " + ", ".join(f"{what} {count}" for what, count in seen.most_common()))
    print(f"commands typed (exit status): {dict(sum((o.commands for o in outcomes), Counter()))}")
    if reached:
        late = sum(pause > timedelta(minutes=30) for pause in reached)
        print(
            f"dangers somebody heard of {len(reached)}, half of them within {reached[len(reached) // 2]}, later than 30 min {late}"
        )
    print(f"promises broken {sum(len(o.promises_broken) for o in outcomes)}", flush=True)


if __name__ == "__main__":
    in_order(main)
