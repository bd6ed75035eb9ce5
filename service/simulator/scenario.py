"""Runs a scenario into a recording: everything the plant would send, with the truth beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from service.errors import DomainError
from service.simulator.channel import Channel, channels
from service.simulator.coring import CoreRegime, SimulatedCore, take_cores
from service.simulator.plant import Forcing, SimPlant, Truth, forcing, simulate
from service.simulator.sensor import SensorRecord, SimSensor, observe
from service.simulator.weather import Weather

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One plant over one stretch of time."""

    name: str
    plant: SimPlant
    weather: Weather
    sensors: tuple[SimSensor, ...]
    hours: float
    cores: CoreRegime = CoreRegime()  # noqa: RUF009 - a frozen value
    start: datetime = datetime(2031, 3, 3, 12, 0, tzinfo=UTC)
    utc_offset: float = -5.0  #: local time minus UTC [h]; people and sewage keep local time


@dataclass(frozen=True, slots=True)
class Recording:
    """What one run of a scenario left behind. All times are seconds since 1970 in UTC."""

    scenario: Scenario
    seed: int
    truth: Truth
    sensors: tuple[SensorRecord, ...]
    cores: tuple[SimulatedCore, ...]  #: in the order they were typed in
    channels: tuple[Channel, ...]  #: flows, solids and settled volume as measured

    def channel(self, kind: str, tank: int | None = None) -> Channel:
        """The measured channel of that kind; ``tank`` None for the plant's own."""
        for candidate in self.channels:
            if candidate.kind == kind and candidate.tank == tank:
                return candidate
        raise DomainError(f"the simulated plant has no {kind} channel for tank {tank}")

    def truth_at(self, tank: int, seconds: NDArray[np.int64]) -> Floats:
        """True blanket height of a tank at those times, straight between minutes. [m]"""
        return np.asarray(np.interp(seconds, self.truth.seconds, self.truth.height[tank]))


def run(scenario: Scenario, seed: int) -> Recording:
    """Run one scenario; the same scenario and seed always give the same recording."""
    return run_many([(scenario, seed)])[0]


def run_many(jobs: Sequence[tuple[Scenario, int]]) -> list[Recording]:
    """Run scenarios of equal length side by side, which is far quicker than one after another.

    Each recording equals what :func:`run` gives for that scenario and seed alone.
    """
    if not jobs:
        return []
    lengths = {round(scenario.hours * 60.0) for scenario, _ in jobs}
    if len(lengths) > 1:
        raise DomainError(f"scenarios run side by side must be equally long, got {sorted(lengths)} minutes")
    minutes = lengths.pop()
    streams = [[np.random.default_rng(part) for part in np.random.SeedSequence(seed).spawn(4)] for _, seed in jobs]
    given: list[Forcing] = []
    for (scenario, _), (outside, *_rest) in zip(jobs, streams, strict=True):
        given.append(forcing(scenario.plant, scenario.weather, minutes, _local_hour(scenario), outside))
    starts = [int(scenario.start.timestamp()) for scenario, _ in jobs]
    truths = simulate([scenario.plant for scenario, _ in jobs], given, starts)
    recordings: list[Recording] = []
    for (scenario, seed), truth, (_, eyes, hands, meters) in zip(jobs, truths, streams, strict=True):
        tanks = scenario.plant.tanks
        sensors = tuple(
            observe(spec, tanks[spec.tank], truth, own)
            for spec, own in zip(scenario.sensors, eyes.spawn(len(scenario.sensors)), strict=True)
        )
        cores = take_cores(scenario.cores, scenario.plant, truth, _local_hour(scenario), hands)
        measured = channels(scenario.plant, truth, _local_hour(scenario), meters)
        recordings.append(Recording(scenario, seed, truth, sensors, cores, measured))
    return recordings


def _local_hour(scenario: Scenario) -> float:
    start = scenario.start.astimezone(UTC)
    return (start.hour + start.minute / 60.0 + scenario.utc_offset) % 24.0
