"""When each row of a picture sees the scene: exposure, row times, and where things are meanwhile.

A picture is a sum over moments. At each the scene stands still and all edges are those of the lens alone; what hides
what is exact; and the rows that are exposed then take their share of it. A row of a rolling shutter is read out as
a whole: all of it sees the scene at the time of the row's middle. Blur comes after that: on a rolling
shutter it mixes rows of neighbouring times, whose pictures differ by what moves from one row to the next.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.imaging.optical_blur import reach_px
from fiducialkit.imaging.rendering_bodies import Body, Shape, body_at, pieces_of, shape_of
from fiducialkit.imaging.rendering_kernels import (
    ROW_TIME,
    ROW_ZERO,
    ROWS,
    TURN,
    VELOCITY,
    move_points,
    place_points,
)
from fiducialkit.imaging.rendering_settings import RenderSettings
from fiducialkit.scene.camera import Camera

# an edge smeared over a length L in n steps is off by up to 255 L / (8 n^2) grey levels: half a level at 8 sqrt(L);
# a long smear passes many edges
SMEAR_STEP_PX = 0.5
_STEPS_BY_ROOT = 8.0
MOST_STEPS = 400
_ROW_STEP_PX = 0.005  # rows that see the scene this near to each other count as one
_MOST_ROWS_ALIKE = 64
_LOOKS = 5  # times at which is asked where a body is, unless the camera turns so far that it may pass between them
_LARGEST_TURN = 0.5
_NEAR_M = 1e-3
_RING = 64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shot:
    """A camera while it takes one picture: lens, row times and motion, and how far a blur may reach."""

    camera: Camera
    settings: RenderSettings
    view: FloatArray
    exposure_s: float
    pad_px: int
    still: dict[int, Shape] = field(default_factory=dict)

    @property
    def is_rolling(self) -> bool:
        """Whether rows see the scene at different times and it moves."""
        return bool(self.view[ROW_TIME] > 0.0 and self.view[VELOCITY:].any())


def shot(camera: Camera, settings: RenderSettings, twist: FloatArray | None, depths_m: Sequence[float]) -> Shot:
    """Return the shot; `depths_m` are those whose blur has to fit in the room left round the picture."""
    view = np.zeros(TURN + 3)
    view[: len(camera.parameters)] = camera.parameters
    view[ROW_ZERO], view[ROWS] = (camera.height_px - 1) / 2.0, camera.height_px
    if twist is not None and np.any(twist):
        view[ROW_TIME] = camera.timing.row_time_s
        view[VELOCITY:] = twist
    blur = max([settings.blur_at(camera, depth) for depth in depths_m], default=0.0)
    return Shot(
        camera=camera,
        settings=settings,
        view=view,
        exposure_s=camera.timing.exposure_s if view[VELOCITY:].any() else 0.0,
        pad_px=reach_px(blur),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moment:
    """A time at which the scene is looked at, and the share of it that each row from `first_row` on takes. [s]"""

    time_s: float
    first_row: int
    row_weights: FloatArray


def moments_of(taken: Shot, bodies: Sequence[Body]) -> tuple[list[Moment], int]:
    """Return the moments that make up the picture, and into how many steps the exposure was cut.

    Nothing moves by more than `SMEAR_STEP_PX` from one step to the next (at most `MOST_STEPS`).
    """
    rows = np.arange(-taken.pad_px, taken.camera.height_px + taken.pad_px, dtype=np.int64)
    # a backdrop counts only where it is alone: its nearest part is mostly bare floor, fast and without an edge
    counted = [body for body in bodies if body.kind != "backdrop"] or bodies
    steps = 1
    if taken.exposure_s > 0.0:
        longest = max((_moved_px(taken, body, taken.exposure_s) for body in counted), default=0.0)
        wanted = max(longest / SMEAR_STEP_PX, _STEPS_BY_ROOT * math.sqrt(longest))
        steps = min(max(1, math.ceil(wanted)), MOST_STEPS)
    smear_s = ((np.arange(steps) + 0.5) / steps - 0.5) * taken.exposure_s
    if not taken.is_rolling:
        return _with_all_rows(smear_s, rows), steps
    row_time_s = float(taken.view[ROW_TIME])
    times_s = (rows - taken.view[ROW_ZERO]) * row_time_s
    per_row = max((_moved_px(taken, body, 16.0 * row_time_s) / 16.0 for body in counted), default=0.0)
    alike = max(1, min(int(2.0 * _ROW_STEP_PX / max(per_row, 1e-9)), _MOST_ROWS_ALIKE))
    by_groups = steps * math.ceil(len(rows) / alike)
    by_slices = steps * (1.0 + len(rows) * row_time_s / max(taken.exposure_s, 1e-12))
    if by_groups <= by_slices:
        return _by_groups(smear_s, rows, times_s, alike), steps
    return _by_slices(taken.exposure_s, steps, rows, times_s), steps


def _with_all_rows(times_s: FloatArray, rows: IntArray) -> list[Moment]:
    weights = np.full(len(rows), 1.0 / len(times_s))
    return [Moment(time_s=time, first_row=int(rows[0]), row_weights=weights) for time in times_s.tolist()]


def _by_groups(smear_s: FloatArray, rows: IntArray, times_s: FloatArray, alike: int) -> list[Moment]:
    """Return the steps of the exposure for each group of rows that see the scene alike."""
    found = []
    for start in range(0, len(rows), alike):
        group = slice(start, start + alike)
        middle = float(times_s[group].mean())
        found += _with_all_rows(middle + smear_s, rows[group])
    return found


def _by_slices(exposure_s: float, steps: int, rows: IntArray, times_s: FloatArray) -> list[Moment]:
    """Return moments one step of the exposure apart, each row's weight being the part of the step it is exposed in.

    As the exposure is a whole number of steps, a row's mean time comes out exactly whatever the phase.
    """
    step = exposure_s / steps
    before = times_s - exposure_s / 2.0
    first, last = math.floor(before[0] / step), math.ceil((before[-1] + exposure_s) / step)
    found = []
    for number in range(first, last):
        start = number * step
        shared = np.minimum(start + step, before + exposure_s) - np.maximum(start, before)
        exposed = np.flatnonzero(shared > 1e-9 * step)
        if len(exposed):
            part = slice(exposed[0], exposed[-1] + 1)
            weights = np.maximum(shared[part], 0.0) / exposure_s
            found.append(Moment(time_s=start + step / 2.0, first_row=int(rows[part][0]), row_weights=weights))
    return found


def shape_at(taken: Shot, body: Body, time_s: float) -> Shape:
    """Return the body's shape as the camera has it before it at that time."""
    if not (body.is_fixed_to_camera or time_s == 0.0):
        return shape_of(body_at(body, taken.view, time_s))
    if id(body) not in taken.still:
        taken.still[id(body)] = shape_of(body)
    return taken.still[id(body)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """The rows in which a body may be seen at any time; none if it is not seen at all."""

    first_row: float
    last_row: float

    def meets(self, moment: Moment) -> bool:
        """Return whether the body may be seen in a row that is exposed at that moment."""
        return self.first_row <= moment.first_row + len(moment.row_weights) and moment.first_row <= self.last_row


def reach_of(taken: Shot, body: Body, moments: Sequence[Moment]) -> Reach:
    """Return where a body may be seen during all of the picture; with much to spare."""
    everywhere, nowhere = Reach(first_row=-math.inf, last_row=math.inf), Reach(first_row=math.inf, last_row=-math.inf)
    first, last = moments[0].time_s, moments[-1].time_s
    turned = (last - first) * float(np.linalg.norm(taken.view[TURN : TURN + 3]))
    if body.kind == "backdrop" or turned > _LARGEST_TURN:
        return everywhere
    pad, camera = taken.pad_px, taken.camera
    planes = view_planes(camera, pad, -pad, camera.height_px + pad)
    is_outside, bounds = np.ones(len(planes), dtype=np.bool_), []
    for time in np.linspace(first, last, _LOOKS) if last > first else [first]:
        points = _outer_points(shape_at(taken, body, float(time)))
        is_outside &= (points @ planes[:, :3].T + planes[:, 3] < 0.0).all(axis=0)
        pixels, valid = camera.project(points)
        bounds.append([*pixels.min(axis=0), *pixels.max(axis=0)] if len(points) and valid.all() else [math.nan] * 4)
    if is_outside.any():
        return nowhere
    low, high = np.array(bounds)[:, 1], np.array(bounds)[:, 3]
    if np.isnan(low).any():  # partly behind the camera, or with its back to it for a while
        return everywhere
    spare = 4.0 + pad + 0.25 * max(np.ptp(low), np.ptp(high))
    return Reach(first_row=float(low.min() - spare), last_row=float(high.max() + spare))


def _outer_points(shape: Shape) -> FloatArray:
    """Return points along the edges of what covers, for a lens bends edges beyond the box of their ends."""
    quads = shape.polygons[shape.shares > 0.0]
    share = (np.arange(8) / 8.0)[:, None, None, None]
    return np.asarray(quads + share * (np.roll(quads, -1, axis=1) - quads)).reshape(-1, 3)


def _moved_px(taken: Shot, body: Body, span_s: float) -> float:
    """Return how far the corners of what may be seen of a body move in the picture in a time about the middle. [px]"""
    if body.is_fixed_to_camera:
        return 0.0
    shape = shape_of(body)
    pad = taken.pad_px
    whole = view_planes(taken.camera, pad, -pad, taken.camera.height_px + pad)
    seen = pieces_of(shape).inside(whole)
    covering = np.flatnonzero(seen.weights[:, 1] > 0.0).tolist()
    points = np.concatenate([np.empty((0, 3)), *(seen.polygons[i, : seen.counts[i]] for i in covering)])
    first, last = np.empty_like(points), np.empty_like(points)
    move_points(taken.view, -span_s / 2.0, points, first)
    move_points(taken.view, span_s / 2.0, points, last)
    (a, a_valid), (b, b_valid) = taken.camera.project(first), taken.camera.project(last)
    return float(np.hypot(*(a - b)[a_valid & b_valid].T).max(initial=0.0))


@lru_cache(maxsize=4096)
def view_planes(camera: Camera, pad_px: int, first_row: int, end_row: int) -> FloatArray:
    """Return planes (n, 4) that hold all that some rows can show: in front, round them, within the lens model."""
    planes = [[0.0, 0.0, 1.0, -_NEAR_M]]
    radius = math.inf
    pad = pad_px + 2.0
    x, y = np.linspace(-pad, camera.width_px - 1 + pad, 41), np.linspace(first_row - 2.0, end_row + 1.0, 41)
    border = [np.column_stack([x, np.full(41, v)]) for v in (y[0], y[-1])]
    border += [np.column_stack([np.full(41, u), y]) for u in (x[0], x[-1])]
    directions, found = camera.unproject(np.vstack(border))
    if found.all():
        (left, top), (right, bottom) = directions.min(axis=0), directions.max(axis=0)
        # the border bends between the points looked at
        room_x, room_y = 0.02 * (right - left), 0.02 * (bottom - top) + 0.001 * (right - left)
        planes += [[1.0, 0.0, room_x - left, 0.0], [-1.0, 0.0, right + room_x, 0.0]]
        planes += [[0.0, 1.0, room_y - top, 0.0], [0.0, -1.0, bottom + room_y, 0.0]]
        radius = math.hypot(max(right, -left) + room_x, max(bottom, -top) + room_y)
    if radius >= 0.999 * camera.valid_radius and camera.valid_radius < math.inf:
        angles = 2.0 * np.pi * np.arange(_RING) / _RING
        inner = 0.9995 * camera.valid_radius * math.cos(math.pi / _RING)
        planes += [[-math.cos(a), -math.sin(a), inner, 0.0] for a in angles]
    return np.array(planes)


def placed(taken: Shot, points_camera: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Return pixels (N, 2) and validity of points given at time 0, each at the time of its own row."""
    pixels, valid = np.empty((len(points_camera), 2)), np.empty(len(points_camera), dtype=np.bool_)
    place_points(taken.camera.model_number, taken.view, np.ascontiguousarray(points_camera), pixels, valid)
    return pixels, valid
