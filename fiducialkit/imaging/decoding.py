"""Codes read softly: from the blurred grey levels of all cells at once, against all codes in all four turns.

A cell of 1.2 px is mostly its neighbours' grey level, so cell by cell thresholds fail long before the code is lost.
Here the mixing is known (blur, the pixel's area and the sampling, over the cell's width), each code predicts
what is seen, and what the best code leaves unexplained is measured in wrong bits: the squared residual of all
cells, border included, over the mean squared change that one turned cell makes. Sharp cells give the number of
wrong cells. What is forgiven ends short of half way to the next number, and earlier where mixed cells make different
codes look alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from fiducialkit.arrays import BoolArray, ByteArray, FloatArray, IntArray
from fiducialkit.imaging import decoding_kernels as kernels
from fiducialkit.imaging.refinement import MarkerFit, fit_marker
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.markers import MarkerFamily

USUAL_BLUR_PX = 0.8
_BLUR_RANGE_PX = (0.4, 1.6)
_SAMPLING_PX2 = 1.0 / 12.0 + 1.0 / 6.0  # the pixel's own area, and straight lines between pixel centres
_CONTRAST_LEAST_GREY = 6.0
_RIDGE = 0.005
_LIKELY = 3  # codes looked at closely; the first is nearly always right
# Share of the forgiven bits that is left when a cell is r sd of the blur wide: slope * r - offset, at most 1. Measured
# on a million random words against 36h11: about one in a million passes at any width; see the tests.
_FORGIVEN_SLOPE, _FORGIVEN_OFFSET = 0.48, 0.24
_BEYOND_BITS = 0.4  # how far beyond the whole number forgiven; blurred neighbours turned oppositely leave 1.5 bits
_WIDTHS_SD = np.geomspace(0.8, 12.0, 96)
_WORTH_A_FIT_BITS = 4.0
_AHEAD_PX = 0.5  # outlines of dark squares run through their outermost pixels
_REACH_PX = (1.0, 2.5)
_ROUNDS = 2
_MOVED_MOST_PX = 3.0

Float32Array = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeReadings:
    """What each of N squares is read as.

    Attributes
    ----------
    marker_id, turn : ndarray of int, shape (N,)
        The best code, and by how many quarter turns its upright top left corner lies ahead of the square's corner 0,
        against the clock: the upright corners are ``numpy.roll(corners, turn, axis=0)``.
    wrong_bits, runner_up_bits : ndarray, shape (N,)
        What the best code and the next leave unexplained, in wrong bits.
    allowed_bits : ndarray, shape (N,)
        The most that is forgiven at that square's size.
    contrast_grey : ndarray, shape (N,)
        White less black.
    """

    marker_id: IntArray
    turn: IntArray
    wrong_bits: FloatArray
    runner_up_bits: FloatArray
    allowed_bits: FloatArray
    contrast_grey: FloatArray

    @property
    def is_read(self) -> BoolArray:
        """Whether each is accepted: few enough wrong bits, no second code that passes too, and a real contrast."""
        is_one = (self.wrong_bits <= self.allowed_bits) & (self.runner_up_bits > self.allowed_bits)
        return np.asarray(is_one & (self.contrast_grey >= _CONTRAST_LEAST_GREY))


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
    fit: MarkerFit | None


@dataclass(frozen=True, slots=True)
class _Mixing:
    """How cells mix along one direction, by the cell's width in sd of the blur, one entry for each of `_WIDTHS_SD`."""

    code: FloatArray  # (W, cells, n): share of each code cell in each sampled cell
    inside: FloatArray  # (W, cells): share of the whole black square in it
    unmix: FloatArray  # (W, n, cells)
    bit: FloatArray  # (W,): mean squared change when one code cell turns


def read_squares(
    grey: ByteArray,
    corners_px: FloatArray,
    family: MarkerFamily,
    *,
    border_cells: int = 1,
    bits: int = 1,
    camera: Camera | None = None,
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
    """
    squares = squares_at_edges(grey, corners_px, family.cells(border_cells))
    readings = decode_squares(grey, squares, family, border_cells=border_cells, bits=bits)
    hopeful = np.flatnonzero(readings.wrong_bits < max(_WORTH_A_FIT_BITS, bits + _BEYOND_BITS))
    hopeful = hopeful[readings.contrast_grey[hopeful] >= _CONTRAST_LEAST_GREY]
    found: list[SoftReading] = []
    for n in hopeful[np.argsort(readings.wrong_bits[hopeful], kind="stable")].tolist():
        marker_id = int(readings.marker_id[n])
        upright = np.roll(squares[n], int(readings.turn[n]), axis=0)
        if any(_is_known(marker_id, upright, other) for other in found):
            continue
        if readings.is_read[n]:
            found.append(SoftReading(
                marker_id=marker_id, corners_px=upright, wrong_bits=float(readings.wrong_bits[n]), fit=None
            ))  # fmt: skip
            continue
        fit = fit_marker(grey, upright, family.artwork(marker_id, border_cells), camera)
        wrong_bits = _wrong_when_fitted(grey, fit, marker_id, family, border_cells, bits)
        if wrong_bits is not None:
            found.append(SoftReading(marker_id=marker_id, corners_px=fit.corners_px, wrong_bits=wrong_bits, fit=fit))
    return found


def _is_known(marker_id: int, corners_px: FloatArray, other: SoftReading) -> bool:
    if marker_id != other.marker_id:
        return False
    side = np.linalg.norm(other.corners_px[0] - other.corners_px[2]) / np.sqrt(2.0)
    return bool(np.linalg.norm(corners_px.mean(axis=0) - other.corners_px.mean(axis=0)) < 0.5 * side)


def _wrong_when_fitted(
    grey: ByteArray, fit: MarkerFit, marker_id: int, family: MarkerFamily, border_cells: int, bits: int
) -> float | None:
    """Return the wrong bits of the code read between fitted corners, or None where it is not accepted."""
    if fit.status != "fitted":
        return None
    again = decode_squares(
        grey, fit.corners_px[None], family, border_cells=border_cells, bits=bits, blur_px=fit.blur_px
    )
    is_same = again.marker_id[0] == marker_id and again.turn[0] == 0
    return float(again.wrong_bits[0]) if again.is_read[0] and is_same else None


def squares_at_edges(grey: ByteArray, corners_px: FloatArray, cells: int) -> FloatArray:
    """Return dark squares with corners moved to where their edges meet, or as they were where that fails.

    Each edge is a straight line through the centroids of the rise in grey level across it, weighted by the rise.

    Parameters
    ----------
    grey : ndarray of uint8, shape (h, w)
    corners_px : ndarray, shape (N, 4, 2)
        Outlines through the outermost dark pixels. [px]
    cells : int
        Cells along a side, border included: the rise is looked for within one.
    """
    start = np.ascontiguousarray(corners_px, dtype=np.float64)
    moved = np.empty_like(start)
    reach_px = np.clip(_cell_sizes_px(start, cells).min(axis=1, initial=np.inf), *_REACH_PX)
    kernels.to_edges(grey, start, _AHEAD_PX, reach_px, _ROUNDS, moved)
    with np.errstate(invalid="ignore"):
        is_near = (np.linalg.norm(moved - start, axis=2) < _MOVED_MOST_PX).all(axis=1)
    return np.where(is_near[:, None, None], moved, start)


def decode_squares(
    grey: ByteArray,
    corners_px: FloatArray,
    family: MarkerFamily,
    *,
    border_cells: int = 1,
    bits: int = 1,
    blur_px: float = USUAL_BLUR_PX,
) -> CodeReadings:
    """Read every square against all codes of a family; parameters as in `read_squares` and `decode_levels`."""
    cells = family.cells(border_cells)
    corners = np.ascontiguousarray(corners_px, dtype=np.float64)
    pixel_from_square = np.empty((len(corners), 3, 3))
    kernels.perspectives(corners, pixel_from_square)
    levels = np.empty((len(corners), cells, cells))
    kernels.sample_cells(grey, pixel_from_square, cells, levels)
    sizes = _cell_sizes_px(corners, cells)
    return decode_levels(levels, sizes, family, border_cells=border_cells, bits=bits, blur_px=blur_px)


def decode_levels(
    levels: FloatArray,
    cell_px: FloatArray,
    family: MarkerFamily,
    *,
    border_cells: int = 1,
    bits: int = 1,
    blur_px: float = USUAL_BLUR_PX,
) -> CodeReadings:
    """Read squares from the grey levels of their cells.

    Parameters
    ----------
    levels : ndarray, shape (N, cells, cells)
        Mean grey level round the middle of each cell, border included. A square with one that is not finite is not
        read.
    cell_px : ndarray, shape (N, 2)
        Width and height of a cell. [px]
    family : MarkerFamily
    border_cells : int
    bits : int
        Wrong bits forgiven where cells are sharp.
    blur_px : float
        Optical blur, its sd; 0.4 to 1.6 px are told apart. [px]
    """
    finite: BoolArray = np.asarray(np.isfinite(levels).all(axis=(1, 2)) & np.isfinite(cell_px).all(axis=1))
    levels = np.where(finite[:, None, None], levels, 0.0)
    spread_px = np.sqrt(np.clip(blur_px, *_BLUR_RANGE_PX) ** 2 + _SAMPLING_PX2)
    width_sd = np.where(finite[:, None], cell_px, 1.0) / spread_px
    mixing = _mixing(family.code_cells, border_cells)
    entry = np.searchsorted(_WIDTHS_SD, width_sd).clip(0, len(_WIDTHS_SD) - 1)
    across, down = entry[:, 0], entry[:, 1]
    margin = 1.0 - mixing.inside[down][:, :, None] * mixing.inside[across][:, None, :]
    share = np.clip(_FORGIVEN_SLOPE * width_sd.min(axis=1, initial=np.inf) - _FORGIVEN_OFFSET, 0.0, 1.0)
    unmixed, own = _unmixed(levels, margin, mixing, across, down)
    likely = _likely(unmixed, family)
    bit = mixing.bit[down] * mixing.bit[across]
    wrong, contrast = np.empty(likely.shape), np.empty(likely.shape)
    for k in range(_LIKELY):
        code = _patterns(family)[likely[:, k]].reshape(-1, family.code_cells, family.code_cells)
        seen = _seen(code, margin, mixing, across, down)
        # sharp cells tell their own levels, so that k wrong bits count as k; mixed ones need the code for that
        black, contrast[:, k] = np.where(share >= 1.0, own, _levels_of(levels, seen))
        wrong[:, k] = _unexplained(levels, seen, black, contrast[:, k]) / bit
    order = np.argsort(wrong, axis=1, kind="stable")
    rows, best = np.arange(len(order)), order[:, 0]
    first = likely[rows, best].astype(np.int64)
    return CodeReadings(
        marker_id=first // 4,
        turn=first % 4,
        wrong_bits=np.where(finite, wrong[rows, best], np.inf),
        runner_up_bits=wrong[rows, order[:, 1]],
        allowed_bits=(bits + _BEYOND_BITS) * share,
        contrast_grey=contrast[rows, best],
    )


def _cell_sizes_px(corners_px: FloatArray, cells: int) -> FloatArray:
    """Return the mean width and height of a square's cells, (N, 2). [px]"""
    sides = np.linalg.norm(corners_px - np.roll(corners_px, -1, axis=1), axis=2)  # top, right, bottom, left
    return np.asarray((sides[:, :2] + sides[:, 2:]) / (2.0 * cells))


@lru_cache(maxsize=32)
def _mixing(code_cells: int, border_cells: int) -> _Mixing:
    cells = code_cells + 2 * border_cells
    offsets = kernels.SPREAD * (np.arange(kernels.POINTS) - (kernels.POINTS - 1) / 2.0)
    places = (np.arange(cells) + 0.5)[:, None] + offsets
    edges = np.arange(cells + 1.0)
    below = ndtr((edges - places[:, :, None]) * _WIDTHS_SD[:, None, None, None]).mean(axis=2)
    shares = np.diff(below, axis=2)
    code = np.ascontiguousarray(shares[:, :, border_cells : border_cells + code_cells])
    turned = np.swapaxes(code, 1, 2)
    unmix = np.linalg.solve(turned @ code + _RIDGE * np.eye(code_cells), turned)
    return _Mixing(code, shares.sum(axis=2), unmix, (code**2).sum(axis=(1, 2)) / code_cells)


@lru_cache(maxsize=32)
def _patterns(family: MarkerFamily) -> Float32Array:
    """Return every code in every turn, (codes * 4, n * n), four turns of a code together; 1 is white."""
    turned = [np.rot90(family.codes, k, axes=(1, 2)) for k in range(4)]
    return np.stack(turned, axis=1).reshape(4 * family.size, -1).astype(np.float32)


@lru_cache(maxsize=32)
def _normed_patterns(family: MarkerFamily) -> Float32Array:
    centred = _patterns(family) - _patterns(family).mean(axis=1, keepdims=True)
    lengths = np.maximum(np.linalg.norm(centred, axis=1, keepdims=True), np.float32(1e-6))
    return np.ascontiguousarray((centred / lengths).T)


def _seen(
    code: FloatArray | Float32Array, margin: FloatArray, mixing: _Mixing, across: IntArray, down: IntArray
) -> FloatArray:
    """Return what a code's cells look like once mixed: 0 is black, 1 is white."""
    mixed = mixing.code[down] @ code @ np.swapaxes(mixing.code[across], 1, 2)
    return np.asarray(mixed + margin, dtype=np.float64)


def _unmixed(
    levels: FloatArray, margin: FloatArray, mixing: _Mixing, across: IntArray, down: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Return the code cells with the mixing undone, 0 for black and 1 for white, and (2, N) black level and contrast.

    Levels are those that fit the cells' own bits best, whatever code they may be.
    """
    flat = levels.reshape(len(levels), levels.shape[1] * levels.shape[2])
    black, white = np.percentile(flat, [5, 95], axis=1)
    contrast = np.maximum(white - black, 1e-3)
    for _ in range(2):
        code = _code_cells(levels, black, contrast, margin, mixing, across, down)
        seen = _seen((code > 0.5).astype(np.float64), margin, mixing, across, down)
        black, contrast = _levels_of(levels, seen)
        contrast = np.maximum(contrast, 1e-3)
    return _code_cells(levels, black, contrast, margin, mixing, across, down), np.stack([black, contrast])


def _code_cells(
    levels: FloatArray,
    black: FloatArray,
    contrast: FloatArray,
    margin: FloatArray,
    mixing: _Mixing,
    across: IntArray,
    down: IntArray,
) -> FloatArray:
    shares = (levels - black[:, None, None]) / contrast[:, None, None] - margin
    return np.asarray(mixing.unmix[down] @ shares @ np.swapaxes(mixing.unmix[across], 1, 2))


def _levels_of(levels: FloatArray, seen: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return black and contrast of `levels` = black + contrast * seen by least squares."""
    centred = seen - seen.mean(axis=(1, 2), keepdims=True)
    contrast = (centred * levels).sum(axis=(1, 2)) / np.maximum((centred**2).sum(axis=(1, 2)), 1e-12)
    return levels.mean(axis=(1, 2)) - contrast * seen.mean(axis=(1, 2)), contrast


def _likely(code: FloatArray, family: MarkerFamily) -> IntArray:
    """Return the rows of `_patterns` that correlate best with unmixed cells, (N, `_LIKELY`)."""
    flat = code.reshape(len(code), family.code_cells**2)
    centred = (flat - flat.mean(axis=1, keepdims=True)).astype(np.float32)
    scores = centred @ _normed_patterns(family)
    rows, likely = np.arange(len(scores)), np.empty((len(scores), _LIKELY), dtype=np.int64)
    for k in range(_LIKELY):
        likely[:, k] = scores.argmax(axis=1)
        scores[rows, likely[:, k]] = -np.inf
    return likely


def _unexplained(levels: FloatArray, seen: FloatArray, black: FloatArray, contrast: FloatArray) -> FloatArray:
    """Return the squared residual of the levels in units of the contrast; infinite where there is none."""
    is_right = contrast > 1e-3
    residual = levels - black[:, None, None] - contrast[:, None, None] * seen
    squares = (residual**2).sum(axis=(1, 2)) / np.where(is_right, contrast, 1.0) ** 2
    return np.where(is_right, squares, np.inf)
