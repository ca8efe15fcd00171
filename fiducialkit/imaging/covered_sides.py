"""Markers of which something covers a whole side's white margin.

The edge of such a side is no step from black to white. The robust fit sets most of its pixels aside, but those where a
sliver of the margin still shows look like an edge that lies elsewhere, and pull: .03 to .05 px, five times the stated
standard deviation. So nothing that such an edge touches is used.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray
from fiducialkit.imaging import kernels

_COVERED_SHARE = 0.5
_FEWEST = 4
_TOUCHED_SD = 3.0  # an edge is felt so many sds of blur inwards


def near_covered_sides(
    places: FloatArray, weights: FloatArray, corners: FloatArray, side_cells: float, blur_px: float
) -> BoolArray:
    """Return which pixels touch an edge whose white margin is mostly set aside.

    Parameters
    ----------
    places : ndarray, shape (N, 2)
        Of the pixels, where they would lie without the lens's distortion. [px]
    weights : ndarray, shape (N,)
        Of the fit; 0 for those it set aside.
    corners : ndarray, shape (8,)
        Fitted, in the same coordinates. [px]
    side_cells : float
        Cells along the black square's side.
    blur_px : float
        Sd of the optical blur.
    """
    across, down = _in_sides(places, corners)
    sides = np.linalg.norm(corners.reshape(4, 2)[[1, 2, 3, 0]] - corners.reshape(4, 2), axis=1)
    touched_px = _TOUCHED_SD * math.sqrt(blur_px * blur_px + kernels.PIXEL_VARIANCE)
    touched = np.zeros(len(places), dtype=np.bool_)
    for inwards, along, length_px in (
        (down + 0.5, across, sides[[1, 3]].mean()),
        (0.5 - across, down, sides[[0, 2]].mean()),
        (0.5 - down, across, sides[[1, 3]].mean()),
        (across + 0.5, down, sides[[0, 2]].mean()),
    ):
        margin = (inwards < -0.15 / side_cells) & (np.abs(along) < 0.5)
        if np.count_nonzero(margin) >= _FEWEST and np.mean(weights[margin] == 0.0) > _COVERED_SHARE:
            touched |= inwards < touched_px / length_px
    return touched


def _in_sides(places: FloatArray, corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return where pixels lie on the marker, across and down from its middle, in sides."""
    shape, inverse = np.empty(kernels.SHAPE), np.empty((3, 3))
    kernels.shape_of(corners, shape)
    kernels.inverse_of(shape, inverse)
    found = np.column_stack([places, np.ones(len(places))]) @ inverse.T
    return found[:, 0] / found[:, 2], found[:, 1] / found[:, 2]
