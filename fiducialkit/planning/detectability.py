"""What the detector on the robot can read, and how exactly it places corners.

The robot may run another detector than this toolkit's, so every figure here comes from the camera's ``[noise]`` and
every prediction repeats, in words, what it assumed (`detector_in_words`).

Provenance
----------
stock : measured on OpenCV's detector with sub-pixel refinement, up to 50 degrees of tilt (`imaging.corner_noise`);
    cells of 2.25 px are read in 98 % of pictures face-on (side 18 px of eight cells).
fitted : the Cramer-Rao bound of two straight edges meeting at a right angle, derived for this project; 1.25 px a
    cell. A bound, not a measurement.
measured : the sd the user gives.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.arrays import FloatArray
from fiducialkit.imaging.corner_noise import stock_corner_sd_px
from fiducialkit.imaging.detection import BORDER_INSET_PX
from fiducialkit.planning import kernels
from fiducialkit.scene.camera import Camera

LARGEST_FACING_DEG = 70.0  # common practice, no source: beyond it glare and print thickness spoil a marker
_SMALLEST_CELL_PX = {"stock": 2.25, "fitted": 1.25, "measured": 2.25}
_PIXEL_VARIANCE = 1.0 / 12.0


def smallest_cell_px(camera: Camera) -> float:
    """Return the smallest side of a cell, the shorter way across a tilted marker, that is still read. [px]"""
    given = camera.noise.smallest_cell_px
    return given if given is not None else _SMALLEST_CELL_PX[camera.noise.detector]


def corner_sd_px(camera: Camera, width_px: float) -> float:
    """Return the sd per axis of a corner of a marker that is so wide across its shorter way. [px]

    For "fitted": an edge of L px with contrast A, total blur sigma and noise s is placed to the variance v / L,
    v = 2 sqrt(pi) sigma s^2 / A^2, and a corner of two such edges to sd 2 sqrt(v / L); derived for this project.
    """
    noise = camera.noise
    if noise.detector == "measured":
        return float(noise.corner_sd_px or math.nan)
    if noise.detector == "stock":
        return float(stock_corner_sd_px(width_px))
    blur_px = math.sqrt(noise.blur_px**2 + _PIXEL_VARIANCE)
    variance = 2.0 * math.sqrt(math.pi) * blur_px * noise.grey_sd**2 / noise.contrast_grey**2
    return 2.0 * math.sqrt(variance / width_px)


def corner_sd_table(camera: Camera) -> FloatArray:
    """Return `corner_sd_px` at the widths the kernel interpolates between."""
    exponents = kernels.SD_TABLE_FIRST_LOG2 + np.arange(kernels.SD_TABLE_LENGTH) / kernels.SD_TABLE_PER_OCTAVE
    return np.array([corner_sd_px(camera, float(2.0**exponent)) for exponent in exponents])


def limits(camera: Camera) -> FloatArray:
    """Return (smallest px a cell, cosine of the largest facing angle, inset px) as the kernel takes them."""
    return np.array([smallest_cell_px(camera), math.cos(math.radians(LARGEST_FACING_DEG)), BORDER_INSET_PX])


def detector_in_words(camera: Camera) -> str:
    """Return what is assumed of the detector that runs on the robot."""
    cell = smallest_cell_px(camera)
    noise = camera.noise
    if noise.detector == "measured":
        return f"measured by you: corners to {noise.corner_sd_px:g} px, cells from {cell:g} px"
    at = ", ".join(f"{corner_sd_px(camera, width):.2g} at {width} px" for width in (24, 48, 96))
    if noise.detector == "fitted":
        return f"fitted corners (theoretical bound): sd {at}; cells from {cell:g} px"
    return f"stock OpenCV, sub-pixel: corner sd {at}; cells from {cell:g} px"
