"""Observations of one tank by people and instruments, and what contradicts a person's observation. Pure.

A person's word stands until a second observation contradicts it: another core, or two independent instruments that agree.
Time alone takes nothing back, nor does the sensor that the core contradicted: it may look through dispersed sludge.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.domain.blanket.estimate import Assessment
from service.domain.cores.core import OVER_THE_WEIR, Surface
from service.domain.plant.reading import ReadingReason
from service.domain.plant.signal import SignalKind

#: Observations of one blanket that are further apart than this contradict each other: twice what a core repeats to. [m]
#: Common practice, no source.
AGREE = 0.3
#: A sensor value this close to a core in time is compared with it.
PAIR_WITHIN = timedelta(minutes=15)


@dataclass(frozen=True, slots=True, kw_only=True)
class Contradiction:
    """Instruments that together took a core back: from when on, and which."""

    at: datetime
    by: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CoreSeen:
    """A hand core: where it puts the blanket, and what the sensor said beside it. Heights above the floor datum [m]."""

    taken_at: datetime
    height: float
    thickness: float
    taken_by: str = ""
    sensor_height: float | None = None
    fluff_height: float | None = None  #: top of the dispersed layer, where one was seen
    surface: tuple[Surface, ...] = ()
    contradicted: Contradiction | None = None
    #: Whether no sensor has said anything sound since: what is believed then rests on this core.
    last_heard: bool = False

    @property
    def top(self) -> float:
        """The highest sludge seen, settled or dispersed: what goes over the weir first."""
        return self.height if self.fluff_height is None else max(self.height, self.fluff_height)

    @property
    def over_the_weir(self) -> tuple[Surface, ...]:
        """Words of the round that mean sludge at the surface, whatever the tube showed."""
        return tuple(word for word in self.surface if word in OVER_THE_WEIR)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenBack:
    """A core that was withdrawn, or corrected to another: what it said, by whose word it no longer counts, and why."""

    seen: CoreSeen
    at: datetime
    by: str
    why: str
    known_at: datetime  #: when it was logged
    now_says: CoreSeen | None = None  #: the core in its place; None where it was withdrawn, or speaks of another tank

    def ended(self, depth: float, limit: float) -> bool:
        """Whether an observation beyond a limit of clearance went with it. Both [m]."""
        return _beyond(self.seen, depth, limit) and (self.now_says is None or not _beyond(self.now_says, depth, limit))


def _beyond(core: CoreSeen, depth: float, limit: float) -> bool:
    return bool(core.over_the_weir) or depth - core.top < limit


@dataclass(frozen=True, slots=True, kw_only=True)
class FluffSeen:
    """The dispersed top by an instrument that is good and not stale. Height above the floor datum [m]."""

    tag: str
    at: datetime
    height: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EffluentSeen:
    """The last good value of an effluent meter that has a limit; value and limit in SI or [NTU]."""

    tag: str
    kind: SignalKind
    at: datetime
    value: float
    limit: float
    fresh: bool = True

    @property
    def beyond(self) -> bool:
        """Whether it last said too much. What fell silent has not taken that back."""
        return self.value > self.limit


def contradiction(
    core: CoreSeen,
    samples: Mapping[str, Sequence[Assessment]],
    stale_after: Mapping[str, timedelta],
    beside: Mapping[str, float],
    until: datetime,
) -> Contradiction | None:
    """When two independent instruments agreed that the blanket had left the place a core found it at.

    Parameters
    ----------
    samples : assessments of each blanket sensor since the core, oldest first.
    beside : what each sensor said at the time of the core, after drift correction. [m]
    until : samples from this time on speak of a later core.

    Notes
    -----
    An instrument that the core contradicted is no witness against it, nor is one in doubt. Only what lies clearly lower
    contradicts: what rises further is for the belief to tell.
    """
    witnesses = [tag for tag in stale_after if abs(beside.get(tag, core.height) - core.height) <= AGREE]
    if len(witnesses) < 2:
        return None
    good = sorted(
        (s for tag in witnesses for s in samples.get(tag, ()) if core.taken_at < s.time < until and _good(s)),
        key=lambda sample: sample.time,
    )
    last: dict[str, Assessment] = {}
    for sample in good:
        last[sample.tag] = sample
        fresh = [s for s in last.values() if sample.time - s.time <= stale_after[s.tag]]
        heights = [s.corrected for s in fresh]
        if len(fresh) > 1 and max(heights) - min(heights) <= AGREE and max(heights) < core.height - AGREE:
            return Contradiction(at=sample.time, by=tuple(sorted(s.tag for s in fresh)))
    return None


def newest_core(cores: Iterable[CoreSeen]) -> CoreSeen | None:
    """The core that counts: the newest; of several at one time the highest."""
    return max(cores, key=lambda core: (core.taken_at, core.top), default=None)


def _good(sample: Assessment) -> bool:
    return sample.verdict is ReadingReason.NONE and sample.corrected == sample.corrected
