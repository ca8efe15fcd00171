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
        joined = cv2.morphologyEx(light, cv2.MORPH_CLOSE, np.ones((gap, gap), np.uint8))
        joined[[0, -1]], joined[:, [0, -1]] = 0, 0
        patches = np.empty((_MOST, 4, 2))
        corners = patches[: square_outlines(joined, smallest_px, patches)]
        outward = corners - corners.mean(axis=1, keepdims=True)
        edge = outward * (1.0 + 0.7 / np.maximum(np.linalg.norm(outward, axis=2, keepdims=True), 1.0))
        found.append(corners.mean(axis=1, keepdims=True) + larger * edge)
    return np.concatenate(found)
