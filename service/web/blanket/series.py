"""Time series a tank's trend is drawn from: heights above the floor datum, lowest and highest per pixel."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from service.alarms.definition import AlarmKind
from service.alarms.machine import Event
from service.storage.alarms.alarms import journal
from service.storage.cores.cores import current_cores
from service.storage.database.session import transaction
from service.storage.sensors.calibrations import current_calibrations
from service.storage.trends.series import Bucket, buckets
from service.web.base.plant import WebPlant
from service.web.blanket.flow_series import Lane, lane_of, lanes_of

_LIMITS = {AlarmKind.HIGH: "warning", AlarmKind.HIGH_HIGH: "danger"}
#: More lines of the journal than this are not drawn.
MOST_ALARMS = 500


def series_of(
    plant: WebPlant, key: str, start: datetime, end: datetime, width: int, lane: Lane | None = None
) -> dict[str, Any]:
    """All series of one tank, with the lane under it where one is asked for. SI, UTC"""
    setup = plant.setup(key)
    assert setup is not None
    tank, tank_id = setup.tank, plant.ids.tanks[key]
    signals = {signal.tag: plant.ids.signals[signal.tag] for signal in setup.blankets}
    own = {definition.key: definition for definition in plant.alarms.of_tank(key)}
    with transaction(plant.engine) as conn:
        band = buckets(conn, "band", tank_id, start, end, width)
        believed = buckets(conn, "estimate", tank_id, start, end, width)
        sensors = {
            tag: {
                "raw": _pairs(buckets(conn, "raw", number, start, end, width)),
                "corrected": _pairs(buckets(conn, "corrected", number, start, end, width)),
            }
            for tag, number in signals.items()
        }
        cores = current_cores(conn, [tank_id], start, end)
        lines = journal(conn, start=start, end=end, limit=MOST_ALARMS)
        under = None
        if lane is not None and lane in lanes_of(setup):
            under = lane_of(conn, setup, plant.ids, lane, plant.units, start, end, width)
        works = current_calibrations(conn, list(signals.values()), start, end)
    return {
        "tank": key,
        "start": start,
        "end": end,
        "depth_m": tank.side_water_depth,
        "limits": [
            {"name": _LIMITS[d.kind], "height_m": tank.side_water_depth - d.limit}
            for d in own.values()
            if d.kind in _LIMITS and d.limit is not None
        ],
        "believed": _pairs(believed),
        "band": _pairs(band),
        "sensors": sensors,
        "cores": [
            {
                "id": r.core.id,
                "time": r.core.taken_at,
                "height_m": tank.height_from_thickness(r.core.thickness, r.core.distance_from_wall),
                "thickness_m": r.core.thickness,
                "by": r.core.taken_by,
            }
            for r in cores
        ],
        "alarms": [
            {"time": line.at, "alarm": line.key, "kind": own[line.key].kind}
            for line in reversed(lines)
            if line.key in own and line.event == Event.OCCURRED.value
        ],
        "under": under,
        "calibrations": [
            {"time": w.calibration.at, "tag": w.calibration.tag, "kind": w.calibration.kind} for w in works
        ],
    }


def _pairs(found: Sequence[Bucket]) -> dict[str, list[Any]]:
    return {
        "time": [bucket.time for bucket in found],
        "low": [bucket.low for bucket in found],
        "high": [bucket.high for bucket in found],
        "last": [bucket.last for bucket in found],
    }
