"""The heartbeat vouches for complete looks at all alarms, and for nothing else."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import structlog
from pydantic import SecretStr
from sqlalchemy import Engine

from service import logs
from service.bootstrap import Installation
from service.errors import StorageError
from service.runtime import Runtime
from service.settings import Settings
from service.site.site import load_site
from service.storage.alarms.alarms import sync_alarms
from service.storage.database.session import transaction
from service.storage.plant.site_tables import sync_site
from tests.support.http_gateway import Gateway, http_gateway

EXAMPLE = Path(__file__).parents[3] / "deploy" / "site.example.toml"
NOW = datetime(2026, 1, 14, 8, 0, tzinfo=UTC)
SECOND = timedelta(seconds=1)


@pytest.fixture
def loud(capsys: pytest.CaptureFixture[str]) -> Iterator[pytest.CaptureFixture[str]]:
    """Every line of every library, as with UNDERWEIR_LOG_LEVEL=debug, and what catches them."""
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    logs.configure("DEBUG")
    yield capsys
    root.handlers[:] = handlers
    root.setLevel(level)
    structlog.reset_defaults()


@pytest.fixture
def outside() -> Iterator[Gateway]:
    with http_gateway() as gateway:
        yield gateway


@pytest.fixture
def watch(engine: Engine, outside: Gateway, tmp_path: Path) -> Runtime:
    site = load_site(EXAMPLE)
    with transaction(engine) as conn:
        ids = sync_site(conn, site.tanks().values(), site.signals().values())
        sync_alarms(conn, site.alarm_definitions(), NOW)
    settings = Settings(data_dir=tmp_path, heartbeat_url=SecretStr(outside.url + "/s3cret"))
    return Runtime(Installation(settings, site, engine, ids), [], lambda: NOW)


def test_one_beat_for_every_complete_look(watch: Runtime, outside: Gateway) -> None:
    watch.send_heartbeat(NOW)
    assert outside.asked == []
    for turn in range(2):
        watch.evaluate_alarms(NOW + turn * 5 * SECOND)
        watch.send_heartbeat(NOW + turn * 5 * SECOND)
        watch.send_heartbeat(NOW + turn * 5 * SECOND + SECOND)
    assert [asked.path for asked in outside.asked] == ["/s3cret", "/s3cret"]
    assert "heartbeat" in {task.name for task in watch.tasks()}


def test_no_beat_while_a_tank_cannot_be_looked_at(
    watch: Runtime, outside: Gateway, monkeypatch: pytest.MonkeyPatch
) -> None:
    def odd(*_: object, **__: object) -> None:
        raise ValueError("east is odd")

    monkeypatch.setattr("service.jobs.alarms.evaluate.tank_histories", odd)
    watch.evaluate_alarms(NOW)
    watch.send_heartbeat(NOW)
    assert outside.asked == []


def test_no_beat_when_the_service_could_not_look_at_itself(
    watch: Runtime, outside: Gateway, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise StorageError("no", retryable=False)

    monkeypatch.setattr("service.runtime.evaluate_service", broken)
    with pytest.raises(StorageError):
        watch.evaluate_alarms(NOW)
    watch.send_heartbeat(NOW)
    assert outside.asked == []


def test_a_watcher_that_does_not_hear_is_told_again(
    watch: Runtime, outside: Gateway, loud: pytest.CaptureFixture[str]
) -> None:
    outside.status, outside.headers = 302, {"Location": outside.url + "/elsewhere"}
    watch.evaluate_alarms(NOW)
    watch.send_heartbeat(NOW)
    outside.status = 200
    watch.send_heartbeat(NOW + 15 * SECOND)
    assert [asked.path for asked in outside.asked] == ["/s3cret", "/s3cret"]
    said = loud.readouterr()
    assert "heartbeat not heard" in said.out + said.err
    assert "s3cret" not in said.out + said.err
