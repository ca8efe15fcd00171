"""Compiled cutting of convex polygons by planes, and the planes of a panel's shadow.

A plane is a row of four numbers, positive on its inner side: ``plane . (p, 1) >= 0``.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.compiled import kernel

_EDGE_ON = 1e-6


@kernel
def _cut(polygon: FloatArray, count: int, plane: FloatArray, sign: float, out: FloatArray) -> int:
    """Write the part of a convex polygon where ``sign * (plane . (p, 1)) >= 0``; return its number of corners."""
    kept = 0
    for k in range(count):
        j = k + 1 if k + 1 < count else 0
        here, there = polygon[k], polygon[j]
        d0 = sign * (plane[0] * here[0] + plane[1] * here[1] + plane[2] * here[2] + plane[3])
        d1 = sign * (plane[0] * there[0] + plane[1] * there[1] + plane[2] * there[2] + plane[3])
        if d0 >= 0.0:
            out[kept] = here
            kept += 1
        if (d0 > 0.0 and d1 < 0.0) or (d0 < 0.0 and d1 > 0.0):
            s = d0 / (d0 - d1)
            for axis in range(3):
                out[kept, axis] = here[axis] + s * (there[axis] - here[axis])
            kept += 1
    return kept if kept >= 3 else 0


@kernel
def common_part(polygons: FloatArray, counts: IntArray, planes: FloatArray) -> tuple[FloatArray, IntArray]:
    """Return each polygon's part on the inner side of all planes, ``plane . (p, 1) >= 0``; 0 corners: none."""
    total, most = polygons.shape[0], polygons.shape[1]
    out = np.zeros((total, most + planes.shape[0], 3))
    kept = np.zeros(total, dtype=np.int64)
    spare = np.zeros((most + planes.shape[0], 3))
    for i in range(total):
        out[i, :most] = polygons[i]
        count = counts[i]
        for k in range(planes.shape[0]):
            count = _cut(out[i], count, planes[k], 1.0, spare)
            out[i, :count] = spare[:count]
        kept[i] = count
    return out, kept


@kernel
def difference(
    polygons: FloatArray, counts: IntArray, planes: FloatArray
) -> tuple[FloatArray, IntArray, IntArray, int]:
    """Return what is left of convex polygons outside the convex body inside all planes, as convex pieces.

    Plane by plane the part outside it is a piece of its own and the part inside goes on to the next plane.

    Returns
    -------
    pieces, counts, source, number
        The first `number` entries are filled; `source` is the polygon each piece came from.
    """
    total, most = polygons.shape[0], polygons.shape[1]
    longest = most + planes.shape[0]
    pieces = np.zeros((total * planes.shape[0], longest, 3))
    kept = np.zeros(total * planes.shape[0], dtype=np.int64)
    source = np.zeros(total * planes.shape[0], dtype=np.int64)
    rest, spare = np.zeros((longest, 3)), np.zeros((longest, 3))
    number = 0
    for i in range(total):
        rest[:most] = polygons[i]
        count = counts[i]
        for k in range(planes.shape[0]):
            outside = _cut(rest, count, planes[k], -1.0, pieces[number])
            if outside:
                kept[number] = outside
                source[number] = i
                number += 1
            count = _cut(rest, count, planes[k], 1.0, spare)
            rest[:count] = spare[:count]
            if count == 0:
                break
    return pieces, kept, source, number


@kernel
def may_meet(points: FloatArray, planes: FloatArray) -> bool:
    """Return False if some plane has all points on its outer side: the body inside all planes cannot meet them."""
    for k in range(planes.shape[0]):
        is_outside = True
        for i in range(points.shape[0]):
            d = planes[k, 0] * points[i, 0] + planes[k, 1] * points[i, 1] + planes[k, 2] * points[i, 2] + planes[k, 3]
            if d > 0.0:
                is_outside = False
                break
        if is_outside:
            return False
    return True


@kernel
def _write_normal(ax: float, ay: float, az: float, bx: float, by: float, bz: float, out: FloatArray) -> None:
    """Write the unit normal a x b; 0 if they are parallel."""
    out[0], out[1], out[2] = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
    length = math.sqrt(out[0] * out[0] + out[1] * out[1] + out[2] * out[2])
    if length > 0.0:
        out[0], out[1], out[2] = out[0] / length, out[1] / length, out[2] / length


@kernel
def panel_shadow(outline: FloatArray, tie_m: float, below: FloatArray, above: FloatArray) -> None:
    """Write the planes (5, 4) of what a panel hides: through the eye and each edge, and last its front.

    `outline` (4, 3) runs clockwise as seen from the eye. The front of `below` stands `tie_m` before the panel, that of
    `above` as much behind it.
    """
    middle = np.zeros(3)
    for k in range(4):
        for axis in range(3):
            middle[axis] += 0.25 * outline[k, axis]
    for k in range(4):
        a, b = outline[k], outline[k + 1 if k < 3 else 0]
        _write_normal(a[0], a[1], a[2], b[0], b[1], b[2], below[k])
        inside = below[k, 0] * middle[0] + below[k, 1] * middle[1] + below[k, 2] * middle[2]
        for axis in range(3):
            if inside < 0.0:
                below[k, axis] = -below[k, axis]
        below[k, 3] = 0.0
    a, b, c = outline[0], outline[1], outline[2]
    _write_normal(b[0] - a[0], b[1] - a[1], b[2] - a[2], c[0] - a[0], c[1] - a[1], c[2] - a[2], below[4])
    offset = -(below[4, 0] * a[0] + below[4, 1] * a[1] + below[4, 2] * a[2])
    above[:] = below
    below[4, 3], above[4, 3] = offset + tie_m, offset - tie_m


@kernel
def are_inside(polygons: FloatArray, counts: IntArray, planes: FloatArray) -> bool:
    """Return whether all corners of all polygons are on the inner side of all planes."""
    for i in range(polygons.shape[0]):
        for j in range(counts[i]):
            p = polygons[i, j]
            for k in range(planes.shape[0]):
                if planes[k, 0] * p[0] + planes[k, 1] * p[1] + planes[k, 2] * p[2] + planes[k, 3] < 0.0:
                    return False
    return True


@kernel
def box_faces(box: FloatArray, quads: FloatArray, planes: FloatArray, axes: IntArray, seen: BoolArray) -> int:
    """Write the faces of a box that the eye sees, clockwise for it (3, 4, 3); return how many there are.

    With each its plane (3, 4), positive behind it, and its axis; `seen` (3, 2) tells for each axis whether the lower
    and the upper face is seen. Between the two planes of a pair of faces neither is.
    """
    count = 0
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        for upper in range(2):
            sign = 2.0 * upper - 1.0
            middle = box[:3] + sign * box[12 + k] * box[3 + 3 * k : 6 + 3 * k]
            normal = sign * box[3 + 3 * k : 6 + 3 * k]
            offset = normal[0] * middle[0] + normal[1] * middle[1] + normal[2] * middle[2]
            seen[k, upper] = offset < -_EDGE_ON
            if not seen[k, upper]:
                continue
            for corner in range(4):
                a = -1.0 if corner == 0 or corner == 3 else 1.0
                b = -1.0 if corner < 2 else 1.0
                # seen from where the normal points to, x cross y runs counter-clockwise
                at = 3 - corner if upper == 1 else corner
                across = a * box[12 + i] * box[3 + 3 * i : 6 + 3 * i]
                quads[count, at] = middle + across + b * box[12 + j] * box[3 + 3 * j : 6 + 3 * j]
            planes[count, :3], planes[count, 3], axes[count] = -normal, offset, k
            count += 1
    return count


@kernel
def box_sides(box: FloatArray, seen: BoolArray, planes: FloatArray) -> int:
    """Write the planes through the eye and the outline of a box (6, 4); return how many there are.

    The outline is made of the edges between a face that is seen and one that is not.
    """
    count = 0
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        arm = box[12 + k] * box[3 + 3 * k : 6 + 3 * k]
        for first in range(2):
            for second in range(2):
                if seen[i, first] == seen[j, second]:
                    continue
                middle = box[:3] + (2.0 * first - 1.0) * box[12 + i] * box[3 + 3 * i : 6 + 3 * i]
                middle = middle + (2.0 * second - 1.0) * box[12 + j] * box[3 + 3 * j : 6 + 3 * j]
                a, b = middle - arm, middle + arm
                _write_normal(a[0], a[1], a[2], b[0], b[1], b[2], planes[count])
                if planes[count, 0] * box[0] + planes[count, 1] * box[1] + planes[count, 2] * box[2] < 0.0:
                    planes[count, :3] = -planes[count, :3]
                planes[count, 3] = 0.0
                count += 1
    return count
