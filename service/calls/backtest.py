"""Lists the calls a backtest would have made, by the same routing and escalation as live.

Two answers are assumed: nobody ever answers, or everybody who is called answers after a while. Every channel is taken to
work, and nothing is folded over several tanks, since a backtest sees one tank.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.alarms.backtest import Backtest, BacktestAlarm, BacktestLine
from service.alarms.definition import AlarmDefinition
from service.alarms.machine import AlarmState, Machine
from service.calls.comparison import AlarmSpell, spells
from service.calls.escalation import OnCall, due_calls
from service.calls.routing import Notification, RouteReason, SentMessage, covering, route

#: How often the service looks whether somebody else has to be called, as a backtest sees it.
LOOK = timedelta(minutes=1)
#: Calls put off because somebody was told a moment ago come at most this long after the escalation's last.
PUT_OFF = timedelta(minutes=15)


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """One message that would have gone out."""

    at: datetime
    alarm: str
    contact: str
    channel: str
    reason: RouteReason


def backtest_calls(
    run: Backtest, callout: OnCall, end: datetime, answered_after: timedelta | None = None
) -> tuple[Call, ...]:
    """Every call of a tank's alarms, oldest first.

    Parameters
    ----------
    callout : people, rotas and escalations to run with.
    end : of the replay; what is called after it nobody knows.
    answered_after : how long after the first call of an occurrence somebody has it; None: nobody ever does.
    """
    channels = frozenset(channel for contact in callout.contacts for channel in contact.channels)
    stood = [(track.definition, spells(track.lines)) for track in run.tracks]
    calls: list[Call] = []
    for track in run.tracks:
        history: list[SentMessage] = []
        for line, until in _raised(track, end):
            answer = until if answered_after is None else min(until, line.known_at + answered_after)
            calls += _occurrence(track.definition, line, answer, callout, channels, history, stood)
    return tuple(sorted(calls, key=lambda call: (call.at, call.alarm, call.contact)))


def _raised(track: BacktestAlarm, end: datetime) -> Iterator[tuple[BacktestLine, datetime]]:
    """Every line that calls, and until when its alarm stood unanswered."""
    for n, line in enumerate(track.lines):
        if line.transition.to_state is not AlarmState.UNACKNOWLEDGED:
            continue
        left = next((after.known_at for after in track.lines[n + 1 :]), end)
        yield line, min(left, end)


def _occurrence(
    definition: AlarmDefinition,
    line: BacktestLine,
    until: datetime,
    callout: OnCall,
    channels: frozenset[str],
    history: list[SentMessage],
    stood: Sequence[tuple[AlarmDefinition, Sequence[AlarmSpell]]],
) -> Iterator[Call]:
    at, moved = line.known_at, line.transition
    machine = Machine(state=AlarmState.UNACKNOWLEDGED, since=moved.at, occurred_at=moved.at)

    def take(tells: Sequence[Notification], now: datetime) -> Iterator[Call]:
        for tell in tells:
            told = SentMessage(
                contact=tell.contact.name,
                channel=tell.channel,
                kind=tell.kind,
                at=now,
                occurred_at=machine.occurred_at,
                key=tell.key,
            )
            history.append(told)
            yield Call(at=now, alarm=definition.key, contact=told.contact, channel=told.channel, reason=tell.reason)

    for routing in route(
        [moved],
        machine,
        definition,
        callout.contacts,
        history,
        now=at,
        channels=channels,
        covered_by=covering(definition, _active(stood, at)),
        first_called=callout.first_called(definition, at, machine),
    ):
        yield from take(routing.tells, at)
    escalation = callout.escalation(definition.priority, moved.at)
    end = until  # a danger calls for as long as it stands
    if definition.improve_within is None:
        steps = () if escalation is None else escalation.steps
        last = max((step.after + (step.again_every or LOOK) * step.again_times for step in steps), default=-PUT_OFF)
        end = min(until, at + last + PUT_OFF)
    now = at + LOOK
    while now < end:
        if covering(definition, _active(stood, now)) is None:
            tells, _ = due_calls(callout, definition, machine, history, now=now)
            yield from take(tells, now)
        now += LOOK


def _active(stood: Sequence[tuple[AlarmDefinition, Sequence[AlarmSpell]]], at: datetime) -> list[AlarmDefinition]:
    """The alarms that stood then, as far as was known."""
    return [
        definition
        for definition, times in stood
        if any(spell.called_at <= at and (spell.end is None or at < spell.end) for spell in times)
    ]
