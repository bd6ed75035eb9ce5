"""The PostgreSQL the tests run on: a server given by URL, else a container, else the embedded one. All run the same tests.

UNDERWEIR_TEST_DATABASE_URL    a server whose user may create databases
UNDERWEIR_TEST_DATABASE        url, container or embedded: no other is tried
UNDERWEIR_TEST_POSTGRES_IMAGE  image of the container, postgres:16 if not set

One server serves the whole run, however many workers there are. A template database is migrated once; every test gets a
copy of it, which takes some tens of milliseconds. Where many tests begin with the same rows, these are in a template too.
"""

from __future__ import annotations

import contextlib
import gc
import os
import socket
import uuid
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import psycopg
from sqlalchemy.engine import make_url

from service.storage.database.file_locks import FileLock
from service.storage.database.schema import migrate
from service.storage.embedded.binaries import MAJOR
from service.storage.embedded.server import EmbeddedServer

KINDS = ("url", "container", "embedded")

#: Data of tests need not survive a power cut.
FAST = {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off", "max_connections": "200", "jit": "off"}

LONGEST_RUN_S = 4 * 3600


def docker_problem(*images: str) -> str:
    """Return why no Docker engine can be used, or one of the images cannot be had; empty when all is well."""
    try:
        import docker
    except ImportError as error:
        return str(error)
    try:
        client = docker.from_env(timeout=5)
        try:
            client.ping()
            for name in images:
                if not client.images.list(name):
                    docker.APIClient(timeout=600).pull(*name.split(":"))
        finally:
            client.close()
    except Exception as error:  # every kind of missing engine has its own exception class, and all mean the same here
        problem = str(error).splitlines()[0][:160]
    else:
        return ""
    with warnings.catch_warnings(action="ignore", category=ResourceWarning):
        gc.collect()  # the library leaves the socket open that nobody answers; no test is to be blamed for it
    return problem


def image() -> str:
    """Name the image of the database container."""
    return os.environ.get("UNDERWEIR_TEST_POSTGRES_IMAGE", "postgres:16")


@cache
def chosen_kind() -> str:
    """Choose the kind of server: the one asked for, else the first that can be had."""
    asked = os.environ.get("UNDERWEIR_TEST_DATABASE", "")
    if asked:
        if asked not in KINDS:
            raise SystemExit(f"UNDERWEIR_TEST_DATABASE={asked} is none of {', '.join(KINDS)}")
        return asked
    if os.environ.get("UNDERWEIR_TEST_DATABASE_URL"):
        return "url"
    return "embedded" if docker_problem(image()) else "container"


class TestServer:
    """The run's server, as one worker sees it."""

    __test__ = False

    def __init__(self, kind: str, shared: Path) -> None:
        self.kind = kind
        self._shared = shared
        self._embedded: EmbeddedServer | None = None
        self._server_url = ""

    def describe(self) -> str:
        """Say in a few words which server the tests run on."""
        if self.kind == "url":
            return f"given server {make_url(self._given_url()).render_as_string(hide_password=True)}"
        return f"container {image()}" if self.kind == "container" else f"embedded PostgreSQL {MAJOR}"

    def version(self) -> str:
        """Return the version the server reported, empty when no test needed it."""
        note = self._shared / "version"
        return note.read_text() if note.is_file() else ""

    def close(self) -> None:
        """Leave the server."""
        if self._embedded is not None:
            self._embedded.stop()

    def remove(self) -> None:
        """Take away what the whole run made, when no worker is left."""
        if self.kind == "container":
            self._remove_container()
        elif self.kind == "url":
            for made in self._shared.glob("template*"):
                with self._admin() as admin:
                    admin.execute(f"DROP DATABASE {made.read_text()} WITH (FORCE)")

    @contextmanager
    def database(self, *, migrated: bool, fill: Callable[[str], None] | None = None) -> Iterator[str]:
        """Give one test its own database, migrated or empty.

        fill : puts into a migrated database what many tests begin with; called once a run, with its URL.
        """
        template = self._template(fill) if migrated else "template1"
        name = f"underweir_test_{uuid.uuid4().hex[:12]}"
        with self._admin() as admin:
            # Copying files takes two thirds of the work of copying pages through the log.
            admin.execute(f"CREATE DATABASE {name} TEMPLATE {template} STRATEGY file_copy")
        try:
            yield self._url(name)
        finally:
            with self._admin() as admin:
                admin.execute(f"DROP DATABASE {name} WITH (FORCE)")

    def _template(self, fill: Callable[[str], None] | None = None) -> str:
        note = self._shared / ("template" if fill is None else f"template-{fill.__name__}")
        if not note.is_file():
            with self._locked():
                if not note.is_file():
                    base = "template1" if fill is None else self._template()
                    name = f"underweir_template_{uuid.uuid4().hex[:12]}"
                    with self._admin() as admin:
                        admin.execute(f"CREATE DATABASE {name} TEMPLATE {base}")
                    (migrate if fill is None else fill)(self._url(name))
                    _write(note, name)
        return note.read_text()

    @contextmanager
    def _admin(self) -> Iterator[psycopg.Connection[tuple[object, ...]]]:
        with psycopg.connect(self._start(), autocommit=True) as connection:
            yield connection

    def url(self) -> str:
        """Start the server if it is not running, and say where it is."""
        return self._start()

    def _url(self, database: str) -> str:
        return make_url(self._start()).set(database=database).render_as_string(hide_password=False)

    def _start(self) -> str:
        if not self._server_url:
            with self._locked():
                if self.kind == "url":
                    self._server_url = self._given_url()
                elif self.kind == "container":
                    self._server_url = self._container_url()
                else:
                    self._embedded = EmbeddedServer(self._shared / "database", settings=FAST)
                    self._embedded.start()
                    self._server_url = self._embedded.admin_url  # who makes databases
                if not (self._shared / "version").is_file():
                    with psycopg.connect(self._server_url) as connection:
                        row = connection.execute("SHOW server_version").fetchone()
                    _write(self._shared / "version", str(row[0]) if row else "")
        return self._server_url

    def _given_url(self) -> str:
        url = os.environ.get("UNDERWEIR_TEST_DATABASE_URL", "")
        if not url:
            raise SystemExit("UNDERWEIR_TEST_DATABASE=url needs UNDERWEIR_TEST_DATABASE_URL")
        return make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)

    def _container_url(self) -> str:
        note = self._shared / "container"
        if not note.is_file():
            # The run removes its container itself; the library's own reaper would be one more image to download.
            os.environ.setdefault("TESTCONTAINERS_RYUK_DISABLED", "true")
            from testcontainers.community.postgres import PostgresContainer

            settings = " ".join(f"-c {name}={value}" for name, value in FAST.items())
            # A run that is killed leaves its container behind: it ends by itself after some hours, and removes itself.
            command = f"timeout {LONGEST_RUN_S} docker-entrypoint.sh postgres {settings}"
            container = PostgresContainer(image(), driver=None).with_command(command).with_kwargs(auto_remove=True)
            # In memory: making and removing the files of a database on the layers of an image takes up to ten times the work.
            container = container.with_env("PGDATA", "/database/files").with_tmpfs_mount("/database", "size=4g")
            container.start()
            _write(note, f"{container.get_wrapped_container().id}\n{_direct(container)}")
        return note.read_text().splitlines()[1]

    def _remove_container(self) -> None:
        note = self._shared / "container"
        if note.is_file():
            import docker

            client = docker.from_env()
            try:
                client.containers.get(note.read_text().splitlines()[0]).remove(force=True, v=True)
            finally:
                client.close()

    @contextmanager
    def _locked(self) -> Iterator[None]:
        """Let one worker at a time set things up; the locks of one worker nest."""
        if getattr(self, "_holding", False):
            yield
            return
        lock = FileLock(self._shared / "lock")
        lock.acquire_exclusive(600, lambda: None)
        self._holding = True
        try:
            yield
        finally:
            self._holding = False
            lock.close()


def _direct(container: Any) -> str:
    """The URL of the container's own address, where this machine reaches it: what goes by a forwarded port is copied once more."""
    wrapped = container.get_wrapped_container()
    wrapped.reload()
    forwarded = container.get_connection_url()
    for network in wrapped.attrs["NetworkSettings"]["Networks"].values():
        with contextlib.suppress(OSError):
            socket.create_connection((network["IPAddress"], 5432), timeout=2).close()
            return make_url(forwarded).set(host=network["IPAddress"], port=5432).render_as_string(hide_password=False)
    return str(forwarded)


def _write(path: Path, content: str) -> None:
    unfinished = path.with_suffix(".unfinished")
    unfinished.write_text(content)
    unfinished.rename(path)
