"""What one mount sees of the field from one pose, marker by marker, with the reason where it does not."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from scipy.spatial.transform import RigidTransform

from fiducialkit import tables
from fiducialkit.arrays import FloatArray, checked_array
from fiducialkit.planning.detectability import at_places, limits
from fiducialkit.planning.scenery import detector_tables
from fiducialkit.planning.sight_kernels import LEAST_PROBABILITY
from fiducialkit.planning.study import Study
from fiducialkit.scene.occlusion import BOX, hidden_points, upright_box
from fiducialkit.scene.robot import Mount
from fiducialkit.scene.transforms import field_from_robot_on_floor

SEEN, TURNED, OUT_OF_PICTURE, TOO_SMALL, HIDDEN, BY_ITSELF = (
    "seen", "turned away", "out of the picture", "too small", "hidden", "hidden by the robot"
)  # fmt: skip
SIGHTINGS = tables.Table(
    "sightings",
    (
        tables.Column("marker_id", "int", "id within the family"),
        tables.Column("status", "text", "seen (more likely than not), or why not"),
        tables.Column("chance", "float", "that the detector reads it; 0 where it cannot be in view"),
        tables.Column("distance_m", "float", "from the camera to the marker's middle"),
        tables.Column("facing_deg", "float", "between the marker's normal and the line to the camera"),
        tables.Column("width_px", "float", "the shorter way across, NaN out of the picture"),
    ),
)


def corners_in_picture(study: Study, mount: Mount, pose: FloatArray) -> FloatArray:
    """Return the pixels of every marker's corners, (M, 4, 2); NaN where one lies behind the camera or its lens."""
    camera_from_field = (_field_from_robot(pose) * mount.robot_from_camera).inv()
    points = camera_from_field.apply(study.field.corners_field.reshape(-1, 3))
    pixels, valid = mount.camera.project(points)
    pixels[~valid] = math.nan
    return np.asarray(pixels.reshape(-1, 4, 2))


def sightings(study: Study, mount: Mount, pose: Any, state: str) -> pd.DataFrame:
    """Return the table `SIGHTINGS` of one mount from one robot pose.

    Parameters
    ----------
    study : Study
    mount : Mount
        Need not be one of the robot's.
    pose : array_like, shape (3,)
        x [m], y [m], heading [rad].
    state : str
        Mechanism state, or "always".
    """
    place = checked_array("pose", pose, (3,))
    field_from_robot = _field_from_robot(place)
    pupil_robot = np.array(mount.position, dtype=np.float64)
    pupil_field = field_from_robot.apply(pupil_robot)
    corners_field = study.field.corners_field
    middles = corners_field.mean(axis=1)
    normals = np.cross(corners_field[:, 1] - corners_field[:, 0], corners_field[:, 0] - corners_field[:, 3])
    lines = pupil_field - middles
    distance_m = np.linalg.norm(lines, axis=1)
    cosine = (lines * normals).sum(axis=1) / (distance_m * np.linalg.norm(normals, axis=1))
    pixels = corners_in_picture(study, mount, place)
    _, least_cosine, inset_px = limits(mount.camera)
    facing_deg = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    is_inside = mount.camera.in_picture(pixels, inset_px).reshape(-1, 4).all(axis=1)
    width_px = _shorter_way(pixels)
    cells = study.field.family.cells(study.field.border_cells)
    read = at_places(detector_tables(mount.camera, cells)[..., 1], np.nan_to_num(width_px), facing_deg)
    points = np.concatenate([corners_field, middles[:, None]], axis=1).reshape(-1, 3)
    boxes = [upright_box(obstacle.corner_min, obstacle.corner_max) for obstacle in study.field.obstacles]
    behind = hidden_points(np.array(boxes).reshape(-1, BOX), pupil_field, points)
    behind_itself = hidden_points(study.robot.boxes(state), pupil_robot, field_from_robot.inv().apply(points))
    status = np.select(
        [
            cosine < least_cosine,
            ~is_inside,
            read < LEAST_PROBABILITY,
            behind.reshape(-1, 5).any(axis=1),
            behind_itself.reshape(-1, 5).any(axis=1),
        ],
        [TURNED, OUT_OF_PICTURE, TOO_SMALL, HIDDEN, BY_ITSELF],
        SEEN,
    )
    chance = np.where(status == SEEN, read, 0.0)
    status = np.where((status == SEEN) & (chance < 0.5), TOO_SMALL, status)
    return pd.DataFrame(
        {
            "marker_id": study.field.marker_ids,
            "status": status,
            "chance": chance,
            "distance_m": distance_m,
            "facing_deg": facing_deg,
            "width_px": width_px,
        }
    )


def _field_from_robot(pose: FloatArray) -> RigidTransform:
    return field_from_robot_on_floor(float(pose[0]), float(pose[1]), math.degrees(float(pose[2])))


def _shorter_way(pixels: FloatArray) -> FloatArray:
    """Return the area over the longest side of squares (M, 4, 2); NaN where a corner is. [px]"""
    following = pixels[:, [1, 2, 3, 0]]
    area = 0.5 * (pixels[..., 0] * following[..., 1] - following[..., 0] * pixels[..., 1]).sum(axis=1)
    return np.asarray(area / np.hypot(*np.moveaxis(following - pixels, 2, 0)).max(axis=1))
