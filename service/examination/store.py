"""Checks the database: version, tables, clock, queues, sources, and whether the jobs ran lately."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from service.bootstrap import file_notice
from service.domain.blanket.past_work import past_words
from service.domain.plant.display import format_duration, format_local_time
from service.domain.plant.role import Role
from service.examination.host import room
from service.examination.verdict import ExaminationResult, fine, look, wrong
from service.jobs.alarms.setup import unmatched
from service.jobs.blanket.estimate import past_work
from service.site.site import Site
from service.storage.accounts.people import people
from service.storage.database.partitions import partition_name, partitions
from service.storage.database.schema import head_revision, known_revisions
from service.storage.database.tables import PARTITIONED
from service.storage.operations.backlog import DAY, DatabaseFacts, backlog, database_facts, deliveries_since
from service.storage.operations.job_runs import job_records
from service.storage.plant.site_tables import SiteVersion
from service.storage.readings.connector_state import connector_health

OLDEST_SERVER = 15
#: Clocks further apart than the first are looked at, than the second are wrong.
CLOCKS_LOOK, CLOCKS_WRONG = timedelta(seconds=5), timedelta(seconds=60)
#: A message waiting for longer is stuck.
LONGEST_WAIT = timedelta(minutes=10)
#: Partitions are there at least so far ahead.
AHEAD = timedelta(days=31)
#: A job that ran less often than it should by so much has stopped. Runs are written down every half minute.
STILL = {
    "evaluate": timedelta(minutes=5),
    "estimate past": timedelta(minutes=15),
    "maintain": timedelta(hours=13),
    "pages": timedelta(minutes=5),
}
STILL_TELLING = timedelta(minutes=5)


def server(conn: Connection, clock: Callable[[], datetime], cluster: Path | None) -> Iterator[ExaminationResult]:
    """The server itself, beside this machine's clock."""
    before = clock()
    facts = database_facts(conn)
    after = clock()
    said = f"PostgreSQL {facts.server}, {facts.size_bytes / 1e6:.0f} MB"
    if int(facts.server.partition(".")[0]) < OLDEST_SERVER:
        yield wrong("database", said, f"PostgreSQL {OLDEST_SERVER} is the oldest that is supported; upgrade the server")
    elif facts.standby:
        yield wrong(
            "database", f"{said}, a standby: nothing can be stored", "point UNDERWEIR_DATABASE_URL at the primary"
        )
    elif facts.read_only:
        yield wrong(
            "database",
            f"{said}, set to read-only (default_transaction_read_only): nothing can be stored",
            "see who set it and why, perhaps its disk was nearly full; then set it back to off",
        )
    else:
        yield fine("database", said)
    yield fine("database role", _role_words(facts))
    if cluster is not None:
        yield room("room for the database", cluster)
    apart = abs(facts.now - (before + (after - before) / 2)) - (after - before) / 2
    remedy = "set both clocks by the same time server (NTP); readings and alarms carry these times"
    told = f"this machine and the database differ by {max(apart.total_seconds(), 0.0):.1f} s"
    if apart > CLOCKS_WRONG:
        yield wrong("clocks", told, remedy)
    elif apart > CLOCKS_LOOK:
        yield look("clocks", told, remedy)
    else:
        yield fine("clocks", told)


def _role_words(facts: DatabaseFacts) -> str:
    if facts.superuser:
        return f"{facts.role}, a superuser of the server: deploy/INSTALL.md says how to give everyday a role of its own"
    if facts.owner:
        return f"{facts.role}, which owns the tables: deploy/INSTALL.md says how to give everyday a role of its own"
    return f"{facts.role}, which owns no table and is no superuser"


def tables(revision: str | None) -> ExaminationResult:
    """Whether this program and the tables fit each other."""
    head = head_revision()
    if revision is None:
        return look(
            "tables", "the database is empty", "its tables are made at the first start, or by: underweir migrate"
        )
    if revision == head:
        return fine("tables", f"at revision {revision}, the newest")
    if revision not in known_revisions():
        return wrong(
            "tables",
            f"at revision {revision}, which this version does not know: a newer one has used the database",
            "install that version again, or restore the backup taken before the upgrade",
        )
    return look("tables", f"at revision {revision}; this version wants {head}", "back up, then: underweir migrate")


def in_force(
    version: SiteVersion | None, site: Site | None, path: Path, active: Mapping[str, str | None]
) -> Iterator[ExaminationResult]:
    """Which version of the site file the service goes by, and whether its alarms are those in the database."""
    about = "site file in force"
    if version is None:
        yield look(about, "none yet", "underweir apply, or start underweir run")
        return
    if site is None:
        return
    since = format_local_time(version.applied_at, site.time_zone)
    yield fine(about, f"version {version.short_hash}, since {since}, by {version.applied_by}")
    if file_notice(path, version, site):
        yield look(
            about, f"{path} is another one; what it says does not count", "see what would change: underweir apply"
        )
    for place, why in unmatched(site.alarm_definitions(), active).items():
        yield wrong(f"alarms of {place}", f"not all are looked at: {why}", "underweir apply --yes puts the rows right")


def upkeep(conn: Connection, now: datetime) -> Iterator[ExaminationResult]:
    """Partitions ahead, and the jobs."""
    missing = [
        name for table in PARTITIONED if (name := partition_name(table, now + AHEAD)) not in partitions(conn, table)
    ]
    if missing:
        yield look(
            "partitions", f"not made ahead: {', '.join(missing)}", "the running service makes them; is it running?"
        )
    else:
        yield fine("partitions", f"there for {AHEAD.days} days ahead")
    records = {found.job: found for found in job_records(conn)}
    if not records:
        yield look("service", "it has not run on this database yet", "start it: underweir run")
        return
    newest = max(found.last_began_at for found in records.values())
    if now - newest > STILL["evaluate"]:
        yield wrong(
            "service",
            f"it is not running: its last job began {format_duration(now - newest)} ago",
            "start it, and read its log: systemctl status underweir, or docker compose logs service",
        )
        return
    yield fine("service", f"it runs; its last job began {format_duration(now - newest)} ago")
    for job, found in records.items():
        limit = STILL_TELLING if job.startswith("deliver by ") else STILL.get(job)
        since = found.last_good_at
        if limit is not None and (since is None or now - since > limit):
            ago = "never" if since is None else f"{format_duration(now - since)} ago"
            yield wrong(
                f"job {job!r}", f"it last went well {ago}: {found.last_error or 'it does not end'}", "read the log"
            )
        elif found.failing:
            yield look(f"job {job!r}", f"its last run failed: {found.last_error}", "read the log if it stays so")


def messages(conn: Connection, now: datetime) -> Iterator[ExaminationResult]:
    """The way out."""
    waits = backlog(conn)
    stuck = False
    for channel, count, since in waits.messages:
        if now - since > LONGEST_WAIT:
            stuck = True
            yield wrong(
                "messages",
                f"{count} by {channel} are not handed over, the oldest for {format_duration(now - since)}",
                "see what the other side says: underweir journal; and the lines on mail server and gateway here",
            )
    failed = sum(n for (_, outcome), n in deliveries_since(conn, now - DAY).items() if outcome == "failed")
    if failed:
        yield look(
            "messages", f"{failed} were given up in the last 24 hours", "the journal says why: underweir journal"
        )
    elif not stuck:
        yield fine("messages", "none is stuck")


def past(conn: Connection, now: datetime) -> Iterator[ExaminationResult]:
    """What is estimated again beside the present, and how far that is."""
    for key, work in past_work(conn, now).items():
        yield fine(f"estimates of {key}", past_words(work, ZoneInfo("UTC")))


def standing(conn: Connection, site: Site, now: datetime) -> Iterator[ExaminationResult]:
    """How every source did while the service ran."""
    known = {found.connector: found for found in connector_health(conn)}
    for section in site.connectors():
        found, about = known.get(section.key), f"source {section.key}"
        if found is None:
            yield look(about, "it has never been read", "it is read once the service runs")
            continue
        if found.failures:
            ago = "never" if found.last_good_at is None else f"{format_duration(now - found.last_good_at)} ago"
            yield wrong(about, f"it last answered {ago}: {found.last_error}", f"underweir probe {section.key}")
        for said in found.standing.get("problems", []):
            yield look(about, str(said), f"underweir probe {section.key}")
        if spooled := found.standing.get("spooled_samples", 0):
            yield look(
                about, f"{spooled} samples wait on disk for the database", "they follow once the database takes them"
            )
        for there in found.dead_letters:
            count = f"{there.records} record{' was' if there.records == 1 else 's were'}"
            yield look(
                about,
                f"{count} refused and set aside, the last on {there.newest_at:%Y-%m-%d %H:%M} UTC; the rest is stored",
                f"the notes in {there.folder} on {there.node} say why, and what to do",
            )
        if found.lost and found.lost_at is not None and now - found.lost_at < timedelta(days=7):
            yield look(
                about,
                f"samples were lost, the last on {found.lost_at:%Y-%m-%d %H:%M} UTC",
                "the log of that time says why",
            )


def sign_in(conn: Connection) -> ExaminationResult:
    """Whether anybody can get at the pages."""
    everybody = people(conn)
    able = [p for p in everybody if p.active and p.role is Role.ADMINISTRATOR and p.password_set_at is not None]
    if able:
        return fine("people", f"{sum(p.active for p in everybody)} may sign in, {len(able)} of them administrators")
    return look("people", "no administrator can sign in to the pages", "underweir people add NAME --role administrator")
