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

from service.domain.estimate import TankSetup
from service.domain.role import SecondFactorRule
from service.domain.tank import Tank
from service.errors import ConfigError
from service.jobs.alarm_setup import AlarmSetup
from service.jobs.ingest.plant import Plant
from service.jobs.keeping import Keeping
from service.jobs.report_plant import ReportPlant
from service.jobs.speak_up import SpeakUp
from service.notify.base import Notifier
from service.notify.facts import SitePresentation
from service.notify.http_gateway import HttpNotifier
from service.notify.links import AlarmLinks
from service.notify.sms_modem import ModemNotifier
from service.notify.smtp import SmtpAccount, SmtpNotifier
from service.notify.webhook import WebhookNotifier
from service.reports.mailing import Mailing
from service.settings import Settings, load_settings, unknown_variables
from service.site.site import Site, load_site
from service.storage.alarms import sync_alarms
from service.storage.drawn import Source
from service.storage.embedded import EmbeddedServer
from service.storage.schema import migrate
from service.storage.session import make_engine, transaction
from service.storage.site_tables import SiteIds, record_revision, sync_site

if TYPE_CHECKING:
    from service.identity import IdentityClient
    from service.web.plant import WebPlant

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
            ladders=self.site.ladders(),
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

    def speak_up(self) -> SpeakUp:
        """The way to say without a database that nobody looks at the alarms; its ways out are its own."""
        minutes = self.settings.not_watched_minutes
        after = timedelta(minutes=minutes) if minutes else None
        return SpeakUp(self.alarms, notifiers_of(self.settings, self.site), self.settings.node_name, after)

    @cached_property
    def mailing(self) -> Mailing:
        """Who is mailed which report."""
        return self.site.mailing()

    @cached_property
    def keeping(self) -> Keeping:
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
    """A plant's site file, its database, and everything that follows from the two."""

    engine: Engine
    ids: SiteIds
    #: Starts a database of our own again should it have ended; None where it is somebody else's to keep.
    revive: Callable[[], bool] | None = None

    @cached_property
    def intake(self) -> Plant:
        """What taking in data has to know."""
        return Plant(tanks=self.tanks, signals=self.site.signals(), ids=self.ids, alarms=self.alarms)

    def pages(self, clock: Callable[[], datetime], guest: str | None = None) -> WebPlant:
        """The installation as the pages see it; *guest* is signed in without a password."""
        from service.web.plant import WebPlant

        return WebPlant(
            engine=self.engine,
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
            guest=guest,
            hooks=self.site.gateway_hooks(),
        )

    @cached_property
    def reports(self) -> ReportPlant:
        """The installation as shift logs and reports see it."""
        return ReportPlant(engine=self.engine, alarms=self.alarms, setups=self.setups, ids=self.ids)


def keeping_of(settings: Settings) -> Keeping:
    """How long rows stay in the database, and where they go."""
    wanted: dict[Source, int | None] = {
        "reading": settings.keep_readings_months,
        "assessment": settings.keep_estimates_months,
        "estimate": settings.keep_estimates_months,
    }
    return Keeping(
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
    """The database of this installation, its tables up to date: the one given, or the embedded one for as long as it is used.

    Parameters
    ----------
    sessions : what the database calls our sessions.
    """
    with _served(settings, sessions) as (engine, _):
        yield engine


@contextmanager
def _served(settings: Settings, sessions: str) -> Iterator[tuple[Engine, Callable[[], bool] | None]]:
    if settings.database_url is not None:
        with _ready(settings.database_url.get_secret_value(), sessions) as engine:
            yield engine, None
        return
    _make_passable(settings.data_dir)
    with EmbeddedServer(settings.data_dir / "database") as server, _ready(server.url, sessions) as engine:
        yield engine, server.revive


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
def opened(
    site_file: Path | None = None,
    settings: Settings | None = None,
    clock: Callable[[], datetime] = wall_clock,
    sessions: str = "underweir",
) -> Iterator[Installation]:
    """The whole installation, ready for work.

    Parameters
    ----------
    site_file : the site file; the one the settings name if None.
    settings : taken from the environment if None.
    clock : tells now; the demo's runs faster.
    sessions : what the database calls our sessions.

    Raises
    ------
    ConfigError
        when settings or site file are wrong.
    StorageError, EmbeddedError
        when the database is away or cannot be started.
    """
    with installed(described(site_file, settings), clock, sessions) as plant:
        yield plant


@contextmanager
def installed(
    known: Described, clock: Callable[[], datetime] = wall_clock, sessions: str = "underweir"
) -> Iterator[Installation]:
    """What is described, with its database, ready for work.

    Raises
    ------
    StorageError, EmbeddedError
        when the database is away or cannot be started.
    """
    settings, site = known.settings, known.site
    with _served(settings, sessions) as (engine, revive):
        yield Installation(settings, site, engine, _kept_in_step(engine, site, clock()), revive)


def _kept_in_step(engine: Engine, site: Site, now: datetime) -> SiteIds:
    """Make the database say what the site file says."""
    with transaction(engine) as conn:
        record_revision(conn, site.text, now)
        ids = sync_site(conn, site.tanks().values(), site.signals().values())
        sync_alarms(conn, site.alarm_definitions(), now)
        return ids


def _make_passable(folder: Path) -> None:
    """Make the data folder, if it is not there, so that the account the server runs as may pass through, whatever the umask."""
    if not folder.exists():
        folder.mkdir(parents=True)
        folder.chmod(0o711)


@contextmanager
def _ready(url: str, sessions: str) -> Iterator[Engine]:
    engine = make_engine(url, application_name=sessions, pool_size=10)
    try:
        migrate(engine)
        yield engine
    finally:
        engine.dispose()
