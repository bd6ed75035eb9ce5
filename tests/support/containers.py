"""Containers for tests: commands of the engine, a copy of this checkout to give them, and one machine to try things on."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

from pip._internal.models.index import PyPI

REPOSITORY = Path(__file__).parents[2]

#: Packages are checked by their hashes, so a proxy that signs anew what it lets through does not matter to whoever installs.
TRUSTED = f"{PyPI.netloc} {PyPI.file_storage_domain}"


def run(*command: str, cwd: Path | None = None, env: dict[str, str] | None = None, fed: str | None = None) -> str:
    """Run a command that must succeed, feed it, and return what it printed."""
    done = subprocess.run(command, cwd=cwd, env=env, input=fed, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    return done.stdout.strip()


def copy_checkout(to: Path) -> Path:
    """Copy what this repository carries to whoever installs it; nobody's secrets are in it."""
    for name in ("service", "connectors", "alembic", "deploy"):
        leave = shutil.ignore_patterns("__pycache__", "secrets")
        shutil.copytree(REPOSITORY / name, to / name, ignore=leave, symlinks=True)
    for name in ("pyproject.toml", "README.md", "LICENSE", "docker-compose.yml", ".dockerignore"):
        shutil.copy2(REPOSITORY / name, to / name)
    return to


class Machine:
    """A container that stays up, as a machine to type on."""

    def __init__(self, image: str, *options: str, command: tuple[str, ...] = ()) -> None:
        self.id = run("docker", "run", "--detach", *options, image, *command)

    def attempt(self, script: str) -> subprocess.CompletedProcess[str]:
        """Run lines of shell as root, in root's home."""
        command = ["docker", "exec", "--interactive", "--workdir", "/root", self.id, "bash", "-eu"]
        return subprocess.run(command, input=script, capture_output=True, text=True, check=False)

    def sh(self, script: str) -> str:
        """Run lines of shell that must all succeed; return what they printed."""
        done = self.attempt(script)
        assert done.returncode == 0, f"{script}\n{done.stdout[-3000:]}{done.stderr[-3000:]}"
        return done.stdout.strip()

    def remove(self) -> None:
        """End it, and take its volumes along."""
        run("docker", "rm", "--force", "--volumes", self.id)
