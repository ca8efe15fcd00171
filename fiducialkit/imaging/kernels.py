"""Compiled heart of the corner fit: a blurred cell pattern under a perspective, with its derivatives.

The picture of a marker is its cells, seen through a perspective given by four corners, blurred by a Gaussian (the
optics' variance and the pixel's own 1/12), lit with a linear gradient, passed through a tone curve. In cell coordinates
the blur of one pixel is a Gaussian of sds (sa, sb) and correlation rho; the share of it that falls right of one lattice
line and below another is a bivariate normal integral, written here as the product of two normal integrals plus Mehler's
(tetrachoric) series, which a pattern needs only at the lattice points where cells meet diagonally.

References
----------
Mehler, J. reine angew. Math. 66 (1866) 161-176 (the series); Tukey's biweight as in Holland and Welsch, Comm.
Statistics A6 (1977) 813-827. The rest is derived here.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.scene.projection import square_to_quadrilateral

CORNERS = 8
BLACK, WHITE, GRADIENT_X, GRADIENT_Y, LOG_BLUR, TONE = 8, 9, 10, 11, 12, 13
PARAMETERS = 14
CONVERGED, NOT_CONVERGED, LOST = 0, 1, 2
_REACH_SD = 3.6  # lattice lines farther than this from a pixel take less than 2e-4 of it
_MOST_LINES = 24
_TERMS = 8
_BIWEIGHT = 6.0  # sds at which a pixel loses all weight; costs about 1 % of efficiency where nothing is covered
_MOST_ITERATIONS = 15
_SMALL_STEP_PX = 1e-3
_CREEPING_STEP_PX = 0.01  # a model that does not quite fit creeps at the end; that is no failure
_PIXEL_VARIANCE = 1.0 / 12.0
# What is known of any picture beforehand, mean and sd: far weaker than a good marker's own evidence, but where that is
# missing (clipped levels, sharpened edges) it keeps the fit out of nonsense.
_PRIOR_MEAN = np.array([0.0, 0.0, math.log(0.8), 0.75])
_PRIOR_SD = np.array([0.3, 0.3, 0.6, 0.3])
_ROOT_2 = math.sqrt(2.0)
_DENSITY = 1.0 / math.sqrt(2.0 * math.pi)


@kernel
def _lines_near(place, sd, count, first_line, h, cumulative, density):
    """Fill the lattice lines within reach of a pixel: offsets in sd, normal integral, density; return how many."""
    low = max(1, math.ceil(place - _REACH_SD * sd))
    high = min(count - 1, math.floor(place + _REACH_SD * sd))
    number = max(0, min(high - low + 1, _MOST_LINES))
    first_line[0] = low
    for i in range(number):
        offset = (place - (low + i)) / sd
        h[i] = offset
        cumulative[i] = 0.5 * math.erfc(-offset / _ROOT_2)
        density[i] = _DENSITY * math.exp(-0.5 * offset * offset)
    return number


@kernel
def _series(h, k, rho, dh, dk):
    """Return Mehler's series for Phi2(h, k, rho) - Phi(h) Phi(k), and its derivatives by h and k."""
    factor = dh * dk
    value = by_h = by_k = 0.0
    before_h, now_h = 0.0, 1.0  # Hermite polynomials He_(n-1), He_n
    before_k, now_k = 0.0, 1.0
    power = rho
    for n in range(_TERMS):
        next_h = h * now_h - n * before_h
        next_k = k * now_k - n * before_k
        value += power * now_h * now_k
        by_h -= power * next_h * now_k
        by_k -= power * now_h * next_k
        before_h, now_h = now_h, next_h
        before_k, now_k = now_k, next_k
        power *= rho / (n + 2.0)
    return factor * value, factor * by_h, factor * by_k


@kernel
def pattern_value(cells, a, b, sa, sb, rho, work):
    """Return the blurred pattern at (a, b), and its derivatives by a, b and the logarithm of the blur.

    Parameters
    ----------
    cells (n, n): 0 black to 1 white, row 0 on top; constant beyond its border. a, b: place in cells, from its first
    corner to the right and down. sa, sb, rho: the blur in cells. work (6, lines): scratch.
    """
    count = cells.shape[0]
    first = np.empty(1, dtype=np.int64)
    columns = _lines_near(a, sa, count, first, work[0], work[1], work[2])
    left = first[0] - 1 if columns > 0 else min(max(math.floor(a), 0), count - 1)
    rows = _lines_near(b, sb, count, first, work[3], work[4], work[5])
    top = first[0] - 1 if rows > 0 else min(max(math.floor(b), 0), count - 1)
    value = by_a = by_b = by_blur = 0.0
    for j in range(rows + 1):
        weight_b = (1.0 if j == 0 else work[4, j - 1]) - (0.0 if j == rows else work[4, j])
        slope_b = (0.0 if j == 0 else work[5, j - 1]) - (0.0 if j == rows else work[5, j])
        moment_b = (0.0 if j == 0 else work[3, j - 1] * work[5, j - 1]) - (
            0.0 if j == rows else work[3, j] * work[5, j]
        )
        for i in range(columns + 1):
            cell = cells[top + j, left + i]
            if cell == 0.0:
                continue
            weight_a = (1.0 if i == 0 else work[1, i - 1]) - (0.0 if i == columns else work[1, i])
            slope_a = (0.0 if i == 0 else work[2, i - 1]) - (0.0 if i == columns else work[2, i])
            moment_a = (0.0 if i == 0 else work[0, i - 1] * work[2, i - 1]) - (
                0.0 if i == columns else work[0, i] * work[2, i]
            )
            value += cell * weight_a * weight_b
            by_a += cell * slope_a * weight_b
            by_b += cell * weight_a * slope_b
            by_blur -= cell * (moment_a * weight_b + weight_a * moment_b)
    if abs(rho) > 1e-3:
        for j in range(rows):
            for i in range(columns):
                mixed = (
                    cells[top + j + 1, left + i + 1]
                    - cells[top + j + 1, left + i]
                    - cells[top + j, left + i + 1]
                    + cells[top + j, left + i]
                )
                if mixed != 0.0:
                    h, k = work[0, i], work[3, j]
                    extra, by_h, by_k = _series(h, k, rho, work[2, i], work[5, j])
                    value += mixed * extra
                    by_a += mixed * by_h
                    by_b += mixed * by_k
                    by_blur -= mixed * (h * by_h + k * by_k)
    return value, by_a / sa, by_b / sb, by_blur


@kernel
def _perspective_with_derivatives(corners, perspective, inverse, by_corner):
    """Fill the perspective, its inverse, and its derivative by each corner coordinate (8, 3, 3)."""
    step = 1e-3
    moved = corners.copy()
    ahead = np.empty((3, 3))
    square_to_quadrilateral(corners, perspective)
    for k in range(CORNERS):
        moved[k] = corners[k] + step
        square_to_quadrilateral(moved, ahead)
        moved[k] = corners[k] - step
        square_to_quadrilateral(moved, by_corner[k])
        moved[k] = corners[k]
        for i in range(3):
            for j in range(3):
                by_corner[k, i, j] = (ahead[i, j] - by_corner[k, i, j]) / (2.0 * step)
    a, b, c = perspective[0, 0], perspective[0, 1], perspective[0, 2]
    d, e, f = perspective[1, 0], perspective[1, 1], perspective[1, 2]
    g, h = perspective[2, 0], perspective[2, 1]
    inverse[0, 0], inverse[0, 1], inverse[0, 2] = e - f * h, c * h - b, b * f - c * e
    inverse[1, 0], inverse[1, 1], inverse[1, 2] = f * g - d, a - c * g, c * d - a * f
    inverse[2, 0], inverse[2, 1], inverse[2, 2] = d * h - e * g, b * g - a * h, a * e - b * d


@kernel
def _pixel_model(parameters, place, bend, cells, side, perspective, inverse, by_corner, work, row):
    """Return the modelled grey level of a pixel and fill its derivatives by the parameters, (14,).

    `place` (2,) is the pixel in undistorted pixel coordinates, `bend` (4,) the derivative of those by the pixel's own.
    """
    x, y = place[0], place[1]
    q0 = inverse[0, 0] * x + inverse[0, 1] * y + inverse[0, 2]
    q1 = inverse[1, 0] * x + inverse[1, 1] * y + inverse[1, 2]
    q2 = inverse[2, 0] * x + inverse[2, 1] * y + inverse[2, 2]
    s, t = q0 / q2, q1 / q2
    w = perspective[2, 0] * s + perspective[2, 1] * t + 1.0
    xs, xt = (perspective[0, 0] - x * perspective[2, 0]) / w, (perspective[0, 1] - x * perspective[2, 1]) / w
    ys, yt = (perspective[1, 0] - y * perspective[2, 0]) / w, (perspective[1, 1] - y * perspective[2, 1]) / w
    determinant = xs * yt - xt * ys
    sx, sy, tx, ty = yt / determinant, -xt / determinant, -ys / determinant, xs / determinant
    # one pixel's blur in units of the side: (s, t) by the pixel's own coordinates, times the sd
    su, sv = sx * bend[0] + sy * bend[2], sx * bend[1] + sy * bend[3]
    tu, tv = tx * bend[0] + ty * bend[2], tx * bend[1] + ty * bend[3]
    optical = math.exp(2.0 * parameters[LOG_BLUR])
    sd = math.sqrt(optical + _PIXEL_VARIANCE)
    length_s, length_t = math.sqrt(su * su + sv * sv), math.sqrt(tu * tu + tv * tv)
    rho = (su * tu + sv * tv) / (length_s * length_t)
    pad = 0.5 * (cells.shape[0] - side)
    f, by_a, by_b, by_blur = pattern_value(
        cells, side * s + pad, side * t + pad, side * sd * length_s, side * sd * length_t, rho, work
    )
    black, white = parameters[BLACK], parameters[WHITE]
    light = 1.0 + parameters[GRADIENT_X] * (2.0 * s - 1.0) + parameters[GRADIENT_Y] * (2.0 * t - 1.0)
    paint = black + (white - black) * f
    linear = paint * light
    by_s = side * by_a * (white - black) * light + 2.0 * paint * parameters[GRADIENT_X]
    by_t = side * by_b * (white - black) * light + 2.0 * paint * parameters[GRADIENT_Y]
    for k in range(CORNERS):
        m = by_corner[k]
        third = m[2, 0] * s + m[2, 1] * t + m[2, 2]
        px = (m[0, 0] * s + m[0, 1] * t + m[0, 2] - x * third) / w
        py = (m[1, 0] * s + m[1, 1] * t + m[1, 2] - y * third) / w
        row[k] = -(by_s * (sx * px + sy * py) + by_t * (tx * px + ty * py))
    row[BLACK] = (1.0 - f) * light
    row[WHITE] = f * light
    row[GRADIENT_X] = paint * (2.0 * s - 1.0)
    row[GRADIENT_Y] = paint * (2.0 * t - 1.0)
    row[LOG_BLUR] = by_blur * (white - black) * light * optical / (optical + _PIXEL_VARIANCE)
    row[TONE] = 0.0
    exponent = parameters[TONE]
    if exponent == 1.0:
        grey = linear
        if linear > 0.0:
            row[TONE] = linear * math.log(max(linear, 1e-3) / 255.0)
    else:
        base = max(linear, 1e-3) / 255.0
        grey = 255.0 * base**exponent
        slope = exponent * base ** (exponent - 1.0)
        for k in range(TONE):
            row[k] *= slope
        row[TONE] = grey * math.log(base)
    if not 0.0 < grey < 255.0:  # the sensor clips: a pixel beyond its range says only that
        for k in range(PARAMETERS):
            row[k] = 0.0
        grey = min(max(grey, 0.0), 255.0)
    return grey


@kernel
def model_greys(parameters, places, bends, cells, side, greys, rows):
    """Fill the modelled grey levels (N,) and their derivatives (N, 14) for pixels at `places` (N, 2)."""
    perspective, inverse = np.empty((3, 3)), np.empty((3, 3))
    by_corner = np.empty((CORNERS, 3, 3))
    work = np.empty((6, _MOST_LINES))
    _perspective_with_derivatives(parameters[:CORNERS], perspective, inverse, by_corner)
    for i in range(places.shape[0]):
        greys[i] = _pixel_model(
            parameters, places[i], bends[i], cells, side, perspective, inverse, by_corner, work, rows[i]
        )


@kernel
def _solve(matrix, vector, free, damping, lower, step):
    """Solve the damped normal equations for the free parameters by Cholesky; the others stay; False if singular."""
    for i in range(PARAMETERS):
        step[i] = 0.0
    for i in range(PARAMETERS):
        if not free[i]:
            continue
        for j in range(i + 1):
            if not free[j]:
                continue
            total = matrix[i, j]
            if i == j:
                total *= 1.0 + damping
            for k in range(j):
                if free[k]:
                    total -= lower[i, k] * lower[j, k]
            if i == j:
                if not total > 1e-12 * matrix[i, i]:
                    return False
                lower[i, i] = math.sqrt(total)
            else:
                lower[i, j] = total / lower[j, j]
    for i in range(PARAMETERS):
        if free[i]:
            total = vector[i]
            for k in range(i):
                if free[k]:
                    total -= lower[i, k] * step[k]
            step[i] = total / lower[i, i]
    for i in range(PARAMETERS - 1, -1, -1):
        if free[i]:
            total = step[i]
            for k in range(i + 1, PARAMETERS):
                if free[k]:
                    total -= lower[k, i] * step[k]
            step[i] = total / lower[i, i]
    return True


@kernel
def _prior_cost(parameters, free):
    """Return what the priors add to the biweight cost, whose quadratic part is 3 / c^2 of a squared residual in sds."""
    total = 0.0
    for k in range(4):
        if free[GRADIENT_X + k]:
            total += ((parameters[GRADIENT_X + k] - _PRIOR_MEAN[k]) / _PRIOR_SD[k]) ** 2
    return 3.0 * total / (_BIWEIGHT * _BIWEIGHT)


@kernel
def fit_marker(grey, places, bends, cells, side, free, parameters, noise_floor, tiles, information, scores, summary):
    """Fit the parameters (14,) to the pixels by robust least squares; return the status.

        Levenberg-Marquardt on Tukey's biweight, its scale the median absolute residual of the last step, floored at
        `noise_floor` grey levels (and at 1 % of the contrast, since no picture follows the model better). `information`
        (14, 14) is left as it is at the end, for unit noise; `scores` (tiles, 14) the sums of weighted residual times
    def fit_marker(
        grey, places, bends, cells, side, free, parameters, noise_floor, tiles, information, scores, summary
    ):  # fmt: skip
        variance explained, the share of pixels with little weight, iterations, and the sum of weights.
    """
    count = grey.shape[0]
    greys = np.empty(count)
    rows = np.empty((count, PARAMETERS))
    size = np.empty(count)
    gradient = np.empty(PARAMETERS)
    lower = np.zeros((PARAMETERS, PARAMETERS))
    step = np.empty(PARAMETERS)
    trial = parameters.copy()
    damping = 1e-3
    best = math.inf
    scale = math.inf
    status = NOT_CONVERGED
    moved = largest = math.inf
    iteration = 0
    weight_sum = 0.0
    for iteration in range(_MOST_ITERATIONS):
        model_greys(trial, places, bends, cells, side, greys, rows)
        for i in range(count):
            size[i] = abs(grey[i] - greys[i])
        here = max(noise_floor, 1.4826 * np.median(size), 0.01 * abs(trial[WHITE] - trial[BLACK]))
        if iteration == 0:
            scale = here
        # the cost of both points with one scale, or a falling scale would pass for a falling cost
        reach = _BIWEIGHT * scale
        cost = _prior_cost(trial, free)
        for i in range(count):
            u = min(1.0, size[i] / reach)
            cost += 1.0 - (1.0 - u * u) ** 3
        if not cost <= best * (1.0 + 1e-12):
            damping *= 10.0
            if damping > 1e8:
                break
        else:
            small = best - cost < 1e-7 * cost and iteration > 0
            parameters[:] = trial
            damping = max(damping * 0.01, 1e-7)
            moved = abs(here / scale - 1.0)
            scale = here
            reach = _BIWEIGHT * scale
            information[:, :] = 0.0
            gradient[:] = 0.0
            best = _prior_cost(parameters, free)
            weight_sum = 0.0
            for i in range(count):
                u = min(1.0, size[i] / reach)
                weight = (1.0 - u * u) ** 2
                best += 1.0 - (1.0 - u * u) ** 3
                weight_sum += weight
                if weight > 0.0:
                    residual = weight * (grey[i] - greys[i])
                    row = rows[i]
                    for a in range(PARAMETERS):
                        gradient[a] += residual * row[a]
                        weighted = weight * row[a]
                        for b in range(a + 1):
                            information[a, b] += weighted * row[b]
            for k in range(4):
                pull = (scale / _PRIOR_SD[k]) ** 2
                information[GRADIENT_X + k, GRADIENT_X + k] += pull
                gradient[GRADIENT_X + k] += pull * (_PRIOR_MEAN[k] - parameters[GRADIENT_X + k])
            if small and moved < 0.02:
                status = CONVERGED
                break
        solved = _solve(information, gradient, free, damping, lower, step)
        if not solved:
            damping *= 10.0
            if damping > 1e8:
                status = LOST
                break
            step[:] = 0.0
        largest = 0.0
        for k in range(PARAMETERS):
            trial[k] = parameters[k] + step[k]
            if k < CORNERS:
                largest = max(largest, abs(step[k]))
        trial[LOG_BLUR] = min(max(trial[LOG_BLUR], -2.3), 1.6)
        if solved and largest < _SMALL_STEP_PX and damping < 1e-2 and iteration > 0 and moved < 0.05:
            parameters[:] = trial  # what is left after a step this small is far below any corner's noise
            status = CONVERGED
            break
    if status == NOT_CONVERGED and largest < _CREEPING_STEP_PX:
        status = CONVERGED
    _summarise(grey, parameters, places, bends, cells, side, greys, rows, scale, tiles, information, scores, summary)
    summary[3] = iteration
    summary[4] = weight_sum
    return status


@kernel
def _summarise(
    grey, parameters, places, bends, cells, side, greys, rows, scale, tiles, information, scores, summary
):  # fmt: skip
    """Fill the information at the end, with the biweight's own correction of the residual variance.

    For an M-estimate the variance is E[psi^2] / E[psi']^2 times the inverse of the plain information (Huber 1981).
    """
    count = grey.shape[0]
    model_greys(parameters, places, bends, cells, side, greys, rows)
    scores[:, :] = 0.0
    reach = _BIWEIGHT * scale
    information[:, :] = 0.0
    squared = slope = plain = mean = spread = light_share = 0.0
    for i in range(count):
        residual = grey[i] - greys[i]
        u2 = min(1.0, (residual / reach) ** 2)
        weight = (1.0 - u2) ** 2
        squared += (weight * residual) ** 2
        slope += (1.0 - u2) * (1.0 - 5.0 * u2)
        plain += residual * residual
        mean += grey[i] / count
        if weight < 0.25:
            light_share += 1.0
        for a in range(PARAMETERS):
            scores[tiles[i], a] += weight * residual * rows[i, a]
            for b in range(a + 1):
                information[a, b] += rows[i, a] * rows[i, b] * (1.0 if weight > 0.0 else 0.0)
    for k in range(4):
        information[GRADIENT_X + k, GRADIENT_X + k] += (scale / _PRIOR_SD[k]) ** 2
    for i in range(count):
        spread += (grey[i] - mean) ** 2
    used = max(count - light_share, 1.0)
    freedom = max(used - PARAMETERS, 1.0)
    variance = squared / freedom / max(slope / used, 0.05) ** 2
    summary[0] = math.sqrt(variance)
    summary[1] = 1.0 - plain / max(spread, 1e-9)
    summary[2] = light_share / max(count, 1)
    for a in range(PARAMETERS):
        for b in range(a):
            information[b, a] = information[a, b]
