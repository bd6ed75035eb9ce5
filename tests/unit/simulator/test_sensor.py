"""Every way a simulated sensor can lie shows in what it reports, and in the answer key."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.simulator.plant import SimTank, Truth
from service.simulator.sensor import (
    ArmStrikes,
    Fouling,
    OffsetStep,
    SampleCause,
    SensorRecord,
    SensorWork,
    SimSensor,
    TroubleSpell,
    observe,
)

TANK = SimTank(name="T", diameter=24.0, side_water_depth=4.0)
PLAIN = SimSensor(tag="b", measures="height", noise=0.0, walk=0.0, resolution=0.0)


def still_truth(hours: float = 48.0, height: float = 1.0) -> Truth:
    minutes = round(hours * 60)
    row = np.full((1, minutes), height)
    flow = np.full((1, minutes), 300.0)
    return Truth(
        seconds=1_900_000_000 + 60 * np.arange(minutes, dtype=np.int64),
        height=row,
        effluent=flow,
        underflow=flow,
        feed_solids=np.full(minutes, 3.0),
        underflow_solids=row,
        effluent_solids=row,
        settleability=np.full(minutes, 120.0),
        ripple=0.0 * row,
        held=row,
    )


def seen(**changes: object) -> SensorRecord:
    return observe(replace(PLAIN, **changes), TANK, still_truth(), np.random.default_rng(4))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("measures", "zero", "expected"), [("height", -0.2, 1.2), ("distance", 3.7, 2.7), ("depth", 0.0, 3.0)]
)
def test_frames(measures: str, zero: float, expected: float) -> None:
    record = seen(measures=measures, zero_height=zero)
    head = 0.0 if measures != "depth" else 0.033  # 300 m³/h over 250 right-angled notches
    assert np.median(record.value) == pytest.approx(expected + head, abs=0.01)


def test_errors_add_up_to_what_is_reported() -> None:
    record = seen(offset=0.1, ramp=0.05, span_error=0.2, steps=(OffsetStep(at=24.0, size=-0.3),))
    np.testing.assert_allclose(record.value - record.height - record.error, 0.0, atol=0.05)
    assert record.error[0] == pytest.approx(0.1 + 0.2 * 0.5)
    assert record.error[-1] - record.error[0] == pytest.approx(0.1 - 0.3, abs=0.001)


def test_fouling_starts_slowly_and_cleaning_undoes_it() -> None:
    record = seen(fouling=Fouling(start=0.0, hours=48.0, size=-0.4), works=(SensorWork(at=36.0, kind="cleaning"),))
    quarter, half = record.offset[12 * 60], record.offset[24 * 60]
    assert abs(half - quarter) > 2.0 * abs(quarter)
    assert record.works[0].as_found == pytest.approx(-0.4 * 0.75**2.2, abs=0.01)
    assert record.works[0].as_left == pytest.approx(0.0, abs=1e-9)


def test_calibration_leaves_its_residual() -> None:
    record = seen(offset=0.3, works=(SensorWork(at=10.0, residual=0.02),))
    assert record.works[0].as_found == pytest.approx(0.3)
    assert record.offset[-1] == pytest.approx(0.02)


def test_arm_strikes_once_a_turn() -> None:
    record = seen(arm=ArmStrikes(period=0.5, missed=0.0))
    struck = record.label == SampleCause.ARM
    passes = np.flatnonzero(np.diff(struck.astype(int)) == 1)
    assert np.median(np.diff(passes)) == pytest.approx(30, abs=1)
    assert record.value[struck].min() > 1.15


def test_spells_of_trouble_are_labelled() -> None:
    record = seen(
        noise=0.02,
        echo_lost=(TroubleSpell(start=1.0, hours=1.0),),
        flat=(TroubleSpell(start=5.0, hours=2.0),),
        surface=(TroubleSpell(start=10.0, hours=1.0, size=0.3),),
        fluff=(TroubleSpell(start=15.0, hours=1.0, size=0.5),),
        silent=(TroubleSpell(start=20.0, hours=3.0),),
    )
    assert np.isnan(record.value[record.label == SampleCause.ECHO_LOST]).all()
    assert (record.quality[record.label == SampleCause.ECHO_LOST] == 2).all()
    assert np.ptp(record.value[record.label == SampleCause.FLAT]) == 0.0
    assert np.median(record.value[record.label == SampleCause.SURFACE]) == pytest.approx(3.73, abs=0.05)
    assert np.median(record.value[record.label == SampleCause.FLUFF]) == pytest.approx(1.5, abs=0.05)
    assert np.diff(record.seconds).max() == pytest.approx(3 * 3600, abs=120)
