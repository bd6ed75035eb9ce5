"""How far a sensor is off, learned from hand cores: a bank of Kalman filters over drift, with steps and wrong cores weighed.

Sensor = height + offset + span error × (height − pivot) + noise; core = height + noise. The offset wanders as a random
walk, on top of a slow trend and an occasional step; a core is now and then plainly wrong. Two layers carry this:

* **A grid of models** (core noise, walk size, with or without trend, with or without span error), each with its own
  filter, weighed by how well it foretold the cores: maximum likelihood with stated priors, recursively (Magill 1965).
* **Three hypotheses about the latest core** in each model: sound, wrong core, step since the core before. Each keeps its
  own mean and covariance until the next core has spoken, then collapses by matching moments: the multi-process model of
  Harrison & Stevens (1976). One strange core widens the answer; the next one decides.

Everything is a fold over pairs with constant memory, so running online and re-running the past cannot disagree.

References
----------
Harrison, P. J., Stevens, C. F. (1976). Bayesian forecasting. J. R. Stat. Soc. B 38(3), 205–247.
doi:10.1111/j.2517-6161.1976.tb01586.x
Magill, D. T. (1965). Optimal adaptive estimation of sampled stochastic processes. IEEE Trans. Automatic Control 10(4),
434–439. doi:10.1109/TAC.1965.1098191
Durbin, J., Koopman, S. J. (2012). Time Series Analysis by State Space Methods, 2nd ed., Oxford University Press, ch. 4.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.domain.blanket.drift_priors import TREND_MEMORY, Priors
from service.errors import DomainError

Array = NDArray[np.float64]

#: However long no core was taken, a step is never taken for granted [–].
MOST_STEP_CHANCE = 0.5
SOUND, WRONG_CORE, STEPPED = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Drift:
    """Drift now: means and covariances of offset [m], trend [m/day] and span error [–], and how it spreads from here."""

    offset: float
    trend: float
    span: float
    cov: tuple[float, float, float, float, float, float]  #: oo, ot, os, tt, ts, ss
    walk_var: float  #: variance the offset gains per day [m²/day]

    def at(self, days: float, above_pivot: float) -> tuple[float, float]:
        """Mean and variance of sensor minus truth, *days* after the last word, at a height above the pivot. [m, m²]"""
        oo, ot, os_, tt, ts, ss = self.cov
        u = above_pivot
        d = -TREND_MEMORY * math.expm1(-days / TREND_MEMORY)
        mean = self.offset + self.trend * d + self.span * u
        var = oo + d * d * tt + u * u * ss + 2.0 * (d * ot + u * os_ + d * u * ts) + self.walk_var * days
        return mean, var


@dataclass(frozen=True, slots=True)
class CoreChances:
    """What the bank made of a core: chances that it is sound, wrong, or shows a step, and the surprise it was."""

    sound: float
    wrong: float
    stepped: float
    foretold: float  #: sensor minus core expected [m]
    foretold_sd: float  #: its standard deviation, core noise included [m]
    #: What this core makes of the one before it: chances that that one was sound, wrong, or showed a step.
    hindsight: tuple[float, float, float]


class DriftBank:
    """Grid of models × three hypotheses. Arrays: weights (M, 3), means (M, 3, 3), covariances (M, 3, 3, 3)."""

    def __init__(self, depth: float, priors: Priors | None = None) -> None:
        self.priors = p = priors or Priors()
        self.depth = depth
        grid = [(r, q, t, g) for r in p.core_sds for q in p.walk_sds for t in (0.0, 1.0) for g in (0.0, 1.0)]
        table = np.array(grid)
        self.core_var: Array = table[:, 0] ** 2
        self.walk_var: Array = table[:, 1] ** 2
        self.trending: Array = table[:, 2]
        self.spanning: Array = table[:, 3]
        weight = -0.5 * (np.log(table[:, 0] / p.core_sd_centre) / p.log_spread) ** 2
        weight = weight - 0.5 * (np.log(table[:, 1] / p.walk_sd_centre) / p.log_spread) ** 2
        weight = weight + np.log(np.where(self.trending > 0, p.trend_share, 1 - p.trend_share))
        weight = weight + np.log(np.where(self.spanning > 0, p.span_share, 1 - p.span_share))
        self.log_weight: Array = np.full((len(grid), 3), -np.inf)
        self.log_weight[:, SOUND] = weight
        self._normalise()
        self.mean: Array = np.zeros((len(grid), 3, 3))
        self.cov: Array = np.zeros((len(grid), 3, 3, 3))
        self.time = math.nan  #: seconds since 1970 of the last word; NaN before the first
        self.cores = 0.0  #: sound cores since the last work on the sensor, counted by their chance
        self._fresh(0.0, p.offset_sd**2, 0.0, p.span_sd**2)

    # --- what happens to it -------------------------------------------------------------------------------------------

    def move(self, time: float) -> None:
        """Let time pass: the offset walks and follows its trend."""
        days = 0.0 if math.isnan(self.time) else (time - self.time) / 86_400.0
        self.time = time
        if days <= 0.0:
            return
        p = self.priors
        fade = math.exp(-days / p.trend_memory)
        reach = p.trend_memory * -math.expm1(-days / p.trend_memory)
        walk = self.trending * p.trend_walk**2
        mean, cov = self.mean.copy(), self.cov.copy()
        mean[..., 0] += reach * mean[..., 1]
        mean[..., 1] *= fade
        ot, os_, tt, ts = cov[..., 0, 1], cov[..., 0, 2], cov[..., 1, 1], cov[..., 1, 2]
        cov[..., 0, 0] += reach * (2.0 * ot + reach * tt) + (self.walk_var * days + walk * days**3 / 3.0)[:, None]
        cov[..., 0, 1] = cov[..., 1, 0] = fade * (ot + reach * tt) + (walk * days**2 / 2.0)[:, None]
        cov[..., 0, 2] = cov[..., 2, 0] = os_ + reach * ts
        cov[..., 1, 1] = fade * fade * tt + (walk * days)[:, None]
        cov[..., 1, 2] = cov[..., 2, 1] = fade * ts
        self.mean, self.cov = mean, cov

    def learn(
        self, time: float, difference: float, above_pivot: float, extra_var: float, days_since_core: float
    ) -> CoreChances:
        """Weigh one pair.

        Parameters
        ----------
        time : when the core was taken, seconds since 1970.
        difference : sensor minus core, both as blanket height. [m]
        above_pivot : believed height above the span's pivot. [m]
        extra_var : variance of the pair beyond the core's own noise. [m²]
        days_since_core : time in which a step may have happened. [day]
        """
        self.move(time)
        p = self.priors
        h = np.array([1.0, 0.0, above_pivot])
        ph = self.cov @ h  # (M, 3, 3)
        nu = difference - self.mean @ h  # (M, 3)
        plain = ph @ h + self.core_var[:, None] + extra_var
        stepped = plain + p.step_sd**2
        chance = min(-math.expm1(-max(days_since_core, 0.02) / p.days_between_steps), MOST_STEP_CHANCE)
        log_like = np.stack(
            [
                _log_normal(nu, plain) + math.log1p(-p.wrong_core_share) + math.log1p(-chance),
                np.full_like(nu, math.log(p.wrong_core_share / self.depth)),
                _log_normal(nu, stepped) + math.log1p(-p.wrong_core_share) + math.log(chance),
            ],
            axis=2,
        )  # (M, parent, hypothesis)
        foretold, foretold_var = self._foretell(h, extra_var)
        joint = self.log_weight[:, :, None] + log_like
        parents = np.logaddexp.reduce(joint, axis=(0, 2))
        hindsight = np.exp(parents - np.logaddexp.reduce(parents))
        # Children of each parent under each hypothesis.
        mean = np.repeat(self.mean[:, :, None, :], 3, axis=2)
        cov = np.repeat(self.cov[:, :, None, :, :], 3, axis=2)
        for kind, s in ((SOUND, plain), (STEPPED, stepped)):
            before = self.cov if kind == SOUND else self.cov + p.step_sd**2 * _OFFSET_ONLY
            bh = before @ h
            gain = bh / s[:, :, None]
            mean[:, :, kind, :] = self.mean + gain * nu[:, :, None]
            # Symmetric as it stands, and well away from singular: a core's noise is never small beside the offset's.
            cov[:, :, kind] = before - gain[..., :, None] * bh[..., None, :]
        self._collapse(joint, mean, cov)
        share = np.exp(self.log_weight).sum(axis=0)
        self.cores += float(share[SOUND] + share[STEPPED])
        sound, wrong, step = (float(x) for x in share)
        told = (float(hindsight[0]), float(hindsight[1]), float(hindsight[2]))
        return CoreChances(sound, wrong, step, foretold, math.sqrt(foretold_var), told)

    def shift(self, offset: float, variance: float) -> None:
        """A step seen in the sensor's own signal: the offset moves by so much, so surely. [m, m²]"""
        self.mean[:, :, 0] += offset
        self.cov[:, :, 0, 0] += variance

    def observe(self, time: float, difference: float, above_pivot: float, variance: float) -> None:
        """A difference known from elsewhere than a core: every filter takes it, no model gains by it. [m, m, m²]"""
        self.move(time)
        h = np.array([1.0, 0.0, above_pivot])
        ph = self.cov @ h
        gain = ph / (ph @ h + variance)[..., None]
        self.mean = self.mean + gain * (difference - self.mean @ h)[..., None]
        cov = self.cov - gain[..., :, None] * ph[..., None, :]
        self.cov = 0.5 * (cov + np.swapaxes(cov, -1, -2))

    def restart(self, time: float, offset: float, offset_var: float, span: float | None, span_var: float) -> None:
        """Work on the sensor: offset and trend start anew, and the span too when given; what was learned of noise stays."""
        self.move(time)
        drift = self.now()
        kept = drift.span if span is None else span
        self._fresh(offset, offset_var, kept, max(span_var, drift.cov[5]) if span is None else span_var)
        self.cores = 0.0

    # --- what it says -------------------------------------------------------------------------------------------------

    def now(self) -> Drift:
        """All models and hypotheses together, as one mean and covariance."""
        w = np.exp(self.log_weight)
        m = np.einsum("mh,mhi->i", w, self.mean)
        d = self.mean - m
        c = np.einsum("mh,mhij->ij", w, self.cov) + np.einsum("mh,mhi,mhj->ij", w, d, d)
        walk = float((w.sum(axis=1) * self.walk_var).sum())
        return Drift(
            float(m[0]), float(m[1]), float(m[2]),
            (float(c[0, 0]), float(c[0, 1]), float(c[0, 2]), float(c[1, 1]), float(c[1, 2]), float(c[2, 2])),
            walk,
        )  # fmt: skip

    @property
    def unsettled(self) -> float:
        """Chance that the latest core was wrong or showed a step: the next one will tell."""
        share = np.exp(self.log_weight).sum(axis=0)
        return float(share[WRONG_CORE] + share[STEPPED])

    def learned(self) -> dict[str, float]:
        """Posterior means of what the models differ in: core sd [m], walk [m/√day], chances of trend and of a span error."""
        w = np.exp(self.log_weight).sum(axis=1)
        return {
            "core_sd": float(w @ np.sqrt(self.core_var)),
            "walk_sd": float(w @ np.sqrt(self.walk_var)),
            "trend": float(w @ self.trending),
            "span": float(w @ self.spanning),
        }

    # --- inner parts --------------------------------------------------------------------------------------------------

    def _fresh(self, offset: float, offset_var: float, span: float, span_var: float) -> None:
        total = np.logaddexp.reduce(self.log_weight, axis=1)
        self.log_weight = np.full_like(self.log_weight, -np.inf)
        self.log_weight[:, SOUND] = total
        self.mean[:] = 0.0
        self.mean[:, :, 0] = offset
        self.mean[:, :, 2] = (self.spanning * span)[:, None]
        self.cov[:] = 0.0
        self.cov[:, :, 0, 0] = offset_var
        self.cov[:, :, 1, 1] = (self.trending * self.priors.trend_sd**2)[:, None]
        self.cov[:, :, 2, 2] = (self.spanning * span_var)[:, None]

    def _foretell(self, h: Array, extra_var: float) -> tuple[float, float]:
        w = np.exp(self.log_weight)
        each = self.mean @ h
        mean = float((w * each).sum())
        var = float((w * (self.cov @ h @ h + self.core_var[:, None] + extra_var + (each - mean) ** 2)).sum())
        return mean, var

    def _collapse(self, joint: Array, mean: Array, cov: Array) -> None:
        """Merge over parents: each hypothesis about the latest core keeps one mean and covariance (equal moments)."""
        total = np.logaddexp.reduce(joint, axis=1)  # (M, hypothesis)
        share = np.exp(joint - np.where(np.isfinite(total), total, 0.0)[:, None, :])
        merged = np.einsum("mph,mphi->mhi", share, mean)
        d = mean - merged[:, None]
        cov = np.einsum("mph,mphij->mhij", share, cov) + np.einsum("mph,mphi,mphj->mhij", share, d, d)
        self.cov = 0.5 * (cov + np.swapaxes(cov, -1, -2))
        self.mean = merged
        self.log_weight = total
        self._normalise()

    def _normalise(self) -> None:
        self.log_weight = self.log_weight - np.logaddexp.reduce(self.log_weight, axis=None)

    # --- memory -------------------------------------------------------------------------------------------------------

    def copy(self) -> DriftBank:
        """An independent twin."""
        twin = object.__new__(DriftBank)
        twin.__dict__.update(self.__dict__)
        twin.log_weight, twin.mean, twin.cov = self.log_weight.copy(), self.mean.copy(), self.cov.copy()
        return twin

    def to_memory(self) -> dict[str, Any]:
        """What must be remembered, arrays as base64 of little-endian doubles; grids and priors are rebuilt."""
        packed = np.concatenate(
            [self.log_weight.ravel(), self.mean.ravel(), self.cov[..., _UPPER[0], _UPPER[1]].ravel()]
        )
        text = base64.b64encode(packed.astype("<f8").tobytes()).decode("ascii")
        return {
            "time": None if math.isnan(self.time) else self.time,
            "cores": self.cores,
            "depth": self.depth,
            "filters": text,
        }

    @classmethod
    def from_memory(cls, memory: Mapping[str, Any], priors: Priors | None = None) -> DriftBank:
        """Rebuild from :meth:`to_memory`."""
        bank = cls(float(memory["depth"]), priors)
        bank.time = math.nan if memory["time"] is None else float(memory["time"])
        bank.cores = float(memory["cores"])
        packed = np.frombuffer(base64.b64decode(memory["filters"]), dtype="<f8").astype(np.float64)
        weights = bank.log_weight.size
        if packed.size != weights * 10:
            raise DomainError(f"drift memory holds {packed.size} numbers where {weights * 10} are expected")
        bank.log_weight = packed[:weights].reshape(bank.log_weight.shape)
        bank.mean = packed[weights : 4 * weights].reshape(bank.mean.shape)
        upper = packed[4 * weights :].reshape(*bank.log_weight.shape, 6)
        bank.cov[..., _UPPER[0], _UPPER[1]] = upper
        bank.cov[..., _UPPER[1], _UPPER[0]] = upper
        return bank


_UPPER = np.triu_indices(3)
_OFFSET_ONLY = np.diag([1.0, 0.0, 0.0])


def _log_normal(deviation: Array, variance: Array) -> Array:
    out: Array = -0.5 * (np.log(2 * np.pi * variance) + deviation**2 / variance)
    return out
