"""Where the robot is looked at: the whole floor on a grid, and the last stretch of the approach to every node."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fiducialkit.arrays import BoolArray, FloatArray
from fiducialkit.planning.study import BLOCKS_BELOW_M, Study
from fiducialkit.scene.field import Obstacle

APPROACH_STEP_M = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class FloorPoses:
    """A grid of robot poses: `poses` (cells * headings, 3), cell by cell, and which of them the robot can stand in."""

    x_m: FloatArray
    y_m: FloatArray
    headings: int
    poses: FloatArray
    is_free: BoolArray


def floor_poses(study: Study) -> FloorPoses:
    """Return the study's floor grid: cell centres, and headings spread evenly from the field's x."""
    step_m = study.floor.step_m
    axes = [_cell_centres(length, step_m) for length in study.field.size]
    x_m, y_m = (grid.ravel() for grid in np.meshgrid(*axes, indexing="ij"))
    headings = 2.0 * np.pi * np.arange(study.floor.headings) / study.floor.headings
    poses = np.column_stack([np.repeat(x_m, len(headings)), np.repeat(y_m, len(headings)), np.tile(headings, len(x_m))])
    is_free = has_standing_room(study, poses)
    return FloorPoses(x_m=x_m, y_m=y_m, headings=len(headings), poses=poses, is_free=is_free)


def _cell_centres(length_m: float, step_m: float) -> FloatArray:
    count = max(1, round(length_m / step_m))
    return np.asarray((np.arange(count) + 0.5) * (length_m / count), dtype=np.float64)


def has_standing_room(study: Study, poses: FloatArray) -> BoolArray:
    """Return for each pose whether the footprint lies on the floor and touches no obstacle that stands on it."""
    corners = footprint_corners(study.robot.footprint, poses)
    inside = (corners >= -1e-9) & (corners <= np.array(study.field.size) + 1e-9)
    on_floor: BoolArray = np.asarray(inside.all(axis=(1, 2)))
    reach = 0.5 * math.hypot(*study.robot.footprint)
    for obstacle in study.field.obstacles:
        if obstacle.corner_min[2] < BLOCKS_BELOW_M:
            low, high = np.array(obstacle.corner_min[:2]) - reach, np.array(obstacle.corner_max[:2]) + reach
            near = np.flatnonzero(on_floor & ((poses[:, :2] > low) & (poses[:, :2] < high)).all(axis=1))
            on_floor[near] = ~_overlaps(corners[near], poses[near], study.robot.footprint, obstacle)
    return on_floor


def footprint_corners(footprint: tuple[float, float], poses: FloatArray) -> FloatArray:
    """Return the corners of the robot's footprint in field, (N, 4, 2). [m]"""
    half = 0.5 * np.array(footprint)
    local = half * np.array([[1.0, 1.0], [-1.0, 1.0], [-1.0, -1.0], [1.0, -1.0]])
    cosine, sine = np.cos(poses[:, 2, None]), np.sin(poses[:, 2, None])
    x = poses[:, 0, None] + cosine * local[:, 0] - sine * local[:, 1]
    y = poses[:, 1, None] + sine * local[:, 0] + cosine * local[:, 1]
    return np.stack([x, y], axis=2)


def _overlaps(corners: FloatArray, poses: FloatArray, footprint: tuple[float, float], obstacle: Obstacle) -> BoolArray:
    """Return whether each footprint and the obstacle's base share ground: no side of either separates them."""
    low, high = np.array(obstacle.corner_min[:2]), np.array(obstacle.corner_max[:2])
    apart = (corners.max(axis=1) <= low).any(axis=1) | (corners.min(axis=1) >= high).any(axis=1)
    base = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    dx, dy = base[:, 0] - poses[:, 0, None], base[:, 1] - poses[:, 1, None]
    cosine, sine = np.cos(poses[:, 2, None]), np.sin(poses[:, 2, None])
    along, across = cosine * dx + sine * dy, cosine * dy - sine * dx
    for value, half in ((along, footprint[0] / 2.0), (across, footprint[1] / 2.0)):
        apart |= (value.min(axis=1) >= half) | (value.max(axis=1) <= -half)
    return np.asarray(~apart)


def approach_poses(study: Study) -> tuple[pd.DataFrame, FloatArray]:
    """Return every pose of the last stretch to every node with every side, nearest first, as labels and (N, 3) poses.

    The robot drives straight along the node's heading; scoring with its back it drives backwards. The node itself is
    the pose at distance 0. Poses whose origin would lie off the floor are left out.
    """
    count = max(1, math.ceil(study.approach.distance_m / APPROACH_STEP_M - 1e-9))
    distances = np.linspace(0.0, study.approach.distance_m, count + 1)
    labels, poses = [], []
    for node in study.field.nodes:
        heading = math.radians(node.heading_deg)
        for side in study.sides:
            turned = heading if side == "front" else heading + math.pi
            for distance in distances:
                x = node.position[0] - distance * math.cos(heading)
                y = node.position[1] - distance * math.sin(heading)
                if 0.0 <= x <= study.field.size[0] and 0.0 <= y <= study.field.size[1]:
                    labels.append((node.name, side, float(distance)))
                    poses.append((x, y, turned))
    frame = pd.DataFrame(labels, columns=["node", "side", "distance_m"])
    return frame, np.array(poses, dtype=np.float64).reshape(-1, 3)


def longest_blind_m(distance_m: FloatArray, is_seen: BoolArray, whole_m: float) -> float:
    """Return the longest stretch between two poses that see a marker with none between that does. [m]

    Poses at rising `distance_m` from the node. A stretch may reach to either end of them; it is `whole_m` where no pose
    sees a marker, and 0 where all do.
    """
    seen = np.flatnonzero(is_seen)
    if not len(seen):
        return whole_m
    before, after = np.append(-1, seen), np.append(seen, len(is_seen))
    last = len(is_seen) - 1
    lengths = distance_m[np.minimum(after, last)] - distance_m[np.maximum(before, 0)]
    return float(np.max(np.where(after - before > 1, lengths, 0.0)))
