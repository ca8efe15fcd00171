"""Cameras, mounts, motion and room for results as the compiled solver takes them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
from scipy.spatial.transform import RigidTransform
from scipy.special import ndtri

from fiducialkit.arrays import FloatArray, IntArray, checked_array
from fiducialkit.errors import InputError
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.transforms import parts

Rig = tuple[IntArray, FloatArray, FloatArray, FloatArray]
Output = tuple[Any, ...]


def rig_arrays(cameras: Sequence[Camera], mounts: Sequence[RigidTransform]) -> Rig:
    """Return models, lens rows, and camera_from_robot as rotations and offsets."""
    rotations, offsets = np.empty((len(cameras), 3, 3)), np.empty((len(cameras), 3))
    for k, mount in enumerate(mounts):
        rotation_rc, pupil_robot = parts(mount)
        rotations[k] = rotation_rc.T
        offsets[k] = -rotation_rc.T @ pupil_robot
    models = np.array([camera.model_number for camera in cameras], dtype=np.int64)
    return models, np.array([camera.parameters for camera in cameras]), rotations, offsets


def matched_lists(
    camera: Camera | Sequence[Camera], robot_from_camera: RigidTransform | Sequence[RigidTransform] | None
) -> tuple[list[Camera], list[RigidTransform]]:
    """Return cameras and mounts as lists; without mounts one camera is its own robot."""
    cameras: list[Camera] = listed("camera", camera, Camera)
    if robot_from_camera is None:
        if len(cameras) > 1:
            raise InputError("robot_from_camera: expected one mount a camera, found none")
        return cameras, [RigidTransform.identity()]
    if isinstance(robot_from_camera, RigidTransform) and robot_from_camera.single:
        return cameras, [robot_from_camera]
    # a stack of transforms is a sequence too
    return cameras, listed("robot_from_camera", list(robot_from_camera), RigidTransform)


def listed(name: str, value: Any, kind: type) -> list[Any]:
    """Return one or several objects of a type as a list."""
    several = list(value) if isinstance(value, (list, tuple)) else [value]
    for each in several:
        if not isinstance(each, kind):
            raise InputError(f"{name}: expected {kind.__name__}, one or a list, found {type(each).__name__}")
    return several


def motion_rows(velocity: Any, exposure_offset_s: Any, frames: int, cameras: int) -> FloatArray:
    """Return where the robot stands at each exposure, seen from the common time: (frames, cameras, 3) x, y, turn.

    The robot drives an arc: with the turn phi = rate * t, x = (vx sin(phi) - vy (1 - cos(phi))) / rate, and so on.

    Parameters
    ----------
    velocity : array_like, shape (3,) or (frames, 3), or None
        Forward, to the left, turn counter-clockwise. [m/s, m/s, rad/s]
    exposure_offset_s : array_like, shape (), (cameras,) or (frames, cameras)
        From the common time to the middle of each exposure. [s]
    """
    if (velocity is None) != (exposure_offset_s is None):
        raise InputError("velocity, exposure_offset_s: expected both or none, found one")
    if velocity is None:
        return np.zeros((frames, cameras, 3))
    speeds = checked_array("velocity", velocity)
    if speeds.shape not in ((3,), (frames, 3)):
        raise InputError(f"velocity: expected (forward, left, turn rate), found shape {speeds.shape}")
    times = checked_array("exposure_offset_s", exposure_offset_s)
    if times.shape not in ((), (cameras,), (frames, cameras)):
        raise InputError(f"exposure_offset_s: expected one time a camera, {cameras}, found shape {times.shape}")
    times = np.broadcast_to(times, (frames, cameras))
    vx, vy, rate = (np.broadcast_to(speeds, (frames, 3))[:, None, i] for i in range(3))
    turn = rate * times
    along = times * np.sinc(turn / math.pi)  # sin(phi) / rate
    across = times * np.sin(turn / 2.0) * np.sinc(turn / (2.0 * math.pi))  # (1 - cos(phi)) / rate
    return np.ascontiguousarray(
        np.stack([vx * along - vy * across, vx * across + vy * along, turn + 0.0 * times], axis=2)
    )


@cache
def spread_normals() -> FloatArray:
    """Return 256 evenly spread draws of four standard normal numbers: Halton's sequence in bases 2, 3, 5, 7.

    References
    ----------
    Halton, Numerische Mathematik 2 (1960) 84-90.
    """
    points = np.empty((256, 4))
    for column, base in enumerate((2, 3, 5, 7)):
        for row in range(256):
            number, share, value = row + 1, 1.0 / base, 0.0
            while number:
                number, digit = divmod(number, base)
                value += digit * share
                share /= base
            points[row, column] = value
    return np.asarray(ndtri(points))


def new_output(frames: int, rows: int) -> tuple[Output, Output]:
    """Return empty arrays for verdicts and results, as `solving.moment_kernels` has them."""
    verdict = (np.ones(rows, dtype=np.int64), np.full(rows, math.nan), np.full(rows, math.nan))
    out = (
        np.zeros(frames, dtype=np.int64), np.zeros(frames, dtype=np.int64), np.full(frames, math.nan),
        np.full((frames, 2, 3, 3), math.nan), np.full((frames, 2, 3), math.nan), np.full((frames, 2, 6, 6), math.nan),
        np.full((frames, 2), math.nan), np.zeros((frames, 2)), np.full((frames, 2, 6, 6), math.nan),
        np.full((frames, 3), math.nan),
    )  # fmt: skip
    return verdict, out
