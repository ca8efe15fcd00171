"""Frames, the factory every transform passes, and the angles people write down.

Frames
------
field : right-handed, z up, origin at a corner of the floor, x and y along its sides.
robot : x forward, y left, z up, origin on the floor below the middle (REP-103).
camera : x right, y down, z along the view.
marker : origin at the centre of the black square, z out of the printed face, x right and y up for somebody
    looking at the upright marker.

A transform is named ``<to>_from_<from>`` and takes coordinates in `from` to coordinates in `to`, so
``field_from_camera = field_from_robot * robot_from_camera``: the inner words match and vanish.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scipy.spatial.transform import RigidTransform, Rotation

from fiducialkit.arrays import FloatArray, checked_array
from fiducialkit.errors import InputError

_ORTHONORMAL_TOLERANCE = 1e-6


def rigid_transform(rotation: Any, translation: Any, name: str = "transform") -> RigidTransform:
    """Return the checked transform ``x -> rotation @ x + translation``.

    scipy quietly re-orthonormalises a scaled rotation and lets NaN through; this is the one place where
    transforms are made from numbers, and it does neither.

    Parameters
    ----------
    rotation : Rotation or array_like, shape (3, 3)
        Proper rotation.
    translation : array_like, shape (3,)
        In the unit of the points, metres throughout this library. [m]
    name : str
        What the caller calls it, for the message.

    Raises
    ------
    InputError
        If a number is not finite, or the matrix is not a proper rotation within 1e-6.
    """
    matrix = rotation.as_matrix() if isinstance(rotation, Rotation) else rotation
    matrix = checked_array(f"{name}: rotation", matrix, (3, 3))
    offset = checked_array(f"{name}: translation", translation, (3,))
    error = float(np.abs(matrix @ matrix.T - np.eye(3)).max())
    if error > _ORTHONORMAL_TOLERANCE:
        raise InputError(f"{name}: expected a rotation matrix, found one that is off by {error:.2g} from orthonormal")
    if np.linalg.det(matrix) < 0.0:
        raise InputError(f"{name}: expected a rotation, found a reflection (determinant -1)")
    return RigidTransform.from_components(offset, Rotation.from_matrix(matrix))


def transform_from_matrix(matrix: Any, name: str = "transform") -> RigidTransform:
    """Return the checked transform of a homogeneous matrix, shape (4, 4), last row (0, 0, 0, 1)."""
    array = checked_array(name, matrix, (4, 4))
    if np.abs(array[3] - [0.0, 0.0, 0.0, 1.0]).max() > _ORTHONORMAL_TOLERANCE:
        raise InputError(f"{name}: expected the last row 0 0 0 1, found {array[3].tolist()}")
    return rigid_transform(array[:3, :3], array[:3, 3], name)


def transform_from_quaternion(
    *, qw: float, qx: float, qy: float, qz: float, translation: Any, name: str = "transform"
) -> RigidTransform:
    """Return the checked transform of a unit quaternion, each part by its name so that no order can be mistaken.

    Raises
    ------
    InputError
        If the norm is off 1 by more than 1e-3 (rounded values on file pass).
    """
    quaternion_wxyz = checked_array(f"{name}: quaternion", [qw, qx, qy, qz], (4,))
    norm = float(np.linalg.norm(quaternion_wxyz))
    if abs(norm - 1.0) > 1e-3:
        raise InputError(f"{name}: expected a unit quaternion, found norm {norm:.4g}")
    rotation = Rotation.from_quat(quaternion_wxyz / norm, scalar_first=True)
    return rigid_transform(rotation, translation, name)


def quaternion_wxyz(transform: RigidTransform) -> FloatArray:
    """Return the rotation as (qw, qx, qy, qz) with qw >= 0."""
    quaternion = transform.rotation.as_quat(canonical=True, scalar_first=True)
    return np.asarray(quaternion, dtype=np.float64)


def parts(transform: RigidTransform) -> tuple[FloatArray, FloatArray]:
    """Return (rotation matrix (3, 3), translation (3,)) as plain contiguous arrays, for hot code."""
    matrix = transform.as_matrix()
    return np.ascontiguousarray(matrix[:3, :3]), np.ascontiguousarray(matrix[:3, 3])


def _radians(**angles_deg: float) -> list[float]:
    return [math.radians(float(checked_array(name, angle, ()))) for name, angle in angles_deg.items()]


def field_from_robot_on_floor(x_m: float, y_m: float, heading_deg: float, z_m: float = 0.0) -> RigidTransform:
    """Return the pose of a level robot: heading counter-clockwise from the field's x."""
    (heading,) = _radians(heading_deg=heading_deg)
    return rigid_transform(Rotation.from_euler("z", heading), [x_m, y_m, z_m], "robot pose")


def heading_rad(field_from_robot: RigidTransform) -> float:
    """Return the direction of the robot's forward axis in the field's floor plane. [rad]"""
    forward_field = field_from_robot.rotation.as_matrix()[:, 0]
    return math.atan2(forward_field[1], forward_field[0])


def field_from_marker_angles(position: Any, facing_deg: float, tilt_deg: float, roll_deg: float) -> RigidTransform:
    """Return a marker's pose from the angles of the field file.

    Parameters
    ----------
    position : array_like, shape (3,)
        Centre of the black square in field. [m]
    facing_deg : float
        Heading of the printed face, counter-clockwise from the field's x. [deg]
    tilt_deg : float
        Face raised above the horizontal. [deg]
    roll_deg : float
        Turned counter-clockwise, seen by somebody facing it. [deg]
    """
    facing, tilt, roll = _radians(facing_deg=facing_deg, tilt_deg=tilt_deg, roll_deg=roll_deg)
    out_field = np.array([math.cos(facing) * math.cos(tilt), math.sin(facing) * math.cos(tilt), math.sin(tilt)])
    right_field = np.array([-math.sin(facing), math.cos(facing), 0.0])
    up_field = np.cross(out_field, right_field)
    upright = np.column_stack([right_field, up_field, out_field])
    rotation = upright @ Rotation.from_euler("z", roll).as_matrix()
    return rigid_transform(rotation, position, "marker pose")


def robot_from_camera_angles(position: Any, yaw_deg: float, tilt_deg: float, roll_deg: float) -> RigidTransform:
    """Return a camera's mount from the angles of the robot file.

    Parameters
    ----------
    position : array_like, shape (3,)
        Entrance pupil in robot. [m]
    yaw_deg : float
        View turned counter-clockwise from the robot's forward. [deg]
    tilt_deg : float
        View raised above the horizontal: the negative of REP-103's pitch. [deg]
    roll_deg : float
        Camera turned clockwise, seen from behind it. [deg]
    """
    yaw, tilt, roll = _radians(yaw_deg=yaw_deg, tilt_deg=tilt_deg, roll_deg=roll_deg)
    view_robot = np.array([math.cos(yaw) * math.cos(tilt), math.sin(yaw) * math.cos(tilt), math.sin(tilt)])
    right_robot = np.array([math.sin(yaw), -math.cos(yaw), 0.0])
    down_robot = np.cross(view_robot, right_robot)
    level = np.column_stack([right_robot, down_robot, view_robot])
    rotation = level @ Rotation.from_euler("z", roll).as_matrix()
    return rigid_transform(rotation, position, "mount")


def skew(vector: FloatArray) -> FloatArray:
    """Return the matrix [v]x with ``skew(v) @ u == cross(v, u)``."""
    x, y, z = vector
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
