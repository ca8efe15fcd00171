"""A study and some mounts as the arrays that the kernels of predictions take."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.planning import kernels, sight_kernels
from fiducialkit.planning.detectability import camera_tables, corner_kinds, coupling, error_kind, limits
from fiducialkit.planning.study import Study
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.occlusion import BOX, upright_box
from fiducialkit.scene.robot import Mount
from fiducialkit.scene.transforms import parts

WORD_BITS: int = sight_kernels.WORD_BITS  # markers a word of a bit set holds
_GRID = 13  # directions each way that a picture is scanned by for its bounds
_SIZE_SLACK = 1.06  # between the scanned directions, and for corners joined by straight lines


@dataclass(frozen=True, slots=True, kw_only=True)
class MountArrays:
    """One mount as the arrays the kernels take, with the structure boxes that can stand in its view."""

    place: FloatArray
    model: int
    kind: int
    coupling: float
    lens: FloatArray
    view: FloatArray
    tables: FloatArray
    structures: FloatArray
    structure_states: IntArray

    @property
    def is_plain(self) -> bool:
        """Whether the lens bends nothing."""
        return bool(self.view[9] > 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenery:
    """A study and some mounts as the arrays the kernels take."""

    mounts: tuple[MountArrays, ...]
    marks: FloatArray
    obstacles: FloatArray
    state_count: int
    considered: FloatArray
    others: FloatArray
    prior: FloatArray

    @property
    def has_pull(self) -> bool:
        """Whether the corners of some mount are pulled inwards."""
        return any(mount.kind == kernels.PULLED for mount in self.mounts)

    @property
    def words(self) -> int:
        """Words of a bit set of all markers."""
        markers: int = self.marks.shape[1]
        return max(1, math.ceil(markers / WORD_BITS))


def turned(poses: FloatArray) -> FloatArray:
    """Return (x, y, cosine, sine of the heading) of poses (x, y, heading)."""
    return np.column_stack([poses[:, :2], np.cos(poses[:, 2]), np.sin(poses[:, 2])])


def scenery_of(study: Study, mounts: Sequence[Mount]) -> Scenery:
    """Return the study and these mounts as arrays."""
    upright = [upright_box(obstacle.corner_min, obstacle.corner_max) for obstacle in study.field.obstacles]
    return Scenery(
        mounts=tuple(_mount_arrays(study, mount) for mount in mounts),
        marks=_marker_arrays(study),
        obstacles=np.array(upright, dtype=np.float64).reshape(-1, BOX),
        state_count=len(study.states),
        considered=_considered(study),
        others=np.array([study.other_robots.blocks_per_m, study.other_robots.height_m]),
        prior=prior_weights(study),
    )


def _mount_arrays(study: Study, mount: Mount) -> MountArrays:
    cells = study.field.family.cells(study.field.border_cells)
    rotation, offset = parts(mount.robot_from_camera.inv())
    view = _view(mount.camera, cells)
    structures = study.robot.structures
    boxes = np.array([each.oriented_box() for each in structures], dtype=np.float64).reshape(-1, BOX)
    states = np.array([_states_with(study, each.state) for each in structures], dtype=np.int64)
    near = _can_hide(boxes, rotation, offset, view[:4]) & (states != 0)
    return MountArrays(
        place=np.concatenate([rotation.ravel(), offset, np.array(mount.position, dtype=np.float64)]),
        model=mount.camera.model_number,
        kind=error_kind(mount.camera),
        coupling=coupling(mount.camera),
        lens=mount.camera.parameters,
        view=view,
        tables=detector_tables(mount.camera, cells),
        structures=np.ascontiguousarray(boxes[near]),
        structure_states=states[near],
    )


def _can_hide(boxes: FloatArray, rotation: FloatArray, offset: FloatArray, bounds: FloatArray) -> BoolArray:
    """Return which boxes reach into the camera's view: not all corners lie beyond one side of it, or behind."""
    signs = np.array([[x, y, z] for x in (-1.0, 1.0) for y in (-1.0, 1.0) for z in (-1.0, 1.0)])
    axes = boxes[:, 3:12].reshape(-1, 3, 3)
    corners = boxes[:, None, :3] + np.einsum("ki,bi,bij->bkj", signs, boxes[:, 12:], axes)
    x, y, z = np.moveaxis(corners @ rotation.T + offset, -1, 0)
    left, right, top, bottom = bounds
    outside = [x < left * z, x > right * z, y < top * z, y > bottom * z, z < 0.0]
    return np.asarray(~np.any([side.all(axis=1) for side in outside], axis=0))


@lru_cache(maxsize=64)
def detector_tables(camera: Camera, cells: int) -> FloatArray:
    """Return `camera_tables` and `corner_kinds` as one array (65, 8, 7), for a robot that stands still.

    The first two columns where corners err independently.
    """
    tables = [*camera_tables(camera, cells=cells), *corner_kinds(camera, cells=cells)]
    if error_kind(camera) == kernels.INDEPENDENT:
        tables = tables[:2]
    found = np.ascontiguousarray(np.moveaxis(np.array(tables), 0, -1))
    found.flags.writeable = False
    return found


def _view(camera: Camera, cells: int) -> FloatArray:
    _, steepest, inset = limits(camera)
    probability = detector_tables(camera, cells)[..., 1]
    readable = np.flatnonzero((probability >= sight_kernels.LEAST_PROBABILITY).any(axis=1))
    # between two knots the table rises from the lower one on, and below its first knot it goes on level
    first = max(int(readable[0]) - 1, 0) if readable.size else kernels.SD_TABLE_LENGTH - 1
    smallest_px = 2.0 ** (kernels.SD_TABLE_FIRST_LOG2 + first / kernels.SD_TABLE_PER_OCTAVE) if first else 1.0
    bounds, densest = _picture_bounds(camera)
    least = size_factor(camera, smallest_px, densest)
    plain = float(not any(camera.distortion) and camera.model != "fisheye")
    size = (float(camera.width_px), float(camera.height_px))
    return np.array([*bounds, least, steepest**2, inset, *size, plain, smallest_px])


def size_factor(camera: Camera, smallest_px: float, bounds: tuple[float, float]) -> float:
    """Return the number by which a marker is too small to be read wherever it is: the smallest width over two bounds.

    With z the depth, F the camera's distance from the marker's plane, A the marker's area and s its side, its area in
    the plane of tangents is the integral of F / z^3, at most A F / z_near^3; in pixels at most fx fy * densest times
    that. The cosine of the facing angle is c = F / distance, and one of two sides at a right angle seen from there is
    at least s sqrt((1 + c^2) / 2) long across the line of sight; its picture is f * thinnest / z_far times that, or
    more. Area over longest side is what decides; squared, it falls short of `smallest_px` where
    A^2 F^2 z_far^2 distance^2 < factor * s^2 (distance^2 + F^2) z_near^6. Derived here.
    """
    densest, thinnest = bounds
    focal = min(camera.fx_px, camera.fy_px)
    return 0.5 * (smallest_px * focal * thinnest / (camera.fx_px * camera.fy_px * densest)) ** 2


def _picture_bounds(camera: Camera) -> tuple[FloatArray, tuple[float, float]]:
    """Return tangents (left, right, top, bottom) that hold all the picture, and how the lens stretches inside it.

    The latter: the most area and the least length that a unit of tangents makes, in focal lengths; all with slack for
    what lies between the directions looked at.
    """
    axes = [np.linspace(0.0, size - 1.0, _GRID) for size in (camera.width_px, camera.height_px)]
    pixels = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
    directions, found = camera.unproject(pixels)
    if not found.all():  # the model ends inside the picture: its valid disc bounds what it shows
        reach = min(camera.valid_radius, 1e3)
        bounds = np.array([-reach, reach, -reach, reach])
    else:
        (left, top), (right, bottom) = directions.min(axis=0), directions.max(axis=0)
        slack = 0.02 * max(right - left, bottom - top)
        bounds = np.array([left - slack, right + slack, top - slack, bottom + slack])
    rays = np.column_stack([directions[found], np.ones(int(found.sum()))])
    _, valid, by_pose, _ = camera.project_with_jacobian(rays)
    stretch = np.linalg.svd(by_pose[valid][:, :, :2] / np.array([[camera.fx_px], [camera.fy_px]]), compute_uv=False)
    densest = float((stretch[:, 0] * stretch[:, 1]).max(initial=1.0))
    thinnest = float(stretch[:, 1].min(initial=1.0))
    slack = _SIZE_SLACK if any(camera.distortion) or camera.model == "fisheye" else 1.0
    return bounds, (slack * densest, thinnest / slack)


def _marker_arrays(study: Study) -> FloatArray:
    """Return the rows of `sight_kernels` that describe the markers."""
    corners = np.array(study.field.corners_field, dtype=np.float64).reshape(-1, 4, 3)
    marks = np.empty((sight_kernels.MARKER_ROWS, len(corners)))
    marks[:3] = corners.mean(axis=1).T
    normals = [parts(marker.field_from_marker)[0][:, 2] for marker in study.field.markers]
    marks[3:6] = np.array(normals).reshape(-1, 3).T
    size = np.array([marker.size_m for marker in study.field.markers])
    marks[6] = size * math.sqrt(0.5) * (1.0 + 1e-6)  # a little more, since the corners lie on that ball
    marks[7] = size**2
    marks[8:11] = 0.5 * (corners[:, 1] - corners[:, 0]).T
    marks[11:14] = 0.5 * (corners[:, 0] - corners[:, 3]).T
    return marks


def _states_with(study: Study, state: str) -> int:
    return sum(1 << s for s, name in enumerate(study.states) if state in ("always", name))


def prior_weights(study: Study) -> FloatArray:
    """Return the inverse variances of (x, y, z, rotation vector) that are known without cameras."""
    prior = study.prior
    level = math.radians(prior.level_sd_deg) ** -2
    heading = math.radians(prior.heading_sd_deg) ** -2 if prior.heading_sd_deg > 0.0 else 0.0
    return np.array([0.0, 0.0, prior.height_sd_m**-2, level, level, heading])


def _considered(study: Study) -> FloatArray:
    built = study.tolerance
    return np.array(
        [
            built.mount_sd_m,
            math.radians(built.mount_sd_deg),
            built.marker_sd_m,
            math.radians(built.marker_sd_deg),
            built.focal_sd_percent / 100.0,
        ]
    )
