"""What sightings tell where the corners of a marker do not err independently.

A marker's corners are where its edges meet. Two opposite edges can be off across themselves in four ways: shift, size,
turn and taper (`planning.detectability.corner_kinds`); the eight of both pairs stand for the eight coordinates. With
``h`` how far out an edge lies at its first and last corner, the four of a pair are ``H h / 4``, where ``H`` holds the
signs of a Hadamard matrix, and ``h = H' q``. A corner whose two edges lie out by ``h_1, h_2`` is off by ``e`` with
``n_1 e = h_1``, ``n_2 e = h_2``. The first pair's shift and the second's taper have the correlation ``-c``, those of
the second and first ``c``. Layout as in `planning.sight_kernels`. Derived here; the numpy twin, which inverts
matrices instead, is in ``tests/planning_cases.py``.
"""

from __future__ import annotations

import math

from fiducialkit.compiled import kernel
from fiducialkit.planning.sight_kernels import (
    BENT_X,
    BENT_Y,
    LANES,
    NEARNESS,
    POINT,
    TANGENT_X,
    TANGENT_Y,
    WEIGHT,
    WORK_ROWS,
    XX,
    XY,
    YY,
)

# rows of `edges`, LANES numbers each: for both pairs of edges four ways to err of seven numbers, six of a small error
# of the robot's pose and that of a relative error of the focal length; then the share of each pair's variance
WAYS, VALUES = 8, 7
SHARE = WAYS * VALUES
EDGE_ROWS = SHARE + 2
PULL, SHIFT = WORK_ROWS, WORK_ROWS + 1  # behind the rows of `work` that `project_lanes` fills: pull and four sds
WIDE_ROWS = WORK_ROWS + 5


@kernel(allocates=False, is_inlined=True)
def _put(edges, i, row, nx, ny, j, work, place, fx, fy):
    """Write what a step (nx, ny) in the picture at corner j is worth: the projection of all seven derivatives on it."""
    a, b = work[(TANGENT_X + j) * LANES + i], work[(TANGENT_Y + j) * LANES + i]
    nearness, cross = work[(NEARNESS + j) * LANES + i], work[(XY + j) * LANES + i]
    sx, sy = fx * nx * nearness, fy * ny * nearness
    gx, gy = sx * work[(XX + j) * LANES + i] + sy * cross, sx * cross + sy * work[(YY + j) * LANES + i]
    gz = -(gx * a + gy * b)
    g0 = -(gx * place[0] + gy * place[3] + gz * place[6])
    g1 = -(gx * place[1] + gy * place[4] + gz * place[7])
    g2 = -(gx * place[2] + gy * place[5] + gz * place[8])
    px, py = work[(POINT + 3 * j) * LANES + i], work[(POINT + 3 * j + 1) * LANES + i]
    pz = work[(POINT + 3 * j + 2) * LANES + i]
    edges[row * LANES + i], edges[(row + 1) * LANES + i], edges[(row + 2) * LANES + i] = g0, g1, g2
    edges[(row + 3) * LANES + i] = g2 * py - g1 * pz
    edges[(row + 4) * LANES + i] = g0 * pz - g2 * px
    edges[(row + 5) * LANES + i] = g1 * px - g0 * py
    edges[(row + 6) * LANES + i] = fx * nx * work[(BENT_X + j) * LANES + i] + fy * ny * work[(BENT_Y + j) * LANES + i]


@kernel(allocates=False, reorders_sums=True)
def _corner_lanes(j, is_dual, place, lens, work, edges):
    """Fill the rows of the two edges that meet in corner j: how far out they lie there, or what that does to it.

    With `is_dual` the second: the corner's step where one edge lies out by one and the other by nothing.
    """
    fx, fy = lens[0], lens[1]
    after, before = (j + 1) & 3, (j + 3) & 3
    # the edge that begins here is of pair j & 1, that which ends here of the other; each pair has four ends
    begins = ((j & 1) * 4 + (j & 2)) * VALUES
    ends = ((1 - (j & 1)) * 4 + (3 if j == 0 or j == 3 else 1)) * VALUES
    for i in range(LANES):
        u, v = fx * work[(BENT_X + j) * LANES + i], fy * work[(BENT_Y + j) * LANES + i]
        bx = fx * work[(BENT_X + after) * LANES + i] - u
        by = fy * work[(BENT_Y + after) * LANES + i] - v
        ex = u - fx * work[(BENT_X + before) * LANES + i]
        ey = v - fy * work[(BENT_Y + before) * LANES + i]
        b_length, e_length = 1.0 / math.sqrt(bx * bx + by * by), 1.0 / math.sqrt(ex * ex + ey * ey)
        bx, by, ex, ey = by * b_length, -bx * b_length, ey * e_length, -ex * e_length  # outward normals
        if is_dual:
            turn = 1.0 / (bx * ey - by * ex)
            bx, by, ex, ey = ey * turn, -ex * turn, -by * turn, bx * turn
        _put(edges, i, begins, bx, by, j, work, place, fx, fy)
        _put(edges, i, ends, ex, ey, j, work, place, fx, fy)


@kernel(allocates=False, reorders_sums=True)
def _add_ways(work, edges, lens):
    """Turn the eight ends of edges into eight ways to err, and say how both pairs share the variance.

    A longer edge is placed better: variances go with one over the length, and their mean over both pairs is kept.
    """
    for pair in range(2):
        for c in range(VALUES):
            row = pair * 4 * VALUES + c
            for i in range(LANES):
                h0, h1 = edges[row * LANES + i], edges[(row + VALUES) * LANES + i]
                h2, h3 = edges[(row + 2 * VALUES) * LANES + i], edges[(row + 3 * VALUES) * LANES + i]
                first, second, opening, closing = h0 + h1, h2 + h3, h1 - h0, h3 - h2
                edges[row * LANES + i] = first - second
                edges[(row + VALUES) * LANES + i] = first + second
                edges[(row + 2 * VALUES) * LANES + i] = opening + closing
                edges[(row + 3 * VALUES) * LANES + i] = opening - closing
    fx, fy = lens[0], lens[1]
    for i in range(LANES):
        first = second = 0.0
        for j in range(4):
            k = (j + 1) & 3
            du = fx * (work[(BENT_X + k) * LANES + i] - work[(BENT_X + j) * LANES + i])
            dv = fy * (work[(BENT_Y + k) * LANES + i] - work[(BENT_Y + j) * LANES + i])
            length = math.sqrt(du * du + dv * dv)
            if j & 1:
                second += length
            else:
                first += length
        edges[SHARE * LANES + i] = 2.0 * second / (first + second)
        edges[(SHARE + 1) * LANES + i] = 2.0 * first / (first + second)


@kernel(allocates=False, reorders_sums=True)
def _add_products(edges, out, out_base):
    """Write the sum over the ways of g g', 21 columns."""
    for r in range(6):
        for c in range(r + 1):
            base = (out_base + r * (r + 1) // 2 + c) * LANES
            for i in range(LANES):
                total = 0.0
                for way in range(WAYS):
                    total += edges[(way * VALUES + r) * LANES + i] * edges[(way * VALUES + c) * LANES + i]
                out[base + i] = total


@kernel(allocates=False)
def tell_together(place, lens, coupling, work, edges, told):
    """Fill columns 0 to 26 of `told` for corners that err along edges, in a solver that is told so.

    Information: the sum of g g' over the eight ways, each divided by its variance; and the pull of a relative focal
    error in the same weights.
    """
    for j in range(4):
        _corner_lanes(j, False, place, lens, work, edges)
    _add_ways(work, edges, lens)
    for way in range(WAYS):
        for c in range(VALUES):
            for i in range(LANES):
                share, sd = edges[(SHARE + way // 4) * LANES + i], work[(SHIFT + (way & 3)) * LANES + i]
                edges[(way * VALUES + c) * LANES + i] *= 0.25 / (sd * math.sqrt(share))
    rest = 1.0 / math.sqrt(1.0 - coupling * coupling)
    for c in range(VALUES):
        for i in range(LANES):
            first, second = edges[c * LANES + i], edges[(4 * VALUES + c) * LANES + i]
            edges[c * LANES + i] = rest * (first + coupling * edges[(7 * VALUES + c) * LANES + i])
            edges[(4 * VALUES + c) * LANES + i] = rest * (second - coupling * edges[(3 * VALUES + c) * LANES + i])
    _add_products(edges, told, 0)
    for r in range(6):
        for i in range(LANES):
            total = 0.0
            for way in range(WAYS):
                total += edges[(way * VALUES + r) * LANES + i] * edges[(way * VALUES + 6) * LANES + i]
            told[(21 + r) * LANES + i] = total


@kernel(allocates=False)
def tell_pulled(place, lens, coupling, work, edges, told, column):
    """Fill 27 columns of `told`: covariance of the weighted errors of corners, and their mean.

    The solver takes all corners for independent with the row WEIGHT; they err by the rows from PULL on.
    """
    for j in range(4):
        _corner_lanes(j, True, place, lens, work, edges)
    _add_ways(work, edges, lens)
    for r in range(6):
        for i in range(LANES):
            both = edges[(VALUES + r) * LANES + i] + edges[(5 * VALUES + r) * LANES + i]
            told[(column + 21 + r) * LANES + i] = -work[WEIGHT * LANES + i] * work[PULL * LANES + i] * both
    for way in range(WAYS):
        for c in range(6):
            for i in range(LANES):
                edges[(way * VALUES + c) * LANES + i] *= (
                    work[WEIGHT * LANES + i] * work[(SHIFT + (way & 3)) * LANES + i]
                )
    rest = math.sqrt(1.0 - coupling * coupling)
    for c in range(6):
        for i in range(LANES):
            first, second = edges[(3 * VALUES + c) * LANES + i], edges[(7 * VALUES + c) * LANES + i]
            edges[c * LANES + i] -= coupling * second
            edges[(4 * VALUES + c) * LANES + i] += coupling * first
            edges[(3 * VALUES + c) * LANES + i] = rest * first
            edges[(7 * VALUES + c) * LANES + i] = rest * second
    _add_products(edges, told, column)
