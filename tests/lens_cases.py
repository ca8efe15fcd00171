"""Simulated lens calibrations with known truth, for the tests and the benchmark of the lens calibration."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from fiducialkit.imaging.boards import BoardView
from fiducialkit.scene.boards import Board
from fiducialkit.scene.camera import Camera

BOARD = Board(kind="chessboard", squares_across=11, squares_down=8, square_m=0.03)
SIZE = (1280, 800)
BROWN = Camera(
    width_px=1280, height_px=800, fx_px=900.0, fy_px=905.0, cx_px=645.0, cy_px=395.0,
    distortion=(-0.25, 0.08, 0.0005, -0.0007, 0.01),
)  # fmt: skip
RATIONAL = Camera(
    width_px=1280, height_px=800, fx_px=700.0, fy_px=705.0, cx_px=640.0, cy_px=395.0, model="rational",
    distortion=(0.3, 0.05, 0.0005, -0.0007, 0.01, 0.6, 0.1, 0.02),
)  # fmt: skip
FISHEYE = Camera(
    width_px=1280, height_px=800, fx_px=600.0, fy_px=600.0, cx_px=640.0, cy_px=400.0, model="fisheye",
    distortion=(0.05, -0.01, 0.003, -0.001),
)  # fmt: skip


def outline(board: Board) -> np.ndarray:
    w, h = board.size_m
    return np.array(
        [[0, 0, 0], [w, 0, 0], [w, h, 0], [0, h, 0], [w / 2, 0, 0], [w, h / 2, 0], [w / 2, h, 0], [0, h / 2, 0]]
    )


def pose_at(camera: Camera, board: Board, centre_px, distance_m: float, tilt_deg: float, rng) -> np.ndarray | None:
    """Return camera_from_board (3, 4) with the board's middle seen at a place; None if it is not wholly in view.

    The distance is along the axis.
    """
    direction, found = camera.unproject(np.asarray(centre_px)[None])
    if not found[0]:
        return None
    angle = rng.uniform(0.0, 2.0 * np.pi)
    tilt = Rotation.from_rotvec(np.radians(tilt_deg) * np.array([np.cos(angle), np.sin(angle), 0.0]))
    rotation = (tilt * Rotation.from_rotvec([0.0, 0.0, rng.uniform(-0.3, 0.3)])).as_matrix()
    corners = outline(board)
    middle = distance_m * np.array([*direction[0], 1.0])
    if not rotation[:, 2] @ middle > 0.2 * np.linalg.norm(middle):
        return None  # far off the axis a tilted board shows its edge or its back
    place = middle - rotation @ corners[:4].mean(axis=0)
    pixels, valid = camera.project(corners @ rotation.T + place)
    if not (valid.all() and camera.in_picture(pixels, 2.0).all()):
        return None
    return np.column_stack([rotation, place])


def random_poses(camera: Camera, count: int, rng, *, board: Board = BOARD, distances=(0.5, 2.5), tilts=(0.0, 45.0)):
    """Return poses with the middle of the board uniform in the picture, distance and tilt uniform, wholly in view."""
    poses = []
    while len(poses) < count:
        centre = rng.uniform([0.0, 0.0], [camera.width_px, camera.height_px])
        pose = pose_at(camera, board, centre, rng.uniform(*distances), rng.uniform(*tilts), rng)
        if pose is not None:
            poses.append(pose)
    return np.stack(poses)


def good_poses(
    camera: Camera,
    count: int,
    rng,
    *,
    board: Board = BOARD,
    tilts=(10.0, 40.0),
    nearest: float = 1.0,
    spread: float = 1.8,
):
    """Return poses as a careful person takes them: all parts of the picture, from near to `spread` times as far."""
    near = nearest * max(
        board.size_m[0] * camera.fx_px / camera.width_px, board.size_m[1] * camera.fy_px / camera.height_px
    )
    cells = [(x, y) for y in range(3) for x in range(4)]
    poses = []
    while len(poses) < count:
        cell = cells[len(poses) % len(cells)]
        for _ in range(500):
            centre = (np.array(cell) + rng.uniform(0.0, 1.0, 2)) / [4.0, 3.0] * [camera.width_px, camera.height_px]
            distance = near * rng.uniform(1.0, 1.0 + spread)
            pose = pose_at(camera, board, centre, distance, rng.uniform(*tilts), rng)
            if pose is not None and _reaches(camera, board, pose, cell):
                poses.append(pose)
                break
        else:
            raise AssertionError(f"no pose for cell {cell}")
    return np.stack(poses)


def _reaches(camera: Camera, board: Board, pose: np.ndarray, cell: tuple[int, int]) -> bool:
    """Return whether a board in a corner cell reaches into that corner of the picture, a sixth of its size."""
    if cell[0] not in (0, 3) or cell[1] not in (0, 2):
        return True
    pixels, _ = camera.project(board.points_board @ pose[:, :3].T + pose[:, 3])
    away = np.abs(pixels - [cell[0] / 3.0 * camera.width_px, cell[1] / 2.0 * camera.height_px])
    return bool((away < np.array([camera.width_px, camera.height_px]) / 6.0).all(axis=1).any())


def seen(camera: Camera, poses: np.ndarray, rng, *, board: Board = BOARD, sd_px: float = 0.1, prefix: str = "view"):
    """Return the views of a board from these poses, with Gaussian noise."""
    points = board.points_board
    views = []
    for number, pose in enumerate(poses):
        pixels, valid = camera.project(points @ pose[:, :3].T + pose[:, 3])
        pixels = pixels[valid] + rng.normal(0.0, sd_px, (int(valid.sum()), 2))
        views.append(
            BoardView(
                name=f"{prefix} {number:02d}", picture_size_px=(camera.width_px, camera.height_px),
                points_board=points[valid], points_px=pixels,
                covariance_px2=np.tile(sd_px**2 * np.eye(2), (len(pixels), 1, 1)),
            )
        )  # fmt: skip
    return views


def zoomed(camera: Camera, factor: float, shift_px=(0.0, 0.0)) -> Camera:
    """Return the camera with another focal length, and its axis elsewhere."""
    return replace(
        camera, fx_px=camera.fx_px * factor, fy_px=camera.fy_px * factor, cx_px=camera.cx_px + shift_px[0],
        cy_px=camera.cy_px + shift_px[1],
    )  # fmt: skip


def mixed(views_of: list[list[BoardView]], order) -> list[BoardView]:
    """Return view i from the set that order[i] names."""
    return [views_of[int(which)][number] for number, which in enumerate(order)]


# seeded faults: what was done to a set, and what the verdict should say; sizes chosen before looking
def faulty_set(kind: str, rng, count: int = 24):
    """Return the views of a set with one fault, and what else `calibrate_lens` is told."""
    camera, poses = BROWN, good_poses(BROWN, count, rng)
    made = seen(camera, poses, rng)
    if kind == "lens changed":
        after = seen(zoomed(camera, 1.0 + rng.choice([-1, 1]) * 0.02), poses, rng)
        return mixed([made, after], np.arange(count) >= rng.integers(count // 3, 2 * count // 3)), {}
    if kind == "lens keeps changing":
        factors = 1.0 + rng.normal(0.0, 0.02, count)
        return [seen(zoomed(camera, f), poses, rng)[k] for k, f in enumerate(factors)], {}
    if kind == "several cameras":
        other = zoomed(camera, 1.0 + rng.choice([-1, 1]) * 0.02, rng.normal(0.0, 12.0, 2))
        order = rng.permutation(np.arange(count) % 2)
        return mixed([made, seen(other, poses, rng)], order), {}
    if kind == "square-on boards":
        return seen(camera, good_poses(camera, count, rng, tilts=(0.0, 3.0)), rng), {}
    if kind == "one distance":
        return seen(camera, good_poses(camera, count, rng, nearest=1.8, spread=0.1), rng), {}
    if kind == "empty corners":
        return _without_corner(made, rng), {}
    if kind == "wrong square size":
        factor = 1.0 + rng.choice([-1, 1]) * 0.03
        wrong = [_scaled(view, factor) for view in made]
        return wrong, {"known_distances_m": _true_distances(made, poses, rng)}
    if kind == "mirrored":
        flipped = set(rng.choice(count, 4, replace=False).tolist())
        return [_flipped(view) if k in flipped else view for k, view in enumerate(made)], {}
    if kind == "other sizes":
        return [_halved(view) if k % 6 == 5 else view for k, view in enumerate(made)], {}
    if kind == "cropped":
        return [_cropped(view) for view in made], {}
    if kind == "squeezed":
        return [_squeezed(view) for view in made], {}
    raise AssertionError(kind)


FAULTS = (
    "lens changed", "lens keeps changing", "several cameras", "square-on boards", "one distance", "empty corners",
    "wrong square size", "mirrored", "other sizes", "cropped", "squeezed",
)  # fmt: skip


def _without_corner(views, rng):
    """Return views without what they show of one corner of the picture, a quarter of its width and height."""
    side = rng.integers(0, 2, 2)
    kept = []
    for view in views:
        away = np.abs(view.points_px - side * [SIZE[0] - 1, SIZE[1] - 1])
        keep = ~(away < np.array(SIZE) / 4.0).all(axis=1)
        if keep.sum() >= 12:
            kept.append(chosen(view, keep))
    return kept


def chosen(view: BoardView, keep, **changes) -> BoardView:
    parts = {
        "points_board": view.points_board[keep], "points_px": view.points_px[keep],
        "covariance_px2": view.covariance_px2[keep],
    }  # fmt: skip
    return replace(view, **(parts | changes))


def _scaled(view: BoardView, factor: float) -> BoardView:
    return replace(view, points_board=view.points_board * factor)


def _true_distances(views, poses, rng) -> dict[str, float]:
    """Return two distances as a tape measures them, within 2 mm."""
    known = {}
    for number in (3, 9):
        middle = poses[number][:, :3] @ views[number].points_board.mean(axis=0) + poses[number][:, 3]
        known[views[number].name] = float(np.linalg.norm(middle) + rng.normal(0.0, 0.002))
    return known


def _flipped(view: BoardView) -> BoardView:
    return replace(view, points_px=np.column_stack([SIZE[0] - 1 - view.points_px[:, 0], view.points_px[:, 1]]))


def _halved(view: BoardView) -> BoardView:
    return replace(view, points_px=(view.points_px + 0.5) / 2 - 0.5, picture_size_px=(640, 400))


def _cropped(view: BoardView) -> BoardView:
    """Return what is left of a view when its picture lost a quarter of its width on the left."""
    keep = view.points_px[:, 0] >= 320
    moved = view.points_px[keep] - [320.0, 0.0]
    if keep.sum() < 12:
        return view.refused("no board", "no board left in the crop")
    return chosen(view, keep, points_px=moved, picture_size_px=(960, 800))


def _squeezed(view: BoardView) -> BoardView:
    return replace(view, points_px=(view.points_px + 0.5) * [0.75, 1.0] - 0.5, picture_size_px=(960, 800))
