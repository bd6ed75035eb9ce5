"""The one place that builds concrete things and wires them together."""

from __future__ import annotations

import os
import secrets
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import structlog
from sqlalchemy import Engine

from service import logs
from service.domain.blanket.estimate import TankSetup
from service.domain.operations.lease import EVALUATE
from service.domain.plant.display import format_local_time
from service.domain.plant.role import SecondFactorRule
from service.domain.plant.tank import Tank
from service.errors import ConfigError
from service.jobs.alarms.setup import AlarmSetup
from service.jobs.ingest.plant import Plant
from service.jobs.operations.retention import RetentionPolicy
from service.jobs.operations.watchdog import Watchdog
from service.jobs.plant.apply import bring_into_force
from service.jobs.reports.plant import ReportPlant
from service.notify.channels.base import Notifier
from service.notify.channels.http_gateway import HttpNotifier
from service.notify.channels.sms_modem import ModemNotifier
from service.notify.channels.smtp import SmtpAccount, SmtpNotifier
from service.notify.channels.webhook import WebhookNotifier
from service.notify.messages.facts import SitePresentation
from service.notify.messages.links import AlarmLinks
from service.reports.mailing import Mailing
from service.settings import Settings, load_settings, unknown_variables
from service.site.difference import difference
from service.site.site import Site, load_site, parse_site, text_on_disk
from service.storage.database.roles import let_everyday_in
from service.storage.database.schema import current_revision, migrate, require_current
from service.storage.database.session import make_engine, page_engine, read_only, transaction
from service.storage.embedded.server import EmbeddedServer
from service.storage.operations.leases import active_node
from service.storage.plant.site_tables import SiteIds, SiteVersion, hash_of, site_ids, version_in_force
from service.storage.trends.chart_series import Source

if TYPE_CHECKING:
    from service.identity import IdentityClient
    from service.web.base.plant import WebPlant

log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class Described:
    """What settings and site file say by themselves: known also while there is no database."""

    settings: Settings
    site: Site

    @cached_property
    def tanks(self) -> Mapping[str, Tank]:
        """Every tank by its key."""
        return self.site.tanks()

    @cached_property
    def setups(self) -> tuple[TankSetup, ...]:
        """Every tank with the signals that speak of it."""
        return self.site.setups()

    @cached_property
    def alarms(self) -> AlarmSetup:
        """The alarms, the people, and how they are spoken to."""
        return AlarmSetup(
            definitions=self.site.alarm_definitions(),
            contacts=self.site.contacts(),
            site=SitePresentation(
                name=self.site.name,
                zone=self.site.time_zone,
                public_url=self.settings.public_url,
                link=self.links.link if self.settings.public_url else None,
            ),
            units=self.site.units,
            channels=frozenset(self.notifiers),
            rotas=self.site.rotas(),
            escalations=self.site.escalations(),
            feeds=self.site.feeds(),
            out_of_service=self.site.out_of_service(),
            told_of_cores=self.mailing.to if self.mailing.cores_at_once else (),
        )

    @cached_property
    def secret(self) -> bytes:
        """What cookies and links are signed with."""
        return secret_of(self.settings)

    @cached_property
    def links(self) -> AlarmLinks:
        """The links by which alarms are answered from a message."""
        return AlarmLinks(self.secret, self.settings.public_url)

    @cached_property
    def notifiers(self) -> Mapping[str, Notifier]:
        """Every channel this installation can send through."""
        return notifiers_of(self.settings, self.site)

    def prepare(self) -> None:
        """Read every secret now, so that one that is missing is told before anything changes; none of them gets into the log.

        Raises
        ------
        ConfigError
            when one cannot be read.
        """
        self.alarms  # noqa: B018  (it reads those of the ways out)
        self.site.gateway_hooks()
        logs.hide(secret for gateway in self.site.gateways() for secret in gateway.secrets.values())

    def speak_up(self) -> Watchdog:
        """The way to say without a database that nobody looks at the alarms; its ways out are its own."""
        minutes = self.settings.not_watched_minutes
        after = timedelta(minutes=minutes) if minutes else None
        return Watchdog(self.alarms, self.own_notifiers(), self.settings.node_name, after)

    def own_notifiers(self) -> Mapping[str, Notifier]:
        """Every channel once more, for a thread of its own."""
        return notifiers_of(self.settings, self.site)

    @cached_property
    def mailing(self) -> Mailing:
        """Who is mailed which report."""
        return self.site.mailing()

    @cached_property
    def keeping(self) -> RetentionPolicy:
        """How long rows stay in the database, and where they go."""
        return keeping_of(self.settings)

    @cached_property
    def identity(self) -> IdentityClient | None:
        """Where people can sign in besides their local accounts."""
        settings = self.settings
        if settings.oidc_issuer is None or settings.oidc_client_id is None:
            return None
        # Here and for the pages: most commands have no use for it, and it takes long to load.
        from service.identity import IdentityClient, IdentityProvider

        secret = settings.oidc_client_secret
        return IdentityClient(
            IdentityProvider(
                issuer=settings.oidc_issuer,
                client_id=settings.oidc_client_id,
                client_secret=None if secret is None else secret.get_secret_value(),
                callback=f"{settings.public_url}/sign-in/single/done",
                role_claim=settings.oidc_role_claim,
                roles=settings.oidc_role_words,
            )
        )


@dataclass(frozen=True)
class Installation(Described):
    """A plant as the site file in force describes it, its database, and everything that follows from the two."""

    engine: Engine
    ids: SiteIds
    #: Starts a database of our own again should it have ended; None where it is somebody else's to keep.
    revive: Callable[[], bool] | None = None
    #: Which version of the site file this is; None where rows were made without one.
    version: SiteVersion | None = None

    def file_notice(self) -> str:
        """That the site file on disk is another one than the one in force; empty where it is the same, or not there."""
        if self.version is None or self.site.path is None:
            return ""
        return file_notice(self.site.path, self.version, self.site)

    @cached_property
    def intake(self) -> Plant:
        """What taking in data has to know."""
        return Plant(tanks=self.tanks, signals=self.site.signals(), ids=self.ids, alarms=self.alarms)

    def pages(self, clock: Callable[[], datetime], guest: str | None = None) -> WebPlant:
        """The installation as the pages see it, on connections of their own; *guest* is signed in without a password."""
        from service.web.base.plant import WebPlant

        return WebPlant(
            engine=page_engine(self.engine),
            name=self.site.name,
            units=self.site.units,
            zone=self.site.time_zone,
            setups=self.setups,
            ids=self.ids,
            alarms=self.alarms,
            connectors=tuple(connector.key for connector in self.site.connectors()),
            intake=self.intake,
            secret=self.secret,
            links=self.links,
            clock=clock,
            identity=self.identity,
            second_factor=SecondFactorRule(self.settings.second_factor),
            longest_token=timedelta(days=self.settings.token_days),
            guest=guest,
            hooks=self.site.gateway_hooks(),
            version=self.version,
            file_notice=self.file_notice,
        )

    @cached_property
    def reports(self) -> ReportPlant:
        """The installation as shift logs and reports see it."""
        return ReportPlant(engine=self.engine, alarms=self.alarms, setups=self.setups, ids=self.ids)


def keeping_of(settings: Settings) -> RetentionPolicy:
    """How long rows stay in the database, and where they go."""
    wanted: dict[Source, int | None] = {
        "reading": settings.keep_readings_months,
        "assessment": settings.keep_estimates_months,
        "estimate": settings.keep_estimates_months,
    }
    return RetentionPolicy(
        settings.archive_folder,
        {source: months for source, months in wanted.items() if months is not None},
        settings.keep_journal_months,
    )


def wall_clock() -> datetime:
    """The time now, in UTC."""
    return datetime.now(UTC)


def mail_notifier(settings: Settings) -> Notifier | None:
    """The way out for mails; None where no mail server is set."""
    if settings.smtp_host is None or settings.smtp_from is None:
        return None
    return SmtpNotifier(
        SmtpAccount(
            host=settings.smtp_host,
            port=settings.mail_port,
            sender=settings.smtp_from,
            security=settings.smtp_security,
            user=settings.smtp_user,
            password=settings.smtp_password.get_secret_value() if settings.smtp_password else None,
            timeout=settings.smtp_timeout,
        )
    )


def notifiers_of(settings: Settings, site: Site) -> Mapping[str, Notifier]:
    """Every channel that settings and site file describe.

    Raises
    ------
    ConfigError
        when a gateway's secret or a modem's PIN cannot be read.
    """
    mail = mail_notifier(settings)
    found: dict[str, Notifier] = {} if mail is None else {"email": mail}
    for gateway in site.gateways():
        found[gateway.channel] = HttpNotifier(gateway)
    if hooks := site.webhooks():
        found["webhook"] = WebhookNotifier(hooks)
    for modem in site.modems():
        found["sms"] = ModemNotifier(modem)
    return found


def secret_of(settings: Settings) -> bytes:
    """The secret that is set, or the one kept in the data folder, made at the first start.

    Raises
    ------
    ConfigError
        when the file cannot be read or made.
    """
    if settings.secret_key is not None:
        return settings.secret_key.get_secret_value().encode("utf-8")
    path = settings.data_dir / "secret.key"
    try:
        settings.data_dir.mkdir(parents=True, exist_ok=True)
        fresh = path.with_name(f"secret.key.{os.getpid()}.{secrets.token_hex(4)}")
        if not path.exists():
            # Written whole, then linked: of two services starting at once, both go on with the secret of the first.
            descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "w", encoding="ascii") as file:
                file.write(secrets.token_urlsafe(48))
            try:
                os.link(fresh, path)
            except FileExistsError:
                pass
            finally:
                fresh.unlink()
        kept = path.read_bytes().strip()
    except OSError as error:
        raise ConfigError(
            f"{path}: the secret that signs cookies and links cannot be kept there ({error.strerror});"
            " make the data folder writable, or set UNDERWEIR_SECRET_KEY_FILE"
        ) from error
    if len(kept) < 32:
        raise ConfigError(f"{path} is damaged: it holds less than 32 characters; remove it, and a new one is made")
    return kept


def settings_from_environment() -> Settings:
    """The settings, with a warning for every variable that means nothing."""
    for line in unknown_variables(os.environ):
        log.warning("unknown setting", problem=line)
    return load_settings()


@contextmanager
def database(settings: Settings, sessions: str = "underweir") -> Iterator[Engine]:
    """The database of this installation for whoever stores something: the one given, or the embedded one while it is used.

    An empty one gets its tables. Tables of another version are left alone: a service may be at work on them.

    Parameters
    ----------
    sessions : what the database calls our sessions.

    Raises
    ------
    StorageError, EmbeddedError
        when the database is away, cannot be started, or has the tables of another version.
    """
    with _served(settings, sessions) as served:
        if current_revision(served.engine) is None:
            served.migrate()
        require_current(served.engine)
        yield served.engine


@contextmanager
def owned_database(settings: Settings) -> Iterator[Engine]:
    """As :func:`database`, with the rights of who owns the tables: for what changes or fills them as a whole.

    Raises
    ------
    StorageError, EmbeddedError
        as of :func:`database`.
    """
    with _served(settings, "underweir") as served, _engine(served.owner_url, "underweir") as engine:
        if current_revision(engine) is None:
            served.migrate()
        require_current(engine)
        yield engine


@contextmanager
def migrated(settings: Settings, sessions: str = "underweir") -> Iterator[tuple[Engine, Callable[[], bool] | None]]:
    """The database with its tables brought up to date, and what starts it again where it is our own."""
    with _served(settings, sessions) as served:
        served.migrate()
        yield served.engine, served.revive


@contextmanager
def reading_database(settings: Settings) -> Iterator[Engine]:
    """The database for whoever only reads: every transaction is READ ONLY, and nothing is made or brought up to date.

    Raises
    ------
    ConfigError
        when there is none yet.
    StorageError, EmbeddedError
        when the database is away, cannot be started, or has the tables of another version.
    """
    with looked_into(settings) as engine:
        if engine is None:
            raise ConfigError(_NEVER_APPLIED)
        yield engine


@contextmanager
def looked_into(settings: Settings) -> Iterator[Engine | None]:
    """As :func:`reading_database`; None where there is no database yet, or an empty one."""
    if settings.database_url is None and not (settings.data_dir / "database" / "cluster").is_dir():
        yield None
        return
    with _served(settings, "underweir") as served:
        looking = read_only(served.engine)
        if current_revision(looking) is None:
            yield None
            return
        require_current(looking)
        yield looking


@dataclass(frozen=True)
class _Served:
    """A database that can be reached."""

    engine: Engine
    #: For who owns the tables.
    owner_url: str
    #: Starts it again should it have ended; None where it is somebody else's to keep.
    revive: Callable[[], bool] | None

    def migrate(self) -> None:
        """Bring the tables up to date as their owner, and let in who works with them every day."""
        with _engine(self.owner_url, "underweir") as owner:
            let_everyday_in(owner, self.engine)
            migrate(owner)


@contextmanager
def _served(settings: Settings, sessions: str) -> Iterator[_Served]:
    if settings.database_url is not None:
        url = settings.database_url.get_secret_value()
        owner = settings.database_owner_url
        with _engine(url, sessions) as engine:
            yield _Served(engine, url if owner is None else owner.get_secret_value(), None)
        return
    _make_passable(settings.data_dir)
    with EmbeddedServer(settings.data_dir / "database") as server, _engine(server.url, sessions) as engine:
        yield _Served(engine, server.owner_url, server.revive)


def described(site_file: Path | None = None, settings: Settings | None = None) -> Described:
    """What settings and site file say by themselves.

    Raises
    ------
    ConfigError
        when settings or site file are wrong.
    """
    settings = settings or settings_from_environment()
    return Described(settings, load_site(site_file or settings.site_file))


@contextmanager
def opened(site_file: Path | None = None, settings: Settings | None = None) -> Iterator[Installation]:
    """The plant in force, for commands that store something.

    Parameters
    ----------
    site_file : the site file to compare with what is in force; the one the settings name if None.
    settings : taken from the environment if None.

    Raises
    ------
    ConfigError
        when settings are wrong, or no site file was ever brought into force.
    StorageError, EmbeddedError
        when the database is away, cannot be started, or has the tables of another version.
    """
    settings = settings or settings_from_environment()
    with database(settings) as engine:
        yield in_force(settings, engine, site_file)


@contextmanager
def opened_for_reading(site_file: Path | None = None) -> Iterator[Installation]:
    """The plant in force, for commands that change nothing: the database refuses whatever they would write.

    Parameters and errors as of :func:`opened`.
    """
    settings = settings_from_environment()
    with reading_database(settings) as engine:
        yield in_force(settings, engine, site_file)


@contextmanager
def applied(
    known: Described,
    clock: Callable[[], datetime] = wall_clock,
    *,
    by: str,
    node: str = "",
    sessions: str = "underweir",
) -> Iterator[Installation]:
    """The plant with its site file brought into force, unless another node is at work: this one goes by what is in force then.

    Parameters
    ----------
    clock : tells now; the demo's runs faster.
    by : who brings it into force.
    node : this node (``Holder.node``).
    sessions : what the database calls our sessions.

    Raises
    ------
    StorageError, EmbeddedError
        when the database is away or cannot be started.
    """
    with migrated(known.settings, sessions) as (engine, revive):
        with transaction(engine) as conn:
            other, version = active_node(conn, EVALUATE, besides=node), version_in_force(conn)
        if other is None or version is None:
            apply_site(engine, known.site, by=by, now=clock())
        elif known.site.path and (notice := file_notice(known.site.path, version, known.site)):
            # An old file left behind on a node must not take a tank from the watch.
            log.warning("another node is at work; this one goes by the site file in force", node=other, notice=notice)
        yield in_force(known.settings, engine, known.site.path, revive)


def apply_site(engine: Engine, site: Site, *, by: str, now: datetime) -> SiteVersion:
    """Bring a site file into force that passed the check; *by* says by whom."""
    for kind, key in stops(engine, site):
        log.warning("no longer watched by the site file that comes into force", kind=kind, key=key)
    return bring_into_force(
        engine,
        site.text,
        tanks=site.tanks().values(),
        signals=site.signals().values(),
        definitions=site.alarm_definitions(),
        by=by,
        now=now,
    )


def stops(engine: Engine, site: Site) -> tuple[tuple[str, str], ...]:
    """What is watched now and would not be any more with another site file: kind and key."""
    with transaction(engine) as conn:
        version = version_in_force(conn)
    try:
        before = None if version is None else parse_site(version.content)
    except ConfigError:  # written for another version of the program
        before = None
    return difference(before, site).stops


def in_force(
    settings: Settings, engine: Engine, site_file: Path | None = None, revive: Callable[[], bool] | None = None
) -> Installation:
    """The plant as the version of the site file in force describes it; changes nothing.

    Parameters
    ----------
    site_file : the file on disk, which folders are relative to; the one the settings name if None.

    Raises
    ------
    ConfigError
        when no site file was ever brought into force, or this version of the program does not understand it.
    """
    with transaction(engine) as conn:
        version, ids = version_in_force(conn), site_ids(conn)
    if version is None:
        raise ConfigError(_NEVER_APPLIED)
    path = site_file or settings.site_file
    if site_file is not None and not site_file.is_file():
        raise ConfigError(f"{site_file}: there is no such site file")
    return Installation(settings, site_of(version, path), engine, ids, revive, version)


_NEVER_APPLIED = "no site file is in force here yet: bring one into force with underweir apply, or start underweir run"


def site_of(version: SiteVersion, path: Path) -> Site:
    """The plant a version describes; *path* is what folders are relative to.

    Raises
    ------
    ConfigError
        when this version of the program does not understand it.
    """
    try:
        return parse_site(version.content, path)
    except ConfigError as error:
        raise ConfigError(
            f"this version of the program does not understand the site file in force ({version.short_hash});"
            f" correct it and bring it into force: underweir apply\n{error}"
        ) from error


def file_notice(path: Path, version: SiteVersion, site: Site) -> str:
    """That the file at *path* is another one than the version in force; empty where it is the same, or not there."""
    found = text_on_disk(path)
    if found is None or hash_of(found) == version.content_hash:
        return ""
    since = format_local_time(version.applied_at, site.time_zone)
    return (
        f"{path} is not the site file in force: that is version {version.short_hash}, since {since}, by"
        f" {version.applied_by}. What would change, and bringing it into force: underweir apply"
    )


def _make_passable(folder: Path) -> None:
    """Make the data folder, if it is not there, so that the account the server runs as may pass through, whatever the umask."""
    if not folder.exists():
        folder.mkdir(parents=True)
        folder.chmod(0o711)


@contextmanager
def _engine(url: str, sessions: str) -> Iterator[Engine]:
    # Most of the time two or three jobs are at work; each connection kept costs the server some 5 MB.
    engine = make_engine(url, application_name=sessions, pool_size=5, max_overflow=15)
    try:
        yield engine
    finally:
        engine.dispose()
