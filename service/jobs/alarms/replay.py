"""Replays stored history as it became known: conditioning, estimate, forecast and alarms at every moment.

Nothing is sent, and nothing is written: the database is read in transactions that cannot write.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta

import structlog
from sqlalchemy import Connection, Engine

from service.alarms.backtest import Backtest, BacktestLine
from service.alarms.definition import AlarmDefinition, AlarmKind
from service.calls.backtest import Call, backtest_calls
from service.calls.comparison import Comparison, compare
from service.calls.escalation import OnCall
from service.domain.blanket import estimate as estimator
from service.domain.blanket.estimate import Estimate, TankSetup
from service.domain.forecast.tracker import outlook, solids_loading
from service.domain.plant.units import UnitSystem
from service.jobs.alarms.replay_stage import ReplayRun
from service.jobs.forecast.ahead import Ahead, ahead_of, danger_height
from service.storage.database.session import transaction
from service.storage.plant.site_tables import SiteIds
from service.storage.readings.arrival import ArrivalModel

log = structlog.get_logger(__name__)

MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class TankReplay:
    """What became of one tank."""

    tank: str
    lines: tuple[BacktestLine, ...]  #: the journal, in the order it would have been written
    comparison: Comparison
    unanswered: tuple[Call, ...]  #: who would have been called, if nobody ever answered
    answered: tuple[Call, ...]  #: the same, if people answered after the time asked about
    readings: int  #: that arrived in the time replayed
    imported: int  #: of them, those taken as arrived earlier than they were received
    arrivals: Mapping[
        str, ArrivalModel
    ]  #: by blanket sensor, how late those are taken to have arrived; empty without any
    looks: int
    began_at: datetime | None  #: the checkpoint folding began at; None: the beginning of history


def replay(
    engine: Engine,
    setups: Iterable[TankSetup],
    definitions: Sequence[AlarmDefinition],
    ids: SiteIds,
    *,
    start: datetime,
    end: datetime,
    system: UnitSystem,
    stored: Mapping[str, TankSetup],
    callout: OnCall | None = None,
    answered_after: timedelta | None = None,
    arrived_after: timedelta | None = None,
) -> list[TankReplay]:
    """Run the time from *start* to *end* again.

    Parameters
    ----------
    setups : tanks and signals to replay with; signals that were never stored are silent.
    definitions : alarms to replay with; those of the service itself are left out.
    system : decides which other limits are tried.
    callout : people, rotas and escalations to say who would have been called; None: nobody is.
    answered_after : how long people take to answer, where that is to be told beside nobody answering.
    arrived_after : nothing is taken as arrived later than this after it was measured; None: what was measured before its source
        was heard of, and imported later, is taken as arrived the source's usual delay after it was measured.
    stored : the tanks by key as the checkpoints in the database were made with; those of other tanks are not used.

    Notes
    -----
    The service looks every few seconds; a replay looks at *start*, whenever something of the tank arrives, and at every
    full minute before which nothing arrived. What only time brings about (a delay over, a silence) is seen to the minute.
    Alarms begin as on the first day: one that stood before *start* is raised at *start*.
    """
    told = []
    for setup in setups:
        with _reading_only(engine) as conn:
            same = stored.get(setup.tank.key) == setup
            stage = ReplayRun.of(conn, setup, ids, start, end, reusable=same, arrived_after=arrived_after)
        own = [definition for definition in definitions if definition.tank == setup.tank.key]
        told.append(backtest(stage, Backtest(own, system), start, end, callout, answered_after))
        log.info("replayed", tank=setup.tank.key, looks=told[-1].looks)
    return told


def believed_as_known_then(
    engine: Engine, setup: TankSetup, ids: SiteIds, start: datetime, end: datetime, every: timedelta
) -> list[Estimate]:
    """What was believed of a tank at start, start + every, … up to *end*, knowing at each time only what had arrived by then.

    Notes
    -----
    History that was imported after the fact is taken as arrived with the usual delay of its source.
    """
    with _reading_only(engine) as conn:
        stage = ReplayRun.of(conn, setup, ids, start, end, reusable=True)
    arrivals = stage.arrivals()
    stage.take_known(arrivals)
    told: list[Estimate] = []
    done, time = 0, start
    while time <= end:
        while done < len(arrivals) and arrivals[done].at <= time:
            stage.take(arrivals[done])
            done += 1
        told.append(estimator.project(setup, stage.refold.state, time))
        time += every
    return told


@contextmanager
def _reading_only(engine: Engine) -> Iterator[Connection]:
    with transaction(engine) as conn:
        conn.exec_driver_sql("SET TRANSACTION READ ONLY")
        yield conn


def backtest(
    stage: ReplayRun,
    alarms: Backtest,
    start: datetime,
    end: datetime,
    callout: OnCall | None = None,
    answered_after: timedelta | None = None,
) -> TankReplay:
    """Take everything in as it came, and look at the alarms as the service does."""
    arrivals = stage.arrivals()
    stage.take_known(arrivals)
    looks = _Looks(stage, alarms)
    looks.at(start)
    before = start
    for arrival in arrivals:
        for moment in _silent_minutes(before, arrival.at):
            looks.at(moment)
        stage.take(arrival)
        looks.at(arrival.at)
        before = arrival.at
    for moment in _silent_minutes(before, end + timedelta.resolution):
        looks.at(moment)
    return TankReplay(
        tank=stage.setup.tank.key,
        lines=tuple(alarms.lines()),
        comparison=compare(alarms, stage.clearances(), start, end),
        unanswered=() if callout is None else backtest_calls(alarms, callout, end),
        answered=()
        if callout is None or answered_after is None
        else backtest_calls(alarms, callout, end, answered_after),
        readings=len(stage.came),
        imported=int(stage.came.imported.sum()),
        arrivals=stage.imported,
        looks=looks.count,
        began_at=stage.began_at,
    )


class _Looks:
    """The looks of a replay: the situation before and now, put before the alarms."""

    def __init__(self, stage: ReplayRun, alarms: Backtest) -> None:
        self._stage = stage
        self._alarms = alarms
        kinds = {track.definition.kind: track.definition for track in alarms.tracks}
        self._danger = danger_height(stage.setup.tank, kinds.values())
        self._foresees = AlarmKind.TIME_TO_DANGER in kinds
        self._loads = AlarmKind.SOLIDS_LOADING in kinds
        self.count = 0

    def at(self, now: datetime) -> None:
        """Look."""
        self.count += 1
        stage, setup, refold = self._stage, self._stage.setup, self._stage.refold
        seen = stage.history(self._alarms.reached)
        past = [seen.at(e.time, e) for e in seen.estimates if e.time <= now]
        live = seen.at(now, estimator.project(setup, refold.state, now))
        if refold.heard and (self._foresees or self._loads):
            live = self._ahead(now).seen_in(live)
        self._alarms.look(past, live)

    def _ahead(self, now: datetime) -> Ahead:
        setup, heading = self._stage.setup, self._stage.refold.heading
        return ahead_of(
            outlook(setup, heading, now) if self._foresees else None,
            self._danger,
            solids_loading(setup, heading, now) if self._loads else None,
        )


def _silent_minutes(after: datetime, before: datetime) -> Iterator[datetime]:
    """Full minutes between two looks before which nothing arrived for a whole minute."""
    moment = after.replace(second=0, microsecond=0) + MINUTE
    if moment - after < MINUTE:
        moment += MINUTE
    while moment < before:
        yield moment
        moment += MINUTE
