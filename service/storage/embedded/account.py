"""The operating system account the embedded database runs as: our own, or an unprivileged one when we are root."""

from __future__ import annotations

import os
import pwd
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.errors import EmbeddedError

#: Tried in this order when started as root; PostgreSQL refuses to run as root. A machine's own "underweir" account keeps the
#: database to itself; the others exist nearly everywhere and may own other things too.
CANDIDATES = ("underweir", "postgres", "daemon", "nobody")


@dataclass(frozen=True)
class Account:
    """An operating system account."""

    name: str
    uid: int
    gid: int

    def run_as(self) -> dict[str, Any]:
        """Return the arguments that make ``subprocess`` run a command as this account."""
        if os.geteuid() == self.uid:
            return {"umask": 0o077}
        return {"user": self.uid, "group": self.gid, "extra_groups": [], "umask": 0o077}

    def can_enter(self, folder: Path) -> bool:
        """Whether the account may enter a folder, as the system itself decides (modes, groups, access lists)."""
        try:
            done = subprocess.run(
                ["/bin/sh", "-c", 'cd -- "$1"', "sh", str(folder)],
                capture_output=True,
                check=False,
                cwd="/",
                **self.run_as(),
            )
        except OSError as error:
            raise EmbeddedError(
                f"The database must not run as root, and changing to the account {self.name!r} was refused"
                f" ({error.strerror}). Start the program as an ordinary user, or set UNDERWEIR_DATABASE_URL to a server."
            ) from error
        return done.returncode == 0


def own_name() -> str:
    """Return the name of the account this process runs as."""
    return _by_uid(os.geteuid()).name


def database_account(cluster: Path) -> Account:
    """Choose the account: the one that owns the data already, else ourselves, else the first candidate there is."""
    euid = os.geteuid()
    if cluster.is_dir():
        owner = cluster.stat().st_uid
        if euid not in (0, owner):
            raise EmbeddedError(
                f"The database in {cluster.parent} belongs to {_by_uid(owner).name!r}: start the program as that user,"
                " or choose another data folder (UNDERWEIR_DATA_DIR)."
            )
        return _by_uid(owner)
    if euid != 0:
        return _by_uid(euid)
    for name in CANDIDATES:
        try:
            found = pwd.getpwnam(name)
        except KeyError:
            continue
        return Account(found.pw_name, found.pw_uid, found.pw_gid)
    raise EmbeddedError(
        "The database must not run as root and this machine has none of the accounts "
        + ", ".join(CANDIDATES)
        + ". Make one (useradd --system underweir) and start again."
    )


def require_reachable(folder: Path, account: Account) -> None:
    """Refuse a folder the account may not enter. Folders on the way to it are not ours to open up."""
    if account.can_enter(folder):
        return
    closed = next((p for p in [*reversed(folder.absolute().parents), folder] if not account.can_enter(p)), folder)
    raise EmbeddedError(
        f"The database must not run as root, so it runs as {account.name!r}, which may not enter {closed}."
        f" Choose a data folder it can reach, such as /var/lib/underweir (UNDERWEIR_DATA_DIR), or start the program as an"
        f" ordinary user, or allow it yourself: chmod o+x {closed}"
    )


def _by_uid(uid: int) -> Account:
    try:
        found = pwd.getpwuid(uid)
    except KeyError:
        raise EmbeddedError(
            f"User number {uid} has no name on this machine, and PostgreSQL needs one: add it to /etc/passwd,"
            " or set UNDERWEIR_DATABASE_URL to a server."
        ) from None
    return Account(found.pw_name, found.pw_uid, found.pw_gid)
