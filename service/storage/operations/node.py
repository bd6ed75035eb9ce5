"""The node's identity, kept in its data folder, and the lock that admits one run of the service at a time."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from service.errors import ConfigError
from service.storage.database.file_locks import FileLock
from service.storage.operations.leases import Holder

#: How long a run waits for the one before it to end [s].
TIMEOUT_S = 30.0


@contextmanager
def acquire_instance_lock(data_dir: Path, name: str, *, timeout_s: float = TIMEOUT_S) -> Iterator[Holder]:
    """Lock the data folder for this run of the service.

    Raises
    ------
    ConfigError
        when another run has the folder, or nothing can be written there.
    """
    try:
        data_dir.mkdir(parents=True, exist_ok=True)
        lock = FileLock(data_dir / "node.lock")
    except OSError as error:
        raise ConfigError(f"{data_dir}: nothing can be written there ({error.strerror}); make it writable") from error
    try:
        if not lock.acquire_exclusive(timeout_s, lambda: None):
            raise ConfigError(
                f"another `underweir run` works from {data_dir}; stop it, or give this one a folder of its own"
                " with UNDERWEIR_DATA_DIR"
            )
        process = f"{os.getpid()}-{secrets.token_hex(8)}"
        yield Holder(node=_identity(data_dir), node_name=name, process=process)
    finally:
        lock.close()


def _identity(data_dir: Path) -> str:
    path = data_dir / "node.id"
    try:
        if path.is_file() and (kept := path.read_text("ascii").strip()):
            return kept
        fresh = secrets.token_hex(8)
        unfinished = path.with_suffix(".new")
        unfinished.write_text(f"{fresh}\n", "ascii")
        unfinished.replace(path)
    except (OSError, ValueError) as error:
        raise ConfigError(f"{path}: the node's identity cannot be kept there ({error}); make it writable") from error
    return fresh
