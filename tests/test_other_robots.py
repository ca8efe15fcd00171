"""Robots that stand about at random: free sight lines against drawn ones, and what coverage makes of them."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from planning_cases import Sighting, random_poses, small_study

from fiducialkit.planning.prediction import predict
from fiducialkit.planning.study import OtherRobots
from fiducialkit.scene.occlusion import hidden_points

OTHERS = OtherRobots(per_m2=0.12, length_m=0.9, width_m=0.5, height_m=0.8)


def drawn_boxes(rng, size_m) -> np.ndarray:
    """Return a Poisson number of upright boxes turned at random on a floor of that size, as `scene.occlusion` rows."""
    count = rng.poisson(OTHERS.per_m2 * size_m**2)
    boxes = np.zeros((count, 15))
    boxes[:, :2] = rng.uniform(0.0, size_m, (count, 2))
    boxes[:, 2] = boxes[:, 14] = OTHERS.height_m / 2.0
    angle = rng.uniform(0.0, 2.0 * math.pi, count)
    boxes[:, 3], boxes[:, 4], boxes[:, 6], boxes[:, 7] = np.cos(angle), np.sin(angle), -np.sin(angle), np.cos(angle)
    boxes[:, 11] = 1.0
    boxes[:, 12], boxes[:, 13] = OTHERS.length_m / 2.0, OTHERS.width_m / 2.0
    return boxes


@pytest.mark.parametrize(("start_z", "end_z", "low_share"), [(0.4, 0.5, 1.0), (1.2, 0.4, 0.5), (1.0, 0.9, 0.0)])
def test_free_sight_lines_against_drawn_robots(start_z, end_z, low_share):
    """Simulation: the share of lines of 3 m that are free, given that no robot stands on the line's lower end."""
    rng = np.random.default_rng(23)
    expected = math.exp(-OTHERS.blocks_per_m * 3.0 * low_share)
    start, end = np.array([2.5, 4.0, start_z]), np.array([5.5, 4.0, end_z])
    low = start if start_z < end_z else end
    above = np.array([0.0, 0.0, 1e-6])
    free = trials = 0
    for _ in range(4000):
        boxes = drawn_boxes(rng, 8.0)
        if hidden_points(boxes, low - above, (low + above)[None]).any():
            continue
        trials += 1
        free += not hidden_points(boxes, start, end[None]).any()
    # binomial, 3.5 sd; where nothing can hide the line the share is exactly 1
    assert abs(free / trials - expected) <= 3.5 * math.sqrt(expected * (1.0 - expected) / trials)


def test_prediction_multiplies_the_chance_of_a_free_line():
    """By hand: where one mount sees one marker, the detector's chance times that of a free line; sure from 98 % on."""
    study = small_study()
    others = dataclasses.replace(OTHERS, height_m=1.0)
    crowded = dataclasses.replace(study, other_robots=others)
    poses = random_poses(200, seed=11)
    among = predict(crowded, poses)
    mount, checked = study.robot.mounts[1], 0
    for n, pose in enumerate(poses):
        looks = [Sighting(study, pose, mount, marker) for marker in study.field.markers]
        seen = [look for look in looks if look.seen_in("always")]
        if len(seen) != 1:
            continue
        pupil = seen[0].field_from_robot.apply(np.array(mount.position))
        marker = np.array(seen[0].marker.position)
        low, high = sorted((pupil[2], marker[2]))
        below = min(max((others.height_m - low) / (high - low), 0.0), 1.0)
        floor_m = math.hypot(*(marker - pupil)[:2])
        chance = seen[0].probability * math.exp(-0.12 * 2.0 * (0.9 + 0.5) / math.pi * floor_m * below)
        assert among.chance_1[n, 1, 1] == pytest.approx(1.0 if chance >= 0.98 else chance, abs=1e-9)
        checked += chance < 0.98
    assert checked > 10
