"""What hides what: whether a line of sight passes through a box.

Boxes are rows of 15 numbers: centre (3), axes as rows (3, 3), half sizes (3). An upright box has the unit axes.
The test is the slab method: along each axis of the box the segment is inside for an interval of its length, and it
meets the box where the three intervals share a point.

References
----------
Kay and Kajiya, "Ray tracing complex scenes", SIGGRAPH 1986, section 3.
"""

from __future__ import annotations

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, checked_array
from fiducialkit.compiled import kernel
from fiducialkit.errors import InputError

BOX = 15


def upright_box(corner_min: tuple[float, ...], corner_max: tuple[float, ...]) -> FloatArray:
    """Return the row of an axis-aligned box.

    Raises
    ------
    InputError
        Unless every coordinate of `corner_min` lies below that of `corner_max`.
    """
    low, high = checked_array("corner_min", corner_min, (3,)), checked_array("corner_max", corner_max, (3,))
    if not (low < high).all():
        raise InputError(f"corner_min: expected below corner_max, found {low.tolist()} and {high.tolist()}")
    return np.concatenate([(low + high) / 2.0, np.eye(3).ravel(), (high - low) / 2.0])


@kernel
def is_hidden(boxes, first, count, ax, ay, az, bx, by, bz):
    """Return whether the open segment from a to b meets one of ``boxes[first : first + count]``."""
    for i in range(first, first + count):
        enter = 0.0
        leave = 1.0
        for k in range(3):
            nx, ny, nz = boxes[i, 3 + 3 * k], boxes[i, 4 + 3 * k], boxes[i, 5 + 3 * k]
            half = boxes[i, 12 + k]
            start = nx * (ax - boxes[i, 0]) + ny * (ay - boxes[i, 1]) + nz * (az - boxes[i, 2])
            step = nx * (bx - ax) + ny * (by - ay) + nz * (bz - az)
            if abs(step) < 1e-12:
                if abs(start) >= half:
                    enter = 2.0
                    break
                continue
            near = (-half - start) / step
            far = (half - start) / step
            if near > far:
                near, far = far, near
            enter = max(enter, near)
            leave = min(leave, far)
            if enter >= leave:
                break
        if enter < leave - 1e-9:
            return True
    return False


@kernel
def _hidden_each(boxes, start, ends, hidden):
    for i in range(ends.shape[0]):
        hidden[i] = is_hidden(
            boxes, 0, boxes.shape[0], start[0], start[1], start[2], ends[i, 0], ends[i, 1], ends[i, 2]
        )


def hidden_points(boxes: FloatArray, start: FloatArray, ends: FloatArray) -> BoolArray:
    """Return for each end point (N, 3) whether a box hides it from `start` (3,), all in the boxes' frame."""
    ends = checked_array("ends", ends, (None, 3))
    hidden = np.empty(len(ends), dtype=np.bool_)
    _hidden_each(checked_array("boxes", boxes, (None, BOX)), checked_array("start", start, (3,)), ends, hidden)
    return hidden
