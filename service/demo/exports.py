"""Exports readings and core sheets as files into the watched folders, as the invented plant's other systems would."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from service.demo.plant import BLANKET_TAGS, CHANNEL_TAGS, EFFLUENT_TAG, OPERATOR, SETTLING_TEST_TAG, TANKS, TIME_ZONE
from service.domain.plant.units import from_si
from service.simulator.coring import Blunder, SimulatedCore
from service.simulator.scenario import Recording

#: Of what settles in half an hour, the part still to settle after so many minutes.
_SETTLING = ((5, 0.55), (10, 0.3), (20, 0.1), (30, 0.0), (60, -0.1))


class Exporter:
    """Drops one file of readings per interval, and one per round of cores as it is typed in."""

    def __init__(self, recording: Recording, readings: Path, cores: Path) -> None:
        self._recording = recording
        self._readings, self._cores = readings, cores
        self._columns: dict[str, dict[int, float]] = {}
        for tag, sensor in zip(BLANKET_TAGS, recording.sensors, strict=True):
            good = sensor.quality < 2  # the export leaves out what the sensor itself calls bad
            values = zip(sensor.seconds[good].tolist(), sensor.value[good].tolist(), strict=True)
            self._columns[tag] = {second: from_si(value, "ft") for second, value in values}
        for (kind, tank), (tag, unit) in CHANNEL_TAGS.items():
            channel = recording.channel(kind, tank)
            values = zip(channel.seconds.tolist(), channel.value.tolist(), strict=True)
            self._columns[tag] = {second: from_si(value, unit) for second, value in values if math.isfinite(value)}
        self._columns[EFFLUENT_TAG] = _effluent(recording)
        # The day shift's settling test comes with the first export: what a litre held, and how it settles.
        first, truth = int(recording.truth.seconds[0]), recording.truth
        settled = float(truth.settleability[0] * truth.feed_solids[0])
        self._columns[SETTLING_TEST_TAG] = {first + 60: round(settled, -1)}
        self._to_enter = [*self._round_before(recording), *recording.cores]
        self._zone = ZoneInfo(TIME_ZONE)

    def live(self, at: datetime) -> tuple[tuple[float, float], float]:
        """What the live devices show then: return flows of both tanks [MGD], feed solids [mg/L]."""
        second = int(at.timestamp())

        def then(kind: str, tank: int | None, unit: str) -> float:
            channel = self._recording.channel(kind, tank)
            known = np.isfinite(channel.value)
            return from_si(float(np.interp(second, channel.seconds[known], channel.value[known])), unit)

        return (then("return_flow", 0, "MGD"), then("return_flow", 1, "MGD")), then("feed_solids", None, "mg/L")

    def drop_readings(self, after: datetime, until: datetime) -> Path:
        """Export what was measured at after < time ≤ until."""
        tags = list(self._columns)
        path = self._readings / f"export_{until:%Y%m%d_%H%M}.csv"
        rows = [
            [self._local(second), *(self._cell(tag, second) for tag in tags)]
            for second in range(int(after.timestamp()) + 1, int(until.timestamp()) + 1)
            if any(second in self._columns[tag] for tag in tags)
        ]
        return _write(path, ["Time", *tags], rows)

    def drop_laboratory(self, folder: Path) -> Path:
        """The day shift's sheet: solids, the settling curve, and the water, of an afternoon before the storm."""
        truth = self._recording.truth
        taken = self._local(int(truth.seconds[0]) - 6 * 3600)
        liquor = from_si(float(truth.feed_solids[0]), "mg/L")
        settled = float(truth.settleability[0] * truth.feed_solids[0])
        rows = [
            [taken, name, f"{value:g}", unit, str(minute), OPERATOR]
            for name, value, unit, minute in (
                ("MLSS", round(liquor, -1), "mg/L", ""),
                ("RAS", 0.8, "% solids", ""),
                ("WAS", 0.8, "% solids", ""),
                ("WAS flow", 38_000, "gpd", ""),
                # Fast at first, then slower; what is left after half an hour still thickens a little.
                *(
                    ("settled volume", round(settled + (1000.0 - settled) * left, -1), "mL/L", minute)
                    for minute, left in _SETTLING
                ),
                ("effluent TSS", 9, "mg/L", ""),
                ("nitrate", 7.5, "mg/L", ""),
                ("ammonia", 0.4, "mg/L", ""),
                ("DO", 2.1, "mg/L", ""),
                ("temperature", 57, "F", ""),
            )
        ]
        return _write(folder / "day_sheet.csv", ["Time", "Test", "Result", "Unit", "Minute", "By"], rows)

    def drop_cores(self, until: datetime) -> list[SimulatedCore]:
        """Type in the cores whose sheet reached the desk by then, and say which."""
        entered = [core for core in self._to_enter if core.entered <= until.timestamp()]
        self._to_enter = [core for core in self._to_enter if core.entered > until.timestamp()]
        if entered:
            rows = [
                [
                    self._local(core.taken),
                    TANKS[core.tank],
                    f"{from_si(core.thickness, 'ft'):.1f}",
                    "ft",
                    f"{from_si(core.distance_from_wall, 'ft'):.1f}",
                    "ft",
                    OPERATOR,
                ]
                for core in entered
            ]
            heads = ["Time", "Tank", "Thickness", "Unit", "Distance from wall", "Distance unit", "Taken by"]
            _write(self._cores / f"cores_{until:%Y%m%d_%H%M}.csv", heads, rows)
        return entered

    @staticmethod
    def _round_before(recording: Recording) -> list[SimulatedCore]:
        """The day shift's last round, taken just before the night begins."""
        first = int(recording.truth.seconds[0])
        spot = recording.cores[0].distance_from_wall
        rounds = []
        for tank, spec in enumerate(recording.scenario.plant.tanks):
            height = float(recording.truth.height[tank, 0])
            taken = first - 1200 + 240 * tank
            rounds.append(
                SimulatedCore(
                    tank=tank,
                    taken=taken,
                    entered=first,
                    thickness=height + spec.floor_slope * spot,
                    distance_from_wall=spot,
                    by=OPERATOR,
                    blunder=Blunder.NONE,
                    true_tank=tank,
                    true_taken=taken,
                    true_height=height,
                )
            )
        return rounds

    def _cell(self, tag: str, second: int) -> str:
        value = self._columns[tag].get(second)
        return "" if value is None else f"{value:.3f}"

    def _local(self, second: int) -> str:
        return datetime.fromtimestamp(second, UTC).astimezone(self._zone).strftime("%Y-%m-%d %H:%M:%S")


#: What an optical meter of solids wavers by [–].
_WAVER = 0.03


def _effluent(recording: Recording) -> dict[int, float]:
    """What the meter behind both tanks reads, by second: their effluents mixed. [mg/L]"""
    truth = recording.truth
    mixed = (truth.effluent * truth.effluent_solids).sum(axis=0) / truth.effluent.sum(axis=0)
    waver = 1.0 + _WAVER * np.random.default_rng(len(mixed)).standard_normal(len(mixed))
    values = zip(truth.seconds.tolist(), (mixed * waver).tolist(), strict=True)
    return {second: from_si(value, "mg/L") for second, value in values}


def described(cores: Sequence[SimulatedCore]) -> str:
    """The cores of a round in words, with what the simulator knows to be wrong about them."""
    words = []
    for core in cores:
        slip = "" if core.blunder is Blunder.NONE else f" (really {core.blunder.value})"
        words.append(f"{TANKS[core.tank]} {from_si(core.thickness, 'ft'):.1f} ft{slip}")
    return ", ".join(words)


def _write(path: Path, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> Path:
    # Written under another name and renamed: whoever watches the folder never sees half a file.
    unfinished = path.with_suffix(".part")
    with unfinished.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(heads)
        writer.writerows(rows)
    return unfinished.rename(path)
