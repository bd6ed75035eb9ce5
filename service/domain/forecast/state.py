"""What the forecaster remembers of a tank, and its exact form in JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from operator import attrgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.domain.forecast.inflow import FlowHabit
from service.domain.forecast.online_fit import OnlineFit
from service.domain.forecast.outlook import HORIZONS, Pattern
from service.domain.forecast.prediction import Expectation
from service.domain.plant.tank import TankKind
from service.errors import DomainError

Floats = NDArray[np.float64]

VERSION = 4
#: Moments kept: as many quarter hours as the farthest horizon, and one.
_KEPT = round(HORIZONS[-1] * 4) + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A past quarter hour whose future is still being waited for."""

    seconds: float
    height: float
    sd: float
    flow: float | None
    feed: float | None
    drawn: float | None
    total_in: float
    total_out: float
    total_basin: float
    expected: Expectation


#: How fast the spread follows its own coverage, and how far it may go.
_CALIBRATION, _STRETCH = 0.01, (1.0, 1.8)


@dataclass(slots=True)
class TypicalError:
    """How wrong each horizon tends to be: a part that is always there and a part that grows with the change foreseen.

    Mean absolute errors are fitted to ``a + b·|change|`` with old ones fading; a normal spread is 1.2533 times that.
    """

    #: Sums over past errors, a row a horizon: weight, change, change², error, error·change.
    sums: Floats
    #: What the normal spread must be stretched by so that nine in ten fall inside its 90 % interval, a horizon each.
    stretch: Floats

    @classmethod
    def from_prior(cls, always: Floats, growing: float) -> TypicalError:
        """A prior worth a day of quarter hours, spread over small and large changes."""
        total = np.zeros((always.size, 5))
        for change in (0.0, 0.1, 0.5, 1.0):
            error = always + growing * change
            terms = np.stack([np.ones_like(error), np.full_like(error, change), np.full_like(error, change**2)], axis=1)
            total += 24.0 / error[:, None] ** 2 * np.column_stack([terms, error, error * change])
        return cls(total, np.ones(always.size))

    def typical(self, change: Floats, which: NDArray[np.intp] | None = None) -> Floats:
        """Standard deviation for foreseen changes of that size, a horizon each. [m]"""
        w, x, xx, y, xy = (self.sums if which is None else self.sums[which]).T
        slope = np.maximum((w * xy - x * y) / np.maximum(w * xx - x * x, 1e-12), 0.0)
        always = np.maximum((y - slope * x) / w, 0.003)
        return np.asarray(1.2533 * (always + slope * change))

    def learn(self, change: Floats, error: Floats, which: NDArray[np.intp]) -> None:
        """Take in one error a horizon; what is older fades over about a month."""
        weight = 1.0 / np.maximum(self.typical(change, which) / 1.2533, 0.003) ** 2
        fresh = np.column_stack([np.ones_like(change), change, change**2, error, error * change])
        self.sums[which] = self.sums[which] * (1.0 - 1.0 / 3000.0) + weight[:, None] * fresh

    def calibrate(self, inside: NDArray[np.bool_], which: NDArray[np.intp]) -> None:
        """Take in whether errors fell inside their 90 % interval; storms make tails that no normal spread knows of."""
        step = np.where(inside, -0.1, 0.9) * _CALIBRATION
        self.stretch[which] = np.clip(self.stretch[which] * np.exp(step), *_STRETCH)


def _corrections() -> OnlineFit:
    return OnlineFit.from_prior(
        [0.9, 0.6, -0.1, 0.0, 0.0, 0.0, 0.65],
        [0.25, 0.3, 0.2, 0.10, 0.10, 0.05, 0.25],
        memory=[8000.0 * max(horizon, 1.0) for horizon in HORIZONS],
    )


def _errors() -> TypicalError:
    return TypicalError.from_prior(0.012 + 0.022 * np.asarray(HORIZONS) ** 0.7, 0.25)


@dataclass(slots=True)
class ForecastMemory:
    """Everything the forecaster knows of one tank. Times in [s] since 1970, flows as stored, heights in [m]."""

    time: float | None = None
    height: float = 0.0
    sd: float = 0.0
    rate: float = 0.0
    usual_height: float | None = None
    flow: float | None = None
    flow_trend: float = 0.0  #: per hour
    under: float | None = None
    under_mean: float | None = None  #: over the cycles of a sludge pump, smoothed twice
    under_once: float | None = None  #: the same, smoothed once
    drawing_hours: float = 0.0  #: how long that has been followed
    feed: float | None = None
    drawn: float | None = None
    plant_flow: float | None = None
    plant_under: float | None = None
    usual_share: float = 0.0
    total_in: float = 0.0
    total_out: float = 0.0
    total_basin: float = 0.0
    flow_habit: FlowHabit = field(default_factory=FlowHabit)
    return_habit: FlowHabit = field(default_factory=FlowHabit)
    #: Rise per solids in and fall per solids out: the inverse of a blanket of 4 to 12 kg/m³.
    rise: OnlineFit = field(default_factory=lambda: OnlineFit.from_prior([0.16, 0.16], [0.04, 0.04], 4000.0))
    #: Surface over basin volume: a basin of some eight hours.
    dilution: OnlineFit = field(default_factory=lambda: OnlineFit.from_prior([0.18], [0.08], 20_000.0))
    thickening: OnlineFit = field(default_factory=lambda: OnlineFit.from_prior([0.10], [0.06], 8000.0))
    corrections: OnlineFit = field(default_factory=_corrections)
    errors: TypicalError = field(default_factory=_errors)
    moments: list[Moment] = field(default_factory=list)
    #: The last half hour, a height a minute: [s], [m].
    recent: list[list[float]] = field(default_factory=list)
    #: Variance of how fast the blanket usually goes over half an hour. [m²/h²]
    usual_rate_var: float = 0.1**2

    @classmethod
    def for_tank(cls, kind: TankKind) -> ForecastMemory:
        """Nothing known yet but what is usual for the kind: raw sludge lies three to five times denser than floc."""
        rise = _USUAL_RISE[kind]
        return cls(rise=OnlineFit.from_prior([rise, rise], [0.25 * rise, 0.25 * rise], 4000.0))

    def moment_at(self, seconds: float) -> Moment | None:
        """The remembered moment nearest to that time, if it is within five minutes of it."""
        for moment in reversed(self.moments):
            if abs(moment.seconds - seconds) <= 300.0:
                return moment
            if moment.seconds < seconds - 300.0:
                return None
        return None

    def remember(self, moment: Moment) -> None:
        """Keep a moment, and let go of those whose future is complete."""
        self.moments.append(moment)
        del self.moments[:-_KEPT]

    def to_json(self) -> dict[str, Any]:
        """Everything as JSON values; :meth:`from_json` gives back exactly the same."""
        plain = {f.name: getattr(self, f.name) for f in fields(self) if f.name in _PLAIN}
        return {
            "version": VERSION,
            **plain,
            "recent": [list(point) for point in self.recent],
            "flow_habit": _habit_to_json(self.flow_habit),
            "return_habit": _habit_to_json(self.return_habit),
            **{name: getattr(self, name).to_memory() for name in _FITS},
            "errors": self.errors.sums.tolist(),
            "stretch": self.errors.stretch.tolist(),
            "moments": [
                {**{name: getattr(m, name) for name in _MOMENT}, "expected": list(_EXPECTED(m.expected))}
                for m in self.moments
            ],
        }

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> ForecastMemory:
        """Memory from :meth:`to_json`.

        Raises
        ------
        DomainError
            when another version wrote it: learn again from the history instead.
        """
        if stored.get("version") != VERSION:
            raise DomainError(f"forecaster memory of version {stored.get('version')!r}, this is version {VERSION}")
        try:
            return _restored(cls(), stored)
        except (KeyError, TypeError, ValueError) as exc:
            raise DomainError(f"forecaster memory is damaged ({exc!r}): learn again from the history instead") from exc


def _restored(memory: ForecastMemory, stored: Mapping[str, Any]) -> ForecastMemory:
    for name in _PLAIN:
        setattr(memory, name, stored[name])
    for name in _FITS:
        setattr(memory, name, OnlineFit.from_memory(stored[name]))
    memory.flow_habit = _habit_from_json(stored["flow_habit"])
    memory.return_habit = _habit_from_json(stored["return_habit"])
    memory.errors = TypicalError(
        np.asarray(stored["errors"], dtype=np.float64), np.asarray(stored["stretch"], dtype=np.float64)
    )
    memory.moments = [
        Moment(**{name: m[name] for name in _MOMENT}, expected=_expectation(*m["expected"])) for m in stored["moments"]
    ]
    return memory


#: Rise per solids of each kind: the inverse of what its blanket weighs. [m³/kg]
_USUAL_RISE = {TankKind.SECONDARY: 0.16, TankKind.PRIMARY: 0.05, TankKind.THICKENER: 0.03}
_FITS = ("rise", "dilution", "thickening", "corrections")
_PLAIN = frozenset(f.name for f in fields(ForecastMemory)) - {
    *_FITS, "flow_habit", "return_habit", "errors", "moments",
}  # fmt: skip
_MOMENT = tuple(f.name for f in fields(Moment) if f.name != "expected")
_EXPECTED = attrgetter("seconds", "carried", "unexplained", "away", "pattern")


def _expectation(seconds: float, carried: list[float], unexplained: float, away: float, pattern: str) -> Expectation:
    return Expectation(seconds, tuple(carried), unexplained, away, Pattern(pattern))


def _habit_to_json(habit: FlowHabit) -> dict[str, Any]:
    return {"bins": list(habit.bins), "seen": list(habit.seen), "persistence": habit.persistence.to_memory()}


def _habit_from_json(stored: Mapping[str, Any]) -> FlowHabit:
    return FlowHabit(list(stored["bins"]), list(stored["seen"]), OnlineFit.from_memory(stored["persistence"]))
