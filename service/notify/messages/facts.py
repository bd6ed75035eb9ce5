"""Facts an alarm message is made from, as known when it was decided: plain values in SI and UTC."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from service.alarms.definition import AlarmDefinition
from service.alarms.observations import CoreSeen, TakenBack
from service.alarms.rules import Observation, RuleReason, SensorSeen
from service.calls.routing import MessageKind
from service.domain.blanket.estimate import Estimate
from service.domain.diagnosis.diagnosis import Diagnosis
from service.domain.plant.tank import TankKind


@dataclass(frozen=True, slots=True, kw_only=True)
class SitePresentation:
    """What messages of a site need: name, time zone, links."""

    name: str
    zone: ZoneInfo
    #: Address of the pages from outside; None where there is none.
    public_url: str | None = None
    #: Makes the link that acknowledges an occurrence (alarm key, code, time now); None where there are no links.
    link: Callable[[str, str, datetime], str | None] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Called:
    """Somebody called earlier without an answer."""

    contact: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmFacts:
    """The facts of one message. Lengths [m], speeds [m/h]."""

    site: SitePresentation
    kind: MessageKind
    definition: AlarmDefinition
    now: datetime
    at: datetime  #: of the event told
    occurred_at: datetime
    code: str
    reason: RuleReason | None = None
    value: float | None = None  #: in the unit of the definition's limit
    detail: str = ""
    returned_at: datetime | None = None
    tank_label: str = ""
    tank_kind: TankKind | None = None
    side_water_depth: float | None = None
    estimate: Estimate | None = None
    danger_limit: float | None = None  #: clearance of the tank's high-high alarm
    sensors: tuple[SensorSeen, ...] = ()
    core: CoreSeen | None = None
    standing: Observation | None = None  #: the manual observation beyond a limit in force
    taken_back: TakenBack | None = None  #: the withdrawn or corrected core that ended the observation
    also_active: tuple[str, ...] = ()  #: headlines of the tank's other active alarms
    diagnosis: Diagnosis | None = None  #: what may be wrong with the tank
    called: tuple[Called, ...] = ()  #: who was called about this occurrence before
    had_by: str = ""  #: who had acknowledged it when it re-alarmed
    declined: tuple[str, ...] = ()  #: who declined
    actor: str = ""
    note: str = ""
    shelved_until: datetime | None = None

    @property
    def clearance(self) -> float | None:
        """Estimated clear water under the weir. [m]"""
        if self.estimate is None or self.side_water_depth is None:
            return None
        return self.side_water_depth - self.estimate.height
