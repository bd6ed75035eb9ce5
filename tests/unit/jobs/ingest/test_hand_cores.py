"""Hand cores of a sheet: what cannot be taken is listed up to a number, and counted beyond."""

from __future__ import annotations

from typing import cast

from sqlalchemy import Connection

from connectors.base import HandCore
from connectors.csv.decoding.lines import MAX_LISTED_REJECTS
from service.domain.blanket.estimate import TankSetup
from service.jobs.ingest.hand_cores import MAX_WARNINGS, CoreOutcome, store_cores
from service.jobs.plant.plant import Plant
from service.storage.plant.site_tables import SiteIds
from tests.support.alarm_plant import alarm_setup
from tests.support.plant import NOON, TANKS


def test_a_sheet_of_cores_of_no_tank_is_counted_and_does_not_fill_the_memory() -> None:
    plant = Plant(
        setups=[TankSetup(tank=tank, blankets=()) for tank in TANKS],
        signals={},
        ids=SiteIds(tanks={}, signals={}),
        alarms=alarm_setup(),
    )
    whole = CoreOutcome()
    nowhere = cast(Connection, None)  # what is of no tank never gets that far
    for _ in range(4):
        cores = [HandCore("nowhere", NOON, 1.0, "m", line=line) for line in range(4_000)]
        whole.add(store_cores(nowhere, plant, cores, connector="sheet", batch_id=1, source="evil.csv", now=NOON))
    assert whole.rejected == 16_000
    assert len(whole.rejects) == MAX_LISTED_REJECTS


def test_warnings_have_an_end() -> None:
    outcome = CoreOutcome()
    outcome.warn(f"line {line}: doubtful" for line in range(5_000))
    outcome.add(outcome)
    assert len(outcome.warnings) == MAX_WARNINGS
