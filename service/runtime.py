"""Binds the jobs of one installation to it and makes them tasks for the timetable.

Each job runs on the node that has its lease. Its writes are fenced: if another node has taken over, nothing is stored.
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

from connectors.base import Cancellable, Connector
from connectors.errors import ConnectorError
from service.bootstrap import Installation
from service.domain.loading.split import split_over
from service.domain.operations.lease import DELIVER, EVALUATE, MAINTAIN, PAST, LeaseStatus, reading
from service.errors import LeaseLost, ServiceError, StorageError
from service.jobs.accounts.notices import tell_owners
from service.jobs.alarms.evaluate import Evaluated, evaluate, evaluate_service
from service.jobs.blanket.estimate import Outlook, estimate_past, estimate_present, outlook_all, project_all
from service.jobs.calls.channel_tests import send_channel_tests
from service.jobs.calls.deliver import Delivered, DeliveryWorker, deliver, delivery_workers
from service.jobs.calls.incoming import listen
from service.jobs.effluent.standing import PermitStanding
from service.jobs.forecast.ahead import Ahead, ahead_of, danger_height
from service.jobs.ingest import IngestReport, ingest
from service.jobs.ingest.forward import ForwardingSource, OrphanedSpool
from service.jobs.ingest.status import StatusWriter, record_hang
from service.jobs.ingest.supervise import SourceStatus, SupervisedSource, Supervisor
from service.jobs.operations.leadership import LeaseGrant, Leases, SingleNode
from service.jobs.operations.maintenance import maintain
from service.jobs.operations.rollup import roll_up
from service.jobs.operations.watchdog import CHECK_EVERY, Watchdog
from service.jobs.plant.outage import tanks_out
from service.jobs.reports.mail import mail_reports
from service.notify.channels.sms_modem import ModemNotifier
from service.notify.health_check import send_heartbeat
from service.scheduler import Task
from service.storage.calls.outbox import void_claims
from service.storage.database.session import read_only, transaction
from service.storage.plant.site_tables import revision_in_force

log = structlog.get_logger(__name__)

READ_EVERY = timedelta(seconds=5)
EVALUATE_EVERY = timedelta(seconds=5)
#: Re-estimation of the past: interval, and how long a run may take; the rest of the processor's time is for the present.
PAST_EVERY, PAST_FOR = timedelta(seconds=5), timedelta(seconds=4)
HEED_EVERY = timedelta(seconds=2)
DELIVER_EVERY = timedelta(seconds=5)
BEAT_EVERY = timedelta(seconds=15)
REVIVE_EVERY = timedelta(seconds=5)
SETTLE_EVERY = timedelta(seconds=1)
REPORT_EVERY = timedelta(minutes=1)
ROLL_UP_EVERY = timedelta(minutes=1)
MAINTAIN_EVERY = timedelta(hours=6)


def lease_names(sources: Sequence[Connector]) -> list[str]:
    """The names of all leases."""
    return [EVALUATE, DELIVER, PAST, MAINTAIN, *(reading(source.key) for source in sources)]


class Runtime:
    """Reads sources, evaluates alarms, delivers messages and maintains the database; each task may run in its own thread.

    Parameters
    ----------
    before : the closed runtime of the version of the site file in force before; its state is taken over.
    """

    def __init__(
        self,
        plant: Installation,
        sources: Sequence[Connector],
        clock: Callable[[], datetime],
        leases: Leases | None = None,
        watchdog: Watchdog | None = None,
        before: Runtime | None = None,
    ) -> None:
        self._plant = plant
        self._leases = SingleNode(plant.engine) if leases is None else leases
        self._workers = delivery_workers(plant.notifiers)
        self._claims_voided_at: dict[str, int] = {}  #: by worker: the lease's token when old claims were voided
        self._sources = sources
        self._clock = clock
        now = clock()
        self._started_at = now
        #: When all alarms were last evaluated without errors, and which of these evaluations the heartbeat reported last.
        self._completed_at: datetime | None = None
        self._reported_at: datetime | None = None
        self._watchdog = watchdog
        #: When all alarms were last evaluated, here or on another node, as far as this node knows; and why not since.
        self._evaluated_at = now
        self._problem = ""
        self._connectors = [section.key for section in plant.site.connectors() if section.carries_signals]
        self._added_at: dict[str, datetime] = {}  #: sources that came into force after the start
        self._permit = PermitStanding()
        #: Whether another version of the site file has come into force, and why this node cannot go by it.
        self.superseded = False
        self.site_problem = ""
        if before is not None:
            self._started_at, self._evaluated_at = before._started_at, before._evaluated_at
            self._completed_at, self._reported_at = before._completed_at, before._reported_at
            self._problem = before._problem
            fresh = {key: now for key in self._connectors if key not in before._connectors}
            self._added_at = before._added_at | fresh

    def read(self, source: Connector, engine: Engine | None = None) -> IngestReport:
        """Poll and store one source."""
        tags = None
        if isinstance(source, ForwardingSource | OrphanedSpool):
            # Files are decoded to tags; a device only knows its own addresses.
            tags = {address: signal.tag for address, signal in self._plant.site.addresses(source.key).items()}
        return ingest(source, self._plant.model, engine or self._plant.engine, self._clock, tags=tags)

    def read_all(self) -> list[IngestReport]:
        """Poll and store every source, one after the other."""
        return [self.read(source) for source in self._sources]

    def evaluate_alarms(self, now: datetime) -> Evaluated:
        """Estimate what changed and evaluate all alarms, if this node has the lease."""
        grant = self._leases.grant(EVALUATE)
        if grant is None:
            if self._stands_by and self._leases.up_to_date:
                self._evaluated_at, self._problem = now, ""
            else:
                self._problem = self._problem or "The database does not answer."
            return Evaluated()
        try:
            self.check_site_version(now)
            if self.superseded and not self.site_problem:
                return Evaluated()  # the runtime of the version in force evaluates them in a moment
            seen = self._evaluate(grant, now)
        except Exception as error:
            self._problem = str(error) or type(error).__name__
            raise
        if self.site_problem:
            seen = replace(seen, failed={**(seen.failed or {}), "site file": self.site_problem})
        if seen.failed:
            self._problem = "\n".join(f"{tank}: {why}" for tank, why in seen.failed.items())
        else:
            self._completed_at = self._evaluated_at = now
            self._problem = ""
        return seen

    def _look(self, now: datetime) -> None:
        """The task of evaluation; raises if it was not complete."""
        seen = self.evaluate_alarms(now)
        if seen.failed:
            raise ServiceError("; ".join(f"{place}: {why}" for place, why in seen.failed.items()))

    def check_site_version(self, now: datetime) -> None:
        """Check whether another version of the site file has come into force."""
        if self._plant.version is None:
            return
        with transaction(read_only(self._plant.engine)) as conn:
            self.superseded = revision_in_force(conn) != self._plant.version.id

    def _evaluate(self, grant: LeaseGrant, now: datetime) -> Evaluated:
        plant, engine = self._plant.model, grant.engine
        estimate_present(engine, plant.setups, plant.ids, now)
        projected = project_all(engine, plant.setups, plant.ids, now)
        out = tanks_out(engine, plant)
        tanks = split_over(plant.setups, out)
        outlooks = outlook_all(engine, tanks, plant.ids, now)
        own, trouble, permit = Evaluated(), None, None
        try:
            permit = self._permit.seen(engine, plant, now)
        except Exception as error:  # raised after everything else is evaluated
            trouble = error
        try:
            own = evaluate_service(
                engine,
                replace(plant, setups=[setup for setup in plant.setups if setup.tank.key not in out]),
                connectors=self._connectors,
                started_at=self._started_at,
                added_at=self._added_at,
                permit=permit,
                now=now,
            )
        except Exception as error:  # raised after the tanks are evaluated, which matters more
            trouble = error
        seen = evaluate(
            engine,
            replace(plant, setups=tanks),
            projected=projected,
            ahead={key: self._forecast_of(key, found) for key, found in outlooks.items()},
            now=now,
            out_of_service=out,
        )
        if trouble is not None:
            raise trouble
        return replace(seen, transitions=seen.transitions + own.transitions, messages=seen.messages + own.messages)

    def _forecast_of(self, tank: str, found: Outlook) -> Ahead:
        danger = danger_height(self._plant.tanks[tank], self._plant.alarms.of_tank(tank))
        return ahead_of(found.forecast, danger, found.solids_loading)

    def estimate_past(self, now: datetime) -> None:
        """Continue re-estimating the past beside the present, if this node has the lease."""
        grant = self._leases.grant(PAST)
        if grant is None:
            return
        until = time.monotonic() + PAST_FOR.total_seconds()
        estimate_past(
            grant.engine,
            self._plant.setups,
            self._plant.ids,
            now,
            enough=lambda: time.monotonic() > until or not grant.still_leader(),
        )

    def send_channel_tests_due(self, now: datetime) -> int:
        """Send the channel tests due at the beginning of a shift, if this node has the lease."""
        grant = self._leases.grant(DELIVER)
        return 0 if grant is None else send_channel_tests(grant.engine, self._plant.alarms, now)

    def deliver_by(self, way: DeliveryWorker, now: datetime) -> Delivered:
        """Receive replies and send due messages on one worker's channel, if this node has the lease."""
        grant = self._leases.grant(DELIVER)
        if grant is None:
            return Delivered()
        plant, engine = self._plant, grant.engine
        if grant.token != self._claims_voided_at.get(way.name, 0):
            # The node with the lease before delivers no more: its messages need not wait for their claims to expire.
            with transaction(engine) as conn:
                void_claims(conn, way.channel, way.recipients)
            self._claims_voided_at[way.name] = grant.token
        if isinstance(way.notifier, ModemNotifier):  # in the sending thread: a modem has one serial line
            listen(engine, plant.model, way.notifier, now)
        return deliver(
            engine,
            plant.alarms,
            {way.channel: way.notifier},
            clock=self._clock,
            recipients=way.recipients,
            still=grant.still_leader,
        )

    def deliver_all(self, now: datetime) -> None:
        """Send channel tests, and deliver on each channel in turn."""
        self.send_channel_tests_due(now)
        for way in self._workers:
            self.deliver_by(way, now)

    def send_heartbeat(self, now: datetime) -> None:
        """Report to the external watchdog that all alarms have been evaluated since the last report."""
        url, complete = self._plant.settings.heartbeat_url, self._completed_at
        if url is None or complete is None or complete == self._reported_at:
            return
        trouble = send_heartbeat(url.get_secret_value())
        if trouble is not None:
            log.warning("heartbeat not heard", reason=trouble)
            return
        self._reported_at = complete

    def check_watchdog(self, now: datetime) -> None:
        """Notify people, without the database, when alarms are not evaluated."""
        if self._watchdog is not None:
            self._watchdog.check(self._evaluated_at, self._problem, now, standing_by=self._stands_by)

    @property
    def _stands_by(self) -> bool:
        return self._leases.status(EVALUATE) is LeaseStatus.ELSEWHERE

    def restart_database(self, now: datetime) -> None:
        """Restart the embedded database if it has ended."""
        if self._plant.revive is not None and self._plant.revive():
            log.error("the embedded database had ended and was started again")

    def flush_spools(self, now: datetime) -> None:
        """Write to disk what a full disk left in memory."""
        for source in self._sources:
            if isinstance(source, ForwardingSource):
                source.flush()

    def mail_reports(self, now: datetime) -> int:
        """Queue the mails of due reports, if this node has the lease."""
        grant = self._leases.grant(DELIVER)
        if grant is None:
            return 0
        return mail_reports(grant.engine, self._plant.model, self._plant.mailing, now)

    def send_account_notices(self, now: datetime) -> int:
        """Queue mails to those whose accounts were changed, if this node has the lease."""
        grant = self._leases.grant(DELIVER)
        return 0 if grant is None else tell_owners(grant.engine, self._plant.alarms, now)

    def maintain(self, now: datetime) -> None:
        """Maintain the database, if this node has the lease."""
        grant = self._leases.grant(MAINTAIN)
        if grant is not None:
            maintain(grant.engine, self._plant.retention, now)

    def tasks(self) -> list[Task]:
        """All tasks; every source and every delivery worker has its own, so that a slow one delays no other."""
        files = [
            Task(f"poll:{source.key}", partial(self._read_files, source), READ_EVERY, reading(source.key))
            for source in self._sources
            if not isinstance(source, ForwardingSource)
        ]
        deliveries = [
            Task(f"deliver by {way.name}", partial(self.deliver_by, way), DELIVER_EVERY, DELIVER)
            for way in self._workers
        ]
        return [
            *files,
            Task("evaluate", self._look, EVALUATE_EVERY, EVALUATE),
            Task("estimate past", self.estimate_past, PAST_EVERY, PAST),
            Task("site file", self.check_site_version, HEED_EVERY),
            Task("prove", self.send_channel_tests_due, DELIVER_EVERY, DELIVER),
            *deliveries,
            Task("report", self.mail_reports, REPORT_EVERY, DELIVER),
            # These are for a database outage.
            *([Task("settle", self.flush_spools, SETTLE_EVERY)] if len(files) < len(self._sources) else []),
            *([] if self._watchdog is None else [Task("speak up", self.check_watchdog, CHECK_EVERY)]),
            *([] if self._plant.revive is None else [Task("revive", self.restart_database, REVIVE_EVERY)]),
            Task("account notices", self.send_account_notices, REPORT_EVERY, DELIVER),
            *(
                []
                if self._plant.settings.heartbeat_url is None
                else [Task("heartbeat", self.send_heartbeat, BEAT_EVERY)]
            ),
            # Without a lease: nodes that roll up at the same time share the work.
            Task("roll up", lambda now: roll_up(self._plant.engine), ROLL_UP_EVERY),
            Task("maintain", self.maintain, MAINTAIN_EVERY, MAINTAIN),
        ]

    def _read_files(self, source: Connector, now: datetime) -> None:
        grant = self._leases.grant(reading(source.key))
        if grant is not None:
            self.read(source, grant.engine)

    def supervisor(self) -> Supervisor:
        """Reads live sources, each in its own thread and interval; closes them when it stops."""
        return Supervisor(
            [self._supervised(source) for source in self._sources if isinstance(source, ForwardingSource)],
            clock=self._clock,
            draw=random.random,
            on_hang=self._on_hang,
        )

    def _on_hang(self, key: str, since: datetime) -> None:
        grant = self._leases.grant(reading(key))
        if grant is not None:
            record_hang(grant.engine, key, since, self._clock())

    def _supervised(self, source: ForwardingSource) -> SupervisedSource:
        keeper = StatusWriter(self._plant.engine, source, self._clock, self._plant.settings.node_name)

        def report(standing: SourceStatus) -> None:
            # The node that reads a source reports its status.
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
        """Read a device, if this node has the lease; else only store what its spool on this node still has."""
        grant = self._leases.grant(reading(source.key))
        if grant is not None:
            return self.read(source, grant.engine)
        if self._leases.status(reading(source.key)) is LeaseStatus.LAPSED:
            # The database may be away for all nodes, so that no other reads: a register shows a value only once.
            raise LeaseLost(f"The lease on {source.key} could not be renewed; what is read meanwhile waits on disk.")
        try:
            source.release()
        except ConnectorError as error:
            log.info("source left", source=source.key, problem=str(error))
        orphaned = source.orphaned_spool()
        if orphaned is not None:
            # Not fenced: storing what was read is idempotent, whoever reads now.
            with suppress(StorageError):  # it stays in the spool
                return self.read(orphaned)
        return IngestReport(connector=source.key)

    def cancel_files(self) -> None:
        """Cancel reading files, so that a stop need not wait; they are read again after the next start."""
        for source in self._sources:
            if isinstance(source, Cancellable):
                source.cancel()

    def close(self) -> None:
        """Close sources of files and channels."""
        for source in self._sources:
            if not isinstance(source, ForwardingSource):
                source.close()
        for way in self._workers:
            way.notifier.close()
