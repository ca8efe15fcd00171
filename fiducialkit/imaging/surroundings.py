"""What lies just outside a marker's black square: white, or a dark ring that should not be there."""

from __future__ import annotations

import numpy as np

from fiducialkit.arrays import BoolArray, ByteArray, FloatArray
from fiducialkit.imaging import decoding_kernels as kernels

_RING_CELLS = 0.4  # how far outside the black square its white margin is looked for
_DARK_SHARE = 0.75
_DARK_LEVEL = 1.0 / 3.0  # of the way from black to white: blurred margins of small markers are grey


def is_ring_dark(grey: ByteArray, corners_px: FloatArray, cells: int) -> BoolArray:
    """Return whether most of the ring round each square is nearly as dark as its border.

    Parameters
    ----------
    grey : ndarray of uint8, shape (h, w)
    corners_px : ndarray, shape (N, 4, 2)
        [px]
    cells : int
        Cells along a side, border included.
    """
    inside = levels_at(grey, corners_px, _grid(cells))
    ring = levels_at(grey, corners_px, _ring(cells))
    border = inside.reshape(-1, cells, cells)[:, 0].mean(axis=1)
    dark = border + _DARK_LEVEL * (inside.max(axis=1, initial=0.0) - border)
    return np.asarray((ring < dark[:, None]).mean(axis=1) > _DARK_SHARE)


def levels_at(grey: ByteArray, corners_px: FloatArray, places: FloatArray) -> FloatArray:
    """Return grey levels, (N, K), at places of the unit square, (K, 2), of each of N squares."""
    perspective = np.empty((len(corners_px), 3, 3))
    kernels.perspectives(np.ascontiguousarray(corners_px, dtype=np.float64), perspective)
    levels = np.empty((len(corners_px), len(places)))
    kernels.sample_places(grey, perspective, places, levels)
    return levels


def _grid(cells: int) -> FloatArray:
    middles = (np.arange(cells) + 0.5) / cells
    down, across = np.meshgrid(middles, middles, indexing="ij")
    return np.column_stack([across.ravel(), down.ravel()])


def _ring(cells: int) -> FloatArray:
    along = (np.arange(cells) + 0.5) / cells
    before, after = np.full(cells, -_RING_CELLS / cells), np.full(cells, 1.0 + _RING_CELLS / cells)
    sides = [(along, before), (along, after), (before, along), (after, along)]
    return np.concatenate([np.column_stack(side) for side in sides])
