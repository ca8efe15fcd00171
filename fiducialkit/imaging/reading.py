"""Markers among the dark squares of a picture: edges, code, and a fit where the code alone does not tell."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fiducialkit.arrays import ByteArray, FloatArray
from fiducialkit.imaging.decoding import BEYOND_BITS, CONTRAST_LEAST_GREY, decode_squares
from fiducialkit.imaging.refinement import MarkerFit, fit_marker
from fiducialkit.imaging.squares import cell_sizes_px, squares_at_edges
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.markers import MarkerFamily

_WORTH_A_FIT_BITS = 8.0
# what the code of a marker's own bits leaves beyond what the right one does: up to 25 at 8 px, 1 from 12 px on
_SMALL_CELL_PX, _OWN_BITS_SMALL, _OWN_BITS = 1.6, 26.0, 6.0
_SAME_PLACE = 0.35  # of the diagonal, about half a side


@dataclass(frozen=True, slots=True, kw_only=True)
class SoftReading:
    """One marker read softly.

    Attributes
    ----------
    marker_id : int
    corners_px : ndarray, shape (4, 2)
        Clockwise from the upright marker's top left, where its code was read. [px]
    wrong_bits : float
        See `CodeReadings`.
    fit : MarkerFit or None
        The fit between whose corners it was read; None where its edges alone were enough.
    """

    marker_id: int
    corners_px: FloatArray
    wrong_bits: float
    fit: MarkerFit | None = None


def read_squares(
    grey: ByteArray,
    corners_px: FloatArray,
    family: MarkerFamily,
    *,
    border_cells: int = 1,
    bits: int = 1,
    camera: Camera | None = None,
    fits: bool = True,
) -> list[SoftReading]:
    """Return the markers among dark squares, each once.

    Every square is moved to its edges and read there. Where that leaves more unexplained than is forgiven, but not
    much more, the best code's pattern is fitted (`fit_marker`) and the square is read again, between the fitted corners
    and with the fitted blur.

    Parameters
    ----------
    grey : ndarray of uint8, shape (h, w)
    corners_px : ndarray, shape (N, 4, 2)
        Clockwise, right to about a pixel. [px]
    family : MarkerFamily
    border_cells : int
    bits : int
        Wrong bits forgiven where cells are sharp.
    camera : Camera, optional
        For the fit; see `fit_marker`.
    fits : bool
        Whether a fit may help where the edges alone do not tell.
    """
    squares = squares_at_edges(grey, corners_px, family.cells(border_cells))
    most = max(_WORTH_A_FIT_BITS, bits + BEYOND_BITS)
    readings = decode_squares(
        grey, squares, family, border_cells=border_cells, bits=bits,
        most_own_bits=most + _plausible_own_bits(squares, family.cells(border_cells)),
    )  # fmt: skip
    hopeful = np.flatnonzero((readings.wrong_bits < most) & (readings.contrast_grey >= CONTRAST_LEAST_GREY))
    places, is_accepted = _Places(squares), readings.is_read
    found: list[SoftReading] = []
    for n in hopeful[np.argsort(readings.wrong_bits[hopeful], kind="stable")].tolist():
        marker_id, is_read = int(readings.marker_id[n]), bool(is_accepted[n])
        if not (fits or is_read) or places.is_known(marker_id, n):
            continue
        one = SoftReading(
            marker_id=marker_id,
            corners_px=np.roll(squares[n], int(readings.turn[n]), axis=0),
            wrong_bits=float(readings.wrong_bits[n]),
        )
        if not is_read:
            fit = fit_marker(grey, one.corners_px, family.artwork(marker_id, border_cells), camera)
            again = read_when_fitted(grey, fit, marker_id, family, border_cells=border_cells, bits=bits)
            if again is None:
                continue
            one = again
        found.append(one)
        places.add(marker_id, n)
    return found


def _plausible_own_bits(squares_px: FloatArray, cells: int) -> FloatArray:
    """Return how many own bits a marker of that size may have beyond its wrong ones; (N,)."""
    smallest = cell_sizes_px(squares_px, cells).min(axis=1, initial=np.inf)
    return np.where(smallest < _SMALL_CELL_PX, _OWN_BITS_SMALL, _OWN_BITS)


class _Places:
    """Where markers were read, so that each is taken once: the same id at the same place."""

    def __init__(self, squares_px: FloatArray) -> None:
        self._centres = squares_px.mean(axis=1).tolist()
        self._reach = (np.linalg.norm(squares_px[:, 0] - squares_px[:, 2], axis=1) * _SAME_PLACE).tolist()
        self._known: dict[int, list[int]] = {}

    def is_known(self, marker_id: int, n: int) -> bool:
        return any(
            math.dist(self._centres[n], self._centres[other]) < self._reach[other]
            for other in self._known.get(marker_id, ())
        )

    def add(self, marker_id: int, n: int) -> None:
        self._known.setdefault(marker_id, []).append(n)


def read_when_fitted(
    grey: ByteArray, fit: MarkerFit, marker_id: int, family: MarkerFamily, *, border_cells: int, bits: int
) -> SoftReading | None:
    """Return the marker read between fitted corners, or None where its code is not accepted there."""
    if fit.status != "fitted":
        return None
    again = decode_squares(
        grey, fit.corners_px[None], family, border_cells=border_cells, bits=bits, blur_px=fit.blur_px
    )
    if not (again.is_read[0] and again.marker_id[0] == marker_id and again.turn[0] == 0):
        return None
    wrong_bits = float(again.wrong_bits[0])
    return SoftReading(marker_id=marker_id, corners_px=fit.corners_px, wrong_bits=wrong_bits, fit=fit)
