"""How the corners of single markers err, as matrices: what the kernels of `planning.edge_kernels` sum up without them.

A marker's eight coordinates, corner by corner, have errors of covariance ``C`` and mean ``m``, and a solver weighs them
with ``W``: the inverse of C where it is told of it, that of independent corners otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fiducialkit.arrays import FloatArray
from fiducialkit.planning import kernels
from fiducialkit.planning.detectability import at_places, camera_tables, corner_kinds, coupling, error_kind
from fiducialkit.scene.camera import Camera

# ends of edges: (corner, edge), four of edges 0 and 2, then of 1 and 3
_ENDS = ((0, 0), (1, 0), (2, 2), (3, 2), (1, 1), (2, 1), (3, 3), (0, 3))
_SIGNS = 0.25 * np.array([[1.0, 1.0, -1.0, -1.0], [1.0, 1.0, 1.0, 1.0], [-1.0, 1.0, -1.0, 1.0], [-1.0, 1.0, 1.0, -1.0]])
_SIZE = (1, 5)  # of the eight ways: how far out the edges of a pair lie


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CornerErrors:
    """Of V markers: weights W and covariance C, (V, 8, 8) [px^-2, px^2], and mean m (V, 8) [px]."""

    weights: FloatArray
    covariance: FloatArray
    mean: FloatArray


def corner_errors(camera: Camera, cells: int, pixels: FloatArray, facing_deg: FloatArray) -> CornerErrors:
    """Return how corners (V, 4, 2) [px] err that are seen under these facing angles (V,), `cells` across the square.

    The sds are those of `detectability.camera_tables` and `corner_kinds`.
    """
    width_px = shorter_way_px(pixels)
    sd = at_places(camera_tables(camera, cells=cells)[0], width_px, facing_deg)
    alike = np.broadcast_to(np.eye(8), (len(pixels), 8, 8))
    independent = alike / (sd**2)[:, None, None]
    kind = error_kind(camera)
    if kind == kernels.INDEPENDENT:
        return CornerErrors(
            weights=independent, covariance=alike * (sd**2)[:, None, None], mean=np.zeros(alike.shape[:2])
        )
    pull, *sds = (at_places(table, width_px, facing_deg) for table in corner_kinds(camera, cells=cells))
    ways = ways_of_edges(pixels)
    steps = np.linalg.inv(ways)
    mean = -pull[:, None] * steps[:, :, _SIZE].sum(axis=2)
    root = np.tile(np.stack(sds, axis=1), (1, 2))
    if kind == kernels.TOGETHER:
        root = root * np.repeat(np.sqrt(_shares(pixels)), 4, axis=1)
    together = np.eye(8)
    together[[0, 7], [7, 0]], together[[4, 3], [3, 4]] = -coupling(camera), coupling(camera)
    covariance = steps @ (root[:, :, None] * together * root[:, None, :]) @ np.swapaxes(steps, 1, 2)
    if kind == kernels.PULLED:
        return CornerErrors(weights=independent, covariance=covariance, mean=mean)
    inverse = np.linalg.inv(together) / (root[:, :, None] * root[:, None, :])
    return CornerErrors(weights=np.swapaxes(ways, 1, 2) @ inverse @ ways, covariance=covariance, mean=mean)


def ways_of_edges(pixels: FloatArray) -> FloatArray:
    """Return the matrices (V, 8, 8) from steps of corners to shift, size, turn and taper of both pairs of edges."""
    along = np.roll(pixels, -1, axis=1) - pixels
    outward = np.stack([along[..., 1], -along[..., 0]], axis=-1) / np.linalg.norm(along, axis=2, keepdims=True)
    out = np.zeros((len(pixels), 8, 8))
    for end, (corner, edge) in enumerate(_ENDS):
        out[:, end, 2 * corner : 2 * corner + 2] = outward[:, edge]
    return np.concatenate([_SIGNS @ out[:, :4], _SIGNS @ out[:, 4:]], axis=1)


def _shares(pixels: FloatArray) -> FloatArray:
    """Return how both pairs of edges share the variance, (V, 2): the longer are placed better."""
    lengths = np.linalg.norm(np.roll(pixels, -1, axis=1) - pixels, axis=2)
    pairs = lengths[:, :2] + lengths[:, 2:]
    return np.asarray(2.0 * pairs[:, ::-1] / pairs.sum(axis=1, keepdims=True))


def shorter_way_px(pixels: FloatArray) -> FloatArray:
    """Return each quadrilateral's area over its longest side: what the detector's tables go by. [px]"""
    x, y = pixels[..., 0], pixels[..., 1]
    area = 0.5 * np.abs((x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y).sum(axis=1))
    sides = np.linalg.norm(pixels - np.roll(pixels, -1, axis=1), axis=2)
    return np.asarray(area / sides.max(axis=1))
