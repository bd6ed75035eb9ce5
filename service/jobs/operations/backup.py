"""Backups: a consistent dump of the whole database in one signed file; verify and restore it.

A backup is a ZIP file of COPY text, a member a table, and ``manifest.json``: the tables' revision, and of every table its columns, rows
and SHA-256. Its last bytes, where ZIP keeps a comment, are an HMAC-SHA-256 over all bytes before them, by a key made from the installation's
secret: whoever can write to the folder of the backups must not be able to make themselves an administrator by one. It holds what the
database holds, hashed passwords among it; the site file as it was is in its table ``site_revision``.
Not in it: the secret key, settings, and certificates, which are files already.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import json
import os
import re
import struct
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

import structlog
from sqlalchemy import Engine

from service import __version__
from service.errors import InputError
from service.storage.accounts import audit
from service.storage.accounts.people import PersonRecord, people
from service.storage.database.fsync import sync_folder
from service.storage.database.schema import current_revision, downgrade, head_revision, known_revisions, migrate
from service.storage.database.session import transaction
from service.storage.operations import snapshot
from service.storage.operations.snapshot import TableShape

log = structlog.get_logger(__name__)

FORMAT = 2
SUFFIX = ".underweir-backup"
#: Names of ours, and of nobody else's files in the same folder.
NAME = re.compile(r"\d{8}T\d{6}Z\.underweir-backup")
MANIFEST = "manifest.json"

#: What the libraries raise for damaged archives: changed sizes, offsets, methods and encryption flags among them.
_DAMAGED = (
    KeyError,
    ValueError,
    OSError,
    EOFError,
    RuntimeError,
    ArithmeticError,
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
)

_TABLE = re.compile(r"[a-z][a-z0-9_]{0,62}")
_PIECE = 1 << 20
#: Characters of a signature, in hexadecimal.
_SIGNATURE = 64
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
    """The manifest of a backup."""

    made_at: str
    program: str
    revision: str
    #: Which key it is signed with; says nothing of the key itself.
    key: str
    tables: tuple[TableEntry, ...]
    format: int = FORMAT

    @property
    def rows(self) -> int:
        """Rows of all tables."""
        return sum(entry.rows for entry in self.tables)


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupResult:
    """A backup that was written and verified."""

    path: Path
    size_bytes: int
    rows: int
    removed: tuple[Path, ...]


class BackupSeal:
    """Signs backups and verifies their signatures.

    >>> BackupSeal(b"a secret of at least 32 characters").key == BackupSeal(b"another secret of 32 characters!!").key
    False
    """

    def __init__(self, secret: bytes) -> None:
        self._key = hmac.new(secret, b"backup", hashlib.sha256).digest()
        self.key = hmac.new(self._key, b"which key", hashlib.sha256).hexdigest()[:16]

    def signature(self, file: IO[bytes]) -> bytes:
        """Compute the signature over all of a file but the bytes for the signature at its end."""
        left = file.seek(0, os.SEEK_END) - _SIGNATURE
        file.seek(0)
        code = hmac.new(self._key, digestmod=hashlib.sha256)
        while left > 0 and (piece := file.read(min(left, _PIECE))):
            code.update(piece)
            left -= len(piece)
        return code.hexdigest().encode("ascii")

    def sign(self, file: IO[bytes]) -> None:
        """Write the signature at the end of a file."""
        signature = self.signature(file)
        file.seek(-_SIGNATURE, os.SEEK_END)
        file.write(signature)

    def verify(self, file: IO[bytes]) -> bool:
        """Whether a file's signature is right."""
        expected = self.signature(file)
        file.seek(-min(_SIGNATURE, file.seek(0, os.SEEK_END)), os.SEEK_END)
        return hmac.compare_digest(file.read(_SIGNATURE), expected)


@dataclass(frozen=True, slots=True, kw_only=True)
class RestoreResult:
    """Result of a restore."""

    manifest: Manifest
    sessions_ended: int
    tokens_ended: int
    #: Who may sign in now, with their roles.
    accounts: tuple[str, ...]
    #: In what they differ from the newest backup in the same folder; a sentence each. Empty where this one is the newest.
    differs: tuple[str, ...]


def back_up(engine: Engine, folder: Path, seal: BackupSeal, now: datetime, *, keep: int | None = None) -> BackupResult:
    """Write a backup into a folder, verify it, and only then remove the oldest.

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
            with os.fdopen(descriptor, "w+b") as file:
                _write(engine, file, seal, now)
                file.flush()
                os.fsync(file.fileno())
            manifest = verify(Path(unfinished), seal)
            os.rename(unfinished, path)
            sync_folder(folder)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(unfinished)
            raise
        size = path.stat().st_size
        removed = () if keep is None else _remove_old(folder, keep)
    except OSError as error:
        raise InputError(
            f"the backup cannot be written to {folder} ({error.strerror}); is there room, and may this account write there?"
        ) from error
    log.info("backup made", path=str(path), size_bytes=size, rows=manifest.rows, removed=[str(one) for one in removed])
    return BackupResult(path=path, size_bytes=size, rows=manifest.rows, removed=removed)


def verify(path: Path, seal: BackupSeal, *, other_key: bool = False) -> Manifest:
    """Read a whole backup and hold it against its signature and its own checksums.

    Parameters
    ----------
    other_key : take one that was signed with another installation's key, whose signature cannot be seen to be right.

    Raises
    ------
    InputError
        when it is no backup, was changed or damaged, and where, or was signed with another key.
    """
    with _opened(path) as (archive, file):
        manifest = _read_manifest(archive, path)
        _require_signed(file, path, manifest, seal, other_key)
        for entry in manifest.tables:
            for _ in _checked(archive, entry, path):
                pass
    return manifest


def restore(engine: Engine, path: Path, seal: BackupSeal, now: datetime, *, other_key: bool = False) -> RestoreResult:
    """Put a backup into an empty database, all of it or nothing, and bring its tables up to date.

    Sessions and tokens in it are ended in the same transaction: they may be those of people who were switched off since.

    Parameters
    ----------
    other_key : as of :func:`verify`.

    Raises
    ------
    InputError
        when the file was changed or damaged, was signed with another key, comes from a newer program, or the database is not empty.
    """
    with _opened(path) as (archive, file):
        manifest = _read_manifest(archive, path)
        _require_signed(file, path, manifest, seal, other_key)
        sessions, tokens = _put_back(engine, archive, manifest, path, now)
    snapshot.reset_sequences(engine)
    snapshot.analyze(engine)
    detail = {"file": path.name, "made_at": manifest.made_at, "sessions ended": sessions, "tokens ended": tokens}
    with transaction(engine) as conn:
        audit.record_change(
            conn, at=now, actor="command line", action="backup restored", subject="database", detail=detail
        )
        known = {person.name: person for person in people(conn)}
    log.info(
        "backup restored", path=str(path), rows=manifest.rows, from_revision=manifest.revision, now=head_revision()
    )
    return RestoreResult(
        manifest=manifest,
        sessions_ended=sessions,
        tokens_ended=tokens,
        accounts=tuple(f"{person.name} ({person.role})" for person in known.values() if person.active),
        differs=tuple(_differences(path, manifest, seal, known)),
    )


def _put_back(
    engine: Engine, archive: zipfile.ZipFile, manifest: Manifest, path: Path, now: datetime
) -> tuple[int, int]:
    """Write the tables, end sessions and tokens, and return how many of each there were."""
    if manifest.revision not in known_revisions():
        raise InputError(
            f"{path} was made by Underweir {manifest.program}, which is newer than this one ({__version__}): its tables are at"
            f" revision {manifest.revision}, unknown here. Install that version first."
        )
    snapshot.require_empty(engine)
    if current_revision(engine) != manifest.revision:
        downgrade(engine, manifest.revision)
    try:
        with snapshot.restore_transaction(engine, [entry.name for entry in manifest.tables]) as conn:
            for entry in manifest.tables:
                rows = snapshot.load_rows(conn, entry.shape, _checked(archive, entry, path))
                if rows != entry.rows:
                    raise InputError(f"{path} is damaged: {entry.name} holds {rows} rows, and {entry.rows} were stored")
            return snapshot.end_sessions_and_tokens(conn, [entry.name for entry in manifest.tables], now)
    finally:
        migrate(engine)


def _require_signed(file: IO[bytes], path: Path, manifest: Manifest, seal: BackupSeal, other_key: bool) -> None:
    if manifest.key == seal.key:
        if not seal.verify(file):
            raise InputError(
                f"{path} was changed after it was made, or is damaged: its signature is not right. Nothing of it can be believed;"
                " take another backup"
            )
    elif not other_key:
        raise InputError(
            f"{path} was signed with another secret key than this installation's, so nothing shows that it is as it was made. Put the key"
            " of the installation that made it in place (UNDERWEIR_SECRET_KEY, or secret.key in the data folder). Where that is lost,"
            " and you know in whose hands the file has been since: --other-key takes it as it is, with whatever roles and passwords"
            " somebody may have written into it"
        )


def _differences(path: Path, manifest: Manifest, seal: BackupSeal, known: Mapping[str, PersonRecord]) -> Iterator[str]:
    """In what the accounts put back differ from those in the newest backup beside it."""
    newer = None
    for other in reversed(backups(path.parent)):
        with contextlib.suppress(InputError):
            found = read_manifest(other)
            if found.made_at <= manifest.made_at:
                break
            verify(other, seal)
            newer = other, found
            break
    if newer is None:
        return
    then = f"in the backup of {newer[1].made_at[:16].replace('T', ' ')} UTC"
    later = _accounts_in(*newer)
    for name, (role, active, password_set_at) in sorted(later.items()):
        person = known.get(name)
        if person is None:
            yield f"{name} is not known any more, and is {role} {then}"
            continue
        if person.active and not active:
            yield f"{name} may sign in again, and is switched off {then}"
        if active and not person.active:
            yield f"{name} is switched off again, and is not {then}"
        if person.role != role:
            yield f"{name} is {person.role} again, and {role} {then}"
        if person.password_set_at != password_set_at:
            yield f"{name} has an older password again, changed {then}"
    for name in sorted(known.keys() - later.keys()):
        yield f"{name} is not {then}"


def _accounts_in(path: Path, manifest: Manifest) -> dict[str, tuple[str, bool, datetime | None]]:
    """Role, whether switched on, and when the password was set, by the name of everybody in a backup."""
    entry = next((entry for entry in manifest.tables if entry.name == "person"), None)
    if entry is None:
        return {}
    at = {column: place for place, column in enumerate(entry.columns)}
    with _opened(path) as (archive, _):
        lines = b"".join(_checked(archive, entry, path)).decode("utf-8").split("\n")[:-1]
    found = {}
    for line in lines:  # none of these values holds what COPY would escape: names are of few characters
        cells = line.split("\t")
        set_at = cells[at["password_set_at"]]
        found[cells[at["name"]]] = (
            cells[at["role"]],
            cells[at["active"]] == "t",
            None if set_at == "\\N" else datetime.fromisoformat(set_at),
        )
    return found


def backups(folder: Path) -> list[Path]:
    """The backups in a folder, oldest first."""
    return sorted(path for path in folder.iterdir() if NAME.fullmatch(path.name)) if folder.is_dir() else []


def newest_backup_at(folder: Path) -> datetime | None:
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
    with _opened(path) as (archive, _):
        return _read_manifest(archive, path)


def _read_manifest(archive: zipfile.ZipFile, path: Path) -> Manifest:
    try:
        if archive.getinfo(MANIFEST).file_size > _LARGEST_MANIFEST:
            raise ValueError("too large")
        return _manifest(json.loads(archive.read(MANIFEST)))
    except (TypeError, AttributeError, *_DAMAGED) as error:
        raise InputError(f"{path} is no backup of Underweir, or its end is missing ({error})") from error


def _write(engine: Engine, file: IO[bytes], seal: BackupSeal, now: datetime) -> None:
    entries: list[TableEntry] = []
    revision = current_revision(engine)
    with (
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, allowZip64=True, compresslevel=1) as archive,
        snapshot.consistent_snapshot(engine) as conn,
    ):
        for shape in snapshot.table_shapes(conn):
            digest, rows = hashlib.sha256(), 0
            with archive.open(f"tables/{shape.name}.copy", "w", force_zip64=True) as member:
                for chunk in snapshot.dump_rows(conn, shape):
                    member.write(chunk)
                    digest.update(chunk)
                    rows += chunk.count(b"\n")  # in COPY text a line break within a value is written as \n
            entries.append(
                TableEntry(
                    name=shape.name, columns=shape.columns, months=shape.months, rows=rows, sha256=digest.hexdigest()
                )
            )
        manifest = Manifest(
            made_at=now.isoformat(),
            program=__version__,
            revision=revision or "",
            key=seal.key,
            tables=tuple(entries),
        )
        archive.writestr(MANIFEST, json.dumps(asdict(manifest), indent=1))
        archive.comment = b"0" * _SIGNATURE  # reserved for the signature
    seal.sign(file)


def _manifest(given: dict[str, Any]) -> Manifest:
    if given["format"] != FORMAT:
        raise ValueError(f"format {given['format']}, and only {FORMAT} is known here")
    entries = []
    for table in given["tables"]:
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
        made_at=str(given["made_at"]),
        program=str(given["program"]),
        revision=str(given["revision"]),
        key=str(given["key"]),
        tables=tuple(entries),
    )


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[tuple[zipfile.ZipFile, IO[bytes]]]:
    """The archive, and the file it is read from: opened once, so that what is read is what was seen to be signed."""
    with contextlib.ExitStack() as opened:
        try:
            file = opened.enter_context(path.open("rb"))
            archive = opened.enter_context(zipfile.ZipFile(file))
        except _DAMAGED as error:
            raise InputError(f"{path} cannot be read as a backup: {error}") from error
        yield archive, file


def _checked(archive: zipfile.ZipFile, entry: TableEntry, path: Path) -> Iterator[bytes]:
    """A table's rows; at their end it is certain that they are those that were stored."""
    digest = hashlib.sha256()
    try:
        with archive.open(entry.member) as member:
            while piece := member.read(_PIECE):
                digest.update(piece)
                yield piece
    except _DAMAGED as error:
        raise InputError(f"{path} is damaged in table {entry.name}: {error}") from error
    if digest.hexdigest() != entry.sha256:
        raise InputError(f"{path} is damaged: table {entry.name} does not have the checksum it was stored with")


def _remove_old(folder: Path, keep: int) -> tuple[Path, ...]:
    old = backups(folder)[: -max(1, keep)]
    for path in old:
        path.unlink()
    return tuple(old)
