"""Rendered boards: against rays traced to OpenCV's own artwork, and that detectors find the true corners."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from rendering_cases import LENSES, SHARP, small_camera
from scipy.spatial.transform import Rotation
from tracing import ray_offsets

from fiducialkit import Board, Camera, InputError, Motion, detect_markers, render_board
from fiducialkit.scene.camera import CameraTiming
from fiducialkit.scene.transforms import parts, rigid_transform

CHARUCO = Board(kind="charuco", squares_across=7, squares_down=5, square_m=0.04, marker_m=0.03, family="4X4_250")
GRID = Board(kind="marker grid", squares_across=4, squares_down=3, square_m=0.06, marker_m=0.045, family="36h11")
CHESS = Board(kind="chessboard", squares_across=9, squares_down=6, square_m=0.03)


def held(board, distance_m, turn_deg=(8.0, -12.0, 5.0)):
    """Return camera_from_board with the middle of the board on the optical axis."""
    turn = Rotation.from_euler("xyz", turn_deg, degrees=True)
    middle = np.array([*board.size_m, 0.0]) / 2.0
    return rigid_transform(turn, np.array([0.0, 0.0, distance_m]) - turn.apply(middle))


def ordinary_camera(**others):
    return Camera(
        width_px=1280, height_px=800, fx_px=900.0, fy_px=902.0, cx_px=644.0, cy_px=395.0,
        distortion=(-0.1, 0.02, 3e-4, -2e-4, 0.0), **others,
    )  # fmt: skip


def white_on_board(board, x, y):
    """Return whether points of the board's plane are white, from OpenCV's drawings of the single markers."""
    column, row = np.floor(x / board.square_m).astype(int), np.floor(y / board.square_m).astype(int)
    width, height = board.size_m
    inside = (x >= 0.0) & (x < width) & (y >= 0.0) & (y < height)
    chequered = board.kind != "marker grid"
    white = ~(inside & ((row + column) % 2 == 0)) if chequered else np.ones(len(x), dtype=bool)
    if board.marker_m is None:
        return white
    inset = (board.square_m - board.marker_m) / 2.0 if chequered else 0.0
    squares = [(r, c) for r, c in np.ndindex(board.squares_down, board.squares_across) if not chequered or (r + c) % 2]
    for marker_id, (r, c) in zip(board.marker_ids, squares, strict=True):
        cells = board.family.cells()
        art = cv2.aruco.generateImageMarker(board.family.opencv_dictionary, marker_id, cells)
        across, down = x - c * board.square_m - inset, y - r * board.square_m - inset
        on = (across >= 0.0) & (across < board.marker_m) & (down >= 0.0) & (down < board.marker_m)
        at = (np.array([down[on], across[on]]) / board.marker_m * cells).astype(int)
        white[on] = art[at[0], at[1]] > 0
    return white


def traced_board(board, camera, camera_from_board, settings, pixels, rays):
    du, dv = ray_offsets(rays)
    u, v = (pixels[:, 0, None] + du.ravel()).ravel(), (pixels[:, 1, None] + dv.ravel()).ravel()
    directions, found = camera.unproject(np.column_stack([u, v]))
    rotation, place = parts(camera_from_board)
    lines = np.column_stack([directions, np.ones(len(u))])
    depth = (place @ rotation[:, 2]) / (lines @ rotation[:, 2])
    x, y = ((depth[:, None] * lines - place) @ rotation[:, :2]).T
    margin, (width, height) = board.margin_m, board.size_m
    on = found & (depth > 0.0)
    on &= (x >= -margin) & (x <= width + margin) & (y >= -margin) & (y <= height + margin)
    level = np.full(len(u), settings.background.reflectance)
    white = white_on_board(board, x[on], y[on])
    level[on] = np.where(white, settings.white_reflectance, settings.black_reflectance)
    return level.reshape(len(pixels), -1).mean(axis=1)


@pytest.mark.parametrize(("board", "lens"), [(CHARUCO, "fisheye"), (GRID, "brown"), (CHESS, "pinhole")])
def test_every_pixel_agrees_with_traced_rays(board, lens):
    camera = small_camera(lens)
    pose = held(board, 0.17, turn_deg=(15.0, -25.0, 20.0))
    picture = render_board(board, camera, pose, settings=SHARP).linear
    u, v = np.meshgrid(np.arange(camera.width_px), np.arange(camera.height_px))
    pixels = np.column_stack([u.ravel(), v.ravel()])
    difference = picture.ravel() - 187.5 * traced_board(board, camera, pose, SHARP, pixels, 32)
    doubtful = np.flatnonzero(np.abs(difference) > 0.5)  # the mean of 32 x 32 rays is uncertain itself
    truth = 187.5 * traced_board(board, camera, pose, SHARP, pixels[doubtful], 96)
    difference[doubtful] = picture.ravel()[doubtful] - truth
    assert np.ptp(picture) > 100.0
    assert np.abs(difference).max() <= 1.0


def refined(picture, corners):
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 100, 1e-5)
    start = np.array(corners, dtype=np.float32).reshape(-1, 1, 2)
    return cv2.cornerSubPix(picture, start, (5, 5), (-1, -1), criteria).reshape(-1, 2)


@pytest.mark.parametrize("is_legacy", [False, True])
@pytest.mark.parametrize(("family", "size"), [("4X4_250", (7, 5)), ("36h11", (8, 6))])
def test_opencv_finds_all_charuco_corners_where_they_are(family, size, is_legacy):
    # second implementation: OpenCV reads the print, its numbering is ours. Its own corners are rough (its search stops
    # early); refined to the end they agree to the noise
    across, down = size
    board = Board(
        kind="charuco", squares_across=across, squares_down=down, square_m=0.04, marker_m=0.03, family=family,
        is_legacy=is_legacy,
    )  # fmt: skip
    taken = render_board(board, ordinary_camera(), held(board, 0.5), seed=3)
    theirs = cv2.aruco.CharucoBoard(size, 0.04, 0.03, board.family.opencv_dictionary)
    theirs.setLegacyPattern(is_legacy)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(theirs).detectBoard(taken.image)
    assert ids.ravel().tolist() == list(range(len(board.points_board)))
    assert np.abs(corners.reshape(-1, 2) - taken.points_px).max() < 0.25
    error = refined(taken.image, corners) - taken.points_px
    assert np.abs(error).max() < 0.1
    assert np.sqrt((error**2).mean()) < 0.04
    # the other pattern is not read as this one
    theirs.setLegacyPattern(not is_legacy)
    other = cv2.aruco.CharucoDetector(theirs).detectBoard(taken.image)[0]
    assert (other is None) == (down % 2 == 0)


def test_markers_of_a_grid_are_found_where_they_are():
    taken = render_board(GRID, ordinary_camera(), held(GRID, 0.6), seed=4)
    seen = detect_markers(taken.image, "36h11")
    assert sorted(seen.marker_id.tolist()) == list(GRID.marker_ids)
    for marker_id, corners in zip(seen.marker_id.tolist(), seen.corners_px, strict=True):
        assert np.abs(corners - taken.marker_corners_px[marker_id]).max() < 0.5
    np.testing.assert_array_equal(taken.points_px, taken.marker_corners_px.reshape(-1, 2))


def test_opencv_finds_a_chessboard_where_it_is():
    taken = render_board(CHESS, ordinary_camera(), held(CHESS, 0.5), seed=5)
    is_found, corners = cv2.findChessboardCorners(taken.image, (8, 5))
    assert is_found
    corners = refined(taken.image, corners)
    if np.linalg.norm(corners[0] - taken.points_px[0]) > 10.0:  # it may begin at the other end
        corners = corners[::-1]
    assert np.abs(corners - taken.points_px).max() < 0.1


@pytest.mark.parametrize("lens", LENSES)
def test_true_points_are_the_cameras_projection(lens):
    camera, pose = small_camera(lens), held(CHARUCO, 0.3)
    taken = render_board(CHARUCO, camera, pose)
    expected, _ = camera.project(pose.apply(CHARUCO.points_board))
    np.testing.assert_allclose(taken.points_px, expected, atol=1e-9)
    assert taken.in_picture.all()
    near = render_board(CHARUCO, camera, held(CHARUCO, 0.1))
    assert 0 < near.in_picture.sum() < len(near.in_picture)
    np.testing.assert_array_equal(near.in_picture, camera.in_picture(near.points_px))


def test_a_board_that_shows_its_back_is_not_drawn():
    taken = render_board(CHARUCO, small_camera(), held(CHARUCO, 0.4, turn_deg=(180.0, 0.0, 0.0)), settings=SHARP)
    assert np.ptp(taken.linear) == 0.0
    assert not taken.in_picture.any()


def test_a_moving_board_is_smeared_and_its_points_are_of_the_middle():
    camera = ordinary_camera(timing=CameraTiming(exposure_s=0.01))
    pose = held(CHARUCO, 0.5)
    moving = render_board(CHARUCO, camera, pose, velocity=Motion(velocity_m_per_s=(0.3, 0.0, 0.0)), settings=SHARP)
    still = render_board(CHARUCO, camera, pose, settings=SHARP)
    np.testing.assert_allclose(moving.points_px, still.points_px, atol=1e-9)
    assert np.abs(moving.linear - still.linear).max() > 50.0
    assert moving.linear.sum() == pytest.approx(still.linear.sum(), rel=1e-4)


def test_the_same_seed_gives_the_same_bytes():
    pictures = [render_board(GRID, small_camera(), held(GRID, 0.4), seed=seed).image.tobytes() for seed in (1, 1, 2)]
    assert pictures[0] == pictures[1] != pictures[2]


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: render_board("charuco", small_camera(), held(CHESS, 0.5)), "board: expected a Board, found str"),
        (lambda: render_board(CHESS, None, held(CHESS, 0.5)), "camera: expected a Camera, found NoneType"),
        (lambda: render_board(CHESS, small_camera(), np.eye(4)), "camera_from_board: expected a RigidTransform, found"),
        (lambda: render_board(CHESS, small_camera(), held(CHESS, 0.5), seed=-2), "seed: expected a whole number"),
    ],
)
def test_mistakes_are_said_in_one_line(make, message):
    with pytest.raises(InputError, match=message):
        make()


def test_reflectances_and_light_are_those_asked_for():
    settings = replace(SHARP, light_grey=200.0, black_reflectance=0.1, white_reflectance=0.9)
    taken = render_board(CHESS, Camera.from_field_of_view(640, 480, 60.0), held(CHESS, 0.4), settings=settings)
    assert np.isin(np.round([taken.linear.min(), taken.linear.max()], 6), [20.0, 180.0]).all()
