"""Checks signals: tank, unit, direction, range, timing, status, limit."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

from service.domain.plant.signal import DIMENSION_OF, SignalKind
from service.domain.plant.units import UNITS, Dimension, symbols_of
from service.site.conversion.plant import EFFLUENT_ALARMS
from service.site.reading.report import ReadSection, Report
from service.site.reading.section_reader import Draft
from service.site.rules.datum import check_datum, reference_tanks
from service.site.rules.names import check_known, check_unique, shown
from service.site.rules.tanks import plausible_tank
from service.site.sections.plant import SignalSection

#: Kinds that are meaningless without a tank.
_OF_A_TANK = (SignalKind.BLANKET, SignalKind.FLUFF, SignalKind.WATER_LEVEL, SignalKind.ARM_ANGLE)


def check_signals(draft: Draft, report: Report) -> None:
    """Check tank, unit, direction, range and timing of every signal."""
    check_unique(draft.signals, "tag", report)
    reference = reference_tanks(draft)
    areas = areas_of(draft)
    for entry in draft.signals:
        _check_tank(entry, draft, report)
        _check_unit(entry, draft, report)
        _check_direction(entry, report)
        _check_range(entry, report)
        _check_timing(entry, report)
        _check_status(entry, draft, report)
        _check_limit(entry, report)
        check_datum(entry, reference.get(entry.section.tank or ""), draft, report)
        check_magnitude(entry, areas, draft, report)


def _check_tank(entry: ReadSection[SignalSection], draft: Draft, report: Report) -> None:
    signal = entry.section
    if signal.tank is not None:
        check_known(entry, "tank", signal.tank, "tank", draft, report)
    elif signal.kind in _OF_A_TANK and "tank" not in entry.unread:
        keys = sorted(draft.names["tank"])
        remedy = f'write tank = "{keys[0]}"' if len(keys) == 1 else f"write one of {', '.join(keys) or 'the tank keys'}"
        report.error(entry, "tank", f"is missing: a {signal.kind} signal belongs to a tank", remedy)


def _check_unit(entry: ReadSection[SignalSection], draft: Draft, report: Report) -> None:
    signal = entry.section
    wanted, given = DIMENSION_OF[signal.kind], UNITS[signal.unit].dimension
    if given is not wanted:
        choice = ", ".join(f'"{symbol}"' for symbol in symbols_of(wanted))
        report.error(
            entry,
            "unit",
            f"{signal.unit} measures {given}, but a {signal.kind} signal is a {wanted}",
            f"write {choice}",
        )


def _check_direction(entry: ReadSection[SignalSection], report: Report) -> None:
    signal = entry.section
    if DIMENSION_OF[signal.kind] is not Dimension.LENGTH:
        for name in ("measures", "zero_height"):
            if getattr(signal, name) is not None:
                report.warning(entry, name, f"has no meaning for a {signal.kind} signal", "remove it")
    elif signal.kind is SignalKind.BLANKET and not entry.has("measures"):
        report.error(
            entry,
            "measures",
            "is missing: which way does the sensor count?",
            'write "height" (up from its zero), "distance" (down from its face) or "depth" (down from the water surface)',
        )


def _check_range(entry: ReadSection[SignalSection], report: Report) -> None:
    signal = entry.section
    if signal.low is not None and signal.high is not None and signal.low >= signal.high:
        report.error(entry, "high", "is not above low", "write the smallest value as low and the largest as high")
    elif signal.kind is SignalKind.BLANKET and not (entry.has("low") and entry.has("high")):
        missing = "low" if not entry.has("low") else "high"
        remedy = "write low and high, the ends of what the sensor can report; values outside are faults"
        report.warning(entry, missing, "is missing: nobody can tell a fault from a value", remedy)


def _check_status(entry: ReadSection[SignalSection], draft: Draft, report: Report) -> None:
    signal = entry.section
    if signal.kind is not SignalKind.STATUS:
        for name in ("sensor", "in_service"):
            if getattr(signal, name) is not None:
                report.warning(entry, name, f"has no meaning for a {signal.kind} signal", "remove it")
        return
    blankets = {e.section.tag: e for e in draft.signals if e.section.kind is SignalKind.BLANKET}
    if signal.sensor is None:
        if blankets:
            remedy = f'write sensor = "{next(iter(blankets))}", the tag it speaks of, or leave the signal out'
            report.warning(entry, "sensor", "is missing: the status is kept, but silences no sensor", remedy)
        return
    if not check_known(entry, "sensor", signal.sensor, "signal", draft, report):
        return
    if signal.sensor not in blankets:
        if "signal" not in draft.incomplete:
            remedy = f"write one of {', '.join(blankets)}" if blankets else "leave it out"
            report.error(entry, "sensor", f'"{signal.sensor}" is no blanket sensor', remedy)
        return
    tank = blankets[signal.sensor].section.tank
    if signal.tank is not None and tank is not None and signal.tank != tank:
        report.error(entry, "tank", f"is not the tank of {signal.sensor}", f'write tank = "{tank}"')
    earlier = next(e for e in draft.signals if e.section.sensor == signal.sensor)
    if earlier is not entry:
        line = report.line(earlier, "sensor")
        remedy = "let one signal say whether it is in service"
        report.error(entry, "sensor", f"a status on line {line} speaks of it already", remedy)


def _check_limit(entry: ReadSection[SignalSection], report: Report) -> None:
    signal = entry.section
    if signal.limit is None:
        return
    if signal.kind not in EFFLUENT_ALARMS:
        remedy = "remove it; limits on a blanket are written as [[alarm]]"
        report.error(entry, "limit", f"has no meaning for a {signal.kind} signal", remedy)
    elif signal.limit <= 0:
        report.error(entry, "limit", "is not above zero", "write how much may be in the effluent, or leave it out")


def _check_timing(entry: ReadSection[SignalSection], report: Report) -> None:
    signal = entry.section
    interval = signal.expected_interval or timedelta(minutes=1)
    if interval <= timedelta(0):
        report.error(
            entry, "expected_interval", "is not above zero", 'write the time between two values, such as "1 min"'
        )
        return
    stale = signal.stale_after
    if stale is not None and stale < interval:
        remedy = f'write at least "{_minutes(3 * interval)}", three times expected_interval'
        report.error(entry, "stale_after", "is shorter than expected_interval: it would always be stale", remedy)
    elif stale is not None and stale < 2 * interval:
        remedy = f'write "{_minutes(3 * interval)}", three times expected_interval'
        report.warning(entry, "stale_after", "is so short that one late value raises an alarm", remedy)
    if signal.flat_after is not None and signal.flat_after < 3 * interval:
        remedy = f'write at least "{_minutes(3 * interval)}"; an hour or more is usual'
        report.error(entry, "flat_after", "is too short: a few equal values are no flat line", remedy)
    if signal.flat_band is not None and signal.flat_band < 0:
        report.error(entry, "flat_band", "is below zero", "write how much a flat value may still move, or leave it out")
    if signal.flat_band is not None and not entry.has("flat_after"):
        report.warning(entry, "flat_band", "has no use without flat_after", 'write flat_after = "6 h", say')


def _minutes(time: timedelta) -> str:
    return f"{time / timedelta(minutes=1):g} min"


_FLOWS = (SignalKind.FLOW, SignalKind.RETURN_FLOW)

#: What the top of a flow's range comes to over the tank's area [m/h]. Peak overflow rates are 1.5 to 2.7 m/h (1000 to
#: 1600 gpd/ft²: typical design values in Metcalf & Eddy, *Wastewater Engineering*, from memory); a wrong unit is off by
#: 24 or more, so the band can be wide enough for any meter.
FLOW_BAND = (0.05, 30.0)

#: What the top of a solids range may be [kg/m³] (common practice, no source).
SOLIDS_BAND = {
    SignalKind.FEED_SOLIDS: (0.05, 50.0),
    SignalKind.RETURN_SOLIDS: (0.5, 100.0),
    SignalKind.EFFLUENT_SOLIDS: (0.002, 10.0),
}


def areas_of(draft: Draft) -> dict[str | None, float]:
    """The water surface of every tank of plausible size, and under None the sum if all are. [m²]"""
    tanks = {entry.section.key: plausible_tank(entry) for entry in draft.tanks}
    areas: dict[str | None, float] = {key: tank.area for key, tank in tanks.items() if tank is not None}
    if areas and len(areas) == len(tanks) and "tank" not in draft.incomplete:
        areas[None] = sum(areas.values())
    return areas


def check_magnitude(
    entry: ReadSection[SignalSection], areas: Mapping[str | None, float], draft: Draft, report: Report
) -> None:
    """Check that the top of the range is possible; a wrong unit makes it impossible."""
    signal = entry.section
    dimension = UNITS[signal.unit].dimension
    if signal.high is None or signal.high <= 0 or dimension is not DIMENSION_OF[signal.kind]:
        return
    if signal.kind in _FLOWS:
        area = areas.get(signal.tank)
        if area is None:
            return  # nothing to judge it by
        rate = signal.high * 3600 / area
        if not FLOW_BAND[0] <= rate <= FLOW_BAND[1]:
            over = "the tank" if signal.tank else "all tanks"
            report.warning(
                entry,
                "high",
                f"comes to {shown(rate, Dimension.OVERFLOW_RATE, draft.units)} over {over}: "
                f"{'less than any' if rate < FLOW_BAND[0] else 'more than any'} clarifier sees",
                f"check the unit {signal.unit}",
            )
    elif (band := SOLIDS_BAND.get(signal.kind)) and not band[0] <= signal.high <= band[1]:
        symbol = "mg/L" if signal.high > band[1] else "g/L"
        report.warning(
            entry,
            "high",
            f"is {shown(signal.high, Dimension.CONCENTRATION, draft.units)}: not a {signal.kind.replace('_', ' ')} value",
            f"check the unit {signal.unit}; was {symbol} meant?" if symbol != signal.unit else "check the number",
        )
