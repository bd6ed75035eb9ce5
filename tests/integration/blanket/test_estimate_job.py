"""Estimates from what is stored: however the data came in, the result is that of all data at once."""

from __future__ import annotations

import random
from contextlib import suppress
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine

from service.domain.blanket.estimate import Estimate, TankSetup, Trust
from service.domain.blanket.past_work import PastWork
from service.jobs.blanket import estimate as estimate_job
from service.jobs.blanket.estimate import (
    LONGEST,
    Caught,
    estimate_past,
    estimate_present,
    past_work,
    project_all,
    update_estimates,
)
from service.storage.blanket import recompute
from service.storage.blanket.checkpoints import save_checkpoint
from service.storage.blanket.estimates import estimates_between
from service.storage.cores.cores import CoreRecord, correct_core, insert_core
from service.storage.database.session import transaction
from service.storage.plant.site_tables import SiteIds
from service.storage.readings.batches import open_batch
from service.storage.readings.columns import ReadingColumns
from service.storage.readings.writer import ReadingWriter
from tests.conftest import THOROUGH
from tests.support import plant

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
        recompute.mark_signals_dirty(conn, writer.stored.earliest_us)


def _core(ids: SiteIds, minutes: int, thickness: float) -> CoreRecord:
    at = plant.NIGHT + timedelta(minutes=minutes, seconds=30)
    return plant.core_record(ids, thickness, taken_at=at)


def _estimates(engine: Engine, ids: SiteIds, tank: str = "east") -> list[Estimate]:
    with transaction(engine) as conn:
        return estimates_between(conn, [ids.tanks[tank]])


def _past(engine: Engine, now: datetime) -> dict[str, PastWork]:
    with transaction(engine) as conn:
        return past_work(conn, now)


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


@pytest.fixture
def little_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Budgets so small that a morning is a long past."""
    monkeypatch.setattr(estimate_job, "AT_ONCE", 60)
    monkeypatch.setattr(estimate_job, "PRESENT", 25)
    monkeypatch.setattr(estimate_job, "PIECE", 40)


@pytest.mark.usefixtures("little_at_once")
def test_history_longer_than_a_piece_is_estimated_to_its_end(engine: Engine, ids: SiteIds) -> None:
    step = timedelta(minutes=20)
    count = 3 * LONGEST // step
    _store(engine, ids, plant.columns(ids.signals["LT-E"], [1.0 + i % 3 / 100 for i in range(count)], step=step))
    now = plant.NIGHT + 3 * LONGEST
    caught = update_estimates(engine, SETUPS, ids, now)
    assert len([c for c in caught if c.tank == "east"]) >= 10
    assert _estimates(engine, ids)[-1].time == plant.NIGHT + (count - 1) * step
    assert len(_estimates(engine, ids)) == count
    with transaction(engine) as conn:
        assert recompute.claim_due(conn) == []
        assert recompute.backfills(conn, list(ids.tanks.values())) == {}
    assert update_estimates(engine, SETUPS, ids, now) == []


@pytest.mark.usefixtures("little_at_once")
def test_the_newest_is_estimated_before_the_past_there_is(
    engine: Engine, ids: SiteIds, reference: list[Estimate]
) -> None:
    """What is newest is known after one look, whatever lies before it; the past is shown as it comes."""
    now = plant.NIGHT + timedelta(minutes=MINUTES)
    _store(engine, ids, plant.columns(ids.signals["LT-E"], _wave()))
    with transaction(engine) as conn:
        insert_core(conn, _core(ids, 200, 1.9))
    (caught,) = estimate_present(engine, SETUPS, ids, now)
    assert not caught.finished
    assert caught.events < 60
    newest = project_all(engine, SETUPS, ids, now)["east"]
    assert newest.trust is not Trust.BLIND
    assert newest.height == pytest.approx(reference[-1].height, abs=0.2)
    begun = _past(engine, now)["east"]
    assert begun.reached == begun.since == plant.NIGHT
    assert begun.share == 0.0

    estimate_past(engine, SETUPS, ids, now, enough=lambda: True)
    going = _past(engine, now)["east"]
    assert 0.0 < going.share < 0.2
    done = [e for e in _estimates(engine, ids) if e.time < going.reached]
    assert done
    assert done == reference[: len(done)]
    assert project_all(engine, SETUPS, ids, now)["east"] == newest

    estimate_past(engine, SETUPS, ids, now)
    assert _past(engine, now) == {}
    assert _estimates(engine, ids) == reference


@pytest.mark.usefixtures("little_at_once")
@pytest.mark.parametrize("known_before", [True, False], ids=["after a calm", "on the first day"])
def test_old_flows_of_the_whole_plant_do_not_blind_the_present(
    engine: Engine, ids: SiteIds, known_before: bool
) -> None:
    """Each look knows the newest reading, while months of flows from before the first checkpoint wait to be estimated."""
    heights, minute = _wave(), timedelta(minutes=1)
    begun = 300
    if known_before:
        _store(engine, ids, plant.columns(ids.signals["LT-E"], heights[:begun]))
        update_estimates(engine, SETUPS, ids, plant.NIGHT + begun * minute)
    old = plant.NIGHT - timedelta(days=90)
    _store(engine, ids, plant.columns(ids.signals["FT-1"], [0.1] * 4_000, start=old, step=10 * minute))
    for at in range(begun, begun + 60):
        one = plant.columns(ids.signals["LT-E"], heights[at : at + 1], start=plant.NIGHT + at * minute)
        _store(engine, ids, one)
        now = plant.NIGHT + at * minute
        estimate_present(engine, SETUPS, ids, now)
        if at % 7 == 3:
            estimate_past(engine, SETUPS, ids, now, enough=lambda: True)
        assert "east" in _past(engine, now)
        newest = project_all(engine, SETUPS, ids, now)["east"]
        assert newest.trust is not Trust.BLIND, at
        assert newest.height == pytest.approx(heights[at], abs=0.2)


@pytest.mark.usefixtures("little_at_once")
def test_a_change_within_the_piece_in_work_is_not_lost(
    engine: Engine, ids: SiteIds, reference: list[Estimate], monkeypatch: pytest.MonkeyPatch
) -> None:
    now = plant.NIGHT + timedelta(minutes=MINUTES)
    _store(engine, ids, plant.columns(ids.signals["LT-E"], _wave()))
    estimate_present(engine, SETUPS, ids, now)
    made = estimate_job._made

    def meanwhile(*given: Any) -> Any:
        monkeypatch.setattr(estimate_job, "_made", made)
        with transaction(engine) as conn:
            insert_core(conn, _core(ids, 200, 1.9))
        estimate_present(engine, SETUPS, ids, now)
        return made(*given)

    while _past(engine, now)["east"].reached < plant.NIGHT + timedelta(minutes=185):
        estimate_past(engine, SETUPS, ids, now, enough=lambda: True)
    monkeypatch.setattr(estimate_job, "_made", meanwhile)
    update_estimates(engine, SETUPS, ids, now)
    update_estimates(engine, SETUPS, ids, now)
    assert _estimates(engine, ids) == reference


class _Killed(Exception):
    """The process ended in the middle."""


@pytest.mark.untraced  # goes often over what other tests reach
@pytest.mark.usefixtures("little_at_once")
@pytest.mark.parametrize("seed", range(2 * THOROUGH))
def test_in_whatever_order_the_past_comes_the_end_is_that_of_all_at_once(
    engine: Engine, ids: SiteIds, reference: list[Estimate], monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    """Old history in random pieces, new readings between, turns of present and past as they fall, kills in the middle."""
    rng, wave = random.Random(seed), _wave()
    starts = list(range(0, 400, 20))
    rng.shuffle(starts)
    live, write = 400, estimate_job._write
    cored = False

    def killed(*given: Any) -> None:
        write(*given)
        if rng.random() < 0.25:
            raise _Killed  # after everything was written, before anything is committed

    monkeypatch.setattr(estimate_job, "_write", killed)
    now = plant.NIGHT + timedelta(minutes=MINUTES)
    while starts or live < MINUTES or not cored:
        if starts and rng.random() < 0.5:
            first = starts.pop()
            piece, start = wave[first : first + 20], plant.NIGHT + timedelta(minutes=first)
            _store(engine, ids, plant.columns(ids.signals["LT-E"], piece, start=start))
        if live < MINUTES and rng.random() < 0.6:
            piece, start = wave[live : live + 10], plant.NIGHT + timedelta(minutes=live)
            _store(engine, ids, plant.columns(ids.signals["LT-E"], piece, start=start))
            live += 10
            with suppress(_Killed):
                estimate_present(engine, SETUPS, ids, now)
                # The newest is known whatever is still to come of the past.
                assert _estimates(engine, ids)[-1].time == start + timedelta(minutes=len(piece) - 1)
        if not cored and rng.random() < 0.1:
            cored = True
            with transaction(engine) as conn:
                insert_core(conn, _core(ids, 200, 1.9))
        if rng.random() < 0.5:
            with suppress(_Killed):
                estimate_past(engine, SETUPS, ids, now, enough=lambda: rng.random() < 0.5)
    monkeypatch.setattr(estimate_job, "_write", write)
    update_estimates(engine, SETUPS, ids, now)
    assert _past(engine, now) == {}
    assert _estimates(engine, ids) == reference


def test_readings_that_come_in_meanwhile_do_not_keep_a_run_going(
    engine: Engine, ids: SiteIds, monkeypatch: pytest.MonkeyPatch
) -> None:
    _store(engine, ids, plant.columns(ids.signals["LT-E"], _wave(30)))
    present, more = estimate_job._present, iter(range(2 * len(SETUPS)))

    def busy(*given: Any) -> tuple[Caught, int]:
        if (i := next(more, None)) is not None:
            later = plant.NIGHT + timedelta(hours=1 + i)
            _store(engine, ids, plant.columns(ids.signals["LT-E"], [1.0 + i / 100], start=later))
        caught: tuple[Caught, int] = present(*given)
        return caught

    monkeypatch.setattr(estimate_job, "_present", busy)
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
