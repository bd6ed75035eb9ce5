"""Compares limits and delays in a backtest: alarms raised, warning times, time in alarm."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median

from service.alarms.backtest import Backtest, BacktestAlarm, BacktestLine
from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.machine import CALLING, AlarmState, Event

#: Kinds that are meant to warn before the danger.
WARNING = (AlarmKind.HIGH, AlarmKind.TIME_TO_DANGER)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmSpell:
    """One time an alarm stood. ``called_at`` is when people were called, not before the data were there."""

    start: datetime
    called_at: datetime
    end: datetime | None  #: None: it still stood at the end


@dataclass(frozen=True, slots=True, kw_only=True)
class Danger:
    """A moment people should have been warned of: high-high raised, or the first hand core beyond its limit."""

    at: datetime
    kind: str  #: "high-high" or "hand core"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lead:
    """How long before a danger an alarm called; None where it stood not by then."""

    danger: Danger
    lead: timedelta | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """What became of one alarm under one definition."""

    definition: AlarmDefinition
    limit_change: float  #: from the site's own, in the unit of the limit
    raised: int
    in_alarm: timedelta
    standing: bool  #: at the end
    leads: tuple[Lead, ...]

    @property
    def median_lead(self) -> timedelta | None:
        """Over the dangers it called before; None where there was none."""
        known = [lead.lead.total_seconds() for lead in self.leads if lead.lead is not None]
        return timedelta(seconds=median(known)) if known else None

    @property
    def missed(self) -> int:
        """Dangers it did not stand before."""
        return sum(lead.lead is None for lead in self.leads)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One tank over the whole of a replay."""

    dangers: tuple[Danger, ...]
    own: tuple[Score, ...]
    trials: tuple[Score, ...]


def compare(run: Backtest, cores: Iterable[tuple[datetime, float]], start: datetime, end: datetime) -> Comparison:
    """Sum a backtest up.

    Parameters
    ----------
    cores : time and clearance [m] of the hand cores, as they stand at the end.
    start, end : of the replay.
    """
    own = {track.definition.key: track for track in run.tracks}
    limits = [
        d.limit for d in (t.definition for t in own.values()) if d.kind is AlarmKind.HIGH_HIGH and d.limit is not None
    ]
    raised = [
        Danger(at=spell.start, kind="high-high")
        for track in own.values()
        if track.definition.kind is AlarmKind.HIGH_HIGH
        for spell in spells(track.lines)
    ]
    cored = _first_beyond(cores, limits[0], start, end) if limits else []
    dangers = sorted([*raised, *cored], key=lambda danger: danger.at)

    def score(track: BacktestAlarm, change: float) -> Score:
        stood = spells(track.lines)
        watched: Sequence[Danger] = ()
        if track.definition.kind in WARNING:
            watched = dangers
        elif track.definition.kind is AlarmKind.HIGH_HIGH:
            watched = cored
        return Score(
            definition=track.definition,
            limit_change=change,
            raised=len(stood),
            in_alarm=sum(((spell.end or end) - spell.start for spell in stood), timedelta(0)),
            standing=bool(stood) and stood[-1].end is None,
            leads=tuple(Lead(danger=danger, lead=_lead(stood, danger.at)) for danger in watched),
        )

    return Comparison(
        dangers=tuple(dangers),
        own=tuple(score(track, 0.0) for track in run.tracks),
        trials=tuple(score(trial.track, trial.limit_change) for trial in run.trials),
    )


def spells(lines: Iterable[BacktestLine]) -> list[AlarmSpell]:
    """The times an alarm stood, from its journal."""
    found: list[AlarmSpell] = []
    for line in lines:
        moved = line.transition
        standing = bool(found) and found[-1].end is None
        if moved.to_state is AlarmState.UNACKNOWLEDGED and moved.event in CALLING and not standing:
            found.append(AlarmSpell(start=moved.at, called_at=line.known_at, end=None))
        elif moved.event is Event.RETURNED and standing:
            last = found.pop()
            found.append(AlarmSpell(start=last.start, called_at=last.called_at, end=moved.at))
    return found


def _first_beyond(
    cores: Iterable[tuple[datetime, float]], limit: float, start: datetime, end: datetime
) -> list[Danger]:
    """The first core of every run of cores with less clear water than the limit."""
    found, beyond = [], False
    for taken_at, clearance in sorted(cores):
        if not beyond and clearance < limit and start <= taken_at <= end:
            found.append(Danger(at=taken_at, kind="hand core"))
        beyond = clearance < limit
    return found


def _lead(stood: Sequence[AlarmSpell], danger: datetime) -> timedelta | None:
    for spell in stood:
        if spell.start <= danger and spell.called_at <= danger and (spell.end is None or spell.end >= danger):
            return danger - spell.called_at
    return None
