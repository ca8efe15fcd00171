"""The fit of a marker's pattern to its pixels, compiled: Levenberg-Marquardt with robust weights, and its covariance.

References
----------
Tukey's biweight as in Holland and Welsch, Comm. Statistics A6 (1977) 813-827; the variance of an M-estimate as in
Huber, Robust Statistics (1981) chapter 7; residuals that hang together as in Liang and Zeger, "Longitudinal data
analysis using generalized linear models", Biometrika 73 (1986) 13-22.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.imaging.kernels import (
    BLACK,
    GRADIENT_X,
    LOG_BLUR,
    PARAMETERS,
    RING,
    SHAPE,
    SHARPNESS,
    SURROUND,
    TONE,
    WHITE,
    corners_of,
    model_greys,
    shape_of,
)
from fiducialkit.imaging.selection_kernels import (
    box_of,
    cell_side_px,
    margins_of,
    percentile_of,
    select_pixels,
    tile_side_px,
)
from fiducialkit.small_matrices import cholesky, inverse_cholesky, solve_cholesky

CONVERGED, NOT_CONVERGED, LOST = 0, 1, 2
PRIORS = PARAMETERS - GRADIENT_X  # gradient, blur, tone and surround have one, in this order
RESIDUAL, EXPLAINED, UNUSED = 0, 1, 2
# What is known of any picture beforehand, mean and sd: far weaker than a good marker's own evidence, but where that is
# missing (clipped levels, sharpened edges) it keeps the fit out of nonsense.
# Gradients, blur, tone, surround, sharpness.
PRIOR_MEAN = np.array([0.0, 0.0, math.log(0.8), 0.75, 0.0, 0.3])
_PRIOR_SD = np.array([0.3, 0.3, 0.6, 0.3, 30.0, 0.5])
_NOISE_FLOOR_GREY = 0.5  # quantisation alone leaves 0.29
_BLACK_SHARE, _WHITE_SHARE = 0.08, 0.92  # of the pixels, where their levels are read for a start
_PATTERNED = 1.5  # of independent noise the enlargement is 1 within about 0.2
_BIWEIGHT = 6.0  # sds at which a pixel loses all weight; costs about 1 % of efficiency where nothing is covered
_MOST_ITERATIONS = 15
_CREEPING_STEP_PX = 0.01  # a model that does not quite fit creeps at the end; that is no failure
_SETTLED_SCALE = 0.05
_SD_PER_MEDIAN = 1.4826  # of the absolute values of a normal variable
_BINS, _BINS_PER_GREY = 1024, 16
_MODEL_SHARE = 0.01  # of the contrast: no picture follows the model better
_FLATTEST_BLUR, _SHARPEST_BLUR = math.log(5.0), math.log(0.15)
_LEAST_BLACK, _LEAST_TONE, _MOST_TONE = 0.5, 0.35, 1.3
_LEAST_SHARPNESS, _MOST_SHARPNESS = -0.6, 2.5
_UNLIKE = 2.0  # the surround's cells while pixels are chosen: neither black nor white


@kernel(reorders_sums=True)
def _normal_equations(rows, weights, residuals, free, weighted, information, gradient):
    """Fill the lower half of the information (P, P) and the gradient (P,) from derivatives (P, N)."""
    count = residuals.shape[0]
    for a in range(PARAMETERS):
        gradient[a] = 0.0
        if not free[a]:
            information[a, :] = 0.0
            information[a, a] = 1.0
            continue
        row = rows[a]
        total = 0.0
        for i in range(count):
            weighted[i] = weights[i] * row[i]
            total += weighted[i] * residuals[i]
        gradient[a] = total
        for b in range(a + 1):
            total = 0.0
            if free[b]:
                other = rows[b]
                for i in range(count):
                    total += weighted[i] * other[i]
            information[a, b] = total


@kernel
def _add_priors(parameters, free, prior_mean, scale, information, gradient):
    for k in range(PRIORS):
        p = GRADIENT_X + k
        if free[p]:
            pull = (scale / _PRIOR_SD[k]) ** 2
            information[p, p] += pull
            gradient[p] += pull * (prior_mean[k] - parameters[p])


@kernel
def _prior_cost(parameters, free, prior_mean):
    """Return what the priors add to the biweight cost, whose quadratic part is 3 / c^2 of a squared residual in sds."""
    total = 0.0
    for k in range(PRIORS):
        if free[GRADIENT_X + k]:
            total += ((parameters[GRADIENT_X + k] - prior_mean[k]) / _PRIOR_SD[k]) ** 2
    return 3.0 * total / (_BIWEIGHT * _BIWEIGHT)


@kernel
def _biweight_cost(residuals, reach):
    total = 0.0
    for i in range(residuals.shape[0]):
        u2 = min(1.0, (residuals[i] / reach) ** 2)
        total += 1.0 - (1.0 - u2) ** 3
    return total


@kernel
def sharpness_sds(levels, places, bends, cells, free, parameters, prior_mean, scale):
    """Return how many sds the pixels want a sharpness away from 0, at parameters fitted without: a score test.

    References
    ----------
    Rao, Proc. Cambridge Phil. Soc. 44 (1948) 50-57.
    """
    count = levels.shape[0]
    greys, rows, residuals, weights = np.empty(count), np.empty((PARAMETERS, count)), np.empty(count), np.empty(count)
    side, reach = cells.shape[0] - 2.0 * RING, _BIWEIGHT * scale
    model_greys(parameters, places, bends, cells, side, free[TONE], True, greys, rows)
    for i in range(count):
        residuals[i] = levels[i] - greys[i]
        weights[i] = (1.0 - min(1.0, (residuals[i] / reach) ** 2)) ** 2
    all_free = free.copy()
    all_free[SHARPNESS] = True
    information, gradient = np.empty((PARAMETERS, PARAMETERS)), np.empty(PARAMETERS)
    lower, axis = np.zeros((PARAMETERS, PARAMETERS)), np.zeros(PARAMETERS)
    _normal_equations(rows, weights, residuals, all_free, greys, information, gradient)
    _add_priors(parameters, free, prior_mean, scale, information, gradient)
    if not cholesky(information, 0.0, lower):
        return 0.0
    axis[SHARPNESS] = 1.0
    solve_cholesky(lower, gradient)
    solve_cholesky(lower, axis)
    return gradient[SHARPNESS] / math.sqrt(axis[SHARPNESS]) / scale


@kernel
def _median_size(values, counts):
    """Return the median absolute value by counting: to 1/32, and at most 64."""
    counts[:] = 0
    for i in range(values.shape[0]):
        counts[min(int(abs(values[i]) * _BINS_PER_GREY), _BINS - 1)] += 1
    half, below = 0.5 * values.shape[0], 0
    for k in range(_BINS):
        if below + counts[k] >= half:
            return (k + (half - below) / counts[k]) / _BINS_PER_GREY
        below += counts[k]
    return _BINS / _BINS_PER_GREY


@kernel
def _keep_possible(parameters):
    """Hold the parameters where the model means something: below black and beyond any tone curve it turns flat."""
    parameters[BLACK] = max(parameters[BLACK], _LEAST_BLACK)
    parameters[LOG_BLUR] = min(max(parameters[LOG_BLUR], _SHARPEST_BLUR), _FLATTEST_BLUR)
    parameters[TONE] = min(max(parameters[TONE], _LEAST_TONE), _MOST_TONE)
    parameters[SHARPNESS] = min(max(parameters[SHARPNESS], _LEAST_SHARPNESS), _MOST_SHARPNESS)


@kernel
def iterate(
    levels, places, bends, cells, free, parameters, prior_mean, small_step_px, rows, residuals, weights
):  # fmt: skip
    """Fit the parameters (16,) to these pixels by Levenberg-Marquardt; return status and scale.

    The cost is Tukey's biweight, its scale the median absolute residual of the last step, floored at half a grey level
    and at 1 % of the contrast. Derivatives, residuals and weights are left as they are at the end.
    """
    side = cells.shape[0] - 2.0 * RING
    information = np.empty((PARAMETERS, PARAMETERS))
    count = levels.shape[0]
    weighted, greys, counts = np.empty(count), np.empty(count), np.empty(_BINS, dtype=np.int64)
    gradient, step = np.empty(PARAMETERS), np.zeros(PARAMETERS)
    lower = np.zeros((PARAMETERS, PARAMETERS))
    before, after, unused = np.empty(SHAPE), np.empty(SHAPE), np.empty((SHAPE, SHAPE))
    trial = parameters.copy()
    damping, best, scale, settled, largest = 1e-3, math.inf, math.inf, math.inf, math.inf
    iteration = 0
    for iteration in range(_MOST_ITERATIONS):
        model_greys(trial, places, bends, cells, side, free[TONE], free[SHARPNESS], greys, rows)
        for i in range(count):
            residuals[i] = levels[i] - greys[i]
        spread = _SD_PER_MEDIAN * _median_size(residuals, counts)
        here = max(_NOISE_FLOOR_GREY, spread, _MODEL_SHARE * abs(trial[WHITE] - trial[BLACK]))
        if iteration == 0:
            scale = here
        # the cost of both points with one scale, or a falling scale would pass for a falling cost
        cost = _prior_cost(trial, free, prior_mean) + _biweight_cost(residuals, _BIWEIGHT * scale)
        is_better = cost <= best * (1.0 + 1e-12)
        if is_better:
            is_still = best - cost < 1e-7 * cost and iteration > 0
            parameters[:] = trial
            damping = max(damping * 0.01, 1e-7)
            settled = abs(here / scale - 1.0)
            scale = here
            reach = _BIWEIGHT * scale
            best = _prior_cost(parameters, free, prior_mean) + _biweight_cost(residuals, reach)
            for i in range(count):
                weights[i] = (1.0 - min(1.0, (residuals[i] / reach) ** 2)) ** 2
            _normal_equations(rows, weights, residuals, free, weighted, information, gradient)
            _add_priors(parameters, free, prior_mean, scale, information, gradient)
            if is_still and settled < _SETTLED_SCALE:
                return CONVERGED, scale
        else:
            damping *= 10.0
        step[:] = gradient
        if cholesky(information, damping, lower):
            solve_cholesky(lower, step)
        else:
            damping *= 10.0
            step[:] = 0.0
        if damping > 1e8:
            return LOST, scale
        for k in range(PARAMETERS):
            trial[k] = parameters[k] + step[k]
        _keep_possible(trial)
        corners_of(parameters, before, unused)
        corners_of(trial, after, unused)
        largest = 0.0
        for k in range(SHAPE):
            largest = max(largest, abs(after[k] - before[k]))
        if is_better and largest < small_step_px and damping < 1e-2 and settled < _SETTLED_SCALE:
            parameters[:] = trial
            _follow(rows, step, residuals)
            return CONVERGED, scale
    return CONVERGED if largest < _CREEPING_STEP_PX else NOT_CONVERGED, scale


@kernel(reorders_sums=True)
def _follow(rows, step, residuals):
    """Take the residuals along a small step."""
    for a in range(PARAMETERS):
        row, by = rows[a], step[a]
        for i in range(residuals.shape[0]):
            residuals[i] -= by * row[i]


@kernel
def _summarise(levels, residuals, scale, weights, summary):
    """Fill the summary: the residual's sd, the share of variance explained, the share of pixels with little weight.

    For an M-estimate the variance is E[psi^2] / E[psi']^2 times the inverse of the plain information (Huber 1981).
    """
    count = levels.shape[0]
    reach = _BIWEIGHT * scale
    squared = slope = plain = spread = light_share = 0.0
    mean = levels.mean()
    for i in range(count):
        residual = residuals[i]
        u2 = min(1.0, (residual / reach) ** 2)
        weight = (1.0 - u2) ** 2
        squared += (weight * residual) ** 2
        slope += (1.0 - u2) * (1.0 - 5.0 * u2)
        plain += residual * residual
        spread += (levels[i] - mean) ** 2
        if weight < 0.25:
            light_share += 1.0
        weights[i] = weight
    used = max(count - light_share, 1.0)
    freedom = max(used - PARAMETERS, 1.0)
    summary[RESIDUAL] = math.sqrt(squared / freedom) / max(slope / used, 0.05)
    summary[EXPLAINED] = 1.0 - plain / max(spread, 1e-9)
    summary[UNUSED] = light_share / max(count, 1)


@kernel
def finish(levels, rows, residuals, weights, tiles, free, parameters, scale, corners, covariance, summary):
    """Fill corners (8,), their covariance (8, 8) and the summary (3,) of a fit; return whether there is a covariance.

    The summary is the residual's sd, the share of variance explained, the share of pixels with little weight.
    """
    by_shape = np.empty((SHAPE, SHAPE))
    corners_of(parameters, corners, by_shape)
    _summarise(levels, residuals, scale, weights, summary)
    return _fill_covariance(rows, residuals, weights, tiles, free, scale, by_shape, summary[RESIDUAL], covariance)


@kernel
def _fill_covariance(rows, residuals, weights, tiles, free, scale, by_shape, residual_grey, covariance):
    """Fill the corners' covariance, enlarged where the residuals of neighbouring pixels agree with each other.

    Independent noise leaves no pattern; a model that is off (sharpened edges, a shadow) does, and the plain covariance
    then promises too much. The sums of the scores over tiles show it: their spread over what independent residuals
    would give is the enlargement (a cluster-robust covariance, reduced to one factor).
    """
    count = residuals.shape[0]
    scores = np.zeros((tiles.max() + 1, PARAMETERS))
    for i in range(count):
        pull = weights[i] * residuals[i]
        for a in range(PARAMETERS):
            scores[tiles[i], a] += pull * rows[a, i]
        weights[i] = 1.0 if weights[i] > 0.0 else 0.0
    gradient, lower = np.empty(PARAMETERS), np.zeros((PARAMETERS, PARAMETERS))
    information = np.empty((PARAMETERS, PARAMETERS))
    _normal_equations(rows, weights, residuals, free, np.empty(count), information, gradient)
    _add_priors(gradient, free, gradient, scale, information, gradient)
    inverse = np.empty((PARAMETERS, PARAMETERS))
    if not cholesky(information, 0.0, lower):
        return False
    inverse_cholesky(lower, inverse)
    influence = np.zeros((SHAPE, PARAMETERS))  # of the gradient on the corners
    for i in range(SHAPE):
        for k in range(SHAPE):
            for p in range(PARAMETERS):
                influence[i, p] += by_shape[i, k] * inverse[k, p]
    variance = residual_grey * residual_grey
    for i in range(SHAPE):
        for j in range(i + 1):
            total = 0.0
            for k in range(SHAPE):
                total += influence[i, k] * by_shape[j, k]
            covariance[i, j] = covariance[j, i] = variance * total
    lower = np.zeros((SHAPE, SHAPE))
    if not cholesky(covariance, 0.0, lower):
        return False
    enlargement = _enlargement(scores, influence, lower)
    if enlargement > _PATTERNED:
        covariance *= enlargement
    return True


@kernel
def _enlargement(scores, influence, lower):
    """Return the mean squared pull of a tile's residuals on the corners, in units of their covariance."""
    total = 0.0
    pull, solved = np.empty(SHAPE), np.empty(SHAPE)
    for t in range(scores.shape[0]):
        for i in range(SHAPE):
            pull[i] = 0.0
            for p in range(PARAMETERS):
                pull[i] += influence[i, p] * scores[t, p]
        solved[:] = pull
        solve_cholesky(lower, solved)
        for i in range(SHAPE):
            total += pull[i] * solved[i]
    return total / SHAPE


@kernel
def _first_guess(start, counts, blur_px, tone, parameters):
    """Fill the parameters from the corners and the histograms of the pixels."""
    parameters[:] = 0.0
    shape_of(start, parameters[:SHAPE])
    black, white = percentile_of(counts[0], _BLACK_SHARE), percentile_of(counts[0], _WHITE_SHARE)
    white = max(white, black + 1.0)
    around = percentile_of(counts[1], 0.5)
    around = white if np.isnan(around) else around
    parameters[BLACK] = 255.0 * (black / 255.0) ** (1.0 / tone)
    parameters[WHITE] = 255.0 * (white / 255.0) ** (1.0 / tone)
    parameters[SURROUND] = 255.0 * (around / 255.0) ** (1.0 / tone)
    parameters[LOG_BLUR] = math.log(blur_px)
    parameters[TONE] = tone


@kernel
def gather(
    image, corners_px, start, cells, blur_px, tone, lens_box, terms, coefficients, levels, places, bends, tiles,
    parameters,
):  # fmt: skip
    """Fill the pixels of a fit and its first guess; return how many pixels. See `selection_kernels.select_pixels`."""
    box, reach, counts = np.empty(4, dtype=np.int64), np.empty(4), np.empty((2, 256), dtype=np.int64)
    cell_px = cell_side_px(start, cells)
    box_of(corners_px, cell_px, image.shape[1], image.shape[0], box)
    cells[0, :], cells[-1, :], cells[:, 0], cells[:, -1] = _UNLIKE, _UNLIKE, _UNLIKE, _UNLIKE
    margins_of(start, cells.shape[0] - 2.0 * RING, blur_px, reach)
    number = select_pixels(
        image, box, start, cells, reach, tile_side_px(cell_px), lens_box, terms, coefficients, levels, places, bends,
        tiles, counts,
    )  # fmt: skip
    if number > 0:
        _first_guess(start, counts, blur_px, tone, parameters)
    return number
