"""Where two edges of a chessboard cross, by maximum likelihood: compiled scalar code.

Round a corner the grey level is ``m + gx dx + gy dy + c E(n1 . d) E(n2 . d)``, d the place seen from the corner, n1 and
n2 the normals of the two edges, E(s) = erf(s / (sqrt(2) b)) an edge under a Gaussian blur of sd b (optics and pixel
area together). It is exact for edges at a right angle; for others the model is off by what is symmetric about the
corner, so that the corner itself is not moved.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.small_matrices import cholesky, solve_cholesky

X, Y, ANGLE_1, ANGLE_2, MEAN, SLOPE_X, SLOPE_Y, CONTRAST, LOG_BLUR = range(9)
PARAMETERS = 9
FITTED, FAILED = 1, 0
_ITERATIONS = 40
_SMALL_STEP_PX = 0.002
_ROOT_PI = math.sqrt(math.pi)


@kernel
def model_row(parameters, x, y, row):
    """Write the derivatives of the grey level at pixel (x, y) into `row` (9,), and return the level itself."""
    dx, dy = x - parameters[X], y - parameters[Y]
    c1, s1 = math.cos(parameters[ANGLE_1]), math.sin(parameters[ANGLE_1])
    c2, s2 = math.cos(parameters[ANGLE_2]), math.sin(parameters[ANGLE_2])
    scale = math.exp(-parameters[LOG_BLUR]) / math.sqrt(2.0)
    q1, q2 = (c1 * dx + s1 * dy) * scale, (c2 * dx + s2 * dy) * scale
    e1, e2 = math.erf(q1), math.erf(q2)
    d1, d2 = 2.0 / _ROOT_PI * math.exp(-q1 * q1), 2.0 / _ROOT_PI * math.exp(-q2 * q2)
    contrast = parameters[CONTRAST]
    f1, f2 = contrast * d1 * e2, contrast * d2 * e1
    row[X] = -scale * (f1 * c1 + f2 * c2) - parameters[SLOPE_X]
    row[Y] = -scale * (f1 * s1 + f2 * s2) - parameters[SLOPE_Y]
    row[ANGLE_1] = f1 * scale * (c1 * dy - s1 * dx)
    row[ANGLE_2] = f2 * scale * (c2 * dy - s2 * dx)
    row[MEAN] = 1.0
    row[SLOPE_X] = dx
    row[SLOPE_Y] = dy
    row[CONTRAST] = e1 * e2
    row[LOG_BLUR] = -(f1 * q1 + f2 * q2)
    return parameters[MEAN] + parameters[SLOPE_X] * dx + parameters[SLOPE_Y] * dy + contrast * e1 * e2


@kernel
def _equations(grey, centre_x, centre_y, radius, parameters, normal, gradient, row):
    """Sum the normal equations over a disc; return (cost, pixels, sum of levels' squares about their mean)."""
    normal[:, :] = 0.0
    gradient[:] = 0.0
    cost, count, total, squares = 0.0, 0, 0.0, 0.0
    reach = math.ceil(radius)
    x0, y0 = round(centre_x), round(centre_y)
    for y in range(max(0, y0 - reach), min(grey.shape[0], y0 + reach + 1)):
        for x in range(max(0, x0 - reach), min(grey.shape[1], x0 + reach + 1)):
            if (x - centre_x) ** 2 + (y - centre_y) ** 2 > radius * radius:
                continue
            level = float(grey[y, x])
            residual = model_row(parameters, float(x), float(y), row) - level
            cost += residual * residual
            total += level
            squares += level * level
            count += 1
            for i in range(PARAMETERS):
                gradient[i] += row[i] * residual
                for j in range(i + 1):
                    normal[i, j] += row[i] * row[j]
    return cost, count, squares - total * total / max(count, 1)


@kernel
def _start(grey, x, y, radius, parameters, row):
    """Set grey levels, and the contrast by regression on the pattern, from position, angles and blur."""
    parameters[MEAN], parameters[SLOPE_X], parameters[SLOPE_Y], parameters[CONTRAST] = 0.0, 0.0, 0.0, 1.0
    count, sum_e, sum_ee, sum_g, sum_eg = 0, 0.0, 0.0, 0.0, 0.0
    reach = math.ceil(radius)
    x0, y0 = round(x), round(y)
    for v in range(max(0, y0 - reach), min(grey.shape[0], y0 + reach + 1)):
        for u in range(max(0, x0 - reach), min(grey.shape[1], x0 + reach + 1)):
            if (u - x) ** 2 + (v - y) ** 2 > radius * radius:
                continue
            e, g = model_row(parameters, float(u), float(v), row), float(grey[v, u])
            count += 1
            sum_e += e
            sum_ee += e * e
            sum_g += g
            sum_eg += e * g
    spread = sum_ee - sum_e * sum_e / max(count, 1)
    if not (count > 2 * PARAMETERS and spread > 0.0):
        return False
    parameters[CONTRAST] = (sum_eg - sum_e * sum_g / count) / spread
    parameters[MEAN] = (sum_g - parameters[CONTRAST] * sum_e) / count
    return True


@kernel
def fit_saddle(grey, x, y, angle_1, angle_2, radius, parameters, covariance, summary):
    """Fit one corner; return FITTED or FAILED.

    `parameters` (9,) is filled, `covariance` (2, 2) is that of the place, scaled by the residuals [px^2], `summary`
    (2,) holds the sd of the residuals [grey levels] and the share of the pixels' variance that the corner explains.
    """
    row, gradient, step = np.empty(PARAMETERS), np.empty(PARAMETERS), np.empty(PARAMETERS)
    normal, factor = np.empty((PARAMETERS, PARAMETERS)), np.empty((PARAMETERS, PARAMETERS))
    trial = np.empty(PARAMETERS)
    parameters[X], parameters[Y], parameters[ANGLE_1], parameters[ANGLE_2] = x, y, angle_1, angle_2
    parameters[LOG_BLUR] = 0.0
    if not _start(grey, x, y, radius, parameters, row):
        return FAILED
    cost, count, spread = _equations(grey, x, y, radius, parameters, normal, gradient, row)
    damping, is_done = 1e-3, False
    for _ in range(_ITERATIONS):
        if not cholesky(normal, damping, factor):
            return FAILED
        step[:] = -gradient
        solve_cholesky(factor, step)
        trial[:] = parameters + step
        trial[LOG_BLUR] = min(max(trial[LOG_BLUR], -1.3), 2.3)
        tried, _, _ = _equations(grey, x, y, radius, trial, normal, gradient, row)
        if tried <= cost:
            parameters[:] = trial
            damping = max(0.1 * damping, 1e-9)
            is_done = math.hypot(step[X], step[Y]) < _SMALL_STEP_PX or cost - tried < 1e-6 * cost
            cost = tried
            if is_done:
                break
        else:
            damping *= 8.0
            cost, _, _ = _equations(grey, x, y, radius, parameters, normal, gradient, row)
            if damping > 1e6:
                break
    if not is_done or count <= PARAMETERS:
        return FAILED
    if not cholesky(normal, 0.0, factor):
        return FAILED
    variance = cost / (count - PARAMETERS)
    for i in range(2):
        step[:] = 0.0
        step[i] = 1.0
        solve_cholesky(factor, step)
        covariance[i, 0], covariance[i, 1] = step[0] * variance, step[1] * variance
    summary[0] = math.sqrt(variance)
    summary[1] = 1.0 - cost / max(spread, 1e-9)
    return FITTED


@kernel
def fit_saddles(grey, places, angles, radii, parameters, covariances, summaries, status):
    """Fit N corners: `places`, `angles` (N, 2), `radii` (N,) in; `parameters` (N, 9) ... `status` (N,) out."""
    for i in range(places.shape[0]):
        status[i] = fit_saddle(
            grey, places[i, 0], places[i, 1], angles[i, 0], angles[i, 1], radii[i], parameters[i], covariances[i],
            summaries[i],
        )  # fmt: skip
