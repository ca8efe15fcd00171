"""Poses as plain arrays (n, 3, 4), rotation and position side by side, their local steps and the way back.

A local step is a small translation, then a small rotation vector, both in the frame the pose leads to:
``p -> p + dp``, ``R -> exp(w) R``.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial.transform import RigidTransform

from fiducialkit.arrays import FloatArray
from fiducialkit.scene.transforms import parts


def pose_array(transforms: RigidTransform | Sequence[RigidTransform]) -> FloatArray:
    """Return transforms as the arrays a pose block takes: (3, 4) of one, (n, 3, 4) of a sequence."""
    if isinstance(transforms, RigidTransform) and transforms.single:
        rotation, translation = parts(transforms)
        return np.column_stack([rotation, translation])
    return np.stack([pose_array(one) for one in transforms])


def moved_poses(poses: FloatArray, steps: FloatArray) -> FloatArray:
    """Return poses (n, 3, 4) after local steps (n, 6): ``p + dp``, ``exp(w) R``."""
    turned = _exponential(steps[:, 3:]) @ poses[:, :, :3]
    return np.concatenate([turned, (poses[:, :, 3] + steps[:, :3])[:, :, None]], axis=2)


def _skew(vectors: FloatArray) -> FloatArray:
    x, y, z = vectors.T
    matrix = np.zeros((len(vectors), 3, 3))
    matrix[:, 2, 1], matrix[:, 0, 2], matrix[:, 1, 0] = x, y, z
    return matrix - matrix.transpose(0, 2, 1)


def _exponential(vectors: FloatArray) -> FloatArray:
    """Return rotation matrices of rotation vectors (Rodrigues)."""
    angle = np.linalg.norm(vectors, axis=1)[:, None, None]
    k = _skew(vectors)
    half = np.sinc(angle / (2.0 * np.pi))  # sin(angle / 2) / (angle / 2)
    return np.asarray(np.eye(3) + np.sinc(angle / np.pi) * k + 0.5 * half * half * (k @ k))


def rotation_vectors(matrices: FloatArray) -> FloatArray:
    """Return rotation vectors (n, 3) of rotation matrices (n, 3, 3), angles up to pi."""
    axis = np.stack(
        [
            matrices[:, 2, 1] - matrices[:, 1, 2],
            matrices[:, 0, 2] - matrices[:, 2, 0],
            matrices[:, 1, 0] - matrices[:, 0, 1],
        ],
        axis=1,
    )
    sine, cosine = np.linalg.norm(axis, axis=1) / 2.0, (np.trace(matrices, axis1=1, axis2=2) - 1.0) / 2.0
    angle = np.arctan2(sine, cosine)
    scale = np.where(sine > 1e-8, angle / np.where(sine > 1e-8, 2.0 * sine, 1.0), 0.5)
    vectors = axis * scale[:, None]
    for i in np.flatnonzero((sine <= 1e-4) & (cosine < 0.0)):  # near half a turn the axis is in R + R' alone
        vectors[i] = _half_turn(matrices[i], axis[i], float(angle[i]))
    return vectors


def _half_turn(matrix: FloatArray, axis: FloatArray, angle: float) -> FloatArray:
    outer = (matrix + matrix.T) / 2.0 + np.eye(3)
    column = outer[:, int(np.argmax(np.diag(outer)))]
    sign = -1.0 if column @ axis < 0.0 else 1.0
    return np.asarray(sign * angle * column / np.linalg.norm(column))


def inverse_left_jacobian(turns: FloatArray) -> FloatArray:
    """Return d(log(exp(w) exp(v)))/dw at w = 0 for rotation vectors v, (n, 3, 3).

    Barfoot, State Estimation for Robotics, 2017, section 7.1.5: 1 - [v]x / 2 + b [v]x^2 with
    b = (1 - (a / 2) cot(a / 2)) / a^2, a = |v|; 1 / 12 in the limit.
    """
    angle = np.linalg.norm(turns, axis=1)
    safe = np.where(angle > 1e-3, angle, 1.0)
    b = np.where(angle > 1e-3, (1.0 - safe / 2.0 / np.tan(safe / 2.0)) / safe**2, 1.0 / 12.0 + angle**2 / 720.0)
    k = _skew(turns)
    return np.asarray(np.eye(3) - 0.5 * k + b[:, None, None] * (k @ k))
