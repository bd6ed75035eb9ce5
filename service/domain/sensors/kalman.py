"""Kalman filter and fixed-interval smoother for a linear state-space model whose matrices may change from step to step.

    y[t] = H[t]·x[t] + ε,  ε ~ N(0, R[t])          x[t+1] = F[t]·x[t] + η,  η ~ N(0, Q[t])

One measurement a step; a step without one carries NaN. Used for the past of a sensor's drift, where the smoother sees what
came after as well.

References
----------
Durbin, J., Koopman, S. J. (2012). Time Series Analysis by State Space Methods, 2nd ed., Oxford University Press, ch. 4.
Rauch, H. E., Tung, F., Striebel, C. T. (1965). Maximum likelihood estimates of linear dynamic systems. AIAA Journal 3(8),
1445–1450. doi:10.2514/3.3166
Bucy, R. S., Joseph, P. D. (1968). Filtering for Stochastic Processes with Applications to Guidance, Interscience (the form
of the update that keeps a covariance positive).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.errors import DomainError

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Model:
    """Matrices of the model over n steps and k states.

    ``transition`` and ``walk`` (n, k, k) carry step t to step t+1; their last entry is not used. ``row`` (n, k) and
    ``noise`` (n,) belong to the measurement of step t. ``mean`` (k,) and ``cov`` (k, k) are what is believed at step 0
    before its measurement.
    """

    transition: Array
    walk: Array
    row: Array
    noise: Array
    mean: Array
    cov: Array


@dataclass(frozen=True, slots=True)
class Filtered:
    """Beliefs before (``ahead``) and after each measurement, and the log-likelihood of all of them."""

    ahead_mean: Array
    ahead_cov: Array
    mean: Array
    cov: Array
    innovation: Array
    innovation_var: Array
    log_likelihood: float


@dataclass(frozen=True, slots=True)
class Smoothed:
    """Beliefs at each step given all measurements, before and after it."""

    mean: Array
    cov: Array


def kalman_filter(model: Model, measured: Array) -> Filtered:
    """Run the filter forward.

    Parameters
    ----------
    measured : (n,) measurements; NaN where there is none.

    Returns
    -------
    Means (n, k), covariances (n, k, k), innovations and their variances (n,) (NaN where nothing was measured), and the
    log-likelihood, constants included.

    >>> one = np.ones((3, 1, 1))
    >>> m = Model(one, 0 * one, np.ones((3, 1)), np.ones(3), np.zeros(1), np.array([[1e12]]))
    >>> round(float(kalman_filter(m, np.array([1.0, 2.0, 6.0])).mean[-1, 0]), 6)
    3.0
    """
    steps, states = model.row.shape
    if measured.shape != (steps,):
        raise DomainError(f"{measured.shape} measurements for {steps} steps")
    ahead_mean, mean = np.empty((steps, states)), np.empty((steps, states))
    ahead_cov, cov = np.empty((steps, states, states)), np.empty((steps, states, states))
    innovation, innovation_var = np.full(steps, np.nan), np.full(steps, np.nan)
    x, p = model.mean, model.cov
    unit = np.eye(states)
    log_likelihood = 0.0
    for t in range(steps):
        ahead_mean[t], ahead_cov[t] = x, p
        if not math.isnan(measured[t]):
            h, r = model.row[t], model.noise[t]
            ph = p @ h
            s = float(h @ ph + r)
            nu = float(measured[t] - h @ x)
            gain = ph / s
            keep = unit - np.outer(gain, h)
            x = x + gain * nu
            p = keep @ p @ keep.T + r * np.outer(gain, gain)
            innovation[t], innovation_var[t] = nu, s
            log_likelihood -= 0.5 * (math.log(2.0 * math.pi * s) + nu * nu / s)
        mean[t], cov[t] = x, p
        x = model.transition[t] @ x
        p = model.transition[t] @ p @ model.transition[t].T + model.walk[t]
    return Filtered(ahead_mean, ahead_cov, mean, cov, innovation, innovation_var, log_likelihood)


def smooth(model: Model, filtered: Filtered) -> Smoothed:
    """Run the Rauch–Tung–Striebel smoother backward over what the filter left."""
    mean, cov = filtered.mean.copy(), filtered.cov.copy()
    for t in range(mean.shape[0] - 2, -1, -1):
        # A state that is known exactly leaves a singular covariance: the pseudo-inverse lets it be.
        back = filtered.cov[t] @ model.transition[t].T @ np.linalg.pinv(filtered.ahead_cov[t + 1], hermitian=True)
        mean[t] = filtered.mean[t] + back @ (mean[t + 1] - filtered.ahead_mean[t + 1])
        p = filtered.cov[t] + back @ (cov[t + 1] - filtered.ahead_cov[t + 1]) @ back.T
        cov[t] = 0.5 * (p + p.T)
    return Smoothed(mean, cov)
