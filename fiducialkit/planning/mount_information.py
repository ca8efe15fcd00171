"""What every mount sees from given robot poses and what that tells, computed once: a rig is a sum over its mounts."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache
from queue import SimpleQueue
from typing import Any, TypeVar

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, IntArray, checked_array
from fiducialkit.planning import edge_kernels, information_kernels, kernels, rig_kernels, sight_kernels
from fiducialkit.planning.detectability import camera_tables, corner_kinds, coupling, error_kind, limits
from fiducialkit.planning.information_kernels import BY_MARKER, MEAN, RANDOM
from fiducialkit.planning.study import Study
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.occlusion import BOX, upright_box
from fiducialkit.scene.robot import Mount
from fiducialkit.scene.transforms import parts

_Held = TypeVar("_Held")
_TELLING = {
    kernels.INDEPENDENT: information_kernels.tell_independent,
    kernels.TOGETHER: information_kernels.tell_together,
    kernels.PULLED: information_kernels.tell_pulled,
}
WORD_BITS: int = sight_kernels.WORD_BITS  # markers a word of `seen` holds
LIKELY, CERTAIN = 0.5, 0.98
CHUNK = 512  # poses looked at in one go; a multiple of LANES
_GRID = 13  # directions each way that a picture is scanned by for its bounds
_SIZE_SLACK = 1.06  # between the scanned directions, and for corners joined by straight lines


@dataclass(frozen=True, slots=True, kw_only=True)
class MountInformation:
    """What each of K mounts tells from N poses in S states; sums over mounts are those of a rig.

    Matrices are in robot axes at the robot's origin, (x, y, z, rotation vector) [m, rad], as the 21 numbers of their
    lower half, row by row (`full_matrix`). A pose covariance of a rig is the inverse of the sum of `information` and
    the prior's inverse variances on its diagonal; mount, marker and focal errors add ``C (sum of spread) C``.

    Attributes
    ----------
    information : ndarray, shape (K, N, S, 21)
        Fisher information of all markers more likely seen than not.
    spread : ndarray, shape (K, N, S, 21)
        Covariance of the information vector under unknown mount, marker and focal errors, and what the corners err more
        or less than the solver weighs them by, their common pull included. Exact for one mount; where two mounts of a
        rig see one marker, or both have corners that are pulled inwards, the sum leaves the cross term out.
    seen : ndarray of int, shape (K, N, S, W)
        Markers seen, as bit sets of 62 a word.
    prior : ndarray, shape (6,)
        Inverse variances of what is known without cameras.
    """

    information: FloatArray
    spread: FloatArray
    seen: IntArray
    prior: FloatArray


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


def mount_information(
    study: Study, mounts: Sequence[Mount], poses: FloatArray, *, workers: int | None = None
) -> MountInformation:
    """Return what each mount tells from robot poses (x [m], y [m], heading [rad]), shape (N, 3), in the study's states.

    The mounts need not be the robot's own; its structure hides their view all the same. A marker counts as seen where
    the detector more likely finds it than not. The result does not depend on `workers` (threads).
    """
    poses = checked_array("poses", poses, (None, 3))
    scenery = scenery_of(study, mounts)
    shape = (len(mounts), len(poses), scenery.state_count)
    information, spread = np.empty((*shape, 21)), np.empty((*shape, 21))
    seen = np.empty((*shape, scenery.words), dtype=np.int64)

    by_cosine = turned(poses)

    def run(job: tuple[int, int], room: Room) -> None:
        k, first = job
        part = slice(first, first + CHUNK)
        one = look(replace(scenery, mounts=scenery.mounts[k : k + 1]), 0, by_cosine[part], LIKELY, room=room)
        information[k, part] = one.by_pose(one.sums)
        spread[k, part] = one.by_pose(one.spread)
        seen[k, part] = one.seen

    jobs = [(k, first) for k in range(len(mounts)) for first in range(0, len(poses), CHUNK)]
    in_threads(run, jobs, workers, lambda: Room(replace(scenery, mounts=scenery.mounts[:1]), CHUNK))
    return MountInformation(information=information, spread=spread, seen=seen, prior=scenery.prior)


def full_matrix(packed: FloatArray) -> FloatArray:
    """Return symmetric matrices (..., 6, 6) from the 21 numbers of their lower halves."""
    rows, columns = np.tril_indices(6)
    matrix = np.zeros((*packed.shape[:-1], 6, 6))
    matrix[..., rows, columns] = packed
    matrix[..., columns, rows] = packed
    return matrix


def in_threads(
    run: Callable[[Any, _Held], None], jobs: Sequence[Any], workers: int | None, make: Callable[[], _Held]
) -> None:
    """Run independent jobs on that many threads (the number of processors if None), each with a thing made for it."""
    count = max(1, min(workers or os.cpu_count() or 1, len(jobs)))
    free: SimpleQueue[_Held] = SimpleQueue()
    for _ in range(count):
        free.put(make())

    def one(job: Any) -> None:
        held = free.get()
        run(job, held)
        free.put(held)

    with ThreadPoolExecutor(count) as pool:
        list(pool.map(one, jobs))


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What one mount sees from N poses; see `information_kernels`.

    Attributes
    ----------
    row_of : ndarray of int, shape (N, S)
        Row of the sums, -1 where nothing is seen.
    sums : ndarray, shape (blocks, 75, LANES)
        The columns of `information_kernels`, added up, by row.
    spread : ndarray, shape (blocks, 21, LANES)
        What unknown markers, mount and focal length and the pull of corners do, by row.
    seen : ndarray of int, shape (N, S, W)
    is_uncertain : ndarray of bool, shape (N,)
        Some sighting was left out of the sums.
    start : ndarray of int, shape (N + 1,)
        The sightings of pose n are numbers start[n] to start[n + 1].
    kept : ndarray, shape (L, 62)
        What each sighting tells, and its corners.
    marker, states : ndarray of int, shape (L,)
    noise : ndarray, shape (L, 6)
    probability : ndarray, shape (L,)
    """

    row_of: IntArray
    sums: FloatArray
    spread: FloatArray
    seen: IntArray
    is_uncertain: BoolArray
    start: IntArray
    kept: FloatArray
    marker: IntArray
    states: IntArray
    noise: FloatArray
    probability: FloatArray

    def by_pose(self, blocks: FloatArray) -> FloatArray:
        """Return the first 21 columns of `sums` or `spread` by (pose, state, column); 0 where nothing is seen."""
        rows = blocks[:, :21].transpose(0, 2, 1).reshape(-1, 21)
        rows = np.concatenate([rows, np.zeros((1, 21))])
        return rows[self.row_of]


class Room:
    """Arrays that looks at up to `count` poses fill again and again: fresh memory costs as much as the work itself.

    What differs by mount has one more axis in front.
    """

    def __init__(self, scenery: Scenery, count: int) -> None:
        lanes, states, markers = sight_kernels.LANES, scenery.state_count, scenery.marks.shape[1]
        mounts, most = len(scenery.mounts), count * markers
        self.pose = np.empty(most, dtype=np.int64)
        self.facing, self.passing, self.squared = np.empty(most), np.empty(markers, dtype=np.bool_), np.empty(markers)
        self.work, self.values = np.empty(edge_kernels.WIDE_ROWS * lanes), np.zeros(sight_kernels.TABLE_COLUMNS)
        self.edges, self.centre = np.empty(edge_kernels.EDGE_ROWS * lanes), np.empty(3 * lanes)
        self.told = np.empty(information_kernels.COLUMNS * lanes)
        blocks = math.ceil(count * states / lanes)
        self.row_of = np.empty((mounts, count, states), dtype=np.int64)
        self.sums = np.empty((mounts, blocks, information_kernels.COLUMNS, lanes))
        self.spread = np.empty((mounts, blocks, information_kernels.SYMMETRIC, lanes))
        self.seen = np.empty((mounts, count, states, scenery.words), dtype=np.int64)
        self.is_uncertain = np.empty((mounts, count), dtype=np.bool_)
        self.start = np.empty((mounts, count + 1), dtype=np.int64)
        self.kept = np.empty((mounts, most, information_kernels.KEPT))
        self.marker, self.states = (np.empty((mounts, most), dtype=np.int64) for _ in range(2))
        self.noise = np.empty((mounts, most, sight_kernels.NOISE_COLUMNS))
        self.probability = np.empty((mounts, most))
        self.rig_scratch: tuple[Any, ...] = (
            np.empty(markers), np.empty((mounts * markers, 4), dtype=np.int64), np.empty(3, dtype=np.int64),
            np.empty((1, mounts), dtype=np.bool_), np.empty(4),
            np.empty(rig_kernels.CASES * rig_kernels.ADDED),
            np.empty(rig_kernels.WORK_ROWS * rig_kernels.CASES), np.empty(15),
        )  # fmt: skip


def look(
    scenery: Scenery,
    k: int,
    poses: FloatArray,
    sure_from: float,
    *,
    room: Room,
    keeps_pixels: bool = False,
    adds_up: bool = True,
) -> Look:
    """Return what mount k sees, in arrays of `room`; sightings of a probability of `sure_from` or more are summed.

    Without `adds_up` what single sightings tell is all that is wanted, and `sums` and `spread` stay as they were.
    `poses` (N, 4) hold x, y, cosine and sine of the heading.
    """
    mount, count, states = scenery.mounts[k], len(poses), scenery.state_count
    found = sight_kernels.find_candidates(
        poses, mount.place, mount.view, scenery.marks, room.passing, room.squared, room.pose, room.marker[k],
        room.facing,
    )  # fmt: skip
    sighted = room.pose, room.marker[k], room.states[k], room.noise[k], room.probability[k]
    kept = sight_kernels.screen_candidates(
        poses, mount.place, mount.model, mount.lens, mount.view, mount.tables, scenery.marks, scenery.obstacles,
        mount.structures, mount.structure_states, (1 << states) - 1, scenery.others, found, *sighted[:2], room.facing,
        room.work, room.values, *sighted,
    )  # fmt: skip
    rows = information_kernels.rows_of_poses(
        count, states, sure_from, kept, *sighted[:3], sighted[4], room.start[k], room.row_of[k], room.is_uncertain[k],
        room.seen[k].reshape(-1, scenery.words),
    )  # fmt: skip
    _TELLING[mount.kind](
        poses, mount.place, mount.model, mount.lens, mount.is_plain, mount.coupling, scenery.marks, keeps_pixels, kept,
        *sighted[:2], sighted[3], room.work, room.edges, room.told, room.kept[k],
    )  # fmt: skip
    if scenery.has_pull and mount.kind != kernels.PULLED:  # their errors are what the solver takes them for
        told = room.kept[k, :kept]
        told[:, RANDOM:MEAN], told[:, MEAN:BY_MARKER] = told[:, : information_kernels.SYMMETRIC], 0.0
    if adds_up:
        information_kernels.sum_sightings(
            poses, mount.place, scenery.has_pull, scenery.marks, scenery.considered, states, sure_from, kept,
            *sighted[:3], sighted[4], rows, room.row_of[k], room.kept[k], room.centre, room.told,
            room.sums[k].reshape(-1), room.spread[k].reshape(-1),
        )  # fmt: skip
    blocks = math.ceil(rows / sight_kernels.LANES)
    return Look(
        row_of=room.row_of[k, :count],
        sums=room.sums[k, :blocks],
        spread=room.spread[k, :blocks],
        seen=room.seen[k, :count],
        is_uncertain=room.is_uncertain[k, :count],
        start=room.start[k, : count + 1],
        kept=room.kept[k, :kept],
        marker=room.marker[k, :kept],
        states=room.states[k, :kept],
        noise=room.noise[k, :kept],
        probability=room.probability[k, :kept],
    )


def evaluate(scenery: Scenery, rigs: BoolArray, poses: FloatArray, results: FloatArray, room: Room) -> None:
    """Fill results (N, S, R, 15) of `rig_kernels.evaluate_rigs` from what `look` left in `room` of all mounts."""
    rig_kernels.evaluate_rigs(
        poses, rigs, scenery.prior, scenery.considered, scenery.has_pull,
        np.array([mount.place[12:] for mount in scenery.mounts]),
        np.ascontiguousarray(scenery.marks[:3].T), CERTAIN, room.row_of, room.start, room.kept, room.marker,
        room.states, room.probability, *room.rig_scratch, results,
    )  # fmt: skip


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
