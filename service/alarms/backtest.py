"""Steps the alarms of one tank through its history for a replay; nobody is called and nothing is written.

Every alarm goes through the same rules and the same machine as live. Beside the site's own values, those of high and
high-high are tried with other limits and on-delays in the same pass. Nobody answers in a backtest: an alarm that is over
waits for acknowledgement, and is raised anew when the condition comes back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.machine import Evaluate, Machine, Transition, step
from service.alarms.rules import Condition, RuleInput, RuleResult, judge
from service.domain.plant.units import UnitSystem

#: Limits tried beside the site's own, as clearance more or less than that: half a foot and a foot, or 0.15 m and 0.3 m. [m]
LIMIT_STEPS: Mapping[UnitSystem, tuple[float, ...]] = {
    "us": (-0.3048, -0.1524, 0.0, 0.1524, 0.3048),
    "si": (-0.3, -0.15, 0.0, 0.15, 0.3),
}
#: On-delays tried, beside the site's own.
DELAYS = (timedelta(0), timedelta(minutes=1), timedelta(minutes=5))
#: Kinds whose other limits are tried.
TRIED = (AlarmKind.HIGH, AlarmKind.HIGH_HIGH)


@dataclass(frozen=True, slots=True, kw_only=True)
class BacktestLine:
    """One line of a backtest's journal. ``known_at`` is when it was decided; ``transition.at`` the time it speaks of."""

    definition: AlarmDefinition
    transition: Transition
    known_at: datetime


@dataclass(slots=True)
class BacktestAlarm:
    """One alarm under one definition, and what became of it."""

    definition: AlarmDefinition
    machine: Machine = field(default_factory=Machine)
    lines: list[BacktestLine] = field(default_factory=list)

    def see(self, at: datetime, verdict: RuleResult, known_at: datetime, *, live: bool) -> None:
        """Look at a verdict."""
        if self._stands(verdict.condition):
            return
        taken = step(self.definition, self.machine, Evaluate(verdict=verdict, live=live), at)
        self.machine = taken.machine
        self.lines += [
            BacktestLine(definition=self.definition, transition=transition, known_at=known_at)
            for transition in taken.transitions
        ]

    def _stands(self, condition: Condition) -> bool:
        """Whether this verdict can move neither state nor timers while nobody answers, which spares most of the work."""
        machine = self.machine
        if machine.since is None:
            return False
        if machine.active:
            return machine.off_since is None and condition is not Condition.NORMAL
        return machine.on_since is None and condition is not Condition.ABNORMAL


@dataclass(frozen=True, slots=True)
class BacktestRun:
    """What one alarm would have done under other values. ``limit_change`` in the unit of the limit."""

    of: str
    limit_change: float
    track: BacktestAlarm


class Backtest:
    """All alarms of one tank, and the trials beside them."""

    def __init__(self, definitions: Sequence[AlarmDefinition], system: UnitSystem) -> None:
        self.tracks = tuple(BacktestAlarm(definition) for definition in definitions)
        self.trials: tuple[BacktestRun, ...] = tuple(
            trial for definition in definitions for trial in _trials(definition, system)
        )
        #: Tracks that share a limit share its verdict.
        self._judged = [[track] for track in self.tracks]
        by_limit: dict[tuple[str, float], list[BacktestAlarm]] = {}
        for trial in self.trials:
            by_limit.setdefault((trial.of, trial.limit_change), []).append(trial.track)
        own = {track.definition.key: group for track, group in zip(self.tracks, self._judged, strict=True)}
        for (key, change), tracks in by_limit.items():
            if change == 0.0:
                own[key].extend(tracks)
            else:
                self._judged.append(tracks)
        self.reached: datetime | None = None  #: the time of data decided up to

    def look(self, past: Sequence[RuleInput], live: RuleInput) -> None:
        """One look, as the service takes it: through what is new, then at the present.

        Parameters
        ----------
        past : one for each estimate not yet decided on, in order of time; where nothing is new, the newest.
        live : what is known now.
        """
        reached = self.reached
        new = past[-1:] if reached is None else [situation for situation in past if situation.at > reached]
        for situation in new:
            self._see(situation, live.at, live=False)
            self.reached = situation.at
        self._see(live, live.at, live=True)
        if self.reached is None:
            self.reached = live.at

    def lines(self) -> list[BacktestLine]:
        """The journal of the site's own alarms, in the order it was written."""
        return sorted(
            (line for track in self.tracks for line in track.lines),
            key=lambda line: (line.known_at, line.transition.at),
        )

    def _see(self, situation: RuleInput, known_at: datetime, *, live: bool) -> None:
        at = situation.at
        for tracks in self._judged:
            verdict = judge(tracks[0].definition, situation)
            for track in tracks:
                track.see(at, verdict, known_at, live=live)


def _trials(definition: AlarmDefinition, system: UnitSystem) -> list[BacktestRun]:
    if definition.kind not in TRIED or definition.limit is None:
        return []
    delays = sorted({*DELAYS, definition.on_delay})
    return [
        BacktestRun(
            of=definition.key,
            limit_change=change,
            track=BacktestAlarm(replace(definition, limit=definition.limit + change, on_delay=delay)),
        )
        for change in LIMIT_STEPS[system]
        if definition.limit + change > 0.0
        for delay in delays
    ]
