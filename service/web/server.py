"""Runs the application under uvicorn on its own threads; starts, stops and exchanges it."""

from __future__ import annotations

import errno
import socket
import threading
import time

import structlog
import uvicorn
from fastapi import FastAPI
from starlette.types import Receive, Scope, Send

from service.errors import ConfigError
from service.web.base.request_timeout import RequestTimeoutProtocol

log = structlog.get_logger(__name__)

#: Time for running requests to end at shutdown. [s]
SHUTDOWN_S = 5
#: The event loop ticks ten times a second; without a tick for so long it hangs. [s]
TICK_WITHIN_S = 5.0


def bind_socket(host: str, port: int) -> socket.socket:
    """Bind the listening socket.

    Raises
    ------
    ConfigError
        when the address cannot be bound, with what to do.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    taken = socket.socket(family, socket.SOCK_STREAM)
    taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        taken.bind((host, port))
    except OSError as error:
        taken.close()
        if error.errno == errno.EADDRINUSE:
            what = "another program listens there; set UNDERWEIR_HTTP_PORT to a free port"
        elif error.errno == errno.EACCES:
            what = "ports below 1024 are kept for root; use one above, behind a reverse proxy"
        else:
            what = f"{error.strerror}; check UNDERWEIR_HTTP_HOST"
        raise ConfigError(f"pages cannot be served on {host}:{port}: {what}") from error
    taken.set_inheritable(False)
    return taken


class _Server(uvicorn.Server):
    """Uvicorn's server, which notes the last tick of its event loop."""

    ticked_at = 0.0

    async def on_tick(self, counter: int) -> bool:
        self.ticked_at = time.monotonic()
        return await super().on_tick(counter)


class WebServer:
    """A running server whose application can be exchanged."""

    def __init__(self, app: FastAPI, taken: socket.socket, trusted_proxies: str = "127.0.0.1") -> None:
        self._app = app

        async def newest(scope: Scope, receive: Receive, send: Send) -> None:
            await self._app(scope, receive, send)

        self._socket = taken
        config = uvicorn.Config(
            newest,
            http=RequestTimeoutProtocol,
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=True,
            forwarded_allow_ips=trusted_proxies,
            timeout_keep_alive=15,
            timeout_graceful_shutdown=SHUTDOWN_S,
            limit_concurrency=500,
            lifespan="off",
        )
        self._server = _Server(config)
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [taken]}, name="web", daemon=True)

    @property
    def address(self) -> str:
        """Where it listens."""
        host, port = self._socket.getsockname()[:2]
        return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"

    @property
    def answers(self) -> bool:
        """Whether its event loop ticks."""
        return self._thread.is_alive() and time.monotonic() - self._server.ticked_at < TICK_WITHIN_S

    def start(self) -> None:
        """Start, and return when it accepts requests."""
        self._thread.start()
        while not self._server.started and self._thread.is_alive():
            self._thread.join(0.01)
        log.info("pages served", address=self.address)

    def exchange(self, app: FastAPI) -> None:
        """Serve another application from now on; open event streams end, and browsers reconnect."""
        before, self._app = self._app, app
        before.state.stopping.set()
        before.state.plant.engine.dispose()  # a request that is still running closes its connection when it ends

    def stop(self) -> None:
        """Shut down gracefully."""
        self._app.state.stopping.set()
        self._server.should_exit = True
        self._thread.join(SHUTDOWN_S + 5)
        self._socket.close()
        self._app.state.plant.engine.dispose()
