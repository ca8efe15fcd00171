"""A plain tracer of rays, the renderer's twin: every pixel from 32 x 32 rays, each asked what it meets first.

It shares the camera's `unproject` with the package and nothing of the renderer. Rays are spread over the pixel in a
sheared grid (each row of rays shifted by a golden-ratio step), so that an edge along the pixels is sampled as finely as
others.
"""

from __future__ import annotations

import numpy as np

from fiducialkit.scene.transforms import parts

GOLDEN = 0.6180339887498949
SHADES = (0.8, 0.9, 1.0)  # of a box's faces across its own x, y, z


def ray_offsets(count=32, *, sheared=True):
    i, j = np.meshgrid(np.arange(count), np.arange(count))
    shear = GOLDEN if sheared else 0.0
    du, dv = (i + (0.5 + j * shear) % 1.0) / count - 0.5, (j + (0.5 + i * shear) % 1.0) / count - 0.5
    return du, dv


def traced(layout, camera, pose_at, *, settings, rays=32, pixels=None, boxes_robot=(), robot_from_camera=None):
    """Return the mean reflectance of pixels (N, 2), of the whole picture if None.

    `pose_at(v)` gives field_from_camera when the line v of the picture was read; None stands for one pose for all.
    """
    if pixels is None:
        u, v = np.meshgrid(np.arange(camera.width_px), np.arange(camera.height_px))
        pixels = np.column_stack([u.ravel(), v.ravel()])
    is_rolling = callable(pose_at)
    du, dv = ray_offsets(rays, sheared=not is_rolling)
    u = (pixels[:, 0, None] + du.ravel()).ravel()
    v = (pixels[:, 1, None] + dv.ravel()).ravel()
    directions, found = camera.unproject(np.column_stack([u, v]))
    level = np.empty(len(u))
    lines, of_line = np.unique(v, return_inverse=True) if is_rolling else (np.zeros(1), np.zeros(len(v), dtype=int))
    order = np.argsort(of_line, kind="stable")
    for line, at in zip(lines, np.split(order, np.cumsum(np.bincount(of_line))[:-1]), strict=True):
        pose = pose_at(line) if is_rolling else pose_at
        level[at] = _levels(directions[at], found[at], layout, pose, settings, boxes_robot, robot_from_camera)
    return level.reshape(len(pixels), -1).mean(axis=1)


def traced_finely(layout, camera, field_from_camera, fine, *, settings):
    """Return the picture with `fine` x `fine` points a pixel, one ray each."""
    u = (np.arange(camera.width_px * fine) + 0.5) / fine - 0.5
    v = (np.arange(camera.height_px * fine) + 0.5) / fine - 0.5
    across, down = np.meshgrid(u, v)
    directions, found = camera.unproject(np.column_stack([across.ravel(), down.ravel()]))
    return _levels(directions, found, layout, field_from_camera, settings, (), None).reshape(across.shape)


def differences(picture, layout, camera, pose_at, *, settings, light, finer=72, **others):
    """Return picture less the traced one, in grey levels.

    The mean of 32 x 32 rays is itself uncertain by a grey level or so at an edge: where the two differ by more than
    half a level, the pixel is traced anew by `finer` x `finer` rays.
    """
    truth = light * traced(layout, camera, pose_at, settings=settings, **others)
    difference = picture.ravel() - truth
    doubtful = np.flatnonzero(np.abs(difference) > 0.5)
    if doubtful.size:
        pixels = np.column_stack([doubtful % camera.width_px, doubtful // camera.width_px])
        again = light * traced(layout, camera, pose_at, settings=settings, rays=finer, pixels=pixels, **others)
        difference[doubtful] = picture.ravel()[doubtful] - again
    return difference.reshape(picture.shape)


def _levels(directions, found, layout, field_from_camera, settings, boxes_robot, robot_from_camera):
    rotation, eye = parts(field_from_camera)
    rays_camera = np.column_stack([directions, np.ones(len(directions))])
    rays_field = rays_camera @ rotation.T
    nearest = np.full(len(rays_field), np.inf)
    level = np.full(len(rays_field), settings.background.reflectance)
    with np.errstate(divide="ignore", invalid="ignore"):
        for marker in layout.markers:
            _meet_marker(marker, layout, eye, rays_field, nearest, level, settings)
        for box in layout.obstacles:
            low, high = np.array(box.corner_min), np.array(box.corner_max)
            _meet_box(eye, rays_field, low, high, settings.obstacle_reflectance, nearest, level)
        if robot_from_camera is not None:
            mount, place_robot = parts(robot_from_camera)
            for low, high in boxes_robot:
                grey = settings.structure_reflectance
                _meet_box(place_robot, rays_camera @ mount.T, np.array(low), np.array(high), grey, nearest, level)
    level[~found] = settings.background.reflectance
    return level


def _meet_marker(marker, layout, eye, rays, nearest, level, settings):
    turn, centre = parts(marker.field_from_marker)
    if (eye - centre) @ turn[:, 2] <= 0.0:
        return
    art = layout.family.artwork(marker.marker_id, layout.border_cells)
    depth = ((centre - eye) @ turn[:, 2]) / (rays @ turn[:, 2])
    x, y = ((eye + depth[:, None] * rays - centre) @ turn[:, :2]).T
    cell = marker.size_m / len(art)
    reach = marker.size_m / 2.0 + settings.margin_cells * cell
    hit = (depth > 0.0) & (depth < nearest) & (np.abs(x) <= reach) & (np.abs(y) <= reach)
    column = np.floor((x[hit] + marker.size_m / 2.0) / cell).astype(int)
    row = np.floor((marker.size_m / 2.0 - y[hit]) / cell).astype(int)
    padded = np.pad(art, 1, constant_values=True)  # all beyond the square is margin
    white = padded[np.clip(row, -1, len(art)) + 1, np.clip(column, -1, len(art)) + 1]
    level[hit] = np.where(white, settings.white_reflectance, settings.black_reflectance)
    nearest[hit] = depth[hit]


def _meet_box(eye, rays, low, high, grey, nearest, level):
    first, second = (low - eye) / rays, (high - eye) / rays
    enter, leave = np.minimum(first, second), np.maximum(first, second).min(axis=1)
    at = enter.max(axis=1)
    # a marker on the box's face comes before it
    hit = (at < leave) & (at > 0.0) & (at < nearest - 1e-9)
    level[hit] = grey * np.array(SHADES)[enter.argmax(axis=1)[hit]]
    nearest[hit] = at[hit]
