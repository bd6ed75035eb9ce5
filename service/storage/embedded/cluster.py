"""The embedded database's files: create and check the cluster, the server's command line, and the folder of its Unix socket."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import tempfile
from collections.abc import Mapping
from pathlib import Path

from service.errors import EmbeddedError
from service.storage.embedded.account import Account
from service.storage.embedded.binaries import MAJOR

#: The server's superuser, which only makes roles and the database; the owner of the tables, which brings them up to date; and who works
#: with them every day, and can neither change them nor switch their triggers off.
ADMIN, OWNER, ROLE = "underweir_admin", "underweir_owner", "underweir"


def make_cluster(cluster: Path, account: Account, programs: Path, *, flush: bool) -> None:
    """Create the cluster under a temporary name and rename it when it is complete.

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
        **account.run_as(),
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
    """Return the command that runs the server; these settings override every configuration file."""
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
    """Return the last lines of a log."""
    return "\n".join([line for line in text.splitlines() if line.strip()][-count:]) or "(nothing)"


#: A socket's path may have 107 bytes at most (Linux, unix(7); macOS 103), and PostgreSQL's clients take a comma for the end of
#: a host's name. Such a data folder has its socket elsewhere.
LONGEST_SOCKET_PATH = 103
SOCKET_NOTE = "socket-folder"


def socket_folder(data: Path, account: Account) -> Path:
    """Return the socket's folder, created if missing: in the data folder, or a short one that a note in it names."""
    inside = data / "run"
    if "," not in str(inside) and len(os.fsencode(inside / ".s.PGSQL.5432")) <= LONGEST_SOCKET_PATH:
        if not inside.is_dir():
            inside.mkdir(mode=0o700)
            _hand_over(inside, account)
        return inside
    note = data / SOCKET_NOTE
    if note.is_file():
        noted = Path(note.read_text(encoding="utf-8"))
        if _is_private(noted, account):
            return noted
    made = Path(tempfile.mkdtemp(prefix="underweir-", dir=_short_place(account)))
    _hand_over(made, account)
    if len(os.fsencode(made / ".s.PGSQL.5432")) > LONGEST_SOCKET_PATH:
        made.rmdir()
        raise EmbeddedError(
            f"The database's socket needs a path of at most {LONGEST_SOCKET_PATH} bytes, and {inside} and {made} are longer:"
            " choose a data folder with a shorter path (UNDERWEIR_DATA_DIR)."
        )
    note.write_text(str(made), encoding="utf-8")
    return made


def remove_socket_folder(data: Path) -> None:
    """Remove the short folder of a stopped server, if it had one."""
    note = data / SOCKET_NOTE
    if note.is_file():
        shutil.rmtree(note.read_text(encoding="utf-8"), ignore_errors=True)
        note.unlink()


def _short_place(account: Account) -> str:
    if os.geteuid() == 0:
        return "/run" if account.can_enter(Path("/run")) else "/tmp"
    own = os.environ.get("XDG_RUNTIME_DIR", "")
    return own if own and os.access(own, os.W_OK) and len(os.fsencode(own)) < 60 else "/tmp"


def _hand_over(folder: Path, account: Account) -> None:
    if os.geteuid() != account.uid:
        os.chown(folder, account.uid, account.gid)


def _is_private(folder: Path, account: Account) -> bool:
    try:
        found = folder.lstat()
    except OSError:
        return False
    return stat.S_ISDIR(found.st_mode) and found.st_uid == account.uid and stat.S_IMODE(found.st_mode) == 0o700
