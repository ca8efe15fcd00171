"""Edges of many squares, grey levels of their cells, and what codes explain of them, at once."""

from __future__ import annotations

import numpy as np

from fiducialkit.compiled import kernel

SPREAD = 0.25  # of a cell, to either side of its middle
POINTS = 3  # across a cell and down it


@kernel
def bilinear(grey, x, y):
    """Return the grey level at a place, straight between pixel centres, held at the picture's edge."""
    height, width = grey.shape
    if not (np.isfinite(x) and np.isfinite(y)):
        return np.nan
    x = min(max(x, 0.0), width - 1.0)
    y = min(max(y, 0.0), height - 1.0)
    column, row = min(int(x), width - 2), min(int(y), height - 2)
    right, down = x - column, y - row
    above = (1.0 - right) * grey[row, column] + right * grey[row, column + 1]
    below = (1.0 - right) * grey[row + 1, column] + right * grey[row + 1, column + 1]
    return (1.0 - down) * above + down * below


@kernel
def sample_cells(grey, pixel_from_square, cells, levels):
    """Write the mean of `POINTS` x `POINTS` places of every cell of every square into `levels` (N, cells, cells).

    `pixel_from_square` (N, 3, 3) takes the unit square to the picture.
    """
    for n in range(pixel_from_square.shape[0]):
        h = pixel_from_square[n]
        for row in range(cells):
            for column in range(cells):
                total = 0.0
                for i in range(POINTS):
                    v = (row + 0.5 + SPREAD * (i - 1)) / cells
                    for j in range(POINTS):
                        u = (column + 0.5 + SPREAD * (j - 1)) / cells
                        depth = h[2, 0] * u + h[2, 1] * v + h[2, 2]
                        x = (h[0, 0] * u + h[0, 1] * v + h[0, 2]) / depth
                        y = (h[1, 0] * u + h[1, 1] * v + h[1, 2]) / depth
                        total += bilinear(grey, x, y)
                levels[n, row, column] = total / (POINTS * POINTS)


@kernel
def sample_places(grey, pixel_from_square, places, levels):
    """Write the grey levels at places (K, 2) of the unit square of every square into `levels` (N, K)."""
    for n in range(pixel_from_square.shape[0]):
        h = pixel_from_square[n]
        for k in range(places.shape[0]):
            u, v = places[k, 0], places[k, 1]
            depth = h[2, 0] * u + h[2, 1] * v + h[2, 2]
            x = (h[0, 0] * u + h[0, 1] * v + h[0, 2]) / depth
            y = (h[1, 0] * u + h[1, 1] * v + h[1, 2]) / depth
            levels[n, k] = bilinear(grey, x, y)


@kernel
def perspectives(corners, out):
    """Write, for each (4, 2) of corners, the perspective (3, 3) from the unit square; NaN where there is none.

    References
    ----------
    Heckbert, "Fundamentals of Texture Mapping and Image Warping", UCB/CSD 89/516 (1989), section 2.2.3.
    """
    for n in range(corners.shape[0]):
        x0, y0, x1, y1 = corners[n, 0, 0], corners[n, 0, 1], corners[n, 1, 0], corners[n, 1, 1]
        x2, y2, x3, y3 = corners[n, 2, 0], corners[n, 2, 1], corners[n, 3, 0], corners[n, 3, 1]
        sx, sy = x0 - x1 + x2 - x3, y0 - y1 + y2 - y3
        dx1, dy1, dx2, dy2 = x1 - x2, y1 - y2, x3 - x2, y3 - y2
        determinant = dx1 * dy2 - dx2 * dy1
        if abs(determinant) < 1e-9:
            out[n] = np.nan
            continue
        g, h = (sx * dy2 - dx2 * sy) / determinant, (dx1 * sy - sx * dy1) / determinant
        out[n, 0, 0], out[n, 0, 1], out[n, 0, 2] = x1 - x0 + g * x1, x3 - x0 + h * x3, x0
        out[n, 1, 0], out[n, 1, 1], out[n, 1, 2] = y1 - y0 + g * y1, y3 - y0 + h * y3, y0
        out[n, 2, 0], out[n, 2, 1], out[n, 2, 2] = g, h, 1.0


ALONG = 7  # profiles along an edge
_STEP_PX = 0.5


@kernel
def _rise(grey, x, y, nx, ny, reach_px, offset_and_weight):
    """Write how far along (nx, ny) the grey level rises, and how much: the centroid of its positive slope."""
    total, moment = 0.0, 0.0
    steps = int(reach_px / _STEP_PX)
    before = bilinear(grey, x - (steps + 0.5) * _STEP_PX * nx, y - (steps + 0.5) * _STEP_PX * ny)
    for i in range(-steps, steps + 1):
        after = bilinear(grey, x + (i + 0.5) * _STEP_PX * nx, y + (i + 0.5) * _STEP_PX * ny)
        rise = after - before
        if rise > 0.0:
            total += rise
            moment += rise * i * _STEP_PX
        before = after
    offset_and_weight[0] = moment / total if total > 0.0 else 0.0
    offset_and_weight[1] = total


@kernel
def _edge_line(grey, ax, ay, bx, by, outward, ahead_px, reach_px, line):
    """Write the line (n, d), n . p = d, through where the grey level rises across the edge from a to b.

    `outward` is 1 or -1, the side of the edge that lies outside; the rise is looked for `ahead_px` out.
    """
    length = ((bx - ax) ** 2 + (by - ay) ** 2) ** 0.5
    if length < 1e-6:
        line[:] = np.nan
        return
    nx, ny = outward * (by - ay) / length, -outward * (bx - ax) / length
    s0, s1, s2, t0, t1 = 0.0, 0.0, 0.0, 0.0, 0.0
    found = np.empty(2)
    for i in range(ALONG):
        along = (i + 1.0) / (ALONG + 1.0) - 0.5
        x = 0.5 * (ax + bx) + along * (bx - ax) + ahead_px * nx
        y = 0.5 * (ay + by) + along * (by - ay) + ahead_px * ny
        _rise(grey, x, y, nx, ny, reach_px, found)
        weight = found[1]
        s0, s1, s2 = s0 + weight, s1 + weight * along, s2 + weight * along * along
        t0, t1 = t0 + weight * found[0], t1 + weight * found[0] * along
    determinant = s0 * s2 - s1 * s1
    if determinant <= 1e-9:
        line[:] = np.nan
        return
    middle, slope = ahead_px + (s2 * t0 - s1 * t1) / determinant, (s0 * t1 - s1 * t0) / determinant
    # the edge from a to b, its ends moved by middle -+ slope / 2
    px, py = ax + (middle - 0.5 * slope) * nx, ay + (middle - 0.5 * slope) * ny
    qx, qy = bx + (middle + 0.5 * slope) * nx, by + (middle + 0.5 * slope) * ny
    line[0], line[1] = qy - py, px - qx
    line[2] = line[0] * px + line[1] * py


@kernel
def _one_round(grey, square, ahead_px, reach_px, lines):
    """Move the corners (4, 2) of one square to where the lines of its edges meet; NaN where they do not."""
    area = 0.0
    for i in range(4):
        j = (i + 1) % 4
        area += square[i, 0] * square[j, 1] - square[j, 0] * square[i, 1]
    outward = 1.0 if area > 0.0 else -1.0
    for i in range(4):
        ax, ay = square[i, 0], square[i, 1]
        bx, by = square[(i + 1) % 4, 0], square[(i + 1) % 4, 1]
        _edge_line(grey, ax, ay, bx, by, outward, ahead_px, reach_px, lines[i])
    for i in range(4):
        a, b = lines[i - 1], lines[i]
        determinant = a[0] * b[1] - a[1] * b[0]
        square[i, 0] = (a[2] * b[1] - a[1] * b[2]) / determinant
        square[i, 1] = (a[0] * b[2] - a[2] * b[0]) / determinant


@kernel
def to_edges(grey, corners, ahead_px, reach_px, rounds, out):
    """Write corners (N, 4, 2), clockwise, moved to where the lines of the four edges meet; NaN where they do not.

    The edges are looked for within `reach_px` (N,) of `ahead_px` outside the start, then of where they were found.
    """
    lines = np.empty((4, 3))
    for n in range(corners.shape[0]):
        out[n] = corners[n]
        for turn in range(rounds):
            _one_round(grey, out[n], ahead_px if turn == 0 else 0.0, reach_px[n], lines)
            if not np.isfinite(out[n]).all():
                break


_STEEPEST_LIGHT = 1.5  # change over the square, of the light in its middle
_UPRIGHT = 0.02  # a slant below which the edges of cells count as square to each other


@kernel
def _margin(inside_down, inside_across, slant, margin):
    """Write the share of the white round the square in each sampled cell (m, m)."""
    cells = margin.shape[0]
    for r in range(cells):
        for c in range(cells):
            margin[r, c] = 1.0 - inside_down[0, r] * inside_across[0, c]
            if abs(slant) > _UPRIGHT:
                margin[r, c] -= slant * inside_down[1, r] * inside_across[1, c]
                margin[r, c] -= 0.5 * slant * slant * inside_down[2, r] * inside_across[2, c]


@kernel
def _unmix(levels, black, contrast, margin, unmix_down, unmix_across, half, code):
    """Write the code cells (n, n) of one square's levels (m, m) with the mixing undone: 0 is black, 1 is white."""
    cells, n = levels.shape[0], code.shape[0]
    for i in range(n):
        for c in range(cells):
            total = 0.0
            for r in range(cells):
                total += unmix_down[i, r] * ((levels[r, c] - black) / contrast - margin[r, c])
            half[i, c] = total
    for i in range(n):
        for j in range(n):
            total = 0.0
            for c in range(cells):
                total += half[i, c] * unmix_across[j, c]
            code[i, j] = total


@kernel
def _mix(bits, mix_down, mix_across, margin, slant, half, seen):
    """Write what a code (n, n) of 0 and 1 looks like in the sampled cells (m, m): 0 is black, 1 is white."""
    cells, n = seen.shape[0], bits.shape[0]
    seen[:] = margin
    weight = 1.0
    for order in range(3 if abs(slant) > _UPRIGHT else 1):
        if order:
            weight *= slant / order
        for r in range(cells):
            for j in range(n):
                total = 0.0
                for i in range(n):
                    total += mix_down[order, r, i] * bits[i, j]
                half[j, r] = total
        for r in range(cells):
            for c in range(cells):
                total = 0.0
                for j in range(n):
                    total += half[j, r] * mix_across[order, c, j]
                seen[r, c] += weight * total


@kernel
def _line_through(levels, seen):
    """Return (black, contrast, squared residual) of levels = black + contrast * seen by least squares."""
    count = levels.size
    mean_level, mean_seen = levels.mean(), seen.mean()
    both, square, own = 0.0, 0.0, 0.0
    for r in range(levels.shape[0]):
        for c in range(levels.shape[1]):
            u, v = seen[r, c] - mean_seen, levels[r, c] - mean_level
            both, square, own = both + u * v, square + u * u, own + v * v
    contrast = both / max(square, 1e-12)
    return mean_level - contrast * mean_seen, contrast, max(own - contrast * both, 0.0) if count else 0.0


@kernel
def _lit_evenly(levels, seen, black, contrast):
    """Divide the levels by the linear light that explains them best, were the code right; leave them if it is odd."""
    cells = levels.shape[0]
    a = np.zeros((3, 4))
    basis = np.ones(3)
    for r in range(cells):
        for c in range(cells):
            model = black + contrast * seen[r, c]
            basis[1], basis[2] = (c + 0.5) / cells - 0.5, (r + 0.5) / cells - 0.5
            for i in range(3):
                for j in range(3):
                    a[i, j] += model * model * basis[i] * basis[j]
                a[i, 3] += model * levels[r, c] * basis[i]
    for i in range(3):
        for j in range(i + 1, 3):
            factor = a[j, i] / a[i, i]
            for k in range(i, 4):
                a[j, k] -= factor * a[i, k]
    down = a[2, 3] / a[2, 2]
    across = (a[1, 3] - a[1, 2] * down) / a[1, 1]
    even = (a[0, 3] - a[0, 1] * across - a[0, 2] * down) / a[0, 0]
    if not (abs(across) + abs(down) < _STEEPEST_LIGHT * even):
        return
    for r in range(cells):
        for c in range(cells):
            light = 1.0 + (across * ((c + 0.5) / cells - 0.5) + down * ((r + 0.5) / cells - 0.5)) / even
            levels[r, c] /= light


@kernel
def _own_bits(code, bits):
    for i in range(code.shape[0]):
        for j in range(code.shape[1]):
            bits[i, j] = 1.0 if code[i, j] > 0.5 else 0.0


@kernel
def own_codes(levels, across, down, slant, is_sharp, mix, inside, unmix, codes, own):
    """Write each square's code cells with the mixing undone (N, n, n), and what they say of themselves (N, 3).

    The latter are the black level, the contrast, and the squared residual over the squared contrast, of the code that
    the cells' own bits make; whether it is anybody's is not asked. Levels of sharp cells are changed in place: the
    light's gradient is taken out of them.
    """
    cells, n = levels.shape[1], codes.shape[1]
    half, bits = np.empty((n, cells)), np.empty((n, n))
    seen, margin = np.empty((cells, cells)), np.empty((cells, cells))
    for k in range(levels.shape[0]):
        a, d = across[k], down[k]
        _margin(inside[d], inside[a], slant[k], margin)
        in_order = np.sort(levels[k].copy().reshape(-1))
        black = in_order[in_order.size // 20]
        contrast, residual = max(in_order[in_order.size - 1 - in_order.size // 20] - black, 1e-3), 0.0
        for turn in range(4 if is_sharp[k] else 2):
            _unmix(levels[k], black, contrast, margin, unmix[d], unmix[a], half, codes[k])
            _own_bits(codes[k], bits)
            _mix(bits, mix[d], mix[a], margin, slant[k], half, seen)
            black, contrast, residual = _line_through(levels[k], seen)
            contrast = max(contrast, 1e-3)
            if is_sharp[k] and turn < 3:
                _lit_evenly(levels[k], seen, black, contrast)
        _unmix(levels[k], black, contrast, margin, unmix[d], unmix[a], half, codes[k])
        own[k, 0], own[k, 1], own[k, 2] = black, contrast, residual / (contrast * contrast)


@kernel
def unexplained(
    levels, across, down, slant, mix, inside, patterns, likely, codes, own, is_sharp, wrong, contrast, differ
):
    """Write what each likely code (rows of `patterns`, given as `likely` (N, L)) leaves unexplained, and its contrast.

    Squared residual over squared contrast; infinite where there is no contrast. Sharp cells tell their own levels, so
    that k wrong bits count as k; mixed ones need the code for that. `differ` counts the code cells which, unmixed and
    each for itself, are nearer to the other colour, and the border cells that look white.
    """
    cells, n = levels.shape[1], mix.shape[3]
    half, seen, margin = np.empty((n, cells)), np.empty((cells, cells)), np.empty((cells, cells))
    for k in range(levels.shape[0]):
        a, d = across[k], down[k]
        _margin(inside[d], inside[a], slant[k], margin)
        for choice in range(likely.shape[1]):
            _mix(patterns[likely[k, choice]], mix[d], mix[a], margin, slant[k], half, seen)
            black, white_less_black, _ = _line_through(levels[k], seen)
            if is_sharp[k]:
                black, white_less_black = own[k, 0], own[k, 1]
            total = 0.0
            for r in range(cells):
                for c in range(cells):
                    total += (levels[k, r, c] - black - white_less_black * seen[r, c]) ** 2
            differ[k, choice], border = 0, (cells - n) // 2
            for r in range(cells):
                for c in range(cells):
                    is_code = border <= r < cells - border and border <= c < cells - border
                    is_white = levels[k, r, c] - black - white_less_black * seen[r, c] > 0.5 * white_less_black
                    differ[k, choice] += is_white and not is_code
            for i in range(n):
                for j in range(n):
                    differ[k, choice] += (codes[k, i, j] > 0.5) != (patterns[likely[k, choice], i, j] > 0.5)
            contrast[k, choice] = white_less_black
            wrong[k, choice] = total / white_less_black**2 if white_less_black > 1e-3 else np.inf


@kernel
def likeliest(codes, patterns, likely):
    """Write the rows of the patterns that correlate best with unmixed cells (N, n * n) into `likely` (N, L).

    `patterns` (n * n, K) are centred and of length one. By hand instead of by a matrix product, whose threads cost
    more than so small a product.
    """
    places, count = patterns.shape
    score = np.empty(count, dtype=np.float32)
    for k in range(codes.shape[0]):
        mean = codes[k].mean()
        score[:] = np.float32(0.0)
        for place in range(places):
            value = np.float32(codes[k, place] - mean)
            for pattern in range(count):
                score[pattern] += value * patterns[place, pattern]
        for choice in range(likely.shape[1]):
            best = 0
            for pattern in range(1, count):
                if score[pattern] > score[best]:
                    best = pattern
            likely[k, choice] = best
            score[best] = -np.inf
