"""How blur mixes the grey levels of a marker's cells, by the width of a cell, and how that is undone.

Across and down mix apart from each other as long as the cells' edges are at right angles. Over slanted cells round blur
is slanted too: its correlation is minus the cosine of the angle between the edges, and the mixing is then the sum over
k of correlation^k / k! times the k-th derivatives across and down (Mehler's expansion of the bivariate normal
distribution, ended at k = 2).

References
----------
Mehler, "Ueber die Entwicklung einer Function von beliebig vielen Variablen nach Laplaceschen Functionen hoeherer
Ordnung", J. reine angew. Math. 66 (1866) 161-176.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from fiducialkit.arrays import FloatArray
from fiducialkit.imaging import decoding_kernels as kernels

BLUR_RANGE_PX = (0.4, 1.6)
ORDERS = 3
WIDTHS_SD = np.geomspace(0.8, 12.0, 96)
_SAMPLING_PX2 = 1.0 / 12.0 + 1.0 / 6.0  # the pixel's own area, and straight lines between pixel centres
_RIDGE = 0.005


@dataclass(frozen=True, slots=True)
class Mixing:
    """How cells mix along one direction, by the cell's width in sd of the blur, one entry for each of `WIDTHS_SD`.

    Attributes
    ----------
    code : ndarray, shape (W, ORDERS, cells, n)
        Share of each code cell in each sampled cell, and its derivatives by the sampled place in sd of the blur.
    inside : ndarray, shape (W, ORDERS, cells)
        The same of the whole black square; the rest is the white round it.
    unmix : ndarray, shape (W, n, cells)
    bit : ndarray, shape (W,)
        Mean squared change when one code cell turns; for both directions, the product.
    """

    code: FloatArray
    inside: FloatArray
    unmix: FloatArray
    bit: FloatArray


def widths_sd(cell_px: FloatArray, blur_px: float) -> FloatArray:
    """Return the width of cells in sd of all that blurs them."""
    return np.asarray(cell_px / np.sqrt(np.clip(blur_px, *BLUR_RANGE_PX) ** 2 + _SAMPLING_PX2))


@lru_cache(maxsize=32)
def mixing_of(code_cells: int, border_cells: int) -> Mixing:
    """Return the table for a code of that many cells across.

    Each sampled cell is the mean of `decoding_kernels.POINTS` places, each the Gaussian-weighted mean of what surrounds
    it.
    """
    cells = code_cells + 2 * border_cells
    offsets = kernels.SPREAD * (np.arange(kernels.POINTS) - (kernels.POINTS - 1) / 2.0)
    places = (np.arange(cells) + 0.5)[:, None] + offsets
    away = (np.arange(cells + 1.0) - places[:, :, None]) * WIDTHS_SD[:, None, None, None]
    density = np.exp(-0.5 * away**2) / np.sqrt(2.0 * np.pi)
    below = np.stack([ndtr(away), density, -away * density], axis=1).mean(axis=3)
    shares = np.diff(below, axis=3)
    code = np.ascontiguousarray(shares[..., border_cells : border_cells + code_cells])
    plain = code[:, 0]
    turned = np.swapaxes(plain, 1, 2)
    unmix = np.ascontiguousarray(np.linalg.solve(turned @ plain + _RIDGE * np.eye(code_cells), turned))
    return Mixing(code, shares.sum(axis=3), unmix, (plain**2).sum(axis=(1, 2)) / code_cells)
