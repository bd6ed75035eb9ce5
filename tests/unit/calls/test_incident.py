"""One answer covers what says less, and never a call that is worse."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.machine import Acknowledge, AlarmState, Decline, Evaluate, Machine, step
from service.alarms.rules import Condition, RuleReason, RuleResult
from service.calls.incident import GRAVITY, answered_with, first_message, given_back_with, of_incident
from service.calls.routing import MessageKind, SentMessage

START, MINUTE = datetime(2026, 1, 14, 8, 0, tzinfo=UTC), timedelta(minutes=1)
KINDS = sorted(GRAVITY, key=lambda kind: GRAVITY[kind])
ALARMS = {kind: AlarmDefinition(key=f"east.{kind}", kind=kind, tank="east", limit=1.0) for kind in KINDS}
OTHER = AlarmDefinition(key="west.high", kind=AlarmKind.HIGH, tank="west", limit=1.0)


def verdict(bad: bool) -> Evaluate:
    condition = Condition.ABNORMAL if bad else Condition.NORMAL
    return Evaluate(verdict=RuleResult(condition=condition, reason=RuleReason.BEYOND_LIMIT), live=True)


@given(
    st.lists(
        st.tuples(st.sampled_from(["rise", "fall", "answer", "give back"]), st.sampled_from(KINDS)),
        min_size=20,
        max_size=40,
    )
)
def test_no_order_of_events_silences_what_gets_worse(events: list[tuple[str, AlarmKind]]) -> None:
    machines = {kind: step(ALARMS[kind], Machine(), verdict(False), START).machine for kind in KINDS}
    for number, (event, kind) in enumerate(events, start=1):
        at = START + number * MINUTE
        before = dict(machines)
        definition, machine = ALARMS[kind], machines[kind]
        others = [(ALARMS[other], machines[other]) for other in KINDS if other is not kind]
        if event in ("rise", "fall"):
            taken = step(definition, machine, verdict(event == "rise"), at)
            machines[kind] = taken.machine
            if event == "rise" and not machine.active:
                # Whatever was answered before: what becomes abnormal calls by its own state.
                assert taken.machine.state is AlarmState.UNACKNOWLEDGED
            continue
        given_ = Acknowledge(who="Sam") if event == "answer" else Decline(who="Sam", with_code=True)
        taken = step(definition, machine, given_, at)
        machines[kind] = taken.machine
        together: tuple[str, ...] = ()
        if event == "answer" and taken.transitions and taken.machine.state is AlarmState.ACKNOWLEDGED:
            together = answered_with(definition, machine, others)
        elif event == "give back" and taken.transitions and machine.state is AlarmState.ACKNOWLEDGED:
            together = given_back_with(definition, machine, others)
        for other in KINDS:
            if ALARMS[other].key in together:
                also = step(ALARMS[other], machines[other], given_, at)
                # Each alarm keeps its own line in the journal.
                assert len(also.transitions) == 1
                machines[other] = also.machine
        for other in KINDS:
            if other is kind or machines[other] == before[other]:
                continue
            assert GRAVITY[other] < GRAVITY[kind]
            if event == "answer":
                called, answered = before[other].called_since, machine.called_since
                assert called is not None
                assert answered is not None
                assert called <= answered or kind is AlarmKind.HIGH_HIGH
            else:
                assert machines[other].state is AlarmState.UNACKNOWLEDGED


def calling(at: datetime = START) -> Machine:
    return Machine(state=AlarmState.UNACKNOWLEDGED, since=at, active=True, called_since=at, occurred_at=at)


def test_an_answer_covers_what_its_message_told_and_nothing_worse_or_later() -> None:
    soon, high, danger = (ALARMS[k] for k in (AlarmKind.TIME_TO_DANGER, AlarmKind.HIGH, AlarmKind.HIGH_HIGH))
    earlier, later = calling(START - MINUTE), calling(START + MINUTE)
    assert answered_with(danger, calling(), [(soon, earlier), (high, later)]) == (soon.key, high.key)
    assert answered_with(high, calling(), [(soon, earlier), (danger, earlier)]) == (soon.key,)
    assert answered_with(high, calling(), [(soon, later)]) == ()
    assert answered_with(soon, calling(), [(high, earlier), (danger, earlier)]) == ()
    assert answered_with(danger, calling(), [(OTHER, earlier)]) == ()


def test_only_alarms_on_the_blanket_of_one_tank_are_one_incident() -> None:
    sensor = AlarmDefinition(key="east.sensor", kind=AlarmKind.BAD_MEASUREMENT, tank="east")
    high = ALARMS[AlarmKind.HIGH]
    assert of_incident(high, [*ALARMS.values(), OTHER, sensor]) == tuple(d for d in ALARMS.values() if d is not high)
    assert of_incident(sensor, ALARMS.values()) == ()
    assert answered_with(sensor, calling(), [(high, calling(START - MINUTE))]) == ()


def test_a_conversation_begins_with_the_first_message_of_what_still_stands() -> None:
    def told(key: str, minutes: int, occurred: datetime = START, contact: str = "Sam") -> SentMessage:
        at = START + minutes * MINUTE
        return SentMessage(
            contact=contact, channel="email", kind=MessageKind.ALARM, at=at, occurred_at=occurred, key=key
        )

    stands = calling()
    assert first_message([(stands, told("b", 2)), (stands, told("a", 1))], "Sam", "email") == "a"
    assert first_message([(stands, told("old", -60, START - 60 * MINUTE))], "Sam", "email") is None
    assert first_message([(stands, told("a", 1, contact="Kim"))], "Sam", "email") is None
    assert first_message([(stands, told("a", 1))], "Sam", "sms") is None
