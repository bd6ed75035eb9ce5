"""PostgreSQL's own files of the embedded database: made once, checked before each start, and run with these settings."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path

from service.errors import EmbeddedError
from service.storage.embedded.account import Account
from service.storage.embedded.binaries import MAJOR

#: The server's superuser, which only makes roles and the database; the owner of the tables, which brings them up to date; and who works
#: with them every day, and can neither change them nor switch their triggers off.
ADMIN, OWNER, ROLE = "underweir_admin", "underweir_owner", "underweir"


def make_cluster(cluster: Path, account: Account, programs: Path, *, flush: bool) -> None:
    """Make the cluster beside its place and move it there when it is whole.

    Parameters
    ----------
    flush
        Whether to wait until it is on disk; tests need not.
    """
    unfinished = cluster.with_suffix(".unfinished")
    shutil.rmtree(unfinished, ignore_errors=True)
    unfinished.mkdir(mode=0o700)
    if os.geteuid() != account.uid:
        os.chown(unfinished, account.uid, account.gid)
    command = [str(programs / "initdb"), "-D", str(unfinished), "-U", ADMIN, "--no-instructions"]
    command += ["--auth-local=peer", "--auth-host=reject", "--encoding=UTF8"]
    command += ["--locale=C", "--locale-provider=builtin", "--builtin-locale=C.UTF-8"]
    if not flush:
        command.append("--no-sync")
    done = subprocess.run(
        command,
        capture_output=True,
        text=True,
        check=False,
        cwd="/",
        stdin=subprocess.DEVNULL,
        env={"PATH": os.defpath, "LC_ALL": "C"},
        **account.become(),
    )
    if done.returncode != 0:
        raise EmbeddedError(
            f"A new database cannot be made in {cluster.parent}:\n{last_lines(done.stdout + done.stderr)}"
        )
    unfinished.rename(cluster)


def require_version(cluster: Path) -> None:
    """Refuse a cluster this program's PostgreSQL cannot open."""
    if not cluster.exists():
        return
    try:
        found = (cluster / "PG_VERSION").read_text(encoding="ascii", errors="replace").strip()
    except OSError as error:
        raise EmbeddedError(
            f"{cluster} is not a PostgreSQL data folder ({error.strerror}: PG_VERSION). Restore it from a backup,"
            " or move it away to begin with an empty database."
        ) from error
    if found != str(MAJOR):
        raise EmbeddedError(
            f"The data in {cluster} was made by PostgreSQL {found[:16]}, and this program carries PostgreSQL"
            f" {MAJOR}. Nothing was changed. Write the data out with pg_dump of PostgreSQL {found[:16]} or with the program"
            " version that made it, move the folder away, start once, and load it with psql."
        )


def server_command(
    programs: Path, cluster: Path, folder: Path, sockets: Path, settings: Mapping[str, str]
) -> list[str]:
    """Return the command that runs the server; what stands here no configuration file can undo."""
    everything = {
        "listen_addresses": "",
        "unix_socket_directories": '"' + str(sockets).replace('"', '""') + '"',
        "unix_socket_permissions": "0700",
        "port": "5432",
        "hba_file": str(folder / "hba.conf"),
        "ident_file": str(folder / "ident.conf"),
        "timezone": "UTC",
        "log_timezone": "UTC",
        "lc_messages": "C",
        "logging_collector": "off",
        "log_destination": "stderr",
        "log_startup_progress_interval": "5s",
        **settings,
    }
    command = [str(programs / "postgres"), "-D", str(cluster)]
    for name, value in everything.items():
        command += ["-c", f"{name}={value}"]
    return command


def last_lines(text: str, count: int = 15) -> str:
    """Return the last lines of a server's words."""
    return "\n".join([line for line in text.splitlines() if line.strip()][-count:]) or "(nothing)"
