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
# of the robot's pose and that of a relative error of the focal length; then each pair's share of the variance
WAYS, VALUES = 8, 7
SHARE = WAYS * VALUES
EDGE_ROWS = SHARE + 2
SYMMETRIC = 21
PULL, SHIFT = WORK_ROWS, WORK_ROWS + 1  # behind the rows of `work` that `project_lanes` fills: pull and four sds
OUT_X, OUT_Y, STEP = WORK_ROWS + 5, WORK_ROWS + 9, WORK_ROWS + 13  # normals of the edges, steps of a corner
SCALE = WORK_ROWS + 17
WIDE_ROWS = WORK_ROWS + 18


@kernel(allocates=False, reorders_sums=True)
def _outward_lanes(lens, work, edges):
    """Fill the outward normals of the four edges, from one corner to the next, and how the pairs share the variance.

    A longer edge is placed better: variances go with one over the length, and their mean over both pairs is kept. The
    shares are kept as their roots.
    """
    fx, fy = lens[0], lens[1]
    for i in range(2 * LANES):
        edges[SHARE * LANES + i] = 0.0
    for j in range(4):
        after = (j + 1) & 3
        pair = SHARE + (j & 1)
        for i in range(LANES):
            du = fx * (work[(BENT_X + after) * LANES + i] - work[(BENT_X + j) * LANES + i])
            dv = fy * (work[(BENT_Y + after) * LANES + i] - work[(BENT_Y + j) * LANES + i])
            length = math.sqrt(du * du + dv * dv)
            edges[pair * LANES + i] += length
            work[(OUT_X + j) * LANES + i], work[(OUT_Y + j) * LANES + i] = dv / length, -du / length
    for i in range(LANES):
        first, second = edges[SHARE * LANES + i], edges[(SHARE + 1) * LANES + i]
        edges[SHARE * LANES + i] = math.sqrt(2.0 * second / (first + second))
        edges[(SHARE + 1) * LANES + i] = math.sqrt(2.0 * first / (first + second))


@kernel(allocates=False, reorders_sums=True)
def _put(place, lens, corner, point, step_x, step_y, out):
    """Fill VALUES rows of `out` with the projections of all derivatives at a corner on a step in the picture.

    The others are rows of `work` from the corner's on, so that the loop knows every distance between them.
    """
    fx, fy = lens[0], lens[1]
    t00, t01, t02 = place[0], place[1], place[2]
    t10, t11, t12 = place[3], place[4], place[5]
    t20, t21, t22 = place[6], place[7], place[8]
    for i in range(LANES):
        sx, sy = fx * step_x[i], fy * step_y[i]
        a, b = corner[TANGENT_X * LANES + i], corner[TANGENT_Y * LANES + i]
        out[6 * LANES + i] = sx * corner[BENT_X * LANES + i] + sy * corner[BENT_Y * LANES + i]
        nearness, cross = corner[NEARNESS * LANES + i], corner[XY * LANES + i]
        sx, sy = sx * nearness, sy * nearness
        gx, gy = sx * corner[XX * LANES + i] + sy * cross, sx * cross + sy * corner[YY * LANES + i]
        gz = -(gx * a + gy * b)
        g0 = -(gx * t00 + gy * t10 + gz * t20)
        g1 = -(gx * t01 + gy * t11 + gz * t21)
        g2 = -(gx * t02 + gy * t12 + gz * t22)
        px, py, pz = point[i], point[LANES + i], point[2 * LANES + i]
        out[i], out[LANES + i], out[2 * LANES + i] = g0, g1, g2
        out[3 * LANES + i] = g2 * py - g1 * pz
        out[4 * LANES + i] = g0 * pz - g2 * px
        out[5 * LANES + i] = g1 * px - g0 * py


@kernel(allocates=False, reorders_sums=True)
def _steps_lanes(begins, ends, work):
    """Fill STEP with what a corner does where the edge that begins in it lies out by one, and that which ends."""
    for i in range(LANES):
        bx, by = work[(OUT_X + begins) * LANES + i], work[(OUT_Y + begins) * LANES + i]
        ex, ey = work[(OUT_X + ends) * LANES + i], work[(OUT_Y + ends) * LANES + i]
        turn = 1.0 / (bx * ey - by * ex)
        work[STEP * LANES + i], work[(STEP + 1) * LANES + i] = ey * turn, -ex * turn
        work[(STEP + 2) * LANES + i], work[(STEP + 3) * LANES + i] = -by * turn, bx * turn


@kernel(allocates=False)
def _ends_lanes(is_dual, place, lens, work, edges):
    """Fill the rows of the eight ends of edges: how far out they lie there, or what that does to the corner.

    With `is_dual` the second: the corner's step where one edge lies out by one and the other by nothing.
    """
    _outward_lanes(lens, work, edges)
    for j in range(4):
        before = (j + 3) & 3
        # the edge that begins here is of pair j & 1, that which ends here of the other; each pair has four ends
        begins = edges[((j & 1) * 4 + (j & 2)) * VALUES * LANES :]
        ends = edges[((1 - (j & 1)) * 4 + (3 if j == 0 or j == 3 else 1)) * VALUES * LANES :]
        corner, point, step = work[j * LANES :], work[(POINT + 3 * j) * LANES :], work[STEP * LANES :]
        if is_dual:
            _steps_lanes(j, before, work)
            _put(place, lens, corner, point, step, step[LANES:], begins)
            _put(place, lens, corner, point, step[2 * LANES :], step[3 * LANES :], ends)
        else:
            x, y = work[OUT_X * LANES :], work[OUT_Y * LANES :]
            _put(place, lens, corner, point, x[j * LANES :], y[j * LANES :], begins)
            _put(place, lens, corner, point, x[before * LANES :], y[before * LANES :], ends)


@kernel(allocates=False, reorders_sums=True)
def _add_ways(edges):
    """Turn the eight ends of edges into eight ways to err."""
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


@kernel(allocates=False, is_inlined=True)
def _over_ways(edges, a, b):
    """Return the sum over the ways of two of their values, the places a and b in the first way."""
    step = VALUES * LANES
    return (
        edges[a] * edges[b]
        + edges[a + step] * edges[b + step]
        + edges[a + 2 * step] * edges[b + 2 * step]
        + edges[a + 3 * step] * edges[b + 3 * step]
        + edges[a + 4 * step] * edges[b + 4 * step]
        + edges[a + 5 * step] * edges[b + 5 * step]
        + edges[a + 6 * step] * edges[b + 6 * step]
        + edges[a + 7 * step] * edges[b + 7 * step]
    )


@kernel(allocates=False, reorders_sums=True)
def _add_products(edges, out):
    """Write the sum over the ways of g g', 21 columns."""
    for r in range(6):
        for c in range(r + 1):
            base = (r * (r + 1) // 2 + c) * LANES
            for i in range(LANES):
                out[base + i] = _over_ways(edges, r * LANES + i, c * LANES + i)


@kernel(allocates=False, reorders_sums=True)
def _add_pulls(edges, out):
    """Write the sum over the ways of g times its value of a relative focal error, 6 columns."""
    for r in range(6):
        for i in range(LANES):
            out[r * LANES + i] = _over_ways(edges, r * LANES + i, 6 * LANES + i)


@kernel(allocates=False, reorders_sums=True)
def _scale_ways(values, weighs, work, edges):
    """Multiply each way by the weight of its sd: one over it, or with `weighs` the sd times the corners' weight."""
    for way in range(WAYS):
        share, sd = (SHARE + way // 4) * LANES, (SHIFT + (way & 3)) * LANES
        if weighs:
            for i in range(LANES):
                work[SCALE * LANES + i] = work[WEIGHT * LANES + i] * work[sd + i]
        else:
            for i in range(LANES):
                work[SCALE * LANES + i] = 0.25 / (work[sd + i] * edges[share + i])
        for c in range(values):
            for i in range(LANES):
                edges[(way * VALUES + c) * LANES + i] *= work[SCALE * LANES + i]


@kernel(allocates=False, reorders_sums=True)
def _uncouple(coupling, edges):
    """Take out of each shift what the other pair's taper tells of it; both are of variance one."""
    rest = 1.0 / math.sqrt(1.0 - coupling * coupling)
    for c in range(VALUES):
        for i in range(LANES):
            first, second = edges[c * LANES + i], edges[(4 * VALUES + c) * LANES + i]
            edges[c * LANES + i] = rest * (first + coupling * edges[(7 * VALUES + c) * LANES + i])
            edges[(4 * VALUES + c) * LANES + i] = rest * (second - coupling * edges[(3 * VALUES + c) * LANES + i])


@kernel(allocates=False, reorders_sums=True)
def _couple(coupling, edges):
    """Let each taper move the other pair's shift: the ways become independent causes of what errors do."""
    rest = math.sqrt(1.0 - coupling * coupling)
    for c in range(6):
        for i in range(LANES):
            first, second = edges[(3 * VALUES + c) * LANES + i], edges[(7 * VALUES + c) * LANES + i]
            edges[c * LANES + i] -= coupling * second
            edges[(4 * VALUES + c) * LANES + i] += coupling * first
            edges[(3 * VALUES + c) * LANES + i] = rest * first
            edges[(7 * VALUES + c) * LANES + i] = rest * second


@kernel(allocates=False)
def tell_edges(place, lens, coupling, work, edges, told):
    """Fill columns 0 to 26 of `told` for corners that err along edges, in a solver that is told so.

    Information: the sum of g g' over the eight ways, each divided by its variance; and the pull of a relative focal
    error in the same weights.
    """
    _ends_lanes(False, place, lens, work, edges)
    _add_ways(edges)
    _scale_ways(VALUES, False, work, edges)
    _uncouple(coupling, edges)
    _add_products(edges, told)
    _add_pulls(edges, told[SYMMETRIC * LANES :])


@kernel(allocates=False, reorders_sums=True)
def tell_errors(place, lens, coupling, work, edges, told):
    """Fill 27 columns of `told`: covariance of the weighted errors of corners, and their mean.

    The solver takes all corners for independent with the row WEIGHT; they err by the rows from PULL on.
    """
    _ends_lanes(True, place, lens, work, edges)
    _add_ways(edges)
    for r in range(6):
        for i in range(LANES):
            both = edges[(VALUES + r) * LANES + i] + edges[(5 * VALUES + r) * LANES + i]
            told[(SYMMETRIC + r) * LANES + i] = -work[WEIGHT * LANES + i] * work[PULL * LANES + i] * both
    _scale_ways(6, True, work, edges)
    _couple(coupling, edges)
    _add_products(edges, told)
