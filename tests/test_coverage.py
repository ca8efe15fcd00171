"""Where the robot is looked at: the floor grid, standing room, and the approaches."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from fiducialkit.planning.coverage import (
    approach_poses,
    floor_poses,
    footprint_corners,
    has_standing_room,
    longest_blind_m,
)
from fiducialkit.planning.study import Approach, FloorGrid, Study
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field, Marker, Node, Obstacle
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.robot import Mount, Rig, Robot, Tool


@pytest.fixture
def study() -> Study:
    camera = Camera.from_field_of_view(640, 400, 70.0)
    field = Field(
        name="room", size=(4.0, 3.0), family=marker_family("36h11"),
        markers=(Marker(marker_id=0, position=(0.0, 1.5, 0.4), facing_deg=0.0, size_m=0.15),),
        nodes=(
            Node(name="west", position=(0.6, 1.5), heading_deg=180.0, tolerance_along_m=0.03, tolerance_across_m=0.02,
                 tolerance_heading_deg=2.0),
        ),
        obstacles=(
            Obstacle(name="table", corner_min=(1.8, 1.0, 0.0), corner_max=(2.2, 2.0, 0.8)),
            Obstacle(name="lamp", corner_min=(3.0, 1.0, 1.2), corner_max=(3.5, 2.0, 1.5)),
        ),
    )  # fmt: skip
    robot = Robot(
        name="r", footprint=(0.8, 0.4), mounts=(Mount(name="m", camera=camera, position=(0.2, 0.0, 0.5)),),
        rigs=(Rig(name="m", mounts=("m",)),),
        tools=(Tool(side="front", position=(0.5, 0.0, 0.4)), Tool(side="back", position=(-0.5, 0.0, 0.4))),
    )  # fmt: skip
    return Study(name="s", field=field, robot=robot)


def test_footprint_corners_by_hand():
    corners = footprint_corners((0.8, 0.4), np.array([[1.0, 2.0, math.pi / 2.0]]))
    # heading along y: the long side lies along y
    np.testing.assert_allclose(np.ptp(corners[0], axis=0), [0.4, 0.8], atol=1e-12)
    np.testing.assert_allclose(corners[0, 0], [0.8, 2.4], atol=1e-12)  # front left


def test_standing_room_by_hand(study):
    poses = np.array(
        [
            [1.35, 1.5, 0.0],  # front edge at 1.75, 5 cm before the table
            [1.45, 1.5, 0.0],  # front edge at 1.85, inside it
            [1.55, 1.5, math.pi / 2.0],  # turned: side edge at 1.75
            [3.2, 1.5, 0.0],  # under the lamp, which begins at 1.2 m
            [0.35, 1.5, 0.0],  # back edge off the floor
            [0.35, 1.5, math.pi / 2.0],
        ]
    )
    assert has_standing_room(study, poses).tolist() == [True, False, True, True, False, True]


def test_standing_room_against_sampled_points(study):
    """Second implementation: points spread over the footprint, none inside the table and all on the floor."""
    rng = np.random.default_rng(4)
    poses = np.column_stack([rng.uniform(0, 4, 400), rng.uniform(0, 3, 400), rng.uniform(-4, 4, 400)])
    grid = np.stack(np.meshgrid(np.linspace(-0.4, 0.4, 81), np.linspace(-0.2, 0.2, 41)), axis=-1).reshape(-1, 2)
    found = has_standing_room(study, poses)
    for pose, free in zip(poses, found, strict=True):
        cosine, sine = math.cos(pose[2]), math.sin(pose[2])
        x = pose[0] + cosine * grid[:, 0] - sine * grid[:, 1]
        y = pose[1] + sine * grid[:, 0] + cosine * grid[:, 1]
        inside = ((x > 1.8) & (x < 2.2) & (y > 1.0) & (y < 2.0)).any()
        off = ((x < 0) | (x > 4) | (y < 0) | (y > 3)).any()
        # points 1 cm apart can miss a corner that touches by less
        if free:
            assert not inside
            assert not off
        else:
            edge = min(np.abs(x - 1.8).min(), np.abs(x - 2.2).min(), np.abs(y - 1.0).min(), np.abs(y - 2.0).min())
            assert inside or off or edge < 0.01


def test_floor_grid_covers_the_floor_evenly(study):
    floor = floor_poses(dataclasses.replace(study, floor=FloorGrid(step_m=0.5, headings=8)))
    assert len(floor.x_m) == 8 * 6
    assert floor.poses.shape == (48 * 8, 3)
    assert (floor.x_m.min(), floor.x_m.max()) == pytest.approx((0.25, 3.75))
    np.testing.assert_allclose(floor.poses[:8, 2], 2.0 * np.pi * np.arange(8) / 8)


def test_approach_drives_along_the_heading_and_backs_in(study):
    labels, poses = approach_poses(dataclasses.replace(study, approach=Approach(distance_m=1.0)))
    front = labels["side"].to_numpy() == "front"
    assert np.allclose(poses[front][0], [0.6, 1.5, math.pi])
    assert np.allclose(np.unwrap(poses[~front][:, 2]), 2.0 * math.pi), "scoring with the back it faces away"
    assert poses[front][-1] == pytest.approx([1.6, 1.5, math.pi])
    assert labels["distance_m"].max() == pytest.approx(1.0)


def test_approach_that_begins_off_the_floor_is_shortened(study):
    labels, _ = approach_poses(dataclasses.replace(study, approach=Approach(distance_m=5.0)))
    assert labels["distance_m"].max() == pytest.approx(3.4, abs=0.051)


@pytest.mark.parametrize(
    ("seen", "longest"),
    [
        ("1111", 0.0),
        ("0000", 2.0),  # nothing seen: the whole approach, however far it was looked at
        ("0111", 0.1),
        ("1001", 0.6),
        ("1100", 0.5),
        ("0100", 0.5),
        ("1010", 0.3),
    ],
)
def test_longest_stretch_without_a_marker_by_hand(seen, longest):
    """Poses at 0, 0.1, 0.3 and 0.6 m from the node."""
    distance = np.array([0.0, 0.1, 0.3, 0.6])
    assert longest_blind_m(distance, np.array([s == "1" for s in seen]), 2.0) == pytest.approx(longest)
