"""Compiled posterior of a pose where the information matrix alone misleads: probabilities, covariances, 95 % region.

What corners tell badly is the tilt of the scene about the two axes across the line of sight: face-on, the picture
changes with the tilt's square, and two mirrored tilts look alike. So the posterior is laid out on a grid of tilts about
the middle of the markers; at each the other four unknowns (place of that middle, roll about the line of sight) are
fitted, and are Gaussian there: weight = exp(-chi2 / 2) sqrt(det of their covariance), times sin(t) / t for equal shares
of the sphere. Nested Laplace approximation: Rue, Martino and Chopin, J. R. Stat. Soc. B 71 (2009) 319-392; its use on
the tilt is derived here. The prior on poses is flat.

Even a posterior that is Gaussian where the picture measures (place of the markers' middle in robot axes, and turn)
bends when it is told as a place in field: the arm from the middle to the robot turns with it. The second-order
covariance adds what that does, and the 95 % region is measured where the picture measures.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.solving.kernels import cholesky_solve, normal_equations, rotation_of
from fiducialkit.solving.search_kernels import MOST_MINIMA, inverse_of

LINEAR, SECOND_ORDER, SAMPLED = 0, 1, 2
RADIUS_95 = 12.591587  # 95 % point of chi squared with six degrees of freedom; tests compute it again
_NEGLIGIBLE = 16.0  # chi squared above the best at which a pose is left out of the grid
_TILT_SD_RAD = 0.01  # below it the tilt is known so well that nothing bends
_TEST_SIGMAS, _TEST_TOLERANCE = 2.0, 0.6
_LARGEST_TILT_RAD = 1.2
_FEWEST, _MOST = 15, 29
_BENT_ABOVE = 0.3  # by how much the mean of six squared sigmas would be wrong
_DRAWS = 4


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
def _cross(a, b, out):
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
    _cross(sight, arm, column)
    for i in range(3):
        ways[i, 3] = column[i]


@kernel
def _profile(problem, centre, sight, start, tilt, pose, ways, covariance):
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
def _middle_and_sight(problem, minima, centre):
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
def _tilt_axes(covariance, sight, axes):
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
    _cross(sight, first, second)
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
def _bends(problem, centre, sight, minima, k):
    """Return whether chi squared, two sigmas off along a tilt, is not what the information matrix says it is."""
    axes, tilt = np.empty((2, 3)), np.empty(3)
    major, minor = _tilt_axes(minima[4][k], sight, axes)
    if major < _TILT_SD_RAD:
        return False
    pose, ways, covariance = _scratch()
    start = (minima[0][k], minima[1][k])
    tilt[:] = 0.0
    least, _ = _profile(problem, centre, sight, start, tilt, pose, ways, covariance)
    expected = _TEST_SIGMAS * _TEST_SIGMAS
    for axis in range(2):
        sd = major if axis == 0 else minor
        if sd < _TILT_SD_RAD:
            continue
        if _TEST_SIGMAS * sd > _LARGEST_TILT_RAD:
            return True
        for sign in (-1.0, 1.0):
            for i in range(3):
                tilt[i] = sign * _TEST_SIGMAS * sd * axes[axis, i]
            chi2, _ = _profile(problem, centre, sight, start, tilt, pose, ways, covariance)
            if not abs(chi2 - least - expected) < _TEST_TOLERANCE:
                return True
    return False


@kernel
def _tilt_between(minima, k, sight, tilt):
    """Write the tilt that takes the first pose's line of sight to that of pose k."""
    a, b = minima[0][k], minima[0][0]
    there, looking = np.empty(3), np.empty(3)
    for j in range(3):
        there[j] = b[0, j] * sight[0] + b[1, j] * sight[1] + b[2, j] * sight[2]
    for i in range(3):
        looking[i] = a[i, 0] * there[0] + a[i, 1] * there[1] + a[i, 2] * there[2]
    _cross(sight, looking, tilt)
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
        chi2, _ = _profile(problem, centre, sight, (minima[0][0], minima[1][0]), tilt, pose, ways, covariance)
        if chi2 < limit:
            farthest = distance
            if distance > _LARGEST_TILT_RAD:
                return distance
            distance *= 1.4
        elif farthest > 0.0:
            return distance
        else:
            distance *= 0.5
    return distance


@kernel
def _box(problem, centre, sight, minima, together, axes, modes, box, sds):
    """Write the box of tilts (2, 2) that holds all that matters, and the finest sd along each of its axes."""
    limit = minima[2][0] + _NEGLIGIBLE
    own = np.empty((2, 3))
    at = np.zeros(2)
    box[:, 0], box[:, 1] = math.inf, -math.inf
    sds[:] = math.inf
    places = 3 if together == 2 else 1
    for p in range(places):
        major, minor = _tilt_axes(minima[4][min(p, together - 1)], sight, own)
        for axis in range(2):
            at[axis] = modes[p, axis] if p < 2 else 0.5 * (modes[0, axis] + modes[1, axis])
        for axis in range(2):
            if p < 2:  # sd of the tilt along this axis, the other free
                sds[axis] = min(sds[axis], minor)
            for sign in (-1.0, 1.0):
                reach = at[axis] + sign * _reach(problem, centre, sight, minima, axes, at, axis, sign, major, limit)
                box[axis, 0] = min(box[axis, 0], reach)
                box[axis, 1] = max(box[axis, 1], reach)


@kernel
def _log_determinant(matrix):
    inverse = np.empty(matrix.shape)
    _, value = inverse_of(matrix, inverse)
    return value


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
            chi2, log_determinant = _profile(
                problem, centre, sight, (minima[0][0], minima[1][0]), tilt, pose, ways[used], covariances[used]
            )
            if not chi2 < minima[2][0] + _NEGLIGIBLE:
                continue
            angle = math.hypot(x, y)
            share = math.sin(angle) / angle if angle > 1e-6 else 1.0
            tilts[used, 0], tilts[used, 1] = x, y
            exponents[used] = -0.5 * (chi2 + log_determinant) + math.log(max(share, 1e-300))
            rotations[used], positions[used] = pose
            used += 1
    return used


@kernel
def _seen_place(rotation, position, centre, out):
    """Write the markers' middle in robot axes."""
    for i in range(3):
        out[i] = 0.0
        for j in range(3):
            out[i] += rotation[j, i] * (centre[j] - position[j])


@kernel
def _to_seen(rotation, position, centre, vector, out):
    """Write how a small step (shift and turn in field) moves the middle in robot axes; the turn stays as it is."""
    arm, swept = np.empty(3), np.empty(3)
    for i in range(3):
        arm[i] = centre[i] - position[i]
        out[3 + i] = vector[3 + i]
    _cross(arm, vector[3:], swept)
    for i in range(3):
        out[i] = 0.0
        for j in range(3):
            out[i] += rotation[j, i] * (swept[j] - vector[j])


@kernel
def seen_covariance(rotation, position, centre, covariance, out):
    """Write a pose covariance as that of the middle in robot axes, then of the rotation vector in field."""
    half, column = np.empty((6, 6)), np.empty(6)
    for j in range(6):
        _to_seen(rotation, position, centre, covariance[:, j].copy(), column)
        half[:, j] = column
    for i in range(6):
        _to_seen(rotation, position, centre, half[i].copy(), column)
        out[i] = column


@kernel
def _second_order(rotation, position, centre, seen, extra):
    """Write what the bending adds to the position's covariance (3, 3): E q q' of its quadratic part q.

    With a the arm from the robot to the middle, u the middle's error turned into field and w the turn,
    ``q = -w x (w x a) / 2 - w x u``, so q_i = x' H_i x / 2 with x = (u, w), and for x Gaussian with covariance S
    ``E q_i q_j = (tr(H_i S) tr(H_j S) + 2 tr(H_i S H_j S)) / 4`` (Isserlis). Derived here.
    """
    S, H, G = np.zeros((6, 6)), np.zeros((3, 6, 6)), np.zeros((3, 6, 6))
    half = np.zeros((6, 6))
    for i in range(6):
        for j in range(6):
            if i < 3:
                for k in range(3):
                    half[i, j] += rotation[i, k] * seen[k, j]
            else:
                half[i, j] = seen[i, j]
    for i in range(6):
        for j in range(6):
            if j < 3:
                for k in range(3):
                    S[i, j] += half[i, k] * rotation[j, k]
            else:
                S[i, j] = half[i, j]
    for i in range(3):
        j, k = (i + 1) % 3, (i + 2) % 3
        H[i, 3 + j, k] = H[i, k, 3 + j] = -1.0
        H[i, 3 + k, j] = H[i, j, 3 + k] = 1.0
        for n in range(3):
            arm = centre[n] - position[n]
            H[i, 3 + i, 3 + n] -= 0.5 * arm
            H[i, 3 + n, 3 + i] -= 0.5 * arm
            H[i, 3 + n, 3 + n] += centre[i] - position[i]
        for a in range(6):
            for b in range(6):
                for c in range(6):
                    G[i, a, b] += H[i, a, c] * S[c, b]
    for i in range(3):
        for j in range(3):
            first = second = both = 0.0
            for a in range(6):
                first += G[i, a, a]
                second += G[j, a, a]
                for b in range(6):
                    both += G[i, a, b] * G[j, b, a]
            extra[i, j] = 0.25 * (first * second + 2.0 * both)


@kernel
def _bend_covariances(minima, count, centre):
    """Fill the covariances where the picture measures; add the second order to the pose's where it matters."""
    extra, kind = np.empty((3, 3)), LINEAR
    for k in range(count):
        rotation, position, covariance = minima[0][k], minima[1][k], minima[4][k]
        seen_covariance(rotation, position, centre, covariance, minima[6][k])
        _second_order(rotation, position, centre, minima[6][k], extra)
        inverse = np.empty((6, 6))
        is_regular, _ = inverse_of(covariance, inverse)
        share = 0.0
        for i in range(3):
            for j in range(3):
                share += inverse[i, j] * extra[j, i]
        if is_regular and share > _BENT_ABOVE:
            for i in range(3):
                for j in range(3):
                    covariance[i, j] += extra[i, j]
            kind = SECOND_ORDER
    return kind


@kernel
def _seen_error(rotation, position, minima, k, centre, out):
    """Write the distance from minimum k where the picture measures: the middle in robot axes, rotation vector."""
    here, there = np.empty(3), np.empty(3)
    _seen_place(rotation, position, centre, here)
    _seen_place(minima[0][k], minima[1][k], centre, there)
    for i in range(3):
        out[i] = here[i] - there[i]
    rotation_vector(rotation, minima[0][k], out[3:])


@kernel
def _error(rotation, position, minima, k, out):
    """Write the pose's distance from minimum k as the covariance has it: shift, then rotation vector, in field."""
    for i in range(3):
        out[i] = position[i] - minima[1][k, i]
    rotation_vector(rotation, minima[0][k], out[3:])


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
        _error(rotations[n], positions[n], minima, mode, error)
        _seen_error(rotations[n], positions[n], minima, mode, centre, seen)
        masses[mode] += exponents[n]
        for a in range(4):
            for i in range(6):
                step[i] = ways[n, i, a]
            _to_seen(rotations[n], positions[n], centre, step, error_of_way)
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
def region_value(rotation, position, minima, centre, inverses, offsets, kept):
    """Return the least squared distance from a pose that is kept, each with its offset: the 95 % region's measure."""
    least = math.inf
    error = np.empty(6)
    for k in range(kept):
        _seen_error(rotation, position, minima, k, centre, error)
        value = offsets[k]
        for i in range(6):
            for j in range(6):
                value += error[i] * inverses[k, i, j] * error[j]
        least = min(least, value)
    return least


@kernel
def region_offsets(minima, probability, kept, inverses, offsets):
    """Fill what makes the poses' densities comparable: 2 ln(p0 / p) + ln(det C / det C0); and the inverses."""
    first = 0.0
    for k in range(kept):
        is_regular, log_determinant = inverse_of(minima[6][k], inverses[k])
        if not is_regular:
            return False
        first = log_determinant if k == 0 else first
        offsets[k] = 2.0 * math.log(probability[0] / max(probability[k], 1e-300)) + log_determinant - first
    return True


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
    """Return the region's measure below which 95 % of the draws lie; NaN where a covariance has no inverse."""
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
        if below < 0.95 * total * _DRAWS:
            low = middle
        else:
            high = middle
    return high


@kernel
def _cdf6(x):
    """Return the distribution function of chi squared with six degrees of freedom (closed form of the even case)."""
    return 1.0 - math.exp(-0.5 * x) * (1.0 + 0.5 * x + 0.125 * x * x) if x > 0.0 else 0.0


@kernel
def linear_radius(minima, probability, count):
    """Return the 95 % measure of a mixture of Gaussians that lie apart."""
    inverses, offsets = np.empty((MOST_MINIMA, 6, 6)), np.empty(MOST_MINIMA)
    if count < 2 or probability[0] > 0.99999 or not region_offsets(minima, probability, count, inverses, offsets):
        return RADIUS_95
    low, high = 0.0, 200.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        held = 0.0
        for k in range(count):
            held += probability[k] * _cdf6(middle - offsets[k])
        if held < 0.95:
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
    _tilt_axes(minima[4][0], sight, axes)
    if count < 2 or probability[1] < 1e-4:
        return 1
    tilt = np.empty(3)
    angle = _tilt_between(minima, 1, sight, tilt)
    if angle < 1e-6 or angle > 2.0 * _LARGEST_TILT_RAD:
        return 1
    for i in range(3):
        axes[0, i] = tilt[i] / angle
    _cross(sight, axes[0], axes[1])
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
    sight = _middle_and_sight(problem, minima, centre)
    kind = _bend_covariances(minima, count, centre)
    bends = False
    for k in range(count if may_sample else 0):
        if probability[k] > 1e-3 and not bends:
            bends = _bends(problem, centre, sight, minima, k)
    if not bends:
        return kind, linear_radius(minima, probability, count)
    axes, modes, box, sds = np.empty((2, 3)), np.zeros((2, 2)), np.empty((2, 2)), np.empty(2)
    together = _together(minima, count, probability, sight, axes, modes)
    _box(problem, centre, sight, minima, together, axes, modes, box, sds)
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


@kernel
def holds_each(rotations, positions, result, held):
    """Fill whether each pose (F, 3, 3), (F, 3) lies in its moment's 95 % region.

    result = rotations (F, 2, 3, 3), positions (F, 2, 3), seen covariances (F, 2, 6, 6), probabilities (F, 2), middles
    (F, 3), radii (F,); NaN in the second pose where there is none.
    """
    inverses, offsets = np.empty((2, 6, 6)), np.empty(2)
    for f in range(held.shape[0]):
        held[f] = False
        kept = 2 if result[1][f, 1, 0] == result[1][f, 1, 0] else 1
        minima = (
            result[0][f], result[1][f], offsets, inverses, inverses, offsets, result[2][f],
        )  # fmt: skip
        if result[1][f, 0, 0] == result[1][f, 0, 0] and region_offsets(minima, result[3][f], kept, inverses, offsets):
            value = region_value(rotations[f], positions[f], minima, result[4][f], inverses, offsets, kept)
            held[f] = value <= result[5][f]
