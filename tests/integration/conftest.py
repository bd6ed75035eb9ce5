"""What the tests of the embedded server may use."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import psutil
import pytest

from service.storage.embedded.server import EmbeddedServer
from tests.conftest import reachable_folder
from tests.support.database import FAST
from tests.support.embedded_server import Other, server_processes


@pytest.fixture
def other_processes() -> Iterator[Callable[..., Other]]:
    """Start other processes; those a failed test leaves behind are killed."""
    started: list[Other] = []

    def start(folder: Path, settings: dict[str, str] | None = None) -> Other:
        started.append(Other(folder, settings))
        return started[-1]

    yield start
    for other in started:
        if other.process.poll() is None:
            other.kill()


@pytest.fixture(scope="session")
def made_database() -> Iterator[Path]:
    """A database made once, to be copied: making one takes most of a test's time."""
    place = reachable_folder("underweir-made-", in_memory=True)
    with EmbeddedServer(place / "database", settings=FAST):
        pass
    yield place / "database"
    shutil.rmtree(place)


@pytest.fixture
def new_database_folder(data_dir: Path) -> Iterator[Path]:
    """A folder yet to be made; whatever still runs in it at the end is killed, after the test has had its say."""
    place = data_dir / "database"
    yield place
    for process in server_processes(place):
        with suppress(psutil.NoSuchProcess):
            process.kill()
            process.wait()


@pytest.fixture
def database_folder(new_database_folder: Path, made_database: Path) -> Path:
    """A folder with a stopped, empty database in it."""
    subprocess.run(["cp", "-a", str(made_database), str(new_database_folder)], check=True)
    return new_database_folder
