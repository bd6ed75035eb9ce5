"""Calls further: who is told next about an alarm nobody has answered, and who about one whose cause is over without it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

import structlog
from sqlalchemy import Connection, Engine

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.escalation import due_calls
from service.alarms.folding import LINGERS, Standing, causes_of, shared_cause
from service.alarms.machine import QUIET, AlarmState, called_further, unfolded
from service.alarms.routing import Routing, covering
from service.alarms.rules import Situation
from service.domain.estimate import Estimate, TankSetup
from service.jobs.alarm_setup import AlarmSetup
from service.jobs.evidence import evidence_of
from service.jobs.situations import tank_histories
from service.jobs.telling import REMEMBER, Change, Decided, Scene, decide, write
from service.notify.facts import Called
from service.storage.alarms import AlarmRecord, alarms, folded, lock_alarms, told
from service.storage.session import transaction
from service.storage.site_tables import SiteIds

log = structlog.get_logger(__name__)


def escalate(
    engine: Engine,
    setup: AlarmSetup,
    tanks: Sequence[TankSetup],
    ids: SiteIds,
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
        history = told(conn, [record.id for record in standing], now - REMEMBER) if setup.ladders else {}
        silent = folded(conn, [record.id for record in standing])
    everything = [_standing(setup, record) for record in known]
    active = [s.definition for s in everything if s is not None and s.machine.active and s.machine.state not in QUIET]
    causes = causes_of((s for s in everything if s is not None), ended_after=now - LINGERS)
    calls = 0
    for record in standing:
        alarm = _standing(setup, record)
        if alarm is None or covering(alarm.definition, active) or shared_cause(alarm, causes, setup.feeds):
            continue
        definition = alarm.definition
        tank = next((found for found in tanks if found.tank.key == definition.tank), None)
        if record.id in silent and record.machine.off_since is not None:
            continue  # about to end with its cause
        if record.id in silent:
            with transaction(engine) as conn:
                calls += _unfold(conn, setup, definition, tank, tanks, ids, projected, now)
            continue
        tells, _ = due_calls(
            setup.callout,
            definition,
            record.machine,
            history.get(record.id, ()),
            now=now,
            channels=setup.channels,
        )
        if tells:
            with transaction(engine) as conn:
                calls += _call(conn, setup, definition, tank, tanks, ids, projected, now)
    return calls


def _standing(setup: AlarmSetup, record: AlarmRecord) -> Standing | None:
    definition = setup.definition(record.key)
    return None if definition is None else Standing(definition=definition, machine=record.machine)


def _unfold(
    conn: Connection,
    setup: AlarmSetup,
    definition: AlarmDefinition,
    tank: TankSetup | None,
    tanks: Sequence[TankSetup],
    ids: SiteIds,
    projected: Mapping[str, Estimate],
    now: datetime,
) -> int:
    """The cause is over and this alarm still stands, untold: it now calls by itself."""
    record = lock_alarms(conn, [definition.key])[definition.key]
    if record.machine.state is not AlarmState.UNACKNOWLEDGED or not folded(conn, [record.id]):
        return 0
    history = told(conn, [record.id], now - REMEMBER).get(record.id, [])
    scene = _scene(conn, setup, definition, tank, tanks, ids, projected, now)
    change = Change(
        record=record, definition=definition, machine=record.machine, transitions=(unfolded(record.machine, now),)
    )
    return write(conn, setup, decide(setup, change, scene, history, now), now)


def _call(
    conn: Connection,
    setup: AlarmSetup,
    definition: AlarmDefinition,
    tank: TankSetup | None,
    tanks: Sequence[TankSetup],
    ids: SiteIds,
    projected: Mapping[str, Estimate],
    now: datetime,
) -> int:
    """Decide again with the alarm held: it may have been answered a moment ago."""
    record = lock_alarms(conn, [definition.key])[definition.key]
    history = told(conn, [record.id], now - REMEMBER).get(record.id, [])
    tells, silences = due_calls(setup.callout, definition, record.machine, history, now=now, channels=setup.channels)
    if not tells:
        return 0
    called = {t.contact: t.at for t in history if t.occurred_at == record.machine.occurred_at}
    scene = replace(
        _scene(conn, setup, definition, tank, tanks, ids, projected, now),
        called=tuple(Called(contact=name, at=at) for name, at in called.items()),
    )
    transition = replace(called_further(record.machine, now), note=", ".join(t.contact.name for t in tells))
    change = Change(record=record, definition=definition, machine=record.machine, transitions=(transition,))
    routing = Routing(transition=transition, tells=tells, silences=silences)
    log.warning("called further", alarm=definition.key, contacts=[tell.contact.name for tell in tells])
    return write(conn, setup, [Decided(change=change, scene=scene, routing=routing)], now)


def _scene(
    conn: Connection,
    setup: AlarmSetup,
    definition: AlarmDefinition,
    tank: TankSetup | None,
    tanks: Sequence[TankSetup],
    ids: SiteIds,
    projected: Mapping[str, Estimate],
    now: datetime,
) -> Scene:
    """What is known of the alarm's tank now."""
    situation, evidence = Situation(at=now), None
    if tank is not None:
        seen = tank_histories(conn, [tank], ids, after={tank.tank.key: None}, now=now)[tank.tank.key]
        newest = seen.estimates[-1] if seen.estimates else None
        situation = seen.at(now, projected.get(tank.tank.key) or newest)
        evidence = evidence_of(conn, tank, tanks, ids, situation.estimate, now)
    danger = next((d.limit for d in setup.of_tank(definition.tank) if d.kind is AlarmKind.HIGH_HIGH), None)
    return Scene(tank=None if tank is None else tank.tank, situation=situation, danger_limit=danger, evidence=evidence)
