"""Sync folders to disk: without it, a new name in a folder may not survive a power failure."""

from __future__ import annotations

import os
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Sync a folder's entries to disk; the files in it are synced on their own.

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
