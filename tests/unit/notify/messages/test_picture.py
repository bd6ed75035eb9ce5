"""The tank as rows of table cells, drawn from the numbers of the message."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.alarms.definition import SystemWatch
from service.alarms.rules import Observation, RuleReason
from service.domain.blanket.estimate import Trust
from service.domain.blanket.mixture import Part
from service.notify.messages.picture import HEIGHT, LABEL, TankPicture, picture
from tests.unit.notify.cases import facts, service_facts


def drawn(**more: Any) -> TankPicture:
    made = picture(facts(**more), "us")
    assert made is not None
    return made


def share(made: TankPicture, what: str) -> float:
    return sum(layer.height for layer in made.layers if layer.what == what) / HEIGHT


def test_it_is_to_scale() -> None:
    half = drawn(clearance=2.0, danger_limit=None)
    assert share(half, "water") + share(half, "doubt") / 2 == pytest.approx(0.5, abs=0.02)
    # 95 % of a normal distribution lie within 1.96 standard deviations: 2 x 1.96 x 0.08 m of 4 m.
    assert share(half, "doubt") == pytest.approx(0.078, abs=0.02)
    assert [label.words for label in half.labels] == ["weir", "sludge, 6.6 ft under"]


def test_the_band_is_over_every_rival_story() -> None:
    """Sharp round the likeliest alone, it would show clear water where the other story has sludge."""
    given = facts(clearance=2.0, danger_limit=None)
    assert given.estimate is not None
    rivals = (Part(0.6, 2.0, 0.08), Part(0.4, 3.4, 0.08))
    made = picture(replace(given, estimate=replace(given.estimate, stories=rivals)), "us")
    assert made is not None
    assert share(made, "water") < 0.15 < 0.35 < share(made, "doubt")


def test_the_danger_limit_is_a_line_where_it_lies() -> None:
    made = drawn(clearance=2.0)
    above = 0
    for layer in made.layers:
        if layer.what == "limit":
            break
        above += layer.height
    assert above / HEIGHT == pytest.approx(0.6 / 4.0, abs=0.02)


def test_what_a_person_saw_is_drawn_instead_of_the_estimate() -> None:
    core = facts().core
    assert core is not None
    seen = Observation(reason=RuleReason.CORE_BEYOND_LIMIT, core=core, clearance=1.0)
    made = drawn(clearance=3.4, standing=seen)
    assert share(made, "sludge") == pytest.approx(0.75, abs=0.03)


def test_nothing_is_drawn_where_nothing_is_known() -> None:
    made = drawn(trust=Trust.BLIND)
    assert share(made, "sludge") == share(made, "water") == 0.0
    assert "sludge not known" in [label.words for label in made.labels]
    assert picture(replace(facts(), estimate=None), "us") is not None


def test_a_message_about_no_tank_has_none() -> None:
    assert picture(service_facts(SystemWatch.DELIVERY), "us") is None


@given(
    clearance=st.floats(-3, 9) | st.just(float("nan")),
    sd=st.floats(0, 9) | st.just(float("inf")),
    limit=st.none() | st.floats(-1, 9),
)
def test_it_keeps_its_height_and_its_labels_apart(clearance: float, sd: float, limit: float | None) -> None:
    given_facts = facts(clearance=clearance, danger_limit=limit)
    assert given_facts.estimate is not None
    made = picture(replace(given_facts, estimate=replace(given_facts.estimate, sd=sd)), "si")
    assert made is not None
    assert sum(layer.height for layer in made.layers) == HEIGHT
    assert sum(label.height for label in made.labels) <= HEIGHT
    assert min(label.height for label in made.labels) >= LABEL
    assert min(layer.height for layer in made.layers) > 0
