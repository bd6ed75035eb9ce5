"""State of every tank for the overview, cached for a moment and shared by all requests."""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority
from service.alarms.machine import AWAITING, QUIET, AlarmState
from service.alarms.observations import EffluentSeen
from service.alarms.rules import CALLS_AT, Observation
from service.domain.blanket.estimate import Assessment, Estimate, EstimateReason, TankSetup, Trust
from service.domain.blanket.past_work import PastWork
from service.domain.forecast.outlook import TimeToDanger
from service.domain.plant.tank import Tank
from service.domain.plant.units import UnitSystem
from service.errors import StorageError
from service.jobs.alarms.situations import standing_observations
from service.jobs.blanket.estimate import Outlook, outlook_all, past_work, project_all
from service.jobs.effluent.now import effluent_beyond
from service.notify.messages.wording import contradicting, kind_word, stories_sentence
from service.storage.alarms.alarms import AlarmRecord, alarms
from service.storage.blanket.estimates import latest_assessments
from service.storage.cores.cores import CoreRecord, last_cores
from service.storage.database.epoch import from_us
from service.storage.database.session import transaction
from service.storage.readings.connector_state import ConnectorHealth, connector_health
from service.storage.readings.readings import latest_readings
from service.web.base.plant import WebPlant

#: Lifetime of the cache.
KEPT_FOR = timedelta(seconds=2)
#: Longest wait for a refresh by another request. [s]
WAIT_S = 15.0
#: Age of the oldest core shown.
CORES_BACK = timedelta(days=30)
#: Least rate that is extrapolated [m/h], and the furthest time [h].
MOVES, FAR = 0.005, 24.0

_GRAVITY = {Priority.LOW: 1, Priority.MEDIUM: 2, Priority.HIGH: 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmView:
    """One alarm that is not normal."""

    record: AlarmRecord
    definition: AlarmDefinition
    tank: Tank | None

    @property
    def state(self) -> AlarmState:
        """Its state."""
        return self.record.machine.state

    @property
    def word(self) -> str:
        """Severity word."""
        return kind_word(self.definition.kind)

    @property
    def active(self) -> bool:
        """Whether its condition is abnormal and it is neither shelved nor out of service."""
        return self.record.machine.active and self.state not in QUIET

    @property
    def waits(self) -> bool:
        """Whether it waits for an acknowledgement."""
        return self.state in AWAITING

    @property
    def gravity(self) -> int:
        """Rank for sorting: 0 none to 3 worst."""
        if self.state in QUIET:
            return 0
        return _GRAVITY[self.definition.priority] if self.active or self.waits else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class TankView:
    """One tank at a glance. Lengths [m], times to come [h]."""

    setup: TankSetup
    estimate: Estimate
    heard_at: datetime | None  #: newest reading of a blanket sensor
    heard_late: bool
    samples: tuple[Assessment, ...]
    core: CoreRecord | None
    alarms: tuple[AlarmView, ...]
    past: PastWork | None  #: what is estimated again beside the present
    warning_limit: float | None  #: clearance
    danger_limit: float | None  #: clearance
    observation: Observation | None = None  #: what a person saw beyond a limit and nothing has taken back
    effluent: tuple[EffluentSeen, ...] = ()  #: meters of its effluent, or the plant's, that read above their limit
    forecast: TimeToDanger | None = None  #: to the danger limit, where flows and past let one say

    @property
    def tank(self) -> Tank:
        """The tank itself."""
        return self.setup.tank

    @property
    def known(self) -> bool:
        """Whether there is an estimate."""
        return self.estimate.reason is not EstimateReason.NO_DATA and math.isfinite(self.estimate.height)

    @property
    def clearance(self) -> float:
        """Clear water under the weir."""
        return self.tank.clearance(self.estimate.height)

    @property
    def trust(self) -> Trust:
        """Trust in the estimate; at most doubtful while a manual observation contradicts it."""
        good = self.estimate.trust is Trust.GOOD
        return Trust.DOUBTFUL if good and self.observation is not None else self.estimate.trust

    def either(self, units: UnitSystem) -> str:
        """Rival stories in a sentence; empty where there is one only."""
        return (stories_sentence(self.estimate, self.tank.side_water_depth, units) if self.known else None) or ""

    @property
    def level(self) -> str:
        """danger, warning, normal or unknown: estimate and manual observation against the limits."""
        seen = math.inf if self.observation is None else self.observation.clearance
        if not self.known and self.observation is None:
            return "unknown"
        clearance = min(self.clearance, seen) if self.known else seen
        if self._beyond(self.danger_limit, clearance):
            return "danger"
        if self._beyond(self.warning_limit, clearance):
            return "warning"
        return "normal"

    def observed(self, units: UnitSystem, zone: ZoneInfo) -> str:
        """The manual observation in force, worded; empty where there is none."""
        if self.observation is None:
            return ""
        clearance = self.clearance if self.known else None
        said = contradicting(self.observation, clearance, units, zone, self.tank.side_water_depth)
        return said[0].upper() + said[1:]

    @property
    def fluff_height(self) -> float | None:
        """Where the last core saw the top of the fluff."""
        if self.core is None or self.core.core.fluff is None:
            return None
        return self.tank.height_from_thickness(self.core.core.fluff, self.core.core.distance_from_wall)

    @property
    def core_height(self) -> float | None:
        """Where the last core put the blanket."""
        if self.core is None:
            return None
        return self.tank.height_from_thickness(self.core.core.thickness, self.core.core.distance_from_wall)

    @property
    def to_danger(self) -> float | None:
        """Hours to the danger limit, by forecast or else at the present rate; None where it is not in sight."""
        if self.forecast is None:
            return self._reaches(self.danger_limit)
        if self.level == "danger" or self.estimate.trust is Trust.BLIND or not self.forecast.within_reach:
            return None
        return self.forecast.likely

    @property
    def early(self) -> float | None:
        """Hours to the danger limit at the forecast's 10 % quantile."""
        return self.forecast.early if self.forecast is not None and self.to_danger is not None else None

    @property
    def to_weir(self) -> float | None:
        """Hours to the weir at the present rate."""
        return self._reaches(0.0)

    @property
    def order(self) -> tuple[float, ...]:
        """Sorts the worst first."""
        gravity = max((alarm.gravity for alarm in self.alarms), default=0)
        waits = any(alarm.waits and alarm.active for alarm in self.alarms)
        level = {"danger": 3, "warning": 2, "unknown": 1, "normal": 0}[self.level]
        share = self.clearance / self.tank.side_water_depth if self.known else math.inf
        return (-max(gravity, level), -float(waits), share)

    def _beyond(self, limit: float | None, clearance: float) -> bool:
        """Whether it stands beyond a limit, or a rival story that is likely enough to call says so."""
        if limit is None:
            return False
        rival = self.known and bool(self.estimate.stories)
        return clearance <= limit or (rival and self.estimate.above(self.tank.side_water_depth - limit) >= CALLS_AT)

    def _reaches(self, limit: float | None) -> float | None:
        if limit is None or not self.known or self.estimate.trust is Trust.BLIND or self.estimate.rate < MOVES:
            return None
        hours = (self.clearance - limit) / self.estimate.rate
        return hours if 0.0 < hours <= FAR else None


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardView:
    """The whole plant at a glance."""

    at: datetime
    tanks: tuple[TankView, ...]  #: worst first
    alarms: tuple[AlarmView, ...]  #: all that are not normal, the worst first
    sources: Mapping[str, ConnectorHealth]

    @property
    def waiting(self) -> int:
        """Unacknowledged alarms."""
        return sum(1 for alarm in self.alarms if alarm.waits and alarm.state is not AlarmState.RETURNED)

    @property
    def of_service(self) -> tuple[AlarmView, ...]:
        """Alarms of the service itself."""
        return tuple(alarm for alarm in self.alarms if alarm.tank is None and (alarm.active or alarm.waits))


class Board:
    """Caches the overview, so that fifty phones cost the database as much as one."""

    def __init__(self, plant: WebPlant) -> None:
        self._plant = plant
        self._lock = threading.Lock()
        self._kept: BoardView | None = None
        #: The cards as they were last rendered, for those who may log cores and for those who may not.
        self.rendered: dict[bool, tuple[BoardView, str]] = {}

    def view(self, *, fresh: bool = False, wait_s: float = WAIT_S) -> BoardView:
        """The plant now; *fresh* bypasses the cache, after a change.

        Raises
        ------
        StorageError
            when it cannot be read, or another refresh takes longer than *wait_s*.
        """
        now = self._plant.clock()
        if not self._lock.acquire(timeout=wait_s):
            raise StorageError("The overview takes too long to read; try again.", retryable=True)
        try:
            if fresh or self._kept is None or not timedelta(0) <= now - self._kept.at < KEPT_FOR:
                self._kept = read_board(self._plant, now)
            return self._kept
        finally:
            self._lock.release()


def read_board(plant: WebPlant, now: datetime) -> BoardView:
    """Read the state of every tank."""
    believed = project_all(plant.engine, plant.setups, plant.ids, now)
    outlooks = outlook_all(plant.engine, plant.setups, plant.ids, now)
    signal_ids = {s.tag: plant.ids.signals[s.tag] for setup in plant.setups for s in setup.blankets}
    tank_ids = [plant.ids.tanks[setup.tank.key] for setup in plant.setups]
    with transaction(plant.engine) as conn:
        # Readings stamped in the future do not show that the source is alive.
        newest = latest_readings(conn, list(signal_ids.values()), now)
        samples = latest_assessments(conn, list(signal_ids.values()), now)
        cores = last_cores(conn, tank_ids, now - CORES_BACK, now + timedelta(minutes=5))
        records = alarms(conn)
        sources = {health.connector: health for health in connector_health(conn)}
        pasts = past_work(conn, now)
        observed = standing_observations(conn, plant, believed, now)
        effluent = {s.tank.key: effluent_beyond(conn, s, plant.ids, now) for s in plant.setups}
    heard = dict(zip(newest.signal_id.tolist(), map(from_us, newest.time_us.tolist()), strict=True))
    shown = alarm_views(plant, records)
    tanks = []
    for setup in plant.setups:
        times = {s.tag: heard.get(signal_ids[s.tag]) for s in setup.blankets}
        known_times = [time for time in times.values() if time is not None]
        late = all((time := times[s.tag]) is None or now - time > s.stale_after for s in setup.blankets)
        tanks.append(
            TankView(
                setup=setup,
                estimate=believed[setup.tank.key],
                heard_at=max(known_times, default=None),
                heard_late=late,
                samples=tuple(samples[signal_ids[s.tag]] for s in setup.blankets if signal_ids[s.tag] in samples),
                core=cores.get(setup.tank.key),
                alarms=tuple(a for a in shown if a.definition.tank == setup.tank.key),
                past=pasts.get(setup.tank.key),
                warning_limit=_limit(plant.alarms.of_tank(setup.tank.key), AlarmKind.HIGH),
                danger_limit=(danger := _limit(plant.alarms.of_tank(setup.tank.key), AlarmKind.HIGH_HIGH)),
                observation=observed.get(setup.tank.key),
                effluent=effluent[setup.tank.key],
                forecast=_forecast(outlooks.get(setup.tank.key), setup.tank, danger),
            )
        )
    tanks.sort(key=lambda view: view.order)
    return BoardView(at=now, tanks=tuple(tanks), alarms=tuple(shown), sources=sources)


def alarm_views(plant: WebPlant, records: Sequence[AlarmRecord]) -> list[AlarmView]:
    """Alarms that are not normal: unacknowledged first, then the worst, then the newest."""
    found = []
    for record in records:
        definition = plant.alarms.definition(record.key)
        if definition is not None and record.machine.state is not AlarmState.NORMAL:
            tank = plant.tanks.get(definition.tank) if definition.tank else None
            found.append(AlarmView(record=record, definition=definition, tank=tank))

    def order(view: AlarmView) -> tuple[float, ...]:
        since = view.record.machine.since
        age = -since.timestamp() if since else 0.0
        return (-float(view.active and view.waits), -float(view.active), -float(view.waits), -view.gravity, age)

    return sorted(found, key=order)


def _forecast(outlook: Outlook | None, tank: Tank, danger_limit: float | None) -> TimeToDanger | None:
    if outlook is None or outlook.forecast is None or danger_limit is None:
        return None
    return outlook.forecast.time_to(tank.side_water_depth - danger_limit)


def _limit(definitions: Sequence[AlarmDefinition], kind: AlarmKind) -> float | None:
    limits = [d.limit for d in definitions if d.kind is kind and d.limit is not None]
    return max(limits, default=None)
