"""Run the Alembic migrations and check the database's revision. Safe from several processes at once: the migrations lock."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import Engine

from service.errors import StorageError
from service.storage.database.session import make_engine, wrap_database_errors

#: Alembic keeps its context in module variables: one migration at a time within a process.
_alembic_lock = threading.Lock()


def migrations_folder() -> Path:
    """Return the folder of the migrations: inside the package when installed from a wheel, at the top of the repository in a checkout."""
    installed = Path(__file__).with_name("migrations")
    checkout = Path(__file__).parents[3] / "alembic"
    for folder in (installed, checkout):
        if (folder / "env.py").is_file():
            return folder
    raise StorageError(
        f"The database migrations are missing: neither {installed} nor {checkout} is there; install the program again.",
        retryable=False,
    )


def head_revision() -> str:
    """Return the newest revision this program knows."""
    head = ScriptDirectory.from_config(_config()).get_current_head()
    if head is None:
        raise StorageError("The folder of database migrations is empty; install the program again.", retryable=False)
    return head


def known_revisions() -> frozenset[str]:
    """Return every revision this program can migrate from and to."""
    return frozenset(script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions())


def current_revision(target: Engine | str) -> str | None:
    """Return the revision the database is at; None for an empty database."""
    with _engine(target) as engine, wrap_database_errors(), engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def require_current(target: Engine | str) -> None:
    """Check that the tables are those of this version of the program; changes nothing.

    Raises
    ------
    StorageError
        with what to do.
    """
    found, head = current_revision(target), head_revision()
    if found == head:
        return
    if found is None:
        problem, remedy = (
            "The database is empty",
            "bring a site file into force: underweir apply, or start underweir run",
        )
    elif found in known_revisions():
        problem = f"The database's tables are at revision {found}, this version of the program needs {head}"
        remedy = "back up, then bring them up to date: underweir migrate (or start underweir run, which does it too)"
    else:
        problem = f"The database is at revision {found}, which this version of the program does not know"
        remedy = "a newer version has used it; install that one"
    raise StorageError(f"{problem}: {remedy}.", retryable=False)


def migrate(target: Engine | str, revision: str = "head") -> None:
    """Bring the database to ``revision`` in one transaction: all of it or nothing.

    Raises
    ------
    StorageError
        The database is away, refuses, or was already migrated by a newer version of the program.
    """
    with _engine(target) as engine:
        if revision == "head" and current_revision(engine) == head_revision():
            return
        with _wrap_migration_errors(engine):
            command.upgrade(_config(engine), revision)


def downgrade(target: Engine | str, revision: str = "base") -> None:
    """Take the database back to ``revision``; data of the tables that go is lost."""
    with _engine(target) as engine, _wrap_migration_errors(engine):
        command.downgrade(_config(engine), revision)


def _config(engine: Engine | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(migrations_folder()).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    if engine is not None:
        config.attributes["engine"] = engine
    return config


@contextmanager
def _engine(target: Engine | str) -> Iterator[Engine]:
    if isinstance(target, Engine):
        yield target
        return
    engine = make_engine(target)
    try:
        yield engine
    finally:
        engine.dispose()


@contextmanager
def _wrap_migration_errors(engine: Engine) -> Iterator[None]:
    try:
        with _alembic_lock, wrap_database_errors():
            yield
    except CommandError as error:
        if "locate revision" in str(error).lower():
            raise StorageError(
                f"The database is at revision {current_revision(engine)}, which this version of the program does not know:"
                " a newer version has used it. Install that version, or restore the backup taken before it was installed.",
                retryable=False,
            ) from error
        raise StorageError(f"The database migrations cannot run: {error}", retryable=False) from error
