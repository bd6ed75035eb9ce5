"""Advice names the right checks for the pattern seen, and always defers."""

from __future__ import annotations

import pytest

from service.domain.cores.core import Surface
from service.domain.diagnosis.checks import Evidence, FieldCheck, checks, findings, hint
from service.domain.forecast.outlook import Pattern
from service.domain.plant.tank import TankKind


@pytest.mark.parametrize(
    ("evidence", "expected"),
    [
        (Evidence(kind=TankKind.SECONDARY, pattern=Pattern.FLOW_SURGE), [FieldCheck.FLOW_SURGE]),
        (Evidence(kind=TankKind.SECONDARY, pattern=Pattern.RETURN_LOW), [FieldCheck.RETURN_FAILURE]),
        (Evidence(kind=TankKind.PRIMARY, pattern=Pattern.RETURN_LOST), [FieldCheck.SLUDGE_PUMP_FAILURE]),
        (Evidence(kind=TankKind.SECONDARY, share_of_even=1.3), [FieldCheck.UNEVEN_SPLIT]),
        (
            Evidence(kind=TankKind.SECONDARY, settled_volume=400.0, usual_settled_volume=250.0),
            [FieldCheck.RISING_SETTLED_VOLUME],
        ),
        (Evidence(kind=TankKind.SECONDARY, surface=(Surface.CLUMPS,)), [FieldCheck.GAS_LIFTED]),
        (Evidence(kind=TankKind.PRIMARY, sludge_detention=20.0), [FieldCheck.GAS_LIFTED]),
        (Evidence(kind=TankKind.SECONDARY, surface=(Surface.PIN_FLOC,)), [FieldCheck.POOR_FLOC]),
        (Evidence(kind=TankKind.SECONDARY, surface=(Surface.CLEAR,), pattern=Pattern.NOTHING_UNUSUAL), []),
    ],
)
def test_one_pattern_one_finding(evidence: Evidence, expected: list[FieldCheck]) -> None:
    assert list(findings(evidence)) == expected


def test_doubt_about_the_sensor_comes_before_everything() -> None:
    evidence = Evidence(
        kind=TankKind.SECONDARY, pattern=Pattern.RETURN_LOST, sensor_doubtful=True, surface=(Surface.SOLIDS_OVER_WEIR,)
    )
    found = findings(evidence)
    assert found == (FieldCheck.SENSOR_DOUBT, FieldCheck.RETURN_FAILURE, FieldCheck.SOLIDS_LOSS)
    assert "hand core first" in checks(found)[0]


@pytest.mark.parametrize("finding", list(FieldCheck))
def test_every_finding_has_lines_and_defers(finding: FieldCheck) -> None:
    lines = checks([finding])
    assert len(lines) >= (2 if finding is FieldCheck.SENSOR_DOUBT else 3)
    assert len(lines) == len(set(lines))
    assert all(len(line) <= 105 for line in lines)  # two lines on a phone
    assert hint([finding]) or finding is FieldCheck.SENSOR_DOUBT
    assert "licensed operator" in lines[-1]
