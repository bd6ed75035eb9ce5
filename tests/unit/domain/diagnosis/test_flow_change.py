"""A flow as people write it: meant the same however it is written, and refused with a reason."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.diagnosis.flow_change import flow_meant
from service.domain.plant.units import Dimension, symbols_of, to_si
from service.errors import InputError


@given(st.text(max_size=12), st.one_of(st.none(), st.floats(0, 10)))
def test_whatever_is_written_gives_a_flow_or_a_reason(text: str, now: float | None) -> None:
    try:
        meant = flow_meant(text, now, "MGD")
    except InputError:
        return
    assert meant >= 0.0


@given(st.floats(0, 99), st.sampled_from(symbols_of(Dimension.FLOW)))
def test_a_flow_with_its_unit_is_that_flow(value: float, unit: str) -> None:
    written = f"{value:.3f}"
    assert flow_meant(f"{written} {unit}", None, "MGD") == pytest.approx(to_si(float(written), unit))
    assert flow_meant(written, None, unit) == pytest.approx(to_si(float(written), unit))


@pytest.mark.parametrize(
    ("text", "meant"),
    [("+20%", 0.12), ("-20 %", 0.08), ("−20 %", 0.08), ("80 %", 0.08), ("+36 M3/H", 0.11), ("0", 0.0)],
)
def test_changes_count_from_the_flow_now(text: str, meant: float) -> None:
    assert flow_meant(text, 0.1, "m3/h") == pytest.approx(meant)


@pytest.mark.parametrize(
    ("text", "now", "words"),
    [
        ("much", 0.1, "is not a flow"),
        ("3 ft", 0.1, "not a unit of flow"),
        ("-200 %", 0.1, "less than no flow"),
        ("+20 %", None, "is not known"),
        ("+1", None, "is not known"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_its_reason(text: str, now: float | None, words: str) -> None:
    with pytest.raises(InputError, match=words):
        flow_meant(text, now, "m3/h")
