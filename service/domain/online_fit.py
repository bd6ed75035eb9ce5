"""A linear regression learned one observation at a time, with a prior, forgetting, and no trust in single wild points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Residuals beyond this many standard deviations are taken as if they were there: Huber's constant.
_HUBER = 2.5


@dataclass(slots=True)
class OnlineFit:
    """Coefficients of a linear model that may wander slowly, with their covariance.

    Notes
    -----
    Recursive least squares in Kalman form; ``drift`` is the variance a coefficient gains with each observation. With
    ``drift`` zero and wide priors it equals ordinary least squares.
    """

    mean: Floats
    cov: Floats
    drift: Floats

    @classmethod
    def from_prior(cls, mean: Sequence[float], sd: Sequence[float], memory: float = 2000.0) -> OnlineFit:
        """A fit that knows only its prior, and goes back to about that uncertainty in *memory* observations."""
        spread = np.asarray(sd, dtype=np.float64)
        return cls(np.asarray(mean, dtype=np.float64), np.diag(spread**2), spread**2 / memory)

    def predict(self, features: Floats) -> float:
        """The model's answer for these features."""
        return float(features @ self.mean)

    def uncertainty(self, features: Floats) -> float:
        """Variance of that answer that comes from not knowing the coefficients."""
        return float(features @ self.cov @ features)

    def learn(self, features: Floats, target: float, noise_var: float) -> float:
        """Take in one observation; gives back the residual it came with.

        Parameters
        ----------
        noise_var : variance of the target about the model.
        """
        residual = target - float(features @ self.mean)
        self.cov[np.diag_indices_from(self.cov)] += self.drift
        load = self.cov @ features
        spread = float(features @ load) + noise_var
        wild = abs(residual) / (_HUBER * spread**0.5)
        if wild > 1.0:  # a wild point gets the weight that keeps its pull at Huber's bound
            spread += noise_var * (wild**2 - 1.0)
        gain = load / spread
        self.mean = self.mean + gain * residual
        self.cov = self.cov - np.outer(gain, load)
        return residual

    def to_memory(self) -> dict[str, Any]:
        """Plain lists, for JSON."""
        return {"mean": self.mean.tolist(), "cov": self.cov.tolist(), "drift": self.drift.tolist()}

    @classmethod
    def from_memory(cls, memory: dict[str, Any]) -> OnlineFit:
        """Back from :meth:`to_memory`, exactly."""
        return cls(*(np.asarray(memory[name], dtype=np.float64) for name in ("mean", "cov", "drift")))
