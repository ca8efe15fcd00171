"""Compiled solution of a whole log, one moment after another: search, rejection, considered errors, posterior.

Tuples as in `misfit_kernels`, and
out = number of poses (F,), kind of covariance (F,), 95 % radius (F,), rotations (F, 2, 3, 3), positions (F, 2, 3),
    covariances (F, 2, 6, 6), chi squared (F, 2), probability (F, 2) and covariance where the picture measures
    (F, 2, 6, 6) of the two most probable poses, and the middle of the markers used (F, 3)
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.solving.considered_kernels import consider
from fiducialkit.solving.frame_kernels import solve_frame
from fiducialkit.solving.misfit_kernels import is_considered
from fiducialkit.solving.posterior_kernels import posterior
from fiducialkit.solving.search_kernels import MOST_MINIMA, new_minima

NOT_A_COVARIANCE = -1
NEGLIGIBLE_PROBABILITY = 1e-12


@kernel
def displaced_rig(rig, motion):
    """Return the rig as the robot of the common time would carry it.

    `motion` (K, 3) is how the robot stands at each camera's exposure, seen from the common time: x, y [m], turn [rad].
    """
    models, parameters, rotations, offsets = rig
    if not np.any(motion):
        return rig
    moved_rotations, moved_offsets = np.empty(rotations.shape), np.empty(offsets.shape)
    for k in range(offsets.shape[0]):
        cosine, sine = math.cos(motion[k, 2]), math.sin(motion[k, 2])
        for i in range(3):  # camera_from_robot' = camera_from_robot * (turn', -turn' shift)
            a, b = rotations[k, i, 0], rotations[k, i, 1]
            moved_rotations[k, i, 0] = a * cosine - b * sine
            moved_rotations[k, i, 1] = a * sine + b * cosine
            moved_rotations[k, i, 2] = rotations[k, i, 2]
            moved_offsets[k, i] = offsets[k, i]
            for j in range(2):
                moved_offsets[k, i] -= moved_rotations[k, i, j] * motion[k, j]
    return models, parameters, moved_rotations, moved_offsets


@kernel
def _used_only(seen, covariance_of, marker_of, use):
    """Return the observations whose markers are used."""
    n = np.count_nonzero(use)
    corners, pixels = np.empty((n, 4, 3)), np.empty((n, 4, 2))
    camera_of, kind_of, which = np.empty(n, np.int64), np.empty(n, np.int64), np.empty(n, np.int64)
    row = 0
    for m in range(use.shape[0]):
        if use[m]:
            corners[row], pixels[row], camera_of[row] = seen[0][m], seen[1][m], seen[2][m]
            kind_of[row], which[row] = covariance_of[m], marker_of[m]
            row += 1
    return (corners, pixels, camera_of), kind_of, which


@kernel(is_inlined=True)
def solve_moment(seen, covariances, covariance_of, marker_of, rig, prior, considered, normals, verdict, f, out):
    """Solve one moment into row f of the output."""
    counts, kinds, radii, rotations, positions, matrices, chi2, probabilities, seen_matrices, middles = out
    n = covariance_of.shape[0]
    weighting = (np.empty(n), np.empty((n, 8, 8)))
    minima, probability = new_minima(), np.empty(MOST_MINIMA)
    count = solve_frame(seen, covariances, covariance_of, rig, prior, considered, weighting, minima, verdict)
    # what markers share is not in the whitening of each; of a lone marker it is
    may_sample = np.count_nonzero(verdict[0]) < 2 or not is_considered(considered)
    if count > 0 and is_considered(considered):
        used, kind_of, which = _used_only(seen, covariance_of, marker_of, verdict[0])
        count = consider(used, rig, covariances, kind_of, which, considered, prior, minima, count)
    counts[f] = count
    if count <= 0:
        return
    kinds[f], radii[f] = posterior(
        seen, rig, weighting[1], prior, minima, count, normals, probability, middles[f], may_sample
    )
    first = int(np.argmax(probability[:count]))
    second = -1
    for k in range(count):
        if k != first and (second < 0 or probability[k] > probability[second]):
            second = k
    for place in range(2):
        k = first if place == 0 else second
        if k < 0:
            continue
        rotations[f, place], positions[f, place], matrices[f, place] = minima[0][k], minima[1][k], minima[4][k]
        chi2[f, place], probabilities[f, place] = minima[2][k], probability[k]
        seen_matrices[f, place] = minima[6][k]


@kernel
def solve_moments(begins, layout, marker_of, camera_of, pixels, covariances, covariance_of, rig, priors, motion,
                  considered, normals, verdict, out):  # fmt: skip
    """Solve every moment; moment f has the rows begins[f] to begins[f + 1].

    Parameters
    ----------
    layout (M, 4, 3): corners of every marker in field; marker_of, camera_of (N,), pixels (N, 4, 2).
    covariances (U, 8, 8) and which of them belongs to each row (N,). priors (F, 9), motion (F, K, 3).
    """
    for f in range(begins.shape[0] - 1):
        first, last = begins[f], begins[f + 1]
        out[0][f] = 0
        if first == last:
            continue
        corners = np.empty((last - first, 4, 3))
        for m in range(last - first):
            corners[m] = layout[marker_of[first + m]]
        seen = (corners, pixels[first:last], camera_of[first:last])
        judged = (verdict[0][first:last], verdict[1][first:last], verdict[2][first:last])
        solve_moment(
            seen, covariances, covariance_of[first:last], marker_of[first:last], displaced_rig(rig, motion[f]),
            priors[f], considered, normals, judged, f, out,
        )  # fmt: skip
