"""Estimates in, alarms out: each tank's alarms are stepped through what is new, then looked at as things are now.

State, journal and messages of a tank are one transaction: there is never an alarm without its message, or a message
without its alarm. A tank that fails does not stop the others.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import structlog
from sqlalchemy import Connection, Engine

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.machine import QUIET, AlarmState, Evaluate, Input, Machine, Suppress, Transition, Unsuppress, step
from service.alarms.routing import covering
from service.alarms.rules import Situation, judge
from service.domain.estimate import Estimate, TankSetup
from service.domain.tank import Tank
from service.errors import StorageError
from service.jobs.alarm_setup import AlarmSetup
from service.jobs.situations import TankHistory, service_situation
from service.jobs.telling import REMEMBER, Change, Scene, also_active, write
from service.storage.alarms import AlarmRecord, lock_alarms, save_alarm, told
from service.storage.estimates import latest_estimates
from service.storage.session import transaction
from service.storage.site_tables import SiteIds

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluated:
    """What one run did; ``failed`` names tanks whose alarms could not be looked at, with the reason."""

    tanks: int = 0
    transitions: int = 0
    messages: int = 0
    failed: Mapping[str, str] | None = None


def evaluate(
    engine: Engine,
    setup: AlarmSetup,
    tanks: Sequence[TankSetup],
    ids: SiteIds,
    *,
    projected: Mapping[str, Estimate],
    now: datetime,
    out_of_service: Mapping[str, str] | None = None,
) -> Evaluated:
    """Look at the alarms of every tank.

    Parameters
    ----------
    tanks : the tanks with their signals.
    ids : row numbers of tanks and signals.
    projected : each tank's belief at *now*, by tank key; without one the newest estimate stands for it.
    out_of_service : tanks taken out of service, with the reason: their alarms are suppressed by design.

    Notes
    -----
    The first look at an alarm starts from the newest estimate: the past before it is nobody's alarm. After an outage the
    past is journalled, but people are told of what is true now.
    """
    transitions = messages = done = 0
    failed: dict[str, str] = {}
    for tank in tanks:
        try:
            changed, written = _evaluate_tank(
                engine,
                setup,
                tank,
                ids,
                projected=projected.get(tank.tank.key),
                now=now,
                out_of_service=(out_of_service or {}).get(tank.tank.key),
            )
        except StorageError as error:
            if error.retryable:
                raise  # the database is away for every tank alike
            failed[tank.tank.key] = str(error)
            log.exception("alarms not evaluated", tank=tank.tank.key)
            continue
        except Exception as error:  # one tank's trouble must not leave the others unwatched
            failed[tank.tank.key] = f"{type(error).__name__}: {error}"
            log.exception("alarms not evaluated", tank=tank.tank.key)
            continue
        done += 1
        transitions += changed
        messages += written
    return Evaluated(tanks=done, transitions=transitions, messages=messages, failed=failed)


def evaluate_service(
    engine: Engine, setup: AlarmSetup, *, connectors: Sequence[str], started_at: datetime, now: datetime
) -> Evaluated:
    """Look at the alarms the service has about itself.

    Parameters
    ----------
    connectors : keys of the site's connectors.
    started_at : when this service started; a source is given time to deliver from then on.
    """
    definitions = setup.of_tank(None)
    with transaction(engine) as conn:
        records = lock_alarms(conn, [definition.key for definition in definitions])
        situation = service_situation(conn, connectors, started_at=started_at, now=now)
        changes = []
        for definition in definitions:
            if definition.key in records:
                given = Evaluate(verdict=judge(definition, situation), live=True)
                changes.append(_stepped(definition, records[definition.key], [(now, given)]))
        written = _write_all(conn, setup, changes, tank=None, situation=situation, now=now)
    return Evaluated(transitions=sum(len(change.transitions) for change in changes), messages=written, failed={})


def _evaluate_tank(
    engine: Engine,
    setup: AlarmSetup,
    tank: TankSetup,
    ids: SiteIds,
    *,
    projected: Estimate | None,
    now: datetime,
    out_of_service: str | None,
) -> tuple[int, int]:
    definitions = setup.of_tank(tank.tank.key)
    if not definitions:
        return 0, 0
    with transaction(engine) as conn:
        records = lock_alarms(conn, [definition.key for definition in definitions])
        known = [definition for definition in definitions if definition.key in records]
        reached = [_reached(records[definition.key].machine) for definition in known]
        # A new alarm looks at the newest estimate only; the others go on where they stopped.
        earliest = min((time for time in reached if time is not None), default=None)
        history = TankHistory(conn, tank, ids, start=earliest, now=now)
        in_service = out_of_service is None
        situations = [history.at(found.time, found, in_service=in_service) for found in history.estimates]
        newest = history.estimates[-1] if history.estimates else None
        live = history.at(now, projected or newest, in_service=in_service)
        if projected is None and newest is None and earliest is not None:
            live = replace(live, estimate=_last_known(conn, ids.tanks[tank.tank.key], now))
        changes = []
        for definition in known:
            record = records[definition.key]
            after = _reached(record.machine)
            steps: list[tuple[datetime, Input]] = []
            if out_of_service is not None:
                steps.append((now, Suppress(why=out_of_service)))
            past = situations[-1:] if after is None else [s for s in situations if s.at > after]
            steps += [(s.at, Evaluate(verdict=judge(definition, s))) for s in past]
            steps.append((now, Evaluate(verdict=judge(definition, live), live=True)))
            if out_of_service is None and record.machine.state is AlarmState.SUPPRESSED:
                steps.append((now, Unsuppress(why="back in service")))
            changes.append(_stepped(definition, record, steps))
        written = _write_all(conn, setup, changes, tank=tank.tank, situation=live, now=now)
    return sum(len(change.transitions) for change in changes), written


def _reached(machine: Machine) -> datetime | None:
    """The newest data time an alarm has decided on; None when it never looked."""
    return machine.data_to or machine.since


def _last_known(conn: Connection, tank_id: int, now: datetime) -> Estimate | None:
    return latest_estimates(conn, [tank_id], until=now).get(tank_id)


def _stepped(definition: AlarmDefinition, record: AlarmRecord, steps: Sequence[tuple[datetime, Input]]) -> Change:
    machine = record.machine
    transitions: list[Transition] = []
    for at, given in steps:
        taken = step(definition, machine, given, at)
        machine = taken.machine
        transitions += taken.transitions
    return Change(record=record, definition=definition, machine=machine, transitions=tuple(transitions))


def _write_all(
    conn: Connection,
    setup: AlarmSetup,
    changes: Sequence[Change],
    *,
    tank: Tank | None,
    situation: Situation,
    now: datetime,
) -> int:
    moved = [change for change in changes if change.transitions]
    history = told(conn, [change.record.id for change in moved], now - REMEMBER) if moved else {}
    active = [change for change in changes if change.machine.active and change.machine.state not in QUIET]
    danger = next(
        (change.definition.limit for change in changes if change.definition.kind is AlarmKind.HIGH_HIGH), None
    )
    written = 0
    for change in changes:
        if change.transitions:
            scene = Scene(tank=tank, situation=situation, danger_limit=danger)
            others = tuple(also_active(setup, other, scene, now) for other in active if other is not change)
            scene = replace(
                scene,
                also_active=others if tank is not None else (),
                covered_by=covering(change.definition, [other.definition for other in active]),
            )
            written += write(conn, setup, change, scene, history.get(change.record.id, ()), now)
            for transition in change.transitions:
                log.info(
                    "alarm",
                    alarm=change.definition.key,
                    happened=transition.event.value,
                    state=transition.to_state.value,
                    reason=transition.reason.value,
                    at=transition.at.isoformat(),
                )
        if change.machine != change.record.machine:
            save_alarm(conn, change.record.id, change.machine)
    return written
