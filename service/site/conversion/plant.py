"""Converts sections of tanks, signals, alarms and contacts to domain objects, with defaults for what is left out."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority, SystemWatch, system_definitions
from service.calls.contact import Contact
from service.domain.blanket.estimate import TankSetup
from service.domain.effluent.permit import MEASURE_OF_SIGNAL, NO_PERMIT, Permit, Term
from service.domain.loading.limits import SMALL_PLANT, Design, LoadTerms
from service.domain.loading.settling import USUAL_CORRELATION
from service.domain.loading.split import shares_of_plant
from service.domain.plant.action import USUAL_ACTIONS
from service.domain.plant.signal import IN_SERVICE, Mount, Signal, SignalKind
from service.domain.plant.tank import NotchedWeir, Tank, TankShape
from service.site.conversion.alarm_defaults import DEFAULTS, default_deadband, default_limit
from service.site.sections.alarm import EVERY_TANK, AlarmSection
from service.site.sections.people import ContactSection
from service.site.sections.plant import SignalSection, TankSection

#: The customary coring spot: a third of the way in from the edge (common practice, no source).
CUSTOMARY_CORE_POSITION = 1 / 3

#: The alarm of an effluent meter with a limit.
EFFLUENT_ALARMS = {
    SignalKind.EFFLUENT_SOLIDS: AlarmKind.EFFLUENT_SOLIDS,
    SignalKind.TURBIDITY: AlarmKind.TURBIDITY,
}

#: How long an answer covers a danger that gets neither better nor worse: who answered is at work on it, and a call every
#: quarter of an hour takes them from it; who fell asleep is woken in time. Common practice, no source.
ANSWER_COVERS = timedelta(hours=1)
SHORTEST_STALE_AFTER = timedelta(minutes=10)
#: A settling test is made by hand, usually once a day (common practice, no source): a day with two hours of grace.
SETTLING_TEST_STALE_AFTER = timedelta(hours=26)


def tank_of(section: TankSection) -> Tank:
    """The tank a section describes."""
    reach = (section.diameter or 0.0) / 2 if section.shape is TankShape.CIRCULAR else section.length or 0.0
    core = section.core_distance_from_wall
    if core is None:
        core = reach * (section.core_position if section.core_position is not None else CUSTOMARY_CORE_POSITION)
    notched = None
    if section.notch_angle is not None and section.notch_count is not None:
        notched = NotchedWeir(notch_angle=section.notch_angle, notch_count=section.notch_count)
        if section.discharge_coefficient is not None:
            notched = replace(notched, discharge_coefficient=section.discharge_coefficient)
    return Tank(
        key=section.key,
        label=section.label or section.key,
        kind=section.kind,
        shape=section.shape,
        side_water_depth=section.side_water_depth,
        floor_slope=section.floor_slope,
        diameter=section.diameter,
        length=section.length,
        width=section.width,
        weir_length=section.weir_length,
        notched_weir=notched,
        core_distance_from_wall=core,
        arms=section.arms,
        arm_period=section.arm_period / timedelta(hours=1) if section.arm_period else None,
    )


def signal_of(section: SignalSection) -> Signal:
    """The signal a section describes."""
    mount = None
    if section.measures is not None:
        mount = Mount(
            measures=section.measures,
            zero_height=section.zero_height or 0.0,
            distance_from_wall=section.distance_from_wall or 0.0,
        )
    interval = section.expected_interval or timedelta(minutes=1)
    return Signal(
        tag=section.tag,
        kind=section.kind,
        tank=section.tank,
        unit=section.unit,
        low=section.low,
        high=section.high,
        mount=mount,
        expected_interval=interval,
        stale_after=section.stale_after or max(_shortest_stale_after(section.kind), 3 * interval),
        flat_after=section.flat_after,
        flat_band=section.flat_band or 0.0,
        limit=section.limit if section.kind in EFFLUENT_ALARMS else None,
        sensor=section.sensor,
        in_service=section.in_service or IN_SERVICE,
    )


def under_permit(signal: Signal, permit: Permit) -> Signal:
    """The signal with the limit it is held against: its own, or the permit's where that is lower or the only one."""
    measure = MEASURE_OF_SIGNAL.get(signal.kind)
    allowed = None if measure is None else permit.live(measure)
    if allowed is None:
        return signal
    return replace(signal, limit=allowed.value if signal.limit is None else min(signal.limit, allowed.value))


def _shortest_stale_after(kind: SignalKind) -> timedelta:
    return SETTLING_TEST_STALE_AFTER if kind is SignalKind.SETTLED_VOLUME else SHORTEST_STALE_AFTER


def terms_of(section: TankSection, design_flow: float | None = None, permit: Permit = NO_PERMIT) -> LoadTerms:
    """What a section says of its loading, and of what can be done about it.

    Parameters
    ----------
    design_flow : average flow the plant was built for; a large plant where nothing is said. [m³/s]
    """
    # An average written as exactly 1 MGD counts as small, whatever its last bits.
    small = design_flow is not None and design_flow <= SMALL_PLANT * (1.0 + 1e-9)
    return LoadTerms(
        limits=section.limits.by_quantity() if section.limits is not None else {},
        design=Design(section.process, small),
        correlation=section.settling or USUAL_CORRELATION,
        return_capacity=section.return_capacity,
        actions=USUAL_ACTIONS if section.actions is None else section.actions,
        effluent={
            kind: live.value
            for kind, measure in MEASURE_OF_SIGNAL.items()
            if (live := permit.live(measure)) is not None
        },
    )


def setups_of(
    tanks: Iterable[Tank], signals: Sequence[Signal], terms: Mapping[str, LoadTerms], out: Collection[str] = ()
) -> tuple[TankSetup, ...]:
    """Every tank with its signals; *terms* by its key, *out* the keys of those out of service."""
    blankets: dict[str | None, list[Signal]] = {}
    others: dict[str | None, list[Signal]] = {}
    for signal in signals:
        (blankets if signal.kind is SignalKind.BLANKET else others).setdefault(signal.tank, []).append(signal)
    tanks = tuple(tanks)
    shares = shares_of_plant(tanks, out)
    return tuple(
        TankSetup(
            tank=tank,
            blankets=tuple(blankets.get(tank.key, ())),
            others=(*others.get(tank.key, ()), *others.get(None, ())),
            share_of_plant=shares[tank.key],
            terms=terms[tank.key],
        )
        for tank in tanks
    )


@dataclass(frozen=True)
class PlannedAlarm:
    """An alarm definition and its section; None for a default alarm."""

    definition: AlarmDefinition
    section: AlarmSection | None


def tank_alarms(
    sections: Iterable[AlarmSection], tanks: Iterable[Tank], signals: Iterable[Signal] = ()
) -> Iterator[PlannedAlarm]:
    """The alarms of every tank: sections of the tank override those of all tanks, and those the defaults.

    Each effluent meter with a limit among the *signals* adds its alarm.
    """
    limits = effluent_limits(signals)
    written: dict[tuple[str, AlarmKind], list[AlarmSection]] = {}
    for section in sections:
        written.setdefault((section.tank, section.kind), []).append(section)
    for tank in tanks:
        planned: list[PlannedAlarm] = []
        for kind in AlarmKind:
            if kind in (AlarmKind.SYSTEM, *PERMIT_ALARMS) or (
                kind in EFFLUENT_ALARMS.values() and (tank.key, kind) not in limits
            ):
                continue
            found = written.get((tank.key, kind)) or written.get((EVERY_TANK, kind), [])
            limit = limits.get((tank.key, kind))
            planned += [PlannedAlarm(definition_of(s, kind, tank, limit), s) for s in found if s.enabled]
            if not found and (DEFAULTS[kind].always or limit is not None):
                planned.append(PlannedAlarm(definition_of(None, kind, tank, limit), None))
        yield from _limit_deadbands(planned)


def effluent_limits(signals: Iterable[Signal]) -> dict[tuple[str | None, AlarmKind], float]:
    """The lowest limit on effluent meters, by tank (None: the plant) and kind of alarm. [SI]"""
    found: dict[tuple[str | None, AlarmKind], float] = {}
    for signal in signals:
        if signal.limit is not None:
            key = signal.tank, EFFLUENT_ALARMS[signal.kind]
            found[key] = min(found.get(key, signal.limit), signal.limit)
    return found


#: Alarms on the averages of the permit.
PERMIT_ALARMS = (AlarmKind.PERMIT_NEAR, AlarmKind.PERMIT_OVER)


def plant_alarms(sections: Iterable[AlarmSection], signals: Iterable[Signal], permit: Permit) -> Iterator[PlannedAlarm]:
    """The alarms on the effluent of the whole plant: of its meters with a limit, and on the averages of the permit."""
    written = {s.kind: s for s in sections if s.tank == EVERY_TANK}
    for (tank, kind), limit in effluent_limits(signals).items():
        if tank is None:
            section = written.get(kind)
            if section is None or section.enabled:
                yield PlannedAlarm(definition_of(section, kind, None, limit), section)
    if any(permit.on(Term.DAILY, Term.WEEKLY, Term.MONTHLY)):
        for kind, limit in zip(PERMIT_ALARMS, (permit.approaching, 1.0), strict=True):
            section = written.get(kind)
            if section is None or section.enabled:
                yield PlannedAlarm(definition_of(section, kind, None, limit), section)


def system_alarms(
    sections: Iterable[AlarmSection], connectors: Iterable[str], *, duty: bool = False
) -> Iterator[PlannedAlarm]:
    """The alarms on the service itself, as changed by sections; *duty* says whether there are rotas."""
    written = [s for s in sections if s.kind is AlarmKind.SYSTEM]
    for definition in system_definitions(connectors, duty=duty):
        section = next(
            (s for s in written if s.watch is definition.watch and s.connector == definition.connector), None
        )
        if section is None and definition.watch is SystemWatch.CONNECTOR:
            section = next((s for s in written if s.watch is definition.watch and s.connector is None), None)
        if section is None:
            yield PlannedAlarm(definition, None)
        elif section.enabled:
            limit = section.after / timedelta(hours=1) if section.after is not None else definition.limit
            yield PlannedAlarm(_with_overrides(replace(definition, limit=limit), section), section)


def definition_of(
    section: AlarmSection | None, kind: AlarmKind, tank: Tank | None, limit: float | None = None
) -> AlarmDefinition:
    """One alarm of one tank, or of the plant; with the defaults of its kind if *section* is None.

    *limit* is that of an effluent meter; without, it is the section's or the default.
    """
    usual = DEFAULTS[kind]
    if limit is None and section is not None and tank is not None:
        limit = section.limit(tank)
    if limit is None and tank is not None:
        limit = default_limit(kind, tank)
    definition = AlarmDefinition(
        key=_key(section, kind, tank),
        kind=kind,
        tank=None if tank is None else tank.key,
        limit=limit,
        deadband=default_deadband(kind, tank, limit),
        on_delay=usual.on_delay,
        off_delay=usual.off_delay,
        priority=usual.priority,
        cause=usual.cause,
        consequence=usual.consequence,
        action=usual.action,
        time_to_respond=usual.time_to_respond,
    )
    return _with_improve_within(definition) if section is None else _with_overrides(definition, section)


def contact_of(section: ContactSection) -> Contact:
    """The contact of a section, with every channel it has an address for, unless it names some."""
    ways = (("email", section.email), ("sms", section.phone), ("webhook", section.webhook))
    reachable = tuple(channel for channel, address in ways if address)
    tanks = section.tanks or ()
    return Contact(
        name=section.name,
        email=section.email,
        phone=section.phone,
        webhook=section.webhook,
        channels=section.channels if section.channels is not None else reachable,
        priorities=section.priorities if section.priorities is not None else tuple(Priority),
        tanks=() if EVERY_TANK in tanks else tanks,
        units=section.units,
    )


def addresses_of(signals: Iterable[SignalSection], connector: str, connectors: list[str]) -> Mapping[str, str]:
    """The tag of each address of a connector; a signal without a connector belongs to the only one."""
    only = connectors == [connector]
    return {s.address or s.tag: s.tag for s in signals if s.connector == connector or (s.connector is None and only)}


def _with_overrides(definition: AlarmDefinition, section: AlarmSection) -> AlarmDefinition:
    own = {
        name: value
        for name in (
            "deadband",
            "on_delay",
            "off_delay",
            "priority",
            "cause",
            "consequence",
            "action",
            "time_to_respond",
            "re_alarm_after",
            "improve_within",
        )
        if (value := getattr(section, name)) is not None
    }
    definition = replace(definition, **own, latching=section.latching, action_of_site=section.action is not None)
    return _with_improve_within(definition, section.improve_within)


def _with_improve_within(definition: AlarmDefinition, written: timedelta | None = None) -> AlarmDefinition:
    """Set ``improve_within``: an acknowledged high-high re-alarms if it has not improved, by default within ANSWER_COVERS."""
    danger = definition.kind is AlarmKind.HIGH_HIGH
    return replace(definition, improve_within=written or (ANSWER_COVERS if danger else None))


def _limit_deadbands(planned: list[PlannedAlarm]) -> Iterator[PlannedAlarm]:
    """Reduce default deadbands of high and high-high to half the gap between their limits."""
    limits = {p.definition.kind: p.definition.limit for p in planned}
    high, danger = limits.get(AlarmKind.HIGH), limits.get(AlarmKind.HIGH_HIGH)
    for p in planned:
        own = p.section is not None and p.section.deadband is not None
        if p.definition.kind in (AlarmKind.HIGH, AlarmKind.HIGH_HIGH) and not own and high and danger and high > danger:
            room = min(p.definition.deadband, (high - danger) / 2)
            yield PlannedAlarm(replace(p.definition, deadband=room), p.section)
        else:
            yield p


def _key(section: AlarmSection | None, kind: AlarmKind, tank: Tank | None) -> str:
    whose = "plant" if tank is None else tank.key
    if section is not None and section.key is not None:
        return section.key if tank is not None and section.tank == tank.key else f"{whose}.{section.key}"
    return f"{whose}.{kind.partition(',')[0].replace(' ', '-')}"
