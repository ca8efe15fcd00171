"""Compiled: how far each marker lies from where the others put it, and what errors of mounts, lenses and layout do.

Tuples as in `search_kernels`, and
considered = standard deviations (4,) of a camera's place [m] and turn [rad] and of a marker's, and the covariance of
    each camera's fx, fy, cx, cy, d0 ... d7 (K, 12, 12)
verdict = whether each marker is used (N,), its reprojection error rms per coordinate (N,), and the squared number of
    sigmas it lies from where the other markers put it (N,)

A marker is tested against the pose of the others. Its residual d there has the covariance V = C_m + J C_others J',
enlarged by s^2 = chi2 / freedom of the others where that exceeds 1, and by a tolerance T for what is never exact (a
layout within 10 mm and 1 degree, corners within 0.25 px): it is rejected where d' (s^2 V + T)^-1 d exceeds 45, which
8 true coordinates do once in three million times.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.scene.projection import project_points_jacobian
from fiducialkit.solving.kernels import cholesky_solve, marker_rows
from fiducialkit.solving.search_kernels import inverse_of

REJECT_ABOVE = 45.0
TOLERANCE_PX, TOLERANCE_M, TOLERANCE_RAD = 0.25, 0.01, math.radians(1.0)


@kernel
def considered_rows(corners, model, lens, camera_rotation, camera_offset, rotation, position, by_camera, by_marker,
                    by_lens):  # fmt: skip
    """Write d(pixels) (8, ...) by the camera's shift and turn, the marker's (in field, about its middle) and the lens.

    Return False if a corner does not project. The camera turns about its own pupil and in its own axes.
    """
    c = np.empty((3, 3))
    for i in range(3):
        for j in range(3):
            c[i, j] = 0.0
            for k in range(3):
                c[i, j] += camera_rotation[i, k] * rotation[j, k]
    points = np.empty((4, 3))
    for n in range(4):
        for i in range(3):
            points[n, i] = camera_offset[i]
            for j in range(3):
                points[n, i] += c[i, j] * (corners[n, j] - position[j])
    pixels, valid = np.empty((4, 2)), np.empty(4, dtype=np.bool_)
    by_point, by_intrinsics = np.empty((4, 2, 3)), np.empty((4, 2, 12))
    project_points_jacobian(model, lens, points, pixels, valid, by_point, by_intrinsics)
    for n in range(4):
        if not valid[n]:
            return False
        for half in range(2):
            row = 2 * n + half
            by_lens[row] = by_intrinsics[n, half]
            _lever_row(by_point[n, half], points[n], by_camera[row])
            in_field, arm = np.empty(3), np.empty(3)
            for j in range(3):
                in_field[j] = 0.0
                for i in range(3):
                    in_field[j] += by_point[n, half, i] * c[i, j]
                arm[j] = corners[n, j] - 0.25 * (corners[0, j] + corners[1, j] + corners[2, j] + corners[3, j])
            _lever_row(in_field, arm, by_marker[row])
    return True


@kernel
def _lever_row(g, arm, row):
    """Write the derivative by a shift, then by a turn about the point the arm starts at: (g, arm x g)."""
    row[0], row[1], row[2] = g[0], g[1], g[2]
    row[3] = arm[1] * g[2] - arm[2] * g[1]
    row[4] = arm[2] * g[0] - arm[0] * g[2]
    row[5] = arm[0] * g[1] - arm[1] * g[0]


@kernel
def add_spread(covariance, a, b, sd_m, sd_rad):
    """Add rows a S b' of an unknown shift and turn with the given standard deviations to the covariance."""
    for i in range(a.shape[0]):
        for j in range(b.shape[0]):
            shift = a[i, 0] * b[j, 0] + a[i, 1] * b[j, 1] + a[i, 2] * b[j, 2]
            turn = a[i, 3] * b[j, 3] + a[i, 4] * b[j, 4] + a[i, 5] * b[j, 5]
            covariance[i, j] += sd_m * sd_m * shift + sd_rad * sd_rad * turn


@kernel
def add_lens_spread(covariance, a, b, lens_covariance):
    """Add rows a S b' of the lens parameters' covariance S (12, 12)."""
    for i in range(a.shape[0]):
        for k in range(12):
            total = 0.0
            for n in range(12):
                total += a[i, n] * lens_covariance[n, k]
            if total != 0.0:
                for j in range(b.shape[0]):
                    covariance[i, j] += total * b[j, k]


@kernel
def is_considered(considered):
    """Return whether any standard deviation or lens covariance is above zero."""
    return np.any(considered[0] > 0.0) or np.any(considered[1] != 0.0)


@kernel
def _tolerant_distance(d, V, scale, rows, with_layout):
    """Return d' (scale V + T)^-1 d with the tolerance T: of every corner, and of the layout where asked for."""
    total, lower, solution = np.empty((8, 8)), np.empty((8, 8)), np.zeros(8)
    for i in range(8):
        for j in range(8):
            total[i, j] = scale * V[i, j]
        total[i, i] += TOLERANCE_PX * TOLERANCE_PX
    if with_layout:
        add_spread(total, rows, rows, TOLERANCE_M, TOLERANCE_RAD)
    if not cholesky_solve(total, d, lower, solution):
        return math.inf
    distance2 = 0.0
    for i in range(8):
        distance2 += d[i] * solution[i]
    return distance2


@kernel
def _marker_tolerance_rows(m, seen, rig, rotation, position):
    k = seen[2][m]
    by_camera, by_marker, by_lens = np.empty((8, 6)), np.zeros((8, 6)), np.empty((8, 12))
    considered_rows(
        seen[0][m], rig[0][k], rig[1][k], rig[2][k], rig[3][k], rotation, position, by_camera, by_marker, by_lens
    )
    return by_marker


@kernel
def _residual_rows(m, seen, rig, rotation, position, residual, rows):
    k = seen[2][m]
    return marker_rows(
        seen[0][m], seen[1][m], rig[0][k], rig[1][k], rig[2][k], rig[3][k], rotation, position, residual, rows
    )


@kernel
def _whitened(W, residual, rows, e, A):
    """Write e = W residual (8,) and A = W rows (8, 6) for a lower triangular W."""
    for i in range(8):
        e[i] = 0.0
        A[i] = 0.0
        for j in range(i + 1):
            w = W[i, j]
            if w != 0.0:
                e[i] += w * residual[j]
                for k in range(6):
                    A[i, k] += w * rows[j, k]


@kernel
def _deletion(e, A, C, inner, lower, solution):
    """Return e' (I - A C A')^-1 e, the squared sigmas from where the others put a marker; fill inner, solution."""
    spread = np.empty(6)
    for i in range(8):
        solution[i] = 0.0
        for a in range(6):
            spread[a] = 0.0
            for b in range(6):
                spread[a] += C[a, b] * A[i, b]
        for j in range(i + 1):
            total = 1.0 if i == j else 0.0
            for a in range(6):
                total -= spread[a] * A[j, a]
            inner[i, j] = inner[j, i] = total
    if not cholesky_solve(inner, e, lower, solution):
        return -1.0
    distance2 = 0.0
    for i in range(8):
        distance2 += e[i] * solution[i]
    return distance2


@kernel
def misfits(seen, rig, weighting, rotation, position, covariance, chi2, freedom, with_layout, verdict):
    """Fill the rms and squared sigmas of every marker that takes part; return the largest tolerant distance."""
    residual, rows, e, A = np.empty(8), np.empty((8, 6)), np.empty(8), np.empty((8, 6))
    inner, lower, solution = np.empty((8, 8)), np.zeros((8, 8)), np.empty(8)
    _, rms, sigmas2 = verdict
    worst = 0.0
    for m in range(rms.shape[0]):
        W = weighting[1][m]
        if W[0, 0] == 0.0 or not _residual_rows(m, seen, rig, rotation, position, residual, rows):
            continue
        rms[m] = math.sqrt(np.sum(residual * residual) / 8.0)
        _whitened(W, residual, rows, e, A)
        distance2 = _deletion(e, A, covariance, inner, lower, solution) if freedom > 8 else -1.0
        if distance2 < 0.0:  # nothing else fixes the pose
            sigmas2[m] = np.sum(e * e)
            continue
        sigmas2[m] = distance2
        if distance2 > REJECT_ABOVE:
            scale = max(1.0, (chi2 - distance2) / (freedom - 8))
            d, V = _deleted(W, inner, solution)
            tolerance = _marker_tolerance_rows(m, seen, rig, rotation, position)
            worst = max(worst, _tolerant_distance(d, V, scale, tolerance, with_layout))
    return worst


@kernel
def _deleted(W, inner, solution):
    """Return the residual of a marker where the others put it and its covariance, by deletion from the joint fit.

    ``V = W^-1 (I - H)^-1 W^-T`` and ``d = W^-1 (I - H)^-1 e``, with H the joint fit's hat matrix (linear theory: Cook
    and Weisberg, "Residuals and Influence in Regression", 1982, section 3.3, for a group of cases).
    """
    M = np.empty((8, 8))
    for i in range(8):
        for j in range(8):
            M[i, j] = 0.0
            for k in range(8):
                for n in range(8):
                    M[i, j] += W[k, i] * inner[k, n] * W[n, j]
    V = np.empty((8, 8))
    inverse_of(M, V)
    d = np.zeros(8)
    for i in range(8):  # W is lower triangular
        total = solution[i]
        for k in range(i):
            total -= W[i, k] * d[k]
        d[i] = total / W[i, i]
    return d, V


@kernel
def innovation(m, seen, rig, own_whitening, rotation, position, covariance, scale, with_layout):
    """Return (rms, plain and tolerant squared sigmas) of a marker against a pose that it had no part in."""
    residual, rows = np.empty(8), np.empty((8, 6))
    if not _residual_rows(m, seen, rig, rotation, position, residual, rows):
        return math.nan, math.inf, math.inf
    M, V = np.zeros((8, 8)), np.empty((8, 8))
    for i in range(8):
        for j in range(8):
            for k in range(8):
                M[i, j] += own_whitening[k, i] * own_whitening[k, j]
    inverse_of(M, V)
    for i in range(8):
        for j in range(8):
            for a in range(6):
                for b in range(6):
                    V[i, j] += rows[i, a] * covariance[a, b] * rows[j, b]
    lower, solution = np.empty((8, 8)), np.zeros(8)
    plain = math.inf
    if cholesky_solve(V, residual, lower, solution):
        plain = np.sum(residual * solution)
    tolerance = _marker_tolerance_rows(m, seen, rig, rotation, position)
    distance2 = _tolerant_distance(residual, V, scale, tolerance, with_layout)
    return math.sqrt(np.sum(residual * residual) / 8.0), plain, distance2
