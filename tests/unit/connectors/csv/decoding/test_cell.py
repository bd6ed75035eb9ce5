"""What single cells say."""

from __future__ import annotations

import asyncua.ua.status_codes as ua_codes
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from connectors.base import SourceQuality, SourceReason
from connectors.csv.decoding.cell import QualityCode, UnreadableNumber, parse_number, parse_quality, sniff_quality_code

GOOD, UNCERTAIN, BAD = SourceQuality.GOOD, SourceQuality.UNCERTAIN, SourceQuality.BAD


@pytest.mark.parametrize(
    ("text", "decimal", "expected"),
    [
        ("2.5", ".", 2.5),
        (" +2.5e-3 ", ".", 0.0025),
        ("\N{MINUS SIGN}2.5", ".", -2.5),
        (".5", ".", 0.5),
        ("5.", ".", 5.0),
        ("2,5", ",", 2.5),
        ("1,234.5", ".", 1234.5),
        ("1.234.567,5", ",", 1234567.5),
        ("NaN", ".", None),
        ("-Infinity", ".", None),
        ("#N/A", ".", None),
        ("I/O Timeout", ".", None),
        ("1e999", ".", None),
    ],
)
def test_numbers(text: str, decimal: str, expected: float | None) -> None:
    assert parse_number(text, decimal, certain=True) == expected


@pytest.mark.parametrize(
    ("text", "decimal", "reason"),
    [
        ("2.4 ft", ".", "text 'ft' after the number"),
        ("50%", ".", "text '%' after the number"),
        ("abc", ".", "not a number"),
        ("1_000", ".", "not a number"),
        ("٣", ".", "not a number"),
        ("0x1A", ".", "text 'x1A' after the number"),
        ("1.2.3", ".", "not a number"),
        ("2,5", ".", "a comma where this file's decimal mark is '.'"),
        ("2.5", ",", "a point where this file's decimal mark is ','"),
        ("1,23,4.5", ".", "not a number"),
    ],
)
def test_numbers_refused(text: str, decimal: str, reason: str) -> None:
    with pytest.raises(UnreadableNumber, match=reason.replace(".", r"\.")):
        parse_number(text, decimal, certain=True)


def test_an_assumed_decimal_mark_gives_way_but_never_by_a_factor_of_1000() -> None:
    assert parse_number("2,5", ".", certain=False) == 2.5
    assert parse_number("0,125", ".", certain=False) == 0.125
    assert parse_number("12.25", ",", certain=False) == 12.25
    for text, decimal in (("1,250", "."), ("1.250", ",")):
        with pytest.raises(UnreadableNumber, match="decimal mark"):
            parse_number(text, decimal, certain=False)


@settings(derandomize=True)
@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(".,"), st.booleans())
def test_what_python_writes_is_read(value: float, decimal: str, certain: bool) -> None:
    assert parse_number(repr(value).replace(".", decimal), decimal, certain=certain) == value


# OPC Data Access quality (from memory; two quality bits, four of substatus, two of limit): 192 good, 64 uncertain, 0 bad.
@pytest.mark.parametrize(
    ("code", "expected"),
    [
        (192, (GOOD, SourceReason.NONE)),
        (216, (GOOD, SourceReason.MANUAL_HOLD)),  # local override
        (64, (UNCERTAIN, SourceReason.SOURCE_UNCERTAIN)),
        (85, (UNCERTAIN, SourceReason.UNDER_RANGE)),  # engineering units exceeded, low limited
        (86, (UNCERTAIN, SourceReason.OVER_RANGE)),
        (0, (BAD, SourceReason.SOURCE_BAD)),
        (8, (BAD, SourceReason.NO_COMMUNICATION)),  # not connected
        (16, (BAD, SourceReason.INSTRUMENT_FAULT)),  # sensor failure
        (24, (BAD, SourceReason.NO_COMMUNICATION)),  # communication failure
        (128, (BAD, SourceReason.SOURCE_BAD)),  # reserved
        (0x1234 & 0xFF00 | 192, (GOOD, SourceReason.NONE)),  # the upper byte is the vendor's
    ],
)
def test_classic_quality(code: int, expected: tuple[SourceQuality, SourceReason]) -> None:
    assert parse_quality(str(code), QualityCode.CLASSIC) == expected


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("Good", (GOOD, SourceReason.NONE)),
        ("GoodLocalOverride", (GOOD, SourceReason.MANUAL_HOLD)),
        ("Uncertain", (UNCERTAIN, SourceReason.SOURCE_UNCERTAIN)),
        ("UncertainSensorNotAccurate", (UNCERTAIN, SourceReason.SOURCE_UNCERTAIN)),
        ("Bad", (BAD, SourceReason.SOURCE_BAD)),
        ("BadCommunicationError", (BAD, SourceReason.NO_COMMUNICATION)),
        ("BadTimeout", (BAD, SourceReason.NO_COMMUNICATION)),
        ("BadNoCommunication", (BAD, SourceReason.NO_COMMUNICATION)),
        ("BadNotConnected", (BAD, SourceReason.NO_COMMUNICATION)),
        ("BadDeviceFailure", (BAD, SourceReason.INSTRUMENT_FAULT)),
        ("BadSensorFailure", (BAD, SourceReason.INSTRUMENT_FAULT)),
    ],
)
def test_status_codes(name: str, expected: tuple[SourceQuality, SourceReason]) -> None:
    """The codes of the OPC Foundation's table, as the asyncua library carries it."""
    code = {label: value for value, (label, _) in ua_codes.code_to_name_doc.items()}[name]
    assert parse_quality(f"0x{code:08X}", QualityCode.AUTO) == expected
    assert parse_quality(f"{code:08x}", QualityCode.AUTO) == expected
    assert parse_quality(str(code), QualityCode.STATUS) == expected or len(str(code)) == 8


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("GOOD", GOOD), (" ok ", GOOD), ("", GOOD), ("Uncertain", UNCERTAIN), ("bad", BAD), ("Comm Fail", BAD), ("hold", UNCERTAIN),
        ("never heard of", UNCERTAIN), ("-1", UNCERTAIN), ("192.0", GOOD), ("80000000", BAD), ("00000000", GOOD),
    ],
)  # fmt: skip
def test_words(text: str, expected: SourceQuality) -> None:
    assert parse_quality(text, QualityCode.AUTO)[0] is expected


def test_a_bare_zero_is_believed_only_when_the_notation_is_known() -> None:
    assert [parse_quality("0", code)[0] for code in QualityCode] == [UNCERTAIN, GOOD, BAD, GOOD]


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        ({"0", "192"}, QualityCode.CLASSIC),
        ({"0", "1"}, QualityCode.SEVERITY),
        ({"0", "1", "2"}, QualityCode.SEVERITY),
        ({"0"}, QualityCode.AUTO),
        ({"0", "2147483648"}, QualityCode.STATUS),
        ({"GOOD", ""}, QualityCode.AUTO),
    ],
)
def test_the_notation_a_file_gives_away(texts: set[str], expected: QualityCode) -> None:
    assert sniff_quality_code(texts) is expected


@settings(derandomize=True)
@given(st.text(), st.sampled_from(list(QualityCode)))
def test_any_text_has_a_verdict(text: str, code: QualityCode) -> None:
    verdict, reason = parse_quality(text, code)
    assert (reason is SourceReason.NONE) <= (verdict is GOOD)
