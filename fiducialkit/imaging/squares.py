"""Dark squares of a picture: an adaptive threshold, outlines of what is dark, four corners, straight edges.

Nothing is read here. Squares are found down to about 6 px of side, with the larger part of what else is dark.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from fiducialkit.arrays import ByteArray, FloatArray
from fiducialkit.imaging import decoding_kernels as kernels
from fiducialkit.imaging.detector_settings import DetectorSettings
from fiducialkit.imaging.square_kernels import square_outlines

OUTLINE_INSET_PX = 1.0  # a dark outline must lie this far inside the outermost pixel centres
_MOST_SQUARES = 5_000
_NOISE_ROWS = 24
_SAME_PX = 1.0  # outlines whose boxes differ by no more are of one square
_NORMAL_MEDIAN = 0.6745  # median of |x| of a standard normal x
_AHEAD_PX = 0.5  # outlines of dark squares run through their outermost pixels
_REACH_PX = (1.0, 2.5)
_ROUNDS = 2
_MOVED_MOST_PX = 3.0


def find_squares(grey: ByteArray, settings: DetectorSettings) -> FloatArray:
    """Return the corners of the dark squares of a picture, (N, 4, 2), clockwise, right to about a pixel. [px]

    A pixel is dark if it is darker than the mean of one of the windows by more than a margin that grows with the
    picture's noise; an outline round what is dark counts if four corners account for it. The looks for clear
    squares are apart from the first, where texture and the dark fringes of sharpened edges may join a square to what is
    beside it. A square that both see is there twice.

    Parameters
    ----------
    grey : ndarray of uint8, shape (h, w)
    settings : DetectorSettings
    """
    margin = settings.darker_by_grey + settings.darker_by_noise_sd * noise_sd_grey(grey)
    sides = dict.fromkeys([*settings.windows_px, *settings.clear_windows_px])
    means = {side: cv2.blur(grey, (side, side), borderType=cv2.BORDER_REPLICATE) for side in sides}
    brightest = means[settings.windows_px[0]]
    for side in settings.windows_px[1:]:
        brightest = cv2.max(brightest, means[side])
    found = _outlined(grey, brightest, margin, settings)
    for side in settings.clear_windows_px:
        clear = _outlined(grey, means[side], settings.clear_by_grey, settings)
        found = np.concatenate([found, _others(clear, found)])
    return found


def _outlined(grey: ByteArray, means: Any, margin_grey: float, settings: DetectorSettings) -> FloatArray:
    """Return the squares among what is darker than the means by the margin."""
    dark = (np.asarray(cv2.subtract(means, grey)) >= max(1, round(margin_grey))).view(np.uint8)
    dark[[0, -1]], dark[:, [0, -1]] = 0, 0  # where outlines may not run
    squares = np.empty((min(_MOST_SQUARES, dark.size // 16), 4, 2))
    return squares[: square_outlines(dark, settings.smallest_side_px, squares)].copy()


def _others(squares: FloatArray, known: FloatArray) -> FloatArray:
    """Return the squares that are not among those known already."""
    ends = np.concatenate([squares.min(axis=1), squares.max(axis=1)], axis=1)
    known_ends = np.concatenate([known.min(axis=1), known.max(axis=1)], axis=1)
    apart = np.abs(ends[:, None] - known_ends[None]).max(axis=2, initial=0.0)
    return np.asarray(squares[apart.min(axis=1, initial=np.inf) > _SAME_PX])


def noise_sd_grey(grey: ByteArray) -> float:
    """Return the sd of the picture's noise, from how pixels differ from their neighbours in some rows.

    The median keeps edges out of it; a picture that is all texture has the texture counted as noise.
    """
    rows = grey[:: max(1, len(grey) // _NOISE_ROWS)].astype(np.int16)
    bends = np.abs(2 * rows[:, 1:-1] - rows[:, :-2] - rows[:, 2:])
    counts = np.bincount(bends.ravel(), minlength=2)
    # whole grey levels: straight within the level that holds the median
    below = np.cumsum(counts)
    level = int(np.searchsorted(below, 0.5 * bends.size))
    part = (0.5 * bends.size - (below[level] - counts[level])) / max(int(counts[level]), 1)
    median = max(level - 0.5 + part, 0.0) if level else 0.5 * float(part)
    return float(median / (_NORMAL_MEDIAN * np.sqrt(6.0)))


def squares_at_edges(grey: ByteArray, corners_px: FloatArray, cells: int) -> FloatArray:
    """Return dark squares with corners moved to where their edges meet, or as they were where that fails.

    Each edge is a straight line through the centroids of the rise in grey level across it, weighted by the rise.

    Parameters
    ----------
    grey : ndarray of uint8, shape (h, w)
    corners_px : ndarray, shape (N, 4, 2)
        Outlines through the outermost dark pixels. [px]
    cells : int
        Cells along a side, border included: the rise is looked for within one.
    """
    start = np.ascontiguousarray(corners_px, dtype=np.float64)
    moved = np.empty_like(start)
    reach_px = np.clip(cell_sizes_px(start, cells).min(axis=1, initial=np.inf), *_REACH_PX)
    kernels.to_edges(grey, start, _AHEAD_PX, reach_px, _ROUNDS, moved)
    with np.errstate(invalid="ignore"):
        is_near = (np.linalg.norm(moved - start, axis=2) < _MOVED_MOST_PX).all(axis=1)
    return np.where(is_near[:, None, None], moved, start)


def cell_sizes_px(corners_px: FloatArray, cells: int) -> FloatArray:
    """Return the mean width and height of a square's cells, (N, 2), each square to the cells' other edges. [px]

    Blur spreads over a slanted cell as over an upright one of that width and height.
    """
    sides = np.linalg.norm(corners_px - np.roll(corners_px, -1, axis=1), axis=2)  # top, right, bottom, left
    lengths = (sides[:, :2] + sides[:, 2:]) / (2.0 * cells)
    return np.asarray(_areas(corners_px)[:, None] / (cells**2 * np.maximum(lengths[:, ::-1], 1e-9)))


def slants(corners_px: FloatArray) -> FloatArray:
    """Return minus the cosine of the angle between the edges of each square's cells, (N,)."""
    across = corners_px[:, 1] + corners_px[:, 2] - corners_px[:, 0] - corners_px[:, 3]
    down = corners_px[:, 2] + corners_px[:, 3] - corners_px[:, 0] - corners_px[:, 1]
    lengths = np.maximum(np.linalg.norm(across, axis=1) * np.linalg.norm(down, axis=1), 1e-9)
    return np.asarray(-(across * down).sum(axis=1) / lengths)


def _areas(corners_px: FloatArray) -> FloatArray:
    first, second = corners_px[:, 2] - corners_px[:, 0], corners_px[:, 3] - corners_px[:, 1]
    return np.asarray(np.abs(first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / 2.0)


def widths_px(corners_px: FloatArray) -> FloatArray:
    """Return the shorter way across each quadrilateral: its area over its longest side. [px]"""
    sides = np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=1), axis=2)
    return np.asarray(_areas(corners_px) / sides.max(axis=1, initial=1e-9), dtype=np.float64)
