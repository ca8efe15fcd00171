"""How exactly a marker's corners can be placed at all: the Cramer-Rao bound of the fit's own model."""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, checked_array
from fiducialkit.imaging import kernels

_REACH_PX = 12.0  # beyond the corners, where the blur has faded


def corner_bound_px2(
    corners_px: FloatArray,
    artwork: BoolArray,
    *,
    black_grey: float,
    white_grey: float,
    grey_sd: float,
    blur_px: float,
) -> FloatArray:
    """Return the least covariance an unbiased estimate of the corners can have.

    All cells known and a white margin without end; two grey levels, a linear gradient of the light, blur and tone
    exponent unknown; independent noise on every pixel, quantisation (1/12) included.

    Parameters
    ----------
    corners_px : ndarray, shape (4, 2)
        Clockwise from the upright marker's top left. [px]
    artwork : ndarray of bool, shape (n, n)
        Cells of the whole black square, True is white.
    black_grey, white_grey, grey_sd : float
        Levels of black and white, sd of the noise. [grey levels]
    blur_px : float
        Sd of the optical blur alone. [px]

    Returns
    -------
    ndarray, shape (8, 8)
        Of x and y of the first corner, then the second, and so on. [px^2]

    References
    ----------
    Rao, Bull. Calcutta Math. Soc. 37 (1945) 81-91; Cramer, Mathematical Methods of Statistics (1946), chapter 32.
    """
    corners = checked_array("corners_px", corners_px, (4, 2))
    cells = np.full((len(artwork) + 2 * kernels.RING,) * 2, 1.0)
    cells[kernels.RING : -kernels.RING, kernels.RING : -kernels.RING] = artwork
    low, high = np.floor(corners.min(axis=0) - _REACH_PX), np.ceil(corners.max(axis=0) + _REACH_PX)
    x, y = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    places = np.column_stack([x.ravel(), y.ravel()])
    parameters = np.zeros(kernels.PARAMETERS)
    kernels.shape_of(corners.ravel(), parameters[: kernels.SHAPE])
    black, white = float(black_grey), float(white_grey)
    parameters[[kernels.BLACK, kernels.WHITE, kernels.SURROUND]] = black, white, white
    parameters[[kernels.LOG_BLUR, kernels.TONE]] = math.log(blur_px), 1.0
    greys, rows = np.empty(len(places)), np.empty((kernels.PARAMETERS, len(places)))
    bends = np.array([[1.0, 0.0, 0.0, 1.0]])
    kernels.model_greys(parameters, places, bends, cells, float(len(artwork)), True, False, greys, rows)
    rows = rows[: kernels.SURROUND]
    covariance = np.linalg.inv(rows @ rows.T) * (grey_sd**2 + 1.0 / 12.0)
    by_shape = np.empty((8, 8))
    kernels.corners_of(parameters, np.empty(8), by_shape)
    return np.asarray(by_shape @ covariance[: kernels.SHAPE, : kernels.SHAPE] @ by_shape.T)
