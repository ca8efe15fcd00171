"""A lens over one marker, as a polynomial: what a compiled fit needs of any lens model."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.imaging.selection_kernels import HIGHEST_POWER
from fiducialkit.scene.camera import Camera

DEGREES = (3, 5, 7, HIGHEST_POWER)
_ENOUGH_PX = 1e-4  # far below any corner's noise
_LEAST_DEPTH = 1e-3
_DEGREE_OF_PART, _LEAST_SHARE = 5, 0.5
_NODES = np.cos(np.pi * (np.arange(12) + 0.5) / 12.0)  # Chebyshev's: no ringing towards the ends
_SQUARE = np.array([(x, y) for y in _NODES for x in _NODES])
_MIDDLE_NONE, _TERMS_NONE, _COEFFICIENTS_NONE = np.zeros(4), np.empty((0, 2), dtype=np.int64), np.empty((0, 2))


@dataclass(frozen=True, slots=True)
class PinholeView:
    """A camera without distortion in the place of the lens, of its focal length, turned towards a marker.

    Turned, because far off the axis a picture without distortion stretches without end, and a wide lens' with it.
    """

    lens: Camera
    rotation: FloatArray  # view from camera
    focal_px: float

    def undistorted(self, pixels_px: FloatArray) -> FloatArray:
        """Return where pixels (N, 2) of the lens lie in this view; NaN where the lens does not reach."""
        directions, _ = self.lens.unproject(pixels_px)
        rays = np.column_stack([directions, np.ones(len(directions))]) @ self.rotation.T
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.where(rays[:, 2:] > _LEAST_DEPTH, self.focal_px * rays[:, :2] / rays[:, 2:], np.nan))

    def distorted(self, places_px: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return places (N, 2) of this view as pixels of the lens, and the derivatives (N, 2, 2) of those."""
        rays = np.column_stack([places_px / self.focal_px, np.ones(len(places_px))]) @ self.rotation
        pixels, _, by_pose, _ = self.lens.project_with_jacobian(rays)
        return pixels, by_pose[:, :, :3] @ self.rotation[:2].T / self.focal_px


def view_towards(corners_px: FloatArray, lens: Camera) -> PinholeView | None:
    """Return a view towards the middle of corners (4, 2); None where the lens does not reach them."""
    directions, found = lens.unproject(corners_px)
    if not found.all():
        return None
    forward = np.append(directions.mean(axis=0), 1.0)
    forward /= np.linalg.norm(forward)
    # the shortest turn that takes it to the axis (Rodrigues 1840)
    x, y, z = forward
    rotation = np.array(
        [[1 - x * x / (1 + z), -x * y / (1 + z), -x], [-x * y / (1 + z), 1 - y * y / (1 + z), -y], [x, y, z]]
    )
    return PinholeView(lens, rotation, math.sqrt(lens.fx_px * lens.fy_px))


def lens_patch(
    corners_px: FloatArray, reach_px: float, view: PinholeView | None
) -> tuple[FloatArray, IntArray, FloatArray]:
    """Return middle and half size, powers and coefficients of where pixels round a marker lie in a view of it.

    Parameters
    ----------
    corners_px : ndarray, shape (4, 2)
        In the picture. [px]
    reach_px : float
        How far beyond them the polynomial must hold. [px]
    view : PinholeView, optional
        None: no terms, which stands for pixels that lie where they are.

    Returns
    -------
    ndarray, shape (4,)
        Column and row of the box's middle, half its width and height. [px]
    ndarray of int, shape (T, 2)
        Powers of ((column, row) - middle) / half.
    ndarray, shape (T, 2)
        Coefficients of x and y; NaN where the lens does not reach. [px]
    """
    if view is None:
        return _MIDDLE_NONE, _TERMS_NONE, _COEFFICIENTS_NONE
    low, high = corners_px.min(axis=0) - reach_px, corners_px.max(axis=0) + reach_px
    low, high = np.maximum(low, 0.0), np.minimum(high, [view.lens.width_px - 1.0, view.lens.height_px - 1.0])
    centre, half = (low + high) / 2.0, np.maximum((high - low) / 2.0, 1.0)
    wanted = view.undistorted(centre + half * _SQUARE)
    reached: BoolArray = np.asarray(np.isfinite(wanted).all(axis=1))
    if not reached.all():
        return np.concatenate([centre, half]), *_polynomial_of_part(wanted, reached)
    for degree in DEGREES:
        terms, design, fitting = _polynomial(degree)
        coefficients = fitting @ wanted
        if degree == HIGHEST_POWER or np.abs(design @ coefficients - wanted).max() < _ENOUGH_PX:
            break
    return np.concatenate([centre, half]), terms, coefficients


def _polynomial_of_part(wanted: FloatArray, reached: BoolArray) -> tuple[IntArray, FloatArray]:
    """Return terms and coefficients where the lens does not reach all nodes: fitted to those it does."""
    terms, design, _ = _polynomial(_DEGREE_OF_PART)
    if reached.sum() < _LEAST_SHARE * len(reached):
        return terms, np.full((len(terms), 2), np.nan)
    return terms, np.asarray(np.linalg.lstsq(design[reached], wanted[reached])[0], dtype=np.float64)


@lru_cache
def _polynomial(degree: int) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return the powers of all terms up to a degree, their values at the nodes, and the matrix that fits them."""
    terms = np.array([(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)], dtype=np.int64)
    design = np.prod(_SQUARE[:, None, :] ** terms, axis=2)
    return terms, design, np.linalg.pinv(design)
