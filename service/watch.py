"""The night's watch: the jobs of one installation, bound to it and ready for the timetable."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

import structlog

from connectors.base import Connector
from service.bootstrap import Installation
from service.jobs.deliver import Delivered, deliver
from service.jobs.estimate import project_all, update_estimates
from service.jobs.evaluate import Evaluated, evaluate
from service.jobs.ingest import IngestReport, ingest
from service.jobs.upkeep import keep_up
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

    def read(self, source: Connector) -> IngestReport:
        """Take in what one source has to offer."""
        return ingest(source, self._plant.intake, self._plant.engine, self._clock)

    def read_all(self) -> list[IngestReport]:
        """Take in what every source has to offer, one after the other."""
        return [self.read(source) for source in self._sources]

    def decide(self, now: datetime) -> Evaluated:
        """Estimate what changed, and look at every alarm."""
        plant = self._plant
        update_estimates(plant.engine, plant.setups, plant.ids, now)
        projected = project_all(plant.engine, plant.setups, plant.ids, now)
        return evaluate(plant.engine, plant.alarms, plant.setups, plant.ids, projected=projected, now=now)

    def tell(self, now: datetime) -> Delivered:
        """Hand over every message that is due."""
        plant = self._plant
        return deliver(plant.engine, plant.alarms, plant.notifiers, clock=self._clock)

    def tasks(self) -> list[Task]:
        """The lines of the timetable: every source its own, so that a slow one delays nobody."""
        reading = [
            Task(f"read {source.key}", lambda now, source=source: self.read(source), READ_EVERY)  # type: ignore[misc]
            for source in self._sources
        ]
        return [
            *reading,
            Task("decide", self.decide, DECIDE_EVERY),
            Task("tell", self.tell, DELIVER_EVERY),
            Task("keep up", lambda now: keep_up(self._plant.engine, now), KEEP_UP_EVERY),
        ]

    def close(self) -> None:
        """Release sources and channels."""
        for source in self._sources:
            source.close()
        for notifier in self._plant.notifiers.values():
            notifier.close()
