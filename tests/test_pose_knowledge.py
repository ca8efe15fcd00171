"""What is known beside the corners: positions, errors that stay the same for a drive, motion between exposures."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from pose_cases import (
    AHEAD,
    CAMERA,
    EIGHT,
    FIELD,
    LEVEL,
    MOUNT,
    SIDE_CAMERA,
    SIDE_MOUNT,
    TRUE,
    error_of,
    picture,
    upright_ahead,
)
from scipy.spatial.transform import Rotation

from fiducialkit import InputError, solve_pose
from fiducialkit.scene.transforms import field_from_robot_on_floor, parts, rigid_transform
from fiducialkit.solving.considered import ConsideredErrors


def solve(seen, field=FIELD, **others):
    return solve_pose(seen, field, CAMERA, robot_from_camera=MOUNT, **others)


# a position known beforehand


def test_a_position_known_beforehand_adds_its_information():
    """Gaussian theory: the inverse covariances add up, and the estimate is the mean they weight."""
    seen = picture(TRUE, [1, 2])
    alone = solve(seen)
    place, sds = parts(TRUE)[1] + [0.004, -0.003, 0.002], np.array([0.01, 0.02, 0.005])
    both = solve(seen, position_prior=(place, sds))
    added = np.linalg.inv(alone.covariance) + np.diag([*sds**-2.0, 0.0, 0.0, 0.0])
    np.testing.assert_allclose(np.linalg.inv(both.covariance), added, rtol=0.02, atol=0.02 * np.abs(added).max())
    shift = np.linalg.solve(added, np.concatenate([sds**-2.0 * (place - alone.estimate.position), np.zeros(3)]))
    np.testing.assert_allclose(both.estimate.position - alone.estimate.position, shift[:3], atol=1e-4)


def test_a_coordinate_left_free_by_infinity_stays_free():
    seen = picture(TRUE, [1, 2], noise=np.random.default_rng(1))
    alone = solve(seen)
    free = solve(seen, position_prior=([0.0, 0.0, 0.0], math.inf))
    np.testing.assert_allclose(free.estimate.position, alone.estimate.position, atol=1e-9)
    pinned = solve(seen, position_prior=(parts(TRUE)[1], [math.inf, 1e-5, math.inf]))
    assert abs(pinned.estimate.position[1] - parts(TRUE)[1][1]) < 1e-4
    assert pinned.degrees_of_freedom == alone.degrees_of_freedom + 1


@pytest.mark.parametrize("prior", [([0, 0], 1.0), ([0, 0, 0], 0.0), ([0, 0, math.nan], 1.0), 3.0])
def test_positions_that_are_none_are_refused(prior):
    with pytest.raises(InputError, match="position_prior"):
        solve(picture(TRUE, [1, 2]), position_prior=prior)


# errors that stay the same for a whole drive


def straight(considered, sd_px=0.01):
    field = upright_ahead(2.0, 25.0)
    seen = picture(AHEAD, [7], field=field, camera=CAMERA, mount=LEVEL, sd_px=sd_px)
    return solve_pose(seen, field, CAMERA, robot_from_camera=LEVEL, considered=considered)


def test_a_focal_length_off_by_a_hundredth_is_a_distance_off_by_a_hundredth():
    """Hand-worked: in the middle of the picture a marker's range is proportional to the focal length."""
    # with noise enough that the perspective within the marker tells nothing of the range
    plain, known = straight(ConsideredErrors(), 0.2), straight(ConsideredErrors(focal_sd_percent=1.0), 0.2)
    assert math.sqrt(known.covariance[0, 0] - plain.covariance[0, 0]) == pytest.approx(0.02, rel=0.03)


def test_a_camera_moved_on_its_mount_moves_the_robot_alike():
    solution = straight(ConsideredErrors(mount_sd_m=0.005))
    np.testing.assert_allclose(np.sqrt(np.diag(solution.covariance))[:3], 0.005, rtol=0.05)


def test_a_turned_camera_swings_the_robot_about_it():
    """Hand-worked: the robot turns by as much, and its origin, 0.6 m below the lens, swings along."""
    sd_rad = math.radians(0.5)
    sds = np.sqrt(np.diag(straight(ConsideredErrors(mount_sd_deg=0.5)).covariance))
    np.testing.assert_allclose(sds[3:], sd_rad, rtol=0.05)
    # by the turn about y (0.6 m arm); sideways also by the turn about z, about the lens itself: nothing
    assert sds[0] == pytest.approx(0.6 * sd_rad, rel=0.05)


def test_a_moved_marker_moves_the_pose_and_a_second_one_halves_the_square():
    """Physics: with one marker its error is the robot's; independent errors of several average out."""
    one = straight(ConsideredErrors(marker_sd_m=0.005))
    np.testing.assert_allclose(np.sqrt(np.diag(one.covariance))[:3], 0.005, rtol=0.05)
    few = solve(picture(TRUE, [1, 2, 3, 4], sd_px=0.01), considered=ConsideredErrors(marker_sd_m=0.005))
    many = solve(picture(TRUE, EIGHT, sd_px=0.01), considered=ConsideredErrors(marker_sd_m=0.005))
    assert np.trace(many.covariance[:3, :3]) < 0.75 * np.trace(few.covariance[:3, :3])


def test_nothing_considered_is_the_plain_covariance():
    seen = picture(TRUE, [1, 2, 3])
    np.testing.assert_array_equal(solve(seen, considered=ConsideredErrors()).covariance, solve(seen).covariance)


def test_a_camera_more_never_widens_what_is_considered():
    known = ConsideredErrors(mount_sd_m=0.003, mount_sd_deg=0.3, marker_sd_m=0.005, marker_sd_deg=0.3)
    front, side = picture(TRUE, [1, 2]), picture(TRUE, [5, 6], camera=SIDE_CAMERA, mount=SIDE_MOUNT)
    alone = solve(front, considered=known)
    both = solve_pose(
        [front, side], FIELD, [CAMERA, SIDE_CAMERA], robot_from_camera=[MOUNT, SIDE_MOUNT], considered=known
    )
    assert np.linalg.eigvalsh(alone.covariance - both.covariance).min() > -1e-12


@pytest.mark.statistics
def test_considered_errors_are_those_that_drawn_ones_make():
    """Simulation: mounts, markers and focal lengths drawn, the pose solved with the nominal ones."""
    rng = np.random.default_rng(17)
    known = ConsideredErrors(
        mount_sd_m=0.004, mount_sd_deg=0.3, marker_sd_m=0.006, marker_sd_deg=0.5, focal_sd_percent=0.3
    )
    ids, squares, trials = [1, 2, 3, 4], [], 300
    for _ in range(trials):
        markers = tuple(_moved(m, rng) if m.marker_id in ids else m for m in FIELD.markers)
        true_field = dataclasses.replace(FIELD, markers=markers)
        shift = rigid_transform(
            Rotation.from_rotvec(rng.normal(scale=math.radians(0.3), size=3)), rng.normal(scale=0.004, size=3)
        )
        scale = 1.0 + 0.003 * rng.normal()
        true_camera = dataclasses.replace(CAMERA, fx_px=CAMERA.fx_px * scale, fy_px=CAMERA.fy_px * scale)
        seen = picture(TRUE, ids, field=true_field, camera=true_camera, mount=MOUNT * shift, noise=rng)
        solution = solve(seen, considered=known)
        assert solution.markers_used == tuple(ids)
        error = error_of(solution)
        squares.append(error @ np.linalg.solve(solution.covariance, error))
    # chi squared of 6: the mean of 300 has a standard deviation of .2; 3.3 of them are the 99.9 % interval
    assert abs(np.mean(squares) - 6.0) < 0.66


def _moved(marker, rng):
    angles = rng.normal(scale=0.5, size=3)
    return dataclasses.replace(
        marker, position=tuple(np.array(marker.position) + rng.normal(scale=0.006, size=3)),
        facing_deg=marker.facing_deg + angles[0], tilt_deg=marker.tilt_deg + angles[1],
        roll_deg=marker.roll_deg + angles[2],
    )  # fmt: skip


@pytest.mark.parametrize(
    "change", [{"mount_sd_m": -1.0}, {"marker_sd_deg": math.nan}, {"focal_sd_percent": math.inf}, {"mount_sd_deg": "a"}]
)
def test_errors_that_are_none_are_refused_with_their_name(change):
    with pytest.raises(InputError, match=f"considered.{next(iter(change))}"):
        ConsideredErrors(**change)


def test_a_lens_covariance_of_the_wrong_size_is_refused():
    with pytest.raises(InputError, match=r"considered\.lens_covariance"):
        solve(picture(TRUE, [1]), considered=ConsideredErrors(lens_covariance=[np.eye(3)]))


# motion between exposures


def driven(start, velocity, time_s, steps=4000):
    """Second implementation: the drive in small straight steps."""
    x, y, heading = start
    forward, left, rate = velocity
    dt = time_s / steps
    for _ in range(steps):
        middle = heading + 0.5 * rate * dt
        x += dt * (forward * math.cos(middle) - left * math.sin(middle))
        y += dt * (forward * math.sin(middle) + left * math.cos(middle))
        heading += rate * dt
    return x, y, heading


@pytest.mark.parametrize("velocity", [(1.5, 0.0, 0.0), (1.0, -0.4, 2.0), (0.0, 0.0, -3.0)])
def test_cameras_that_expose_at_different_times_give_the_pose_of_the_common_one(velocity):
    start = (3.5, 3.3, math.radians(4.0))
    times = (-0.02, 0.03)
    pictures = []
    for time_s, (camera, mount, ids) in zip(
        times, ((CAMERA, MOUNT, [1, 2]), (SIDE_CAMERA, SIDE_MOUNT, [5, 6])), strict=True
    ):
        x, y, heading = driven(start, velocity, time_s)
        pose = field_from_robot_on_floor(x, y, math.degrees(heading))
        pictures.append(picture(pose, ids, camera=camera, mount=mount))
    rig = {"robot_from_camera": [MOUNT, SIDE_MOUNT]}
    told = solve_pose(pictures, FIELD, [CAMERA, SIDE_CAMERA], velocity=velocity, exposure_offset_s=times, **rig)
    assert np.abs(error_of(told)).max() < 1e-6
    untold = solve_pose(pictures, FIELD, [CAMERA, SIDE_CAMERA], **rig)
    assert np.abs(error_of(untold)).max() > 1e-3


def test_no_motion_is_no_correction():
    seen = picture(TRUE, [1, 2], noise=np.random.default_rng(3))
    still = solve(seen, velocity=[0.0, 0.0, 0.0], exposure_offset_s=0.02)
    np.testing.assert_array_equal(still.estimate.position, solve(seen).estimate.position)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"velocity": [1.0, 0.0, 0.0]}, "expected both or none"),
        ({"velocity": [1.0], "exposure_offset_s": 0.0}, "velocity: expected"),
        (
            {"velocity": [1.0, 0.0, 0.0], "exposure_offset_s": [0.0, 0.0]},
            "exposure_offset_s: expected one time a camera",
        ),
    ],
)
def test_motion_that_does_not_fit_is_refused(change, words):
    with pytest.raises(InputError, match=words):
        solve(picture(TRUE, [1]), **change)
