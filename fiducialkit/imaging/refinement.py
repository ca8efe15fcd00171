"""A marker's corners by maximum likelihood: its whole known pattern fitted to the pixels that show it.

Eight corner coordinates (in undistorted coordinates where the lens is known, so that bent edges fit too), two grey
levels under a linear light gradient, the blur, and a tone exponent where the camera file gives none. The bound is the
Cramer-Rao bound of that model; `tests/benchmarks/corner_accuracy.py` measures the distance to it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from fiducialkit.arrays import BoolArray, ByteArray, FloatArray, IntArray
from fiducialkit.imaging import fit_kernels, kernels, selection_kernels
from fiducialkit.imaging.covered_sides import near_covered_sides
from fiducialkit.imaging.lens_patch import PinholeView, lens_patch, view_towards
from fiducialkit.scene.camera import Camera

_REACH_CELLS = 1.5  # round the square: the white margin, and half a cell because corners are not exact yet
_START_BLUR_PX = 0.8
_MORE_BLUR = 1.15  # a blur so much above the first guess makes the trusted margin narrower, and the fit is done again
_ROUGH_PIXELS, _ROUGH_STEP_PX = 600, 0.05  # first a part of the pixels, until the corners move no more than this
_SMALL_STEP_PX = 0.02  # what is left after a step so small is its square by the blur: 5e-4 px
_TEST_PIXELS, _WANTS_SHARPNESS_SDS = 300, 3.5  # beyond it is worth asking whether the camera sharpens its pictures
_START_SHARPNESS = 0.3
_BETTER_CHI2 = 20.0  # for one parameter more
_NO_BEND = np.array([[1.0, 0.0, 0.0, 1.0]])
_CONTRAST_LEAST_GREY = 6.0
_EXPLAINED_LEAST = 0.5
_UNUSED_MOST = 0.4
_WORTH_A_LOOK = 0.02  # share of pixels set aside from which on a whole margin may be covered


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkerFit:
    """What the fit of one marker gives.

    Attributes
    ----------
    status : str
        "fitted"; "not_converged"; "disagrees" (the pattern explains too little of the pixels, or the corners ran
        away): then `corners_px` are the corners it started from and `covariance_px2` is None.
    corners_px : ndarray, shape (4, 2)
    covariance_px2 : ndarray, shape (8, 8), or None
        Scaled by the residuals, and enlarged where these show a pattern, so it grows where the model is off.
    black_grey, white_grey, blur_px, tone_exponent : float
        Grey levels in the middle of the marker before the tone curve, optical blur, tone exponent.
    residual_grey : float
        Sd of what the model leaves.
    explained : float
        Share of the pixels' variance that the pattern explains: near 1 for the right marker, low for a false one.
    unused : float
        Share of pixels that the robust fit set aside: something covers the marker.
    sharpness : float
        How much of a smoother picture the camera took away to sharpen its own; 0 where the pixels do not ask for it.
    """

    status: str
    corners_px: FloatArray
    covariance_px2: FloatArray | None
    black_grey: float
    white_grey: float
    blur_px: float
    tone_exponent: float
    residual_grey: float
    explained: float
    unused: float
    sharpness: float = 0.0


def fit_marker(
    grey: ByteArray,
    corners_px: FloatArray,
    artwork: BoolArray,
    camera: Camera | None = None,
    *,
    largest_shift_px: float | None = None,
) -> MarkerFit:
    """Fit a marker's pattern to the picture, from corners that are right within about a blur's width.

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)
    corners_px : ndarray, shape (4, 2)
        Clockwise from the upright marker's top left; the start. [px]
    artwork : ndarray of bool, shape (n, n)
        Cells of the whole black square, True is white (`MarkerFamily.artwork`). A white margin of one cell is assumed.
    camera : Camera, optional
        Its lens, for edges that it bends; its tone exponent.
    largest_shift_px : float, optional
        Corners that move farther disagree with their start; 1.5 px or 8 % of the side if None. [px]
    """
    lens = camera if camera is not None and any(camera.distortion) else None
    corners = np.array(corners_px, dtype=np.float64)
    if not np.isfinite(corners).all() or not _turns_right(corners):
        return _kept("not_converged", corners)
    view = None if lens is None else view_towards(corners, lens)
    if lens is not None and view is None:
        return _kept("not_converged", corners)
    start = corners if view is None else view.undistorted(corners)
    side_px = _mean_side(corners)
    patch = lens_patch(corners, _REACH_CELLS * side_px / len(artwork), view)
    if not np.isfinite(patch[2]).all():
        return _kept("not_converged", corners)
    tone = None if camera is None else camera.noise.tone_exponent
    fit = _fit_pixels(grey, corners.ravel(), start.ravel(), _cells(artwork), _START_BLUR_PX, tone, patch)
    if fit is not None and fit.blur_px > _MORE_BLUR * _START_BLUR_PX:
        fit = _fit_pixels(grey, corners.ravel(), start.ravel(), _cells(artwork), fit.blur_px, tone, patch)
    if fit is None:
        return _kept("not_converged", corners)
    if abs(fit.sharpness_sds) > _WANTS_SHARPNESS_SDS:
        other = _fit_pixels(
            grey, corners.ravel(), start.ravel(), _cells(artwork), fit.blur_px, tone, patch, is_sharpened=True
        )
        fit = other if other is not None and _is_better(other, fit) else fit
    allowed = max(1.5, 0.08 * side_px) if largest_shift_px is None else largest_shift_px
    shift = fit.corners.reshape(4, 2) - start
    if not fit.has_covariance or not _is_plausible(shift, fit.parameters, fit.summary, allowed):
        return _kept("disagrees", corners)
    return _result(fit, view)


@dataclass(frozen=True, slots=True)
class _Fit:
    parameters: FloatArray
    corners: FloatArray
    covariance: FloatArray
    summary: FloatArray
    has_covariance: bool
    pixels: int
    sharpness_sds: float

    @property
    def blur_px(self) -> float:
        return float(math.exp(self.parameters[kernels.LOG_BLUR]))


def _fit_pixels(
    grey: ByteArray,
    corners_px: FloatArray,
    start: FloatArray,
    cells: FloatArray,
    blur_px: float,
    tone: float | None,
    patch: tuple[FloatArray, IntArray, FloatArray],
    *,
    is_sharpened: bool = False,
) -> _Fit | None:
    """Return the fit to the pixels that a marker of that blur is told by, or None where it does not converge."""
    most = selection_kernels.box_of(
        corners_px,
        selection_kernels.cell_side_px(start, cells),
        grey.shape[1],
        grey.shape[0],
        np.empty(4, dtype=np.int64),
    )
    levels, places, tiles = np.empty(most), np.empty((most, 2)), np.empty(most, dtype=np.int64)
    bends = np.empty((most, 4)) if len(patch[1]) else _NO_BEND
    parameters = np.empty(kernels.PARAMETERS)
    count = fit_kernels.gather(
        grey, corners_px, start, cells, blur_px, 1.0 if tone is None else tone, *patch, levels, places, bends, tiles,
        parameters,
    )  # fmt: skip
    if count < 2 * kernels.PARAMETERS:
        return None
    levels, places, bends = levels[:count], places[:count], bends[:count]
    free = np.ones(kernels.PARAMETERS, dtype=np.bool_)
    free[kernels.TONE] = tone is None
    free[kernels.SHARPNESS] = is_sharpened
    parameters[kernels.SHARPNESS] = _START_SHARPNESS if is_sharpened else 0.0
    prior_mean = fit_kernels.PRIOR_MEAN.copy()
    prior_mean[kernels.SURROUND - kernels.GRADIENT_X] = parameters[kernels.SURROUND]
    every = max(count // _ROUGH_PIXELS, 1)
    if every > 1:
        part = _every(every, levels, places, bends)
        number = len(part[0])
        fit_kernels.iterate(
            *part, cells, free, parameters, prior_mean, _ROUGH_STEP_PX, np.empty((kernels.PARAMETERS, number)),
            np.empty(number), np.empty(number),
        )  # fmt: skip
    fit, weights = _settled((levels, places, bends, tiles[:count]), cells, free, parameters, prior_mean)
    if fit is None or not fit.summary[fit_kernels.UNUSED] > _WORTH_A_LOOK:
        return fit
    hidden = near_covered_sides(places, weights, fit.corners, len(cells) - 2 * kernels.RING, fit.blur_px)
    if not hidden.any():
        return fit
    rest = [each[~hidden] if len(each) > 1 else each for each in (levels, places, bends, tiles[:count])]
    if len(rest[0]) < 2 * kernels.PARAMETERS:
        return None
    again, _ = _settled(tuple(rest), cells, free, parameters, prior_mean)
    if again is not None:
        again.summary[fit_kernels.UNUSED] += float(hidden.mean())
    return again


def _settled(
    pixels: tuple[Any, ...], cells: FloatArray, free: BoolArray, parameters: FloatArray, prior_mean: FloatArray
) -> tuple[_Fit | None, FloatArray]:
    """Return the fit to these pixels (levels, places, bends, tiles), None in vain, and which of them it used."""
    levels, places, bends, tiles = pixels
    count = len(levels)
    rows, residuals, weights = np.empty((kernels.PARAMETERS, count)), np.empty(count), np.empty(count)
    status, scale = fit_kernels.iterate(
        levels, places, bends, cells, free, parameters, prior_mean, _SMALL_STEP_PX, rows, residuals, weights
    )
    if status != fit_kernels.CONVERGED:
        return None, weights
    corners, covariance, summary = np.empty(8), np.empty((8, 8)), np.empty(3)
    has_covariance = fit_kernels.finish(
        levels, rows, residuals, weights, tiles, free, parameters, scale, corners, covariance, summary
    )
    few = _every(max(count // _TEST_PIXELS, 1), levels, places, bends)
    is_sharpened = free[kernels.SHARPNESS]
    sds = 0.0 if is_sharpened else fit_kernels.sharpness_sds(*few, cells, free, parameters, prior_mean, scale)
    return _Fit(parameters, corners, covariance, summary, bool(has_covariance), count, sds), weights


def _every(step: int, *arrays: FloatArray) -> list[FloatArray]:
    """Return every so many rows of arrays; those of one row stand for all pixels and stay."""
    return [np.ascontiguousarray(each[::step]) if len(each) > 1 else each for each in arrays]


def _is_better(other: _Fit, fit: _Fit) -> bool:
    before, after = fit.summary[fit_kernels.RESIDUAL], other.summary[fit_kernels.RESIDUAL]
    return bool(fit.pixels * (1.0 - (after / before) ** 2) > _BETTER_CHI2)


def _cells(artwork: BoolArray) -> FloatArray:
    """Return the artwork with its white margin, and a ring for what surrounds that; 1 is white."""
    cells = np.ones((len(artwork) + 2 * kernels.RING,) * 2)
    cells[kernels.RING : -kernels.RING, kernels.RING : -kernels.RING] = artwork
    return cells


def _mean_side(corners_px: FloatArray) -> float:
    return float(np.sqrt(((corners_px - corners_px[[3, 0, 1, 2]]) ** 2).sum(axis=1)).mean())


def _turns_right(corners: FloatArray) -> bool:
    """Return whether corners are those of a convex square seen from its front."""
    along = corners[[1, 2, 3, 0]] - corners
    back = along[[3, 0, 1, 2]]
    return bool((back[:, 0] * along[:, 1] - back[:, 1] * along[:, 0] > 0.0).all())


def _kept(status: str, corners_px: FloatArray) -> MarkerFit:
    unknown = math.nan
    return MarkerFit(
        status=status, corners_px=corners_px.copy(), covariance_px2=None, black_grey=unknown, white_grey=unknown,
        blur_px=unknown, tone_exponent=unknown, residual_grey=unknown, explained=0.0, unused=1.0,
    )  # fmt: skip


def _is_plausible(shift_px: FloatArray, parameters: FloatArray, summary: FloatArray, allowed_px: float) -> bool:
    contrast = parameters[kernels.WHITE] - parameters[kernels.BLACK]
    return bool(
        np.sqrt((shift_px**2).sum(axis=1)).max() <= allowed_px
        and contrast > _CONTRAST_LEAST_GREY
        and summary[fit_kernels.EXPLAINED] > _EXPLAINED_LEAST
        and summary[fit_kernels.UNUSED] <= _UNUSED_MOST
    )


def _result(fit: _Fit, view: PinholeView | None) -> MarkerFit:
    corners, covariance = fit.corners.reshape(4, 2), fit.covariance
    if view is not None:
        corners, by_place = view.distorted(corners)
        turn = np.zeros((8, 8))
        for k in range(4):
            turn[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = by_place[k]
        covariance = turn @ covariance @ turn.T
        covariance = 0.5 * (covariance + covariance.T)
    parameters, summary = fit.parameters, fit.summary
    return MarkerFit(
        status="fitted",
        corners_px=corners,
        covariance_px2=covariance,
        black_grey=float(parameters[kernels.BLACK]),
        white_grey=float(parameters[kernels.WHITE]),
        blur_px=fit.blur_px,
        tone_exponent=float(parameters[kernels.TONE]),
        residual_grey=float(summary[fit_kernels.RESIDUAL]),
        explained=float(summary[fit_kernels.EXPLAINED]),
        unused=float(summary[fit_kernels.UNUSED]),
        sharpness=float(parameters[kernels.SHARPNESS]),
    )
