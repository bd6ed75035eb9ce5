"""The alarms of a site with its people and message settings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.calls.contact import Contact
from service.calls.duty import Rota
from service.calls.escalation import EscalationPolicy, OnCall
from service.domain.plant.units import UnitSystem
from service.notify.messages.facts import SitePresentation

#: Under this name stand alarms that belong to no tank.
SERVICE = "service"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmSetup:
    """The alarms of a site. ``channels`` names what this service can send through."""

    definitions: tuple[AlarmDefinition, ...]
    contacts: tuple[Contact, ...]
    site: SitePresentation
    units: UnitSystem
    channels: frozenset[str] = frozenset({"email"})
    rotas: tuple[Rota, ...] = ()
    escalations: tuple[EscalationPolicy, ...] = ()
    #: Tanks the site file keeps out of service, with the reason.
    out_of_service: Mapping[str, str] = field(default_factory=dict)
    #: By tank key the sources its blanket readings come through.
    feeds: Mapping[str, frozenset[str]] = field(default_factory=dict)
    #: Who is told of every hand core at once; for everybody else it stands in the shift log.
    told_of_cores: tuple[Contact, ...] = ()

    @property
    def callout(self) -> OnCall:
        """The people and how they are called."""
        return OnCall(
            contacts=self.contacts,
            zone=self.site.zone,
            rotas=self.rotas,
            escalations=self.escalations,
            channels=self.channels,
        )

    def of_tank(self, tank: str | None) -> tuple[AlarmDefinition, ...]:
        """The alarms of one tank; None for those of the service itself."""
        return tuple(definition for definition in self.definitions if definition.tank == tank)

    def widest_limit(self, tank: str | None) -> float | None:
        """The clearance at which the first alarm on a tank's blanket comes; None where it has none. [m]"""
        own = (d for d in self.of_tank(tank) if d.kind in (AlarmKind.HIGH, AlarmKind.HIGH_HIGH))
        return max((d.limit for d in own if d.limit is not None), default=None)

    def widest_limits(self) -> dict[str, float]:
        """The same for every tank that has one, by its key."""
        found = {d.tank: self.widest_limit(d.tank) for d in self.definitions if d.tank is not None}
        return {tank: limit for tank, limit in found.items() if limit is not None}

    def definition(self, key: str) -> AlarmDefinition | None:
        """The definition of that key."""
        return next((definition for definition in self.definitions if definition.key == key), None)

    def unmatched(self, active: Mapping[str, str | None]) -> dict[str, str]:
        """What does not fit between these definitions and the active alarms, see :func:`unmatched`."""
        return unmatched(self.definitions, active)


def unmatched(definitions: Iterable[AlarmDefinition], active: Mapping[str, str | None]) -> dict[str, str]:
    """What does not fit between the alarms that are defined and those that are active in the database.

    Parameters
    ----------
    active : by the key of every active alarm the tank it is stored for; None for those of the service.

    Returns
    -------
    A sentence by tank; those about the service itself under :data:`SERVICE`.
    """
    defined = {definition.key: definition.tank for definition in definitions}
    said: dict[str, list[str]] = {}
    for key in defined.keys() - active.keys():
        said.setdefault(defined[key] or SERVICE, []).append(
            f"the alarm {key} is defined, but not active in the database"
        )
    for key in active.keys() - defined.keys():
        said.setdefault(active[key] or SERVICE, []).append(
            f"the alarm {key} is active in the database, but not defined"
        )
    return {tank: "; ".join(sorted(found)) for tank, found in sorted(said.items())}
