"""Opens, writes and moves files in a folder that strangers may write, safe from links, pipes and races.

Whoever drops files can also make links, pipes, folders and names of any length. So a path is resolved once, when the folder is
opened; after that only single names relative to its descriptor are used (openat(2) and the like). Checks are made on open
descriptors. Files are written under a temporary name and renamed.
"""

from __future__ import annotations

import hashlib
import io
import os
import secrets
import shutil
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, cast

from connectors.errors import Malformed, Unreachable

#: Names that programs give to files they are still writing.
_TEMPORARY = (".tmp", ".temp", ".part", ".partial", ".filepart", ".crdownload", ".swp", ".lock", "~")
#: Longest name a file system takes [bytes] (NAME_MAX of POSIX's usual file systems).
NAME_MAX = 255
_READ = 1 << 20


@dataclass(frozen=True, slots=True)
class FileSignature:
    """Size and modification time of a file; a changed file has another signature."""

    size: int
    modified_ns: int
    #: Identifies a renamed file; not compared, as network shares may renumber a file at every scan.
    inode: int = field(compare=False)

    @classmethod
    def of(cls, status: os.stat_result) -> FileSignature:
        return cls(status.st_size, status.st_mtime_ns, status.st_ino)


def printable_name(name: str) -> str:
    r"""A file's name as text; bytes that are not UTF-8 become escapes.

    >>> print(printable_name(os.fsdecode(b"h\xf6he.csv")))
    h\xf6he.csv
    """
    return os.fsencode(name).decode("utf-8", "backslashreplace")


def is_temporary(name: str) -> bool:
    """Whether a name belongs to a file that is still being written."""
    return name.startswith((".", "~")) or name.lower().endswith(_TEMPORARY)


def fit_name(name: str, ending: str = "") -> str:
    """A name with an ending, shortened to NAME_MAX; what is cut off is replaced by a part of the name's hash.

    >>> fit_name("east.csv", ".reason.txt")
    'east.csv.reason.txt'
    >>> len(fit_name("x" * 250, ".reason.txt"))
    255
    """
    raw, tail = os.fsencode(name), os.fsencode(ending)
    if len(raw) + len(tail) <= NAME_MAX:
        return name + ending
    mark = b"~" + hashlib.sha256(raw).hexdigest()[:8].encode()
    kept = raw[: NAME_MAX - len(tail) - len(mark)].decode("utf-8", "ignore")
    return kept + os.fsdecode(mark) + ending


def content_hash(file: BinaryIO, source: str, stopped: Callable[[], bool] = lambda: False) -> tuple[str, int]:
    """SHA-256 [hex] and size [byte] of an open file, which is left at its start.

    Raises
    ------
    Unreachable
        when the file grows meanwhile, perhaps as fast as it is read, or when *stopped*.
    """
    end = os.fstat(file.fileno()).st_size
    digest = hashlib.sha256()
    size = 0
    file.seek(0)
    while data := file.read(_READ):
        digest.update(data)
        size += len(data)
        if size > end or stopped():
            raise Unreachable(source, "a file was given up while it was read.", "It is taken again when it rests.")
    file.seek(0)
    return digest.hexdigest(), size


def open_regular_file(path: Path, source: str) -> BinaryIO:
    """Open a regular file that a person named, without following a link or waiting at a pipe.

    Raises
    ------
    Unreachable
        when it cannot be opened now.
    Malformed
        when it is no regular file.
    """
    return _opened(str(path), path.name, source, folder=None)


def _opened(path: str, name: str, source: str, *, folder: int | None) -> BinaryIO:
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=folder)
    except OSError as exc:
        if stat.S_ISLNK(_mode(path, folder)):
            raise Malformed(
                source, f"{printable_name(name)} is a symbolic link, which is not followed.", "Drop the file itself."
            ) from exc
        raise Unreachable(
            source, f"{printable_name(name)} cannot be opened ({exc.strerror}).", "Check that the service may read it."
        ) from exc
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise Malformed(source, f"{printable_name(name)} is not a regular file.")
    return os.fdopen(descriptor, "rb")


def _mode(path: str, folder: int | None) -> int:
    try:
        return os.stat(path, dir_fd=folder, follow_symlinks=False).st_mode
    except OSError:
        return 0


class Folder:
    """One open folder. All names are single names inside it. Made by :func:`open_folder` and :meth:`sub`."""

    def __init__(self, descriptor: int, path: Path, source: str) -> None:
        self._fd = descriptor
        self.path = path
        self._source = source

    def close(self) -> None:
        os.close(self._fd)

    def scan(self) -> list[tuple[str, os.stat_result]]:
        """Name and status of every regular file; links, pipes and folders are left out."""
        found = []
        with os.scandir(self._fd) as entries:
            for entry in entries:
                try:
                    status = entry.stat(follow_symlinks=False)
                except FileNotFoundError:
                    continue
                if stat.S_ISREG(status.st_mode):
                    found.append((entry.name, status))
        return found

    def status(self, name: str) -> os.stat_result | None:
        """The status of a name, without following links; None if there is none."""
        try:
            return os.stat(name, dir_fd=self._fd, follow_symlinks=False)
        except FileNotFoundError:
            return None

    def is_file(self, name: str) -> bool:
        """Whether the name is a regular file."""
        status = self.status(name)
        return status is not None and stat.S_ISREG(status.st_mode)

    def open(self, name: str) -> BinaryIO:
        """Open a regular file that has no other hard link.

        Raises
        ------
        Unreachable
            when it cannot be opened now, or has another hard link: it may be a file of the service's own.
        Malformed
            when it is no regular file.
        """
        file = _opened(name, name, self._source, folder=self._fd)
        if os.fstat(file.fileno()).st_nlink > 1:
            file.close()
            raise Unreachable(
                self._source,
                f"{printable_name(name)} has a second name somewhere (a hard link), so it is not read.",
                "Drop a copy of it.",
            )
        return file

    def publish(self, name: str, content: bytes) -> None:
        """Write a file atomically: a new file is written and renamed; an old one of that name is replaced, never written to.

        Raises
        ------
        OSError
            when it cannot be written.
        """
        self._publish(name, io.BytesIO(content))

    def _publish(self, name: str, content: BinaryIO) -> None:
        draft = f".{secrets.token_hex(12)}.tmp"
        descriptor = os.open(
            draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o644, dir_fd=self._fd
        )
        try:
            with os.fdopen(descriptor, "wb") as file:
                shutil.copyfileobj(content, file)
                file.flush()
                os.fsync(file.fileno())
            os.rename(draft, name, src_dir_fd=self._fd, dst_dir_fd=self._fd)
        except BaseException:
            self.remove(draft)
            raise

    def remove(self, name: str) -> None:
        """Unlink a name, if it is there; a link's target stays."""
        with suppress(FileNotFoundError):
            os.unlink(name, dir_fd=self._fd)

    def move(self, name: str, target: Folder, new_name: str) -> None:
        """Move a file, also to another file system; a crash leaves no partial file under the new name.

        Raises
        ------
        OSError
            when it cannot be moved.
        """
        try:
            os.rename(name, new_name, src_dir_fd=self._fd, dst_dir_fd=target._fd)
        except OSError:
            with self.open(name) as file:
                before = os.fstat(file.fileno())
                target._publish(new_name, file)
                os.utime(
                    new_name, ns=(before.st_atime_ns, before.st_mtime_ns), dir_fd=target._fd, follow_symlinks=False
                )
            self.remove(name)

    def free_name(self, name: str, content_hash: str, size: int) -> str:
        """The name for a file moved here: its own, or one with a part of its hash if another file has that name."""
        if self._free(name, content_hash, size):
            return name
        stem, suffix = os.path.splitext(name)
        if suffix.lower() == ".gz":
            stem, inner = os.path.splitext(stem)
            suffix = inner + suffix
        hashed = fit_name(stem, f".{content_hash[:8]}{suffix}")
        if self._free(hashed, content_hash, size):
            return hashed
        return fit_name(stem, f".{secrets.token_hex(8)}{suffix}")

    def _free(self, name: str, content_hash: str, size: int) -> bool:
        """Whether the name is free, or is a file of the same content."""
        status = self.status(name)
        if status is None:
            return True
        # Only a file of the size that was read is worth hashing: a sparse one of terabytes is not.
        if not stat.S_ISREG(status.st_mode) or status.st_size != size:
            return False
        try:
            with self.open(name) as file:
                return hashlib.file_digest(cast(io.BufferedReader, file), "sha256").hexdigest() == content_hash
        except (Unreachable, Malformed):
            return False

    @contextmanager
    def sub(self, name: str) -> Iterator[Folder]:
        """Open a folder inside this one; made if missing.

        Raises
        ------
        Unreachable
            when it cannot be opened; a link with that name is not followed.
        """
        try:
            with suppress(FileExistsError):
                os.mkdir(name, dir_fd=self._fd)
            descriptor = os.open(name, _DIRECTORY | os.O_NOFOLLOW, dir_fd=self._fd)
        except OSError as exc:
            raise Unreachable(
                self._source,
                f"folder {self.path / name} cannot be used ({exc.strerror}).",
                "It must be a folder, not a link, in which the service may write.",
            ) from exc
        with _closing(Folder(descriptor, self.path / name, self._source)) as folder:
            yield folder


_DIRECTORY = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC


@contextmanager
def open_folder(path: Path, source: str, *, make: bool = False) -> Iterator[Folder]:
    """Open a folder that the site file names; links in its path are followed, as the site made them.

    Raises
    ------
    Unreachable
        when it is not there or cannot be opened.
    """
    try:
        if make:
            path.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(path, _DIRECTORY)
    except OSError as exc:
        raise Unreachable(
            source, f"folder {path} cannot be opened ({exc.strerror}).", "Does it exist, is the share mounted?"
        ) from exc
    with _closing(Folder(descriptor, path, source)) as folder:
        yield folder


@contextmanager
def open_subfolder(folder: Folder, path: Path, source: str) -> Iterator[Folder]:
    """Open a folder inside *folder*, where no link is followed, or wherever the site file puts it; made if missing."""
    if path.parent == folder.path:
        with folder.sub(path.name) as found:
            yield found
    else:
        with open_folder(path, source, make=True) as found:
            yield found


@contextmanager
def _closing(folder: Folder) -> Iterator[Folder]:
    try:
        yield folder
    finally:
        folder.close()
