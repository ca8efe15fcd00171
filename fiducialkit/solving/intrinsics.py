"""Lens calibration: from views of a board to a camera, how sure it is, and a verdict on the pictures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd

from fiducialkit.arrays import BoolArray, FloatArray
from fiducialkit.errors import InputError
from fiducialkit.imaging.boards import BoardView
from fiducialkit.scene.camera import Camera, LensModel
from fiducialkit.solving import intrinsics_verdict as verdicts
from fiducialkit.solving.adjustment_problem import Robust
from fiducialkit.solving.intrinsics_agreement import Agreement, agreement_of_views
from fiducialkit.solving.intrinsics_fit import LensFit, Sights, fit_lens, held_out, pooled_rms, sights_of
from fiducialkit.solving.intrinsics_result import (
    MODELS,
    VIEWS,
    Fault,
    LensCalibration,
    lens_slopes,
    nine_places,
    projection_table,
    widening,
)
from fiducialkit.solving.intrinsics_start import first_camera
from fiducialkit.solving.intrinsics_views import screened_set

_COEFFICIENTS = {"brown": 5, "rational": 8, "fisheye": 4}
_STRAY_SD, _STRAY_SHARE = 6.0, 0.2  # a corner so far off is a mistake, unless so many of its view are
_ODD_VIEW = 3.0  # times the median view's rms
_ROUNDS = 4
_BETTER = 0.99  # a richer model must lower the held-out error to this share
_FISHEYE_BETTER = 0.8
_BOOTSTRAPS = 200
_FEWEST_FOR_BOOTSTRAP = 6
_TO_GREY = 1.4826  # median absolute deviation to sd of a Gaussian


def calibrate_lens(
    views: Sequence[BoardView],
    *,
    model: str = "auto",
    coefficients: int | None = None,
    name: str = "camera",
    known_distances_m: Mapping[str, float] | None = None,
    with_bending: bool = False,
    seed: int = 0,
) -> LensCalibration:
    """Return the lens that took these views of a board, with its uncertainty and a verdict.

    Parameters
    ----------
    views : sequence of BoardView
        From `find_board` or `views_from_table`, in the order they were taken; those that cannot be used are listed.
    model : {"auto", "brown", "rational", "fisheye"}
        "auto" takes the model that best foretells views it has not seen, a richer one only for a real gain.
    coefficients : int, optional
        For brown: 2 (k1, k2), 4 (and decentring p1, p2) or 5 (and k3).
    name : str
        Of the camera: which physical one it is.
    known_distances_m : mapping, optional
        View to the distance from the lens to the middle of the board's seen corners, measured with a tape: only an
        outside length can tell a wrong size of the squares. [m]
    with_bending : bool
        Whether the board may be bent.
    seed : int
        Of the bootstrap.

    Raises
    ------
    InputError
        If fewer than three views can be used, or the model and its number of coefficients do not go together.

    Notes
    -----
    Corners more than six sd off are dropped, whole views that fit three times worse than the median too, each listed.
    What a corner is worth is taken from the residuals, so covariances are those of pictures like these.

    References
    ----------
    Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22 (2000) 1330-1334 (the bundle that is
    adjusted); leave-one-out by one Gauss-Newton step on reduced normal equations: derived here.
    """
    _check_choice(model, coefficients)
    listed = screened_set(views)
    used = [view for view in listed if view.status == "ok"]
    size = used[0].picture_size_px
    base = _first_fit(used, size, model, coefficients, name)
    cleaned = _cleaned(used, base)
    agreement = _agreement(cleaned)
    fits, table = _compared(cleaned, model)
    chosen = fits[int(table["is_chosen"].to_numpy().argmax())]
    if with_bending:
        chosen = fit_lens(cleaned.sights, chosen.camera, chosen.poses, coefficients=coefficients, with_bending=True)
    ratio = bootstrap_ratio(chosen, seed)
    covariance = chosen.covariance * widening(ratio) ** 2
    faults = _faults(listed, cleaned, chosen, agreement, covariance)
    if not with_bending and widening(ratio) > 1.0:
        bent = fit_lens(cleaned.sights, chosen.camera, chosen.poses, coefficients=coefficients, with_bending=True)
        faults += verdicts.bending_faults(bent.bending_m, bent.bending_sd_m)
    faults += _scale_faults(cleaned.views, chosen, known_distances_m or {})
    return _summary(listed, cleaned, (chosen, covariance, ratio), table, tuple(faults))


def _check_choice(model: str, coefficients: int | None) -> None:
    if model not in ("auto", *_COEFFICIENTS):
        raise InputError(f"model: expected auto, {', '.join(_COEFFICIENTS)}, found {model!r}")
    allowed = {"brown": (2, 4, 5), "rational": (8,), "fisheye": (4,), "auto": ()}[model]
    if coefficients is not None and coefficients not in allowed:
        given = " or ".join(str(each) for each in allowed) or "none, since they are chosen along"
        raise InputError(f"coefficients: expected {given} for {model}, found {coefficients}")


def _blank(size: tuple[int, int], model: LensModel, coefficients: int | None, name: str) -> Camera:
    """Return a camera of that model to start from."""
    count = max(coefficients or _COEFFICIENTS[model], 4)
    return Camera(
        width_px=size[0], height_px=size[1], fx_px=float(size[0]), fy_px=float(size[0]), cx_px=(size[0] - 1) / 2.0,
        cy_px=(size[1] - 1) / 2.0, distortion=(0.0,) * count, model=model, name=name,
    )  # fmt: skip


def _first_fit(
    used: list[BoardView], size: tuple[int, int], model: str, coefficients: int | None, name: str
) -> LensFit:
    """Return a fit to all views: of the model asked for, or of brown or fisheye, whichever comes nearer."""
    sights = sights_of(used)
    if model != "auto":
        # the many coefficients of the rational model begin at a brown one's
        first: LensModel = "fisheye" if model == "fisheye" else "brown"
        return _started(sights, _blank(size, first, None if model == "rational" else coefficients, name), coefficients)
    brown = _started(sights, _blank(size, "brown", 5, name), None)
    if _typical(brown) < 0.0004 * size[0] and brown.camera.unproject(nine_places(brown.camera))[1].all():
        return brown  # half a pixel of 1280: nothing a fisheye would be needed for
    fisheye = _started(sights, _blank(size, "fisheye", 4, name), None)
    return fisheye if _typical(fisheye) < _FISHEYE_BETTER * _typical(brown) else brown


def _started(sights: Sights, blank: Camera, coefficients: int | None) -> LensFit:
    start, poses = first_camera(sights.points_board, sights.pixels_px, sights.view_of, blank)
    brown = coefficients if blank.model == "brown" else None
    return fit_lens(sights, start, poses, coefficients=brown)


def _typical(fit: LensFit) -> float:
    """Return the rms of the median view. [px]"""
    return float(np.median(_view_rms(fit)))


def _view_rms(fit: LensFit) -> FloatArray:
    return np.sqrt(np.maximum(fit.plain.cost, 0.0) / np.maximum(fit.plain.freedom, 1.0))


class _Cleaned:
    """Views without what does not fit, and the fit to them."""

    def __init__(self, views: list[BoardView], fit: LensFit) -> None:
        self.all_views, self.all_fit = views, fit
        self.views, self.fit = views, fit
        self.left_out: dict[str, str] = {}
        self.extra_sd_px = 0.0

    @property
    def sights(self) -> Sights:
        return sights_of(self.views, self.extra_sd_px)


def _cleaned(used: list[BoardView], base: LensFit) -> _Cleaned:
    """Return the views without stray corners and odd views, and with corners weighted by what residuals show."""
    found = _Cleaned(used, base)
    for _ in range(_ROUNDS):
        strays, odd = _strays(found), _odd_views(found)
        extra = _extra_sd(found)
        is_same = abs(extra - found.extra_sd_px) <= 0.1 * max(extra, 1e-3)
        if not strays and not odd.any() and is_same:
            break
        if odd.any():
            found = _with_odd_removed(found, odd)
        elif strays:
            found.views = [_without(view, strays.get(number)) for number, view in enumerate(found.views)]
        found.extra_sd_px = extra
        fit = found.fit
        found.fit = fit_lens(
            found.sights,
            fit.camera,
            fit.poses,
            coefficients=int(fit.is_free[4:].sum()) if fit.camera.model == "brown" else None,
        )
    return found


def _strays(found: _Cleaned) -> dict[int, BoolArray]:
    """Return for some views which corners to keep: those that are not far off all others."""
    away = np.linalg.norm(found.fit.residuals_px, axis=1)
    strays = {}
    starts = np.concatenate([[0], np.cumsum([len(view) for view in found.views])])
    whole = float(np.median(away))
    for number, (a, b) in enumerate(pairwise(starts)):
        own = away[a:b]
        bad = own > _STRAY_SD * max(float(np.median(own)), whole, 1e-6)
        if bad.any() and bad.mean() <= _STRAY_SHARE and (~bad).sum() >= 6:
            strays[number] = ~bad
    return strays


def _without(view: BoardView, keep: BoolArray | None) -> BoardView:
    if keep is None:
        return view
    text = f"{int((~keep).sum())} corners do not fit and are left out"
    return replace(
        view, points_board=view.points_board[keep], points_px=view.points_px[keep],
        covariance_px2=view.covariance_px2[keep], message="; ".join(filter(None, [view.message, text])),
    )  # fmt: skip


def _odd_views(found: _Cleaned) -> BoolArray:
    rms = _view_rms(found.fit)
    odd = rms > _ODD_VIEW * np.median(rms)
    # where many are odd, none is: the set is of several kinds, which the comparison of views tells
    return odd if odd.sum() <= 0.3 * len(odd) and len(odd) - odd.sum() >= 3 else np.zeros(len(odd), dtype=np.bool_)


def _with_odd_removed(found: _Cleaned, odd: BoolArray) -> _Cleaned:
    """Return what is left after a robust fit has told which of the views that look odd really are."""
    scale = float(np.sqrt(np.median(found.fit.weighted.cost / np.maximum(found.fit.weighted.freedom, 1.0))))
    robust = fit_lens(
        found.sights, found.fit.camera, found.fit.poses,
        coefficients=int(found.fit.is_free[4:].sum()) if found.fit.camera.model == "brown" else None,
        robust=Robust(kind="huber", limit=2.0, scale=scale),
    )  # fmt: skip
    rms = _view_rms(robust)
    odd = rms > _ODD_VIEW * np.median(rms) if (rms > _ODD_VIEW * np.median(rms)).any() else odd
    for view, is_odd, own in zip(found.views, odd, rms, strict=True):
        if is_odd:
            found.left_out[view.name] = f"does not fit the other views: {own:.2f} px, they {np.median(rms):.2f} px"
    found.views = [view for view, is_odd in zip(found.views, odd, strict=True) if not is_odd]
    found.fit = replace(robust, poses=robust.poses[~odd])
    return found


def _extra_sd(found: _Cleaned) -> float:
    """Return what is to be added to the corners' sd so that they explain the residuals. [px]

    Zero for corners that all claim the same: a common factor is taken from the residuals anyway.
    """
    claimed = np.concatenate([np.trace(view.covariance_px2, axis1=1, axis2=2) / 2.0 for view in found.views])
    if np.ptp(claimed) <= 1e-6 * claimed.max():
        return 0.0
    shown = float(np.median(_view_rms(found.fit))) ** 2
    return float(np.sqrt(max(shown - float(np.median(claimed)), 0.0)))


def _agreement(found: _Cleaned) -> Agreement:
    """Return whether the views agree; asked of all of them where many had to be left out."""
    fit = found.all_fit if len(found.left_out) >= max(3.0, 0.15 * len(found.all_views)) else found.fit
    return agreement_of_views(fit.weighted, fit.camera)


def _compared(found: _Cleaned, model: str) -> tuple[list[LensFit], pd.DataFrame]:
    """Return fits of the models in question, and the table that says which one is taken."""
    fits = _candidates(found, model)
    errors = [pooled_rms(held_out(fit), fit.plain.freedom) for fit in fits]
    chosen = 0
    for number, fit in enumerate(fits[1:], start=1):
        if errors[number] < _BETTER * errors[chosen] and not _is_absurd(fit):
            chosen = number
    rows = [
        {
            "model": fit.camera.model, "coefficients": int(fit.is_free[4:].sum()), "rms_px": fit.rms_px,
            "held_out_px": error, "is_chosen": number == chosen, "message": _why(number, chosen, errors, fit),
        }
        for number, (fit, error) in enumerate(zip(fits, errors, strict=True))
    ]  # fmt: skip
    return fits, MODELS.checked(pd.DataFrame(rows))


def _candidates(found: _Cleaned, model: str) -> list[LensFit]:
    """Return fits from the plainest model to the richest, each begun at the last."""
    fit, sights = found.fit, found.sights
    if model in ("brown", "fisheye"):
        return [fit]
    if model == "rational":
        return [_richer(sights, fit, "rational", 8)]
    if fit.camera.model == "fisheye":
        return [fit]
    four = _richer(sights, fit, "brown", 4)
    fits = [four, fit]
    return [*fits, _richer(sights, fit, "rational", 8)]


def _richer(sights: Sights, fit: LensFit, model: LensModel, count: int) -> LensFit:
    """Return a fit of another model of Brown's kind, begun at one that there is."""
    coefficients = (*fit.camera.distortion, 0.0, 0.0, 0.0, 0.0, 0.0)[:count]
    return fit_lens(sights, replace(fit.camera, model=model, distortion=coefficients), fit.poses, max_iterations=40)


def _is_absurd(fit: LensFit) -> bool:
    """Return whether a lens lies outside all reason: an axis far out of the picture, or a fold inside it."""
    camera = fit.camera
    off = max(abs(camera.cx_px / camera.width_px - 0.5), abs(camera.cy_px / camera.height_px - 0.5))
    return bool(off > 0.25 or not camera.unproject(nine_places(camera))[1].all())


def _why(number: int, chosen: int, errors: list[float], fit: LensFit) -> str:
    if number == chosen:
        return "foretells views it has not seen best" if len(errors) > 1 else "asked for"
    if _is_absurd(fit):
        return "its axis or its fold lies where no lens has it"
    if number < chosen:
        return "foretells views it has not seen worse"
    return "more coefficients without a real gain for views it has not seen"


def _faults(
    listed: list[BoardView], found: _Cleaned, fit: LensFit, agreement: Agreement, covariance: FloatArray
) -> list[Fault]:
    size = found.views[0].picture_size_px
    names = [view.name for view in (found.views if len(agreement.is_second) == len(found.views) else found.all_views)]
    sd = dict(zip(fit.labels, np.sqrt(np.maximum(np.diag(covariance), 0.0)).tolist(), strict=True))
    projection = projection_table(fit.camera, covariance, nine_places(fit.camera))
    errors = held_out(fit)
    changed = verdicts.agreement_faults(agreement, names)
    return [
        *changed,
        *verdicts.set_faults(found.views, fit.poses, size),
        *verdicts.lens_faults(fit.camera, sd, projection, pooled_rms(errors, fit.plain.freedom)),
        *verdicts.picture_faults(listed, size),
        *([] if changed else verdicts.left_out_fault(list(found.left_out), len(found.all_views))),
    ]


def _scale_faults(views: list[BoardView], fit: LensFit, known_m: Mapping[str, float]) -> list[Fault]:
    """Return whether measured distances from the lens to the boards speak for another size of the squares."""
    middles = np.stack([view.points_board.mean(axis=0) for view in views])
    away = np.linalg.norm(np.einsum("nij,nj->ni", fit.poses[:, :, :3], middles) + fit.poses[:, :, 3], axis=1)
    return verdicts.size_faults([view.name for view in views], away, known_m)


def _summary(
    listed: list[BoardView],
    found: _Cleaned,
    solved: tuple[LensFit, FloatArray, float],
    models: pd.DataFrame,
    faults: tuple[Fault, ...],
) -> LensCalibration:
    fit, covariance, ratio = solved
    errors = held_out(fit)
    noise = float(np.sqrt(np.sum(fit.plain.cost) / max(np.sum(fit.plain.freedom) - fit.is_free.sum(), 1.0)))
    return LensCalibration(
        camera=fit.camera,
        labels=fit.labels,
        covariance=covariance,
        verdict=verdicts.verdict_of(faults),
        faults=faults,
        held_out_px=pooled_rms(errors, fit.plain.freedom),
        rms_px=fit.rms_px,
        noise_px=noise,
        bootstrap_ratio=ratio,
        views=_views_table(listed, found, fit, errors),
        models=models,
        projection=projection_table(fit.camera, covariance, nine_places(fit.camera)),
        used=tuple(found.views),
        fit=fit,
    )


def _views_table(listed: list[BoardView], found: _Cleaned, fit: LensFit, errors: FloatArray) -> pd.DataFrame:
    distance, tilt = verdicts.distances_and_tilts(found.views, fit.poses)
    rms = np.sqrt(np.maximum(fit.plain.cost, 0.0) / np.array([2.0 * len(view) for view in found.views]))
    own = {view.name: number for number, view in enumerate(found.views)}
    rows = []
    for each in listed:
        number = own.get(each.name)
        view = each if number is None else found.views[number]
        status = "does not fit" if each.name in found.left_out else each.status
        numbers = [np.nan] * 4 if number is None else [rms[number], errors[number], distance[number], tilt[number]]
        rows.append([view.name, status, len(view), *numbers, view.blur_px, found.left_out.get(each.name, view.message)])
    return VIEWS.checked(pd.DataFrame(rows, columns=VIEWS.names))


def bootstrap_ratio(fit: LensFit, seed: int) -> float:
    """Return the sd of projections over sets of views drawn again, over the stated sd; median of nine places.

    Each drawn set moves the lens by one Gauss-Newton step on the reduced normal equations.

    References
    ----------
    Efron and Tibshirani, An Introduction to the Bootstrap, 1993, chapter 9 (pairs, here whole views, are drawn).
    """
    count = len(fit.weighted.cost)
    if count < _FEWEST_FOR_BOOTSTRAP:
        return float("nan")
    rng = np.random.default_rng(seed)
    free = fit.is_free
    times = rng.multinomial(count, np.full(count, 1.0 / count), size=_BOOTSTRAPS)
    information = fit.weighted.information[:, free][:, :, free]
    scale = 1.0 / np.sqrt(np.maximum(np.diag(information.sum(axis=0)), 1e-300))
    drawn = np.einsum("bn,nij->bij", times, information * scale[:, None] * scale, optimize=True)
    gradient = times @ (fit.weighted.gradient[:, free] * scale)
    drawn += 1e-12 * np.eye(len(scale))
    steps = np.zeros((_BOOTSTRAPS, len(free)))
    steps[:, free] = -np.linalg.solve(drawn, gradient[:, :, None])[:, :, 0] * scale
    slopes = lens_slopes(fit.camera, nine_places(fit.camera))
    slopes = slopes[np.isfinite(slopes).all(axis=(1, 2))]
    if not len(slopes):
        return float("nan")
    spread = np.einsum("kij,bj->bki", slopes, steps, optimize=True).std(axis=0)
    stated = np.sqrt(np.einsum("kij,jl,kil->ki", slopes, fit.covariance, slopes, optimize=True))
    return float(np.median(spread / stated)) * float(np.sqrt(count / (count - 1.0)))
