"""One tank's events folded into rival stories: readings, cores and work on sensors in, a mixture out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import replace
from typing import Any

import numpy as np

from service.domain.blanket.bank import CORE_SD, LEAN_SD, Bank
from service.domain.blanket.level import damped_step
from service.domain.blanket.mixture import Part
from service.domain.blanket.pairing import ARM_DISTURBANCE_SD, ARM_STIRS
from service.domain.blanket.story import AWAY, FOLLOWS, FOULING, STUCK, UNIT, UNITS, SensorLevel
from service.domain.blanket.trace import RATE_MEMORY, Trace, trace_from_json
from service.domain.cores.core import Calibration, Core, Surface
from service.domain.plant.reading import Quality, Reading
from service.domain.plant.signal import Measures, Signal, SignalKind
from service.domain.plant.tank import Tank
from service.domain.plant.weir import is_water_level, water_surface
from service.errors import DomainError

#: How long a flow or a sister tank's level is taken for current [s], and over what its usual is taken [h].
HOLDS, USUAL_FLOW, USUAL_SISTER = 2 * 3600.0, 24.0, 2.0
#: What lies beyond this is no measurement of anything [SI].
NONSENSE = 1e5
#: A level taken over some minutes is that of their middle [h].
LAG = 1.0 / 60.0
#: Surfaces of a core further apart than this are two [m].
APART = 0.15
#: Samples after which it is known how often a sensor shows the same value again.
KNOWN_AFTER = 1000
VERSION = 4


class Tracker:
    """One tank's stories and the events that change them."""

    def __init__(
        self,
        tank: Tank,
        blankets: Sequence[Signal],
        others: Sequence[Signal] = (),
        sisters: Sequence[Signal] = (),
        share_of_plant: float = 1.0,
    ) -> None:
        self.tank = tank
        self.index = {signal.tag: i for i, signal in enumerate(blankets)}
        self.blankets = tuple(blankets)
        self.bank = Bank(len(blankets), tank.lowest_height, tank.side_water_depth)
        self.traces = [Trace() for _ in blankets]
        self.stale = [signal.stale_after.total_seconds() for signal in blankets]
        flows = [s for s in others if s.kind is SignalKind.FLOW]
        own = {s.tag: 1.0 for s in flows if s.tank == tank.key}
        plant = {s.tag: share_of_plant for s in flows if s.tank is None}
        self.flow_shares = own or (plant if len(plant) == 1 else {})
        self.level_tags = {s.tag for s in others if s.kind is SignalKind.WATER_LEVEL and s.tank == tank.key}
        self.sisters = {s.tag: s for s in sisters}
        self.time = math.nan
        self.flow = self.flow_time = self.usual_flow = self.level_time = math.nan
        self.sister: dict[str, list[float]] = {}
        self.agreed = False  #: whether the last core was what was expected
        self.head = 0.0
        self._rows: list[tuple[float, float, float, float, list[int]]] | None = None
        #: The same carried on to a later time, which is asked for several things at once.
        self._later: tuple[float, list[tuple[float, float, float, float, list[int]]]] | None = None
        self._stuck = [0.0] * len(blankets)

    # --- events -------------------------------------------------------------------------------------------------------

    def take(self, event: Reading | Core | Calibration) -> None:
        """Take the next event, in the order of :func:`service.domain.blanket.estimate.event_order`.

        Raises
        ------
        DomainError
            when it lies before what was already seen.
        """
        if isinstance(event, Reading):
            self.reading(event)
        elif isinstance(event, Core):
            self.core(event)
        else:
            self.calibration(event)

    def reading(self, reading: Reading) -> None:
        """Take a reading of any signal; one that says nothing here is passed over."""
        time = self._clock(reading.time.timestamp())
        value = reading.value
        if reading.quality == Quality.BAD or not abs(value) < NONSENSE:
            return
        i = self.index.get(reading.tag)
        if i is not None:
            shown = self.traces[i].take(time, self._height(i, value), self._stuck[i], 1.0 / self.bank.range)
            if shown is not None:
                doubt = 4.0 if reading.quality == Quality.UNCERTAIN else 1.0
                heights = [shown.value, *(self._in_unit(i, shown.value, unit) for unit in UNITS)]
                self.bank.ahead(time)
                self._surroundings(time)
                self.bank.sensor(
                    i,
                    SensorLevel(
                        heights,
                        shown.noise_var * doubt,
                        shown.coherent,
                        shown.other,
                        shown.alive,
                        shown.stuck,
                        min(shown.hours, 24.0),
                    ),
                )
                self._changed()
        elif reading.tag in self.flow_shares:
            self._flow(time, value * self.flow_shares[reading.tag])
        elif reading.tag in self.level_tags:
            if is_water_level(value, self.tank):
                self.level_time, self.head = time, value - self.tank.side_water_depth
        elif reading.tag in self.sisters:
            self._sister(time, reading.tag, value)

    def core(self, core: Core) -> None:
        """Take a hand core: the top that counts is the dispersed one where one was seen."""
        time = self._clock(core.taken_at.timestamp())
        compact = height = self.tank.height_from_thickness(core.thickness, core.distance_from_wall)
        if core.fluff is not None:
            height = max(compact, self.tank.height_from_thickness(core.fluff, core.distance_from_wall))
        if not abs(height) < NONSENSE:
            return
        since_arm = self.tank.angle_since_arm(core.arm_position)
        stirred = since_arm is not None and since_arm < ARM_STIRS
        self.bank.ahead(time)
        var = CORE_SD**2 + (ARM_DISTURBANCE_SD**2 if stirred else 0.0)
        chance = self.bank.core(height, var, compact if height - compact > APART else None)
        self.agreed = chance > 0.5
        if Surface.SOLIDS_OVER_WEIR in core.surface:
            rows = np.array([[row[1], row[2]] for row in self.bank.heights()])
            below = self.tank.side_water_depth - 0.25 - rows[:, 0]
            self.bank.weigh(np.where(below > 0.0, np.exp(-0.5 * below**2 / (0.3**2 + rows[:, 1])), 1.0) + 0.03)
        self._changed()

    @property
    def heard(self) -> bool:
        """Whether anything was heard that weighs the stories."""
        return self.bank.time == self.bank.time

    def stuck(self, tag: str) -> float:
        """Chance that a sensor stands still by itself; none before it is known how it moves. [–]"""
        i = self.index[tag]
        return self._chance(i, STUCK, STUCK) if self.traces[i].samples >= KNOWN_AFTER else 0.0

    def same(self, tag: str) -> float:
        """How often a sensor shows the same value again while it is alive. [–]"""
        return self.traces[self.index[tag]].same

    def calibration(self, work: Calibration) -> None:
        """Take work on a sensor."""
        i = self.index.get(work.tag)
        if i is not None:
            time = self._clock(work.at.timestamp())
            self.bank.ahead(time)
            self.bank.worked_on(i, work.as_left_offset)
            self.traces[i].gathered.clear()
            self._changed()

    # --- what is believed ---------------------------------------------------------------------------------------------

    def heights(self, time: float) -> tuple[Part, ...]:
        """The stories at a time not before the last event's [s], each with its height."""
        return self._parts(time, self._rows_at(time))

    def following(self, time: float) -> float:
        """Chance that a sensor heard of late enough follows the blanket. [–]"""
        fresh = [time - trace.time <= stale for trace, stale in zip(self.traces, self.stale, strict=True)]
        return sum(
            w
            for w, _, _, _, modes in self._rows_at(time)
            if any(ok and m in (FOLLOWS, FOULING) for ok, m in zip(fresh, modes, strict=True))
        )

    def away(self, tag: str) -> float:
        """Chance that a sensor sees something beside the blanket. [–]"""
        return self._chance(self.index[tag], AWAY, AWAY)

    def rate(self, time: float) -> float:
        """Rate of rise in the likeliest story. [m/h]"""
        likeliest: tuple[float, float, float, float, list[int]] = max(self._rows_at(time))
        return likeliest[3]

    # --- pieces -------------------------------------------------------------------------------------------------------

    def _rows_at(self, time: float) -> list[tuple[float, float, float, float, list[int]]]:
        bank = self.bank
        if bank.time != bank.time:
            return bank.heights()
        if time - bank.time > 900.0:
            if self._later is None or self._later[0] != time:
                later = bank.copy()
                later.ahead(time)
                self._later = time, later.heights()
            return self._later[1]
        if self._rows is None:
            self._rows = bank.heights()
        return self._rows

    def _parts(self, time: float, rows: list[tuple[float, float, float, float, list[int]]]) -> tuple[Part, ...]:
        reach = 0.0
        if rows is self._rows:  # as of the last event, and to be carried on from there
            reach = damped_step(max(time - self.bank.time, 0.0) / 3600.0 + LAG, RATE_MEMORY).reach
        low, high = self.tank.lowest_height, self.tank.side_water_depth + 0.1
        return tuple(
            Part(w, min(max(mean + reach * rate, low), high), math.sqrt(var + LEAN_SD**2))
            for w, mean, var, rate, _ in rows
        )

    def _changed(self) -> None:
        self._rows = self._later = None
        self._stuck = [self._chance(i, STUCK, UNIT + len(UNITS)) for i in range(self.bank.n)]

    def _chance(self, i: int, first: int, last: int) -> float:
        """Chance that a sensor is seen doing one of these things. [–]"""
        chance = 0.0
        for w, mode in zip(self.bank.w.tolist(), self.bank.mode[:, i].tolist(), strict=True):
            if first <= mode <= last:
                chance += w
        return chance

    def _clock(self, time: float) -> float:
        if time < self.time:
            raise DomainError(f"tank {self.tank.key}: an event at {time} lies before {self.time}, already seen")
        self.time = time
        return time

    def _height(self, i: int, value: float) -> float:
        mount = self.blankets[i].mount
        if mount is None:
            return value
        if mount.measures is Measures.HEIGHT:
            return mount.zero_height + value
        if mount.measures is Measures.DISTANCE:
            return mount.zero_height - value
        return self.tank.side_water_depth + self.head - value

    def _in_unit(self, i: int, height: float, unit: float) -> float:
        """The height had the value been sent in another unit."""
        mount = self.blankets[i].mount
        zero = 0.0 if mount is None else mount.zero_height
        if mount is not None and mount.measures is Measures.DEPTH:
            zero = self.tank.side_water_depth + self.head
        return zero + (height - zero) * unit

    def _flow(self, time: float, value: float) -> None:
        if value < 0.0:
            return
        hours = (time - self.flow_time) / 3600.0 if self.flow_time == self.flow_time else 0.0
        if self.usual_flow != self.usual_flow:
            self.usual_flow = value
        self.usual_flow += -math.expm1(-hours / USUAL_FLOW) * (value - self.usual_flow)
        self.flow, self.flow_time = value, time
        if not time - self.level_time <= HOLDS:  # a measured water level says more
            self.head = water_surface(value, self.tank)

    def _sister(self, time: float, tag: str, value: float) -> None:
        seen = self.sister.get(tag)
        if seen is None:
            self.sister[tag] = [time, value, value, value]
            return
        hours = (time - seen[0]) / 3600.0
        usual = seen[2] - math.expm1(-hours / USUAL_SISTER) * (value - seen[2])
        quick = seen[3] - math.expm1(-hours / 0.15) * (value - seen[3])
        self.sister[tag] = [time, value, usual, quick]

    def _surroundings(self, time: float) -> None:
        """How much likelier than usual a rise is."""
        log = 0.0
        if time - self.flow_time <= HOLDS and self.usual_flow > 0.0:
            log += min(max(4.0 * (self.flow / self.usual_flow - 1.3), 0.0), 1.6)
        rises = [min(max(5.0 * (s[3] - s[2] - 0.1), 0.0), 2.0) for s in self.sister.values() if time - s[0] <= HOLDS]
        if rises:
            log += max(rises)
        self.bank.rise_odds = math.exp(min(log, 2.5))

    def copy(self) -> Tracker:
        """An independent twin: advancing it leaves this one as it was."""
        twin = copy(self)
        twin.bank = self.bank.copy()
        twin.traces = [replace(t, gathered=list(t.gathered), regimes=[list(r) for r in t.regimes]) for t in self.traces]
        twin.sister = {tag: list(seen) for tag, seen in self.sister.items()}
        return twin

    def to_json(self) -> dict[str, Any]:
        """JSON values; :meth:`restore` gives back exactly the same."""
        numbers = (self.time, self.flow, self.flow_time, self.usual_flow, self.level_time)
        return {
            "version": VERSION,
            "bank": self.bank.to_json(),
            "traces": {s.tag: t.to_json() for s, t in zip(self.blankets, self.traces, strict=True)},
            "numbers": [None if v != v else v for v in numbers],
            "sister": self.sister,
            "agreed": self.agreed,
            "head": self.head,
        }

    def fits(self, stored: Mapping[str, Any]) -> bool:
        """Whether :meth:`restore` can take it: written by this version, for the same sensors."""
        return stored.get("version") == VERSION and list(stored["traces"]) == [s.tag for s in self.blankets]

    def restore(self, stored: Mapping[str, Any]) -> None:
        """Become what :meth:`to_json` wrote.

        Raises
        ------
        DomainError
            when another version, or a tank with other sensors, wrote it.
        """
        if not self.fits(stored):
            raise DomainError(
                f"tank {self.tank.key}: what was kept of it was written by another version, or for other sensors"
            )
        self.bank.restore(stored["bank"])
        self.traces = [trace_from_json(t) for t in stored["traces"].values()]
        numbers = [math.nan if v is None else float(v) for v in stored["numbers"]]
        self.time, self.flow, self.flow_time, self.usual_flow, self.level_time = numbers
        self.sister = {tag: list(seen) for tag, seen in stored["sister"].items()}
        self.agreed, self.head = bool(stored["agreed"]), float(stored["head"])
        self._changed()
