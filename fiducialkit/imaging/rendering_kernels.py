"""Compiled parts of the renderer: motion, and the exact area and moments of polygons in every pixel.

A `view` row is the camera's parameter row (`scene.projection`) with nine numbers behind it: the time from one row to
the next, the row whose time is 0, the number of rows, then the camera's velocity and turn rate in its own frame.
[s, px, px, m/s, rad/s]

Area and moments. The region to the right of a directed edge adds, to the pixel the edge crosses and to all pixels right
of it, amounts that are polynomials of the crossing points; over a closed polygon everything outside cancels, so
each pixel ends with the exact area of the polygon in it (pixel sides are 1). With it come the moments against Legendre
polynomials on the pixel, ``P1(u) = 2u, P2(u) = 6u^2 - 1/2``, up to the second degree: what a blur needs to know of
where in the pixel the light falls. Edges bent by a lens are replaced by chords that leave them by less than
`CHORD_ERROR_PX`. Derived here.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.compiled import kernel
from fiducialkit.scene.projection import PARAMETERS, project_point

ROW_TIME, ROW_ZERO, ROWS, VELOCITY, TURN = PARAMETERS, PARAMETERS + 1, PARAMETERS + 2, PARAMETERS + 3, PARAMETERS + 6
MOMENTS = 6  # (x, y) degrees 00, 01, 02, 10, 11, 20
CHORD_ERROR_PX = 1e-3
_NODE = 0.5 / math.sqrt(3.0)
_DEEPEST = 40


@kernel
def moved(view: FloatArray, time_s: float, x: float, y: float, z: float) -> tuple[float, float, float]:
    """Return where a point fixed to the field, at (x, y, z) in the camera at time 0, is in the camera at `time_s`.

    The camera moves with constant velocity and turn rate in its own frame: the point moves by exp(-twist t).
    """
    a, b, c = -view[TURN] * time_s, -view[TURN + 1] * time_s, -view[TURN + 2] * time_s
    p, q, r = -view[VELOCITY] * time_s, -view[VELOCITY + 1] * time_s, -view[VELOCITY + 2] * time_s
    square = a * a + b * b + c * c
    if square < 1e-8:
        sine, versine, rest = 1.0 - square / 6.0, 0.5 - square / 24.0, 1.0 / 6.0 - square / 120.0
    else:
        angle = math.sqrt(square)
        sine, versine = math.sin(angle) / angle, (1.0 - math.cos(angle)) / square
        rest = (1.0 - sine) / square
    # w x (w x k) = w (w.k) - k (w.w)
    along_k = a * x + b * y + c * z
    along_v = a * p + b * q + c * r
    return (
        x + sine * (b * z - c * y) + versine * (a * along_k - x * square)
        + p + versine * (b * r - c * q) + rest * (a * along_v - p * square),
        y + sine * (c * x - a * z) + versine * (b * along_k - y * square)
        + q + versine * (c * p - a * r) + rest * (b * along_v - q * square),
        z + sine * (a * y - b * x) + versine * (c * along_k - z * square)
        + r + versine * (a * q - b * p) + rest * (c * along_v - r * square),
    )  # fmt: skip


@kernel
def move_points(view: FloatArray, time_s: float, points: FloatArray, out: FloatArray) -> None:
    """Write `moved` of each of the (N, 3) points."""
    for i in range(points.shape[0]):
        out[i, 0], out[i, 1], out[i, 2] = moved(view, time_s, points[i, 0], points[i, 1], points[i, 2])


@kernel
def place_point(model: int, view: FloatArray, x: float, y: float, z: float) -> tuple[bool, float, float]:
    """Return (valid, u, v): as `project_point`, each point at the time its own row is read."""
    valid, u, v = project_point(model, view, x, y, z)
    if view[ROW_TIME] == 0.0 or not valid:
        return valid, u, v
    for _ in range(50):
        # far above or below the picture nothing is read out; the clamp keeps the motion there in bounds
        row = min(max(v, -view[ROWS]), 2.0 * view[ROWS])
        mx, my, mz = moved(view, (row - view[ROW_ZERO]) * view[ROW_TIME], x, y, z)
        inside, next_u, next_v = project_point(model, view, mx, my, mz)
        if not inside:
            break
        step = abs(next_v - v)
        u, v = next_u, next_v
        if step < 1e-9:
            break
    return True, u, v


@kernel
def place_points(model: int, view: FloatArray, points: FloatArray, pixels: FloatArray, valid: BoolArray) -> None:
    """Write `place_point` of each of the (N, 3) points, NaN where it does not project."""
    for i in range(points.shape[0]):
        valid[i], pixels[i, 0], pixels[i, 1] = place_point(model, view, points[i, 0], points[i, 1], points[i, 2])


@kernel
def _add(stack: FloatArray, row: int, column: int, term: int, level: float, share: float, amount: float) -> None:
    stack[0, term, row, column] += level * amount
    stack[1, term, row, column] += share * amount


@kernel
def _add_row_start(
    stack: FloatArray, row: int, column: int, low: float, high: float, level: float, share: float
) -> None:
    """Add the strip from `low` to `high` (in the row) over the pixels from `column` on."""
    _add(stack, row, column, 0, level, share, high - low)
    _add(stack, row, column, 1, level, share, high * high - low * low)
    _add(stack, row, column, 2, level, share, 2.0 * (high**3 - low**3) - 0.5 * (high - low))


@kernel
def _add_in_pixel(
    stack: FloatArray,
    row: int,
    column: int,
    ua: float,
    va: float,
    ub: float,
    vb: float,
    level: float,
    share: float,
) -> None:
    """Add what lies right of the segment (ua, va) - (ub, vb) of one pixel; two Gauss nodes are exact to degree 3."""
    low, high = min(va, vb), max(va, vb)
    weight = 0.5 * (high - low)
    # beyond the pixel: the whole strip, less what this pixel itself has already
    _add_row_start(stack, row, column + 1, low, high, level, share)
    for node in range(2):
        at = 0.5 - _NODE if node == 0 else 0.5 + _NODE
        u, v = ua + at * (ub - ua), va + at * (vb - va)
        right = weight * (0.5 - u)
        second = 6.0 * v * v - 0.5
        for term in range(3):
            amount = right if term == 0 else right * 2.0 * v if term == 1 else right * second
            _add(stack, row, column, term, level, share, amount)
            _add(stack, row, column + 1, term, level, share, -amount)
        first = weight * (0.25 - u * u)
        _add(stack, row, column, 3, level, share, first)
        _add(stack, row, column, 4, level, share, first * 2.0 * v)
        _add(stack, row, column, 5, level, share, weight * (0.5 * u - 2.0 * u**3))


@kernel
def _add_in_row(
    stack: FloatArray, row: int, xa: float, va: float, xb: float, vb: float, level: float, share: float
) -> None:
    """Add a segment that stays in one row, column by column; v runs from -1/2 to 1/2 down the row."""
    width = stack.shape[3] - 1
    if xa > xb:
        xa, va, xb, vb = xb, vb, xa, va
    slope = (vb - va) / (xb - xa) if xb > xa else 0.0
    x, v = xa, va
    while True:
        column = int(x) if x >= 0.0 else -1
        border = column + 1.0
        is_last = xb <= border
        next_x, next_v = (xb, vb) if is_last else (border, va + (border - xa) * slope)
        if column >= width:
            return
        if column < 0:
            _add_row_start(stack, row, 0, min(v, next_v), max(v, next_v), level, share)
        else:
            _add_in_pixel(
                stack, row, column, x - column - 0.5, v, next_x - column - 0.5, next_v, level, share
            )  # fmt: skip
        if is_last:
            return
        x, v = next_x, next_v


@kernel
def add_line(
    stack: FloatArray,
    start: int,
    row_weights: FloatArray,
    x0: float,
    y0: float,
    x1: float,
    y1: float,
    level: float,
    share: float,
) -> None:
    """Add what lies right of a straight directed edge; pixel (0, 0) of the stack covers 0 to 1 both ways.

    Polygons that run clockwise in the picture count positive. Only the rows from `start` on that have a weight are
    added to, each by its weight.
    """
    if y0 == y1 or min(x0, x1) >= stack.shape[3] - 1:
        return
    if y1 > y0:
        level, share = -level, -share
    else:
        x0, y0, x1, y1 = x1, y1, x0, y0
    y, end = max(y0, float(start)), min(y1, float(start + row_weights.shape[0]))
    slope = (x1 - x0) / (y1 - y0)
    left, right = min(x0, x1), max(x0, x1)
    row = int(y)
    x = min(max(x0 + (y - y0) * slope, left), right)
    while y < end:
        next_y = min(row + 1.0, end)
        next_x = x1 if next_y == y1 else min(max(x0 + (next_y - y0) * slope, left), right)
        weight = row_weights[row - start]
        _add_in_row(stack, row, x, y - row - 0.5, next_x, next_y - row - 0.5, weight * level, weight * share)
        x, y = next_x, next_y
        row += 1


@kernel
def _offset_from_chord(x0: float, y0: float, x1: float, y1: float, x: float, y: float) -> float:
    dx, dy = x1 - x0, y1 - y0
    length = math.hypot(dx, dy)
    if length < 1e-12:
        return math.hypot(x - x0, y - y0)
    return abs((x - x0) * dy - (y - y0) * dx) / length


@kernel
def _add_edge(
    model: int,
    parameters: FloatArray,
    a: FloatArray,
    b: FloatArray,
    origin: FloatArray,
    weight: FloatArray,
    stack: FloatArray,
    start: int,
    row_weights: FloatArray,
) -> None:
    """Add the picture of the edge from a to b (camera frame), by chords where it is bent."""
    left, top = origin[0] - 0.5, origin[1] - 0.5
    ok0, x0, y0 = project_point(model, parameters, a[0], a[1], a[2])
    ok1, x1, y1 = project_point(model, parameters, b[0], b[1], b[2])
    if not (ok0 and ok1):
        return
    is_straight = True
    for k in range(5, PARAMETERS):
        is_straight = is_straight and parameters[k] == 0.0
    if is_straight and model != 2:
        add_line(stack, start, row_weights, x0 - left, y0 - top, x1 - left, y1 - top, weight[0], weight[1])
        return
    first, beyond = start - 2.0, start + row_weights.shape[0] + 2.0
    waiting = np.empty((_DEEPEST + 12, 3))  # (share of the edge, x, y) of chord ends, the nearest last
    pieces = min(max(2, int(math.hypot(x1 - x0, y1 - y0) / 60.0) + 1), 8)
    for k in range(pieces):
        s = 1.0 - k / pieces
        _, waiting[k, 1], waiting[k, 2] = project_point(
            model, parameters, a[0] + s * (b[0] - a[0]), a[1] + s * (b[1] - a[1]), a[2] + s * (b[2] - a[2])
        )
        waiting[k, 0] = s
    count, done = pieces, 0.0
    while count > 0:
        end, x1, y1 = waiting[count - 1, 0], waiting[count - 1, 1], waiting[count - 1, 2]
        s = 0.5 * (done + end)
        _, x, y = project_point(
            model, parameters, a[0] + s * (b[0] - a[0]), a[1] + s * (b[1] - a[1]), a[2] + s * (b[2] - a[2])
        )
        # a bend above, below or right of the rows in question adds nothing to them
        low, high = min(y0, y1, y) - top, max(y0, y1, y) - top
        is_felt = high > first and low < beyond and min(x0, x1, x) - left < stack.shape[3] + 2.0
        is_bent = is_felt and _offset_from_chord(x0, y0, x1, y1, x, y) > CHORD_ERROR_PX
        if is_bent and count < _DEEPEST and end - done > 1e-9:
            waiting[count, 0], waiting[count, 1], waiting[count, 2] = s, x, y
            count += 1
            continue
        add_line(stack, start, row_weights, x0 - left, y0 - top, x1 - left, y1 - top, weight[0], weight[1])
        done, x0, y0 = end, x1, y1
        count -= 1


@kernel
def add_polygons(
    model: int,
    parameters: FloatArray,
    polygons: FloatArray,
    counts: IntArray,
    weights: FloatArray,
    origin: FloatArray,
    stack: FloatArray,
    start: int,
    row_weights: FloatArray,
) -> None:
    """Add polygons (P, V, 3) in the camera frame, of `counts` corners, to a stack (2, 6, h, w + 1).

    `weights` (P, 2) are the level and the covered share each carries; `origin` is the pixel that is the stack's first.
    Rows from `start` on are added to, each by its `row_weights`. The first three moments still have to be summed
    along the rows (`sum_rows`) when all is added.
    """
    for i in range(polygons.shape[0]):
        for k in range(counts[i]):
            following = k + 1 if k + 1 < counts[i] else 0
            a, b = polygons[i, k], polygons[i, following]
            _add_edge(model, parameters, a, b, origin, weights[i], stack, start, row_weights)


@kernel
def widen_bounds(
    model: int, parameters: FloatArray, polygons: FloatArray, counts: IntArray, weights: FloatArray, bounds: FloatArray
) -> None:
    """Widen `bounds` (left, top, right, bottom) to hold the polygons that cover anything. [px]"""
    samples = 8
    for i in range(polygons.shape[0]):
        if weights[i, 1] == 0.0:  # lies on one that covers
            continue
        for k in range(counts[i]):
            a, b = polygons[i, k], polygons[i, k + 1 if k + 1 < counts[i] else 0]
            for step in range(samples):
                s = step / samples
                ok, u, v = project_point(
                    model, parameters, a[0] + s * (b[0] - a[0]), a[1] + s * (b[1] - a[1]), a[2] + s * (b[2] - a[2])
                )
                if ok:
                    bounds[0], bounds[1] = min(bounds[0], u), min(bounds[1], v)
                    bounds[2], bounds[3] = max(bounds[2], u), max(bounds[3], v)


@kernel
def sum_rows(stack: FloatArray) -> None:
    """Turn the differences that `add_polygons` leaves in the first three moments into the moments.

    The last column, which holds what lies beyond, becomes empty.
    """
    for kind in range(stack.shape[0]):
        for term in range(3):
            for row in range(stack.shape[2]):
                total = 0.0
                for column in range(stack.shape[3]):
                    total += stack[kind, term, row, column]
                    stack[kind, term, row, column] = total
                stack[kind, term, row, stack.shape[3] - 1] = 0.0


@kernel
def in_place_of(background: FloatArray, lit: FloatArray, moments: FloatArray, out: FloatArray) -> None:
    """Write what a body adds to the light, in place of the background it covers, as moments (6, h, w).

    `background` (h, w) in reflectances, `lit` (h, w) or (1, 1) the light on them.
    """
    is_even = lit.size == 1
    for term in range(out.shape[0]):
        for row in range(out.shape[1]):
            for column in range(out.shape[2]):
                covered = moments[1, term, row, column]
                added = moments[0, term, row, column] - background[row, column] * covered
                out[term, row, column] = added * (lit[0, 0] if is_even else lit[row, column])
