"""Escalates alarms that nobody has answered, or whose cause is over while they are still active."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import structlog
from sqlalchemy import Connection, Engine

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.grouping import LINGERS, StandingAlarm, causes_of, shared_cause
from service.alarms.machine import QUIET, AlarmState, Machine, called_further, unfolded
from service.alarms.rules import RuleInput
from service.calls.escalation import due_calls
from service.calls.routing import Notification, Routing, SentMessage, Suppression, covering
from service.domain.blanket.estimate import Estimate
from service.jobs.alarms.setup import AlarmSetup
from service.jobs.alarms.situations import tank_histories
from service.jobs.calls.notification import HISTORY_SPAN, AlarmChange, Decided, Scene, decide, write
from service.jobs.diagnosis.diagnosis import diagnosis_of
from service.jobs.plant.plant import Plant
from service.notify.messages.facts import Called
from service.storage.alarms.alarms import AlarmRecord, alarms, grouped_alarms, lock_alarms, sent_messages
from service.storage.database.session import transaction

log = structlog.get_logger(__name__)


def escalate(
    engine: Engine,
    plant: Plant,
    *,
    projected: Mapping[str, Estimate],
    now: datetime,
) -> int:
    """Call whoever is due about every unanswered alarm, and return how many messages that made.

    Parameters
    ----------
    projected : each tank's belief at *now*, for the words of the message.
    """
    with transaction(engine) as conn:
        known = alarms(conn)
        standing = [r for r in known if r.machine.state is AlarmState.UNACKNOWLEDGED]
        if not standing:
            return 0
        # A first look without locks: nearly always nobody is due.
        history = sent_messages(conn, [record.id for record in standing], now - HISTORY_SPAN)
        silent = grouped_alarms(conn, [record.id for record in standing])
    everything = [_standing(plant.alarms, record) for record in known]
    active = [s.definition for s in everything if s is not None and s.machine.active and s.machine.state not in QUIET]
    causes = causes_of((s for s in everything if s is not None), ended_after=now - LINGERS)
    one_pass = _Pass(plant=plant, projected=projected, now=now)
    calls = 0
    for record in standing:
        alarm = _standing(plant.alarms, record)
        if alarm is None or covering(alarm.definition, active) or shared_cause(alarm, causes, plant.alarms.feeds):
            continue
        if record.id in silent:
            if record.machine.off_since is None:  # else it is about to end with its cause
                with transaction(engine) as conn:
                    calls += one_pass.unfold(conn, alarm.definition)
        elif one_pass.due(record, alarm.definition, history.get(record.id, ()))[0]:
            with transaction(engine) as conn:
                calls += one_pass.call(conn, alarm.definition)
    return calls


def unanswered_calls(machine: Machine, history: Sequence[SentMessage]) -> tuple[Called, ...]:
    """Who was called about this occurrence before and has said neither yes nor no."""
    said = {*machine.declined, *machine.declined_without_code}
    called = {t.contact: t.at for t in history if t.occurred_at == machine.occurred_at and t.contact not in said}
    return tuple(Called(contact=name, at=at) for name, at in called.items())


def scene_of(
    conn: Connection,
    plant: Plant,
    definition: AlarmDefinition,
    now: datetime,
    projected: Mapping[str, Estimate] | None = None,
) -> Scene:
    """What is known of an alarm's tank now.

    Parameters
    ----------
    projected : each tank's belief at *now*, by its key; the newest estimate where that is missing.
    """
    danger = next((d.limit for d in plant.alarms.of_tank(definition.tank) if d.kind is AlarmKind.HIGH_HIGH), None)
    tank = plant.setup(definition.tank)
    if tank is None:
        return Scene(tank=None, situation=RuleInput(at=now), danger_limit=danger)
    seen = tank_histories(conn, [tank], plant.ids, after={tank.tank.key: None}, now=now)[tank.tank.key]
    newest = seen.estimates[-1] if seen.estimates else None
    situation = seen.at(now, (projected or {}).get(tank.tank.key) or newest)
    diagnosis = diagnosis_of(conn, plant, tank, situation.estimate, now)
    return Scene(tank=tank.tank, situation=situation, danger_limit=danger, diagnosis=diagnosis)


def _standing(setup: AlarmSetup, record: AlarmRecord) -> StandingAlarm | None:
    definition = setup.definition(record.key)
    return None if definition is None else StandingAlarm(definition=definition, machine=record.machine)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pass:
    """What one pass over the unanswered alarms goes by. Each alarm is decided again while it is held."""

    plant: Plant
    projected: Mapping[str, Estimate]
    now: datetime

    def due(
        self, record: AlarmRecord, definition: AlarmDefinition, history: Sequence[SentMessage]
    ) -> tuple[tuple[Notification, ...], tuple[Suppression, ...]]:
        """Who is to be called now, and who is not and why."""
        return due_calls(self.plant.alarms.callout, definition, record.machine, history, now=self.now)

    def unfold(self, conn: Connection, definition: AlarmDefinition) -> int:
        """The cause is over and this alarm still stands, untold: it now calls by itself."""
        record, history = self._lock(conn, definition)
        if record.machine.state is not AlarmState.UNACKNOWLEDGED or not grouped_alarms(conn, [record.id]):
            return 0
        change = AlarmChange(
            record=record,
            definition=definition,
            machine=record.machine,
            transitions=(unfolded(record.machine, self.now),),
        )
        scene = self.scene(conn, definition)
        return write(conn, self.plant.alarms, decide(self.plant.alarms, change, scene, history, self.now), self.now)

    def call(self, conn: Connection, definition: AlarmDefinition) -> int:
        """Call further, unless it was answered a moment ago."""
        record, history = self._lock(conn, definition)
        tells, silences = self.due(record, definition, history)
        if not tells:
            return 0
        scene = replace(self.scene(conn, definition), called=unanswered_calls(record.machine, history))
        transition = replace(called_further(record.machine, self.now), note=", ".join(t.contact.name for t in tells))
        change = AlarmChange(record=record, definition=definition, machine=record.machine, transitions=(transition,))
        routing = Routing(transition=transition, tells=tells, silences=silences)
        log.warning("called further", alarm=definition.key, contacts=[tell.contact.name for tell in tells])
        return write(conn, self.plant.alarms, [Decided(change=change, scene=scene, routing=routing)], self.now)

    def _lock(self, conn: Connection, definition: AlarmDefinition) -> tuple[AlarmRecord, list[SentMessage]]:
        """The alarm, held against everybody else, and what was told of it."""
        record = lock_alarms(conn, [definition.key])[definition.key]
        return record, sent_messages(conn, [record.id], self.now - HISTORY_SPAN).get(record.id, [])

    def scene(self, conn: Connection, definition: AlarmDefinition) -> Scene:
        """What is known of the alarm's tank now."""
        return scene_of(conn, self.plant, definition, self.now, self.projected)
