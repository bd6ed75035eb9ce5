"""The private folder of the Unix socket.

A socket's path may have 107 bytes at most (Linux, unix(7); macOS 103), and PostgreSQL's clients take a comma for the end of
a host's name. Such a data folder has its socket elsewhere.
"""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
from pathlib import Path

from service.errors import EmbeddedError
from service.storage.embedded.account import Account

LONGEST = 103
NOTE = "socket-folder"


def socket_folder(data: Path, account: Account) -> Path:
    """Return the socket's folder, made if need be: in the data folder, or a short one that the note in it names."""
    inside = data / "run"
    if "," not in str(inside) and len(os.fsencode(inside / ".s.PGSQL.5432")) <= LONGEST:
        if not inside.is_dir():
            inside.mkdir(mode=0o700)
            _hand_over(inside, account)
        return inside
    note = data / NOTE
    if note.is_file():
        noted = Path(note.read_text(encoding="utf-8"))
        if _is_private(noted, account):
            return noted
    made = Path(tempfile.mkdtemp(prefix="underweir-", dir=_short_place(account)))
    _hand_over(made, account)
    if len(os.fsencode(made / ".s.PGSQL.5432")) > LONGEST:
        made.rmdir()
        raise EmbeddedError(
            f"The database's socket needs a path of at most {LONGEST} bytes, and {inside} and {made} are longer:"
            " choose a data folder with a shorter path (UNDERWEIR_DATA_DIR)."
        )
    note.write_text(str(made), encoding="utf-8")
    return made


def remove_socket_folder(data: Path) -> None:
    """Remove the short folder of a stopped server, if it had one."""
    note = data / NOTE
    if note.is_file():
        shutil.rmtree(note.read_text(encoding="utf-8"), ignore_errors=True)
        note.unlink()


def _short_place(account: Account) -> str:
    if os.geteuid() == 0:
        return "/run" if account.may_enter(Path("/run")) else "/tmp"
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
