"""Collects the data of the demo's picture: what the database has beside the simulated truth."""

from __future__ import annotations

from datetime import UTC, datetime

from service.alarms.definition import AlarmKind
from service.alarms.machine import Event
from service.bootstrap import Installation
from service.demo.picture import PictureSeries, TankNight
from service.simulator.scenario import Recording
from service.storage.alarms.alarms import JournalLine, journal
from service.storage.blanket.estimates import assessments_between, estimates_between
from service.storage.cores.cores import current_cores
from service.storage.database.session import transaction

_DRAWN = {AlarmKind.HIGH: "high", AlarmKind.HIGH_HIGH: "high-high"}


def nights_of(plant: Installation, recording: Recording) -> list[TankNight]:
    """One night per tank, in the order of the site file."""
    times = [datetime.fromtimestamp(second, UTC) for second in recording.truth.seconds.tolist()]
    with transaction(plant.engine) as conn:
        lines = journal(conn)
        nights = []
        for number, setup in enumerate(plant.setups):
            tank, tank_id = setup.tank, plant.ids.tanks[setup.tank.key]
            signal_ids = [plant.ids.signals[signal.tag] for signal in setup.blankets]
            believed = estimates_between(conn, [tank_id])
            raw = assessments_between(conn, signal_ids)
            cores = [record.core for record in current_cores(conn, [tank_id])]
            nights.append(
                TankNight(
                    tank=tank,
                    raw=PictureSeries(times=[a.time for a in raw], values=[a.height for a in raw]),
                    believed=PictureSeries(times=[e.time for e in believed], values=[e.height for e in believed]),
                    band=[e.interval for e in believed],
                    cores=PictureSeries(
                        times=[core.taken_at for core in cores],
                        values=[tank.height_from_thickness(core.thickness, core.distance_from_wall) for core in cores],
                    ),
                    limits=_limits(plant, tank.key, tank.side_water_depth),
                    alarms=_raised(plant, tank.key, lines),
                    truth=PictureSeries(times=times, values=recording.truth.height[number].tolist()),
                )
            )
    return nights


def _limits(plant: Installation, tank: str, depth: float) -> list[tuple[str, float]]:
    """High and high-high as heights, the lower one first."""
    return sorted(
        (
            (_DRAWN[d.kind], depth - d.limit)
            for d in plant.alarms.of_tank(tank)
            if d.kind in _DRAWN and d.limit is not None
        ),
        key=lambda limit: limit[1],
    )


def _raised(plant: Installation, tank: str, lines: list[JournalLine]) -> list[tuple[datetime, str]]:
    kinds = {d.key: d.kind for d in plant.alarms.of_tank(tank)}
    return [
        (line.at, f"{kinds[line.key].value} alarm")
        for line in reversed(lines)
        if kinds.get(line.key) in _DRAWN and line.event == Event.OCCURRED.value
    ]
