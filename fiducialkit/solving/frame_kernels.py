"""Compiled solution of one moment: the poses that fit, and whole markers rejected that belong to none of them.

Tuples as in `search_kernels` and `misfit_kernels`.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.solving.misfit_kernels import (
    REJECT_ABOVE,
    add_lens_spread,
    add_spread,
    considered_rows,
    innovation,
    is_considered,
    misfits,
)
from fiducialkit.solving.search_kernels import copy_minima, find_minima, marker_starts, new_minima, whiten

_MARGIN = 15.0  # by how much leaving out the culprit must beat leaving out another
_FAR_SIGMAS2, _FAR_PX = 25.0, 2.0


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
            rms[m], sigmas2[m], distance2 = innovation(
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
