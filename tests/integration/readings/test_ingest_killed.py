"""kill -9 at every step and at random moments: after a restart everything is stored once, and the file has moved once."""

from __future__ import annotations

import multiprocessing
import random
from datetime import timedelta
from multiprocessing.context import ForkServerContext
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from service.storage.database.session import transaction
from tests.support.ingest_victim import main, take_in
from tests.support.plant import NIGHT, SIGNALS, describe

ROWS = 900


@pytest.fixture(scope="module")
def processes() -> ForkServerContext:
    """Processes that start fast because what they import is loaded already, without a thread of ours in them."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.support.ingest_victim"])
    return context


@pytest.fixture
def dropped(engine: Engine, tmp_path: Path) -> Path:
    """A folder with one file of several parts, one bad row in it, and the plant described in the database."""
    with transaction(engine) as conn:
        describe(conn)
    rows = ["time,tag,value"]
    for i in range(ROWS):
        at = NIGHT + (i // 3) * timedelta(minutes=1)
        rows.append(f"{at:%Y-%m-%dT%H:%M:%SZ},{SIGNALS[i % 3].tag},{i / 1000:.3f}")
    rows.append("2026-03-15T03:00:00Z,LT-E,broken")
    (tmp_path / "night.csv").write_text("\n".join(rows) + "\n")
    return tmp_path


def victim(processes: ForkServerContext, engine: Engine, folder: Path, die_at: int | None = None) -> BaseProcess:
    url = engine.url.render_as_string(hide_password=False)
    process = processes.Process(target=main, args=(url, str(folder), die_at))
    process.start()
    return process


def check_all_is_well(engine: Engine, folder: Path) -> None:
    """What is stored is right, and the file and its one reject are where they belong."""
    check_stored(engine)
    assert [path.name for path in folder.iterdir() if path.is_file()] == []
    assert sorted(path.name for path in (folder / "processed").iterdir()) == ["night.csv", "night.csv.rejected.csv"]


def check_stored(engine: Engine) -> None:
    """Every row once, one batch, one ledger entry, both tanks due."""
    with transaction(engine) as conn:
        assert conn.execute(text("SELECT count(*), count(DISTINCT (signal_id, time)) FROM reading")).one() == (
            ROWS,
            ROWS,
        )
        batches = conn.execute(text("SELECT accepted, duplicate, revised, rejected FROM batch")).all()
        assert [tuple(batch) for batch in batches] == [(ROWS, 0, 0, 1)]
        assert conn.execute(text("SELECT count(*) FROM file_ledger")).scalar_one() == 1
        assert conn.execute(text("SELECT count(*) FROM reading_revision")).scalar_one() == 0
        marks = conn.execute(text("SELECT dirty_from FROM recompute")).scalars().all()
        assert marks == [NIGHT, NIGHT]


def test_the_undisturbed_run_takes_several_parts(engine: Engine, dropped: Path) -> None:
    steps: list[str] = []
    take_in(engine, dropped, lambda step, delivery: steps.append(f"{step} {delivery.part}"))
    assert set(steps) == {f"delivered {i}" for i in range(3)} | {f"stored {i}" for i in range(3)} | {
        "committed 2",
        "acknowledged 2",
    }
    check_all_is_well(engine, dropped)


@pytest.mark.parametrize("die_at", range(8))
def test_killed_at_any_step_and_started_again(
    engine: Engine, dropped: Path, processes: ForkServerContext, die_at: int
) -> None:
    process = victim(processes, engine, dropped, die_at)
    process.join(300)
    assert process.exitcode == -9
    take_in(engine, dropped)
    check_all_is_well(engine, dropped)


def test_killed_again_and_again_at_random_moments(engine: Engine, dropped: Path, processes: ForkServerContext) -> None:
    chance = random.Random(20260314)
    killed = 0
    for turn in range(12):
        process = victim(processes, engine, dropped)
        # Hurried at first: on a quick machine a patient killer comes too late, and the next process has nothing to do.
        process.join(chance.uniform(0.0, 0.04 * turn))
        if process.is_alive():
            process.kill()
            killed += 1
        process.join(300)
    assert killed, "every process was quicker than its killer"
    take_in(engine, dropped)
    check_all_is_well(engine, dropped)


def test_two_processes_with_the_same_folder_store_it_once(
    engine: Engine, dropped: Path, processes: ForkServerContext
) -> None:
    both = [victim(processes, engine, dropped) for _ in range(2)]
    for process in both:
        process.join(300)
    take_in(engine, dropped)
    check_stored(engine)
    assert not (dropped / "night.csv").exists()
    assert (dropped / "processed" / "night.csv.rejected.csv").exists()
