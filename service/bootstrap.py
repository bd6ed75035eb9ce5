"""Builds the concrete objects of an installation from settings, site file and database, and wires them together."""

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
from service.jobs.operations.retention import RetentionPolicy
from service.jobs.operations.watchdog import Watchdog
from service.jobs.plant.apply import bring_into_force
from service.jobs.plant.plant import Plant
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
from service.storage.database.roles import let_everyday_delete, let_everyday_in
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
class Configuration:
    """Settings and site file, and what follows from them without a database."""

    settings: Settings
    site: Site

    @cached_property
    def tanks(self) -> Mapping[str, Tank]:
        """Every tank by its key."""
        return self.site.tanks()

    @cached_property
    def setups(self) -> tuple[TankSetup, ...]:
        """Every tank with its signals."""
        return self.site.setups()

    @cached_property
    def alarms(self) -> AlarmSetup:
        """The alarms, the people, and how they are notified."""
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
        """The key that signs cookies and links."""
        return signing_secret(self.settings)

    @cached_property
    def links(self) -> AlarmLinks:
        """The signed links in messages that acknowledge alarms."""
        return AlarmLinks(self.secret, self.settings.public_url)

    @cached_property
    def notifiers(self) -> Mapping[str, Notifier]:
        """Every channel this installation can send through."""
        return make_notifiers(self.settings, self.site)

    def prepare(self) -> None:
        """Read every secret now, to fail early if one is missing, and keep them out of the log.

        Raises
        ------
        ConfigError
            when one cannot be read.
        """
        self.alarms  # noqa: B018  (reads those of the channels)
        self.site.gateway_hooks()
        logs.register_secrets(secret for gateway in self.site.gateways() for secret in gateway.secrets.values())

    def make_watchdog(self) -> Watchdog:
        """The watchdog that notifies without a database when alarms are not evaluated; it has its own channels."""
        minutes = self.settings.not_watched_minutes
        after = timedelta(minutes=minutes) if minutes else None
        return Watchdog(self.alarms, self.own_notifiers(), self.settings.node_name, after)

    def own_notifiers(self) -> Mapping[str, Notifier]:
        """New channels, for another thread."""
        return make_notifiers(self.settings, self.site)

    @cached_property
    def mailing(self) -> Mailing:
        """The recipients of each report."""
        return self.site.mailing()

    @cached_property
    def retention(self) -> RetentionPolicy:
        """How long rows stay in the database, and the archive they go to."""
        return retention_policy(self.settings)

    @cached_property
    def identity(self) -> IdentityClient | None:
        """The OpenID Connect client; None without a provider."""
        settings = self.settings
        if settings.oidc_issuer is None or settings.oidc_client_id is None:
            return None
        # Imported here, as most commands do not use it and it is slow to load.
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
class Installation(Configuration):
    """The plant by the site file in force, its database, and everything that follows from the two."""

    engine: Engine
    ids: SiteIds
    #: Restarts the embedded database if it has ended; None with an external one.
    revive: Callable[[], bool] | None = None
    #: The version of the site file; None where rows were made without one.
    version: SiteVersion | None = None

    def file_notice(self) -> str:
        """A notice that the site file on disk differs from the one in force; empty if it does not, or is missing."""
        if self.version is None or self.site.path is None:
            return ""
        return file_notice(self.site.path, self.version, self.site)

    @cached_property
    def model(self) -> Plant:
        """The plant as jobs take it."""
        return Plant(
            setups=self.setups,
            signals=self.site.signals(),
            ids=self.ids,
            alarms=self.alarms,
            permit=self.site.permit,
            laboratory=self.site.laboratory,
            round_words=self.site.round_words,
        )

    def pages(self, clock: Callable[[], datetime], guest: str | None = None) -> WebPlant:
        """The installation for the pages, with its own connections; *guest* is signed in without a password."""
        from service.web.base.plant import WebPlant

        return WebPlant(
            engine=page_engine(self.engine),
            name=self.site.name,
            units=self.site.units,
            zone=self.site.time_zone,
            setups=self.setups,
            signals=self.site.signals(),
            ids=self.ids,
            alarms=self.alarms,
            permit=self.site.permit,
            laboratory=self.site.laboratory,
            round_words=self.site.round_words,
            connectors=tuple(connector.key for connector in self.site.connectors()),
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


def retention_policy(settings: Settings) -> RetentionPolicy:
    """How long rows stay in the database, and the archive they go to."""
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
    """The channel for e-mail; None without a mail server."""
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


def make_notifiers(settings: Settings, site: Site) -> Mapping[str, Notifier]:
    """Every channel in settings and site file, by name.

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


def signing_secret(settings: Settings) -> bytes:
    """The secret in the settings, or the one in the data folder, which is made at the first start.

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
            # Written completely, then linked: two services starting at once both use the secret of the first.
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
    """The settings, with a warning for every unknown variable."""
    for line in unknown_variables(os.environ):
        log.warning("unknown setting", problem=line)
    return load_settings()


@contextmanager
def database(settings: Settings, sessions: str = "underweir") -> Iterator[Engine]:
    """The database for writing: the external one, or the embedded one, started while it is used.

    An empty one gets its tables. Tables of another version are not migrated: a service may be using them.

    Parameters
    ----------
    sessions : the application name of our sessions.

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
def owner_database(settings: Settings) -> Iterator[Engine]:
    """As :func:`database`, with the rights of the tables' owner, for changing or filling them as a whole.

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
def migrated_database(
    settings: Settings, sessions: str = "underweir"
) -> Iterator[tuple[Engine, Callable[[], bool] | None]]:
    """The database, migrated, and what restarts it if it is the embedded one."""
    with _served(settings, sessions) as served:
        served.migrate()
        yield served.engine, served.revive


@contextmanager
def read_only_database(settings: Settings) -> Iterator[Engine]:
    """The database for reading: every transaction is READ ONLY, and nothing is created or migrated.

    Raises
    ------
    ConfigError
        when there is none yet.
    StorageError, EmbeddedError
        when the database is away, cannot be started, or has the tables of another version.
    """
    with database_if_any(settings) as engine:
        if engine is None:
            raise ConfigError(_NEVER_APPLIED)
        yield engine


@contextmanager
def database_if_any(settings: Settings) -> Iterator[Engine | None]:
    """As :func:`read_only_database`; None if there is no database yet, or an empty one."""
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
    """A reachable database."""

    engine: Engine
    #: For the owner of the tables.
    owner_url: str
    #: Restarts the embedded database if it has ended; None with an external one.
    revive: Callable[[], bool] | None

    def migrate(self) -> None:
        """Bring the tables up to date as their owner, and let in who works with them every day."""
        with _engine(self.owner_url, "underweir") as owner:
            let_everyday_in(owner, self.engine)
            migrate(owner)
            let_everyday_delete(owner, self.engine)


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


def load_configuration(site_file: Path | None = None, settings: Settings | None = None) -> Configuration:
    """Load settings and site file.

    Raises
    ------
    ConfigError
        when settings or site file are wrong.
    """
    settings = settings or settings_from_environment()
    return Configuration(settings, load_site(site_file or settings.site_file))


@contextmanager
def open_installation(site_file: Path | None = None, settings: Settings | None = None) -> Iterator[Installation]:
    """The installation with the site file in force, for commands that write.

    Parameters
    ----------
    site_file : the site file to compare with the one in force; that of the settings if None.
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
        yield installation_in_force(settings, engine, site_file)


@contextmanager
def open_read_only(site_file: Path | None = None) -> Iterator[Installation]:
    """As :func:`open_installation`, for commands that only read: the database refuses writes."""
    settings = settings_from_environment()
    with read_only_database(settings) as engine:
        yield installation_in_force(settings, engine, site_file)


@contextmanager
def apply_and_open(
    known: Configuration,
    clock: Callable[[], datetime] = wall_clock,
    *,
    by: str,
    node: str = "",
    sessions: str = "underweir",
) -> Iterator[Installation]:
    """The installation with its site file brought into force; if another node is at work, with the one in force already.

    Parameters
    ----------
    clock : tells now; the demo's runs faster.
    by : who brings it into force.
    node : this node (``Holder.node``).
    sessions : the application name of our sessions.

    Raises
    ------
    StorageError, EmbeddedError
        when the database is away or cannot be started.
    """
    with migrated_database(known.settings, sessions) as (engine, revive):
        with transaction(engine) as conn:
            other, version = active_node(conn, EVALUATE, besides=node), version_in_force(conn)
        if other is None or version is None:
            apply_site(engine, known.site, by=by, now=clock())
        elif known.site.path and (notice := file_notice(known.site.path, version, known.site)):
            # An old file left on a node must not end the monitoring of a tank.
            log.warning("another node is at work; this one goes by the site file in force", node=other, notice=notice)
        yield installation_in_force(known.settings, engine, known.site.path, revive)


def apply_site(engine: Engine, site: Site, *, by: str, now: datetime) -> SiteVersion:
    """Bring a checked site file into force."""
    for kind, key in unmonitored(engine, site):
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


def unmonitored(engine: Engine, site: Site) -> tuple[tuple[str, str], ...]:
    """What is monitored now and would not be with another site file: kind and key."""
    with transaction(engine) as conn:
        version = version_in_force(conn)
    try:
        before = None if version is None else parse_site(version.content)
    except ConfigError:  # written for another version of the program
        before = None
    return difference(before, site).unmonitored


def installation_in_force(
    settings: Settings, engine: Engine, site_file: Path | None = None, revive: Callable[[], bool] | None = None
) -> Installation:
    """The installation with the site file in force; changes nothing.

    Parameters
    ----------
    site_file : the file on disk, to which folders are relative; that of the settings if None.

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
    """The site of a version; folders are relative to *path*.

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
    """A notice that the file at *path* differs from the version in force; empty if it does not, or is missing."""
    found = text_on_disk(path)
    if found is None or hash_of(found) == version.content_hash:
        return ""
    since = format_local_time(version.applied_at, site.time_zone)
    return (
        f"{path} is not the site file in force: that is version {version.short_hash}, since {since}, by"
        f" {version.applied_by}. What would change, and bringing it into force: underweir apply"
    )


def _make_passable(folder: Path) -> None:
    """Make the data folder, if missing, so that the server's account may pass through, whatever the umask."""
    if not folder.exists():
        folder.mkdir(parents=True)
        folder.chmod(0o711)


@contextmanager
def _engine(url: str, sessions: str) -> Iterator[Engine]:
    # Usually two or three jobs run at once; each connection costs the server some 5 MB.
    engine = make_engine(url, application_name=sessions, pool_size=5, max_overflow=15)
    try:
        yield engine
    finally:
        engine.dispose()
