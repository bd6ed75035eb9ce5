"""Fits core noise and drift walk to a sensor's pairs by maximum a posteriori.

The likelihood of the linear drift model is worked out on a grid of (core noise, walk) for each structure (with or
without trend, with or without span error), all filters side by side; a parabola through the best point and its neighbours
gives the maximum between grid points. The cost is linear in the number of pairs.

References
----------
Durbin, J., Koopman, S. J. (2012). Time Series Analysis by State Space Methods, 2nd ed., Oxford University Press, ch. 7.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.blanket.drift_priors import Priors
from service.domain.sensors.kalman import Model

Array = NDArray[np.float64]

#: Grids the likelihood is worked out on: [m] and [m/√day].
CORE_SDS: Array = np.geomspace(0.02, 0.4, 10)
WALK_SDS: Array = np.geomspace(0.0005, 0.1, 12)


@dataclass(frozen=True, slots=True)
class Fit:
    """Fitted noise [m, m/√day], which structure the data support, and the log of likelihood times prior there."""

    core_sd: float
    walk_sd: float
    trending: bool
    spanning: bool
    log_posterior: float


@dataclass(frozen=True, slots=True)
class PairStretch:
    """Pairs between two works on the sensor, as arrays, and what was believed at its start."""

    days: Array  #: from each pair to the next; the last is 0
    measured: Array  #: sensor minus core [m]; NaN where the core was wrong
    above: Array  #: believed height above the pivot [m]
    extra_var: Array  #: beyond the core's own noise [m²]
    jump_var: Array  #: variance of a step between this pair and the next; 0 where there is none [m²]
    first_days: float  #: from the work to the first pair
    offset: float
    offset_var: float
    span: float
    span_var: float

    def model(self, fit: Fit, priors: Priors) -> Model:
        """The linear model under a fit: states are offset, trend and span error."""
        n = self.days.size
        transition = np.empty((n, 3, 3))
        walk = np.empty((n, 3, 3))
        for i, days in enumerate(self.days):
            transition[i], walk[i] = _move(float(days), fit, priors)
            walk[i, 0, 0] += self.jump_var[i]
        mean = np.array([self.offset, 0.0, self.span if fit.spanning else 0.0])
        cov = np.diag([self.offset_var, priors.trend_sd**2 * fit.trending, self.span_var * fit.spanning])
        f, q = _move(self.first_days, fit, priors)
        row = np.column_stack([np.ones(n), np.zeros(n), self.above])
        return Model(transition, walk, row, fit.core_sd**2 + self.extra_var, f @ mean, f @ cov @ f.T + q)


def _move(days: float, fit: Fit, priors: Priors) -> tuple[Array, Array]:
    reach = priors.trend_memory * -math.expm1(-days / priors.trend_memory)
    transition = np.array([[1.0, reach, 0.0], [0.0, math.exp(-days / priors.trend_memory), 0.0], [0.0, 0.0, 1.0]])
    slow = priors.trend_walk**2 * fit.trending
    walk = np.zeros((3, 3))
    walk[0, 0] = fit.walk_sd**2 * days + slow * days**3 / 3.0
    walk[0, 1] = walk[1, 0] = slow * days**2 / 2.0
    walk[1, 1] = slow * days
    return transition, walk


def fit_drift(stretches: Sequence[PairStretch], priors: Priors) -> Fit:
    """The most probable noise, walk and structure.

    Parameters
    ----------
    stretches : the sensor's pairs, split at works; noise and walk are shared by all.
    """
    trending, spanning, core_sd, walk_sd = (
        a.ravel() for a in np.meshgrid((0.0, 1.0), (0.0, 1.0), CORE_SDS, WALK_SDS, indexing="ij")
    )
    score = np.log(np.where(trending > 0, priors.trend_share, 1.0 - priors.trend_share))
    score += np.log(np.where(spanning > 0, priors.span_share, 1.0 - priors.span_share))
    score -= 0.5 * (np.log(core_sd / priors.core_sd_centre) / priors.log_spread) ** 2
    score -= 0.5 * (np.log(walk_sd / priors.walk_sd_centre) / priors.log_spread) ** 2
    for stretch in stretches:
        score += _log_likelihood(stretch, priors, trending, spanning, core_sd, walk_sd)
    shape = (2, 2, CORE_SDS.size, WALK_SDS.size)
    score = score.reshape(shape)
    t, g, i, j = (int(k) for k in np.unravel_index(int(np.argmax(score)), shape))
    surface = score[t, g]
    return Fit(
        _between(CORE_SDS, surface[:, j], i),
        _between(WALK_SDS, surface[i, :], j),
        bool(t),
        bool(g),
        float(surface[i, j]),
    )


def _between(grid: Array, values: Array, at: int) -> float:
    """Where the parabola through a grid point and its neighbours peaks, on the logarithm of the grid."""
    if at in (0, grid.size - 1):
        return float(grid[at])
    left, here, right = (float(v) for v in values[at - 1 : at + 2])
    bend = left - 2.0 * here + right
    shift = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    return float(grid[at] * (grid[at + 1] / grid[at]) ** shift)


def _log_likelihood(
    stretch: PairStretch, priors: Priors, trending: Array, spanning: Array, core_sd: Array, walk_sd: Array
) -> Array:
    """Filters side by side, written out for three states: element-wise, so that no small matrices are handled."""
    zero = np.zeros_like(core_sd)
    b, v, g = zero + stretch.offset, zero.copy(), spanning * stretch.span
    bb, bv, bg = zero + stretch.offset_var, zero.copy(), zero.copy()
    vv, vg, gg = trending * priors.trend_sd**2, zero.copy(), spanning * stretch.span_var
    noise, walk, slow = core_sd**2, walk_sd**2, trending * priors.trend_walk**2
    total = zero.copy()
    gaps = np.concatenate([[stretch.first_days], stretch.days[:-1]])
    jumps = np.concatenate([[0.0], stretch.jump_var[:-1]])
    for d, jump, y, u, extra in zip(
        gaps.tolist(), jumps.tolist(), stretch.measured.tolist(), stretch.above.tolist(), stretch.extra_var.tolist(), strict=True
    ):  # fmt: skip
        fade = math.exp(-d / priors.trend_memory)
        r = priors.trend_memory * -math.expm1(-d / priors.trend_memory)
        b = b + r * v
        bb = bb + r * (2.0 * bv + r * vv) + walk * d + slow * (d**3 / 3.0) + jump
        bv = fade * (bv + r * vv) + slow * (d * d / 2.0)
        bg = bg + r * vg
        v, vv, vg = fade * v, fade * fade * vv + slow * d, fade * vg
        if math.isnan(y):
            continue
        hb, hv, hg = bb + u * bg, bv + u * vg, bg + u * gg
        s = hb + u * hg + noise + extra
        nu = y - b - u * g
        total -= 0.5 * (np.log(2.0 * math.pi * s) + nu * nu / s)
        kb, kv, kg = hb / s, hv / s, hg / s
        b, v, g = b + kb * nu, v + kv * nu, g + kg * nu
        bb, bv, bg = bb - kb * hb, bv - kb * hv, bg - kb * hg
        vv, vg, gg = vv - kv * hv, vg - kv * hg, gg - kg * hg
    return total
