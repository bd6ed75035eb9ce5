"""Who is told what, and the reason for every silence."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority
from service.alarms.machine import AlarmState, Event, Machine, Transition
from service.alarms.machine import MachineReason as Why
from service.calls.contact import Contact
from service.calls.escalation import told_since_it_called
from service.calls.routing import (
    MessageKind,
    RouteReason,
    Routing,
    SentMessage,
    covering,
    failover,
    route,
)
from tests.unit.alarms.cases import T0

MINUTE = timedelta(minutes=1)
HIGH = AlarmDefinition(key="east.high", kind=AlarmKind.HIGH, tank="east", limit=1.2)
HIGH_HIGH = replace(HIGH, key="east.high-high", kind=AlarmKind.HIGH_HIGH, priority=Priority.HIGH)
ANNA = Contact(name="Anna", email="anna@example.org", phone="+15550100", channels=("email", "sms"))
BEN = Contact(name="Ben", email="ben@example.org", channels=("email",), priorities=(Priority.HIGH,))
CARL = Contact(name="Carl", email="carl@example.org", channels=("email",), tanks=("west",))
EMAIL = frozenset({"email"})

N, U, A, R = (AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED)


def moved(event: Event, before: AlarmState, after: AlarmState, minute: float = 0, **more: Any) -> Transition:
    given: dict[str, Any] = {
        "at": T0 + minute * MINUTE,
        "event": event,
        "from_state": before,
        "to_state": after,
        "reason": Why.ABNORMAL_FOR_ON_DELAY,
        "code": "K7QDHM",
        "occurred_at": T0,
    }
    return Transition(**given | more)


OCCURRED = moved(Event.OCCURRED, N, U)
RETURNED = moved(Event.RETURNED, U, R, 10)
TAKEN = moved(Event.ACKNOWLEDGED, U, A, 5, actor="Anna")


def routed(*transitions: Transition, history: tuple[SentMessage, ...] = (), **more: Any) -> tuple[Routing, ...]:
    given: dict[str, Any] = {
        "machine": Machine(state=transitions[-1].to_state),
        "definition": HIGH,
        "contacts": (ANNA, BEN, CARL),
        "now": transitions[-1].at,
        "channels": EMAIL,
    }
    given |= more
    return route(transitions, given.pop("machine"), given.pop("definition"), given.pop("contacts"), history, **given)


def told(
    contact: str = "Anna", kind: MessageKind = MessageKind.ALARM, minute: float = 0, key: str = "first"
) -> SentMessage:
    return SentMessage(contact=contact, channel="email", kind=kind, at=T0 + minute * MINUTE, occurred_at=T0, key=key)


def outcome(routing: Routing) -> dict[str | None, RouteReason]:
    return {tell.contact.name: tell.reason for tell in routing.tells} | {s.contact: s.reason for s in routing.silences}


def test_those_who_answer_for_the_tank_and_priority_are_told() -> None:
    (routing,) = routed(OCCURRED)
    assert outcome(routing) == {
        "Anna": RouteReason.NEW_ALARM,
        "Ben": RouteReason.NOT_THEIRS,
        "Carl": RouteReason.NOT_THEIRS,
    }
    assert [(t.kind, t.channel) for t in routing.tells] == [(MessageKind.ALARM, "email")]


def test_the_same_decision_has_the_same_key_and_another_has_another() -> None:
    first, again = routed(OCCURRED)[0].tells[0].key, routed(OCCURRED)[0].tells[0].key
    later = routed(moved(Event.OCCURRED, N, U, 30, occurred_at=T0 + 30 * MINUTE))[0].tells[0].key
    assert first == again
    assert first != later


@pytest.mark.parametrize(
    ("contacts", "channels", "expected"),
    [
        ((), EMAIL, {None: RouteReason.NO_CONTACT}),
        ((ANNA,), frozenset({"pager"}), {"Anna": RouteReason.NO_CHANNEL}),
        ((replace(ANNA, email=None),), EMAIL, {"Anna": RouteReason.NO_CHANNEL}),
        ((replace(ANNA, email=None),), frozenset({"email", "sms"}), {"Anna": RouteReason.NEW_ALARM}),
    ],
)
def test_without_a_way_there_is_a_reason(contacts: Any, channels: Any, expected: Any) -> None:
    assert outcome(routed(OCCURRED, contacts=contacts, channels=channels)[0]) == expected


class TestOutage:
    """After an outage people learn what is true now."""

    def test_what_still_stands_is_told_however_old(self) -> None:
        (routing,) = routed(OCCURRED, now=T0 + timedelta(days=2))
        assert outcome(routing)["Anna"] is RouteReason.NEW_ALARM

    def test_what_is_over_long_since_is_not(self) -> None:
        now = RETURNED.at + 30 * MINUTE
        assert outcome(routed(OCCURRED, RETURNED, now=now)[0])["Anna"] is RouteReason.OVER_ALREADY
        now += timedelta(seconds=1)
        first, second = routed(OCCURRED, RETURNED, now=now)
        assert outcome(first) == {None: RouteReason.OVER_BEFORE_TOLD}
        assert outcome(second) == {None: RouteReason.TOLD_WITH_ALARM}

    def test_what_was_over_a_moment_ago_is_told_once(self) -> None:
        first, second = routed(OCCURRED, RETURNED, now=RETURNED.at + MINUTE)
        assert outcome(first)["Anna"] is RouteReason.OVER_ALREADY
        assert second.tells == ()

    def test_only_the_last_of_many_is_told(self) -> None:
        again = moved(Event.RE_ALARMED, R, U, 20)
        routings = routed(OCCURRED, RETURNED, again)
        assert [outcome(r).get(None) for r in routings[:2]] == [RouteReason.LATER_EVENT_TOLD] * 2
        assert outcome(routings[2])["Anna"] is RouteReason.ABNORMAL_AGAIN


class TestEnd:
    """The end is told to those who know of the beginning."""

    def test_cleared_goes_to_those_who_were_told(self) -> None:
        (routing,) = routed(RETURNED, history=(told(),))
        assert outcome(routing) == {
            "Anna": RouteReason.WAS_TOLD_OF_ALARM,
            "Ben": RouteReason.NOBODY_WAS_TOLD,
            "Carl": RouteReason.NOBODY_WAS_TOLD,
        }
        assert routing.tells[0].kind is MessageKind.CLEARED
        assert routing.tells[0].reply_to == "first"

    def test_cleared_is_told_once(self) -> None:
        (routing,) = routed(RETURNED, history=(told(), told(kind=MessageKind.CLEARED, minute=3)))
        assert outcome(routing)["Anna"] is RouteReason.TOLD_CLEARED_ALREADY

    def test_whoever_last_heard_alarm_hears_the_end_of_a_later_one_too(self) -> None:
        # The later beginning may have been held back because it came and went.
        (routing,) = routed(RETURNED, history=(replace(told(), occurred_at=T0 - MINUTE),))
        assert outcome(routing)["Anna"] is RouteReason.WAS_TOLD_OF_ALARM
        assert routing.tells[0].reply_to is None

    def test_but_not_days_later(self) -> None:
        long_ago = replace(told(), at=T0 - timedelta(days=1), occurred_at=T0 - timedelta(days=1))
        assert outcome(routed(RETURNED, history=(long_ago,))[0])["Anna"] is RouteReason.NOBODY_WAS_TOLD


class TestTaken:
    """The others learn who has it."""

    def test_whom_the_escalation_called_hears_of_the_end_though_it_names_others(self) -> None:
        (routing,) = routed(RETURNED, history=(told("Ben"),), first_called=(ANNA,))
        assert outcome(routing)["Ben"] is RouteReason.WAS_TOLD_OF_ALARM

    def test_others_are_told(self) -> None:
        history = (told(), told("Ben"))
        (routing,) = routed(TAKEN, history=history)
        assert outcome(routing) == {
            "Anna": RouteReason.DID_IT_THEMSELVES,
            "Ben": RouteReason.SOMEBODY_HAS_IT,
            "Carl": RouteReason.NOBODY_WAS_TOLD,
        }

    def test_nobody_is_woken_for_the_acknowledge_of_what_is_over(self) -> None:
        late = moved(Event.ACKNOWLEDGED, R, N, 20, actor="Anna")
        (routing,) = routed(late, history=(told("Ben"), told("Ben", MessageKind.CLEARED, 10)))
        assert outcome(routing)["Ben"] is RouteReason.TOLD_CLEARED_ALREADY


class TestComingAndGoing:
    """A chattering alarm is told a few times, then only now and then; nobody is left believing it is over."""

    OFTEN = tuple(replace(told(minute=m, key=f"k{m}"), occurred_at=T0 + m * MINUTE) for m in (0, 5, 9))

    def test_being_called_again_about_the_same_is_not_coming_and_going(self) -> None:
        rounds = tuple(told(minute=m, key=f"k{m}") for m in (0, 3, 6, 9))
        assert outcome(routed(RETURNED, history=rounds)[0])["Anna"] is RouteReason.WAS_TOLD_OF_ALARM

    def test_ends_are_no_longer_told(self) -> None:
        assert outcome(routed(RETURNED, history=self.OFTEN)[0])["Anna"] is RouteReason.COMES_AND_GOES

    def test_and_beginnings_only_now_and_then(self) -> None:
        soon, later = moved(Event.RE_ALARMED, R, U, 12), moved(Event.RE_ALARMED, R, U, 25)
        assert outcome(routed(soon, history=self.OFTEN[::-1])[0])["Anna"] is RouteReason.COMES_AND_GOES  # in any order
        assert outcome(routed(later, history=self.OFTEN)[0])["Anna"] is RouteReason.ABNORMAL_AGAIN

    def test_whoever_heard_it_cleared_hears_it_again(self) -> None:
        history = (*self.OFTEN, told(kind=MessageKind.CLEARED, minute=10))
        again = moved(Event.RE_ALARMED, R, U, 12)
        assert outcome(routed(again, history=history)[0])["Anna"] is RouteReason.ABNORMAL_AGAIN


class TestFolding:
    """A graver alarm of the same tank tells the same story."""

    def test_high_is_covered_by_high_high(self) -> None:
        assert covering(HIGH, [HIGH_HIGH, HIGH]) is HIGH_HIGH
        assert covering(HIGH_HIGH, [HIGH_HIGH, HIGH]) is None
        assert covering(HIGH, [replace(HIGH_HIGH, tank="west")]) is None

    def test_covers_only_for_those_told_of_the_graver(self) -> None:
        dora = replace(BEN, name="Dora", priorities=(Priority.MEDIUM,))
        (routing,) = routed(OCCURRED, covered_by=HIGH_HIGH, contacts=(ANNA, dora))
        assert outcome(routing) == {"Anna": RouteReason.COVERED, "Dora": RouteReason.NEW_ALARM}

    def test_the_end_is_told_though_a_graver_alarm_or_a_cause_stands(self) -> None:
        history = (told(), told("Dora"))
        others: tuple[dict[str, Any], ...] = ({"covered_by": HIGH_HIGH}, {"folded_under": HIGH_HIGH})
        for other in others:
            (routing,) = routed(RETURNED, history=history, contacts=(ANNA,), **other)
            assert outcome(routing) == {"Anna": RouteReason.WAS_TOLD_OF_ALARM}

    def test_whoever_is_silent_anyhow_is_silent_for_the_reason_of_their_own(self) -> None:
        others: tuple[dict[str, Any], ...] = ({"covered_by": HIGH_HIGH}, {"folded_under": HIGH_HIGH})
        for other in others:
            (routing,) = routed(OCCURRED, contacts=(BEN,), **other)
            assert outcome(routing) == {"Ben": RouteReason.NOT_THEIRS}

    def test_folds_for_those_whom_the_cause_calls(self) -> None:
        dora = replace(BEN, name="Dora", priorities=(Priority.MEDIUM,))
        (routing,) = routed(OCCURRED, folded_under=HIGH_HIGH, contacts=(ANNA, dora))
        assert outcome(routing) == {"Anna": RouteReason.FOLDED, "Dora": RouteReason.NEW_ALARM}


@pytest.mark.parametrize(
    ("transition", "reason"),
    [
        (moved(Event.STARTED, N, N), RouteReason.FIRST_LOOK),
        (moved(Event.SHELVED, U, AlarmState.SHELVED), RouteReason.BY_A_PERSON),
        (moved(Event.SUPPRESSED, U, AlarmState.SUPPRESSED), RouteReason.BY_DESIGN),
        (moved(Event.RESET, AlarmState.LATCHED_ACKNOWLEDGED, N), RouteReason.BY_A_PERSON),
        (moved(Event.UNSHELVED, AlarmState.SHELVED, N), RouteReason.BY_A_PERSON),
        (moved(Event.DECLINED, U, U), RouteReason.BY_A_PERSON),  # the next person is called by another way
    ],
)
def test_other_events_stay_silent_with_a_reason(transition: Transition, reason: RouteReason) -> None:
    assert outcome(routed(transition)[0]) == {None: reason}


@pytest.mark.parametrize(
    ("transition", "reason"),
    [
        (moved(Event.UNFOLDED, U, U), RouteReason.CAUSE_OVER),
        (moved(Event.UNSHELVED, AlarmState.SHELVED, U), RouteReason.ABNORMAL_AFTER_QUIET),
        (moved(Event.UNSUPPRESSED, AlarmState.SUPPRESSED, U), RouteReason.ABNORMAL_AFTER_QUIET),
        (moved(Event.RESTORED, AlarmState.OUT_OF_SERVICE, U), RouteReason.ABNORMAL_AFTER_QUIET),
        (moved(Event.RE_ALARMED, A, U, reason=Why.NOT_BETTER_IN_TIME), RouteReason.NOT_BETTER),
        (moved(Event.RE_ALARMED, A, U, reason=Why.GIVEN_BACK), RouteReason.GIVEN_BACK),
        (moved(Event.RE_ALARMED, A, U, reason=Why.STILL_ABNORMAL_AFTER_RE_ALARM_TIME), RouteReason.NOT_DEALT_WITH),
    ],
)
def test_whatever_leads_to_an_alarm_that_stands_calls_and_says_why(transition: Transition, reason: RouteReason) -> None:
    assert outcome(routed(transition, contacts=(ANNA,))[0]) == {"Anna": reason}


def test_the_end_of_a_shelf_is_announced() -> None:
    ending = moved(Event.SHELF_ENDING, AlarmState.SHELVED, AlarmState.SHELVED)
    assert outcome(routed(ending)[0]) == {
        "Anna": RouteReason.SHELF_ENDING,
        "Ben": RouteReason.NOT_THEIRS,
        "Carl": RouteReason.NOT_THEIRS,
    }


def test_an_alarm_shelved_in_the_same_pass_is_not_told() -> None:
    shelved = moved(Event.SHELVED, U, AlarmState.SHELVED, 1)
    assert outcome(routed(OCCURRED, shelved)[0]) == {None: RouteReason.BY_A_PERSON}


class TestInstead:
    """Whoever cannot be reached is replaced, until everybody was tried."""

    BOTH = frozenset({"email", "sms"})

    def test_who_was_told_before_somebody_had_it_is_told_when_it_calls_again(self) -> None:
        """Else a danger that was given back reaches nobody while the one way that is tried is down."""
        again = T0 + timedelta(hours=1)
        before = [replace(told(), contact=c.name, channel=way) for c in (ANNA, BEN) for way in ("email", "sms")]
        failed = replace(told(), at=again)
        assert failover(HIGH, (ANNA, BEN), failed, [*before, failed], self.BOTH) is None
        calls_again = Machine(state=U, occurred_at=T0, called_since=again)
        now = failover(HIGH, (ANNA, BEN), failed, told_since_it_called(calls_again, [*before, failed]), self.BOTH)
        assert now is not None
        assert (now.contact.name, now.channel) == ("Anna", "sms")

    def test_same_person_another_way_then_the_next_then_anybody(self) -> None:
        ben = replace(BEN, priorities=(Priority.MEDIUM,))
        eve = replace(BEN, name="Eve", email="eve@example.org", priorities=(Priority.LOW,))
        contacts, history = (ANNA, eve, ben, CARL), [told()]
        chosen = []
        while (tell := failover(HIGH, contacts, history[-1], history, self.BOTH)) is not None:
            chosen.append((tell.contact.name, tell.channel, tell.reason))
            history.append(
                SentMessage(
                    contact=tell.contact.name,
                    channel=tell.channel,
                    kind=tell.kind,
                    at=T0,
                    occurred_at=T0,
                    key=tell.key,
                )
            )
        assert chosen == [
            ("Anna", "sms", RouteReason.OTHER_WAY),
            ("Ben", "email", RouteReason.INSTEAD_OF_OTHER),
            ("Eve", "email", RouteReason.INSTEAD_OF_OTHER),
        ]

    def test_nobody_left(self) -> None:
        assert failover(HIGH, (ANNA,), told(), [told()], EMAIL) is None
