"""Evaluates the alarms of every tank and of the service, and writes states, journal and messages.

State, journal and messages of a tank are one transaction: there is never an alarm without its message, or a message
without its alarm. A tank that fails does not stop the others.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import datetime

import structlog
from sqlalchemy import Connection, Engine

from service.alarms.definition import AlarmDefinition, AlarmKind, SystemWatch
from service.alarms.grouping import StandingAlarm, calling, causes_of, filling_seen, shared_cause
from service.alarms.machine import (
    QUIET,
    AlarmState,
    Evaluate,
    Event,
    Input,
    Machine,
    Suppress,
    Transition,
    Unsuppress,
    step,
)
from service.alarms.observations import TakenBack
from service.alarms.rules import PermitSeen, RuleInput, judge
from service.calls.routing import covering
from service.domain.blanket.estimate import Estimate, TankSetup
from service.domain.diagnosis.diagnosis import Diagnosis
from service.domain.plant.tank import Tank
from service.errors import StorageError
from service.jobs.alarms.setup import AlarmSetup
from service.jobs.alarms.situations import (
    TankHistory,
    cores_taken_back,
    plant_effluent,
    service_situation,
    silent_tanks,
    tank_histories,
)
from service.jobs.calls.escalate import escalate
from service.jobs.calls.notification import HISTORY_SPAN, AlarmChange, Decided, Scene, also_active, decide, write
from service.jobs.diagnosis.diagnosis import diagnosis_of
from service.jobs.forecast.ahead import Ahead
from service.jobs.plant.plant import Plant
from service.storage.alarms.alarms import (
    AlarmRecord,
    alarms,
    lock_alarms,
    save_alarms,
    save_unless_changed,
    sent_messages,
)
from service.storage.database.session import transaction
from service.storage.plant.site_tables import SiteIds

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluated:
    """What one run did; ``failed`` names tanks (or the service) of which not every alarm could be looked at, with the reason."""

    tanks: int = 0
    transitions: int = 0
    messages: int = 0
    failed: Mapping[str, str] | None = None


def evaluate(
    engine: Engine,
    plant: Plant,
    *,
    projected: Mapping[str, Estimate],
    now: datetime,
    ahead: Mapping[str, Ahead] | None = None,
    out_of_service: Mapping[str, str] | None = None,
) -> Evaluated:
    """Look at the alarms of every tank.

    Parameters
    ----------
    plant : the flow of those out of service split over the others.
    projected : each tank's belief at *now*, by tank key; without one the newest estimate stands for it.
    ahead : each tank's outlook at *now*, by tank key; alarms on it are left as they are where it is missing.
    out_of_service : tanks taken out of service, with the reason: their alarms are suppressed by design.

    Notes
    -----
    The first look at an alarm starts from the newest estimate: the past before it is nobody's alarm. After an outage the
    past is journalled, but people are told of what is true now.

    An alarm nobody has answered is called further where the site has an escalation for it.

    Reading is shared by all tanks and takes no locks. A tank whose alarms move is decided again under lock, in the
    transaction that writes; memory of the others is kept only where nobody changed it meanwhile.

    That several tanks fill at once is decided before any of them is written, so that the cause calls in their place.
    """
    looks, records, failed = _looks(engine, plant, projected, ahead or {}, now, out_of_service or {})
    quiet: list[tuple[AlarmRecord, Machine]] = []
    done = 0
    decided: list[tuple[_Look, list[AlarmChange]]] = []
    for look in looks:
        with suppress(_TankFailed), _isolated(look.tank.tank.key, failed):
            decided.append((look, look.decide()))
    everything = [_standing(change) for _, changes in decided for change in changes]
    names = {tank.tank.key: tank.tank.label for tank in plant.setups}
    seen = RuleInput(at=now, filling=filling_seen(everything, names, now))
    plantwide, messages = _plantwide(engine, plant.alarms, records, seen, now)
    transitions = sum(len(change.transitions) for change in plantwide)
    causes = calling(causes_of([*_connectors(plant.alarms, records), *map(_standing, plantwide)]))
    for look, changes in decided:
        try:
            with _isolated(look.tank.tank.key, failed):
                if any(change.transitions for change in changes):
                    changed, written = _write_tank(engine, plant, look, causes)
                    transitions += changed
                    messages += written
                else:
                    quiet += [(c.record, c.machine) for c in changes if _memory_changed(c.record.machine, c.machine)]
                done += 1
        except _TankFailed:
            continue
    if quiet:
        with transaction(engine) as conn:
            save_unless_changed(conn, quiet)
    messages += escalate(engine, plant, projected=projected, now=now)
    return Evaluated(tanks=done, transitions=transitions, messages=messages, failed=failed)


def evaluate_service(
    engine: Engine,
    plant: Plant,
    *,
    connectors: Sequence[str],
    started_at: datetime,
    now: datetime,
    added_at: Mapping[str, datetime] | None = None,
    permit: PermitSeen | None = None,
) -> Evaluated:
    """Look at the alarms the service has about itself.

    Parameters
    ----------
    plant : with the tanks in service alone: a source that falls silent for several at once is noticed before it counts as down.
    connectors : keys of the site's connectors.
    started_at : when this service started; a source is given time to deliver from then on.
    added_at : by connector when it came into force, where that was after the start.
    permit : the average of the permit nearest to its limit.

    Notes
    -----
    Run it before :func:`evaluate`, which folds what follows from a silent source under that source's alarm.
    """
    definitions = [d for d in plant.alarms.of_tank(None) if d.watch is not SystemWatch.FILLING]
    with transaction(engine) as conn:
        records = lock_alarms(conn, [definition.key for definition in definitions])
        situation = service_situation(
            conn,
            connectors,
            rotas=plant.alarms.rotas,
            silent=silent_tanks(conn, plant, started_at=started_at, now=now),
            effluent=plant_effluent(conn, plant, now),
            permit=permit,
            started_at=started_at,
            added_at=added_at,
            now=now,
        )
        changes = []
        for definition in definitions:
            if definition.key in records:
                given = Evaluate(verdict=judge(definition, situation), live=True)
                changes.append(_stepped(definition, records[definition.key], [(now, given)]))
        written = _write_all(conn, plant.alarms, changes, tank=None, situation=situation, now=now)
    return Evaluated(transitions=sum(len(change.transitions) for change in changes), messages=written, failed={})


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """One look at one tank: what is known, and the alarms it is known for."""

    tank: TankSetup
    definitions: tuple[AlarmDefinition, ...]
    records: Mapping[str, AlarmRecord]
    history: TankHistory
    projected: Estimate | None
    ahead: Ahead
    now: datetime
    out_of_service: str | None

    @property
    def live(self) -> RuleInput:
        """What is known now."""
        newest = self.history.estimates[-1] if self.history.estimates else None
        seen = self.history.at(self.now, self.projected or newest, in_service=self.out_of_service is None)
        return self.ahead.seen_in(seen)

    def decide(self, records: Mapping[str, AlarmRecord] | None = None) -> list[AlarmChange]:
        """Step every alarm through what is new, then look at the present."""
        records = self.records if records is None else records
        live = self.live
        in_service = self.out_of_service is None
        situations = [self.history.at(e.time, e, in_service=in_service) for e in self.history.estimates]
        changes = []
        for definition in self.definitions:
            record = records[definition.key]
            after = _reached(record.machine)
            steps: list[tuple[datetime, Input]] = []
            if self.out_of_service is not None:
                steps.append((self.now, Suppress(why=self.out_of_service)))
            past = situations[-1:] if after is None else [s for s in situations if s.at > after]
            steps += [(s.at, Evaluate(verdict=judge(definition, s))) for s in past]
            steps.append((self.now, Evaluate(verdict=judge(definition, live), live=True)))
            if in_service and record.machine.state is AlarmState.SUPPRESSED:
                steps.append((self.now, Unsuppress(why="back in service")))
            changes.append(_stepped(definition, record, steps))
        return changes


class _TankFailed(Exception):
    """One tank failed; the others go on."""


@contextmanager
def _isolated(tank: str, failed: dict[str, str]) -> Iterator[None]:
    try:
        yield
    except StorageError as error:
        if error.retryable:
            raise  # the database is away for every tank alike
        failed[tank] = str(error)
        log.exception("alarms not evaluated", tank=tank)
        raise _TankFailed from error
    except Exception as error:  # one tank's trouble must not leave the others unwatched
        failed[tank] = f"{type(error).__name__}: {error}"
        log.exception("alarms not evaluated", tank=tank)
        raise _TankFailed from error


def _looks(
    engine: Engine,
    plant: Plant,
    projected: Mapping[str, Estimate],
    ahead: Mapping[str, Ahead],
    now: datetime,
    out_of_service: Mapping[str, str],
) -> tuple[list[_Look], dict[str, AlarmRecord], dict[str, str]]:
    failed: dict[str, str] = {}
    with transaction(engine) as conn:
        records = {record.key: record for record in alarms(conn)}
    for place, why in plant.alarms.unmatched({key: record.tank for key, record in records.items()}).items():
        # Looked at is what both know of; but nobody may believe that everything was.
        failed[place] = why
        log.error("alarms and site file do not fit each other", of=place, problem=why)
    known = {
        tank.tank.key: tuple(d for d in plant.alarms.of_tank(tank.tank.key) if d.key in records)
        for tank in plant.setups
    }
    watched = [tank for tank in plant.setups if known[tank.tank.key]]
    after = {tank.tank.key: _earliest(known[tank.tank.key], records) for tank in watched}
    histories: dict[str, TankHistory] = {}
    try:
        with transaction(engine) as conn:
            histories = tank_histories(conn, watched, plant.ids, after=after, now=now)
    except Exception as error:
        if isinstance(error, StorageError) and error.retryable:
            raise
        # Something about one tank spoils the shared reading: read each by itself, and name the one that cannot be read.
        for tank in watched:
            with suppress(_TankFailed), _isolated(tank.tank.key, failed), transaction(engine) as conn:
                histories |= tank_histories(conn, [tank], plant.ids, after=after, now=now)
    looks = [
        _Look(
            tank=tank,
            definitions=known[tank.tank.key],
            records=records,
            history=histories[tank.tank.key],
            projected=projected.get(tank.tank.key),
            ahead=ahead.get(tank.tank.key, Ahead()),
            now=now,
            out_of_service=out_of_service.get(tank.tank.key),
        )
        for tank in watched
        if tank.tank.key in histories
    ]
    return looks, records, failed


def _standing(change: AlarmChange) -> StandingAlarm:
    return StandingAlarm(definition=change.definition, machine=change.machine)


def _connectors(setup: AlarmSetup, records: Mapping[str, AlarmRecord]) -> list[StandingAlarm]:
    return [
        StandingAlarm(definition=d, machine=records[d.key].machine)
        for d in setup.of_tank(None)
        if d.watch is SystemWatch.CONNECTOR and d.key in records
    ]


def _plantwide(
    engine: Engine, setup: AlarmSetup, records: Mapping[str, AlarmRecord], seen: RuleInput, now: datetime
) -> tuple[list[AlarmChange], int]:
    """The alarms on all tanks together after this look, and how many messages they made."""
    definitions = [d for d in setup.of_tank(None) if d.watch is SystemWatch.FILLING and d.key in records]

    def look(known: Mapping[str, AlarmRecord]) -> list[AlarmChange]:
        return [_stepped(d, known[d.key], [(now, Evaluate(verdict=judge(d, seen), live=True))]) for d in definitions]

    changes = look(records)
    if not any(c.transitions or _memory_changed(c.record.machine, c.machine) for c in changes):
        return changes, 0
    with transaction(engine) as conn:
        changes = look(lock_alarms(conn, [definition.key for definition in definitions]))
        return changes, _write_all(conn, setup, changes, tank=None, situation=seen, now=now)


def _write_tank(engine: Engine, plant: Plant, look: _Look, causes: Sequence[StandingAlarm]) -> tuple[int, int]:
    """Decide again with the alarms held against everybody else, and write."""
    with transaction(engine) as conn:
        records = lock_alarms(conn, [definition.key for definition in look.definitions])
        changes = look.decide(records)
        live = look.live
        written = _write_all(
            conn,
            plant.alarms,
            changes,
            tank=look.tank.tank,
            situation=live,
            now=look.now,
            causes=causes,
            diagnosis=diagnosis_of(conn, plant, look.tank, live.estimate, look.now),
            taken_back=_taken_back(conn, look, changes, plant.ids),
        )
    return sum(len(change.transitions) for change in changes), written


def _taken_back(conn: Connection, look: _Look, changes: Sequence[AlarmChange], ids: SiteIds) -> tuple[TakenBack, ...]:
    """The cores that were taken back while an alarm stood that is over now."""
    ended = [change for change in changes if any(t.event is Event.RETURNED for t in change.transitions)]
    since = min((c.machine.occurred_at for c in ended if c.machine.occurred_at is not None), default=None)
    return () if since is None else cores_taken_back(conn, look.tank, ids, since, look.now)


def _earliest(definitions: Sequence[AlarmDefinition], records: Mapping[str, AlarmRecord]) -> datetime | None:
    """The time all of a tank's alarms have been decided up to; those that never looked do not count."""
    reached = [_reached(records[definition.key].machine) for definition in definitions]
    return min((time for time in reached if time is not None), default=None)


def _reached(machine: Machine) -> datetime | None:
    """The newest data time an alarm has decided on; None when it never looked."""
    return machine.data_to or machine.since


def _memory_changed(before: Machine, after: Machine) -> bool:
    """Whether a machine's memory changed in more than the value last seen, which alone is not worth a write every few seconds."""
    return before != replace(after, value=before.value)


def _stepped(definition: AlarmDefinition, record: AlarmRecord, steps: Sequence[tuple[datetime, Input]]) -> AlarmChange:
    machine = record.machine
    transitions: list[Transition] = []
    for at, given in steps:
        taken = step(definition, machine, given, at)
        machine = taken.machine
        transitions += taken.transitions
    return AlarmChange(record=record, definition=definition, machine=machine, transitions=tuple(transitions))


def _write_all(
    conn: Connection,
    setup: AlarmSetup,
    changes: Sequence[AlarmChange],
    *,
    tank: Tank | None,
    situation: RuleInput,
    now: datetime,
    causes: Sequence[StandingAlarm] = (),
    diagnosis: Diagnosis | None = None,
    taken_back: tuple[TakenBack, ...] = (),
) -> int:
    moved = [change for change in changes if change.transitions]
    history = sent_messages(conn, [change.record.id for change in moved], now - HISTORY_SPAN) if moved else {}
    active = [change for change in changes if change.machine.active and change.machine.state not in QUIET]
    danger = next(
        (change.definition.limit for change in changes if change.definition.kind is AlarmKind.HIGH_HIGH), None
    )
    decided: list[Decided] = []
    for change in changes:
        if change.transitions:
            scene = Scene(
                tank=tank, situation=situation, danger_limit=danger, diagnosis=diagnosis, taken_back=taken_back
            )
            others = tuple(also_active(setup, other, scene, now) for other in active if other is not change)
            scene = replace(
                scene,
                also_active=others if tank is not None else (),
                covered_by=covering(change.definition, [other.definition for other in active]),
                folded_under=shared_cause(_standing(change), causes, setup.feeds),
            )
            decided += decide(setup, change, scene, history.get(change.record.id, ()), now)
            for transition in change.transitions:
                log.info(
                    "alarm",
                    alarm=change.definition.key,
                    happened=transition.event.value,
                    state=transition.to_state.value,
                    reason=transition.reason.value,
                    at=transition.at.isoformat(),
                )
    save_alarms(conn, [(c.record.id, c.machine) for c in changes if c.machine != c.record.machine])
    return write(conn, setup, decided, now)
