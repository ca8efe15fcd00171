"""Frames and written angles against hand-worked values, REP-103 and scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import RigidTransform, Rotation

from fiducialkit import Camera, InputError
from fiducialkit.scene import transforms
from fiducialkit.scene.transforms import (
    field_from_marker_angles,
    field_from_robot_on_floor,
    heading_rad,
    parts,
    quaternion_wxyz,
    rigid_transform,
    robot_from_camera_angles,
    skew,
    transform_from_matrix,
    transform_from_quaternion,
)
from fiducialkit.statistics import circular_mean, wrapped

EYE = np.eye(3)


def random_transforms(count: int, seed: int) -> list[RigidTransform]:
    rng = np.random.default_rng(seed)
    rotations = Rotation.random(count, rng=rng)
    return [rigid_transform(rotations[i], rng.normal(size=3)) for i in range(count)]


# outside values


def test_roll_pitch_yaw_of_the_robot_frame_convention() -> None:
    # source: REP-103, fixed-axis roll, pitch, yaw about x, y, z:
    # (.1, .2, .3) -> xyzw (.0342708, .1060205, .1435722, .9833474)
    rotation = Rotation.from_euler("xyz", [0.1, 0.2, 0.3])
    wxyz = quaternion_wxyz(rigid_transform(rotation, [0, 0, 0]))
    assert wxyz == pytest.approx([0.9833474, 0.0342708, 0.1060205, 0.1435722], abs=5e-8)
    # written a second time: Rz Ry Rx
    z, y, x = (Rotation.from_euler(axis, angle).as_matrix() for axis, angle in (("z", 0.3), ("y", 0.2), ("x", 0.1)))
    again = transform_from_quaternion(qw=wxyz[0], qx=wxyz[1], qy=wxyz[2], qz=wxyz[3], translation=[0, 0, 0])
    assert again.rotation.as_matrix() == pytest.approx(z @ y @ x, abs=1e-9)


def test_a_level_forward_camera_is_the_optical_frame_of_the_convention() -> None:
    # source: REP-103, suffix frames: body to optical xyzw (-.5, .5, -.5, .5), so wxyz (.5, -.5, .5, -.5)
    mount = robot_from_camera_angles([0.1, 0.2, 0.3], 0.0, 0.0, 0.0)
    assert quaternion_wxyz(mount) == pytest.approx([0.5, -0.5, 0.5, -0.5])
    assert mount.translation == pytest.approx([0.1, 0.2, 0.3])


def test_angles_agree_with_scipy_s_euler_angles() -> None:
    # robot axes by yaw, REP-103 pitch (nose down), then the fixed turn into the optical frame, then roll about the view
    rng = np.random.default_rng(3)
    optical = Rotation.from_quat([-0.5, 0.5, -0.5, 0.5])
    for yaw, tilt, roll in rng.uniform([-180, -89, -180], [180, 89, 180], (50, 3)):
        body = Rotation.from_euler("ZY", [yaw, -tilt], degrees=True)
        expected = body * optical * Rotation.from_euler("z", roll, degrees=True)
        found = robot_from_camera_angles([0, 0, 0], yaw, tilt, roll).rotation
        assert (expected.inv() * found).magnitude() == pytest.approx(0.0, abs=1e-9)
        # a marker: z out of the face; its upright frame at facing 0 has x right = field y, y up = field z
        upright = Rotation.from_matrix(np.array([[0, 0, 1], [1, 0, 0], [0, 1, 0]]))
        expected = body * upright * Rotation.from_euler("z", roll, degrees=True)
        found = field_from_marker_angles([0, 0, 0], yaw, tilt, roll).rotation
        assert (expected.inv() * found).magnitude() == pytest.approx(0.0, abs=1e-9)


# mounts, by hand

LENS = Camera.from_field_of_view(1280, 960, 60.0)


def seen(point_robot: list[float], **angles: float) -> np.ndarray:
    """Return the pixel of a point in robot, relative to the middle of the picture, camera at 0.5 m height."""
    mount = robot_from_camera_angles([0, 0, 0.5], angles.get("yaw", 0), angles.get("tilt", 0), angles.get("roll", 0))
    pixels, valid = LENS.project([mount.inv().apply(point_robot)])
    assert valid.all()
    return pixels[0] - [LENS.cx_px, LENS.cy_px]


def test_a_camera_that_looks_up_sees_the_level_point_below_the_middle() -> None:
    # by hand: 5 degrees up puts the horizon f tan 5 below the middle; v grows downwards
    assert seen([4, 0, 0.5], tilt=5.0) == pytest.approx([0.0, LENS.fy_px * math.tan(math.radians(5))])


def test_a_camera_turned_left_sees_what_is_ahead_on_its_right() -> None:
    assert seen([4, 0, 0.5], yaw=10.0) == pytest.approx([LENS.fx_px * math.tan(math.radians(10)), 0.0])
    # and what lies 10 degrees to the left in its middle
    assert seen([4, 4 * math.tan(math.radians(10)), 0.5], yaw=10.0) == pytest.approx([0, 0], abs=1e-9)


def test_a_camera_rolled_clockwise_sees_the_scene_turn_counter_clockwise() -> None:
    # what was straight above the middle moves to the left (u falls), as on a clock run backwards
    above = [4, 0, 0.5 + 4 * 0.1]
    assert seen(above) == pytest.approx([0.0, -0.1 * LENS.fy_px])
    rolled = seen(above, roll=30.0)
    length = 0.1 * LENS.fy_px
    assert rolled == pytest.approx([-length * math.sin(math.radians(30)), -length * math.cos(math.radians(30))])


def test_left_is_left_and_up_is_up_in_a_level_camera() -> None:
    u, v = seen([4, 1, 1.0])
    assert u < 0 and v < 0


def test_a_camera_turned_backwards_looks_backwards() -> None:
    assert seen([-4, 0, 0.5], yaw=180.0) == pytest.approx([0, 0], abs=1e-9)


# markers, by hand


def test_marker_axes_at_facing_0_and_90() -> None:
    rotation = parts(field_from_marker_angles([1, 2, 3], 0, 0, 0))[0]
    # the face looks along field x; for somebody facing it (looking along -x) the right hand is field y
    assert rotation == pytest.approx(np.array([[0, 0, 1], [1, 0, 0], [0, 1, 0]]))
    rotation = parts(field_from_marker_angles([1, 2, 3], 90, 0, 0))[0]
    assert rotation == pytest.approx(np.array([[-1, 0, 0], [0, 0, 1], [0, 1, 0]]), abs=1e-15)


def test_marker_tilt_raises_the_face() -> None:
    out_field = parts(field_from_marker_angles([0, 0, 0], 0, 30, 0))[0][:, 2]
    assert out_field == pytest.approx([math.cos(math.radians(30)), 0, 0.5])
    on_the_floor = parts(field_from_marker_angles([0, 0, 0], 0, 90, 0))[0]
    assert on_the_floor[:, 2] == pytest.approx([0, 0, 1])
    assert on_the_floor[:, 1] == pytest.approx([-1, 0, 0], abs=1e-15)  # its upper edge falls back


def test_marker_roll_is_counter_clockwise_for_somebody_facing_it() -> None:
    # a level camera at field x = 3 looks back at the marker at the origin: its top moves to the left in the picture
    field_from_marker = field_from_marker_angles([0, 0, 0.5], 0, 0, 20)
    field_from_camera = field_from_robot_on_floor(3, 0, 180) * robot_from_camera_angles([0, 0, 0.5], 0, 0, 0)
    camera_from_marker = field_from_camera.inv() * field_from_marker
    middle, top = LENS.project(camera_from_marker.apply([[0, 0, 0], [0, 0.1, 0]]))[0]
    assert top - middle == pytest.approx(
        LENS.fx_px * 0.1 / 3 * np.array([-math.sin(math.radians(20)), -math.cos(math.radians(20))])
    )


@pytest.mark.parametrize("angles", [(math.nan, 0, 0), (0, math.inf, 0), (0, 0, math.nan)])
def test_angles_that_are_not_numbers_are_refused(angles: tuple[float, float, float]) -> None:
    for make in (field_from_marker_angles, robot_from_camera_angles):
        with pytest.raises(InputError, match="expected finite"):
            make([0, 0, 0], *angles)


def test_robot_on_the_floor_and_its_heading() -> None:
    field_from_robot = field_from_robot_on_floor(2.0, 3.0, 90.0)
    # one metre ahead of a robot that heads along field y
    assert field_from_robot.apply([1.0, 0.0, 0.2]) == pytest.approx([2.0, 4.0, 0.2])
    for heading in (-170.0, -30.0, 0.0, 179.0):
        assert heading_rad(field_from_robot_on_floor(0, 0, heading)) == pytest.approx(math.radians(heading))


# faults from the field


def test_the_camera_s_position_is_not_the_marker_s_place_in_the_camera() -> None:
    # A19: a camera on a circle round a marker, always facing it: the marker stays put in the camera, the camera moves
    marker_in_camera, camera_in_marker = [], []
    for angle in np.radians(np.arange(0, 360, 30)):
        # marker frame: z out of the face; circle of 2 m about its y axis is walked by a camera that looks at it
        position = 2.0 * np.array([math.sin(angle), 0.0, math.cos(angle)])
        view = -position / 2.0
        down = np.array([0.0, -1.0, 0.0])
        rotation = np.column_stack([np.cross(down, view), down, view])
        marker_from_camera = rigid_transform(rotation, position)
        camera_from_marker = marker_from_camera.inv()
        marker_in_camera.append(camera_from_marker.translation)
        camera_in_marker.append(camera_from_marker.inv().translation)
    assert np.array(marker_in_camera) == pytest.approx(np.tile([0.0, 0.0, 2.0], (12, 1)))
    assert np.linalg.norm(camera_in_marker, axis=1) == pytest.approx(2.0)
    assert np.linalg.norm(camera_in_marker[6] - camera_in_marker[0]) == pytest.approx(4.0)


def test_the_order_of_a_quaternion_cannot_be_mistaken() -> None:
    # A34: yaw 30 written w first and read x first would be another rotation (yaw of 150 read back)
    yaw = Rotation.from_euler("z", 30, degrees=True)
    w, x, y, z = quaternion_wxyz(rigid_transform(yaw, [0, 0, 0]))
    assert (w, x, y, z) == pytest.approx((math.cos(math.radians(15)), 0, 0, math.sin(math.radians(15))))
    read = transform_from_quaternion(qz=z, qy=y, qx=x, qw=w, translation=[1, 2, 3])
    assert math.degrees(heading_rad(read)) == pytest.approx(30.0)
    misread = Rotation.from_quat([w, x, y, z]).as_matrix()
    assert np.degrees(math.acos((np.trace(misread) - 1) / 2)) == pytest.approx(150.0)
    with pytest.raises(TypeError):
        transform_from_quaternion(w, x, y, z, [0, 0, 0])


@pytest.mark.parametrize("scale", [0.0, 0.9, 1.01, 30.0, math.nan])
def test_a_quaternion_that_is_not_of_unit_length_is_refused(scale: float) -> None:
    with pytest.raises(InputError, match="quaternion"):
        transform_from_quaternion(qw=scale, qx=0, qy=0, qz=0, translation=[0, 0, 0])


def test_a_quaternion_rounded_on_file_passes_and_its_sign_does_not_matter() -> None:
    one = transform_from_quaternion(qw=0.966, qx=0, qy=0, qz=0.259, translation=[0, 0, 0])
    other = transform_from_quaternion(qw=-0.966, qx=0, qy=0, qz=-0.259, translation=[0, 0, 0])
    assert quaternion_wxyz(one) == pytest.approx(quaternion_wxyz(other))
    assert quaternion_wxyz(other)[0] > 0
    assert math.degrees(heading_rad(one)) == pytest.approx(30.0, abs=0.1)


def test_angles_wrap_at_180_degrees() -> None:
    # A35
    assert math.degrees(wrapped(math.radians(179.0 - (-179.0)))) == pytest.approx(-2.0)
    assert abs(math.degrees(circular_mean(np.radians([170.0, -170.0])))) == pytest.approx(180.0)


# the factory


@pytest.mark.parametrize(
    ("rotation", "translation", "message"),
    [
        (1.3 * EYE, [0, 0, 0], "expected a rotation matrix, found one that is off by 0.69"),
        (np.diag([1.0, 1.0, -1.0]), [0, 0, 0], "reflection"),
        (-EYE, [0, 0, 0], "reflection"),
        (np.full((3, 3), np.nan), [0, 0, 0], "expected finite"),
        (np.zeros((3, 3)), [0, 0, 0], "expected a rotation matrix"),
        (EYE + np.array([[0, 1e-4, 0], [0, 0, 0], [0, 0, 0]]), [0, 0, 0], "expected a rotation matrix"),
        (EYE[:2], [0, 0, 0], r"expected shape \(3, 3\), found \(2, 3\)"),
        ("turn", [0, 0, 0], "expected numbers"),
        (EYE, [0, np.nan, 0], "translation: expected finite"),
        (EYE, [0, 0], r"translation: expected shape \(3,\), found \(2,\)"),
        (EYE, None, "translation: expected"),
        (EYE, [1, [2, 3]], "translation: expected numbers"),
        (Rotation.identity(2), [0, 0, 0], "rotation: expected shape"),
    ],
)
def test_what_is_no_rigid_transform_is_refused(rotation: object, translation: object, message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        rigid_transform(rotation, translation, "camera pose")
    assert str(caught.value).startswith("camera pose")
    assert "\n" not in str(caught.value)


def test_scipy_itself_would_let_both_through() -> None:
    # why the factory is there; if scipy learns to refuse, this says so
    scaled = RigidTransform.from_components([0, 0, 0], Rotation.from_matrix(1.3 * EYE))
    assert scaled.as_matrix()[:3, :3] == pytest.approx(EYE)
    assert np.isnan(RigidTransform.from_translation([0, np.nan, 0]).translation[1])


def test_translations_of_opencv_s_shapes_pass() -> None:
    for shape in ((3,), (3, 1), (1, 3)):
        assert rigid_transform(EYE, np.array([1.0, 2.0, 3.0]).reshape(shape)).translation == pytest.approx([1, 2, 3])


def test_from_matrix() -> None:
    matrix = random_transforms(1, seed=1)[0].as_matrix()
    assert transform_from_matrix(matrix).as_matrix() == pytest.approx(matrix, abs=1e-12)
    for bad, message in (
        (matrix.T, "last row"),
        (matrix[:3], "shape"),
        (2 * matrix, "last row"),
        (np.diag([1.0, -1.0, 1.0, 1.0]), "reflection"),
    ):
        with pytest.raises(InputError, match=message):
            transform_from_matrix(bad)


def test_parts_are_plain_contiguous_copies() -> None:
    transform = random_transforms(1, seed=2)[0]
    rotation, translation = parts(transform)
    assert rotation.flags.c_contiguous and translation.flags.c_contiguous
    rotation[:] = 0
    assert np.abs(transform.as_matrix()[:3, :3]).max() > 0.3


# group axioms


def same(one: RigidTransform, other: RigidTransform) -> bool:
    return bool(np.allclose(one.as_matrix(), other.as_matrix(), atol=1e-12))


def test_group_axioms() -> None:
    identity = rigid_transform(EYE, [0, 0, 0])
    first, second, third = (random_transforms(30, seed) for seed in (4, 5, 6))
    for a_from_b, b_from_c, c_from_d in zip(first, second, third, strict=True):
        assert same((a_from_b * b_from_c) * c_from_d, a_from_b * (b_from_c * c_from_d))
        assert same(a_from_b * identity, a_from_b)
        assert same(identity * a_from_b, a_from_b)
        assert same(a_from_b * a_from_b.inv(), identity)
        assert same((a_from_b * b_from_c).inv(), b_from_c.inv() * a_from_b.inv())


def test_composition_is_applying_one_after_the_other() -> None:
    points_c = np.random.default_rng(7).normal(size=(20, 3))
    a_from_b, b_from_c = random_transforms(2, seed=8)
    rotation, translation = parts(b_from_c)
    assert b_from_c.apply(points_c) == pytest.approx(points_c @ rotation.T + translation)
    assert (a_from_b * b_from_c).apply(points_c) == pytest.approx(a_from_b.apply(b_from_c.apply(points_c)))


@settings(max_examples=50, deadline=None, derandomize=True)
@given(v=st.tuples(*[st.floats(-10, 10)] * 3), u=st.tuples(*[st.floats(-10, 10)] * 3))
def test_skew_is_the_cross_product(v: tuple[float, ...], u: tuple[float, ...]) -> None:
    matrix = skew(np.array(v))
    assert matrix @ np.array(u) == pytest.approx(np.cross(v, u), abs=1e-9)
    assert np.array_equal(matrix, -matrix.T)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(
    angles=st.tuples(st.floats(-180, 180), st.floats(-90, 90), st.floats(-180, 180)),
    position=st.tuples(*[st.floats(-60, 60)] * 3),
)
def test_written_angles_always_give_a_proper_transform(
    angles: tuple[float, float, float], position: tuple[float, float, float]
) -> None:
    for make in (field_from_marker_angles, robot_from_camera_angles):
        transform = make(position, *angles)
        rotation, translation = parts(transform)
        assert rotation @ rotation.T == pytest.approx(EYE, abs=1e-12)
        assert np.linalg.det(rotation) == pytest.approx(1.0)
        assert translation == pytest.approx(position)
        view = rotation[:, 2]
        assert math.degrees(math.asin(max(-1.0, min(1.0, view[2])))) == pytest.approx(angles[1], abs=1e-4)


def test_the_module_s_head_names_every_frame() -> None:
    for frame in ("field", "robot", "camera", "marker"):
        assert f"\n{frame} : " in (transforms.__doc__ or "")
