"""Blanket or nonsense: the verdict on each sample of a blanket sensor, one at a time, with constant memory.

A sample that leaves the expected level faster than water can carry an interface starts an *excursion*. Short ones are
spikes and passes of the arm. One that lasts is either a small step (the sensor shifted, or a local change: taken up, and
the offset put in doubt) or a large one: the sensor is *locked* on something else. A large one upwards is never swallowed:
it reads high, not confirmed, and asks for a hand core.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

from service.domain.blanket.arm import LONGEST_PASS, ArmPasses, Turned
from service.domain.blanket.level import LevelTracker
from service.domain.plant.reading import Quality, Reading, ReadingReason
from service.domain.plant.signal import Measures, Signal
from service.domain.plant.tank import Tank

#: An excursion that lasts this long is no longer a passing thing [s].
PERSISTS = 10 * 60.0
#: A lasting jump smaller than this is taken for a shift of the sensor that still follows the blanket [m].
SMALL_STEP = 0.4
#: Distance from the water surface within which a jump is an echo of the surface, scum or the sensor's own face [m].
SURFACE_BAND = 0.3
#: How near the known top of the fluff a jump must land to be a lock-on to it [m].
FLUFF_BAND = 0.2
#: Jump threshold in standard deviations of the innovation, and the least jump worth a verdict [m].
JUMP_SDS, LEAST_JUMP = 4.5, 0.08
#: While a pass of the arm is due, a smaller deviation is already put down to it, in standard deviations.
ARM_SDS = 2.5
#: A lasting jump smaller than this is taken up without suspicion [m].
LEAST_STEP = 0.1
#: Sample noise above both of these is called noisy: [m], and in multiples of the sensor's own usual noise.
NOISY_SD, NOISY_RATIO = 0.08, 3.0
#: Samples over which the share out of line is taken, and the share that means noise rather than excursions.
UNREST_SAMPLES, MUCH_UNREST = 30.0, 0.35
#: Chance that a lasting jump the water cannot explain is the blanket after all.
REAL_JUMP_CHANCE = 0.2


class Judged(NamedTuple):
    """Verdict on a sample; ``usable`` says whether the level tracker took it; ``stepped`` is a small step taken up [m]."""

    verdict: ReadingReason
    usable: bool
    stepped: float = 0.0


@dataclass(slots=True)
class Conditioner:
    """What is remembered of one sensor to judge its next sample. Times in seconds since 1970, heights in [m]."""

    tracker: LevelTracker = field(default_factory=LevelTracker)
    arm: ArmPasses = field(default_factory=ArmPasses)
    last_good: float = -math.inf
    flat_value: float = math.nan
    flat_since: float = 0.0
    usual_noise_var: float = 0.0
    # The excursion under way; out_count 0 means none.
    out_since: float = 0.0
    out_count: int = 0
    out_level: float = 0.0
    out_from: float = 0.0
    out_due: bool = False  #: it began where a pass of the arm was due
    out_angle: float = math.nan  #: of the arm when it began [degree]
    locked: bool = False
    unrest: float = 0.0  #: running share of samples out of line [–]

    def judge(
        self,
        time: float,
        reading: Reading,
        height: float,
        signal: Signal,
        tank: Tank,
        world: World,
        arm: Turned | None = None,
    ) -> Judged:
        """Judge one sample and, when usable, let the tracker take it.

        Parameters
        ----------
        arm : where the rotating arm is, where that is measured.
        """
        if reading.quality == Quality.BAD:
            return Judged(reading.reason if reading.reason else ReadingReason.SOURCE_BAD, False)
        if not math.isfinite(height):
            return Judged(ReadingReason.NOT_A_NUMBER, False)
        value = reading.value
        if (signal.low is not None and value < signal.low) or (signal.high is not None and value > signal.high):
            return Judged(ReadingReason.OUT_OF_RANGE, False)
        if not world.lowest - 0.5 <= height <= world.surface + 0.5:
            return Judged(ReadingReason.OUT_OF_RANGE, False)
        if signal.flat_after is not None and self._flat(
            time, value, signal.flat_after.total_seconds(), signal.flat_band
        ):
            return Judged(ReadingReason.FLAT, False)
        tracker = self.tracker
        if tracker.samples == 0:
            tracker.restart(time, height)
            return self._good(time, reading)
        ahead = tracker.ahead(time)
        deviation = height - ahead[0]
        innovation_sd = math.sqrt(ahead[2] + tracker.noise_var)
        allowed = JUMP_SDS * innovation_sd
        least = LEAST_JUMP + world.fastest_rise * (time - tracker.time) / 3600.0
        if allowed < least:
            allowed = least
        if self.out_count:
            # Out already: to be back it must have come at least half the way.
            half = max(0.5 * abs(self.out_level - ahead[0]), LEAST_JUMP)
            if allowed > half:
                allowed = half
        if -allowed <= deviation <= allowed:
            if self.out_count:
                self._returned(time, tank, arm)
            elif abs(deviation) > ARM_SDS * innovation_sd and self.arm.due(time, arm, 30.0):
                return _ARM_PASS
            tracker.take(time, height, ahead)
            return self._good(time, reading)
        return self._out(time, height, reading, signal, world, arm)

    def _good(self, time: float, reading: Reading) -> Judged:
        self.last_good = time
        self.unrest -= self.unrest / UNREST_SAMPLES
        noise = self.tracker.noise_var
        usual = self.usual_noise_var
        # The usual noise is learned slowly, and not from what is already called noisy.
        if usual == 0.0 or self.tracker.samples < 100:
            self.usual_noise_var = noise
        elif noise > NOISY_SD * NOISY_SD and noise > NOISY_RATIO * NOISY_RATIO * usual:
            return Judged(ReadingReason.NOISY, True)
        else:
            self.usual_noise_var = usual + (noise - usual) * 5e-4
        if reading.quality == Quality.UNCERTAIN:
            return Judged(reading.reason if reading.reason else ReadingReason.SOURCE_UNCERTAIN, True)
        return _GOOD

    def _flat(self, time: float, value: float, after: float, band: float) -> bool:
        if not abs(value - self.flat_value) <= band:
            self.flat_value, self.flat_since = value, time
            return False
        return time - self.flat_since >= after

    def _returned(self, time: float, tank: Tank, arm: Turned | None) -> None:
        if not self.locked:
            ended = math.nan if arm is None else arm.angle
            period = tank.arm_period * 3600.0 if tank.arm_period else None
            self.arm.note(self.out_since, time, period, self.out_angle, ended)
        self.out_count, self.locked = 0, False

    def _out(
        self, time: float, height: float, reading: Reading, signal: Signal, world: World, arm: Turned | None
    ) -> Judged:
        tracker = self.tracker
        if not self.locked:
            self.unrest += (1.0 - self.unrest) / UNREST_SAMPLES
            if self.unrest > MUCH_UNREST:
                # Not excursions any more but growing noise: let it be learned, or hardly a sample would ever be in line.
                tracker.learn_noise(time, height)
        if self.out_count == 0:
            self.out_since, self.out_level, self.out_from = time, height, tracker.level
            self.out_count = 1
            self.out_due = self.arm.due(time, arm)
            self.out_angle = math.nan if arm is None or not arm.moving else arm.angle
        else:
            agree = max(0.15, JUMP_SDS * math.sqrt(2.0 * tracker.noise_var))
            if abs(height - self.out_level) <= agree:
                self.out_level += (height - self.out_level) * 0.3
                self.out_count += 1
            else:
                self.out_level, self.out_count = height, 1
        lasted = time - self.out_since
        if not self.locked and lasted >= PERSISTS and self.out_count >= 3:
            jump = self.out_level - self.out_from
            young = tracker.samples < 10
            if young or abs(jump) < SMALL_STEP:
                tracker.restart(time, self.out_level)
                self.out_count = 0
                judged = self._good(time, reading)
                return judged if young or abs(jump) < LEAST_STEP else Judged(judged.verdict, True, jump)
            self.locked = True
        end = signal.high if _far_limit_is_high(signal) else signal.low
        if end is not None and abs(reading.value - end) < 1e-9:
            return Judged(ReadingReason.ECHO_LOST, False)
        if self.locked:
            return Judged(self._locked_on(height, world), False)
        if lasted <= LONGEST_PASS and self.out_due:
            return Judged(ReadingReason.ARM_PASS, False)
        return Judged(ReadingReason.SPIKE if self.out_count == 1 else ReadingReason.IMPLAUSIBLE_JUMP, False)

    def _locked_on(self, height: float, world: World) -> ReadingReason:
        if height < self.tracker.level:
            return ReadingReason.ECHO_LOST if height <= world.lowest + 0.1 else ReadingReason.IMPLAUSIBLE_JUMP
        if height >= world.surface - SURFACE_BAND:
            return ReadingReason.SURFACE_ECHO
        if world.fluff_top is not None and abs(height - world.fluff_top) <= FLUFF_BAND:
            return ReadingReason.FLUFF_LOCK
        return ReadingReason.READS_HIGH_UNCONFIRMED

    def rest(self) -> None:
        """The instrument says that it is not in service: it has no say, and what it was in the middle of is over."""
        self.out_count, self.locked, self.last_good = 0, False, -math.inf

    def believe_high(self, time: float) -> None:
        """A hand core confirmed the level the sensor jumped to: take it up."""
        self.tracker.restart(time, self.out_level)
        self.out_count, self.locked, self.last_good = 0, False, time

    @property
    def reads_high(self) -> bool:
        """Locked on something well above the expected level."""
        return self.locked and self.out_level > self.out_from


class World(NamedTuple):
    """What bounds a blanket in this tank now. Heights in [m], speed in [m/h]."""

    lowest: float
    surface: float
    fastest_rise: float
    fluff_top: float | None


_GOOD = Judged(ReadingReason.NONE, True)
_ARM_PASS = Judged(ReadingReason.ARM_PASS, False)


def _far_limit_is_high(signal: Signal) -> bool:
    """Whether the end of the range that means "nothing seen" is the upper one."""
    return signal.mount is None or signal.mount.measures is not Measures.HEIGHT
