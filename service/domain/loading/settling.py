"""Hindered-settling velocities, and their parameters from a sludge volume index.

Concentrations in kg/m³ (which is g/L), speeds in m/h, indices in mL/g.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from service.errors import DomainError


@dataclass(frozen=True, slots=True)
class Vesilind:
    """Hindered settling ``v = v0 · exp(−k · X)``.

    Notes
    -----
    Holds for zone settling, roughly above 1 kg/m³; below that flocs settle one by one and it overstates the speed.

    References
    ----------
    Vesilind, P. A. (1968). Design of prototype thickeners from batch settling tests. Water and Sewage Works 115.
    """

    v0: float  #: speed at vanishing solids [m/h]
    k: float  #: hindrance [m³/kg]

    def __post_init__(self) -> None:
        if not (self.v0 > 0.0 and self.k > 0.0):
            raise DomainError(f"settling parameters must be positive, got v0={self.v0}, k={self.k}")

    def speed(self, solids: float) -> float:
        """Settling speed at that concentration. [m/h]

        >>> round(Vesilind(6.5, 0.4035).speed(3.5), 4)
        1.5834
        """
        return self.v0 * math.exp(-self.k * solids)

    def flux(self, solids: float) -> float:
        """Gravity flux ``X · v(X)``. [kg/(m²·h)]"""
        return solids * self.speed(solids)

    @property
    def peak_solids(self) -> float:
        """Concentration at which the gravity flux is greatest, 1/k. [kg/m³]"""
        return 1.0 / self.k

    @property
    def peak_flux(self) -> float:
        """Greatest gravity flux, v0/(e·k). [kg/(m²·h)]"""
        return self.v0 / (math.e * self.k)


def daigger_1995(svi: float) -> Vesilind:
    """Settling from the ordinary sludge volume index.

    Parameters
    ----------
    svi : sludge volume index. [mL/g]

    Returns
    -------
    v0 = 6.50 m/h and k = 0.165 + 0.00159·SVI.

    Notes
    -----
    Fitted to unstirred indices of roughly 35 to 220 mL/g (range from memory); scatter of single plants is wide.

    References
    ----------
    Daigger, G. T. (1995). Development of refined clarifier operating diagrams using an updated settling characteristics
    database. Water Environment Research 67, 95-100.

    >>> round(daigger_1995(150.0).k, 4)
    0.4035
    """
    return Vesilind(6.50, 0.165 + 0.00159 * _index(svi))


def daigger_roper_1985(svi: float) -> Vesilind:
    """Settling from the ordinary sludge volume index, older fit: v0 = 7.80 m/h, k = 0.148 + 0.00210·SVI.

    Parameters
    ----------
    svi : sludge volume index. [mL/g]

    References
    ----------
    Daigger, G. T. and Roper, R. E. (1985). The relationship between SVI and activated sludge settling characteristics.
    Journal WPCF 57, 859-866. Coefficients from memory.

    >>> round(daigger_roper_1985(100.0).k, 4)
    0.358
    """
    return Vesilind(7.80, 0.148 + 0.00210 * _index(svi))


def hartel_popel_1992(svi: float) -> Vesilind:
    """Settling from the ordinary sludge volume index, exponential fit.

    Parameters
    ----------
    svi : sludge volume index. [mL/g]

    References
    ----------
    Härtel, L. and Pöpel, H. J. (1992). A dynamic secondary clarifier model including processes of sludge thickening.
    Water Science and Technology 25(6), 267-284. Coefficients from memory.

    >>> round(hartel_popel_1992(100.0).v0, 5)
    9.55178
    """
    index = _index(svi)
    return Vesilind(17.4 * math.exp(-0.0113 * index) + 3.931, 1.043 - 0.9834 * math.exp(-0.00581 * index))


def pitman_1984(ssvi: float) -> Vesilind:
    """Settling from the stirred index at 3.5 kg/m³.

    Parameters
    ----------
    ssvi : stirred specific volume index at 3.5 kg/m³. [mL/g]

    References
    ----------
    Pitman, A. R. (1984), and Ekama, G. A. and Marais, G. v. R. (1986): v0/k = 67.9·exp(−0.016·SSVI),
    k = 0.88 − 0.393·log10(v0/k). Coefficients checked in secondary sources.

    >>> round(pitman_1984(80.0).v0, 5)
    7.14641
    """
    ratio = 67.9 * math.exp(-0.016 * _index(ssvi))
    k = 0.88 - 0.393 * math.log10(ratio)
    return Vesilind(ratio * k, k)


def wahlberg_keinath_1988(ssvi: float) -> Vesilind:
    """Settling from the stirred index: v0 = 15.3 − 0.0615·SSVI, k = 0.426 − 0.00384·SSVI + 5.43e-5·SSVI².

    Parameters
    ----------
    ssvi : stirred specific volume index. [mL/g]

    Notes
    -----
    For SSVI of 35 to 220 mL/g (range from memory); above 248 mL/g v0 would turn negative and the call is refused:
    :func:`settling_at` answers for such sludge.

    References
    ----------
    Wahlberg, E. J. and Keinath, T. M. (1988). Development of settling flux curves using SVI. Journal WPCF 60,
    2095-2100. Coefficients from memory.

    >>> round(wahlberg_keinath_1988(80.0).k, 5)
    0.46632
    """
    index = _index(ssvi)
    return Vesilind(15.3 - 0.0615 * index, 0.426 - 0.00384 * index + 5.43e-5 * index**2)


@dataclass(frozen=True, slots=True)
class Correlation:
    """From a sludge index to settling, with the indices it was fitted to and those it can be asked for. [mL/g]"""

    formula: Callable[[float], Vesilind]
    stirred: bool = False  #: whether it was fitted to the stirred index: the plain one would call good sludge bulking
    fitted: tuple[float, float] | None = None  #: None where the range is not known
    #: Beyond this index the formula itself breaks down; up to it, going beyond the fit errs towards slow settling.
    most: float = 1000.0


#: Correlations a site may choose, by the name used in its file. Fitted ranges from memory.
CORRELATIONS: dict[str, Correlation] = {
    "daigger-1995": Correlation(daigger_1995, fitted=(35.0, 220.0)),
    "daigger-roper-1985": Correlation(daigger_roper_1985),
    "hartel-popel-1992": Correlation(hartel_popel_1992),
    "pitman-1984": Correlation(pitman_1984, stirred=True),
    # Its speed falls to nothing at 248.8 mL/g, where bulking only begins.
    "wahlberg-keinath-1988": Correlation(wahlberg_keinath_1988, stirred=True, fitted=(35.0, 220.0), most=220.0),
}

#: Correlation used where a site names none.
USUAL_CORRELATION = "daigger-1995"


@dataclass(frozen=True, slots=True)
class Settling:
    """How a sludge settles by its index, and how far the correlation can be relied on there."""

    correlation: str
    index: float  #: of the sludge [mL/g]
    used: float  #: the nearest index at which the correlation is valid [mL/g]
    fitted: tuple[float, float] | None  #: indices it was fitted to [mL/g]
    sludge: Vesilind

    @property
    def outside_fit(self) -> bool:
        """Whether the sludge is unlike those the correlation was fitted to."""
        return self.used != self.index or (
            self.fitted is not None and not self.fitted[0] <= self.index <= self.fitted[1]
        )


def settling_at(correlation: str, index: float) -> Settling:
    """Settling for any index, however bad: where the correlation breaks down, that of the nearest index it is valid at.

    Parameters
    ----------
    correlation : a name in ``CORRELATIONS``.
    index : sludge index. [mL/g]

    >>> bulking = settling_at("wahlberg-keinath-1988", 310.0)
    >>> bulking.used, bulking.outside_fit, round(bulking.sludge.v0, 2)
    (220.0, True, 1.77)
    """
    found = CORRELATIONS[correlation]
    used = min(index, found.most)
    return Settling(correlation, index, used, found.fitted, found.formula(used))


def _index(value: float) -> float:
    if not 0.0 < value <= 1000.0:
        raise DomainError(f"a sludge index of {value} mL/g is impossible; expected above 0 and at most 1000")
    return value
