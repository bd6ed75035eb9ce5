"""What is wrong with a tank, from what is stored; and an alarm that is told whatever is wrong with its diagnosis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from uuid import uuid4

import pytest
from sqlalchemy import Engine, text

from service.domain.blanket.estimate import TankSetup
from service.domain.cores.core import Surface
from service.domain.diagnosis.diagnosis import Diagnosis
from service.domain.diagnosis.modes import FailureMode
from service.domain.laboratory.result import LaboratoryKind, LaboratoryResult
from service.jobs.alarms.evaluate import evaluate
from service.jobs.blanket.estimate import project_all, update_estimates
from service.jobs.diagnosis.diagnosis import diagnosis_of
from service.storage.blanket import recompute
from service.storage.cores.cores import insert_core
from service.storage.database.session import transaction
from service.storage.laboratory.results import LaboratoryRecord, insert_result
from service.storage.plant.outages import Outage, begin_outage
from service.storage.readings.batches import open_batch
from service.storage.readings.writer import ReadingWriter
from tests.support import plant as cores
from tests.support.alarm_plant import MINUTE, NIGHT, AlarmPlant
from tests.support.flowing_plant import FLOW, TANKS, store_day


def _diagnosis(plant: AlarmPlant, tanks: Sequence[TankSetup] = TANKS) -> Diagnosis:
    believed = project_all(plant.engine, TANKS, plant.ids, NIGHT)["east"]
    with transaction(plant.engine) as conn:
        found = diagnosis_of(conn, replace(plant.model, setups=tanks), tanks[0], believed, NIGHT)
    assert found is not None
    return found


def _round(plant: AlarmPlant, hours_ago: float, *seen: Surface) -> None:
    record = cores.core_record(plant.ids, 1.0, taken_at=NIGHT - timedelta(hours=hours_ago))
    with transaction(plant.engine) as conn:
        insert_core(conn, replace(record, core=replace(record.core, surface=seen)))


def test_a_storm_an_overload_and_sludge_that_settles_worse(engine: Engine) -> None:
    plant = AlarmPlant.build(engine, tanks=TANKS)
    store_day(engine, plant.ids, settled=(280.0, 285.0, 290.0, 420.0))
    _round(plant, 3.0, Surface.FOAM)
    _round(plant, 1.0)  # somebody took a core and wrote nothing down of the surface
    found = _diagnosis(plant)
    e = found.evidence
    assert e.flow_ratio == pytest.approx(2.0, rel=0.02)
    assert e.load.sludge_index == pytest.approx(420.0 / 3.2, rel=0.02)
    assert e.usual_index is None  # nothing was heard of the mixed liquor beside tests of days before
    assert e.surface == (Surface.FOAM,)
    assert e.test_age == pytest.approx(12.0, abs=0.1)
    assert e.core_age == pytest.approx(1.0)
    assert e.height == pytest.approx(1.7, abs=0.1)
    assert (e.thickening or 0.0) > 1.0
    assert found.leading.mode is FailureMode.THICKENING


def test_what_is_usual_comes_from_the_laboratory_where_it_has_some(engine: Engine) -> None:
    plant = AlarmPlant.build(engine, tanks=TANKS)
    store_day(engine, plant.ids, settled=(280.0, 285.0, 290.0, 420.0))
    solids, test = LaboratoryKind.MIXED_LIQUOR_SOLIDS, LaboratoryKind.SETTLED_VOLUME
    volumes = (240.0, 245.0, 230.0, 400.0)
    with transaction(engine) as conn:
        for days, volume in zip((4, 3, 2, 0), volumes, strict=True):
            at = NIGHT - timedelta(days=days, hours=2)
            values: tuple[tuple[LaboratoryKind, float, str, int | None, float], ...] = (
                (solids, 2.0, "g/L", None, 1.0),
                (test, volume, "mL/L", 30, 1.0),
                (test, 2.0 * volume, "mL/L", 30, 2.0),
            )
            for kind, value, unit, minute, dilution in values:
                result = LaboratoryResult(
                    id=uuid4(), kind=kind, tank=None, taken_at=at, recorded_at=at, value=value, minute=minute, dilution=dilution
                )  # fmt: skip
                insert_result(conn, LaboratoryRecord(result=result, tank_id=None, typed_value=value, typed_unit=unit, source="test"))  # fmt: skip
    e = _diagnosis(plant).evidence
    assert e.load.sludge_index == pytest.approx(400.0 / 2.0, rel=0.02)
    assert e.usual_index == pytest.approx(240.0 / 2.0)  # tonight's own test and the diluted cylinders left out
    assert e.usual_feed == pytest.approx(2.0)


def test_a_lost_return_is_seen_and_an_old_round_says_nothing(engine: Engine) -> None:
    plant = AlarmPlant.build(engine, tanks=TANKS)
    store_day(engine, plant.ids, storm=1.0, returns=0.1)
    _round(plant, 14.0, Surface.CLUMPS)
    found = _diagnosis(plant)
    assert found.leading.mode is FailureMode.RETURN_LOST
    assert found.clear
    e = found.evidence
    assert e.drawn_ratio == pytest.approx(0.1, rel=0.05)
    assert e.surface == ()
    assert e.core_age is None
    assert e.flow_beside_sisters is None  # west has no meter, and nothing measures the whole plant


def test_an_uneven_split_is_seen_by_the_tanks_own_meters_and_not_beside_a_tank_that_is_out(engine: Engine) -> None:
    west_flow = replace(FLOW, tag="west.flow", tank="west")
    tanks = tuple(
        replace(setup, others=(*setup.others, *((west_flow,) if setup.tank.key == "west" else ())), share_of_plant=0.5)
        for setup in TANKS
    )
    plant = AlarmPlant.build(engine, tanks=tanks)
    store_day(engine, plant.ids)
    assert _diagnosis(plant, tanks).evidence.flow_beside_sisters is None  # west's meter is silent
    with transaction(engine) as conn:
        batch = open_batch(conn, "test", "west", NIGHT)
        # A tank is judged by what was heard up to its newest blanket: west's own comes with its flow.
        writer = ReadingWriter(conn, batch)
        writer.store(cores.columns(plant.ids.signals["west.flow"], [500.0 / 3600.0], start=NIGHT - MINUTE))
        writer.store(cores.columns(plant.ids.signals["west.blanket"], [0.6], start=NIGHT - MINUTE))
        recompute.mark_signals_dirty(conn, writer.stored.earliest_us)
    update_estimates(engine, tanks, plant.ids, NIGHT)
    found = _diagnosis(plant, tanks)
    assert found.evidence.flow_beside_sisters == pytest.approx(1000.0 / 750.0, rel=0.02)
    assert found.evidence.above_sisters == pytest.approx(1.1, abs=0.15)
    assert found.leading.mode is FailureMode.UNEVEN
    with transaction(engine) as conn:
        begin_outage(conn, plant.ids.tanks["west"], Outage(since=NIGHT - MINUTE, who="Sam", why="empty", permit=""))
    assert _diagnosis(plant, tanks).evidence.sisters == ()


@pytest.mark.parametrize("broken", [False, True])
def test_the_mail_says_what_was_seen_and_goes_out_even_where_that_fails(
    engine: Engine, broken: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant = AlarmPlant.build(engine, tanks=TANKS)
    store_day(engine, plant.ids, storm=1.0, returns=0.1)
    if broken:
        # Only what the mail says beside the alarm reads cores so; the look itself has a reading of its own.
        monkeypatch.setattr(
            "service.jobs.diagnosis.diagnosis.current_cores",
            lambda conn, *_: conn.execute(text("SELECT no_such_column FROM hand_core")),
        )
    for minute in range(4):
        plant.believe(NIGHT + minute * MINUTE, 0.5, rate=0.1)
    for minute in (0, 2, 3):
        evaluate(engine, plant.model, projected={}, now=NIGHT + minute * MINUTE)
    with transaction(engine) as conn:
        told = [row.payload for row in conn.execute(text("SELECT payload FROM outbox"))]
    danger = next(payload for payload in told if payload["subject"].startswith("DANGER"))
    assert ("Return flow is down. Pump running?" in danger["text"]) is not broken
    assert ("Return sludge: is the pump running" in danger["text"]) is broken
    assert "Stay behind the guard rail" in danger["text"]
    assert ("Return flow down" in danger["sms"]) is not broken
    assert len(danger["sms"]) <= 160


def test_a_storm_that_thins_the_mixed_liquor_makes_no_sludge_bulk(engine: Engine) -> None:
    """Nothing was measured when the test was made: the nearest counts, not what a storm has left by now."""
    plant = AlarmPlant.build(engine, tanks=TANKS)
    store_day(engine, plant.ids, settled=(420.0,))
    test_at = NIGHT - timedelta(hours=12)
    with transaction(engine) as conn:
        conn.execute(
            text("DELETE FROM reading WHERE signal_id = :feed AND time < :soon"),
            {"feed": plant.ids.signals["feed"], "soon": test_at + timedelta(hours=3)},
        )
        writer = ReadingWriter(conn, open_batch(conn, "test", "thin", NIGHT))
        thin = [3.2 - 0.1 * n for n in range(17)]
        times = NIGHT - timedelta(minutes=80)
        writer.store(cores.columns(plant.ids.signals["feed"], thin, start=times, step=timedelta(minutes=5)))
        recompute.mark_signals_dirty(conn, writer.stored.earliest_us)
    update_estimates(engine, TANKS, plant.ids, NIGHT)
    found = _diagnosis(plant).evidence
    assert found.streams.feed_solids == pytest.approx(1.6)
    assert found.load.sludge_index == pytest.approx(420.0 / 3.2, rel=0.02)
