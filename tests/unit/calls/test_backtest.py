"""Who would have been called: by the rota and the escalation, until somebody answers or the alarm is over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from service.alarms.backtest import Backtest
from service.alarms.definition import Priority
from service.calls.backtest import Call, backtest_calls
from service.calls.escalation import OnCall
from service.calls.routing import RouteReason
from tests.unit.alarms.test_backtest import HIGH, HIGH_HIGH, MINUTE, START, _seen
from tests.unit.calls.test_escalation import CALLOUT, ZONE, contact

DANGER = replace(HIGH_HIGH, priority=Priority.HIGH)


def _rehearsed(clearances: Sequence[float]) -> Backtest:
    rehearsal = Backtest([HIGH, DANGER], "si")
    for minute, clearance in enumerate(clearances):
        seen = _seen(minute, clearance)
        rehearsal.look([seen], seen)
    return rehearsal


def _end(clearances: Sequence[float]) -> datetime:
    return START + len(clearances) * MINUTE


def _of_danger(calls: Sequence[Call]) -> list[tuple[int, str, str]]:
    return [((c.at - START) // MINUTE, c.contact, c.channel) for c in calls if c.alarm == DANGER.key]


NIGHT = [2.0, *[0.5] * 40]


def test_nobody_answers_and_the_escalation_is_climbed() -> None:
    calls = backtest_calls(_rehearsed(NIGHT), CALLOUT, _end(NIGHT))
    # Wednesday is Ben's turn; after him the chief, then everybody who answers for the tank.
    assert _of_danger(calls)[:5] == [(1, "Ben", "sms"), (6, "Ben", "sms"), (11, "Ben", "sms"), (16, "Chief", "email"), (31, "Anna", "email")]  # fmt: skip
    assert {who for minute, who, _ in _of_danger(calls) if minute == 31} == {"Anna", "Ben", "Chief"}
    assert "West" not in {call.contact for call in calls}
    reasons = [call.reason for call in calls if call.alarm == DANGER.key][:4]
    assert reasons == [RouteReason.NEW_ALARM, RouteReason.ASKED_AGAIN, RouteReason.ASKED_AGAIN, RouteReason.NOBODY_ANSWERED]  # fmt: skip


def test_an_answer_stops_the_escalation() -> None:
    for minutes, called in ((7, [(1, "Ben", "sms"), (6, "Ben", "sms")]), (5, [(1, "Ben", "sms")])):
        assert _of_danger(backtest_calls(_rehearsed(NIGHT), CALLOUT, _end(NIGHT), minutes * MINUTE)) == called


def test_the_end_of_an_alarm_stops_it_and_the_next_begins_anew() -> None:
    clearances = [2.0, *[0.5] * 8, *[2.0] * 5, *[0.5] * 3]
    calls = backtest_calls(_rehearsed(clearances), CALLOUT, _end(clearances))
    assert _of_danger(calls) == [(1, "Ben", "sms"), (6, "Ben", "sms"), (14, "Ben", "sms")]


def test_without_a_escalation_everybody_who_wants_it_is_told_once_and_the_graver_alarm_covers() -> None:
    people = tuple(replace(contact(name), priorities=tuple(Priority)) for name in ("Anna", "Ben"))
    falling = [2.0, *[1.2] * 5, *[0.5] * 10]
    calls = backtest_calls(_rehearsed(falling), OnCall(contacts=people, zone=ZONE), _end(falling))
    assert [((c.at - START) // MINUTE, c.alarm, c.contact) for c in calls] == [
        (2, HIGH.key, "Anna"),
        (2, HIGH.key, "Ben"),
        (6, DANGER.key, "Anna"),
        (6, DANGER.key, "Ben"),
    ]
    at_once = [2.0, *[0.5] * 10]
    calls = backtest_calls(_rehearsed(at_once), OnCall(contacts=people, zone=ZONE), _end(at_once))
    assert {call.alarm for call in calls} == {DANGER.key}


@given(st.lists(st.sampled_from([0.5, 1.2, 2.0]), max_size=80), st.integers(0, 40))
def test_answering_never_calls_more_than_silence(clearances: list[float], minutes: int) -> None:
    rehearsal = _rehearsed(clearances)
    silence = backtest_calls(rehearsal, CALLOUT, _end(clearances))
    answered = backtest_calls(rehearsal, CALLOUT, _end(clearances), timedelta(minutes=minutes))
    assert len(answered) <= len(silence)
    assert [c.at for c in silence] == sorted(c.at for c in silence)
    assert all(START <= call.at <= _end(clearances) for call in silence)
