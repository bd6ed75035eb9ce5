"""Checks a laboratory value before it is stored: what is refused, and what has to be confirmed.

Refused is only what cannot be. A value that is merely far from the others may be the news: the person is asked to look again,
and told which unit would fit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median

from service.domain.cores.check import CLOCK_SKEW, CoreSeverity
from service.domain.laboratory.result import MINUTES, TRAITS, LaboratoryKind, LaboratoryResult
from service.domain.plant.display import format_duration, to_three_figures
from service.domain.plant.units import from_si, to_si

#: How far back results of the same kind say what is to be expected.
RECENT = timedelta(days=30)
#: Fewer than these say nothing.
ENOUGH = 3
#: More than so many times the median of the recent ones, or less than the like part of it, is asked about.
FAR = 3.0
#: Within so many times of it, another unit fits.
FITS = 1.7
#: Nitrate weighs so much more than its nitrogen: 62.0049 over 14.0067.
NITRATE_OVER_NITROGEN = 4.427
#: Kinds whose ordinary days spread over more than a few times their median: only the usual range is asked about.
_SPREADING = frozenset(
    {
        LaboratoryKind.EFFLUENT_SOLIDS,
        LaboratoryKind.TURBIDITY,
        LaboratoryKind.NITRATE,
        LaboratoryKind.AMMONIUM,
        LaboratoryKind.OXYGEN,
        LaboratoryKind.TEMPERATURE,
        LaboratoryKind.VOLATILE_FRACTION,
        LaboratoryKind.WASTE_FLOW,
    }
)


@dataclass(frozen=True, slots=True)
class LaboratoryFinding:
    """One problem of a value, as a sentence."""

    problem: str
    severity: CoreSeverity
    sentence: str


def check_result(
    result: LaboratoryResult, typed_unit: str, recent: Sequence[LaboratoryResult], now: datetime
) -> tuple[LaboratoryFinding, ...]:
    """Everything wrong, or possibly wrong, with a value; where something is refused, nothing is asked.

    Parameters
    ----------
    typed_unit : the unit in which it was typed.
    recent : other results of the same kind and place; those of another test, or too old, are passed over.
    """
    refused = tuple(LaboratoryFinding(p, CoreSeverity.REFUSE, s) for p, s in _refusals(result, typed_unit, now))
    if refused:
        return refused
    doubt = _doubt(result, typed_unit, recent)
    return () if doubt is None else (LaboratoryFinding(doubt[0], CoreSeverity.CONFIRM, doubt[1]),)


def refused(findings: Sequence[LaboratoryFinding]) -> bool:
    """Whether any of the findings keeps the value from being stored."""
    return any(finding.severity is CoreSeverity.REFUSE for finding in findings)


def _refusals(result: LaboratoryResult, typed_unit: str, now: datetime) -> list[tuple[str, str]]:
    traits = TRAITS[result.kind]
    if not (math.isfinite(result.value) and math.isfinite(result.dilution)):
        return [("not a number", f"The {result.name} has to be a plain number.")]
    found = []
    low, high = traits.possible
    if not low <= result.value <= high:
        bounds = f"{_shown(low, typed_unit)} to {_shown(high, typed_unit)}"
        found.append(
            (
                "impossible",
                f"A {result.name} of {_shown(result.value, typed_unit)} is outside {bounds}."
                + _other_unit(result, typed_unit, *traits.usual),
            )
        )
    settling = result.kind is LaboratoryKind.SETTLED_VOLUME
    if settling and result.minute not in MINUTES:
        found.append(
            (
                "no such minute",
                f"A settling test is read after {', '.join(map(str, MINUTES))} min, not {result.minute}.",
            )
        )
    if not settling and (result.minute is not None or result.stirred or result.dilution != 1.0):
        found.append(("not a settling test", "Minute, stirring and dilution belong to a settled volume only."))
    if result.dilution < 1.0 or result.dilution > 50.0:
        found.append(
            (
                "dilution",
                f"Dilution is final over original volume, 1 to 50, not {result.dilution:g}; half and half is 2.",
            )
        )
    if result.taken_at > now + CLOCK_SKEW:
        ahead = format_duration(result.taken_at - now)
        found.append(
            ("in the future", f"The {result.name} is dated {ahead} ahead of now; check its date, time and time zone.")
        )
    return found


def _doubt(result: LaboratoryResult, typed_unit: str, recent: Sequence[LaboratoryResult]) -> tuple[str, str] | None:
    """What is doubtful, and the question; the other results speak before the usual range does."""
    low, high = TRAITS[result.kind].usual
    others = [
        other.value * other.dilution
        for other in recent
        if other.kind is result.kind
        and other.id != result.id
        and (other.minute, other.stirred) == (result.minute, result.stirred)
        and abs(result.taken_at - other.taken_at) <= RECENT
    ]
    expected = median(others) if len(others) >= ENOUGH and result.kind not in _SPREADING else None
    value = result.value * result.dilution
    if expected is None or expected <= 0.0:
        if low <= result.value <= high:
            return None
        about = f"usual is {_shown(low, typed_unit)} to {_shown(high, typed_unit)}"
    else:
        if expected / FAR <= value <= expected * FAR:
            return None
        low, high = expected / FITS, expected * FITS
        about = f"about {_shown(expected, typed_unit)} was usual of late"
    other = _other_unit(result, typed_unit, low, high)
    if other:
        return (
            "unit slip suspected",
            f"{_shown(result.value, typed_unit)} of {result.name}: {about}.{other} Confirm the unit.",
        )
    return (
        "far from the usual",
        f"{_shown(result.value, typed_unit)} of {result.name}: {about}. Confirm the number; if it is right, it is the news.",
    )


def _other_unit(result: LaboratoryResult, typed_unit: str, low: float, high: float) -> str:
    """Which other unit would make the number fit, as a sentence with a space before it."""
    typed = from_si(result.value, typed_unit)
    if result.kind is LaboratoryKind.NITRATE and low <= result.value / NITRATE_OVER_NITROGEN <= high:
        as_n = _shown(result.value / NITRATE_OVER_NITROGEN, typed_unit)
        return f" Written as nitrate? As nitrogen it is {as_n}."
    if typed > 0.0:
        for other in TRAITS[result.kind].units:
            if other != typed_unit and low <= to_si(typed, other) * result.dilution <= high:
                return f" As {to_three_figures(typed)} {spelled(other)} it would fit."
    return ""


def _shown(value: float, unit: str) -> str:
    return f"{to_three_figures(from_si(value, unit))} {spelled(unit)}"


def spelled(unit: str) -> str:
    """A unit as people read it.

    >>> spelled("degF"), spelled("mg/L")
    ('°F', 'mg/L')
    """
    return {"degC": "°C", "degF": "°F", "%solids": "% solids"}.get(unit, unit)
