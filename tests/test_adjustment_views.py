"""Views of boards through a lens: against OpenCV's calibration, and whether the stated errors are the real ones."""

from __future__ import annotations

import os
from dataclasses import replace

import cv2
import numpy as np
import pytest
from adjustment_cases import board_points, board_views, bundle
from scipy.stats import chi2 as chi_squared

from fiducialkit.errors import InputError
from fiducialkit.scene import projection
from fiducialkit.scene.camera import Camera
from fiducialkit.solving import adjustment_kernels as kernels
from fiducialkit.solving.adjustment import adjust
from fiducialkit.solving.adjustment_derivatives import derivative_errors
from fiducialkit.solving.adjustment_poses import moved_poses
from fiducialkit.solving.adjustment_problem import Block, Measurements, Problem, Robust
from fiducialkit.solving.adjustment_views import adjusted_camera, lens_block, view_measurements

FULL = bool(os.environ.get("FIDUCIALKIT_FULL"))
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
BOARD = board_points(9, 6, 0.03)


def calibration(camera: Camera, poses, pixels, sd_px=0.1, board=BOARD, **changes) -> Problem:
    count = len(poses)
    settings = {
        "camera": camera,
        "points_board": np.tile(board, (count, 1)),
        "pixels_px": pixels.reshape(-1, 2),
        "frame_of": np.repeat(np.arange(count), len(board)),
        "sd_px": sd_px,
    } | changes
    frames = Block(name="view", value=poses, manifold="pose")
    return Problem(shared=[lens_block(camera)], frames=frames, measurements=[view_measurements(**settings)])


@pytest.mark.parametrize("camera", [BROWN, RATIONAL, FISHEYE], ids=lambda camera: camera.model)
def test_rows_are_the_camera_classs_projection_and_its_derivatives(camera):
    rng = np.random.default_rng(5)
    poses, pixels = board_views(camera, BOARD, 4, rng)
    root = np.linalg.cholesky([[0.04, 0.01], [0.01, 0.09]])
    covariance = np.tile(root @ root.T, (4 * len(BOARD), 1, 1))
    problem = calibration(camera, poses, pixels + 1.0, sd_px=None, covariance_px2=covariance)
    residuals, by_pose, by_lens = problem.measurements[0].evaluate(problem.start)
    whitening = np.linalg.inv(root)
    for f in (0, 3):
        mine = slice(f * len(BOARD), (f + 1) * len(BOARD))
        rotation, place = poses[f, :, :3], poses[f, :, 3]
        camera_points = BOARD @ rotation.T + place
        assert residuals[mine] == pytest.approx(np.tile(whitening @ [-1.0, -1.0], (len(BOARD), 1)), abs=1e-8)
        _, _, by_step, by_intrinsics = camera.project_with_jacobian(camera_points)
        # the camera class turns about the camera's origin, a pose's local step about the board's
        about_board = by_step.copy()
        about_board[:, :, 3:] += by_step[:, :, :3] @ np.cross(np.eye(3), -place)
        about_board[:, :, 3:] = by_step[:, :, :3] @ np.stack([np.cross(np.eye(3), p - place).T for p in camera_points])
        assert by_pose[mine] == pytest.approx(whitening @ about_board, rel=1e-9, abs=1e-7)
        assert by_lens[mine] == pytest.approx(whitening @ by_intrinsics, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("camera", [BROWN, RATIONAL, FISHEYE], ids=lambda camera: camera.model)
def test_derivatives_are_true_bending_included(camera):
    poses, pixels = board_views(camera, BOARD, 4, np.random.default_rng(6))
    points = np.tile(BOARD, (4, 1))
    shapes = np.zeros((len(points), 3, 2))
    shapes[:, 2, 0], shapes[:, 2, 1] = points[:, 0] ** 2 / 0.01, points[:, 0] * points[:, 1] / 0.01
    problem = calibration(camera, poses, pixels, bending=("bend", shapes))
    bend = Block(name="bend", value=[0.002, -0.001], labels=("xx_m", "xy_m"))
    errors = derivative_errors(replace(problem, shared=[*problem.shared, bend]))
    assert len(errors) == 6 + 4 + len(camera.distortion) + 2
    assert max(errors.values()) < 2e-8


def test_a_point_behind_the_camera_has_no_residual():
    poses = np.tile(np.eye(3, 4), (1, 1, 1))
    poses[0, 2, 3] = -1.0
    shapes = (np.empty((2, 2)), np.empty((2, 2, 6)), np.empty((2, 2, 12)), np.empty((2, 2, 3)))
    whitening, frame_of = np.tile(np.eye(2), (2, 1, 1)), np.zeros(2, dtype=np.int64)
    kernels.view_rows(
        projection.BROWN, BROWN.parameters, poses, np.zeros((2, 3)), np.zeros((2, 2)), whitening, frame_of, *shapes
    )
    assert all(np.isnan(array).all() for array in shapes[:1])


@pytest.mark.parametrize("camera", [BROWN, RATIONAL, FISHEYE], ids=lambda camera: camera.model)
def test_exact_corners_give_the_lens_back(camera):
    rng = np.random.default_rng(7)
    poses, pixels = board_views(camera, board_points(11, 8, 0.04), 15, rng)
    started = replace(
        camera, fx_px=1.03 * camera.fx_px, fy_px=0.98 * camera.fy_px, cx_px=camera.cx_px + 10.0,
        distortion=tuple(0.9 * d for d in camera.distortion),
    )  # fmt: skip
    problem = calibration(
        started, moved_poses(poses, 0.01 * rng.normal(size=(15, 6))), pixels, board=board_points(11, 8, 0.04)
    )
    found = adjust(problem)
    assert found.status == "ok"
    lens = adjusted_camera(started, found.values.shared["lens"])
    assert [lens.fx_px, lens.fy_px] == pytest.approx([camera.fx_px, camera.fy_px], abs=1e-4)
    assert [lens.cx_px, lens.cy_px] == pytest.approx([camera.cx_px, camera.cy_px], abs=1e-4)
    assert found.values.frames[:, :, 3] == pytest.approx(poses[:, :, 3], abs=1e-6)
    assert found.rms_sd < 1e-5


def test_a_bent_board_is_found_bent():
    rng = np.random.default_rng(8)
    points = BOARD.copy()
    points[:, 2] = 0.003 * points[:, 0] ** 2 / 0.0144  # 3 mm at the ends
    poses, pixels = board_views(BROWN, points, 20, rng)
    pixels += rng.normal(0.0, 0.1, pixels.shape)
    shapes = np.zeros((20 * len(BOARD), 3, 1))
    shapes[:, 2, 0] = np.tile(BOARD[:, 0] ** 2 / 0.0144, 20)
    problem = calibration(BROWN, poses, pixels, bending=("bend", shapes))
    bend = Block(name="bend", value=[0.0], labels=("ends_m",))
    found = adjust(replace(problem, shared=[*problem.shared, bend]))
    flat = adjust(calibration(BROWN, poses, pixels))
    sd = float(np.sqrt(found.covariance("bend")[0, 0]))
    assert sd < 1e-4
    assert abs(found.values.shared["bend"][0] - 0.003) < 4.0 * sd
    assert found.residual_variance < 1.15 < 2.0 < flat.residual_variance


def opencv_start(board, pixels, camera: Camera):
    """Return a lens and poses as OpenCV guesses them: what a calibration would start from."""
    size = (camera.width_px, camera.height_px)
    matrix = cv2.initCameraMatrix2D(
        [board.astype(np.float32)] * len(pixels), [seen.astype(np.float32) for seen in pixels], size
    )
    poses = []
    for seen in pixels:
        _, rvec, tvec = cv2.solvePnP(board, np.ascontiguousarray(seen), matrix, None, flags=cv2.SOLVEPNP_IPPE)
        poses.append(np.column_stack([cv2.Rodrigues(rvec)[0], tvec]))
    started = replace(
        camera, fx_px=matrix[0, 0], fy_px=matrix[1, 1], cx_px=matrix[0, 2], cy_px=matrix[1, 2], distortion=(0.0,) * 5
    )
    return started, np.stack(poses)


def test_opencvs_calibration_of_the_same_corners():
    rng = np.random.default_rng(9)
    _, pixels = board_views(BROWN, BOARD, 40, rng)
    pixels = (pixels + rng.normal(0.0, 0.1, pixels.shape)).astype(np.float32).astype(np.float64)
    flat = [BOARD.astype(np.float32)] * 40
    rms, matrix, coefficients, _, _, sd, _, _ = cv2.calibrateCameraExtended(
        flat, [seen.astype(np.float32) for seen in pixels], (1280, 800), None, None
    )
    board = BOARD.astype(np.float32).astype(np.float64)
    found = adjust(calibration(*opencv_start(board, pixels, BROWN), pixels, board=board))
    assert found.status == "ok"
    lens = found.values.shared["lens"]
    assert lens[:4] == pytest.approx([matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2]], abs=1e-3)
    assert lens[4:] == pytest.approx(coefficients.ravel(), abs=1e-5)
    assert 0.1 * found.rms_sd == pytest.approx(rms / np.sqrt(2.0), rel=1e-5)  # theirs is per point
    own = np.sqrt(np.diag(found.covariance("lens", is_scaled=True)))
    assert own == pytest.approx(sd.ravel()[:9], rel=0.01)
    true = [900.0, 905.0, 645.0, 395.0]
    assert (np.abs(lens[:4] - true) < 4.0 * own[:4]).all()


# whether stated errors are the real ones; one family of intervals: 99.9 % for the four sums of this file together
TAIL = 0.001 / 4.0 / 2.0


def assert_is_chi_squared(total: float, freedom: float):
    low, high = chi_squared.ppf([TAIL, 1.0 - TAIL], freedom)
    assert low < total < high, f"{total / freedom:.4f} of its freedom, {low / freedom:.4f} to {high / freedom:.4f}"


@pytest.mark.statistics
def test_pose_errors_of_a_log_are_as_stated():
    count = 20_000 if FULL else 1_000
    made = bundle(31, frames=count)
    lens, markers, frames = made.blocks()
    shared = [replace(lens, fixed=True), replace(markers, fixed=True)]
    found = adjust(Problem(shared=shared, frames=frames, measurements=[made.measurements(group_names=None)]))
    assert set(found.frame_status) == {"ok"}
    error, _ = frames.deviation(found.values.frames, made.frames)
    nees = np.einsum("ni,nij,nj->n", error, np.linalg.inv(found.frame_covariance()), error)
    assert_is_chi_squared(float(nees.sum()), 6.0 * count)
    assert_is_chi_squared(found.chi2, found.degrees_of_freedom)


@pytest.mark.statistics
def test_lens_errors_of_a_calibration_are_as_stated():
    trials = 2_000 if FULL else 200
    rng = np.random.default_rng(32)
    board, lens_total, view_total = board_points(7, 5, 0.04), 0.0, 0.0
    for _ in range(trials):
        poses, pixels = board_views(BROWN, board, 8, rng)
        pixels += rng.normal(0.0, 0.02, pixels.shape)
        problem = calibration(BROWN, poses, pixels, sd_px=0.02, board=board)
        found = adjust(problem)
        assert found.status == "ok"
        error = np.r_[found.values.shared["lens"] - problem.shared[0].value, 0.0][:9]
        lens_total += error @ np.linalg.solve(found.covariance("lens"), error)
        step = problem.frames.deviation(found.values.frames, poses)[0][0]
        view_total += step @ np.linalg.solve(found.frame_covariance([0])[0], step)
    assert_is_chi_squared(lens_total, 9.0 * trials)
    assert_is_chi_squared(view_total, 6.0 * trials)


@pytest.mark.statistics
def test_a_wrong_view_is_named_whatever_it_is():
    trials = 200 if FULL else 20
    rng = np.random.default_rng(33)
    for _ in range(trials):
        poses, pixels = board_views(BROWN, BOARD, 12, rng)
        pixels += rng.normal(0.0, 0.1, pixels.shape)
        wrong = int(rng.integers(12))
        # a blurred or bent view: its corners are off, each by its own
        pixels[wrong] += rng.normal(0.0, 1.0, pixels[wrong].shape)
        names = [f"view {k}" for k in range(12)]
        problem = calibration(BROWN, poses, pixels, group_names=names)
        found = adjust(problem, robust=Robust(kind="biweight", limit=3.0))
        assert found.status == "ok"
        assert found.doubted == (f"view {wrong}",)


def test_views_that_do_not_fit_are_said():
    good = {"camera": BROWN, "points_board": BOARD, "pixels_px": BOARD[:, :2], "frame_of": np.zeros(54, int)}
    with pytest.raises(InputError, match="sd_px, covariance_px2: expected one of them"):
        view_measurements(**good)
    with pytest.raises(InputError, match="sd_px: expected one number or 54 above 0"):
        view_measurements(**good, sd_px=0.0)
    with pytest.raises(InputError, match="covariance_px2: expected positive definite"):
        view_measurements(**good, covariance_px2=np.zeros((54, 2, 2)))
    with pytest.raises(InputError, match="frame_of: expected 54 whole numbers"):
        view_measurements(**(good | {"frame_of": [0, 1]}), sd_px=0.1)
    with pytest.raises(InputError, match=r"bending: expected shape \(54, 3, N\)"):
        view_measurements(**good, sd_px=0.1, bending=("bend", np.zeros((3, 3, 1))))
    kind = view_measurements(**good, sd_px=0.1)
    assert isinstance(kind, Measurements)
    with pytest.raises(InputError, match="frames: expected a block of camera_from_board poses, found none"):
        adjust(Problem(shared=[lens_block(BROWN)], measurements=[kind]))
