"""The robot's pose: the kinds of fault that people report of this work."""

from __future__ import annotations

import dataclasses
import math
import os

import numpy as np
import pytest
from pose_cases import (
    AHEAD,
    CAMERA,
    FIELD,
    LEVEL,
    MOUNT,
    TRUE,
    error_of,
    layout,
    picture,
    pixels,
    upright_ahead,
)

from fiducialkit import InputError, MarkerObservations, solve_pose
from fiducialkit.scene.transforms import (
    field_from_robot_on_floor,
    heading_rad,
    parts,
    robot_from_camera_angles,
)
from fiducialkit.solving import pose as pose_module

FULL = bool(os.environ.get("FIDUCIALKIT_FULL"))


def solve(seen, field=FIELD, **others):
    return solve_pose(seen, field, CAMERA, robot_from_camera=MOUNT, **others)


# kinds of fault from the field


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
