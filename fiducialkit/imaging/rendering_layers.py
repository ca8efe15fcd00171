"""From bodies to light on the sensor: each body's exact share in every pixel, smeared, blurred and laid together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from fiducialkit.arrays import FloatArray, IntArray
from fiducialkit.imaging.optical_blur import blurred_moments, blurred_pixels
from fiducialkit.imaging.rendering_bodies import Body, Pieces, Shape, visible_pieces
from fiducialkit.imaging.rendering_kernels import MOMENTS, add_polygons, in_place_of, sum_rows, widen_bounds
from fiducialkit.imaging.rendering_settings import RenderSettings
from fiducialkit.imaging.rendering_times import Moment, Shot, reach_of, shape_at, view_planes
from fiducialkit.scene.camera import Camera

_NEAR_M = 1e-3
_LEAST_LEFT_OVER = 0.02
_ROOM_PX = 2  # round a body's outline, for edges that a lens bends outwards between the points looked at


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """One body in the picture: moments of its level and of its share (2, 6, h, w), beginning at pixel (left, top)."""

    left: int
    top: int
    moments: FloatArray
    depth_m: float
    is_backdrop: bool


def layers(taken: Shot, bodies: Sequence[Body], moments: Sequence[Moment]) -> list[Layer]:
    """Return one layer for each body that the picture shows any of."""
    reaches = [reach_of(taken, body, moments) for body in bodies]
    seen: list[list[tuple[Moment, Pieces]]] = [[] for _ in bodies]
    for moment in moments:
        there = [number for number, reach in enumerate(reaches) if reach.meets(moment)]
        shapes = [shape_at(taken, bodies[number], moment.time_s) for number in there]
        for number, pieces in zip(there, _pieces_at(taken, shapes, moment), strict=True):
            if len(pieces.counts):
                seen[number].append((moment, pieces))
    found = (_layer(taken, body, parts) for body, parts in zip(bodies, seen, strict=True))
    return [layer for layer in found if layer is not None]


def _pieces_at(taken: Shot, shapes: Sequence[Shape], moment: Moment) -> list[Pieces]:
    """Return what is to be seen of each body in the rows that are exposed at that moment."""
    planes = view_planes(taken.camera, taken.pad_px, moment.first_row, moment.first_row + len(moment.row_weights))
    return [visible_pieces(shapes, number, planes) for number in range(len(shapes))]


def _layer(taken: Shot, body: Body, parts: Sequence[tuple[Moment, Pieces]]) -> Layer | None:
    low, high = _bounds(taken, [pieces for _, pieces in parts])
    if (low >= high).any():
        return None
    stack = np.zeros((2, MOMENTS, high[1] - low[1], high[0] - low[0] + 1))
    for moment, pieces in parts:
        _paint(taken, moment, pieces, low, stack)
    sum_rows(stack)
    middle = parts[len(parts) // 2][1]
    depths = [float(middle.polygons[i, :n, 2].mean()) for i, n in enumerate(middle.counts.tolist())]
    return Layer(
        left=int(low[0]),
        top=int(low[1]),
        moments=stack,
        depth_m=max(float(np.mean(depths)), _NEAR_M),
        is_backdrop=body.kind == "backdrop",
    )


def _paint(taken: Shot, moment: Moment, pieces: Pieces, low: IntArray, stack: FloatArray) -> None:
    start = moment.first_row - int(low[1])
    weights = moment.row_weights[max(0, -start) : max(0, stack.shape[2] - start)]
    if len(weights):
        camera, origin = taken.camera, low.astype(np.float64)
        shape = pieces.polygons, pieces.counts, pieces.weights
        add_polygons(camera.model_number, camera.parameters, *shape, origin, stack, max(start, 0), weights)


def _bounds(taken: Shot, parts: Sequence[Pieces]) -> tuple[IntArray, IntArray]:
    """Return the first pixel and the one after the last that the pieces can reach, blur included."""
    bounds = np.array([np.inf, np.inf, -np.inf, -np.inf])
    camera = taken.camera
    for each in parts:
        widen_bounds(camera.model_number, camera.parameters, each.polygons, each.counts, each.weights, bounds)
    low, high = bounds[:2], bounds[2:]
    if not np.isfinite(low).all():
        return np.zeros(2, dtype=np.int64), np.zeros(2, dtype=np.int64)
    pad = taken.pad_px
    size = np.array([camera.width_px, camera.height_px])
    first = np.clip(np.floor(low) - _ROOM_PX - pad, -pad, size + pad)
    last = np.clip(np.ceil(high) + 1 + _ROOM_PX + pad, -pad, size + pad)
    return first.astype(np.int64), last.astype(np.int64)


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


def _laid_by_depth(taken: Shot, painted: Sequence[Layer], lit_background: FloatArray) -> FloatArray:
    """Lay layers of unlike blur over each other, the farthest first, each with its own blur."""
    settings = taken.settings
    far = settings.blur_at(taken.camera, settings.focus.background_m if settings.focus else 1.0)
    picture = blurred_pixels(lit_background, far)
    for layer, level, share in reversed(_spread_by_depth(taken, painted, far)):
        of_picture, of_level = _overlap(picture, level, layer)
        _, of_share = _overlap(picture, share, layer)
        of_picture[:] = of_level + (1.0 - np.minimum(of_share, 1.0)) * of_picture
    return picture


def _spread_by_depth(
    taken: Shot, painted: Sequence[Layer], far_blur_px: float
) -> list[tuple[Layer, FloatArray, FloatArray]]:
    """Return the layers, the nearest first, with their blurred level and share.

    A layer holds what is seen of a body; what nearer ones hide of it goes on, for its blur, as it is beside them: its
    share and level are divided by what they leave over. Blurred alike, all that is left is the plain sum. Where a
    near edge is blurred more widely than what is behind it, that is not known far enough and counts as absent.
    """
    camera, pad = taken.camera, taken.pad_px
    nearer = np.zeros((MOMENTS, camera.height_px + 2 * pad, camera.width_px + 2 * pad))
    found = []
    for layer in sorted(painted, key=lambda each: math.inf if each.is_backdrop else each.depth_m):
        height, width = layer.moments.shape[2:]
        top, left = layer.top + pad, layer.left + pad
        hiding = nearer[:, top : top + height, left : left + width]
        inside = layer.moments[:, :, : hiding.shape[1], : hiding.shape[2]]
        blur = far_blur_px if layer.is_backdrop else taken.settings.blur_at(camera, layer.depth_m)
        left_over = np.maximum(1.0 - blurred_moments(hiding, blur), _LEAST_LEFT_OVER)
        lit = light(camera, taken.settings, *_pixels_of(layer))[: hiding.shape[1], : hiding.shape[2]]
        level, share = blurred_moments(inside[0] * lit, blur) / left_over, blurred_moments(inside[1], blur) / left_over
        found.append((layer, level, share))
        hiding += inside[1]
    return found


def _pixels_of(layer: Layer) -> tuple[FloatArray, FloatArray]:
    height, width = layer.moments.shape[-2:]
    return layer.left + np.arange(width, dtype=np.float64), layer.top + np.arange(height, dtype=np.float64)


def _inside(positions: FloatArray, size: int) -> IntArray:
    return np.clip(positions, 0, size - 1).astype(np.int64)


def _overlap(total: FloatArray, patch: FloatArray, layer: Layer) -> tuple[FloatArray, FloatArray]:
    """Return the parts of the picture and of a layer's patch that lie on each other, as views."""
    height, width = total.shape
    top, left = max(layer.top, 0), max(layer.left, 0)
    bottom = max(top, min(layer.top + patch.shape[0], height))
    right = max(left, min(layer.left + patch.shape[1], width))
    of_patch = patch[top - layer.top : bottom - layer.top, left - layer.left : right - layer.left]
    return total[top:bottom, left:right], of_patch


def _add_to(total: FloatArray, patch: FloatArray, layer: Layer) -> None:
    of_total, of_patch = _overlap(total, patch, layer)
    of_total += of_patch


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
