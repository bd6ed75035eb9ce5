"""Formats numbers and times for people: few digits, the plant's units, plant time. Stored values are never rounded."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from service.domain.plant.units import Dimension, UnitSystem, from_si, shown_unit
from service.errors import DomainError

#: A hand core is read to 0.1 ft or 0.05 m; more digits would claim more than anyone knows (common practice, no source).
_LENGTH_DIGITS: dict[UnitSystem, int] = {"us": 1, "si": 2}


def format_length(value: float, system: UnitSystem, *, signed: bool = False) -> str:
    """A length as the plant reads it: feet to tenths, metres to hundredths.

    Parameters
    ----------
    value : length. [m]
    system : the site's unit system.
    signed : show a plus sign too, for differences.

    >>> format_length(0.762, "us"), format_length(0.762, "si"), format_length(0.3048, "us", signed=True)
    ('2.5 ft', '0.76 m', '+1.0 ft')
    """
    return _number(value, Dimension.LENGTH, system, signed=signed)


def format_speed(value: float, system: UnitSystem, *, signed: bool = False) -> str:
    """A blanket's rise or fall as the plant reads it.

    Parameters
    ----------
    value : speed, rise positive. [m/h]

    >>> format_speed(0.15, "us"), format_speed(-0.15, "si")
    ('0.5 ft/h', '-0.15 m/h')
    """
    return _number(value, Dimension.SPEED, system, signed=signed)


def format_quantity(value: float, dimension: Dimension, system: UnitSystem) -> str:
    """Any quantity as the plant reads it, to three figures, which is as much as a plant measures.

    Parameters
    ----------
    value : in SI.
    dimension : what it measures; times are told in hours and minutes, ratios in percent.

    >>> format_quantity(0.675, Dimension.OVERFLOW_RATE, "us"), format_quantity(0.675, Dimension.OVERFLOW_RATE, "si")
    ('398 gpd/ft2', '0.675 m3/m2.h')
    >>> format_quantity(1921.5, Dimension.MASS, "us"), format_quantity(0.12, Dimension.RATIO, "us")
    ('4,240 lb', '12 %')
    """
    if dimension is Dimension.TIME:
        return format_duration(timedelta(hours=value))
    if dimension is Dimension.RATIO:
        return f"{100.0 * value:.0f} %"
    symbol = shown_unit(dimension, system)
    shown = from_si(value, symbol)
    return f"{to_three_figures(shown)} {symbol}"


def to_three_figures(value: float) -> str:
    """A number to three figures, never in powers of ten.

    >>> to_three_figures(9018.8), to_three_figures(4.5), to_three_figures(0.01234), to_three_figures(0.0)
    ('9,020', '4.50', '0.0123', '0')
    """
    if value == 0.0 or not math.isfinite(value):
        return f"{value:.0f}"
    before = math.floor(math.log10(abs(value))) + 1
    rounded = round(value, 3 - before)
    return f"{rounded:,.{max(3 - before, 0)}f}"


def describe_rate(value: float, system: UnitSystem) -> str:
    """A blanket's movement in words; what rounds to nothing is called steady.

    Parameters
    ----------
    value : speed, rise positive. [m/h]

    >>> describe_rate(0.15, "us"), describe_rate(-0.15, "us"), describe_rate(0.001, "us")
    ('rising 0.5 ft/h', 'falling 0.5 ft/h', 'steady')
    """
    shown = format_speed(abs(value), system)
    if float(shown.split(" ")[0]) == 0.0:
        return "steady"
    return f"{'rising' if value > 0 else 'falling'} {shown}"


def describe_clearance(value: float, system: UnitSystem, depth: float | None = None) -> str:
    """Where the blanket stands against the weir, in words that stay true over the crest and on the floor.

    Parameters
    ----------
    value : weir crest minus blanket height. [m]
    depth : side water depth, where what has no sludge left above the floor shall be said so. [m]

    >>> describe_clearance(0.6, "us"), describe_clearance(-0.1, "us"), describe_clearance(0.001, "si")
    ('2.0 ft under the weir', 'at or over the weir', 'at or over the weir')
    >>> describe_clearance(4.4, "us", 14 * 0.3048), describe_clearance(4.2, "us", 14 * 0.3048)
    ('on the floor', '13.8 ft under the weir')
    """
    if depth is not None and _nothing(depth - value, system):
        return "on the floor"
    return "at or over the weir" if _nothing(value, system) else f"{format_length(value, system)} under the weir"


def describe_height(value: float, system: UnitSystem) -> str:
    """How high the blanket stands above the floor at the wall, the frame of every height; what a core reads is another one.

    >>> describe_height(0.9, "us"), describe_height(-0.15, "us")
    ('3.0 ft above the floor at the wall', 'on the floor')
    """
    return "on the floor" if _nothing(value, system) else f"{format_length(value, system)} above the floor at the wall"


def _nothing(value: float, system: UnitSystem) -> bool:
    """Whether a length is shown as zero or less."""
    return value <= 0.0 or float(format_length(value, system).split(" ")[0]) == 0.0


def format_duration(span: timedelta) -> str:
    """A stretch of time, to the minute below a day and to the hour above.

    >>> format_duration(timedelta(seconds=20)), format_duration(timedelta(minutes=125)), format_duration(timedelta(days=2, hours=5))
    ('under 1 min', '2 h 05 min', '2 d 5 h')
    """
    minutes = int(abs(span) / timedelta(minutes=1))
    if minutes < 1:
        return "under 1 min"
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h {minutes:02d} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


def format_delay(span: timedelta) -> str:
    """A delay somebody set, to the second, as what is audited shall read as it was written.

    >>> format_delay(timedelta()), format_delay(timedelta(seconds=90)), format_delay(timedelta(days=1, minutes=5))
    ('none', '1 min 30 s', '1 d 5 min')
    """
    left = round(span.total_seconds())
    parts = []
    for unit, length in (("d", 86400), ("h", 3600), ("min", 60), ("s", 1)):
        count, left = divmod(left, length)
        if count:
            parts.append(f"{count} {unit}")
    return " ".join(parts) or "none"


def format_local_time(time: datetime, zone: ZoneInfo) -> str:
    """A moment in the plant's own time with weekday and the zone's abbreviation, so the autumn's repeated hour stays clear.

    >>> from datetime import UTC
    >>> format_local_time(datetime(2024, 11, 3, 6, 30, tzinfo=UTC), ZoneInfo("America/New_York"))
    'Sun 3 Nov 01:30 EST'
    """
    local = _local(time, zone)
    return f"{_DAYS[local.weekday()]} {local.day} {_MONTHS[local.month - 1]} {local:%H:%M} {local.tzname()}"


def format_span(start: datetime, end: datetime, zone: ZoneInfo) -> str:
    """From when to when in the plant's own time; what both share is said once.

    >>> night = datetime(2024, 11, 3, 3, 0, tzinfo=UTC)
    >>> format_span(night, night + timedelta(minutes=45), ZoneInfo("America/New_York"))
    'Sat 2 Nov 23:00 to 23:45 EDT'
    >>> format_span(night, night + timedelta(hours=9), ZoneInfo("America/New_York"))
    'Sat 2 Nov 23:00 EDT to Sun 3 Nov 07:00 EST'
    """
    first, last = _local(start, zone), _local(end, zone)
    if (first.date(), first.tzname()) != (last.date(), last.tzname()):
        return f"{format_local_time(start, zone)} to {format_local_time(end, zone)}"
    return f"{format_local_time(start, zone).removesuffix(f' {first.tzname()}')} to {format_clock(end, zone)}"


def format_share(share: float, decimals: int = 0) -> str:
    """A part of the whole as the standards write it, with a space before the sign.

    >>> format_share(0.155), format_share(0.0, 1)
    ('16 %', '0.0 %')
    """
    return f"{100 * share:.{decimals}f} %"


def format_dated(time: datetime, zone: ZoneInfo) -> str:
    """A moment in the plant's own time with its full date, for what is kept for years.

    >>> format_dated(datetime(2024, 11, 3, 6, 30, tzinfo=UTC), ZoneInfo("America/New_York"))
    '2024-11-03 01:30 EST'
    """
    local = _local(time, zone)
    return f"{local:%Y-%m-%d %H:%M} {local.tzname()}"


def format_clock(time: datetime, zone: ZoneInfo) -> str:
    """Hour and minute in the plant's own time.

    >>> format_clock(datetime(2024, 11, 3, 5, 30, tzinfo=UTC), ZoneInfo("America/New_York"))
    '01:30 EDT'
    """
    local = _local(time, zone)
    return f"{local:%H:%M} {local.tzname()}"


# Spelled out: strftime's names would follow the locale of whatever machine this runs on.
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def _local(time: datetime, zone: ZoneInfo) -> datetime:
    if time.tzinfo is None:
        raise DomainError(f"time {time.isoformat()} has no time zone")
    return time.astimezone(UTC).astimezone(zone)


def _number(value: float, dimension: Dimension, system: UnitSystem, *, signed: bool) -> str:
    symbol = shown_unit(dimension, system)
    digits = _LENGTH_DIGITS[system]
    shown = f"{from_si(value, symbol):{'+' if signed else ''}.{digits}f}"
    # "-0.0" frightens people for nothing.
    if float(shown) == 0.0:
        shown = f"{0.0:.{digits}f}"
    return f"{shown} {symbol}"
