"""A terminal window: a real terminal with a shell in it, typed into, and everything it has shown."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import struct
import subprocess
import termios
import threading

from service.storage.database.file_locks import wait_until


class Window:
    """A command, such as a shell in a container, with a terminal of its own."""

    def __init__(self, *command: str) -> None:
        self._ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 50, 160, 0, 0))
        self._process = subprocess.Popen(
            command, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True, close_fds=True
        )
        os.close(theirs)
        self._shown = b""
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        try:
            while piece := os.read(self._ours, 65536):
                self._shown += piece
        except OSError:
            pass  # the other end is closed

    @property
    def shown(self) -> str:
        """Everything shown so far, what was typed included."""
        return self._shown.decode("utf-8", "replace").replace("\r", "")

    def type(self, text: str) -> None:
        """Type or paste it."""
        os.write(self._ours, text.encode("utf-8"))

    def press_ctrl_c(self) -> None:
        """Press Ctrl-C."""
        self.type("\x03")

    def shows(self, pattern: str, *, since: int = 0, limit_s: float = 120) -> re.Match[str]:
        """Wait until the window shows it, after the first ``since`` characters; return the match."""
        wait_until(lambda: re.search(pattern, self.shown[since:]) is not None, limit_s)
        found = re.search(pattern, self.shown[since:])
        assert found, f"{pattern!r} is not shown:\n{self.shown[since:][-3000:]}"
        return found

    def run(self, lines: str, *, limit_s: float = 400) -> str:
        """Paste lines into the shell, wait until they have run, and return what the window has shown since."""
        since = len(self.shown)
        self.type(lines)
        self.type('echo "done:" "$?"\n')
        self.shows(r"(?m)done: \d+$", since=since, limit_s=limit_s)
        return self.shown[since:]

    def close(self) -> None:
        """Close the window."""
        self._process.kill()
        self._process.wait()
        self._reader.join()
        os.close(self._ours)
