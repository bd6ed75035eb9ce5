"""The balance carried forward, against hand calculation."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.domain.loading.balance import Response, Streams, carry_forward, natural_rate
from service.domain.plant.tank import TankKind

# 1000 m2, 500 + 250 m3/h at 3.5 kg/m3, return at 9 kg/m3, blanket of 8 kg/m3: the worked balance of the inventory tests.
STREAMS = Streams(over=0.5, under=0.25, feed=3.5, drawn=9.0, basin_over=0.5, basin_under=0.25)
RESPONSE = Response(rise_in=1 / 8, fall_out=1 / 8, dilution=0.0, thickening=0.0)


def carry(streams: Streams = STREAMS, response: Response = RESPONSE, **changes: float) -> list[float]:
    start = changes.get("start", 1.0)
    return carry_forward(start, streams, [1.0] * 24, response, TankKind.SECONDARY, -1.0, changes.get("crest", 4.0))


def test_natural_rate_is_gain_over_strength() -> None:
    assert natural_rate(STREAMS, RESPONSE) == pytest.approx((0.75 * 3.5 - 0.25 * 9.0) / 8.0)


def test_steady_streams_carry_straight() -> None:
    path = carry()
    assert path[-1] == pytest.approx(1.0 + 6.0 * 0.046875)
    assert path[3] == pytest.approx(1.0 + 0.046875)


def test_weir_and_floor_bound_the_blanket() -> None:
    assert carry(crest=1.1)[-1] == 1.1
    assert carry(replace(STREAMS, under=3.0), start=0.0)[-1] == -1.0


def test_basin_thins_out_as_solids_move_into_the_tank() -> None:
    lost = replace(STREAMS, under=0.0, basin_under=0.0)
    endless, shallow = carry(lost), carry(lost, replace(RESPONSE, dilution=0.2))
    assert endless[-1] == pytest.approx(1.0 + 6.0 * 0.5 * 3.5 / 8.0)
    assert 1.0 < shallow[-1] < endless[-1]


def test_thickening_underflow_slows_the_rise() -> None:
    assert carry(response=replace(RESPONSE, thickening=0.2))[-1] < carry()[-1]


def test_primary_feed_does_not_thin_out() -> None:
    response = replace(RESPONSE, dilution=0.5)
    args = (1.0, STREAMS, [1.0] * 24, response)
    assert (
        carry_forward(*args, TankKind.PRIMARY, -1.0, 4.0)[-1] != carry_forward(*args, TankKind.SECONDARY, -1.0, 4.0)[-1]
    )
