"""Compiled posterior of a pose where the information matrix alone misleads: probabilities, covariances, 95 % region.

The posterior is laid out on a grid of tilts about the middle of the markers (`tilt_kernels`); at each the other four
unknowns are fitted, and are Gaussian there: weight = exp(-chi2 / 2) sqrt(det of their covariance), times sin(t) / t for
equal shares of the sphere. Nested Laplace approximation: Rue, Martino and Chopin, J. R. Stat. Soc. B 71 (2009) 319-392;
its use on the tilt is derived here. The prior on poses is flat.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.solving.kernels import rotation_of
from fiducialkit.solving.region_kernels import (
    SAMPLED,
    bend_covariances,
    linear_radius,
    pose_error,
    region_offsets,
    region_value,
    seen_error,
    to_seen,
)
from fiducialkit.solving.search_kernels import MOST_MINIMA
from fiducialkit.solving.tilt_kernels import (
    LARGEST_TILT_RAD,
    NEGLIGIBLE,
    bends_along,
    cross,
    middle_and_sight,
    profile,
    tilt_axes,
    tilt_between,
    tilt_box,
)

_FEWEST, _MOST = 15, 29
_DRAWS = 4
# The posterior's own 95 % would hold true poses that are nearly face-on in 86 to 92 % only: a tilt cannot be less than
# none, so noise that looks like tilt has no counterpart. At 97.5 % tilts of all sizes are held in about 93 to 97 %
_HELD = 0.975


@kernel
def _lay_out(problem, centre, sight, minima, axes, box, counts, nodes):
    """Fill the nodes of the grid that matter: tilt, weight exponent, pose, ways, covariance; return how many."""
    tilts, exponents, rotations, positions, ways, covariances = nodes
    used = 0
    tilt, pose = np.empty(3), (np.empty((3, 3)), np.empty(3))
    for a in range(counts[0]):
        for b in range(counts[1]):
            x = box[0, 0] + (a + 0.5) * (box[0, 1] - box[0, 0]) / counts[0]
            y = box[1, 0] + (b + 0.5) * (box[1, 1] - box[1, 0]) / counts[1]
            for i in range(3):
                tilt[i] = x * axes[0, i] + y * axes[1, i]
            chi2, log_determinant = profile(
                problem, centre, sight, (minima[0][0], minima[1][0]), tilt, pose, ways[used], covariances[used]
            )
            if not chi2 < minima[2][0] + NEGLIGIBLE:
                continue
            angle = math.hypot(x, y)
            share = math.sin(angle) / angle if angle > 1e-6 else 1.0
            tilts[used, 0], tilts[used, 1] = x, y
            exponents[used] = -0.5 * (chi2 + log_determinant) + math.log(max(share, 1e-300))
            rotations[used], positions[used] = pose
            used += 1
    return used


@kernel
def _add_moment(sums, weight, error, ways, covariance):
    """Add a node's second moment (6, 6): its own distance, and its Gaussian spread."""
    half = np.empty((6, 4))
    for i in range(6):
        for b in range(4):
            half[i, b] = 0.0
            for a in range(4):
                half[i, b] += ways[i, a] * covariance[a, b]
    for i in range(6):
        for j in range(6):
            total = error[i] * error[j]
            for b in range(4):
                total += half[i, b] * ways[j, b]
            sums[i, j] += weight * total


@kernel
def _gather(nodes, used, modes, together, minima, centre, masses):
    """Turn exponents into weights; fill each mode's mass and covariance about its pose."""
    tilts, exponents, rotations, positions, ways, covariances = nodes
    top = np.max(exponents[:used])
    masses[:] = 0.0
    sums, seen_sums = np.zeros((2, 6, 6)), np.zeros((2, 6, 6))
    error, seen, step = np.empty(6), np.empty(6), np.empty(6)
    seen_ways, error_of_way = np.empty((6, 4)), np.empty(6)
    for n in range(used):
        exponents[n] = math.exp(exponents[n] - top)
        mode = 0
        if together == 2:
            near = (tilts[n, 0] - modes[0, 0]) ** 2 + (tilts[n, 1] - modes[0, 1]) ** 2
            far = (tilts[n, 0] - modes[1, 0]) ** 2 + (tilts[n, 1] - modes[1, 1]) ** 2
            mode = 0 if near <= far else 1
        pose_error(rotations[n], positions[n], minima, mode, error)
        seen_error(rotations[n], positions[n], minima, mode, centre, seen)
        masses[mode] += exponents[n]
        for a in range(4):
            for i in range(6):
                step[i] = ways[n, i, a]
            to_seen(rotations[n], positions[n], centre, step, error_of_way)
            for i in range(6):
                seen_ways[i, a] = error_of_way[i]
        _add_moment(sums[mode], exponents[n], error, ways[n], covariances[n])
        _add_moment(seen_sums[mode], exponents[n], seen, seen_ways, covariances[n])
    for mode in range(together):
        if masses[mode] > 0.0:
            minima[4][mode] = sums[mode] / masses[mode]
            minima[6][mode] = seen_sums[mode] / masses[mode]
    return top


@kernel
def _draw(node, n, normal, pose):
    """Write one draw from a node's Gaussian: (4,) standard normal numbers through its Cholesky factor."""
    _, _, rotations, positions, ways, covariances = node
    lower, z, turn = np.zeros((4, 4)), np.zeros(4), np.empty((3, 3))
    for i in range(4):
        for j in range(i + 1):
            total = covariances[n, i, j]
            for k in range(j):
                total -= lower[i, k] * lower[j, k]
            lower[i, j] = math.sqrt(max(total, 0.0)) if i == j else total / max(lower[j, j], 1e-300)
        for j in range(i + 1):
            z[i] += lower[i, j] * normal[j]
    w = np.zeros(3)
    for i in range(3):
        pose[1][i] = positions[n, i]
        for a in range(4):
            pose[1][i] += ways[n, i, a] * z[a]
            w[i] += ways[n, 3 + i, a] * z[a]
    rotation_of(w[0], w[1], w[2], turn)
    for i in range(3):
        for j in range(3):
            pose[0][i, j] = (
                turn[i, 0] * rotations[n, 0, j] + turn[i, 1] * rotations[n, 1, j] + turn[i, 2] * rotations[n, 2, j]
            )


@kernel
def _radius_of_draws(nodes, used, minima, probability, kept, centre, normals):
    """Return the region's measure below which `_HELD` of the draws lie; NaN where a covariance has no inverse."""
    inverses, offsets = np.empty((MOST_MINIMA, 6, 6)), np.empty(MOST_MINIMA)
    if not region_offsets(minima, probability, kept, inverses, offsets):
        return math.nan
    values = np.empty(used * _DRAWS)
    pose = (np.empty((3, 3)), np.empty(3))
    total = 0.0
    for n in range(used):
        total += nodes[1][n]
        for d in range(_DRAWS):
            _draw(nodes, n, normals[(n * _DRAWS + d) % normals.shape[0]], pose)
            values[n * _DRAWS + d] = region_value(pose[0], pose[1], minima, centre, inverses, offsets, kept)
    low, high = 0.0, 1e6
    for _ in range(60):
        middle = 0.5 * (low + high)
        below = 0.0
        for v in range(values.shape[0]):
            if values[v] < middle:
                below += nodes[1][v // _DRAWS]
        if below < _HELD * total * _DRAWS:
            low = middle
        else:
            high = middle
    return high


@kernel
def _laplace(minima, count, probability):
    total = 0.0
    for k in range(count):
        probability[k] = math.exp(-0.5 * (minima[5][k] - minima[5][0]))
        total += probability[k]
    for k in range(count):
        probability[k] /= total


@kernel
def _together(minima, count, probability, sight, axes, modes):
    """Return how many of the two best poses share the grid, laying its first axis along the tilt between them."""
    modes[:, :] = 0.0
    tilt_axes(minima[4][0], sight, axes)
    if count < 2 or probability[1] < 1e-4:
        return 1
    tilt = np.empty(3)
    angle = tilt_between(minima, 1, sight, tilt)
    if angle < 1e-6 or angle > 2.0 * LARGEST_TILT_RAD:
        return 1
    for i in range(3):
        axes[0, i] = tilt[i] / angle
    cross(sight, axes[0], axes[1])
    modes[1, 0] = angle
    return 2


@kernel
def posterior(seen, rig, whitening, prior, minima, count, normals, probability, centre, may_sample):
    """Fill the probabilities, improve the covariances where the linear ones fail; return (kind, 95 % radius).

    Parameters
    ----------
    minima: as `search_kernels` has them, `count` of them. normals (n, 4): evenly spread standard normal numbers.
    probability (8,): of each minimum, filled; centre (3,): middle of the markers, filled.
    may_sample: whether the whitening holds all that is uncertain.
    """
    problem = (seen, rig, whitening, prior)
    _laplace(minima, count, probability)
    sight = middle_and_sight(problem, minima, centre)
    kind = bend_covariances(minima, count, centre)
    bends = False
    for k in range(count if may_sample else 0):
        if probability[k] > 1e-3 and not bends:
            bends = bends_along(problem, centre, sight, minima, k)
    if not bends:
        return kind, linear_radius(minima, probability, count)
    axes, modes, box, sds = np.empty((2, 3)), np.zeros((2, 2)), np.empty((2, 2)), np.empty(2)
    together = _together(minima, count, probability, sight, axes, modes)
    tilt_box(problem, centre, sight, minima, together, axes, modes, box, sds)
    counts = np.empty(2, dtype=np.int64)
    for axis in range(2):
        wanted = (box[axis, 1] - box[axis, 0]) / (0.8 * sds[axis])
        counts[axis] = int(min(max(wanted, _FEWEST), _MOST))
    size = counts[0] * counts[1]
    nodes = (
        np.empty((size, 2)), np.empty(size), np.empty((size, 3, 3)), np.empty((size, 3)), np.empty((size, 6, 4)),
        np.empty((size, 4, 4)),
    )  # fmt: skip
    used = _lay_out(problem, centre, sight, minima, axes, box, counts, nodes)
    masses = np.zeros(2)
    if used < 12:
        return kind, linear_radius(minima, probability, count)
    before = (minima[4][:2].copy(), minima[6][:2].copy())
    top = _gather(nodes, used, modes, together, minima, centre, masses)
    cell = (box[0, 1] - box[0, 0]) * (box[1, 1] - box[1, 0]) / size
    total = masses[0] + masses[1]
    for k in range(together, count):  # what lies outside the grid keeps its Gaussian share
        probability[k] = 2.0 * math.pi * math.exp(-0.5 * minima[5][k] - top) / cell
        total += probability[k]
    for k in range(count):
        probability[k] = (masses[k] if k < together else probability[k]) / total
    kept = together
    radius = math.nan
    if np.min(masses[:together]) > 0.0:
        radius = _radius_of_draws(nodes, used, minima, probability, kept, centre, normals)
    if not radius < math.inf:
        minima[4][:2], minima[6][:2] = before
        _laplace(minima, count, probability)
        return kind, linear_radius(minima, probability, count)
    return SAMPLED, radius
