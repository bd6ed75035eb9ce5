"""The embedded server's postmaster: readiness, process id, shutdown signals, and orphaned server processes."""

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

#: A server opens its socket at once, before any recovery. One that is silent this long may have lost its postmaster.
ORPHANED_AFTER_S = 2.0


class Postmaster:
    """The postmaster of one cluster, seen from outside."""

    def __init__(self, cluster: Path, sockets: Path, programs: Path | None) -> None:
        self._cluster = cluster
        self._sockets = sockets
        self._programs = programs
        self._silent_since: float | None = None

    def is_ready(self) -> bool:
        """Whether the server takes connections now; kills what a killed postmaster left behind."""
        if self._programs is None:
            return False
        command = [str(self._programs / "pg_isready"), "-q", "-h", str(self._sockets), "-p", "5432"]
        command += ["-U", ADMIN, "-d", "postgres"]  # who may come in, so that the server does not log a refusal
        ready = subprocess.run(command, check=False, env={"PATH": os.defpath}).returncode
        if ready != 2:  # 0: takes connections, 1: says it is not ready, 2: silence
            self._silent_since = None
            return ready == 0
        now = time.monotonic()
        self._silent_since = self._silent_since if self._silent_since is not None else now
        if now - self._silent_since > ORPHANED_AFTER_S:
            self.kill_orphans()
        return False

    def stop_fast(self) -> None:
        """Request a fast shutdown: open transactions roll back, everything is written."""
        self._signal(signal.SIGINT)

    def stop_immediate(self) -> None:
        """Request an immediate shutdown; the next start recovers from the log, as after a power cut."""
        self._signal(signal.SIGQUIT)
        self.kill_orphans()

    def kill_orphans(self) -> None:
        """Kill server processes whose postmaster is dead: they have the data open, and nobody can reach them."""
        processes = self._processes()
        if any(is_postmaster for is_postmaster in processes.values()):
            return  # the postmaster runs, and has yet to open its socket
        for pid in processes:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)

    def pid(self) -> int | None:
        """Return the process that listens on the socket, as the system knows it; None when none does."""
        address = self._sockets / ".s.PGSQL.5432"
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as client:
            try:
                client.settimeout(5)
                client.connect(str(address))
            except OSError:
                return None
            if hasattr(socket, "SO_PEERCRED"):
                size = struct.calcsize("3i")
                pid = int(struct.unpack("3i", client.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, size))[0])
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
        """List PostgreSQL's processes that work in the cluster, and whether each is the postmaster (Linux only)."""
        found = {}
        for entry in Path("/proc").glob("[0-9]*"):
            with suppress(OSError):
                named = (entry / "comm").read_text(encoding="utf-8", errors="replace").strip()
                if named == "postgres" and (entry / "cwd").samefile(self._cluster):
                    # The others have replaced the command line they inherited by a description of what they do.
                    found[int(entry.name)] = b"\0-D\0" in (entry / "cmdline").read_bytes()
        return found
