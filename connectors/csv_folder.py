"""Files in a folder, handled so that no crash, link or clash of names loses one."""

from __future__ import annotations

import hashlib
import os
import shutil
import stat
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from connectors.errors import Malformed, Unreachable

#: Names that programs give to files they are still writing.
_TEMPORARY = (".tmp", ".temp", ".part", ".partial", ".filepart", ".crdownload", ".swp", ".lock", "~")


@dataclass(frozen=True, slots=True)
class Signature:
    """What a file looks like from outside; a changed file has another one."""

    size: int
    modified_ns: int
    #: Tells a renamed file; not compared, for network shares may number a file anew at every look.
    inode: int = field(compare=False)

    @classmethod
    def of(cls, status: os.stat_result) -> Signature:
        return cls(status.st_size, status.st_mtime_ns, status.st_ino)


def told(name: str) -> str:
    r"""A file's name as it can be written down; of one that is no UTF-8 the strange bytes are shown by their numbers.

    >>> print(told(os.fsdecode(b"h\xf6he.csv")))
    h\xf6he.csv
    """
    return os.fsencode(name).decode("utf-8", "backslashreplace")


def open_regular(path: Path, source: str) -> BinaryIO:
    """Open a regular file for reading, without following a link or waiting at a pipe.

    Raises
    ------
    Unreachable
        when it cannot be opened now.
    Malformed
        when it is no regular file.
    """
    try:
        descriptor = os.open(
            path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
        )
    except OSError as exc:
        if path.is_symlink():
            raise Malformed(
                source, f"{told(path.name)} is a symbolic link, which is not followed.", "Drop the file itself."
            ) from exc
        raise Unreachable(
            source, f"{told(path.name)} cannot be opened ({exc.strerror}).", "Check that the service may read it."
        ) from exc
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise Malformed(source, f"{told(path.name)} is not a regular file.")
    return os.fdopen(descriptor, "rb")


def is_temporary(name: str) -> bool:
    """Whether a name belongs to a file that is still being written."""
    return name.startswith((".", "~")) or name.lower().endswith(_TEMPORARY)


def make_folder(folder: Path, source: str) -> None:
    """Make a folder if it is not there."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise Unreachable(
            source, f"folder {folder} cannot be made ({exc.strerror}).", "Give the service write access."
        ) from exc


def place_in(folder: Path, name: str, content_hash: str) -> Path:
    """Where a file goes in a folder: under its own name; a name taken by other content gets part of the hash."""
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / name
    if not target.exists() or _hash(target) == content_hash:
        return target
    stem, suffix = os.path.splitext(name)
    if suffix.lower() == ".gz":
        stem, inner = os.path.splitext(stem)
        suffix = inner + suffix
    return folder / f"{stem}.{content_hash[:8]}{suffix}"


def move(path: Path, target: Path) -> None:
    """Move a file, to another file system if need be; a crash leaves no half file under the new name."""
    try:
        os.replace(path, target)
    except OSError:
        draft = target.with_name(f".{target.name}.tmp")
        shutil.copy2(path, draft)
        os.replace(draft, target)
        path.unlink()


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
