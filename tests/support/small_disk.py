"""A small disk of its own for a folder, so that it can be full while the machine's is not."""

from __future__ import annotations

import contextlib
import os
import subprocess
from pathlib import Path


class SmallDisk:
    """A folder that lies on a disk of its own, in memory, where this account may mount one; else a folder like any other.

    Parameters
    ----------
    size : as mount takes it, such as "4m".
    """

    def __init__(self, folder: Path, size: str) -> None:
        self.folder = folder
        self._filler = folder / "filler"
        folder.mkdir(parents=True, exist_ok=True)
        mount = ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(folder)]
        self.mounted = os.geteuid() == 0 and subprocess.run(mount, capture_output=True).returncode == 0

    def fill(self) -> None:
        """Until nothing fits."""
        assert self.mounted, "this would fill the machine's own disk"
        with contextlib.suppress(OSError), self._filler.open("wb", buffering=0) as file:
            for piece in (1 << 20, 4096):
                with contextlib.suppress(OSError):
                    while file.write(b"\0" * piece) == piece:
                        pass

    def free(self) -> None:
        """As it was before."""
        self._filler.unlink(missing_ok=True)

    @property
    def full(self) -> bool:
        """Whether it is filled now."""
        return self._filler.exists()

    def unmount(self) -> None:
        """What it held is gone."""
        if self.mounted:
            subprocess.run(["umount", "-l", str(self.folder)], capture_output=True)
            self.mounted = False
