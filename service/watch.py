"""The night's watch: the jobs of one installation, bound to it and ready for the timetable."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import structlog

from connectors.base import Connector
from service.alarms.definition import AlarmKind
from service.bootstrap import Installation
from service.jobs.deliver import Delivered, deliver
from service.jobs.estimate import Outlook, outlook_all, project_all, update_estimates
from service.jobs.evaluate import Ahead, Evaluated, evaluate, evaluate_service
from service.jobs.ingest import IngestReport, ingest
from service.jobs.ingest.forward import ForwardingSource
from service.jobs.ingest.standing import StandingKeeper, record_hang
from service.jobs.listen import listen
from service.jobs.prove import prove_ways
from service.jobs.supervise import SupervisedSource, Supervisor
from service.jobs.upkeep import keep_up
from service.notify.sms_modem import ModemNotifier
from service.scheduler import Task

log = structlog.get_logger(__name__)

READ_EVERY = timedelta(seconds=5)
DECIDE_EVERY = timedelta(seconds=5)
DELIVER_EVERY = timedelta(seconds=5)
KEEP_UP_EVERY = timedelta(hours=6)


class Watch:
    """Reads sources, decides, tells, and keeps the store in order; each part may run in a thread of its own."""

    def __init__(self, plant: Installation, sources: Sequence[Connector], clock: Callable[[], datetime]) -> None:
        self._plant = plant
        self._sources = sources
        self._clock = clock
        self._started_at = clock()
        self._watched = [section.key for section in plant.site.connectors() if section.carries_signals]

    def read(self, source: Connector) -> IngestReport:
        """Take in what one source has to offer."""
        tags = None
        if isinstance(source, ForwardingSource):
            # A file's reader knows the signals by itself; a device only knows its own addresses.
            tags = {address: signal.tag for address, signal in self._plant.site.addresses(source.key).items()}
        return ingest(source, self._plant.intake, self._plant.engine, self._clock, tags=tags)

    def read_all(self) -> list[IngestReport]:
        """Take in what every source has to offer, one after the other."""
        return [self.read(source) for source in self._sources]

    def decide(self, now: datetime) -> Evaluated:
        """Estimate what changed, and look at every alarm."""
        plant = self._plant
        update_estimates(plant.engine, plant.setups, plant.ids, now)
        projected = project_all(plant.engine, plant.setups, plant.ids, now)
        outlooks = outlook_all(plant.engine, plant.setups, plant.ids, now)
        seen = evaluate(
            plant.engine,
            plant.alarms,
            plant.setups,
            plant.ids,
            projected=projected,
            ahead={key: self._ahead(key, found) for key, found in outlooks.items()},
            now=now,
        )
        own = evaluate_service(
            plant.engine, plant.alarms, connectors=self._watched, started_at=self._started_at, now=now
        )
        return replace(seen, transitions=seen.transitions + own.transitions, messages=seen.messages + own.messages)

    def _ahead(self, tank: str, found: Outlook) -> Ahead:
        danger = next(
            (
                d.limit
                for d in self._plant.alarms.of_tank(tank)
                if d.kind is AlarmKind.HIGH_HIGH and d.limit is not None
            ),
            None,
        )
        if found.forecast is None or danger is None:
            return Ahead(solids_loading=found.solids_loading)
        height = self._plant.tanks[tank].side_water_depth - danger
        return Ahead(time_to_danger=found.forecast.time_to(height).cautious, solids_loading=found.solids_loading)

    def tell(self, now: datetime) -> Delivered:
        """Hear what people wrote back, prove the way to whoever begins a shift, and hand over every message that is due."""
        plant = self._plant
        # On the thread that sends: a modem has one line.
        for notifier in plant.notifiers.values():
            if isinstance(notifier, ModemNotifier):
                listen(plant.engine, plant.alarms, plant.setups, plant.ids, notifier, now)
        prove_ways(plant.engine, plant.alarms, now)
        return deliver(plant.engine, plant.alarms, plant.notifiers, clock=self._clock)

    def tasks(self) -> list[Task]:
        """The lines of the timetable: every source its own, so that a slow one delays nobody."""
        reading = [
            Task(f"read {source.key}", lambda now, source=source: self.read(source), READ_EVERY)  # type: ignore[misc]
            for source in self._sources
            if not isinstance(source, ForwardingSource)
        ]
        return [
            *reading,
            Task("decide", self.decide, DECIDE_EVERY),
            Task("tell", self.tell, DELIVER_EVERY),
            Task("keep up", lambda now: keep_up(self._plant.engine, now), KEEP_UP_EVERY),
        ]

    def supervisor(self) -> Supervisor:
        """Live sources, each on a thread of its own and at its own pace; the supervisor closes them when it stops."""
        return Supervisor(
            [self._supervised(source) for source in self._sources if isinstance(source, ForwardingSource)],
            clock=self._clock,
            draw=random.random,
            on_hang=lambda key, since: record_hang(self._plant.engine, key, since, self._clock()),
        )

    def _supervised(self, source: ForwardingSource) -> SupervisedSource:
        return SupervisedSource(
            key=source.key,
            read=lambda: self.read(source),
            every=source.every,
            hold=source.hold,
            report=StandingKeeper(self._plant.engine, source, self._clock).write,
            close=source.close,
        )

    def close(self) -> None:
        """Release sources and channels."""
        for source in self._sources:
            if not isinstance(source, ForwardingSource):
                source.close()
        for notifier in self._plant.notifiers.values():
            notifier.close()
