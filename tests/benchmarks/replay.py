"""How fast a replay runs: one tank with a blanket, a flow and a return flow at one-minute data, alarms with a forecast.

    python -m tests.benchmarks.replay              two days
    python -m tests.benchmarks.replay --days 10

Processor seconds of one core, reading the database left out; the data are invented.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from datetime import timedelta

import numpy as np

from service.alarms.backtest import Backtest
from service.domain.blanket.estimate import Event, TankSetup
from service.domain.blanket.incremental_replay import Refold
from service.domain.cores.core import Core
from service.domain.plant.reading import Reading
from service.domain.plant.signal import Signal, SignalKind
from service.jobs.alarms.replay import backtest
from service.jobs.alarms.replay_stage import ReplayRun
from service.site.site import parse_site
from service.storage.database.epoch import to_us
from service.storage.readings.columns import ReadingColumns
from service.storage.readings.history import ArrivedReadings, RecordedChange
from tests.support.replay_night import SITE
from tests.support.sensor_story import START, Story
from tests.support.stopping import in_order

AIM = 20_000.0


def _tank(setup: TankSetup) -> TankSetup:
    flow = setup.others[0]
    back = Signal(tag="RT-E", kind=SignalKind.RETURN_FLOW, tank="east", unit=flow.unit)
    return replace(setup, others=(flow, back))


def _stage(setup: TankSetup, days: float) -> ReplayRun:
    """Everything arrives in its minute."""
    story = Story(days=days, height=lambda hours: 1.9 + 0.9 * np.sin(2 * np.pi * hours / 24.0) ** 3)
    minutes = story.hours.size
    height, tags = story.seen, ("LT-E", "FT-E", "RT-E")
    times = np.repeat(to_us(START) + np.arange(minutes, dtype=np.int64) * 60_000_000, 3)
    flow = 0.25 + 0.05 * np.sin(2 * np.pi * story.hours / 24.0)
    values = np.stack([height, flow, 0.5 * flow], axis=1).ravel()
    none = np.zeros(times.size, dtype=np.int16)
    columns = ReadingColumns(np.tile(np.array([0, 1, 2], dtype=np.int32), minutes), times, values, none, none)
    cores: list[Event] = [event for event in story.events() if isinstance(event, Core)]
    return ReplayRun(
        setup=setup,
        refold=Refold(setup),
        tag_of=dict(enumerate(tags)),
        known=[[Reading("LT-E", START - timedelta(minutes=1), 1.9)]],
        came=ArrivedReadings(columns, times, np.zeros(len(times), dtype=np.bool_)),
        recorded=[
            RecordedChange(core.recorded_at, replace(core, tank="east"), None)
            for core in cores
            if isinstance(core, Core)
        ],
        began_at=None,
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=float, default=2.0)
    options = parser.parse_args()
    site = parse_site(SITE)
    [setup] = site.setups()
    setup = _tank(setup)
    stage = _stage(setup, options.days)
    rehearsal = Backtest(site.alarm_definitions(), "si")
    begin = time.process_time()
    told = backtest(stage, rehearsal, START, START + timedelta(days=options.days))
    taken = time.process_time() - begin
    ratio = options.days * 86_400.0 / taken
    print(
        f"{told.readings} readings, {told.looks} looks, {len(rehearsal.tracks)} alarms and {len(rehearsal.trials)} trials,"
        f" {len(told.lines)} lines: {taken:.2f} s, {1e3 * taken / told.looks:.2f} ms a look,"
        f" {ratio:,.0f} × real time (aim {AIM:,.0f})"
    )


if __name__ == "__main__":
    in_order(main)
