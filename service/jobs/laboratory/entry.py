"""Validates and stores laboratory values from the day's sheet, a sheet dropped or the API."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated
from uuid import UUID, uuid4

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from service.domain.laboratory.result import TRAITS, LaboratoryKind, LaboratoryResult
from service.domain.plant.units import to_si
from service.errors import InputError
from service.jobs.laboratory.result import LaboratoryDraft

_NUMBER = re.compile(r"-?(?:\d{1,7}(?:[.,]\d{0,6})?|[.,]\d{1,6})")


class LaboratoryEntry(BaseModel):
    """A value as typed. The client makes the ``id``, so that sending twice stores once."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    id: UUID = Field(default_factory=uuid4)
    kind: LaboratoryKind
    tank: Annotated[str | None, Field(max_length=100, description="A tank's key; left out for the whole plant.")] = None
    taken_at: AwareDatetime
    value: Annotated[str | float, Field(description="A number, or as typed.")]
    unit: Annotated[str, Field(max_length=20)]
    minute: Annotated[int | None, Field(description="Of a settled volume.")] = None
    stirred: bool = False
    dilution: Annotated[float, Field(ge=1, le=50, description="Final over original volume.")] = 1.0
    taken_by: Annotated[str, Field(max_length=100)] = ""
    note: Annotated[str, Field(max_length=1000)] = ""
    confirmed: bool = False


def draft_of(
    entry: LaboratoryEntry, by: str, now: datetime, supersedes: UUID | None = None, reason: str = ""
) -> LaboratoryDraft:
    """The draft of an entry.

    Raises
    ------
    InputError
        when value or unit cannot be read.
    """
    typed = number(str(entry.value), TRAITS[entry.kind].name)
    units = TRAITS[entry.kind].units
    if entry.unit not in units:
        known = ", ".join(units)
        raise InputError(f"{TRAITS[entry.kind].name} is read in {known}, not in {entry.unit[:20]!r}")
    result = LaboratoryResult(
        id=entry.id,
        kind=entry.kind,
        tank=entry.tank or None,
        taken_at=entry.taken_at,
        recorded_at=now,
        value=to_si(typed, entry.unit),
        minute=entry.minute,
        stirred=entry.stirred,
        dilution=entry.dilution,
        taken_by=entry.taken_by or by,
        note=entry.note,
    )
    return LaboratoryDraft(
        result=result,
        typed_value=typed,
        typed_unit=entry.unit,
        confirmed=entry.confirmed,
        supersedes=supersedes,
        reason=reason,
    )


def number(text: str, name: str) -> float:
    """A typed number; a decimal comma is read as a point.

    Raises
    ------
    InputError
        saying what is wrong.

    >>> number("2,7", "x"), number(" 2600 ", "x")
    (2.7, 2600.0)
    """
    text = text.strip().replace("\N{MINUS SIGN}", "-")
    # 2,600 is a thousand and more in one country and two and a bit in the other.
    if re.fullmatch(r"\d{1,3},\d{3}", text):
        raise InputError(
            f"{name}: {text} can be read in two ways; write {text.replace(',', '')} or {text.replace(',', '.')}"
        )
    if not _NUMBER.fullmatch(text):
        raise InputError(f"{name}: {text[:20]!r} is not a number; write digits, such as 2600")
    value = float(text.replace(",", "."))
    if not math.isfinite(value):
        raise InputError(f"{name}: {text[:20]!r} is not a number")  # pragma: no cover
    return value


@dataclass(frozen=True, slots=True)
class SheetField:
    """A field of the day's sheet: its name in the form, and what it is of."""

    name: str
    kind: LaboratoryKind
    label: str
    minute: int | None = None
    stirred: bool = False
    diluted: bool = False


_LABELS: Mapping[LaboratoryKind, str] = {
    kind: TRAITS[kind].name[0].upper() + TRAITS[kind].name[1:] for kind in LaboratoryKind
}


def _curve(
    cylinder: str, minutes: tuple[int, ...], *, stirred: bool = False, diluted: bool = False
) -> tuple[SheetField, ...]:
    return tuple(
        SheetField(f"{cylinder}_{minute}", LaboratoryKind.SETTLED_VOLUME, f"{minute} min", minute, stirred, diluted)
        for minute in minutes
    )


def _single(*kinds: LaboratoryKind) -> tuple[SheetField, ...]:
    return tuple(SheetField(kind.value, kind, _LABELS[kind]) for kind in kinds)


#: The sheet's groups, in the order of the bench.
SOLIDS = _single(
    LaboratoryKind.MIXED_LIQUOR_SOLIDS,
    LaboratoryKind.RETURN_SOLIDS,
    LaboratoryKind.WASTE_SOLIDS,
    LaboratoryKind.VOLATILE_FRACTION,
    LaboratoryKind.WASTE_FLOW,
)
PLAIN = _curve("plain", (5, 10, 15, 20, 25, 30, 40, 50, 60))
DILUTED = _curve("diluted", (5, 30, 60), diluted=True)
STIRRED = _curve("stirred", (5, 30, 60), stirred=True)
WATER = _single(
    LaboratoryKind.EFFLUENT_SOLIDS,
    LaboratoryKind.TURBIDITY,
    LaboratoryKind.AMMONIUM,
    LaboratoryKind.NITRATE,
    LaboratoryKind.OXYGEN,
    LaboratoryKind.TEMPERATURE,
)
GROUPS = (
    ("Solids", SOLIDS),
    ("Settling test, plain cylinder", PLAIN),
    ("Settling test, diluted", DILUTED),
    ("Settling test, stirred", STIRRED),
    ("Effluent and field", WATER),
)
FIELDS = {field.name: field for _, fields in GROUPS for field in fields}


def label_of(result: LaboratoryResult) -> str:
    """What a value is of, with a capital."""
    return result.name[0].upper() + result.name[1:]
