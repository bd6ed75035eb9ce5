"""Bring the rollups up to date with changed rows."""

from __future__ import annotations

import structlog
from sqlalchemy import Engine

from service.storage.database.session import transaction
from service.storage.trends import rollups

log = structlog.get_logger(__name__)


def roll_up(engine: Engine) -> int:
    """Roll up what is due now, a portion per transaction; returns how many changes were processed.

    Notes
    -----
    What arrives meanwhile waits for the next run: a busy plant must not keep this one going for ever.
    """
    with transaction(engine) as conn:
        newest = rollups.newest_mark(conn)
    done = 0
    while newest is not None:
        with transaction(engine) as conn:
            taken = rollups.roll_up(conn, newest)
        done += taken
        if not taken:
            break
    if done:
        log.debug("rolled up", changes=done)
    return done
