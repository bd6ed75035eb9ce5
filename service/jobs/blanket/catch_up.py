"""Updates estimates after a command stored data, where no service is running."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from sqlalchemy import Engine

from service.domain.blanket.estimate import TankSetup
from service.domain.operations.lease import EVALUATE
from service.jobs.blanket.estimate import update_estimates
from service.storage.database.session import transaction
from service.storage.operations.leases import active_node
from service.storage.plant.site_tables import SiteIds


def catch_up(engine: Engine, setups: Iterable[TankSetup], ids: SiteIds, now: datetime) -> None:
    """Estimate what is due, unless a service is at work: two would stand in each other's way."""
    with transaction(engine) as conn:
        if active_node(conn, EVALUATE) is not None:
            return
    update_estimates(engine, setups, ids, now)
