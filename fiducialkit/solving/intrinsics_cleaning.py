"""What does not fit is left out of a lens calibration: stray corners, odd views; and what the others are worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.imaging.boards import BoardView
from fiducialkit.solving.adjustment_problem import Robust
from fiducialkit.solving.intrinsics_agreement import Agreement, agreement_of_views
from fiducialkit.solving.intrinsics_fit import LensFit, Sights, fit_lens, sights_of

_STRAY_SD, _STRAY_SHARE = 6.0, 0.2  # a corner so far off is a mistake, unless so many of its view are
_ODD_VIEW = 3.0  # times the median view's rms
_MOST_ODD_SHARE = 0.3  # where more are odd, none is: the set is of several kinds, which comparing views tells
_ROUNDS = 4
_FEWEST_ON_A_VIEW = 6
_MANY_LEFT_OUT = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class CleanedViews:
    """Views without what does not fit, and the fit to them.

    Attributes
    ----------
    views : tuple of BoardView
        Those that are left, stray corners taken out.
    fit : LensFit
    left_out : dict
        Name of each view that does not fit, and why.
    extra_sd_px : float
        Added to the corners' own sd so that they explain the residuals. [px]
    all_views : tuple of BoardView
    all_fit : LensFit
        Before anything was left out.
    """

    views: tuple[BoardView, ...]
    fit: LensFit
    left_out: dict[str, str] = field(default_factory=dict)
    extra_sd_px: float = 0.0
    all_views: tuple[BoardView, ...]
    all_fit: LensFit

    @property
    def sights(self) -> Sights:
        """The corners of the views that are left."""
        return sights_of(self.views, self.extra_sd_px)

    def agreement(self) -> tuple[Agreement, tuple[str, ...]]:
        """Return whether the views agree about the lens, and the names of those asked: all where many do not fit."""
        is_many = len(self.left_out) >= max(3.0, _MANY_LEFT_OUT * len(self.all_views))
        fit, sights = (self.all_fit, sights_of(self.all_views)) if is_many else (self.fit, self.sights)
        return agreement_of_views(fit, sights), sights.names


def cleaned_views(used: Sequence[BoardView], base: LensFit) -> CleanedViews:
    """Return the views without stray corners and odd views, and with corners weighted by what residuals show."""
    found = CleanedViews(views=tuple(used), fit=base, all_views=tuple(used), all_fit=base)
    for _ in range(_ROUNDS):
        strays, odd = _strays(found), _odd_views(found.fit)
        extra = _extra_sd(found)
        is_same = abs(extra - found.extra_sd_px) <= 0.1 * max(extra, 1e-3)
        if not strays and not odd.any() and is_same:
            break
        if odd.any():
            found = _with_odd_removed(found, odd)
        elif strays:
            kept = (_without(view, strays.get(number)) for number, view in enumerate(found.views))
            found = replace(found, views=tuple(kept))
        found = replace(found, extra_sd_px=extra)
        fit = found.fit
        again = fit_lens(found.sights, fit.camera, fit.poses, coefficients=fit.coefficients)
        found = replace(found, fit=again)
    return found


def _strays(found: CleanedViews) -> dict[int, BoolArray]:
    """Return for some views which corners to keep: those that are not far off all others, in px and in their own sd."""
    sights = found.sights
    away = np.linalg.norm(found.fit.residuals_px, axis=1)
    own_sd = np.sqrt(np.trace(sights.covariance_px2, axis1=1, axis2=2) / 2.0)
    far = _far_off(away, sights.view_of) & _far_off(away / own_sd, sights.view_of)
    strays = {}
    starts = np.concatenate([[0], np.cumsum(sights.counts)])
    for number, (a, b) in enumerate(pairwise(starts)):
        bad = far[a:b]
        if bad.any() and bad.mean() <= _STRAY_SHARE and (~bad).sum() >= _FEWEST_ON_A_VIEW:
            strays[number] = ~bad
    return strays


def _far_off(away: FloatArray, view_of: IntArray) -> BoolArray:
    """Return which distances are many times those of their view and of all."""
    own = np.array([np.median(away[view_of == number]) for number in range(int(view_of.max()) + 1)])
    typical = np.maximum(own, max(float(np.median(away)), 1e-6))
    return np.asarray(away > _STRAY_SD * typical[view_of])


def _without(view: BoardView, keep: BoolArray | None) -> BoardView:
    """Return a view with some of its corners, the number left out added to its message."""
    if keep is None:
        return view
    text = f"{int((~keep).sum())} corners that do not fit are left out"
    return replace(
        view, points_board=view.points_board[keep], points_px=view.points_px[keep],
        covariance_px2=view.covariance_px2[keep], message="; ".join(filter(None, [view.message, text])),
    )  # fmt: skip


def _odd_views(fit: LensFit) -> BoolArray:
    """Return which views fit much worse than the median one, in px and in the sd of their own corners."""
    own_sd = np.sqrt(np.maximum(fit.weighted.cost, 0.0) / np.maximum(fit.weighted.freedom, 1.0))
    odd = (fit.view_rms_px > _ODD_VIEW * np.median(fit.view_rms_px)) & (own_sd > _ODD_VIEW * np.median(own_sd))
    few = odd.sum() <= _MOST_ODD_SHARE * len(odd) and len(odd) - odd.sum() >= 3
    return odd if few else np.zeros(len(odd), dtype=np.bool_)


def _with_odd_removed(found: CleanedViews, odd: BoolArray) -> CleanedViews:
    """Return what is left after a robust fit has told which of the views that look odd really are."""
    fit = found.fit
    scale = float(np.sqrt(np.median(fit.weighted.cost / np.maximum(fit.weighted.freedom, 1.0))))
    robust = fit_lens(
        found.sights, fit.camera, fit.poses, coefficients=fit.coefficients,
        robust=Robust(kind="huber", limit=2.0, scale=scale),
    )  # fmt: skip
    rms = robust.view_rms_px
    really = _odd_views(robust)
    odd = really if really.any() else odd
    left_out = dict(found.left_out)
    for view, is_odd, own in zip(found.views, odd, rms, strict=True):
        if is_odd:
            left_out[view.name] = f"does not fit the other views: {own:.2f} px, they {np.median(rms):.2f} px"
    views = tuple(view for view, is_odd in zip(found.views, odd, strict=True) if not is_odd)
    return replace(found, views=views, fit=replace(robust, poses=robust.poses[~odd]), left_out=left_out)


def _extra_sd(found: CleanedViews) -> float:
    """Return what is to be added to the corners' sd so that they explain the residuals. [px]

    Zero for corners that all claim the same: a common factor is taken from the residuals anyway.
    """
    claimed = np.concatenate([np.trace(view.covariance_px2, axis1=1, axis2=2) / 2.0 for view in found.views])
    if np.ptp(claimed) <= 1e-6 * claimed.max():
        return 0.0
    shown = float(np.median(found.fit.view_rms_px)) ** 2
    return float(np.sqrt(max(shown - float(np.median(claimed)), 0.0)))
