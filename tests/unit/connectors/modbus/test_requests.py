"""Grouping of neighbours into requests."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from connectors.modbus.points import ModbusDevice, ModbusLine, ModbusPoint, RegisterTable, StatusBit, ValueType
from connectors.modbus.registers import ReadRequest, plan_requests, ranges_of

H, D = RegisterTable.HOLDING_REGISTER, RegisterTable.DISCRETE_INPUT

needs = st.lists(
    st.tuples(st.sampled_from(list(RegisterTable)), st.integers(0, 3000), st.sampled_from([1, 2, 4])).map(
        lambda n: (n[0], n[1], 1) if n[0].is_bits else n
    ),
    min_size=1,
    max_size=60,
)


@given(needs, st.integers(0, 60), st.integers(4, 125))
def test_every_need_is_covered_by_one_request_within_the_limits(
    wanted: list[tuple[RegisterTable, int, int]], gap: int, most: int
) -> None:
    requests = plan_requests(wanted, gap=gap, max_registers=most)
    for need in wanted:
        assert any(r.covers(need) for r in requests)
    for request in requests:
        # MODBUS Application Protocol V1.1b3, 6.1 to 6.4: 1 to 2000 bits, 1 to 125 registers.
        assert 1 <= request.count <= (2000 if request.table.is_bits else most)
        assert any(request.covers(n) for n in wanted)


@given(needs, st.integers(0, 60))
def test_no_more_requests_than_needs(wanted: list[tuple[RegisterTable, int, int]], gap: int) -> None:
    assert len(plan_requests(wanted, gap=gap)) <= len(set(wanted))


@given(needs)
def test_order_does_not_matter(wanted: list[tuple[RegisterTable, int, int]]) -> None:
    assert plan_requests(wanted) == plan_requests(list(reversed(wanted)))


def test_neighbours_share_one_request_up_to_125_registers() -> None:
    assert plan_requests([(H, a, 1) for a in range(250)], gap=0) == [ReadRequest(H, 0, 125), ReadRequest(H, 125, 125)]


def test_a_value_is_never_split() -> None:
    assert plan_requests([(H, a, 2) for a in range(0, 252, 2)], gap=0) == [
        ReadRequest(H, 0, 124),
        ReadRequest(H, 124, 124),
        ReadRequest(H, 248, 4),
    ]


def test_bits_fill_2000() -> None:
    assert plan_requests([(D, a, 1) for a in range(2001)], gap=0) == [ReadRequest(D, 0, 2000), ReadRequest(D, 2000, 1)]


def test_gap_is_tolerated_no_further_than_told() -> None:
    assert len(plan_requests([(H, 0, 1), (H, 9, 1)], gap=8)) == 1
    assert len(plan_requests([(H, 0, 1), (H, 10, 1)], gap=8)) == 2


def test_tables_are_never_mixed() -> None:
    assert len(plan_requests([(H, 0, 1), (RegisterTable.INPUT_REGISTER, 1, 1)])) == 2


def test_fault_flags_are_read_along() -> None:
    flag = StatusBit(H, 3, bit=2)
    device = ModbusDevice(
        name="d", unit=1, points=(ModbusPoint(name="a", table=H, address=0, type=ValueType.FLOAT32, fault=flag),)
    )
    assert ranges_of(device) == [(H, 0, 2), (H, 3, 1)]


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: ModbusPoint(name="p", table=H, address=65_535, type=ValueType.FLOAT32), "0 to 65535"),
        (lambda: ModbusPoint(name="p", table=H, address=-1), "0 to 65535"),
        (lambda: ModbusPoint(name="p", table=D, address=0), "cannot hold"),
        (lambda: ModbusPoint(name="p", table=H, address=0, type=ValueType.BIT), "cannot hold"),
        (lambda: StatusBit(H, 0, bit=16), "bits 0 to 15"),
        (lambda: StatusBit(D, 0, bit=1), "only bit 0"),
        (lambda: ModbusDevice(name="d", unit=256, points=()), "between 0 and 255"),
        (lambda: ModbusDevice(name="d", unit=1, points=(), max_registers=126), "between 4 and 125"),
        (lambda: ModbusLine(key="k", host="h", devices=()), "no device"),
        (
            lambda: ModbusLine(
                key="k",
                host="h",
                devices=(ModbusDevice(name="a", unit=1, points=()), ModbusDevice(name="b", unit=1, points=())),
            ),
            "same unit",
        ),
        (
            lambda: ModbusLine(
                key="k",
                host="h",
                devices=tuple(
                    ModbusDevice(name=str(u), unit=u, points=(ModbusPoint(name="same", table=H, address=0),))
                    for u in (1, 2)
                ),
            ),
            "used twice: same",
        ),
    ],
)
def test_impossible_settings_are_refused(make: object, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        make()  # type: ignore[operator]
