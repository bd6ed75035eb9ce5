"""What is known of a tank, or of the service, at a time: read from storage into the values the rules look at."""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlalchemy import Connection

from service.alarms.rules import ConnectorSeen, CoreSeen, DeliverySeen, SensorSeen, Situation
from service.domain.core import Core
from service.domain.estimate import Assessment, Estimate, TankSetup
from service.storage import estimates, outbox
from service.storage.connector_state import connector_health
from service.storage.cores import current_cores
from service.storage.site_tables import SiteIds

#: A sensor value this close to a core in time is compared with it.
PAIR_WITHIN = timedelta(minutes=15)
#: Cores older than this decide nothing that "none" would not decide.
CORES_BACK = timedelta(days=60)
#: Sensor values are looked up this far before the first moment asked for.
SAMPLES_BACK = timedelta(hours=2)


class TankHistory:
    """Everything the rules need of one tank between two times; answers for any moment in between."""

    def __init__(
        self, conn: Connection, setup: TankSetup, ids: SiteIds, *, start: datetime | None, now: datetime
    ) -> None:
        self._setup = setup
        self._now = now
        tank_id = ids.tanks[setup.tank.key]
        self._tags = [signal.tag for signal in setup.blankets]
        signal_ids = [ids.signals[tag] for tag in self._tags]
        just_after = now + timedelta(microseconds=1)
        #: Estimates after *start*, oldest first; without a start only the newest, as the past is nobody's alarm.
        self.estimates: list[Estimate]
        if start is None:
            self.estimates = list(estimates.latest_estimates(conn, [tank_id], until=now).values())
            first = self.estimates[0].time if self.estimates else now
        else:
            after = start + timedelta(microseconds=1)
            self.estimates = estimates.estimates_between(conn, [tank_id], after, just_after)
            first = start
        samples = estimates.assessments_between(conn, signal_ids, first - SAMPLES_BACK, just_after)
        newest = estimates.latest_assessments(conn, signal_ids).values()
        self._samples: dict[str, list[Assessment]] = {tag: [] for tag in self._tags}
        for assessment in sorted({*newest, *samples}, key=lambda found: found.time):
            if assessment.time <= now:
                self._samples[assessment.tag].append(assessment)
        records = current_cores(conn, [tank_id], first - CORES_BACK, just_after)
        self._cores = sorted((record.core for record in records), key=lambda core: core.taken_at)
        self._pairs: dict[datetime, float | None] = {}
        self._conn, self._signal_ids = conn, signal_ids

    def at(self, time: datetime, estimate: Estimate | None, *, in_service: bool = True) -> Situation:
        """What is known at that time, the belief being *estimate*."""
        return Situation(
            at=time,
            side_water_depth=self._setup.tank.side_water_depth,
            estimate=estimate,
            sensors=tuple(self._sensor(signal.tag, signal.stale_after, time) for signal in self._setup.blankets),
            core=self._core(time),
            in_service=in_service,
        )

    def _sensor(self, tag: str, stale_after: timedelta, time: datetime) -> SensorSeen:
        samples = self._samples[tag]
        index = bisect.bisect_right(samples, time, key=lambda sample: sample.time) - 1
        if index < 0:
            return SensorSeen(tag=tag, stale_after=stale_after)
        sample = samples[index]
        return SensorSeen(
            tag=tag,
            stale_after=stale_after,
            last_sample_at=sample.time,
            height=_number(sample.height),
            corrected=_number(sample.corrected),
            verdict=sample.verdict,
        )

    def _core(self, time: datetime) -> CoreSeen | None:
        index = bisect.bisect_right(self._cores, time, key=lambda core: core.taken_at) - 1
        if index < 0:
            return None
        core = self._cores[index]
        return CoreSeen(
            taken_at=core.taken_at,
            height=self._setup.tank.height_from_thickness(core.thickness, core.distance_from_wall),
            thickness=core.thickness,
            taken_by=core.taken_by,
            sensor_height=self._sensor_beside(core),
        )

    def _sensor_beside(self, core: Core) -> float | None:
        """The sensor's own height nearest in time to a core."""
        if core.taken_at not in self._pairs:
            near = estimates.assessments_between(
                self._conn,
                self._signal_ids,
                core.taken_at - PAIR_WITHIN,
                min(core.taken_at + PAIR_WITHIN, self._now),
            )
            usable = [sample for sample in near if math.isfinite(sample.height)]
            nearest = min(usable, key=lambda sample: abs(sample.time - core.taken_at), default=None)
            self._pairs[core.taken_at] = None if nearest is None else nearest.height
        return self._pairs[core.taken_at]


def service_situation(conn: Connection, connectors: Sequence[str], *, started_at: datetime, now: datetime) -> Situation:
    """What is known of the service itself."""
    seen = {found.connector: found for found in connector_health(conn)}
    out = outbox.health(conn)
    newest = max((found.last_sample_at for found in seen.values() if found.last_sample_at is not None), default=None)
    return Situation(
        at=now,
        connectors=tuple(
            ConnectorSeen(
                key=key,
                last_good_at=seen[key].last_good_at if key in seen else None,
                started_at=started_at,
                last_error=seen[key].last_error if key in seen else "",
            )
            for key in connectors
        ),
        delivery=DeliverySeen(waiting_since=out.waiting_since, refused_at=out.failed_at),
        clock_ahead=None if newest is None else newest - now,
    )


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
