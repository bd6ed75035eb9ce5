"""The running server's first process: does it answer, which process is it, and how it is told to stop."""

from __future__ import annotations

import os
import signal
import socket
import struct
import subprocess
import time
from contextlib import suppress
from pathlib import Path

from service.storage.embedded.cluster import ADMIN

#: A server opens its socket at once, before any recovery. One that is unheard this long may have lost its first process.
LEFTOVERS_AFTER_S = 2.0


class Postmaster:
    """The server of one cluster, seen from outside."""

    def __init__(self, cluster: Path, sockets: Path, programs: Path | None) -> None:
        self._cluster = cluster
        self._sockets = sockets
        self._programs = programs
        self._unheard_since: float | None = None

    def answers(self) -> bool:
        """Tell whether the server takes connections now; ends what a killed server left behind."""
        if self._programs is None:
            return False
        command = [str(self._programs / "pg_isready"), "-q", "-h", str(self._sockets), "-p", "5432"]
        command += ["-U", ADMIN, "-d", "postgres"]  # who may come in, so that the server does not log a refusal
        ready = subprocess.run(command, check=False, env={"PATH": os.defpath}).returncode
        if ready != 2:  # 0: takes connections, 1: says it is not ready, 2: silence
            self._unheard_since = None
            return ready == 0
        now = time.monotonic()
        self._unheard_since = self._unheard_since if self._unheard_since is not None else now
        if now - self._unheard_since > LEFTOVERS_AFTER_S:
            self.end_leftovers()
        return False

    def stop_fast(self) -> None:
        """Ask for an orderly stop: open transactions roll back, everything is written."""
        self._signal(signal.SIGINT)

    def stop_at_once(self) -> None:
        """Ask for a stop without ceremony; the next start recovers from the log, as after a power cut."""
        self._signal(signal.SIGQUIT)
        self.end_leftovers()

    def end_leftovers(self) -> None:
        """Kill server processes whose first process is dead: they hold the data, and nobody can reach them."""
        processes = self._processes()
        if any(is_first for is_first in processes.values()):
            return  # it lives, and has yet to open its socket
        for pid in processes:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)

    def pid(self) -> int | None:
        """Return the process that listens on the socket, as the system knows it; None when none does."""
        address = self._sockets / ".s.PGSQL.5432"
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            try:
                line.settimeout(5)
                line.connect(str(address))
            except OSError:
                return None
            if hasattr(socket, "SO_PEERCRED"):
                size = struct.calcsize("3i")
                pid = int(struct.unpack("3i", line.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, size))[0])
                return pid or None
        # Elsewhere the server's own note has to do; something listens, so it is not left over from an earlier run.
        try:
            return int((self._cluster / "postmaster.pid").read_text(encoding="ascii").split("\n", 1)[0])
        except (OSError, ValueError):
            return None

    def _signal(self, number: signal.Signals) -> None:
        pid = self.pid()
        if pid is not None:
            with suppress(ProcessLookupError):
                os.kill(pid, number)

    def _processes(self) -> dict[int, bool]:
        """List PostgreSQL's processes that work in the cluster, and whether each is the first one (Linux only)."""
        found = {}
        for entry in Path("/proc").glob("[0-9]*"):
            with suppress(OSError):
                named = (entry / "comm").read_text(encoding="utf-8", errors="replace").strip()
                if named == "postgres" and (entry / "cwd").samefile(self._cluster):
                    # The others have replaced the command line they inherited by a description of what they do.
                    found[int(entry.name)] = b"\0-D\0" in (entry / "cmdline").read_bytes()
        return found
