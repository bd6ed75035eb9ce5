"""Parses a flow or a change of flow as people write it: "+20 %", "-0.5 MGD", "3.2 MGD", "3.2"."""

from __future__ import annotations

import re

from service.domain.plant.units import UNITS, Dimension, symbols_of, to_si
from service.errors import InputError

_WRITTEN = re.compile(r"\s*([+\-−]?)\s*(\d{1,9}(?:[.,]\d{0,6})?|[.,]\d{1,6})\s*(%|[A-Za-z0-9/³]*)\s*")


def flow_meant(text: str, now: float | None, usual_unit: str) -> float:
    """The flow meant. [m³/s]

    Parameters
    ----------
    text : with a sign it is a change of the flow now, without one the flow itself; in percent, in a unit, or a bare number.
    now : the flow now; None where it is not known, when only a flow itself can be meant. [m³/s]
    usual_unit : of a bare number.

    Raises
    ------
    InputError
        saying what is wrong with what was written.

    >>> round(flow_meant("+20 %", 0.1, "m3/h"), 3), round(flow_meant("360", None, "m3/h"), 3)
    (0.12, 0.1)
    >>> round(flow_meant("-36 m3/h", 0.1, "MGD"), 3), round(flow_meant("50 %", 0.1, "MGD"), 3)
    (0.09, 0.05)
    """
    match = _WRITTEN.fullmatch(text)
    if match is None:
        raise InputError(
            f'{text[:30]!r} is not a flow; write for example "+20 %", "-0.5 {usual_unit}" or "3 {usual_unit}"'
        )
    sign, number, symbol = match[1].replace("−", "-"), float(match[2].replace(",", ".")), match[3].replace("³", "3")
    if symbol == "%":
        if now is None:
            raise InputError(f"{text.strip()} of what? The flow now is not known; write the flow itself")
        share = number / 100.0
        meant = now * (share if not sign else 1.0 + share if sign == "+" else 1.0 - share)
    else:
        symbol = symbol or usual_unit
        known = UNITS.get(symbol) or next((u for u in UNITS.values() if u.symbol.casefold() == symbol.casefold()), None)
        if known is None or known.dimension is not Dimension.FLOW:
            raise InputError(f"{symbol!r} is not a unit of flow; use one of {', '.join(symbols_of(Dimension.FLOW))}")
        value = to_si(number, known.symbol)
        if sign and now is None:
            raise InputError(f"{text.strip()} more or less than what? The flow now is not known; write the flow itself")
        meant = value if not sign else (now or 0.0) + (value if sign == "+" else -value)
    if meant < 0.0:
        raise InputError(f"{text.strip()} would leave less than no flow")
    return meant
