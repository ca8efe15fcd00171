"""Compiled solution of one moment: the poses that fit, and whole markers rejected that belong to none of them.

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
from fiducialkit.solving.search_kernels import (
    copy_minima,
    find_minima,
    inverse_of,
    marker_starts,
    new_minima,
    whiten,
)

REJECT_ABOVE = 45.0
TOLERANCE_PX, TOLERANCE_M, TOLERANCE_RAD = 0.25, 0.01, math.radians(1.0)
_MARGIN = 15.0  # by how much leaving out the culprit must beat leaving out another
_FAR_SIGMAS2, _FAR_PX = 25.0, 2.0


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
def _with_considered(covariance, m, seen, rig, starts, considered):
    """Add the considered errors of one marker and its camera, at its own planar pose, to its covariance (8, 8)."""
    camera = seen[2][m]
    s = 2 * m if starts[2][2 * m] else 2 * m + 1
    by_camera, by_marker, by_lens = np.empty((8, 6)), np.empty((8, 6)), np.empty((8, 12))
    if not starts[2][s] or not considered_rows(
        seen[0][m], rig[0][camera], rig[1][camera], rig[2][camera], rig[3][camera], starts[0][s], starts[1][s],
        by_camera, by_marker, by_lens,
    ):  # fmt: skip
        return
    sds = considered[0]
    add_spread(covariance, by_camera, by_camera, sds[0], sds[1])
    add_spread(covariance, by_marker, by_marker, sds[2], sds[3])
    add_lens_spread(covariance, by_lens, by_lens, considered[1][camera])


@kernel
def prepare(seen, covariances, covariance_of, rig, considered, starts, weighting):
    """Fill the starts and the weighting of every marker; return False if a covariance is none."""
    lower, covariance = np.empty((8, 8)), np.empty((8, 8))
    with_considered = is_considered(considered)
    for m in range(covariance_of.shape[0]):
        k = seen[2][m]
        marker_starts(
            seen[0][m], seen[1][m], rig[0][k], rig[1][k], rig[2][k], rig[3][k],
            starts[0][2 * m : 2 * m + 2], starts[1][2 * m : 2 * m + 2], starts[2][2 * m : 2 * m + 2],
        )  # fmt: skip
        covariance[:, :] = covariances[covariance_of[m]]
        if with_considered:
            _with_considered(covariance, m, seen, rig, starts, considered)
        if not whiten(covariance, weighting[1][m], lower):
            return False
        trace = 0.0
        for i in range(8):
            trace += covariance[i, i]
        weighting[0][m] = 8.0 / trace
    return True


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
def _innovation(m, seen, rig, own_whitening, rotation, position, covariance, scale, with_layout):
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


@kernel
def _switch(m, weighting, kept, on):
    """Let a marker take part, or not."""
    if on:
        weighting[0][m] = kept[0][m]
        weighting[1][m] = kept[1][m]
    else:
        weighting[0][m] = 0.0
        weighting[1][m] = 0.0


@kernel
def _without_one(seen, rig, weighting, kept, prior, starts, light, trial, use):
    """Return which marker's absence lowers chi squared most, that chi squared, and the next best one's."""
    culprit, best, second = -1, math.inf, math.inf
    for m in range(use.shape[0]):
        if use[m] == 0:
            continue
        _switch(m, weighting, kept, False)
        count = find_minima(seen, rig, weighting, prior, starts, light, trial)
        _switch(m, weighting, kept, True)
        chi2 = math.inf
        for k in range(count):
            chi2 = min(chi2, trial[2][k])
        if chi2 < best:
            culprit, second, best = m, best, chi2
        elif chi2 < second:
            second = chi2
    return culprit, best, second


@kernel
def _readmit(seen, rig, weighting, kept, minima, scale, with_layout, verdict):
    """Fill the figures of the rejected markers; let those take part again that fit after all; return how many."""
    use, rms, sigmas2 = verdict
    again = 0
    for m in range(use.shape[0]):
        if use[m] == 0:
            rms[m], sigmas2[m], distance2 = _innovation(
                m, seen, rig, kept[1][m], minima[0][0], minima[1][0], minima[4][0], scale, with_layout
            )
            if distance2 <= REJECT_ABOVE:
                use[m] = 1
                again += 1
                _switch(m, weighting, kept, True)
    return again


@kernel
def _is_consistent(seen, rig, weighting, minima, count, freedom, with_layout, verdict):
    """Return whether the best pose explains every marker that takes part, filling their figures."""
    if count == 0:
        return False
    chi2 = minima[2][0]
    worst = misfits(seen, rig, weighting, minima[0][0], minima[1][0], minima[4][0], chi2, freedom, with_layout, verdict)
    rms2 = 0.0
    for m in range(verdict[0].shape[0]):
        if weighting[0][m] > 0.0:
            rms2 = max(rms2, verdict[1][m] * verdict[1][m])
    is_far = chi2 > _FAR_SIGMAS2 * max(freedom, 1) and rms2 > _FAR_PX * _FAR_PX
    return worst <= REJECT_ABOVE and not is_far


@kernel
def _reject(seen, rig, weighting, prior, prior_rows, starts, light, minima, with_layout, verdict):
    """Leave out whole markers, the worst first, until the rest agree; return the number of minima, 0 in vain."""
    use = verdict[0]
    kept = (weighting[0].copy(), weighting[1].copy())
    trial = new_minima()
    remaining = use.shape[0]
    while remaining > 1:
        culprit, best, second = _without_one(seen, rig, weighting, kept, prior, starts, light, trial, use)
        if culprit < 0:
            return 0
        use[culprit] = 0
        remaining -= 1
        _switch(culprit, weighting, kept, False)
        count = find_minima(seen, rig, weighting, prior, starts, light, trial)
        freedom = 8 * remaining + prior_rows - 6
        if _is_consistent(seen, rig, weighting, trial, count, freedom, with_layout, verdict):
            scale = max(1.0, trial[2][0] / max(freedom, 1))
            if second - best < _MARGIN * scale:
                return 0
            if _readmit(seen, rig, weighting, kept, trial, scale, with_layout, verdict) > 0:
                count = find_minima(seen, rig, weighting, prior, starts, light, trial)
                taking_part = np.count_nonzero(use)
                freedom = 8 * taking_part + prior_rows - 6
                _is_consistent(seen, rig, weighting, trial, count, freedom, with_layout, verdict)
            copy_minima(trial, minima)
            return count
    return 0


@kernel
def count_prior_rows(prior):
    """Return how many scalar residuals the prior row stands for."""
    rows = 0
    for k in range(3):
        rows += 1 if prior[3 + k] > 0.0 else 0
    rows += 2 if prior[6] > 0.0 else 0
    return rows + (1 if prior[8] > 0.0 else 0)


@kernel
def solve_frame(seen, covariances, covariance_of, rig, prior, considered, weighting, minima, verdict):
    """Find every pose that fits one moment's markers; reject whole markers that fit none.

    Returns
    -------
    count : number of minima, the most probable first; 0 where there is no pose, -1 where a covariance is none.
    """
    n = covariance_of.shape[0]
    starts = (np.empty((2 * n, 3, 3)), np.empty((2 * n, 3)), np.zeros(2 * n, dtype=np.bool_))
    if not prepare(seen, covariances, covariance_of, rig, considered, starts, weighting):
        return -1
    use, rms, sigmas2 = verdict
    use[:] = 1
    rms[:] = math.nan
    sigmas2[:] = math.nan
    light = new_minima()
    prior_rows = count_prior_rows(prior)
    with_layout = not np.any(considered[0][2:] > 0.0)
    count = find_minima(seen, rig, weighting, prior, starts, light, minima)
    freedom = 8 * n + prior_rows - 6
    if n < 2 or _is_consistent(seen, rig, weighting, minima, count, freedom, with_layout, verdict):
        if n == 1 and count > 0:
            _is_consistent(seen, rig, weighting, minima, count, freedom, with_layout, verdict)
        return count
    kept = (weighting[0].copy(), weighting[1].copy())
    sifted = _reject(seen, rig, weighting, prior, prior_rows, starts, light, minima, with_layout, verdict)
    if sifted > 0:
        return sifted
    use[:] = 1
    weighting[0][:] = kept[0]
    weighting[1][:] = kept[1]
    if count > 0:
        _is_consistent(seen, rig, weighting, minima, count, freedom, with_layout, verdict)
    return count
