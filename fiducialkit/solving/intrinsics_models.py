"""Which lens model a calibration takes: each fitted, and compared by what it foretells of views it has not seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from fiducialkit.errors import InputError
from fiducialkit.imaging.boards import BoardView
from fiducialkit.scene.camera import Camera, LensModel
from fiducialkit.solving.intrinsics_fit import LensFit, Sights, fit_lens, held_out, pooled_rms, sights_of
from fiducialkit.solving.intrinsics_flips import unflipped_poses
from fiducialkit.solving.intrinsics_result import MODELS, nine_places
from fiducialkit.solving.intrinsics_start import first_camera

_COEFFICIENTS: dict[str, int] = {"brown": 5, "rational": 8, "fisheye": 4}
_BETTER = 0.99  # a richer model must lower the held-out error to this share
_FISHEYE_BETTER = 0.8
_PLAIN_ENOUGH = 0.0004  # of the picture's width, half a pixel of 1280: nothing a fisheye would be needed for
_FOLD_MARGIN = 1.1
_BELIEVED_SD = 0.3  # of a coefficient of the rational model, where nothing else keeps it from folding over
_FIRST_ITERATIONS, _FLIP_ROUNDS = 10, 3
_GLANCE_ITERATIONS, _PROMISING = 10, 0.997  # a model that does not gain so much so soon is not followed to its end


def check_choice(model: str, coefficients: int | None) -> None:
    """Raise InputError if there is no such model, or it has not so many coefficients."""
    if model not in ("auto", *_COEFFICIENTS):
        raise InputError(f"model: expected auto, {', '.join(_COEFFICIENTS)}, found {model!r}")
    allowed = {"brown": (2, 4, 5), "rational": (8,), "fisheye": (4,), "auto": ()}[model]
    if coefficients is not None and coefficients not in allowed:
        given = " or ".join(str(each) for each in allowed) or "none, since they are chosen along"
        raise InputError(f"coefficients: expected {given} for {model}, found {coefficients}")


def first_fit(used: Sequence[BoardView], model: str, coefficients: int | None, name: str) -> LensFit:
    """Return a fit to all views: of the model asked for, or of brown or fisheye, whichever comes nearer.

    The many coefficients of the rational model begin at a brown one's, so that it is brown that is returned for it.
    """
    sights, size = sights_of(used), used[0].picture_size_px
    if model != "auto":
        first: LensModel = "fisheye" if model == "fisheye" else "brown"
        return _started(sights, _blank(size, first, None if model == "rational" else coefficients, name), coefficients)
    brown = _started(sights, _blank(size, "brown", 5, name), None)
    if _typical(brown) < _PLAIN_ENOUGH * size[0] and brown.camera.unproject(nine_places(brown.camera))[1].all():
        return brown
    fisheye = _started(sights, _blank(size, "fisheye", 4, name), None)
    return fisheye if _typical(fisheye) < _FISHEYE_BETTER * _typical(brown) else brown


def _blank(size: tuple[int, int], model: LensModel, coefficients: int | None, name: str) -> Camera:
    """Return a camera of that model to start from."""
    count = max(coefficients or _COEFFICIENTS[model], 4)
    return Camera(
        width_px=size[0], height_px=size[1], fx_px=float(size[0]), fy_px=float(size[0]), cx_px=(size[0] - 1) / 2.0,
        cy_px=(size[1] - 1) / 2.0, distortion=(0.0,) * count, model=model, name=name,
    )  # fmt: skip


def _started(sights: Sights, blank: Camera, coefficients: int | None) -> LensFit:
    """Return the fit from nothing; boards whose pose came out the wrong one of two are turned over on the way."""
    camera, poses = first_camera(sights.points_board, sights.pixels_px, sights.view_of, blank)
    brown = coefficients if blank.model == "brown" else None
    fit = fit_lens(sights, camera, poses, coefficients=brown, max_iterations=_FIRST_ITERATIONS)
    for _ in range(_FLIP_ROUNDS):
        turned = unflipped_poses(fit, sights)
        if turned is None:
            break
        fit = fit_lens(sights, fit.camera, turned, coefficients=brown, max_iterations=_FIRST_ITERATIONS)
    if fit.adjustment.status != "not_converged":
        return fit
    return fit_lens(sights, fit.camera, fit.poses, coefficients=brown)


def _typical(fit: LensFit) -> float:
    """Return the rms of the median view. [px]"""
    return float(np.median(fit.view_rms_px))


def compared_models(fit: LensFit, sights: Sights, model: str) -> tuple[LensFit, pd.DataFrame]:
    """Return the fit that is taken, and the table `MODELS` that says why.

    Parameters
    ----------
    fit : LensFit
        The first one, to views without what does not fit.
    sights : Sights
        Of the same views.
    model : {"auto", "brown", "rational", "fisheye"}
        "auto" takes a richer model only where it foretells views it has not seen better by a hundredth.
    """
    fits = _candidates(fit, sights, model)
    errors = [pooled_rms(each, held_out(each)) for each in fits]
    chosen = 0
    for number, each in enumerate(fits[1:], start=1):
        if errors[number] < _BETTER * errors[chosen] and not _is_absurd(each):
            chosen = number
    rows = [
        {
            "model": each.camera.model, "coefficients": int(each.is_free[4:].sum()), "rms_px": each.rms_px,
            "held_out_px": error, "is_chosen": number == chosen, "message": _why(number, chosen, errors, each),
        }
        for number, (each, error) in enumerate(zip(fits, errors, strict=True))
    ]  # fmt: skip
    return fits[chosen], MODELS.checked(pd.DataFrame(rows))


def _candidates(fit: LensFit, sights: Sights, model: str) -> list[LensFit]:
    """Return fits from the plainest model to the richest, each begun at the last."""
    if model == "rational":
        return [_richer(sights, fit, "rational", 8)]
    if model != "auto" or fit.camera.model == "fisheye":
        return [fit]
    four, many = _richer(sights, fit, "brown", 4), _richer(sights, fit, "rational", 8, _GLANCE_ITERATIONS)
    if many.adjustment.status == "not_converged" and many.rms_px < _PROMISING * fit.rms_px:
        many = _richer(sights, many, "rational", 8)
    return [four, fit, many]


def _richer(sights: Sights, fit: LensFit, model: LensModel, count: int, iterations: int = 60) -> LensFit:
    """Return a fit of another model of Brown's kind, begun at one that there is.

    Numerator and denominator of the rational model can nearly cancel, which fits as well and folds the lens over inside
    the picture; where they did, coefficients are believed to be small.
    """
    coefficients = (*fit.camera.distortion, 0.0, 0.0, 0.0, 0.0, 0.0)[:count]
    camera = replace(fit.camera, model=model, distortion=coefficients)
    found = fit_lens(sights, camera, fit.poses, max_iterations=iterations)
    if model != "rational" or not (_is_absurd(found) or _nearly_folds(found.camera)):
        return found
    held = fit_lens(sights, camera, fit.poses, coefficient_sd=_BELIEVED_SD, max_iterations=iterations)
    return found if _is_absurd(held) else held


def _is_absurd(fit: LensFit) -> bool:
    """Return whether a lens lies outside all reason: an axis far out of the picture, or a fold inside it."""
    camera = fit.camera
    off = max(abs(camera.cx_px / camera.width_px - 0.5), abs(camera.cy_px / camera.height_px - 0.5))
    return bool(off > 0.25 or not camera.unproject(nine_places(camera))[1].all())


def _nearly_folds(camera: Camera) -> bool:
    """Return whether a lens folds over little beyond what the picture shows."""
    directions, _ = camera.unproject(nine_places(camera))
    return bool(_FOLD_MARGIN * float(np.linalg.norm(directions, axis=1).max()) > camera.valid_radius)


def _why(number: int, chosen: int, errors: list[float], fit: LensFit) -> str:
    if number == chosen:
        return "foretells views it has not seen best" if len(errors) > 1 else "asked for"
    if _is_absurd(fit):
        return "its axis or its fold lies where no lens has it"
    if number < chosen:
        return "foretells views it has not seen worse"
    return "more coefficients without a real gain for views it has not seen"
