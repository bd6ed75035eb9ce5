"""Each customary mistake with a core is named."""

from __future__ import annotations

import pytest

from service.domain.cores.blunders import CoreFault, core_doubt


@pytest.mark.parametrize(
    ("thickness", "words"),
    [
        (1.2 / 0.3048, "feet logged as metres"),
        (1.2 * 0.3048, "metres logged as feet"),
        (1.2 * 12, "inches logged as feet"),
        (0.1, "feet logged as inches"),
    ],
)
def test_unit_slips(thickness: float, words: str) -> None:
    told = core_doubt(thickness, 1.2, 0.08)
    assert (told.fault, told.explanation) == (CoreFault.UNIT, words)


def test_another_tank() -> None:
    told = core_doubt(2.42, 1.2, 0.08, others={"south": (2.4, 0.05), "east": (1.6, 0.05)})
    assert (told.fault, told.explanation) == (CoreFault.TANK, "fits south")


def test_another_time() -> None:
    told = core_doubt(1.95, 1.2, 0.08, earlier=[("taken a day later than logged", 1.93, 0.05)])
    assert (told.fault, told.explanation) == (CoreFault.TIME, "taken a day later than logged")


def test_a_time_that_was_no_different_explains_nothing() -> None:
    told = core_doubt(2.0, 1.2, 0.08, earlier=[("taken a day later than logged", 1.25, 0.5)])
    assert told.fault is CoreFault.UNKNOWN


@pytest.mark.parametrize(("off", "words"), [(0.3048, "off by one foot mark"), (-0.5, "off by half a metre")])
def test_misread_marks(off: float, words: str) -> None:
    told = core_doubt(1.2 + off, 1.2, 0.05)
    assert (told.fault, told.explanation) == (CoreFault.MISREAD, words)


def test_what_fits_nothing_is_unknown() -> None:
    told = core_doubt(1.95, 1.2, 0.05)
    assert told.fault is CoreFault.UNKNOWN
    assert told.deviation == pytest.approx(15.0)
