"""From bodies to light on the sensor: each body's exact share in every pixel, smeared, blurred and laid together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.imaging.optical_blur import blurred_moments, blurred_pixels, reach_px
from fiducialkit.imaging.rendering_bodies import Body, Pieces, Shape, body_at, shape_of, visible_pieces
from fiducialkit.imaging.rendering_kernels import (
    MOMENTS,
    ROW_TIME,
    ROW_ZERO,
    ROWS,
    TURN,
    VELOCITY,
    add_polygons,
    common_part,
    in_place_of,
    move_points,
    place_points,
    sum_rows,
    widen_bounds,
)
from fiducialkit.imaging.rendering_settings import RenderSettings
from fiducialkit.scene.camera import Camera

SMEAR_STEP_PX = 0.25
MOST_STEPS = 400
_NEAR_M = 1e-3
# rolling shutter where one body hides another: what moves from the first row of a band to the last, the most rows of a
# band, and at how many moments all in all it is worked out what hides what (the bands grow to keep to that)
_BAND_PX, _MOST_BAND_ROWS, _MOST_MOMENTS = 0.04, 64, 400
_ROOM_PX = 2  # round a body's outline, for edges that a lens bends outwards between the points looked at
_RING = 64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shot:
    """A camera while it takes one picture: lens, row times and motion, and how far a blur may reach."""

    camera: Camera
    settings: RenderSettings
    view: FloatArray
    exposure_s: float
    pad_px: int

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
class Layer:
    """One body in the picture: moments of its level and of its share (2, 6, h, w), beginning at pixel (left, top)."""

    left: int
    top: int
    moments: FloatArray
    depth_m: float
    is_backdrop: bool


def smear_times(taken: Shot, bodies: Sequence[Body]) -> FloatArray:
    """Return the middles of the parts of the exposure, so many that nothing moves `SMEAR_STEP_PX` from one to the next.

    At most `MOST_STEPS`. [s]
    """
    if taken.exposure_s == 0.0:
        return np.zeros(1)
    # a backdrop counts only where it is alone: its nearest part is mostly bare floor, fast and without an edge
    counted = [body for body in bodies if body.kind != "backdrop"] or bodies
    longest = max((_moved_px(taken, body, taken.exposure_s) for body in counted), default=0.0)
    steps = min(max(1, math.ceil(longest / SMEAR_STEP_PX)), MOST_STEPS)
    return (np.arange(steps) + 0.5) / steps * taken.exposure_s - taken.exposure_s / 2.0


def _moved_px(taken: Shot, body: Body, span_s: float) -> float:
    """Return how far the corners of what may be seen of a body move in the picture in a time about the middle. [px]"""
    if body.is_fixed_to_camera:
        return 0.0
    shape = shape_of(body)
    covering = shape.shares > 0.0
    polygons = shape.polygons[covering]
    weights = np.column_stack([shape.reflectances, shape.shares])[covering]
    counts = np.full(len(polygons), 4, dtype=np.int64)
    # what is read at one time is inside the picture's own border, whatever the other rows see
    planes = _view_planes(taken.camera, taken.pad_px, is_rolling=False)
    seen = _inside_planes(Pieces(polygons=polygons, counts=counts, weights=weights, is_cut=False), planes)
    points = np.concatenate([np.empty((0, 3)), *(p[:n] for p, n in zip(seen.polygons, seen.counts, strict=True))])
    first, last = np.empty_like(points), np.empty_like(points)
    move_points(taken.view, -span_s / 2.0, points, first)
    move_points(taken.view, span_s / 2.0, points, last)
    (a, a_valid), (b, b_valid) = placed(taken, first), placed(taken, last)
    return float(np.hypot(*(a - b)[a_valid & b_valid].T).max(initial=0.0))


class _Moments:
    """The bodies' shapes at the times asked for, each worked out once."""

    def __init__(self, taken: Shot, bodies: Sequence[Body], times_s: FloatArray) -> None:
        self.taken, self.bodies, self.times_s = taken, bodies, times_s
        self._shapes: dict[float, list[Shape]] = {}
        self._band_rows = 0

    def shapes(self, time_s: float) -> list[Shape]:
        if time_s not in self._shapes:
            self._shapes[time_s] = [shape_of(body_at(body, self.taken.view, time_s)) for body in self.bodies]
        return self._shapes[time_s]

    def pieces(self, number: int, time_s: float) -> Pieces:
        """Return what is to be seen of one body at a time."""
        return _in_view(self.taken, visible_pieces(self.shapes(time_s), number))

    def band_rows(self) -> int:
        """Return how many rows may share what hides what: little moves from band to band, within `_MOST_MOMENTS`."""
        if self._band_rows == 0:
            span_s = 16.0 * float(self.taken.view[ROW_TIME])
            counted = [body for body in self.bodies if body.kind != "backdrop"] or self.bodies
            per_row = max(_moved_px(self.taken, body, span_s) / 16.0 for body in counted)
            least = math.ceil(self.taken.camera.height_px * len(self.times_s) / _MOST_MOMENTS)
            self._band_rows = max(1, least, min(int(_BAND_PX / max(per_row, 1e-9)), _MOST_BAND_ROWS))
        return self._band_rows


def layers(taken: Shot, bodies: Sequence[Body], times_s: FloatArray) -> list[Layer]:
    """Return one layer for each body that the picture shows any of."""
    moments = _Moments(taken, bodies, times_s)
    found = (_layer(moments, number) for number in range(len(bodies)))
    return [layer for layer in found if layer is not None]


def _layer(moments: _Moments, number: int) -> Layer | None:
    taken, body = moments.taken, moments.bodies[number]
    view = taken.view
    if body.is_fixed_to_camera:
        view = view.copy()
        view[VELOCITY:] = 0.0
    parts = [moments.pieces(number, time) for time in moments.times_s.tolist()]
    low, high = _bounds(taken, view, parts)
    if (low >= high).any():
        return None
    stack = np.zeros((2, MOMENTS, high[1] - low[1], high[0] - low[0] + 1))
    if taken.is_rolling and any(each.is_cut for each in parts):
        _paint_in_bands(moments, number, view, low, stack)
    else:
        for each in parts:
            _paint(taken, view, each, low, stack, 1.0 / len(parts))
    sum_rows(stack)
    depths = np.concatenate([each.polygons[i, :n, 2] for each in parts[:1] for i, n in enumerate(each.counts.tolist())])
    return Layer(
        left=int(low[0]),
        top=int(low[1]),
        moments=stack,
        depth_m=max(float(depths.mean()), _NEAR_M) if len(depths) else 1.0,
        is_backdrop=body.kind == "backdrop",
    )


def _paint_in_bands(moments: _Moments, number: int, view: FloatArray, low: IntArray, stack: FloatArray) -> None:
    """Paint rows in bands, each with what is hidden at its own time: on a rolling shutter that changes with the row."""
    taken, rows, top = moments.taken, moments.band_rows(), int(low[1])
    bottom = top + stack.shape[2]
    for first in range(rows * (top // rows), bottom, rows):  # the same bands for all bodies
        start, stop = max(first, top), min(first + rows, bottom)
        band = np.zeros((2, MOMENTS, stop - start, stack.shape[3]))
        band_view = view.copy()
        band_view[ROW_ZERO] = first + (rows - 1) / 2.0
        later_s = float((band_view[ROW_ZERO] - taken.view[ROW_ZERO]) * taken.view[ROW_TIME])
        for time in (moments.times_s + later_s).tolist():
            pieces = moments.pieces(number, time)
            _paint(taken, band_view, pieces, np.array([low[0], start]), band, 1.0 / len(moments.times_s))
        stack[:, :, start - top : stop - top] = band


def _paint(taken: Shot, view: FloatArray, pieces: Pieces, low: IntArray, stack: FloatArray, scale: float) -> None:
    model = taken.camera.model_number
    add_polygons(model, view, pieces.polygons, pieces.counts, pieces.weights * scale, low.astype(np.float64), stack)


def _in_view(taken: Shot, pieces: Pieces) -> Pieces:
    """Return the pieces inside the space that the picture can show."""
    return _inside_planes(pieces, _view_planes(taken.camera, taken.pad_px, is_rolling=taken.is_rolling))


def _inside_planes(pieces: Pieces, planes: FloatArray) -> Pieces:
    used = np.arange(pieces.polygons.shape[1]) < pieces.counts[:, None]
    if not (pieces.polygons[used] @ planes[:, :3].T + planes[:, 3] < 0.0).any():
        return pieces
    polygons, counts = common_part(pieces.polygons, pieces.counts, planes)
    kept = counts > 0
    longest = int(counts.max(initial=3))
    return Pieces(
        polygons=np.ascontiguousarray(polygons[kept, :longest]),
        counts=counts[kept],
        weights=pieces.weights[kept],
        is_cut=pieces.is_cut,
    )


@lru_cache(maxsize=32)
def _view_planes(camera: Camera, pad_px: int, *, is_rolling: bool) -> FloatArray:
    """Return planes (n, 4) that hold all the camera can show: in front, round the picture, within the lens model."""
    planes = [[0.0, 0.0, 1.0, -_NEAR_M]]
    radius = math.inf
    if not is_rolling:  # where every row has its own time, so has every border
        pad = pad_px + 2.0
        x, y = np.linspace(-pad, camera.width_px - 1 + pad, 41), np.linspace(-pad, camera.height_px - 1 + pad, 41)
        border = [np.column_stack([x, np.full(41, v)]) for v in (y[0], y[-1])]
        border += [np.column_stack([np.full(41, u), y]) for u in (x[0], x[-1])]
        directions, found = camera.unproject(np.vstack(border))
        if found.all():
            (left, top), (right, bottom) = directions.min(axis=0), directions.max(axis=0)
            room = 0.02 * max(right - left, bottom - top)  # the border bends between the points looked at
            planes += [[1.0, 0.0, room - left, 0.0], [-1.0, 0.0, right + room, 0.0]]
            planes += [[0.0, 1.0, room - top, 0.0], [0.0, -1.0, bottom + room, 0.0]]
            radius = math.hypot(max(right, -left) + room, max(bottom, -top) + room)
    if radius >= 0.999 * camera.valid_radius and camera.valid_radius < math.inf:
        angles = 2.0 * np.pi * np.arange(_RING) / _RING
        inner = 0.9995 * camera.valid_radius * math.cos(math.pi / _RING)
        planes += [[-math.cos(a), -math.sin(a), inner, 0.0] for a in angles]
    return np.array(planes)


def _bounds(taken: Shot, view: FloatArray, parts: Sequence[Pieces]) -> tuple[IntArray, IntArray]:
    """Return the first pixel and the one after the last that the pieces can reach, blur included."""
    bounds = np.array([np.inf, np.inf, -np.inf, -np.inf])
    for each in parts:
        widen_bounds(taken.camera.model_number, view, each.polygons, each.counts, each.weights, bounds)
    low, high = bounds[:2], bounds[2:]
    if not np.isfinite(low).all():
        return np.zeros(2, dtype=np.int64), np.zeros(2, dtype=np.int64)
    pad = taken.pad_px
    size = np.array([taken.camera.width_px, taken.camera.height_px])
    first = np.clip(np.floor(low) - _ROOM_PX - pad, -pad, size + pad)
    last = np.clip(np.ceil(high) + 1 + _ROOM_PX + pad, -pad, size + pad)
    return first.astype(np.int64), last.astype(np.int64)


def placed(taken: Shot, points_camera: FloatArray, view: FloatArray | None = None) -> tuple[FloatArray, BoolArray]:
    """Return pixels (N, 2) and validity of points given at time 0, each at the time of its own row."""
    pixels, valid = np.empty((len(points_camera), 2)), np.empty(len(points_camera), dtype=np.bool_)
    points = np.ascontiguousarray(points_camera)
    place_points(taken.camera.model_number, taken.view if view is None else view, points, pixels, valid)
    return pixels, valid


def light(camera: Camera, settings: RenderSettings, columns: Any, rows: Any) -> FloatArray:
    """Return the linear grey level of a perfectly white surface in each pixel, or one for all, shape (1, 1)."""
    across, down = settings.light_gradient
    if across == 0.0 and down == 0.0:
        return np.full((1, 1), settings.light_level(camera))
    along_x = across * ((columns + 0.5) / camera.width_px - 0.5)
    along_y = down * ((rows + 0.5) / camera.height_px - 0.5)
    level = settings.light_level(camera)
    return np.asarray(level * np.maximum(1.0 + along_x[None, :] + along_y[:, None], 0.0))


def laid_together(taken: Shot, painted: Sequence[Layer], background: FloatArray) -> FloatArray:
    """Return the blurred picture in linear grey levels. `background` is in reflectances."""
    camera, settings = taken.camera, taken.settings
    lit = light(camera, settings, np.arange(camera.width_px), np.arange(camera.height_px))
    if settings.focus is not None:
        return _laid_by_depth(taken, painted, background * lit)
    blur = settings.blur_at(camera, 1.0)
    if background.strides == (0, 0) and lit.size == 1:  # even light on an even background stays as it is
        total = np.full(background.shape, background[0, 0] * lit[0, 0])
    else:
        total = blurred_pixels(background * lit, blur)
    for layer in painted:
        columns, rows = _pixels_of(layer)
        behind = background[np.ix_(_inside(rows, camera.height_px), _inside(columns, camera.width_px))]
        added = np.empty(layer.moments.shape[1:])
        in_place_of(behind, light(camera, settings, columns, rows), layer.moments, added)
        _add_to(total, blurred_moments(added, blur), layer)
    return total


def _laid_by_depth(taken: Shot, painted: Sequence[Layer], background: FloatArray) -> FloatArray:
    """Lay layers of unlike blur together: each spreads its level and its share, and the level is divided by all shares.

    Where neighbours are blurred alike the shares add up to 1 and this is the plain sum; at an edge between near and far
    it is an approximation without gaps (what is hidden behind a blurred edge is not known to it).
    """
    camera, settings = taken.camera, taken.settings
    far = settings.blur_at(camera, settings.focus.background_m if settings.focus else 1.0)
    level, share = blurred_pixels(background, far), np.ones_like(background)
    for layer in painted:
        columns, rows = _pixels_of(layer)
        behind = background[np.ix_(_inside(rows, camera.height_px), _inside(columns, camera.width_px))]
        blur = far if layer.is_backdrop else settings.blur_at(camera, layer.depth_m)
        lit = light(camera, settings, columns, rows)
        added = blurred_moments(layer.moments[0] * lit, blur) - blurred_moments(layer.moments[1] * behind, far)
        _add_to(level, added, layer)
        if blur != far:
            _add_to(share, blurred_moments(layer.moments[1], blur) - blurred_moments(layer.moments[1], far), layer)
    return np.asarray(level / np.maximum(share, 1e-6))


def _pixels_of(layer: Layer) -> tuple[FloatArray, FloatArray]:
    height, width = layer.moments.shape[-2:]
    return layer.left + np.arange(width, dtype=np.float64), layer.top + np.arange(height, dtype=np.float64)


def _inside(positions: FloatArray, size: int) -> IntArray:
    return np.clip(positions, 0, size - 1).astype(np.int64)


def _add_to(total: FloatArray, patch: FloatArray, layer: Layer) -> None:
    height, width = total.shape
    top, left = max(layer.top, 0), max(layer.left, 0)
    bottom, right = min(layer.top + patch.shape[0], height), min(layer.left + patch.shape[1], width)
    if top < bottom and left < right:
        total[top:bottom, left:right] += patch[
            top - layer.top : bottom - layer.top, left - layer.left : right - layer.left
        ]


def vignetting(camera: Camera, settings: RenderSettings) -> FloatArray | None:
    """Return the share of the light that reaches each pixel, or None for all of it everywhere."""
    chosen = settings.vignetting
    if chosen == "none":
        return None
    return _vignetting(camera, chosen)


@lru_cache(maxsize=8)
def _vignetting(camera: Camera, chosen: str | tuple[float, ...]) -> FloatArray:
    columns, rows = np.arange(camera.width_px), np.arange(camera.height_px)
    if isinstance(chosen, tuple):
        half = math.hypot(camera.width_px, camera.height_px) / 2.0
        square = ((columns - camera.cx_px)[None, :] ** 2 + (rows - camera.cy_px)[:, None] ** 2) / half**2
        share = 1.0 + sum(factor * square ** (power + 1) for power, factor in enumerate(chosen))
        return np.asarray(np.clip(share, 0.0, None), dtype=np.float64)
    u, v = np.meshgrid(columns, rows)
    directions, found = camera.unproject(np.column_stack([u.ravel(), v.ravel()]))
    cosine_square = np.where(found, 1.0 / (1.0 + (np.nan_to_num(directions) ** 2).sum(axis=1)), 0.0)
    return np.asarray((cosine_square**2).reshape(u.shape))
