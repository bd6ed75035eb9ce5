"""What people write of the surface is taken for the trade's word; a word too much is taken for none."""

from __future__ import annotations

import pytest

from service.domain.cores.core import Surface, surface_of


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("clear", Surface.CLEAR),
        ("Pin-floc", Surface.PIN_FLOC),
        ("straggler_floc", Surface.STRAGGLER_FLOC),
        ("algae on weirs", Surface.ALGAE),
        ("high torque", Surface.HIGH_TORQUE),
        ("solids at the weir", Surface.SOLIDS_OVER_WEIR),
        ("sludge over weirs", Surface.SOLIDS_OVER_WEIR),
        ("Blanket over the weir", Surface.SOLIDS_OVER_WEIR),
        ("solids carryover", Surface.SOLIDS_OVER_WEIR),
        ("solids carry-over", Surface.SOLIDS_OVER_WEIR),
        ("WASHOUT", Surface.SOLIDS_OVER_WEIR),
        ("sludge washout", Surface.SOLIDS_OVER_WEIR),
        ("sludge at the surface", Surface.BLANKET_AT_SURFACE),
        ("blanket on surface", Surface.BLANKET_AT_SURFACE),
        ("no solids over the weir", None),
        ("solids nearly over the weir", None),
        ("", None),
    ],
)
def test_the_word_of_the_trade_is_found(written: str, meant: Surface | None) -> None:
    assert surface_of(written) is meant
