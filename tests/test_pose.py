"""The robot's pose: exactness, second implementations, statistics, and the faults that people report."""

from __future__ import annotations

import dataclasses
import math
import os

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import RigidTransform, Rotation
from scipy.stats import chi2 as chi2_distribution

from fiducialkit import Camera, Field, InputError, MarkerObservations, NoPoseError, solve_pose
from fiducialkit.scene.field import Marker
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.transforms import (
    field_from_robot_on_floor,
    heading_rad,
    parts,
    rigid_transform,
    robot_from_camera_angles,
)
from fiducialkit.solving import pose as pose_module

CAMERA = Camera(width_px=1280, height_px=960, fx_px=800, fy_px=800, cx_px=639.5, cy_px=479.5, name="front")
SIDE_CAMERA = Camera(
    width_px=1600, height_px=1200, fx_px=620, fy_px=622, cx_px=801.0, cy_px=596.0, model="fisheye",
    distortion=(0.03, -0.008, 0.002, -0.0005), name="left",
)  # fmt: skip
MOUNT = robot_from_camera_angles([0.25, 0.1, 0.5], 5.0, 8.0, 2.0)
SIDE_MOUNT = robot_from_camera_angles([0.1, 0.3, 0.6], 70.0, 0.0, -3.0)
FULL = bool(os.environ.get("FIDUCIALKIT_FULL"))


def layout(*entries, size_m=0.15):
    """Return a field of markers (id, x, y, z, facing, tilt, roll)."""
    markers = tuple(
        Marker(marker_id=i, position=(x, y, z), facing_deg=facing, tilt_deg=tilt, roll_deg=roll, size_m=size_m)
        for i, x, y, z, facing, tilt, roll in entries
    )
    return Field(name="yard", size=(9.0, 7.0), family=marker_family("36h11"), markers=markers)


FIELD = layout(
    (1, 5.6, 3.2, 0.6, 160.0, 0.0, 0.0),
    (2, 5.4, 4.0, 0.8, 215.0, 10.0, 15.0),
    (3, 5.9, 2.6, 0.4, 140.0, -5.0, 90.0),
    (4, 5.5, 3.6, 1.1, 195.0, 0.0, 180.0),
    (5, 3.2, 5.5, 0.7, 250.0, 0.0, 0.0),
    (6, 3.9, 5.6, 0.5, 290.0, 5.0, 0.0),
)
TRUE = field_from_robot_on_floor(3.5, 3.3, 4.0)


def pixels(field_from_camera, camera, field, marker_id):
    points = field_from_camera.inv().apply(field.marker(marker_id).corners_field)
    found, valid = camera.project(points)
    assert valid.all()
    return found


def picture(field_from_robot, marker_ids, *, field=FIELD, camera=CAMERA, mount=MOUNT, sd_px=0.2, noise=None):
    corners = np.array([pixels(field_from_robot * mount, camera, field, i) for i in marker_ids])
    if noise is not None:
        corners = corners + noise.normal(scale=sd_px, size=corners.shape)
    return MarkerObservations(marker_id=np.array(marker_ids), corners_px=corners, covariance_px2=sd_px**2)


def error_of(solution, true=TRUE):
    """Return (dx, dy, dz, rotation vector), both in field, as the covariance has them."""
    rotation, position = parts(solution.field_from_robot)
    turn = Rotation.from_matrix(rotation @ parts(true)[0].T).as_rotvec()
    return np.concatenate([position - parts(true)[1], turn])


def solve(seen, field=FIELD, **others):
    return solve_pose(seen, field, CAMERA, robot_from_camera=MOUNT, **others)


# exactness and second implementations


@pytest.mark.parametrize("tilt_deg", [0.0, 12.0])
@pytest.mark.parametrize("heading_deg", [4.0, -6.0])
def test_clean_corners_give_the_exact_pose_back(heading_deg, tilt_deg):
    lean = rigid_transform(Rotation.from_euler("xyz", [tilt_deg, -tilt_deg / 2, 0], degrees=True), [0, 0, 0.02])
    true = field_from_robot_on_floor(3.5, 3.3, heading_deg) * lean
    solution = solve(picture(true, [1, 2, 3, 4]))
    assert solution.status == "ok" and solution.message == ""
    assert np.abs(error_of(solution, true)).max() < 1e-8
    assert solution.rms_px < 1e-7 and solution.degrees_of_freedom == 26
    assert solution.flip_probability < 1e-9


def test_two_cameras_of_different_lenses_give_the_exact_pose_back():
    front, left = picture(TRUE, [1, 2]), picture(TRUE, [5, 6], camera=SIDE_CAMERA, mount=SIDE_MOUNT)
    solution = solve_pose([front, left], FIELD, [CAMERA, SIDE_CAMERA], robot_from_camera=[MOUNT, SIDE_MOUNT])
    assert solution.status == "ok" and solution.markers_used == (1, 2, 5, 6)
    assert np.abs(error_of(solution)).max() < 1e-8
    # a stack of mounts is a sequence too, and an empty picture of one camera changes nothing
    stack = RigidTransform.concatenate([MOUNT, SIDE_MOUNT])
    empty = MarkerObservations(marker_id=[], corners_px=[], covariance_px2=1.0)
    alone = solve_pose([front, empty], FIELD, [CAMERA, SIDE_CAMERA], robot_from_camera=stack)
    assert alone.markers_used == (1, 2) and np.abs(error_of(alone)).max() < 1e-8


def test_one_marker_seen_by_two_cameras_counts_twice():
    second = robot_from_camera_angles([0.25, -0.2, 0.5], 10.0, 8.0, 0.0)
    seen = [picture(TRUE, [1]), picture(TRUE, [1], mount=second)]
    solution = solve_pose(seen, FIELD, [CAMERA, CAMERA], robot_from_camera=[MOUNT, second])
    assert solution.markers_used == (1, 1) and solution.markers_rejected == ()
    assert np.abs(error_of(solution)).max() < 1e-8


def cost(parameters, seen, prior):
    rotation = Rotation.from_rotvec(parameters[3:])
    field_from_camera = rigid_transform(rotation, parameters[:3]) * MOUNT
    expected = np.array([pixels(field_from_camera, CAMERA, FIELD, i) for i in seen.marker_id.tolist()])
    whitening = np.linalg.inv(np.linalg.cholesky(seen.covariance_px2))
    residual = np.einsum("nij,nj->ni", whitening, (expected - seen.corners_px).reshape(-1, 8)).ravel()
    up, forward = rotation.as_matrix()[:, 2], rotation.as_matrix()[:, 0]
    across = np.array([-up[1], up[0]])
    tilt = math.atan2(np.hypot(*across), up[2]) * across / max(float(np.hypot(*across)), 1e-300)
    turn = math.atan2(forward[1], forward[0]) - 0.05
    return np.concatenate(
        [residual, prior * np.array([parameters[2] / 0.01, *(tilt / math.radians(0.5)), turn / 0.02])]
    )


@pytest.mark.parametrize("with_prior", [False, True])
def test_general_least_squares_solver_finds_the_same_minimum(with_prior):
    seen = picture(TRUE, [1, 2, 3], sd_px=0.5, noise=np.random.default_rng(3))
    known = {"on_floor": True, "heading_prior": (0.05, 0.02)} if with_prior else {}
    solution = solve(seen, **known)
    start = np.concatenate([parts(TRUE)[1], TRUE.rotation.as_rotvec()]) + 0.01
    fit = least_squares(cost, start, args=(seen, float(with_prior)), x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert solution.estimate.chi2 == pytest.approx(2.0 * fit.cost, rel=1e-8)
    assert np.abs(fit.x[:3] - parts(solution.field_from_robot)[1]).max() < 1e-6
    turn = Rotation.from_rotvec(fit.x[3:]) * solution.field_from_robot.rotation.inv()
    assert turn.magnitude() < 1e-6


@pytest.mark.parametrize("flag", [cv2.SOLVEPNP_ITERATIVE, cv2.SOLVEPNP_SQPNP])
def test_opencv_agrees_on_clean_corners_of_four_markers(flag):
    seen = picture(TRUE, [1, 2, 3, 4])
    points = np.concatenate([FIELD.marker(i).corners_field for i in (1, 2, 3, 4)])
    matrix = np.array([[800, 0, 639.5], [0, 800, 479.5], [0, 0, 1.0]])
    _, rvec, tvec = cv2.solvePnP(points, seen.corners_px.reshape(-1, 2), matrix, None, flags=flag)
    camera_from_field = rigid_transform(cv2.Rodrigues(rvec)[0], tvec)
    difference = (solve(seen).field_from_robot * MOUNT) * camera_from_field
    assert np.abs(difference.as_matrix() - np.eye(4)).max() < 1e-6


# statistics: mean normalised squared error and rms over the Cramer-Rao bound


CASES = {
    # D/2 = 4.6 for marker 2, so that the flip is out of reach; marker 1, turned by 14 degrees only, has 2.3
    "one marker": ([2], {}),
    "two markers": ([1, 2], {}),
    "four markers": ([1, 2, 3, 4], {}),
    "one marker, on the floor": ([2], {"on_floor": True}),
    "one marker, heading known": ([2], {"heading_prior": (0.0, 0.01)}),
    "two markers, on the floor, heading known": ([1, 2], {"on_floor": True, "heading_prior": (0.0, 0.01)}),
}


@pytest.mark.statistics
@pytest.mark.parametrize("case", sorted(CASES))
def test_covariance_is_that_of_the_errors(case):
    """The truth itself is drawn from the prior in each trial, so that the posterior covariance must hold."""
    ids, known = CASES[case]
    trials = 3000 if FULL else 300
    rng = np.random.default_rng(21)
    nees, squares, bounds = 0.0, np.zeros(6), np.zeros(6)
    for _ in range(trials):
        height, roll, pitch = rng.normal(size=3) * [0.01, math.radians(0.5), math.radians(0.5)] * ("on_floor" in known)
        lean = rigid_transform(Rotation.from_rotvec([roll, pitch, 0.0]), [0.0, 0.0, height])
        true = field_from_robot_on_floor(3.5, 3.3, 4.0) * lean
        prior = dict(known)
        if "heading_prior" in prior:
            prior["heading_prior"] = (heading_rad(true) + rng.normal(scale=0.01), 0.01)
        solution = solve(picture(true, ids, noise=rng), **prior)
        error = error_of(solution, true)
        nees += error @ np.linalg.solve(solution.covariance, error) / trials
        squares += error**2 / trials
        bounds += np.diag(solution.covariance) / trials
    low, high = chi2_distribution.ppf([0.0005, 0.9995], 6 * trials) / trials
    assert low < nees < high
    low, high = chi2_distribution.ppf([0.0005 / 6, 1.0 - 0.0005 / 6], trials) / trials
    assert (squares / bounds > low).all() and (squares / bounds < high).all()


@pytest.mark.statistics
def test_covariance_of_a_two_camera_rig_is_that_of_the_errors():
    trials = 3000 if FULL else 300
    rng = np.random.default_rng(22)
    nees = 0.0
    for _ in range(trials):
        front = picture(TRUE, [1, 2], noise=rng)
        left = picture(TRUE, [5, 6], camera=SIDE_CAMERA, mount=SIDE_MOUNT, sd_px=0.4, noise=rng)
        solution = solve_pose([front, left], FIELD, [CAMERA, SIDE_CAMERA], robot_from_camera=[MOUNT, SIDE_MOUNT])
        error = error_of(solution)
        nees += error @ np.linalg.solve(solution.covariance, error) / trials
    low, high = chi2_distribution.ppf([0.0005, 0.9995], 6 * trials) / trials
    assert low < nees < high


def test_more_knowledge_never_widens_the_covariance():
    seen = picture(TRUE, [1])
    free = solve(seen).covariance
    for known in ({"on_floor": True}, {"heading_prior": (heading_rad(TRUE), 0.02)}):
        gain = np.linalg.eigvalsh(free - solve(seen, **known).covariance)
        assert gain.min() > -1e-9 * gain.max() and gain.max() > 0.0
    assert (np.diag(solve(picture(TRUE, [1, 2])).covariance) < np.diag(free)).all()


# kinds of fault from the field


def upright_ahead(distance_m, turned_deg):
    """A marker at camera height straight ahead of a level camera, turned about the vertical."""
    return layout((7, 1.0 + distance_m, 3.0, 0.6, 180.0 + turned_deg, 0.0, 0.0), size_m=0.165)


LEVEL = robot_from_camera_angles([0.0, 0.0, 0.6], 0.0, 0.0, 0.0)
AHEAD = field_from_robot_on_floor(1.0, 3.0, 0.0)


def test_a13_a_marker_that_may_be_flipped_is_ambiguous_and_both_poses_are_kept():
    field = upright_ahead(4.0, 12.0)
    rng = np.random.default_rng(2)
    seen = picture(AHEAD, [7], field=field, mount=LEVEL, sd_px=0.3, noise=rng)
    solution = solve_pose(seen, field, CAMERA, robot_from_camera=LEVEL)
    assert solution.status == "ambiguous" and "another pose fits" in solution.message
    assert 0.05 < solution.flip_probability <= 0.5
    both = [solution.estimate, solution.alternative]
    assert sum(estimate.probability for estimate in both) == pytest.approx(1.0)
    errors = [np.linalg.norm(parts(estimate.field_from_robot)[1] - [1.0, 3.0, 0.0]) for estimate in both]
    assert min(errors) < 0.5 < max(errors)  # a flip moves the camera by about 2 Z sin(tilt) = 1.7 m


def test_a13_a_level_prior_cannot_settle_an_upright_marker_but_a_heading_can():
    field = upright_ahead(4.0, 12.0)
    for seed in range(10):
        seen = picture(AHEAD, [7], field=field, mount=LEVEL, sd_px=0.3, noise=np.random.default_rng(seed))
        told = solve_pose(seen, field, CAMERA, robot_from_camera=LEVEL, heading_prior=(0.0, math.radians(1.0)))
        assert told.status == "ok" and abs(heading_rad(told.field_from_robot)) < math.radians(5.0)
    level = solve_pose(seen, field, CAMERA, robot_from_camera=LEVEL, on_floor=True)
    assert level.status == "ambiguous"


def test_a13_a_second_marker_settles_it():
    field = layout((7, 5.0, 3.0, 0.6, 192.0, 0.0, 0.0), (8, 5.0, 4.0, 0.6, 170.0, 0.0, 0.0), size_m=0.165)
    for seed in range(10):
        seen = picture(AHEAD, [7, 8], field=field, mount=LEVEL, sd_px=0.3, noise=np.random.default_rng(seed))
        solution = solve_pose(seen, field, CAMERA, robot_from_camera=LEVEL)
        assert solution.status == "ok" and np.linalg.norm(parts(solution.field_from_robot)[1] - [1, 3, 0]) < 0.3


@pytest.mark.parametrize("height_m", [0.01, 1.0])
@pytest.mark.parametrize("facing_deg", [0.0, 70.0])
def test_a14_horizontal_markers_off_the_floor_give_the_right_pose(height_m, facing_deg):
    field = layout((7, 4.0, 3.0, height_m, facing_deg, 90.0, 0.0), (8, 4.4, 3.3, height_m, 0.0, 90.0, 30.0))
    mount = robot_from_camera_angles([0.1, 0.0, height_m + 1.5], 20.0, -60.0, 0.0)
    true = field_from_robot_on_floor(3.1, 2.8, 10.0)
    for ids in ([7], [8], [7, 8]):
        seen = picture(true, ids, field=field, mount=mount)
        solution = solve_pose(seen, field, CAMERA, robot_from_camera=mount)
        assert solution.status == "ok" and np.abs(error_of(solution, true)).max() < 1e-7


WRONG_ORDERS = {
    "reversed": lambda c: c[:, ::-1],
    "reversed, other start": lambda c: c[:, [0, 3, 2, 1]],
    "mirrored picture": lambda c: c * [-1.0, 1.0] + [1279.0, 0.0],
    "two swapped": lambda c: c[:, [1, 0, 2, 3]],
    "begins at another corner": lambda c: np.roll(c, 1, axis=1),
}


@pytest.mark.parametrize("sd_px", [0.01, 0.3, 1.0])
@pytest.mark.parametrize(
    ("kind", "ids"),
    # one square turned by 90 degrees is a right picture of another robot pose: nothing can tell, so it is not asked
    [(k, ids) for k in sorted(WRONG_ORDERS) for ids in ([1], [1, 2], [1, 2, 3, 4]) if (k[:6], ids) != ("begins", [1])],
)
def test_a16_wrong_corner_order_is_never_ok(kind, ids, sd_px):
    right = picture(TRUE, ids, sd_px=sd_px)
    seen = dataclasses.replace(right, corners_px=WRONG_ORDERS[kind](right.corners_px))
    solution = solve(seen)
    assert solution.status in ("inconsistent", "not_converged")
    if kind.startswith(("reversed", "mirrored")):
        assert "counter-clockwise" in solution.message
        if len(ids) == 1:
            assert solution.status == "inconsistent"


def test_a16_one_reversed_marker_among_right_ones_is_left_out_and_named():
    right = picture(TRUE, [1, 2, 3])
    corners = right.corners_px.copy()
    corners[1] = corners[1, ::-1]
    solution = solve(dataclasses.replace(right, corners_px=corners))
    assert solution.status == "ok" and solution.markers_used == (1, 3)
    ((marker_id, reason),) = solution.markers_rejected
    assert marker_id == 2 and "counter-clockwise" in reason
    assert np.abs(error_of(solution)).max() < 1e-8


def test_a17_a_corner_that_is_no_number_is_dropped_and_counted_and_the_rest_used():
    right = picture(TRUE, [1, 2, 3])
    corners = right.corners_px.copy()
    corners[0, 2, 0], corners[1, 0, 1] = np.nan, np.inf
    solution = solve(dataclasses.replace(right, corners_px=corners))
    assert solution.markers_used == (3,)
    assert solution.markers_rejected == ((1, "a corner is not a finite number"), (2, "a corner is not a finite number"))
    assert np.abs(error_of(solution)).max() < 1e-7
    corners[2] = np.nan
    none = solve(dataclasses.replace(right, corners_px=corners))
    assert none.estimate is None and len(none.markers_rejected) == 3
    assert none.status == "no_known_markers"
    assert none.message == "no marker of the field could be used (marker 1: a corner is not a finite number)"


def test_a18_rms_per_coordinate_and_per_point():
    seen = picture(TRUE, [1], sd_px=1.0, noise=np.random.default_rng(8))
    solution = solve(seen)
    residual = pixels(solution.field_from_robot * MOUNT, CAMERA, FIELD, 1) - seen.corners_px[0]
    assert solution.rms_px == pytest.approx(math.sqrt(float((residual**2).sum()) / 8.0), rel=1e-9)
    assert solution.rms_point_px == pytest.approx(math.sqrt(float((residual**2).sum()) / 4.0), rel=1e-9)
    # the weighted sum with a variance of 1 px^2 is the same number once more
    assert solution.estimate.chi2 == pytest.approx(8.0 * solution.rms_px**2, rel=1e-9)


def test_a18_rms_of_a_square_stretched_by_hand():
    """Two markers 4 m ahead, face-on, moved apart by 1 px each way in the picture and claimed to be one rigid layout.

    By hand: moving away from each other is a larger picture; a nearer robot takes that up except within each marker,
    so the residual is far below 1 px; moving one up and one down is a roll of the camera, taken up likewise.
    """
    field = layout((7, 5.0, 3.0, 0.6, 180.0, 0.0, 0.0), (8, 5.0, 3.6, 0.6, 180.0, 0.0, 0.0))
    seen = picture(AHEAD, [7, 8], field=field, mount=LEVEL)
    shifted = seen.corners_px + np.array([[[1.0, 0.0]], [[1.0, 0.0]]])
    solution = solve_pose(dataclasses.replace(seen, corners_px=shifted), field, CAMERA, robot_from_camera=LEVEL)
    assert solution.rms_px < 0.02  # one shift for all is a turn of the camera
    apart = seen.corners_px + np.array([[[0.0, 1.0], [0.0, -1.0], [0.0, 1.0], [0.0, -1.0]]] * 2)
    solution = solve_pose(dataclasses.replace(seen, corners_px=apart), field, CAMERA, robot_from_camera=LEVEL)
    # by hand: that pattern belongs to no pose (+1 -1 +1 -1 down the sides is orthogonal to every rigid motion of a
    # face-on square), so half of the coordinates are off by 1 px: rms per coordinate sqrt(1/2), per point 1
    assert solution.rms_px == pytest.approx(math.sqrt(0.5), abs=0.03)
    assert solution.rms_point_px == pytest.approx(1.0, abs=0.04)


@pytest.mark.parametrize("angle_deg", range(0, 360, 45))
def test_a19_a_camera_that_circles_a_marker_moves_though_the_marker_stays_put_in_its_view(angle_deg):
    field = layout((7, 4.5, 3.5, 0.6, float(angle_deg), 0.0, 0.0))
    angle = math.radians(angle_deg)
    place = [4.5 + 1.5 * math.cos(angle), 3.5 + 1.5 * math.sin(angle)]
    true = field_from_robot_on_floor(*place, angle_deg + 180.0)
    solution = solve_pose(picture(true, [7], field=field, mount=LEVEL), field, CAMERA, robot_from_camera=LEVEL)
    np.testing.assert_allclose(parts(solution.field_from_robot)[1], [*place, 0.0], atol=1e-6)
    turn = heading_rad(solution.field_from_robot) - angle - math.pi
    assert abs(math.remainder(turn, 2.0 * math.pi)) < 1e-6


def test_a20_garbage_never_gives_numbers_that_are_not_finite_nor_a_marker_behind_its_camera():
    rng = np.random.default_rng(31)
    statuses = set()
    for trial in range(150):
        ids = rng.permutation([1, 2, 3, 4])[: rng.integers(1, 4)]
        corners = rng.uniform(0.0, 1000.0, size=(len(ids), 4, 2))
        if trial % 2:
            corners = picture(TRUE, ids.tolist()).corners_px + rng.normal(scale=20.0, size=corners.shape)
        seen = MarkerObservations(marker_id=ids, corners_px=corners, covariance_px2=float(rng.choice([1e-8, 0.1, 1e4])))
        solution = solve(seen, on_floor=bool(trial % 3 == 0), heading_prior=(3.0, 0.1) if trial % 5 == 0 else None)
        statuses.add(solution.status)
        assert "\n" not in solution.message and solution.message.isascii()
        for estimate in (solution.estimate, solution.alternative):
            if estimate is None:
                continue
            assert np.isfinite(estimate.covariance).all() and np.linalg.eigvalsh(estimate.covariance).min() > 0.0
            assert np.isfinite(estimate.field_from_robot.as_matrix()).all() and math.isfinite(solution.rms_px)
            camera_from_field = (estimate.field_from_robot * MOUNT).inv()
            for marker_id in solution.markers_used:
                assert (camera_from_field.apply(FIELD.marker(marker_id).corners_field)[:, 2] > 0.0).all()
    assert statuses <= set(pose_module.STATUSES) and "inconsistent" in statuses


def test_a25_corners_of_a_smaller_picture_scale_the_camera_and_it_is_said():
    small = CAMERA.scaled(640, 480)
    seen = dataclasses.replace(picture(TRUE, [1, 2], camera=small), picture_size_px=(640, 480))
    solution = solve(seen)
    assert np.abs(error_of(solution)).max() < 1e-8
    assert solution.message == "camera 'front' scaled from 1280x960 to 640x480"
    with pytest.raises(InputError, match=r"picture size: expected the shape of 1280x960 .* found 640x400"):
        solve(dataclasses.replace(seen, picture_size_px=(640, 400)))


def test_a27_one_marker_printed_at_97_per_cent_reads_3_per_cent_too_far_with_no_residual():
    # by hand: 1 / 0.97 = 1.0309
    printed = upright_ahead(1.5, 20.0)
    small = dataclasses.replace(printed, markers=(dataclasses.replace(printed.markers[0], size_m=0.97 * 0.165),))
    seen = picture(AHEAD, [7], field=small, mount=LEVEL)
    solution = solve_pose(seen, printed, CAMERA, robot_from_camera=LEVEL)
    offset = parts(solution.field_from_robot * LEVEL)[1] - np.array(printed.markers[0].position)
    assert np.linalg.norm(offset) / 1.5 == pytest.approx(1.0309, abs=1e-4)
    assert solution.rms_px < 1e-6 and solution.status == "ok"


# statuses, refusals, frozen results


def test_nothing_seen_and_nothing_known_are_told_apart_with_the_reason():
    nothing = MarkerObservations(marker_id=[], corners_px=[], covariance_px2=1.0, message="3 squares, none decodes")
    solution = solve(nothing)
    assert (solution.status, solution.message) == ("no_markers", "no marker was seen (3 squares, none decodes)")
    with pytest.raises(NoPoseError, match="no pose: no marker was seen"):
        _ = solution.field_from_robot
    with pytest.raises(NoPoseError):
        _ = solution.covariance
    strange = dataclasses.replace(picture(TRUE, [1]), marker_id=[99])
    solution = solve(strange)
    assert solution.status == "no_known_markers" and solution.markers_rejected == ((99, "not on the field"),)
    assert str(solution).startswith("no_known_markers: ")


def test_of_an_id_seen_twice_in_one_picture_the_one_that_fits_is_used():
    right = picture(TRUE, [1, 2, 3])
    elsewhere = right.corners_px[1] + [150.0, -40.0]
    for order in ([0, 1, 3, 2], [3, 1, 0, 2]):
        corners = np.stack([*right.corners_px, elsewhere])[order]
        ids = np.array([1, 2, 3, 2])[order]
        solution = solve(MarkerObservations(marker_id=ids, corners_px=corners, covariance_px2=0.04))
        assert sorted(solution.markers_used) == [1, 2, 3] and np.abs(error_of(solution)).max() < 1e-8
        ((marker_id, reason),) = solution.markers_rejected
        assert marker_id == 2 and reason.startswith("seen more than once in one picture; the other one fits")


def test_an_id_seen_twice_with_nothing_else_to_tell_by_is_left_out():
    right = picture(TRUE, [2])
    corners = np.stack([right.corners_px[0], right.corners_px[0] + [150.0, -40.0]])
    solution = solve(MarkerObservations(marker_id=[2, 2], corners_px=corners, covariance_px2=0.04))
    assert solution.status == "no_known_markers"
    assert solution.markers_rejected == ((2, "seen more than once in one picture"),) * 2


def test_a_marker_where_the_lens_model_ends_is_left_out_and_the_rest_used():
    lens = dataclasses.replace(CAMERA, distortion=(-0.6, 0.0, 0.0, 0.0))
    right = picture(TRUE, [1, 4], camera=lens)
    far = np.array([[[0.0, 0.0], [40.0, 0.0], [40.0, 40.0], [0.0, 40.0]]])
    seen = MarkerObservations(
        marker_id=[1, 4, 2], corners_px=np.concatenate([right.corners_px, far]), covariance_px2=0.04
    )
    solution = solve_pose(seen, FIELD, lens, robot_from_camera=MOUNT)
    assert solution.markers_used == (1, 4) and np.abs(error_of(solution)).max() < 1e-8
    assert solution.markers_rejected == ((2, "a corner lies where the lens model does not reach"),)


def test_wrong_layout_of_two_markers_is_inconsistent_since_nothing_tells_which_is_wrong():
    moved = dataclasses.replace(FIELD.markers[0], position=(5.6, 3.5, 0.6))
    wrong = dataclasses.replace(FIELD, markers=(moved, *FIELD.markers[1:]))
    solution = solve(picture(TRUE, [1, 2]), wrong)
    assert solution.markers_rejected == () and solution.markers_used == (1, 2)
    assert solution.status == "inconsistent" and "is the layout or a marker wrong?" in solution.message


def test_an_upside_down_robot_pays_for_it_on_the_floor():
    over = field_from_robot_on_floor(3.5, 3.3, 4.0) * rigid_transform(np.diag([1.0, -1.0, -1.0]), [0.0, 0.0, 1.5])
    # clean corners of a robot lying on its roof: without the floor the right pose, with it no "ok"
    mount = robot_from_camera_angles([0.25, 0.1, 0.5], 0.0, 0.0, 0.0)
    seen = picture(over, [1, 2, 4], mount=mount)
    assert np.abs(error_of(solve_pose(seen, FIELD, CAMERA, robot_from_camera=mount), over)).max() < 1e-7
    solution = solve_pose(seen, FIELD, CAMERA, robot_from_camera=mount, on_floor=True)
    assert solution.estimate is None or solution.estimate.chi2 > 1e4


@pytest.mark.parametrize("sd_px", [1e-6, 10.0, 1e6])
def test_extreme_variances_leave_the_pose_alone(sd_px):
    solution = solve(picture(TRUE, [1, 2, 3], sd_px=sd_px))
    assert np.abs(error_of(solution)).max() < 1e-6
    if sd_px > 100.0:  # the picture then tells nothing, and that is no Gaussian
        assert solution.covariance_kind == "sampled" and np.isfinite(solution.covariance).all()
        return
    reference = solve(picture(TRUE, [1, 2, 3], sd_px=1.0)).covariance
    np.testing.assert_allclose(solution.covariance / sd_px**2, reference, rtol=1e-4, atol=1e-10)


def test_results_are_frozen_and_inputs_unchanged():
    seen = picture(TRUE, [1, 2])
    before = seen.corners_px.copy()
    solution = solve(seen)
    np.testing.assert_array_equal(seen.corners_px, before)
    with pytest.raises(dataclasses.FrozenInstanceError):
        solution.status = "ok"
    with pytest.raises(ValueError, match="read-only"):
        solution.covariance[0, 0] = 0.0
    assert type(solution.flip_probability) is float and type(solution.rms_px) is float


REFUSALS = [
    ({"on_floor": True, "robot_from_camera": None}, "on_floor: expected robot_from_camera"),
    ({"heading_prior": (0.0,)}, "heading_prior: expected"),
    ({"heading_prior": (0.0, 0.0)}, "heading_prior: expected"),
    ({"heading_prior": (math.nan, 0.1)}, "heading_prior: expected"),
    ({"heading_prior": 0.3}, "heading_prior: expected"),
    ({"on_floor": True, "height_sd_m": 0.0}, "height_sd_m, level_sd_deg: expected above 0"),
    ({"on_floor": True, "level_sd_deg": math.nan}, "height_sd_m, level_sd_deg: expected above 0"),
    ({"robot_from_camera": [MOUNT, MOUNT]}, "expected as many of each"),
    ({"robot_from_camera": "front"}, "robot_from_camera: expected"),
    ({"camera": "front"}, "camera: expected"),
    ({"observations": "front"}, "observations: expected"),
    ({"observations": []}, "expected as many of each"),
]


@pytest.mark.parametrize(("change", "words"), REFUSALS, ids=[str(number) for number in range(len(REFUSALS))])
def test_wrong_arguments_are_refused_in_one_line(change, words):
    call = {"observations": picture(TRUE, [1]), "camera": CAMERA, "robot_from_camera": MOUNT} | change
    with pytest.raises(InputError, match=words) as caught:
        solve_pose(call.pop("observations"), FIELD, call.pop("camera"), **call)
    assert "\n" not in str(caught.value)
