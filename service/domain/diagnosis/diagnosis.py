"""Failure modes of a tank weighed against each other: each with its chance and the clues it rests on.

The rule: odds before anything is known, times the ratio of every clue, over the sum for all modes and "none of these"
(Bayes' rule for exclusive modes and clues that are independent given the mode; several looks at one fact count once).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from service.domain.diagnosis.clue import Clue
from service.domain.diagnosis.evidence import Evidence
from service.domain.diagnosis.flow_clues import flow_clues
from service.domain.diagnosis.modes import PRIORS, FailureMode
from service.domain.diagnosis.seen_clues import seen_clues

#: A mode less likely than this leads nothing: its line is told as a question. [–]
LEADS_FROM = 0.45
#: A rival less likely than this is not told in a message. [–]
TOLD_FROM = 0.08
#: A ratio this near to 1 says nothing worth telling.
_SAYS_NOTHING = 1.25


@dataclass(frozen=True, slots=True)
class Weighed:
    """One mode with its chance and what speaks for and against it, the strongest first."""

    mode: FailureMode
    chance: float  #: [–]
    prior: float  #: [–]
    speaks_for: tuple[Clue, ...]
    against: tuple[Clue, ...]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """All modes of a tank, the likeliest first; chances sum to 1 with that of "none of these"."""

    evidence: Evidence
    clues: tuple[Clue, ...]
    ranked: tuple[Weighed, ...]  #: without "none of these"
    none: Weighed

    @property
    def leading(self) -> Weighed:
        """The likeliest mode."""
        return self.ranked[0]

    @property
    def clear(self) -> bool:
        """Whether the likeliest mode is likely enough to lead a message without a question."""
        return self.leading.chance >= LEADS_FROM and self.leading.chance > self.none.chance

    @property
    def rivals(self) -> tuple[Weighed, ...]:
        """At most two further modes worth telling in a message."""
        return tuple(one for one in self.ranked[1:3] if one.chance >= TOLD_FROM)

    def chance(self, mode: FailureMode) -> float:
        """Chance of a mode; zero where it is none of this kind of tank. [–]"""
        return next((one.chance for one in self.ranked if one.mode is mode), 0.0)


def diagnose(evidence: Evidence) -> Diagnosis:
    """Weigh the failure modes of a tank.

    >>> from service.domain.loading.balance import Conditions
    >>> from service.domain.plant.tank import TankKind
    >>> found = diagnose(Evidence(kind=TankKind.SECONDARY, depth=4.0, usual_drawn=0.05,
    ...                           streams=Conditions(return_flow=0.0025)))
    >>> found.leading.mode.value, found.clear
    ('return sludge lost', True)
    >>> round(sum(one.chance for one in found.ranked) + found.none.chance, 9)
    1.0
    """
    clues = (*flow_clues(evidence), *seen_clues(evidence))
    priors = PRIORS[evidence.kind]
    weights = {
        mode: math.log(prior) + sum(math.log(clue.ratio(mode)) for clue in clues) for mode, prior in priors.items()
    }
    most = max(weights.values())
    whole = sum(math.exp(weight - most) for weight in weights.values())
    weighed = [
        Weighed(mode, math.exp(weight - most) / whole, priors[mode], *_sides(mode, clues))
        for mode, weight in weights.items()
    ]
    ranked = sorted((one for one in weighed if one.mode is not FailureMode.NONE), key=lambda one: -one.chance)
    return Diagnosis(evidence, clues, tuple(ranked), next(one for one in weighed if one.mode is FailureMode.NONE))


def _sides(mode: FailureMode, clues: tuple[Clue, ...]) -> tuple[tuple[Clue, ...], tuple[Clue, ...]]:
    telling = sorted(clues, key=lambda clue: -abs(math.log(clue.ratio(mode))))
    return (
        tuple(clue for clue in telling if clue.ratio(mode) >= _SAYS_NOTHING),
        tuple(clue for clue in telling if clue.ratio(mode) <= 1.0 / _SAYS_NOTHING),
    )
