"""Log sheet of hand cores as plants keep it on paper: logged cores, and rows to fill in by hand. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from service.domain.cores.core import Core, Surface
from service.domain.plant.display import format_clock, format_length, format_local_time
from service.domain.plant.tank import Tank
from service.domain.plant.units import UnitSystem
from service.reports.rendering.document import Document, Table

#: What is said of the water goes under clarity; everything else seen is a remark.
CLARITY = frozenset({Surface.CLEAR, Surface.TURBID, Surface.PIN_FLOC, Surface.STRAGGLER_FLOC})
#: Rows a page holds, and the least left for writing by hand.
ROWS, LEAST_BLANK = 24, 6
HEADS = ("Time", "Tank", "From the wall", "Sludge", "Clarity", "Remarks", "Initials")


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCore:
    """A core with what was typed."""

    core: Core
    typed_value: float
    typed_unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetRow:
    """One row."""

    time: str
    tank: str
    position: str
    reading: str
    clarity: str
    remarks: str
    initials: str

    @property
    def cells(self) -> tuple[str, ...]:
        """In the order of the heads."""
        return (self.time, self.tank, self.position, self.reading, self.clarity, self.remarks, self.initials)


@dataclass(frozen=True, slots=True, kw_only=True)
class LogSheet:
    """The sheet of a shift or day."""

    title: str
    site: str
    rows: tuple[SheetRow, ...]
    blank: int
    printed: str


def log_sheet(
    cores: Iterable[SheetCore],
    tanks: Mapping[str, Tank],
    *,
    title: str,
    site: str,
    units: UnitSystem,
    zone: ZoneInfo,
    now: datetime,
) -> LogSheet:
    """Fill a sheet.

    Parameters
    ----------
    cores : as they stand now, in order of time.
    title : which shift or day it is for.
    """
    rows = tuple(_row(one, tanks[one.core.tank], units, zone) for one in cores)
    blank = max(LEAST_BLANK, ROWS - len(rows))
    return LogSheet(title=title, site=site, rows=rows, blank=blank, printed=format_local_time(now, zone))


def sheet_document(sheet: LogSheet) -> Document:
    """The sheet as a document to print."""
    empty = ("",) * len(HEADS)
    return Document(
        title=sheet.title,
        site=sheet.site,
        facts=(),
        tables=(
            Table(
                title="Hand cores",
                heads=HEADS,
                rows=[*(row.cells for row in sheet.rows), *[empty] * sheet.blank],
                widths=(12, 17, 12, 13, 15, 22, 9),
                ruled=True,
            ),
        ),
        remarks=(
            "Sludge as read in the sampler, where it stood. Enter handwritten cores when you are back: the estimate depends on them.",
        ),
        printed=sheet.printed,
    )


def reading(value: float, unit: str, units: UnitSystem) -> str:
    """A reading as it was read: tenths of a foot, feet and inches, metres or centimetres.

    >>> reading(3.4, "ft", "us"), reading(42.0, "in", "us"), reading(8.5, "in", "us"), reading(1.05, "m", "si"), reading(105, "cm", "si")
    ('3.4 ft', '3 ft 6 in', '0 ft 8.5 in', '1.05 m', '105 cm')
    """
    if unit == "in" and units == "us":
        feet, rest = divmod(value, 12.0)
        return f"{feet:.0f} ft {rest:g} in"
    digits = {"ft": 1, "m": 2, "cm": 0}.get(unit)
    return f"{value:g} {unit}" if digits is None or round(value, digits) != value else f"{value:.{digits}f} {unit}"


def initials(name: str) -> str:
    """How somebody signs a row.

    >>> initials("Sam Okafor"), initials("operator"), initials("Night operator (invented)")
    ('SO', 'O', 'NO')
    """
    return "".join(word[0].upper() for word in name.split() if word[0].isalpha())[:4]


def _row(one: SheetCore, tank: Tank, units: UnitSystem, zone: ZoneInfo) -> SheetRow:
    core = one.core
    clear = [seen.value for seen in core.surface if seen in CLARITY]
    remarks = [seen.value for seen in core.surface if seen not in CLARITY]
    remarks += [f"no. {core.replicate}"] if core.replicate > 1 else []
    remarks += [f"fluff up to {format_length(core.fluff, units)}"] if core.fluff else []
    remarks += [core.note] if core.note else []
    return SheetRow(
        time=format_clock(core.taken_at, zone),
        tank=tank.label,
        position=format_length(core.distance_from_wall, units),
        reading=reading(one.typed_value, one.typed_unit, units),
        clarity=", ".join(clear),
        remarks="; ".join(remarks),
        initials=initials(core.taken_by),
    )
