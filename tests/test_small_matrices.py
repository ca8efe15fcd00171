"""Cholesky's factor inside kernels, beside numpy."""

from __future__ import annotations

import numpy as np
import pytest

from fiducialkit.small_matrices import cholesky, inverse_cholesky, solve_cholesky


def test_a_factor_worked_by_hand() -> None:
    # [[4, 2], [2, 10]] = L L' with L = [[2, 0], [1, 3]]
    lower = np.zeros((2, 2))
    assert cholesky(np.array([[4.0, 2.0], [2.0, 10.0]]), 0.0, lower)
    np.testing.assert_array_equal(lower, [[2.0, 0.0], [1.0, 3.0]])


@pytest.mark.parametrize("count", [1, 2, 6, 15])
@pytest.mark.parametrize("damping", [0.0, 0.3])
def test_against_numpy(count: int, damping: float) -> None:
    rng = np.random.default_rng(count)
    rows = rng.normal(size=(count + 3, count))
    matrix = rows.T @ rows
    damped = matrix + damping * np.diag(np.diag(matrix))
    lower, inverse, vector = np.zeros((count, count)), np.empty((count, count)), rng.normal(size=count)
    assert cholesky(matrix, damping, lower)
    np.testing.assert_allclose(lower, np.linalg.cholesky(damped), rtol=1e-10, atol=1e-12)
    inverse_cholesky(lower, inverse)
    np.testing.assert_allclose(inverse, np.linalg.inv(damped), rtol=1e-8, atol=1e-10)
    solved = vector.copy()
    solve_cholesky(lower, solved)
    np.testing.assert_allclose(solved, np.linalg.solve(damped, vector), rtol=1e-8, atol=1e-10)


@pytest.mark.parametrize(
    "matrix", [np.zeros((2, 2)), np.ones((2, 2)), np.array([[1.0, 2.0], [2.0, 1.0]]), np.full((2, 2), np.nan)]
)
def test_a_matrix_that_is_not_definite_is_refused(matrix: np.ndarray) -> None:
    assert not cholesky(matrix, 0.0, np.zeros((2, 2)))
