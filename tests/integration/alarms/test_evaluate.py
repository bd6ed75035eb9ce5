"""Evaluation over time: data late, outages, blind sensors, cores, and what a person may do, on a real database."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, text

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.machine import (
    AlarmState,
    Command,
    MachineReason,
    RemoveFromService,
    Reset,
    ReturnToService,
    Shelve,
    Unshelve,
)
from service.domain.blanket.estimate import Estimate, EstimateReason, Trust
from service.domain.plant.reading import ReadingReason as Verdict
from service.errors import InputError, StorageError
from service.jobs.alarms.command import Done, submit_command
from service.jobs.alarms.evaluate import Evaluated, evaluate, evaluate_service
from service.jobs.alarms.situations import tank_histories
from service.jobs.plant.outage import put_back, take_out, tanks_out
from service.storage.accounts.audit import changes
from service.storage.alarms.alarms import AlarmRecord, JournalLine, alarms, journal, sync_alarms
from service.storage.database.session import transaction
from service.storage.readings.connector_state import record_failure, record_success
from tests.support.alarm_plant import (
    EAST,
    MINUTE,
    NIGHT,
    WEST,
    AlarmPlant,
    acknowledge,
    alarm_setup,
    by,
    definitions,
    plant_of,
)

HOUR, DAY = timedelta(hours=1), timedelta(days=1)


def look(plant: AlarmPlant, now: datetime, **more: Any) -> Evaluated:
    projected: Mapping[str, Estimate] = more.pop("projected", {})
    done = evaluate(plant.engine, plant.model, projected=projected, now=now, **more)
    assert done.failed == {}
    return done


def do(plant: AlarmPlant, command: Command, now: datetime) -> Done:
    with transaction(plant.engine) as conn:
        return submit_command(conn, plant.model, "east.high", command, by("Sam"), now=now)


def test_a_command_that_calls_nobody_reads_no_evidence(plant: AlarmPlant, monkeypatch: pytest.MonkeyPatch) -> None:
    def unexpected(*args: object) -> None:
        raise AssertionError("only the words of a message need it")

    monkeypatch.setattr("service.jobs.alarms.command.scene_of", unexpected)
    assert do(plant, Shelve(why="diver", until=NIGHT + HOUR), NIGHT).state is AlarmState.SHELVED


def stand(plant: AlarmPlant, key: str) -> AlarmRecord:
    with transaction(plant.engine) as conn:
        return next(record for record in alarms(conn) if record.key == key)


def lines(plant: AlarmPlant, key: str) -> list[JournalLine]:
    """The journal of one alarm, without what was done to its definition."""
    with transaction(plant.engine) as conn:
        return [line for line in journal(conn, key=key)[::-1] if "definition" not in line.detail]


def events(plant: AlarmPlant, key: str) -> list[tuple[str, datetime]]:
    return [(line.event, line.at) for line in lines(plant, key) if line.event != "started"]


def outbox(plant: AlarmPlant) -> list[tuple[str, str]]:
    with transaction(plant.engine) as conn:
        rows = conn.execute(text("SELECT recipient, payload->>'subject' FROM outbox ORDER BY id")).all()
    return [(row[0], row[1]) for row in rows]


@pytest.fixture
def plant(engine: Engine) -> AlarmPlant:
    built = AlarmPlant.build(engine)
    built.core(NIGHT - 2 * HOUR, 1.0)
    return built


class TestFirstLook:
    """The past before the first look is nobody's alarm; the present is."""

    def test_long_history_mails_nothing_when_all_is_well_now(self, plant: AlarmPlant) -> None:
        plant.believe_all({NIGHT - hour * HOUR: 0.1 for hour in range(1, 30)})
        plant.believe(NIGHT, 2.5)
        assert look(plant, NIGHT).messages == 0
        assert [line.reason for line in lines(plant, "east.high")] == ["first look"]

    def test_what_is_wrong_now_is_told_after_the_delay(self, plant: AlarmPlant) -> None:
        plant.believe(NIGHT, 0.3)
        look(plant, NIGHT)
        assert outbox(plant) == []
        look(plant, NIGHT + MINUTE)
        assert {subject.split(":")[0] for _, subject in outbox(plant)} == {"DANGER East clarifier"}

    def test_a_tank_silent_for_a_month_has_an_alarm(self, plant: AlarmPlant) -> None:
        plant.believe(NIGHT - 31 * DAY, 2.5)
        look(plant, NIGHT)
        look(plant, NIGHT + 2 * MINUTE)
        assert ("night@example.org", "SENSOR East clarifier: no blanket reading for 31 d") in outbox(plant)

    def test_a_tank_without_any_data_says_so(self, plant: AlarmPlant) -> None:
        look(plant, NIGHT)
        look(plant, NIGHT + 2 * MINUTE)
        assert stand(plant, "east.measurement").machine.rule_reason == "no sample yet"
        assert ("night@example.org", "SENSOR East clarifier: no blanket reading has arrived yet") in outbox(plant)


class TestLateData:
    """Data arrive late; decisions carry the time the data speak of, and never run backwards."""

    def test_a_file_every_quarter_hour_alarms_at_the_time_it_speaks_of(self, plant: AlarmPlant) -> None:
        plant.believe(NIGHT, 2.0)
        for minute in range(16):
            look(plant, NIGHT + minute * MINUTE)
        plant.believe_all({NIGHT + minute * MINUTE: 2.0 if minute < 5 else 1.0 for minute in range(1, 16)})
        look(plant, NIGHT + 16 * MINUTE)
        assert events(plant, "east.high") == [("occurred", NIGHT + 6 * MINUTE)]

    def test_a_short_excursion_inside_a_file_is_told_once_as_over(self, plant: AlarmPlant) -> None:
        plant.believe(NIGHT, 2.0)
        look(plant, NIGHT)
        plant.believe_all({NIGHT + minute * MINUTE: 1.0 if 5 <= minute <= 8 else 2.0 for minute in range(1, 16)})
        look(plant, NIGHT + 16 * MINUTE)
        assert [event for event, _ in events(plant, "east.high")] == ["occurred", "returned to normal"]
        ((_, subject),) = outbox(plant)
        assert subject == "WARNING East clarifier: sludge 3.3 ft under the weir (over already)"
        assert stand(plant, "east.high").machine.state is AlarmState.RETURNED

    def test_recomputed_estimates_of_the_past_rewind_nothing(self, plant: AlarmPlant) -> None:
        for minute in range(10):
            plant.believe(NIGHT + minute * MINUTE, 2.0)
            look(plant, NIGHT + minute * MINUTE)
        for minute in range(9):
            plant.believe(NIGHT + minute * MINUTE, 0.3)
        look(plant, NIGHT + 10 * MINUTE)
        assert events(plant, "east.high") == []

    def test_running_again_changes_nothing(self, plant: AlarmPlant) -> None:
        for minute in range(3):
            plant.believe(NIGHT + minute * MINUTE, 1.0)
            look(plant, NIGHT + minute * MINUTE)
        before = (events(plant, "east.high"), outbox(plant))
        for _ in range(3):
            look(plant, NIGHT + 2 * MINUTE)
        assert (events(plant, "east.high"), outbox(plant)) == before


class TestOutage:
    """The service was down for two days and catches up."""

    def catch_up(self, plant: AlarmPlant, ending: float) -> datetime:
        plant.believe(NIGHT, 2.0)
        look(plant, NIGHT)
        back = NIGHT + 2 * DAY
        plant.core(back - HOUR, 1.0)
        storm = range(6 * 60, 9 * 60)
        past = {NIGHT + minute * MINUTE: 0.3 if minute in storm else 2.0 for minute in range(10, 2 * 24 * 60 - 5, 10)}
        plant.believe_all(past | {back - minute * MINUTE: ending for minute in range(5, -1, -1)})
        look(plant, back)
        return back

    def test_yesterdays_storm_is_journalled_but_wakes_nobody(self, plant: AlarmPlant) -> None:
        self.catch_up(plant, ending=2.0)
        assert [event for event, _ in events(plant, "east.high-high")] == ["occurred", "returned to normal"]
        assert outbox(plant) == []
        silent = [line.detail["silent"] for line in lines(plant, "east.high-high")][1:]
        assert silent == [
            [{"contact": None, "reason": "over long before anybody could be told"}],
            [{"contact": None, "reason": "told in the alarm message itself"}],
        ]

    def test_what_is_wrong_now_is_told_once(self, plant: AlarmPlant) -> None:
        self.catch_up(plant, ending=0.3)
        subjects = [subject for recipient, subject in outbox(plant) if recipient == "night@example.org"]
        assert subjects == ["DANGER East clarifier: sludge 1.0 ft under the weir, steady"]
        assert stand(plant, "east.high-high").machine.occurred_at == NIGHT + 2 * DAY - 4 * MINUTE


class TestBlind:
    """A doubtful sensor raises a different alarm, never silence."""

    def test_high_stays_when_the_sensor_falls_silent(self, plant: AlarmPlant) -> None:
        for minute in range(3):
            plant.believe(NIGHT + minute * MINUTE, 1.0)
            look(plant, NIGHT + minute * MINUTE)
        later = NIGHT + HOUR
        blind = Estimate(
            tank="east", time=later, height=1.0, sd=2.0, rate=0.0, trust=Trust.BLIND, reason=EstimateReason.BLIND
        )
        for minute in range(3):
            look(plant, later + minute * MINUTE, projected={"east": replace(blind, time=later + minute * MINUTE)})
        assert stand(plant, "east.high").machine.state is AlarmState.UNACKNOWLEDGED
        assert stand(plant, "east.high").machine.standing == MachineReason.NOTHING_KNOWN
        assert [event for event, _ in events(plant, "east.measurement")] == ["occurred"]
        assert ("night@example.org", "SENSOR East clarifier: no blanket reading for 1 h") in outbox(plant)

    def test_a_core_alone_alarms_while_the_sensor_is_blind(self, plant: AlarmPlant) -> None:
        blind: dict[str, Any] = {"trust": Trust.BLIND, "reason": EstimateReason.BLIND, "verdict": Verdict.ECHO_LOST}
        plant.believe(NIGHT, 3.0, **blind)
        look(plant, NIGHT)
        plant.core(NIGHT + MINUTE, 3.7)
        plant.believe(NIGHT + 2 * MINUTE, 3.0, **blind)
        look(plant, NIGHT + 2 * MINUTE)
        plant.believe(NIGHT + 3 * MINUTE, 3.0, **blind)
        look(plant, NIGHT + 3 * MINUTE)
        subjects = {subject for recipient, subject in outbox(plant) if recipient == "night@example.org"}
        assert "DANGER East clarifier: hand core by Sam at 03:01 EST puts the sludge 1.0 ft under the weir" in subjects
        assert "SENSOR East clarifier: blanket sensor has lost its echo" in subjects

    def test_core_overdue(self, plant: AlarmPlant) -> None:
        plant.believe(NIGHT, 2.0)
        look(plant, NIGHT)
        plant.believe(NIGHT + 23 * HOUR, 2.0)
        look(plant, NIGHT + 23 * HOUR)
        assert [event for event, _ in events(plant, "east.core")] == ["occurred"]
        plant.core(NIGHT + 23 * HOUR + MINUTE, 1.0)
        look(plant, NIGHT + 23 * HOUR + 2 * MINUTE)
        assert [event for event, _ in events(plant, "east.core")] == ["occurred", "returned to normal"]
        subjects = [subject for _, subject in outbox(plant)]
        assert subjects[0] == "CORE DUE East clarifier: last hand core 1 d 1 h ago"
        assert subjects[-1] == "CLEARED East clarifier: hand core taken"

    def test_deviation_compares_the_sensor_with_the_core_beside_it(self, engine: Engine) -> None:
        rule = AlarmDefinition(key="east.deviation", kind=AlarmKind.DEVIATION, tank="east", limit=0.3)
        plant = AlarmPlant.build(engine, alarm_setup(alarms=(rule,)))
        plant.believe(NIGHT, 2.0)  # the sensor reads 0.2 m above the belief: 2.2 m
        plant.core(NIGHT + MINUTE, 1.7)
        look(plant, NIGHT + 2 * MINUTE)
        assert stand(plant, "east.deviation").machine.value == pytest.approx(0.5)
        assert outbox(plant)[0][1] == "SENSOR East clarifier: sensor read 1.6 ft higher than the hand core"


class TestPeople:
    """What a person does to an alarm, and what is refused."""

    @pytest.fixture
    def high(self, plant: AlarmPlant) -> AlarmRecord:
        for minute in range(3):
            plant.believe(NIGHT + minute * MINUTE, 1.0)
            look(plant, NIGHT + minute * MINUTE)
        return stand(plant, "east.high")

    def test_taken_by_code_or_key(self, plant: AlarmPlant, high: AlarmRecord) -> None:
        at = NIGHT + 3 * MINUTE
        done = acknowledge(plant.engine, plant.model, high.machine.code, who="Sam", now=at, note="going")
        assert (done.changed, done.state) == (True, AlarmState.ACKNOWLEDGED)
        again = acknowledge(plant.engine, plant.model, "east.high", who="Ben", now=at)
        assert (again.changed, again.reason) == (False, MachineReason.ALREADY_ACKNOWLEDGED)
        line = lines(plant, "east.high")[-1]
        assert (line.event, line.actor, line.detail["note"]) == ("acknowledged", "Sam", "going")

    def test_an_unknown_code_is_refused_with_advice(self, plant: AlarmPlant) -> None:
        with pytest.raises(InputError, match="no alarm has the code or key 'XXXX'"):
            acknowledge(plant.engine, plant.model, "XXXX", who="Sam", now=NIGHT)

    def test_shelved_until_a_time_then_back_by_itself(self, plant: AlarmPlant, high: AlarmRecord) -> None:
        at = NIGHT + 3 * MINUTE
        told = len(outbox(plant))
        do(plant, Shelve(why="diver", until=at + HOUR), at)
        for minute in range(4, 62):
            plant.believe(NIGHT + minute * MINUTE, 1.0)
            look(plant, NIGHT + minute * MINUTE)
        assert [event for event, _ in events(plant, "east.high")][-2:] == ["shelved", "shelf ends soon"]
        plant.believe(at + HOUR, 1.0)
        look(plant, at + HOUR)
        assert events(plant, "east.high")[-1] == ("unshelved", at + HOUR)
        subjects = [subject for _, subject in outbox(plant)][told:]
        assert subjects == [
            "SHELVING ENDS East clarifier: the shelved warning alarm can call again soon",
            "WARNING East clarifier: sludge 3.3 ft under the weir, steady",
        ]
        assert stand(plant, "east.high").machine.code != high.machine.code

    def test_shelf_and_service_by_hand(self, plant: AlarmPlant, high: AlarmRecord) -> None:
        at = NIGHT + 3 * MINUTE
        assert do(plant, Shelve(why="diver", until=at + HOUR), at).state is AlarmState.SHELVED
        assert do(plant, Unshelve(), at).state is AlarmState.UNACKNOWLEDGED
        removed = do(plant, RemoveFromService(why="sensor out", permit="W-17"), at)
        assert removed.state is AlarmState.OUT_OF_SERVICE
        assert lines(plant, "east.high")[-1].detail["note"] == "sensor out (permit W-17)"
        assert do(plant, ReturnToService(), at).state is AlarmState.UNACKNOWLEDGED
        assert do(plant, Reset(), at).reason is MachineReason.NOT_LATCHED

    def test_a_tank_out_of_service_is_quiet_by_design(self, plant: AlarmPlant, high: AlarmRecord) -> None:
        at = NIGHT + 3 * MINUTE
        told = len(outbox(plant))
        look(plant, at, out_of_service={"east": "drained for repair"})
        for minute in range(4, 10):
            plant.believe(NIGHT + minute * MINUTE, 0.1)
            look(plant, NIGHT + minute * MINUTE, out_of_service={"east": "drained for repair"})
        assert {r.machine.state for r in self.of_east(plant)} == {AlarmState.SUPPRESSED}
        assert len(outbox(plant)) == told
        plant.believe(NIGHT + 10 * MINUTE, 2.5)
        look(plant, NIGHT + 10 * MINUTE)
        look(plant, NIGHT + 11 * MINUTE)
        assert AlarmState.SUPPRESSED not in {r.machine.state for r in self.of_east(plant)}

    @staticmethod
    def of_east(plant: AlarmPlant) -> list[AlarmRecord]:
        with transaction(plant.engine) as conn:
            return [record for record in alarms(conn) if record.tank == "east"]


class TestTogether:
    """State, journal and messages stand or fall together; one tank's trouble is its own."""

    def test_nothing_is_kept_when_the_message_cannot_be_written(
        self, plant: AlarmPlant, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        for minute in range(2):
            plant.believe(NIGHT + minute * MINUTE, 1.0)
        look(plant, NIGHT)

        def broken(*_: object) -> int:
            raise StorageError("no", retryable=False)

        before = stand(plant, "east.high")
        monkeypatch.setattr("service.jobs.calls.notification.enqueue", broken)
        done = evaluate(plant.engine, plant.model, projected={}, now=NIGHT + MINUTE)
        assert done.failed == {"east": "no"}
        assert stand(plant, "east.high") == before
        assert events(plant, "east.high") == []
        monkeypatch.undo()
        assert look(plant, NIGHT + MINUTE).messages == 1

    def test_one_tank_that_fails_does_not_stop_the_other(self, engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
        plant = AlarmPlant.build(engine, alarm_setup(alarms=(*definitions("east"), *definitions("west"))))
        for tank in (EAST, WEST):
            plant.core(NIGHT - HOUR, 1.0, tank=tank)
            plant.believe(NIGHT, 0.3, tank=tank)
        look(plant, NIGHT)

        def picky(conn: Any, tanks: Any, *args: Any, **more: Any) -> Any:
            if EAST in tanks:
                raise ValueError("east is odd")
            return tank_histories(conn, tanks, *args, **more)

        monkeypatch.setattr("service.jobs.alarms.evaluate.tank_histories", picky)
        done = evaluate(plant.engine, plant.model, projected={}, now=NIGHT + MINUTE)
        assert done.failed == {"east": "ValueError: east is odd"}
        assert done.tanks == 1
        assert all("West" in subject for _, subject in outbox(plant))
        assert len(outbox(plant)) == 2

    def test_a_spoilt_row_is_looked_at_anew_and_spoils_no_other(self, engine: Engine) -> None:
        plant = AlarmPlant.build(engine, alarm_setup(alarms=(*definitions("east"), *definitions("west"))))
        for tank in (EAST, WEST):
            plant.core(NIGHT - HOUR, 1.0, tank=tank)
            plant.believe(NIGHT, 0.3, tank=tank)
        look(plant, NIGHT)
        look(plant, NIGHT + MINUTE)
        assert len(outbox(plant)) == 4
        with transaction(engine) as conn:
            spoilt = (
                """UPDATE alarm SET machine = machine || '{"state": "no such state"}' WHERE key = 'east.high-high'"""
            )
            assert conn.execute(text(spoilt)).rowcount == 1
        look(plant, NIGHT + 2 * MINUTE)
        look(plant, NIGHT + 3 * MINUTE)
        assert stand(plant, "east.high-high").machine.state is AlarmState.UNACKNOWLEDGED
        assert [subject.split(":")[0] for _, subject in outbox(plant)[4:]] == ["DANGER East clarifier"] * 2


class TestService:
    """The service's own alarms."""

    def look(self, plant: AlarmPlant, now: datetime) -> Evaluated:
        return evaluate_service(
            plant.engine, plant_of(plant.setup, (), plant.ids), connectors=["drop"], started_at=NIGHT, now=now
        )

    def test_a_silent_source_and_its_return(self, plant: AlarmPlant) -> None:
        with transaction(plant.engine) as conn:
            record_success(conn, "drop", NIGHT)
        self.look(plant, NIGHT + MINUTE)
        with transaction(plant.engine) as conn:
            record_failure(conn, "drop", NIGHT + 2 * MINUTE, "folder is gone")
        self.look(plant, NIGHT + 16 * MINUTE)
        with transaction(plant.engine) as conn:
            record_success(conn, "drop", NIGHT + 17 * MINUTE)
        self.look(plant, NIGHT + 18 * MINUTE)
        assert [subject for _, subject in outbox(plant)] == [
            "SERVICE Alder Creek: nothing from source drop for 16 min; its tanks are not monitored",
            "CLEARED Alder Creek: source drop is back",
        ]

    def test_a_source_ahead_of_our_clock(self, plant: AlarmPlant) -> None:
        with transaction(plant.engine) as conn:
            record_success(conn, "drop", NIGHT, last_sample_at=NIGHT + HOUR)
        for minute in range(7):
            self.look(plant, NIGHT + minute * MINUTE)
        assert [event for event, _ in events(plant, "system.clock")] == ["occurred"]

    def test_an_alarm_that_chatters_is_an_alarm_of_its_own(self, plant: AlarmPlant) -> None:
        nervous = [replace(d, on_delay=timedelta(0), off_delay=timedelta(0)) for d in plant.setup.definitions]
        plant.setup = replace(plant.setup, definitions=tuple(nervous))
        second = timedelta(seconds=1)
        for number, clearance in enumerate([2.0, 1.0, 2.0, 1.0, 2.0, 1.0]):
            plant.believe(NIGHT + 10 * number * second, clearance)
            look(plant, NIGHT + 10 * number * second)
        self.look(plant, NIGHT + 2 * MINUTE)
        assert events(plant, "system.chattering") == [("occurred", NIGHT + 2 * MINUTE)]
        assert stand(plant, "system.chattering").machine.rule_detail == "east.high"
        self.look(plant, NIGHT + 2 * HOUR)
        assert stand(plant, "system.chattering").machine.active is False

    def test_an_alarm_that_stands_over_a_day_is_an_alarm_of_its_own(self, plant: AlarmPlant) -> None:
        for hour in range(0, 28, 3):
            plant.believe(NIGHT + hour * HOUR, 1.0)
            look(plant, NIGHT + hour * HOUR)
        self.look(plant, NIGHT + 27 * HOUR)
        self.look(plant, NIGHT + 28 * HOUR)
        assert events(plant, "system.stale") == [("occurred", NIGHT + 28 * HOUR)]
        assert "east.high" in stand(plant, "system.stale").machine.rule_detail
        self.look(plant, NIGHT + 60 * HOUR)
        assert "system.stale" not in stand(plant, "system.stale").machine.rule_detail


class TestOutOfService:
    """A tank out of service calls nobody, and what is wrong with it calls when it is back."""

    def live(self, plant: AlarmPlant, now: datetime, clearance: float) -> None:
        plant.believe(now, clearance)
        look(plant, now, out_of_service=tanks_out(plant.engine, plant.model))

    def test_by_a_person(self, plant: AlarmPlant) -> None:
        self.live(plant, NIGHT, 2.0)
        change = {"engine": plant.engine, "plant": plant.model, "tank": "east", "actor": by("Sam")}
        assert take_out(**change, why="drained for repair", permit="W-17", now=NIGHT + MINUTE)  # type: ignore[arg-type]
        assert not take_out(**change, why="again", now=NIGHT + MINUTE)  # type: ignore[arg-type]
        for minute in range(2, 6):
            self.live(plant, NIGHT + minute * MINUTE, 0.3)
        assert outbox(plant) == []
        assert stand(plant, "east.high-high").machine.state is AlarmState.SUPPRESSED
        (line,) = [line for line in lines(plant, "east.high-high") if line.event == "suppressed by design"]
        assert line.detail["note"] == "drained for repair (Sam, permit W-17)"
        assert put_back(**change, now=NIGHT + 6 * MINUTE)  # type: ignore[arg-type]
        assert not put_back(**change, now=NIGHT + 6 * MINUTE)  # type: ignore[arg-type]
        self.live(plant, NIGHT + 6 * MINUTE, 0.3)
        assert {subject.split(":")[0] for _, subject in outbox(plant)} == {"DANGER East clarifier"}
        with transaction(plant.engine) as conn:
            audited = [(change.action, change.subject, change.actor) for change in changes(conn)]
        assert audited == [
            ("tank put back into service", "east", "sam"),
            ("tank taken out of service", "east", "sam"),
        ]

    def test_by_the_site_file(self, plant: AlarmPlant) -> None:
        plant.setup = replace(plant.setup, out_of_service={"east": "empty until spring"})
        self.live(plant, NIGHT, 0.3)
        self.live(plant, NIGHT + 2 * MINUTE, 0.3)
        assert outbox(plant) == []
        with pytest.raises(InputError, match="by the site file"):
            put_back(plant.engine, plant.model, "east", by("Sam"), now=NIGHT)
        plant.setup = replace(plant.setup, out_of_service={})
        self.live(plant, NIGHT + 3 * MINUTE, 0.3)
        assert {subject.split(":")[0] for _, subject in outbox(plant)} == {"DANGER East clarifier"}

    def test_a_name_and_a_reason_are_needed(self, plant: AlarmPlant) -> None:
        for who, why in (("", "why"), ("Sam", " ")):
            with pytest.raises(InputError, match="name and a reason"):
                take_out(plant.engine, plant.model, "east", by(who), why=why, now=NIGHT)


def test_a_tank_never_cored_has_the_usual_time_for_its_first_core(engine: Engine) -> None:
    plant = AlarmPlant.build(engine)  # known since NIGHT; a core a day is wanted
    for hours in (0, 12, 24):
        plant.believe(NIGHT + hours * HOUR, 2.0)
        look(plant, NIGHT + hours * HOUR)
    assert outbox(plant) == []
    assert stand(plant, "east.core").machine.rule_reason == "no core yet, the first is not due"
    plant.believe(NIGHT + 25 * HOUR, 2.0)
    look(plant, NIGHT + 25 * HOUR)
    assert [subject for _, subject in outbox(plant)] == ["CORE DUE East clarifier: no hand core taken yet"]


class TestDefinitions:
    """Who changed a set-point, when, from what to what, and why."""

    def changes(self, plant: AlarmPlant) -> list[JournalLine]:
        with transaction(plant.engine) as conn:
            return [line for line in journal(conn, key="east.high")[::-1] if "definition" in line.detail]

    def sync(self, plant: AlarmPlant, alarm_definitions: list[AlarmDefinition], **more: Any) -> None:
        with transaction(plant.engine) as conn:
            sync_alarms(conn, alarm_definitions, NIGHT + HOUR, **more)

    def test_a_changed_limit_is_written_down(self, plant: AlarmPlant) -> None:
        changed = [
            replace(d, limit=1.5, on_delay=5 * MINUTE) if d.key == "east.high" else d for d in plant.setup.definitions
        ]
        self.sync(plant, changed, by="Chief", why="nuisance in storms")
        self.sync(plant, changed)
        first, second = self.changes(plant)
        assert (first.event, first.actor, first.detail["definition"]["limit"]) == ("defined", "site file", 1.2)
        assert (second.event, second.actor, second.at) == ("definition changed", "Chief", NIGHT + HOUR)
        assert second.detail["changed"] == {"limit": [1.2, 1.5], "on_delay": [60.0, 300.0]}
        assert second.detail["why"] == "nuisance in storms"

    def test_an_alarm_no_longer_defined_keeps_its_journal_and_may_come_back(self, plant: AlarmPlant) -> None:
        plant.believe(NIGHT, 2.0)
        look(plant, NIGHT)
        self.sync(plant, [d for d in plant.setup.definitions if d.key != "east.high"])
        with transaction(plant.engine) as conn:
            assert "east.high" not in {record.key for record in alarms(conn)}
        assert len(lines(plant, "east.high")) == 1
        self.sync(plant, list(plant.setup.definitions))
        assert [line.event for line in self.changes(plant)] == ["defined", "no longer defined", "definition changed"]
