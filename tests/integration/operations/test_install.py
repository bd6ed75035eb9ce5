"""What is carried to a machine without internet: installed, upgraded, taken back, and refused when it was damaged on the way.

The packages are left out here, which takes minutes off; everything else is as deploy/wheelhouse packs it.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

REPOSITORY = Path(__file__).parents[3]


def packed(folder: Path, version: str) -> Path:
    """A pack with our own wheel alone, of some version."""
    source = folder / f"source-{version}"
    source.mkdir(parents=True)
    for name in ("service", "connectors", "alembic"):
        shutil.copytree(REPOSITORY / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("README.md", "LICENSE", "pyproject.toml"):
        shutil.copy2(REPOSITORY / name, source / name)
    project = source / "pyproject.toml"
    project.write_text(project.read_text("utf-8").replace('version = "0.1.0"', f'version = "{version}"'), "utf-8")
    pack = folder / f"pack-{version}"
    command = [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", str(pack / "wheels")]
    subprocess.run(command, cwd=source, capture_output=True, check=True)
    for name in ("install", "INSTALL.md", "site.example.toml"):
        shutil.copy2(REPOSITORY / "deploy" / name, pack / name)
    shutil.copytree(REPOSITORY / "deploy" / "systemd", pack / "systemd")
    (pack / "requirements.txt").write_text("")
    sums = [
        f"{hashlib.sha256(path.read_bytes()).hexdigest()}  ./{path.relative_to(pack)}"
        for path in sorted(pack.rglob("*"))
        if path.is_file()
    ]
    (pack / "SHA256SUMS").write_text("\n".join(sums) + "\n")
    return pack


def install(pack: Path, prefix: Path) -> subprocess.CompletedProcess[str]:
    environment = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "PIP"))}
    # The packages that were left out are those of the tests' own environment.
    site_packages = next(path for path in sys.path if path.endswith("site-packages"))
    environment |= {"PYTHON": sys.executable, "PYTHONPATH": site_packages, "PIP_CONFIG_FILE": os.devnull}
    return subprocess.run(
        [str(pack / "install"), str(prefix)], env=environment, capture_output=True, text=True, check=False
    )


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return packed(tmp_path_factory.mktemp("first"), "1.0.0")


def test_install_upgrade_and_back(first: Path, tmp_path: Path) -> None:
    prefix = tmp_path / "opt"
    assert install(first, prefix).returncode == 0
    assert os.readlink(prefix / "current") == "1.0.0"
    assert (prefix / "current" / "share" / "doc" / "underweir" / "systemd" / "underweir.service").is_file()
    second = packed(tmp_path, "1.1.0")
    done = install(second, prefix)
    assert done.returncode == 0, done.stderr
    assert os.readlink(prefix / "current") == "1.1.0"
    assert (prefix / "1.0.0" / "bin" / "underweir").is_file()  # the older one stays, to go back to
    again = install(first, prefix)
    assert again.returncode == 0
    assert "already" in again.stderr
    assert os.readlink(prefix / "current") == "1.0.0"


def test_a_pack_damaged_on_the_way_is_refused(first: Path, tmp_path: Path) -> None:
    pack = tmp_path / "pack"
    shutil.copytree(first, pack)
    (pack / "site.example.toml").write_text("damaged")
    done = install(pack, tmp_path / "opt")
    assert done.returncode == 1
    assert "carry them over again" in done.stderr
    assert not (tmp_path / "opt").exists()


def test_the_list_of_what_is_carried_names_every_locked_package(tmp_path: Path) -> None:

    out = tmp_path / "list.json"
    done = subprocess.run(
        [str(REPOSITORY / "deploy" / "sbom"), str(out)],
        env={**os.environ, "PYTHON": sys.executable},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(out.read_text("utf-8"))
    assert told["bomFormat"] == "CycloneDX"
    named = {(part["name"].lower(), part["version"]) for part in told["components"]}
    locked = [line.split(" ")[0] for line in (REPOSITORY / "deploy" / "requirements.txt").read_text().splitlines()]
    wanted = {tuple(line.split(";")[0].split("==")) for line in locked if "==" in line and line[0].isalpha()}
    assert named == wanted
    assert all(part["externalReferences"][0]["hashes"] for part in told["components"])
