"""Passes of the rotating arm (or flight) under a sensor: found from the excursions they leave, then expected.

A pass makes the sensor read something else for a minute or so, again and again at the arm's period. The period is given
by the site or found from the data as the one at which the starts of past excursions bunch best in phase.

Where the arm's own angle is measured, the angle at which passes start is found in the same way, and takes the place of the
period: it holds when the arm is slowed, stopped or started again.

References
----------
Schuster, A. (1898). On the investigation of hidden periodicities. Terrestrial Magnetism 3(1), 13–41.
doi:10.1029/TM003i001p00013 (the resultant length used as the score; its chance level exp(-n·R²) is Lord Rayleigh's).
Large clarifiers' arms take 20 to 60 minutes a revolution: common practice, no source.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from typing import NamedTuple

SHORTEST_PERIOD, LONGEST_PERIOD = 20 * 60.0, 60 * 60.0  # [s]
#: How far the arm's real period may be from the given one [–].
GIVEN_SLACK = 0.04
#: An excursion longer than this is no pass [s].
LONGEST_PASS = 8 * 60.0
STARTS_KEPT = 16
#: The bunching must be this unlikely to be chance: Rayleigh's test, exp(-n·R²), over the periods tried.
CHANCE_ALLOWED = 0.01
#: An angle is taken for current this long [s]: less than a quarter turn of the fastest arm, so that no turn is missed.
ANGLE_HOLDS = 5 * 60.0
#: Slower than this the arm stands [degree/s]: a third of the slowest arm's speed.
STANDS = 0.03
#: A pass is due at least this far around where passes have been starting [degree].
ANGLE_SLACK = 8.0


class Turned(NamedTuple):
    """Where the arm is, counted in the direction it turns, and how fast it does. [degree, degree/s]"""

    angle: float
    speed: float

    @property
    def moving(self) -> bool:
        """Whether it turns at all."""
        return self.speed > STANDS


@dataclass(slots=True)
class ArmTurn:
    """The arm's measured angle. Times in seconds since 1970, [degree], [degree/s]."""

    angle: float = math.nan
    time: float = math.nan
    speed: float = math.nan  #: NaN while only one angle is known
    way: float = 1.0  #: the direction it last turned in

    def take(self, time: float, angle: float) -> None:
        """Take a measured angle."""
        turned, passed = (angle - self.angle + 180.0) % 360.0 - 180.0, time - self.time
        if 0.0 < passed <= ANGLE_HOLDS:
            self.speed = turned / passed
            if abs(self.speed) > STANDS:
                self.way = math.copysign(1.0, self.speed)
        elif passed != 0.0:
            self.speed = math.nan
        self.angle, self.time = angle, time

    def at(self, time: float) -> Turned | None:
        """Where the arm is at a time not before the last angle; None when nobody knows any more.

        >>> turn = ArmTurn()
        >>> turn.take(0.0, 350.0), turn.take(60.0, 0.0)
        (None, None)
        >>> round(turn.at(90.0).angle, 6), turn.at(90.0).moving, turn.at(600.0)
        (5.0, True, None)
        """
        passed = time - self.time
        if not passed <= ANGLE_HOLDS or self.speed != self.speed:
            return None
        return Turned(self.way * (self.angle + self.speed * passed) % 360.0, abs(self.speed))


def phase_lock(starts: list[float], period: float) -> tuple[float, float]:
    """How well events bunch at a period: mean resultant length [–] and mean phase as a time offset [s].

    >>> score, _ = phase_lock([0.0, 1800.0, 5400.0, 7200.0], 1800.0)
    >>> round(score, 6)
    1.0
    """
    c = s = 0.0
    turn = 2 * math.pi / period
    base = starts[0]
    for t in starts:
        c += math.cos(turn * (t - base))
        s += math.sin(turn * (t - base))
    return math.hypot(c, s) / len(starts), math.atan2(s, c) / turn


@dataclass(slots=True)
class ArmPasses:
    """Starts of recent short excursions, and the period and phase they keep, once known. Times in seconds since 1970."""

    period: float = 0.0  #: 0 while not known [s]
    anchor: float = 0.0  #: a time at which a pass starts [s]
    longest: float = 120.0  #: how long passes have been lasting [s]
    starts: list[float] = field(default_factory=list)
    angles: list[float] = field(default_factory=list)  #: of recent starts, where the arm's angle was known [degree]
    where: float = math.nan  #: angle at which a pass starts; NaN while not known [degree]
    turn: float = 360.0  #: passes come once a turn, or twice under a double arm [degree]
    width: float = 20.0  #: how far the arm has been turning during a pass [degree]

    def note(
        self, start: float, end: float, given_period: float | None, began: float = math.nan, ended: float = math.nan
    ) -> None:
        """Remember a finished excursion and look for the period, and the angle, again.

        Parameters
        ----------
        began, ended : the arm's angle then, in the direction it turns; NaN where it is not measured. [degree]
        """
        if end - start > LONGEST_PASS:
            return
        if began == began:
            self._note_angle(began, ended)
        self.starts.append(start)
        del self.starts[:-STARTS_KEPT]
        if self.period and self.expected(start, 90.0):
            self.longest += 0.2 * (end - start - self.longest)
        self._search(given_period)

    def _note_angle(self, began: float, ended: float) -> None:
        if self.where == self.where and ended == ended and self._near(began, 15.0):
            self.width += 0.2 * ((ended - began) % 360.0 - self.width)
        self.angles.append(began)
        del self.angles[:-STARTS_KEPT]
        score, where = phase_lock(self.angles, 360.0)
        double, other = phase_lock(self.angles, 180.0)
        # What bunches once a turn bunches at half a turn, too: a double arm has to show clearly.
        best, self.turn = (double, 180.0) if double > score + 0.2 else (score, 360.0)
        if math.exp(-len(self.angles) * best * best) * 2.0 <= CHANCE_ALLOWED:
            self.where = (self.angles[0] + (other if self.turn == 180.0 else where)) % self.turn
        elif best < 0.6:
            self.where = math.nan

    def _near(self, angle: float, slack: float) -> bool:
        return (angle - self.where + slack) % self.turn <= self.width + 2.0 * slack

    def due(self, time: float, arm: Turned | None, slack: float = 60.0) -> bool:
        """Whether a pass is due: by the arm's angle where that is measured and known to tell, else by its period."""
        if arm is None or self.where != self.where:
            return self.expected(time, slack)
        return arm.moving and self._near(arm.angle, max(ANGLE_SLACK, slack * arm.speed))

    def _search(self, given: float | None) -> None:
        recent = [t for t in self.starts if self.starts[-1] - t <= 24 * 3600.0]
        trials = _trials(recent, given)
        best, period, shift = 0.0, 0.0, 0.0
        for trial in trials:
            score, phase = phase_lock(recent, trial)
            if score > best:
                best, period, shift = score, trial, phase
        if not trials:
            return
        if math.exp(-len(recent) * best * best) * len(trials) <= CHANCE_ALLOWED:
            self.period, self.anchor = period, recent[0] + shift
        elif best < 0.6:
            self.period = 0.0

    def expected(self, time: float, slack: float = 60.0) -> bool:
        """Whether a pass is due at that time, within *slack* seconds."""
        if not self.period:
            return False
        since = (time - self.anchor + slack) % self.period
        return since <= self.longest + 2.0 * slack


def _trials(starts: list[float], given: float | None) -> list[float]:
    """Periods worth trying: near the given one and its half (two arms), else those that fit pairs of starts."""
    if given:
        # No finer than the span can tell apart, so that few starts are not tried against many periods.
        steps = min(20, math.ceil(0.4 * (starts[-1] - starts[0]) / given))
        spread = [GIVEN_SLACK * k / steps for k in range(-steps, steps + 1)] if steps else [0.0]
        return [given * part * (1.0 + off) for part in (1.0, 0.5) for off in spread]
    trials: set[float] = set()
    first = starts[0]
    for gap in (b - a for a, b in itertools.pairwise(starts)):
        for turns in range(1, 5):
            if SHORTEST_PERIOD <= gap / turns <= LONGEST_PERIOD:
                trials.add(gap / turns)
    # Refine each over the whole span: the count of turns it implies, made whole.
    span = starts[-1] - first
    refined = {span / max(1, round(span / t)) for t in trials} if span > 0 else set()
    # Longest first: events at every second pass would fit half the period just as well.
    return sorted((t for t in trials | refined if SHORTEST_PERIOD <= t <= LONGEST_PERIOD), reverse=True)
