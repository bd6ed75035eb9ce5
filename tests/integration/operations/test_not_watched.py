"""What a node knows of the alarms being looked at, here or elsewhere."""

from __future__ import annotations

import errno
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine

from connectors.base import Delivery
from service.bootstrap import Installation
from service.domain.operations.lease import EVALUATE, LeaseStatus
from service.errors import StorageError
from service.jobs.alarms.setup import AlarmSetup
from service.jobs.alarms.situations import tank_histories
from service.jobs.ingest.forward import ForwardingSource
from service.jobs.operations.leadership import LeaseGrant
from service.jobs.operations.watchdog import Watchdog
from service.runtime import Runtime
from service.settings import Settings
from service.site.site import load_site
from service.storage.alarms.alarms import sync_alarms
from service.storage.database.session import make_engine, transaction
from service.storage.plant.site_tables import sync_site
from service.storage.readings.spool import Spool

EXAMPLE = Path(__file__).parents[3] / "deploy" / "site.example.toml"
NOW = datetime(2026, 1, 14, 8, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


class Heard(Watchdog):
    """What it is asked to look at."""

    def __init__(self, setup: AlarmSetup) -> None:
        super().__init__(setup, {}, "north", None)
        self.looks: list[tuple[datetime, str]] = []
        self.standing_by = False

    def check(self, seen_at: datetime, trouble: str, now: datetime, *, standing_by: bool = False) -> int:
        self.looks.append((seen_at, trouble))
        self.standing_by = standing_by
        return 0


class Given:
    """Leases as a test says."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.now = LeaseStatus.HELD
        self.up_to_date = True

    def grant(self, name: str) -> LeaseGrant | None:
        return LeaseGrant(self.engine) if self.now is LeaseStatus.HELD else None

    def status(self, name: str) -> LeaseStatus:
        return self.now


class Panel:
    """A device nobody asks."""

    key = "panel"

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        return iter(())

    def committed(self, delivery: Delivery) -> None: ...

    def close(self) -> None: ...


class Rig:
    def __init__(self, plant: Installation) -> None:
        self.plant = plant
        self.leases, self.heard = Given(plant.engine), Heard(plant.alarms)
        self.watch = Runtime(plant, [], lambda: NOW, self.leases, self.heard)

    def look(self, now: datetime) -> tuple[datetime, str]:
        self.watch.check_watchdog(now)
        return self.heard.looks[-1]


@pytest.fixture
def rig(engine: Engine, tmp_path: Path) -> Rig:
    site = load_site(EXAMPLE)
    with transaction(engine) as conn:
        ids = sync_site(conn, site.tanks().values(), site.signals().values())
        sync_alarms(conn, site.alarm_definitions(), NOW)
    return Rig(Installation(Settings(data_dir=tmp_path), site, engine, ids))


@pytest.fixture
def nowhere() -> Iterator[Engine]:
    engine = make_engine("postgresql://nobody@127.0.0.1:1/none")
    yield engine
    engine.dispose()


def test_a_complete_look_counts(rig: Rig) -> None:
    assert rig.look(NOW) == (NOW, "")
    rig.watch.evaluate_alarms(NOW + MINUTE)
    assert rig.look(NOW + MINUTE) == (NOW + MINUTE, "")


def test_a_database_that_is_away_is_what_is_in_the_way(rig: Rig, engine: Engine, nowhere: Engine) -> None:
    rig.watch.evaluate_alarms(NOW)
    rig.leases.engine = nowhere
    with pytest.raises(StorageError):
        rig.watch.evaluate_alarms(NOW + MINUTE)
    seen, trouble = rig.look(NOW + MINUTE)
    assert seen == NOW
    assert "Is the server running" in trouble
    rig.leases.now = LeaseStatus.LAPSED
    rig.watch.evaluate_alarms(NOW + 2 * MINUTE)
    assert rig.look(NOW + 2 * MINUTE) == (NOW, trouble)
    rig.leases.engine, rig.leases.now = engine, LeaseStatus.HELD
    rig.watch.evaluate_alarms(NOW + 3 * MINUTE)
    assert rig.look(NOW + 3 * MINUTE) == (NOW + 3 * MINUTE, "")


def test_what_another_node_does_is_looked_at(rig: Rig) -> None:
    rig.leases.now = LeaseStatus.ELSEWHERE
    rig.watch.evaluate_alarms(NOW + MINUTE)
    assert rig.look(NOW + MINUTE) == (NOW + MINUTE, "")
    assert rig.heard.standing_by


def test_a_node_that_stands_by_knows_nothing_of_the_other_while_the_database_is_away(rig: Rig) -> None:
    rig.leases.now = LeaseStatus.ELSEWHERE
    rig.watch.evaluate_alarms(NOW)
    rig.leases.up_to_date = False
    rig.watch.evaluate_alarms(NOW + MINUTE)
    assert rig.look(NOW + MINUTE) == (NOW, "The database does not answer.")
    rig.leases.up_to_date = True
    rig.watch.evaluate_alarms(NOW + 2 * MINUTE)
    assert rig.look(NOW + 2 * MINUTE) == (NOW + 2 * MINUTE, "")


def test_one_tank_that_cannot_be_looked_at_is_enough(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    rig.watch.evaluate_alarms(NOW)

    def picky(conn: Any, tanks: Any, *args: Any, **more: Any) -> Any:
        if any(setup.tank.key == "east" for setup in tanks):
            raise ValueError("east is odd")
        return tank_histories(conn, tanks, *args, **more)

    monkeypatch.setattr("service.jobs.alarms.evaluate.tank_histories", picky)
    rig.watch.evaluate_alarms(NOW + MINUTE)
    assert rig.look(NOW + MINUTE) == (NOW, "east: ValueError: east is odd")


def test_it_is_a_line_of_the_timetable(rig: Rig) -> None:
    assert "speak up" in {task.name for task in rig.watch.tasks()}
    assert {task.work for task in rig.watch.tasks() if task.name == "speak up"} == {""}
    assert EVALUATE in {task.work for task in rig.watch.tasks()}


def test_what_a_full_disk_left_in_memory_is_brought_to_disk_by_the_timetable(
    rig: Rig, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    spool = Spool(tmp_path / "panel", max_bytes=1 << 20)
    watch = Runtime(rig.plant, [ForwardingSource(Panel(), spool)], lambda: NOW, rig.leases)
    with monkeypatch.context() as disk:
        disk.setattr("service.storage.readings.spool.os.fsync", full)
        spool.append(b"read while the disk was full", 1)
    assert spool.counts().in_memory == 1
    (task,) = [task for task in watch.tasks() if task.name == "settle"]
    task.run(NOW)
    assert spool.counts().in_memory == 0
    spool.close()
    assert "settle" not in {task.name for task in rig.watch.tasks()}, "no live source, nothing to settle"
