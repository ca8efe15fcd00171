"""Pictures of markers with known corners: every pixel is traced back through the lens, so any lens is exact.

A pixel is the mean of `SUBPIXELS` x `SUBPIXELS` rays spread evenly over its area, and pixel (0, 0) is centred at
(0, 0). The optical blur is a Gaussian on the pixel grid, the noise white; both are the only approximations.
"""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np
from scipy.spatial.transform import RigidTransform

from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field, Marker
from fiducialkit.scene.markers import MarkerFamily, marker_family
from fiducialkit.scene.transforms import parts

SUBPIXELS = 4
_NEAR_M = 0.02
_RAYS_AT_ONCE = 2**15  # their arrays stay in the processor's cache


def picture_of(
    field_or_markers: Field | Iterable[Marker],
    camera: Camera,
    field_from_camera: RigidTransform,
    *,
    grey_black: float = 40.0,
    grey_white: float = 190.0,
    blur_px: float = 0.7,
    grey_sd: float = 2.0,
    seed: int,
    background: float | np.ndarray = 120.0,
    family: MarkerFamily | str = "36h11",
    border_cells: int = 1,
    margin_cells: float = 1.0,
    boxes: Iterable[tuple[tuple[float, float, float], tuple[float, float, float]]] | None = None,
) -> tuple[np.ndarray, dict[int, np.ndarray]]:
    """Return an 8-bit picture and, for each marker wholly in it and hidden nowhere, its true (4, 2) corners.

    A field brings its own family, border and obstacles; bare markers take those given. `background` is a grey level or
    a picture of the camera's size. Markers that face away are not drawn; the nearer hides the farther.
    """
    if isinstance(field_or_markers, Field):
        markers, family, border_cells = field_or_markers.markers, field_or_markers.family, field_or_markers.border_cells
        boxes = [(o.corner_min, o.corner_max) for o in field_or_markers.obstacles] if boxes is None else boxes
    else:
        markers, family = tuple(field_or_markers), marker_family(family)
    boxes = list(boxes or ())
    rotation, eye = parts(field_from_camera)
    canvas = np.empty((camera.height_px, camera.width_px))
    canvas[:] = background
    truth = {}
    for marker in sorted(markers, key=lambda m: -np.linalg.norm(np.array(m.position) - eye)):
        art = family.artwork(marker.marker_id, border_cells)
        seen = _Face(marker, art, margin_cells, camera, rotation, eye)
        if not seen.is_visible:
            continue
        seen.paint(canvas, boxes, grey_black, grey_white)
        if camera.in_picture(seen.corners_px).all() and not _hidden(eye, marker.corners_field, boxes).any():
            truth[marker.marker_id] = seen.corners_px
    if blur_px > 0.0:
        canvas = cv2.GaussianBlur(canvas, (0, 0), blur_px, borderType=cv2.BORDER_REPLICATE)
    canvas += np.random.default_rng(seed).normal(0.0, grey_sd, canvas.shape) if grey_sd > 0.0 else 0.0
    return np.clip(np.rint(canvas), 0, 255).astype(np.uint8), truth


class _Face:
    """One marker with its white margin, as the camera has it before it."""

    def __init__(self, marker, art, margin_cells, camera, rotation, eye):
        self.art, self.camera, self.rotation, self.eye = art, camera, rotation, eye
        self.turn, self.centre = parts(marker.field_from_marker)
        self.cell_m, self.half = marker.size_m / len(art), marker.size_m / 2.0
        self.reach = self.half + margin_cells * self.cell_m
        self.corners_px, valid = camera.project((marker.corners_field - eye) @ rotation)
        self.outline_px, outline_valid = camera.project(self._outline_camera())
        faces_camera = (eye - self.centre) @ self.turn[:, 2] > _NEAR_M
        self.is_visible = bool(faces_camera and valid.all() and outline_valid.all())

    def _outline_camera(self):
        # points along the edges too: a lens bends them beyond the box of their corners
        t = np.linspace(-self.reach, self.reach, 9)
        edge = np.full_like(t, self.reach)
        flat = np.concatenate([np.column_stack(p) for p in ((t, edge), (t, -edge), (edge, t), (-edge, t))])
        outline = np.column_stack([flat, np.zeros(len(flat))]) @ self.turn.T + self.centre
        return (outline - self.eye) @ self.rotation

    def paint(self, canvas, boxes, grey_black, grey_white):
        height, width = canvas.shape
        low = np.maximum(np.floor(self.outline_px.min(axis=0)).astype(int) - 1, 0)
        high = np.minimum(np.ceil(self.outline_px.max(axis=0)).astype(int) + 2, [width, height])
        if (low >= high).any():
            return
        offsets = (np.arange(SUBPIXELS) + 0.5) / SUBPIXELS - 0.5
        columns = (np.arange(low[0], high[0])[:, None] + offsets).ravel()
        step = max(1, _RAYS_AT_ONCE // (SUBPIXELS * len(columns)))
        for first in range(low[1], high[1], step):
            band = np.arange(first, min(first + step, high[1]))
            u, v = np.meshgrid(columns, (band[:, None] + offsets).ravel())
            share, level = self._levels(np.column_stack([u.ravel(), v.ravel()]), boxes, grey_black, grey_white)
            shape = (len(band), SUBPIXELS, high[0] - low[0], SUBPIXELS)
            covered = share.reshape(shape).mean(axis=(1, 3))
            painted = (share * level).reshape(shape).mean(axis=(1, 3))
            patch = canvas[first : first + len(band), low[0] : high[0]]
            patch[:] = patch * (1.0 - covered) + painted

    def _levels(self, pixels, boxes, grey_black, grey_white):
        """Return, for each ray, whether it meets the print (0 or 1) and the grey level there."""
        directions, found = _directions(self.camera, pixels)
        across, down = directions.T.copy()
        mix = self.rotation.T @ self.turn
        ray_x, ray_y, ray_z = (mix[0, k] * across + mix[1, k] * down + mix[2, k] for k in range(3))  # marker
        eye_x, eye_y, eye_z = (self.eye - self.centre) @ self.turn
        with np.errstate(invalid="ignore", divide="ignore"):
            depth = -eye_z / ray_z
            x, y = eye_x + depth * ray_x, eye_y + depth * ray_y
            on_print = found & (depth > 0.0) & (np.abs(x) <= self.reach) & (np.abs(y) <= self.reach)
        if boxes:
            points = np.column_stack([x[on_print], y[on_print]]) @ self.turn[:, :2].T + self.centre
            on_print[on_print] = ~_hidden(self.eye, points, boxes)
        level = np.full(len(x), grey_white)
        on_square = on_print & (np.abs(x) < self.half) & (np.abs(y) < self.half)
        column = ((x[on_square] + self.half) / self.cell_m).astype(int).clip(0, len(self.art) - 1)
        row = ((self.half - y[on_square]) / self.cell_m).astype(int).clip(0, len(self.art) - 1)
        level[on_square] = np.where(self.art[row, column], grey_white, grey_black)
        return on_print.astype(float), level


def _directions(camera, pixels):
    if camera.model != "fisheye" and not any(camera.distortion):  # a pinhole needs no iteration
        centre, focal = [camera.cx_px, camera.cy_px], [camera.fx_px, camera.fy_px]
        return (pixels - centre) / focal, np.ones(len(pixels), dtype=bool)
    return camera.unproject(pixels)


def _hidden(eye, points, boxes):
    """Return whether a box (corner_min, corner_max) lies between the eye and each point."""
    hidden = np.zeros(len(points), dtype=bool)
    with np.errstate(divide="ignore", invalid="ignore"):
        for low, high in boxes:
            first, second = (np.array(low) - eye) / (points - eye), (np.array(high) - eye) / (points - eye)
            enter = np.fmin(first, second).max(axis=1)
            leave = np.fmax(first, second).min(axis=1)
            hidden |= (enter < np.minimum(leave, 1.0 - 1e-6)) & (leave > 0.0)
    return hidden
