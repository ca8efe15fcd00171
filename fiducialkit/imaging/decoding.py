"""Codes read softly: from the blurred grey levels of all cells at once, against all codes in all four turns.

A cell of 1.2 px is mostly its neighbours' grey level, so cell by cell thresholds fail long before the code is lost.
Here the mixing is known (blur, the pixel's area and the sampling, over the cell's width; `cell_mixing`), each code
predicts what is seen, and what the best code leaves unexplained is measured in wrong bits: the squared residual of all
cells, border included, over the mean squared change that one turned cell makes. Sharp cells give the number of
wrong cells. What is forgiven ends short of half way to the next number, and earlier where mixed cells make different
codes look alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from fiducialkit.arrays import BoolArray, ByteArray, FloatArray, IntArray
from fiducialkit.imaging import decoding_kernels as kernels
from fiducialkit.imaging.cell_mixing import WIDTHS_SD, Mixing, mixing_of, widths_sd
from fiducialkit.imaging.squares import cell_sizes_px, slants
from fiducialkit.scene.markers import MarkerFamily

USUAL_BLUR_PX = 0.8
CONTRAST_LEAST_GREY = 6.0
_LIKELY = 3  # codes looked at closely; the first is nearly always right
# Share of the forgiven bits that is left when a cell is r sd of the blur wide: slope * r - offset, at most 1. Measured
# on a million random words against 36h11: about one in a million passes at any width; see the tests.
_MOST_UNEXPLAINED_BITS = 4.0
_DISTINCT_SD = 1.35
_FORGIVEN_SLOPE, _FORGIVEN_OFFSET = 0.35, 0.175
BEYOND_BITS = 0.4  # how far beyond the whole number forgiven; blurred neighbours turned oppositely leave 1.5 bits

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
        What the best code and the next leave unexplained, in wrong bits; infinite where the square was not compared
        with any.
    own_bits : ndarray, shape (N,)
        What a code made of the square's own bits leaves unexplained: small for every marker, of whatever family with
        so many cells, and large for what is none.
    allowed_bits : ndarray, shape (N,)
        The most that is forgiven at that square's size.
    turned_bits : ndarray of int, shape (N,)
        Cells that look the other way round than in the best code when each is judged for itself, border included.
    forgiven : int
        The most of those that are forgiven at any size.
    is_distinct : ndarray of bool, shape (N,)
        Whether cells are wide enough to be judged each for itself: 1.35 sd of the blur, 9 px of side for 36h11.
    contrast_grey : ndarray, shape (N,)
        White less black.
    """

    marker_id: IntArray
    turn: IntArray
    wrong_bits: FloatArray
    runner_up_bits: FloatArray
    own_bits: FloatArray
    allowed_bits: FloatArray
    turned_bits: IntArray
    forgiven: int
    is_distinct: BoolArray
    contrast_grey: FloatArray

    @property
    def is_read(self) -> BoolArray:
        """Whether each is accepted: few enough wrong bits, no second code that passes too, and a real contrast.

        Bits are few by what is left unexplained altogether, or by judging each cell for itself: sharpened edges and
        uneven light leave more unexplained than noise does, without turning a cell.
        """
        together = (self.wrong_bits <= self.allowed_bits) & (self.runner_up_bits > self.allowed_bits)
        each = (self.turned_bits <= self.forgiven) & (self.wrong_bits <= _MOST_UNEXPLAINED_BITS) & self.is_distinct
        return np.asarray((together | each) & (self.contrast_grey >= CONTRAST_LEAST_GREY))


@dataclass(frozen=True, slots=True)
class _Cells:
    """Cells of N squares: their levels, and which entries of the mixing table are theirs."""

    levels: FloatArray
    across: IntArray
    down: IntArray
    slant: FloatArray
    mixing: Mixing

    def of(self, rows: IntArray) -> _Cells:
        return _Cells(self.levels[rows], self.across[rows], self.down[rows], self.slant[rows], self.mixing)


def decode_squares(
    grey: ByteArray,
    corners_px: FloatArray,
    family: MarkerFamily,
    *,
    border_cells: int = 1,
    bits: int = 1,
    blur_px: float = USUAL_BLUR_PX,
    most_own_bits: float | FloatArray = np.inf,
) -> CodeReadings:
    """Read every square against all codes of a family; parameters as in `decode_levels`.

    Parameters
    ----------
    grey : ndarray of uint8, shape (h, w)
    corners_px : ndarray, shape (N, 4, 2)
        Clockwise. [px]
    family : MarkerFamily
    border_cells, bits, blur_px, most_own_bits
        See `decode_levels`.
    """
    cells = family.cells(border_cells)
    corners = np.ascontiguousarray(corners_px, dtype=np.float64)
    pixel_from_square = np.empty((len(corners), 3, 3))
    kernels.perspectives(corners, pixel_from_square)
    levels = np.empty((len(corners), cells, cells))
    kernels.sample_cells(grey, pixel_from_square, cells, levels)
    return decode_levels(
        levels, cell_sizes_px(corners, cells), family, slant=slants(corners),
        border_cells=border_cells, bits=bits, blur_px=blur_px, most_own_bits=most_own_bits,
    )  # fmt: skip


def decode_levels(
    levels: FloatArray,
    cell_px: FloatArray,
    family: MarkerFamily,
    *,
    slant: FloatArray | None = None,
    border_cells: int = 1,
    bits: int = 1,
    blur_px: float = USUAL_BLUR_PX,
    most_own_bits: float | FloatArray = np.inf,
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
    slant : ndarray, shape (N,), optional
        Correlation of the blur across and down the cells, 0 where their edges are at right angles; see `slants`.
    border_cells : int
    bits : int
        Wrong bits forgiven where cells are sharp.
    blur_px : float
        Optical blur, its sd; 0.4 to 1.6 px are told apart. [px]
    most_own_bits : float or ndarray, shape (N,)
        Squares whose own bits leave more than that unexplained are not compared with any code, which saves time.
    """
    finite: BoolArray = np.asarray(np.isfinite(levels).all(axis=(1, 2)) & np.isfinite(cell_px).all(axis=1))
    width_sd = widths_sd(np.where(finite[:, None], cell_px, 1.0), blur_px)
    entry = np.searchsorted(WIDTHS_SD, width_sd).clip(0, len(WIDTHS_SD) - 1)
    mixing = mixing_of(family.code_cells, border_cells)
    slant = np.zeros(len(levels)) if slant is None else np.where(finite, slant, 0.0)
    squares = _Cells(np.where(finite[:, None, None], levels, 0.0), entry[:, 0], entry[:, 1], slant, mixing)
    bit = mixing.bit[squares.down] * mixing.bit[squares.across]
    share = np.clip(_FORGIVEN_SLOPE * width_sd.min(axis=1, initial=np.inf) - _FORGIVEN_OFFSET, 0.0, 1.0)
    codes, own = _own_codes(squares, share >= 1.0, family.code_cells)
    own_bits = np.where(finite, own[:, 2] / bit, np.inf)
    best, wrong, contrast = np.zeros(len(bit), dtype=np.int64), np.full((len(bit), 2), np.inf), np.zeros(len(bit))
    turned = np.full(len(bit), family.code_cells**2)
    rows = np.flatnonzero(own_bits <= most_own_bits)
    if len(rows):
        best[rows], wrong[rows], contrast[rows], turned[rows] = _compared(
            squares.of(rows), codes[rows], own[rows], share[rows], family
        )
    return CodeReadings(
        marker_id=best // 4,
        turn=best % 4,
        wrong_bits=np.where(finite, wrong[:, 0] / bit, np.inf),
        runner_up_bits=wrong[:, 1] / bit,
        own_bits=own_bits,
        allowed_bits=(bits + BEYOND_BITS) * share,
        turned_bits=turned,
        forgiven=bits,
        is_distinct=width_sd.min(axis=1, initial=np.inf) >= _DISTINCT_SD,
        contrast_grey=contrast,
    )


def chance_of_random_square(family: MarkerFamily, bits: int) -> float:
    """Return how probably a black-bordered square of random bits passes for some marker of the family.

    By counting: the words within `bits` of a code in any turn, over all words. Exact while these do not overlap.

    Examples
    --------
    >>> from fiducialkit.scene.markers import marker_family
    >>> f"{chance_of_random_square(marker_family('36h11'), 1):.1e}"
    '1.3e-06'
    """
    cells = family.code_cells**2
    near = sum(math.comb(cells, k) for k in range(bits + 1))
    return min(1.0, 4.0 * family.size * near / 2.0**cells)


def _own_codes(squares: _Cells, is_sharp: BoolArray, code_cells: int) -> tuple[FloatArray, FloatArray]:
    """Return code cells with the mixing undone, (N, n, n), and (N, 3) of `decoding_kernels.own_codes`.

    That kernel changes the levels of sharp squares: the light's gradient is taken out.
    """
    codes, own = np.empty((len(squares.levels), code_cells, code_cells)), np.empty((len(squares.levels), 3))
    m = squares.mixing
    kernels.own_codes(
        squares.levels, squares.across, squares.down, squares.slant, is_sharp, m.code, m.inside, m.unmix, codes, own
    )
    return codes, own


def _compared(
    squares: _Cells, codes: FloatArray, own: FloatArray, share: FloatArray, family: MarkerFamily
) -> tuple[IntArray, FloatArray, FloatArray, IntArray]:
    """Return the best row of `_patterns`, (N, 2) squared residuals of it and the next, contrast, turned cells."""
    likely = _likely(codes, family)
    wrong, contrast, differ = np.empty(likely.shape), np.empty(likely.shape), np.empty(likely.shape, dtype=np.int64)
    kernels.unexplained(
        squares.levels, squares.across, squares.down, squares.slant, squares.mixing.code, squares.mixing.inside,
        _patterns(family), likely, codes, own, share >= 1.0, wrong, contrast, differ,
    )  # fmt: skip
    order = np.argsort(wrong, axis=1, kind="stable")
    rows = np.arange(len(order))
    best = order[:, 0]
    two = np.take_along_axis(wrong, order[:, :2], axis=1)
    return likely[rows, best], two, contrast[rows, best], differ[rows, best]


@lru_cache(maxsize=64)
def _patterns(family: MarkerFamily) -> FloatArray:
    """Return every code in every turn, (codes * 4, n, n), four turns of a code together; 1 is white."""
    turned = np.stack([np.rot90(family.codes, k, axes=(1, 2)) for k in range(4)], axis=1)
    return np.ascontiguousarray(turned.reshape(-1, family.code_cells, family.code_cells), dtype=np.float64)


@lru_cache(maxsize=64)
def _normed_patterns(family: MarkerFamily) -> Float32Array:
    flat = _patterns(family).reshape(4 * family.size, -1).astype(np.float32)
    centred = flat - flat.mean(axis=1, keepdims=True)
    lengths = np.maximum(np.linalg.norm(centred, axis=1, keepdims=True), np.float32(1e-6))
    return np.ascontiguousarray((centred / lengths).T)


def _likely(codes: FloatArray, family: MarkerFamily) -> IntArray:
    """Return the rows of `_patterns` that correlate best with unmixed cells, (N, `_LIKELY`)."""
    likely = np.empty((len(codes), _LIKELY), dtype=np.int64)
    kernels.likeliest(codes.reshape(len(codes), -1), _normed_patterns(family), likely)
    return likely
