"""Outlines of dark regions, and the four corners of those that are square-like."""

from __future__ import annotations

import numpy as np

from fiducialkit.compiled import kernel

_SEARCHES = 3  # rounds in which each corner moves to the farthest point
_STRAY_PX = 0.7
_MOVES_MOST = 0.2  # of the diagonal
_LONGEST = 20_000  # outline points; a square as large as any picture has fewer
_THINNEST = 0.02  # area over squared length of outline: 1/16 for a square, .047 for one three times as long as wide
_FULLEST, _EMPTIEST = 1.35, 0.6  # area within the outline over that of its four corners; 1.57 for a disc


@kernel
def trace(dark, start, offsets, visited, points):
    """Follow the outer border of a dark region from its first pixel, clockwise; return the number of points.

    `dark` and `visited` are flat pictures whose outermost pixels are light. 0 if `start` is not the first pixel in
    reading order of its border, or the border is too long.

    References
    ----------
    Moore-neighbour tracing with Jacob's stopping criterion; Gonzalez and Woods, "Digital Image Processing", 11.1.
    """
    here, back, first, count = start, 0, -1, 0
    while True:
        step = -1
        for k in range(1, 9):
            turn = (back + k) & 7
            if dark[here + offsets[turn]]:
                step = turn
                break
        if step < 0 or (here == start and step == first):
            return count
        if first < 0:
            first = step
        if count == _LONGEST:
            return 0
        points[count] = here
        visited[here] = 1
        count += 1
        here += offsets[step]
        if here < start:
            return 0
        back = (step - 2 - (step & 1)) & 7  # towards the light pixel looked at last


@kernel
def _farthest(x, y, count, ax, ay, bx, by):
    """Return the index of the point farthest to the left, as seen on the screen, of the line from a to b."""
    best, index = -1e30, 0
    for i in range(count):
        distance = (bx - ax) * (y[i] - ay) - (by - ay) * (x[i] - ax)
        if distance > best:
            best, index = distance, i
    return index


@kernel
def four_corners(x, y, count, index, corners):
    """Write the corners (4, 2) of the largest quadrilateral among the points of an outline, clockwise.

    Also their places among the points, `index` (4,). Each corner is the farthest point from the line through its
    neighbours, repeated; local, but for outlines that are nearly square the global one.
    """
    cx, cy, best, a = x[:count].mean(), y[:count].mean(), -1.0, 0
    for i in range(count):
        distance = (x[i] - cx) ** 2 + (y[i] - cy) ** 2
        if distance > best:
            best, a = distance, i
    best, c = -1.0, 0
    for i in range(count):
        distance = (x[i] - x[a]) ** 2 + (y[i] - y[a]) ** 2
        if distance > best:
            best, c = distance, i
    index[0], index[2] = a, c
    index[3] = _farthest(x, y, count, x[a], y[a], x[c], y[c])
    index[1] = _farthest(x, y, count, x[c], y[c], x[a], y[a])
    for _ in range(_SEARCHES):
        moved = False
        for k in range(4):
            before, after = index[(k + 3) & 3], index[(k + 1) & 3]
            found = _farthest(x, y, count, x[after], y[after], x[before], y[before])
            moved = moved or found != index[k]
            index[k] = found
        if not moved:
            break
    for k in range(4):
        corners[k, 0], corners[k, 1] = x[index[k]], y[index[k]]


@kernel
def _side_line(x, y, count, first, last, line):
    """Write the line (n, d), n . p = d, through the outline from one corner to the next; return whether there is one.

    Ends do not count, since whatever touches a square does so at a corner; nor, the second time, do points that lie far
    from the line.
    """
    length = (last - first) % count
    skip, width = length // 6, 1e30
    for _ in range(2):
        n, mx, my, xx, xy, yy = 0, 0.0, 0.0, 0.0, 0.0, 0.0
        for step in range(skip, length - skip + 1):
            i = (first + step) % count
            if abs(line[0] * x[i] + line[1] * y[i] - line[2]) > width:
                continue
            n, mx, my = n + 1, mx + x[i], my + y[i]
            xx, xy, yy = xx + x[i] * x[i], xy + x[i] * y[i], yy + y[i] * y[i]
        if n < 3:
            return False
        mx, my = mx / n, my / n
        xx, xy, yy = xx / n - mx * mx, xy / n - mx * my, yy / n - my * my
        angle = 0.5 * np.arctan2(2.0 * xy, xx - yy) + 0.5 * np.pi
        line[0], line[1] = np.cos(angle), np.sin(angle)
        line[2] = line[0] * mx + line[1] * my
        width = max(_STRAY_PX, (0.5 * (xx + yy) - 0.5 * ((xx - yy) ** 2 + 4.0 * xy * xy) ** 0.5) ** 0.5)
    return True


@kernel
def straighten(x, y, count, index, corners):
    """Move corners (4, 2) to where straight lines through the outline's four sides meet, unless that is far off."""
    lines = np.zeros((4, 3))
    for k in range(4):
        if not _side_line(x, y, count, index[k], index[(k + 1) & 3], lines[k]):
            return
    moved = np.empty((4, 2))
    for k in range(4):
        a, b = lines[(k + 3) & 3], lines[k]
        determinant = a[0] * b[1] - a[1] * b[0]
        if abs(determinant) < 0.1:
            return
        moved[k, 0] = (a[2] * b[1] - a[1] * b[2]) / determinant
        moved[k, 1] = (a[0] * b[2] - a[2] * b[0]) / determinant
        across = (
            (corners[k, 0] - corners[(k + 2) & 3, 0]) ** 2 + (corners[k, 1] - corners[(k + 2) & 3, 1]) ** 2
        ) ** 0.5
        if ((moved[k, 0] - corners[k, 0]) ** 2 + (moved[k, 1] - corners[k, 1]) ** 2) ** 0.5 > _MOVES_MOST * across:
            return
    corners[:] = moved


@kernel
def _area(x, y, count):
    total = 0.0
    for i in range(count):
        j = i + 1 if i + 1 < count else 0
        total += x[i] * y[j] - x[j] * y[i]
    return 0.5 * total


@kernel
def _is_square_like(corners, area, smallest_px):
    inside = _area(corners[:, 0], corners[:, 1], 4)
    if not (_EMPTIEST * inside < area < _FULLEST * inside):
        return False
    for k in range(4):
        i, j = (k + 1) & 3, (k + 2) & 3
        ux, uy = corners[i, 0] - corners[k, 0], corners[i, 1] - corners[k, 1]
        vx, vy = corners[j, 0] - corners[i, 0], corners[j, 1] - corners[i, 1]
        if ux * vy - uy * vx <= 0.0 or (ux * ux + uy * uy) ** 0.5 < smallest_px:
            return False
    return True


@kernel
def _corners_of(points, count, width, x, y, smallest_px, corners):
    """Write the four corners of an outline and return whether they account for it."""
    for i in range(count):
        y[i] = points[i] // width
        x[i] = points[i] - y[i] * width
    area = _area(x, y, count)
    if area < _THINNEST * count * count or area < 0.5 * smallest_px * smallest_px:
        return False
    index = np.empty(4, dtype=np.int64)
    four_corners(x, y, count, index, corners)
    if not _is_square_like(corners, area, smallest_px):
        return False
    straighten(x, y, count, index, corners)
    return True


@kernel
def square_outlines(dark, smallest_px, squares):
    """Write the corners of dark regions that are nearly quadrilaterals into `squares` (M, 4, 2); return their number.

    Parameters
    ----------
    dark : ndarray of uint8, shape (h, w)
        Not 0 where the picture is dark; the outermost pixels must be 0. Contiguous.
    smallest_px : float
        Squares with a shorter side are left out. [px]
    squares : ndarray, shape (M, 4, 2)
    """
    height, width = dark.shape
    flat, visited = dark.reshape(-1), np.zeros(dark.size, dtype=np.uint8)
    words = flat[: dark.size // 8 * 8].view(np.uint64)  # light pixels are passed over eight at a time
    offsets = np.array([-1, -width - 1, -width, 1 - width, 1, width + 1, width, width - 1])
    points = np.empty(_LONGEST, dtype=np.int64)
    x, y, found = np.empty(_LONGEST), np.empty(_LONGEST), 0
    for word in range(width // 8, (height - 1) * width // 8 + 1):
        if word >= words.size or words[word] == 0:
            continue
        for here in range(8 * word, 8 * word + 8):
            if not flat[here] or flat[here - 1] or visited[here]:
                continue
            if flat[here - width] or flat[here - width - 1] or flat[here - width + 1]:
                continue
            count = trace(flat, here, offsets, visited, points)
            if count < 2.4 * smallest_px:
                continue
            if _corners_of(points, count, width, x, y, smallest_px, squares[found]):
                found += 1
                if found == len(squares):
                    return found
    return found
