"""The night's watch: the jobs of one installation, bound to it and ready for the timetable.

Every piece of work is done by the node that has its lease. What it writes is fenced: should another node have taken over
meanwhile, nothing of it is stored.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial

import structlog
from sqlalchemy import Engine

from connectors.base import Connector, GivesUp
from connectors.errors import ConnectorError
from service.bootstrap import Installation
from service.domain.loading.split import split_over
from service.domain.operations.lease import DELIVER, EVALUATE, MAINTAIN, PAST, LeaseStatus, reading
from service.errors import LeaseLost, ServiceError, StorageError
from service.jobs.accounts.notices import tell_owners
from service.jobs.alarms.evaluate import Evaluated, evaluate, evaluate_service
from service.jobs.blanket.estimate import Outlook, estimate_past, estimate_present, outlook_all, project_all
from service.jobs.calls.channel_tests import send_channel_tests
from service.jobs.calls.deliver import Delivered, deliver
from service.jobs.calls.delivery_worker import DeliveryWorker, ways_of
from service.jobs.calls.listen import listen
from service.jobs.forecast.ahead import Ahead, ahead_of, danger_height
from service.jobs.ingest import IngestReport, ingest
from service.jobs.ingest.forward import ForwardingSource, OrphanedSpool
from service.jobs.ingest.status import StatusWriter, record_hang
from service.jobs.ingest.supervise import SourceStatus, SupervisedSource, Supervisor
from service.jobs.operations.leadership import LeaseGrant, Leases, SingleNode
from service.jobs.operations.maintenance import maintain
from service.jobs.operations.rollup import roll_up
from service.jobs.operations.watchdog import LOOK_EVERY, Watchdog
from service.jobs.plant.outage import tanks_out
from service.jobs.reports.mail import mail_reports
from service.notify.channels.sms_modem import ModemNotifier
from service.notify.heartbeat import beat
from service.scheduler import Task
from service.storage.calls.outbox import void_claims
from service.storage.database.session import read_only, transaction
from service.storage.plant.site_tables import revision_in_force

log = structlog.get_logger(__name__)

READ_EVERY = timedelta(seconds=5)
EVALUATE_EVERY = timedelta(seconds=5)
#: The past has a turn so often, and so long of it: the rest of the processor's time is the present's.
PAST_EVERY, PAST_FOR = timedelta(seconds=5), timedelta(seconds=4)
HEED_EVERY = timedelta(seconds=2)
DELIVER_EVERY = timedelta(seconds=5)
BEAT_EVERY = timedelta(seconds=15)
REVIVE_EVERY = timedelta(seconds=5)
SETTLE_EVERY = timedelta(seconds=1)
REPORT_EVERY = timedelta(minutes=1)
ROLL_UP_EVERY = timedelta(minutes=1)
MAINTAIN_EVERY = timedelta(hours=6)


def works(sources: Sequence[Connector]) -> list[str]:
    """Name every piece of work there is."""
    return [EVALUATE, DELIVER, PAST, MAINTAIN, *(reading(source.key) for source in sources)]


class Runtime:
    """Reads sources, decides, tells, and keeps the store in order; each part may run in a thread of its own.

    Parameters
    ----------
    before : the watch by the version of the site file that was in force until now, closed; what it knew is known here.
    """

    def __init__(
        self,
        plant: Installation,
        sources: Sequence[Connector],
        clock: Callable[[], datetime],
        leases: Leases | None = None,
        speak_up: Watchdog | None = None,
        before: Runtime | None = None,
    ) -> None:
        self._plant = plant
        self._leases = SingleNode(plant.engine) if leases is None else leases
        self._ways = ways_of(plant.notifiers)
        self._told_under: dict[str, int] = {}  #: by way, the number the lease had when its old claims were let go
        self._sources = sources
        self._clock = clock
        now = clock()
        self._started_at = now
        #: When every alarm was last looked at without trouble, and the look that the watcher outside last heard of.
        self._complete_at: datetime | None = None
        self._vouched_for: datetime | None = None
        self._speak_up = speak_up
        #: When every alarm was last looked at, here or elsewhere, as far as this node knows; and why not since.
        self._seen_at = now
        self._in_the_way = ""
        self._watched = [section.key for section in plant.site.connectors() if section.carries_signals]
        self._added_at: dict[str, datetime] = {}  #: sources that came into force after the start
        #: Whether another version of the site file has come into force, and why this node cannot go by it.
        self.overtaken = False
        self.stuck = ""
        if before is not None:
            self._started_at, self._seen_at = before._started_at, before._seen_at
            self._complete_at, self._vouched_for = before._complete_at, before._vouched_for
            self._in_the_way = before._in_the_way
            fresh = {key: now for key in self._watched if key not in before._watched}
            self._added_at = before._added_at | fresh

    def read(self, source: Connector, engine: Engine | None = None) -> IngestReport:
        """Take in what one source has to offer."""
        tags = None
        if isinstance(source, ForwardingSource | OrphanedSpool):
            # A file's reader knows the signals by itself; a device only knows its own addresses.
            tags = {address: signal.tag for address, signal in self._plant.site.addresses(source.key).items()}
        return ingest(source, self._plant.intake, engine or self._plant.engine, self._clock, tags=tags)

    def read_all(self) -> list[IngestReport]:
        """Take in what every source has to offer, one after the other."""
        return [self.read(source) for source in self._sources]

    def decide(self, now: datetime) -> Evaluated:
        """Estimate what changed, and look at every alarm, where that is this node's work."""
        held = self._leases.grant(EVALUATE)
        if held is None:
            if self._stands_by and self._leases.up_to_date:
                self._seen_at, self._in_the_way = now, ""
            else:
                self._in_the_way = self._in_the_way or "The database does not answer."
            return Evaluated()
        try:
            self.heed(now)
            if self.overtaken and not self.stuck:
                return Evaluated()  # looked at in a moment, by the version in force
            seen = self._decide(held, now)
        except Exception as error:
            self._in_the_way = str(error) or type(error).__name__
            raise
        if self.stuck:
            seen = replace(seen, failed={**(seen.failed or {}), "site file": self.stuck})
        if seen.failed:
            self._in_the_way = "\n".join(f"{tank}: {why}" for tank, why in seen.failed.items())
        else:
            self._complete_at = self._seen_at = now
            self._in_the_way = ""
        return seen

    def _look(self, now: datetime) -> None:
        """A look at every alarm for the timetable, to which one that is not complete is a failure."""
        seen = self.decide(now)
        if seen.failed:
            raise ServiceError("; ".join(f"{place}: {why}" for place, why in seen.failed.items()))

    def heed(self, now: datetime) -> None:
        """See whether another version of the site file has come into force."""
        if self._plant.version is None:
            return
        with transaction(read_only(self._plant.engine)) as conn:
            self.overtaken = revision_in_force(conn) != self._plant.version.id

    def _decide(self, held: LeaseGrant, now: datetime) -> Evaluated:
        plant, engine = self._plant, held.engine
        estimate_present(engine, plant.setups, plant.ids, now)
        projected = project_all(engine, plant.setups, plant.ids, now)
        out = tanks_out(engine, plant.alarms, plant.ids)
        tanks = split_over(plant.setups, out)
        outlooks = outlook_all(engine, tanks, plant.ids, now)
        own, trouble = Evaluated(), None
        try:
            own = evaluate_service(
                engine,
                plant.alarms,
                connectors=self._watched,
                started_at=self._started_at,
                added_at=self._added_at,
                now=now,
                tanks=[setup for setup in plant.setups if setup.tank.key not in out],
                ids=plant.ids,
            )
        except Exception as error:  # told when the tanks have been looked at, which matters more
            trouble = error
        seen = evaluate(
            engine,
            plant.alarms,
            tanks,
            plant.ids,
            projected=projected,
            ahead={key: self._ahead(key, found) for key, found in outlooks.items()},
            now=now,
            out_of_service=out,
        )
        if trouble is not None:
            raise trouble
        return replace(seen, transitions=seen.transitions + own.transitions, messages=seen.messages + own.messages)

    def _ahead(self, tank: str, found: Outlook) -> Ahead:
        danger = danger_height(self._plant.tanks[tank], self._plant.alarms.of_tank(tank))
        return ahead_of(found.forecast, danger, found.solids_loading)

    def estimate_past(self, now: datetime) -> None:
        """Go on with what is estimated again beside the present, where that is this node's work."""
        held = self._leases.grant(PAST)
        if held is None:
            return
        give_back = time.monotonic() + PAST_FOR.total_seconds()
        estimate_past(
            held.engine,
            self._plant.setups,
            self._plant.ids,
            now,
            enough=lambda: time.monotonic() > give_back or not held.still_leader(),
        )

    def prove(self, now: datetime) -> int:
        """Prove the way to whoever begins a shift, where telling is this node's work."""
        held = self._leases.grant(DELIVER)
        return 0 if held is None else send_channel_tests(held.engine, self._plant.alarms, now)

    def tell_by(self, way: DeliveryWorker, now: datetime) -> Delivered:
        """Hear what people wrote back by one way, and hand over every message that is due on it."""
        held = self._leases.grant(DELIVER)
        if held is None:
            return Delivered()
        plant, engine = self._plant, held.engine
        if held.token != self._told_under.get(way.name, 0):
            # Whoever had this work before delivers no more: what was in its hand need not wait for a claim to run out.
            with transaction(engine) as conn:
                void_claims(conn, way.channel, way.recipients)
            self._told_under[way.name] = held.token
        if isinstance(way.notifier, ModemNotifier):  # on the thread that sends: a modem has one line
            listen(engine, plant.alarms, plant.setups, plant.ids, way.notifier, now)
        return deliver(
            engine,
            plant.alarms,
            {way.channel: way.notifier},
            clock=self._clock,
            recipients=way.recipients,
            still=held.still_leader,
        )

    def tell(self, now: datetime) -> None:
        """Prove the ways, and deliver by each in turn."""
        self.prove(now)
        for way in self._ways:
            self.tell_by(way, now)

    def beat(self, now: datetime) -> None:
        """Tell the watcher outside that all alarms have been looked at since it last heard; on a thread of its own."""
        url, complete = self._plant.settings.heartbeat_url, self._complete_at
        if url is None or complete is None or complete == self._vouched_for:
            return
        trouble = beat(url.get_secret_value())
        if trouble is not None:
            log.warning("heartbeat not heard", reason=trouble)
            return
        self._vouched_for = complete

    def speak_up(self, now: datetime) -> None:
        """Tell people without the database when nobody looks at the alarms."""
        if self._speak_up is not None:
            self._speak_up.check(self._seen_at, self._in_the_way, now, standing_by=self._stands_by)

    @property
    def _stands_by(self) -> bool:
        return self._leases.status(EVALUATE) is LeaseStatus.ELSEWHERE

    def revive(self, now: datetime) -> None:
        """Start a database of our own again should it have ended."""
        if self._plant.revive is not None and self._plant.revive():
            log.error("the embedded database had ended and was started again")

    def settle(self, now: datetime) -> None:
        """Bring to disk what a full disk left in memory, so that a kill soon after does not cost it."""
        for source in self._sources:
            if isinstance(source, ForwardingSource):
                source.flush()

    def report(self, now: datetime) -> int:
        """Put reports on their way that are due, where telling is this node's work."""
        held = self._leases.grant(DELIVER)
        if held is None:
            return 0
        return mail_reports(replace(self._plant.reports, engine=held.engine), self._plant.mailing, now)

    def tell_owners(self, now: datetime) -> int:
        """Put mails on their way to those whose accounts were changed, where telling is this node's work."""
        held = self._leases.grant(DELIVER)
        return 0 if held is None else tell_owners(held.engine, self._plant.alarms, now)

    def maintain(self, now: datetime) -> None:
        """Keep the store in order, where that is this node's work."""
        held = self._leases.grant(MAINTAIN)
        if held is not None:
            maintain(held.engine, self._plant.keeping, now)

    def tasks(self) -> list[Task]:
        """The lines of the timetable: every source and every way to people its own, so that a slow one delays nobody."""
        files = [
            Task(f"poll:{source.key}", partial(self._read_files, source), READ_EVERY, reading(source.key))
            for source in self._sources
            if not isinstance(source, ForwardingSource)
        ]
        telling = [
            Task(f"deliver by {way.name}", partial(self.tell_by, way), DELIVER_EVERY, DELIVER) for way in self._ways
        ]
        return [
            *files,
            Task("evaluate", self._look, EVALUATE_EVERY, EVALUATE),
            Task("estimate past", self.estimate_past, PAST_EVERY, PAST),
            Task("site file", self.heed, HEED_EVERY),
            Task("prove", self.prove, DELIVER_EVERY, DELIVER),
            *telling,
            Task("report", self.report, REPORT_EVERY, DELIVER),
            # These are for when the database is away.
            *([Task("settle", self.settle, SETTLE_EVERY)] if len(files) < len(self._sources) else []),
            *([] if self._speak_up is None else [Task("speak up", self.speak_up, LOOK_EVERY)]),
            *([] if self._plant.revive is None else [Task("revive", self.revive, REVIVE_EVERY)]),
            Task("account notices", self.tell_owners, REPORT_EVERY, DELIVER),
            *([] if self._plant.settings.heartbeat_url is None else [Task("heartbeat", self.beat, BEAT_EVERY)]),
            # Without a lease: nodes that roll up at once share what is due, and neither can undo the other.
            Task("roll up", lambda now: roll_up(self._plant.engine), ROLL_UP_EVERY),
            Task("maintain", self.maintain, MAINTAIN_EVERY, MAINTAIN),
        ]

    def _read_files(self, source: Connector, now: datetime) -> None:
        held = self._leases.grant(reading(source.key))
        if held is not None:
            self.read(source, held.engine)

    def supervisor(self) -> Supervisor:
        """Live sources, each on a thread of its own and at its own pace; the supervisor closes them when it stops."""
        return Supervisor(
            [self._supervised(source) for source in self._sources if isinstance(source, ForwardingSource)],
            clock=self._clock,
            draw=random.random,
            on_hang=self._on_hang,
        )

    def _on_hang(self, key: str, since: datetime) -> None:
        held = self._leases.grant(reading(key))
        if held is not None:
            record_hang(held.engine, key, since, self._clock())

    def _supervised(self, source: ForwardingSource) -> SupervisedSource:
        keeper = StatusWriter(self._plant.engine, source, self._clock, self._plant.settings.node_name)

        def report(standing: SourceStatus) -> None:
            # How a source is doing is for its reader to say.
            if self._leases.grant(reading(source.key)) is not None:
                keeper.write(standing)
            else:
                keeper.write_losses()

        return SupervisedSource(
            key=source.key,
            read=lambda: self._read_live(source),
            every=source.every,
            poll_to_spool=source.poll_to_spool,
            report=report,
            close=source.close,
        )

    def _read_live(self, source: ForwardingSource) -> IngestReport:
        """Read a device where that is this node's work; else only store what this node still has of it on disk."""
        held = self._leases.grant(reading(source.key))
        if held is not None:
            return self.read(source, held.engine)
        if self._leases.status(reading(source.key)) is LeaseStatus.LAPSED:
            # Perhaps the database is away for everybody, and nobody else reads: a register shows a value only once.
            raise LeaseLost(f"The lease on {source.key} could not be renewed; what is read meanwhile waits on disk.")
        try:
            source.release()
        except ConnectorError as error:
            log.info("source left", source=source.key, problem=str(error))
        orphaned = source.orphaned_spool()
        if orphaned is not None:
            # Not fenced: what was read is true whoever reads now, and storing it again changes nothing.
            with suppress(StorageError):  # it waits where it is; the device is not this node's to read meanwhile
                return self.read(orphaned)
        return IngestReport(connector=source.key)

    def give_up_files(self) -> None:
        """Let go of the files being read, which are read anew after the next start: whoever stops does not wait for them."""
        for source in self._sources:
            if isinstance(source, GivesUp):
                source.give_up()

    def close(self) -> None:
        """Release sources and channels."""
        for source in self._sources:
            if not isinstance(source, ForwardingSource):
                source.close()
        for way in self._ways:
            way.notifier.close()
