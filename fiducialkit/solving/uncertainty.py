"""How well a pose will be known, before anything is measured: covariance, and the chance of taking the mirrored pose.

The picture is made without noise and solved: what comes back is the true pose with its covariance, and every other pose
that could be taken for it. With D the distance of such a pose in sigmas, D^2 its chi squared after all its own unknowns
are fitted, noise makes it fit better than the right one with probability Q(D / 2), Q the upper tail of the normal
distribution: the difference of the two chi squared is D^2 + 2 D n, n standard normal. Derived here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial.transform import RigidTransform
from scipy.special import ndtr

from fiducialkit.arrays import FloatArray, checked_array
from fiducialkit.errors import InputError
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field
from fiducialkit.scene.transforms import heading_rad, parts
from fiducialkit.solving.considered import NOTHING, ConsideredErrors, considered_arrays
from fiducialkit.solving.moment_kernels import NOT_A_COVARIANCE, solve_moments
from fiducialkit.solving.pose_result import COVARIANCE_KINDS
from fiducialkit.solving.priors import Prior, prior_rows
from fiducialkit.solving.rig import Output, matched_lists, new_output, rig_arrays, spread_normals
from fiducialkit.solving.selection import run_clockwise


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExpectedPose:
    """What a picture from a given pose will tell.

    Attributes
    ----------
    markers : tuple of (int, int)
        Camera number and marker id of everything counted as seen.
    covariance : ndarray, shape (6, 6)
        Of x, y, z in field, then a rotation vector in field; NaN where nothing is seen. [m, rad]
    covariance_kind : str
        "linear", "second_order" or "sampled", as PoseSolution has it.
    separation : float
        D: how many sigmas the nearest other pose that fits is away; infinite where there is none.
    flip_probability : float
        Q(D / 2): chance that it will fit better. NaN where nothing is seen.
    """

    markers: tuple[tuple[int, int], ...]
    covariance: FloatArray
    covariance_kind: str
    separation: float
    flip_probability: float


def expected_pose(
    field_from_robot: RigidTransform,
    field: Field,
    camera: Camera | Sequence[Camera],
    *,
    robot_from_camera: RigidTransform | Sequence[RigidTransform] | None = None,
    covariance_px2: Any = 0.01,
    marker_ids: Iterable[int] | None = None,
    on_floor: bool = False,
    height_sd_m: float = 0.01,
    level_sd_deg: float = 0.5,
    heading_sd_rad: float | None = None,
    position_sd_m: Any = None,
    considered: ConsideredErrors = NOTHING,
) -> ExpectedPose:
    """Return how well the pose will be known, and how likely its mirror image is taken for it.

    Parameters
    ----------
    field_from_robot : RigidTransform
        The true pose; what is known beforehand is centred on it.
    field, camera, robot_from_camera
        As `solve_pose` takes them.
    covariance_px2 : float or array_like, shape (8, 8)
        Of each marker's corners, or one of these a camera in a list. [px^2]
    marker_ids : iterable of int, optional
        The markers that are looked for; all of the field if None. Counted as seen is what faces a camera with all four
        corners in its picture; what stands in between is not looked at.
    on_floor, height_sd_m, level_sd_deg
        As `solve_pose` takes them.
    heading_sd_rad, position_sd_m
        Standard deviations of a heading and a position known beforehand.
    considered : ConsideredErrors
    """
    cameras, mounts = matched_lists(camera, robot_from_camera)
    position = parts(field_from_robot)[1]
    known = Prior(
        on_floor=on_floor,
        height_sd_m=height_sd_m,
        level_sd_deg=level_sd_deg,
        heading=None if heading_sd_rad is None else (heading_rad(field_from_robot), heading_sd_rad),
        position=None if position_sd_m is None else (position, position_sd_m),
    )
    per_camera = _per_camera(covariance_px2, len(cameras))
    wanted = set(field.marker_ids.tolist()) if marker_ids is None else set(marker_ids)
    seen = [_seen(field, field_from_robot * mount, lens, wanted) for lens, mount in zip(cameras, mounts, strict=True)]
    rows, pixels = [row for each, _ in seen for row in each], [corners for _, each in seen for corners in each]
    camera_of = np.repeat(np.arange(len(cameras)), [len(each) for each, _ in seen])
    verdict, out = new_output(1, len(rows))
    if rows:
        solve_moments(
            np.array([0, len(rows)]), field.corners_field, np.array(rows), camera_of, np.array(pixels), per_camera,
            camera_of, rig_arrays(cameras, mounts), prior_rows(known, 1), np.zeros((1, len(cameras), 3)),
            considered_arrays(considered, cameras), spread_normals(), verdict, out,
        )  # fmt: skip
    if out[0][0] == NOT_A_COVARIANCE:
        raise InputError("covariance_px2: expected positive definite matrices, found one that is not")
    ids = field.marker_ids[rows].tolist() if rows else []
    return _expected(tuple(zip(camera_of.tolist(), ids, strict=True)), out, position)


def _expected(markers: tuple[tuple[int, int], ...], out: Output, position: FloatArray) -> ExpectedPose:
    """Tell the true pose from the other among the two that came out."""
    if out[0][0] <= 0:
        nothing = np.full((6, 6), math.nan)
        return ExpectedPose(
            markers=markers, covariance=nothing, covariance_kind="linear", separation=math.nan,
            flip_probability=math.nan,
        )  # fmt: skip
    distance = np.linalg.norm(out[4][0] - position, axis=1)
    true = int(np.nanargmin(distance))
    chi2 = out[6][0, 1 - true] - out[6][0, true]
    separation = math.sqrt(max(float(chi2), 0.0)) if math.isfinite(chi2) else math.inf
    return ExpectedPose(
        markers=markers,
        covariance=out[5][0, true],
        covariance_kind=COVARIANCE_KINDS[int(out[1][0])],
        separation=separation,
        flip_probability=flip_probability_of(separation),
    )


def flip_probability_of(separation: float) -> float:
    """Return Q(D / 2), the chance that a pose D sigmas away fits better than the right one.

    Examples
    --------
    >>> flip_probability_of(0.0)
    0.5
    """
    return float(ndtr(-0.5 * separation))


def _per_camera(covariance_px2: Any, cameras: int) -> FloatArray:
    values = list(covariance_px2) if isinstance(covariance_px2, (list, tuple)) else [covariance_px2] * cameras
    if len(values) != cameras:
        raise InputError(f"covariance_px2: expected one, or one a camera ({cameras}), found {len(values)}")
    matrices = np.empty((cameras, 8, 8))
    for k, value in enumerate(values):
        matrix = checked_array("covariance_px2", value)
        if matrix.shape not in ((), (8, 8)) or not (np.diag(np.eye(8) * matrix) > 0.0).all():
            raise InputError("covariance_px2: expected a variance above 0, or a covariance of shape (8, 8)")
        matrices[k] = matrix if matrix.ndim else matrix * np.eye(8)
    matrices.flags.writeable = False  # the type the kernels are compiled for
    return matrices


def _seen(
    field: Field, field_from_camera: RigidTransform, camera: Camera, wanted: set[int]
) -> tuple[list[int], list[FloatArray]]:
    """Return the rows of the markers that lie whole in the picture and face it, and their corners in it."""
    rotation_fc, pupil_field = parts(field_from_camera)
    rows, found = [], []
    for row, marker_id in enumerate(field.marker_ids.tolist()):
        if marker_id not in wanted:
            continue
        pixels, valid = camera.project((field.corners_field[row] - pupil_field) @ rotation_fc)
        if valid.all() and camera.in_picture(pixels).all() and run_clockwise(pixels[None])[0]:
            rows.append(row)
            found.append(pixels)
    return rows, found
