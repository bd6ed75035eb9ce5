"""Brings a site file into force: its text, tanks, signals and alarms become rows in one transaction."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

import structlog
from sqlalchemy import Engine

from service.alarms.definition import AlarmDefinition
from service.domain.plant.signal import Signal
from service.domain.plant.tank import Tank
from service.storage.accounts.audit import record_change
from service.storage.alarms.alarms import sync_alarms
from service.storage.database.session import transaction
from service.storage.plant.site_tables import SiteVersion, lock_site, record_version, sync_site, version_in_force

log = structlog.get_logger(__name__)


def bring_into_force(
    engine: Engine,
    content: str,
    *,
    tanks: Iterable[Tank],
    signals: Iterable[Signal],
    definitions: Iterable[AlarmDefinition],
    by: str,
    now: datetime,
) -> SiteVersion:
    """Make the database say what a site file says that passed the check.

    Parameters
    ----------
    content : the file's text; tanks, signals and definitions are what it describes.
    by : who does it, for journal and audit log.

    Notes
    -----
    The same text again is no new version, but puts right rows that do not fit it. Running services see a new version and
    change over to it by themselves.
    """
    with transaction(engine) as conn:
        lock_site(conn)
        before = version_in_force(conn)
        version = record_version(conn, content, at=now, by=by)
        sync_site(conn, tanks, signals)
        sync_alarms(conn, definitions, now, by=by)
        if before != version:
            detail = {"hash": version.content_hash, "before": None if before is None else before.content_hash}
            record_change(conn, at=now, actor=by, action="site applied", subject="site file", detail=detail)
    if before != version:
        log.info("site file in force", hash=version.short_hash, by=by)
    return version
