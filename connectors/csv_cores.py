"""Hand cores from rows of a file."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from connectors.base import HandCore, Reject
from connectors.csv_cell import UnreadableNumber, number
from connectors.csv_lines import Record, fitted, ragged, shown
from connectors.csv_shape import CsvFormat, Shape, bracketed, unknown_tank, word

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class UnreadableCore(ValueError):
    """A row that is no hand core; carries the field at fault."""

    def __init__(self, field: str, text: str, reason: str) -> None:
        self.field = field
        self.text = text
        super().__init__(reason)


def core_of(record: Record, utc: int, shape: Shape, options: CsvFormat) -> HandCore:
    """One hand core from a row whose time is known [µs, UTC].

    Raises
    ------
    UnreadableCore
        when a cell that is needed is missing or unreadable.
    """
    fields = fitted(record.fields, shape.width)
    if fields is None:
        whole = shown(shape.delimiter.join(record.fields))
        raise UnreadableCore("line", whole, ragged(len(record.fields), shape.width))
    cells = [item.decode("utf-8", errors="replace").strip() for item in fields]

    def text(role: str) -> str:
        return cells[shape.role[role]] if role in shape.role else ""

    def optional(role: str) -> float | None:
        return _number(role, text(role), shape) if text(role) else None

    tank = text("tank")
    if not tank:
        raise UnreadableCore("tank", "", "the tank is empty")
    if options.tanks and tank not in options.tanks:
        raise UnreadableCore("tank", tank, unknown_tank(tank, options.tanks))
    if not text("thickness"):
        raise UnreadableCore("thickness", "", "the thickness is empty")
    thickness = _number("thickness", text("thickness"), shape)
    unit = text("unit") or _header_unit("thickness", shape) or options.core_unit
    if not unit:
        raise UnreadableCore(
            "unit", "", "no unit: add a unit column, write it in the header as in 'thickness (ft)', or set core_unit"
        )
    return HandCore(
        tank=tank,
        time=_EPOCH + timedelta(microseconds=utc),
        thickness=thickness,
        unit=unit,
        distance_from_wall=optional("distance"),
        distance_unit=text("distance_unit") or _header_unit("distance", shape) or (unit if text("distance") else None),
        arm_position=optional("arm"),
        replicate=_replicate(text("replicate")),
        fluff=optional("fluff"),
        surface=tuple(part for item in re.split(r"[;|,]", text("surface")) if (part := " ".join(item.lower().split()))),
        taken_by=text("by"),
        note=text("note"),
        line=record.line,
    )


def rejected(record: Record, problem: UnreadableCore) -> Reject:
    """The reject for a row that is no hand core."""
    return Reject(record.line, problem.field, shown(problem.text.encode()), str(problem))


def is_header(record: Record, shape: Shape) -> bool:
    """Whether a row is the header once more, as in files joined end to end."""
    names = [word(item.decode("utf-8", errors="replace")) for item in record.fields[: shape.width]]
    return bool(shape.header) and names == [word(item) for item in shape.header]


def _number(role: str, text: str, shape: Shape) -> float:
    try:
        value = number(text, shape.decimal, certain=shape.decimal_certain)
    except UnreadableNumber as problem:
        raise UnreadableCore(role, text, str(problem)) from None
    if value is None:
        raise UnreadableCore(role, text, "not a number")
    return value


def _header_unit(role: str, shape: Shape) -> str | None:
    index = shape.role.get(role)
    return bracketed(shape.header[index]) if index is not None and shape.header else None


def _replicate(text: str) -> int:
    if not text:
        return 1
    if not re.fullmatch(r"[0-9]{1,4}", text) or int(text) < 1:
        raise UnreadableCore("replicate", text, "the replicate is a whole number from 1")
    return int(text)
