"""Compiled: how far a scene can be tilted about its middle before the corners object, the other unknowns fitted.

What corners tell badly is the tilt of the scene about the two axes across the line of sight: face-on, the picture
changes with the tilt's square, and two mirrored tilts look alike. At a given tilt the other four unknowns (place of the
markers' middle, roll about the line of sight) are fitted, and are Gaussian there: the profile. `posterior_kernels` lays
the posterior out on it. Minima travel as in `search_kernels`.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.solving.kernels import cholesky_solve, normal_equations, rotation_of
from fiducialkit.solving.search_kernels import inverse_of

NEGLIGIBLE = 16.0  # chi squared above the best at which a pose is left out of the grid
LARGEST_TILT_RAD = 1.2
_TILT_SD_RAD = 0.01  # below it the tilt is known so well that nothing bends
_TEST_SIGMAS, _TEST_TOLERANCE = 2.0, 0.6


@kernel
def turned_about(rotation, position, centre, w, out_rotation, out_position):
    """Write the pose turned by the rotation vector w (in field) about a point of the field."""
    turn = np.empty((3, 3))
    rotation_of(w[0], w[1], w[2], turn)
    for i in range(3):
        total = centre[i]
        for j in range(3):
            total += turn[i, j] * (position[j] - centre[j])
            out_rotation[i, j] = turn[i, 0] * rotation[0, j] + turn[i, 1] * rotation[1, j] + turn[i, 2] * rotation[2, j]
        out_position[i] = total


@kernel
def rotation_vector(a, b, out):
    """Write the rotation vector of a b', up to half a turn."""
    m = np.empty((3, 3))
    for i in range(3):
        for j in range(3):
            m[i, j] = a[i, 0] * b[j, 0] + a[i, 1] * b[j, 1] + a[i, 2] * b[j, 2]
    x, y, z = 0.5 * (m[2, 1] - m[1, 2]), 0.5 * (m[0, 2] - m[2, 0]), 0.5 * (m[1, 0] - m[0, 1])
    sine = math.sqrt(x * x + y * y + z * z)
    angle = math.atan2(sine, 0.5 * (m[0, 0] + m[1, 1] + m[2, 2] - 1.0))
    scale = angle / sine if sine > 1e-9 else 1.0
    out[0], out[1], out[2] = scale * x, scale * y, scale * z


@kernel
def cross(a, b, out):
    """Write the cross product of two vectors (3,)."""
    out[0] = a[1] * b[2] - a[2] * b[1]
    out[1] = a[2] * b[0] - a[0] * b[2]
    out[2] = a[0] * b[1] - a[1] * b[0]


@kernel
def _equations(problem, rotation, position, information, gradient):
    seen, rig, whitening, prior = problem
    return normal_equations(
        seen[0], seen[1], whitening, seen[2], rig[0], rig[1], rig[2], rig[3], prior, rotation, position, information,
        gradient,
    )  # fmt: skip


@kernel
def _four_ways(position, centre, sight, ways):
    """Write how the pose moves (6, 4) with a shift and a roll about the line of sight through the centre."""
    ways[:, :] = 0.0
    arm = np.empty(3)
    for i in range(3):
        ways[i, i] = 1.0
        arm[i] = position[i] - centre[i]
        ways[3 + i, 3] = sight[i]
    column = np.empty(3)
    cross(sight, arm, column)
    for i in range(3):
        ways[i, 3] = column[i]


@kernel
def profile(problem, centre, sight, start, tilt, pose, ways, covariance):
    """Fit shift and roll at a tilt from the start pose; return (chi2, log det of their information), inf in vain.

    `pose` (rotation, position) ends at the fit, `ways` (6, 4) and `covariance` (4, 4) describe what is left there.
    """
    rotation, position = pose
    turned_about(start[0], start[1], centre, tilt, rotation, position)
    turn, looking = np.empty((3, 3)), np.empty(3)
    rotation_of(tilt[0], tilt[1], tilt[2], turn)
    for i in range(3):
        looking[i] = turn[i, 0] * sight[0] + turn[i, 1] * sight[1] + turn[i, 2] * sight[2]
    information, gradient, half = np.empty((6, 6)), np.empty(6), np.empty(6)
    four, slope, lower, step = np.empty((4, 4)), np.empty(4), np.empty((4, 4)), np.zeros(4)
    chi2, decrement = math.inf, 0.0
    for _ in range(8):
        chi2 = _equations(problem, rotation, position, information, gradient)
        if not chi2 < math.inf:
            return math.inf, math.inf
        _four_ways(position, centre, looking, ways)
        for b in range(4):
            slope[b] = 0.0
            for i in range(6):
                slope[b] += ways[i, b] * gradient[i]
                half[i] = 0.0
                for j in range(6):
                    half[i] += information[i, j] * ways[j, b]
            for a in range(4):
                four[a, b] = 0.0
                for i in range(6):
                    four[a, b] += ways[i, a] * half[i]
        if not cholesky_solve(four, slope, lower, step):
            return math.inf, math.inf
        decrement = 0.0
        for a in range(4):
            decrement += slope[a] * step[a]
        roll = np.empty(3)
        for i in range(3):
            roll[i] = -step[3] * looking[i]
        turned_about(rotation.copy(), position.copy(), centre, roll, rotation, position)
        for i in range(3):
            position[i] -= step[i]
        if decrement < 0.02:
            break
    if decrement > 1.0:
        return math.inf, math.inf
    is_regular, log_determinant = inverse_of(four, covariance)
    return (chi2 - decrement, log_determinant) if is_regular else (math.inf, math.inf)


@kernel
def middle_and_sight(problem, minima, centre):
    """Fill the middle of the markers that take part; return the line of sight to it from the nearest one's camera."""
    seen, rig, whitening, _ = problem
    pupil, sight, middle = np.empty(3), np.empty(3), np.empty(3)
    centre[:] = 0.0
    rotation, position = minima[0][0], minima[1][0]
    nearest, count = math.inf, 0
    for m in range(whitening.shape[0]):
        if whitening[m, 0, 0] == 0.0:
            continue
        count += 1
        k = seen[2][m]
        distance2 = 0.0
        for i in range(3):
            middle[i] = 0.25 * (seen[0][m, 0, i] + seen[0][m, 1, i] + seen[0][m, 2, i] + seen[0][m, 3, i])
            centre[i] += middle[i]
        for i in range(3):
            pupil[i] = position[i]
            for j in range(3):  # the pupil in robot is -Rc' offset
                for n in range(3):
                    pupil[i] -= rotation[i, j] * rig[2][k, n, j] * rig[3][k, n]
            distance2 += (middle[i] - pupil[i]) ** 2
        if distance2 < nearest:
            nearest = distance2
            sight[:] = pupil
    length = 0.0
    for i in range(3):
        centre[i] /= count
        sight[i] = centre[i] - sight[i]
        length += sight[i] * sight[i]
    for i in range(3):
        sight[i] /= math.sqrt(length)
    return sight


@kernel
def tilt_axes(covariance, sight, axes):
    """Write the two principal tilt axes (2, 3) across the line of sight; return their standard deviations."""
    first, second = np.zeros(3), np.empty(3)
    least = 0
    for i in range(3):
        if abs(sight[i]) < abs(sight[least]):
            least = i
    first[least] = 1.0
    dot = sight[least]
    length = math.sqrt(1.0 - dot * dot)
    for i in range(3):
        first[i] = (first[i] - dot * sight[i]) / length
    cross(sight, first, second)
    aa = ab = bb = 0.0
    for i in range(3):
        for j in range(3):
            c = covariance[3 + i, 3 + j]
            aa += first[i] * c * first[j]
            ab += first[i] * c * second[j]
            bb += second[i] * c * second[j]
    angle = 0.5 * math.atan2(2.0 * ab, aa - bb)
    cosine, sine = math.cos(angle), math.sin(angle)
    for i in range(3):
        axes[0, i] = cosine * first[i] + sine * second[i]
        axes[1, i] = cosine * second[i] - sine * first[i]
    half, spread = 0.5 * (aa + bb), math.hypot(0.5 * (aa - bb), ab)
    return math.sqrt(half + spread), math.sqrt(max(half - spread, 0.0))


@kernel
def _scratch():
    return (np.empty((3, 3)), np.empty(3)), np.empty((6, 4)), np.empty((4, 4))


@kernel
def bends_along(problem, centre, sight, minima, k):
    """Return whether chi squared, two sigmas off along a tilt, is not what the information matrix says it is."""
    axes, tilt = np.empty((2, 3)), np.empty(3)
    major, minor = tilt_axes(minima[4][k], sight, axes)
    if major < _TILT_SD_RAD:
        return False
    pose, ways, covariance = _scratch()
    start = (minima[0][k], minima[1][k])
    tilt[:] = 0.0
    least, _ = profile(problem, centre, sight, start, tilt, pose, ways, covariance)
    expected = _TEST_SIGMAS * _TEST_SIGMAS
    for axis in range(2):
        sd = major if axis == 0 else minor
        if sd < _TILT_SD_RAD:
            continue
        if _TEST_SIGMAS * sd > LARGEST_TILT_RAD:
            return True
        for sign in (-1.0, 1.0):
            for i in range(3):
                tilt[i] = sign * _TEST_SIGMAS * sd * axes[axis, i]
            chi2, _ = profile(problem, centre, sight, start, tilt, pose, ways, covariance)
            if not abs(chi2 - least - expected) < _TEST_TOLERANCE:
                return True
    return False


@kernel
def tilt_between(minima, k, sight, tilt):
    """Write the tilt that takes the first pose's line of sight to that of pose k."""
    a, b = minima[0][k], minima[0][0]
    there, looking = np.empty(3), np.empty(3)
    for j in range(3):
        there[j] = b[0, j] * sight[0] + b[1, j] * sight[1] + b[2, j] * sight[2]
    for i in range(3):
        looking[i] = a[i, 0] * there[0] + a[i, 1] * there[1] + a[i, 2] * there[2]
    cross(sight, looking, tilt)
    sine = math.sqrt(tilt[0] ** 2 + tilt[1] ** 2 + tilt[2] ** 2)
    cosine = sight[0] * looking[0] + sight[1] * looking[1] + sight[2] * looking[2]
    angle = math.atan2(sine, cosine)
    for i in range(3):
        tilt[i] *= angle / max(sine, 1e-12)
    return angle


@kernel
def _reach(problem, centre, sight, minima, axes, at, axis, sign, sd, limit):
    """Return how far along an axis from a tilt (2,) the profile stays below the limit. [rad]"""
    pose, ways, covariance = _scratch()
    tilt = np.empty(3)
    distance = min(max(sd, 0.003), 0.3)
    farthest = 0.0
    for _ in range(16):
        for i in range(3):
            tilt[i] = at[0] * axes[0, i] + at[1] * axes[1, i] + sign * distance * axes[axis, i]
        chi2, _ = profile(problem, centre, sight, (minima[0][0], minima[1][0]), tilt, pose, ways, covariance)
        if chi2 < limit:
            farthest = distance
            if distance > LARGEST_TILT_RAD:
                return distance
            distance *= 1.4
        elif farthest > 0.0:
            return distance
        else:
            distance *= 0.5
    return distance


@kernel
def tilt_box(problem, centre, sight, minima, together, axes, modes, box, sds):
    """Write the box of tilts (2, 2) that holds all that matters, and the finest sd along each of its axes."""
    limit = minima[2][0] + NEGLIGIBLE
    own = np.empty((2, 3))
    at = np.zeros(2)
    box[:, 0], box[:, 1] = math.inf, -math.inf
    sds[:] = math.inf
    places = 3 if together == 2 else 1
    for p in range(places):
        major, minor = tilt_axes(minima[4][min(p, together - 1)], sight, own)
        for axis in range(2):
            at[axis] = modes[p, axis] if p < 2 else 0.5 * (modes[0, axis] + modes[1, axis])
        for axis in range(2):
            if p < 2:  # sd of the tilt along this axis, the other free
                sds[axis] = min(sds[axis], minor)
            for sign in (-1.0, 1.0):
                reach = at[axis] + sign * _reach(problem, centre, sight, minima, axes, at, axis, sign, major, limit)
                box[axis, 0] = min(box[axis, 0], reach)
                box[axis, 1] = max(box[axis, 1], reach)
