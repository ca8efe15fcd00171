"""How sharp and how light a picture is, for saying why nothing was found in it."""

from __future__ import annotations

import cv2
import numpy as np

from fiducialkit.arrays import BoolArray, ByteArray, FloatArray

_FIRST_PX, _AGAIN_PX = 1.0, 2.0
_GRADIENT_PX2 = 1.0 / 3.0 + 1.0 / 12.0  # the difference over two pixels, and the pixel's own area
_LEAST_EDGE_PIXELS = 30
_NOISE_TIMES = 6.0


def edge_blur_px(grey: ByteArray, noise_grey: float) -> tuple[float, float]:
    """Return the blur of the picture's steepest edges across and down, its sd; NaN where there are too few. [px]

    A picture is blurred once more by a known amount: an edge that was sharp loses more of its slope. With sd s before
    and a more, slopes stand as sqrt(s^2 + a^2) to s. The quarter of the edges that is sharpest counts.

    Parameters
    ----------
    grey : ndarray of uint8, shape (h, w)
    noise_grey : float
        Sd of the picture's noise; slopes that it may have made do not count. [grey levels]

    References
    ----------
    Zhuo and Sim, "Defocus map estimation from a single image", Pattern Recognition 44 (2011) 1852-1858,
    section 3.
    """
    picture = _blurred(grey.astype(np.float64), _FIRST_PX)  # against noise
    again = _blurred(picture, _AGAIN_PX)
    blurs = []
    for axis in (1, 0):
        slope, other = _slope(picture, axis), _slope(picture, 1 - axis)
        is_edge = (slope > 2.0 * other) & _is_crest(slope, axis) & (slope > _NOISE_TIMES * 0.2 * noise_grey + 1.0)
        if np.count_nonzero(is_edge) < _LEAST_EDGE_PIXELS:
            blurs.append(np.nan)
            continue
        steepest = is_edge & (slope >= np.quantile(slope[is_edge], 0.5))
        ratio = slope[steepest] / np.maximum(_slope(again, axis)[steepest], 1e-6)
        before = _AGAIN_PX / np.sqrt(np.maximum(ratio**2 - 1.0, 1e-6))
        blurs.append(float(np.sqrt(max(np.quantile(before, 0.25) ** 2 - _FIRST_PX**2 - _GRADIENT_PX2, 0.0))))
    return blurs[0], blurs[1]


def _blurred(picture: FloatArray, sd_px: float) -> FloatArray:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sd_px), dtype=np.float64)


def _slope(picture: FloatArray, axis: int) -> FloatArray:
    return np.asarray(np.abs(np.gradient(picture, axis=axis)))


def _is_crest(slope: FloatArray, axis: int) -> BoolArray:
    before, after = np.roll(slope, 1, axis=axis), np.roll(slope, -1, axis=axis)
    return np.asarray((slope >= before) & (slope >= after))


def grey_range(grey: ByteArray) -> tuple[float, float]:
    """Return the grey levels that one pixel in a hundred lies below and above."""
    low, high = np.percentile(grey[:: max(1, len(grey) // 200)], [1.0, 99.0])
    return float(low), float(high)
