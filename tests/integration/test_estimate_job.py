"""Estimates from what is stored: however the data came in, the result is that of all data at once."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine

from service.domain.estimate import Estimate, TankSetup
from service.jobs import estimate as estimate_job
from service.jobs.estimate import STRETCH, Caught, project_all, update_estimates
from service.storage import recompute
from service.storage.batches import open_batch
from service.storage.checkpoints import save_checkpoint
from service.storage.cores import CoreRecord, correct_core, insert_core
from service.storage.estimates import estimates_between
from service.storage.reading_columns import ReadingColumns
from service.storage.reading_writer import ReadingWriter
from service.storage.session import transaction
from service.storage.site_tables import SiteIds
from tests import plant

SETUPS = tuple(
    TankSetup(
        tank=tank,
        blankets=tuple(s for s in plant.SIGNALS if s.tank == tank.key),
        others=tuple(s for s in plant.SIGNALS if s.tank is None),
    )
    for tank in plant.TANKS
)
MINUTES = 600


def _wave(count: int = MINUTES) -> list[float]:
    minutes = np.arange(count)
    noise = np.random.default_rng(7).normal(0.0, 0.01, count)
    return [float(height) for height in 1.0 + 0.2 * np.sin(minutes / 90.0) + noise]


def _store(engine: Engine, ids: SiteIds, columns: ReadingColumns) -> None:
    with transaction(engine) as conn:
        batch = open_batch(conn, "test", "test", plant.NIGHT)
        writer = ReadingWriter(conn, batch)
        writer.store(columns)
        recompute.mark_signals(conn, writer.stored.earliest_us)


def _core(ids: SiteIds, minutes: int, thickness: float) -> CoreRecord:
    at = plant.NIGHT + timedelta(minutes=minutes, seconds=30)
    return plant.core_record(ids, thickness, taken_at=at)


def _estimates(engine: Engine, ids: SiteIds, tank: str = "east") -> list[Estimate]:
    with transaction(engine) as conn:
        return estimates_between(conn, [ids.tanks[tank]])


@pytest.fixture
def ids(engine: Engine) -> SiteIds:
    with transaction(engine) as conn:
        return plant.describe(conn)


@pytest.fixture
def reference(engine: Engine, ids: SiteIds) -> list[Estimate]:
    """All data at once: what every other order must lead to."""
    _store(engine, ids, plant.columns(ids.signals["LT-E"], _wave()))
    with transaction(engine) as conn:
        insert_core(conn, _core(ids, 200, 1.9))
    update_estimates(engine, SETUPS, ids, plant.NIGHT + timedelta(minutes=MINUTES))
    expected = _estimates(engine, ids)
    with transaction(engine) as conn:
        for table in ("estimate", "assessment", "estimator_checkpoint", "recompute", "reading", "batch"):
            conn.exec_driver_sql(f"DELETE FROM {table}")
        conn.exec_driver_sql("SET LOCAL session_replication_role = replica")  # the test may empty append-only tables
        conn.exec_driver_sql("DELETE FROM hand_core")
    assert len(expected) == MINUTES + 1
    return expected


def test_piece_by_piece_equals_all_at_once(engine: Engine, ids: SiteIds, reference: list[Estimate]) -> None:
    wave = _wave()
    for first in range(0, MINUTES, 37):
        piece = wave[first : first + 37]
        start = plant.NIGHT + timedelta(minutes=first)
        _store(engine, ids, plant.columns(ids.signals["LT-E"], piece, start=start))
        if first <= 200 < first + 37:
            with transaction(engine) as conn:
                insert_core(conn, _core(ids, 200, 1.9))
        update_estimates(engine, SETUPS, ids, start + timedelta(minutes=37))
    assert _estimates(engine, ids) == reference


def test_late_readings_and_a_late_core_change_what_came_after(
    engine: Engine, ids: SiteIds, reference: list[Estimate]
) -> None:
    wave, now = _wave(), plant.NIGHT + timedelta(minutes=MINUTES)
    signal = ids.signals["LT-E"]
    _store(engine, ids, plant.columns(signal, wave[300:], start=plant.NIGHT + timedelta(minutes=300)))
    update_estimates(engine, SETUPS, ids, now)
    _store(engine, ids, plant.columns(signal, wave[:300]))
    update_estimates(engine, SETUPS, ids, now)
    with transaction(engine) as conn:
        insert_core(conn, _core(ids, 200, 1.9))
    update_estimates(engine, SETUPS, ids, now)
    assert _estimates(engine, ids) == reference


def test_a_corrected_core_counts_as_if_it_had_been_right_from_the_start(
    engine: Engine, ids: SiteIds, reference: list[Estimate]
) -> None:
    now = plant.NIGHT + timedelta(minutes=MINUTES)
    _store(engine, ids, plant.columns(ids.signals["LT-E"], _wave()))
    wrong = _core(ids, 350, 3.9)
    with transaction(engine) as conn:
        insert_core(conn, wrong)
    update_estimates(engine, SETUPS, ids, now)
    assert _estimates(engine, ids) != reference
    with transaction(engine) as conn:
        correct_core(conn, wrong.core.id, _core(ids, 200, 1.9), "wrong time, and read in feet")
    update_estimates(engine, SETUPS, ids, now)
    assert _estimates(engine, ids) == reference


def test_history_longer_than_a_stretch_is_estimated_to_its_end(engine: Engine, ids: SiteIds) -> None:
    step = timedelta(minutes=20)
    count = 3 * STRETCH // step
    _store(engine, ids, plant.columns(ids.signals["LT-E"], [1.0 + i % 3 / 100 for i in range(count)], step=step))
    now = plant.NIGHT + 3 * STRETCH
    caught = update_estimates(engine, SETUPS, ids, now)
    assert len([c for c in caught if c.tank == "east"]) >= 3
    assert _estimates(engine, ids)[-1].time == plant.NIGHT + (count - 1) * step
    assert len(_estimates(engine, ids)) == count
    with transaction(engine) as conn:
        assert recompute.due(conn) == []
    assert update_estimates(engine, SETUPS, ids, now) == []


def test_readings_that_come_in_meanwhile_do_not_keep_a_run_going(
    engine: Engine, ids: SiteIds, monkeypatch: pytest.MonkeyPatch
) -> None:
    _store(engine, ids, plant.columns(ids.signals["LT-E"], _wave(30)))
    stretch, more = estimate_job._stretch, iter(range(2 * len(SETUPS)))

    def busy(*given: Any) -> Caught:
        if (i := next(more, None)) is not None:
            later = plant.NIGHT + timedelta(hours=1 + i)
            _store(engine, ids, plant.columns(ids.signals["LT-E"], [1.0 + i / 100], start=later))
        caught: Caught = stretch(*given)
        return caught

    monkeypatch.setattr(estimate_job, "_stretch", busy)
    now = plant.NIGHT + timedelta(hours=8)
    assert len(update_estimates(engine, SETUPS, ids, now)) == 1
    assert len(update_estimates(engine, SETUPS, ids, now)) == 1


def test_readings_ahead_of_our_clock_are_not_left_behind(engine: Engine, ids: SiteIds) -> None:
    _store(engine, ids, plant.columns(ids.signals["LT-E"], _wave(30)))
    update_estimates(engine, SETUPS, ids, plant.NIGHT + timedelta(minutes=10))
    assert _estimates(engine, ids)[-1].time == plant.NIGHT + timedelta(minutes=29)


def test_a_checkpoint_of_another_version_starts_over(engine: Engine, ids: SiteIds, reference: list[Estimate]) -> None:
    now = plant.NIGHT + timedelta(minutes=MINUTES)
    _store(engine, ids, plant.columns(ids.signals["LT-E"], _wave()[:300]))
    with transaction(engine) as conn:
        insert_core(conn, _core(ids, 200, 1.9))
    update_estimates(engine, SETUPS, ids, now)
    with transaction(engine) as conn:
        save_checkpoint(conn, ids.tanks["east"], plant.NIGHT + timedelta(minutes=299), {"version": -1})
    start = plant.NIGHT + timedelta(minutes=300)
    _store(engine, ids, plant.columns(ids.signals["LT-E"], _wave()[300:], start=start))
    update_estimates(engine, SETUPS, ids, now)
    assert _estimates(engine, ids) == reference


def test_projection_grows_less_sure_with_silence(engine: Engine, ids: SiteIds) -> None:
    _store(engine, ids, plant.columns(ids.signals["LT-E"], _wave(60)))
    now = plant.NIGHT + timedelta(minutes=60)
    update_estimates(engine, SETUPS, ids, now)
    soon = project_all(engine, SETUPS, ids, now)["east"]
    later = project_all(engine, SETUPS, ids, now + timedelta(hours=6))["east"]
    assert later.sd > soon.sd
    assert project_all(engine, SETUPS, ids, now)["west"].reason.value == "no data yet"


def test_a_week_without_any_reading_is_got_over(engine: Engine, ids: SiteIds) -> None:
    """The checkpoint before a gap is where the fold goes on; that nothing follows it for days must not hold the mark back."""
    signal, later = ids.signals["LT-E"], plant.NIGHT + timedelta(days=7)
    _store(engine, ids, plant.columns(signal, _wave(30)))
    update_estimates(engine, SETUPS, ids, plant.NIGHT + timedelta(hours=1))
    _store(engine, ids, plant.columns(signal, _wave(30), start=later))
    done = update_estimates(engine, SETUPS, ids, later + timedelta(days=9))
    assert sum(caught.estimates for caught in done) == 30
    assert len(_estimates(engine, ids)) == 60
