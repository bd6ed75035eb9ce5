"""The image and the compose file stand and start, on whatever Docker engine answers."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import uuid
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from pip._internal.models.index import PyPI

from service.storage.locks import wait_until
from service.storage.schema import current_revision, head_revision
from tests.database import TestServer

pytestmark = [pytest.mark.docker, pytest.mark.slow, pytest.mark.timeout(1500)]

REPOSITORY = Path(__file__).parents[2]

#: Packages are checked by their hashes, so a proxy that signs anew what it lets through does not matter to the build.
TRUSTED = f"{PyPI.netloc} {PyPI.file_storage_domain}"


def run(*command: str, cwd: Path | None = None, env: dict[str, str] | None = None) -> str:
    done = subprocess.run(command, cwd=cwd, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    return done.stdout.strip()


class Compose:
    """One compose project in a checkout of its own, so that nobody's secrets or volumes are touched."""

    def __init__(self, checkout: Path) -> None:
        self.checkout = checkout
        self.project = f"underweir-test-{uuid.uuid4().hex[:8]}"
        modern = subprocess.run(["docker", "compose", "version"], capture_output=True, check=False).returncode == 0
        self._command = ["docker", "compose"] if modern else ["docker-compose"]
        self._env = {
            **os.environ,
            "DOCKER_BUILDKIT": "0",
            "UNDERWEIR_IMAGE": "underweir:test",
            "PIP_TRUSTED_HOST": TRUSTED,
        }

    def __call__(self, *arguments: str) -> str:
        return run(*self._command, "-p", self.project, *arguments, cwd=self.checkout, env=self._env)

    def health(self, service: str) -> str:
        return run("docker", "inspect", "--format", "{{.State.Health.Status}}", self("ps", "-q", service))


@pytest.fixture(scope="module")
def compose(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Compose]:
    checkout = tmp_path_factory.mktemp("checkout")
    for name in ("service", "connectors", "alembic", "deploy"):
        shutil.copytree(
            REPOSITORY / name, checkout / name, ignore=shutil.ignore_patterns("__pycache__", "secrets"), symlinks=True
        )
    for name in ("pyproject.toml", "README.md", "LICENSE", "docker-compose.yml", ".dockerignore"):
        shutil.copy2(REPOSITORY / name, checkout / name)
    run(str(checkout / "deploy" / "make-secrets"))
    project = Compose(checkout)
    try:
        project("build")
        yield project
    finally:
        project("down", "-v", "--remove-orphans")


@pytest.fixture(scope="module")
def running(compose: Compose) -> Compose:
    """The project, started, and well by its own health checks."""
    compose("up", "-d")
    healthy = wait_until(lambda: compose.health("service") == "healthy", 300)
    assert healthy, compose("logs", "--tail", "50")
    return compose


def test_the_image_answers_and_runs_as_nobody_special(compose: Compose) -> None:
    image = ["docker", "run", "--rm", "--network", "none"]
    assert run(*image, "underweir:test", "--version").startswith("underweir ")
    assert run(*image, "--entrypoint", "id", "underweir:test", "-u") == "10001"


def test_the_image_holds_no_build_tools(compose: Compose) -> None:
    shell = ["docker", "run", "--rm", "--network", "none", "--entrypoint", "sh", "underweir:test", "-c"]
    assert run(*shell, "for tool in gcc cc make git; do command -v $tool || true; done") == ""
    listed = "import importlib.metadata as m; print(' '.join(sorted(d.name.lower() for d in m.distributions())))"
    packages = run(*shell, f'python -c "{listed}"').split()
    assert "underweir" in packages
    assert {"pip", "hatchling", "pytest"}.isdisjoint(packages)


def test_the_service_starts_on_the_database_beside_it(running: Compose) -> None:
    assert running.health("database") == "healthy"
    status = json.loads(running("exec", "-T", "service", "underweir", "status", "--json"))
    assert [tank["tank"] for tank in status["tanks"]]
    tables = "SELECT count(*) FROM tank"
    counted = running("exec", "-T", "database", "psql", "-U", "underweir", "-d", "underweir", "-Atc", tables)
    assert int(counted) == len(status["tanks"])


def test_no_password_stands_in_the_environment_of_a_container(running: Compose) -> None:
    password = (running.checkout / "deploy" / "secrets" / "database_password").read_text()
    assert len(password) == 48
    for service in ("service", "database"):
        assert password not in run("docker", "inspect", running("ps", "-q", service))


def test_a_database_that_was_away_is_taken_up_again(running: Compose) -> None:
    running("stop", "database")
    running("start", "database")
    assert wait_until(lambda: running.health("database") == "healthy", 120)
    status = json.loads(running("exec", "-T", "service", "underweir", "status", "--json"))
    assert status["tanks"]
    assert run("docker", "inspect", "--format", "{{.RestartCount}}", running("ps", "-q", "service")) == "0"


def test_the_service_stops_when_told(running: Compose) -> None:
    container = running("ps", "-q", "service")
    running("stop", "service")
    assert run("docker", "inspect", "--format", "{{.State.ExitCode}}", container) == "0"
    assert '"stopped"' in running("logs", "service")


def test_tests_can_have_their_database_in_a_container(tmp_path: Path) -> None:
    server = TestServer("container", tmp_path)
    try:
        with server.database(migrated=True) as url:
            assert current_revision(url) == head_revision()
            with psycopg.connect(url) as connection:
                assert connection.execute("SELECT count(*) FROM tank").fetchone() == (0,)
        assert server.version()
    finally:
        server.close()
        server.remove()
