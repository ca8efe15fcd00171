"""Where a lens calibration starts: a focal length and the boards' poses from nothing but the seen corners."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.errors import InputError
from fiducialkit.scene.camera import Camera

_FOCAL_GRID = np.geomspace(0.25, 4.0, 20)  # of the picture's width
_WIDEST_RAD = np.radians(80.0)  # beyond it a direction has no place on a flat image plane worth using
_MOST_VIEWS = 24  # enough to tell one focal length of the grid from the next


def first_camera(
    points_board: FloatArray, pixels_px: FloatArray, view_of: IntArray, camera: Camera
) -> tuple[Camera, FloatArray]:
    """Return the camera with a focal length, and the boards' poses (F, 3, 4), camera_from_board.

    Each focal length of a grid gives directions, and each view a perspective from board to directions; its first two
    columns are those of a rotation only for the right focal length. The one whose boards fit best is taken.

    Parameters
    ----------
    points_board : ndarray, shape (N, 3)
        Flat: the third is not looked at. [m]
    pixels_px : ndarray, shape (N, 2)
    view_of : ndarray of int, shape (N,)
        Which view each is of, 0 to F - 1, rising.
    camera : Camera
        Gives the model and the size of the picture; its numbers do not count. Distortion begins at 0, the principal
        point in the middle.

    References
    ----------
    Zhang, IEEE PAMI 22 (2000) 1330-1334, section 3.1 (what a perspective tells of the lens); the search over a grid in
    place of the closed form: derived here, since it also serves a fisheye.
    """
    count = int(view_of.max()) + 1
    chosen = np.unique(np.linspace(0, count - 1, min(count, _MOST_VIEWS)).astype(np.int64))
    few = np.isin(view_of, chosen)
    renumbered = np.searchsorted(chosen, view_of[few])
    errors = []
    for share in _FOCAL_GRID:
        tried = _with_focal(camera, float(share) * camera.width_px)
        _, rms = poses_of_views(points_board[few], pixels_px[few], renumbered, tried)
        errors.append(float(np.median(rms)))
    if not np.isfinite(np.min(errors)):
        raise InputError("views: expected boards that some lens explains, found none that does")
    best = _with_focal(camera, float(_FOCAL_GRID[int(np.argmin(errors))]) * camera.width_px)
    return best, poses_of_views(points_board, pixels_px, view_of, best)[0]


def _with_focal(camera: Camera, focal: float) -> Camera:
    return replace(
        camera, fx_px=focal, fy_px=focal, cx_px=(camera.width_px - 1) / 2.0, cy_px=(camera.height_px - 1) / 2.0,
        distortion=(0.0,) * len(camera.distortion),
    )  # fmt: skip


def poses_of_views(
    points_board: FloatArray, pixels_px: FloatArray, view_of: IntArray, camera: Camera
) -> tuple[FloatArray, FloatArray]:
    """Return camera_from_board (F, 3, 4) of each view through a known lens, and its rms per coordinate (F,). [px]

    The rms is infinite where a view cannot be explained, its pose then an upright one a metre away.
    """
    flat, usable = _flat_directions(pixels_px, camera)
    matrices = perspectives(points_board[:, :2], flat, view_of, usable)
    poses = _from_perspectives(matrices)
    seen = np.einsum("nij,nj->ni", poses[view_of, :, :3], points_board) + poses[view_of, :, 3]
    pixels, valid = camera.project(seen)
    error = np.where(valid, np.sum((pixels - pixels_px) ** 2, axis=1), np.inf)
    count = len(matrices)
    rms = np.sqrt(np.bincount(view_of, error, count) / np.maximum(2.0 * np.bincount(view_of, minlength=count), 1.0))
    few = np.bincount(view_of, usable, count) < 4
    poses[few] = np.column_stack([np.eye(3), [0.0, 0.0, 1.0]])
    return poses, np.where(few, np.inf, rms)


def _flat_directions(pixels: FloatArray, camera: Camera) -> tuple[FloatArray, BoolArray]:
    """Return undistorted (x, y) of (x, y, 1), 0 and False where there is none near enough to the axis."""
    flat, found = camera.unproject(pixels)
    with np.errstate(invalid="ignore"):
        found &= np.linalg.norm(flat, axis=1) < np.tan(_WIDEST_RAD)
    return np.where(found[:, None], flat, 0.0), found


def perspectives(points: FloatArray, places: FloatArray, view_of: IntArray, usable: BoolArray) -> FloatArray:
    """Return each view's perspective (F, 3, 3) from points (N, 2) to places (N, 2) by the direct linear transform.

    References
    ----------
    Hartley and Zisserman, Multiple View Geometry, 2nd ed. 2004, algorithm 4.2 (both sides moved and scaled first).
    """
    a, move_a = _normalised(points, view_of, usable)
    b, move_b = _normalised(places, view_of, usable)
    ahead, zero = np.column_stack([a, np.ones(len(a))]), np.zeros((len(a), 3))
    rows = np.stack([np.hstack([ahead, zero, -b[:, :1] * ahead]), np.hstack([zero, ahead, -b[:, 1:] * ahead])], axis=1)
    rows *= usable[:, None, None]
    products = np.swapaxes(rows, 1, 2) @ rows
    starts = np.flatnonzero(np.diff(view_of, prepend=-1))
    _, vectors = np.linalg.eigh(np.add.reduceat(products, starts, axis=0))
    return np.asarray(np.linalg.solve(move_b, vectors[:, :, 0].reshape(-1, 3, 3)) @ move_a)


def _normalised(points: FloatArray, view_of: IntArray, usable: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Return points moved to their view's middle and scaled to sqrt(2), and the matrices (F, 3, 3) that do it."""
    count = int(view_of.max()) + 1
    number = np.maximum(np.bincount(view_of, usable, count), 1.0)
    middle = np.stack([np.bincount(view_of, points[:, k] * usable, count) / number for k in (0, 1)], axis=1)
    away = np.linalg.norm(points - middle[view_of], axis=1) * usable
    scale = np.sqrt(2.0) / np.maximum(np.bincount(view_of, away, count) / number, 1e-12)
    move = np.zeros((count, 3, 3))
    move[:, 0, 0] = move[:, 1, 1] = scale
    move[:, :2, 2], move[:, 2, 2] = -scale[:, None] * middle, 1.0
    return (points - middle[view_of]) * scale[view_of, None], move


def _from_perspectives(matrices: FloatArray) -> FloatArray:
    """Return the poses (F, 3, 4) nearest to perspectives from the board's plane to directions."""
    size = np.sqrt(np.linalg.norm(matrices[:, :, 0], axis=1) * np.linalg.norm(matrices[:, :, 1], axis=1))
    columns = matrices / (np.maximum(size, 1e-300) * np.where(matrices[:, 2, 2] > 0.0, 1.0, -1.0))[:, None, None]
    third = np.cross(columns[:, :, 0], columns[:, :, 1])
    left, _, right = np.linalg.svd(np.stack([columns[:, :, 0], columns[:, :, 1], third], axis=2))
    left[:, :, 2] *= np.linalg.det(left @ right)[:, None]
    return np.concatenate([left @ right, columns[:, :, 2:]], axis=2)
