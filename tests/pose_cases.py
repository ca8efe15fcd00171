"""Scenes and simulated logs that the tests and benchmarks of the pose share. All of it made up for this project."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from scipy.spatial.transform import Rotation

from fiducialkit import Camera, Field, MarkerObservations
from fiducialkit.scene.field import Marker
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.transforms import (
    field_from_robot_on_floor,
    parts,
    rigid_transform,
    robot_from_camera_angles,
)
from fiducialkit.solving.pose_log import LogSightings, solve_poses

CAMERA = Camera(width_px=1280, height_px=960, fx_px=800, fy_px=800, cx_px=639.5, cy_px=479.5, name="front")
SIDE_CAMERA = Camera(
    width_px=1600, height_px=1200, fx_px=620, fy_px=622, cx_px=801.0, cy_px=596.0, model="fisheye",
    distortion=(0.03, -0.008, 0.002, -0.0005), name="left",
)  # fmt: skip
_WIDE = Camera(width_px=1800, height_px=1200, fx_px=700, fy_px=700, cx_px=899.5, cy_px=599.5)
LENSES = {
    "pinhole": _WIDE,
    "brown": dataclasses.replace(_WIDE, distortion=(-0.12, 0.04, 0.001, -0.002, -0.006)),
    "rational": dataclasses.replace(
        _WIDE, model="rational", distortion=(0.4, 0.05, 7e-4, -4e-4, 2e-3, 0.7, 0.12, 0.01)
    ),
    "fisheye": dataclasses.replace(_WIDE, model="fisheye", distortion=(0.03, -0.008, 0.002, -0.0005)),
}
MOUNT = robot_from_camera_angles([0.25, 0.1, 0.5], 5.0, 8.0, 2.0)
SIDE_MOUNT = robot_from_camera_angles([0.1, 0.3, 0.6], 70.0, 0.0, -3.0)
BACK_MOUNT = robot_from_camera_angles([0.2, -0.2, 0.4], -8.0, 6.0, 0.0)
LEVEL = robot_from_camera_angles([0.0, 0.0, 0.6], 0.0, 0.0, 0.0)


def layout(*entries, size_m=0.15):
    """Return a field of markers (id, x, y, z, facing, tilt, roll)."""
    markers = tuple(
        Marker(marker_id=i, position=(x, y, z), facing_deg=facing, tilt_deg=tilt, roll_deg=roll, size_m=size_m)
        for i, x, y, z, facing, tilt, roll in entries
    )
    return Field(name="yard", size=(12.0, 7.0), family=marker_family("36h11"), markers=markers)


FIELD = layout(
    (1, 5.6, 3.2, 0.6, 160.0, 0.0, 0.0),
    (2, 5.4, 4.0, 0.8, 215.0, 10.0, 15.0),
    (3, 5.9, 2.6, 0.4, 140.0, -5.0, 90.0),
    (4, 5.5, 3.6, 1.1, 195.0, 0.0, 180.0),
    (5, 3.2, 5.5, 0.7, 250.0, 0.0, 0.0),
    (6, 3.9, 5.6, 0.5, 290.0, 5.0, 0.0),
    (7, 5.7, 3.0, 1.0, 150.0, 0.0, 0.0),
    (8, 5.6, 3.4, 0.3, 200.0, 0.0, 0.0),
    (9, 5.8, 3.9, 0.35, 190.0, 8.0, 30.0),
    (10, 5.9, 2.8, 0.85, 170.0, 0.0, 0.0),
)
TRUE = field_from_robot_on_floor(3.5, 3.3, 4.0)
EIGHT = [1, 2, 3, 4, 7, 8, 9, 10]


def pixels(field_from_camera, camera, field, marker_id):
    points = field_from_camera.inv().apply(field.marker(marker_id).corners_field)
    found, valid = camera.project(points)
    assert valid.all()
    return found


def picture(field_from_robot, marker_ids, *, field=FIELD, camera=CAMERA, mount=MOUNT, sd_px=0.2, noise=None):
    corners = np.array([pixels(field_from_robot * mount, camera, field, i) for i in marker_ids])
    if noise is not None:
        corners = corners + noise.normal(scale=sd_px, size=corners.shape)
    return MarkerObservations(marker_id=np.array(marker_ids), corners_px=corners, covariance_px2=sd_px**2)


def error_of(solution, true=TRUE):
    """Return (dx, dy, dz, rotation vector), both in field, as the covariance has them."""
    rotation, position = parts(solution.field_from_robot)
    turn = Rotation.from_matrix(rotation @ parts(true)[0].T).as_rotvec()
    return np.concatenate([position - parts(true)[1], turn])


def log_errors(log, true, which="robot"):
    """Return the errors (F, 6) of a log's poses against one true pose."""
    table = log.table
    turns = Rotation.from_quat(table[[f"{which}_q{part}" for part in "wxyz"]].to_numpy(), scalar_first=True)
    shift = table[[f"{which}_{axis}_m" for axis in "xyz"]].to_numpy() - parts(true)[1]
    return np.concatenate([shift, (turns * true.rotation.inv()).as_rotvec()], axis=1)


def simulated(true, views, trials, rng, *, sd_px=0.2, field=FIELD, **known):
    """Return the log of many noisy looks from one pose; a view is (camera, mount, marker ids)."""
    clean, ids, cameras = [], [], []
    for number, (camera, mount, marker_ids) in enumerate(views):
        clean += [pixels(true * mount, camera, field, i) for i in marker_ids]
        ids += list(marker_ids)
        cameras += [number] * len(marker_ids)
    corners = np.array(clean) + rng.normal(scale=sd_px, size=(trials, len(ids), 4, 2))
    seen = LogSightings(
        frame=np.repeat(np.arange(trials), len(ids)), marker_id=np.tile(ids, trials),
        corners_px=corners.reshape(-1, 4, 2), covariance_px2=sd_px**2, camera=np.tile(cameras, trials),
    )  # fmt: skip
    return solve_poses(seen, field, [v[0] for v in views], robot_from_camera=[v[1] for v in views], **known)


def upright_ahead(distance_m, turned_deg, size_m=0.165):
    """A marker at camera height straight ahead of a level camera, turned about the vertical."""
    return layout((7, 1.0 + distance_m, 3.0, 0.6, 180.0 + turned_deg, 0.0, 0.0), size_m=size_m)


AHEAD = field_from_robot_on_floor(1.0, 3.0, 0.0)


def tilted_looks(distance_m, least_deg, most_deg, trials, rng, *, sd_px=0.3):
    """Return (log, true rotations, true positions): one marker 165 mm wide, tilts evenly spread over the sphere."""
    field = upright_ahead(distance_m, 0.0)
    middle = np.array([1.0 + distance_m, 3.0, 0.6])
    cosine = rng.uniform(math.cos(math.radians(most_deg)), math.cos(math.radians(least_deg)), trials)
    about = rng.uniform(0.0, 2.0 * math.pi, trials)
    corners, rotations, positions = np.empty((trials, 4, 2)), np.empty((trials, 3, 3)), np.empty((trials, 3))
    for n in range(trials):
        tilt = math.acos(cosine[n])
        turn = Rotation.from_rotvec([0.0, tilt * math.cos(about[n]), tilt * math.sin(about[n])])
        field_from_camera_axes = rigid_transform(turn, middle + turn.apply([-distance_m, 0.0, 0.0]))
        true = field_from_camera_axes * rigid_transform(np.eye(3), [0.0, 0.0, -0.6])
        corners[n] = pixels(true * LEVEL, CAMERA, field, 7)
        rotations[n], positions[n] = parts(true)
    corners += rng.normal(scale=sd_px, size=corners.shape)
    seen = LogSightings(
        frame=np.arange(trials), marker_id=np.full(trials, 7), corners_px=corners, covariance_px2=sd_px**2
    )
    return solve_poses(seen, field, CAMERA, robot_from_camera=LEVEL), rotations, positions
