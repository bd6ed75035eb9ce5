"""The laboratory's values stand in for signals that are missing or silent, with their age; fresh signals go before them."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest

from service.domain.blanket.estimate import TankSetup
from service.domain.forecast.tracker import Heading, conditions, first_heading
from service.domain.laboratory.day import IndexKind
from service.domain.laboratory.result import LaboratoryKind, LaboratoryResult
from service.domain.loading.inputs import InputStatus, Origin, load_inputs
from service.domain.loading.sheet import input_words
from service.domain.plant.signal import Signal, SignalKind
from service.domain.plant.units import to_si
from service.jobs.loading.laboratory import join
from tests.support.plant import NIGHT, tank

LIQUOR = Signal(tag="AIT-1", kind=SignalKind.FEED_SOLIDS, tank=None, unit="mg/L")
BARE = TankSetup(tank=tank(), blankets=(), others=())


def value(kind: LaboratoryKind, typed: float, unit: str, hours: float = 2.0, **more: Any) -> LaboratoryResult:
    at = NIGHT - timedelta(hours=hours)
    tank_key = more.pop("tank", None)
    return LaboratoryResult(
        id=uuid4(), kind=kind, tank=tank_key, taken_at=at, recorded_at=at, value=to_si(typed, unit), **more
    )


def standing(setup: TankSetup, heading: Heading, *results: LaboratoryResult) -> dict[SignalKind, Any]:
    joined = join(setup, heading, list(results), NIGHT)
    return {i.kind: i for i in load_inputs(joined.setup, joined.heading, NIGHT)}


def test_without_a_signal_the_laboratory_speaks_with_its_age() -> None:
    found = standing(
        BARE,
        first_heading(BARE),
        value(LaboratoryKind.MIXED_LIQUOR_SOLIDS, 2400, "mg/L"),
        value(LaboratoryKind.SETTLED_VOLUME, 240, "mL/L", minute=30),
    )
    liquor = found[SignalKind.FEED_SOLIDS]
    assert (liquor.standing, liquor.origin, liquor.value) == (InputStatus.USED, Origin.LABORATORY, pytest.approx(2.4))
    assert input_words(liquor, "us", NIGHT) == "2,400 mg/L (the laboratory), 2 h ago"
    assert found[SignalKind.SETTLED_VOLUME].value == 240.0
    assert found[SignalKind.RETURN_SOLIDS].standing is InputStatus.NO_SIGNAL


def test_only_the_plain_cylinder_after_half_an_hour_is_a_settled_volume() -> None:
    others = ({"minute": 5}, {"minute": 30, "stirred": True}, {"minute": 30, "dilution": 2.0})
    for other in others:
        found = standing(BARE, first_heading(BARE), value(LaboratoryKind.SETTLED_VOLUME, 240, "mL/L", **other))
        assert found[SignalKind.SETTLED_VOLUME].standing is InputStatus.NO_SIGNAL, other
    stirred = value(LaboratoryKind.SETTLED_VOLUME, 240, "mL/L", minute=30, stirred=True)
    joined = join(BARE, first_heading(BARE), [value(LaboratoryKind.MIXED_LIQUOR_SOLIDS, 2.4, "g/L"), stirred], NIGHT)
    assert joined.index(IndexKind.PLAIN) is None
    found_index = joined.index(IndexKind.STIRRED)
    assert found_index is not None
    assert found_index.value == pytest.approx(100.0)


@pytest.mark.parametrize(("minutes", "origin"), [(1, Origin.PLANT), (11, Origin.LABORATORY)])
def test_a_fresh_signal_goes_before_the_laboratory_and_a_silent_one_does_not(minutes: int, origin: Origin) -> None:
    setup = TankSetup(tank=tank(), blankets=(), others=(LIQUOR,))
    heading = first_heading(setup)
    heading.latest["AIT-1"] = ((NIGHT - timedelta(minutes=minutes)).timestamp(), 3.0)
    liquor = standing(setup, heading, value(LaboratoryKind.MIXED_LIQUOR_SOLIDS, 2400, "mg/L"))[SignalKind.FEED_SOLIDS]
    assert (liquor.origin, liquor.value) == (origin, pytest.approx(3.0 if origin is Origin.PLANT else 2.4))
    assert heading.latest == {"AIT-1": ((NIGHT - timedelta(minutes=minutes)).timestamp(), 3.0)}


def test_of_two_settling_tests_the_newer_counts() -> None:
    by_signal = Signal(
        tag="LAB", kind=SignalKind.SETTLED_VOLUME, tank=None, unit="mL/L", stale_after=timedelta(hours=26)
    )
    setup = TankSetup(tank=tank(), blankets=(), others=(by_signal,))
    for hours, expected in ((1.0, 240.0), (3.0, 500.0)):
        heading = first_heading(setup)
        heading.latest["LAB"] = ((NIGHT - timedelta(hours=2)).timestamp(), 500.0)
        found = standing(setup, heading, value(LaboratoryKind.SETTLED_VOLUME, 240, "mL/L", hours, minute=30))
        assert found[SignalKind.SETTLED_VOLUME].value == expected


def test_yesterdays_effluent_says_nothing_of_now() -> None:
    for hours, used in ((3.0, True), (5.0, False)):
        joined = join(BARE, first_heading(BARE), [value(LaboratoryKind.EFFLUENT_SOLIDS, 40, "mg/L", hours)], NIGHT)
        [signal] = joined.setup.others
        age = NIGHT.timestamp() - joined.heading.latest[signal.tag][0]
        assert (age <= signal.stale_after.total_seconds()) is used
    joined = join(BARE, first_heading(BARE), [value(LaboratoryKind.MIXED_LIQUOR_SOLIDS, 2.4, "g/L", 25.0)], NIGHT)
    assert conditions(joined.setup, joined.heading, NIGHT).feed_solids == pytest.approx(2.4)
