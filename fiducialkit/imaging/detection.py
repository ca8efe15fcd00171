"""The markers of one picture: squares, codes, corners with their covariance, and what is odd about each."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fiducialkit.arrays import BoolArray, ByteArray, FloatArray
from fiducialkit.errors import InputError
from fiducialkit.imaging import opencv  # noqa: F401 (an OpenCV that is too old is said at import)
from fiducialkit.imaging.corner_noise import edge_corner_sd_px, stock_corner_sd_px
from fiducialkit.imaging.decoding import chance_of_random_square
from fiducialkit.imaging.detector_settings import DEFAULT_PRESET, PRESETS, DetectorSettings, checked_preset
from fiducialkit.imaging.explanation import why_nothing
from fiducialkit.imaging.images import to_grey8
from fiducialkit.imaging.observations import MarkerObservations
from fiducialkit.imaging.reading import SoftReading, read_squares
from fiducialkit.imaging.refinement import fit_marker
from fiducialkit.imaging.squares import find_squares, widths_px
from fiducialkit.imaging.subpixel import subpixel_corners
from fiducialkit.imaging.surroundings import is_ring_dark
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.markers import MarkerFamily, checked_border, marker_family

__all__ = ["BORDER_INSET_PX", "PRESETS", "DetectorSettings", "detect_markers"]

# How far inside the outermost pixel centres a corner must lie for OpenCV's own detector, as it comes; this one needs
# `squares.OUTLINE_INSET_PX`. Measured, see the tests.
BORDER_INSET_PX = 2.5
DEFAULT_CORRECTION_BITS = 1
_CHANCE_MOST = 1e-3  # a family that takes more random squares than that for markers forgives nothing by default
_SURE_BITS = 0.5  # a code read with fewer wrong bits stays although its pattern cannot be fitted
SEEN_AGAIN = "seen more than once in this picture"
DARK_RING = "dark ring outside the black square: more border cells than stated, or no white margin"
_FAILED_FIT = {
    "not_converged": "did not converge",
    "disagrees": "disagrees with the picture",
}


@dataclass(frozen=True, slots=True)
class _Marker:
    reading: SoftReading
    corners_px: FloatArray
    covariance_px2: FloatArray
    explained: float | None = None
    note: str = ""


def detect_markers(
    image: Any,
    family: str | Path | MarkerFamily = "36h11",
    camera: Camera | None = None,
    preset: str | DetectorSettings = DEFAULT_PRESET,
    *,
    border_cells: int = 1,
    error_correction_bits: int | None = None,
    explain: bool = True,
) -> MarkerObservations:
    """Find the markers of one family in a picture.

    Dark squares are found (`imaging.squares`), their codes read from all blurred cells together (`imaging.decoding`),
    and each marker's whole pattern fitted (`imaging.refinement`), which gives corners with their own covariance. Where
    the fit fails the marker keeps the corners it was read between, with their measured error by the marker's width in
    the picture, the same on every coordinate and independent; a note says so.

    Parameters
    ----------
    image : array_like, shape (h, w), (h, w, 3) or (h, w, 4)
        Grey, or blue-green-red; see `to_grey8`.
    family : str, Path or MarkerFamily
        See `marker_family`.
    camera : Camera, optional
        For its lens, whose bent edges the fit then follows, and its tone curve. A picture of another shape is
        refused, one of another size scales it.
    preset : {"full range", "quick look"} or DetectorSettings
        "full range" reads small, tilted, dim and blurred markers, from 8 px of side, and fits each one's pattern;
        "quick look" fits nothing: about half the time, corners three to ten times less exact, sides from 10 px.
    border_cells : int
        Black border of the markers as printed.
    error_correction_bits : int, optional
        Wrong bits of a code that are forgiven where cells are sharp; less where they are small. At most what keeps the
        nearest code unique. If None 1, or 0 where the family's codes are too close or too short (4x4 cells, 5X5_1000).
    explain : bool
        Whether to look for the reason where nothing is found, which takes ten times as long as finding nothing.

    Returns
    -------
    MarkerObservations
        Sorted by id. A marker seen twice is two rows with a note; `message` says why where nothing was found.

    Raises
    ------
    InputError
        If the image is none, a name is unknown, or the camera belongs to pictures of another shape.

    Notes
    -----
    A black-bordered square of random bits passes for a marker of 36h11 with probability 1.3e-6. Short codes pass more
    often: 3e-3 for 4X4_50, 6e-2 for 4X4_1000, 2e-3 for 16h5, 2e-4 for 5X5_50, 1e-4 for 5X5_1000 and 25h9, all with
    what is forgiven by default; `decoding.chance_of_random_square` counts it, and measured shares agree.
    """
    family = marker_family(family)
    border_cells = checked_border(border_cells)
    bits = checked_correction_bits(family, error_correction_bits)
    settings = checked_preset(preset)
    grey = to_grey8(image)
    height, width = grey.shape
    lens = None if camera is None else camera.for_picture(width, height)
    squares = find_squares(grey, settings)
    readings = read_squares(
        grey, squares, family, border_cells=border_cells, bits=bits, camera=lens, fits=settings.refinement == "fitted"
    )
    placed = [_placed(grey, each, family, border_cells, settings, lens) for each in readings]
    found = sorted((each for each in placed if each is not None), key=_place)
    corners = np.array([each.corners_px for each in found]).reshape(-1, 4, 2)
    return MarkerObservations(
        marker_id=np.array([each.reading.marker_id for each in found], dtype=np.int64),
        corners_px=corners,
        covariance_px2=np.array([each.covariance_px2 for each in found]).reshape(-1, 8, 8),
        quality=np.array([_share_right(each, family) if each.explained is None else each.explained for each in found]),
        notes=_notes(found, is_ring_dark(grey, corners, family.cells(border_cells))),
        picture_size_px=(width, height),
        message="" if found or not explain else why_nothing(grey, squares, family, border_cells, settings),
    )


def checked_correction_bits(family: MarkerFamily, bits: int | None) -> int:
    """Return how many wrong bits are forgiven, refusing more than keeps the nearest code unique."""
    most = family.correction_bits
    if bits is None:
        is_short = chance_of_random_square(family, DEFAULT_CORRECTION_BITS) > _CHANCE_MOST
        return 0 if is_short else min(DEFAULT_CORRECTION_BITS, most)
    if isinstance(bits, bool) or not isinstance(bits, int | np.integer) or not 0 <= bits <= most:
        raise InputError(
            f"error_correction_bits: expected a whole number from 0 to {most}, beyond which codes of {family.name} "
            f"are mistaken for each other, found {bits!r}"
        )
    return int(bits)


def _placed(
    grey: ByteArray,
    reading: SoftReading,
    family: MarkerFamily,
    border_cells: int,
    settings: DetectorSettings,
    camera: Camera | None,
) -> _Marker | None:
    """Return the marker with its corners placed as the settings say; None where its pattern speaks against it."""
    artwork = family.artwork(reading.marker_id, border_cells)
    if settings.refinement == "subpixel":
        width = _width(reading)
        corners = subpixel_corners(grey, reading.corners_px, width / len(artwork), settings)
        return _Marker(reading, corners, _independent(stock_corner_sd_px(width)))
    if settings.refinement == "edges":
        return _Marker(reading, reading.corners_px, _independent(edge_corner_sd_px(_width(reading))))
    fit = reading.fit or fit_marker(grey, reading.corners_px, artwork, camera)
    if fit.covariance_px2 is not None:
        return _Marker(reading, fit.corners_px, fit.covariance_px2, fit.explained)
    if fit.status == "disagrees" and reading.wrong_bits > _SURE_BITS:
        return None
    note = "corners from the edges alone: the fit of the pattern " + _FAILED_FIT.get(fit.status, fit.status)
    return _Marker(reading, reading.corners_px, _independent(edge_corner_sd_px(_width(reading))), note=note)


def _width(reading: SoftReading) -> float:
    return max(float(widths_px(reading.corners_px[None])[0]), 1.0)


def _independent(sd_px: float) -> FloatArray:
    return sd_px**2 * np.eye(8)


def _place(each: _Marker) -> tuple[int, float]:
    return each.reading.marker_id, float(each.corners_px[:, 0].mean())


def _share_right(each: _Marker, family: MarkerFamily) -> float:
    return max(0.0, 1.0 - each.reading.wrong_bits / family.code_cells**2)


def _notes(found: list[_Marker], is_dark: BoolArray) -> tuple[str, ...]:
    """Return what is odd about each marker."""
    counts = Counter(each.reading.marker_id for each in found)
    notes = []
    for each, ring_is_dark in zip(found, is_dark, strict=True):
        times = counts[each.reading.marker_id]
        parts = [f"{SEEN_AGAIN}: {times} times, by a reflection or a second print"] if times > 1 else []
        parts += [DARK_RING] if ring_is_dark else []
        notes.append("; ".join([*parts, each.note] if each.note else parts))
    return tuple(notes)
