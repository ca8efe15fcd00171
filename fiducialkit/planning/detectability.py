"""What the detector on the robot can read, and how exactly it places corners.

The robot may run another detector than this toolkit's, so every figure here comes from the camera's ``[noise]`` and
every prediction repeats, in words, what it assumed (`detector_in_words`). `camera_tables` is what was measured, at the
camera's own noise, contrast and blur, and `corner_kinds` says what of it a marker's corners share.

Provenance
----------
stock, fitted : measured on rendered pictures, with command, date and versions in the table (`detector_tables`).
measured : the sd the user gives, and cells from 2.25 px unless the user gives that too.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from fiducialkit.arrays import FloatArray
from fiducialkit.errors import InputError
from fiducialkit.imaging.detection import BORDER_INSET_PX
from fiducialkit.planning import kernels
from fiducialkit.planning.detector_tables import CELLS, Conditions, MeasuredDetector, measured_detector
from fiducialkit.scene.camera import Camera, CameraNoise

TABLE_WIDTHS_PX = 2.0 ** (2.0 + np.arange(65) / 8.0)
TABLE_FACING_DEG = 10.0 * np.arange(8)
LARGEST_FACING_DEG = 70.0  # common practice, no source: beyond it glare and print thickness spoil a marker
_SMALLEST_MEASURED_PX = 2.25  # stock OpenCV reads nearly all such cells; a cautious guess for another detector
_USUAL_FACING_DEG = 20.0


def smallest_cell_px(camera: Camera) -> float:
    """Return the smallest side of a cell, the shorter way across a tilted marker, that is still read. [px]"""
    given = camera.noise.smallest_cell_px
    if given is not None:
        return given
    return _SMALLEST_MEASURED_PX if camera.noise.detector == "measured" else _half_read_px(camera.noise)


@lru_cache(maxsize=256)
def _half_read_px(noise: CameraNoise) -> float:
    """Return the side of a cell at which half of the markers are read, turned by 20 degrees. [px]"""
    conditions = Conditions(grey_sd=noise.grey_sd, contrast_grey=noise.contrast_grey, blur_px=noise.blur_px)
    width = np.geomspace(4.0, 400.0, 2000)
    chance = measured_detector(noise.detector).chance(conditions, width, np.array(_USUAL_FACING_DEG))
    return float(width[np.argmax(chance >= 0.5)]) / CELLS


def limits(camera: Camera) -> FloatArray:
    """Return (smallest px a cell, cosine of the largest facing angle, inset px) as the kernel takes them."""
    return np.array([smallest_cell_px(camera), math.cos(math.radians(LARGEST_FACING_DEG)), BORDER_INSET_PX])


def camera_tables(camera: Camera, *, cells: int, smear_px: float = 0.0) -> tuple[FloatArray, FloatArray]:
    """Return what the robot's detector makes of markers by width and facing angle.

    Parameters
    ----------
    camera : Camera
        Its detector, noise, contrast and blur.
    cells : int
        Across the black square, border included; 8 for 36h11.
    smear_px : float
        How far the picture moves during the exposure. [px]

    Returns
    -------
    sd_px, probability : ndarray, shape (65, 8)
        Rms error per axis of the corners, what is the same in every picture included, and the chance that the marker
        is read. Rows: the shorter way across the black square, 2^(2 + k / 8) px; columns: the angle between its normal
        and the line of sight, 0, 10 ... 70 degrees. What of the error corners share: `corner_kinds`.

    Raises
    ------
    InputError
        If cells or smear are no such numbers.
    """
    width, facing = _table_places(cells, smear_px)
    least = _stated_smallest(camera, width, cells)
    if camera.noise.detector == "measured":
        shape = (width.size, facing.size)
        return np.full(shape, float(camera.noise.corner_sd_px or math.nan)), np.asarray(least * np.ones(shape))
    table, conditions = measured_detector(camera.noise.detector), _conditions(camera, smear_px)
    alike = width * (CELLS / cells)  # the same px per cell
    sd = table.corner_sd_px(conditions, alike, facing) * _by_cells(table, cells)
    return np.asarray(sd), np.asarray(table.chance(conditions, alike, facing) * least)


def at_places(table: FloatArray, width_px: FloatArray, facing_deg: FloatArray) -> FloatArray:
    """Return a table's value at widths [px] and facing angles [deg], straight in log width and in the angle."""
    places = [
        np.clip((np.log2(np.maximum(width_px, 1e-9)) - 2.0) * 8.0, 0.0, len(TABLE_WIDTHS_PX) - 1.0),
        np.clip(np.asarray(facing_deg) / 10.0, 0.0, len(TABLE_FACING_DEG) - 1.0),
    ]
    (i, j), sizes = (np.floor(place).astype(np.int64) for place in places), np.shape(table)
    a, b = places[0] - i, places[1] - j
    i_next, j_next = np.minimum(i + 1, sizes[0] - 1), np.minimum(j + 1, sizes[1] - 1)
    near = (1.0 - b) * table[i, j] + b * table[i, j_next]
    far = (1.0 - b) * table[i_next, j] + b * table[i_next, j_next]
    return np.asarray((1.0 - a) * near + a * far)


def error_kind(camera: Camera) -> int:
    """Return how corners err: `kernels.INDEPENDENT`, `TOGETHER` along their edges, or `PULLED` inwards as well.

    TOGETHER goes with a solver that is told so, PULLED with one that takes all corners for independent.
    """
    return {"measured": kernels.INDEPENDENT, "fitted": kernels.TOGETHER, "stock": kernels.PULLED}[camera.noise.detector]


def corner_kinds(camera: Camera, *, cells: int, smear_px: float = 0.0) -> FloatArray:
    """Return what makes up the error of `camera_tables`, (5, 65, 8) in its rows and columns. [px]

    Corners are where straight edges meet, so an edge's two corners err alike. Two opposite edges have four ways to be
    off across themselves, the two pairs have eight, and these stand for all eight coordinates of the corners:

    0. the pull: both lie inside by that much in every picture, so that a marker looks farther than it is, and neither
       more markers nor a filter average it out;
    1. shift: both lie to the same side; 2. size: both lie out or in; 3. turn: their ends are turned the same way;
       4. taper: against each other. Of these the sds.

    They are independent but for `coupling`. Corners that err independently by sd s per axis have 0 and four times
    s / 2.
    """
    width, facing = _table_places(cells, smear_px)
    if camera.noise.detector == "measured":
        half = np.full((5, width.size, facing.size), 0.5 * float(camera.noise.corner_sd_px or math.nan))
        half[0] = 0.0
        return half
    table, conditions = measured_detector(camera.noise.detector), _conditions(camera, smear_px)
    alike = width * (CELLS / cells)
    pull = table.pull_px(conditions, alike, facing)[None] if table.name == "stock" else np.zeros((1, 65, 8))
    return np.concatenate([pull, table.kinds_px(conditions, alike, facing)]) * _by_cells(table, cells)


def coupling(camera: Camera) -> float:
    """Return the correlation of the second pair's shift with the first pair's taper; crosswise it is the negative.

    A fitted marker is moved at its corners by perspective too; a stock corner errs along its diagonal.
    """
    return 0.0 if camera.noise.detector == "measured" else measured_detector(camera.noise.detector).coupling


def _table_places(cells: int, smear_px: float) -> tuple[FloatArray, FloatArray]:
    if not (isinstance(cells, int | np.integer | float) and 3 <= cells <= 20):
        raise InputError(f"cells: expected 3 to 20 across the black square, found {cells!r}")
    if not 0.0 <= smear_px < math.inf:
        raise InputError(f"smear_px: expected a number from 0 up, found {smear_px!r}")
    widths, angles = np.asarray(TABLE_WIDTHS_PX, dtype=np.float64), np.asarray(TABLE_FACING_DEG, dtype=np.float64)
    return widths[:, None], angles[None, :]


def _stated_smallest(camera: Camera, width_px: FloatArray, cells: float) -> FloatArray:
    """Return 1 where cells are as large as the camera file asks for, and 0 where they are smaller."""
    if camera.noise.detector != "measured" and camera.noise.smallest_cell_px is None:
        return np.ones_like(width_px)
    return np.asarray(width_px / cells >= smallest_cell_px(camera), dtype=np.float64)


def _conditions(camera: Camera, smear_px: float) -> Conditions:
    noise = camera.noise
    return Conditions(
        grey_sd=noise.grey_sd, contrast_grey=noise.contrast_grey, blur_px=noise.blur_px, smear_px=smear_px
    )


def _by_cells(table: MeasuredDetector, cells: float) -> float:
    """Return the sd by that of a marker of 8 such cells: a fit places edges with the root of their length."""
    return math.sqrt(CELLS / cells) if table.name == "fitted" else 1.0


def detector_in_words(camera: Camera) -> str:
    """Return what is assumed of the detector that runs on the robot."""
    cell, noise = smallest_cell_px(camera), camera.noise
    if noise.detector == "measured":
        return f"measured by you: corners to {noise.corner_sd_px:g} px, cells from {cell:g} px"
    widths = np.array([24.0, 48.0, 96.0])
    table, turned = measured_detector(noise.detector), np.full(3, _USUAL_FACING_DEG)
    errors = table.corner_sd_px(_conditions(camera, 0.0), widths, turned)
    at = ", ".join(f"{sd:.2g} at {width:g} px" for sd, width in zip(errors, widths, strict=True))
    name = "fitted corners" if noise.detector == "fitted" else "stock OpenCV, sub-pixel"
    return (
        f"{name} (measured on rendered pictures): corner error {at}; half of all markers read, cells from {cell:.2g} px"
    )
