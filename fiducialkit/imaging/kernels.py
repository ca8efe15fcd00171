"""What a pixel of a marker's picture holds, with its derivatives: a blurred cell pattern under a perspective.

The picture of a marker is its cells, seen through a perspective, blurred by a Gaussian (the optics' variance and the
pixel's own 1/12), lit with a linear gradient, passed through a tone curve. In cell coordinates the blur of one pixel
is a Gaussian of sds (sa, sb) and correlation rho; the share of it that falls right of one lattice line and below
another is a bivariate normal integral, written here as the product of two normal integrals plus Mehler's (tetrachoric)
series, which a pattern needs only at the lattice points where cells meet diagonally.

The perspective is given by eight numbers h: x = (h0 u + h1 v + h2) / w, y = (h3 u + h4 v + h5) / w with
w = h6 u + h7 v + 1, where (u, v) runs from -1/2 to 1/2 across and down the black square. Their derivatives cost a
product each; `corners_of` turns them into corners once, at the end.

References
----------
Mehler, J. reine angew. Math. 66 (1866) 161-176 (the series). The rest is derived here.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from fiducialkit.compiled import kernel
from fiducialkit.scene.projection import square_to_quadrilateral

SHAPE = 8  # the eight numbers of the perspective come first
BLACK, WHITE, GRADIENT_X, GRADIENT_Y, LOG_BLUR, TONE, SURROUND, SHARPNESS = 8, 9, 10, 11, 12, 13, 14, 15
PARAMETERS = 16
RING = 2  # cells round the artwork: the white margin, and what lies beyond it
_REACH_SD = 3.6  # lattice lines farther than this from a pixel take less than 2e-4 of it
_MOST_LINES = 24
_TERMS = 8
_SMALLEST_TERM = 1e-3
_LEAST_RHO = 1e-3
PIXEL_VARIANCE = 1.0 / 12.0
SHARPENED_SD_PX = 1.2  # of the smoother picture that sharpening takes away; in the middle of what is usual
_PER_SD = 64
_HIGHEST_SD = 4
_FARTHEST_SD = 3.99
_PLACES = np.arange(-_HIGHEST_SD * _PER_SD, _HIGHEST_SD * _PER_SD + 1) / _PER_SD
_INTEGRAL = ndtr(_PLACES)
_DENSITY = np.exp(-0.5 * _PLACES**2) / math.sqrt(2.0 * math.pi)


@kernel(is_inlined=True)
def _normal(offset):
    """Return the normal integral and density within 4 sd by Taylor's series about a table's entry, to 1e-9 and 1e-7."""
    entry = int((offset + _HIGHEST_SD) * _PER_SD + 0.5)
    middle = entry / _PER_SD - _HIGHEST_SD
    step, dense = offset - middle, _DENSITY[entry]
    bend = middle * middle - 1.0
    integral = _INTEGRAL[entry] + step * dense * (1.0 - step * (0.5 * middle - step * bend / 6.0))
    return integral, dense * (1.0 - step * (middle - 0.5 * step * bend))


@kernel
def _lines_near(place, sd, count, work, at):
    """Fill the lattice lines within reach of a pixel; return how many, and the first.

    `work` rows `at` and on become offsets in sd, normal integrals and densities.
    """
    low = max(1, math.ceil(place - _REACH_SD * sd))
    high = min(count - 1, math.floor(place + _REACH_SD * sd))
    number = max(0, min(high - low + 1, _MOST_LINES))
    for i in range(number):
        work[at, i] = (place - (low + i)) / sd
        work[at + 1, i], work[at + 2, i] = _normal(work[at, i])
    return number, low


@kernel
def _series(h, k, rho, dh, dk):
    """Return Mehler's series for Phi2(h, k, rho) - Phi(h) Phi(k), and its derivatives by h and k."""
    factor = dh * dk
    value = by_h = by_k = 0.0
    before_h, now_h = 0.0, 1.0  # Hermite polynomials He_(n-1), He_n
    before_k, now_k = 0.0, 1.0
    power = left = rho
    for n in range(_TERMS):
        next_h = h * now_h - n * before_h
        next_k = k * now_k - n * before_k
        value += power * now_h * now_k
        by_h -= power * next_h * now_k
        by_k -= power * now_h * next_k
        before_h, now_h = now_h, next_h
        before_k, now_k = now_k, next_k
        power *= rho / (n + 2.0)
        left *= rho
        if abs(left) < _SMALLEST_TERM:  # terms fall as powers of rho
            break
    return factor * value, factor * by_h, factor * by_k


@kernel(is_inlined=True)
def pattern_value(cells, a, b, ra, rb, rho, work):
    """Return the blurred pattern at (a, b), its derivatives by a, b and the log of the blur, and the ring's share.

    That is how much of the blurred pixel falls on the outermost ring of cells, the correlation of the blur left out.

    Parameters
    ----------
    cells (n, n): 0 black to 1 white, row 0 on top; constant beyond its border. a, b: place in cells, from its first
    corner to the right and down. ra, rb, rho: one over the blur's sds in cells, its correlation. work (7, lines).
    """
    sharper = min(ra, rb)
    if sharper > 2.0 * _REACH_SD:
        return _among_four(cells, a, b, ra, rb, rho)
    if sharper > _REACH_SD:
        return _among_nine(cells, a, b, ra, rb, rho)
    return _among_many(cells, a, b, 1.0 / ra, 1.0 / rb, rho, work)


@kernel(is_inlined=True)
def _among_four(cells, a, b, ra, rb, rho):
    """Return `pattern_value` of a pixel so sharp that it sees one lattice line of each direction at most."""
    last = cells.shape[0] - 1
    column, row = min(max(int(a + 0.5), 1), last), min(max(int(b + 0.5), 1), last)
    h = min(max((a - column) * ra, -_FARTHEST_SD), _FARTHEST_SD)
    k = min(max((b - row) * rb, -_FARTHEST_SD), _FARTHEST_SD)
    right, dense_a = _normal(h)
    below, dense_b = _normal(k)
    first, third = cells[row - 1, column - 1], cells[row, column - 1]
    across_top, across_bottom = cells[row - 1, column] - first, cells[row, column] - third
    mixed = across_bottom - across_top
    top, bottom = first + across_top * right, third + across_bottom * right
    value = top + (bottom - top) * below
    by_h, by_k = dense_a * (across_top + mixed * below), dense_b * (bottom - top)
    if mixed != 0.0 and abs(rho) > _LEAST_RHO:
        extra, extra_h, extra_k = _series(h, k, rho, dense_a, dense_b)
        value, by_h, by_k = value + mixed * extra, by_h + mixed * extra_h, by_k + mixed * extra_k
    inside_a = (right if column == 1 else 1.0) - (right if column == last else 0.0)
    inside_b = (below if row == 1 else 1.0) - (below if row == last else 0.0)
    return value, by_h * ra, by_k * rb, -(h * by_h + k * by_k), 1.0 - inside_a * inside_b


@kernel(is_inlined=True)
def _among_nine(cells, a, b, ra, rb, rho):
    """Return `pattern_value` of a pixel that sees the lattice lines of its own cell at most."""
    last = cells.shape[0] - 1
    column, row = min(max(int(a), 1), last - 1), min(max(int(b), 1), last - 1)
    h0 = min(max((a - column) * ra, -_FARTHEST_SD), _FARTHEST_SD)
    h1 = min(max((a - column - 1) * ra, -_FARTHEST_SD), _FARTHEST_SD)
    k0 = min(max((b - row) * rb, -_FARTHEST_SD), _FARTHEST_SD)
    k1 = min(max((b - row - 1) * rb, -_FARTHEST_SD), _FARTHEST_SD)
    right0, dense_a0 = _normal(h0)
    right1, dense_a1 = _normal(h1)
    below0, dense_b0 = _normal(k0)
    below1, dense_b1 = _normal(k1)
    value = by_h = by_k = by_blur = before = 0.0
    for j in range(3):
        weight = (1.0 if j == 0 else (below0 if j == 1 else below1)) - (
            below0 if j == 0 else (below1 if j == 1 else 0.0)
        )
        first, middle = cells[row - 1 + j, column - 1], cells[row - 1 + j, column]
        step0, step1 = middle - first, cells[row - 1 + j, column + 1] - middle
        along = first + step0 * right0 + step1 * right1
        value += weight * along
        by_h += weight * (step0 * dense_a0 + step1 * dense_a1)
        by_blur -= weight * (step0 * dense_a0 * h0 + step1 * dense_a1 * h1)
        if j > 0:
            slope = (along - before) * (dense_b0 if j == 1 else dense_b1)
            by_k += slope
            by_blur -= slope * (k0 if j == 1 else k1)
        before = along
    if abs(rho) > _LEAST_RHO:
        for j in range(2):
            k, dense_b = (k0, dense_b0) if j == 0 else (k1, dense_b1)
            for i in range(2):
                up, left = row - 1 + j, column - 1 + i
                mixed = cells[up + 1, left + 1] - cells[up + 1, left] - cells[up, left + 1] + cells[up, left]
                if mixed != 0.0:
                    h, dense_a = (h0, dense_a0) if i == 0 else (h1, dense_a1)
                    extra, extra_h, extra_k = _series(h, k, rho, dense_a, dense_b)
                    value, by_h, by_k = value + mixed * extra, by_h + mixed * extra_h, by_k + mixed * extra_k
                    by_blur -= mixed * (h * extra_h + k * extra_k)
    inside_a = (right0 if column == 1 else 1.0) - (right1 if column == last - 1 else 0.0)
    inside_b = (below0 if row == 1 else 1.0) - (below1 if row == last - 1 else 0.0)
    return value, by_h * ra, by_k * rb, by_blur, 1.0 - inside_a * inside_b


@kernel
def _part(work, at, i, count):
    """Return the share of a pixel between one lattice line and the next."""
    return (1.0 if i == 0 else work[at, i - 1]) - (0.0 if i == count else work[at, i])


@kernel
def _among_many(cells, a, b, sa, sb, rho, work):
    """Return `pattern_value` of a pixel that sees any number of lattice lines."""
    count = cells.shape[0]
    columns, first = _lines_near(a, sa, count, work, 0)
    left = first - 1 if columns > 0 else min(max(math.floor(a), 0), count - 1)
    rows, first = _lines_near(b, sb, count, work, 3)
    top = first - 1 if rows > 0 else min(max(math.floor(b), 0), count - 1)
    value = by_h = by_k = by_blur = outside = 0.0
    for i in range(columns + 1):
        work[6, i] = _part(work, 1, i, columns)
    for j in range(rows + 1):
        weight_b = _part(work, 4, j, rows)
        slope_b = (0.0 if j == 0 else work[5, j - 1]) - (0.0 if j == rows else work[5, j])
        moment_b = (0.0 if j == 0 else work[3, j - 1] * work[5, j - 1]) - (
            0.0 if j == rows else work[3, j] * work[5, j]
        )
        is_end = top + j == 0 or top + j == count - 1
        for i in range(columns + 1):
            weight_a = work[6, i]
            if is_end or left + i == 0 or left + i == count - 1:
                outside += weight_a * weight_b
            cell = cells[top + j, left + i]
            if cell == 0.0:
                continue
            slope_a = (0.0 if i == 0 else work[2, i - 1]) - (0.0 if i == columns else work[2, i])
            moment_a = (0.0 if i == 0 else work[0, i - 1] * work[2, i - 1]) - (
                0.0 if i == columns else work[0, i] * work[2, i]
            )
            value += cell * weight_a * weight_b
            by_h += cell * slope_a * weight_b
            by_k += cell * weight_a * slope_b
            by_blur -= cell * (moment_a * weight_b + weight_a * moment_b)
    if abs(rho) > _LEAST_RHO:
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
                    extra, extra_h, extra_k = _series(h, k, rho, work[2, i], work[5, j])
                    value, by_h, by_k = value + mixed * extra, by_h + mixed * extra_h, by_k + mixed * extra_k
                    by_blur -= mixed * (h * extra_h + k * extra_k)
    return value, by_h / sa, by_k / sb, by_blur, outside


@kernel
def shape_of(corners, shape):
    """Fill the perspective's eight numbers from the corners (8,), clockwise from the top left."""
    m = np.empty((3, 3))
    square_to_quadrilateral(corners, m)
    for i in range(3):
        m[i, 2] += 0.5 * (m[i, 0] + m[i, 1])
    for i in range(SHAPE):
        shape[i] = m[i // 3, i % 3] / m[2, 2]


@kernel
def corners_of(shape, corners, by_shape):
    """Fill the corners (8,) of a perspective and their derivatives by its eight numbers (8, 8)."""
    by_shape[:, :] = 0.0
    for k in range(4):
        u = 0.5 if 1 <= k <= 2 else -0.5
        v = 0.5 if k >= 2 else -0.5
        w = shape[6] * u + shape[7] * v + 1.0
        for axis in range(2):
            place = (shape[3 * axis] * u + shape[3 * axis + 1] * v + shape[3 * axis + 2]) / w
            row = by_shape[2 * k + axis]
            corners[2 * k + axis] = place
            row[3 * axis], row[3 * axis + 1], row[3 * axis + 2] = u / w, v / w, 1.0 / w
            row[6], row[7] = -place * u / w, -place * v / w


@kernel
def inverse_of(shape, inverse):
    """Fill the matrix (3, 3) from pixels (x, y, 1) to (u, v, 1) times determinant / w; return the determinant."""
    a, b, c, d, e, f, g, h = shape[0], shape[1], shape[2], shape[3], shape[4], shape[5], shape[6], shape[7]
    inverse[0, 0], inverse[0, 1], inverse[0, 2] = e - f * h, c * h - b, b * f - c * e
    inverse[1, 0], inverse[1, 1], inverse[1, 2] = f * g - d, a - c * g, c * d - a * f
    inverse[2, 0], inverse[2, 1], inverse[2, 2] = d * h - e * g, b * g - a * h, a * e - b * d
    return a * inverse[0, 0] + b * inverse[1, 0] + c * inverse[2, 0]


@kernel(is_inlined=True)
def _pixel_model(parameters, inverse, determinant, spread, x, y, bends, at, cells, side, passes, work, rows, i):
    """Return the modelled grey level of pixel i and fill its derivatives by the parameters, rows[:, i].

    (x, y) is the pixel in undistorted pixel coordinates, row `at` of `bends` the derivative of those by its own,
    `spread` is one over the sd of all blur (per pixel, in cells of a pixel), the optics' share of its variance, whether
    the tone is free, the surround's level as a share from black to white, the first two for the smoother picture,
    which counts where `passes` is 2, and one over the determinant.
    """
    third = inverse[2, 0] * x + inverse[2, 1] * y + inverse[2, 2]  # determinant / w
    inv_third = 1.0 / third
    u = (inverse[0, 0] * x + inverse[0, 1] * y + inverse[0, 2]) * inv_third
    v = (inverse[1, 0] * x + inverse[1, 1] * y + inverse[1, 2]) * inv_third
    inv_w = third * spread[6]
    xu, xv = (parameters[0] - x * parameters[6]) * inv_w, (parameters[1] - x * parameters[7]) * inv_w
    yu, yv = (parameters[3] - y * parameters[6]) * inv_w, (parameters[4] - y * parameters[7]) * inv_w
    inv_det = determinant * determinant * inv_third * inv_third * inv_third  # w^3 / determinant
    ux, uy, vx, vy = yv * inv_det, -xv * inv_det, -yu * inv_det, xu * inv_det
    # one pixel's blur in units of the side: (u, v) by the pixel's own coordinates, times the sd
    u0, u1 = ux * bends[at, 0] + uy * bends[at, 2], ux * bends[at, 1] + uy * bends[at, 3]
    v0, v1 = vx * bends[at, 0] + vy * bends[at, 2], vx * bends[at, 1] + vy * bends[at, 3]
    sharp_u, sharp_v = 1.0 / math.sqrt(u0 * u0 + u1 * u1), 1.0 / math.sqrt(v0 * v0 + v1 * v1)
    rho = (u0 * v0 + u1 * v1) * sharp_u * sharp_v
    middle = 0.5 * cells.shape[0]
    sharp = spread[0]
    # a sharpened picture is (1 + s) times itself less s times a smoother one
    f = by_a = by_b = by_blur = outside = by_sharpness = 0.0
    for turn in range(passes):
        share = 1.0 + parameters[SHARPNESS] if turn == 0 else -parameters[SHARPNESS]
        if turn == 1:
            sharp = spread[4]
        value, slope_a, slope_b, slope_blur, ring = pattern_value(
            cells, side * u + middle, side * v + middle, sharp * sharp_u, sharp * sharp_v, rho, work
        )
        f, by_a, by_b, outside = (
            f + share * value,
            by_a + share * slope_a,
            by_b + share * slope_b,
            outside + share * ring,
        )
        by_blur += share * slope_blur * spread[1 if turn == 0 else 5]
        by_sharpness += value if turn == 0 else -value
    black, white = parameters[BLACK], parameters[WHITE]
    contrast = white - black
    light = 1.0 + 2.0 * (parameters[GRADIENT_X] * u + parameters[GRADIENT_Y] * v)
    paint = black + contrast * f
    grey = linear = paint * light
    slope, logarithm, exponent = 1.0, 0.0, parameters[TONE]
    if exponent != 1.0 or spread[2] > 0.0:
        base = max(linear, 1e-3) / 255.0
        logarithm = math.log(base)
        if exponent != 1.0:
            grey = 255.0 * math.exp(exponent * logarithm)
            slope = exponent * grey / (255.0 * base)
    if not 0.0 < grey < 255.0:  # the sensor clips: a pixel beyond its range says only that
        for p in range(PARAMETERS):
            rows[p, i] = 0.0
        return min(max(grey, 0.0), 255.0)
    steep = slope * side * contrast * light
    by_u = steep * by_a + 2.0 * slope * paint * parameters[GRADIENT_X]
    by_v = steep * by_b + 2.0 * slope * paint * parameters[GRADIENT_Y]
    along_x, along_y = -(by_u * ux + by_v * vx) * inv_w, -(by_u * uy + by_v * vy) * inv_w
    towards = -(along_x * x + along_y * y)
    rows[0, i], rows[1, i], rows[2, i] = along_x * u, along_x * v, along_x
    rows[3, i], rows[4, i], rows[5, i] = along_y * u, along_y * v, along_y
    rows[6, i], rows[7, i] = towards * u, towards * v
    lit = light * slope
    white_share = f - outside * spread[3]
    rows[BLACK, i] = (1.0 - white_share - outside) * lit
    rows[WHITE, i] = white_share * lit
    rows[GRADIENT_X, i] = 2.0 * paint * u * slope
    rows[GRADIENT_Y, i] = 2.0 * paint * v * slope
    rows[LOG_BLUR, i] = by_blur * contrast * lit
    rows[TONE, i] = grey * logarithm
    rows[SURROUND, i] = outside * lit
    rows[SHARPNESS, i] = by_sharpness * contrast * lit
    return grey


@kernel(allocates=False)
def _fill(parameters, inverse, determinant, spread, places, bends, cells, side, passes, work, greys, rows):
    """Fill grey levels and derivatives of all pixels; `_pixel_model` one by one."""
    is_bent = bends.shape[0] > 1
    for i in range(places.shape[0]):
        at = i if is_bent else 0
        x, y = places[i, 0], places[i, 1]
        greys[i] = _pixel_model(
            parameters, inverse, determinant, spread, x, y, bends, at, cells, side, passes, work, rows, i
        )


@kernel
def model_greys(parameters, places, bends, cells, side, is_tone_free, is_sharp, greys, rows):
    """Fill the modelled grey levels (N,) and their derivatives (16, N) for pixels at `places` (N, 2).

    `bends` is (N, 4), or (1, 4) where it is the same for all; the outermost ring of `cells` is overwritten. Only with
    `is_sharp` does the sharpness count.
    """
    inverse, spread = np.empty((3, 3)), np.empty(7)
    work = np.empty((7, _MOST_LINES + 1))
    determinant = inverse_of(parameters, inverse)
    optical = math.exp(2.0 * parameters[LOG_BLUR])
    spread[0] = 1.0 / (side * math.sqrt(optical + PIXEL_VARIANCE))
    spread[1] = optical / (optical + PIXEL_VARIANCE)
    spread[2] = 1.0 if is_tone_free else 0.0
    beyond = (parameters[SURROUND] - parameters[BLACK]) / (parameters[WHITE] - parameters[BLACK])
    spread[3] = beyond
    smooth = optical + PIXEL_VARIANCE + SHARPENED_SD_PX * SHARPENED_SD_PX
    spread[4], spread[5] = 1.0 / (side * math.sqrt(smooth)), optical / smooth
    spread[6] = 1.0 / determinant
    passes = 2 if is_sharp else 1
    cells[0, :], cells[-1, :], cells[:, 0], cells[:, -1] = beyond, beyond, beyond, beyond
    _fill(parameters, inverse, determinant, spread, places, bends, cells, side, passes, work, greys, rows)
