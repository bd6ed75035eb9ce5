"""Backups: the whole database as of one moment in one checked file, and the way back from it.

A backup is a ZIP file of COPY text, a member a table, and ``manifest.json``: the tables' revision, and of every table its columns, rows
and SHA-256. It holds what the database holds, hashed passwords among it; the site file as it was is in its table ``site_revision``.
Not in it: the secret key, settings, and certificates, which are files already.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

import structlog
from sqlalchemy import Engine

from service import __version__
from service.errors import InputError
from service.storage import snapshot
from service.storage.durable import sync_folder
from service.storage.schema import current_revision, downgrade, head_revision, known_revisions, migrate
from service.storage.snapshot import TableShape

log = structlog.get_logger(__name__)

FORMAT = 1
SUFFIX = ".underweir-backup"
#: Names of ours, and of nobody else's files in the same folder.
NAME = re.compile(r"\d{8}T\d{6}Z\.underweir-backup")
MANIFEST = "manifest.json"

_TABLE = re.compile(r"[a-z][a-z0-9_]{0,62}")
_PIECE = 1 << 20
#: A manifest is some tens of kilobytes; more is no manifest of ours.
_LARGEST_MANIFEST = 8 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class TableEntry:
    """One table of a backup."""

    name: str
    columns: tuple[str, ...]
    months: tuple[str, ...]
    rows: int
    sha256: str

    @property
    def shape(self) -> TableShape:
        """The table as it is put back."""
        return TableShape(name=self.name, columns=self.columns, months=self.months)

    @property
    def member(self) -> str:
        """Where its rows are in the file."""
        return f"tables/{self.name}.copy"


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """What a backup says of itself."""

    made_at: str
    program: str
    revision: str
    tables: tuple[TableEntry, ...]
    format: int = FORMAT

    @property
    def rows(self) -> int:
        """Rows of all tables."""
        return sum(entry.rows for entry in self.tables)


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A backup that was written and read again."""

    path: Path
    size_bytes: int
    rows: int
    removed: tuple[Path, ...]


def back_up(engine: Engine, folder: Path, now: datetime, *, keep: int | None = None) -> Made:
    """Write a backup into a folder, read it again, and only then remove the oldest.

    Parameters
    ----------
    keep : how many backups stay in the folder; None leaves all.

    Raises
    ------
    InputError
        when it cannot be written there; nothing half-made is left.
    """
    path = folder / f"{now:%Y%m%dT%H%M%SZ}{SUFFIX}"
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        if path.exists():
            raise InputError(f"{path} is there already")
        descriptor, unfinished = tempfile.mkstemp(prefix=".unfinished-", suffix=SUFFIX, dir=folder)  # mode 0600
        try:
            with os.fdopen(descriptor, "wb") as file:
                _write(engine, file, now)
                file.flush()
                os.fsync(file.fileno())
            manifest = verify(Path(unfinished))
            os.rename(unfinished, path)
            sync_folder(folder)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(unfinished)
            raise
        size = path.stat().st_size
        removed = () if keep is None else _thin(folder, keep)
    except OSError as error:
        raise InputError(
            f"the backup cannot be written to {folder} ({error.strerror}); is there room, and may this account write there?"
        ) from error
    log.info("backup made", path=str(path), size_bytes=size, rows=manifest.rows, removed=[str(one) for one in removed])
    return Made(path=path, size_bytes=size, rows=manifest.rows, removed=removed)


def verify(path: Path) -> Manifest:
    """Read a whole backup and hold it against its own checksums.

    Raises
    ------
    InputError
        when it is no backup, or damaged, and where.
    """
    with _opened(path) as archive:
        manifest = read_manifest(path)
        for entry in manifest.tables:
            for _ in _checked(archive, entry, path):
                pass
    return manifest


def restore(engine: Engine, path: Path) -> Manifest:
    """Put a backup into an empty database, all of it or nothing, and bring its tables up to date.

    Raises
    ------
    InputError
        when the file is damaged, comes from a newer program, or the database is not empty.
    """
    manifest = read_manifest(path)
    if manifest.revision not in known_revisions():
        raise InputError(
            f"{path} was made by Underweir {manifest.program}, which is newer than this one ({__version__}): its tables are at"
            f" revision {manifest.revision}, unknown here. Install that version first."
        )
    snapshot.require_empty(engine)
    if current_revision(engine) != manifest.revision:
        downgrade(engine, manifest.revision)
    try:
        with (
            _opened(path) as archive,
            snapshot.all_or_nothing(engine, [entry.name for entry in manifest.tables]) as conn,
        ):
            for entry in manifest.tables:
                rows = snapshot.put_back(conn, entry.shape, _checked(archive, entry, path))
                if rows != entry.rows:
                    raise InputError(f"{path} is damaged: {entry.name} holds {rows} rows, and {entry.rows} were stored")
    finally:
        migrate(engine)
    snapshot.continue_numbers(engine)
    snapshot.know_sizes(engine)
    log.info(
        "backup restored", path=str(path), rows=manifest.rows, from_revision=manifest.revision, now=head_revision()
    )
    return manifest


def backups(folder: Path) -> list[Path]:
    """The backups in a folder, oldest first."""
    return sorted(path for path in folder.iterdir() if NAME.fullmatch(path.name)) if folder.is_dir() else []


def newest_at(folder: Path) -> datetime | None:
    """When the newest backup in a folder was made, by its name; None when there is none."""
    found = backups(folder)
    return datetime.strptime(found[-1].name, f"%Y%m%dT%H%M%SZ{SUFFIX}").replace(tzinfo=UTC) if found else None


def read_manifest(path: Path) -> Manifest:
    """What a backup says of itself.

    Raises
    ------
    InputError
        when it is no backup of ours.
    """
    with _opened(path) as archive:
        try:
            if archive.getinfo(MANIFEST).file_size > _LARGEST_MANIFEST:
                raise ValueError("too large")
            return _manifest(json.loads(archive.read(MANIFEST)))
        except (KeyError, ValueError, TypeError, AttributeError, zipfile.BadZipFile, zlib.error) as error:
            raise InputError(f"{path} is no backup of Underweir, or its end is missing ({error})") from error


def _write(engine: Engine, file: IO[bytes], now: datetime) -> None:
    entries: list[TableEntry] = []
    revision = current_revision(engine)
    with (
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, allowZip64=True, compresslevel=1) as archive,
        snapshot.one_moment(engine) as conn,
    ):
        for shape in snapshot.shapes(conn):
            digest, rows = hashlib.sha256(), 0
            with archive.open(f"tables/{shape.name}.copy", "w", force_zip64=True) as member:
                for chunk in snapshot.rows_of(conn, shape):
                    member.write(chunk)
                    digest.update(chunk)
                    rows += chunk.count(b"\n")  # in COPY text a line break within a value is written as \n
            entries.append(
                TableEntry(
                    name=shape.name, columns=shape.columns, months=shape.months, rows=rows, sha256=digest.hexdigest()
                )
            )
        manifest = Manifest(
            made_at=now.isoformat(), program=__version__, revision=revision or "", tables=tuple(entries)
        )
        archive.writestr(MANIFEST, json.dumps(asdict(manifest), indent=1))


def _manifest(told: dict[str, Any]) -> Manifest:
    if told["format"] != FORMAT:
        raise ValueError(f"format {told['format']}, and only {FORMAT} is known here")
    entries = []
    for table in told["tables"]:
        entry = TableEntry(
            name=table["name"],
            columns=tuple(table["columns"]),
            months=tuple(table["months"]),
            rows=int(table["rows"]),
            sha256=str(table["sha256"]),
        )
        if not all(_TABLE.fullmatch(name) for name in (entry.name, *entry.columns)):
            raise ValueError("a table's name is none of ours")
        entries.append(entry)
    return Manifest(
        made_at=str(told["made_at"]),
        program=str(told["program"]),
        revision=str(told["revision"]),
        tables=tuple(entries),
    )


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    try:
        archive = zipfile.ZipFile(path)
    except (OSError, zipfile.BadZipFile, EOFError) as error:
        raise InputError(f"{path} cannot be read as a backup: {error}") from error
    with archive:
        yield archive


def _checked(archive: zipfile.ZipFile, entry: TableEntry, path: Path) -> Iterator[bytes]:
    """A table's rows; at their end it is certain that they are those that were stored."""
    digest = hashlib.sha256()
    try:
        with archive.open(entry.member) as member:
            while piece := member.read(_PIECE):
                digest.update(piece)
                yield piece
    except (KeyError, OSError, EOFError, zipfile.BadZipFile, zlib.error) as error:
        raise InputError(f"{path} is damaged in table {entry.name}: {error}") from error
    if digest.hexdigest() != entry.sha256:
        raise InputError(f"{path} is damaged: table {entry.name} does not have the checksum it was stored with")


def _thin(folder: Path, keep: int) -> tuple[Path, ...]:
    old = backups(folder)[: -max(1, keep)]
    for path in old:
        path.unlink()
    return tuple(old)
