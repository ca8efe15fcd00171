"""Where a lens calibration starts: a focal length and the boards' poses from nothing but the seen corners."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.errors import InputError
from fiducialkit.scene.camera import Camera

_FOCAL_GRID = np.geomspace(0.25, 4.0, 12)  # of the picture's width
# first coefficient of brown: a usual lens bends edges outwards, and without it a focal length far too short fits best
_BENDING_GRID = (-0.15, 0.0, 0.15)
_WIDEST_RAD = np.radians(80.0)  # from the middle of a view; beyond it a flat image plane is of no use
_GOLDEN = (5.0**0.5 - 1.0) / 2.0
_MOST_VIEWS, _MOST_POINTS = 16, 24  # enough to tell one start of the grid from the next


def first_camera(
    points_board: FloatArray, pixels_px: FloatArray, view_of: IntArray, camera: Camera
) -> tuple[Camera, FloatArray]:
    """Return the camera with a focal length, and the boards' poses (F, 3, 4), camera_from_board.

    Each lens of a grid gives directions, and each view a perspective from board to directions; its first two columns
    are those of a rotation only for the right focal length. The one whose boards fit best is taken.

    Parameters
    ----------
    points_board : ndarray, shape (N, 3)
        Flat: the third is not looked at. [m]
    pixels_px : ndarray, shape (N, 2)
    view_of : ndarray of int, shape (N,)
        Which view each is of, 0 to F - 1, rising.
    camera : Camera
        Gives the model and the size of the picture; its numbers do not count. The principal point begins in the
        middle, distortion at 0 or, for brown, at the first coefficient of the grid that fits best.

    References
    ----------
    Zhang, IEEE PAMI 22 (2000) 1330-1334, section 3.1 (what a perspective tells of the lens); the search over a grid in
    place of the closed form: derived here, since it also serves a fisheye.
    """
    few = _a_few(view_of)
    _, renumbered = np.unique(view_of[few], return_inverse=True)
    best, least = camera, np.inf
    for bending in _BENDING_GRID if camera.model == "brown" and camera.distortion else (0.0,):
        share, error = _best_focal(points_board[few], pixels_px[few], renumbered, _start(camera, 1.0, bending))
        if error < least:
            best, least = _start(camera, share, bending), error
    if not np.isfinite(least):
        raise InputError("views: expected boards that some lens explains, found none that does")
    return best, poses_of_views(points_board, pixels_px, view_of, best)[0]


def _best_focal(points: FloatArray, pixels: FloatArray, view_of: IntArray, camera: Camera) -> tuple[float, float]:
    """Return the focal length of the grid, as a share of the camera's own, and the median view's rms. [px]

    Another focal length sees what this one sees in a picture enlarged about its middle: one call for all.
    """
    middle = np.array([camera.cx_px, camera.cy_px])
    enlarged = middle + (pixels - middle) / _FOCAL_GRID[:, None, None]
    views, count = int(view_of.max()) + 1, len(_FOCAL_GRID)
    numbered = (view_of + views * np.arange(count)[:, None]).ravel()
    _, rms = poses_of_views(np.tile(points, (count, 1)), enlarged.reshape(-1, 2), numbered, camera)
    errors = np.median(rms.reshape(count, views), axis=1) * _FOCAL_GRID
    best = int(np.argmin(errors))
    return float(_FOCAL_GRID[best]), float(errors[best])


def _a_few(view_of: IntArray) -> IntArray:
    """Return the indices of some corners of some views, both spread over all."""
    starts = np.flatnonzero(np.diff(view_of, prepend=-1))
    counts = np.diff(np.append(starts, len(view_of)))
    chosen = np.unique(np.linspace(0, len(starts) - 1, min(len(starts), _MOST_VIEWS)).astype(np.int64))
    # multiples of the golden section fall into no step with the board's rows, as every n-th corner might
    shares = np.arange(_MOST_POINTS) * _GOLDEN % 1.0
    return np.concatenate([starts[k] + np.unique((shares * counts[k]).astype(np.int64)) for k in chosen])


def _start(camera: Camera, share: float, bending: float) -> Camera:
    """Return a lens with that focal length, as a share of the picture's width, and first coefficient."""
    rest = (0.0,) * (len(camera.distortion) - 1)
    return replace(
        camera, fx_px=share * camera.width_px, fy_px=share * camera.width_px, cx_px=(camera.width_px - 1) / 2.0,
        cy_px=(camera.height_px - 1) / 2.0, distortion=(bending, *rest) if camera.distortion else (),
    )  # fmt: skip


def poses_of_views(
    points_board: FloatArray, pixels_px: FloatArray, view_of: IntArray, camera: Camera
) -> tuple[FloatArray, FloatArray]:
    """Return camera_from_board (F, 3, 4) of each view through a known lens, and its rms per coordinate (F,). [px]

    The rms is infinite where a view cannot be explained, its pose then an upright one a metre away.
    """
    flat, usable, turns = _flat_directions(pixels_px, view_of, camera)
    matrices = perspectives(points_board[:, :2], flat, view_of, usable)
    poses = np.swapaxes(turns, 1, 2) @ _from_perspectives(matrices)
    seen = np.einsum("nij,nj->ni", poses[view_of, :, :3], points_board) + poses[view_of, :, 3]
    pixels, valid = camera.project(seen)
    error = np.where(valid, np.sum((pixels - pixels_px) ** 2, axis=1), np.inf)
    count = len(matrices)
    rms = np.sqrt(np.bincount(view_of, error, count) / np.maximum(2.0 * np.bincount(view_of, minlength=count), 1.0))
    few = np.bincount(view_of, usable, count) < 4
    poses[few] = np.column_stack([np.eye(3), [0.0, 0.0, 1.0]])
    return poses, np.where(few, np.inf, rms)


def _flat_directions(pixels: FloatArray, view_of: IntArray, camera: Camera) -> tuple[FloatArray, BoolArray, FloatArray]:
    """Return undistorted (x, y) of (x, y, 1) where each view's middle is on the axis, if there is one, and the turns.

    A wide lens sees boards so far from its axis that the plane across it is of no use; `turns` (F, 3, 3) lead from the
    camera to each view's own axes.
    """
    flat, found = camera.unproject(pixels)
    rays = np.column_stack([np.where(found[:, None], flat, 0.0), np.ones(len(flat))])
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    count = int(view_of.max()) + 1
    middles = np.stack([np.bincount(view_of, rays[:, k] * found, count) for k in range(3)], axis=1)
    middles[:, 2] = np.maximum(middles[:, 2], 1e-9)
    turns = _turns_to_axis(middles / np.linalg.norm(middles, axis=1, keepdims=True))
    ahead = np.einsum("nij,nj->ni", turns[view_of], rays)
    found &= ahead[:, 2] > np.cos(_WIDEST_RAD)
    flat = ahead[:, :2] / np.maximum(ahead[:, 2:], 1e-9)
    return np.where(found[:, None], flat, 0.0), found, turns


def _turns_to_axis(directions: FloatArray) -> FloatArray:
    """Return the shortest rotations (F, 3, 3) that bring unit directions with z above 0 onto the z axis."""
    x, y, z = directions.T
    turns = np.zeros((len(directions), 3, 3))
    turns[:, 0, 0], turns[:, 1, 1], turns[:, 2, 2] = 1.0 - x * x / (1.0 + z), 1.0 - y * y / (1.0 + z), z
    turns[:, 0, 1] = turns[:, 1, 0] = -x * y / (1.0 + z)
    turns[:, 0, 2], turns[:, 1, 2], turns[:, 2, 0], turns[:, 2, 1] = -x, -y, x, y
    return turns


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
