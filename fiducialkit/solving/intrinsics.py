"""Lens calibration: from views of a board to a camera, how sure it is, and a verdict on the pictures."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray
from fiducialkit.errors import InputError
from fiducialkit.imaging.boards import BoardView
from fiducialkit.solving import intrinsics_verdict as verdicts
from fiducialkit.solving.intrinsics_bootstrap import bootstrap_ratio
from fiducialkit.solving.intrinsics_cleaning import CleanedViews, cleaned_views
from fiducialkit.solving.intrinsics_fit import LensFit, fit_lens, held_out, is_indispensable, pooled_rms
from fiducialkit.solving.intrinsics_models import check_choice, compared_models, first_fit
from fiducialkit.solving.intrinsics_result import (
    VIEWS,
    Fault,
    LensCalibration,
    nine_places,
    projection_table,
    widening,
)
from fiducialkit.solving.intrinsics_views import screened_set

_ALONE = "alone in showing its part of the picture: take another view there"


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
        View to the distance from the lens to the middle of the board, measured with a tape: only an outside length can
        tell a wrong size of the squares. [m]
    with_bending : bool
        Whether the board may be bent.
    seed : int
        Of the bootstrap.

    Raises
    ------
    InputError
        If fewer than three views can be used, the model and its number of coefficients do not go together, or a
        distance is given for a view there is not.

    Notes
    -----
    Corners more than six sd off are dropped, whole views that fit three times worse than the median too, each listed.
    What a corner is worth is taken from the residuals, so covariances are those of pictures like these.

    References
    ----------
    Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22 (2000) 1330-1334 (the bundle that is
    adjusted); leave-one-out by one Gauss-Newton step on reduced normal equations: derived here.
    """
    check_choice(model, coefficients)
    _check_known(known_distances_m or {}, views)
    listed = screened_set(views)
    used = [view for view in listed if view.status == "ok"]
    cleaned = cleaned_views(used, first_fit(used, model, coefficients, name))
    chosen, table = compared_models(cleaned.fit, cleaned.sights, model)
    if with_bending:
        chosen = _with_bending(cleaned, chosen, coefficients)
    ratio = bootstrap_ratio(chosen, seed)
    covariance = chosen.covariance * widening(ratio) ** 2
    errors = held_out(chosen)
    faults = _faults(listed, cleaned, (chosen, covariance, errors))
    if not with_bending and widening(ratio) > 1.0:
        bent = _with_bending(cleaned, chosen, coefficients)
        faults += verdicts.bending_faults(bent.bending_m, bent.bending_sd_m)
    faults += _scale_faults(cleaned.views, chosen, known_distances_m or {})
    return _summary(listed, cleaned, (chosen, covariance, ratio, errors), table, tuple(faults))


def _check_known(known_m: Mapping[str, float], views: Sequence[BoardView]) -> None:
    names = {view.name for view in views}
    for name, distance in known_m.items():
        if name not in names:
            raise InputError(f"known_distances_m: expected names of the views, found '{name}'")
        if not 0.0 < distance < math.inf:
            raise InputError(f"known_distances_m: {name}: expected a length above 0 m, found {distance}")


def _with_bending(cleaned: CleanedViews, fit: LensFit, coefficients: int | None) -> LensFit:
    return fit_lens(cleaned.sights, fit.camera, fit.poses, coefficients=coefficients, with_bending=True)


def _faults(
    listed: Sequence[BoardView], cleaned: CleanedViews, solved: tuple[LensFit, FloatArray, FloatArray]
) -> list[Fault]:
    fit, covariance, errors = solved
    size = cleaned.views[0].picture_size_px
    sd = dict(zip(fit.labels, np.sqrt(np.maximum(np.diag(covariance), 0.0)).tolist(), strict=True))
    projection = projection_table(fit.camera, covariance, nine_places(fit.camera))
    changed = verdicts.agreement_faults(*cleaned.agreement())
    return [
        *changed,
        *verdicts.set_faults(cleaned.views, fit.poses, size),
        *verdicts.lens_faults(fit.camera, sd, projection, pooled_rms(fit, errors)),
        *verdicts.picture_faults(listed, size),
        *([] if changed else verdicts.left_out_fault(list(cleaned.left_out), len(cleaned.all_views))),
    ]


def _scale_faults(views: Sequence[BoardView], fit: LensFit, known_m: Mapping[str, float]) -> list[Fault]:
    """Return whether measured distances from the lens to the boards speak for another size of the squares."""
    points = np.concatenate([view.points_board for view in views])
    middle = (points.min(axis=0) + points.max(axis=0)) / 2.0
    away = np.linalg.norm(fit.poses[:, :, :3] @ middle + fit.poses[:, :, 3], axis=1)
    return verdicts.size_faults([view.name for view in views], away, known_m)


def _summary(
    listed: Sequence[BoardView],
    cleaned: CleanedViews,
    solved: tuple[LensFit, FloatArray, float, FloatArray],
    models: pd.DataFrame,
    faults: tuple[Fault, ...],
) -> LensCalibration:
    fit, covariance, ratio, errors = solved
    noise = float(np.sqrt(np.sum(fit.plain.cost) / max(np.sum(fit.plain.freedom) - fit.is_free.sum(), 1.0)))
    return LensCalibration(
        camera=fit.camera,
        labels=fit.labels,
        covariance=covariance,
        verdict=verdicts.verdict_of(faults),
        faults=faults,
        held_out_px=pooled_rms(fit, errors),
        rms_px=fit.rms_px,
        noise_px=noise,
        bootstrap_ratio=ratio,
        views=_views_table(listed, cleaned, fit, errors),
        models=models,
        projection=projection_table(fit.camera, covariance, nine_places(fit.camera)),
        used=cleaned.views,
        fit=fit,
    )


def _views_table(listed: Sequence[BoardView], cleaned: CleanedViews, fit: LensFit, errors: FloatArray) -> pd.DataFrame:
    distance, tilt = verdicts.distances_and_tilts(cleaned.views, fit.poses)
    rms = np.sqrt(np.maximum(fit.plain.cost, 0.0) / np.array([2.0 * len(view) for view in cleaned.views]))
    own = {view.name: number for number, view in enumerate(cleaned.views)}
    alone = is_indispensable(fit, errors)
    rows = []
    for each in listed:
        number = own.get(each.name)
        view = each if number is None else cleaned.views[number]
        status = "does not fit" if each.name in cleaned.left_out else each.status
        numbers = [np.nan] * 4 if number is None else [rms[number], errors[number], distance[number], tilt[number]]
        message = cleaned.left_out.get(each.name, view.message)
        if number is not None and alone[number]:
            message = "; ".join(filter(None, [message, _ALONE]))
        rows.append([view.name, status, len(view), *numbers, view.blur_px, message])
    return VIEWS.checked(pd.DataFrame(rows, columns=VIEWS.names))
