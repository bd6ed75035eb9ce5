"""Old months out of the database into files, each read back before its rows go; and back again when somebody needs them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import pyarrow as pa
import structlog
from sqlalchemy import Connection, Engine

from service.errors import InputError, StorageError
from service.jobs.rollup import roll_up
from service.storage import archive_files, archived, old_calls
from service.storage.archive_files import Kept, content_of
from service.storage.archived import Archived
from service.storage.drawn import Source
from service.storage.partitions import month_of, next_month, partition_month, partitions, previous_month
from service.storage.rollups import mark_due
from service.storage.session import transaction

log = structlog.get_logger(__name__)

_PICTURES: tuple[Source, ...] = ("reading", "assessment", "estimate")
#: Put back in this order: what is referred to comes first.
_ORDER: tuple[Kept, ...] = (*_PICTURES, *old_calls.TABLES)
#: A month that somebody brought back stays for so long.
RESTORED_FOR = timedelta(days=31)


@dataclass(frozen=True, slots=True)
class Keeping:
    """What stays in the database: whole months before the present one, per table; what is not named stays for ever."""

    folder: Path
    months: Mapping[Source, int]
    #: Of the journal and its messages; None for ever.
    journal_months: int | None = None


@dataclass(frozen=True, slots=True)
class Checked:
    """A file, and what is wrong with it; empty when it holds exactly what was put in."""

    file: Archived
    problem: str


def archive_old(engine: Engine, keeping: Keeping, now: datetime) -> list[Archived]:
    """Move every month that is older than what is kept to a file; returns the new files.

    Notes
    -----
    A month is one transaction: its rows leave the database only together with the note that they are in the file, after the
    file was read back and held the same rows. Interrupted anywhere, the rows are still there, and the next run does it again.
    """
    roll_up(engine)
    done: list[Archived] = []
    for source, months in keeping.months.items():
        oldest_kept = _months_before(now, months)
        with transaction(engine) as conn:
            there = [month for month in map(partition_month, partitions(conn, source)) if month < oldest_kept]
            back = {file.month for file in archived.archive_files(conn) if _lately_restored(file, source, now)}
        for month in there:
            if month not in back:
                file = _archive(engine, keeping.folder, source, month, now)
                if file is not None:
                    done.append(file)
    if keeping.journal_months is not None:
        done += _archive_journal(engine, keeping.folder, _months_before(now, keeping.journal_months), now)
    return done


def restore(engine: Engine, folder: Path, month: datetime, now: datetime) -> list[tuple[Archived, int]]:
    """Bring a month's rows back into the database; returns the files and how many rows came of each.

    Raises
    ------
    InputError
        when nothing of that month is in files.
    StorageError
        when a file is missing or does not hold what was put in; then nothing is changed.
    """
    done: list[tuple[Archived, int]] = []
    with transaction(engine) as conn:
        files = [file for file in archived.archive_files(conn, month) if file.restored_at is None]
        if not files:
            raise InputError(f"nothing of {month:%Y-%m} is in the archive; see: underweir archive list")
        # The latest part first: where a reading was delivered again after its month was archived, what came last stands.
        for file in sorted(files, key=lambda file: (_ORDER.index(file.source), -file.part)):
            problem = _problem(folder, file)
            if problem:
                raise StorageError(f"{folder / file.name}: {problem}. Nothing was restored.", retryable=False)
            done.append((file, archived.put_back(conn, file, archive_files.read(folder / file.name), now)))
        for source in (each for each in _PICTURES if any(file.source == each for file in files)):
            last = next_month(month) - timedelta.resolution
            mark_due(conn, source, [(owner, month, last) for owner in archived.owners_of_month(conn, source, month)])
    return done


def check(engine: Engine, folder: Path) -> list[Checked]:
    """Read every file of the archive and compare it with what was put in."""
    with transaction(engine) as conn:
        files = archived.archive_files(conn)
    return [Checked(file, _problem(folder, file)) for file in files]


def _archive(engine: Engine, folder: Path, source: Source, month: datetime, now: datetime) -> Archived | None:
    with transaction(engine) as conn:
        if not archived.hold_month(conn, source, month):
            return None
        part = archived.next_part(conn, source, month)
        file = _written(conn, folder, source, month, part, archived.rows_of_month(conn, source, month), now)
        archived.drop_month(conn, source, month)
    return _told(file)


def _archive_journal(engine: Engine, folder: Path, before: datetime, now: datetime) -> list[Archived]:
    """A month of the journal is one transaction too: lines, messages and tries leave together."""
    done: list[Archived] = []
    while True:
        with transaction(engine) as conn:
            month = old_calls.oldest_month(conn, before)
            if month is None or any(_lately_restored(f, f.source, now) for f in archived.archive_files(conn, month)):
                return done
            old_calls.choose(conn, month)
            files = [
                _written(
                    conn,
                    folder,
                    table,
                    month,
                    archived.next_part(conn, table, month),
                    archived.rows(conn, table, old_calls.GOING[table], {}),
                    now,
                )
                for table in old_calls.TABLES
            ]
            old_calls.drop(conn)
        done += [file for file in files if _told(file) is not None and file is not None]


def _written(
    conn: Connection, folder: Path, source: Kept, month: datetime, part: int, rows: Iterable[pa.Table], now: datetime
) -> Archived | None:
    """Write rows to a file, read it back and remember it; None when there were no rows.

    Raises
    ------
    StorageError
        when the file does not hold what was written.
    """
    path = folder / f"{source}-{month:%Y-%m}.{part}.parquet"
    written = archive_files.write(path, source, rows)
    read_back = content_of(path)
    if written != read_back:
        raise StorageError(
            f"{path} does not hold what was written to it ({read_back.rows} of {written.rows} rows);"
            " the rows stay in the database. Look after that disk.",
            retryable=False,
        )
    if not written.rows:
        path.unlink()
        return None
    file = Archived(source, month, part, path.name, written, now, None)
    archived.enter(conn, file)
    return file


def _told(file: Archived | None) -> Archived | None:
    if file is not None:
        log.info("month moved to a file", table=file.source, month=f"{file.month:%Y-%m}", rows=file.content.rows)
    return file


def _months_before(now: datetime, months: int) -> datetime:
    month = month_of(now)
    for _ in range(months):
        month = previous_month(month)
    return month


def _problem(folder: Path, file: Archived) -> str:
    try:
        found = content_of(folder / file.name)
    except StorageError as error:
        return str(error)
    if found.rows != file.content.rows:
        return f"it holds {found.rows} rows, and {file.content.rows} were put in"
    return "" if found == file.content else "its rows are not those that were put in"


def _lately_restored(file: Archived, source: Kept, now: datetime) -> bool:
    return file.source == source and file.restored_at is not None and now - file.restored_at < RESTORED_FOR
