"""Health page: sources, messages, nodes, database and version."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import text

from service import __version__
from service.storage.calls import outbox
from service.storage.database.session import transaction
from service.storage.operations.leases import workers
from service.storage.readings.connector_state import connector_health
from service.web.base.access import Viewer
from service.web.base.plant import Plant
from service.web.base.templating import page
from service.web.blanket.board_page import board_of

router = APIRouter(include_in_schema=False)


@router.get("/health")
def health(request: Request, plant: Plant, visitor: Viewer) -> HTMLResponse:
    """The page."""
    view = board_of(request).view()
    with transaction(plant.engine) as conn:
        sources = {found.connector: found for found in connector_health(conn)}
        delivery = outbox.health(conn)
        nodes = workers(conn, plant.connectors)
        size = conn.execute(text("SELECT pg_database_size(current_database())")).scalar_one()
        server = conn.execute(text("SHOW server_version")).scalar_one()
    known = list(dict.fromkeys([*plant.connectors, *sources]))
    return page(
        request,
        plant,
        visitor,
        "health.html.j2",
        view=view,
        sources=[(key, sources.get(key)) for key in known],
        delivery=delivery,
        nodes=nodes,
        size_mb=size / 1e6,
        server=server,
        service_version=__version__,
    )
