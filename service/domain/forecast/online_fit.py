"""Linear regressions learned one observation at a time, with priors, forgetting, and no trust in single wild points."""

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
    """Coefficients of one or several like linear models that may wander slowly, with their covariances.

    Arrays end in the coefficients; an axis before them holds models side by side.

    Notes
    -----
    Recursive least squares in Kalman form; ``drift`` is the variance a coefficient gains with each observation. With
    ``drift`` zero and wide priors it equals ordinary least squares.
    """

    mean: Floats
    cov: Floats
    drift: Floats

    @classmethod
    def from_prior(
        cls, mean: Sequence[float], sd: Sequence[float], memory: float | Sequence[float] = 2000.0
    ) -> OnlineFit:
        """A fit that knows only its prior, and goes back to about that uncertainty in *memory* observations.

        Parameters
        ----------
        memory : one number for one model; one a model for several side by side, which then share the prior.
        """
        centre, spread = np.asarray(mean, dtype=np.float64), np.asarray(sd, dtype=np.float64)
        if isinstance(memory, int | float):
            return cls(centre.copy(), np.diag(spread**2), spread**2 / memory)
        lengths = np.asarray(memory, dtype=np.float64)
        return cls(
            np.tile(centre, (lengths.size, 1)),
            np.tile(np.diag(spread**2), (lengths.size, 1, 1)),
            spread**2 / lengths[:, None],
        )

    def predict(self, features: Floats) -> Floats:
        """Each model's answer for its features."""
        return np.asarray((features * self.mean).sum(axis=-1))

    def uncertainty(self, features: Floats) -> Floats:
        """Variance of that answer that comes from not knowing the coefficients."""
        return np.asarray((features * (self.cov @ features[..., None])[..., 0]).sum(axis=-1))

    def learn(
        self,
        features: Floats,
        target: float | Floats,
        noise_var: float | Floats,
        which: NDArray[np.intp] | None = None,
    ) -> Floats:
        """Take in one observation a model; gives back the residuals they came with.

        Parameters
        ----------
        noise_var : variance of the target about the model.
        which : the models that are taught, where not all are.
        """
        mean, cov, drift = (
            (self.mean, self.cov, self.drift)
            if which is None
            else (self.mean[which], self.cov[which], self.drift[which])
        )
        residual = np.asarray(target - (features * mean).sum(axis=-1))
        cov = cov + drift[..., None] * np.eye(drift.shape[-1])
        load = (cov @ features[..., None])[..., 0]
        spread = (features * load).sum(axis=-1) + noise_var
        wild = np.abs(residual) / (_HUBER * np.sqrt(spread))
        # A wild point gets the weight that keeps its pull at Huber's bound.
        spread = spread + noise_var * (np.maximum(wild, 1.0) ** 2 - 1.0)
        gain = load / spread[..., None]
        mean = mean + gain * residual[..., None]
        cov = cov - gain[..., :, None] * load[..., None, :]
        if which is None:
            self.mean, self.cov = mean, cov
        else:
            self.mean[which], self.cov[which] = mean, cov
        return residual

    def to_memory(self) -> dict[str, Any]:
        """Plain lists, for JSON."""
        return {"mean": self.mean.tolist(), "cov": self.cov.tolist(), "drift": self.drift.tolist()}

    @classmethod
    def from_memory(cls, memory: dict[str, Any]) -> OnlineFit:
        """Back from :meth:`to_memory`, exactly."""
        return cls(*(np.asarray(memory[name], dtype=np.float64) for name in ("mean", "cov", "drift")))
