"""An account without rights, and a machine of 2 GB: a control group where one may be made, else a count of what is used."""

from __future__ import annotations

import os
import pwd
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psutil

#: What small servers have.
MEMORY = 2 << 30
#: So often it is counted where no control group can be made [s].
COUNT_S = 0.5


@dataclass(frozen=True)
class Account:
    """Whom the service runs as, and with which interpreter."""

    name: str
    uid: int
    gid: int
    python: str

    def become(self) -> dict[str, Any]:
        """The arguments that make ``subprocess`` run a command as this account."""
        return {"user": self.uid, "group": self.gid, "extra_groups": []} if os.geteuid() == 0 else {}

    @contextmanager
    def acting(self) -> Iterator[None]:
        """Do something under its number: the embedded database lets in nobody else."""
        before = os.geteuid()
        if before != 0:
            yield
            return
        os.seteuid(self.uid)
        try:
            yield
        finally:
            os.seteuid(before)


def unprivileged_account() -> Account:
    """The account that runs this; as root another one, with an interpreter that it may run.

    Raises
    ------
    RuntimeError
        when no interpreter with the service's parts can be run by it.
    """
    if os.geteuid() != 0:
        own = pwd.getpwuid(os.geteuid())
        return Account(own.pw_name, own.pw_uid, own.pw_gid, sys.executable)
    found = pwd.getpwnam("daemon")
    for python in (sys.executable, f"/usr/bin/python3.{sys.version_info.minor}"):
        account = Account(found.pw_name, found.pw_uid, found.pw_gid, python)
        trial = [python, "-c", "import service.pages, service.cli.operations.run"]
        with suppress(OSError):
            if subprocess.run(trial, env=environment(), capture_output=True, **account.become()).returncode == 0:
                return account
    raise RuntimeError(f"the account {found.pw_name} can run no interpreter with the service in it")


def environment() -> dict[str, str]:
    """Ours, with the way to the program's parts."""
    return os.environ | {"PYTHONPATH": os.pathsep.join(os.path.abspath(part) for part in sys.path), "HOME": "/"}


class MemoryLimit:
    """Holds a process and all that it starts to so much memory together, and says how, and how much there was at most."""

    def __init__(self, most: int = MEMORY, proc: Path = Path("/proc/self")) -> None:
        self.most = most
        self.peak = 0
        self.ended: list[str] = []  #: processes that went for want of memory
        self._group = _control_group(most, proc)
        self._over = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def kind(self) -> str:
        """How it is done."""
        if self._group is not None:
            return f"control group {self._group}"
        return "counted twice a second; beyond it the process with the highest oom_score_adj is killed, as the kernel would"

    def hold(self, pid: int) -> None:
        """Begin, before the process starts others."""
        if self._group is not None:
            (self._group / "cgroup.procs").write_text(str(pid), "ascii")
        self._thread = threading.Thread(target=self._count, args=[pid], daemon=True)
        self._thread.start()

    def end(self) -> None:
        """Let go, once the process and its children have ended."""
        self._over.set()
        if self._thread is not None:
            self._thread.join()
        if self._group is not None:
            if killed := _killed(self._group):
                self.ended.append(f"{killed} by the kernel")
            with suppress(OSError):
                self._group.rmdir()

    def _count(self, pid: int) -> None:
        while not self._over.wait(COUNT_S):
            used = proportional(pid)
            total = sum(used.values())
            self.peak = max(self.peak, total)
            if total > self.most and self._group is None and used:
                worst = max(used, key=lambda process: (_score(process.pid), used[process]))
                with suppress(psutil.Error):
                    self.ended.append(f"{' '.join(worst.cmdline()[:4])}, {used[worst] >> 20} of {total >> 20} MB")
                    worst.kill()


def proportional(pid: int) -> dict[psutil.Process, int]:
    """What a process and its descendants use; what several share is divided among them (proc(5), Pss). [byte]"""
    used = {}
    with suppress(psutil.Error):
        root = psutil.Process(pid)
        for process in [root, *root.children(recursive=True)]:
            with suppress(OSError, StopIteration):
                lines = Path(f"/proc/{process.pid}/smaps_rollup").read_text("ascii").splitlines()
                used[process] = 1024 * int(next(line for line in lines if line.startswith("Pss:")).split()[1])
    return used


def _score(pid: int) -> int:
    with suppress(OSError, ValueError):
        return int(Path(f"/proc/{pid}/oom_score_adj").read_text("ascii"))
    return -1000


def _killed(group: Path) -> int:
    """How many processes of a group the kernel ended for want of memory."""
    with suppress(OSError, StopIteration):
        lines = (group / "memory.events").read_text("ascii").splitlines()
        return int(next(line.split()[1] for line in lines if line.startswith("oom_kill ")))
    return 0


def _control_group(most: int, proc: Path) -> Path | None:
    """A group of our own beside the one that this runs in, where the system has given us the right to make one (version 2)."""
    with suppress(OSError, StopIteration):
        own = next(line for line in (proc / "cgroup").read_text().splitlines() if line.startswith("0::"))
        root = next(line.split()[4] for line in (proc / "mountinfo").read_text().splitlines() if " - cgroup2 " in line)
        parent = Path(root + own.removeprefix("0::")).parent
        if "memory" not in (parent / "cgroup.subtree_control").read_text().split():
            return None
        made = parent / f"underweir-attacks-{os.getpid()}"
        made.mkdir()
        (made / "memory.max").write_text(str(most), "ascii")
        with suppress(OSError):
            (made / "memory.swap.max").write_text("0", "ascii")
        return made
    return None
