"""What is remembered of one blanket sensor, and what it says of the blanket."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from service.domain.blanket.belief import Voice
from service.domain.blanket.conditioning import REAL_JUMP_CHANCE, Conditioner
from service.domain.blanket.drift import Drift, DriftBank
from service.domain.plant.tank import Tank

#: Blanket under one sensor against the tank's: a blanket is not quite level [m²]. Judgement, no source; of 1.2, 1.5 and
#: 2 cm tried on the simulated plants this one held the truth about as often as the interval says.
UNEVEN_VAR = 0.015**2
#: A sensor that follows less than this share of the blanket's movement is not divided by it any more [–].
LEAST_SCALE = 0.2
#: A sensor counts as stuck where that has had this chance [–] for so long [s]: displays round, and calm water stands still for minutes.
STUCK_CHANCE, STUCK_FOR = 0.95, 30 * 60.0
#: One that shows the same value again this often anyway, because it rounds, has to stand still for longer [–, s].
RESTLESS, ROUNDED_FOR = 0.5, 6 * 3600.0
DAY = 86_400.0


@dataclass(slots=True)
class SensorMemory:
    """One blanket sensor: its conditioning, its drift, and a step its own signal shows that no core has confirmed yet."""

    conditioner: Conditioner
    bank: DriftBank
    drift: Drift
    last_core: float = math.nan
    #: Suspected step not yet in the bank: mean [m], variance [m²], and the whole jump seen [m].
    step_mean: float = 0.0
    step_var: float = 0.0
    step_seen: float = 0.0
    #: When the sensor was worked on, until its first samples after have been matched to the belief; NaN otherwise.
    bridge_time: float = math.nan
    #: The instrument's own word on whether it is in service, and until when that word holds; NaN where it says nothing.
    idle: bool = False
    idle_until: float = math.nan
    #: Since when its own signal says that it is stuck; NaN while it does not.
    stuck_since: float = math.nan

    def is_stuck(self, time: float, chance: float, same: float) -> bool:
        """Whether it has been likely for long enough that it is stuck.

        Parameters
        ----------
        chance : that it is, by its signal. [–]
        same : how often it shows the same value again while it is alive. [–]
        """
        if not chance >= STUCK_CHANCE:
            self.stuck_since = math.nan
        elif self.stuck_since != self.stuck_since:
            self.stuck_since = time
        return time - self.stuck_since >= (STUCK_FOR if same < RESTLESS else ROUNDED_FOR)

    def copy(self) -> SensorMemory:
        """An independent twin."""
        c = self.conditioner
        arm = dataclasses.replace(c.arm, starts=list(c.arm.starts), angles=list(c.arm.angles))
        conditioner = dataclasses.replace(c, tracker=dataclasses.replace(c.tracker), arm=arm)
        return dataclasses.replace(self, conditioner=conditioner, bank=self.bank.copy())

    def speaks(self, time: float, holds: float) -> bool:
        """Whether the sensor has a say: heard of within *holds* seconds, not locked, and not just worked on."""
        conditioner = self.conditioner
        return (
            time - conditioner.last_good <= holds
            and conditioner.tracker.samples > 0
            and not conditioner.locked
            and self.bridge_time != self.bridge_time
        )

    def voice(self, time: float, pivot: float) -> Voice:
        """What the sensor says of the blanket at a time."""
        level, rate, p00, _, p11 = self.conditioner.tracker.ahead(time)
        height, var = self.corrected(level, time, pivot)
        return Voice(height, var + p00 + UNEVEN_VAR, rate, p11, 0.0)

    def corrected(self, level: float, time: float, pivot: float) -> tuple[float, float]:
        """Blanket height from the sensor's level, and the variance its drift gives it. [m, m²]"""
        drift = self.drift
        since = self.bank.time
        days = (time - since) / DAY if since == since else 0.0
        scale = 1.0 + drift.span
        if scale < LEAST_SCALE:
            scale = LEAST_SCALE
        above = (level - self.step_mean - pivot - drift.at(days, 0.0)[0]) / scale
        return pivot + above, (drift.at(days, above)[1] + self.step_var) / (scale * scale)

    def suspect(self, jump: float) -> None:
        """The signal jumped a little and stayed: most likely the sensor shifted; a jump back clears the suspicion. [m]"""
        seen = self.step_seen + jump
        if self.step_seen and abs(seen) < 0.3 * abs(jump):
            self.clear_suspicion()
            return
        self.step_seen = seen
        self.step_mean += (1.0 - REAL_JUMP_CHANCE) * jump
        self.step_var += REAL_JUMP_CHANCE * (1.0 - REAL_JUMP_CHANCE) * jump * jump

    def clear_suspicion(self) -> None:
        """No step is suspected any more."""
        self.step_mean = self.step_var = self.step_seen = 0.0

    def settle_suspicion(self, time: float) -> float:
        """Hand a suspected step over to the filters, for a core to weigh; gives back the jump seen. [m]"""
        self.bank.move(time)
        jump = self.step_seen
        if jump:
            self.bank.shift(self.step_mean, self.step_var)
            self.drift = self.bank.now()
            self.clear_suspicion()
        return jump


def first_sensor(tank: Tank) -> SensorMemory:
    """A sensor never heard of before."""
    bank = DriftBank(tank.side_water_depth)
    return SensorMemory(conditioner=Conditioner(), bank=bank, drift=bank.now())
