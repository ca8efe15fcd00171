"""A marker's corners by maximum likelihood: its whole known pattern fitted to the pixels that show it.

Eight corner coordinates (in undistorted coordinates where the lens is known, so that bent edges fit too), two grey
levels under a linear light gradient, the blur, and a tone exponent where the camera file gives none. The bound is the
Cramer-Rao bound of that model; `tests/benchmarks/corner_accuracy.py` measures the distance to it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fiducialkit.arrays import BoolArray, ByteArray, FloatArray, IntArray
from fiducialkit.imaging import kernels
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.projection import square_to_quadrilateral

_START_BLUR_PX = 0.8
_NOISE_FLOOR_GREY = 0.5  # quantisation alone leaves 0.29
_MARGIN_CELLS = 1
_BLUR_REACH_SD = 2.2  # the white margin is trusted up to this many sds of blur from its outer edge
_PIXEL_VARIANCE = 1.0 / 12.0
_MORE_BLUR = 1.15  # a blur so much above the first guess makes the trusted margin narrower, and the fit is done again
_CONTRAST_LEAST_GREY = 6.0
_EXPLAINED_LEAST = 0.5
_UNUSED_MOST = 0.4
_DENSE_UP_TO_PX = 6.0  # cells larger than this have pixels far from any edge, of which a few are enough
_FLAT_EVERY = 8
_LEAST_TILE_PX = 4.0
_PATTERNED = 1.5  # of independent noise the factor is 1 within about 0.2


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
    cells = np.pad(artwork, _MARGIN_CELLS, constant_values=True).astype(np.float64)
    side = float(len(artwork))
    start = corners_px if lens is None else _undistorted(corners_px, lens)
    free = np.ones(kernels.PARAMETERS, dtype=np.bool_)
    free[kernels.TONE] = camera is None or camera.noise.tone_exponent is None
    parameters, blur_px = np.empty(0), _START_BLUR_PX
    for _ in range(2):
        patch = _patch(grey, corners_px, start, side, lens, blur_px)
        if patch is None or len(patch[0]) < 2 * kernels.PARAMETERS:
            return _kept("not_converged", corners_px)
        if not parameters.size:
            parameters = _first_guess(start, patch[0], camera)
        if _mean_side(start) / side > _DENSE_UP_TO_PX:
            patch = _informative(*patch, cells, side, parameters)
        information, summary = np.empty((kernels.PARAMETERS, kernels.PARAMETERS)), np.empty(5)
        tiles = _tiles(patch[1], max(_mean_side(start) / side, _LEAST_TILE_PX))
        scores = np.empty((int(tiles.max()) + 1, kernels.PARAMETERS))
        status = kernels.fit_marker(
            *patch, cells, side, free, parameters, _NOISE_FLOOR_GREY, tiles, information, scores, summary
        )
        if status != kernels.CONVERGED:
            return _kept("not_converged", corners_px)
        fitted_blur_px = math.exp(parameters[kernels.LOG_BLUR])
        if fitted_blur_px < _MORE_BLUR * blur_px:
            break
        blur_px = fitted_blur_px
    return _checked(corners_px, start, parameters, free, information, scores, summary, lens, largest_shift_px)


def _mean_side(corners_px: FloatArray) -> float:
    return float(np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=0), axis=1).mean())


def _kept(status: str, corners_px: FloatArray) -> MarkerFit:
    unknown = math.nan
    return MarkerFit(
        status=status, corners_px=corners_px.copy(), covariance_px2=None, black_grey=unknown, white_grey=unknown,
        blur_px=unknown, tone_exponent=unknown, residual_grey=unknown, explained=0.0, unused=1.0,
    )  # fmt: skip


def _undistorted(pixels: FloatArray, lens: Camera) -> FloatArray:
    """Return pixels of the same lens without its distortion; NaN where it does not reach."""
    directions, _ = lens.unproject(pixels)
    return np.asarray(directions * [lens.fx_px, lens.fy_px] + [lens.cx_px, lens.cy_px])


def _patch(
    grey: ByteArray, corners_px: FloatArray, start: FloatArray, side: float, lens: Camera | None, blur_px: float
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Return (levels, undistorted places, derivatives of those) of the pixels that show the marker and its margin."""
    height, width = grey.shape
    reach = 2.0 * _MARGIN_CELLS * _mean_side(corners_px) / side
    low = np.maximum(np.floor(corners_px.min(axis=0) - reach), 0.0).astype(int)
    high = np.minimum(np.ceil(corners_px.max(axis=0) + reach), [width - 1, height - 1]).astype(int)
    if not np.isfinite(start).all() or (high <= low).any():
        return None
    x, y = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1))
    pixels = np.column_stack([x.ravel(), y.ravel()]).astype(np.float64)
    places = pixels if lens is None else _undistorted(pixels, lens)
    perspective = np.empty((3, 3))
    square_to_quadrilateral(start.ravel(), perspective)
    with np.errstate(all="ignore"):
        homogeneous = np.column_stack([places, np.ones(len(places))]) @ np.linalg.inv(perspective).T
        square = homogeneous[:, :2] / homogeneous[:, 2:]
    margin = _trusted_margin(start, side, blur_px)
    keep = ((square > -margin) & (square < 1.0 + margin)).all(axis=1) & (homogeneous[:, 2] * homogeneous[0, 2] > 0.0)
    places, pixels = np.ascontiguousarray(places[keep]), pixels[keep]
    levels = grey[pixels[:, 1].astype(int), pixels[:, 0].astype(int)].astype(np.float64)
    return levels, places, _bends(places, lens)


def _trusted_margin(start: FloatArray, side: float, blur_px: float) -> FloatArray:
    """Return how far outside the square, in sides across and down, pixels see nothing but the white margin."""
    across = np.linalg.norm(start - np.roll(start, 1, axis=0), axis=1)
    lengths = np.array([across[1] + across[3], across[2] + across[0]]) / 2.0
    blurred = _BLUR_REACH_SD * math.sqrt(blur_px**2 + _PIXEL_VARIANCE) / lengths
    return np.asarray(np.maximum(_MARGIN_CELLS / side - blurred, 0.0))


def _bends(places: FloatArray, lens: Camera | None) -> FloatArray:
    """Return the derivative of undistorted by real pixel coordinates as rows (xx, xy, yx, yy)."""
    if lens is None:
        return np.tile([1.0, 0.0, 0.0, 1.0], (len(places), 1))
    focal = np.array([lens.fx_px, lens.fy_px])
    directions = (places - [lens.cx_px, lens.cy_px]) / focal
    _, _, by_pose, _ = lens.project_with_jacobian(np.column_stack([directions, np.ones(len(places))]))
    inverse = np.linalg.inv(by_pose[:, :, :2])  # d(direction)/d(pixel): a shift of a point at depth 1
    return np.ascontiguousarray((inverse * focal[:, None]).reshape(-1, 4))


def _first_guess(start: FloatArray, levels: FloatArray, camera: Camera | None) -> FloatArray:
    parameters = np.zeros(kernels.PARAMETERS)
    parameters[: kernels.CORNERS] = start.ravel()
    tone = None if camera is None else camera.noise.tone_exponent
    parameters[kernels.TONE] = 1.0 if tone is None else tone
    black, white = np.percentile(levels, [8, 92]) if len(levels) else (0.0, 255.0)
    undone = 1.0 / parameters[kernels.TONE]
    parameters[kernels.BLACK] = 255.0 * (black / 255.0) ** undone
    parameters[kernels.WHITE] = 255.0 * (white / 255.0) ** undone
    parameters[kernels.LOG_BLUR] = math.log(_START_BLUR_PX)
    return parameters


def _informative(
    levels: FloatArray, places: FloatArray, bends: FloatArray, cells: FloatArray, side: float, parameters: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the pixels near an edge, and every so many of the flat ones, which only tell the grey levels."""
    greys, rows = np.empty(len(levels)), np.empty((len(levels), kernels.PARAMETERS))
    wide = parameters.copy()
    wide[kernels.LOG_BLUR] = math.log(1.5 * _START_BLUR_PX)  # a start that is a little off must not lose the edge
    kernels.model_greys(wide, places, bends, cells, side, greys, rows)
    slope = np.abs(rows[:, : kernels.CORNERS]).sum(axis=1)
    keep = slope > 0.01 * slope.max()
    keep[::_FLAT_EVERY] = True
    return levels[keep], np.ascontiguousarray(places[keep]), np.ascontiguousarray(bends[keep])


def _checked(
    corners_px: FloatArray,
    start: FloatArray,
    parameters: FloatArray,
    free: BoolArray,
    information: FloatArray,
    scores: FloatArray,
    summary: FloatArray,
    lens: Camera | None,
    largest_shift_px: float | None,
) -> MarkerFit:
    fitted = parameters[: kernels.CORNERS].reshape(4, 2)
    shift = float(np.linalg.norm(fitted - start, axis=1).max())
    allowed = max(1.5, 0.08 * _mean_side(start)) if largest_shift_px is None else largest_shift_px
    contrast = parameters[kernels.WHITE] - parameters[kernels.BLACK]
    covariance = _covariance(information, scores, free, summary[0])
    plausible = shift <= allowed and contrast > _CONTRAST_LEAST_GREY and summary[1] > _EXPLAINED_LEAST
    if covariance is None or not plausible or summary[2] > _UNUSED_MOST:
        return _kept("disagrees", corners_px)
    corners, covariance = (fitted.copy(), covariance) if lens is None else _distorted(fitted, covariance, lens)
    return MarkerFit(
        status="fitted",
        corners_px=corners,
        covariance_px2=covariance,
        black_grey=float(parameters[kernels.BLACK]),
        white_grey=float(parameters[kernels.WHITE]),
        blur_px=float(math.exp(parameters[kernels.LOG_BLUR])),
        tone_exponent=float(parameters[kernels.TONE]),
        residual_grey=float(summary[0]),
        explained=float(summary[1]),
        unused=float(summary[2]),
    )


def _tiles(places: FloatArray, tile_px: float) -> IntArray:
    """Return for each pixel the number of the square tile it lies in."""
    column, row = np.floor((places - places.min(axis=0)) / tile_px).astype(np.int64).T
    return np.ascontiguousarray(row * (int(column.max()) + 1) + column)


def _covariance(
    information: FloatArray, scores: FloatArray, free: BoolArray, residual_grey: float
) -> FloatArray | None:
    """Return the corners' covariance, enlarged where the residuals of neighbouring pixels agree with each other.

    Independent noise leaves no pattern; a model that is off (sharpened edges, a shadow) does, and the plain covariance
    then promises too much. The sums of the scores over tiles show it: their spread over what independent residuals
    would give is the enlargement (a cluster-robust covariance, reduced to one factor).

    References
    ----------
    Liang and Zeger, "Longitudinal data analysis using generalized linear models", Biometrika 73 (1986) 13-22.
    """
    used = np.flatnonzero(free)
    block = information[np.ix_(used, used)]
    scale = np.sqrt(np.diag(block))
    if not (np.isfinite(block).all() and (scale > 0.0).all()):
        return None
    try:
        inverse = np.linalg.inv(block / np.outer(scale, scale)) / np.outer(scale, scale)
        corners = inverse[: kernels.CORNERS]
        covariance = corners[:, : kernels.CORNERS] * residual_grey**2
        influence = scores[:, used] @ corners.T
        enlargement = float(np.trace(np.linalg.solve(covariance, influence.T @ influence))) / kernels.CORNERS
    except np.linalg.LinAlgError:
        return None
    if enlargement > _PATTERNED:
        covariance = covariance * enlargement
    covariance = 0.5 * (covariance + covariance.T)
    is_proper = np.isfinite(covariance).all() and np.linalg.eigvalsh(covariance)[0] > 0.0
    return covariance if is_proper else None


def _distorted(corners: FloatArray, covariance: FloatArray, lens: Camera) -> tuple[FloatArray, FloatArray]:
    """Return corners and covariance from undistorted pixel coordinates back to the picture's own."""
    focal = np.array([lens.fx_px, lens.fy_px])
    directions = (corners - [lens.cx_px, lens.cy_px]) / focal
    pixels, _, by_pose, _ = lens.project_with_jacobian(np.column_stack([directions, np.ones(4)]))
    turn = np.zeros((8, 8))
    for k in range(4):
        turn[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = by_pose[k, :, :2] / focal
    return pixels, turn @ covariance @ turn.T
