"""Registers to numbers, against published float layouts."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from connectors.modbus.points import ByteOrder, ModbusPoint, RegisterTable, ValueType
from connectors.modbus.registers import decode, is_implausible, likely_order
from connectors.scaling import CurrentLoop

H = RegisterTable.HOLDING_REGISTER
ORDERS = list(ByteOrder)

# 123.45, 1.005 and pi with their IEEE 754 words and the four layouts in use are printed in public Modbus float guides;
# all rows recomputed with struct.
FLOATS = [
    (123.45, "42F6 E666", "E666 42F6", "F642 66E6", "66E6 F642"),
    (1.005, "3F80 A3D7", "A3D7 3F80", "803F D7A3", "D7A3 803F"),
    (3.1415927, "4049 0FDB", "0FDB 4049", "4940 DB0F", "DB0F 4940"),
    (12.5, "4148 0000", "0000 4148", "4841 0000", "0000 4841"),
    (3.65, "4069 999A", "999A 4069", "6940 9A99", "9A99 6940"),
    (-1.5, "BFC0 0000", "0000 BFC0", "C0BF 0000", "0000 C0BF"),
]


@pytest.mark.parametrize("row", FLOATS, ids=lambda r: str(r[0]))
def test_published_float_layouts(row: tuple[float, str, str, str, str]) -> None:
    value, *layouts = row
    for order, layout in zip(ORDERS, layouts, strict=True):
        words = [int(w, 16) for w in layout.split()]
        assert decode(words, ValueType.FLOAT32, order) == pytest.approx(value, rel=1e-7)


def laid_out(data: bytes, order: ByteOrder) -> list[int]:
    """The registers of big-endian *data* in *order*, written independently of the decoder: by byte positions."""
    words = [data[i : i + 2] for i in range(0, len(data), 2)]
    if order in (ByteOrder.CDAB, ByteOrder.DCBA):
        words = words[::-1]
    if order in (ByteOrder.BADC, ByteOrder.DCBA):
        words = [w[::-1] for w in words]
    return [w[0] * 256 + w[1] for w in words]


@pytest.mark.parametrize(
    ("kind", "code", "values"),
    [
        (ValueType.INT16, ">h", st.integers(-(2**15), 2**15 - 1)),
        (ValueType.UINT16, ">H", st.integers(0, 2**16 - 1)),
        (ValueType.INT32, ">i", st.integers(-(2**31), 2**31 - 1)),
        (ValueType.UINT32, ">I", st.integers(0, 2**32 - 1)),
        (ValueType.FLOAT32, ">f", st.floats(width=32, allow_nan=False)),
        (ValueType.FLOAT64, ">d", st.floats(allow_nan=False)),
    ],
)
@pytest.mark.parametrize("order", ORDERS)
def test_every_type_in_every_order(
    kind: ValueType, code: str, values: st.SearchStrategy[float], order: ByteOrder
) -> None:
    @given(values)
    def check(value: float) -> None:
        registers = laid_out(struct.pack(code, value), order)
        assert len(registers) == kind.registers
        assert decode(registers, kind, order) == value

    check()


def test_float64_in_reverse_words() -> None:
    # 1.0 is 3FF0 0000 0000 0000 in IEEE 754 binary64.
    assert decode([0, 0, 0, 0x3FF0], ValueType.FLOAT64, ByteOrder.CDAB) == 1.0


def test_not_a_number_and_infinity() -> None:
    assert math.isnan(decode([0x7FC0, 0], ValueType.FLOAT32))
    assert decode([0x7F80, 0], ValueType.FLOAT32) == math.inf


def point(**more: object) -> ModbusPoint:
    given: dict[str, object] = {"name": "p", "table": H, "address": 0, "type": ValueType.FLOAT32, **more}
    return ModbusPoint(**given)  # type: ignore[arg-type]


@pytest.mark.parametrize("row", FLOATS, ids=lambda r: str(r[0]))
def test_the_right_order_is_suggested_whatever_was_configured(row: tuple[float, str, str, str, str]) -> None:
    value, *layouts = row
    for order, layout in zip(ORDERS, layouts, strict=True):
        words = [int(w, 16) for w in layout.split()]
        for configured in ORDERS:
            suggested = likely_order(point(order=configured, low=value - 0.5, high=value + 0.5), words)
            assert suggested is (None if order is configured else order)


def test_the_symptoms_of_a_wrong_order() -> None:
    assert decode([0xE666, 0x42F6], ValueType.FLOAT32) == pytest.approx(-2.7184487558e23)
    assert decode([0x0000, 0x4148], ValueType.FLOAT32) == pytest.approx(2.3418e-41, rel=1e-4)


def test_no_suggestion_when_the_value_makes_sense() -> None:
    assert likely_order(point(), [0x42F6, 0xE666]) is None


def test_no_suggestion_when_nothing_makes_sense() -> None:
    assert likely_order(point(high=5.0), [0x6060, 0x6060]) is None


def test_a_quiet_nan_is_an_honest_answer() -> None:
    assert likely_order(point(), [0x7FC0, 0x0000]) is None


def test_a_zero_is_never_doubted() -> None:
    assert likely_order(point(), [0, 0]) is None


def test_integers_are_doubted_only_against_bounds() -> None:
    swapped = [0x0000, 0x0001]  # 1 as ABCD, 65536 as CDAB
    assert likely_order(point(type=ValueType.UINT32, order=ByteOrder.CDAB), swapped) is None
    assert likely_order(point(type=ValueType.UINT32, order=ByteOrder.CDAB, high=500.0), swapped) is ByteOrder.ABCD
    assert likely_order(point(type=ValueType.UINT16, high=500.0), [0x3001]) is ByteOrder.BADC


def test_the_bounds_are_those_of_the_scaled_value() -> None:
    loop = CurrentLoop(low=0.0, high=5.0)
    assert likely_order(point(scaling=loop, low=-0.1, high=5.2), [0x0000, 0x4140]) is ByteOrder.CDAB  # 12 mA


@given(st.floats(width=32))
def test_absurd_is_decided_for_every_float(value: float) -> None:
    assert is_implausible(value) in (True, False)
    if is_implausible(value):
        assert value != 0.0
