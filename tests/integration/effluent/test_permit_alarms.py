"""The permit's alarms in the running service, by the laboratory's values alone: near, broken, and how long what was broken stands."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import uuid4

import pytest
from sqlalchemy import Engine

from service.alarms.definition import AlarmKind
from service.bootstrap import Installation
from service.domain.laboratory.result import LaboratoryKind, LaboratoryResult
from service.runtime import Runtime
from service.settings import Settings
from service.site.site import parse_site
from service.storage.alarms.alarms import alarms, sync_alarms
from service.storage.database.session import transaction
from service.storage.laboratory.results import LaboratoryRecord, insert_result
from service.storage.plant.site_tables import sync_site

EXAMPLE = Path(__file__).parents[3] / "deploy" / "site.example.toml"
PERMIT = """
[permit]
solids = { monthly_average = 30, weekly_average = 45, daily_maximum = 60 }
sampled_tanks = ["east"]
"""
#: A Monday in New York, ten in the morning; the week began the day before.
MONDAY = datetime(2026, 3, 9, 14, 0, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


class Watched:
    """The service over days, and its alarms of the permit."""

    def __init__(self, engine: Engine, folder: Path) -> None:
        site = parse_site(EXAMPLE.read_text("utf-8") + PERMIT)
        with transaction(engine) as conn:
            self.ids = sync_site(conn, site.tanks().values(), site.signals().values())
            sync_alarms(conn, site.alarm_definitions(), MONDAY - DAY)
        self.engine = engine
        self.kinds = {d.key: d.kind for d in site.alarm_definitions()}
        self.runtime = Runtime(Installation(Settings(data_dir=folder), site, engine, self.ids), [], lambda: MONDAY)

    def sample(self, at: datetime, value: float, tank: str | None = None) -> None:
        """The laboratory says how much left. [mg/L]"""
        kind = LaboratoryKind.EFFLUENT_SOLIDS
        result = LaboratoryResult(id=uuid4(), kind=kind, tank=tank, taken_at=at, recorded_at=at, value=value / 1000.0)
        tank_id = None if tank is None else self.ids.tanks[tank]
        record = LaboratoryRecord(result=result, tank_id=tank_id, typed_value=value, typed_unit="mg/L", source="test")
        with transaction(self.engine) as conn:
            insert_result(conn, record)

    def detail(self) -> str:
        """What the broken limit's alarm goes by."""
        with transaction(self.engine) as conn:
            return next(r.machine.rule_detail for r in alarms(conn) if self.kinds.get(r.key) is AlarmKind.PERMIT_OVER)

    def active(self, since: datetime, until: datetime) -> set[AlarmKind]:
        """Look every ten minutes; gives back which alarms of the permit stand at the end."""
        while since <= until:
            self.runtime.evaluate_alarms(since)
            since += timedelta(minutes=10)
        with transaction(self.engine) as conn:
            standing = {self.kinds[r.key] for r in alarms(conn) if r.key in self.kinds and r.machine.active}
        return standing & {AlarmKind.PERMIT_NEAR, AlarmKind.PERMIT_OVER}


@pytest.fixture
def watched(engine: Engine, tmp_path: Path) -> Watched:
    return Watched(engine, tmp_path)


def test_a_broken_limit_calls_and_stands_until_what_it_broke_is_over(watched: Watched) -> None:
    watched.sample(MONDAY - DAY, 20.0)
    assert watched.active(MONDAY, MONDAY + HOUR) == set()
    watched.sample(MONDAY + HOUR, 90.0)  # today over 60; the week's mean 55 of 45, the month's alike
    assert watched.active(MONDAY + HOUR, MONDAY + 2 * HOUR) == {AlarmKind.PERMIT_OVER}
    assert watched.detail() == "this month's average of effluent solids 55.0 mg/L, limit 30.0 mg/L"
    for day in (1, 2, 3):
        watched.sample(MONDAY + day * DAY, 1.0)
    # By hand: 20, 90, 1, 1, 1 are 22.6 on a mean, three quarters of 30: the month may end within it.
    thursday = MONDAY + 3 * DAY + HOUR
    assert AlarmKind.PERMIT_OVER not in watched.active(thursday, thursday + 2 * HOUR)
    watched.sample(MONDAY + 4 * DAY, 1000.0)  # 1,113 in all: 36 on a mean of 31 days, whatever the others bring
    saturday = MONDAY + 5 * DAY
    watched.sample(saturday, 1.0)
    assert watched.active(saturday + HOUR, saturday + 2 * HOUR) == {AlarmKind.PERMIT_OVER}
    april = datetime(2026, 4, 1, 14, 0, tzinfo=UTC)
    watched.sample(april, 5.0)
    assert watched.active(april, april + 2 * HOUR) == {AlarmKind.PERMIT_OVER}
    assert watched.detail() == "monthly average up to 2026-03-31 of effluent solids 159 mg/L, limit 30.0 mg/L: broken"
    watched.sample(april + DAY, 5.0)
    assert watched.active(april + DAY, april + DAY + 2 * HOUR) == set()


def test_samples_of_a_tank_count_where_the_site_says_so(watched: Watched) -> None:
    watched.sample(MONDAY, 90.0, tank="west")
    assert watched.active(MONDAY + HOUR, MONDAY + 2 * HOUR) == set()
    watched.sample(MONDAY + 2 * HOUR, 90.0, tank="east")
    assert watched.active(MONDAY + 2 * HOUR, MONDAY + 3 * HOUR) == {AlarmKind.PERMIT_OVER}
