"""Which view of the board to take next: the one that helps most where the lens is known worst.

Information about the lens adds from view to view, once each view's own pose is taken out. So what a view not yet taken
would add is known beforehand, for each place and tilt of the board, and so is the uncertainty that would remain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from fiducialkit.arrays import BoolArray, FloatArray
from fiducialkit.errors import InputError
from fiducialkit.scene.boards import Board
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.markers import MarkerFamily
from fiducialkit.solving.intrinsics_result import LensCalibration, lens_slopes, nine_places

_COLUMNS, _ROWS, _DISTANCES = 5, 4, 4
_TILTS_DEG, _DIRECTIONS = (20.0, 40.0), 8
_NEAREST_TO_FARTHEST = 3.0
_INSET_SHARE = 0.01
_MOST_POINTS = 60  # of a board: more tell the same, at more cost
# of a marker's cell and of a chessboard's square as seen: below, pictures are read with gaps (rendered boards)
_LEAST_CELL_PX, _LEAST_SQUARE_PX = 2.5, 8.0
_GUESS_NOISE_PX = 0.1
_GUESS_FOCAL = 0.9  # of the picture's width
# what is believed of a lens before its first view (common practice, no source): shares of the width, coefficients
_PRIOR_FOCAL_SHARE, _PRIOR_CENTRE_SHARE, _PRIOR_COEFFICIENT = 0.3, 0.05, 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NextView:
    """Where to hold the board next.

    Attributes
    ----------
    camera_from_board : ndarray, shape (3, 4)
        Rotation and position side by side.
    centre_px : ndarray, shape (2,)
        Where the middle of the board is seen.
    outline_px : ndarray, shape (4, 2)
        Corners of the board's pattern, clockwise from its top left.
    distance_m : float
        Along the view to the board's middle.
    tilt_deg : float
    sd_before_px, sd_after_px : float
        At the worst of nine places of the picture; infinite before the lens is known there at all.
    words : str
        One sentence for whoever holds the board.
    """

    camera_from_board: FloatArray
    centre_px: FloatArray
    outline_px: FloatArray
    distance_m: float
    tilt_deg: float
    sd_before_px: float
    sd_after_px: float
    words: str


def first_guess(width_px: int, height_px: int) -> Camera:
    """Return a camera to begin the guide with when nothing is known: a usual field of view, no distortion."""
    return Camera(
        width_px=width_px, height_px=height_px, fx_px=_GUESS_FOCAL * width_px, fy_px=_GUESS_FOCAL * width_px,
        cx_px=(width_px - 1) / 2.0, cy_px=(height_px - 1) / 2.0, distortion=(0.0,) * 5,
    )  # fmt: skip


def next_view(
    board: Board,
    camera: Camera,
    calibration: LensCalibration | None = None,
    *,
    distances_m: tuple[float, float] | None = None,
) -> NextView:
    """Return the view that would lower the uncertainty at the worst of nine places of the picture most.

    Parameters
    ----------
    board : Board
    camera : Camera
        Size of the picture, and the lens where there is no calibration yet (`first_guess`).
    calibration : LensCalibration, optional
        What is known from the views taken so far; its lens is used.
    distances_m : (float, float), optional
        Nearest and farthest the board may be held; chosen from the board's size if None. [m]

    Raises
    ------
    InputError
        If the board is wholly in the picture at none of the distances.
    """
    lens = camera if calibration is None else calibration.camera
    poses = candidate_poses(board, lens, distances_m)
    information = information_of_poses(
        board, lens, poses, _GUESS_NOISE_PX if calibration is None else _noise(calibration)
    )
    known = _known(lens, calibration)
    places = nine_places(lens)
    slopes = lens_slopes(lens, places)
    slopes = slopes[np.isfinite(slopes).all(axis=(1, 2))]
    before = _projection_sds(known[None], slopes)
    after = _projection_sds(known + information, slopes)
    # a little of the mean decides between views that do nothing for the worst place
    best = int(np.argmin(after.max(axis=1) + 0.1 * after.mean(axis=1)))
    return _described(board, lens, poses[best], (float(before.max()), float(after[best].max())))


def _noise(calibration: LensCalibration) -> float:
    """Return the sd of a corner, as large as the views' disagreement makes it seem."""
    return max(calibration.noise_px * calibration.widening, 1e-3)


def _known(camera: Camera, calibration: LensCalibration | None) -> FloatArray:
    """Return the information there is (p, p), with a weak belief about any lens so that it has an inverse."""
    count = 4 + len(camera.distortion)
    sd = np.full(count, _PRIOR_COEFFICIENT)
    sd[:2], sd[2:4] = _PRIOR_FOCAL_SHARE * camera.width_px, _PRIOR_CENTRE_SHARE * camera.width_px
    prior = np.diag(1.0 / sd**2)
    if calibration is None:
        return prior
    variance = calibration.fit.variance * calibration.widening**2
    return np.asarray(prior + calibration.fit.weighted.information.sum(axis=0) / variance)


def _projection_sds(information: FloatArray, slopes: FloatArray) -> FloatArray:
    """Return the sd of the projection at each place for each information matrix, (n, places). [px]"""
    scale = 1.0 / np.sqrt(np.diagonal(information, axis1=1, axis2=2))
    even = information * scale[:, :, None] * scale[:, None, :]
    covariance = np.linalg.inv(even) * scale[:, :, None] * scale[:, None, :]
    spread = np.einsum("kij,njl,kml->nkim", slopes, covariance, slopes, optimize=True)
    return np.asarray(np.sqrt(np.maximum(np.linalg.eigvalsh(spread)[..., 1], 0.0)))


def candidate_poses(board: Board, camera: Camera, distances_m: tuple[float, float] | None = None) -> FloatArray:
    """Return poses (n, 3, 4) of the board that a person can hold and the camera sees whole."""
    if distances_m is None:
        near = 1.15 * max(
            board.size_m[0] * camera.fx_px / camera.width_px, board.size_m[1] * camera.fy_px / camera.height_px
        )
        distances_m = (near, _NEAREST_TO_FARTHEST * near)
    turns = [Rotation.identity()]
    for tilt in _TILTS_DEG:
        for direction in np.arange(_DIRECTIONS) * 2.0 * np.pi / _DIRECTIONS:
            axis = np.array([np.cos(direction), np.sin(direction), 0.0])
            turns.append(Rotation.from_rotvec(np.radians(tilt) * axis))
    matrices = np.stack([turn.as_matrix() for turn in turns])
    x, y = (np.linspace(0.12, 0.88, n) * size for n, size in ((_COLUMNS, camera.width_px), (_ROWS, camera.height_px)))
    rays, found = camera.unproject(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))
    rays = rays[found]
    middle = np.array([*np.divide(board.size_m, 2.0), 0.0])
    poses = []
    for distance in np.geomspace(*distances_m, _DISTANCES):
        for ray in rays:
            places = distance * np.array([ray[0], ray[1], 1.0]) - matrices @ middle
            poses.append(np.concatenate([matrices, places[:, :, None]], axis=2))
    stacked = np.concatenate(poses) if poses else np.empty((0, 3, 4))
    whole = _is_whole(board, camera, stacked)
    readable = whole & _is_readable(board, camera, stacked)
    if readable.any():
        return np.asarray(stacked[readable])
    if not whole.any():
        raise InputError(
            f"distances_m: expected some from which the whole board is seen, found none in {distances_m[0]:.2f} to "
            f"{distances_m[1]:.2f} m"
        )
    return stacked[whole]


def _is_whole(board: Board, camera: Camera, poses: FloatArray) -> BoolArray:
    outline = _outline(board)
    seen = np.einsum("nij,kj->nki", poses[:, :, :3], outline) + poses[:, None, :, 3]
    pixels, valid = camera.project(seen.reshape(-1, 3))
    inside = valid & camera.in_picture(np.where(valid[:, None], pixels, -1e9), _INSET_SHARE * camera.width_px)
    return np.asarray(inside.reshape(len(poses), -1).all(axis=1))


def _is_readable(board: Board, camera: Camera, poses: FloatArray) -> BoolArray:
    """Return from which poses the finest part that must be told is large enough everywhere on the board."""
    if isinstance(board.family, MarkerFamily) and board.marker_m is not None:
        finest_m, least_px = board.marker_m / board.family.cells(), _LEAST_CELL_PX
    else:
        finest_m, least_px = board.square_m, _LEAST_SQUARE_PX
    seen = np.einsum("nij,kj->nki", poses[:, :, :3], _outline(board)) + poses[:, None, :, 3]
    away = np.linalg.norm(seen, axis=2)
    facing = np.einsum("nki,ni->nk", seen, poses[:, :, 2]) / away
    size_px = min(camera.fx_px, camera.fy_px) * finest_m * facing / away
    return np.asarray((size_px >= least_px).all(axis=1))


def _outline(board: Board) -> FloatArray:
    """Return corners and middles of the sides of the pattern, clockwise from its top left, (8, 3). [m]"""
    w, h = board.size_m
    return np.array(
        [[0, 0, 0], [w / 2, 0, 0], [w, 0, 0], [w, h / 2, 0], [w, h, 0], [w / 2, h, 0], [0, h, 0], [0, h / 2, 0]]
    )


def information_of_poses(board: Board, camera: Camera, poses: FloatArray, noise_px: float) -> FloatArray:
    """Return what views of the board from these poses tell of the lens, each pose taken out: (n, p, p).

    Parameters
    ----------
    noise_px : float
        Sd of a corner.
    """
    step = max(1, len(board.points_board) // _MOST_POINTS)
    points = board.points_board[::step]
    share = len(board.points_board) / len(points)
    seen = np.einsum("nij,kj->nki", poses[:, :, :3], points) + poses[:, None, :, 3]
    _, valid, by_pose, by_lens = camera.project_with_jacobian(seen.reshape(-1, 3))
    rows = np.concatenate([by_pose, by_lens], axis=2) * valid[:, None, None]
    rows = np.nan_to_num(rows).reshape(len(poses), 2 * len(points), -1)
    sums = np.swapaxes(rows, 1, 2) @ rows * (share / noise_px**2)
    gain = np.linalg.solve(sums[:, :6, :6], sums[:, :6, 6:])
    return np.asarray(sums[:, 6:, 6:] - np.swapaxes(sums[:, :6, 6:], 1, 2) @ gain)


def _described(board: Board, camera: Camera, pose: FloatArray, sds: tuple[float, float]) -> NextView:
    outline = _outline(board) @ pose[:, :3].T + pose[:, 3]
    pixels, _ = camera.project(outline)
    middle = pose[:, :3] @ np.array([*np.divide(board.size_m, 2.0), 0.0]) + pose[:, 3]
    centre = camera.project(middle[None])[0][0]
    tilt = float(np.degrees(np.arccos(np.clip(pose[2, 2], -1.0, 1.0))))
    where = _where(centre, camera)
    words = f"hold the board in the {where} of the picture, {middle[2]:.2f} m away"
    words += (
        f", tilted by {tilt:.0f} degrees with its {_nearest_side(outline[:, 2])} nearer" if tilt > 5.0 else ", flat on"
    )
    return NextView(
        camera_from_board=pose, centre_px=centre, outline_px=pixels[::2], distance_m=float(middle[2]), tilt_deg=tilt,
        sd_before_px=sds[0], sd_after_px=sds[1], words=words,
    )  # fmt: skip


def _where(centre: FloatArray, camera: Camera) -> str:
    across = ("left", "", "right")[int(np.clip(3.0 * centre[0] / camera.width_px, 0, 2))]
    down = ("top", "", "bottom")[int(np.clip(3.0 * centre[1] / camera.height_px, 0, 2))]
    return " ".join(filter(None, [down, across])) or "middle"


def _nearest_side(depths: FloatArray) -> str:
    """Return which side or corner of the board comes nearest; depths as `_outline` has its points."""
    names = ("top left corner", "top edge", "top right corner", "right edge", "bottom right corner", "bottom edge",
             "bottom left corner", "left edge")  # fmt: skip
    sides = depths[1::2]
    order = np.argsort(sides)
    if sides[order[1]] - sides[order[0]] > 0.35 * np.ptp(sides):
        return names[1 + 2 * int(order[0])]
    return names[int(np.argmin(depths))]
