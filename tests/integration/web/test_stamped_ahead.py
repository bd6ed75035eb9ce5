"""A reading stamped ahead of the clock makes no silent source look as if it were heard."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from connectors.base import Delivery, Sample, block_of
from service.jobs.alarms.situations import service_situation
from service.jobs.ingest import ingest
from service.storage.database.session import transaction
from service.storage.readings.connector_state import connector_health, record_status
from service.web.blanket.board import read_board
from tests.support.alarm_plant import NIGHT
from tests.support.web_plant import WebSite


@dataclass
class One:
    """A source that delivers once."""

    samples: list[Sample]
    key: str = "drop"

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        yield Delivery(origin="evil.csv", samples=block_of(self.samples), content_hash="0" * 64, size_bytes=1)

    def committed(self, delivery: Delivery) -> None:
        """Nothing to move."""

    def close(self) -> None:
        """Nothing to close."""


def test_a_silent_source_with_one_row_stamped_ahead_is_called_silent(site: WebSite) -> None:
    web, now = site.web, NIGHT
    setup = web.setups[0]
    rows = [
        Sample(signal.tag, time, 1.0)
        for signal in setup.blankets
        for time in (now - timedelta(hours=9), now + timedelta(hours=23))
    ]
    report = ingest(One(rows), web, site.plant.engine, lambda: now)
    assert report.accepted == len(rows)

    (view,) = [tank for tank in read_board(web, now).tanks if tank.setup is setup]
    assert view.heard_at == now - timedelta(hours=9)
    assert view.heard_late

    with transaction(web.engine) as conn:
        record_status(conn, "drop", now, {"connected": True})  # which does not make it forget
        (found,) = connector_health(conn)
        assert found.last_sample_at == now - timedelta(hours=9)
        assert found.ahead_until == now + timedelta(hours=23)
        situation = service_situation(conn, ["drop"], started_at=now, now=now)
    assert situation.clock_ahead == timedelta(hours=23), "the alarm about clocks still sees it"

    lag = [
        line for line in site.client().get("/metrics", headers=_monitoring(site)).text.splitlines() if "drop" in line
    ]
    assert any(float(line.split()[-1]) == 9 * 3600 for line in lag), lag


def test_a_clock_that_is_minutes_ahead_makes_no_source_silent(site: WebSite) -> None:
    web, now = site.web, NIGHT
    ingest(
        One([Sample(web.setups[0].blankets[0].tag, now + timedelta(minutes=3), 1.0)]),
        web,
        site.plant.engine,
        lambda: now,
    )
    with transaction(web.engine) as conn:
        (found,) = connector_health(conn)
    assert found.last_sample_at == now + timedelta(minutes=3)
    assert found.ahead_until is None


def _monitoring(site: WebSite) -> dict[str, str]:
    from service.domain.plant.role import Role, Scope

    return site.token(Role.VIEWER, Scope.METRICS)
