"""What may begin as a sensor shows something: each story forks into those that explain it better, likely enough beside it."""

from __future__ import annotations

import math
from enum import Enum, auto
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from service.domain.blanket.story import AWAY, FOLLOWS, FOULING, STUCK, UNIT, UNITS, Array, SensorLevel, Story, row_of
from service.domain.blanket.trace import CALM_SD, MOVES_EVERY, MOVING_SD

if TYPE_CHECKING:
    from service.domain.blanket.bank import Bank

# Everything below: judgement, tuned on invented plants; common practice, no source.
#: Drift in the story of a sensor that is fouling [m/d].
FOULING_SD = 0.5
#: How often, a day [1/d]: a sensor turns away (jump, or slowly), shifts, sticks, changes its unit; the blanket jumps.
AWAY_JUMP, AWAY_SLOW, SHIFTS, STICKS, UNIT_CHANGES, REAL_JUMPS = 0.3, 0.15, 0.03, 0.02, 0.004, 0.015
#: In a rise of this [m/h] that others see, a sensor that lags behind looks through it with this chance each time [–].
RISES_BY, LOOKS_THROUGH = 0.3, 0.02
#: And an offset further than this from where it usually is [m] goes back there.
FROM_HOME, GOES_HOME = 0.15, 2.0
#: How long it stays away, and stuck, or in a wrong unit [h].
AWAY_FOR, STUCK_FOR, UNIT_FOR = 0.5, 20.0, 20.0
#: Chance that a sensor jumps back to what else it was just seeing [–].
FLICKERS = 0.02
#: How long a blanket that has set off may have gone before it is noticed [h].
MOVED_FOR = 0.1
SHIFT_SD, REAL_SD, UNSTUCK_SD = 0.6, 0.9, 0.2
#: Share of shifts that may be of any size [–], and how wide those are [m].
SHIFT_FAR, SHIFT_FAR_SD = 0.5, 1.6
#: Chance, looked at regularly, that what a sensor saw beside the blanket for long was a shift [–], of any size [m].
WAS_SHIFT, WAS_SHIFT_SD = 0.02, 4.0
#: How far the blanket may be from where it was left, for a sensor that comes back by itself [m].
COMES_BACK_SD = 0.35
#: How long a dispersed surface stays above a compact one that a sensor follows [h].
DISPERSED_FOR = 4.0
#: Stories that need no event to begin are looked at so often [h].
REGULARLY = 2.0
#: Forks are made from this chance on.
FORK_CHANCE = 5e-4


class Change(Enum):
    """What happened to a story before the sensor's level is taken."""

    UNTAKEN = auto()  #: the level says nothing of the blanket
    NONE = auto()
    SHIFTS = auto()  #: the sensor's offset jumped
    HOME = auto()  #: it went back to where it usually is
    FOULS = auto()  #: it began to drift
    SETS_OFF = auto()  #: the blanket moves
    JUMPS = auto()  #: the blanket jumped


class Fork(NamedTuple):
    """A story that begins."""

    story: int  #: that it forks from
    weight: float
    mode: int  #: of the sensor from now on
    change: Change
    var: float  #: of what changed
    height: float  #: that is taken [m]
    noise_var: float


class Forks:
    """The stories that begin as one sensor shows something.

    ``nu`` and ``residual_var`` are how far it is from what each story and regime expected [m], and the variance of that [m²];
    ``going_on`` are the weights of the stories as they go on; ``regular`` is whether those are looked at that need no event.
    """

    def __init__(
        self, bank: Bank, i: int, shown: SensorLevel, nu: Array, residual_var: Array, going_on: Array, *, regular: bool
    ) -> None:
        self.bank, self.i, self.shown, self.regular = bank, i, shown, regular
        self.b = 2 + 2 * i
        self.days = min(shown.hours, 6.0) / 24.0
        self.uniform = 1.0 / bank.range
        self.going_on = going_on
        self.least = FORK_CHANCE * float(going_on.sum())
        self.modes = bank.mode[:, i].tolist()
        self.mu, self.weights = bank.mu.tolist(), bank.w.tolist()
        self.nu, self.residual_var = nu.tolist(), residual_var.tolist()
        self.found: list[Fork] = []

    def find(self) -> list[Fork]:
        """All of them."""
        for k, mode in enumerate(self.modes):
            if self.weights[k] < self.least:
                continue
            if mode in (FOLLOWS, FOULING):
                self._from_following(k, mode)
            elif mode == AWAY:
                self._from_away(k)
            elif mode == STUCK:
                self._from_stuck(k)
            else:
                self._from_another_unit(k)
        return self.found

    def begun(self, fork: Fork) -> Story:
        """The new story: what happened, then the measurement taken."""
        bank, k, b = self.bank, fork.story, self.b
        x, cov, mu = bank.x[k].copy(), bank.cov[k].copy(), bank.mu[k].copy()
        modes = bank.mode[k].copy()
        modes[self.i] = fork.mode
        if fork.mode == AWAY:
            # What looked like movement may have been the other thing coming: the height goes on calmly.
            x[:, 1] *= 0.3
        elif self.modes[k] == AWAY:
            # And how fast the height nobody saw is going by now, one that is back tells only from now on.
            mu = np.array([0.993, 0.007])
            x[:, 1] = cov[:, 1, :] = cov[:, :, 1] = 0.0
            cov[:, 1, 1] = (CALM_SD**2, MOVING_SD**2)
        match fork.change:
            case Change.SHIFTS:
                cov[:, b, b] += fork.var
            case Change.SETS_OFF:
                set_off = np.zeros(bank.d)
                set_off[0], set_off[1] = MOVED_FOR, 1.0
                cov += fork.var * set_off[:, None] * set_off[None, :]
                mu = np.array([0.02, 0.98])
            case Change.HOME:
                cov[:, b, :] = 0.0
                cov[:, :, b] = 0.0
                cov[:, b, b] = bank.home_var[self.i]
                x[:, b] = bank.home[self.i]
            case Change.JUMPS:
                cov[:, 0, 0] += fork.var
            case Change.FOULS:
                cov[:, b + 1, b + 1] += fork.var
        story = Story(fork.weight, x, cov, mu, modes)
        if fork.change is Change.UNTAKEN:
            return story
        return story.taken(row_of(bank.d, 0, b), fork.height, fork.noise_var)

    # --- by what the sensor was doing ---------------------------------------------------------------------------------

    def _from_following(self, k: int, mode: int) -> None:
        """It turns away, shifts, goes home, changes its unit, sticks or fouls; or the blanket sets off or jumps."""
        bank, shown, days, uniform = self.bank, self.shown, self.days, self.uniform
        nu, residual_var = self.nu[k][0], self.residual_var[k][0]
        alive = self.weights[k] * shown.alive
        up = nu > 0.0
        at_home = nu * nu < 9.0 * residual_var
        odds = bank.rise_odds if up else 1.0
        # One that lags behind a rise others see looks through it, more likely when a rise is likely.
        slow = AWAY_SLOW * (1.0 if up else bank.rise_odds) * days
        if bank.n > 1 and not up and self.mu[k][1] * float(bank.x[k, 1, 1]) > RISES_BY:
            slow = LOOKS_THROUGH
        jumps = bank.away_rate[self.i] * days * uniform
        away = alive * (jumps + slow * shown.coherent + FLICKERS * shown.other * (not at_home))
        self._untaken(k, away, AWAY, always=self.regular and mode == FOLLOWS)
        # One that shows what was expected says nothing of a movement.
        if nu * nu > residual_var:
            moves = alive * 3.0 * shown.hours / MOVES_EVERY * odds * self._fit(k, (MOVING_SD * MOVED_FOR) ** 2)
            self._begins(k, moves, mode, Change.SETS_OFF, MOVING_SD**2)
        if alive * SHIFTS * days * 1.0 > self.least:
            near = (1.0 - SHIFT_FAR) * self._fit(k, SHIFT_SD**2)
            far = SHIFT_FAR * self._fit(k, SHIFT_FAR_SD**2)
            spread = SHIFT_SD if near > far else SHIFT_FAR_SD
            self._begins(k, alive * SHIFTS * days * (near + far), mode, Change.SHIFTS, spread**2)
            real = alive * REAL_JUMPS * odds * days * self._fit(k, REAL_SD**2)
            self._begins(k, real, mode, Change.JUMPS, REAL_SD**2)
            offset = float((bank.mu[k] * bank.x[k, :, self.b]).sum())
            if abs(offset - bank.home[self.i]) > FROM_HOME:
                self._begins(k, alive * GOES_HOME * days * self._at_home(k), FOLLOWS, Change.HOME)
            for j, scale in enumerate(UNITS):
                height, noise_var = self._in_unit(j)
                wrong = alive * UNIT_CHANGES * days * scale * self._fit(k, 0.0, height, noise_var)
                self._begins(k, wrong, UNIT + j, Change.NONE, taken=(height, noise_var))
        self._untaken(k, self.weights[k] * STICKS * days * shown.stuck * shown.coherent, STUCK)
        if self.regular and mode == FOLLOWS:
            fouls = alive * bank.foul_rate[self.i] / 12.0 * self._fit(k, 0.0)
            self._begins(k, fouls, FOULING, Change.FOULS, FOULING_SD**2, always=True)

    def _from_away(self, k: int) -> None:
        """It is back, where it was or where it usually is; or what it sees is the blanket after all, shifted or in another unit."""
        bank, shown = self.bank, self.shown
        alive = self.weights[k] * shown.alive
        lately = shown.hours / AWAY_FOR
        if bank.dispersed:
            # What was above the compact surface has gone: the blanket is where the sensor sees it.
            gone = alive * shown.hours / DISPERSED_FOR * shown.coherent
            self._begins(k, gone, FOLLOWS, Change.JUMPS, bank.range**2)
        # The height nobody has seen meanwhile is not taken to have come to where the sensor is by time alone.
        self._begins(k, alive * lately * self._back(k, *self._own), FOLLOWS, Change.NONE)
        self._begins(k, alive * lately * 0.2 * self._at_home(k), FOLLOWS, Change.HOME)
        if self.regular:
            going_on = float(self.going_on[k])
            # One that is off by more than the tank is deep shows nothing of it.
            if abs(shown.heights[0] - float(bank.mu[k] @ bank.x[k, :, 0])) <= bank.depth - bank.lowest:
                self._begins(k, going_on * WAS_SHIFT, FOLLOWS, Change.SHIFTS, WAS_SHIFT_SD**2, always=True)
            for j, scale in enumerate(UNITS):
                height, noise_var = self._in_unit(j)
                there = self._back(k, height, noise_var) * scale
                unit = going_on * UNIT_CHANGES * REGULARLY / 24.0 * there / self.uniform
                self._begins(k, unit, UNIT + j, Change.NONE, taken=(height, noise_var))
        self._untaken(k, self.weights[k] * STICKS * self.days * shown.stuck * shown.coherent, STUCK)

    def _from_stuck(self, k: int) -> None:
        """It moves again, or sees something else."""
        alive = self.weights[k] * self.shown.alive
        lately = self.shown.hours / STUCK_FOR
        back = alive * lately * self._fit(k, UNSTUCK_SD**2)
        self._begins(k, back, FOLLOWS, Change.JUMPS, UNSTUCK_SD**2)
        self._untaken(k, alive * 0.1 * lately * self.uniform, AWAY)

    def _from_another_unit(self, k: int) -> None:
        """Its unit is right again, or it turns away."""
        alive = self.weights[k] * self.shown.alive
        back = alive * (self.shown.hours / UNIT_FOR) * self._fit(k, 0.0, *self._own)
        self._begins(k, back, FOLLOWS, Change.NONE)
        self._untaken(k, alive * AWAY_JUMP * self.days * self.uniform, AWAY)

    # --- likelihoods --------------------------------------------------------------------------------------------------

    @property
    def _own(self) -> tuple[float, float]:
        """The level in the sensor's own unit, and its variance."""
        return self.shown.heights[0], self.shown.noise_var

    def _in_unit(self, j: int) -> tuple[float, float]:
        """The level taken in another unit, and its variance."""
        return self.shown.heights[j + 1], self.shown.noise_var * UNITS[j] ** 2

    def _fit(self, k: int, wider: float, value: float | None = None, var: float | None = None) -> float:
        """Density of the level, or another value, were the story less sure by that variance. [1/m]"""
        heights, mode = self.shown.heights, self.modes[k]
        unit = UNITS[mode - UNIT] if mode >= UNIT else 1.0
        taken_of = heights[mode - UNIT + 1] if mode >= UNIT else heights[0]
        out = 0.0
        for g in (0, 1):
            s = self.residual_var[k][g] + wider + (0.0 if var is None else var - self.shown.noise_var * unit * unit)
            v = self.nu[k][g] + (0.0 if value is None else value - taken_of)
            out += self.mu[k][g] * math.exp(-0.5 * v * v / s) / math.sqrt(6.283185307179586 * s)
        return out

    def _back(self, k: int, height: float, noise_var: float) -> float:
        """Density of a level were the sensor back, and the blanket near where it was left. [1/m]"""
        bank, b, out = self.bank, self.b, 0.0
        for g in (0, 1):
            cov, x = bank.cov[k, g], bank.x[k, g]
            whole = float(cov[0, 0] + 2.0 * cov[0, b] + cov[b, b])
            s = min(whole, COMES_BACK_SD**2 + float(cov[b, b])) + noise_var
            v = height - float(x[0] + x[b])
            out += float(bank.mu[k, g]) * math.exp(-0.5 * v * v / s) / math.sqrt(6.283185307179586 * s)
        return out

    def _at_home(self, k: int) -> float:
        """Density of the level were the sensor's offset back where it usually is. [1/m]"""
        bank, out = self.bank, 0.0
        height, noise_var = self._own
        for g in (0, 1):
            s = min(float(bank.cov[k, g, 0, 0]), COMES_BACK_SD**2) + bank.home_var[self.i] + noise_var
            v = height - float(bank.x[k, g, 0]) - bank.home[self.i]
            out += float(bank.mu[k, g]) * math.exp(-0.5 * v * v / s) / math.sqrt(6.283185307179586 * s)
        return out

    # --- what is likely enough ----------------------------------------------------------------------------------------

    def _begins(
        self, k: int, weight: float, mode: int, change: Change, var: float = 0.0,
        *, taken: tuple[float, float] | None = None, always: bool = False,
    ) -> None:  # fmt: skip
        if always or weight > self.least:
            self.found.append(Fork(k, weight, mode, change, var, *(taken or self._own)))

    def _untaken(self, k: int, weight: float, mode: int, *, always: bool = False) -> None:
        if always or weight > self.least:
            self.found.append(Fork(k, weight, mode, Change.UNTAKEN, 0.0, 0.0, 0.0))
