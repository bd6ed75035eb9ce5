"""Words of a message at their bounds: what is said of a number, of a time and of who saw what must be true to the last line."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority, SystemWatch
from service.alarms.observations import Contradiction, CoreSeen, TakenBack
from service.alarms.rules import Observation, RuleReason, SensorSeen
from service.calls.routing import MessageKind
from service.domain.blanket.estimate import Trust
from service.domain.blanket.mixture import Part
from service.domain.cores.core import Surface
from service.domain.diagnosis.diagnosis import diagnose
from service.domain.diagnosis.evidence import Evidence
from service.domain.loading.balance import Conditions
from service.domain.plant.reading import ReadingReason
from service.domain.plant.tank import TankKind
from service.notify.messages import wording
from service.notify.messages.facts import AlarmFacts
from service.notify.messages.render import _one_line, layout_of, render, sms
from tests.unit.notify.cases import NOW, SITE, facts, service_facts

K, R = AlarmKind, RuleReason
MIN, H = timedelta(minutes=1), timedelta(hours=1)
CORE = CoreSeen(taken_at=NOW - 2 * H, height=2.9, thickness=3.3, taken_by="Sam")


def sensor(
    tag: str = "LT-1",
    age: timedelta = timedelta(),
    verdict: ReadingReason = ReadingReason.NONE,
    corrected: float | None = 3.4,
) -> SensorSeen:
    return SensorSeen(
        tag=tag, stale_after=10 * MIN, last_sample_at=NOW - age, height=3.5, corrected=corrected, verdict=verdict
    )  # fmt: skip


def sent(kind: AlarmKind, message: MessageKind, **more: Any) -> AlarmFacts:
    return replace(facts(kind, **more), kind=message)


def clause(given: AlarmFacts) -> str:
    return wording.main_clause(given, "si")


# --- the first word and clause ----------------------------------------------------------------------------------------

WORDS = {
    K.HIGH: "WARNING", K.HIGH_HIGH: "DANGER", K.RATE: "RISING FAST", K.TIME_TO_DANGER: "DANGER SOON", K.DEVIATION: "SENSOR",
    K.BAD_MEASUREMENT: "SENSOR", K.SOLIDS_LOADING: "OVERLOAD", K.EFFLUENT_SOLIDS: "EFFLUENT", K.TURBIDITY: "EFFLUENT",
    K.PERMIT_NEAR: "PERMIT NEAR", K.PERMIT_OVER: "PERMIT", K.CORE_OVERDUE: "CORE DUE", K.READS_HIGH: "READS HIGH", K.SYSTEM: "SERVICE",
}  # fmt: skip


@pytest.mark.parametrize("kind", list(K))
def test_the_first_word_says_how_bad_it_is(kind: AlarmKind) -> None:
    given = facts(kind)
    assert wording.word(given) == WORDS[kind] == wording.kind_word(kind)
    assert wording.word(replace(given, kind=MessageKind.CLEARED)) == "CLEARED"
    assert wording.word(replace(given, kind=MessageKind.ACKNOWLEDGED)) == "TAKEN"
    assert wording.word(replace(given, kind=MessageKind.SHELF_ENDING)) == "SHELVING ENDS"
    danger = replace(given, kind=MessageKind.CLEARED, also_active=("WARNING: x", "DANGER: 0.4 m"))
    assert wording.word(danger) == "STILL DANGER"
    assert wording.still_active(danger) == ("DANGER", "WARNING")
    assert wording.word(service_facts(SystemWatch.FILLING)) == "TANKS FILLING"


@pytest.mark.parametrize(
    ("given", "line"),
    [
        (facts(K.DEVIATION, value=0.4), "sensor read 0.40 m higher than the hand core"),
        (facts(K.DEVIATION, value=-0.4), "sensor read 0.40 m lower than the hand core"),
        (facts(K.RATE, value=0.3, estimate=None), "sludge rising 0.30 m/h"),
        (facts(K.RATE, value=None, estimate=None), "sludge rising fast"),
        (facts(K.RATE, value=None, rate=0.2, clearance=2.0), "sludge rising 0.20 m/h, now 2.00 m under the weir"),
        (facts(K.RATE, value=0.5, rate=0.2, clearance=2.0), "sludge rising 0.50 m/h, now 2.00 m under the weir"),
        (facts(K.TIME_TO_DANGER, value=1.4), "forecast reaches the danger limit in about 1 h 20 min"),
        (facts(K.TIME_TO_DANGER, value=None), "forecast reaches the danger limit soon"),
        (facts(K.SOLIDS_LOADING, value=9.0), "solids loading 9.00 kg/m2.h"),
        (facts(K.SOLIDS_LOADING, value=None), "solids loading above its limit"),
        (facts(K.TURBIDITY, value=12.0, detail="AE-1"), "effluent turbidity 12.0 NTU by AE-1"),
        (facts(K.TURBIDITY, value=None), "effluent turbidity above the limit"),
        (facts(K.EFFLUENT_SOLIDS, value=0.04), "effluent solids 40.0 mg/L"),
        (facts(K.CORE_OVERDUE), "last hand core 2 h ago"),
        (facts(K.CORE_OVERDUE, core=None), "no hand core taken yet"),
        (facts(K.READS_HIGH, value=0.4), "sensor reads 0.40 m under the weir, not confirmed; take a hand core"),
        (facts(K.READS_HIGH, value=None), "sensor reads high, not confirmed; take a hand core"),
        (facts(K.HIGH, value=None, estimate=None), "sludge near the weir"),
        (facts(K.HIGH, value=1.0, reason=R.FLUFF_BEYOND_LIMIT, detail="FT-1"), "fluff up to 1.00 m under the weir by FT-1"),
        (facts(K.HIGH_HIGH, had_by="Mia"), "sludge 0.55 m under the weir, rising 0.18 m/h, at the weir in about 3 h; Mia had it, still not over"),
        (facts(K.TIME_TO_DANGER, value=2.0, returned_at=NOW), "forecast reaches the danger limit in about 2 h (over already)"),
        (facts(K.HIGH_HIGH, returned_at=NOW, had_by="Mia"), "sludge 0.55 m under the weir (over already)"),
        (sent(K.HIGH, MessageKind.ACKNOWLEDGED, actor="Mia", rate=0.0), "Mia has it (warning: sludge 1.00 m under the weir, steady)"),
        (sent(K.HIGH, MessageKind.ACKNOWLEDGED, rate=0.0), "somebody has it (warning: sludge 1.00 m under the weir, steady)"),
        (sent(K.HIGH, MessageKind.SHELF_ENDING), "the shelved warning alarm can call again soon"),
    ],
)  # fmt: skip
def test_the_clause_after_the_tank(given: AlarmFacts, line: str) -> None:
    assert clause(given) == line


@pytest.mark.parametrize(
    ("hours", "said"),
    [(0.0, "10 min or less"), (9.9 / 60, "10 min or less"), (10 / 60, "10 min"), (14.9 / 60, "10 min"), (15.1 / 60, "20 min"),
     (119 / 60, "2 h"), (2.0, "2 h"), (2.6, "3 h"), (23.4, "23 h")],
)  # fmt: skip
def test_a_foretold_time_is_no_finer_than_anybody_can_foresee(hours: float, said: str) -> None:
    assert wording.forecast_time(hours) == said


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (facts(K.HIGH, clearance=1.0, rate=0.2), "danger in about 2 h"),
        (facts(K.HIGH, clearance=1.0, rate=0.2, danger_limit=None), "at the weir in about 5 h"),
        (facts(K.HIGH, clearance=0.59, rate=0.2), "at the weir in about 3 h"),
        (facts(K.HIGH_HIGH, clearance=1.0, rate=0.2), "at the weir in about 5 h"),
        (facts(K.HIGH_HIGH, clearance=0.239, rate=0.01), "at the weir in about 24 h"),
        (facts(K.HIGH_HIGH, clearance=0.25, rate=0.01), None),
        (facts(K.HIGH, clearance=0.84, rate=0.01), "danger in about 24 h"),
        (facts(K.HIGH, clearance=0.85, rate=0.01), None),
        (facts(K.HIGH_HIGH, clearance=0.1, rate=0.0051), "at the weir in about 20 h"),
        (facts(K.HIGH_HIGH, clearance=0.1, rate=0.005), None),
        (facts(K.HIGH_HIGH, clearance=0.0, rate=0.2), None),
        (facts(K.HIGH_HIGH, clearance=0.5, rate=0.2, returned_at=NOW), None),
        (facts(K.HIGH_HIGH, estimate=None), None),
    ],
)
def test_when_it_gets_worse(given: AlarmFacts, said: str | None) -> None:
    assert wording.worse_in(given) == said


@pytest.mark.parametrize(
    ("reason", "more", "line"),
    [
        (R.STALE, {"sensors": (sensor(age=25 * MIN),)}, "no blanket reading for 25 min"),
        (R.STALE, {"sensors": (sensor(age=25 * MIN), sensor("LT-2", age=MIN))}, "no blanket reading for 1 min"),
        (
            R.STALE,
            {"sensors": (sensor(age=25 * MIN), sensor("LT-2", age=MIN)), "detail": "LT-1"},
            "no blanket reading for 25 min",
        ),
        (R.STALE, {"sensors": ()}, "no blanket reading has arrived yet"),
        (R.NO_SAMPLE, {}, "no blanket reading has arrived yet"),
        (R.FLAT, {}, "blanket reading is frozen at one value"),
        (R.ECHO_LOST, {}, "blanket sensor has lost its echo"),
        (R.SENSOR_FAULT, {}, "blanket sensor reports a fault"),
        (R.BLIND, {}, "no valid reading, blanket level unknown"),
        (R.BEYOND_LIMIT, {}, "blanket reading is not reliable"),
    ],
)
def test_what_is_wrong_with_a_measurement(reason: RuleReason, more: dict[str, Any], line: str) -> None:
    assert clause(facts(K.BAD_MEASUREMENT, reason=reason, **more)) == line


W = SystemWatch


@pytest.mark.parametrize(
    ("given", "line"),
    [
        (service_facts(W.CONNECTOR, reason=R.SAMPLES_LOST, value=12.0), "values from source drop were lost: 12 so far could not be stored"),
        (service_facts(W.CONNECTOR, reason=R.SAMPLES_REFUSED), "some values from source drop cannot be stored; underweir examine says more"),
        (service_facts(W.CONNECTOR, reason=R.CONNECTOR_NEVER_GOOD, value=2.0), "nothing has come from source drop yet; its tanks are not monitored"),
        (service_facts(W.CONNECTOR, reason=R.CONNECTOR_DOWN, value=None), "nothing has come from source drop yet; its tanks are not monitored"),
        (service_facts(W.CONNECTOR, reason=R.TANKS_SILENT, value=3.0, detail="A, B"), "3 tanks at once get no data from source drop: A, B"),
        (service_facts(W.CONNECTOR, reason=R.CONNECTOR_DOWN, value=0.5), "nothing from source drop for 30 min; its tanks are not monitored"),
        (service_facts(W.CONNECTOR, reason=R.CONNECTOR_DOWN, value=0.5, detail="East"), "nothing from source drop for 30 min; not monitored: East"),
        (service_facts(W.DELIVERY), "alarm messages are not getting through"),
        (service_facts(W.CLOCK, value=2.0), "readings are stamped 2 h in the future; a clock or time zone is wrong"),
        (service_facts(W.DUTY, value=3.0, detail="north"), "nobody is on duty in 3 h (rota north)"),
        (service_facts(W.DUTY, value=0.0, detail="north"), "nobody is on duty now (rota north)"),
        (service_facts(W.FILLING, value=3.0, detail="A, B, C"), "3 tanks are filling at once: A, B, C"),
        (service_facts(W.CHATTERING, detail="x"), "these alarms come and go too often to be reliable: x"),
        (service_facts(W.STALE, detail="x", value=None), "these alarms have been active for more than 20 min: x"),
    ],
)  # fmt: skip
def test_what_the_service_says_of_itself(given: AlarmFacts, line: str) -> None:
    assert clause(given) == line


# --- what is over -----------------------------------------------------------------------------------------------------


def cleared(kind: AlarmKind, **more: Any) -> AlarmFacts:
    return sent(kind, MessageKind.CLEARED, **{"returned_at": NOW, "rate": -0.1} | more)


@pytest.mark.parametrize(
    ("given", "line"),
    [
        (cleared(K.HIGH), "warning over, sludge 1.00 m under the weir, falling 0.10 m/h"),
        (cleared(K.HIGH_HIGH, rate=math.nan), "danger over, sludge 0.55 m under the weir"),
        (cleared(K.HIGH_HIGH, estimate=None), "danger over"),
        (cleared(K.HIGH, also_active=("DANGER: x",)), "warning over, still DANGER, sludge 1.00 m under the weir, falling 0.10 m/h"),
        (cleared(K.RATE), "no longer rising fast, sludge 2.00 m under the weir, falling 0.10 m/h"),
        (cleared(K.READS_HIGH), "the sensor no longer reads high, sludge 2.00 m under the weir, falling 0.10 m/h"),
        (cleared(K.SOLIDS_LOADING, estimate=None), "solids loading within its limit again"),
        (cleared(K.EFFLUENT_SOLIDS), "effluent solids within the limit again"),
        (cleared(K.TURBIDITY, also_active=("WARNING: x",)), "effluent turbidity within the limit again, still WARNING"),
        (cleared(K.BAD_MEASUREMENT), "blanket reading is back"),
        (cleared(K.CORE_OVERDUE), "hand core taken"),
        (cleared(K.DEVIATION), "sensor and hand core agree again"),
        (replace(service_facts(W.CONNECTOR), kind=MessageKind.CLEARED), "source drop is back"),
        (replace(service_facts(W.DELIVERY), kind=MessageKind.CLEARED), "alarm messages get through again"),
        (replace(service_facts(W.FILLING), kind=MessageKind.CLEARED), "the tanks are no longer filling together"),
        (replace(service_facts(W.CLOCK), kind=MessageKind.CLEARED), "service over"),
    ],
)  # fmt: skip
def test_what_has_ended_cannot_be_taken_for_the_end_of_something_graver(given: AlarmFacts, line: str) -> None:
    assert clause(given) == line


def test_a_core_that_was_taken_back_is_named_as_what_ended_it() -> None:
    gone = TakenBack(
        seen=replace(CORE, surface=(Surface.SOLIDS_OVER_WEIR,)), at=NOW, by="Mia", why="slip", known_at=NOW
    )
    given = cleared(K.HIGH, taken_back=gone, core=None, sensors=())
    assert clause(given).startswith("warning over, core of 01:10 EST (solids over weir) withdrawn by Mia, sludge")
    assert (
        wording.cleared_by(given, "si") == "the core of 01:10 EST (solids over weir), which was withdrawn by Mia (slip)"
    )
    other = replace(given, taken_back=replace(gone, seen=CORE, now_says=replace(CORE, thickness=1.2)))
    assert "core of 01:10 EST corrected by Mia" in clause(other)
    assert wording.cleared_by(other, "si") == "the core of 01:10 EST, which was corrected to 1.20 m by Mia (slip)"
    assert "withdrawn" not in clause(replace(given, definition=facts(K.READS_HIGH).definition))


def test_only_what_was_seen_since_the_alarm_began_is_said_to_have_cleared_it() -> None:
    given = cleared(K.HIGH, sensors=())
    assert wording.cleared_by(given, "si") == ""  # the core is older than the alarm
    assert (
        wording.cleared_by(replace(given, core=replace(CORE, taken_at=given.occurred_at)), "si")
        == "hand core by Sam at 03:04 EST, 3.30 m of sludge"
    )
    assert (
        wording.cleared_by(replace(given, core=replace(CORE, last_heard=True)), "si")
        == "hand core by Sam at 01:10 EST, 3.30 m of sludge"
    )
    assert wording.cleared_by(replace(given, core=replace(CORE, last_heard=True, taken_by="")), "si").startswith(
        "hand core at"
    )
    seen = replace(
        given,
        sensors=(
            sensor(age=10 * MIN),
            sensor("LT-2", age=10 * MIN + timedelta(seconds=1)),
            sensor("LT-3", verdict=ReadingReason.FLAT),
            sensor("LT-4", corrected=None),
        ),
    )
    assert wording.cleared_by(seen, "si") == "sensor LT-1, 3.40 m above the floor at the wall"
    agreed = replace(seen, core=replace(CORE, contradicted=Contradiction(at=NOW, by=("LT-1", "LT-2"))))
    assert wording.cleared_by(agreed, "si") == "LT-1 and LT-2, which agree that the blanket has left the last core"
    assert wording.cleared_by(replace(seen, kind=MessageKind.ALARM), "si") == ""
    assert wording.cleared_by(replace(seen, definition=facts(K.TURBIDITY).definition), "si") == ""


# --- a person's word, and trust ---------------------------------------------------------------------------------------


def seen(reason: RuleReason = R.BEYOND_LIMIT, clearance: float = 0.5, **core: Any) -> Observation:
    return Observation(core=replace(CORE, **core), clearance=clearance, reason=reason)


def test_what_a_person_saw_is_told_with_who_and_when() -> None:
    assert clause(facts(standing=seen())) == "hand core by Sam at 01:10 EST puts the sludge 0.50 m under the weir"
    assert (
        clause(facts(standing=seen(R.FLUFF_BEYOND_LIMIT, taken_by="")))
        == "fluff up to 0.50 m under the weir, seen at 01:10 EST"
    )
    weir = seen(R.SEEN_AT_THE_WEIR, surface=(Surface.SOLIDS_OVER_WEIR, Surface.FOAM))
    assert clause(facts(standing=weir)) == "solids over weir, seen by Sam at 01:10 EST"
    assert clause(cleared(K.HIGH, standing=seen(), value=1.0)).startswith("warning over")


@pytest.mark.parametrize(("clearance", "against"), [(0.79, False), (0.81, True)])
def test_a_sensor_that_contradicts_a_person_by_a_foot_is_not_to_be_trusted(clearance: float, against: bool) -> None:
    given = facts(standing=seen(), clearance=clearance)
    sentence = wording.trust_sentence(given, "si") or ""
    assert ("do not trust it" in sentence) is against
    assert wording.trust_short(given) == ("Do not trust sensor" if against else "Seen by a person")
    told = wording.contradicting(seen(), clearance, "si", SITE.zone, 4.0)
    assert ("it contradicts the sensor" in told) is against
    assert "contradicts" not in wording.contradicting(seen(), None, "si", SITE.zone, 4.0)
    assert sentence.startswith("A person saw this")
    other = wording.trust_sentence(facts(K.RATE, standing=seen(), clearance=clearance), "si") or ""
    assert other.startswith("Rely on what a person saw: hand core by Sam")


@pytest.mark.parametrize(
    ("reason", "ends"),
    [(R.SEEN_AT_THE_WEIR, "until a round logs the surface again"), (R.FLUFF_BEYOND_LIMIT, "until another core."), (R.BEYOND_LIMIT, "two sensors that agree")],
)  # fmt: skip
def test_what_alone_takes_a_persons_word_back(reason: RuleReason, ends: str) -> None:
    assert ends in (wording.trust_sentence(facts(standing=seen(reason)), "si") or "")


@pytest.mark.parametrize("trust", list(Trust))
def test_how_far_a_number_can_be_believed(trust: Trust) -> None:
    said = {
        Trust.GOOD: ("is reliable", "Estimate reliable"),
        Trust.DOUBTFUL: ("a hand core decides", "A core decides"),
        Trust.BLIND: ("No valid reading", "No valid reading"),
    }
    given = facts(trust=trust)
    assert said[trust][0] in (wording.trust_sentence(given, "si") or "")
    assert wording.trust_short(given) == said[trust][1]
    assert wording.trust_sentence(facts(estimate=None), "si") is None
    assert wording.trust_short(facts(estimate=None)) is None


# --- what to do -------------------------------------------------------------------------------------------------------


def test_nobody_who_cored_within_the_hour_is_sent_to_core_again() -> None:
    for age, just in ((H, True), (H + timedelta(seconds=1), False)):
        given = facts(core=replace(CORE, taken_at=NOW - age))
        assert wording.recently_cored(given) is just
        assert any("hand core" in line for line in wording.first_checks(given, "si")) is not just
    assert not wording.recently_cored(facts(core=None))


@pytest.mark.parametrize("kind", [K.HIGH, K.HIGH_HIGH, K.RATE, K.TIME_TO_DANGER, K.SOLIDS_LOADING])
def test_without_a_pattern_the_usual_is_looked_at(kind: AlarmKind) -> None:
    assert wording.first_checks(facts(kind), "si")[0].startswith("Return sludge")
    assert wording.first_checks(facts(kind, tank_kind=TankKind.PRIMARY), "si")[0].startswith("Sludge pump of this tank")


def test_a_likely_cause_goes_before_the_usual_and_an_unclear_one_beside_it() -> None:
    lost = Evidence(
        kind=TankKind.SECONDARY, depth=4.0, height=3.4, streams=Conditions(return_flow=0.002), usual_drawn=0.07, surface=(Surface.BUBBLES,)
    )  # fmt: skip
    lines = wording.first_checks(facts(diagnosis=diagnose(lost)), "si")
    assert lines[0].startswith("Return flow is down")
    assert lines[-1] == "Confirm with a hand core, if safe, and log it."
    assert wording.likely_cause(facts(diagnosis=diagnose(lost))) == "Return flow down"
    cored = facts(diagnosis=diagnose(lost), core=replace(CORE, taken_at=NOW))
    assert not any("hand core" in line for line in wording.first_checks(cored, "si"))
    unclear = facts(diagnosis=diagnose(Evidence(kind=TankKind.SECONDARY, depth=4.0, height=3.4)))
    lines = wording.first_checks(unclear, "si")
    assert lines[0].startswith("No one cause is clear yet")
    assert any(line.startswith("Return sludge: is the pump running") for line in lines)
    assert wording.likely_cause(unclear) == ""
    own = AlarmDefinition(key="k", kind=K.HIGH, tank="east", action="Call the chief.", action_of_site=True)
    assert wording.first_checks(facts(definition=own, diagnosis=diagnose(lost)), "si")[0] == "Call the chief."
    assert wording.first_checks(facts(definition=own), "si") == ("Call the chief.",)
    assert wording.diagnosis_told(facts(K.READS_HIGH, diagnosis=diagnose(lost))) is None
    assert wording.first_checks(facts(K.TURBIDITY, diagnosis=diagnose(lost)), "si")[0].startswith("Return flow is down")


@pytest.mark.parametrize(
    ("kind", "said"),
    [(K.READS_HIGH, "Take a hand core now"), (K.TURBIDITY, "grab sample"), (K.EFFLUENT_SOLIDS, "grab sample"), (K.DEVIATION, "second core"),
     (K.CORE_OVERDUE, "Take a hand core and log it"), (K.SYSTEM, "hand cores until the service works")],
)  # fmt: skip
def test_what_each_other_alarm_asks_for(kind: AlarmKind, said: str) -> None:
    assert said in wording.first_checks(facts(kind), "si")[0]


def test_a_tank_still_watched_by_another_sensor_is_not_called_unwatched() -> None:
    good, bad = sensor("LT-2", age=10 * MIN), sensor("LT-1", verdict=ReadingReason.FLAT)
    given = facts(K.BAD_MEASUREMENT, reason=R.FLAT, detail="LT-1", sensors=(bad, good))
    assert wording.other_sensors(given) == "LT-2"
    assert wording.first_checks(given, "si")[0].startswith("Still monitored by LT-2")
    assert wording.other_sensors(replace(given, reason=R.BLIND)) == ""
    assert wording.other_sensors(replace(given, detail="LT-2")) == ""
    late = replace(given, sensors=(bad, sensor("LT-2", age=11 * MIN)))
    assert wording.first_checks(late, "si")[0].startswith("No sensor is monitoring this tank")
    own = replace(given.definition, consequence="Permit breach.")
    assert wording.consequence(replace(given, definition=own)) == "Permit breach."
    three = replace(given, sensors=(bad, good, sensor("LT-3")))
    assert wording.other_sensors(three) == "LT-2 and LT-3"


def test_where_nothing_is_written_the_consequence_is_the_usual() -> None:
    for kind in (K.HIGH, K.HIGH_HIGH, K.RATE, K.TIME_TO_DANGER, K.READS_HIGH):
        assert wording.consequence(facts(kind)) == "Solids go over the weir and out with the effluent."
    for kind in (K.BAD_MEASUREMENT, K.CORE_OVERDUE, K.DEVIATION):
        assert wording.consequence(facts(kind)) == "A rising blanket may go unnoticed."
    assert wording.consequence(facts(K.TURBIDITY)) == ""


@pytest.mark.parametrize("verdict", list(ReadingReason))
def test_every_doubt_about_a_sample_has_its_words(verdict: ReadingReason) -> None:
    assert bool(wording.verdict_words(verdict)) is (verdict is not ReadingReason.NONE)


def test_how_soon_somebody_is_expected_to_act() -> None:
    said = {Priority.LOW: "Act when you can", Priority.MEDIUM: "Act soon", Priority.HIGH: "Act now"}
    for priority, words in said.items():
        definition = replace(facts().definition, priority=priority, time_to_respond=timedelta(minutes=15))
        assert wording.urgency(facts(definition=definition)) == f"{words}, within 15 min."
    assert layout_of(facts(), "si").urgency == wording.urgency(facts())
    assert layout_of(cleared(K.HIGH), "si").urgency is None


# --- the whole message ------------------------------------------------------------------------------------------------


def rows(given: AlarmFacts) -> dict[str, str]:
    return dict(layout_of(given, "si").rows)


def test_rows_of_each_kind_of_message() -> None:
    called = rows(facts())
    assert called["Since"] == "Wed 14 Jan 03:04 EST (6 min ago)"
    assert called["Limit"] == "0.60 m under the weir"
    assert called["Blanket"] == "0.55 m under the weir, 3.45 m above the floor at the wall (give or take 0.16 m)"
    over = rows(cleared(K.HIGH, returned_at=NOW))
    assert (over["Was active"], over["Over since"]) == ("Wed 14 Jan 03:04 EST, for 6 min", "Wed 14 Jan 03:10 EST")
    taken = rows(sent(K.HIGH_HIGH, MessageKind.ACKNOWLEDGED, actor="Mia", note="going"))
    assert (taken["Taken by"], taken["Note"]) == ("Mia, Wed 14 Jan 03:10 EST", "going")
    assert "Note" not in rows(sent(K.HIGH_HIGH, MessageKind.ACKNOWLEDGED, actor="Mia"))
    shelf = rows(sent(K.HIGH_HIGH, MessageKind.SHELF_ENDING, actor="Mia", note="noise", shelved_until=NOW + H))
    assert (shelf["Shelved by"], shelf["Until"]) == ("Mia: noise", "Wed 14 Jan 04:10 EST")
    assert "Limit" not in shelf
    assert rows(facts(returned_at=NOW))["Over since"] == "Wed 14 Jan 03:10 EST"


@pytest.mark.parametrize(
    ("kind", "limit", "said"),
    [(K.HIGH, 1.2, "1.20 m under the weir"), (K.RATE, 0.3, "rising 0.30 m/h"), (K.DEVIATION, 0.3, "0.30 m apart"), (K.EFFLUENT_SOLIDS, 0.03, "30.0 mg/L"),
     (K.TURBIDITY, 10.0, "10.0 NTU"), (K.SOLIDS_LOADING, 8.0, "8.00 kg/m2.h"), (K.CORE_OVERDUE, 26.0, None), (K.HIGH, None, None)],
)  # fmt: skip
def test_the_limit_is_told_as_what_it_is_on(kind: AlarmKind, limit: float | None, said: str | None) -> None:
    definition = AlarmDefinition(key="k", kind=kind, tank="east", limit=limit)
    assert rows(facts(kind, definition=definition)).get("Limit") == said


def test_what_the_sensors_and_the_last_core_said() -> None:
    assert rows(facts(sensors=()))["Last core"].startswith(
        "3.30 m of sludge where it was taken = 1.10 m under the weir, 2 h ago"
    )
    assert rows(facts(core=None))["Last core"] == "none yet"
    assert "Last core" not in rows(service_facts(W.CLOCK))
    assert rows(facts(core=replace(CORE, fluff_height=3.2, surface=(Surface.FOAM,))))["Last core"].startswith(
        "3.30 m of sludge where it was taken = 1.10 m under the weir, fluff up to 0.80 m under the weir; surface: foam, 2 h ago (Wed 14 Jan 01:10 EST by Sam)"
    )
    one = rows(facts(sensors=(replace(sensor(), height=3.75),)))
    assert (
        one["Sensor"]
        == "reads 3.75 m above the floor at the wall, 3.40 m after drift correction, last reading 03:10 EST"
    )
    two = rows(facts(sensors=(sensor(), sensor("LT-2", verdict=ReadingReason.FLAT))))
    assert two["Sensor LT-2"].endswith("frozen at one value, last reading 03:10 EST")
    assert "Sensor LT-1" in two
    assert rows(facts(sensors=(replace(sensor(), last_sample_at=None),)))["Sensor"] == "no reading yet"
    assert rows(facts(sensors=(replace(sensor(), height=math.nan),)))["Sensor"].startswith("sends no usable value")
    assert "drift correction" not in rows(facts(core=None, sensors=(sensor(),)))["Sensor"]


def test_sections_and_links_stand_where_they_help() -> None:
    calls = layout_of(facts(also_active=("WARNING: x",)), "si")
    assert [s.title for s in calls.sections] == [
        "Look at this first",
        "If nothing is done",
        "Also active on this tank",
        "Before you go to the tank",
    ]
    assert (calls.tone, calls.acknowledge, calls.link, calls.tank_link) == ("danger", True, None, None)
    over = layout_of(cleared(K.HIGH), "si")
    assert (over.sections, over.tone, over.acknowledge) == ((), "plain", False)
    assert layout_of(facts(K.HIGH), "si").tone == "warning"
    site = replace(SITE, public_url="https://u.example.org/")
    assert layout_of(facts(site=site), "si").link == "https://u.example.org/alarms/K7QDHM"
    assert layout_of(facts(site=site), "si").tank_link == "https://u.example.org/tanks/east"
    assert layout_of(facts(site=site, code=""), "si").link is None
    assert not layout_of(facts(code=""), "si").acknowledge
    linked = replace(site, link=lambda key, code, now: f"{key} {code} {now:%H:%M}")
    assert layout_of(facts(site=linked), "si").link == "east.alarm K7QDHM 08:10"
    assert layout_of(facts(site=linked, code=""), "si").link is None


def test_who_did_not_answer_and_who_said_no_is_told() -> None:
    from service.notify.messages.facts import Called

    told = rows(
        facts(
            called=(Called(contact="Mia", at=NOW - 20 * MIN), Called(contact="Sam", at=NOW - 10 * MIN)),
            declined=("Lee", "Kim"),
        )
    )
    assert told["No answer"] == "from Mia at 02:50 EST, Sam at 03:00 EST"
    assert told["Declined by"] == "Lee, Kim"


def test_what_is_not_a_number_is_not_told_as_one() -> None:
    assert "Blanket" not in rows(facts(clearance=math.nan))
    given = facts()
    assert given.estimate is not None
    assert rows(facts(estimate=replace(given.estimate, sd=math.nan)))["Blanket"].endswith("(give or take ?)")
    # To the further end over all stories: the likeliest alone would promise what another denies.
    rivals = (Part(0.7, given.estimate.height, 0.08), Part(0.3, given.estimate.height - 1.5, 0.08))
    assert rows(facts(estimate=replace(given.estimate, stories=rivals)))["Blanket"].endswith("(give or take 1.61 m)")
    assert clause(facts(K.HIGH, rate=math.nan)) == "sludge 1.00 m under the weir"
    for more in ({"height": None}, {"height": math.nan}):
        assert rows(facts(sensors=(replace(sensor(), **more),)))["Sensor"].startswith("sends no usable value")
    for corrected in (None, math.nan):
        assert "correction" not in rows(facts(sensors=(sensor(corrected=corrected),)))["Sensor"]


def test_of_a_tank_whose_depth_is_not_known_no_place_under_the_weir_is_told() -> None:
    unknown = facts(K.HIGH, side_water_depth=None, value=1.0)
    assert clause(unknown) == "sludge 1.00 m under the weir, rising 0.18 m/h"
    assert "Blanket" not in rows(unknown)
    assert rows(unknown)["Last core"].startswith("3.30 m of sludge where it was taken, 2 h ago")


def test_rival_stories_are_told_with_their_chances_the_likeliest_first_and_three_at_most() -> None:
    estimate = facts(trust=Trust.DOUBTFUL).estimate
    assert estimate is not None

    def said(*parts: tuple[float, float], depth: float | None = 4.0) -> str | None:
        stories = tuple(Part(chance, mean, 0.05) for chance, mean in parts)
        believed = replace(estimate, height=stories[0].mean if stories else estimate.height, stories=stories)
        return wording.trust_sentence(facts(estimate=believed, side_water_depth=depth), "si")

    doubtful = "The blanket may be 0.30 m higher or lower than estimated: a hand core decides."
    three = (0.6, 1.0), (0.3, 3.0), (0.03, 2.0)
    assert said(*three, (0.03, 2.5)) == (
        "The sludge is either 3.00 m under the weir (60 %) or 1.00 m under the weir (30 %) or 2.00 m under the weir (3 %): a hand core decides."
    )
    assert said((0.97, 1.0), (0.02, 3.0)) == said((1.0, 1.0)) == said() == doubtful
    # Where there is no weir to count from, how far off over all of them.
    assert said(*three, depth=None) == doubtful.replace("0.30", "2.07")
    assert (
        clause(facts(K.HIGH, value=1.0, reason=R.MAY_BE_BEYOND))
        == "sludge perhaps 1.00 m under the weir: a hand core decides"
    )


def test_what_a_person_saw_is_told_where_nothing_is_believed() -> None:
    told = facts(standing=seen(), estimate=None)
    assert "do not trust it" not in (wording.trust_sentence(told, "si") or "do not trust it")
    assert wording.trust_short(told) == "Seen by a person"


def test_a_subject_is_cut_at_a_word() -> None:
    assert _one_line("a  b\nc", 9) == "a b c"
    assert _one_line("x" * 9, 9) == "x" * 9
    assert _one_line("one two three", 9) == "one two…"
    assert _one_line("x" * 10, 9) == "x" * 8 + "…"
    assert 100 < len(render(facts(tank_label="East clarifier " * 20), "si").subject) <= 110


def test_a_text_message_has_its_code_only_where_it_can_be_answered() -> None:
    assert sms(facts(), "si").endswith(". 03:10 EST. Code K7QDHM")
    assert "Code" not in sms(cleared(K.HIGH), "si")
    for kind in (MessageKind.CLEARED, MessageKind.ACKNOWLEDGED, MessageKind.SHELF_ENDING):
        other = sms(sent(K.HIGH, kind, rate=0.0, sensors=(), actor="Mia"), "si")
        assert not [word for word in ("Code", "Estimate", "Core") if word in other]
    assert "Code" not in sms(facts(code=""), "si")
    assert "Estimate reliable" in sms(facts(), "si")
    assert "Core 2 h ago 3.30 m" in sms(facts(rate=0.0), "si")
    assert "By hand core" in sms(cleared(K.HIGH, core=replace(CORE, last_heard=True), rate=0.0, sensors=()), "si")
