"""A process that takes in a drop folder and is killed on the way: at a named step, or by whoever started it."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from sqlalchemy import Engine

from connectors.base import Delivery
from connectors.csv.decoding.format import CsvFormat
from connectors.csv.drop import CsvDrop, CsvDropConfig
from service.domain.blanket.estimate import TankSetup
from service.jobs.ingest import IngestReport, IngestStep, Plant, ingest
from service.storage.database.session import make_engine, transaction
from service.storage.plant.site_tables import site_ids
from service.storage.readings import processed_files as ledger
from tests.support.alarm_plant import alarm_setup
from tests.support.inline_reader import InlineReader
from tests.support.plant import NOON, SIGNALS, TANKS

#: Small enough that the test's file comes in several parts.
BLOCK_BYTES = 10_000


def plant(engine: Engine) -> Plant:
    """The invented plant as the database knows it."""
    with transaction(engine) as conn:
        ids = site_ids(conn)
    return Plant(
        setups=[TankSetup(tank=tank, blankets=()) for tank in TANKS],
        signals={signal.tag: signal for signal in SIGNALS},
        ids=ids,
        alarms=replace(alarm_setup(), units="si"),
    )


def take_in(
    engine: Engine, folder: Path, on_step: Callable[[IngestStep, Delivery], None] = lambda step, delivery: None
) -> IngestReport:
    """Look into the folder twice, as a service does, the second time long after the first; reports on the second look."""
    moment = 0.0

    def taken(content_hash: str) -> bool:
        with transaction(engine) as conn:
            return ledger.find(conn, "drop", content_hash) is not None

    connector = CsvDrop(
        CsvDropConfig(
            key="drop",
            folder=folder,
            format=CsvFormat(
                tags=frozenset(signal.tag for signal in SIGNALS), tanks=frozenset(tank.key for tank in TANKS)
            ),
            block_bytes=BLOCK_BYTES,
        ),
        reader=InlineReader(),
        now=lambda: NOON,
        is_stored=taken,
        clock=lambda: moment,
    )
    here = plant(engine)
    ingest(connector, here, engine, lambda: NOON)
    moment = 60.0
    return ingest(connector, here, engine, lambda: NOON, on_step=on_step)


def main(url: str, folder: str, die_at: int | None) -> None:
    """Take in the folder; die without a word at the step of that number."""
    steps = iter(range(1_000_000))

    def on_step(step: IngestStep, delivery: Delivery) -> None:
        if next(steps) == die_at:
            os.kill(os.getpid(), signal.SIGKILL)

    take_in(make_engine(url), Path(folder), on_step)
