"""An invented plant of two tanks for alarm tests, and a way to say what is believed of it."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Engine

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority, system_definitions
from service.alarms.machine import Acknowledge
from service.calls.contact import Contact
from service.domain.blanket.estimate import Assessment, Estimate, EstimateReason, TankSetup, Trust
from service.domain.cores.core import Core
from service.domain.plant.reading import ReadingReason
from service.domain.plant.signal import Measures, Mount, Signal, SignalKind
from service.domain.plant.tank import Tank, TankKind, TankShape
from service.jobs.accounts.actor import Actor, Door
from service.jobs.alarms.command import Done, submit_command
from service.jobs.alarms.setup import AlarmSetup
from service.jobs.calls.deliver import Delivered, deliver
from service.jobs.plant.plant import Plant
from service.notify.channels.base import Message, Receipt
from service.notify.messages.facts import SitePresentation
from service.storage.alarms.alarms import sync_alarms
from service.storage.blanket import estimates
from service.storage.cores.cores import CoreRecord, insert_core
from service.storage.database.session import transaction
from service.storage.plant.site_tables import SiteIds, sync_site

#: 03:00 on a winter night in the plant's zone.
NIGHT = datetime(2026, 1, 14, 8, 0, tzinfo=UTC)
DEPTH = 4.0
MINUTE = timedelta(minutes=1)


def tank_setup(key: str, label: str) -> TankSetup:
    tank = Tank(
        key=key,
        label=label,
        kind=TankKind.SECONDARY,
        shape=TankShape.CIRCULAR,
        side_water_depth=DEPTH,
        diameter=30.0,
    )
    signal = Signal(
        tag=f"{key}.blanket", kind=SignalKind.BLANKET, tank=key, unit="m", mount=Mount(measures=Measures.HEIGHT)
    )
    return TankSetup(tank=tank, blankets=(signal,))


EAST, WEST = tank_setup("east", "East clarifier"), tank_setup("west", "West clarifier")
TANKS = (EAST, WEST)


def definitions(
    tank: str = "east", *, on_delay: timedelta = MINUTE, off_delay: timedelta = MINUTE
) -> tuple[AlarmDefinition, ...]:
    return (
        AlarmDefinition(
            key=f"{tank}.high",
            kind=AlarmKind.HIGH,
            tank=tank,
            limit=1.2,
            deadband=0.1,
            on_delay=on_delay,
            off_delay=off_delay,
        ),
        AlarmDefinition(
            key=f"{tank}.high-high",
            kind=AlarmKind.HIGH_HIGH,
            tank=tank,
            limit=0.6,
            deadband=0.1,
            on_delay=on_delay,
            off_delay=off_delay,
            priority=Priority.HIGH,
        ),
        AlarmDefinition(
            key=f"{tank}.measurement", kind=AlarmKind.BAD_MEASUREMENT, tank=tank, on_delay=2 * MINUTE, off_delay=MINUTE
        ),
        AlarmDefinition(key=f"{tank}.core", kind=AlarmKind.CORE_OVERDUE, tank=tank, limit=24.0, priority=Priority.LOW),
    )


NIGHT_OPERATOR = Contact(name="Night operator", email="night@example.org", channels=("email",))
SUPERVISOR = Contact(
    name="Supervisor", email="supervisor@example.org", channels=("email",), priorities=(Priority.HIGH,), units="si"
)


def alarm_setup(
    *,
    contacts: tuple[Contact, ...] = (NIGHT_OPERATOR, SUPERVISOR),
    alarms: Sequence[AlarmDefinition] | None = None,
    connectors: Sequence[str] = ("drop",),
    channels: frozenset[str] = frozenset({"email"}),
) -> AlarmSetup:
    return AlarmSetup(
        definitions=(*(definitions() if alarms is None else alarms), *system_definitions(connectors)),
        contacts=contacts,
        site=SitePresentation(name="Alder Creek", zone=ZoneInfo("America/New_York")),
        units="us",
        channels=channels,
    )


def by(name: str) -> Actor:
    """That person, at a page."""
    return Actor(name=name, via=Door.PAGE, account=name.casefold())


def plant_of(setup: AlarmSetup, tanks: Sequence[TankSetup], ids: SiteIds) -> Plant:
    """The plant as jobs take it."""
    signals = {signal.tag: signal for s in tanks for signal in (*s.blankets, *s.others)}
    return Plant(setups=tanks, signals=signals, ids=ids, alarms=setup)


def acknowledge(
    engine: Engine,
    plant: Plant,
    name: str,
    *,
    who: str,
    now: datetime,
    note: str = "",
) -> Done:
    """Somebody takes an alarm."""
    with transaction(engine) as conn:
        return submit_command(conn, plant, name, Acknowledge(note=note), by(who), now=now)


@dataclass
class AlarmPlant:
    """The plant in a database."""

    engine: Engine
    setup: AlarmSetup
    ids: SiteIds
    tanks: Sequence[TankSetup] = TANKS

    @property
    def model(self) -> Plant:
        """The plant as jobs take it, with the alarms as they are set up now."""
        return plant_of(self.setup, self.tanks, self.ids)

    @classmethod
    def build(
        cls,
        engine: Engine,
        setup: AlarmSetup | None = None,
        now: datetime = NIGHT,
        tanks: Sequence[TankSetup] = (),
    ) -> AlarmPlant:
        setup, tanks = setup or alarm_setup(), tanks or TANKS
        signals = {signal.tag: signal for s in tanks for signal in (*s.blankets, *s.others)}
        with transaction(engine) as conn:
            ids = sync_site(conn, [s.tank for s in tanks], list(signals.values()))
            sync_alarms(conn, setup.definitions, now)
        return cls(engine, setup, ids, tanks)

    def believe(
        self,
        at: datetime,
        clearance: float,
        *,
        tank: TankSetup = EAST,
        rate: float = 0.0,
        trust: Trust = Trust.GOOD,
        reason: EstimateReason = EstimateReason.SENSOR,
        verdict: ReadingReason = ReadingReason.NONE,
        sensed: bool = True,
    ) -> Estimate:
        """Store one estimate, and the sensor sample it came from."""
        height = tank.tank.side_water_depth - clearance
        estimate = Estimate(tank=tank.tank.key, time=at, height=height, sd=0.05, rate=rate, trust=trust, reason=reason)
        just_after = at + timedelta(microseconds=1)
        with transaction(self.engine) as conn:
            estimates.replace_estimates(conn, self.ids.tanks[tank.tank.key], at, [estimate], end=just_after)
            if sensed:
                tag = tank.blankets[0].tag
                sample = Assessment(tag=tag, time=at, height=height + 0.2, corrected=height, verdict=verdict)
                estimates.replace_assessments(conn, {tag: self.ids.signals[tag]}, at, [sample], end=just_after)
        return estimate

    def believe_all(self, clearances: Mapping[datetime, float], *, tank: TankSetup = EAST) -> None:
        """Store many good estimates at once, in the place of all there were in that time."""
        tag, depth = tank.blankets[0].tag, tank.tank.side_water_depth
        believed = [
            Estimate(
                tank=tank.tank.key,
                time=at,
                height=depth - clearance,
                sd=0.05,
                rate=0.0,
                trust=Trust.GOOD,
                reason=EstimateReason.SENSOR,
            )
            for at, clearance in clearances.items()
        ]
        samples = [
            Assessment(tag=tag, time=e.time, height=e.height + 0.2, corrected=e.height, verdict=ReadingReason.NONE)
            for e in believed
        ]
        start, end = min(clearances), max(clearances) + timedelta(microseconds=1)
        with transaction(self.engine) as conn:
            estimates.replace_estimates(conn, self.ids.tanks[tank.tank.key], start, believed, end=end)
            estimates.replace_assessments(conn, {tag: self.ids.signals[tag]}, start, samples, end=end)

    def core(self, at: datetime, thickness: float, *, tank: TankSetup = EAST, **more: Any) -> Core:
        """Store a hand core; *more* are other fields of it."""
        with transaction(self.engine) as conn:
            return store_core(conn, self.ids.tanks[tank.tank.key], tank.tank.key, at, thickness, **more)


def store_core(conn: Connection, tank_id: int, tank: str, at: datetime, thickness: float, **more: Any) -> Core:
    core = replace(
        Core(
            id=uuid.uuid4(),
            tank=tank,
            taken_at=at,
            recorded_at=at,
            thickness=thickness,
            distance_from_wall=0.0,
            taken_by="Sam",
        ),
        **more,
    )
    insert_core(conn, CoreRecord(core=core, tank_id=tank_id, typed_value=thickness, typed_unit="m", source="test"))
    return core


class Willing:
    """A channel that takes everything."""

    def __init__(self, channel: str) -> None:
        self.channel = channel

    def send(self, message: Message, now: datetime) -> Receipt:
        return Receipt(answer="taken")

    def close(self) -> None:
        pass


def hand_over_all(plant: AlarmPlant, now: datetime) -> Delivered:
    """Deliver everything that is due, through channels that take it."""
    return deliver(plant.engine, plant.setup, {"email": Willing("email"), "sms": Willing("sms")}, clock=lambda: now)
