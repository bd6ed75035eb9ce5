"""Assembles the pages and the REST API into one application."""

from __future__ import annotations

import threading
from dataclasses import replace
from importlib import resources
from pathlib import Path

from fastapi import FastAPI
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from service import __version__
from service.storage.database.session import read_only
from service.web.accounts import confirm_page, people_page, second_factor_page, sign_in, sign_in_code, single_sign_on
from service.web.alarms import page as alarms
from service.web.alarms import reports as alarm_reports
from service.web.alarms.words import WordedAlarms
from service.web.api import push
from service.web.api import routes as api
from service.web.base import problems
from service.web.base.plant import WebPlant
from service.web.base.request_limit import RequestLimit
from service.web.base.security_headers import SecurityHeaders
from service.web.base.signing import Signer
from service.web.base.throttle import Throttle
from service.web.blanket import board_page, live, tank_page
from service.web.blanket.board import Board
from service.web.calls import duty_page, gateway_posts
from service.web.cores import api as rounds_api
from service.web.cores import photo as core_photo
from service.web.cores import round_page, walk_page
from service.web.diagnosis import what_if_page
from service.web.effluent import api as effluent_api
from service.web.effluent import permit_page
from service.web.laboratory import api as laboratory_api
from service.web.laboratory import page as laboratory_page
from service.web.operations import health_page, metrics
from service.web.operations import system_pages as shell
from service.web.reports import reports_page, shift_page
from service.web.sensors import api as sensor_api
from service.web.sensors import calibrate_page, calibration_page
from service.web.sensors import page as sensor_page

#: Every part of the application; a new one is a module with a ``router``.
ROUTERS = (
    sign_in.router,
    sign_in_code.router,
    single_sign_on.router,
    board_page.router,
    live.router,
    round_page.router,
    walk_page.router,
    core_photo.router,
    alarms.router,
    alarm_reports.router,
    duty_page.router,
    tank_page.router,
    shift_page.router,
    reports_page.router,
    permit_page.router,
    effluent_api.router,
    calibrate_page.router,  # before the pages of sensors: its addresses go on from theirs
    sensor_page.router,
    calibration_page.router,
    what_if_page.router,
    laboratory_page.router,
    people_page.router,
    second_factor_page.router,
    confirm_page.router,
    health_page.router,
    metrics.router,
    push.router,
    gateway_posts.router,
    sensor_api.router,
    laboratory_api.router,
    rounds_api.router,
    api.router,
    shell.router,
)


def create_app(plant: WebPlant) -> FastAPI:
    """The application for one installation."""
    app = FastAPI(
        title="Underweir",
        version=__version__,
        summary="Sludge blankets of one plant: estimates, measurements and alarms.",
        openapi_url=None,  # served to those who may read, with the rest of the programs' interface
        docs_url=None,
        redoc_url=None,
        # As they are: an included router's would all be made again for this application, at its first request.
        routes=[route for router in ROUTERS for route in router.routes],
    )
    app.state.plant = plant
    app.state.signer = Signer(plant.secret)
    app.state.board = Board(replace(plant, engine=read_only(plant.engine)))
    app.state.live = live.LiveFeed(app.state.board)
    app.state.worded_alarms = WordedAlarms()
    app.state.throttle = Throttle()
    #: Set when the service stops, so that open event streams end.
    app.state.stopping = threading.Event()
    with resources.as_file(resources.files("service.web").joinpath("static")) as folder:
        app.mount("/static", _Static(directory=Path(folder)), name="static")
    problems.register(app)
    app.add_middleware(GZipMiddleware, minimum_size=600, compresslevel=6)
    app.add_middleware(RequestLimit)
    app.add_middleware(SecurityHeaders, failed=problems.unexpected_error)
    return app


class _Static(StaticFiles):
    """Static files, cached by browsers for good: their addresses change with their content."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        answer = await super().get_response(path, scope)
        if answer.status_code == 200:
            answer.headers["Cache-Control"] = "public, max-age=31536000, immutable"
            if path.endswith(".svg"):
                answer.headers["Content-Type"] = "image/svg+xml; charset=utf-8"
        return answer
