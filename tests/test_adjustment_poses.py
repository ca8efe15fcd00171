"""Local steps of poses against scipy, and the way back."""

from __future__ import annotations

import numpy as np
import pytest
from adjustment_cases import pose
from scipy.spatial.transform import Rotation

from fiducialkit.scene.transforms import rigid_transform
from fiducialkit.solving.adjustment_poses import inverse_left_jacobian, moved_poses, pose_array, rotation_vectors
from fiducialkit.solving.adjustment_problem import Block

ANGLES = (0.0, 1e-12, 1e-8, 1e-5, 1e-3, 0.1, 1.0, 2.0, 3.0, 3.1415, np.pi - 1e-6, np.pi - 1e-9)


def test_a_quarter_turn_by_hand():
    start = np.column_stack([np.eye(3), [1.0, 2.0, 3.0]])
    moved = moved_poses(start[None], np.array([[0.5, 0.0, -1.0, 0.0, 0.0, np.pi / 2.0]]))[0]
    assert moved[:, 3] == pytest.approx([1.5, 2.0, 2.0])
    assert moved[:, :3] == pytest.approx(np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]), abs=1e-15)


@pytest.mark.parametrize("angle", ANGLES)
def test_turns_are_scipys_and_come_back(angle):
    rng = np.random.default_rng(3)
    axes = rng.normal(size=(20, 3))
    axes[0], axes[1] = (1.0, 0.0, 0.0), (0.0, 0.0, -1.0)
    vectors = angle * axes / np.linalg.norm(axes, axis=1, keepdims=True)
    start = np.tile(np.eye(3, 4), (20, 1, 1))
    matrices = moved_poses(start, np.concatenate([np.zeros((20, 3)), vectors], axis=1))[:, :, :3]
    assert matrices == pytest.approx(Rotation.from_rotvec(vectors).as_matrix(), abs=1e-14)
    back = rotation_vectors(matrices)
    assert back == pytest.approx(vectors, abs=1e-8 if angle > 3.0 else 1e-14)


def test_half_a_turn_comes_back_up_to_its_sign():
    axes = np.array([[1.0, 0.0, 0.0], [0.0, 0.6, 0.8], [-0.48, 0.6, 0.64]])
    back = rotation_vectors(Rotation.from_rotvec(np.pi * axes).as_matrix())
    signs = np.sign((back * axes).sum(axis=1))
    assert back == pytest.approx(signs[:, None] * np.pi * axes, abs=1e-7)


@pytest.mark.parametrize("angle", [0.0, 1e-6, 5e-4, 2e-3, 0.5, 2.5])
def test_the_derivative_of_the_way_back(angle):
    vector = angle * np.array([0.6, -0.48, 0.64])
    turn = Rotation.from_rotvec(vector)
    step = 1e-6
    numeric = np.column_stack(
        [
            ((Rotation.from_rotvec(step * e) * turn).as_rotvec() - (Rotation.from_rotvec(-step * e) * turn).as_rotvec())
            / (2.0 * step)
            for e in np.eye(3)
        ]
    )
    assert inverse_left_jacobian(vector[None])[0] == pytest.approx(numeric, abs=1e-9)


def test_a_block_of_poses_knows_how_far_it_was_moved():
    rng = np.random.default_rng(4)
    start = np.stack([pose(rng.normal(size=3), rng.normal(size=3)) for _ in range(6)])
    block = Block(name="marker", value=start, manifold="pose")
    step = rng.normal(size=(6, 6))
    deviation, slope = block.deviation(block.moved(start, step.ravel()), start)
    assert deviation == pytest.approx(step, abs=1e-12)
    assert slope.shape == (6, 6, 6)
    assert block.dimension == 36
    assert block.full_labels[6:8] == ["marker[1].x_m", "marker[1].y_m"]


def test_transforms_become_arrays():
    rotation = Rotation.from_rotvec([0.1, 0.2, 0.3])
    one = rigid_transform(rotation, [1.0, 2.0, 3.0])
    assert pose_array(one) == pytest.approx(np.column_stack([rotation.as_matrix(), [1.0, 2.0, 3.0]]))
    assert pose_array([one, one, one]).shape == (3, 3, 4)
