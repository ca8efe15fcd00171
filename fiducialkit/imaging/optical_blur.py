"""Blur of a lens, applied to light that is known by its moments inside each pixel, and its size by depth of field.

A blurred picture is the light spread by the lens (a Gaussian) and gathered by the pixel's area. A Gaussian laid over
pixel values is not that: it takes the light of a pixel to lie evenly in it, and beside an edge is off by up to 5 % of
the step there (blur 0.7 px). Here the light inside a pixel is known by its moments up to the second degree, each spread
by its own exact kernel, and 0.05 % is left (0.2 % at 0.3 px, 0.9 % at 0.1 px).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from scipy.special import ndtr

from fiducialkit.arrays import FloatArray, checked_array
from fiducialkit.errors import InputError

_REACH_SD = 4.5
SMALLEST_BLUR_PX = 0.05
LARGEST_BLUR_PX = 50.0
_TERMS = ((0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (2, 0))  # degrees (x, y) of the moments of `rendering_kernels`


@dataclass(frozen=True, slots=True, kw_only=True)
class Focus:
    """A thin lens focused at a distance: what is nearer or farther is blurred.

    Attributes
    ----------
    focal_length_mm : float
    f_number : float
        Focal length by aperture diameter.
    distance_m : float
        In focus, along the optical axis. [m]
    pixel_pitch_um : float
        Side of a pixel. [um]
    background_m : float
        Depth of whatever stands behind all markers and boxes. [m]
    """

    focal_length_mm: float
    f_number: float
    distance_m: float
    pixel_pitch_um: float
    background_m: float = math.inf

    def __post_init__(self) -> None:
        for name in ("focal_length_mm", "f_number", "distance_m", "pixel_pitch_um", "background_m"):
            value = getattr(self, name)
            number = checked_array(f"focus.{name}", value, (), finite=False)
            is_far = number == math.inf and name in ("distance_m", "background_m")
            if not (is_far or 0.0 < number < math.inf):
                raise InputError(f"focus.{name}: expected a number above 0, found {value!r}")
        if self.distance_m <= self.focal_length_mm / 1000.0:
            raise InputError(f"focus.distance_m: expected beyond the focal length, found {self.distance_m:g}")

    def circle_px(self, depth_m: float) -> float:
        """Return the diameter of the circle of confusion at that depth along the axis. [px]

        ``c = (F / N) F |Z - D| / (Z (D - F))``, with F the focal length, N the f-number, D the distance in focus; from
        the thin-lens equation 1/F = 1/D + 1/image distance by similar triangles.
        """
        focal_m = self.focal_length_mm / 1000.0
        near, far = 1.0 / depth_m, 1.0 / self.distance_m  # reciprocals, so that infinity is a number
        circle_m = focal_m**2 / self.f_number * abs(far - near) / (1.0 - focal_m * far)
        return circle_m / (self.pixel_pitch_um * 1e-6)

    def blur_px(self, depth_m: float) -> float:
        """Return the sd per axis of an even disc of that diameter, a quarter of it. [px]

        The renderer spreads light by a Gaussian of this sd, not by the disc itself.
        """
        return self.circle_px(depth_m) / 4.0


def reach_px(blur_px: float) -> int:
    """Return how many pixels away a blur still carries light."""
    return 0 if blur_px < SMALLEST_BLUR_PX else math.ceil(_REACH_SD * blur_px + 0.5)


@lru_cache(maxsize=64)
def blur_kernels(blur_px: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what a pixel at distance ``-reach ... reach`` gets of one unit of moment 0, 1 and 2, along one axis.

    ``(2p + 1) int K(d - u) P_p(u) du`` over the pixel the light is in, with K the Gaussian gathered over the area of
    the pixel that receives it, ``K(x) = Phi((x + 1/2) / sd) - Phi((x - 1/2) / sd)``. Derived here.
    """
    reach = reach_px(blur_px)
    nodes, weights = np.polynomial.legendre.leggauss(200)  # enough for the smallest blur's steep sides
    u, weights = nodes / 2.0, weights / 2.0
    x = np.arange(-reach, reach + 1)[:, None] - u
    gathered = ndtr((x + 0.5) / blur_px) - ndtr((x - 0.5) / blur_px)
    even, first, second = (
        np.asarray(gathered @ (weights * p)) for p in (np.ones_like(u), 3.0 * 2.0 * u, 5.0 * (6.0 * u * u - 0.5))
    )
    return np.asarray(even / even.sum()), first, second


def blurred_moments(moments: FloatArray, blur_px: float) -> FloatArray:
    """Return the picture (h, w) of light given by its six moments (6, h, w) in each pixel; none comes from outside."""
    if blur_px < SMALLEST_BLUR_PX:
        return np.array(moments[0], dtype=np.float64)
    kernels = blur_kernels(float(blur_px))
    total = np.zeros(moments.shape[1:], dtype=np.float32)
    for term, (degree_x, degree_y) in enumerate(_TERMS):
        total += _convolved(moments[term], kernels[degree_x], kernels[degree_y], cv2.BORDER_CONSTANT)
    return total.astype(np.float64)


def blurred_pixels(picture: FloatArray, blur_px: float) -> FloatArray:
    """Return a picture whose light lies evenly in each pixel, blurred; its edge pixels go on beyond the border."""
    if blur_px < SMALLEST_BLUR_PX:
        return picture.copy()
    even = blur_kernels(float(blur_px))[0]
    return np.asarray(_convolved(picture, even, even, cv2.BORDER_REPLICATE), dtype=np.float64)


def _convolved(picture: FloatArray, along_x: FloatArray, along_y: FloatArray, border: int) -> Any:
    # OpenCV correlates: a convolution takes the kernels turned round. Single precision is far below a grey level
    turned_x, turned_y = np.ascontiguousarray(along_x[::-1]), np.ascontiguousarray(along_y[::-1])
    return cv2.sepFilter2D(picture.astype(np.float32), cv2.CV_32F, turned_x, turned_y, borderType=border)
