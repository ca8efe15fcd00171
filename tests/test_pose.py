"""The robot's pose: exactness, second implementations, statistics, statuses and refusals."""

from __future__ import annotations

import dataclasses
import math
import os

import cv2
import numpy as np
import pytest
from pose_cases import (
    CAMERA,
    FIELD,
    MOUNT,
    SIDE_CAMERA,
    SIDE_MOUNT,
    TRUE,
    error_of,
    picture,
    pixels,
)
from scipy.optimize import least_squares
from scipy.spatial.transform import RigidTransform, Rotation
from scipy.stats import chi2 as chi2_distribution

from fiducialkit import InputError, MarkerObservations, NoPoseError, solve_pose
from fiducialkit.scene.transforms import (
    field_from_robot_on_floor,
    heading_rad,
    parts,
    rigid_transform,
    robot_from_camera_angles,
)

FULL = bool(os.environ.get("FIDUCIALKIT_FULL"))


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
    seen = picture(TRUE, [1], sd_px=0.02)
    assert solve(seen).covariance_kind == "linear"
    free = solve(seen).covariance
    for known in ({"on_floor": True}, {"heading_prior": (heading_rad(TRUE), 0.02)}):
        gain = np.linalg.eigvalsh(free - solve(seen, **known).covariance)
        assert gain.min() > -1e-9 * gain.max() and gain.max() > 0.0
    assert (np.diag(solve(picture(TRUE, [1, 2], sd_px=0.02)).covariance) < np.diag(free)).all()


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


@pytest.mark.parametrize("sd_px", [1e-6, 0.01, 1e6])
def test_extreme_variances_leave_the_pose_alone(sd_px):
    solution = solve(picture(TRUE, [1, 2, 3], sd_px=sd_px))
    assert np.abs(error_of(solution)).max() < 1e-6
    if sd_px > 100.0:  # the picture then tells nothing, and that is no Gaussian
        assert solution.covariance_kind == "sampled" and np.isfinite(solution.covariance).all()
        return
    reference = solve(picture(TRUE, [1, 2, 3], sd_px=0.1)).covariance / 0.01
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
