"""The chance that a Gaussian off the middle of a box lies inside it.

References
----------
Derived here: by conditioning, with Gauss-Legendre nodes over two components, as `planning.arrival` does about zero.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from fiducialkit.arrays import FloatArray

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(32)
_REACH_SD = 6.0


def chance_inside_off_centre(covariance: FloatArray, offset: FloatArray, half_widths: FloatArray) -> FloatArray:
    """Return the probability that Gaussians of three components lie inside boxes about zero.

    Parameters
    ----------
    covariance : ndarray, shape (N, 3, 3)
        Positive semidefinite; NaN gives NaN.
    offset : ndarray, shape (N, 3)
        Their means.
    half_widths : ndarray, shape (N, 3)
        Above zero, in the units of the components.
    """
    chance = np.full(len(covariance), np.nan)
    known = np.flatnonzero(np.isfinite(covariance).all(axis=(1, 2)))
    if known.size:
        chance[known] = _probability(covariance[known], offset[known], half_widths[known])
    return chance


def _probability(covariance: FloatArray, offset: FloatArray, half_widths: FloatArray) -> FloatArray:
    sd = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 0.0))
    sd = np.where(sd > 0.0, sd, 1e-12 * half_widths)
    # narrowest first, as in `arrival`: the integrand stays smooth where two components are nearly the same error
    order = np.argsort(half_widths / sd, axis=1)
    correlation = covariance / (sd[:, :, None] * sd[:, None, :])
    ordered = np.take_along_axis(np.take_along_axis(correlation, order[:, :, None], 1), order[:, None, :], 2)
    lower = np.linalg.cholesky(ordered + 1e-12 * np.eye(3))
    low = np.take_along_axis((-half_widths - offset) / sd, order, axis=1)
    high = np.take_along_axis((half_widths - offset) / sd, order, axis=1)
    z1, w1 = _rule(low[:, 0] / lower[:, 0, 0], high[:, 0] / lower[:, 0, 0])
    centre, scale = lower[:, 1, 0, None] * z1, lower[:, 1, 1, None]
    z2, w2 = _rule((low[:, 1, None] - centre) / scale, (high[:, 1, None] - centre) / scale)
    mean = lower[:, 2, 0, None, None] * z1[:, :, None] + lower[:, 2, 1, None, None] * z2
    last = lower[:, 2, 2, None, None]
    inner = ndtr((high[:, 2, None, None] - mean) / last) - ndtr((low[:, 2, None, None] - mean) / last)
    return np.asarray(np.clip(np.einsum("ni,nij->n", w1, w2 * inner), 0.0, 1.0), dtype=np.float64)


def _rule(low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return nodes and weights, one more axis, for an integral against the standard normal density."""
    first = np.clip(low, -_REACH_SD, _REACH_SD)[..., None]
    last = np.clip(high, -_REACH_SD, _REACH_SD)[..., None]
    nodes = 0.5 * (first + last) + 0.5 * (last - first) * _NODES
    weights = 0.5 * (last - first) * _WEIGHTS * np.exp(-0.5 * nodes**2) / math.sqrt(2.0 * math.pi)
    return nodes, weights
