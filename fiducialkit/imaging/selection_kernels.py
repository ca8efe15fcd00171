"""Which pixels a marker's fit looks at, compiled: those that show it and tell something.

A lens is given as a polynomial from the pixels of one marker's box to where they would lie without its distortion
(`imaging.lens_patch`): four numbers a box (column and row of its middle, half its
width and height), the powers (T, 2) of each
term and its coefficients (T, 2). No terms: pixels lie where they are.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.imaging.kernels import PIXEL_VARIANCE, RING, SHAPE, inverse_of, shape_of

HIGHEST_POWER = 9
_BOX_CELLS = 2.0  # beyond the black square: the margin and what surrounds it
_SURROUND_SD = 1.7  # pixels are used up to so many sds of blur from the white margin's outer edge
_EDGE_REACH_SD, _EDGE_REACH_PX = 2.0, 0.2  # pixels farther from every edge tell only grey levels: a few are enough
_FLAT_EVERY = 12
_LEAST_TILE_PX = 4.0
_AROUND_FROM, _AROUND_TO = 1.3, 2.0  # cells outside the square where the surround's level is read


@kernel
def _powers_of(x, y, middle, powers):
    """Fill the powers (2, 10) of a pixel's place in its box, from -1 to 1."""
    powers[0, 0], powers[1, 0] = 1.0, 1.0
    p, q = (x - middle[0]) / middle[2], (y - middle[1]) / middle[3]
    for k in range(1, HIGHEST_POWER + 1):
        powers[0, k], powers[1, k] = powers[0, k - 1] * p, powers[1, k - 1] * q


@kernel
def _without_lens(terms, coefficients, powers):
    """Return where a pixel would lie without distortion."""
    x = y = 0.0
    for t in range(terms.shape[0]):
        value = powers[0, terms[t, 0]] * powers[1, terms[t, 1]]
        x += coefficients[t, 0] * value
        y += coefficients[t, 1] * value
    return x, y


@kernel
def _bend_of(middle, terms, coefficients, powers, bend):
    """Fill the derivative (xx, xy, yx, yy) of that place by the pixel's own."""
    bend[:] = 0.0
    for t in range(terms.shape[0]):
        i, j = terms[t, 0], terms[t, 1]
        by_x = i * powers[0, i - 1] * powers[1, j] / middle[2] if i > 0 else 0.0
        by_y = j * powers[0, i] * powers[1, j - 1] / middle[3] if j > 0 else 0.0
        bend[0] += coefficients[t, 0] * by_x
        bend[1] += coefficients[t, 0] * by_y
        bend[2] += coefficients[t, 1] * by_x
        bend[3] += coefficients[t, 1] * by_y


@kernel(is_inlined=True)
def _is_flat(cells, a, b, reach_a, reach_b):
    """Return whether a pixel sees one colour only: all cells within reach are equal."""
    last = cells.shape[0] - 1
    left, right = max(int(a - reach_a), 0), min(int(a + reach_a), last)
    top, bottom = max(int(b - reach_b), 0), min(int(b + reach_b), last)
    first, is_equal = cells[top, left], True
    for row in range(top, bottom + 1):
        for column in range(left, right + 1):
            is_equal &= cells[row, column] == first
    return is_equal


@kernel
def cell_side_px(corners, cells):
    """Return the mean side of a cell. [px]"""
    total = 0.0
    for k in range(4):
        j = (k + 1) % 4
        total += math.hypot(corners[2 * j] - corners[2 * k], corners[2 * j + 1] - corners[2 * k + 1])
    return 0.25 * total / (cells.shape[0] - 2.0 * RING)


@kernel
def box_of(corners_px, cell_px, width, height, box):
    """Fill the first column and row round a marker, and those past the last; return the number of pixels."""
    reach = _BOX_CELLS * cell_px
    for axis in range(2):
        low = high = corners_px[axis]
        for k in range(1, 4):
            low, high = min(low, corners_px[2 * k + axis]), max(high, corners_px[2 * k + axis])
        box[axis] = max(math.floor(low - reach), 0)
        box[axis + 2] = min(math.ceil(high + reach) + 1, width if axis == 0 else height)
    return max(box[2] - box[0], 0) * max(box[3] - box[1], 0)


@kernel
def margins_of(start, side, blur_px, reach):
    """Fill how far outside the square pixels are used, in sides, and how far edges are felt, in cells: across, down."""
    blur_sd_px = math.sqrt(blur_px * blur_px + PIXEL_VARIANCE)
    for axis in range(2):
        length = 0.0
        for k in range(2):
            one, other = (2 * axis + 4 * k) % 8, (2 * axis + 4 * k + 2) % 8
            length += 0.5 * math.hypot(start[other] - start[one], start[other + 1] - start[one + 1])
        reach[axis] = max(1.0 / side - _SURROUND_SD * blur_sd_px / length, 0.0)
        reach[axis + 2] = (_EDGE_REACH_SD * blur_sd_px + _EDGE_REACH_PX) * side / length


@kernel
def _outline(shape, reach, outline):
    """Fill the four corners (4, 2) of a square `reach` sides larger every way; False where one lies behind."""
    for k in range(4):
        u = 0.5 + reach if 1 <= k <= 2 else -0.5 - reach
        v = 0.5 + reach if k >= 2 else -0.5 - reach
        w = shape[6] * u + shape[7] * v + 1.0
        if w < 0.1:
            return False
        outline[k, 0] = (shape[0] * u + shape[1] * v + shape[2]) / w
        outline[k, 1] = (shape[3] * u + shape[4] * v + shape[5]) / w
    return True


@kernel
def _span(outline, row, first, past):
    """Return the first column of a row inside a convex outline, and the one past the last, within those given."""
    low, high = np.inf, -np.inf
    for k in range(4):
        x0, y0 = outline[k, 0], outline[k, 1]
        x1, y1 = outline[(k + 1) % 4, 0], outline[(k + 1) % 4, 1]
        if min(y0, y1) <= row <= max(y0, y1) and y0 != y1:
            x = x0 + (row - y0) / (y1 - y0) * (x1 - x0)
            low, high = min(low, x), max(high, x)
    if low > high:
        return first, first
    return max(first, math.ceil(low)), min(past, math.floor(high) + 1)


@kernel
def select_pixels(
    image, box, start, cells, reach, tile_px, middle, terms, coefficients, levels, places, bends, tiles, counts
):  # fmt: skip
    """Fill levels, undistorted places, bends and tiles of the pixels that tell something; return how many.

    Those within `reach[:2]` sides outside the square of the corners `start` (8,), near an edge of the pattern as by
    `reach[2:]` cells, and some of the others. `counts` (2, 256) becomes the histograms of the square with its margin,
    and of what surrounds that.
    """
    shape, inverse, powers = np.empty(SHAPE), np.empty((3, 3)), np.empty((2, HIGHEST_POWER + 1))
    shape_of(start, shape)
    inverse_of(shape, inverse)
    if inverse[2, 0] * shape[2] + inverse[2, 1] * shape[5] + inverse[2, 2] < 0.0:
        inverse *= -1.0
    counts[:, :] = 0
    half, side = 0.5 * cells.shape[0], cells.shape[0] - 2.0 * RING
    is_bent = terms.shape[0] > 0
    columns = int((box[2] - box[0]) / tile_px) + 1
    number = flat = 0
    outline = np.empty((4, 2))
    has_outline = _outline(shape, _AROUND_TO / side, outline) and not is_bent
    for row in range(box[1], box[3]):
        first, past = box[0], box[2]
        if has_outline:
            first, past = _span(outline, row, first, past)
        for column in range(first, past):
            x, y = float(column), float(row)
            if is_bent:
                _powers_of(x, y, middle, powers)
                x, y = _without_lens(terms, coefficients, powers)
            q2 = inverse[2, 0] * x + inverse[2, 1] * y + inverse[2, 2]
            if not q2 > 0.0:
                continue
            q2 = 1.0 / q2
            u = (inverse[0, 0] * x + inverse[0, 1] * y + inverse[0, 2]) * q2
            v = (inverse[1, 0] * x + inverse[1, 1] * y + inverse[1, 2]) * q2
            out = side * (max(abs(u), abs(v)) - 0.5)
            if out > _AROUND_TO:
                continue
            level = image[row, column]
            if out > _AROUND_FROM:
                counts[1, level] += 1
            if abs(u) > 0.5 + reach[0] or abs(v) > 0.5 + reach[1]:
                continue
            counts[0, level] += 1
            if _is_flat(cells, side * u + half, side * v + half, reach[2], reach[3]):
                flat += 1
                if flat % _FLAT_EVERY != 0:
                    continue
            levels[number] = level
            places[number, 0], places[number, 1] = x, y
            if is_bent:
                _bend_of(middle, terms, coefficients, powers, bends[number])
            tiles[number] = int((row - box[1]) / tile_px) * columns + int((column - box[0]) / tile_px)
            number += 1
    return number


@kernel
def tile_side_px(cell_px):
    """Return the side of the tiles by which residuals are searched for a pattern. [px]"""
    return max(cell_px, _LEAST_TILE_PX)


@kernel
def percentile_of(counts, share):
    """Return the level below which that share of a histogram lies; NaN where it is empty."""
    wanted, so_far = share * counts.sum(), 0
    if wanted <= 0.0:
        return np.nan
    for level in range(counts.shape[0]):
        so_far += counts[level]
        if so_far >= wanted:
            return float(level)
    return np.nan
