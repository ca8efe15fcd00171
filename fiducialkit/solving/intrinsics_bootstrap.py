"""Views drawn again: whether a lens is as sure as the noise of the corners says, whatever views may disagree about."""

from __future__ import annotations

import numpy as np

from fiducialkit.arrays import FloatArray
from fiducialkit.solving.intrinsics_fit import LensFit
from fiducialkit.solving.intrinsics_result import lens_slopes, nine_places

_BOOTSTRAPS = 200
_EXPECTED = 12  # sets of views without disagreement, to know what the bootstrap itself makes of so many views
_FEWEST = 6


def bootstrap_ratio(fit: LensFit, seed: int) -> float:
    """Return the sd of projections over sets of views drawn again, over what views that agree would give.

    Each drawn set moves the lens by one Gauss-Newton step on the reduced normal equations. Sets of few views, each of
    which knows something of its own, scatter more than the lens is unsure; by how much is found by the same drawing
    with views that disagree by their corners' noise only. Median of nine places; about 1 where views agree, NaN with
    fewer than 6.

    References
    ----------
    Efron and Tibshirani, An Introduction to the Bootstrap, 1993, chapter 9 (pairs, here whole views, are drawn), and
    section 16.4 (the distribution where nothing is wrong, drawn likewise).
    """
    count = len(fit.weighted.cost)
    slopes = lens_slopes(fit.camera, nine_places(fit.camera))
    slopes = slopes[np.isfinite(slopes).all(axis=(1, 2))]
    if count < _FEWEST or not len(slopes):
        return float("nan")
    rng = np.random.default_rng(seed)
    free = fit.is_free
    information = fit.weighted.information[:, free][:, :, free]
    scale = 1.0 / np.sqrt(np.maximum(np.diag(information.sum(axis=0)), 1e-300))
    even = information * scale[:, None] * scale
    own = fit.weighted.gradient[:, free] * scale
    gradients = np.concatenate([own[None], _agreeing(even, fit.variance, rng)])
    times = rng.multinomial(count, np.full(count, 1.0 / count), size=_BOOTSTRAPS)
    drawn = np.einsum("bn,nij->bij", times, even, optimize=True) + 1e-12 * np.eye(len(scale))
    sums = np.einsum("bn,kni->bik", times, gradients, optimize=True)
    steps = np.linalg.solve(drawn, sums) * scale[:, None]
    moved = np.einsum("pci,bik->bpck", slopes[:, :, free], steps, optimize=True).std(axis=0)
    typical = np.median(moved[:, :, 1:], axis=2)
    return float(np.median(moved[:, :, 0] / np.maximum(typical, 1e-300)))


def _agreeing(information: FloatArray, variance: float, rng: np.random.Generator) -> FloatArray:
    """Return gradients (k, F, p) of views that disagree by their corners' noise only, about the lens that fits them."""
    count, size = information.shape[:2]
    values, vectors = np.linalg.eigh(information)
    root = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    noise = np.einsum("nij,knj->kni", root, rng.standard_normal((_EXPECTED, count, size)), optimize=True)
    noise *= np.sqrt(max(variance, 1e-300))
    total = information.sum(axis=0) + 1e-12 * np.eye(size)
    fitted = np.linalg.solve(total, noise.sum(axis=1).T).T
    return np.asarray(noise - np.einsum("nij,kj->kni", information, fitted, optimize=True))
