"""Whether all views of a calibration were taken through one and the same lens, and if not, in what way they differ.

Each view alone gives a weak estimate of the focal scale and the principal point. Through one lens these scatter as
their covariances say; with a lens that was refocused or zoomed, or with pictures of two cameras, they scatter more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.solving.intrinsics_fit import LensFit, Sights, fit_lens, fit_poses, sights_of_some

_FEWEST_ON_A_SIDE = 3
_CHANCE = 1e-6  # that views through one lens seem to differ so much
_LEAST_FOCAL_SHARE = 0.003  # of the focal length: below it a real change does no harm
# boards bend as they are held: photographs through a fixed lens (OpenCV's sample chessboards) scatter by 1.0 %
_LEAST_SPREAD = 0.013
_LEAST_SHIFT_SHARE = 0.003  # of the picture's width
_MOSTLY = 0.8
# of the scatter, inside two groups that are two lenses; a lens that drifts leaves a third (1 - 2 / pi), few views less
_LEFT_SHARE = 0.05
_ROUNDS, _FEW = 4, 8  # views too few for all coefficients
_STARTS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """What the comparison found.

    Attributes
    ----------
    kind : {"one lens", "changed once", "two lenses", "keeps changing", "not told"}
        "changed once": the views before and after `first_after` differ; "two lenses": two groups in no order.
    first_after : int
        First view after the change; -1 where there is none.
    is_second : ndarray of bool, shape (F,)
        Views of the second group.
    focal_change : float
        Second group over the first, less 1; for "keeps changing" the sd over the views.
    excess : float
        Scatter between views over what their noise explains; 1 is expected.
    """

    kind: str
    first_after: int
    is_second: BoolArray
    focal_change: float
    excess: float


def agreement_of_views(fit: LensFit, sights: Sights) -> Agreement:
    """Return whether the views agree on focal scale and principal point.

    Parameters
    ----------
    fit : LensFit
        To all of them, in the order they were taken.
    sights : Sights
        Of the same views.

    References
    ----------
    Analysis of variance with known within-group covariances (Hartung, Knapp and Sinha, Statistical Meta-Analysis with
    Applications, 2008, chapter 8: the Q test); applied to reduced normal equations of views: derived here.
    """
    count, nothing = len(sights.names), np.zeros(len(sights.names), dtype=np.bool_)
    own, information, variance = _estimates(fit)
    if count < 2 * _FEWEST_ON_A_SIDE or not variance > 0.0:
        return Agreement(kind="not told", first_after=-1, is_second=nothing, focal_change=0.0, excess=1.0)
    scatter = float(np.einsum("ni,nij,nj->", own, information, own)) / variance
    excess = scatter / (3.0 * count - 3.0)
    split, at = _best_split(own, information)
    group, second = _best_groups(own, information)
    after = np.arange(count) >= at
    shift = _difference(own, information, after)
    # what is left inside the two groups is what any two groups would differ by
    inside = max(1.0, (scatter - split / variance) / (3.0 * count - 6.0))
    if _is_real(split / variance / inside, shift, count) and split >= _MOSTLY * group:
        return Agreement(
            kind="changed once", first_after=at, is_second=after, focal_change=float(shift[0]), excess=excess
        )
    if scatter < stats.chi2.isf(_CHANCE, 3 * count - 3):
        return Agreement(kind="one lens", first_after=-1, is_second=nothing, focal_change=0.0, excess=excess)
    return _disagreeing(fit, sights, (own, information, variance), (scatter, group / variance, second), excess)


def _disagreeing(
    fit: LensFit,
    sights: Sights,
    estimates: tuple[FloatArray, FloatArray, float],
    groups: tuple[float, float, BoolArray],
    excess: float,
) -> Agreement:
    """Return in what way views differ that do."""
    own, information, variance = estimates
    scatter, between, second = groups
    count = len(own)
    second, left = _two_lenses(fit, sights, second)
    shift = _difference(own, information, second)
    inside = max(1.0, left / (3.0 * count - 6.0))
    explained = left < max(_LEFT_SHARE * scatter, float(stats.chi2.isf(_CHANCE, 3 * count - 6)))
    if explained and _is_real(between / inside, shift, count):
        return Agreement(
            kind="two lenses", first_after=-1, is_second=second, focal_change=float(shift[0]), excess=excess
        )
    alone: FloatArray = np.asarray(np.linalg.inv(information)[:, 0, 0] * variance, dtype=np.float64)
    spread = _spread(own[:, 0], alone)
    kind = "one lens" if spread < _LEAST_SPREAD else "keeps changing"
    nothing = np.zeros(count, dtype=np.bool_)
    return Agreement(kind=kind, first_after=-1, is_second=nothing, focal_change=spread, excess=excess)


def _estimates(fit: LensFit) -> tuple[FloatArray, FloatArray, float]:
    """Return each view's own estimate of what the lens is off by, (F, 3), its information, and the corners' variance.

    By focal scale and principal point as shares: the rest of the lens is held.
    """
    told, camera = fit.weighted, fit.camera
    basis = np.zeros((told.gradient.shape[1], 3))
    basis[0, 0], basis[1, 0], basis[2, 1], basis[3, 2] = camera.fx_px, camera.fy_px, camera.width_px, camera.width_px
    gradient = told.gradient @ basis
    information: FloatArray = np.asarray(basis.T @ told.information @ basis, dtype=np.float64)
    own: FloatArray = np.asarray(-np.linalg.solve(information, gradient[:, :, None])[:, :, 0], dtype=np.float64)
    gain = np.einsum("ni,nij,nj->n", own, information, own)
    within = np.maximum(told.freedom - 3.0, 1.0)
    typical = float(np.median(np.maximum(told.cost - gain, 0.0) / within))
    return own, information, typical * _median_correction(float(np.median(within)))


def _two_lenses(fit: LensFit, sights: Sights, second: BoolArray) -> tuple[BoolArray, float]:
    """Return two groups of views and the chi-squared scatter left inside them, each group with a lens of its own.

    A lens fitted to both groups takes a part of their difference into its distortion, which one fitted to each does
    not; a view then goes to the lens that fits it better.
    """
    left = np.inf
    for _ in range(_ROUNDS):
        if min(second.sum(), (~second).sum()) < _FEWEST_ON_A_SIDE:
            return second, np.inf
        fits = [_refitted(fit, sights, np.flatnonzero(group)) for group in (~second, second)]
        left = sum(_scatter(each) for each in fits)
        cost = [fit_poses(sights, each.camera, fit.poses).sums[0].chi2 for each in fits]
        better = np.asarray(cost[1] < cost[0])
        if np.array_equal(better, second):
            break
        second = better
    return second, left


def _refitted(fit: LensFit, sights: Sights, chosen: IntArray) -> LensFit:
    is_few = fit.camera.model == "brown" and len(chosen) < _FEW
    coefficients = 2 if is_few else fit.coefficients
    return fit_lens(sights_of_some(sights, chosen), fit.camera, fit.poses[chosen], coefficients=coefficients)


def _scatter(fit: LensFit) -> float:
    """Return the chi-squared of the views' own estimates about their lens."""
    own, information, variance = _estimates(fit)
    return float(np.einsum("ni,nij,nj->", own, information, own)) / max(variance, 1e-300)


def _median_correction(freedom: float) -> float:
    """Return the mean of a chi-squared variance over its median."""
    return float(freedom / stats.chi2.median(max(freedom, 1.0)))


def _is_real(chi_squared: float, shift: FloatArray, count: int) -> bool:
    """Return whether two groups differ more than chance makes the best of all splits differ, and enough to harm."""
    is_sure = chi_squared > stats.chi2.isf(_CHANCE / count, 3)
    return bool(is_sure and (abs(shift[0]) > _LEAST_FOCAL_SHARE or np.abs(shift[1:]).max() > _LEAST_SHIFT_SHARE))


def _between(own: FloatArray, information: FloatArray, second: BoolArray) -> float:
    """Return the chi-squared of the difference between two groups, for unit variance."""
    first, other = information[~second].sum(axis=0), information[second].sum(axis=0)
    shift = _difference(own, information, second)
    return float(shift @ np.linalg.solve(np.linalg.inv(first) + np.linalg.inv(other), shift))


def _difference(own: FloatArray, information: FloatArray, second: BoolArray) -> FloatArray:
    return _mean(own, information, second) - _mean(own, information, ~second)


def _mean(own: FloatArray, information: FloatArray, group: BoolArray) -> FloatArray:
    weighted = np.einsum("nij,nj->i", information[group], own[group])
    return np.linalg.solve(information[group].sum(axis=0), weighted)


def _best_split(own: FloatArray, information: FloatArray) -> tuple[float, int]:
    """Return the largest difference between the views before and after one of them, and the first one after."""
    count = len(own)
    order = np.arange(count)
    splits = [
        (_between(own, information, order >= at), at) for at in range(_FEWEST_ON_A_SIDE, count - _FEWEST_ON_A_SIDE + 1)
    ]
    return max(splits)


def _best_groups(own: FloatArray, information: FloatArray) -> tuple[float, BoolArray]:
    """Return the largest difference found between two groups in any order, by 2-means with each view's own metric."""
    sure = np.argsort(-np.linalg.det(information))
    best, chosen = 0.0, np.arange(len(own)) % 2 == 1
    pairs = [(i, j) for i in sure[:6] for j in sure[:6] if i < j][:_STARTS] or [(0, 1)]
    for i, j in pairs:
        middles = np.stack([own[i], own[j]])
        second = chosen
        for _ in range(30):
            away = own[:, None, :] - middles
            distance = np.einsum("nki,nij,nkj->nk", away, information, away)
            moved = distance[:, 1] < distance[:, 0]
            if moved.all() or not moved.any():
                break
            is_same, second = np.array_equal(moved, second), moved
            middles = np.stack([_mean(own, information, ~second), _mean(own, information, second)])
            if is_same:
                break
        if second.any() and not second.all() and _between(own, information, second) > best:
            best, chosen = _between(own, information, second), second
    return best, chosen


def _spread(values: FloatArray, variances: FloatArray) -> float:
    """Return the sd between values beyond their own variances: the one with which their scatter is as expected.

    References
    ----------
    Paule and Mandel, J. Res. Natl. Bur. Stand. 87 (1982) 377-385, equation 5; by bisection.
    """

    def excess(between: float) -> float:
        weight = 1.0 / (variances + between)
        mean = float(weight @ values / weight.sum())
        return float(weight @ (values - mean) ** 2) - (len(values) - 1)

    low, high = 0.0, float(np.ptp(values)) ** 2
    if excess(low) <= 0.0:
        return 0.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) > 0.0 else (low, middle)
    return float(np.sqrt(high))
