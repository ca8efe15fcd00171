"""A plain tracer of rays, the renderer's twin: every pixel from 32 x 32 rays, each asked what it meets first.

It shares the camera's `unproject` with the package and nothing of the renderer. Rays are spread over the pixel in a
sheared grid (each row of rays shifted by a golden-ratio step), so that an edge along the pixels is sampled as finely as
others. Where the camera moves, each ray has its own time within the exposure of its pixel's row.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from fiducialkit.scene.transforms import parts

GOLDEN = 0.6180339887498949
SPREAD = 0.7548776662466927, 0.5698402909980532  # steps of an even spread over two counts
TIMES = 64  # parts that the exposure is divided into
SHADES = (0.8, 0.9, 1.0)  # of a box's faces across its own x, y, z
FLOOR, WALLS, WALL_HEIGHT_M = 0.42, (0.58, 0.5, 0.54, 0.62), 1.3  # the hall: walls at x = 0, y = W, x = L, y = 0


def ray_offsets(count=32):
    i, j = np.meshgrid(np.arange(count), np.arange(count))
    return (i + (0.5 + j * GOLDEN) % 1.0) / count - 0.5, (j + (0.5 + i * GOLDEN) % 1.0) / count - 0.5


def ray_times_s(camera, rows, count):
    """Return when each of count x count rays of pixels in these rows sees the scene, 0 at the middle of the picture."""
    i, j = np.meshgrid(np.arange(count), np.arange(count))
    part = np.floor((i * SPREAD[0] + j * SPREAD[1]) % 1.0 * TIMES).ravel()
    exposed = ((part + 0.5) / TIMES - 0.5) * camera.timing.exposure_s
    return (rows[:, None] - (camera.height_px - 1) / 2.0) * camera.timing.row_time_s + exposed


def traced(layout, camera, field_from_camera, *, settings, rays=32, pixels=None, **robot):
    """Return the mean reflectance of pixels (N, 2), of the whole picture if None.

    `field_from_camera` is a pose, or a function of the time that gives one.
    """
    if pixels is None:
        u, v = np.meshgrid(np.arange(camera.width_px), np.arange(camera.height_px))
        pixels = np.column_stack([u.ravel(), v.ravel()])
    du, dv = ray_offsets(rays)
    means = []
    for part in np.array_split(pixels, max(1, len(pixels) * rays**2 // 2**14)):  # in parts that stay in the cache
        u, v = (part[:, 0, None] + du.ravel()).ravel(), (part[:, 1, None] + dv.ravel()).ravel()
        directions, found = camera.unproject(np.column_stack([u, v]))
        if callable(field_from_camera):
            times = ray_times_s(camera, part[:, 1], rays)
            rotation, eye = _poses_at(field_from_camera, times.ravel())
        else:
            rotation, eye = parts(field_from_camera)
        level = levels(directions, found, layout, (rotation, eye), settings, **robot)
        means.append(level.reshape(len(part), -1).mean(axis=1))
    return np.concatenate(means)


def _poses_at(field_from_camera, times_s):
    each, of_ray = np.unique(times_s, return_inverse=True)
    poses = [_parts_at(field_from_camera, time) for time in each.tolist()]
    return np.array([turn for turn, _ in poses])[of_ray], np.array([place for _, place in poses])[of_ray]


@lru_cache(maxsize=10_000)
def _parts_at(field_from_camera, time_s):
    return parts(field_from_camera(time_s))


def traced_finely(layout, camera, field_from_camera, fine, *, settings):
    """Return the picture with `fine` x `fine` points a pixel, one ray each."""
    u = (np.arange(camera.width_px * fine) + 0.5) / fine - 0.5
    v = (np.arange(camera.height_px * fine) + 0.5) / fine - 0.5
    across, down = np.meshgrid(u, v)
    directions, found = camera.unproject(np.column_stack([across.ravel(), down.ravel()]))
    return levels(directions, found, layout, parts(field_from_camera), settings).reshape(across.shape)


def differences(picture, layout, camera, field_from_camera, *, settings, light, finer=72, **robot):
    """Return picture less the traced one, in grey levels.

    The mean of 32 x 32 rays is itself uncertain by a grey level or so at an edge: where the two differ by more than
    half a level, the pixel is traced anew by `finer` x `finer` rays.
    """
    truth = light * traced(layout, camera, field_from_camera, settings=settings, **robot)
    difference = picture.ravel() - truth
    doubtful = np.flatnonzero(np.abs(difference) > 0.5)
    if doubtful.size:
        pixels = np.column_stack([doubtful % camera.width_px, doubtful // camera.width_px])
        again = light * traced(layout, camera, field_from_camera, settings=settings, rays=finer, pixels=pixels, **robot)
        difference[doubtful] = picture.ravel()[doubtful] - again
    return difference.reshape(picture.shape)


def levels(directions, found, layout, pose, settings, boxes_robot=(), robot_from_camera=None):
    """Return the reflectance that each ray meets; one pose (rotation, eye) for all, or one for each."""
    rotation, eye = pose
    rays_camera = np.column_stack([directions, np.ones(len(directions))])
    rays_field = np.einsum("...ij,...j->...i", rotation, rays_camera)
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
        if settings.background.kind == "hall":
            _meet_hall(layout, eye, rays_field, nearest, level)
    level[~found] = settings.background.reflectance
    return level


def _meet_marker(marker, layout, eye, rays, nearest, level, settings):
    turn, centre = parts(marker.field_from_marker)
    art = layout.family.artwork(marker.marker_id, layout.border_cells)
    before = (eye - centre) @ turn[:, 2]
    depth = -before / (rays @ turn[:, 2])
    x, y = ((eye + depth[:, None] * rays - centre) @ turn[:, :2]).T
    cell = marker.size_m / len(art)
    reach = marker.size_m / 2.0 + settings.margin_cells * cell
    hit = (before > 0.0) & (depth > 0.0) & (depth < nearest) & (np.abs(x) <= reach) & (np.abs(y) <= reach)
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


def _meet_hall(layout, eye, rays, nearest, level):
    """Floor and walls, seen from inside only, behind everything."""
    length, width = layout.size
    first = np.array([0.0, width, length, 0.0])
    for number, grey in enumerate((FLOOR, *WALLS)):
        axis = 2 if number == 0 else (0, 1, 0, 1)[number - 1]
        at = 0.0 if number == 0 else first[number - 1]
        inward = 1.0 if number == 0 or at == 0.0 else -1.0
        depth = (at - eye[..., axis]) / rays[:, axis]
        place = eye + depth[:, None] * rays
        is_inside = (place > -1e-9).all(axis=1) & (place[:, 0] < length + 1e-9) & (place[:, 1] < width + 1e-9)
        hit = (depth > 0.0) & (inward * rays[:, axis] < 0.0) & is_inside & (place[:, 2] < WALL_HEIGHT_M)
        hit &= np.isinf(nearest)
        level[hit] = grey
