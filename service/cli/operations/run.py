"""``underweir run``: runs the service until told to stop."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack, suppress
from datetime import datetime, timedelta

import structlog
import typer

from service import logs, readiness
from service.bootstrap import (
    Installation,
    apply_and_open,
    installation_in_force,
    load_configuration,
    settings_from_environment,
    wall_clock,
)
from service.cli.base.options import SiteFile
from service.cli.base.stopping import StopSignal, cut_connections_after
from service.degraded_start import DegradedStart
from service.domain.operations.lease import LeaseStatus
from service.errors import ConfigError, ServiceError, StorageError
from service.jobs.ingest.supervise import Supervisor
from service.jobs.operations.database_clock import DatabaseClock
from service.jobs.operations.job_metrics import JobMetrics
from service.jobs.operations.leadership import LeaseKeeper, steady_clock
from service.jobs.operations.watchdog import Watchdog
from service.pages_process import PagesProcess
from service.runtime import Runtime, lease_names
from service.scheduler import Task, Timetable
from service.sources import sources_of
from service.storage.operations.leases import Holder, session_name
from service.storage.operations.node import acquire_instance_lock

log = structlog.get_logger(__name__)


#: While the database is away at the start, it is looked for so often [s].
LOOK_FOR_DATABASE_S = 5.0
#: So often it is looked whether the watch was overtaken by another version of the site file, and a version that this node cannot
#: go by is tried again, as its secrets may be there by then [s].
LOOK_FOR_VERSION_S, TRY_VERSION_AGAIN_S = 1.0, 30.0
#: Work under way is given so long to end when the service stops; what still waits for the database then never ends by itself [s].
STOP_PATIENCE_S = 15.0
#: A run's figures may be lost with the process for so long; a write every few seconds would be worth less than it costs.
WRITE_RUNS_EVERY = timedelta(seconds=30)
#: So often it is written down whether the pages are served.
LOOK_AT_PAGES_EVERY = timedelta(seconds=30)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("run")(_run)


def _run(site: SiteFile = None) -> None:
    """Watch the plant until SIGTERM or Ctrl-C; logs one JSON line per event on standard error.

    The site file comes into force at the start, unless another node is at work already. A version that is brought into force
    meanwhile (underweir apply) is gone by within seconds.
    """
    settings = settings_from_environment()
    logs.configure(settings.log_level.upper())
    logs.register_secrets(settings.secrets())
    asked = StopSignal()
    with acquire_instance_lock(settings.data_dir, settings.node_name) as holder, ExitStack() as stack:
        known, clock = load_configuration(site, settings), DatabaseClock(wall_clock, steady_clock)
        known.prepare()
        watchdog = known.make_watchdog()

        def arrive() -> Installation:
            return stack.enter_context(
                apply_and_open(
                    known,
                    by=f"underweir run on {settings.node_name}",
                    node=holder.node,
                    sessions=session_name(holder.process),
                )
            )

        plant = _once_there(
            arrive, lambda why: DegradedStart(known, settings.data_dir / "spool", clock, watchdog, why), asked
        )
        if plant is None:
            return
        pages = None
        if settings.http_port:
            url = plant.engine.url.render_as_string(hide_password=False)
            pages = PagesProcess(url, plant.site.path)
        work = RunningService(plant, holder, clock, watchdog, pages)
        work.start()
        if pages is not None:
            pages.start()
        readiness.notify(readiness.READY, f"watching {plant.site.name}")
        try:
            _until_asked(work, asked)
            log.info("stopping", signal=asked.by)
        finally:
            readiness.notify(readiness.STOPPING)
            if pages is not None:
                pages.stop()
            work.stop()
    log.info("stopped")


class RunningService:
    """Everything that works by one version of the site file, and by the next one when that has come into force.

    Parameters
    ----------
    watchdog : goes on from version to version, as what it told people must be taken back by the next one.
    pages : the pages' process, to be reported on; None where no pages are served.
    """

    def __init__(
        self,
        plant: Installation,
        holder: Holder,
        clock: DatabaseClock,
        watchdog: Watchdog,
        pages: PagesProcess | None = None,
    ) -> None:
        self.plant = plant
        self._holder = holder
        self._clock = clock
        self._watchdog = watchdog
        self._pages = pages
        self._book = JobMetrics(plant.engine)
        self._watch: Runtime | None = None
        self._hanging: list[
            Supervisor
        ] = []  #: of earlier versions, with a source that did not come back from a reading
        self._left_out: list[str] = []

    def start(self, *, patient: bool = False) -> None:
        """Begin with the watch; a source that hangs since an earlier version is left out until it comes back.

        Parameters
        ----------
        patient : begin also while the database is away.

        Raises
        ------
        ConfigError
            when a source cannot be set up as the site file says; nothing was begun.
        """
        plant, clock = self.plant, self._clock
        spools = plant.settings.data_dir / "spool"
        left_out = self._hang()
        sources = sources_of(plant.site, plant.engine, clock, spools=spools, without=left_out)
        self._left_out = left_out
        for finding in plant.site.warnings:
            log.warning("site file", finding=finding.text(str(plant.site.path)))
        if not plant.notifiers:
            log.warning(
                "no mail server is set: alarms are journalled, but nobody is told", setting="UNDERWEIR_SMTP_HOST"
            )
        self._watchdog.reconfigure(plant.alarms, plant.own_notifiers())
        self._leases = LeaseKeeper(plant.engine, self._holder, lease_names(sources), on_time=clock.observe)
        self._leases.start(patient=patient)  # first of all: from here on the time of day is the database's
        self._watch = Runtime(plant, sources, clock, self._leases, self._watchdog, self._watch)
        self._supervisor = self._watch.supervisor()
        tasks = [*self._watch.tasks(), Task("write down runs", self._book.write, WRITE_RUNS_EVERY)]
        if self._pages is not None:
            tasks.append(Task("pages", self._look_at_pages, LOOK_AT_PAGES_EVERY))
        self._needs = {task.name: task.work for task in tasks}
        with suppress(StorageError):  # tidiness is no reason not to start
            self._book.forget_others(self._needs)
        self._timetable = Timetable(tasks, clock, record=self._noted)
        self._supervisor.start()
        self._timetable.start()
        version = plant.version
        log.info(
            "watching",
            site=plant.site.name,
            tanks=list(plant.tanks),
            sources=[source.key for source in sources],
            version=None if version is None else version.short_hash,
            applied_by=None if version is None else version.applied_by,
        )

    def stop(self) -> None:
        """Let what is under way end, and leave the leases to whoever wants them."""
        assert self._watch is not None
        with cut_connections_after(self._leases.kill_connections, STOP_PATIENCE_S):
            self._watch.cancel_files()
            if self._supervisor.stop():
                self._hanging.append(self._supervisor)
            self._timetable.stop()
            self._watch.close()
            self._leases.stop()

    @property
    def superseded(self) -> bool:
        """Whether another version of the site file is in force, or a source that was left out can be read again."""
        assert self._watch is not None
        return self._watch.superseded or (bool(self._left_out) and not self._hang())

    def _hang(self) -> list[str]:
        """The sources that have not come back yet; their spools are still open, and two must not write into one."""
        left = [(supervisor, supervisor.stop(0.1)) for supervisor in self._hanging]
        self._hanging = [supervisor for supervisor, keys in left if keys]
        return [key for _, keys in left for key in keys]

    def change_over(self) -> None:
        """Go by the version in force now, or on as before where that cannot be done here; then the looks count as failed.

        Raises
        ------
        StorageError
            when the database is away; nothing was changed.
        """
        assert self._watch is not None
        old = self.plant
        try:
            new = installation_in_force(old.settings, old.engine, old.site.path, old.revive)
            new.prepare()
        except ConfigError as error:
            self._stick(error)
            return
        self.stop()
        self.plant = new
        try:
            self.start(patient=True)
        except ConfigError as error:
            self.plant = old
            self.start(patient=True)
            self._stick(error)

    def _stick(self, error: ConfigError) -> None:
        assert self._watch is not None
        self._watch.site_problem = f"this node cannot go by the site file in force: {error}"
        log.error("the site file in force cannot be gone by here; the one before still is", problem=str(error))

    def _look_at_pages(self, _: datetime) -> None:
        assert self._pages is not None
        if trouble := self._pages.take_trouble():
            raise ServiceError(trouble)

    def _noted(self, job: str, began_at: datetime, seconds: float, error: str) -> None:
        needed = self._needs[job]
        if not needed or self._leases.status(needed) is LeaseStatus.HELD:  # another node's work is in its own book
            self._book.note(job, began_at, seconds, error)
        if job == "evaluate":  # whoever watches over us is told that alarms are looked at, not that a process exists
            readiness.notify(readiness.ALIVE)


def _until_asked(work: RunningService, asked: StopSignal) -> None:
    """Watch, by whatever version of the site file is in force, until told to stop."""
    while not asked:
        asked.wait(LOOK_FOR_VERSION_S)
        if asked or not work.superseded:
            continue
        before = work.plant
        try:
            work.change_over()
        except StorageError as error:
            log.warning("the database is away; the site file is changed later", error=str(error))
            continue
        if work.plant is before:
            asked.wait(TRY_VERSION_AGAIN_S)


def _once_there(
    arrive: Callable[[], Installation], waiting: Callable[[str], DegradedStart], asked: StopSignal
) -> Installation | None:
    """The installation as soon as its database is there; None when told to stop before."""
    try:
        return arrive()
    except ServiceError as error:
        if not error.retryable:
            raise
        log.warning("the database is away; until it is there devices are read onto this disk", error=str(error))
        why = str(error)
    with waiting(why) as meanwhile:
        while not asked:
            readiness.notify(readiness.EXTEND_TIMEOUT, "waiting for the database")
            asked.wait(LOOK_FOR_DATABASE_S)
            try:
                return arrive()
            except ServiceError as error:
                if not error.retryable:
                    raise
                meanwhile.trouble = str(error)
    return None
