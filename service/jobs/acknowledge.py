"""What a person does to an alarm: take it, shelve it, take it out of service, put it back, let a latched one go."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import structlog
from sqlalchemy import Engine

from service.alarms.machine import (
    Acknowledge,
    AlarmState,
    Input,
    Machine,
    Reason,
    RemoveFromService,
    Reset,
    ReturnToService,
    Shelve,
    Unshelve,
    step,
)
from service.alarms.rules import Situation
from service.domain.estimate import TankSetup
from service.errors import InputError
from service.jobs.alarm_setup import AlarmSetup
from service.jobs.situations import tank_histories
from service.jobs.telling import REMEMBER, Change, Scene, decide, write
from service.storage.alarms import AlarmRecord, find_alarms, lock_alarms, save_alarms, told
from service.storage.outbox import cancel_calls
from service.storage.session import transaction
from service.storage.site_tables import site_ids

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What came of a command. ``changed`` is False when there was nothing to change; ``reason`` says why."""

    key: str
    code: str
    state: AlarmState
    changed: bool
    reason: Reason
    told: int = 0


def acknowledge(
    engine: Engine,
    setup: AlarmSetup,
    tanks: tuple[TankSetup, ...],
    name: str,
    *,
    who: str,
    now: datetime,
    note: str = "",
) -> Done:
    """Somebody has it: nobody else is called any more, and those who were called learn who has it.

    Parameters
    ----------
    name : the four-character code of the message, or the alarm's key.

    Raises
    ------
    InputError
        no alarm is meant by that name, or several are.
    """
    return _do(engine, setup, tanks, name, Acknowledge(who=who, note=note), now)


def reset(
    engine: Engine,
    setup: AlarmSetup,
    tanks: tuple[TankSetup, ...],
    name: str,
    *,
    who: str,
    now: datetime,
    note: str = "",
) -> Done:
    """Let a latched alarm go."""
    return _do(engine, setup, tanks, name, Reset(who=who, note=note), now)


def shelve(
    engine: Engine,
    setup: AlarmSetup,
    tanks: tuple[TankSetup, ...],
    name: str,
    *,
    who: str,
    why: str,
    until: datetime,
    now: datetime,
    longest: timedelta = timedelta(hours=12),
) -> Done:
    """Put an alarm aside until a time, at most *longest* from now; it comes back by itself."""
    return _do(engine, setup, tanks, name, Shelve(who=who, why=why, until=until, longest=longest), now)


def unshelve(
    engine: Engine,
    setup: AlarmSetup,
    tanks: tuple[TankSetup, ...],
    name: str,
    *,
    who: str,
    now: datetime,
    why: str = "",
) -> Done:
    """Take an alarm off the shelf before its time."""
    return _do(engine, setup, tanks, name, Unshelve(who=who, why=why), now)


def remove_from_service(
    engine: Engine,
    setup: AlarmSetup,
    tanks: tuple[TankSetup, ...],
    name: str,
    *,
    who: str,
    why: str,
    now: datetime,
    permit: str = "",
) -> Done:
    """Take an alarm out of service for maintenance; it stays out until somebody puts it back."""
    return _do(engine, setup, tanks, name, RemoveFromService(who=who, why=why, permit=permit), now)


def return_to_service(
    engine: Engine,
    setup: AlarmSetup,
    tanks: tuple[TankSetup, ...],
    name: str,
    *,
    who: str,
    now: datetime,
    why: str = "",
) -> Done:
    """Put an alarm back into service."""
    return _do(engine, setup, tanks, name, ReturnToService(who=who, why=why), now)


def _do(
    engine: Engine, setup: AlarmSetup, tanks: tuple[TankSetup, ...], name: str, given: Input, now: datetime
) -> Done:
    with transaction(engine) as conn:
        key = _meant(find_alarms(conn, name), name)
        definition = setup.definition(key)
        if definition is None:
            raise InputError(f"alarm {key} is no longer in the site file; it calls nobody any more")
        record = lock_alarms(conn, [key])[key]
        taken = step(definition, record.machine, given, now)
        messages = 0
        if taken.transitions:
            tank = next((found for found in tanks if found.tank.key == definition.tank), None)
            situation = Situation(at=now)
            if tank is not None:
                known = tank_histories(conn, [tank], site_ids(conn), after={tank.tank.key: None}, now=now)
                history = known[tank.tank.key]
                situation = history.at(now, history.estimates[-1] if history.estimates else None)
            change = Change(record=record, definition=definition, machine=taken.machine, transitions=taken.transitions)
            scene = Scene(tank=None if tank is None else tank.tank, situation=situation)
            if isinstance(given, Acknowledge) and record.machine.occurred_at is not None:
                cancel_calls(conn, record.id, record.machine.occurred_at, now, f"{given.who} has it")
            before = told(conn, [record.id], now - REMEMBER).get(record.id, [])
            messages = write(conn, setup, decide(setup, change, scene, before, now), now)
            save_alarms(conn, [(record.id, taken.machine)])
    log.info("alarm command", alarm=key, command=type(given).__name__, reason=taken.reason.value, told=messages)
    return _done(key, taken.machine, changed=bool(taken.transitions), reason=taken.reason, messages=messages)


def _done(key: str, machine: Machine, *, changed: bool, reason: Reason, messages: int) -> Done:
    return Done(key=key, code=machine.code, state=machine.state, changed=changed, reason=reason, told=messages)


def _meant(found: list[AlarmRecord], name: str) -> str:
    standing = [record for record in found if record.machine.state is not AlarmState.NORMAL]
    candidates = standing or found
    if not candidates:
        raise InputError(f"no alarm has the code or key {name!r}; `underweir alarms` lists those that stand")
    if len(candidates) > 1:
        keys = ", ".join(record.key for record in candidates)
        raise InputError(f"code {name!r} is shared by {keys}; name the alarm by its key")
    return candidates[0].key
