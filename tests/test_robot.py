"""The robot: its boxes worked out by hand, its mounts, and what cannot be."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from fiducialkit import Camera, InputError
from fiducialkit.scene.robot import ALWAYS, Mount, Rig, Robot, Structure, Tool

CAMERA = Camera.from_field_of_view(1280, 800, 75.0)
FRONT = Mount(name="front", camera=CAMERA, position=(0.3, 0.1, 0.4), yaw_deg=25.0, tilt_deg=5.0)
BACK = Mount(name="back", camera=CAMERA, position=(-0.3, 0.0, 0.4), yaw_deg=180.0)
MAST = Structure(state=ALWAYS, corner_min=(-0.05, -0.05, 0.0), corner_max=(0.05, 0.05, 1.0))
ARM = Structure(state="arm up", corner_min=(0.0, -0.1, 0.3), corner_max=(0.4, 0.1, 0.5))
ROBOT = Robot(
    name="r",
    footprint=(0.8, 0.7),
    mounts=(FRONT, BACK),
    rigs=(Rig(name="both", mounts=("front", "back")), Rig(name="one", mounts=("front",))),
    structures=(MAST, ARM, replace(ARM, state="arm down")),
    tools=(Tool(side="front", position=(0.5, 0.0, 0.6)),),
)


def corners_of(row: np.ndarray) -> set[tuple[float, ...]]:
    """Return the eight corners of an oriented box, to a micrometre."""
    signs = np.array([[a, b, c] for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)])
    corners = row[:3] + (signs * row[12:]) @ row[3:12].reshape(3, 3)
    return {tuple(np.round(corner, 6) + 0.0) for corner in corners}


def test_a_box_that_is_not_raised_is_itself():
    assert corners_of(ARM.oriented_box()) == {(x, y, z) for x in (0.0, 0.4) for y in (-0.1, 0.1) for z in (0.3, 0.5)}


def test_a_box_raised_by_90_degrees_worked_out_by_hand():
    # pivot at the origin of x and z = 0.3: what lay 0 to 0.4 ahead now stands 0 to 0.4 above the pivot, and what lay
    # 0 to 0.2 above the pivot now lies 0 to 0.2 behind it
    box = replace(ARM, raised_deg=90.0, pivot=(0.0, 0.0, 0.3)).oriented_box()
    assert corners_of(box) == {(x, y, z) for x in (-0.2, 0.0) for y in (-0.1, 0.1) for z in (0.3, 0.7)}


def test_a_box_raised_by_30_degrees_about_its_own_end():
    # the far lower edge is 0.4 ahead of the pivot: up by 0.4 sin 30 = 0.2, ahead by 0.4 cos 30
    box = replace(ARM, raised_deg=30.0, pivot=(0.0, 0.0, 0.3)).oriented_box()
    edge = {(round(0.4 * math.cos(math.pi / 6), 6), y, 0.5) for y in (-0.1, 0.1)}
    assert edge <= corners_of(box)
    assert {(0.0, -0.1, 0.3), (0.0, 0.1, 0.3)} <= corners_of(box)  # the pivot's edge stays


def test_raising_keeps_the_size_and_lowering_undoes_it():
    box = replace(ARM, raised_deg=-37.0, pivot=(0.1, 0.0, 0.2)).oriented_box()
    axes = box[3:12].reshape(3, 3)
    assert axes @ axes.T == pytest.approx(np.eye(3)) and np.linalg.det(axes) == pytest.approx(1.0)
    assert box[12:] == pytest.approx([0.2, 0.1, 0.1])


def test_boxes_of_a_state_are_those_that_never_move_and_its_own():
    assert ROBOT.states == ("arm up", "arm down")
    assert ROBOT.boxes("arm up").shape == (2, 15)
    assert ROBOT.boxes(ALWAYS).tolist() == [MAST.oriented_box().tolist()]
    bare = replace(ROBOT, structures=())
    assert bare.states == (ALWAYS,) and bare.boxes(ALWAYS).shape == (0, 15)


def test_a_mount_looks_where_its_angles_say():
    # yaw 25, tilt 5: the view is (cos 25 cos 5, sin 25 cos 5, sin 5); REP-103 counts pitch the other way
    rotation = FRONT.robot_from_camera.rotation.as_matrix()
    yaw, tilt = math.radians(25.0), math.radians(5.0)
    expected = [math.cos(yaw) * math.cos(tilt), math.sin(yaw) * math.cos(tilt), math.sin(tilt)]
    assert rotation[:, 2] == pytest.approx(expected)
    assert rotation[2, 0] == pytest.approx(0.0)  # no roll: the picture's rows stay level
    assert FRONT.robot_from_camera.translation == pytest.approx([0.3, 0.1, 0.4])


def test_mounts_and_rigs_by_name():
    assert ROBOT.mount("back") is BACK and ROBOT.rig("one").mounts == ("front",)
    with pytest.raises(InputError, match="mount: expected one of 'front', 'back', found 'top'"):
        ROBOT.mount("top")
    with pytest.raises(InputError, match="rig: expected one of 'both', 'one', found 'all'"):
        ROBOT.rig("all")


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"footprint": (31.0, 0.7)}, "footprint: expected 0.05 to 3 m along x, found 31 m; is length_unit right?"),
        ({"footprint": (0.8, 0.0)}, "footprint: expected 0.05 to 3 m along y"),
        ({"footprint": (0.8, math.nan)}, "footprint: expected 0.05 to 3 m along y, found nan m"),
        ({"mounts": (FRONT, BACK, FRONT)}, "mount[2].name: expected each name once, found 'front' twice"),
        ({"rigs": (*ROBOT.rigs, ROBOT.rigs[0])}, "rig[2].name: expected each name once, found 'both' twice"),
        ({"rigs": (Rig(name="r", mounts=()),)}, "rig[0].mounts: expected at least one mount, found none"),
        ({"rigs": (Rig(name="r", mounts=("top",)),)}, "rig[0].mounts: expected names among 'front', 'back', found"),
        ({"rigs": (Rig(name="r", mounts=("back", "back")),)}, "rig[0].mounts: expected each mount once"),
        ({"tools": (Tool(side="left", position=(0.0, 0.0, 0.0)),)}, "tool[0].side: expected front or back"),
        ({"tools": ROBOT.tools * 2}, "tool[1].side: expected one tool a side, found 'front' twice"),
        ({"tools": (Tool(side="front", position=(21.0, 0.0, 0.6)),)}, "tool[0].position: expected within 3 m"),
        ({"structures": (replace(ARM, corner_max=(0.4, -0.1, 0.5)),)}, "structure[0].corner_min: expected y below"),
    ],
)
def test_robots_that_cannot_be(change, reason):
    with pytest.raises(InputError) as caught:
        replace(ROBOT, **change)
    assert str(caught.value).startswith(reason)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"position": (12.0, 0.1, 0.4)}, "mount[0].position: expected within 3 m of the robot's origin, found (12.0,"),
        ({"position": (0.3, math.nan, 0.4)}, "mount[0].position: expected within 3 m"),
        ({"position": (0.3, 0.1, -0.1)}, "mount[0].position: expected a height of 0 or more, found -0.1 m"),
        ({"yaw_deg": 361.0}, "mount[0].yaw_deg: expected -360 to 360, found 361"),
        ({"tilt_deg": -91.0}, "mount[0].tilt_deg: expected -90 to 90, found -91"),
        ({"roll_deg": math.nan}, "mount[0].roll_deg: expected -360 to 360, found nan"),
        (
            {"position": (0.0, 0.0, 0.9)},
            "mount[0].position: mount 'front' lies inside structure[0] (state 'always')",
        ),
        (
            {"position": (0.2, 0.0, 0.4)},
            "mount[0].position: mount 'front' lies inside structure[1] (state 'arm up')",
        ),
    ],
)
def test_mounts_that_cannot_be(change, reason):
    with pytest.raises(InputError) as caught:
        replace(ROBOT, mounts=(replace(FRONT, **change), BACK))
    assert str(caught.value).startswith(reason)


def test_a_mount_is_inside_a_raised_box_only_where_that_box_is():
    raised = replace(ARM, raised_deg=90.0, pivot=(0.0, 0.0, 0.3))
    ahead, behind = (0.2, 0.0, 0.4), (-0.1, 0.0, 0.6)
    with pytest.raises(InputError, match="lies inside structure"):
        replace(ROBOT, structures=(raised,), mounts=(replace(FRONT, position=behind), BACK))
    moved = replace(ROBOT, structures=(raised,), mounts=(replace(FRONT, position=ahead), BACK))
    assert moved.mount("front").position == ahead
