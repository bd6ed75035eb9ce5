"""What people saw and what takes it back, decided from what is stored; a look at the past says the same."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from uuid import uuid4

import pytest
from sqlalchemy import Engine, text

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority
from service.alarms.machine import AlarmState
from service.alarms.rules import Condition, RuleReason, judge
from service.domain.blanket.estimate import Assessment, EstimateReason, TankSetup, Trust
from service.domain.cores.core import Surface
from service.domain.laboratory.result import LaboratoryKind, LaboratoryResult
from service.domain.plant.reading import ReadingReason
from service.domain.plant.signal import Measures, Mount, Signal, SignalKind
from service.jobs.alarms.evaluate import evaluate, evaluate_service
from service.jobs.alarms.explain import explain
from service.jobs.alarms.situations import standing_observations, tank_histories
from service.jobs.blanket.estimate import project_all, update_estimates
from service.jobs.effluent.now import beyond_words, effluent_beyond
from service.storage.alarms.alarms import AlarmRecord, alarms
from service.storage.blanket import estimates
from service.storage.blanket.recompute import mark_dirty
from service.storage.cores.cores import CoreRecord, correct_core, withdraw_core
from service.storage.database.session import transaction
from service.storage.laboratory.results import LaboratoryRecord, insert_result
from service.storage.readings.batches import open_batch
from service.storage.readings.writer import ReadingWriter
from tests.support.alarm_plant import EAST, MINUTE, NIGHT, AlarmPlant, alarm_setup, definitions, plant_of
from tests.support.plant import columns

HOUR = timedelta(hours=1)
SECOND = Signal(
    tag="east.second", kind=SignalKind.BLANKET, tank="east", unit="m", mount=Mount(measures=Measures.HEIGHT)
)
FLUFF = Signal(tag="east.fluff", kind=SignalKind.FLUFF, tank="east", unit="m", mount=Mount(measures=Measures.HEIGHT))
TURBIDITY = Signal(tag="east.turbidity", kind=SignalKind.TURBIDITY, tank="east", unit="NTU", limit=15.0)
OUTFALL = Signal(tag="outfall", kind=SignalKind.EFFLUENT_SOLIDS, tank=None, unit="mg/L", limit=0.030)
TANK: TankSetup = replace(EAST, blankets=(*EAST.blankets, SECOND), others=(FLUFF, TURBIDITY, OUTFALL))
TURBID = AlarmDefinition(
    key="east.turbidity", kind=AlarmKind.TURBIDITY, tank="east", limit=15.0, deadband=1.5, priority=Priority.HIGH
)
SOLIDS = AlarmDefinition(
    key="plant.effluent-solids", kind=AlarmKind.EFFLUENT_SOLIDS, tank=None, limit=0.030, priority=Priority.HIGH
)


@pytest.fixture
def plant(engine: Engine) -> AlarmPlant:
    setup = alarm_setup(alarms=(*definitions(on_delay=timedelta(0), off_delay=timedelta(0)), TURBID, SOLIDS))
    return AlarmPlant.build(engine, setup, tanks=(TANK,))


def look(plant: AlarmPlant, now: datetime) -> AlarmRecord:
    """Look at all alarms; gives back the danger alarm."""
    done = evaluate(plant.engine, plant_of(plant.setup, (TANK,), plant.ids), projected={}, now=now)
    assert done.failed == {}
    return stand(plant, "east.high-high")


def stand(plant: AlarmPlant, key: str) -> AlarmRecord:
    with transaction(plant.engine) as conn:
        return next(record for record in alarms(conn) if record.key == key)


def both_say(plant: AlarmPlant, at: datetime, clearance: float, second: float | None = None) -> None:
    """What the belief and the first sensor say, and the second."""
    plant.believe(at, clearance, tank=TANK)
    height = 4.0 - (clearance if second is None else second)
    sample = Assessment(tag=SECOND.tag, time=at, height=height, corrected=height, verdict=ReadingReason.NONE)
    with transaction(plant.engine) as conn:
        number = plant.ids.signals[SECOND.tag]
        estimates.replace_assessments(conn, {SECOND.tag: number}, at, [sample], end=at + timedelta(microseconds=1))


def reads(plant: AlarmPlant, signal: Signal, at: datetime, value: float) -> None:
    with transaction(plant.engine) as conn:
        writer = ReadingWriter(conn, open_batch(conn, "test", f"{signal.tag} {at}", at))
        writer.store(columns(plant.ids.signals[signal.tag], [value], start=at, step=MINUTE))


def subjects(plant: AlarmPlant) -> list[str]:
    with transaction(plant.engine) as conn:
        rows = conn.execute(text("SELECT payload->>'subject' FROM outbox WHERE recipient LIKE 'night%' ORDER BY id"))
        return [row[0] for row in rows]


def test_a_core_stands_beside_sensors_that_contradict_it_whatever_the_time(plant: AlarmPlant) -> None:
    both_say(plant, NIGHT, 3.0)
    plant.core(NIGHT, 3.6)
    for hours in (0.1, 1.0, 8.0, 20.0):
        both_say(plant, NIGHT + hours * HOUR, 3.0)
        assert look(plant, NIGHT + hours * HOUR).machine.state is AlarmState.UNACKNOWLEDGED
    said = explain(plant.engine, plant.model, TANK, at=NIGHT + 12 * HOUR, alarm="east.high-high")
    assert said.alarms[0].verdict.reason is RuleReason.CORE_BEYOND_LIMIT
    assert any("it contradicts the sensor" in sentence for sentence in said.sentences)
    with transaction(plant.engine) as conn:
        [seen] = standing_observations(conn, plant.model, {}, NIGHT + 20 * HOUR).values()
    assert seen.reason is RuleReason.CORE_BEYOND_LIMIT
    assert not any("CLEARED" in subject for subject in subjects(plant))


def test_two_sensors_that_agreed_with_it_and_saw_the_blanket_fall_take_it_back(plant: AlarmPlant) -> None:
    both_say(plant, NIGHT, 0.4)
    plant.core(NIGHT, 3.6)
    assert look(plant, NIGHT).machine.active
    for step in range(1, 13):
        both_say(plant, NIGHT + 10 * step * MINUTE, 0.4 + 0.2 * step, second=0.4)
        assert look(plant, NIGHT + 10 * step * MINUTE).machine.active  # one alone takes nothing back
    both_say(plant, NIGHT + 3 * HOUR, 2.8)
    assert not look(plant, NIGHT + 3 * HOUR).machine.active
    assert any(subject.startswith("CLEARED East clarifier: danger over") for subject in subjects(plant))
    # One of them falling silent later gives the core no new word, and the past says the same.
    plant.believe(NIGHT + 9 * HOUR, 2.8, tank=TANK)
    assert not look(plant, NIGHT + 9 * HOUR).machine.active
    with transaction(plant.engine) as conn:
        for at, condition in ((NIGHT + HOUR, Condition.ABNORMAL), (NIGHT + 9 * HOUR, Condition.NORMAL)):
            history = tank_histories(conn, [TANK], plant.ids, after={"east": None}, now=at)["east"]
            verdict = judge(definitions()[1], history.at(at, history.estimates[-1]))
            assert verdict.condition is condition


def test_fluff_and_words_for_the_surface_raise_danger_until_another_round(plant: AlarmPlant) -> None:
    both_say(plant, NIGHT, 3.4)
    plant.core(NIGHT, 0.6, fluff=3.6, surface=(Surface.SOLIDS_OVER_WEIR,))
    assert look(plant, NIGHT).machine.rule_reason == RuleReason.SEEN_AT_THE_WEIR
    both_say(plant, NIGHT + HOUR, 3.4)
    plant.core(NIGHT + HOUR, 0.6)  # says nothing of the surface
    assert look(plant, NIGHT + HOUR).machine.active
    both_say(plant, NIGHT + 5 * HOUR, 3.4)
    plant.core(NIGHT + 5 * HOUR, 0.6, surface=(Surface.CLEAR,), fluff=3.6)
    assert look(plant, NIGHT + 5 * HOUR).machine.rule_reason == RuleReason.FLUFF_BEYOND_LIMIT
    both_say(plant, NIGHT + 6 * HOUR, 3.4)
    plant.core(NIGHT + 6 * HOUR, 0.6)
    assert not look(plant, NIGHT + 6 * HOUR).machine.active


def test_a_slip_that_is_withdrawn_ends_its_danger(plant: AlarmPlant) -> None:
    both_say(plant, NIGHT, 3.0)
    core = plant.core(NIGHT, 3.6)
    assert look(plant, NIGHT).machine.active
    with transaction(plant.engine) as conn:
        withdraw_core(conn, core.id, id=uuid4(), at=NIGHT, reason="wrong tank", by="Kim")
    both_say(plant, NIGHT + MINUTE, 3.0)
    assert not look(plant, NIGHT + MINUTE).machine.active


def test_fluff_by_an_instrument_counts(plant: AlarmPlant) -> None:
    both_say(plant, NIGHT, 3.0)
    reads(plant, FLUFF, NIGHT - MINUTE, 3.6)
    found = look(plant, NIGHT).machine
    assert (found.active, found.rule_detail) == (True, FLUFF.tag)
    assert subjects(plant)[0].startswith("DANGER East clarifier: fluff up to 1.3 ft under the weir by east.fluff")


def test_effluent_beyond_its_limit_calls_and_holds_what_else_would_be_over(plant: AlarmPlant) -> None:
    both_say(plant, NIGHT, 0.3)
    assert look(plant, NIGHT).machine.active
    both_say(plant, NIGHT + MINUTE, 3.0)
    reads(plant, TURBIDITY, NIGHT + MINUTE, 80.0)
    held = look(plant, NIGHT + MINUTE).machine
    assert (held.active, held.rule_reason) == (True, RuleReason.EFFLUENT_BEYOND_LIMIT)
    assert stand(plant, "east.turbidity").machine.active
    assert "EFFLUENT East clarifier: effluent turbidity 80.0 NTU by east.turbidity" in subjects(plant)
    both_say(plant, NIGHT + 2 * MINUTE, 3.0)
    reads(plant, TURBIDITY, NIGHT + 2 * MINUTE, 4.0)
    assert not look(plant, NIGHT + 2 * MINUTE).machine.active
    reads(plant, OUTFALL, NIGHT + 3 * MINUTE, 0.045)
    evaluate_service(
        plant.engine, plant_of(plant.setup, (TANK,), plant.ids), connectors=(), started_at=NIGHT, now=NIGHT + 3 * MINUTE
    )
    assert stand(plant, "plant.effluent-solids").machine.active
    assert "EFFLUENT Alder Creek: effluent solids 45.0 mg/L by outfall" in subjects(plant)


@pytest.mark.parametrize("sensor", ["sees nothing of it", "silent", "stuck", "none"])
def test_a_second_core_takes_a_wrong_one_back_whatever_the_one_sensor_does(engine: Engine, sensor: str) -> None:
    """The first was put on the wrong tank; the sensor cannot take it back, whatever it says, and another person can."""
    blanket = replace(EAST.blankets[0], flat_after=timedelta(minutes=30))
    tank = replace(EAST, blankets=() if sensor == "none" else (blanket,))
    setup = alarm_setup(alarms=definitions(on_delay=timedelta(0), off_delay=15 * MINUTE))
    plant = AlarmPlant.build(engine, setup, tanks=(tank,))
    if tank.blankets:
        hours = {"silent": 2.0, "stuck": 2.0}.get(sensor, 8.0)
        said = [0.8 + 0.01 * (minute % 3) for minute in range(int(hours * 60))]
        said += [0.8] * (360 if sensor == "stuck" else 0)
        with transaction(engine) as conn:
            writer = ReadingWriter(conn, open_batch(conn, "test", "all night", NIGHT))
            writer.store(columns(plant.ids.signals[blanket.tag], said, start=NIGHT - 4 * HOUR, step=MINUTE))

    def at(now: datetime) -> AlarmRecord:
        with transaction(engine) as conn:
            mark_dirty(conn, {plant.ids.tanks["east"]: NIGHT - 4 * HOUR})
        update_estimates(engine, (tank,), plant.ids, now)
        projected = project_all(engine, (tank,), plant.ids, now)
        done = evaluate(engine, plant_of(setup, (tank,), plant.ids), projected=projected, now=now)
        assert done.failed == {}
        return stand(plant, "east.high-high")

    plant.core(NIGHT, 3.6)
    for minutes in (1, 10, 20):
        assert at(NIGHT + minutes * MINUTE).machine.state is AlarmState.UNACKNOWLEDGED
    plant.core(NIGHT + 25 * MINUTE, 0.8, taken_by="Lee")
    for minutes in (26, 33, 42):
        after = at(NIGHT + minutes * MINUTE).machine
    assert after.state is AlarmState.RETURNED, after.rule_reason
    assert any(subject.startswith("CLEARED East clarifier: danger over") for subject in subjects(plant))
    with transaction(engine) as conn:
        told = conn.execute(text("SELECT payload->>'text' FROM outbox WHERE payload->>'kind' = 'cleared'")).scalars()
        assert all("hand core by Lee" in words for words in told)


def test_a_silent_sensor_clears_nothing_by_itself(engine: Engine) -> None:
    """A core before the sensor spoke last is not what a belief carried forward rests on."""
    setup = alarm_setup(alarms=definitions(on_delay=timedelta(0), off_delay=timedelta(0)))
    plant = AlarmPlant.build(engine, setup, tanks=(EAST,))
    plant.believe(NIGHT, 3.2)
    plant.core(NIGHT, 0.8)
    plant.believe(NIGHT + HOUR, 0.3)

    def at(now: datetime) -> AlarmRecord:
        evaluate(engine, plant_of(setup, (EAST,), plant.ids), projected={}, now=now)
        return stand(plant, "east.high-high")

    assert at(NIGHT + HOUR).machine.active
    plant.believe(NIGHT + 2 * HOUR, 3.2, reason=EstimateReason.COASTING, trust=Trust.DOUBTFUL, sensed=False)
    held = at(NIGHT + 2 * HOUR).machine
    assert (held.active, held.rule_reason) == (True, RuleReason.NOT_MEASURED)


@pytest.mark.parametrize("how", ["withdrawn", "corrected"])
def test_a_cleared_message_names_the_core_that_was_taken_back(plant: AlarmPlant, how: str) -> None:
    both_say(plant, NIGHT, 3.0)
    core = plant.core(NIGHT, 3.6)
    assert look(plant, NIGHT).machine.active
    with transaction(plant.engine) as conn:
        if how == "withdrawn":
            withdraw_core(conn, core.id, id=uuid4(), at=NIGHT + MINUTE, reason="wrong tank", by="Kim")
        else:
            low = replace(core, id=uuid4(), thickness=1.0, recorded_at=NIGHT + MINUTE)
            record = CoreRecord(
                core=low, tank_id=plant.ids.tanks["east"], typed_value=1.0, typed_unit="m", source="page, Kim"
            )
            correct_core(conn, core.id, record, "wrong tank")
    both_say(plant, NIGHT + 2 * MINUTE, 3.0)
    assert not look(plant, NIGHT + 2 * MINUTE).machine.active
    [subject] = [subject for subject in subjects(plant) if subject.startswith("CLEARED East clarifier: danger over")]
    assert f"danger over, core of 03:00 EST {how} by Kim" in subject
    with transaction(plant.engine) as conn:
        told = conn.execute(text("SELECT payload->>'text' FROM outbox WHERE payload->>'kind' = 'cleared'")).scalars()
        words = [" ".join(said.split()) for said in told]
    became = "" if how == "withdrawn" else " to 3.3 ft"
    assert any(f"the core of 03:00 EST, which was {how}{became} by Kim (wrong tank)" in said for said in words)


def test_a_sample_beyond_the_permit_holds_what_else_would_be_over_until_another_takes_it_back(
    plant: AlarmPlant,
) -> None:
    tank = replace(TANK, others=(FLUFF,), terms=replace(TANK.terms, effluent={SignalKind.EFFLUENT_SOLIDS: 0.060}))
    model = plant_of(plant.setup, (tank,), plant.ids)

    def danger(at: datetime) -> AlarmRecord:
        assert evaluate(plant.engine, model, projected={}, now=at).failed == {}
        return stand(plant, "east.high-high")

    def sample(at: datetime, value: float) -> None:
        result = LaboratoryResult(id=uuid4(), kind=LaboratoryKind.EFFLUENT_SOLIDS, tank=None, taken_at=at, recorded_at=at, value=value)  # fmt: skip
        record = LaboratoryRecord(result=result, tank_id=None, typed_value=value, typed_unit="g/L", source="test")
        with transaction(plant.engine) as conn:
            insert_result(conn, record)

    both_say(plant, NIGHT, 0.3)
    assert danger(NIGHT).machine.active
    sample(NIGHT, 0.090)
    both_say(plant, NIGHT + MINUTE, 3.0)
    held = danger(NIGHT + MINUTE).machine
    assert (held.active, held.rule_reason, held.rule_detail) == (
        True,
        RuleReason.EFFLUENT_BEYOND_LIMIT,
        "the laboratory",
    )
    assert not any("CLEARED" in subject for subject in subjects(plant))
    with transaction(plant.engine) as conn:
        [seen] = effluent_beyond(conn, tank, plant.ids, NIGHT + MINUTE)
        assert (
            beyond_words(seen, "us")
            == "effluent solids 90.0 mg/L by the laboratory, limit 60.0 mg/L, and no value since"
        )
        assert effluent_beyond(conn, tank, plant.ids, NIGHT + 27 * HOUR) == ()  # yesterday's
    sample(NIGHT + 2 * MINUTE, 0.020)
    both_say(plant, NIGHT + 2 * MINUTE, 3.0)
    assert not danger(NIGHT + 2 * MINUTE).machine.active
