"""What the drift reconciliation costs: a sample online, and five years of cores re-fitted, beside a plain statsmodels fit.

    python -m tests.benchmarks.drift_speed              100 sensors
    python -m tests.benchmarks.drift_speed --sensors 10

Times are processor seconds on one core; the data are invented.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from datetime import timedelta
from uuid import UUID

import numpy as np
from statsmodels.tsa.statespace.structural import UnobservedComponents

from service.domain.blanket.estimate import advance, initial
from service.domain.blanket.pairing import Pair
from service.domain.sensors.drift_history import drift_history
from tests.support.sensor_story import START, Story
from tests.support.stopping import in_order

CORES_A_DAY = 3
YEARS = 5.0


def invented_pairs(years: float, seed: int) -> list[Pair]:
    """A wandering offset with a step a year, a cored height that moves, and two wrong cores in a hundred."""
    rng = np.random.default_rng(seed)
    n = round(years * 365.25 * CORES_A_DAY)
    offset = np.cumsum(0.008 * np.sqrt(1 / CORES_A_DAY) * rng.standard_normal(n))
    offset += 0.25 * np.cumsum(rng.uniform(size=n) < 1 / (365.25 * CORES_A_DAY)) * rng.choice([-1, 1])
    height = 1.2 + 0.4 * np.sin(np.arange(n) / 9.0) + 0.2 * rng.standard_normal(n)
    core = height + 0.08 * rng.standard_normal(n)
    wrong = rng.uniform(size=n) < 0.02
    core[wrong] *= 3.28
    sensor = height + offset + 0.02 * rng.standard_normal(n)
    return [
        Pair(
            tag="s", core=UUID(int=i), time=START + timedelta(days=i / CORES_A_DAY), sensor=float(sensor[i]),
            core_height=float(core[i]), thickness=float(core[i]), extra_var=0.0008, height=float(height[i]), foretold=0.0,
            foretold_sd=0.1, sound=1.0, wrong=0.0, stepped=0.0, offset=0.0, offset_sd=0.1,
        )
        for i in range(n)
    ]  # fmt: skip


def seconds(work: Callable[[], object]) -> float:
    """Processor time of one call. [s]"""
    begin = time.process_time()
    work()
    return time.process_time() - begin


def plain_fit(pairs: list[Pair]) -> None:
    """A local level by maximum likelihood, filtered and smoothed: no wrong cores, no steps, no span, no trend."""
    UnobservedComponents(np.array([pair.difference for pair in pairs]), "local level").fit(disp=False)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sensors", type=int, default=100)
    options = parser.parse_args()
    print("online, one-minute samples with three cores a day")
    for days in (10, 20, 40):
        story = Story(days=days)
        events = story.events()
        taken = seconds(lambda story=story, events=events: advance(story.setup, initial(story.setup), events))  # type: ignore[misc]
        rate = len(events) / taken
        print(
            f"  {len(events):7d} events: {1e6 * taken / len(events):6.1f} µs each, {rate:8.0f} a second, {rate * 60:.1e} × real time"
        )
    print("batch, pairs of core and sensor")
    for years in (YEARS / 4, YEARS / 2, YEARS):
        pairs = invented_pairs(years, 1)
        ours = seconds(lambda pairs=pairs: drift_history(pairs, (), 4.0, 1.2))  # type: ignore[misc]
        theirs = seconds(lambda pairs=pairs: plain_fit(pairs))  # type: ignore[misc]
        print(
            f"  {len(pairs):5d} pairs: {ours:6.2f} s, {1e3 * ours / len(pairs):5.2f} ms each;"
            f" plain statsmodels local level {theirs:5.2f} s, ratio {ours / theirs:5.1f}"
        )
    total = 0.0
    for seed in range(options.sensors):
        pairs = invented_pairs(YEARS, seed)
        total += seconds(lambda pairs=pairs: drift_history(pairs, (), 4.0, 1.2))  # type: ignore[misc]
    print(f"  {options.sensors} sensors over {YEARS:.0f} years: {total:.0f} s")


if __name__ == "__main__":
    in_order(main)
