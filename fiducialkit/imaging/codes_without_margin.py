"""Where codes without a white margin may lie: their white cells, with nothing but black round them."""

from __future__ import annotations

import cv2
import numpy as np

from fiducialkit.arrays import ByteArray, FloatArray
from fiducialkit.imaging.square_kernels import square_outlines

_BRIDGES_PX = (3, 7, 15, 31, 61)  # dark gaps that are closed, about a cell or two
_MOST = 200


def squares_round_codes(grey: ByteArray, code_cells: int, border_cells: int, smallest_px: float) -> FloatArray:
    """Return black squares (N, 4, 2) that would surround square-like patches of light cells. [px]

    Light pixels are joined across gaps of several widths; a patch with four corners is taken for a code, and the square
    round it is as much larger as the border makes it.
    """
    level, _ = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    light = (grey > level).astype(np.uint8)
    larger = (code_cells + 2.0 * border_cells) / code_cells
    found = [np.empty((0, 4, 2))]
    for gap in _BRIDGES_PX:
        if gap >= min(grey.shape) // 2:
            break
        joined = np.asarray(cv2.morphologyEx(light, cv2.MORPH_CLOSE, np.ones((gap, gap), np.uint8)), dtype=np.uint8)
        joined[[0, -1]], joined[:, [0, -1]] = 0, 0
        patches = np.empty((_MOST, 4, 2))
        corners = np.concatenate(
            [patches[: square_outlines(joined, smallest_px, patches)], _boxes(joined, smallest_px)]
        )
        outward = corners - corners.mean(axis=1, keepdims=True)
        edge = outward * (1.0 + 0.7 / np.maximum(np.linalg.norm(outward, axis=2, keepdims=True), 1.0))
        found.append(corners.mean(axis=1, keepdims=True) + larger * edge)
    return np.concatenate(found)


def _boxes(joined: ByteArray, smallest_px: float) -> FloatArray:
    """Return the smallest upright or turned rectangles round patches, (N, 4, 2), clockwise, the largest first."""
    outlines = cv2.findContours(joined, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)[0]
    rectangles = [cv2.minAreaRect(each) for each in outlines if len(each) > 3]
    rectangles = [each for each in rectangles if min(each[1]) > smallest_px and max(each[1]) < 3.0 * min(each[1])]
    rectangles.sort(key=lambda each: -each[1][0] * each[1][1])
    corners = np.array([cv2.boxPoints(each) for each in rectangles[:_MOST]], dtype=np.float64)
    return corners.reshape(-1, 4, 2)
