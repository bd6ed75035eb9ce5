"""Records of work that contradict the cores have to be confirmed, as cores do."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from service.domain.cores.core import Calibration, CalibrationKind
from service.domain.sensors.work_check import check_work

FT = 0.3048


def work(found: float | None, left: float | None = None) -> Calibration:
    return Calibration(
        tag="LT",
        at=datetime(2026, 3, 1, 9, tzinfo=UTC),
        kind=CalibrationKind.CALIBRATION,
        as_found_offset=found,
        as_left_offset=left,
    )


@pytest.mark.parametrize(
    ("found", "left", "believed", "said"),
    [
        (2.8 * FT, None, (1.1 * FT, 0.05 * FT), ["As found +2.8 ft contradicts the cores before it: +1.1 ft (± 0.1 ft)"]),
        (1.6 * FT, 0.0, (1.1 * FT, 0.05 * FT), []),
        (2.8 * FT, None, None, []),
        (None, None, (1.1 * FT, 0.05 * FT), []),
        (-1.5 * FT, None, (1.5 * FT, 0.1 * FT), ["With the sign turned, +1.5 ft, it would fit"]),
        (4.9 * FT, None, (4.9 / 12 * FT, 0.1 * FT), ["As +4.90 in it would fit"]),
        (0.9 * FT, 2.4 * FT, None, ["As left +2.4 ft is further off than before the work (+0.9 ft)"]),
        (None, 2.9 * FT, (1.1 * FT, 0.05 * FT), ["As left +2.9 ft is further off than before the work (+1.1 ft)"]),
        (0.9 * FT, -0.9 * FT, None, []),
    ],
)  # fmt: skip
def test_what_contradicts_the_cores_is_asked_about(
    found: float | None, left: float | None, believed: tuple[float, float] | None, said: list[str]
) -> None:
    doubts = check_work(work(found, left), believed, "us")
    assert len(doubts) == len(said), doubts
    for doubt, words in zip(doubts, said, strict=True):
        assert words in doubt
