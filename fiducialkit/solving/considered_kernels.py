"""Compiled refinement with errors that markers share: a camera's mount and lens, a marker's place seen by two cameras.

All corner coordinates of the moment stand in one vector r with the covariance ``S = C + J_c S_c J_c'``: corner noise
plus what the considered parameters (small shifts and turns of cameras and markers, the lens) spread over the picture.
The pose is fitted with the weights S^-1, so its covariance ``(J' S^-1 J)^-1`` holds the considered errors, and more
corners never make it larger (Gauss-Markov). Tuples as in `frame_kernels`.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.solving.kernels import add_prior, add_scalar, cholesky_solve, marker_rows
from fiducialkit.solving.misfit_kernels import add_lens_spread, add_spread, considered_rows
from fiducialkit.solving.search_kernels import inverse_of, stepped

_ITERATIONS = 30


@kernel
def factor_in_place(matrix):
    """Turn a positive definite matrix into its lower Cholesky factor; return (whether it is one, log determinant)."""
    n = matrix.shape[0]
    log_determinant = 0.0
    for j in range(n):
        pivot = matrix[j, j]
        for k in range(j):
            pivot -= matrix[j, k] * matrix[j, k]
        if not pivot > 1e-15 * matrix[j, j]:
            return False, math.inf
        matrix[j, j] = math.sqrt(pivot)
        log_determinant += math.log(pivot)
        for i in range(j + 1, n):
            total = matrix[i, j]
            for k in range(j):
                total -= matrix[i, k] * matrix[j, k]
            matrix[i, j] = total / matrix[j, j]
    return True, log_determinant


@kernel
def fill_covariance(seen, rig, covariances, covariance_of, marker_of, considered, rotation, position, S):
    """Fill S (8 N, 8 N) at a pose; return False where a corner does not project."""
    n = covariance_of.shape[0]
    by_camera, by_marker, by_lens = np.empty((n, 8, 6)), np.empty((n, 8, 6)), np.empty((n, 8, 12))
    sds = considered[0]
    S[:, :] = 0.0
    for m in range(n):
        k = seen[2][m]
        if not considered_rows(
            seen[0][m], rig[0][k], rig[1][k], rig[2][k], rig[3][k], rotation, position, by_camera[m], by_marker[m],
            by_lens[m],
        ):  # fmt: skip
            return False
        S[8 * m : 8 * m + 8, 8 * m : 8 * m + 8] = covariances[covariance_of[m]]
        for other in range(m + 1):
            block = S[8 * m : 8 * m + 8, 8 * other : 8 * other + 8]
            if seen[2][other] == k:
                add_spread(block, by_camera[m], by_camera[other], sds[0], sds[1])
                add_lens_spread(block, by_lens[m], by_lens[other], considered[1][k])
            if marker_of[other] == marker_of[m]:
                add_spread(block, by_marker[m], by_marker[other], sds[2], sds[3])
    return True


@kernel
def _equations(seen, rig, factor, prior, rotation, position, information, gradient, stack):
    """As `normal_equations`, for residuals that are whitened all together by the Cholesky factor of S."""
    information[:, :] = 0.0
    gradient[:] = 0.0
    row = np.empty(6)
    chi2 = add_prior(rotation, position, prior, information, gradient, row)
    residuals, rows = stack
    n = seen[2].shape[0]
    for m in range(n):
        k = seen[2][m]
        if not marker_rows(
            seen[0][m], seen[1][m], rig[0][k], rig[1][k], rig[2][k], rig[3][k], rotation, position,
            residuals[8 * m : 8 * m + 8], rows[8 * m : 8 * m + 8],
        ):  # fmt: skip
            return math.inf
    for i in range(8 * n):
        for k in range(i):
            share = factor[i, k]
            if share != 0.0:
                residuals[i] -= share * residuals[k]
                for a in range(6):
                    rows[i, a] -= share * rows[k, a]
        residuals[i] /= factor[i, i]
        for a in range(6):
            rows[i, a] /= factor[i, i]
        chi2 += add_scalar(residuals[i], 1.0, rows[i], information, gradient)
    for i in range(6):
        for j in range(i):
            information[j, i] = information[i, j]
    return chi2


@kernel
def refine_considered(seen, rig, factor, prior, rotation, position, information):
    """Run Gauss-Newton with halved steps to the minimum; return (whether it was reached, chi squared)."""
    n = seen[2].shape[0]
    stack = (np.empty(8 * n), np.empty((8 * n, 6)))
    gradient, step, lower, turn = np.empty(6), np.zeros(6), np.empty((6, 6)), np.empty((3, 3))
    trial_rotation, trial_position = np.empty((3, 3)), np.empty(3)
    trial_information, trial_gradient = np.empty((6, 6)), np.empty(6)
    chi2 = _equations(seen, rig, factor, prior, rotation, position, information, gradient, stack)
    for _ in range(_ITERATIONS):
        if not chi2 < math.inf or not cholesky_solve(information, gradient, lower, step):
            return False, chi2
        decrement = 0.0
        for i in range(6):
            decrement += step[i] * gradient[i]
        if decrement < 1e-12 * (1.0 + chi2):
            return True, chi2
        share, trial = 1.0, math.inf
        while share > 1e-6:
            stepped(rotation, position, -share * step, turn, trial_rotation, trial_position)
            trial = _equations(
                seen, rig, factor, prior, trial_rotation, trial_position, trial_information, trial_gradient, stack
            )
            if trial <= chi2:
                break
            share *= 0.5
        if not trial <= chi2:
            return decrement < 1e-3, chi2
        rotation[:, :] = trial_rotation
        position[:] = trial_position
        information[:, :] = trial_information
        gradient[:] = trial_gradient
        chi2 = trial
    return False, chi2


@kernel
def consider(seen, rig, covariances, covariance_of, marker_of, considered, prior, minima, count):
    """Refine every minimum with the considered errors in its weights; return how many are left, in their order."""
    n = covariance_of.shape[0]
    S = np.empty((8 * n, 8 * n))
    kept = 0
    for k in range(count):
        rotation, position = minima[0][k].copy(), minima[1][k].copy()
        if not fill_covariance(seen, rig, covariances, covariance_of, marker_of, considered, rotation, position, S):
            continue
        is_regular, spread = factor_in_place(S)
        information = np.empty((6, 6))
        if not is_regular:
            continue
        reached, chi2 = refine_considered(seen, rig, S, prior, rotation, position, information)
        is_regular, log_determinant = inverse_of(information, minima[4][kept])
        if not (reached and is_regular):
            continue
        minima[0][kept], minima[1][kept], minima[2][kept] = rotation, position, chi2
        minima[3][kept], minima[5][kept] = information, chi2 + log_determinant + spread
        kept += 1
    return kept
