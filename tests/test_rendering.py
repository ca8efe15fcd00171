"""The renderer against traced rays, another warp, exact areas, and its own symmetries."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from rendering_cases import (
    ARM,
    BLANK,
    FAMILY,
    LENSES,
    MOUNT,
    POSE,
    QUIET,
    SHARP,
    corner_of_a_hall,
    one_marker,
    small_camera,
    white_panel,
)
from scipy.ndimage import gaussian_filter
from scipy.spatial.transform import RigidTransform, Rotation
from tracing import differences, traced_finely

from fiducialkit import InputError, detect_markers, draw_marker, load_field, load_robot, render
from fiducialkit.imaging.backgrounds import Background
from fiducialkit.imaging.noise import Sensor
from fiducialkit.imaging.optical_blur import Focus
from fiducialkit.imaging.rendering import marker_body, render_bodies
from fiducialkit.imaging.rendering_bodies import panel
from fiducialkit.imaging.rendering_settings import Motion, RenderSettings
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field, Marker, Obstacle
from fiducialkit.scene.markers import corners_of_square, marker_family
from fiducialkit.scene.robot import Mount, Robot
from fiducialkit.scene.transforms import (
    field_from_robot_on_floor,
    rigid_transform,
    robot_from_camera_angles,
)


@pytest.mark.parametrize("lens", LENSES)
def test_every_pixel_agrees_with_traced_rays(lens):
    # second implementation: 32 x 32 rays a pixel, each asked what it meets first
    layout, camera = corner_of_a_hall(), small_camera(lens)
    rendered = render(layout, camera, POSE, settings=SHARP).linear
    assert np.ptp(rendered) > 140.0
    assert np.abs(differences(rendered, layout, camera, POSE, settings=SHARP, light=187.5)).max() <= 1.0


@pytest.mark.parametrize(
    ("family", "border_cells", "margin_cells"),
    [("4X4_50", 2, 0.0), ("ARUCO_ORIGINAL", 1, 0.5), ("16h5", 1, 2.0), ("36h10", 3, 1.0), ("7X7_1000", 1, 1.0)],
)
def test_any_family_border_and_margin_agrees_with_traced_rays(family, border_cells, margin_cells):
    camera = small_camera("brown")
    layout = one_marker(0.5, facing_deg=10.0, roll_deg=33.0)
    layout = replace(layout, border_cells=border_cells, family=marker_family(family))
    settings = replace(SHARP, margin_cells=margin_cells)
    rendered = render(layout, camera, POSE, settings=settings).linear
    assert np.ptp(rendered) > 140.0
    assert np.abs(differences(rendered, layout, camera, POSE, settings=settings, light=187.5)).max() <= 1.0


def test_a_hall_agrees_with_traced_rays():
    layout = replace(corner_of_a_hall(), size=(3.0, 2.6))
    camera, settings = small_camera("fisheye"), replace(SHARP, background=Background(kind="hall"))
    rendered = render(layout, camera, POSE, settings=settings).linear
    assert np.abs(differences(rendered, layout, camera, POSE, settings=settings, light=187.5)).max() <= 1.0


@pytest.mark.parametrize("raised_deg", [0.0, 35.0])
def test_the_robots_own_structure_agrees_with_traced_rays(raised_deg):
    camera = small_camera("fisheye")
    mount = Mount(name="top", camera=camera, position=(0.0, 0.0, 0.9), tilt_deg=4.0, roll_deg=6.0)
    arm = replace(ARM, raised_deg=raised_deg, pivot=(0.05, 0.0, 0.6))
    robot = Robot(name="r", footprint=(0.6, 0.6), mounts=(mount,), structures=(arm,))
    chosen = {"settings": SHARP, "robot": robot, "robot_from_camera": MOUNT}
    rendered = render(corner_of_a_hall(), camera, POSE, state="arm out", **chosen)
    without = render(corner_of_a_hall(), camera, POSE, settings=SHARP)
    assert (np.abs(rendered.linear - without.linear) > 20.0).sum() > 15
    np.testing.assert_array_equal(render(corner_of_a_hall(), camera, POSE, **chosen).linear, without.linear)
    # a box raised about its pivot is an upright box in a frame that was raised with it
    raise_up = Rotation.from_euler("y", -raised_deg, degrees=True)
    pivot = np.array(arm.pivot)
    robot_from_raised = rigid_transform(raise_up, pivot - raise_up.apply(pivot))
    own = {"boxes_robot": [(ARM.corner_min, ARM.corner_max)], "robot_from_camera": robot_from_raised.inv() * MOUNT}
    found = differences(rendered.linear, corner_of_a_hall(), camera, POSE, settings=SHARP, light=187.5, **own)
    assert np.abs(found).max() <= 1.0


@pytest.mark.parametrize("blur_px", [0.5, 0.7, 1.2])
def test_a_blurred_picture_agrees_with_a_fine_one_blurred(blur_px):
    # the light of 16 x 16 rays a pixel, spread by a Gaussian on that fine grid, then gathered by the pixels
    fine = 16
    layout, camera = corner_of_a_hall(), small_camera()
    picture = traced_finely(layout, camera, POSE, fine, settings=SHARP)
    spread = gaussian_filter(picture, blur_px * fine, truncate=6.0)
    truth = 187.5 * spread.reshape(camera.height_px, fine, camera.width_px, fine).mean(axis=(1, 3))
    rendered = render(layout, camera, POSE, settings=replace(SHARP, blur_px=blur_px)).linear
    inner = np.s_[8:-8, 8:-8]  # beyond its border the two know different things
    assert np.abs(rendered - truth)[inner].max() <= 1.0


def test_a_warped_large_artwork_gives_the_same_picture():
    # second implementation: OpenCV's warp of an artwork with 64 px a cell, to 16 x 16 points a pixel
    camera, fine = small_camera(), 16
    camera_from_marker = rigid_transform(
        cv2.Rodrigues(np.array([2.9, 0.5, 0.35]))[0], [0.05, -0.02, 0.7], "camera_from_marker"
    )
    settings = replace(SHARP, background=Background(reflectance=0.85))
    body = marker_body(camera_from_marker, FAMILY, 11, 0.4, settings=settings)
    rendered = render_bodies([body], camera, settings)
    cell = 64
    art = draw_marker(FAMILY, 11, cell_px=cell, margin_cells=1)
    corners_art = (np.array([[1, 1], [9, 1], [9, 9], [1, 9]]) * cell - 0.5).astype(np.float32)
    corners_fine = ((rendered.corners_px[0] + 0.5) * fine - 0.5).astype(np.float32)
    homography = cv2.getPerspectiveTransform(corners_art, corners_fine)
    size = (camera.width_px * fine, camera.height_px * fine)
    warped = cv2.warpPerspective(art, homography, size, flags=cv2.INTER_LINEAR, borderValue=255)
    share = warped.reshape(camera.height_px, fine, camera.width_px, fine).mean(axis=(1, 3)) / 255.0
    truth = 187.5 * (0.05 + 0.8 * share)
    assert np.ptp(truth) > 140.0
    assert np.abs(rendered.linear - truth).max() <= 1.0


def test_hand_worked_shares_of_a_square():
    # f = 10 px, z = 1: the panel covers u from 9.75 to 12.5 and v from 5 to 6.25 about pixel centres at whole numbers
    camera = Camera(width_px=20, height_px=12, fx_px=10.0, fy_px=10.0, cx_px=10.0, cy_px=5.0)
    light = render_bodies([white_panel(-0.025, 0.25, 0.0, 0.125)], camera, BLANK).linear
    expected = np.zeros((12, 20))
    expected[5:7, 10:13] = np.outer([0.5, 0.75], [0.75, 1.0, 1.0])
    np.testing.assert_allclose(light, expected, atol=1e-12)


@pytest.mark.parametrize("blur_px", [0.0, 0.8])
def test_all_light_adds_up_to_the_area_of_the_polygon(rng, blur_px):
    camera = Camera(width_px=90, height_px=70, fx_px=60.0, fy_px=61.0, cx_px=44.0, cy_px=35.0)
    settings = replace(BLANK, blur_px=blur_px)
    for _ in range(10):
        turn = cv2.Rodrigues(np.array([math.pi, 0.0, 0.0]) + rng.normal(0.0, 0.4, 3))[0]
        place = np.array([*rng.uniform(-0.15, 0.15, 2), 1.0])
        body = panel(turn, place, np.ones((1, 1)), np.array([-0.25, 0.25]), np.array([0.25, -0.25]))
        corners, _ = camera.project(corners_of_square(0.5) @ turn.T + place)
        x, y = corners.T
        area = 0.5 * float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum())  # shoelace formula
        light = render_bodies([body], camera, settings).linear
        assert light.sum() == pytest.approx(area, rel=1e-12 if blur_px == 0.0 else 3e-5)


def test_no_gap_and_no_overlap_where_surfaces_meet():
    # all surfaces of one reflectance: whatever the pixel, its light is that of the surface
    layout = corner_of_a_hall()
    camera = small_camera("brown")
    even = replace(SHARP, black_reflectance=0.499999, white_reflectance=0.5, light_grey=100.0, blur_px=0.6)
    seams = replace(even, obstacle_reflectance=0.5, background=Background(kind="hall", reflectance=0.5))
    picture = render(layout, camera, POSE, settings=seams).linear
    assert picture.max() <= 100.0 * 0.62 + 0.01  # the brightest wall
    assert picture.min() >= 100.0 * 0.5 * 0.8 - 0.01  # a box's side


@pytest.mark.parametrize("lens", LENSES)
def test_true_corners_are_the_cameras_projection(lens):
    layout, camera = corner_of_a_hall(), small_camera(lens)
    rendered = render(layout, camera, POSE)
    camera_from_field = POSE.inv()
    assert set(rendered.marker_id.tolist()) >= {5, 31}
    for number, corners, pose in zip(rendered.marker_id, rendered.corners_px, rendered.camera_from_marker, strict=True):
        marker = layout.marker(int(number))
        expected, _ = camera.project(camera_from_field.apply(marker.corners_field))
        np.testing.assert_allclose(corners, expected, atol=1e-9)
        np.testing.assert_allclose(
            pose.as_matrix(), (camera_from_field * marker.field_from_marker).as_matrix(), atol=1e-12
        )


def test_the_visible_share_of_a_half_covered_marker():
    # a box before the lower half of a marker seen face-on, its top edge on the line from the eye to the middle
    camera = Camera.from_field_of_view(200, 160, 60.0)
    marker = Marker(marker_id=7, position=(0.0, 2.0, 1.0), size_m=0.4)
    box = Obstacle(name="box", corner_min=(0.5, 1.0, 0.0), corner_max=(0.6, 3.0, 1.0))
    layout = Field(name="one", size=(4.0, 4.0), family=FAMILY, markers=(marker,), obstacles=(box,))
    pose = field_from_robot_on_floor(2.0, 2.0, 180.0) * robot_from_camera_angles((0.0, 0.0, 1.0), 0.0, 0.0, 0.0)
    assert render(layout, camera, pose).visible.tolist() == [0.5]
    # the picture's edge hides as well: half of the marker is right of it
    turned = field_from_robot_on_floor(2.0, 2.0, 210.0) * robot_from_camera_angles((0.0, 0.0, 1.0), 0.0, 0.0, 0.0)
    at_edge = render(replace(layout, obstacles=()), camera, turned)
    assert at_edge.visible[0] == pytest.approx(0.5, abs=0.05)


def test_markers_seen_from_behind_or_out_of_the_picture_are_not_listed():
    layout = corner_of_a_hall()
    assert 32 not in render(layout, small_camera(), POSE).marker_id  # shows its back
    away = field_from_robot_on_floor(1.3, 2.02, 3.0) * MOUNT
    nothing = render(layout, small_camera(), away, settings=SHARP)
    assert nothing.marker_id.size == 0
    assert nothing.corners_px.shape == (0, 4, 2)
    np.testing.assert_allclose(nothing.linear, 187.5 * 0.45)


def test_the_same_seed_gives_the_same_bytes():
    layout, camera = corner_of_a_hall(), small_camera("brown")
    for kind in ("plain", "textured", "cluttered", "hall"):
        settings = RenderSettings(background=Background(kind=kind))
        first = render(layout, camera, POSE, settings=settings, seed=4)
        again = render(layout, camera, POSE, settings=settings, seed=4)
        other = render(layout, camera, POSE, settings=settings, seed=5)
        assert first.image.tobytes() == again.image.tobytes()
        assert first.image.tobytes() != other.image.tobytes()
        assert (first.linear == other.linear).all() == (kind in ("plain", "hall"))


def test_turning_the_scene_upside_down_turns_the_picture():
    # symmetry: a camera rolled by half a turn about a centred axis
    camera = Camera.from_field_of_view(64, 48, 70.0)
    upright = render(one_marker(0.7, facing_deg=12.0), camera, POSE, settings=replace(SHARP, blur_px=0.6)).linear
    roll = rigid_transform(np.diag([-1.0, -1.0, 1.0]), np.zeros(3))
    turned = render(one_marker(0.7, facing_deg=12.0), camera, POSE * roll, settings=replace(SHARP, blur_px=0.6)).linear
    np.testing.assert_allclose(turned, upright[::-1, ::-1], atol=1e-4)  # blurred in single precision


def test_what_is_drawn_is_found_again():
    # round trip: 0.25 px is what the stock refinement leaves at this size (its bias, see the detector's own tests)
    layout = load_sample("field.toml", load_field)
    mount = load_sample("robot.toml", load_robot).mount("low front, out")
    pose = field_from_robot_on_floor(3.3, 2.15, 163.0) * mount.robot_from_camera
    rendered = render(layout, mount.camera, pose, settings=RenderSettings(background=Background(kind="hall")), seed=1)
    found = detect_markers(rendered.image, layout.family)
    whole = rendered.marker_id[rendered.visible == 1.0]
    assert len(whole) >= 2
    assert set(whole.tolist()) <= set(found.marker_id.tolist())
    for number, corners in zip(rendered.marker_id, rendered.corners_px, strict=True):
        if number in found.marker_id and number in whole:
            seen = found.corners_px[found.marker_id.tolist().index(number)]
            assert np.sqrt(np.mean((seen - corners) ** 2)) < 0.25


def load_sample(name, load):
    from pathlib import Path

    return load(Path(__file__).parents[1] / "sample_data" / name)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: RenderSettings(black_reflectance=0.9), "black_reflectance: expected below white's 0.85"),
        (lambda: RenderSettings(margin_cells=-1.0), "margin_cells: expected 0 to 20, found -1.0"),
        (lambda: RenderSettings(blur_px=math.nan), "blur_px: expected 0 to 50, found nan"),
        (lambda: RenderSettings(light_gradient=(1.5, 0.6)), "light_gradient: expected changes of less than 2"),
        (lambda: RenderSettings(jpeg_quality=0), "jpeg_quality: expected a whole number from 1 to 100, found 0"),
        (lambda: RenderSettings(tone="gamma"), "tone: expected one of linear, srgb, found 'gamma'"),
        (lambda: RenderSettings(vignetting="cos3"), "vignetting: expected one of none, cos4"),
        (
            lambda: RenderSettings(
                noise=QUIET,
                sensor=Sensor(electrons_per_s=1.0, read_sd_electrons=1.0, gain_grey_per_electron=1.0),
            ),
            "sensor: expected without noise and light_grey",
        ),
        (lambda: Background(kind="forest"), "background.kind: expected one of plain, textured, cluttered, hall"),
        (lambda: Motion(velocity_m_per_s=(100.0, 0.0, 0.0)), "motion.velocity_m_per_s: expected within 50"),
        (
            lambda: Focus(focal_length_mm=50.0, f_number=2.0, distance_m=0.04, pixel_pitch_um=3.0),
            "focus.distance_m: expected beyond the focal length, found 0.04",
        ),
        (lambda: RenderSettings(blur_px="wide"), "blur_px: expected numbers, found str"),
        (lambda: RenderSettings(background="hall"), "background: expected a Background, found str"),
        (lambda: RenderSettings(focus={}), "focus: expected a Focus, found dict"),
        (lambda: RenderSettings(jpeg_quality=80.0), "jpeg_quality: expected a whole number from 1 to 100, found 80.0"),
        (lambda: RenderSettings(vignetting=None), "vignetting: expected one of none, cos4, found None"),
        (lambda: Focus(focal_length_mm="4", f_number=2.0, distance_m=1.0, pixel_pitch_um=3.0), "focus.focal_length_mm"),
        (lambda: render("field.toml", small_camera(), POSE), "layout: expected a Field, found str"),
        (lambda: render(corner_of_a_hall(), None, POSE), "camera: expected a Camera, found NoneType"),
        (
            lambda: render(corner_of_a_hall(), small_camera(), np.eye(4)),
            "field_from_camera: expected a RigidTransform, found ndarray",
        ),
        (
            lambda: render(corner_of_a_hall(), small_camera(), RigidTransform.from_translation(np.zeros((2, 3)))),
            "field_from_camera: expected one pose, found a stack of 2",
        ),
        (
            lambda: render(corner_of_a_hall(), small_camera(), POSE, velocity=(1.0, 0.0, 0.0)),
            "velocity: expected a Motion, found tuple",
        ),
        (lambda: render(corner_of_a_hall(), small_camera(), POSE, seed=-1), "seed: expected a whole number from 0 up"),
        (lambda: render(corner_of_a_hall(), small_camera(), POSE, state="x"), "state: expected with robot"),
        (
            lambda: render(corner_of_a_hall(), small_camera(), field_from_robot_on_floor(0.5, 1.6, 0.0, 0.3)),
            "expected a camera in the open, found it inside the obstacle 'table'",
        ),
        (
            lambda: render(
                corner_of_a_hall(),
                small_camera(),
                POSE,
                settings=RenderSettings(background=Background(picture=np.zeros((5, 5)))),
            ),
            r"background.picture: expected shape \(33, 44\), found \(5, 5\)",
        ),
    ],
)
def test_mistakes_are_said_in_one_line(make, message):
    with pytest.raises(InputError, match=message) as caught:
        make()
    assert "\n" not in str(caught.value)
