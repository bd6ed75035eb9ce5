"""``underweir run``: the service itself, until told to stop."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack, suppress
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import structlog
import typer

from service import logs, readiness
from service.bootstrap import Installation, described, installed, settings_from_environment, wall_clock
from service.cli.options import SiteFile
from service.cli.stopping import StopAsked, impatient
from service.domain.lease import Standing
from service.errors import ConfigError, ServiceError, StorageError
from service.jobs.run_book import RunBook
from service.jobs.shared_clock import SharedClock
from service.jobs.tenancy import LeaseKeeper, steady_clock
from service.scheduler import Task, Timetable
from service.sources import sources_of
from service.storage.leases import session_name
from service.storage.node import sole_run
from service.waiting import Waiting
from service.watch import Watch, works

if TYPE_CHECKING:
    from service.web.server import WebServer

log = structlog.get_logger(__name__)


#: While the database is away at the start, it is looked for so often [s].
LOOK_FOR_DATABASE_S = 5.0
#: Work under way is given so long to end when the service stops; what still waits for the database then never ends by itself [s].
STOP_PATIENCE_S = 15.0
#: A run's figures may be lost with the process for so long; a write every few seconds would be worth less than it costs.
WRITE_RUNS_EVERY = timedelta(seconds=30)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("run")(_run)


def _run(site: SiteFile = None) -> None:
    """Watch the plant until SIGTERM or Ctrl-C; logs one JSON line per event on standard error."""
    settings = settings_from_environment()
    logs.configure(settings.log_level.upper())
    logs.hide(settings.secrets())
    asked = StopAsked()
    with sole_run(settings.data_dir, settings.node_name) as holder, ExitStack() as stack:
        known, clock = described(site, settings), SharedClock(wall_clock, steady_clock)
        logs.hide(secret for gateway in known.site.gateways() for secret in gateway.secrets.values())
        speak_up = known.speak_up()

        def arrive() -> Installation:
            return stack.enter_context(installed(known, sessions=session_name(holder.process)))

        plant = _once_there(
            arrive, lambda why: Waiting(known, settings.data_dir / "spool", clock, speak_up, why), asked
        )
        if plant is None:
            return
        for finding in plant.site.warnings:
            log.warning("site file", finding=finding.text(str(plant.site.path)))
        if not plant.notifiers:
            log.warning(
                "no mail server is set: alarms are journalled, but nobody is told", setting="UNDERWEIR_SMTP_HOST"
            )
        sources = sources_of(plant.site, plant.engine, clock, spools=settings.data_dir / "spool")
        work = works(sources)
        leases = LeaseKeeper(plant.engine, holder, work, heard=clock.hear)
        leases.start()  # first of all: from here on the time of day is the database's
        watch = Watch(plant, sources, clock, leases, speak_up)
        supervisor = watch.supervisor()
        book = RunBook(plant.engine)

        def _noted(job: str, began_at: datetime, seconds: float, error: str) -> None:
            if (
                not needs[job] or leases.standing(needs[job]) is Standing.HELD
            ):  # what another node does is in its own book
                book.note(job, began_at, seconds, error)
            if job == "decide":  # whoever watches over us is told that alarms are looked at, not that a process exists
                readiness.tell(readiness.ALIVE)

        tasks = [*watch.tasks(), Task("write down runs", book.write, WRITE_RUNS_EVERY)]
        needs = {task.name: task.work for task in tasks}
        with suppress(StorageError):  # tidiness is no reason not to start
            book.forget_others(needs)
        timetable = Timetable(tasks, clock, noted=_noted)
        supervisor.start()
        timetable.start()
        pages = _pages(plant, clock)
        log.info(
            "watching", site=plant.site.name, tanks=list(plant.tanks), sources=[c.key for c in plant.site.connectors()]
        )
        readiness.tell(readiness.READY, f"watching {plant.site.name}")
        try:
            asked.wait()
            log.info("stopping", signal=asked.by)
        finally:
            readiness.tell(readiness.STOPPING)
            with impatient(leases.cut_off, STOP_PATIENCE_S):
                if pages is not None:
                    pages.stop()
                supervisor.stop()
                timetable.stop()
                watch.close()
                leases.stop()
    log.info("stopped")


def _once_there(
    arrive: Callable[[], Installation], waiting: Callable[[str], Waiting], asked: StopAsked
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
            readiness.tell(readiness.PATIENCE, "waiting for the database")
            asked.wait(LOOK_FOR_DATABASE_S)
            try:
                return arrive()
            except ServiceError as error:
                if not error.retryable:
                    raise
                meanwhile.trouble = str(error)
    return None


def _pages(plant: Installation, clock: Callable[[], datetime]) -> WebServer | None:
    """Serve the pages; where that cannot be, the watch goes on all the same: calling people comes first."""
    if plant.settings.http_port == 0:
        return None
    # Only this command serves pages; loading all that they need would slow down every other.
    from service.web.app import create_app
    from service.web.server import WebServer, listen

    try:
        taken = listen(plant.settings.http_host, plant.settings.http_port)
    except ConfigError as error:
        log.error("no pages", problem=str(error))
        return None
    server = WebServer(create_app(plant.pages(clock)), taken, plant.settings.trusted_proxies)
    server.start()
    return server
