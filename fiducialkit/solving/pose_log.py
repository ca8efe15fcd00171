"""The poses of a whole log in one call: arrays in, a table and aligned covariances out."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.spatial.transform import RigidTransform, Rotation

from fiducialkit import tables
from fiducialkit.arrays import BoolArray, FloatArray, IntArray, checked_array
from fiducialkit.errors import InputError
from fiducialkit.scene import projection
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field
from fiducialkit.solving.considered import NOTHING, ConsideredErrors, considered_arrays
from fiducialkit.solving.moment_kernels import NOT_A_COVARIANCE, solve_moments
from fiducialkit.solving.planar import AMBIGUOUS_ABOVE, REVERSED, is_far
from fiducialkit.solving.pose_result import COVARIANCE_KINDS
from fiducialkit.solving.priors import Prior, prior_counts, prior_rows
from fiducialkit.solving.region_kernels import holds_each
from fiducialkit.solving.rig import matched_lists, motion_rows, new_output, rig_arrays, spread_normals
from fiducialkit.solving.selection import BEYOND_LENS, NOT_FINITE, NOT_ON_FIELD, TWICE, run_clockwise

_CHUNK = 256
_POSE = ("x_m", "y_m", "z_m", "heading_deg", "qw", "qx", "qy", "qz")
NO_FIT = "does not fit the other markers"


def _pose_columns(prefix: str) -> tuple[tables.Column, ...]:
    return tuple(tables.Column(f"{prefix}_{name}", "float", "of the robot in field") for name in _POSE)


POSE_LOG = tables.Table(
    "pose_log",
    (
        tables.Column("frame", "int", "number of the moment, from 0"),
        tables.Column("status", "text", "as PoseSolution has it"),
        *_pose_columns("robot"),
        tables.Column("rms_px", "float", "reprojection error, rms per coordinate"),
        tables.Column("chi2", "float", "weighted sum of squared residuals"),
        tables.Column("degrees_of_freedom", "int", "coordinates plus priors, less six"),
        tables.Column("markers_used", "int", "sightings that the pose rests on"),
        tables.Column("markers_rejected", "int", "sightings left out"),
        tables.Column("flip_probability", "float", "chance that another pose of those that fit is the right one"),
        tables.Column("covariance_kind", "text", "as PoseSolution has it; empty where there is no pose"),
        tables.Column("region_95", "float", "as PoseSolution has it"),
        *_pose_columns("alternative"),
    ),
)
REJECTED = tables.Table(
    "rejected_markers",
    (
        tables.Column("frame", "int", "number of the moment, from 0"),
        tables.Column("camera", "int", "number of the camera, from 0"),
        tables.Column("marker_id", "int", "id within the family"),
        tables.Column("reason", "text", "why it took no part"),
        tables.Column("marker_rms_px", "float", "residual to the pose of the others, rms per coordinate"),
        tables.Column("marker_sigmas", "float", "the same in standard deviations; infinite behind the camera"),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LogSightings:
    """Every marker seen in a log, one row each.

    Attributes
    ----------
    frame : array_like of int, shape (N,)
        Number of the moment, from 0, in rising order; cameras that expose together share it.
    marker_id : array_like of int, shape (N,)
    corners_px : array_like, shape (N, 4, 2)
        Clockwise from the upright marker's top left; NaN is allowed and left out. [px]
    covariance_px2 : float or array_like, shape (N,), (8, 8) or (N, 8, 8)
        Of the corner coordinates; numbers stand for that variance on each. [px^2]
    camera : array_like of int, shape (N,), optional
        Number of the camera in the rig, from 0; all 0 if None.
    frames : int, optional
        How many moments there are; one more than the last frame if None.
    """

    frame: IntArray
    marker_id: IntArray
    corners_px: FloatArray
    covariance_px2: Any
    camera: IntArray = None  # type: ignore[assignment]
    frames: int | None = None

    def __post_init__(self) -> None:
        frame = _whole("frame", self.frame, None)
        count = len(frame)
        if count and (np.diff(frame) < 0).any():
            row = int(np.flatnonzero(np.diff(frame) < 0)[0]) + 1
            raise InputError(f"frame: expected rising order, found {frame[row]} after {frame[row - 1]} in row {row}")
        frames = (int(frame[-1]) + 1 if count else 0) if self.frames is None else int(self.frames)
        if count and frames <= frame[-1]:
            raise InputError(f"frames: expected more than the last frame, {frame[-1]}, found {frames}")
        camera = np.zeros(count, dtype=np.int64) if self.camera is None else _whole("camera", self.camera, count)
        corners = checked_array("corners_px", self.corners_px if count else np.empty((0, 4, 2)), finite=False)
        if corners.shape != (count, 4, 2):
            raise InputError(f"corners_px: expected shape ({count}, 4, 2), found {corners.shape}")
        for name, array in (
            ("frame", frame),
            ("marker_id", _whole("marker_id", self.marker_id, count)),
            ("camera", camera),
            ("corners_px", corners),
            ("covariance_px2", _covariances(self.covariance_px2, count)),
        ):
            array.flags.writeable = False
            object.__setattr__(self, name, array)
        object.__setattr__(self, "frames", frames)

    def __len__(self) -> int:
        return len(self.frame)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PoseLog:
    """The poses of a log.

    Attributes
    ----------
    table : DataFrame `POSE_LOG`
        One row a moment; NaN where there is no pose.
    covariance, alternative_covariance : ndarray, shape (F, 6, 6)
        Beside the table's rows: of x, y, z in field, then a rotation vector in field. [m, rad]
    rejected : DataFrame `REJECTED`
        One row a sighting that took no part.
    """

    table: pd.DataFrame
    covariance: FloatArray
    alternative_covariance: FloatArray
    rejected: pd.DataFrame
    _region: tuple[FloatArray, ...]

    def holds(self, rotation: Any, position: Any) -> BoolArray:
        """Return which of the poses, (F, 3, 3) and (F, 3) of field_from_robot, lie in their 95 % regions.

        As `PoseSolution.holds`; False where there is no pose.
        """
        frames = len(self.table)
        turns = checked_array("rotation", rotation, (frames, 3, 3))
        places = checked_array("position", position, (frames, 3))
        held = np.empty(frames, dtype=np.bool_)
        holds_each(turns, places, self._region, held)
        return held


def solve_poses(
    sightings: LogSightings,
    field: Field,
    camera: Camera | Sequence[Camera],
    *,
    robot_from_camera: RigidTransform | Sequence[RigidTransform] | None = None,
    prior: Prior | None = None,
    considered: ConsideredErrors = NOTHING,
    velocity: Any = None,
    exposure_offset_s: Any = None,
    workers: int | None = None,
) -> PoseLog:
    """Return the pose of every moment of a log, each as `solve_pose` would find it.

    Parameters
    ----------
    sightings : LogSightings
    field : Field
    camera, robot_from_camera
        The rig: one camera and mount, or as many of each. Without mounts the poses are the camera's own.
    prior : Prior, optional
        What is known beforehand of each pose.
    considered : ConsideredErrors
        How well mounts, markers and lenses are known.
    velocity : array_like, shape (3,) or (F, 3), optional
        Forward, to the left, turn counter-clockwise. [m/s, m/s, rad/s]
    exposure_offset_s : array_like, shape (), (K,) or (F, K), optional
        From each moment's common time to the middle of each camera's exposure. [s]
    workers : int, optional
        Threads; the number of processors if None. The result does not depend on it.

    Raises
    ------
    InputError
        If the arguments do not fit together.
    """
    cameras, mounts = matched_lists(camera, robot_from_camera)
    if len(cameras) != len(mounts):
        raise InputError(f"robot_from_camera: expected {len(cameras)}, one a camera, found {len(mounts)}")
    if len(sightings) and int(sightings.camera.max()) >= len(cameras):
        raise InputError(f"camera: expected numbers below {len(cameras)}, found {int(sightings.camera.max())}")
    known = prior or Prior()
    if known.on_floor and robot_from_camera is None:
        raise InputError("prior.on_floor: expected robot_from_camera with it, found none")
    frames = int(sightings.frames or 0)
    priors = prior_rows(known, frames)
    motion = motion_rows(velocity, exposure_offset_s, frames, len(cameras))
    fixed = (rig_arrays(cameras, mounts), considered_arrays(considered, cameras))
    sorted_out = _sorted_out(sightings, field, cameras, workers)
    keep = np.flatnonzero(sorted_out.reason == "")
    verdict, out = _solved(sightings, sorted_out, field, keep, (priors, motion), fixed, workers)
    return _told(sightings, sorted_out, keep, priors, verdict, out)


@dataclass(frozen=True, slots=True)
class _SortedOut:
    """Each sighting's place in the field's list, and why it takes no part (empty: it does)."""

    marker_of: IntArray
    reason: Any


def _sorted_out(seen: LogSightings, field: Field, cameras: list[Camera], workers: int | None) -> _SortedOut:
    places = np.full(max(int(field.marker_ids.max(initial=0)), int(seen.marker_id.max(initial=0))) + 1, -1)
    places[field.marker_ids] = np.arange(len(field.marker_ids))
    marker_of = places[seen.marker_id]
    finite = np.isfinite(seen.corners_px).all(axis=(1, 2))
    reason = np.full(len(seen), "", dtype=object)
    reason[~run_clockwise(seen.corners_px)] = REVERSED
    reason[~_within_lens(seen, cameras, workers)] = BEYOND_LENS
    reason[marker_of < 0] = NOT_ON_FIELD
    reason[~finite] = NOT_FINITE
    fit = np.flatnonzero(reason == "")
    key = (seen.frame[fit] * len(cameras) + seen.camera[fit]) * (len(field.marker_ids) + 1) + marker_of[fit]
    order = np.argsort(key, kind="stable")
    same = np.flatnonzero(np.diff(key[order]) == 0)
    reason[fit[order[same]]] = TWICE
    reason[fit[order[same + 1]]] = TWICE
    return _SortedOut(marker_of, reason)


def _within_lens(seen: LogSightings, cameras: list[Camera], workers: int | None) -> BoolArray:
    """Return whether the lens model reaches every corner; nothing is to be asked of a lens without distortion."""
    within = np.ones(len(seen), dtype=np.bool_)
    for number, camera in enumerate(cameras):
        rows = np.flatnonzero(seen.camera == number)
        if math.isinf(camera.valid_radius) or not len(rows):
            continue
        pixels = np.ascontiguousarray(seen.corners_px[rows].reshape(-1, 2))
        directions, found = np.empty_like(pixels), np.empty(len(pixels), dtype=np.bool_)

        def run(part: slice, camera: Camera = camera, arrays: Any = (pixels, directions, found)) -> None:
            projection.unproject_pixels(camera.model_number, camera.parameters, *(array[part] for array in arrays))

        with ThreadPoolExecutor(workers or os.cpu_count() or 1) as pool:
            list(pool.map(run, (slice(start, start + 4096) for start in range(0, len(pixels), 4096))))
        within[rows] = found.reshape(-1, 4).all(axis=1)
    return within


def _solved(
    seen: LogSightings,
    sorted_out: _SortedOut,
    field: Field,
    keep: IntArray,
    each: tuple[FloatArray, FloatArray],
    fixed: tuple[Any, Any],
    workers: int | None,
) -> tuple[Any, Any]:
    """Return (verdict, output) of the compiled solver, moments split over threads."""
    priors, motion = each
    rig, considered = fixed
    frames = len(priors)
    begins = np.searchsorted(seen.frame[keep], np.arange(frames + 1))
    covariances = seen.covariance_px2
    kind = keep if len(covariances) == len(seen) else np.zeros(len(keep), dtype=np.int64)
    rows = (sorted_out.marker_of[keep], seen.camera[keep], seen.corners_px[keep])
    verdict, out = new_output(frames, len(keep))

    def run(first: int) -> None:
        last = min(first + _CHUNK, frames)
        part = slice(begins[first], begins[last])
        solve_moments(
            begins[first : last + 1] - begins[first], field.corners_field, *(array[part] for array in rows),
            covariances, kind[part], rig, priors[first:last], motion[first:last], considered, spread_normals(),
            tuple(array[part] for array in verdict), tuple(array[first:last] for array in out),
        )  # fmt: skip

    with ThreadPoolExecutor(workers or os.cpu_count() or 1) as pool:
        list(pool.map(run, range(0, frames, _CHUNK)))
    if (out[0] == NOT_A_COVARIANCE).any():
        frame = int(np.flatnonzero(out[0] == NOT_A_COVARIANCE)[0])
        raise InputError(f"covariance_px2: expected positive definite matrices, found one that is not in frame {frame}")
    return verdict, out


def _told(
    seen: LogSightings, sorted_out: _SortedOut, keep: IntArray, priors: FloatArray, verdict: Any, out: Any
) -> PoseLog:
    frames = len(priors)
    has_pose = out[0] > 0
    frame = seen.frame[keep]
    use = verdict[0] > 0
    used = np.bincount(frame[use], minlength=frames)
    rms2 = np.bincount(frame[use], np.nan_to_num(verdict[1][use]) ** 2, frames) / np.maximum(used, 1)
    sides = np.linalg.norm(seen.corners_px[keep] - np.roll(seen.corners_px[keep], 1, axis=1), axis=2).mean(axis=1)
    side_px = np.bincount(frame[use], sides[use], frames) / np.maximum(used, 1)
    freedom = np.where(used > 0, 8 * used + prior_counts(priors) - 6, 0)
    rms_px = np.where(has_pose, np.sqrt(rms2), math.nan)
    doubt = 1.0 - out[7][:, 0]
    far = is_far(rms_px, side_px, out[6][:, 0], freedom)
    seen_any = np.bincount(seen.frame, minlength=frames) > 0
    status = np.select(
        [~seen_any, used == 0, ~has_pose, far, doubt > AMBIGUOUS_ABOVE],
        ["no_markers", "no_known_markers", "not_converged", "inconsistent", "ambiguous"],
        "ok",
    )
    table = pd.DataFrame({"frame": np.arange(frames), "status": status})
    for k, prefix in enumerate(("robot", "alternative")):
        table = table.join(_pose_cells(prefix, out[3][:, k], out[4][:, k]))
    reason = sorted_out.reason.copy()
    reason[keep[~use]] = NO_FIT
    kinds = np.where(has_pose, np.array(COVARIANCE_KINDS)[out[1]], "")
    table = table.assign(
        rms_px=rms_px, chi2=out[6][:, 0], degrees_of_freedom=freedom, markers_used=used,
        markers_rejected=np.bincount(seen.frame[reason != ""], minlength=frames),
        flip_probability=np.where(has_pose, doubt, math.nan), covariance_kind=kinds, region_95=out[2],
    )  # fmt: skip
    return PoseLog(
        table=POSE_LOG.checked(table.reindex(columns=POSE_LOG.names)),
        covariance=out[5][:, 0].copy(),
        alternative_covariance=out[5][:, 1].copy(),
        rejected=_rejected(seen, reason, keep, verdict),
        _region=(out[3], out[4], out[8], out[7], out[9], out[2]),
    )


def _pose_cells(prefix: str, rotations: FloatArray, positions: FloatArray) -> pd.DataFrame:
    cells = np.full((len(positions), len(_POSE)), math.nan)
    there = np.isfinite(positions).all(axis=1)
    cells[:, :3] = positions
    cells[:, 3] = np.degrees(np.arctan2(rotations[:, 1, 0], rotations[:, 0, 0]))
    if there.any():
        turns = Rotation.from_matrix(rotations[there])
        cells[there, 4:] = turns.as_quat(canonical=True, scalar_first=True)
    return pd.DataFrame(cells, columns=[f"{prefix}_{name}" for name in _POSE])


def _rejected(seen: LogSightings, reason: Any, keep: IntArray, verdict: Any) -> pd.DataFrame:
    rms, sigmas2 = np.full(len(seen), math.nan), np.full(len(seen), math.nan)
    rms[keep], sigmas2[keep] = verdict[1], verdict[2]
    rows = np.flatnonzero(reason != "")
    frame = pd.DataFrame(
        {
            "frame": seen.frame[rows],
            "camera": seen.camera[rows],
            "marker_id": seen.marker_id[rows],
            "reason": reason[rows],
            "marker_rms_px": rms[rows],
            "marker_sigmas": np.sqrt(sigmas2[rows] / 8.0),
        }
    )
    return REJECTED.checked(frame)


def _whole(name: str, value: Any, count: int | None) -> IntArray:
    found = np.asarray(value)
    if found.size == 0:
        found = found.astype(np.int64)
    if found.ndim != 1 or found.dtype.kind not in "iu" or int(found.min(initial=0)) < 0:
        raise InputError(f"{name}: expected whole numbers, 0 or more, shape (N,), found {found.ravel()[:5].tolist()}")
    if count is not None and len(found) != count:
        raise InputError(f"{name}: expected {count}, one a row, found {len(found)}")
    return found.astype(np.int64)


def _covariances(value: Any, count: int) -> FloatArray:
    """Return (1, 8, 8) for all rows, or (N, 8, 8)."""
    matrices = checked_array("covariance_px2", value)
    if matrices.ndim == 0 or matrices.shape == (count,):
        matrices = np.multiply.outer(np.atleast_1d(matrices), np.eye(8))
    elif matrices.shape == (8, 8):
        matrices = matrices[None].copy()
    if matrices.shape not in ((1, 8, 8), (count, 8, 8)):
        raise InputError(
            f"covariance_px2: expected a number, ({count},), (8, 8) or ({count}, 8, 8), found {matrices.shape}"
        )
    if not (np.diagonal(matrices, axis1=1, axis2=2) > 0.0).all():
        raise InputError("covariance_px2: expected variances above 0, found one that is not")
    return matrices
