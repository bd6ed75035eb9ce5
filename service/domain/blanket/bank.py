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
from collections.abc import Iterator, Mapping
from copy import copy
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.domain.blanket.forks import AWAY_JUMP, DISPERSED_FOR, FOULING_SD, REGULARLY, Forks
from service.domain.blanket.level import damped_step
from service.domain.blanket.story import AWAY, FOLLOWS, FOULING, STUCK, UNIT, UNITS, Array, SensorLevel, Story, row_of
from service.domain.blanket.trace import CALM_SD, MOVES_EVERY, MOVES_FOR, MOVING_SD, RATE_MEMORY, UNEVEN_SD
from service.domain.blanket.work_effect import WRITTEN_SD

# Everything below: judgement, tuned on invented plants; common practice, no source.
#: Offset walk [m/√d]; drift of a sensor that follows, and of one nobody knows [m/d], and how long each persists [d].
WALK_SD, DRIFT_SD, FIRST_DRIFT_SD, DRIFT_MEMORY, FIRST_MEMORY = 0.02, 0.03, 0.6, 6.0, 1.0
#: How often a sensor fouls [1/d].
FOULS = 0.08
#: How often a sensor turns away is learned over this [d], up to so often a day.
AWAY_MEMORY, MOST_AWAY = 5.0, 12.0
#: How often it fouls is learned over this [d], up to so often a day.
FOUL_MEMORY, MOST_FOULS = 15.0, 0.5
#: Chance, looked at regularly, of the story that nothing is wrong, while the last core agreed with it to this [–, m]; what is now [s].
AS_USUAL, AGREES, JUST_NOW = 0.01, 0.3, 900.0
#: Share of stray samples among those of a sensor that follows, and of jumps while it is away [–]: one that goes on steadily loses
#: little by being away, and one that jumps about, as fluff does, not much more.
STRAY, JUMPY = 0.02, 0.05
#: What a sensor sees beside the blanket lies in the water, as far as its offset is known [m]; a level outside it counts so little [–].
IN_WATER_SD, OUT_OF_WATER = 0.15, 0.02
#: What lasts longer than this was hardly something else that the sensor saw [h].
AWAY_LASTS = 8.0
#: Cores: noise with the person's lean [m], share of wrong ones [–], and what else one may show, with its chance.
CORE_SD, CORE_WRONG = 0.075, 0.035
CORE_SHIFT, CORE_AWAY, CORE_FOULING = 0.004, 0.005, 0.03
#: Chance that a sensor follows the compact surface where a core shows a dispersed one above it [–].
SEES_COMPACT = 0.5
#: Chance that such a surface has gone, and nothing is wrong, where the next core shows none [–].
GONE = 0.2
#: And how much less likely it is of several sensors at once that agree [–].
TOGETHER = 0.4
#: How far off a height may turn out to be that nobody has seen for a while [m].
CORE_FAR_SD = 1.6
#: What people lean to one side by, however many cores they take [m].
LEAN_SD = 0.04
#: Stories below this chance are let go; no more stories than so many.
LEAST_CHANCE, MOST_STORIES = 1e-4, 12
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
            self.cov[:, :, 3 + 2 * i, 3 + 2 * i] = FIRST_DRIFT_SD**2
        self.time = self.drift_time = math.nan
        self.begun = math.nan  #: when something was first heard
        self.fork_times = [math.nan] * sensors
        self.last_core = self.core_height = math.nan
        #: Whether the last core showed a dispersed surface above the compact one.
        self.dispersed = False
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
                self.time = self.drift_time = self.begun = time
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
        memory = min(FIRST_MEMORY + (self.time - self.begun) / 86_400.0, DRIFT_MEMORY)
        fade = math.exp(-days / memory)
        reach = memory * (1.0 - fade)
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

    def sensor(self, i: int, shown: SensorLevel) -> None:
        """Take what a sensor showed over some minutes."""
        heights, noise_var = shown.heights, shown.noise_var
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
        elsewhere: Any = max((1.0 - STRAY) * shown.coherent, JUMPY * uniform)
        if AWAY in modes.tolist():
            elsewhere = elsewhere * math.exp(-shown.hours / AWAY_LASTS) * self._in_water(b, heights[0])
        lk = (mu * like).sum(axis=1)
        f = following.astype(np.float64)
        live = np.where(modes == STUCK, shown.stuck * shown.coherent, np.where(following, lk, elsewhere) * shown.alive)
        new_w = w * live
        total = sum(new_w.tolist())
        forks = self._forks(i, shown, nu, residual_var, new_w)
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

    def _forks(self, i: int, shown: SensorLevel, nu: Array, residual_var: Array, new_w: Array) -> list[Story]:
        """Stories that begin now and are likely enough beside those that go on."""
        regular = not self.time < self.fork_times[i] + REGULARLY * 3600.0
        if regular:
            self.fork_times[i] = self.time
        forks = Forks(self, i, shown, nu, residual_var, new_w, regular=regular)
        found = forks.find()
        total = float(new_w.sum())
        came_back = sum(fork.weight for fork in found if fork.mode == FOLLOWS and self.mode[fork.story, i] == AWAY)
        share = came_back / (total + sum(fork.weight for fork in found)) if came_back else 0.0
        rate = self.away_rate[i]
        days = min(shown.hours, 6.0) / 24.0
        rate += (AWAY_JUMP - rate) * min(days / AWAY_MEMORY, 1.0) + share / AWAY_MEMORY
        self.away_rate[i] = min(rate, MOST_AWAY)
        made = [forks.begun(fork) for fork in found]
        if regular and self.usual_agreed and shown.alive > shown.stuck:
            made.append(self._as_usual(AS_USUAL * total, shown.noise_var))
        return made

    def _fresh(self) -> list[int]:
        """Sensors that showed something just now."""
        return [i for i in range(self.n) if self.time - self.level_times[i] <= JUST_NOW]

    def _agrees(self) -> bool:
        """Whether every sensor heard just now, as far off as usual, shows what the last core showed."""
        fresh = self._fresh()
        return bool(fresh) and all(abs(self.levels[i] - self.home[i] - self.core_height) <= AGREES for i in fresh)

    def _as_usual(self, weight: float, noise_var: float) -> Story:
        """The story that nothing is wrong: every sensor follows, and is as far off as it usually is."""
        x, cov = np.zeros((2, self.d)), np.zeros((2, self.d, self.d))
        x[:, 0] = 0.5 * (self.lowest + self.depth)
        cov[:, 0, 0] = self.range**2
        cov[:, 1, 1] = (CALM_SD**2, MOVING_SD**2)
        for i in range(self.n):
            b, t = 2 + 2 * i, 3 + 2 * i
            x[:, b] = self.home[i]
            cov[:, b, b], cov[:, t, t] = self.home_var[i], DRIFT_SD**2
        story = Story(weight, x, cov, np.array([0.9, 0.1]), np.full(self.n, FOLLOWS, dtype=np.int64))
        for i in self._fresh():
            story = story.taken(row_of(self.d, 0, 2 + 2 * i), self.levels[i], noise_var)
        return story

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

    # --- a core -------------------------------------------------------------------------------------------------------

    def core(self, height: float, var: float = CORE_SD**2, compact: float | None = None) -> float:
        """Take a core's height of the top that counts; gives back the chance that it was sound and told nothing new.

        Parameters
        ----------
        height, var : of the top that counts. [m, m²]
        compact : height of the compact surface, where the core showed a dispersed one above it. [m]
        """
        days = min((self.time - self.last_core) / 86_400.0, 30.0) if self.last_core == self.last_core else 10.0
        self.last_core = self.time
        self.core_height = height
        usual_share = GONE if self.dispersed and compact is None else AS_USUAL
        self.dispersed = compact is not None
        self.usual_agreed = self._agrees()
        uniform = 1.0 / self.range
        row = row_of(self.d, 0)
        made: list[Story] = []
        expected = 0.0
        for story in self.stories():
            sound = story.weight * (1.0 - CORE_WRONG) * story.density(row, height, var)
            if compact is not None:
                made.append(self._under_dispersed(story, height, compact, var))
                sound *= 1.0 - SEES_COMPACT
            expected += sound
            made.append(story.taken(row, height, var)._replace(weight=sound))
            made.append(story._replace(weight=story.weight * CORE_WRONG * uniform))
            for other in self._contradicted(story, days):
                fits = other.density(row, height, var)
                made.append(other.taken(row, height, var)._replace(weight=other.weight * (1.0 - CORE_WRONG) * fits))
        if self._fresh():
            usual = self._as_usual(usual_share, UNEVEN_SD**2)
            fits = usual.density(row, height, var)
            made.append(usual.taken(row, height, var)._replace(weight=usual.weight * (1.0 - CORE_WRONG) * fits))
        total = sum(story.weight for story in made)
        kept = [story for story in made if story.weight > LEAST_CHANCE * total]
        before = self._fouling()
        self._replace(kept)
        self._learn_homes()
        for i, (was, now) in enumerate(zip(before, self._fouling(), strict=True)):
            rate = self.foul_rate[i]
            rate += (FOULS - rate) * min(days / (2.0 * FOUL_MEMORY), 1.0) + max(now - was, 0.0) / FOUL_MEMORY
            self.foul_rate[i] = min(rate, MOST_FOULS)
        return expected / total

    def _under_dispersed(self, story: Story, height: float, compact: float, var: float) -> Story:
        """The sensors went by the compact surface of a core that showed two: they say nothing of the dispersed one above."""
        row = row_of(self.d, 0)
        weight = story.weight * (1.0 - CORE_WRONG) * SEES_COMPACT * story.density(row, compact, var)
        below = story.taken(row, compact, var)
        x, cov, modes = below.x, below.cov, below.modes.copy()
        # It came up within the time such a surface lasts, and may be rising still.
        x[:, 0], x[0, 1], x[1, 1] = height, 0.0, (height - compact) / DISPERSED_FOR
        for free in (0, 1):
            cov[:, free, :] = cov[:, :, free] = 0.0
        cov[:, 0, 0], cov[:, 1, 1] = var, (CALM_SD**2, MOVING_SD**2)
        modes[(modes == FOLLOWS) | (modes == FOULING)] = AWAY
        return Story(weight, x, cov, np.array([0.5, 0.5]), modes)

    def _fouling(self) -> list[float]:
        return [float(self.w[self.mode[:, i] == FOULING].sum()) for i in range(self.n)]

    def _contradicted(self, story: Story, days: float) -> Iterator[Story]:
        """What may be wrong with the sensors that follow, where a core shows another height than they do."""
        followers = [i for i in range(self.n) if story.modes[i] in (FOLLOWS, FOULING)]
        if not followers:
            return
        w, many = story.weight, len(followers) > 1
        # All that follow are off by the same: the height was wrong by as much the other way.
        shifted = story.cov.copy()
        _shift_all(shifted, followers, CORE_FAR_SD**2)
        chance = min(CORE_SHIFT * (1.0 + days), 0.15) * (TOGETHER if many else 1.0)
        yield story._replace(weight=w * chance, cov=shifted)
        # They see something else: nobody has seen the height since the last core.
        free = story.cov.copy()
        free[:, 0, 0] += CORE_FAR_SD**2
        away = story.modes.copy()
        away[followers] = AWAY
        weight = w * CORE_AWAY * min(self.rise_odds, 5.0) * (TOGETHER if many else 1.0)
        yield story._replace(weight=weight, cov=free, modes=away)
        steady = [i for i in followers if story.modes[i] == FOLLOWS]
        if steady and (steady == followers or not many):
            # Several that agree foul together, or none of them does.
            foul = story.cov.copy()
            _foul(foul, followers, min(days, 2.0))
            fouling = story.modes.copy()
            fouling[followers] = FOULING
            often = max(self.foul_rate[i] for i in followers) / FOULS
            chance = min(CORE_FOULING * often * (0.3 + days), 0.3) * (TOGETHER if many else 1.0)
            yield story._replace(weight=w * chance, cov=foul, modes=fouling)

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

    def stories(self) -> list[Story]:
        """Every story, in no order."""
        return [Story(float(self.w[k]), self.x[k], self.cov[k], self.mu[k], self.mode[k]) for k in range(self.w.size)]

    def _settle(self, forks: list[Story], total: float) -> None:
        if not total > 1e-290:
            # Nothing explains what was heard: keep what was believed.
            self.w = np.full(self.w.size, 1.0 / self.w.size)
            return
        if forks:
            self._replace(self.stories() + forks)
            return
        w = self.w / total
        if w.size > 1 and float(w.min()) < LEAST_CHANCE:
            kept = w >= LEAST_CHANCE
            w, self.x, self.cov = w[kept], self.x[kept], self.cov[kept]
            self.mu, self.mode = self.mu[kept], self.mode[kept]
            w = w / sum(w.tolist())
        self.w = w

    def _replace(self, made: list[Story]) -> None:
        """Stories anew: likely ones first, those that lie close to one kept are joined to it, the least are let go."""
        made = sorted(made, key=lambda story: -story.weight)
        total = sum(story.weight for story in made)
        if not total > 1e-290:
            return
        kept: list[Story] = []
        for story in made:
            if story.weight < LEAST_CHANCE * total:
                break
            for place, one in enumerate(kept):
                if one.is_close_to(story):
                    kept[place] = one.joined(story)
                    break
            else:
                kept.append(story)
        kept = kept[:MOST_STORIES]
        total = sum(one.weight for one in kept)
        self.w = np.array([one.weight / total for one in kept])
        self.x, self.cov = np.stack([one.x for one in kept]), np.stack([one.cov for one in kept])
        self.mu, self.mode = np.stack([one.mu for one in kept]), np.stack([one.modes for one in kept])
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
                self.time, self.drift_time, self.begun, self.last_core, self.core_height, *self.fork_times, *self.levels, *self.level_times
            )],
            "usual_agreed": self.usual_agreed, "dispersed": self.dispersed,
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
        self.time, self.drift_time, self.begun, self.last_core, self.core_height, *each = times
        self.fork_times, self.levels, self.level_times = (each[i * self.n : (i + 1) * self.n] for i in range(3))
        self.usual_agreed = bool(stored["usual_agreed"])
        self.dispersed = bool(stored["dispersed"])
        self.rise_odds = float(stored["rise_odds"])
        self.away_rate, self.foul_rate, self.home, self.home_var = (
            [float(value) for value in stored[name]] for name in ("away_rate", "foul_rate", "home", "home_var")
        )


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
