"""What a file system promises only when asked: that a name in a folder outlives a power failure."""

from __future__ import annotations

import os
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Bring to disk which names a folder holds; the files themselves have to be brought there on their own.

    Raises
    ------
    OSError
        the disk does not take it.
    """
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
