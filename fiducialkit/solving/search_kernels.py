"""Compiled search for every pose that fits one moment's corners, and for the markers that fit none.

Every planar pose of every marker is a start for all markers. Starts run down a light cost first (one weight a marker),
those that meet are kept once, and what is left is refined with the full covariances. Arrays travel in tuples:

seen = corners in field (N, 4, 3), pixels (N, 4, 2), camera of each marker (N,)
rig = models (K,), parameters (K, 13), camera_from_robot rotations (K, 3, 3) and offsets (K, 3)
weighting = one weight a marker (N,), whitening (N, 8, 8); both zero for a marker that takes no part
starts = rotations (2 N, 3, 3), positions (2 N, 3) of field_from_robot, whether each exists (2 N,)
minima = rotations (8, 3, 3), positions (8, 3), chi squared (8,), information (8, 6, 6), covariance (8, 6, 6),
    score (8,): chi squared plus log determinant of the information, whose half is minus the log probability, and room
    for `region_kernels` (8, 6, 6): the covariance where the picture measures
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.scene.projection import unproject_pixels
from fiducialkit.small_matrices import cholesky
from fiducialkit.solving.kernels import CONVERGED, IMPOSSIBLE, cholesky_solve, planar_poses, refine_pose, rotation_of
from fiducialkit.solving.light_kernels import light_chi2, light_equations

MOST_MINIMA = 8
KNOWN = 3  # a descent that ran into a minimum already found
FARTHEST_M = 1e4  # a pose beyond it is what garbage corners run away to
_SAME_TURN_RAD, _SAME_SHIFT = 1e-4, 1e-4
_LIGHT_ITERATIONS = 40
_NEAR_RAD, _PATIENCE, _FAR_WORSE = 0.15, 2, 30.0
_LEAST_SHARE = 1e-15


@kernel
def whiten(covariance, whitening, lower):
    """Write W (8, 8), lower triangular, with ``W' W = inverse(covariance)``; return False if it has none."""
    n = covariance.shape[0]
    whitening[:, :] = 0.0
    if not cholesky(covariance, 0.0, lower, _LEAST_SHARE):
        return False
    for i in range(n):
        whitening[i, i] = 1.0 / lower[i, i]
        for j in range(i):
            total = 0.0
            for k in range(j, i):
                total -= lower[i, k] * whitening[k, j]
            whitening[i, j] = total * whitening[i, i]
    return True


@kernel
def inverse_of(information, inverse):
    """Write the inverse of a symmetric matrix; return (whether it is positive definite, log of its determinant)."""
    n = information.shape[0]
    scale, lower, column = np.empty(n), np.empty((n, n)), np.zeros(n)
    log_determinant = 0.0
    scaled = np.empty((n, n))
    for i in range(n):
        # scaled to a unit diagonal first, so that metres and radians do not set the condition
        if not 0.0 < information[i, i] < math.inf:
            return False, math.inf
        scale[i] = math.sqrt(information[i, i])
    for i in range(n):
        for j in range(n):
            scaled[i, j] = information[i, j] / (scale[i] * scale[j])
    unit = np.zeros(n)
    for j in range(n):
        unit[:] = 0.0
        unit[j] = 1.0
        if not cholesky_solve(scaled, unit, lower, column):
            return False, math.inf
        for i in range(n):
            inverse[i, j] = column[i] / (scale[i] * scale[j])
    for i in range(n):
        log_determinant += 2.0 * math.log(lower[i, i] * scale[i])
        for j in range(i):
            inverse[i, j] = inverse[j, i] = 0.5 * (inverse[i, j] + inverse[j, i])
    return True, log_determinant


@kernel
def marker_axes(corners, rotation, position):
    """Write field_from_marker of the marker with these corners (4, 3) in field; return its side."""
    side = 0.0
    for i in range(3):
        position[i] = 0.25 * (corners[0, i] + corners[1, i] + corners[2, i] + corners[3, i])
        side += (corners[1, i] - corners[0, i]) ** 2
    side = math.sqrt(side)
    for i in range(3):
        rotation[i, 0] = (corners[1, i] - corners[0, i]) / side
        rotation[i, 1] = (corners[0, i] - corners[3, i]) / side
    for i in range(3):
        j, k = (i + 1) % 3, (i + 2) % 3
        rotation[i, 2] = rotation[j, 0] * rotation[k, 1] - rotation[k, 0] * rotation[j, 1]
    return side


@kernel
def marker_starts(corners, pixels, model, parameters, camera_rotation, camera_offset, rotations, positions, exists):
    """Write the robot poses (2, ...) that one marker's two planar poses stand for, and whether each exists."""
    exists[:] = False
    marker_rotation, marker_position = np.empty((3, 3)), np.empty(3)
    size = marker_axes(corners, marker_rotation, marker_position)
    directions, found = np.empty((4, 2)), np.empty(4, dtype=np.bool_)
    unproject_pixels(model, parameters, pixels, directions, found)
    local, offsets = np.empty((2, 3, 3)), np.empty((2, 3))
    if not (found.all() and planar_poses(directions, size, local, offsets)):
        return
    field_from_camera = np.empty((3, 3))
    for which in range(2):
        in_front = True
        for k in range(4):
            x = size * (0.5 if k == 1 or k == 2 else -0.5)
            y = size * (0.5 if k < 2 else -0.5)
            if not local[which, 2, 0] * x + local[which, 2, 1] * y + offsets[which, 2] > 0.0:
                in_front = False
        if not in_front:
            continue
        for i in range(3):
            for j in range(3):
                total = 0.0
                for k in range(3):
                    total += marker_rotation[i, k] * local[which, j, k]
                field_from_camera[i, j] = total
        for i in range(3):
            positions[which, i] = marker_position[i]
            for j in range(3):
                positions[which, i] += field_from_camera[i, j] * (camera_offset[j] - offsets[which, j])
                total = 0.0
                for k in range(3):
                    total += field_from_camera[i, k] * camera_rotation[k, j]
                rotations[which, i, j] = total
        exists[which] = True


@kernel
def stepped(rotation, position, step, turn, out_rotation, out_position):
    """Write the pose after the step (6,): translation and rotation vector in field."""
    rotation_of(step[3], step[4], step[5], turn)
    for i in range(3):
        out_position[i] = position[i] + step[i]
        for j in range(3):
            out_rotation[i, j] = turn[i, 0] * rotation[0, j] + turn[i, 1] * rotation[1, j] + turn[i, 2] * rotation[2, j]


@kernel
def is_same(rotation, position, other_rotation, other_position, information, scale_m, sigmas2):
    """Return whether two poses are one: the same numbers, or nearer than so many squared standard deviations."""
    turn = 0.0
    for i in range(3):
        for j in range(3):
            turn = max(turn, abs(rotation[i, j] - other_rotation[i, j]))
    d = np.empty(6)
    shift2 = 0.0
    for i in range(3):
        d[i] = position[i] - other_position[i]
        shift2 += d[i] * d[i]
    if turn < _SAME_TURN_RAD and shift2 < (_SAME_SHIFT * scale_m) ** 2:
        return True
    if turn > 0.3:
        return False
    a, b = rotation, other_rotation  # the antisymmetric part of a b' is the sine of the turn times its axis
    d[3] = 0.5 * (a[2, 0] * b[1, 0] + a[2, 1] * b[1, 1] + a[2, 2] * b[1, 2])
    d[3] -= 0.5 * (a[1, 0] * b[2, 0] + a[1, 1] * b[2, 1] + a[1, 2] * b[2, 2])
    d[4] = 0.5 * (a[0, 0] * b[2, 0] + a[0, 1] * b[2, 1] + a[0, 2] * b[2, 2])
    d[4] -= 0.5 * (a[2, 0] * b[0, 0] + a[2, 1] * b[0, 1] + a[2, 2] * b[0, 2])
    d[5] = 0.5 * (a[1, 0] * b[0, 0] + a[1, 1] * b[0, 1] + a[1, 2] * b[0, 2])
    d[5] -= 0.5 * (a[0, 0] * b[1, 0] + a[0, 1] * b[1, 1] + a[0, 2] * b[1, 2])
    distance2 = 0.0
    for i in range(6):
        for j in range(6):
            distance2 += d[i] * information[i, j] * d[j]
    return distance2 < sigmas2


@kernel
def _is_known(rotation, position, minima, count, scale_m, sigmas2):
    for k in range(count):
        if is_same(rotation, position, minima[0][k], minima[1][k], minima[3][k], scale_m, sigmas2):
            return True
    return False


@kernel
def _descend(seen, rig, weights, prior, rotation, position, information, known, count, sigmas2):
    """Run Levenberg-Marquardt on the light cost until it converges or meets a known minimum; return (status, chi2)."""
    work = (np.empty(27), np.empty(6))
    gradient, trial_gradient, step = np.empty(6), np.empty(6), np.empty(6)
    trial_information, damped, lower = np.empty((6, 6)), np.empty((6, 6)), np.empty((6, 6))
    turn, trial_rotation, trial_position = np.empty((3, 3)), np.empty((3, 3)), np.empty(3)
    chi2 = light_equations(seen, rig, weights, prior, rotation, position, information, gradient, work)
    if not chi2 < math.inf:
        return IMPOSSIBLE, chi2
    damping = 1e-4
    for _ in range(_LIGHT_ITERATIONS):
        damped[:, :] = information
        for i in range(6):
            damped[i, i] += damping * information[i, i]
            step[i] = 0.0
        if not cholesky_solve(damped, gradient, lower, step):
            damping = max(10.0 * damping, 1e-8)
            continue
        decrement = 0.0
        for i in range(6):
            decrement += step[i] * gradient[i]
            step[i] = -step[i]
        stepped(rotation, position, step, turn, trial_rotation, trial_position)
        trial = light_equations(
            seen, rig, weights, prior, trial_rotation, trial_position, trial_information, trial_gradient, work
        )
        if trial <= chi2:
            rotation[:, :] = trial_rotation
            position[:] = trial_position
            information[:, :] = trial_information
            gradient[:] = trial_gradient
            chi2 = trial
            damping = max(damping / 10.0, 1e-12)
            if decrement < 1e-3 + 1e-6 * chi2:
                return CONVERGED, chi2
            if count > 0 and _is_known(rotation, position, known, count, 1.0, sigmas2):
                return KNOWN, chi2
        elif decrement < 1e-3 + 1e-6 * chi2:
            return CONVERGED, chi2
        else:
            damping *= 10.0
            if damping > 1e12:
                return CONVERGED, chi2
    return CONVERGED, chi2  # near enough for the full weights to go on from


@kernel
def _place_for(chi2, values, count):
    """Return where a new minimum goes: the next free place, or that of the worst it betters; -1 for none."""
    if count < MOST_MINIMA:
        return count
    worst = 0
    for k in range(count):
        if values[k] > values[worst]:
            worst = k
    return worst if chi2 < values[worst] else -1


@kernel
def _is_near(rotation, other):
    """Return whether two rotations differ by less than `_NEAR_RAD`."""
    trace = 0.0
    for i in range(3):
        for j in range(3):
            trace += rotation[i, j] * other[i, j]
    return trace > 1.0 + 2.0 * math.cos(_NEAR_RAD)


@kernel
def _light_minima(seen, rig, weights, prior, starts, light):
    """Write the distinct minima of the light cost from the starts, the best start first; return how many.

    All starts of one or two markers are run down. Of three or more the scene as a whole can still be mirrored, and its
    mirrored starts then fit as well as the others: they are run down unless they fit far worse, and no start is when
    `_PATIENCE` on its side have told nothing new.
    """
    start_rotations, start_positions, exists = starts
    rotation, position, information = np.empty((3, 3)), np.empty(3), np.empty((6, 6))
    taking_part = np.count_nonzero(weights)
    # two poses of a lone marker are never taken for one; else half a standard deviation is no difference
    sigmas2 = 0.0 if taking_part < 2 else 0.25
    value = np.full(exists.shape[0], math.inf)
    for s in range(exists.shape[0]):
        if exists[s] and weights[s // 2] > 0.0:
            value[s] = light_chi2(seen, rig, weights, start_rotations[s], start_positions[s])
    count = 0
    in_vain_near, in_vain_far, worst_near = 0, 0, 0.0
    for _ in range(exists.shape[0]):
        s = int(np.argmin(value))
        start_chi2 = value[s]
        if not start_chi2 < math.inf:
            break
        value[s] = math.inf
        is_near = count > 0 and _is_near(start_rotations[s], light[0][0])
        if taking_part > 2 and count > 0:
            if is_near:
                worst_near = max(worst_near, start_chi2)
            if (in_vain_near if is_near else in_vain_far) >= _PATIENCE:
                continue
            if not is_near and in_vain_near >= _PATIENCE and start_chi2 > _FAR_WORSE * worst_near:
                continue
        rotation[:, :] = start_rotations[s]
        position[:] = start_positions[s]
        status, chi2 = _descend(seen, rig, weights, prior, rotation, position, information, light, count, sigmas2)
        if status != CONVERGED or _is_known(rotation, position, light, count, 1.0, sigmas2):
            in_vain_near += 1 if is_near else 0
            in_vain_far += 0 if is_near else 1
            continue
        k = _place_for(chi2, light[2], count)
        if k >= 0:
            light[0][k], light[1][k], light[2][k], light[3][k] = rotation, position, chi2, information
            count = max(count, k + 1)
    return count


@kernel
def new_minima():
    """Return an empty tuple of minima."""
    n = MOST_MINIMA
    return (
        np.empty((n, 3, 3)), np.empty((n, 3)), np.empty(n), np.empty((n, 6, 6)), np.empty((n, 6, 6)), np.empty(n),
        np.empty((n, 6, 6)),
    )  # fmt: skip


@kernel
def copy_minima(source, target):
    """Copy one tuple of minima into another."""
    for k in range(MOST_MINIMA):
        target[0][k], target[1][k], target[2][k] = source[0][k], source[1][k], source[2][k]
        target[3][k], target[4][k], target[5][k] = source[3][k], source[4][k], source[5][k]


@kernel
def _sort_minima(minima, count):
    """Sort by score, the most probable first."""
    for a in range(count):
        least = a
        for b in range(a + 1, count):
            if minima[5][b] < minima[5][least]:
                least = b
        if least != a:
            rotation, position = minima[0][a].copy(), minima[1][a].copy()
            information, covariance = minima[3][a].copy(), minima[4][a].copy()
            minima[0][a], minima[1][a] = minima[0][least], minima[1][least]
            minima[3][a], minima[4][a] = minima[3][least], minima[4][least]
            minima[0][least], minima[1][least] = rotation, position
            minima[3][least], minima[4][least] = information, covariance
            minima[2][a], minima[2][least] = minima[2][least], minima[2][a]
            minima[5][a], minima[5][least] = minima[5][least], minima[5][a]


@kernel
def _distance_to(seen, weights, position):
    """Return the distance from a position to the middle of the markers that take part. [m]"""
    middle = np.zeros(3)
    count = 0
    for m in range(weights.shape[0]):
        if weights[m] > 0.0:
            count += 4
            for k in range(4):
                for i in range(3):
                    middle[i] += seen[0][m, k, i]
    total = 0.0
    for i in range(3):
        total += (middle[i] / count - position[i]) ** 2
    return math.sqrt(total)


@kernel
def find_minima(seen, rig, weighting, prior, starts, light, minima):
    """Write every distinct minimum, the most probable first, and return how many there are."""
    corners, pixels, camera_of = seen
    models, parameters, camera_rotations, camera_offsets = rig
    weights, whitening = weighting
    light_count = _light_minima(seen, rig, weights, prior, starts, light)
    if light_count == 0:
        return 0
    taking_part = np.count_nonzero(weights)
    # the light cost of a pose that matters is near the best; only a lone marker's second pose is kept at any price
    limit = math.inf if taking_part < 2 else 1000.0 + 10.0 * np.min(light[2][:light_count])
    count = 0
    for k in range(light_count):
        if not light[2][k] <= limit:
            continue
        rotation, position, information = minima[0][count], minima[1][count], minima[3][count]
        rotation[:, :] = light[0][k]
        position[:] = light[1][k]
        status, chi2 = refine_pose(
            corners, pixels, whitening, camera_of, models, parameters, camera_rotations, camera_offsets, prior,
            rotation, position, information,
        )  # fmt: skip
        if status != CONVERGED:
            continue
        distance = _distance_to(seen, weights, position)
        is_regular, log_determinant = inverse_of(information, minima[4][count])
        if not is_regular or not distance < FARTHEST_M:
            continue
        if _is_known(rotation, position, minima, count, distance, 0.0):
            continue
        minima[2][count] = chi2
        minima[5][count] = chi2 + log_determinant
        count += 1
    _sort_minima(minima, count)
    return count
