"""Archive old months to files, each read back before its rows are dropped; restore them on request."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import structlog
from sqlalchemy import Connection, Engine

from service.errors import InputError, StorageError
from service.jobs.operations.retention import RetentionPolicy
from service.jobs.operations.rollup import roll_up
from service.storage.alarms import old_journal as old_calls
from service.storage.database.partitions import (
    drop_month,
    month_of,
    next_month,
    partition_month,
    partitions,
    previous_month,
)
from service.storage.database.session import transaction
from service.storage.readings import old_batches
from service.storage.trends import archive_files, archived
from service.storage.trends.archive_files import Kept, content_of
from service.storage.trends.archived import Archived
from service.storage.trends.chart_series import Source
from service.storage.trends.rollups import mark_due

log = structlog.get_logger(__name__)

_TIME_SERIES: tuple[Source, ...] = ("reading", "assessment", "estimate")
#: Order of restoring: referenced tables first.
_ORDER: tuple[Kept, ...] = (*_TIME_SERIES, *old_calls.TABLES)
#: A restored month is not archived again for this long.
RESTORED_FOR = timedelta(days=31)
#: Batches moved in one transaction: a matter of seconds, not of the month's millions at once.
MAX_BATCHES = 500_000


@dataclass(frozen=True, slots=True)
class ArchiveCheck:
    """A file, and what is wrong with it; empty when it holds exactly what was put in."""

    file: Archived
    problem: str


def archive_old(engine: Engine, policy: RetentionPolicy, now: datetime) -> list[Archived]:
    """Move every month that is older than what is kept to a file; returns the new files.

    Notes
    -----
    A month is one transaction: its rows leave the database only together with the note that they are in the file, after the
    file was read back and held the same rows. Interrupted anywhere, the rows are still there, and the next run does it again.

    Batches follow the readings they came with, once nothing in the database names them, in files of the month they were
    received in.
    """
    roll_up(engine)
    done: list[Archived] = []
    for source, months in policy.months.items():
        oldest_kept = _months_before(now, months)
        with transaction(engine) as conn:
            there = [month for month in map(partition_month, partitions(conn, source)) if month < oldest_kept]
            back = {file.month for file in archived.archive_files(conn) if _lately_restored(file, source, now)}
        for month in there:
            if month not in back:
                file = _archive(engine, policy.folder, source, month, now)
                if file is not None:
                    done.append(file)
    if "reading" in policy.months:
        done += _archive_batches(engine, policy.folder, _months_before(now, policy.months["reading"]), now)
    if policy.journal_months is not None:
        done += _archive_journal(engine, policy.folder, _months_before(now, policy.journal_months), now)
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
        of_month = archived.archive_files(conn, month)
        files = [file for file in of_month if file.restored_at is None and file.source in _ORDER]
        if not files:
            raise InputError(f"nothing of {month:%Y-%m} is in the archive; see: underweir archive list")
        # The latest part first: where a reading was delivered again after its month was archived, what came last stands.
        for file in sorted(files, key=lambda file: (_ORDER.index(file.source), -file.part)):
            _require_intact(folder, file)
            done.append((file, archived.restore_rows(conn, file, archive_files.read(folder / file.name))))
            archived.mark_restored(conn, file, now)
        if any(file.source == "reading" for file in files):
            done += _restore_batches(conn, folder, month)
        for source in (each for each in _TIME_SERIES if any(file.source == each for file in files)):
            last = next_month(month) - timedelta.resolution
            mark_due(conn, source, [(owner, month, last) for owner in archived.owners_of_month(conn, source, month)])
    return done


def check(engine: Engine, folder: Path) -> list[ArchiveCheck]:
    """Read every file of the archive and compare it with what was put in."""
    with transaction(engine) as conn:
        files = archived.archive_files(conn)
    return [ArchiveCheck(file, _problem(folder, file)) for file in files]


def _archive(engine: Engine, folder: Path, source: Source, month: datetime, now: datetime) -> Archived | None:
    with transaction(engine) as conn:
        if not archived.lock_month(conn, source, month):
            return None
        part = archived.next_part(conn, source, month)
        file = _written(conn, folder, source, month, part, archived.rows_of_month(conn, source, month), now)
        drop_month(conn, source, month)
    return _logged(file)


def _archive_batches(engine: Engine, folder: Path, oldest_kept: datetime, now: datetime) -> list[Archived]:
    """Piece by piece; while somebody brings a month back nothing goes, until the next run."""
    done: list[Archived] = []
    while True:
        with transaction(engine) as conn:
            if not archived.lock_batch_moves(conn, wait=False):
                return done
            month = old_batches.choose(conn, oldest_kept, MAX_BATCHES)
            if month is None:
                return done
            part = archived.next_part(conn, "batch", month)
            going = archived.rows(conn, "batch", old_batches.GOING, {})
            file = _written(conn, folder, "batch", month, part, going, now)
            gone = old_batches.drop(conn)
            if file is None or gone != file.content.rows:
                raise StorageError(f"{gone} batches of {month:%Y-%m} would go without being in a file", retryable=True)
        _logged(file)
        done.append(file)


def _restore_batches(conn: Connection, folder: Path, month: datetime) -> list[tuple[Archived, int]]:
    """Put back what readings of a month came with, out of whichever files hold it; the files stay as good as they were."""
    archived.lock_batch_moves(conn)
    wanted = old_batches.missing(conn, month)
    done: list[tuple[Archived, int]] = []
    # Most came in that month; what was delivered late follows, and what came before by a clock ahead is looked for last.
    files = sorted(
        (file for file in archived.archive_files(conn) if file.source == "batch"),
        key=lambda file: (file.month < previous_month(month), file.month, file.part),
    )
    for file in files:
        if not len(wanted):
            return done
        path = folder / file.name
        here = _batches_in(path, wanted)
        if len(here):
            _require_intact(folder, file)
            parts = (part.filter(pc.is_in(part["id"], here)) for part in archive_files.read(path))
            done.append((file, archived.restore_rows(conn, file, parts)))
            wanted = wanted.filter(pc.invert(pc.is_in(wanted, here)))
    if len(wanted):
        log.warning("readings came in with batches that are in no file", month=f"{month:%Y-%m}", batches=len(wanted))
    return done


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
        done += [file for file in files if _logged(file) is not None and file is not None]


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
    archived.record_file(conn, file)
    return file


def _logged(file: Archived | None) -> Archived | None:
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


def _require_intact(folder: Path, file: Archived) -> None:
    """Raise StorageError when a file does not hold what was put in."""
    problem = _problem(folder, file)
    if problem:
        raise StorageError(f"{folder / file.name}: {problem}. Nothing was restored.", retryable=False)


def _batches_in(path: Path, wanted: pa.Array) -> pa.Array:
    """Which of those batches a file holds."""
    ids = [part["id"].combine_chunks() for part in archive_files.read(path, ["id"])]
    return wanted.filter(pc.is_in(wanted, pa.concat_arrays(ids)))


def _lately_restored(file: Archived, source: Kept, now: datetime) -> bool:
    return file.source == source and file.restored_at is not None and now - file.restored_at < RESTORED_FOR
