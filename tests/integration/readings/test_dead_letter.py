"""What can never be stored lies aside with its reason, and holds up nothing; what may heal by itself is never put there."""

from __future__ import annotations

import errno
import itertools
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, Engine, text

from connectors.base import Delivery, Sample, block_of
from connectors.csv.decoding.format import CsvFormat
from connectors.csv.drop import CsvDrop, CsvDropConfig
from service.alarms.rules import ConnectorSeen
from service.domain.operations.circuit import Circuit
from service.errors import LeaseLost, StorageError
from service.jobs.alarms.situations import service_situation
from service.jobs.ingest import IngestReport, Plant, ingest
from service.jobs.ingest.forward import ForwardingSource
from service.jobs.ingest.status import StatusWriter
from service.jobs.ingest.supervise import SourceStatus
from service.storage.database.session import fenced, transaction
from service.storage.readings.connector_state import connector_health, load_state
from service.storage.readings.spool import Spool
from tests.support.ingest_victim import plant as described_plant
from tests.support.inline_reader import InlineReader
from tests.support.plant import NIGHT, NOON, SIGNALS, describe

SECOND = timedelta(seconds=1)
#: What the database of these tests does not take.
FORBIDDEN = 999.0


class Queue:
    """A source that gives what the test puts in."""

    key = "plc"

    def __init__(self) -> None:
        self.waiting: list[Delivery] = []

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        while self.waiting:
            yield self.waiting.pop(0)

    def committed(self, delivery: Delivery) -> None:
        pass

    def close(self) -> None:
        pass


def answer(number: int, *values: float, tag: str = "LT-E", origin: str = "plc/d", state: Any = None) -> Delivery:
    """The device's answer of that number: as many values, a second apart, from that hour on."""
    start = NIGHT + number * timedelta(hours=1)
    samples = [Sample(tag, start + i * SECOND, value) for i, value in enumerate(values)]
    return Delivery(origin=origin, samples=block_of(samples), state={"n": number} if state is None else state)


@pytest.fixture
def plant(engine: Engine) -> Plant:
    with transaction(engine) as conn:
        describe(conn)
        conn.execute(text(f"ALTER TABLE reading ADD CONSTRAINT not_that CHECK (value <> {FORBIDDEN})"))
    return described_plant(engine)


class Service:
    """A live source with a spool, as the service has it."""

    def __init__(self, engine: Engine, plant: Plant, folder: Path) -> None:
        self._plant, self.engine = plant, engine
        self.queue = Queue()
        self.spool_folder = folder / "plc"
        self.spool = Spool(self.spool_folder, max_bytes=1 << 22)
        self.source = ForwardingSource(self.queue, self.spool, clock=lambda: NOON)

    def held(self, *deliveries: Delivery) -> None:
        """The database is away while these come."""
        self.queue.waiting += deliveries
        self.source.poll_to_spool()

    def read(self, engine: Engine | None = None) -> IngestReport:
        return ingest(self.source, self._plant, engine or self.engine, lambda: NOON)

    def aside(self) -> list[Path]:
        return sorted((self.spool_folder / "refused").glob("*.record"))

    def reason(self) -> str:
        [path] = (self.spool_folder / "refused").glob("*.reason.txt")
        return path.read_text("utf-8")


@pytest.fixture
def service(engine: Engine, plant: Plant, tmp_path: Path) -> Iterator[Service]:
    made = Service(engine, plant, tmp_path)
    yield made
    made.source.close()


def stored(engine: Engine) -> list[float]:
    with transaction(engine) as conn:
        return list(conn.execute(text("SELECT value FROM reading ORDER BY time")).scalars())


def place(engine: Engine) -> dict[str, Any]:
    with transaction(engine) as conn:
        return load_state(conn, "plc")


def test_one_bad_value_among_hundreds_in_the_spool_holds_up_nothing(service: Service) -> None:
    good = [float(i % 4) for i in range(300)]
    service.held(answer(1, 1.0), answer(2, *good[:211], FORBIDDEN, *good[211:]), answer(3, 3.0))
    service.queue.waiting.append(answer(4, 4.0))
    report = service.read()
    assert stored(service.engine) == [1.0, *good, 3.0, 4.0]
    assert (report.error, report.accepted, report.rejected) == ("", 303, 1)
    assert service.source.spooled().records == 0
    assert place(service.engine) == {"n": 4}
    [record] = service.aside()
    assert record.stem.endswith("-1")
    said = service.reason()
    assert "Source: plc" in said
    assert "2026-03-15 12:00:00 UTC" in said
    assert "'LT-E' 2026-03-15T00:03:31.000000 UTC: 999.0" in said
    assert "not_that" in said
    assert f"{record.name}\none folder up, into\n    {service.spool_folder}" in said


def test_several_bad_values_are_told_from_the_good_ones(service: Service) -> None:
    values = [float(i) for i in range(64)]
    for bad in (0, 31, 63):
        values[bad] = FORBIDDEN
    service.held(answer(1, *values))
    service.read()
    assert stored(service.engine) == [value for value in values if value != FORBIDDEN]
    assert len(service.aside()) == 3


def test_a_record_that_is_bad_through_and_through_is_not_tried_without_end(service: Service) -> None:
    tried = 0

    def count(conn: Connection) -> None:
        nonlocal tried
        tried += 1

    engine = fenced(service.engine, Confirming(count))
    service.held(answer(1, *[FORBIDDEN] * 1000), answer(2, 2.0))
    report = service.read(engine)
    assert (stored(service.engine), report.rejected) == ([2.0], 1000)
    assert len(service.aside()) <= 60
    assert tried < 10  # what is refused does not come as far as the fence


@pytest.mark.parametrize("spooled", [True, False])
def test_an_answer_the_driver_cannot_write_is_set_aside_too(service: Service, spooled: bool) -> None:
    bad = [answer(1, 1.0, origin="plc/\0d"), answer(2, 2.0, state={"n": "\0"})]  # PostgreSQL's text knows no NUL
    if spooled:
        service.held(*bad)
    else:
        service.queue.waiting += bad
    service.queue.waiting.append(answer(3, 3.0))
    service.read()
    assert stored(service.engine) == [3.0]
    assert len(service.aside()) == 2
    assert service.source.spooled().records == 0
    assert place(service.engine) == {"n": 3}


def test_a_live_answer_that_is_refused_does_not_come_again(service: Service) -> None:
    service.queue.waiting += [answer(1, 1.0, FORBIDDEN), answer(2, 2.0)]
    service.read()
    assert stored(service.engine) == [1.0, 2.0]
    assert len(service.aside()) == 1
    assert service.source.spooled().records == 0
    service.read()
    assert len(service.aside()) == 1


@pytest.mark.parametrize("restarted", [True, False])
def test_a_record_that_cannot_be_read(service: Service, plant: Plant, tmp_path: Path, restarted: bool) -> None:
    service.held(answer(1, 1.0))
    service.spool.append(b"of another version", 7)
    if restarted:
        service.source.close()
        service = Service(service.engine, plant, tmp_path)
    service.held(answer(3, 3.0))
    service.read()
    assert stored(service.engine) == [1.0, 3.0]
    [record] = service.aside()
    assert record.read_bytes() == b"of another version"
    assert record.stem.endswith("-7")
    assert "7 values" in service.reason()
    service.source.close()


def test_what_another_node_read_is_set_aside_as_well(service: Service, plant: Plant) -> None:
    service.held(answer(1, 1.0, FORBIDDEN), answer(2, 2.0))
    service.spool.append(b"of another version", 1)
    orphaned = service.source.orphaned_spool()
    assert orphaned is not None
    ingest(orphaned, plant, service.engine, lambda: NOON)
    assert stored(service.engine) == [1.0, 2.0]
    assert len(service.aside()) == 2
    assert service.source.spooled().records == 0


def test_moved_one_folder_up_it_is_tried_again(service: Service) -> None:
    service.held(answer(1, FORBIDDEN))
    service.read()
    service.queue.waiting.append(answer(2, 2.0))
    service.read()
    [record] = service.aside()

    record.rename(service.spool_folder / record.name)
    service.read()
    [again] = service.aside()
    assert "not_that" in service.reason()
    assert list(service.spool_folder.glob("*.record")) == []

    with transaction(service.engine) as conn:
        conn.execute(text("ALTER TABLE reading DROP CONSTRAINT not_that"))
    again.rename(service.spool_folder / again.name)
    service.read()
    assert stored(service.engine) == [FORBIDDEN, 2.0]
    assert place(service.engine) == {"n": 2}  # the source's place is not moved back
    assert list(service.spool_folder.glob("*.record")) == []
    assert list((service.spool_folder / "refused").iterdir()) == []


def test_moved_back_on_a_node_that_no_longer_reads_the_source_it_is_tried_again_too(
    service: Service, plant: Plant
) -> None:
    service.held(answer(1, FORBIDDEN))
    service.read()
    assert service.source.orphaned_spool() is None
    [record] = service.aside()
    record.rename(service.spool_folder / record.name)
    with transaction(service.engine) as conn:
        conn.execute(text("ALTER TABLE reading DROP CONSTRAINT not_that"))
    orphaned = service.source.orphaned_spool()
    assert orphaned is not None
    ingest(orphaned, plant, service.engine, lambda: NOON)
    assert stored(service.engine) == [FORBIDDEN]
    assert service.source.orphaned_spool() is None
    assert list(service.spool_folder.glob("*.record")) == []


def test_moved_back_but_not_readable_it_goes_to_where_it_was(service: Service) -> None:
    service.spool.append(b"of another version", 7)
    service.read()
    [record] = service.aside()
    record.rename(service.spool_folder / record.name)
    service.queue.waiting.append(answer(1, 1.0))
    service.read()
    assert service.aside() == [record]
    assert "7 values" in service.reason()
    assert list(service.spool_folder.glob("*.record")) == []
    assert stored(service.engine) == [1.0]


def test_after_a_crash_between_setting_aside_and_trimming_it_is_there_once(
    service: Service, plant: Plant, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    service.held(answer(1, FORBIDDEN, FORBIDDEN), answer(2, 2.0))
    with monkeypatch.context() as crash:

        def pulled(spool: Spool, sequence: int) -> None:
            raise KeyboardInterrupt

        crash.setattr(Spool, "trim", pulled)
        with pytest.raises(KeyboardInterrupt):
            service.read()
    assert len(service.aside()) == 2
    service.source.close()
    again = Service(service.engine, plant, tmp_path)
    again.read()
    assert len(again.aside()) == 2
    assert stored(service.engine) == [2.0]
    again.source.close()


def test_where_the_disk_takes_nothing_the_spool_keeps_all_of_it(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    service.held(answer(1, 1.0, FORBIDDEN), answer(2, 2.0))

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as disk:
        disk.setattr("service.storage.readings.dead_letter.os.fsync", full)
        with pytest.raises(StorageError, match="No space left on device") as told:
            service.read()
    assert told.value.retryable
    assert service.source.spooled().records == 2
    assert list((service.spool_folder / "refused").iterdir()) == []
    service.source.poll_to_spool()
    service.read()
    assert stored(service.engine) == [1.0, 2.0]
    assert len(service.aside()) == 1
    assert service.source.spooled().records == 0


class Confirming:
    """A fence that asks the test."""

    def __init__(self, confirm: Callable[[Connection], None]) -> None:
        self.confirm = confirm


def ill(engine: Engine, state: str) -> None:
    """From now on the database answers every new reading with that SQLSTATE."""
    with transaction(engine) as conn:
        conn.execute(
            text(
                "CREATE FUNCTION ill() RETURNS trigger LANGUAGE plpgsql AS "
                f"$$ BEGIN RAISE EXCEPTION 'ill' USING ERRCODE = '{state}'; END $$"
            )
        )
        conn.execute(text("CREATE TRIGGER ill BEFORE INSERT ON reading FOR EACH ROW EXECUTE FUNCTION ill()"))


def well(engine: Engine) -> None:
    """It takes them again."""
    with transaction(engine) as conn:
        conn.execute(text("DROP TRIGGER ill ON reading"))


HEALING = ("08006", "25006", "40001", "40P01", "53100", "53200", "55P03", "57014", "57P01", "58030", "42501", "23503")


@pytest.mark.parametrize("state", [*HEALING, "XX001", "42P01"])
def test_what_may_heal_by_itself_is_never_set_aside(service: Service, state: str) -> None:
    ill(service.engine, state)
    service.held(answer(1, 1.0, 1.5), answer(2, 2.0))
    for _ in range(3):
        with pytest.raises(StorageError):
            service.read()
        service.source.poll_to_spool()
    assert service.aside() == []
    assert service.source.spooled().records == 2
    well(service.engine)
    service.read()
    assert stored(service.engine) == [1.0, 1.5, 2.0]


def test_neither_is_anything_while_the_fence_or_the_database_refuses_all_work(service: Service) -> None:
    def late(conn: Connection) -> None:
        raise LeaseLost("Another node does this work now.")

    for number, value in ((1, 1.0), (2, FORBIDDEN)):
        service.held(answer(number, value))
        # The second is refused for good, but nothing at all can be committed just now: no time to judge records.
        with pytest.raises(LeaseLost):
            service.read(fenced(service.engine, Confirming(late)))
        service.source.poll_to_spool()
        assert (service.aside(), service.source.spooled().records) == ([], 1)
        service.read()
    assert (stored(service.engine), len(service.aside())) == ([1.0], 1)


def test_people_are_told_of_what_lies_on_each_node(service: Service, plant: Plant, tmp_path: Path) -> None:
    def told() -> tuple[list[tuple[str, int, str]], ConnectorSeen]:
        with transaction(service.engine) as conn:
            [found] = connector_health(conn)
            [seen] = service_situation(conn, ["plc"], started_at=NIGHT, now=NOON).connectors
        return [(there.node, there.records, there.folder) for there in found.dead_letters], seen

    def deal_with(of: Service) -> None:
        for path in (of.spool_folder / "refused").iterdir():
            path.unlink()

    standing = SourceStatus(key="plc", circuit=Circuit())
    north = service
    north.held(answer(1, FORBIDDEN))
    north.read()
    reader = StatusWriter(north.engine, north.source, lambda: NOON, "north")
    reader.write(standing)
    folder = str(north.spool_folder / "refused")
    lies, seen = told()
    assert lies == [("north", 1, folder)]
    [record] = north.aside()
    at = seen.refused_at
    assert at is not None
    assert abs(at - datetime.fromtimestamp(record.stat().st_mtime, at.tzinfo)) < SECOND

    # Another node that no longer reads the source has something aside, too, and neither forgets the other's.
    south = Service(north.engine, plant, tmp_path / "south")
    south.held(answer(2, FORBIDDEN))
    south.read()
    other = StatusWriter(south.engine, south.source, lambda: NOON, "south")
    other.write_losses()
    reader.write(replace(standing, circuit=Circuit(failures=1)))
    lies, seen = told()
    assert lies == [("north", 1, folder), ("south", 1, str(south.spool_folder / "refused"))]
    assert seen.refused == 2

    deal_with(north)
    reader.write(standing)
    other.write_losses()
    assert [node for node, *_ in told()[0]] == ["south"]
    deal_with(south)
    StatusWriter(south.engine, south.source, lambda: NOON, "south").write_losses()  # after a restart
    lies, seen = told()
    assert (lies, seen.refused, seen.refused_at) == ([], 0, None)
    south.source.close()


class Dropping:
    """A watched folder with a bad file between two good ones, all of several parts if *parts*."""

    def __init__(self, engine: Engine, plant: Plant, folder: Path, *, parts: bool = False, keep: bool = False) -> None:
        self._engine, self._plant = engine, plant
        self.folder = folder / "drop"
        self.folder.mkdir()
        seconds = itertools.count()
        config = CsvDropConfig(
            key="drop",
            folder=self.folder,
            settle=timedelta(0),
            format=CsvFormat(tags=frozenset(signal.tag for signal in SIGNALS)),
            keep=keep,
            quarantine=folder / "quarantine",
            block_bytes=500 if parts else 1 << 20,
        )
        self._drop = CsvDrop(config, reader=InlineReader(), now=lambda: NOON, clock=lambda: float(next(seconds)))
        rows = 60 if parts else 1
        for hour, name in enumerate(("a.csv", "bad.csv", "z.csv")):
            start = NIGHT + hour * timedelta(hours=1)
            values = [FORBIDDEN if name == "bad.csv" and n == rows // 2 else float(hour) for n in range(rows)]
            lines = [f"LT-E,{(start + n * SECOND).isoformat()},{value}" for n, value in enumerate(values)]
            (self.folder / name).write_text("\n".join(["tag,time,value", *lines, ""]))
            os.utime(self.folder / name, (hour, hour))
        self.good = [0.0] * rows + [2.0] * rows
        self.look()

    def look(self) -> IngestReport:
        return ingest(self._drop, self._plant, self._engine, lambda: NOON)

    def there(self) -> list[str]:
        return sorted(path.name for path in self.folder.iterdir() if path.is_file())

    def quarantined(self) -> list[str]:
        return sorted(path.name for path in (self.folder.parent / "quarantine").glob("*"))


@pytest.mark.parametrize("parts", [True, False])
def test_a_file_that_is_refused_twice_goes_to_quarantine_and_holds_up_nothing(
    engine: Engine, plant: Plant, tmp_path: Path, parts: bool
) -> None:
    dropping = Dropping(engine, plant, tmp_path, parts=parts)
    report = dropping.look()
    assert [done.origin for done in report.deliveries] == ["a.csv", "z.csv"]
    assert stored(engine) == dropping.good
    assert (dropping.there(), dropping.quarantined()) == (["bad.csv"], [])
    dropping.look()
    assert (dropping.there(), dropping.quarantined()) == ([], ["bad.csv", "bad.csv.reason.txt"])
    assert "not_that" in (tmp_path / "quarantine" / "bad.csv.reason.txt").read_text()
    with transaction(engine) as conn:
        conn.execute(text("ALTER TABLE reading DROP CONSTRAINT not_that"))
    (tmp_path / "quarantine" / "bad.csv.reason.txt").unlink()
    (tmp_path / "quarantine" / "bad.csv").rename(dropping.folder / "bad.csv")
    dropping.look()
    dropping.look()
    assert len(stored(engine)) == len(dropping.good) * 3 // 2
    assert (dropping.there(), dropping.quarantined()) == ([], [])


def test_on_a_share_that_must_not_be_altered_it_is_left_alone(engine: Engine, plant: Plant, tmp_path: Path) -> None:
    dropping = Dropping(engine, plant, tmp_path, keep=True)
    for _ in range(3):
        dropping.look()
    assert stored(engine) == dropping.good
    assert dropping.there() == ["a.csv", "bad.csv", "z.csv"]
    assert dropping.quarantined() == ["bad.csv.reason.txt"]
    with transaction(engine) as conn:
        [seen] = connector_health(conn)
    assert "bad.csv cannot be stored" in seen.last_error


@pytest.mark.parametrize("state", ["53100", "57014", "42501"])
def test_a_file_waits_for_what_may_heal(engine: Engine, plant: Plant, tmp_path: Path, state: str) -> None:
    dropping = Dropping(engine, plant, tmp_path)
    ill(engine, state)
    for _ in range(3):
        with pytest.raises(StorageError):
            dropping.look()
    assert dropping.there() == ["a.csv", "bad.csv", "z.csv"]
    well(engine)
    dropping.look()
    assert stored(engine) == dropping.good
