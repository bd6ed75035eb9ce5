"""Checks names: that they exist, and are unique."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, TypeVar

from service.domain.plant.units import Dimension, UnitSystem, from_si, shown_unit
from service.site.reading.report import ReadSection, Report
from service.site.reading.section_reader import Draft
from service.site.sections.quantity import closest_word
from service.site.sections.section import Section

S = TypeVar("S", bound=Section)


def check_unique(entries: Iterable[ReadSection[S]], name: str, report: Report) -> None:
    """Check that no two sections have the same name, regardless of case."""
    first: dict[str, ReadSection[S]] = {}
    for entry in entries:
        value = getattr(entry.section, name)
        if not isinstance(value, str):
            continue
        earlier = first.setdefault(value.casefold(), entry)
        if earlier is not entry:
            line = report.line(earlier, name)
            report.error(entry, name, f'"{value}" is taken already, on line {line}', "give each a name of its own")


def check_known(entry: ReadSection[Any], name: str, value: str, kind: str, draft: Draft, report: Report) -> bool:
    """Whether *value* is the name of a section of that kind; if not, report it with the most similar name."""
    known = draft.names[kind]
    if value in known:
        return True
    if kind in draft.incomplete:  # it may be an unreadable one
        return False
    labels = (
        {t.section.label.casefold(): t.section.key for t in draft.tanks if t.section.label} if kind == "tank" else {}
    )
    near = labels.get(value.casefold()) or closest_word(value, tuple(sorted(known)))
    if near:
        remedy = f'did you mean "{near}"?'
    elif known:
        remedy = f"known are {', '.join(sorted(known))}"
    else:
        remedy = f"write a [[{kind}]] of that name"
    report.error(entry, name, f'no {kind} "{value}" is known', remedy)
    return False


def shown(value: float, dimension: Dimension, units: UnitSystem) -> str:
    """A quantity in the site's unit, for a message."""
    symbol = shown_unit(dimension, units)
    return f"{from_si(value, symbol):.4g} {symbol}"


def length(value: float, units: UnitSystem) -> str:
    """A length in the site's unit, for a message."""
    return shown(value, Dimension.LENGTH, units)
