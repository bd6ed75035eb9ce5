"""System pages: menu, offline page, service worker, manifest, liveness and readiness."""

from __future__ import annotations

import time
from datetime import timedelta
from importlib import resources
from typing import Annotated

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, PlainTextResponse

from service import __version__
from service.storage.alarms.alarms import alarms
from service.storage.database.session import transaction
from service.storage.operations.job_runs import job_records
from service.storage.plant.site_tables import revision_in_force
from service.web.base.access import Principal, Public, Viewer
from service.web.base.plant import Plant
from service.web.base.templating import page, static
from service.web.blanket.board_page import board_of

router = APIRouter(include_in_schema=False)
Anybody = Annotated[Principal, Depends(Public("nothing of the plant is in it"))]


@router.get("/more")
def more(request: Request, plant: Plant, visitor: Viewer) -> HTMLResponse:
    """The menu."""
    return page(request, plant, visitor, "more.html.j2")


@router.get("/offline")
def offline(request: Request, plant: Plant, visitor: Anybody) -> HTMLResponse:
    """Page the service worker shows while the service cannot be reached."""
    return page(request, plant, Principal(), "offline.html.j2")


@router.get("/worker.js")
def worker(visitor: Anybody) -> Response:
    """The service worker; its path must be at the root to cover every page."""
    script = resources.files("service.web").joinpath("static", "worker.js").read_text("utf-8")
    kept = ", ".join(
        f'"{static(name)}"' for name in ("app.css", "theme.js", "queue.js", "reveal.js", "round.js", "icon.svg")
    )
    return Response(
        script.replace("/*KEPT*/", kept), media_type="text/javascript", headers={"Cache-Control": "no-cache"}
    )


@router.get("/manifest.webmanifest")
def manifest(plant: Plant, visitor: Anybody) -> JSONResponse:
    """Lets a phone put the pages on its home screen."""
    return JSONResponse(
        {
            "name": f"Underweir: {plant.name}" if plant.guest else "Underweir",
            "short_name": "Underweir",
            "start_url": "/",
            "display": "standalone",
            "background_color": "#f1f3f3",
            "theme_color": "#f1f3f3",
            "icons": [
                {"src": static("icon.svg"), "sizes": "any", "type": "image/svg+xml"},
                *({"src": static(f"icon-{s}.png"), "sizes": f"{s}x{s}", "type": "image/png"} for s in (192, 512)),
                # Phones cut it to their own shape: what counts lies within the middle 80 %.
                {
                    "src": static("icon-maskable-512.png"),
                    "sizes": "512x512",
                    "type": "image/png",
                    "purpose": "maskable",
                },
            ],
        },
        media_type="application/manifest+json",
    )


@router.get("/livez")
def alive(visitor: Anybody) -> PlainTextResponse:
    """Liveness: the process answers."""
    return PlainTextResponse(f"underweir {__version__}\n")


#: The overview answers within this, or the service is not ready. [s]
OVERVIEW_WITHIN_S = 1.0


@router.get("/readyz")
def ready(request: Request, visitor: Anybody) -> PlainTextResponse:
    """Readiness: the overview can be read in time."""
    began = time.monotonic()
    board_of(request).view(wait_s=OVERVIEW_WITHIN_S)
    if time.monotonic() - began > OVERVIEW_WITHIN_S:
        return PlainTextResponse("the overview takes too long\n", status_code=503)
    return PlainTextResponse("ready\n")


#: Longest age of the last complete evaluation of alarms.
LOOKED_WITHIN = timedelta(minutes=5)


@router.get("/readyz/alarms")
def alarms_ready(plant: Plant, visitor: Anybody) -> PlainTextResponse:
    """Readiness of alarms: this or another node evaluated all alarms within the last minutes."""
    with transaction(plant.engine) as conn:
        looked = next((found.last_good_at for found in job_records(conn) if found.job == "evaluate"), None)
        changing = plant.version is not None and revision_in_force(conn) != plant.version.id
        unmatched = plant.alarms.unmatched({record.key: record.tank for record in alarms(conn)})
    if unmatched and not changing:
        return PlainTextResponse("not every alarm is looked at\n", status_code=503)
    if looked is None or plant.clock() - looked > LOOKED_WITHIN:
        return PlainTextResponse("nobody looks at the alarms\n", status_code=503)
    return PlainTextResponse("ready\n")
