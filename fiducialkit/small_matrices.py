"""Cholesky's factor of small symmetric matrices inside kernels, where `np.linalg` costs seconds of compiling."""

from __future__ import annotations

import math
from typing import Any

from fiducialkit.compiled import kernel

LEAST_SHARE = 1e-12  # of a diagonal element that must be left once the others have explained their part


@kernel
def cholesky(matrix: Any, damping: float, lower: Any, least_share: float = LEAST_SHARE) -> bool:
    """Fill `lower` (n, n) with the factor of a matrix whose diagonal is (1 + damping) larger; False if singular.

    Only the lower half of `matrix` is read, only that of `lower` written.
    """
    for i in range(matrix.shape[0]):
        for j in range(i + 1):
            total = matrix[i, j]
            if i == j:
                total *= 1.0 + damping
            for k in range(j):
                total -= lower[i, k] * lower[j, k]
            if i == j:
                if not total > least_share * abs(matrix[i, i]):
                    return False
                lower[i, i] = math.sqrt(total)
            else:
                lower[i, j] = total / lower[j, j]
    return True


@kernel
def solve_cholesky(lower: Any, vector: Any) -> None:
    """Replace `vector` (n,) by the solution of lower lower' x = vector."""
    count = vector.shape[0]
    for i in range(count):
        total = vector[i]
        for k in range(i):
            total -= lower[i, k] * vector[k]
        vector[i] = total / lower[i, i]
    for i in range(count - 1, -1, -1):
        total = vector[i]
        for k in range(i + 1, count):
            total -= lower[k, i] * vector[k]
        vector[i] = total / lower[i, i]


@kernel
def inverse_cholesky(lower: Any, inverse: Any) -> None:
    """Fill `inverse` (n, n) with that of lower lower'."""
    inverse[:, :] = 0.0
    for k in range(inverse.shape[0]):
        inverse[k, k] = 1.0
        solve_cholesky(lower, inverse[k])
