"""How corners of single markers err: squares by hand, a plain twin, and what weights and covariances owe each other."""

from __future__ import annotations

import numpy as np
import pytest
from planning_cases import ways

from fiducialkit.planning.corner_errors import corner_errors, shorter_way_px, ways_of_edges
from fiducialkit.planning.detectability import corner_kinds
from fiducialkit.scene.camera import Camera, CameraNoise

SQUARE = np.array([[100.0, 100.0], [132.0, 100.0], [132.0, 132.0], [100.0, 132.0]])  # clockwise, y down
OUTWARD = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])


def camera(**noise) -> Camera:
    return Camera.from_field_of_view(1280, 800, 75.0, noise=CameraNoise(**noise))


def skewed(seed=3, count=20):
    rng = np.random.default_rng(seed)
    return SQUARE + rng.uniform(-6.0, 6.0, (count, 4, 2))


def test_ways_of_a_square_by_hand():
    """Larger by one all round is size alone, moved right is the shift of the pair of upright edges alone."""
    matrix = ways_of_edges(SQUARE[None])[0]
    assert matrix @ OUTWARD.ravel() == pytest.approx([0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0])
    moved = matrix @ np.tile([1.0, 0.0], 4)
    assert moved == pytest.approx([0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0])  # edges 1 (right) and 3 (left)
    turned = matrix @ np.array([[1.0, -1.0], [1.0, 1.0], [-1.0, 1.0], [-1.0, -1.0]]).ravel()
    assert np.abs(turned[[2, 6]]) == pytest.approx([1.0, 1.0]) and np.delete(turned, [2, 6]) == pytest.approx(0.0)


def test_ways_equal_the_plain_twin():
    for pixels, matrix in zip(skewed(), ways_of_edges(skewed()), strict=True):
        twin = np.array([ways(step.reshape(4, 2), pixels) for step in np.eye(8)]).T
        np.testing.assert_allclose(matrix, twin, atol=1e-14)
        assert np.linalg.matrix_rank(matrix) == 8


def test_stock_corners_of_a_square_lie_inside_by_the_pull():
    """By hand: edges that lie inside by p put each corner p inside both ways; the solver takes them for independent."""
    own = camera(detector="stock")
    found = corner_errors(own, 8, SQUARE[None], np.zeros(1))
    pull = corner_kinds(own, cells=8)[0, 24, 0]  # 32 px: 2^(2 + 24 / 8)
    assert pull > 0.1
    np.testing.assert_allclose(found.mean[0].reshape(4, 2), -pull * OUTWARD, rtol=1e-9)
    assert np.count_nonzero(found.weights[0] - np.diag(np.diag(found.weights[0]))) == 0


def test_told_solvers_weigh_with_the_inverse():
    for name in ("fitted", "measured"):
        own = camera(detector=name, **({"corner_sd_px": 0.2} if name == "measured" else {}))
        found = corner_errors(own, 8, skewed(), np.full(20, 30.0))
        both = found.weights @ found.covariance
        np.testing.assert_allclose(both, np.broadcast_to(np.eye(8), both.shape), atol=1e-9)
        assert not found.mean.any()


def test_longer_edges_are_placed_better():
    """Physics: of a marker seen from the side the long edges' middles are surer by the root of the lengths' ratio."""
    narrow = SQUARE * [0.5, 1.0]
    found = corner_errors(camera(detector="fitted"), 8, narrow[None], np.array([60.0]))
    matrix = ways_of_edges(narrow[None])[0]
    sds = np.sqrt(np.diag(matrix @ found.covariance[0] @ matrix.T))
    np.testing.assert_allclose(sds[:4] / sds[4:], np.sqrt(2.0), rtol=1e-9)  # edges 0 and 2 are half as long


def test_shorter_way_of_a_rectangle():
    assert shorter_way_px(SQUARE[None] * [0.5, 1.0]) == pytest.approx([16.0])
