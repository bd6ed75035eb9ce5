"""Calls further: who is told next about an alarm nobody has answered, in the transaction that journals it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

import structlog
from sqlalchemy import Connection, Engine

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.escalation import due_calls
from service.alarms.machine import QUIET, AlarmState, called_further
from service.alarms.routing import Routing, covering
from service.alarms.rules import Situation
from service.domain.estimate import Estimate, TankSetup
from service.jobs.alarm_setup import AlarmSetup
from service.jobs.situations import tank_histories
from service.jobs.telling import REMEMBER, Change, Scene, put_routing
from service.notify.facts import Called
from service.storage.alarms import AlarmRecord, alarms, lock_alarms, told
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
    if not setup.ladders:
        return 0
    with transaction(engine) as conn:
        standing = [r for r in alarms(conn) if r.machine.state is AlarmState.UNACKNOWLEDGED]
        # A first look without locks: nearly always nobody is due.
        history = told(conn, [record.id for record in standing], now - REMEMBER) if standing else {}
        active = _active(setup, alarms(conn)) if standing else []
    calls = 0
    for record in standing:
        definition = setup.definition(record.key)
        if definition is None or covering(definition, active) is not None:
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
            tank = next((found for found in tanks if found.tank.key == definition.tank), None)
            with transaction(engine) as conn:
                calls += _call(conn, setup, definition, tank, ids, projected, now)
    return calls


def _active(setup: AlarmSetup, records: Sequence[AlarmRecord]) -> list[AlarmDefinition]:
    found = [setup.definition(r.key) for r in records if r.machine.active and r.machine.state not in QUIET]
    return [definition for definition in found if definition is not None]


def _call(
    conn: Connection,
    setup: AlarmSetup,
    definition: AlarmDefinition,
    tank: TankSetup | None,
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
    situation = Situation(at=now)
    if tank is not None:
        seen = tank_histories(conn, [tank], ids, after={tank.tank.key: None}, now=now)[tank.tank.key]
        newest = seen.estimates[-1] if seen.estimates else None
        situation = seen.at(now, projected.get(tank.tank.key) or newest)
    danger = next((d.limit for d in setup.of_tank(definition.tank) if d.kind is AlarmKind.HIGH_HIGH), None)
    called = {t.contact: t.at for t in history if t.occurred_at == record.machine.occurred_at}
    scene = Scene(
        tank=None if tank is None else tank.tank,
        situation=situation,
        danger_limit=danger,
        called=tuple(Called(contact=name, at=at) for name, at in called.items()),
    )
    transition = replace(called_further(record.machine, now), note=", ".join(t.contact.name for t in tells))
    change = Change(record=record, definition=definition, machine=record.machine, transitions=(transition,))
    routing = Routing(transition=transition, tells=tells, silences=silences)
    log.warning("called further", alarm=definition.key, contacts=[tell.contact.name for tell in tells])
    return put_routing(conn, setup, change, scene, routing, now)
