"""Whether the markers have their stated size, told from two or more at known places."""

from __future__ import annotations

import dataclasses
import math
import os

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import chi2 as chi2_distribution

from fiducialkit import Camera, Field, MarkerObservations
from fiducialkit.scene.field import Marker
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.transforms import field_from_robot_on_floor, parts, rigid_transform, robot_from_camera_angles
from fiducialkit.solving.scale import marker_scale

CAMERA = Camera(width_px=1280, height_px=960, fx_px=800, fy_px=800, cx_px=639.5, cy_px=479.5)
MOUNT = robot_from_camera_angles([0.2, 0.0, 0.5], 0.0, 5.0, 0.0)
FULL = bool(os.environ.get("FIDUCIALKIT_FULL"))


def layout(size_m=0.15):
    places = ((1, 5.0, 3.0, 0.6, 170.0), (2, 5.2, 3.7, 0.8, 200.0), (3, 5.1, 2.4, 0.5, 160.0))
    markers = tuple(
        Marker(marker_id=i, position=(x, y, z), facing_deg=facing, size_m=size_m) for i, x, y, z, facing in places
    )
    return Field(name="yard", size=(9.0, 7.0), family=marker_family("36h11"), markers=markers)


def picture(printed, ids, x_m=3.0, heading_deg=0.0, noise=None, sd_px=0.1):
    field_from_camera = field_from_robot_on_floor(x_m, 3.0, heading_deg) * MOUNT
    corners = []
    for marker_id in ids:
        pixels, valid = CAMERA.project(field_from_camera.inv().apply(printed.marker(marker_id).corners_field))
        assert valid.all()
        corners.append(pixels if noise is None else pixels + noise.normal(scale=sd_px, size=(4, 2)))
    return MarkerObservations(marker_id=ids, corners_px=np.array(corners), covariance_px2=sd_px**2)


@pytest.mark.parametrize("true", [0.75, 0.97, 1.0, 1.05, 1.35])
def test_a27_the_true_factor_comes_back_from_two_markers(true):
    seen = picture(layout(0.15 * true), [1, 2])
    found = marker_scale([seen], layout(), CAMERA, robot_from_camera=MOUNT)
    assert found.status == "ok" and found.pictures_used == 1
    assert found.scale == pytest.approx(true, abs=2e-5)
    if true == 1.0:
        assert found.message == ""
    else:
        assert f"{100 * true:.1f} %" in found.message and "\n" not in found.message


def test_one_marker_a_picture_tells_nothing():
    small = layout(0.15 * 0.97)
    for pictures in ([], [picture(small, [1]), picture(small, [2])]):
        found = marker_scale(pictures, layout(), CAMERA, robot_from_camera=MOUNT)
        assert found.status == "not_observable" and math.isnan(found.scale) and math.isnan(found.scale_sd)
        assert found.pictures_used == 0 and "two markers" in found.message


def test_a_lost_corner_leaves_one_marker_which_tells_nothing():
    seen = picture(layout(0.15 * 0.97), [1, 2])
    corners = seen.corners_px.copy()
    corners[1, 3, 1] = np.nan
    found = marker_scale([dataclasses.replace(seen, corners_px=corners)], layout(), CAMERA, robot_from_camera=MOUNT)
    assert found.status == "not_observable"


def test_markers_at_half_their_size_are_out_of_range_and_it_is_said():
    found = marker_scale([picture(layout(0.075), [1, 2])], layout(), CAMERA, robot_from_camera=MOUNT)
    assert found.status == "out_of_range" and math.isnan(found.scale) and "70" in found.message


@pytest.mark.parametrize("size_m", [0.012, 0.9])
def test_sizes_near_the_ends_of_what_a_field_takes_are_no_obstacle(size_m):
    true = 0.98
    seen = picture(layout(size_m * true), [1, 2], x_m=2.0 if size_m > 0.5 else 3.5, sd_px=0.01)
    found = marker_scale([seen], layout(size_m), CAMERA, robot_from_camera=MOUNT)
    assert found.status == "ok" and found.scale == pytest.approx(true, abs=1e-3)


def test_standard_deviation_is_that_of_seven_unknowns_by_differences():
    """Second implementation: Jacobian of all corners by pose and factor, inverted."""
    pose = field_from_robot_on_floor(3.0, 3.0, 0.0) * MOUNT
    place = np.concatenate([parts(pose)[1], pose.rotation.as_rotvec()])

    def corners(unknown):
        camera = rigid_transform(Rotation.from_rotvec(unknown[3:6]), unknown[:3]).inv()
        printed = layout(0.15 * unknown[6])
        return np.concatenate(
            [CAMERA.project(camera.apply(printed.marker(i).corners_field))[0].ravel() for i in (1, 2)]
        )

    steps = 1e-6 * np.eye(7)
    at = np.append(place, 0.97)
    jacobian = np.array([(corners(at + s) - corners(at - s)) / 2e-6 for s in steps]).T
    expected = 0.1 * math.sqrt(np.linalg.inv(jacobian.T @ jacobian)[6, 6])
    found = marker_scale([picture(layout(0.15 * 0.97), [1, 2])], layout(), CAMERA, robot_from_camera=MOUNT)
    assert found.scale_sd == pytest.approx(expected, rel=0.01)


@pytest.mark.statistics
def test_standard_deviation_is_that_of_the_factor():
    """Squared errors over their stated variances: chi squared distributed, 99.9 % interval."""
    trials = 200 if FULL else 24
    rng = np.random.default_rng(41)
    small, total = layout(0.15 * 0.97), 0.0
    for _ in range(trials):
        seen = [picture(small, [1, 2], x_m=x, noise=rng) for x in (2.8, 3.2)]
        found = marker_scale(seen, layout(), CAMERA, robot_from_camera=MOUNT)
        total += ((found.scale - 0.97) / found.scale_sd) ** 2
    low, high = chi2_distribution.ppf([0.0005, 0.9995], trials) / trials
    # the sd is enlarged where the residuals happen to exceed the stated noise, so the mean lies a little below 1:
    # with 19 degrees of freedom the mean of 1 / max(1, chi2 / 19) is 0.91 (by simulation)
    assert 0.91 * low < total / trials < high
