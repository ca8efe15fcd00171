"""What every mount sees from given robot poses and what that tells, computed once: a rig is a sum over its mounts."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from queue import SimpleQueue
from typing import Any, TypeVar

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, IntArray, checked_array
from fiducialkit.planning import edge_kernels, gain_kernels, information_kernels, kernels, rig_kernels, sight_kernels
from fiducialkit.planning.information_kernels import BY_MARKER, MEAN, RANDOM
from fiducialkit.planning.scenery import Scenery, scenery_of, turned
from fiducialkit.planning.study import Study
from fiducialkit.scene.robot import Mount

_Held = TypeVar("_Held")
_TELLING = {
    kernels.INDEPENDENT: information_kernels.tell_independent,
    kernels.TOGETHER: information_kernels.tell_together,
    kernels.PULLED: information_kernels.tell_pulled,
}
LIKELY, CERTAIN = 0.5, 0.98
CHUNK = 512  # poses looked at in one go; a multiple of LANES


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
            np.empty(gain_kernels.CASES * gain_kernels.ADDED),
            np.empty(gain_kernels.WORK_ROWS * gain_kernels.CASES), np.empty(15),
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
