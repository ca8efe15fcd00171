"""Corners by OpenCV's sub-pixel refinement, with windows fitted to each marker: what a careful stock detector gives."""

from __future__ import annotations

import math

import cv2
import numpy as np

from fiducialkit.arrays import ByteArray, FloatArray
from fiducialkit.imaging.detector_settings import DetectorSettings

_WINDOWS_AGREE_PX = 0.3


def subpixel_corners(grey: ByteArray, corners_px: FloatArray, cell_px: float, settings: DetectorSettings) -> FloatArray:
    """Return a marker's corners (4, 2) moved to where the grey levels turn.

    Parameters
    ----------
    grey : ndarray of uint8, shape (h, w)
    corners_px : ndarray, shape (4, 2)
        The start. [px]
    cell_px : float
        Shorter way across a cell. [px]
    settings : DetectorSettings
        For the windows. Corners that would leave their marker stay.
    """
    larger, smaller = (
        int(np.clip(math.ceil(share * cell_px), *settings.window_px)) for share in settings.windows_cells
    )
    refined = _turning_points(grey, corners_px, larger)
    if smaller < larger:
        careful = _turning_points(grey, corners_px, smaller)
        differs = np.linalg.norm(careful - refined, axis=1) > _WINDOWS_AGREE_PX
        refined[differs] = careful[differs]
    strays = np.linalg.norm(refined - corners_px, axis=1).max() > max(1.0, 0.3 * cell_px)
    return corners_px.copy() if strays else refined


def _turning_points(grey: ByteArray, corners_px: FloatArray, half_px: int) -> FloatArray:
    until = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 30, 0.01)
    points = corners_px.astype(np.float32).reshape(-1, 1, 2)
    found = cv2.cornerSubPix(grey, points, (half_px, half_px), (-1, -1), until)
    return np.asarray(found, dtype=np.float64).reshape(4, 2)
