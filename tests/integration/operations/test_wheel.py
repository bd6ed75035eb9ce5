"""An installed wheel is whole: it brings its migrations, and runs from anywhere."""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

from service.storage.database.schema import current_revision, head_revision

pytestmark = pytest.mark.slow

REPOSITORY = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel of this checkout, built with the locked build tools and without a network."""
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", str(folder)]
    done = subprocess.run(command, cwd=REPOSITORY, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    (built,) = folder.glob("underweir-*.whl")
    return built


def test_the_wheel_holds_the_packages_and_the_migrations_and_nothing_else(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
    assert "service/storage/database/migrations/env.py" in names
    assert "service/storage/database/migrations/versions/0001_first_tables.py" in names
    assert {name.split("/")[0] for name in names if ".dist-info" not in name} == {"service", "connectors"}
    assert not [name for name in names if "__pycache__" in name]


@pytest.fixture(scope="module")
def environment(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An environment with the wheel in it.

    The dependencies are those of the environment the tests run in. Its own .pth files are not followed, so this checkout,
    which is installed there too, stays out of sight.
    """
    folder = tmp_path_factory.mktemp("environment")
    venv.create(folder, symlinks=True, with_pip=False)
    pip = [sys.executable, "-m", "pip", "--python", str(folder / "bin" / "python"), "--disable-pip-version-check"]
    command = [*pip, "install", "--no-deps", "--no-index", "--root-user-action=ignore", str(wheel)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    paths = sysconfig.get_paths(scheme="venv", vars={"base": str(folder), "platbase": str(folder)})
    Path(paths["purelib"], "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return folder


def run_in(environment: Path, elsewhere: Path, command: list[str]) -> str:
    variables = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    command = [str(environment / "bin" / command[0]), *command[1:]]
    done = subprocess.run(command, cwd=elsewhere, env=variables, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_an_installed_wheel_has_the_command(environment: Path, tmp_path: Path) -> None:
    assert run_in(environment, tmp_path, ["underweir", "--version"]).startswith("underweir ")


def test_an_installed_wheel_migrates_a_database_from_anywhere(
    environment: Path, tmp_path: Path, empty_database_url: str
) -> None:
    code = "import service.storage.database.schema as s, sys; s.migrate(sys.argv[1]); print(s.migrations_folder())"
    migrations = run_in(environment, tmp_path, ["python", "-c", code, empty_database_url])
    assert Path(migrations).is_relative_to(environment)
    assert Path(migrations).parts[-4:] == ("service", "storage", "database", "migrations")
    assert current_revision(empty_database_url) == head_revision()
