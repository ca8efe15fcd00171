"""The robot's pose from all markers of all cameras, with its covariance and the chance that it is the wrong one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial.transform import RigidTransform

from fiducialkit.arrays import FloatArray, IntArray
from fiducialkit.errors import InputError, NoPoseError
from fiducialkit.imaging.observations import MarkerObservations
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field
from fiducialkit.scene.transforms import heading_rad, parts, rigid_transform
from fiducialkit.solving import kernels
from fiducialkit.solving.planar import (
    AMBIGUOUS_ABOVE,
    FARTHEST_M,
    NO_PRIOR,
    REVERSED,
    closed_form_poses,
    covariance_of,
    far_from_pose,
    is_same_pose,
    probabilities,
    runs_clockwise,
    whitening_of,
)
from fiducialkit.solving.selection import NOT_ON_FIELD, usable_observations

STATUSES = ("ok", "ambiguous", "inconsistent", "no_markers", "no_known_markers", "not_converged")


@dataclass(frozen=True, slots=True, kw_only=True)
class PoseEstimate:
    """One pose with its covariance and its probability among those that fit.

    `covariance` is of (x, y, z of the robot's origin in field, then a rotation vector in field). [m, rad]
    """

    field_from_robot: RigidTransform
    covariance: FloatArray
    probability: float
    chi2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PoseSolution:
    """What one moment's pictures say about the robot's pose.

    Attributes
    ----------
    status : str
        "ok"; "ambiguous": another pose has more than 5 %; "inconsistent": a pose exists but the corners lie far
        from it, or every marker is mirrored; "no_markers"; "no_known_markers": none that is on the field and whole;
        "not_converged". The first three hold a pose.
    message : str
        One sentence; empty where nothing is odd.
    estimate : PoseEstimate or None
        The most probable pose.
    alternative : PoseEstimate or None
        The next pose that fits the corners.
    markers_used : tuple of int
    markers_rejected : tuple of (int, str)
        Id and reason.
    rms_px : float
        Reprojection error, rms per coordinate.
    degrees_of_freedom : int
        Coordinates plus priors, less six.
    """

    status: str
    message: str
    estimate: PoseEstimate | None = None
    alternative: PoseEstimate | None = None
    markers_used: tuple[int, ...] = ()
    markers_rejected: tuple[tuple[int, str], ...] = ()
    rms_px: float = math.nan
    degrees_of_freedom: int = 0

    def _pose(self) -> PoseEstimate:
        if self.estimate is None:
            raise NoPoseError(f"no pose: {self.message or self.status}")
        return self.estimate

    @property
    def field_from_robot(self) -> RigidTransform:
        """The most probable pose; reading it from a result that has none raises NoPoseError."""
        return self._pose().field_from_robot

    @property
    def covariance(self) -> FloatArray:
        """Of the most probable pose: (6, 6), x y z in field, then a rotation vector in field. [m, rad]"""
        return self._pose().covariance

    @property
    def flip_probability(self) -> float:
        """Probability that the pose is not the right one of those that fit."""
        return 1.0 - self._pose().probability

    @property
    def rms_point_px(self) -> float:
        """Reprojection error, rms per point: sqrt(2) times `rms_px`."""
        return math.sqrt(2.0) * self.rms_px

    def __str__(self) -> str:
        if self.estimate is None:
            return f"{self.status}: {self.message}"
        x, y, z = parts(self.field_from_robot)[1]
        heading = math.degrees(heading_rad(self.field_from_robot))
        sd = np.sqrt(np.diag(self.covariance))
        text = f"{self.status}: x {x:.3f} +- {sd[0]:.3f}, y {y:.3f} +- {sd[1]:.3f}, z {z:.3f} +- {sd[2]:.3f} m, "
        text += f"heading {heading:.2f} +- {math.degrees(sd[5]):.2f} deg, {len(self.markers_used)} markers"
        return f"{text}; {self.message}" if self.message else text


@dataclass(frozen=True, slots=True)
class _Data:
    """The arrays the kernel takes: all markers of all cameras."""

    marker_ids: IntArray
    corners_field: FloatArray
    corners_px: FloatArray
    whitening: FloatArray
    camera_of: IntArray
    models: IntArray
    parameters: FloatArray
    camera_rotations: FloatArray
    camera_offsets: FloatArray


def solve_pose(
    observations: MarkerObservations | Sequence[MarkerObservations],
    field: Field,
    camera: Camera | Sequence[Camera],
    *,
    robot_from_camera: RigidTransform | Sequence[RigidTransform] | None = None,
    on_floor: bool = False,
    height_sd_m: float = 0.01,
    level_sd_deg: float = 0.5,
    heading_prior: tuple[float, float] | None = None,
) -> PoseSolution:
    """Return the maximum-likelihood pose of the robot from one moment's corners.

    Every planar pose of every marker is tried as a start for all markers together, so the result does not hang on
    one guess. All minima are kept: their probabilities are proportional to exp(-chi2 / 2).

    Parameters
    ----------
    observations : MarkerObservations or sequence of them
        One a camera, weighted by their own covariances.
    field : Field
        Where the markers are. Markers that are not on it are listed as rejected, never used.
    camera : Camera or sequence of Camera
        One for each of `observations`. A picture of another size but the same shape scales it, and the message says so.
    robot_from_camera : RigidTransform or sequence, optional
        The mounts. If None the "robot" of the result is the camera's own frame.
    on_floor : bool
        Whether the robot is known to stand level on the floor (z = 0), within `height_sd_m` and `level_sd_deg`.
    heading_prior : (float, float), optional
        Heading of the robot's x axis known beforehand, from a gyro, and its standard deviation. [rad]

    Raises
    ------
    InputError
        If the arguments do not fit together. Pictures that show nothing are no error but a status.
    """
    pictures, cameras, mounts = _matched(observations, camera, robot_from_camera)
    if on_floor and robot_from_camera is None:
        raise InputError(
            "on_floor: expected robot_from_camera with it, found none; a camera does not stand on the floor"
        )
    prior = _prior_row(on_floor, height_sd_m, level_sd_deg, heading_prior)
    notes: list[str] = []
    fitted = [_fitting_camera(seen, lens, notes) for seen, lens in zip(pictures, cameras, strict=True)]
    rejected: list[tuple[int, str]] = []
    usable = usable_observations(pictures, field, fitted, rejected)
    if not any(len(seen) for seen in usable):
        status = "no_known_markers" if any(len(seen) for seen in pictures) else "no_markers"
        reason = "no marker was seen" if status == "no_markers" else _why_none(rejected)
        said = "; ".join(seen.message for seen in pictures if seen.message)
        message = f"{reason} ({said})" if said else reason
        return PoseSolution(status=status, message=message, markers_rejected=tuple(rejected))
    data = _stacked(usable, field, fitted, mounts)
    return _solved(data, field, prior, notes, rejected, usable, fitted)


def _why_none(rejected: list[tuple[int, str]]) -> str:
    """Return why no marker could be used: the first that is on the field says it best."""
    for marker_id, why in rejected:
        if why != NOT_ON_FIELD:
            return f"no marker of the field could be used (marker {marker_id}: {why})"
    return "no marker of the field was seen"


def _matched(
    observations: MarkerObservations | Sequence[MarkerObservations],
    camera: Camera | Sequence[Camera],
    robot_from_camera: RigidTransform | Sequence[RigidTransform] | None,
) -> tuple[list[MarkerObservations], list[Camera], list[RigidTransform]]:
    pictures: list[MarkerObservations] = _listed("observations", observations, MarkerObservations)
    cameras: list[Camera] = _listed("camera", camera, Camera)
    if robot_from_camera is None:
        mounts = [RigidTransform.identity() for _ in cameras]
        if len(cameras) > 1:
            raise InputError("robot_from_camera: expected one mount a camera, found none")
    elif isinstance(robot_from_camera, RigidTransform) and robot_from_camera.single:
        mounts = [robot_from_camera]
    else:  # a stack of transforms is a sequence too
        mounts = _listed("robot_from_camera", list(robot_from_camera), RigidTransform)
    if not pictures or not len(pictures) == len(cameras) == len(mounts):
        raise InputError(
            "observations, camera, robot_from_camera: expected as many of each, at least one, "
            f"found {len(pictures)}, {len(cameras)}, {len(mounts)}"
        )
    return pictures, cameras, mounts


def _listed(name: str, value: Any, kind: type) -> list[Any]:
    """Return one or several objects of a type as a list."""
    several = list(value) if isinstance(value, (list, tuple)) else [value]
    for each in several:
        if not isinstance(each, kind):
            raise InputError(f"{name}: expected {kind.__name__}, one or a list, found {type(each).__name__}")
    return several


def _prior_row(
    on_floor: bool, height_sd_m: float, level_sd_deg: float, heading_prior: tuple[float, float] | None
) -> FloatArray:
    row = NO_PRIOR.copy()
    if on_floor:
        if not (height_sd_m > 0.0 and level_sd_deg > 0.0):
            raise InputError(f"height_sd_m, level_sd_deg: expected above 0, found {height_sd_m}, {level_sd_deg}")
        row[5] = height_sd_m**-2
        row[6] = math.radians(level_sd_deg) ** -2
    if heading_prior is not None:
        try:
            heading, sd = (float(value) for value in heading_prior)
        except (TypeError, ValueError):
            raise InputError(f"heading_prior: expected (heading, sd) in radians, found {heading_prior!r}") from None
        if not (math.isfinite(heading) and math.isfinite(sd) and sd > 0.0):
            raise InputError(
                f"heading_prior: expected finite (heading, sd above 0) in radians, found {heading_prior!r}"
            )
        row[7], row[8] = heading, sd**-2
    return row


def _fitting_camera(seen: MarkerObservations, camera: Camera, notes: list[str]) -> Camera:
    if seen.picture_size_px is None:
        return camera
    fitted = camera.for_picture(*seen.picture_size_px)
    if fitted is not camera:
        width, height = seen.picture_size_px
        notes.append(f"camera '{camera.name}' scaled from {camera.width_px}x{camera.height_px} to {width}x{height}")
    return fitted


def _stacked(
    usable: list[MarkerObservations], field: Field, cameras: list[Camera], mounts: list[RigidTransform]
) -> _Data:
    ids = np.concatenate([seen.marker_id for seen in usable])
    row_of = {marker_id: row for row, marker_id in enumerate(field.marker_ids.tolist())}
    rows = [row_of[marker_id] for marker_id in ids.tolist()]
    inverses = [parts(mount.inv()) for mount in mounts]
    return _Data(
        marker_ids=ids,
        corners_field=np.ascontiguousarray(field.corners_field[rows]),
        corners_px=np.concatenate([seen.corners_px for seen in usable]),
        whitening=whitening_of(np.concatenate([seen.covariance_px2 for seen in usable])),
        camera_of=np.repeat(np.arange(len(usable)), [len(seen) for seen in usable]),
        models=np.array([camera.model_number for camera in cameras]),
        parameters=np.stack([camera.parameters for camera in cameras]),
        camera_rotations=np.stack([rotation for rotation, _ in inverses]),
        camera_offsets=np.stack([offset for _, offset in inverses]),
    )


def _starts(data: _Data, field: Field, cameras: list[Camera]) -> list[tuple[FloatArray, FloatArray]]:
    """Return (rotation, position) of field_from_robot for every planar pose of every marker."""
    starts = []
    for row, marker_id in enumerate(data.marker_ids.tolist()):
        marker = field.marker(marker_id)
        camera = int(data.camera_of[row])
        field_rotation, field_offset = parts(marker.field_from_marker)
        for rotation_cm, translation_cm in closed_form_poses(data.corners_px[row], marker.size_m, cameras[camera]):
            rotation_fc = field_rotation @ rotation_cm.T
            offset_fc = field_offset - rotation_fc @ translation_cm
            rotation_fr = rotation_fc @ data.camera_rotations[camera]
            position = offset_fc + rotation_fc @ data.camera_offsets[camera]
            starts.append((np.ascontiguousarray(rotation_fr), np.ascontiguousarray(position)))
    return starts


def _minima(
    data: _Data, starts: list[tuple[FloatArray, FloatArray]], prior: FloatArray
) -> list[tuple[float, FloatArray, FloatArray, FloatArray]]:
    """Return the distinct minima as (chi2, rotation, position, covariance), best first."""
    minima: list[tuple[float, FloatArray, FloatArray, FloatArray]] = []
    centre = data.corners_field.reshape(-1, 3).mean(axis=0)
    for rotation, position in starts:
        information = np.empty((6, 6))
        status, chi2 = kernels.refine_pose(
            data.corners_field, data.corners_px, data.whitening, data.camera_of, data.models, data.parameters,
            data.camera_rotations, data.camera_offsets, prior, rotation, position, information,
        )  # fmt: skip
        covariance = covariance_of(information)
        if status != kernels.CONVERGED or covariance is None:
            continue
        scale_m = float(np.linalg.norm(position - centre))
        if scale_m < FARTHEST_M and all(
            not is_same_pose((rotation, position), found[1:3], scale_m) for found in minima
        ):
            minima.append((chi2, rotation, position, covariance))
    return sorted(minima, key=lambda found: found[0])


def _solved(
    data: _Data,
    field: Field,
    prior: FloatArray,
    notes: list[str],
    rejected: list[tuple[int, str]],
    usable: list[MarkerObservations],
    cameras: list[Camera],
) -> PoseSolution:
    used = tuple(data.marker_ids.tolist())
    minima = _minima(data, _starts(data, field, cameras), prior)
    estimates = _estimates(minima)
    if not estimates:
        message = "no start led to a pose that puts every corner in front of its camera"
        message += "" if _all_clockwise(data) else f"; {REVERSED}"
        return PoseSolution(
            status="not_converged",
            message="; ".join([*notes, message]),
            markers_used=used,
            markers_rejected=tuple(rejected),
        )
    rms_px = _rms_px(data, minima[0][1], minima[0][2])
    freedom = 8 * len(used) + int(np.count_nonzero(prior[3:6])) + 2 * int(prior[6] > 0.0) + int(prior[8] > 0.0) - 6
    status, remark = _status(data, estimates, rms_px, freedom)
    notes = [*notes, remark] if remark else notes
    notes += [note for seen in usable for note in seen.notes if note]
    return PoseSolution(
        status=status,
        message="; ".join(notes),
        estimate=estimates[0],
        alternative=estimates[1] if len(estimates) > 1 else None,
        markers_used=used,
        markers_rejected=tuple(rejected),
        rms_px=rms_px,
        degrees_of_freedom=freedom,
    )


def _estimates(minima: list[tuple[float, FloatArray, FloatArray, FloatArray]]) -> list[PoseEstimate]:
    estimates = []
    shares = probabilities([found[0] for found in minima]) if minima else []
    for (chi2, rotation, position, covariance), share in zip(minima, shares, strict=True):
        pose = rigid_transform(rotation, position, "robot pose")
        estimates.append(
            PoseEstimate(field_from_robot=pose, covariance=covariance, probability=share, chi2=float(chi2))
        )
    return estimates


def _all_clockwise(data: _Data) -> bool:
    return all(runs_clockwise(corners) for corners in data.corners_px)


def _status(data: _Data, estimates: list[PoseEstimate], rms_px: float, freedom: int) -> tuple[str, str]:
    if not _all_clockwise(data):
        return "inconsistent", REVERSED
    wrong = far_from_pose(data.corners_px, rms_px, estimates[0].chi2, freedom)
    if wrong:
        return "inconsistent", wrong
    doubt = 1.0 - estimates[0].probability
    if doubt > AMBIGUOUS_ABOVE:
        return "ambiguous", f"another pose fits with a probability of {doubt:.2f}"
    return "ok", ""


def _rms_px(data: _Data, rotation: FloatArray, position: FloatArray) -> float:
    """Return the reprojection error, rms per coordinate: the unweighted chi squared of the kernel."""
    unit = np.broadcast_to(np.eye(8), data.whitening.shape).copy()
    total = kernels.normal_equations(
        data.corners_field, data.corners_px, unit, data.camera_of, data.models, data.parameters,
        data.camera_rotations, data.camera_offsets, NO_PRIOR, rotation, position, np.empty((6, 6)), np.empty(6),
    )  # fmt: skip
    return math.sqrt(float(total) / data.corners_px.size)
