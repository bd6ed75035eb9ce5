"""``[[connector]] kind = "csv"``: folders into which other systems drop files of readings, hand cores or laboratory values."""

from __future__ import annotations

import codecs
import re
from datetime import timedelta
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, StringConstraints, field_validator

from service.site.sections.quantity import closest_word, wrong
from service.site.sections.section import Duration, Section, SourceSection, TimeZone, UnitSymbol, Words

_DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "pipe": "|", ",": ",", ";": ";", "\t": "\t", "|": "|"}
_DECIMALS = {"point": ".", "comma": ",", ".": ".", ",": ","}
_HEADER_OR_NUMBER = 'write the heading, such as "Value", or the number of the column counted from 1'


def _column(value: Any) -> Any:
    if isinstance(value, bool):
        raise wrong(f"{str(value).lower()} names no column", _HEADER_OR_NUMBER)
    if isinstance(value, int) and value < 1:
        raise wrong(f"{value} names no column", _HEADER_OR_NUMBER)
    return value


Column = Annotated[Words | int, BeforeValidator(_column)]


class CsvColumns(Section):
    """The column of each role: its heading, or its number counted from 1 where there is no header line."""

    time: Column | None = None
    date: Column | None = None
    tag: Column | None = None
    value: Column | None = None
    quality: Column | None = None
    tank: Column | None = None
    thickness: Column | None = None
    unit: Column | None = None
    distance_from_wall: Column | None = None
    distance_unit: Column | None = None
    arm_position: Column | None = None
    replicate: Column | None = None
    fluff: Column | None = None
    surface: Column | None = None
    taken_by: Column | None = None
    note: Column | None = None
    test: Column | None = None
    minute: Column | None = None
    dilution: Column | None = None
    stirred: Column | None = None


class CsvSection(SourceSection):
    """One watched folder. What is left out is found from each file."""

    kind: Literal["csv"] = "csv"
    folder: Words = Field(examples=['"/var/lib/underweir/drop"'])
    pattern: Words = "*.csv*"
    layout: Literal["auto", "long", "wide", "cores", "laboratory"] = "auto"
    columns: CsvColumns = CsvColumns()
    ignored_columns: tuple[Words, ...] = ()
    tag: Words | None = None
    quality_code: Literal["auto", "severity", "classic", "status"] = "auto"
    delimiter: Annotated[str, StringConstraints(strip_whitespace=False)] | None = None  # a tab is one, too
    decimal: str | None = None
    encoding: str | None = None
    header: bool | None = None
    time_format: Words | None = None
    time_zone: TimeZone | None = None
    unit: UnitSymbol | None = None
    processed_folder: Words | None = None
    keep_processed: Duration | None = None
    quarantine_folder: Words | None = None
    leave_files: bool = False
    settle: Duration = timedelta(seconds=10)

    @property
    def carries_signals(self) -> bool:
        return self.layout not in ("cores", "laboratory")

    @field_validator("delimiter", mode="before")
    @classmethod
    def _one_delimiter(cls, value: Any) -> Any:
        return _one_of(value, _DELIMITERS, 'write ",", ";", "|" or "tab"')

    @field_validator("decimal", mode="before")
    @classmethod
    def _one_decimal(cls, value: Any) -> Any:
        return _one_of(value, _DECIMALS, 'write "." or ","')

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str | None) -> str | None:
        if value is None:
            return None
        try:
            name = codecs.lookup(value).name
            if "x".encode(name).decode(name) != "x":
                raise LookupError
        except (LookupError, TypeError, ValueError):
            near = closest_word(value, _ENCODINGS)
            raise wrong(f'no encoding "{value}" is known', f'write "{near or "utf-8"}"') from None
        return name

    @field_validator("time_format")
    @classmethod
    def _format_has_fields(cls, value: str | None) -> str | None:
        if value is None or value in _NAMED_FORMATS:
            return value
        if "%" not in value:
            raise wrong(
                f'"{value}" is not a time format',
                'write "iso", "epoch", or fields such as "%m/%d/%Y %H:%M:%S" (%Y year, %m month, %d day, %H hour, %M minute)',
            )
        problem = _format_problem(value)
        if problem:
            raise wrong(*problem)
        return value


_NAMED_FORMATS = ("iso", "epoch", "epoch_s", "epoch_ms", "epoch_us", "epoch_ns")
_FORMAT_FIELDS = "YymdHIMSfpzbB%"
_FORMAT_SHORT = {"T": "HMS", "R": "HM", "F": "Ymd", "D": "mdy"}


def _format_problem(time_format: str) -> tuple[str, str] | None:
    """The problem of a time format's fields, and the remedy."""
    fields = ""
    for letter in re.findall(r"%(.?)", time_format, re.DOTALL):
        if (letter not in _FORMAT_FIELDS and letter not in _FORMAT_SHORT) or not letter:
            return (
                f"%{letter} is no field of a time",
                "use %Y %m %d %H %M %S, %f for fractions, %p for AM and PM, %z for an offset",
            )
        fields += _FORMAT_SHORT.get(letter, "b" if letter == "B" else letter)  # both are a month's name
    if any(f"%H{between}%m" in time_format for between in ":.h"):
        return "reads the minutes as a month", "write %M for minutes; %m is the month"
    for wanted, name, example in (("Yy", "year", "%Y"), ("mb", "month", "%m"), ("d", "day", "%d")):
        if not set(wanted) & set(fields):
            return f"has no {name}", f'write the whole date, with {example}, such as "%Y-%m-%d %H:%M:%S"'
    if "I" in fields and "p" not in fields:
        return "has hours of twelve without %p", "write %H for 24 hours, or add %p for AM and PM"
    twice = next((letter for letter in fields if letter != "%" and fields.count(letter) > 1), None)
    return (f"has %{twice} twice", "write each field once") if twice else None


_ENCODINGS = ("utf-8", "utf-16", "utf-8-sig", "latin-1", "cp1252")


def _one_of(value: Any, known: dict[str, str], remedy: str) -> Any:
    if not isinstance(value, str):
        return value
    found = known.get(value) or known.get(value.strip().casefold())
    if found is None:
        raise wrong(f'"{value}" is none of the signs it may be', remedy)
    return found
