"""A simulated recording as the events, tanks and signals the estimator takes. Heights and times only: no answers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from uuid import UUID

import numpy as np

from service.domain.blanket.estimate import Event, TankSetup, event_order
from service.domain.cores.core import Calibration, CalibrationKind, Core
from service.domain.plant.reading import Quality, Reading, ReadingReason
from service.domain.plant.signal import Measures, Mount, Signal, SignalKind
from service.domain.plant.tank import NotchedWeir, Tank, TankKind, TankShape
from service.simulator.scenario import Recording


@dataclass(frozen=True, slots=True)
class TankEvents:
    """One tank of a recording, as the estimator sees it."""

    setup: TankSetup
    events: tuple[Event, ...]


def tank_events(recording: Recording, tank: int) -> TankEvents:
    """What the estimator is given of one tank: readings, flow, cores as logged, work as recorded."""
    sim = recording.scenario.plant.tanks[tank]
    key = f"tank-{tank}"
    described = Tank(
        key=key,
        label=sim.name,
        kind=TankKind.SECONDARY,
        shape=TankShape.CIRCULAR,
        side_water_depth=sim.side_water_depth,
        floor_slope=sim.floor_slope,
        diameter=sim.diameter,
        notched_weir=NotchedWeir(notch_angle=sim.notch_angle, notch_count=sim.notch_count),
        core_distance_from_wall=recording.scenario.cores.distance_from_wall,
    )
    events: list[Event] = []
    blankets = []
    for record in recording.sensors:
        spec = record.spec
        if spec.tank != tank:
            continue
        measures = Measures(spec.measures)
        blankets.append(
            Signal(
                tag=spec.tag,
                kind=SignalKind.BLANKET,
                tank=key,
                unit="m",
                low=-0.2,
                high=sim.side_water_depth + 1.5,
                mount=Mount(measures=measures, zero_height=spec.zero_height),
                flat_after=timedelta(hours=1),
                flat_band=0.0,
            )
        )
        for second, value, quality in zip(
            record.seconds.tolist(), record.value.tolist(), record.quality.tolist(), strict=True
        ):
            reason = ReadingReason.SOURCE_BAD if quality == 2 else ReadingReason.NONE
            events.append(Reading(spec.tag, datetime.fromtimestamp(second, UTC), value, Quality(quality), reason))
    flow = recording.channel("flow", tank)
    pick = slice(None, None, 10)
    tag = f"flow-{tank}"
    for second, value in zip(flow.seconds[pick].tolist(), flow.value[pick].tolist(), strict=True):
        events.append(Reading(tag, datetime.fromtimestamp(second, UTC), value))
    for number, core in enumerate(recording.cores):
        if core.tank == tank:
            events.append(
                Core(
                    id=UUID(int=number),
                    tank=key,
                    taken_at=datetime.fromtimestamp(core.taken, UTC),
                    recorded_at=datetime.fromtimestamp(core.entered, UTC),
                    thickness=core.thickness,
                    distance_from_wall=core.distance_from_wall,
                    taken_by=core.by,
                )
            )
    for record in recording.sensors:
        for work in record.works:
            if record.spec.tank == tank:
                rng = np.random.default_rng([recording.seed, work.seconds])
                events.append(
                    Calibration(
                        tag=work.tag,
                        at=datetime.fromtimestamp(work.seconds, UTC),
                        kind=CalibrationKind(work.kind),
                        as_found_offset=work.as_found + 0.03 * float(rng.standard_normal()),
                        # A technician writes down what he set the sensor to, not what it is: zero error.
                        as_left_offset=0.0 if work.kind == "calibration" else None,
                    )
                )
    events.sort(key=event_order)
    flow_signal = Signal(tag=tag, kind=SignalKind.FLOW, tank=key, unit="m3/s")
    return TankEvents(TankSetup(tank=described, blankets=tuple(blankets), others=(flow_signal,)), tuple(events))
