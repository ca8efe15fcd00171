"""Compiled sums of the adjustment: normal equations measurement by measurement, elimination frame by frame.

Nothing here knows what is adjusted. A measurement i has m whitened residuals, belongs to one frame (or, with q = 0
columns of its own, to none) and touches the k shared columns ``columns[i]``. Frames are eliminated by Cholesky factors
of their own small blocks (Schur complement).

References
----------
Triggs, McLauchlan, Hartley and Fitzgibbon, "Bundle Adjustment - A Modern Synthesis", Vision Algorithms: Theory and
Practice, LNCS 1883 (2000) 298-372, sections 6.1 and 6.2.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.scene.projection import project_points_jacobian


@kernel
def squared_residuals(residuals, by_frame, by_shared, chi2):
    """Write the sum of squares of each measurement; infinity where a residual or a derivative is not finite."""
    for i in range(residuals.shape[0]):
        total = 0.0
        probe = 0.0
        for row in range(residuals.shape[1]):
            total += residuals[i, row] * residuals[i, row]
            for a in range(by_frame.shape[2]):
                probe += by_frame[i, row, a] * 0.0
            for a in range(by_shared.shape[2]):
                probe += by_shared[i, row, a] * 0.0
        chi2[i] = total if probe == 0.0 and total < math.inf else math.inf


@kernel
def add_measurements(residuals, weights, by_frame, frame_of, by_shared, columns, frame, cross, shared, gf, gs):
    """Add weighted measurements to the blocks of the normal equations; those of weight zero are not even read.

    Parameters
    ----------
    residuals (N, m), weights (N,), by_frame (N, m, q), frame_of (N,), by_shared (N, m, k), columns (N, k).
    frame (F, q, q), cross (F, q, p), shared (p, p): blocks of J'WJ. gf (F, q), gs (p,): J'Wr.
    """
    q = by_frame.shape[2]
    k = by_shared.shape[2]
    for i in range(residuals.shape[0]):
        weight = weights[i]
        if weight == 0.0:
            continue
        f = frame_of[i]
        for row in range(residuals.shape[1]):
            value = weight * residuals[i, row]
            for a in range(q):
                slope = weight * by_frame[i, row, a]
                gf[f, a] += by_frame[i, row, a] * value
                for b in range(q):
                    frame[f, a, b] += slope * by_frame[i, row, b]
                for b in range(k):
                    cross[f, a, columns[i, b]] += slope * by_shared[i, row, b]
            for a in range(k):
                slope = weight * by_shared[i, row, a]
                gs[columns[i, a]] += by_shared[i, row, a] * value
                for b in range(k):
                    shared[columns[i, a], columns[i, b]] += slope * by_shared[i, row, b]


@kernel
def add_group_gradients(residuals, by_frame, by_shared, columns, slot_of, gradients):
    """Add J'r of each measurement to its group's row (q + p) of `gradients`; slot -1 is left out."""
    q = by_frame.shape[2]
    for i in range(residuals.shape[0]):
        slot = slot_of[i]
        if slot < 0:
            continue
        for row in range(residuals.shape[1]):
            value = residuals[i, row]
            for a in range(q):
                gradients[slot, a] += by_frame[i, row, a] * value
            for a in range(by_shared.shape[2]):
                gradients[slot, q + columns[i, a]] += by_shared[i, row, a] * value


@kernel
def subtract_squares(gradients, shares, frame_of, frame, cross, shared):
    """Take ``shares[k] g g'`` of each group's gradient g (q + p) from the blocks of the normal equations."""
    q = frame.shape[1]
    p = shared.shape[0]
    for k in range(gradients.shape[0]):
        f = frame_of[k]
        for a in range(q):
            value = shares[k] * gradients[k, a]
            for b in range(q):
                frame[f, a, b] -= value * gradients[k, b]
            for b in range(p):
                cross[f, a, b] -= value * gradients[k, q + b]
        for a in range(p):
            value = shares[k] * gradients[k, q + a]
            for b in range(p):
                shared[a, b] -= value * gradients[k, q + b]


@kernel
def factor_frames(frame, damping, factors, good):
    """Write the Cholesky factor of each frame's damped block, scaled to a unit diagonal; `good` says where it exists.

    Parameters
    ----------
    frame (F, q, q); damping (F,): share of the diagonal that is added to it.
    factors (F, q, q): lower factor L of the SCALED block in its lower triangle; the strict upper triangle's first row
    is not used. The scale of parameter a is 1 / sqrt(frame[f, a, a]), 1 where that is zero.
    good (F,): smallest squared pivot, a number in (0, 1 + damping]; 0 where the block is not positive definite.
    """
    q = frame.shape[1]
    for f in range(frame.shape[0]):
        least = 1.0 + damping[f]
        for a in range(q):
            for b in range(a + 1):
                scale = math.sqrt(_diagonal(frame, f, a) * _diagonal(frame, f, b))
                total = frame[f, a, b] / scale
                if a == b:
                    total += damping[f]
                for c in range(b):
                    total -= factors[f, a, c] * factors[f, b, c]
                if a != b:
                    factors[f, a, b] = total / factors[f, b, b]
                    continue
                if not total > 1e-15:
                    least = 0.0
                    total = 1.0
                least = min(least, total)
                factors[f, a, a] = math.sqrt(total)
        good[f] = least


@kernel
def _diagonal(frame, f, a):
    value = frame[f, a, a]
    return value if value > 0.0 else 1.0


@kernel
def eliminate_frames(frame, factors, cross, gf, reduced_cross, reduced_gf):
    """Write L^-1 times the scaled cross blocks (F, q, p) and gradients (F, q); their squares are what frames take."""
    q = gf.shape[1]
    p = cross.shape[2]
    for f in range(frame.shape[0]):
        for a in range(q):
            scale = 1.0 / math.sqrt(_diagonal(frame, f, a))
            pivot = 1.0 / factors[f, a, a]
            reduced_gf[f, a] = gf[f, a] * scale
            for c in range(p):
                reduced_cross[f, a, c] = cross[f, a, c] * scale
            for b in range(a):
                share = factors[f, a, b]
                reduced_gf[f, a] -= share * reduced_gf[f, b]
                for c in range(p):
                    reduced_cross[f, a, c] -= share * reduced_cross[f, b, c]
            reduced_gf[f, a] *= pivot
            for c in range(p):
                reduced_cross[f, a, c] *= pivot


@kernel
def subtract_products(left, right, vector, matrix, rest):
    """Take the frames' share from the shared equations: left' right from `matrix`, left' vector from `rest`.

    Plain loops in one thread: the product is long and narrow, and a threaded library waits for its threads most of the
    time. What a frame does not touch is zero and passed over. left' right must be symmetric.

    Parameters
    ----------
    left, right (F, q, p), vector (F, q), matrix (p, p), rest (p,).
    """
    p = left.shape[2]
    for f in range(left.shape[0]):
        for a in range(left.shape[1]):
            for i in range(p):
                value = left[f, a, i]
                if value == 0.0:
                    continue
                rest[i] -= value * vector[f, a]
                for j in range(i + 1):
                    matrix[i, j] -= value * right[f, a, j]
    for i in range(p):
        for j in range(i):
            matrix[j, i] = matrix[i, j]


@kernel
def frame_steps(frame, factors, reduced_cross, reduced_gf, shared_step, steps):
    """Write each frame's step (F, q), given that of the shared parameters (p,)."""
    q = reduced_gf.shape[1]
    for f in range(frame.shape[0]):
        for a in range(q - 1, -1, -1):
            total = -reduced_gf[f, a]
            for c in range(shared_step.shape[0]):
                total -= reduced_cross[f, a, c] * shared_step[c]
            for b in range(a + 1, q):
                total -= factors[f, b, a] * steps[f, b]
            steps[f, a] = total / factors[f, a, a]
        for a in range(q):
            steps[f, a] /= math.sqrt(_diagonal(frame, f, a))


@kernel
def view_rows(model, parameters, poses, points, pixels, whitening, frame_of, residuals, by_pose, by_lens, by_point):
    """Write whitened residuals (N, 2) of projected points and their derivatives; NaN where a point does not project.

    Parameters
    ----------
    model, parameters: of the lens (`scene.projection`). poses (F, 3, 4): camera_from_board. points (N, 3),
    pixels (N, 2), whitening (N, 2, 2), frame_of (N,).
    by_pose (N, 2, 6): by the pose's local step. by_lens (N, 2, 12). by_point (N, 2, 3): by the point on its board.
    """
    camera = np.empty((1, 3))
    turned = np.empty(3)
    pixel = np.empty((1, 2))
    valid = np.empty(1, np.bool_)
    by_camera = np.empty((1, 2, 3))
    by_intrinsics = np.empty((1, 2, 12))
    for i in range(points.shape[0]):
        pose = poses[frame_of[i]]
        for a in range(3):
            turned[a] = pose[a, 0] * points[i, 0] + pose[a, 1] * points[i, 1] + pose[a, 2] * points[i, 2]
            camera[0, a] = turned[a] + pose[a, 3]
        project_points_jacobian(model, parameters, camera, pixel, valid, by_camera, by_intrinsics)
        for row in range(2):
            first, second = whitening[i, row, 0], whitening[i, row, 1]
            residuals[i, row] = first * (pixel[0, 0] - pixels[i, 0]) + second * (pixel[0, 1] - pixels[i, 1])
            x = first * by_camera[0, 0, 0] + second * by_camera[0, 1, 0]
            y = first * by_camera[0, 0, 1] + second * by_camera[0, 1, 1]
            z = first * by_camera[0, 0, 2] + second * by_camera[0, 1, 2]
            by_pose[i, row, 0], by_pose[i, row, 1], by_pose[i, row, 2] = x, y, z
            by_pose[i, row, 3] = z * turned[1] - y * turned[2]
            by_pose[i, row, 4] = x * turned[2] - z * turned[0]
            by_pose[i, row, 5] = y * turned[0] - x * turned[1]
            for a in range(3):
                by_point[i, row, a] = x * pose[0, a] + y * pose[1, a] + z * pose[2, a]
            for a in range(12):
                by_lens[i, row, a] = first * by_intrinsics[0, 0, a] + second * by_intrinsics[0, 1, a]


def empty_blocks(frames: int, q: int, p: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return zeros for `add_measurements`: frame (F, q, q), cross (F, q, p), shared (p, p), gf (F, q), gs (p,)."""
    return (
        np.zeros((frames, q, q)),
        np.zeros((frames, q, p)),
        np.zeros((p, p)),
        np.zeros((frames, q)),
        np.zeros(p),
    )
