"""Decodes rows of a file that people wrote: hand cores, or laboratory values."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Generic, TypeVar

from connectors.base import EPOCH, HandCore, LaboratoryValue, Reject, SampleBlock, block_of
from connectors.csv.decoding.cell import UnreadableNumber, parse_number
from connectors.csv.decoding.columns import normalize_heading, unit_in_heading
from connectors.csv.decoding.dialect import Dialect
from connectors.csv.decoding.format import CsvFormat, unknown_tank
from connectors.csv.decoding.lines import CsvRecord, LineBlock, printable, split_records, trim_fields, wrong_field_count
from connectors.csv.decoding.row_times import RowTimes
from connectors.csv.times.pattern import UnreadableTime

#: Of a hand core; the form on the pages takes notes of a thousand.
LONGEST_CELL = 2_000


Row = TypeVar("Row", HandCore, LaboratoryValue)


class UnreadableRow(ValueError):
    """A row that is no core or laboratory value; ``field`` and ``text`` say where."""

    def __init__(self, field: str, text: str, reason: str) -> None:
        self.field = field
        self.text = text
        super().__init__(reason)


class _RowDecoder(Generic[Row]):
    """Decodes blocks of one file, a record at a time."""

    def __init__(self, dialect: Dialect, options: CsvFormat, times: RowTimes) -> None:
        self._dialect = dialect
        self._options = options
        self._times = times
        self._header = [normalize_heading(name) for name in dialect.header]

    def read(self, block: LineBlock, rejects: list[Reject]) -> tuple[SampleBlock, list[Row], bytes]:
        """No samples, the rows of a block of lines, and the bytes left for the next block."""
        delimiter = self._dialect.delimiter
        records, used = split_records(block.data, block.first_line, delimiter, final=block.final, rejects=rejects)
        rows: list[Row] = []
        for record in records:
            try:
                rows.append(self._row(record))
            except UnreadableRow as problem:
                rejects.append(Reject(record.line, problem.field, printable(problem.text.encode()), str(problem)))
        return block_of([]), rows, block.data[used:]

    def _row(self, record: CsvRecord) -> Row:
        raise NotImplementedError

    def _cells(self, record: CsvRecord) -> tuple[list[str], dict[str, str]]:
        """The cells of a record, and those of each role."""
        fields = trim_fields(record.fields, self._dialect.width)
        whole = self._dialect.delimiter.join(record.fields).decode("utf-8", errors="replace")
        if fields is None:
            raise UnreadableRow("line", whole, wrong_field_count(len(record.fields), self._dialect.width))
        cells = [item.decode("utf-8", errors="replace").strip() for item in fields]
        if self._header and [normalize_heading(cell) for cell in cells] == self._header:
            raise UnreadableRow("line", whole, "the header once more")
        text = {role: cells[column] for role, column in self._dialect.role.items()}
        for role, cell in text.items():
            if len(cell) > LONGEST_CELL:
                raise UnreadableRow(role, cell, f"longer than {LONGEST_CELL} letters")
        return cells, text

    def _time(self, cells: Sequence[str]) -> datetime:
        text = " ".join(cells[column] for column in self._dialect.time_columns)
        try:
            return EPOCH + timedelta(microseconds=self._times.parse_text(text))
        except UnreadableTime as problem:
            raise UnreadableRow("time", text, str(problem)) from None

    def _number(self, role: str, text: Mapping[str, str]) -> float | None:
        return self._read_number(role, text[role]) if text.get(role) else None

    def _read_number(self, role: str, text: str) -> float:
        try:
            value = parse_number(text, self._dialect.decimal, certain=self._dialect.decimal_certain)
        except UnreadableNumber as problem:
            raise UnreadableRow(role, text, str(problem)) from None
        if value is None:
            raise UnreadableRow(role, text, "not a number")
        return value

    def _header_unit(self, role: str) -> str | None:
        column = self._dialect.role.get(role)
        return unit_in_heading(self._dialect.header[column]) if column is not None and self._dialect.header else None


class CoreDecoder(_RowDecoder[HandCore]):
    """Decodes hand cores."""

    def _row(self, record: CsvRecord) -> HandCore:
        cells, text = self._cells(record)
        tank = text["tank"]
        if not tank:
            raise UnreadableRow("tank", "", "the tank is empty")
        if self._options.tanks and tank not in self._options.tanks:
            raise UnreadableRow("tank", tank, unknown_tank(tank, self._options.tanks))
        if not text["thickness"]:
            raise UnreadableRow("thickness", "", "the thickness is empty")
        unit = text.get("unit") or self._header_unit("thickness") or self._options.core_unit
        if not unit:
            raise UnreadableRow(
                "unit",
                "",
                "no unit: add a unit column, write it in the header as in 'thickness (ft)', or set unit for this connector",
            )
        distance = self._number("distance", text)
        distance_unit = text.get("distance_unit") or self._header_unit("distance") or unit
        return HandCore(
            tank=tank,
            time=self._time(cells),
            thickness=self._read_number("thickness", text["thickness"]),
            unit=unit,
            distance_from_wall=distance,
            distance_unit=distance_unit if distance is not None else None,
            arm_position=self._number("arm", text),
            replicate=_replicate(text.get("replicate", "")),
            fluff=self._number("fluff", text),
            surface=_surface(text.get("surface", "")),
            taken_by=text.get("by", ""),
            note=text.get("note", ""),
            line=record.line,
        )


class LaboratoryDecoder(_RowDecoder[LaboratoryValue]):
    """Decodes laboratory values; a row without a tank is of the whole plant."""

    def _row(self, record: CsvRecord) -> LaboratoryValue:
        cells, text = self._cells(record)
        for role in ("kind", "value"):
            if not text[role]:
                raise UnreadableRow(role, "", f"the {role} is empty")
        tank = text.get("tank", "")
        if tank and self._options.tanks and tank not in self._options.tanks:
            raise UnreadableRow("tank", tank, unknown_tank(tank, self._options.tanks))
        minute = text.get("minute", "")
        if minute and not re.fullmatch(r"[0-9]{1,3}", minute):
            raise UnreadableRow("minute", minute, "the minute of a settling test is a whole number")
        stirred = text.get("stirred", "").casefold()
        if stirred not in _YES_OR_NO:
            raise UnreadableRow("stirred", stirred, "write yes or no")
        dilution = self._number("dilution", text)
        return LaboratoryValue(
            kind=text["kind"],
            time=self._time(cells),
            value=self._read_number("value", text["value"]),
            unit=text.get("unit") or self._header_unit("value") or "",
            tank=tank,
            minute=int(minute) if minute else None,
            dilution=1.0 if dilution is None else dilution,
            stirred=_YES_OR_NO[stirred],
            taken_by=text.get("by", ""),
            note=text.get("note", ""),
            line=record.line,
        )


_YES_OR_NO = {
    "": False,
    "no": False,
    "n": False,
    "0": False,
    "false": False,
    "yes": True,
    "y": True,
    "1": True,
    "true": True,
    "x": True,
}


def _surface(text: str) -> tuple[str, ...]:
    """The words of a surface cell, separated by semicolon, bar or comma."""
    words = (" ".join(item.lower().split()) for item in re.split(r"[;|,]", text))
    return tuple(item for item in words if item)


def _replicate(text: str) -> int:
    if not text:
        return 1
    if not re.fullmatch(r"[0-9]{1,4}", text) or int(text) < 1:
        raise UnreadableRow("replicate", text, "the replicate is a whole number from 1")
    return int(text)
