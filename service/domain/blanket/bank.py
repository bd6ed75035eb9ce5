"""The bank of rival stories about one tank: which sensors follow the blanket, how far off each is, where the blanket is.

A story says for every sensor what it sees. In each story the state is normal: the height of the top that counts, its rate, and for
every sensor its offset and the offset's drift. Height and rate go in one of two regimes, calm or moving, mixed as interacting
multiple models; a measurement that may be a stray one is weighed as probabilistic data association does; stories fork when something
happens that another story explains better, and are merged and pruned after, which keeps the memory constant.

References
----------
Blom, H. A. P., Bar-Shalom, Y. (1988). The interacting multiple model algorithm for systems with Markovian switching coefficients.
IEEE Trans. Automatic Control 33(8), 780–783. doi:10.1109/9.1299
Bar-Shalom, Y., Tse, E. (1975). Tracking in a cluttered environment with probabilistic data association. Automatica 11(5), 451–460.
doi:10.1016/0005-1098(75)90021-7
Reid, D. B. (1979). An algorithm for tracking multiple targets. IEEE Trans. Automatic Control 24(6), 843–854.
doi:10.1109/TAC.1979.1102177 (stories over what each measurement comes from, pruned and merged).
Salmond, D. J. (2009). Mixture reduction algorithms for point and extended object tracking in clutter. IEEE Trans. Aerospace and
Electronic Systems 45(2), 667–686. doi:10.1109/TAES.2009.5089549 (joining what lies close by).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from copy import copy
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.domain.blanket.level import damped_step
from service.domain.blanket.trace import CALM_SD, MOVES_EVERY, MOVES_FOR, MOVING_SD, RATE_MEMORY, UNEVEN_SD
from service.domain.blanket.work_effect import WRITTEN_SD

Array = NDArray[np.float64]

# What a sensor is seen doing in a story.
FOLLOWS, FOULING, AWAY, STUCK = 0, 1, 2, 3
#: From here on: follows, but in another unit; index into UNITS.
UNIT = 4
#: What a value is multiplied with to be right again: sent in feet, in metres taken for feet, in centimetres, in inches.
UNITS = (0.3048, 1.0 / 0.3048, 0.01, 0.0254)

# Everything below: judgement, tuned on invented plants; common practice, no source.
#: Offset walk [m/√d]; drift [m/d] in the story of a sensor that follows, and of one that is fouling; how long it persists [d].
WALK_SD, DRIFT_SD, FOULING_SD, DRIFT_MEMORY = 0.02, 0.03, 0.5, 6.0
#: How often, a day [1/d]: a sensor turns away (jump, or slowly), shifts, sticks, changes its unit, fouls; the blanket jumps.
AWAY_JUMP, AWAY_SLOW, SHIFTS, STICKS, UNIT_CHANGES, FOULS, REAL_JUMPS = 0.3, 0.15, 0.03, 0.02, 0.004, 0.08, 0.015
#: How often a sensor turns away is learned over this [d], up to so often a day.
AWAY_MEMORY, MOST_AWAY = 5.0, 12.0
#: How often it fouls is learned over this [d], up to so often a day.
FOUL_MEMORY, MOST_FOULS = 15.0, 0.5
#: In a rise of this [m/h] that others see, a sensor that lags behind looks through it with this chance each time [–].
RISES_BY, LOOKS_THROUGH = 0.3, 0.02
#: And an offset further than this from where it usually is [m] goes back there.
FROM_HOME, GOES_HOME = 0.15, 2.0
#: Chance, looked at regularly, of the story that nothing is wrong, while the last core agreed with it to this [–, m]; what is now [s].
AS_USUAL, AGREES, JUST_NOW = 0.01, 0.3, 900.0
#: How long it stays away, and stuck, or in a wrong unit [h].
AWAY_FOR, STUCK_FOR, UNIT_FOR = 0.5, 20.0, 20.0
#: Chance that a sensor jumps back to what else it was just seeing [–].
FLICKERS = 0.02
#: How long a blanket that has set off may have gone before it is noticed [h].
MOVED_FOR = 0.1
#: Share of stray samples among those of a sensor that follows, and of jumps while it is away [–]: one that goes on steadily loses
#: little by being away, and one that jumps about, as fluff does, not much more.
STRAY, JUMPY = 0.02, 0.05
SHIFT_SD, REAL_SD = 0.6, 0.9
#: Share of shifts that may be of any size [–], and how wide those are [m].
SHIFT_FAR, SHIFT_FAR_SD = 0.5, 1.6
#: What a sensor sees beside the blanket lies in the water, as far as its offset is known [m]; a level outside it counts so little [–].
IN_WATER_SD, OUT_OF_WATER = 0.15, 0.02
#: What lasts longer than this was hardly something else that the sensor saw [h]; chance, looked at regularly, that it was a shift [–],
#: of any size [m].
AWAY_LASTS, WAS_SHIFT, WAS_SHIFT_SD = 8.0, 0.02, 4.0
#: Stories that need no event to begin are looked at so often [h].
REGULARLY = 2.0
#: How far the blanket may be from where it was left, for a sensor that comes back by itself [m].
COMES_BACK_SD = 0.35
#: Cores: noise with the person's lean [m], share of wrong ones [–], and what else one may show, with its chance.
CORE_SD, CORE_WRONG = 0.085, 0.035
CORE_SHIFT, CORE_AWAY, CORE_FOULING = 0.004, 0.005, 0.03
#: And how much less likely it is of several sensors at once that agree [–].
TOGETHER = 0.4
#: How far off a height may turn out to be that nobody has seen for a while [m].
CORE_FAR_SD = 1.6
#: What people lean to one side by, however many cores they take [m].
LEAN_SD = 0.04
#: Stories below this chance are let go; forks are made from the other on; no more stories than so many.
LEAST_CHANCE, FORK_CHANCE, MOST_STORIES = 1e-4, 5e-4, 12
DRIFT_STEP = 1.0 / 3.0  #: drift is carried forward in steps of this [h]


class Bank:
    """Stories with their chances; arrays run over stories, then regimes, then state."""

    def __init__(self, sensors: int, lowest: float, depth: float) -> None:
        self.n = sensors
        self.lowest, self.depth = lowest, depth
        self.range = depth - lowest + 0.5
        self.d = 2 + 2 * sensors
        self.w: Array = np.ones(1)
        self.mu: Array = np.array([[0.9, 0.1]])
        self.x: Array = np.zeros((1, 2, self.d))
        self.cov: Array = np.zeros((1, 2, self.d, self.d))
        self.mode: NDArray[np.int64] = np.zeros((1, sensors), dtype=np.int64)
        self.x[:, :, 0] = lowest + 0.3 * (depth - lowest)
        self.cov[:, :, 0, 0] = (0.35 * (depth - lowest)) ** 2
        self.cov[:, 0, 1, 1], self.cov[:, 1, 1, 1] = CALM_SD**2, MOVING_SD**2
        for i in range(sensors):
            self.cov[:, :, 2 + 2 * i, 2 + 2 * i] = 0.25**2
            self.cov[:, :, 3 + 2 * i, 3 + 2 * i] = DRIFT_SD**2
        self.time = math.nan
        self.drift_time = math.nan
        self.fork_times = [math.nan] * sensors
        self.last_core = self.core_height = math.nan
        #: Where each sensor's offset usually is [m] and how surely [m²], learned at cores.
        self.home = [0.0] * sensors
        self.home_var = [0.25**2] * sensors
        #: How often each sensor has been turning away and coming back by itself [1/d].
        self.away_rate = [AWAY_JUMP] * sensors
        #: What each sensor last showed, and when.
        self.levels = [math.nan] * sensors
        self.level_times = [math.nan] * sensors
        #: Whether the last core was where the sensors, as far off as usual, showed the blanket.
        self.usual_agreed = False
        #: How often each sensor has been found fouling by cores [1/d].
        self.foul_rate = [FOULS] * sensors
        #: How much more likely than usual a rise is, by flows and sister tanks [–].
        self.rise_odds = 1.0

    # --- time ---------------------------------------------------------------------------------------------------------

    def ahead(self, time: float) -> None:
        """Carry every story forward to a time. [s]"""
        if not time > self.time:
            if self.time != self.time:
                self.time = self.drift_time = time
            return
        hours = (time - self.time) / 3600.0
        self.time = time
        x, cov = self._mixed(hours)
        step = damped_step(hours, RATE_MEMORY)
        d, e = step.reach, step.fade
        x[:, :, 0] += d * x[:, :, 1]
        x[:, :, 1] *= e
        cov[:, :, 0, :] += d * cov[:, :, 1, :]
        cov[:, :, 1, :] *= e
        cov[:, :, :, 0] += d * cov[:, :, :, 1]
        cov[:, :, :, 1] *= e
        q = np.array([CALM_SD**2, MOVING_SD**2])
        cov[:, :, 0, 0] += step.q00 * q + 2e-5 * hours
        cov[:, :, 0, 1] += step.q01 * q
        cov[:, :, 1, 0] += step.q01 * q
        cov[:, :, 1, 1] += step.q11 * q
        self.x, self.cov = x, cov
        since = (time - self.drift_time) / 3600.0
        if since >= DRIFT_STEP:
            self._drift(since / 24.0)
            self.drift_time = time

    def _mixed(self, hours: float) -> tuple[Array, Array]:
        """Interaction of the two regimes over a time."""
        start = -math.expm1(-hours / MOVES_EVERY * min(self.rise_odds, 6.0))
        stop = -math.expm1(-hours / MOVES_FOR)
        total = start + stop
        if total > 0.99:
            start, stop = 0.99 * start / total, 0.99 * stop / total
        calm, moving = self.mu[:, 0], self.mu[:, 1]
        to_calm, to_moving = stop * moving, start * calm
        new_calm, new_moving = calm - to_moving + to_calm, moving - to_calm + to_moving
        a0 = (to_calm / new_calm)[:, None]
        a1 = (to_moving / new_moving)[:, None]
        x, cov = self.x, self.cov
        diff = x[:, 0] - x[:, 1]
        outer = diff[:, :, None] * diff[:, None, :]
        mixed = np.empty_like(x)
        mixed[:, 0] = x[:, 0] - a0 * diff
        mixed[:, 1] = x[:, 1] + a1 * diff
        a0, a1 = a0[:, :, None], a1[:, :, None]
        both = np.empty_like(cov)
        between = cov[:, 1] - cov[:, 0]
        both[:, 0] = cov[:, 0] + a0 * between + (a0 * (1.0 - a0)) * outer
        both[:, 1] = cov[:, 1] - a1 * between + (a1 * (1.0 - a1)) * outer
        self.mu = np.stack([new_calm, new_moving], axis=1)
        return mixed, both

    def _drift(self, days: float) -> None:
        """Offsets go on, and heights nobody sees are kept within the tank."""
        days = min(days, 400.0)
        fade = math.exp(-days / DRIFT_MEMORY)
        reach = DRIFT_MEMORY * (1.0 - fade)
        x, cov = self.x, self.cov
        for i in range(self.n):
            b, t = 2 + 2 * i, 3 + 2 * i
            x[:, :, b] += reach * x[:, :, t]
            x[:, :, t] *= fade
            cov[:, :, b, :] += reach * cov[:, :, t, :]
            cov[:, :, t, :] *= fade
            cov[:, :, :, b] += reach * cov[:, :, :, t]
            cov[:, :, :, t] *= fade
            fresh = np.where(self.mode[:, i] == FOULING, FOULING_SD**2, DRIFT_SD**2)[:, None] * (1.0 - fade * fade)
            cov[:, :, t, t] += fresh
            cov[:, :, b, b] += WALK_SD**2 * days + fresh * reach * reach / 3.0
            self._cap(b, 4.0)
        self._cap(0, (0.4 * (self.depth - self.lowest)) ** 2)
        np.clip(x[:, :, 0], self.lowest, self.depth + 0.2, out=x[:, :, 0])

    def _cap(self, row: int, most: float) -> None:
        var = self.cov[:, :, row, row]
        if float(var.max()) > most:
            scale = np.sqrt(np.minimum(1.0, most / var))[:, :, None]
            self.cov[:, :, row, :] *= scale
            self.cov[:, :, :, row] *= scale

    # --- a sensor -----------------------------------------------------------------------------------------------------

    def sensor(
        self,
        i: int,
        heights: Sequence[float],
        noise_var: float,
        coherent: float,
        other: float,
        alive: float,
        stuck: float,
        hours: float,
    ) -> None:
        """Take what a sensor showed over some minutes.

        Parameters
        ----------
        heights : its level as a height, taken in its own unit and in each of :data:`UNITS`. [m]
        coherent : density of that level going by where the sensor itself was before, whatever it sees. [1/m]
        other : density of it going by the level the sensor last jumped away from. [1/m]
        alive, stuck : likelihood of how it fluctuated, for a live and for a stuck sensor. [–]
        hours : since it last showed something. [h]
        """
        b = 2 + 2 * i
        self.levels[i], self.level_times[i] = heights[0], self.time
        if self.time - self.last_core <= JUST_NOW and not self.usual_agreed:
            self.usual_agreed = self._agrees()
        x, cov, w, mu = self.x, self.cov, self.w, self.mu
        modes = self.mode[:, i]
        uniform = 1.0 / self.range
        y: Any = heights[0]
        noise: Any = noise_var
        jac: Any = 1.0
        following = (modes != AWAY) & (modes != STUCK)
        if int(modes.max()) >= UNIT:
            scale = np.array([UNITS[m - UNIT] if m >= UNIT else 1.0 for m in modes.tolist()])
            y = np.array([heights[m - UNIT + 1] if m >= UNIT else heights[0] for m in modes.tolist()])[:, None]
            noise, jac = (noise_var * scale * scale)[:, None], scale[:, None]
        cross = cov[:, :, 0] + cov[:, :, b]
        residual_var = cross[:, :, 0] + cross[:, :, b] + noise
        nu = y - x[:, :, 0] - x[:, :, b]
        fits = (1.0 - STRAY) * jac * np.exp(-0.5 * nu * nu / residual_var) / np.sqrt(6.283185307179586 * residual_var)
        like = fits + STRAY * uniform
        elsewhere: Any = max((1.0 - STRAY) * coherent, JUMPY * uniform)
        if AWAY in modes.tolist():
            elsewhere = elsewhere * math.exp(-hours / AWAY_LASTS) * self._in_water(b, heights[0])
        lk = (mu * like).sum(axis=1)
        f = following.astype(np.float64)
        live = np.where(modes == STUCK, stuck * coherent, np.where(following, lk, elsewhere) * alive)
        new_w = w * live
        total = sum(new_w.tolist())
        forks = self._forks(i, heights, noise_var, coherent, other, alive, stuck, hours, nu, residual_var, new_w)
        # The update, each story and regime by how far the measurement is its own.
        part = (fits / like) * f[:, None]
        gain = cross * (1.0 / residual_var)[:, :, None]
        step = (part * nu)[:, :, None] * gain
        self.x = x + step
        spread = part * (1.0 - part) * nu * nu - part * residual_var
        self.cov = cov + spread[:, :, None, None] * (gain[:, :, :, None] * gain[:, :, None, :])
        if f.all():
            self.mu = mu * like / lk[:, None]
        else:
            self.mu = np.where(following[:, None], mu * like / lk[:, None], mu)
        self.w = new_w
        self._limit_mu()
        self._settle(forks, total)

    def _in_water(self, b: int, level: float) -> Array:
        """Chance that a level seen beside the blanket lies between floor and water surface, one a story. [–]"""
        x, mu = self.x, self.mu
        place = level - (mu * x[:, :, b]).sum(axis=1)
        var = (mu * self.cov[:, :, b, b]).sum(axis=1) + IN_WATER_SD**2
        chances = []
        for at, v in zip(place.tolist(), var.tolist(), strict=True):
            wide = math.sqrt(2.0 * v)
            below_surface = 0.5 * math.erfc((at - self.depth - 0.1) / wide)
            above_floor = 0.5 * math.erfc((self.lowest - 0.2 - at) / wide)
            chances.append(max(below_surface * above_floor, OUT_OF_WATER))
        return np.array(chances)

    def _limit_mu(self) -> None:
        np.clip(self.mu, 1e-6, 1.0, out=self.mu)
        self.mu /= self.mu.sum(axis=1)[:, None]

    def _forks(
        self,
        i: int,
        heights: Sequence[float],
        noise_var: float,
        coherent: float,
        other: float,
        alive: float,
        stuck: float,
        hours: float,
        nu: Array,
        residual_var: Array,
        new_w: Array,
    ) -> list[tuple[Any, ...]]:
        """Stories that begin now and are likely enough beside those that go on."""
        days = min(hours, 6.0) / 24.0
        uniform = 1.0 / self.range
        total = float(new_w.sum())
        least = FORK_CHANCE * total
        found: list[tuple[Any, ...]] = []
        modes = self.mode[:, i].tolist()
        mu, weights = self.mu.tolist(), self.w.tolist()
        nus, residual_vars = nu.tolist(), residual_var.tolist()
        rates = self.x[:, 1, 1].tolist()
        offsets = (self.mu * self.x[:, :, 2 + 2 * i]).sum(axis=1).tolist()

        def fit(k: int, wider: float, value: float | None = None, var: float | None = None) -> float:
            mode = modes[k]
            unit = UNITS[mode - UNIT] if mode >= UNIT else 1.0
            taken_of = heights[mode - UNIT + 1] if mode >= UNIT else heights[0]
            out = 0.0
            for g in (0, 1):
                s = residual_vars[k][g] + wider + (0.0 if var is None else var - noise_var * unit * unit)
                v = nus[k][g] + (0.0 if value is None else value - taken_of)
                out += mu[k][g] * math.exp(-0.5 * v * v / s) / math.sqrt(6.283185307179586 * s)
            return out

        regular = not self.time < self.fork_times[i] + REGULARLY * 3600.0
        if regular:
            self.fork_times[i] = self.time
        for k, mode in enumerate(modes):
            w = weights[k]
            if w < least:
                continue
            if mode in (FOLLOWS, FOULING):
                up = nus[k][0] > 0.0
                at_home = nus[k][0] * nus[k][0] < 9.0 * residual_vars[k][0]
                odds = self.rise_odds if up else 1.0
                # One that lags behind a rise others see looks through it, more likely when a rise is likely.
                slow = AWAY_SLOW * (1.0 if up else self.rise_odds) * days
                if self.n > 1 and not up and mu[k][1] * rates[k] > RISES_BY:
                    slow = LOOKS_THROUGH
                away = (
                    w
                    * alive
                    * (self.away_rate[i] * days * uniform + slow * coherent + FLICKERS * other * (not at_home))
                )
                if away > least or (regular and mode == FOLLOWS):
                    found.append((k, away, AWAY, None, 0.0, 0.0, None))
                # One that shows what was expected says nothing of a movement.
                if nus[k][0] * nus[k][0] > residual_vars[k][0]:
                    moves = w * alive * 3.0 * hours / MOVES_EVERY * odds * fit(k, (MOVING_SD * MOVED_FOR) ** 2)
                    if moves > least:
                        found.append((k, moves, mode, "moves", MOVING_SD**2, heights[0], noise_var))
                if w * alive * SHIFTS * days * 1.0 > least:
                    near = (1.0 - SHIFT_FAR) * fit(k, SHIFT_SD**2)
                    far = SHIFT_FAR * fit(k, SHIFT_FAR_SD**2)
                    shift = w * alive * SHIFTS * days * (near + far)
                    if shift > least:
                        spread = SHIFT_SD if near > far else SHIFT_FAR_SD
                        found.append((k, shift, mode, "shift", spread**2, heights[0], noise_var))
                    real = w * alive * REAL_JUMPS * odds * days * fit(k, REAL_SD**2)
                    if real > least:
                        found.append((k, real, mode, "real", REAL_SD**2, heights[0], noise_var))
                    if abs(offsets[k] - self.home[i]) > FROM_HOME:
                        home = w * alive * GOES_HOME * days * self._at_home(k, i, heights[0], noise_var)
                        if home > least:
                            found.append((k, home, FOLLOWS, "home", 0.0, heights[0], noise_var))
                    for j, scale in enumerate(UNITS):
                        wrong = (
                            w * alive * UNIT_CHANGES * days * scale * fit(k, 0.0, heights[j + 1], noise_var * scale**2)
                        )
                        if wrong > least:
                            found.append((k, wrong, UNIT + j, "same", 0.0, heights[j + 1], noise_var * scale**2))
                sticks = w * STICKS * days * stuck * coherent
                if sticks > least:
                    found.append((k, sticks, STUCK, None, 0.0, 0.0, None))
                if regular and mode == FOLLOWS:
                    found.append(
                        (
                            k,
                            w * alive * self.foul_rate[i] / 12.0 * fit(k, 0.0),
                            FOULING,
                            "foul",
                            FOULING_SD**2,
                            heights[0],
                            noise_var,
                        )
                    )
            elif mode == AWAY:
                # The height nobody has seen meanwhile is not taken to have come to where the sensor is by time alone.
                back = w * alive * (hours / AWAY_FOR) * self._back(k, i, heights[0], noise_var)
                if back > least:
                    found.append((k, back, FOLLOWS, "same", 0.0, heights[0], noise_var))
                home = w * alive * (hours / AWAY_FOR) * 0.2 * self._at_home(k, i, heights[0], noise_var)
                if home > least:
                    found.append((k, home, FOLLOWS, "home", 0.0, heights[0], noise_var))
                # One that is off by more than the tank is deep shows nothing of it.
                if regular and abs(heights[0] - float(self.mu[k] @ self.x[k, :, 0])) <= self.depth - self.lowest:
                    shift = new_w[k] * WAS_SHIFT
                    found.append((k, shift, FOLLOWS, "shift", WAS_SHIFT_SD**2, heights[0], noise_var))
                if regular:  # and whether it was its unit
                    for j, scale in enumerate(UNITS):
                        there = self._back(k, i, heights[j + 1], noise_var * scale**2) * scale
                        unit = new_w[k] * UNIT_CHANGES * REGULARLY / 24.0 * there / uniform
                        if unit > least:
                            found.append((k, unit, UNIT + j, "same", 0.0, heights[j + 1], noise_var * scale**2))
                sticks = w * STICKS * days * stuck * coherent
                if sticks > least:
                    found.append((k, sticks, STUCK, None, 0.0, 0.0, None))
            elif mode == STUCK:
                back = w * alive * (hours / STUCK_FOR) * fit(k, 0.2**2)
                if back > least:
                    found.append((k, back, FOLLOWS, "real", 0.2**2, heights[0], noise_var))
                away = w * alive * 0.1 * (hours / STUCK_FOR) * uniform
                if away > least:
                    found.append((k, away, AWAY, None, 0.0, 0.0, None))
            else:
                back = w * alive * (hours / UNIT_FOR) * fit(k, 0.0, heights[0], noise_var)
                if back > least:
                    found.append((k, back, FOLLOWS, "same", 0.0, heights[0], noise_var))
                away = w * alive * AWAY_JUMP * days * uniform
                if away > least:
                    found.append((k, away, AWAY, None, 0.0, 0.0, None))
        came_back = sum(fork[1] for fork in found if fork[2] == FOLLOWS and modes[fork[0]] == AWAY)
        share = came_back / (total + sum(fork[1] for fork in found)) if came_back else 0.0
        rate = self.away_rate[i]
        rate += (AWAY_JUMP - rate) * min(days / AWAY_MEMORY, 1.0) + share / AWAY_MEMORY
        self.away_rate[i] = min(rate, MOST_AWAY)
        forks = [self._forked(i, fork) for fork in found]
        if regular and self.usual_agreed and alive > stuck:
            forks.append(self._as_usual(AS_USUAL * total, noise_var))
        return forks

    def _fresh(self) -> list[int]:
        """Sensors that showed something just now."""
        return [i for i in range(self.n) if self.time - self.level_times[i] <= JUST_NOW]

    def _agrees(self) -> bool:
        """Whether every sensor heard just now, as far off as usual, shows what the last core showed."""
        fresh = self._fresh()
        return bool(fresh) and all(abs(self.levels[i] - self.home[i] - self.core_height) <= AGREES for i in fresh)

    def _as_usual(self, weight: float, noise_var: float) -> tuple[float, Array, Array, Array, NDArray[np.int64]]:
        """The story that nothing is wrong: every sensor follows, and is as far off as it usually is."""
        x, cov = np.zeros((2, self.d)), np.zeros((2, self.d, self.d))
        x[:, 0] = 0.5 * (self.lowest + self.depth)
        cov[:, 0, 0] = self.range**2
        cov[:, 1, 1] = (CALM_SD**2, MOVING_SD**2)
        for i in range(self.n):
            b, t = 2 + 2 * i, 3 + 2 * i
            x[:, b] = self.home[i]
            cov[:, b, b], cov[:, t, t] = self.home_var[i], DRIFT_SD**2
        mu = np.array([0.9, 0.1])
        for i in self._fresh():
            x, cov, mu = taken(x, cov, mu, _row(self.d, 0, 2 + 2 * i), self.levels[i], noise_var)
        return weight, x, cov, mu, np.full(self.n, FOLLOWS, dtype=np.int64)

    def _back(self, k: int, i: int, height: float, noise_var: float) -> float:
        b = 2 + 2 * i
        out = 0.0
        for g in (0, 1):
            cov, x = self.cov[k, g], self.x[k, g]
            whole = float(cov[0, 0] + 2.0 * cov[0, b] + cov[b, b])
            s = min(whole, COMES_BACK_SD**2 + float(cov[b, b])) + noise_var
            v = height - float(x[0] + x[b])
            out += float(self.mu[k, g]) * math.exp(-0.5 * v * v / s) / math.sqrt(6.283185307179586 * s)
        return out

    def _at_home(self, k: int, i: int, height: float, noise_var: float) -> float:
        """Density of a level were the sensor's offset back where it usually is. [1/m]"""
        out = 0.0
        for g in (0, 1):
            s = min(float(self.cov[k, g, 0, 0]), COMES_BACK_SD**2) + self.home_var[i] + noise_var
            v = height - float(self.x[k, g, 0]) - self.home[i]
            out += float(self.mu[k, g]) * math.exp(-0.5 * v * v / s) / math.sqrt(6.283185307179586 * s)
        return out

    def _learn_homes(self) -> None:
        """Once a core has spoken: where the offsets of those that follow are, slowly."""
        for i in range(self.n):
            b = 2 + 2 * i
            chance = mean = 0.0
            for k, mode in enumerate(self.mode[:, i].tolist()):
                if mode == FOLLOWS:
                    chance += float(self.w[k])
                    mean += float(self.w[k]) * float(self.mu[k] @ self.x[k, :, b])
            if chance > 0.5:
                gap = mean / chance - self.home[i]
                near = 0.2 / (1.0 + gap * gap / 0.3**2)
                self.home[i] += near * gap
                self.home_var[i] += near * (min(gap * gap + 0.05**2, 0.3**2) - self.home_var[i])

    def _forked(self, i: int, fork: tuple[Any, ...]) -> tuple[float, Array, Array, Array, NDArray[np.int64]]:
        """A new story from an old one: what happened, then the measurement taken."""
        k, weight, mode, what, var, height, noise_var = fork
        x, cov, mu = self.x[k].copy(), self.cov[k].copy(), self.mu[k].copy()
        modes = self.mode[k].copy()
        modes[i] = mode
        b = 2 + 2 * i
        if mode == AWAY:
            # What looked like movement may have been the other thing coming: the height goes on calmly.
            x[:, 1] *= 0.3
        elif self.mode[k, i] == AWAY:
            # And how fast the height nobody saw is going by now, one that is back tells only from now on.
            mu = np.array([0.993, 0.007])
            x[:, 1] = cov[:, 1, :] = cov[:, :, 1] = 0.0
            cov[:, 1, 1] = (CALM_SD**2, MOVING_SD**2)
        if what is not None:
            if what == "shift":
                cov[:, b, b] += var
            elif what == "moves":
                set_off = np.zeros(self.d)
                set_off[0], set_off[1] = MOVED_FOR, 1.0
                cov += var * set_off[:, None] * set_off[None, :]
                mu = np.array([0.02, 0.98])
            elif what == "home":
                cov[:, b, :] = 0.0
                cov[:, :, b] = 0.0
                cov[:, b, b] = self.home_var[i]
                x[:, b] = self.home[i]
            elif what == "real":
                cov[:, 0, 0] += var
            elif what == "foul":
                cov[:, b + 1, b + 1] += var
            x, cov, mu = taken(x, cov, mu, _row(self.d, 0, b), height, noise_var)
        return weight, x, cov, mu, modes

    # --- a core -------------------------------------------------------------------------------------------------------

    def core(self, height: float, var: float = CORE_SD**2) -> float:
        """Take a core's height of the top that counts; gives back the chance that it was sound and told nothing new."""
        days = min((self.time - self.last_core) / 86_400.0, 30.0) if self.last_core == self.last_core else 10.0
        self.last_core = self.time
        self.core_height = height
        self.usual_agreed = self._agrees()
        uniform = 1.0 / self.range
        row = _row(self.d, 0)
        made: list[tuple[float, Array, Array, Array, NDArray[np.int64]]] = []
        expected = 0.0
        for k in range(self.w.size):
            w, x, cov, mu, modes = float(self.w[k]), self.x[k], self.cov[k], self.mu[k], self.mode[k]
            followers = [i for i in range(self.n) if modes[i] in (FOLLOWS, FOULING)]
            fits = density(x, cov, mu, row, height, var)
            sound = w * (1.0 - CORE_WRONG) * fits
            expected += sound
            made.append((sound, *taken(x, cov, mu, row, height, var), modes))
            made.append((w * CORE_WRONG * uniform, x, cov, mu, modes))
            if not followers:
                continue
            many = len(followers) > 1
            # All that follow are off by the same: the height was wrong by as much the other way.
            shifted = cov.copy()
            _shift_all(shifted, followers, CORE_FAR_SD**2)
            chance = min(CORE_SHIFT * (1.0 + days), 0.15) * (TOGETHER if many else 1.0)
            made.append(self._after(w * chance, x, shifted, mu, modes, height, var))
            # They see something else: nobody has seen the height since the last core.
            free = cov.copy()
            free[:, 0, 0] += CORE_FAR_SD**2
            away = modes.copy()
            away[followers] = AWAY
            made.append(
                self._after(
                    w * CORE_AWAY * min(self.rise_odds, 5.0) * (TOGETHER if many else 1.0),
                    x,
                    free,
                    mu,
                    away,
                    height,
                    var,
                )
            )
            steady = [i for i in followers if modes[i] == FOLLOWS]
            if steady and (steady == followers or not many):
                # Several that agree foul together, or none of them does.
                foul = cov.copy()
                _foul(foul, followers, min(days, 2.0))
                fouling = modes.copy()
                fouling[followers] = FOULING
                often = max(self.foul_rate[i] for i in followers) / FOULS
                chance = min(CORE_FOULING * often * (0.3 + days), 0.3) * (TOGETHER if many else 1.0)
                made.append(self._after(w * chance, x, foul, mu, fouling, height, var))
        if self._fresh():
            _, x, cov, mu, modes = self._as_usual(1.0, UNEVEN_SD**2)
            made.append(self._after(AS_USUAL, x, cov, mu, modes, height, var))
        total = sum(m[0] for m in made)
        kept = [m for m in made if m[0] > LEAST_CHANCE * total]
        before = self._fouling()
        self._replace(kept)
        self._learn_homes()
        for i, (was, now) in enumerate(zip(before, self._fouling(), strict=True)):
            rate = self.foul_rate[i]
            rate += (FOULS - rate) * min(days / (2.0 * FOUL_MEMORY), 1.0) + max(now - was, 0.0) / FOUL_MEMORY
            self.foul_rate[i] = min(rate, MOST_FOULS)
        return expected / total

    def _fouling(self) -> list[float]:
        return [float(self.w[self.mode[:, i] == FOULING].sum()) for i in range(self.n)]

    def _after(
        self, weight: float, x: Array, cov: Array, mu: Array, modes: NDArray[np.int64], height: float, var: float
    ) -> tuple[float, Array, Array, Array, NDArray[np.int64]]:
        row = _row(self.d, 0)
        fits = density(x, cov, mu, row, height, var)
        return (weight * (1.0 - CORE_WRONG) * fits, *taken(x, cov, mu, row, height, var), modes)

    def worked_on(self, i: int, written: float | None = None) -> None:
        """A sensor was cleaned or calibrated: it is as far off as was written down [m], else anybody's guess near what is usual."""
        b, t = 2 + 2 * i, 3 + 2 * i
        if written is not None:
            self.home[i], self.home_var[i] = written, WRITTEN_SD**2
        for row, var in ((b, self.home_var[i] + 0.05**2), (t, DRIFT_SD**2)):
            self.cov[:, :, row, :] = 0.0
            self.cov[:, :, :, row] = 0.0
            self.cov[:, :, row, row] = var
            self.x[:, :, row] = self.home[i] if row == b else 0.0
        self.mode[:, i] = FOLLOWS
        self._settle([], sum(self.w.tolist()))

    def copy(self) -> Bank:
        """An independent twin."""
        twin = copy(self)
        for name in ("w", "mu", "x", "cov", "mode"):
            setattr(twin, name, getattr(self, name).copy())
        for name in ("fork_times", "levels", "level_times", "home", "home_var", "away_rate", "foul_rate"):
            setattr(twin, name, list(getattr(self, name)))
        return twin

    def weigh(self, likelihood: Array) -> None:
        """Weigh the stories by something else that was heard; one number a story."""
        self.w = self.w * likelihood
        self._settle([], sum(self.w.tolist()))

    # --- keeping it small ---------------------------------------------------------------------------------------------

    def _settle(self, forks: list[tuple[float, Array, Array, Array, NDArray[np.int64]]], total: float) -> None:
        if not total > 1e-290:
            # Nothing explains what was heard: keep what was believed.
            self.w = np.full(self.w.size, 1.0 / self.w.size)
            return
        if forks:
            self._replace(
                [(float(self.w[k]), self.x[k], self.cov[k], self.mu[k], self.mode[k]) for k in range(self.w.size)]
                + forks
            )
            return
        w = self.w / total
        if w.size > 1 and float(w.min()) < LEAST_CHANCE:
            kept = w >= LEAST_CHANCE
            w, self.x, self.cov = w[kept], self.x[kept], self.cov[kept]
            self.mu, self.mode = self.mu[kept], self.mode[kept]
            w = w / sum(w.tolist())
        self.w = w

    def _replace(self, made: list[tuple[float, Array, Array, Array, NDArray[np.int64]]]) -> None:
        """Stories anew: likely ones first, those that lie close to one kept are joined to it, the least are let go."""
        made = sorted(made, key=lambda m: -m[0])
        total = sum(m[0] for m in made)
        if not total > 1e-290:
            return
        kept: list[list[Any]] = []
        for weight, x, cov, mu, modes in made:
            if weight < LEAST_CHANCE * total:
                break
            for one in kept:
                if _close(one, x, cov, mu, modes, self.n):
                    _join(one, weight, x, cov, mu)
                    break
            else:
                kept.append([weight, x, cov, mu, modes])
        kept = kept[:MOST_STORIES]
        total = sum(one[0] for one in kept)
        self.w = np.array([one[0] / total for one in kept])
        self.x = np.stack([one[1] for one in kept])
        self.cov = np.stack([one[2] for one in kept])
        self.mu = np.stack([one[3] for one in kept])
        self.mode = np.stack([one[4] for one in kept])
        self._limit_mu()

    # --- what is believed ---------------------------------------------------------------------------------------------

    def heights(self) -> list[tuple[float, float, float, float, list[int]]]:
        """A row a story: chance, mean height, its variance, mean rate, what the sensors do."""
        x, mu = self.x, self.mu
        mean = (mu * x[:, :, 0]).sum(axis=1)
        away = x[:, :, 0] - mean[:, None]
        var = (mu * (self.cov[:, :, 0, 0] + away * away)).sum(axis=1)
        rate = (mu * x[:, :, 1]).sum(axis=1)
        return list(zip(self.w.tolist(), mean.tolist(), var.tolist(), rate.tolist(), self.mode.tolist(), strict=True))

    def to_json(self) -> dict[str, Any]:
        """JSON values; :meth:`restore` gives back exactly the same."""
        return {
            "w": self.w.tolist(), "mu": self.mu.tolist(), "x": self.x.tolist(), "cov": self.cov.tolist(),
            "mode": self.mode.tolist(),
            "times": [None if t != t else t for t in (
                self.time, self.drift_time, self.last_core, self.core_height, *self.fork_times, *self.levels, *self.level_times
            )],
            "usual_agreed": self.usual_agreed,
            "rise_odds": self.rise_odds, "away_rate": self.away_rate, "foul_rate": self.foul_rate, "home": self.home, "home_var": self.home_var,
        }  # fmt: skip

    def restore(self, stored: Mapping[str, Any]) -> None:
        """Become what :meth:`to_json` wrote."""
        # A whole number may come back from JSON as an int where a float went in.
        self.w, self.mu, self.x, self.cov = (
            np.array(stored[name], dtype=np.float64) for name in ("w", "mu", "x", "cov")
        )
        self.mode = np.array(stored["mode"], dtype=np.int64)
        times = [math.nan if t is None else float(t) for t in stored["times"]]
        self.time, self.drift_time, self.last_core, self.core_height, *each = times
        self.fork_times, self.levels, self.level_times = (each[i * self.n : (i + 1) * self.n] for i in range(3))
        self.usual_agreed = bool(stored["usual_agreed"])
        self.rise_odds = float(stored["rise_odds"])
        self.away_rate, self.foul_rate, self.home, self.home_var = (
            [float(value) for value in stored[name]] for name in ("away_rate", "foul_rate", "home", "home_var")
        )


def _row(d: int, *ones: int) -> Array:
    row = np.zeros(d)
    row[list(ones)] = 1.0
    return row


def density(x: Array, cov: Array, mu: Array, row: Array, value: float, var: float) -> float:
    """Density of a measurement of ``row · state``, over the two regimes. [1/m]"""
    out = 0.0
    for g in (0, 1):
        s = float(row @ cov[g] @ row) + var
        v = value - float(row @ x[g])
        out += float(mu[g]) * math.exp(-0.5 * v * v / s) / math.sqrt(6.283185307179586 * s)
    return out


def taken(x: Array, cov: Array, mu: Array, row: Array, value: float, var: float) -> tuple[Array, Array, Array]:
    """State after a measurement of ``row · state``, each regime by Kalman's update, the regimes by Bayes'."""
    new_x, new_cov, new_mu = np.empty_like(x), np.empty_like(cov), np.empty_like(mu)
    for g in (0, 1):
        cross = cov[g] @ row
        s = float(row @ cross) + var
        v = value - float(row @ x[g])
        new_x[g] = x[g] + cross * (v / s)
        new_cov[g] = cov[g] - cross[:, None] * cross[None, :] / s
        new_mu[g] = float(mu[g]) * max(math.exp(-0.5 * v * v / s) / math.sqrt(6.283185307179586 * s), 1e-12)
    return new_x, new_cov, new_mu / new_mu.sum()


def _shift_all(cov: Array, followers: list[int], var: float) -> None:
    direction = np.zeros(cov.shape[-1])
    direction[0] = -1.0
    for i in followers:
        direction[2 + 2 * i] = 1.0
    cov += var * direction[:, None] * direction[None, :]


def _foul(cov: Array, followers: list[int], days: float) -> None:
    direction = np.zeros(cov.shape[-1])
    direction[0] = -days
    for i in followers:
        direction[2 + 2 * i], direction[3 + 2 * i] = days, 1.0
    cov += FOULING_SD**2 * direction[:, None] * direction[None, :]


def _close(one: list[Any], x: Array, cov: Array, mu: Array, modes: NDArray[np.int64], n: int) -> bool:
    if one[4].tolist() != modes.tolist():
        return False
    m1 = one[3] @ one[1]
    m2 = mu @ x
    for row in (0, *range(2, 2 + 2 * n)):
        gap = float(m1[row] - m2[row])
        v = float(one[2][0, row, row] + cov[0, row, row])
        if gap * gap > 0.7 * v + 1e-4:
            return False
    return True


def _join(one: list[Any], weight: float, x: Array, cov: Array, mu: Array) -> None:
    """Join a story to another by matching moments, regime by regime."""
    new_x, new_cov, new_mu = np.empty_like(x), np.empty_like(cov), np.empty_like(mu)
    total = one[0] + weight
    for g in (0, 1):
        a, c = one[0] * float(one[3][g]), weight * float(mu[g])
        share = c / (a + c) if a + c > 0.0 else 0.5
        diff = x[g] - one[1][g]
        new_x[g] = one[1][g] + share * diff
        new_cov[g] = (1.0 - share) * one[2][g] + share * cov[g] + share * (1.0 - share) * diff[:, None] * diff[None, :]
        new_mu[g] = (a + c) / total
    one[0], one[1], one[2], one[3] = total, new_x, new_cov, new_mu
