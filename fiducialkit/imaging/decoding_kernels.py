"""Edges of many squares, and grey levels of their cells, at once."""

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


ALONG = 9  # profiles along an edge
_STEP_PX = 0.25


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
