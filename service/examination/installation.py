"""Runs all checks in order: settings, machine, database, delivery channels, sources."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from pathlib import Path

from sqlalchemy import Engine

from service.bootstrap import make_notifiers, site_of
from service.errors import ConfigError, ServiceError, StorageError
from service.examination import host, store, ways
from service.examination.housekeeping import server_upkeep
from service.examination.verdict import ExaminationResult, fine, look, wrong
from service.settings import Settings, load_settings, unknown_variables
from service.site.reading.finding import Severity
from service.site.site import Site, check_site, load_site
from service.storage.alarms.alarms import alarms
from service.storage.database.schema import current_revision, head_revision
from service.storage.database.session import make_engine, read_only, transaction
from service.storage.embedded.server import EmbeddedServer
from service.storage.plant.site_tables import version_in_force


def examine(
    environ: Mapping[str, str], clock: Callable[[], datetime], site_file: Path | None = None, *, probe: bool = True
) -> Iterator[ExaminationResult]:
    """Look at everything, and say of each thing how it is.

    Parameters
    ----------
    environ : where the settings come from.
    probe : also speak to live sources; some devices take only one visitor at a time.
    """
    try:
        settings = load_settings()
    except ConfigError as error:
        yield wrong("settings", str(error), "deploy/SETTINGS.md says what belongs there")
        return
    for line in unknown_variables(environ):
        yield look("settings", line, "correct its name, or take it out")
    yield fine("settings", "understood")
    path = site_file or settings.site_file
    site = None
    for found in check_site(path):
        grade = wrong if found.severity is Severity.ERROR else look
        place = f"line {found.line}: " if found.line else ""
        yield grade("site file", f"{place}{found.field}{': ' if found.field else ''}{found.problem}", found.remedy)
    try:
        site = load_site(path)
        yield fine("site file", f"{path}: {site.name}, {len(site.tanks())} tank{'' if len(site.tanks()) == 1 else 's'}")
    except ConfigError:
        pass  # told line by line above
    yield from host.data_folder(settings)
    yield from host.secrets(settings, environ, site)
    if site is not None:
        yield host.time_zone(site, clock())
        yield from host.drop_folders(site, settings)
        yield from host.reader(site)
    yield from _database(settings, site, path, clock)
    if site is not None:
        try:
            notifiers = make_notifiers(settings, site)
        except ConfigError as error:
            yield wrong("calling people", str(error), "put the secret where the site file says it is")
        else:
            yield from ways.out(notifiers, settings)
        if probe:
            yield from ways.sources(site, clock)


def _database(
    settings: Settings, site: Site | None, path: Path, clock: Callable[[], datetime]
) -> Iterator[ExaminationResult]:
    if settings.database_url is not None:
        yield from _on(settings.database_url.get_secret_value(), site, path, clock, None)
        return
    folder = settings.data_dir / "database"
    if not (folder / "cluster").is_dir():
        yield look("database", "the embedded one is not made yet", "it is made at the first start: underweir run")
        return
    try:
        with EmbeddedServer(folder) as server:
            yield from _on(server.url, site, path, clock, folder)
    except ServiceError as error:
        yield wrong(
            "database", str(error), f"read {folder / 'postgres.log'}; restore the newest backup if it is damaged"
        )


def _on(
    url: str, site: Site | None, path: Path, clock: Callable[[], datetime], cluster: Path | None
) -> Iterator[ExaminationResult]:
    engine = make_engine(url, application_name="underweir examine")
    try:
        yield from _looked_at(read_only(engine), site, path, clock, cluster)
    except StorageError as error:
        yield wrong("database", str(error), "is the server running, and UNDERWEIR_DATABASE_URL right?")
    finally:
        engine.dispose()


def _looked_at(
    engine: Engine, site: Site | None, path: Path, clock: Callable[[], datetime], cluster: Path | None
) -> Iterator[ExaminationResult]:
    with transaction(engine) as conn:
        yield from store.server(conn, clock, cluster)
    revision = current_revision(engine)
    yield store.tables(revision)
    if revision != head_revision():
        return
    with transaction(engine) as conn:
        version, records = version_in_force(conn), alarms(conn)
    known = None
    try:
        known = None if version is None else site_of(version, path)
    except ConfigError as error:
        yield wrong("site file in force", str(error), "correct it, and bring it into force: underweir apply")
    yield from store.in_force(version, known, path, {record.key: record.tank for record in records})
    site = known or site
    with transaction(engine) as conn:
        now = clock()
        yield from store.upkeep(conn, now)
        yield from server_upkeep(conn)
        yield from store.messages(conn, now)
        yield from store.past(conn, now)
        if site is not None:
            yield from store.standing(conn, site, now)
        yield store.sign_in(conn)
