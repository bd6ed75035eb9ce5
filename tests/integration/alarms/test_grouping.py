"""Twenty tanks and one cause, on a real database: what people get, and what the journal says of what they did not get."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Connection, Engine, event, text

from service.alarms.machine import AlarmState, Shelve
from service.jobs.alarms.command import submit_command
from service.jobs.alarms.evaluate import Evaluated, evaluate, evaluate_service
from service.storage.alarms.alarms import alarms, grouped_alarms, journal, sync_alarms
from service.storage.database.session import transaction
from service.storage.plant.site_tables import sync_site
from service.storage.readings.connector_state import record_success
from tests.support.alarm_plant import (
    MINUTE,
    NIGHT,
    NIGHT_OPERATOR,
    AlarmPlant,
    acknowledge,
    alarm_setup,
    by,
    definitions,
    hand_over_all,
    plant_of,
    tank_setup,
)

TWENTY = [tank_setup(f"t{number:02}", f"Tank {number}") for number in range(1, 21)]


@pytest.fixture
def plant(engine: Engine) -> AlarmPlant:
    """Twenty tanks behind one controller, and one person."""
    own = [definition for tank in TWENTY for definition in definitions(tank.tank.key)[:3]]
    setup = replace(
        alarm_setup(alarms=own, contacts=(NIGHT_OPERATOR,), connectors=("plc",)),
        feeds={tank.tank.key: frozenset({"plc"}) for tank in TWENTY},
    )
    with transaction(engine) as conn:
        ids = sync_site(conn, [t.tank for t in TWENTY], [signal for t in TWENTY for signal in t.blankets])
        sync_alarms(conn, setup.definitions, NIGHT)
    return AlarmPlant(engine, setup, ids)


def look(plant: AlarmPlant, now: datetime) -> Evaluated:
    evaluate_service(
        plant.engine,
        plant_of(plant.setup, TWENTY, plant.ids),
        connectors=["plc"],
        started_at=NIGHT - timedelta(hours=1),
        now=now,
    )
    done = evaluate(plant.engine, plant_of(plant.setup, TWENTY, plant.ids), projected={}, now=now)
    assert done.failed == {}
    hand_over_all(plant, now)
    return done


def minutes(
    plant: AlarmPlant, first: int, last: int, clearance: float | None, *, polled: bool = True, step: int = 1
) -> None:
    """Live through minutes in which every tank has that clearance; None: no readings."""
    for minute in range(first, last + 1, step):
        now = NIGHT + minute * MINUTE
        if polled:
            with transaction(plant.engine) as conn:
                record_success(conn, "plc", now)
        if clearance is not None:
            for tank in TWENTY:
                plant.believe(now, clearance, tank=tank)
        look(plant, now)


def told(plant: AlarmPlant) -> list[str]:
    with transaction(plant.engine) as conn:
        return [row[0] for row in conn.execute(text("SELECT payload->>'subject' FROM outbox ORDER BY id"))]


def silences(plant: AlarmPlant, event: str = "occurred") -> Counter[tuple[str | None, str]]:
    """Why nobody was told of alarms of tanks, with the cause they were folded under."""
    with transaction(plant.engine) as conn:
        lines = journal(conn)
    return Counter(
        (line.detail.get("folded_under"), silence["reason"])
        for line in lines
        if line.tank is not None and line.event == event
        for silence in line.detail["silent"]
    )


FOLDED = "folded under the cause it shares with other tanks"


def test_a_storm_calls_once_and_every_danger_still_calls(plant: AlarmPlant) -> None:
    minutes(plant, 0, 1, 2.0)
    minutes(plant, 2, 4, 1.0)
    (subject,) = told(plant)
    assert subject.startswith("TANKS FILLING Alder Creek: 20 tanks are filling at once: Tank 1, Tank 2,")
    assert silences(plant) == {("system.filling", FOLDED): 20}
    with transaction(plant.engine) as conn:
        mail, sms = conn.execute(text("SELECT payload->>'text', payload->>'sms' FROM outbox")).one()
    whole = " ".join(mail.split())
    assert all(tank.tank.label in whole for tank in TWENTY)
    assert len(sms) <= 160
    assert "20 tanks are filling at once" in sms

    minutes(plant, 5, 7, 0.3)
    dangers = told(plant)[1:]
    assert sorted({subject.split(":")[0] for subject in dangers}) == sorted(f"DANGER {t.tank.label}" for t in TWENTY)
    assert len(dangers) == 20


def test_two_tanks_are_no_storm(plant: AlarmPlant) -> None:
    for minute in range(3):
        now = NIGHT + minute * MINUTE
        with transaction(plant.engine) as conn:
            record_success(conn, "plc", now)
        for number, tank in enumerate(TWENTY):
            plant.believe(now, 1.0 if number < 2 else 2.0, tank=tank)
        look(plant, now)
    assert [subject.split(":")[0] for subject in told(plant)] == ["WARNING Tank 1", "WARNING Tank 2"]


def test_the_end_of_a_storm_is_told_once(plant: AlarmPlant) -> None:
    minutes(plant, 0, 1, 2.0)
    minutes(plant, 2, 4, 1.0)
    minutes(plant, 5, 40, 2.0, step=5)
    assert [subject.split(":")[0] for subject in told(plant)] == ["TANKS FILLING Alder Creek", "CLEARED Alder Creek"]


def test_a_dead_controller_calls_once_before_the_tanks_do(plant: AlarmPlant) -> None:
    minutes(plant, 0, 1, 2.0)
    minutes(plant, 8, 20, None, step=3)
    (subject,) = told(plant)
    assert subject.startswith("SERVICE Alder Creek: 20 tanks at once get no data from source plc: Tank 1")
    assert silences(plant) == {("system.connector.plc", FOLDED): 20}


def test_a_controller_that_is_down_names_its_tanks(plant: AlarmPlant) -> None:
    plant.setup = replace(
        plant.setup,
        definitions=tuple(
            replace(d, limit=0.05) if d.key == "system.connector.plc" else d for d in plant.setup.definitions
        ),
    )
    minutes(plant, 0, 1, 2.0)
    minutes(plant, 2, 20, None, polled=False, step=3)
    assert [subject.split(":")[0] for subject in told(plant)] == ["SERVICE Alder Creek"]
    assert silences(plant) == {("system.connector.plc", FOLDED): 20}


@pytest.mark.untraced  # goes often over what other tests reach
def test_what_stays_silent_when_the_controller_is_back_calls_then(plant: AlarmPlant) -> None:
    minutes(plant, 0, 1, 2.0)
    minutes(plant, 8, 20, None, step=3)
    for minute in range(21, 29):
        now = NIGHT + minute * MINUTE
        with transaction(plant.engine) as conn:
            record_success(conn, "plc", now)
        for tank in TWENTY[1:]:
            plant.believe(now, 2.0, tank=tank)
        look(plant, now)
    later = [subject.split(":")[0] for subject in told(plant)[1:]]
    assert later == ["CLEARED Alder Creek", "SENSOR Tank 1"]
    with transaction(plant.engine) as conn:
        (line,) = [line for line in journal(conn, key="t01.measurement") if line.event == "no longer folded"]
    assert line.detail["told"][0]["reason"] == "the cause it was folded under is over, but it still stands"
    minutes(plant, 29, 30, None)
    assert len(told(plant)) == 3  # once


def test_whoever_has_the_cause_is_not_called_for_its_consequences(plant: AlarmPlant) -> None:
    minutes(plant, 0, 1, 2.0)
    minutes(plant, 6, 12, None, step=3)
    acknowledge(
        plant.engine,
        plant_of(plant.setup, tuple(TWENTY), plant.ids),
        "system.connector.plc",
        who="Night operator",
        now=NIGHT + 12 * MINUTE,
    )
    minutes(plant, 13, 25, None, step=3)
    assert len(told(plant)) == 1
    with transaction(plant.engine) as conn:
        states = Counter(r.machine.state for r in alarms(conn) if r.key.endswith(".measurement"))
    assert states == {AlarmState.UNACKNOWLEDGED: 20}


def test_a_shelved_cause_keeps_what_it_folded_but_folds_nothing_more(plant: AlarmPlant) -> None:
    minutes(plant, 0, 1, 2.0)
    for minute in range(2, 5):
        now = NIGHT + minute * MINUTE
        with transaction(plant.engine) as conn:
            record_success(conn, "plc", now)
        for number, tank in enumerate(TWENTY):
            plant.believe(now, 1.0 if number < 5 else 2.0, tank=tank)
        look(plant, now)
    shelved, now = Shelve(why="expected, bypass open", until=NIGHT + timedelta(hours=4)), NIGHT + 4 * MINUTE
    with transaction(plant.engine) as conn:
        submit_command(
            conn, plant_of(plant.setup, tuple(TWENTY), plant.ids), "system.filling", shelved, by("Sam"), now=now
        )
    for minute in range(5, 8):
        now = NIGHT + minute * MINUTE
        with transaction(plant.engine) as conn:
            record_success(conn, "plc", now)
        for number, tank in enumerate(TWENTY):
            plant.believe(now, 1.0 if number < 6 else 2.0, tank=tank)
        look(plant, now)
    assert [subject.split(":")[0] for subject in told(plant)] == ["TANKS FILLING Alder Creek", "WARNING Tank 6"]


def test_the_journal_of_decades_is_not_read_to_find_what_was_folded(plant: AlarmPlant) -> None:
    with transaction(plant.engine) as conn:
        conn.execute(
            text(
                "INSERT INTO alarm_event (alarm_id, at, recorded_at, event, from_state, to_state, reason, detail) "
                "SELECT alarm.id, now(), now(), 'occurred', 'normal', 'unacknowledged', 'limit', '{}' "
                "FROM alarm, generate_series(1, 300)"
            )
        )
        conn.execute(text("ANALYZE alarm_event"))
        known = [record.id for record in alarms(conn)]
        scanned: list[float] = []

        def explain(
            conn: Connection, cursor: object, statement: str, given: dict[str, object], context: object, many: bool
        ) -> None:
            if not statement.startswith("EXPLAIN"):
                plan = conn.exec_driver_sql(f"EXPLAIN (ANALYZE, FORMAT JSON) {statement}", given).scalar_one()
                scanned.extend(_rows_of(plan[0]["Plan"], "alarm_event"))

        event.listen(conn, "before_cursor_execute", explain)
        assert grouped_alarms(conn, known) == set()
        event.remove(conn, "before_cursor_execute", explain)
    assert scanned == [len(known)]  # one line an alarm, of the 300 it has


def _rows_of(plan: dict[str, Any], table: str) -> list[float]:
    """Rows that each scan of a table brought, all its loops together."""
    own = [plan["Actual Rows"] * plan["Actual Loops"]] if plan.get("Relation Name") == table else []
    return own + [rows for part in plan.get("Plans", []) for rows in _rows_of(part, table)]
