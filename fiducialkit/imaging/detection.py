"""Square markers found in one picture, on OpenCV's detector set up properly."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from fiducialkit.arrays import BoolArray, ByteArray, FloatArray, IntArray
from fiducialkit.errors import InputError
from fiducialkit.imaging import opencv
from fiducialkit.imaging.corner_noise import stock_corner_sd_px
from fiducialkit.imaging.decoding import SoftReading, read_squares
from fiducialkit.imaging.images import to_grey8
from fiducialkit.imaging.observations import MarkerObservations
from fiducialkit.imaging.refinement import MarkerFit, fit_marker
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.markers import MarkerFamily, checked_border, marker_family

# A corner must lie this far inside the outermost pixel centres, or OpenCV drops the marker; measured, see the tests.
BORDER_INSET_PX = 2.5
DEFAULT_CORRECTION_BITS = 1
REFINEMENTS = ("fitted", "subpixel", "none")
DECODINGS = ("strict", "soft")
_RING_CELLS = 0.3  # how far outside the black square its white margin is looked for
_DARK_SHARE = 0.75
_WINDOWS_AGREE_PX = 0.3
_FAILED_FIT = {
    "not_converged": "did not converge",
    "disagrees": "disagrees with the picture",
}
_IN_CELL = np.array([(x, y) for y in (-0.25, 0.0, 0.25) for x in (-0.25, 0.0, 0.25)])


@dataclass(frozen=True, slots=True, kw_only=True)
class DetectorSettings:
    """What the detector is told, by name and unit.

    Attributes
    ----------
    refinement : {"fitted", "subpixel", "none"}
        How corners are placed: by a fit of the marker's whole pattern, started from OpenCV's sub-pixel corners; by
        those alone; or not at all.
    windows_cells : (float, float)
        Half sides of a larger and a smaller sub-pixel window, in cells of the marker at hand measured the shorter way
        across it. The larger is more exact, but one that reaches into the code or past the white margin finds another
        corner: where the two disagree by more than 0.3 px, the smaller counts.
    window_px : (int, int)
        Smallest and largest half side of those windows. [px]
    smallest_side_px : float
        Squares with a shorter side are not looked at. [px]
    border_inset_px : int
        OpenCV's distance to the picture's border below which a square is dropped; see `BORDER_INSET_PX` for what
        that comes to. [px]
    threshold_windows_px : (int, int, int)
        Sides of the windows of the adaptive threshold: smallest, largest, step. [px]
    darker_by_grey : int
        How much darker than the mean of its window a pixel must be to count as dark. [grey levels]
    outline_share : float
        How far a dark outline may stray from four straight lines, as a share of its length.
    decoding : {"strict", "soft"}
        How codes are read: cell by cell, from the squares OpenCV reads too; or from the blurred cells together, from
        every square it saw (`imaging.decoding`), which reads markers half the size at no more false ones.
    """

    refinement: str = "subpixel"
    windows_cells: tuple[float, float] = (0.6, 0.3)
    window_px: tuple[int, int] = (2, 5)
    smallest_side_px: float = 10.0
    border_inset_px: int = 3
    threshold_windows_px: tuple[int, int, int] = (3, 23, 10)
    darker_by_grey: int = 7
    outline_share: float = 0.03
    decoding: str = "strict"

    def __post_init__(self) -> None:
        if not isinstance(self.refinement, str) or self.refinement not in REFINEMENTS:
            raise InputError(f"refinement: expected {' or '.join(REFINEMENTS)} by name, found {self.refinement!r}")
        if not isinstance(self.decoding, str) or self.decoding not in DECODINGS:
            raise InputError(f"decoding: expected {' or '.join(DECODINGS)} by name, found {self.decoding!r}")
        _check_numbers("darker_by_grey", (self.darker_by_grey,), count=1, least=1, is_whole=True)
        _check_numbers("outline_share", (self.outline_share,), count=1, least=0.01)
        _check_numbers("windows_cells", self.windows_cells, count=2, least=0.05)
        _check_numbers("window_px", self.window_px, count=2, least=1, is_whole=True)
        _check_numbers("smallest_side_px", (self.smallest_side_px,), count=1, least=4.0)
        _check_numbers("border_inset_px", (self.border_inset_px,), count=1, least=0, is_whole=True)
        _check_numbers("threshold_windows_px", self.threshold_windows_px, count=3, least=1, is_whole=True)
        if self.windows_cells[1] > self.windows_cells[0]:
            raise InputError(f"windows_cells: expected the larger, then the smaller, found {self.windows_cells}")
        if self.window_px[0] > self.window_px[1]:
            raise InputError(f"window_px: expected the smaller, then the larger, found {self.window_px}")
        if not 3 <= self.threshold_windows_px[0] <= self.threshold_windows_px[1]:
            raise InputError(
                "threshold_windows_px: expected the smallest, 3 or more, the largest and the step, "
                f"found {self.threshold_windows_px}"
            )


def _check_numbers(name: str, values: Any, *, count: int, least: float, is_whole: bool = False) -> None:
    kind = int if is_whole else int | float
    fits = isinstance(values, tuple) and len(values) == count
    if not fits or not all(isinstance(v, kind) and not isinstance(v, bool) and least <= v < math.inf for v in values):
        wanted = f"{count} {'whole numbers' if is_whole else 'numbers'}" if count > 1 else "a number"
        raise InputError(f"{name}: expected {wanted}, at least {least:g}, found {values if count > 1 else values[0]!r}")


PRESETS = {
    "standard": DetectorSettings(),
    "fast": DetectorSettings(threshold_windows_px=(13, 13, 10)),
    "fitted": DetectorSettings(refinement="fitted"),
    "quick look": DetectorSettings(threshold_windows_px=(13, 13, 10)),
    "full range": DetectorSettings(
        refinement="fitted",
        smallest_side_px=4.0,
        threshold_windows_px=(5, 9, 4),
        darker_by_grey=3,
        outline_share=0.07,
        decoding="soft",
    ),
}


@dataclass(frozen=True, slots=True)
class _Reading:
    marker_id: int
    corners_px: FloatArray
    is_refined: bool
    share_right: float
    is_ring_dark: bool
    fit: MarkerFit | None = None


def detect_markers(
    image: Any,
    family: str | Path | MarkerFamily = "36h11",
    camera: Camera | None = None,
    preset: str | DetectorSettings = "standard",
    *,
    border_cells: int = 1,
    error_correction_bits: int | None = None,
) -> MarkerObservations:
    """Find the markers of one family in a picture.

    Squares and codes come from OpenCV's detector, corners from its sub-pixel refinement with windows fitted to each
    marker. Their covariance is the measured error by the marker's width in the picture (`stock_corner_sd_px`), the
    same on every coordinate and independent; the error is mostly a pull inwards that does not average out. With
    "fitted" each marker's whole pattern is then fitted (`imaging.refinement`), which gives corners with their own
    covariance; where that fails the marker keeps the corners it had, and a note says so.

    Parameters
    ----------
    image : array_like, shape (h, w), (h, w, 3) or (h, w, 4)
        Grey, or blue-green-red; see `to_grey8`.
    family : str, Path or MarkerFamily
        See `marker_family`.
    camera : Camera, optional
        For its lens, whose bent edges the fit then follows, and its tone curve. A picture of another shape is
        refused, one of another size scales it.
    preset : {"standard", "fast", "fitted", "quick look", "full range"} or DetectorSettings
        "fast", also "quick look", thresholds the picture once instead of three times; "fitted" fits every marker's
        pattern; "full range" does so too and reads small, tilted, dim and blurred markers, from 8 px of side.
    border_cells : int
        Black border of the markers as printed. A wrong number gives wrong corners, not only missed markers.
    error_correction_bits : int, optional
        Wrong bits of a code that are forgiven when it is read again between the final corners; at most what keeps the
        nearest code unique. 1 if None, or 0 where the family's codes are too close. Soft decoding forgives as much,
        and less where cells are small.

    Returns
    -------
    MarkerObservations
        Sorted by id. A marker seen twice is two rows with a note; `message` says why where nothing was found.

    Raises
    ------
    InputError
        If the image is none, a name is unknown, or the camera belongs to pictures of another shape.
    """
    family = marker_family(family)
    border_cells = checked_border(border_cells)
    bits = checked_correction_bits(family, error_correction_bits)
    settings = checked_preset(preset)
    grey = to_grey8(image)
    height, width = grey.shape
    lens = None if camera is None else camera.for_picture(width, height)
    detector = _detector(family, settings, border_cells, max(width, height))
    found_corners, found_ids, rejected = detector.detectMarkers(grey)
    if settings.decoding == "soft":
        squares_px = np.concatenate([opencv.as_corners(found_corners), opencv.as_corners(rejected)])
        soft = read_squares(grey, squares_px, family, border_cells=border_cells, bits=bits, camera=lens)
        found = [_from_soft(grey, each, family, border_cells, settings) for each in soft]
        found.sort(key=_place)
    else:
        found = _readings(grey, *opencv.as_detections(found_corners, found_ids), family, border_cells, bits, settings)
    if settings.refinement == "fitted":
        found = [_fitted(grey, each, family.artwork(each.marker_id, border_cells), lens) for each in found]
    corners = np.array([each.corners_px for each in found]).reshape(-1, 4, 2)
    ids = np.array([each.marker_id for each in found], dtype=np.int64)
    squares = len(opencv.as_corners(rejected)) + len(opencv.as_ids(found_ids))
    return MarkerObservations(
        marker_id=ids,
        corners_px=corners,
        covariance_px2=_covariance_px2(corners, found),
        quality=np.array([_quality(each) for each in found]),
        notes=_notes(found),
        picture_size_px=(width, height),
        message="" if found else _why_nothing(squares, family),
    )


def checked_preset(preset: str | DetectorSettings) -> DetectorSettings:
    """Return the settings of that name."""
    if isinstance(preset, DetectorSettings):
        return preset
    if not isinstance(preset, str) or preset not in PRESETS:
        raise InputError(f"preset: expected one of {', '.join(PRESETS)} by name, found {preset!r}")
    return PRESETS[preset]


def checked_correction_bits(family: MarkerFamily, bits: int | None) -> int:
    """Return how many wrong bits are forgiven, refusing more than keeps the nearest code unique."""
    most = family.correction_bits
    if bits is None:
        return min(DEFAULT_CORRECTION_BITS, most)
    if isinstance(bits, bool) or not isinstance(bits, int | np.integer) or not 0 <= bits <= most:
        raise InputError(
            f"error_correction_bits: expected a whole number from 0 to {most}, beyond which codes of {family.name} "
            f"are mistaken for each other, found {bits!r}"
        )
    return int(bits)


@lru_cache(maxsize=32)
def _detector(family: MarkerFamily, settings: DetectorSettings, border_cells: int, longer_px: int) -> Any:
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE  # done here, marker by marker
    parameters.minMarkerPerimeterRate = 4.0 * settings.smallest_side_px / longer_px
    parameters.minDistanceToBorder = settings.border_inset_px
    smallest, largest, step = settings.threshold_windows_px
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax = smallest, largest
    parameters.adaptiveThreshWinSizeStep = step
    parameters.adaptiveThreshConstant = settings.darker_by_grey
    parameters.polygonalApproxAccuracyRate = settings.outline_share
    parameters.markerBorderBits = border_cells
    # the edge of the white margin is a square too; OpenCV takes the two for one where they lie closer than this share
    # of the perimeter, and keeps the wrong one: at its own .125 a tenth of large markers on a grey wall go missing
    parameters.minMarkerDistanceRate = 0.03
    # what lies inside a cell counts, not the blur from its neighbours
    parameters.perspectiveRemovePixelPerCell = 8 if settings.decoding == "strict" else 1
    parameters.perspectiveRemoveIgnoredMarginPerCell = 0.33
    # every correction that keeps codes unique, none beyond: above 1 OpenCV returns wrong ids. `_readings` is stricter
    parameters.errorCorrectionRate = 1.0 if family.correction_bits else 0.0
    return cv2.aruco.ArucoDetector(family.opencv_dictionary, parameters)


def _readings(
    grey: ByteArray,
    ids: IntArray,
    corners_px: FloatArray,
    family: MarkerFamily,
    border_cells: int,
    bits: int,
    settings: DetectorSettings,
) -> list[_Reading]:
    """Return the markers whose code, read again between exact corners, holds no more than `bits` wrong; by id."""
    readings = []
    most_wrong = (bits + 0.5) / family.code_cells**2
    for marker_id, raw in zip(ids.tolist(), family.upright_corners(corners_px), strict=True):
        artwork = family.artwork(marker_id, border_cells)
        candidates = [(raw, False)]
        if settings.refinement != "none":
            cell_px = float(widths_px(raw[None])[0]) / len(artwork)
            candidates.insert(0, (_refined(grey, raw, cell_px, settings), True))
        for corners, is_refined in candidates:
            share_right, is_ring_dark = _read_again(grey, corners, artwork, border_cells)
            if 1.0 - share_right < most_wrong:
                readings.append(_Reading(marker_id, corners, is_refined, share_right, is_ring_dark))
                break
    readings.sort(key=lambda each: (-each.share_right, -float(widths_px(each.corners_px[None])[0])))
    distinct: list[_Reading] = []
    for each in readings:
        if not any(_is_same(each, other) for other in distinct):
            distinct.append(each)
    return sorted(distinct, key=_place)


def _place(each: _Reading) -> tuple[int, float]:
    return each.marker_id, float(each.corners_px[:, 0].mean())


def _from_soft(
    grey: ByteArray, soft: SoftReading, family: MarkerFamily, border_cells: int, settings: DetectorSettings
) -> _Reading:
    """Return a marker read softly, with corners refined as stated where its code is still read there."""
    artwork = family.artwork(soft.marker_id, border_cells)
    corners, is_refined = soft.corners_px, settings.refinement != "none"
    if settings.refinement == "subpixel":
        cell_px = float(widths_px(corners[None])[0]) / len(artwork)
        refined = _refined(grey, corners, cell_px, settings)
        is_refined = bool(np.linalg.norm(refined - corners, axis=1).max() < max(1.0, 0.3 * cell_px))
        corners = refined if is_refined else corners
    _, is_ring_dark = _read_again(grey, corners, artwork, border_cells)
    share_right = max(0.0, 1.0 - soft.wrong_bits / family.code_cells**2)
    fit = soft.fit if settings.refinement == "fitted" else None
    return _Reading(soft.marker_id, corners, is_refined, share_right, is_ring_dark, fit)


def _is_same(one: _Reading, other: _Reading) -> bool:
    """Return whether two readings are of one marker: the same id at the same place."""
    if one.marker_id != other.marker_id:
        return False
    apart = np.linalg.norm(one.corners_px.mean(axis=0) - other.corners_px.mean(axis=0))
    return bool(apart < 0.5 * widths_px(other.corners_px[None])[0])


def widths_px(corners_px: FloatArray) -> FloatArray:
    """Return the shorter way across each quadrilateral: its area over its longest side. [px]"""
    first, second = corners_px[:, 2] - corners_px[:, 0], corners_px[:, 3] - corners_px[:, 1]
    area = np.abs(first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / 2.0
    sides = np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=1), axis=2)
    return np.asarray(area / sides.max(axis=1, initial=1e-9), dtype=np.float64)


def _refined(grey: ByteArray, corners_px: FloatArray, cell_px: float, settings: DetectorSettings) -> FloatArray:
    """Return a marker's corners moved to where the grey levels turn."""
    larger, smaller = (
        int(np.clip(math.ceil(share * cell_px), *settings.window_px)) for share in settings.windows_cells
    )
    refined = _turning_points(grey, corners_px, larger)
    if smaller < larger:
        careful = _turning_points(grey, corners_px, smaller)
        differs = np.linalg.norm(careful - refined, axis=1) > _WINDOWS_AGREE_PX
        refined[differs] = careful[differs]
    return refined


def _turning_points(grey: ByteArray, corners_px: FloatArray, half_px: int) -> FloatArray:
    until = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 30, 0.01)
    points = corners_px.astype(np.float32).reshape(-1, 1, 2)
    found = cv2.cornerSubPix(grey, points, (half_px, half_px), (-1, -1), until)
    return np.asarray(found, dtype=np.float64).reshape(4, 2)


def _fitted(grey: ByteArray, each: _Reading, artwork: BoolArray, camera: Camera | None) -> _Reading:
    """Return the reading with the corners of its fit, or unchanged but for the fit's status where that failed."""
    if each.fit is not None:
        return each
    fit = fit_marker(grey, each.corners_px, artwork, camera)
    return replace(each, fit=fit, corners_px=fit.corners_px)


def _quality(each: _Reading) -> float:
    return each.fit.explained if each.fit is not None and each.fit.status == "fitted" else each.share_right


def _covariance_px2(corners_px: FloatArray, found: list[_Reading]) -> FloatArray:
    """Return the fits' covariances, and the measured error of OpenCV's corners where there is none."""
    widths = np.maximum(widths_px(corners_px), 1.0)
    is_refined = [each.is_refined for each in found]
    sd_px = np.where(is_refined, stock_corner_sd_px(widths), stock_corner_sd_px(widths, is_refined=False))
    covariance = np.asarray((sd_px**2)[:, None, None] * np.eye(8), dtype=np.float64)
    for row, each in enumerate(found):
        if each.fit is not None and each.fit.covariance_px2 is not None:
            covariance[row] = each.fit.covariance_px2
    return covariance


def _read_again(grey: ByteArray, corners_px: FloatArray, artwork: BoolArray, border_cells: int) -> tuple[float, bool]:
    """Return the share of the code's cells that look as published, and whether a dark ring surrounds the square."""
    cells = len(artwork)
    square = np.array([[0, 0], [cells, 0], [cells, cells], [0, cells]], dtype=np.float32) - 0.5
    pixel_from_cell = cv2.getPerspectiveTransform(square, corners_px.astype(np.float32))
    places = np.concatenate([_cell_places(cells), _ring_places(cells)])
    pixels = cv2.perspectiveTransform(places[None], pixel_from_cell)[0].astype(np.float32)
    levels = cv2.remap(grey, pixels[:, :1], pixels[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    levels = levels.ravel().astype(np.float64)
    inside = cells * cells * len(_IN_CELL)
    read, ring = levels[:inside].reshape(cells, cells, -1).mean(axis=2), levels[inside:]
    middle = (read[artwork].mean() + read[~artwork].mean()) / 2.0
    code = slice(border_cells, cells - border_cells)
    share_right = ((read > middle) == artwork)[code, code].mean()
    return float(share_right), bool((ring < middle).mean() > _DARK_SHARE)


@lru_cache(maxsize=32)
def _cell_places(cells: int) -> FloatArray:
    """Return points inside each cell, rows first, the points of a cell together."""
    rows, columns = np.indices((cells, cells))
    centres = np.stack([columns, rows], axis=-1).reshape(-1, 1, 2)
    return np.asarray((centres + _IN_CELL).reshape(-1, 2), dtype=np.float64)


@lru_cache(maxsize=32)
def _ring_places(cells: int) -> FloatArray:
    along = np.arange(float(cells))
    before, after = np.full(cells, -0.5 - _RING_CELLS), np.full(cells, cells - 0.5 + _RING_CELLS)
    sides = [(along, before), (along, after), (before, along), (after, along)]
    return np.concatenate([np.column_stack(side) for side in sides])


def _notes(found: list[_Reading]) -> tuple[str, ...]:
    ids = [each.marker_id for each in found]
    notes = []
    for each in found:
        parts = ["seen more than once in this picture"] if ids.count(each.marker_id) > 1 else []
        if each.is_ring_dark:
            parts.append("dark ring outside the black square: more border cells than stated, or no white margin")
        if each.fit is not None and each.fit.status != "fitted":
            parts.append("corners from OpenCV: the fit of the pattern " + _FAILED_FIT[each.fit.status])
        notes.append("; ".join(parts))
    return tuple(notes)


def _why_nothing(squares: int, family: MarkerFamily) -> str:
    if not squares:
        return "no square found"
    return f"squares found ({squares}), but none carries a code of {family.name}"
