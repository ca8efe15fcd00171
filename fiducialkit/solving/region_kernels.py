"""Compiled: the 95 % region of a pose, and what its bending adds to the covariance.

Even a posterior that is Gaussian where the picture measures (place of the markers' middle in robot axes, and turn)
bends when it is told as a place in field: the arm from the middle to the robot turns with it. The second-order
covariance adds what that does, and the 95 % region is measured where the picture measures. Minima travel as in
`search_kernels`.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.solving.search_kernels import MOST_MINIMA, inverse_of
from fiducialkit.solving.tilt_kernels import cross, rotation_vector

LINEAR, SECOND_ORDER, SAMPLED = 0, 1, 2
RADIUS_95 = 12.591587  # 95 % point of chi squared with six degrees of freedom; tests compute it again
_BENT_ABOVE = 0.3  # by how much the mean of six squared sigmas would be wrong


@kernel
def _seen_place(rotation, position, centre, out):
    """Write the markers' middle in robot axes."""
    for i in range(3):
        out[i] = 0.0
        for j in range(3):
            out[i] += rotation[j, i] * (centre[j] - position[j])


@kernel
def to_seen(rotation, position, centre, vector, out):
    """Write how a small step (shift and turn in field) moves the middle in robot axes; the turn stays as it is."""
    arm, swept = np.empty(3), np.empty(3)
    for i in range(3):
        arm[i] = centre[i] - position[i]
        out[3 + i] = vector[3 + i]
    cross(arm, vector[3:], swept)
    for i in range(3):
        out[i] = 0.0
        for j in range(3):
            out[i] += rotation[j, i] * (swept[j] - vector[j])


@kernel
def seen_covariance(rotation, position, centre, covariance, out):
    """Write a pose covariance as that of the middle in robot axes, then of the rotation vector in field."""
    half, column = np.empty((6, 6)), np.empty(6)
    for j in range(6):
        to_seen(rotation, position, centre, covariance[:, j].copy(), column)
        half[:, j] = column
    for i in range(6):
        to_seen(rotation, position, centre, half[i].copy(), column)
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
def bend_covariances(minima, count, centre):
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
def seen_error(rotation, position, minima, k, centre, out):
    """Write the distance from minimum k where the picture measures: the middle in robot axes, rotation vector."""
    here, there = np.empty(3), np.empty(3)
    _seen_place(rotation, position, centre, here)
    _seen_place(minima[0][k], minima[1][k], centre, there)
    for i in range(3):
        out[i] = here[i] - there[i]
    rotation_vector(rotation, minima[0][k], out[3:])


@kernel
def pose_error(rotation, position, minima, k, out):
    """Write the pose's distance from minimum k as the covariance has it: shift, then rotation vector, in field."""
    for i in range(3):
        out[i] = position[i] - minima[1][k, i]
    rotation_vector(rotation, minima[0][k], out[3:])


@kernel
def region_value(rotation, position, minima, centre, inverses, offsets, kept):
    """Return the least squared distance from a pose that is kept, each with its offset: the 95 % region's measure."""
    least = math.inf
    error = np.empty(6)
    for k in range(kept):
        seen_error(rotation, position, minima, k, centre, error)
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
