"""A backup is put back and every table compared, row by row; what is damaged, newer or in the way is refused."""

from __future__ import annotations

import json
import threading
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Date,
    DateTime,
    Double,
    Engine,
    Integer,
    LargeBinary,
    SmallInteger,
    Text,
    Uuid,
    insert,
    text,
)
from sqlalchemy.dialects.postgresql import ARRAY, JSONB

from service.domain.plant.role import Role, Scope
from service.errors import InputError
from service.jobs.accounts import people as accounts
from service.jobs.operations import backup
from service.jobs.operations.backup import BackupSeal, back_up, backups, read_manifest, restore, verify
from service.storage.accounts import audit
from service.storage.accounts.people import people
from service.storage.database.partitions import ensure_months, partitions
from service.storage.database.schema import current_revision, head_revision, migrate
from service.storage.database.session import make_engine, transaction
from service.storage.database.tables import PARTITIONED, Base
from service.storage.operations import snapshot

NOW = datetime(2026, 3, 14, 22, 0, tzinfo=UTC)
SEAL = BackupSeal(b"an invented secret of more than 32 bytes")
#: What COPY's text format has to be careful with.
AWKWARD = "tab\there, line\nbreak, back\\slash, \\N, \\., ‘quotes’, 水, \r"


@pytest.fixture
def other(pytestconfig: pytest.Config) -> Iterator[Engine]:
    """A second database, migrated and empty."""
    from tests.conftest import SERVER

    with pytestconfig.stash[SERVER].database(migrated=True) as url:
        made = make_engine(url)
        yield made
        made.dispose()


def value(column: Column[Any], row: int) -> Any:
    """Something for that column, different for every row."""
    kind = column.type
    if column.foreign_keys:
        if column.nullable:
            return None  # a first row cannot refer to itself
        return UUID(int=row) if isinstance(kind, Uuid) else row
    if isinstance(kind, Uuid):
        return UUID(int=row)
    if isinstance(kind, Boolean):
        return False
    if isinstance(kind, SmallInteger | BigInteger | Integer):
        return row
    if column.name == "dilution":
        return 1.0 + 0.1 * row  # of a sample: never less than one
    if isinstance(kind, Double):
        return [0.1 + 0.2, float("nan"), -0.0][row % 3] if column.name != "thickness" else 1 / 3
    if isinstance(kind, DateTime):
        return NOW + timedelta(days=40 * row, microseconds=row)
    if isinstance(kind, Date):
        return (NOW + timedelta(days=40 * row)).date()
    if isinstance(kind, ARRAY):
        if isinstance(kind.item_type, Double):
            return [0.1 + row, float("nan"), -1e-300]
        return [f"{AWKWARD} {row}", ""]
    if isinstance(kind, JSONB):
        return {"row": row, "awkward": AWKWARD, "none": None}
    if isinstance(kind, LargeBinary):
        return bytes(range(256)) + bytes([row])
    assert isinstance(kind, Text), column
    if (column.table.name, column.name) == ("shift_note", "kind"):
        return "note"  # one of few words
    if (column.table.name, column.name) == ("laboratory_result", "kind"):
        return "settled_volume"  # the one that has a minute
    if (column.table.name, column.name) == ("person", "role"):
        return "viewer"
    return f"{AWKWARD} {row}"


def fill(engine: Engine) -> None:
    """Three rows into every table there is; a table that comes to be later is filled without a change here."""
    with transaction(engine) as conn:
        for name in PARTITIONED:
            ensure_months(conn, name, NOW, NOW + timedelta(days=200))
        for table in Base.metadata.sorted_tables:
            for row in (1, 2, 3):
                conn.execute(insert(table).values({column.name: value(column, row) for column in table.columns}))


def contents(engine: Engine) -> dict[str, list[str]]:
    """Every row of every table, as PostgreSQL writes it."""
    with transaction(engine) as conn:
        return {
            table.name: sorted(conn.execute(text(f"SELECT t::text FROM {table.name} AS t")).scalars())
            for table in Base.metadata.sorted_tables
        }


def test_every_row_of_every_table_comes_back(engine: Engine, other: Engine, tmp_path: Path) -> None:
    fill(engine)
    made = back_up(engine, tmp_path, SEAL, NOW)
    before = contents(engine)
    assert made.rows == sum(map(len, before.values())) == 3 * len(before)
    assert made.path.stat().st_mode & 0o777 == 0o600

    done = restore(other, made.path, SEAL, NOW)

    after = contents(other)
    for table in ("web_session", "api_token", "audit_event"):  # what is ended, and the line that says so: below
        assert table in after
        del before[table], after[table]
    assert after == before
    assert (done.sessions_ended, len(done.differs)) == (3, 0)
    assert current_revision(other) == head_revision()
    with transaction(engine) as conn, transaction(other) as conn_other:
        for name in PARTITIONED:
            assert partitions(conn, name) == partitions(conn_other, name)


def test_numbers_go_on_where_they_were(engine: Engine, other: Engine, tmp_path: Path) -> None:
    fill(engine)
    restore(other, back_up(engine, tmp_path, SEAL, NOW).path, SEAL, NOW)
    sql = text(
        "INSERT INTO site_revision (content_hash, applied_at, applied_by, content) VALUES ('h', now(), 'somebody', 'c') RETURNING id"
    )
    with transaction(other) as conn:
        assert conn.execute(sql).scalar_one() == 4


def test_the_backup_is_of_one_moment_while_others_write(
    engine: Engine, other: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An attempt written after the backup began is not in it, although its table is read after that."""
    fill(engine)
    before = contents(engine)
    began = snapshot.dump_rows

    def late(conn: Any, shape: Any) -> Iterator[bytes]:
        if shape.name == "audit_event":
            with transaction(engine) as writing:
                writing.execute(text("UPDATE outbox SET attempts = attempts + 1"))
                writing.execute(
                    text(
                        "INSERT INTO delivery_attempt (id, outbox_id, at, outcome, reason, answer) "
                        "VALUES (9, 1, now(), 'sent', '', '')"
                    )
                )
        yield from began(conn, shape)

    assert [t.name for t in Base.metadata.sorted_tables].index("audit_event") < [
        t.name for t in Base.metadata.sorted_tables
    ].index("delivery_attempt")
    monkeypatch.setattr(snapshot, "dump_rows", late)
    made = back_up(engine, tmp_path, SEAL, NOW)
    assert contents(engine) != before
    restore(other, made.path, SEAL, NOW)
    after = contents(other)
    for table in ("web_session", "api_token", "audit_event"):
        del before[table], after[table]
    assert after == before


def test_a_partition_is_not_dropped_under_a_backup(engine: Engine) -> None:
    fill(engine)
    ended = threading.Event()

    def drop() -> None:
        with transaction(engine) as conn:
            conn.execute(text("DROP TABLE reading_y2026m04"))
        ended.set()

    with snapshot.consistent_snapshot(engine) as conn:
        thread = threading.Thread(target=drop)
        thread.start()
        assert not ended.wait(0.5)
        assert conn.execute(text("SELECT count(*) FROM reading")).scalar_one() == 3
    thread.join()
    assert ended.is_set()


def test_a_database_in_use_is_refused_and_left_alone(engine: Engine, other: Engine, tmp_path: Path) -> None:
    fill(engine)
    made = back_up(engine, tmp_path, SEAL, NOW)
    with transaction(other) as conn:
        conn.execute(
            text(
                "INSERT INTO site_revision (content_hash, applied_at, applied_by, content) VALUES ('h', now(), 'somebody', 'c')"
            )
        )
    before = contents(other)
    with pytest.raises(InputError, match=r"not empty .*site_revision"):
        restore(other, made.path, SEAL, NOW)
    assert contents(other) == before


def test_an_older_backup_is_brought_up_to_date(empty_database_url: str, other: Engine, tmp_path: Path) -> None:
    old = make_engine(empty_database_url)
    migrate(old, "0001")
    with transaction(old) as conn:
        conn.execute(
            text(
                "INSERT INTO connector_state (connector, state, failures, delivered) VALUES ('drop', '{\"a\": 1}', 2, 30)"
            )
        )
        columns = conn.execute(
            text(
                "SELECT table_name, array_agg(column_name::text ORDER BY ordinal_position) FROM information_schema.columns"
                " WHERE table_schema = 'public' AND table_name = 'connector_state' GROUP BY table_name"
            )
        ).one()
    shape = snapshot.TableShape(name="connector_state", columns=tuple(columns[1]))
    path = tmp_path / "old.underweir-backup"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(snapshot, "table_shapes", lambda conn: [shape])
        patch.setattr(snapshot, "consistent_snapshot", transaction)
        with path.open("w+b") as file:
            backup._write(old, file, SEAL, NOW)
    old.dispose()
    assert read_manifest(path).revision == "0001"

    restore(other, path, SEAL, NOW)

    assert current_revision(other) == head_revision()
    with transaction(other) as conn:
        assert conn.execute(text("SELECT connector, failures, delivered FROM connector_state")).one() == ("drop", 2, 30)


def rewritten(path: Path, change: Callable[[str, bytes], bytes], seal: BackupSeal = SEAL) -> Path:
    """A copy of a backup, its members changed, signed as if it had been made so."""
    made = path.with_name("changed.underweir-backup")
    with made.open("w+b") as file:
        with zipfile.ZipFile(path) as old, zipfile.ZipFile(file, "w") as new:
            for name in old.namelist():
                new.writestr(name, change(name, old.read(name)))
            new.comment = b"0" * 64
        seal.sign(file)
    return made


def _newer(name: str, content: bytes) -> bytes:
    return (
        json.dumps(json.loads(content) | {"revision": "9999", "program": "9.9"}).encode()
        if name == "manifest.json"
        else content
    )


def _altered(name: str, content: bytes) -> bytes:
    return content.replace("水".encode(), b"x") if name == "tables/tank.copy" else content


def _foreign(name: str, content: bytes) -> bytes:
    return content.replace(b'"tank"', b'"pg_authid; --"') if name == "manifest.json" else content


@pytest.mark.parametrize(
    ("change", "said"), [(_newer, "newer than this one"), (_altered, "damaged.*tank"), (_foreign, "no backup")]
)
def test_what_is_not_as_it_was_stored_is_refused_whole(
    engine: Engine, other: Engine, tmp_path: Path, change: Callable[[str, bytes], bytes], said: str
) -> None:
    fill(engine)
    path = rewritten(back_up(engine, tmp_path, SEAL, NOW).path, change)
    with pytest.raises(InputError, match=said):
        restore(other, path, SEAL, NOW)
    assert not any(contents(other).values())
    assert current_revision(other) == head_revision()


def test_a_flipped_bit_and_a_cut_end_are_found(engine: Engine, tmp_path: Path) -> None:
    fill(engine)
    path = back_up(engine, tmp_path, SEAL, NOW).path
    assert verify(path, SEAL).rows > 0
    whole = path.read_bytes()
    with zipfile.ZipFile(path) as archive:
        info = archive.getinfo("tables/tank.copy")
    middle = info.header_offset + 30 + len(info.filename) + 40
    path.write_bytes(whole[:middle] + bytes([whole[middle] ^ 1]) + whole[middle + 1 :])
    with pytest.raises(InputError, match="was changed after it was made, or is damaged"):
        verify(path, SEAL)
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match="cannot be read as a backup"):
        verify(path, SEAL)


def test_only_so_many_stay_and_other_files_are_let_be(engine: Engine, tmp_path: Path) -> None:
    foreign = tmp_path / "letter.txt"
    foreign.write_text("not ours")
    for day in range(4):
        made = back_up(engine, tmp_path, SEAL, NOW + timedelta(days=day), keep=2)
    assert backups(tmp_path) == [tmp_path / f"202603{day}T220000Z.underweir-backup" for day in (16, 17)]
    assert made.path == backups(tmp_path)[-1]
    assert backup.newest_backup_at(tmp_path) == NOW + timedelta(days=3)
    assert foreign.exists()
    assert len(list(tmp_path.iterdir())) == 3


def test_a_backup_that_fails_leaves_nothing_and_removes_nothing(
    engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    back_up(engine, tmp_path, SEAL, NOW, keep=1)

    def full(conn: Any, shape: Any) -> Iterator[bytes]:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(snapshot, "dump_rows", full)
    with pytest.raises(InputError, match="No space left"):
        back_up(engine, tmp_path, SEAL, NOW + timedelta(days=1), keep=1)
    assert [path.name for path in tmp_path.iterdir()] == ["20260314T220000Z.underweir-backup"]


PASSWORD = "six heron marsh lantern"
ROLE_BEFORE, ROLE_AFTER = b"\tviewer\t", b"\tadministrator\t"


def somebody(engine: Engine) -> tuple[str, str]:
    """Two people, one signed in and with a token; returns the secrets of both."""
    for name, role in (("ines", Role.VIEWER), ("boss", Role.ADMINISTRATOR)):
        accounts.add(engine, name=name, label="", role=role, password=PASSWORD, now=NOW, actor="x")
    token = accounts.issue_token(engine, "ines", purpose="x", scopes=[Scope.READ], now=NOW, actor="x")
    came = accounts.sign_in(engine, "ines", PASSWORD, address="192.0.2.1", agent="", now=NOW)
    assert isinstance(came, accounts.SignedIn)
    return came.secret, token


def with_another_role(path: Path, *, checksums: bool) -> Path:
    """What somebody does who may write where backups lie: a role, and if they know how, the checksums to it."""
    with zipfile.ZipFile(path) as archive:
        person = archive.read("tables/person.copy")
        manifest = archive.read("manifest.json").decode()
    raised = person.replace(ROLE_BEFORE, ROLE_AFTER)
    assert raised != person
    if checksums:
        manifest = manifest.replace(sha256(person).hexdigest(), sha256(raised).hexdigest())
    members = {"tables/person.copy": raised, "manifest.json": manifest.encode()}
    return rewritten(path, lambda name, content: members.get(name, content), BackupSeal(b"a key of the forger's, long"))


@pytest.mark.parametrize("checksums", [False, True])
def test_a_changed_role_is_refused_with_a_word_and_nothing_is_restored(
    engine: Engine, other: Engine, tmp_path: Path, checksums: bool
) -> None:
    somebody(engine)
    path = with_another_role(back_up(engine, tmp_path, SEAL, NOW).path, checksums=checksums)
    for look in (lambda: verify(path, SEAL), lambda: restore(other, path, SEAL, NOW)):
        with pytest.raises(InputError, match="was changed after it was made"):
            look()
    assert not any(contents(other).values())


def test_any_changed_byte_is_refused(engine: Engine, tmp_path: Path) -> None:
    """Also those that ZIP itself does not look at, and those of the signature."""
    somebody(engine)
    path = back_up(engine, tmp_path, SEAL, NOW).path
    whole = path.read_bytes()
    verify(path, SEAL)
    places = {*range(0, len(whole), len(whole) // 150), *range(len(whole) - 90, len(whole), 7), len(whole) - 1}
    for place in sorted(places):
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :])
        with pytest.raises(InputError):
            verify(path, SEAL)
    for changed in (whole + b"x", whole[:-1], whole[:-64], b"x" + whole):
        path.write_bytes(changed)
        with pytest.raises(InputError):
            verify(path, SEAL)


def test_a_backup_of_another_key_takes_an_option_of_its_own(engine: Engine, other: Engine, tmp_path: Path) -> None:
    somebody(engine)
    path = back_up(engine, tmp_path, BackupSeal(b"the key of the machine that burnt"), NOW).path
    for look in (lambda: verify(path, SEAL), lambda: restore(other, path, SEAL, NOW)):
        with pytest.raises(InputError, match=r"another secret key .* --other-key .* whatever roles"):
            look()
    assert not any(contents(other).values())
    assert restore(other, path, SEAL, NOW, other_key=True).accounts == ("boss (administrator)", "ines (viewer)")
    # The option takes no file that says it is of this installation and is not as it was signed.
    changed = with_another_role(back_up(engine, tmp_path, SEAL, NOW + timedelta(days=1)).path, checksums=True)
    with pytest.raises(InputError, match="was changed after it was made"):
        verify(changed, SEAL, other_key=True)


def test_nobody_comes_back_signed_in(engine: Engine, other: Engine, tmp_path: Path) -> None:
    session, token = somebody(engine)
    path = back_up(engine, tmp_path, SEAL, NOW).path
    assert accounts.session_of(engine, session, NOW) is not None
    assert accounts.token_of(engine, token, NOW) is not None
    later = NOW + timedelta(days=2)
    accounts.switch(engine, "ines", False, now=later, actor="boss")
    accounts.change_password(engine, "boss", "four quiet copper bells", now=later, actor="boss")
    accounts.add(engine, name="relief", label="", role=Role.OPERATOR, password=PASSWORD, now=later, actor="boss")
    back_up(engine, tmp_path, SEAL, later)

    done = restore(other, path, SEAL, later)

    assert accounts.session_of(other, session, NOW) is None
    assert accounts.token_of(other, token, NOW) is None
    assert (done.sessions_ended, done.tokens_ended) == (1, 1)
    assert done.accounts == ("boss (administrator)", "ines (viewer)")
    then = "in the backup of 2026-03-16 22:00 UTC"
    assert done.differs == (
        f"boss has an older password again, changed {then}",
        f"ines may sign in again, and is switched off {then}",
        f"relief is not known any more, and is operator {then}",
    )
    with transaction(other) as conn:
        [line] = [one for one in audit.changes(conn, limit=9) if one.action == "backup restored"]
    assert line.detail["sessions ended"] == 1
    # A newer one that somebody put there says nothing.
    assert restore_again(other, path, tmp_path) == ()


def restore_again(other: Engine, path: Path, folder: Path) -> tuple[str, ...]:
    for found in backups(folder)[1:]:
        found.write_bytes(found.read_bytes()[:-1] + b"x")
    with transaction(other) as conn:
        known = {person.name: person for person in people(conn)}
    return tuple(backup._differences(path, read_manifest(path), SEAL, known))
