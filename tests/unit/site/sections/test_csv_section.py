"""The section of CSV drops accepts exactly what the reader of those files can use."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from connectors.csv.times.pattern import pattern_of
from service.site.sections.csv_drop import CsvSection


def section(**given: object) -> CsvSection:
    return CsvSection.model_validate({"key": "k", "kind": "csv", "folder": "f", **given})


@pytest.mark.parametrize(
    "time_format",
    [
        "iso",
        "epoch",
        "epoch_ms",
        "%m/%d/%Y %H:%M:%S",
        "%d.%m.%y %H:%M",
        "%Y-%m-%dT%H:%M:%S.%f%z",
        "%d-%b-%Y %I:%M %p",
        "%F %T",
    ],
)
def test_usual_time_formats_are_taken_by_both(time_format: str) -> None:
    assert section(time_format=time_format).time_format == time_format
    pattern_of(time_format)


def test_the_same_field_twice_is_a_mistake_however_it_is_spelt() -> None:
    for time_format in ("%d-%b-%Y %B", "%F %Y", "%F %T %H"):
        with pytest.raises(ValidationError, match="twice"):
            section(time_format=time_format)
        with pytest.raises(ValueError, match="twice"):
            pattern_of(time_format)


@given(st.lists(st.sampled_from([f"%{c}" for c in "YymdHIMSfpzbBTRFDjsa%"] + list("-/ .:T")), max_size=9).map("".join))
def test_a_time_format_that_is_taken_can_be_read(time_format: str) -> None:
    try:
        section(time_format=time_format)
    except ValidationError:
        return
    pattern_of(time_format)


@pytest.mark.parametrize(
    ("written", "sign"), [("tab", "\t"), ("\t", "\t"), (";", ";"), ("semicolon", ";"), ("Comma", ","), ("|", "|")]
)
def test_delimiters_by_sign_and_by_name(written: str, sign: str) -> None:
    assert section(delimiter=written).delimiter == sign


@pytest.mark.parametrize(("written", "sign"), [(",", ","), ("comma", ","), ("point", "."), (".", ".")])
def test_decimal_marks(written: str, sign: str) -> None:
    assert section(decimal=written).decimal == sign


@pytest.mark.parametrize("written", ["utf-8", "UTF8", "utf-16", "latin-1", "cp1252", "utf-8-sig"])
def test_encodings_people_use(written: str) -> None:
    assert "Bäche".encode(section(encoding=written).encoding or "")


@pytest.mark.parametrize("written", ["base64", "rot13", "utf-61", "\x00"])
def test_what_is_no_text_encoding(written: str) -> None:
    with pytest.raises(ValidationError, match=re.escape("encoding")):
        section(encoding=written)


def test_a_folder_of_hand_cores_carries_no_signals() -> None:
    assert not section(layout="cores").carries_signals
    assert section(layout="wide").carries_signals
