"""Smear and rolling shutter: against closed forms, and against rays that each have their own time."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from rendering_cases import ARM, BLANK, FAMILY, MOUNT, POSE, SHARP, corner_of_a_hall, facing, small_camera, white_panel
from tracing import differences

from fiducialkit import render
from fiducialkit.imaging.backgrounds import Background
from fiducialkit.imaging.rendering import marker_body, render_bodies
from fiducialkit.imaging.rendering_settings import Motion
from fiducialkit.scene.camera import Camera, CameraTiming
from fiducialkit.scene.robot import Mount, Robot
from fiducialkit.scene.transforms import (
    field_from_robot_on_floor,
)


def smeared(velocity, exposure_s, **pose):
    camera = Camera(
        width_px=80, height_px=20, fx_px=100.0, fy_px=100.0, cx_px=40.0, cy_px=10.0,
        timing=CameraTiming(exposure_s=exposure_s),
    )  # fmt: skip
    body = white_panel(0.0, 9.0, -3.0, 3.0, **pose)
    return camera, render_bodies([body], camera, BLANK, twist=velocity.twist())


def test_smear_of_a_straight_edge_has_its_closed_form():
    # camera moves right at v: an edge at depth Z sweeps f v t / Z px to the left; a pixel's mean share is the
    # integral of a ramp of that length over the pixel: (q(a) - q(b)) / length, q the half square of what is positive
    speed, exposure_s, depth = 2.0, 0.02, 0.5
    camera, rendered = smeared(Motion(velocity_m_per_s=(speed, 0.0, 0.0)), exposure_s, depth=depth)
    length = camera.fx_px * speed * exposure_s / depth
    assert length == pytest.approx(8.0)
    assert rendered.exposure_steps >= 8.0 * math.sqrt(length)

    def swept(x):  # integral of the ramp that rises from -length/2 to length/2
        t = np.clip(x + length / 2.0, 0.0, length)
        return t * t / (2.0 * length) + np.maximum(x - length / 2.0, 0.0)

    x = np.arange(80) - 40.0
    np.testing.assert_allclose(rendered.linear[10], swept(x + 0.5) - swept(x - 0.5), atol=0.003)


def test_smear_of_a_turn_is_focal_length_times_angle():
    rate_deg, exposure_s = 120.0, 0.02  # about the camera's y, which is down: to the right
    camera, rendered = smeared(Motion(turn_deg_per_s=(0.0, rate_deg, 0.0)), exposure_s)
    row = rendered.linear[10]
    at = np.arange(1, 80) - 40.5
    slope = np.diff(row)
    variance = slope @ at**2 - (slope @ at) ** 2
    length = camera.fx_px * math.radians(rate_deg) * exposure_s
    # two boxes of a pixel (its area, and the difference taken) and the smear: 1/12 + 1/12 + length^2 / 12
    assert variance == pytest.approx((2.0 + length**2) / 12.0, rel=0.005)


def test_without_motion_the_exposure_makes_no_difference():
    layout, camera = corner_of_a_hall(), small_camera(timing=CameraTiming(exposure_s=0.5, row_time_s=0.001))
    still = render(layout, camera, POSE, settings=SHARP, velocity=Motion())
    np.testing.assert_array_equal(still.image, render(layout, small_camera(), POSE, settings=SHARP).image)


def test_row_times_move_corners_by_their_closed_form():
    # motion across the view: u = u0 - f vx t / Z, v = v0 - f vy t / Z, t = (v - middle) row_time, solved for v
    timing = CameraTiming(exposure_s=1e-6, row_time_s=2e-5)
    camera = Camera.from_field_of_view(640, 480, 60.0, timing=timing)
    body = marker_body(facing(2.0, 0.3, -0.4), FAMILY, 3, 0.3)
    vx, vy, f, depth, middle = 1.7, -2.3, camera.fx_px, 2.0, 239.5
    moving = render_bodies([body], camera, SHARP, twist=Motion(velocity_m_per_s=(vx, vy, 0.0)).twist())
    u0, v0 = render_bodies([body], camera, SHARP).corners_px[0].T
    v = (v0 + f * vy / depth * timing.row_time_s * middle) / (1.0 + f * vy / depth * timing.row_time_s)
    u = u0 - f * vx / depth * (v - middle) * timing.row_time_s
    assert np.abs(moving.corners_px[0] - np.column_stack([u0, v0])).max() > 1.0
    np.testing.assert_allclose(moving.corners_px[0], np.column_stack([u, v]), atol=1e-7)


VELOCITY, TURN_DEG_PER_S = (0.4, 1.5), 60.0
DRIVE = Motion(velocity_m_per_s=(*VELOCITY, 0.0), turn_deg_per_s=(0.0, 0.0, TURN_DEG_PER_S))


def pose_at(time_s):
    """Return field_from_camera on an arc: the integral of `VELOCITY` turned by w t about the vertical."""
    turn = math.radians(TURN_DEG_PER_S)
    sine, versine = math.sin(turn * time_s) / turn, (1.0 - math.cos(turn * time_s)) / turn
    x, y = VELOCITY[0] * sine - VELOCITY[1] * versine, VELOCITY[0] * versine + VELOCITY[1] * sine
    step = field_from_robot_on_floor(x, y, math.degrees(turn * time_s))
    return field_from_robot_on_floor(1.3, 2.02, 183.0) * step * MOUNT


@pytest.mark.parametrize(
    ("lens", "exposure_s", "row_time_s"),
    [("fisheye", 0.03, 0.0), ("brown", 1e-9, 5e-4), ("pinhole", 0.012, 5e-4), ("rational", 1e-4, 5e-4)],
    ids=["smear", "rolling", "both", "short exposure"],
)
def test_a_moving_camera_agrees_with_rays_that_each_have_their_own_time(lens, exposure_s, row_time_s):
    # with obstacles, and the robot's own arm before the moving scene: what hides what changes all the time
    camera = small_camera(lens, timing=CameraTiming(exposure_s=exposure_s, row_time_s=row_time_s))
    mount = Mount(name="top", camera=camera, position=(0.0, 0.0, 0.9), tilt_deg=4.0, roll_deg=6.0)
    robot = Robot(name="r", footprint=(0.6, 0.6), mounts=(mount,), structures=(ARM,))
    moving = {"robot": robot, "state": "arm out", "robot_from_camera": MOUNT}
    rendered = render(corner_of_a_hall(), camera, POSE, settings=SHARP, velocity=DRIVE, **moving)
    still = render(corner_of_a_hall(), small_camera(lens), POSE, settings=SHARP, **moving)
    assert np.abs(still.linear - rendered.linear).max() > 20.0
    own = {"boxes_robot": [(ARM.corner_min, ARM.corner_max)], "robot_from_camera": MOUNT}
    found = differences(rendered.linear, corner_of_a_hall(), camera, pose_at, settings=SHARP, light=187.5, **own)
    assert np.abs(found).max() <= 1.0


def test_a_row_that_is_read_later_is_the_row_of_a_picture_taken_later():
    # physics: with a rolling shutter row v is row v of a global shutter's picture at v's own time, whatever is hidden
    row_time_s = 3e-4
    camera = small_camera("brown", timing=CameraTiming(exposure_s=1e-9, row_time_s=row_time_s))
    settings = replace(SHARP, background=Background(kind="hall"))
    rolling = render(
        corner_of_a_hall(), camera, POSE, settings=settings, robot_from_camera=MOUNT, velocity=DRIVE
    ).linear
    for row in (3, 12, 16, 27):
        later = pose_at((row - 16.0) * row_time_s)
        whole = render(corner_of_a_hall(), small_camera("brown"), later, settings=settings).linear
        np.testing.assert_allclose(rolling[row], whole[row], atol=0.3)
