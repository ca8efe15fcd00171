"""The robot's pose from all markers of all cameras, with its covariance and the chance that it is the wrong one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.spatial.transform import RigidTransform

from fiducialkit.arrays import BoolArray, FloatArray
from fiducialkit.errors import InputError
from fiducialkit.imaging.observations import MarkerObservations
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field
from fiducialkit.solving.considered import NOTHING, ConsideredErrors, considered_arrays
from fiducialkit.solving.frame_kernels import count_prior_rows
from fiducialkit.solving.moment_kernels import NEGLIGIBLE_PROBABILITY, NOT_A_COVARIANCE, solve_moments
from fiducialkit.solving.planar import AMBIGUOUS_ABOVE, REVERSED, far_from_pose
from fiducialkit.solving.pose_result import COVARIANCE_KINDS, STATUSES, MarkerResidual, PoseEstimate, PoseSolution
from fiducialkit.solving.priors import Prior, prior_rows
from fiducialkit.solving.rig import (
    Output,
    Rig,
    listed,
    matched_lists,
    motion_rows,
    new_output,
    rig_arrays,
    spread_normals,
)
from fiducialkit.solving.selection import NOT_ON_FIELD, TWICE, Sightings, usable_sightings

__all__ = ["STATUSES", "MarkerResidual", "PoseEstimate", "PoseSolution", "solve_pose"]


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
    position_prior: tuple[Any, Any] | None = None,
    considered: ConsideredErrors = NOTHING,
    velocity: Any = None,
    exposure_offset_s: Any = None,
) -> PoseSolution:
    """Return the maximum-likelihood pose of the robot from one moment's corners.

    Every planar pose of every marker is a start for all markers together, so the result does not hang on one guess. All
    minima are kept, with their posterior probabilities: exp(-chi2 / 2) times the root of the covariance's determinant,
    or a sum over the posterior where that is no Gaussian. A marker that lies farther from where the others put it than
    noise and a usual layout explain is left out as a whole, and named.

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
    position_prior : (array_like (3,), float or array_like (3,)), optional
        Position of the robot's origin known beforehand and its standard deviation, one or three; infinity leaves a
        coordinate free. [m]
    considered : ConsideredErrors
        How well mounts, markers and lenses are known.
    velocity : array_like, shape (3,), optional
        Of the robot: forward, to the left, turn counter-clockwise; with it the cameras may expose at different times.
        [m/s, m/s, rad/s]
    exposure_offset_s : float or array_like, shape (K,), optional
        From the time the pose is wanted for to the middle of each camera's exposure. [s]

    Raises
    ------
    InputError
        If the arguments do not fit together. Pictures that show nothing are no error but a status.
    """
    pictures: list[MarkerObservations] = listed("observations", observations, MarkerObservations)
    cameras, mounts = matched_lists(camera, robot_from_camera)
    if not pictures or not len(pictures) == len(cameras) == len(mounts):
        raise InputError(
            "observations, camera, robot_from_camera: expected as many of each, at least one, "
            f"found {len(pictures)}, {len(cameras)}, {len(mounts)}"
        )
    if on_floor and robot_from_camera is None:
        raise InputError(
            "on_floor: expected robot_from_camera with it, found none; a camera does not stand on the floor"
        )
    prior = Prior(
        on_floor=on_floor, height_sd_m=height_sd_m, level_sd_deg=level_sd_deg, heading=heading_prior,
        position=position_prior,
    )  # fmt: skip
    notes: list[str] = []
    fitted = [_fitting_camera(seen, lens, notes) for seen, lens in zip(pictures, cameras, strict=True)]
    moment = _Moment(
        layout=field.corners_field,
        rig=rig_arrays(fitted, mounts),
        prior=prior_rows(prior, 1),
        motion=motion_rows(velocity, exposure_offset_s, 1, len(cameras)),
        considered=considered_arrays(considered, fitted),
    )
    rejected: list[tuple[int, str]] = []
    usable = usable_sightings(pictures, field, fitted, rejected)
    if len(usable):
        usable = moment.without_doubles(usable, rejected)
    if not len(usable):
        return _nothing(pictures, rejected)
    notes += [note for seen in pictures for note in seen.notes if note]
    return moment.solved(usable, notes, rejected)


def _nothing(pictures: list[MarkerObservations], rejected: list[tuple[int, str]]) -> PoseSolution:
    """Return the solution of pictures without a marker that can be used, with the reason that says it best."""
    status = "no_known_markers" if any(len(seen) for seen in pictures) else "no_markers"
    reason = "no marker was seen" if status == "no_markers" else "no marker of the field was seen"
    for marker_id, why in rejected:
        if why != NOT_ON_FIELD:
            reason = f"no marker of the field could be used (marker {marker_id}: {why})"
            break
    said = "; ".join(seen.message for seen in pictures if seen.message)
    message = f"{reason} ({said})" if said else reason
    return PoseSolution(status=status, message=message, markers_rejected=tuple(rejected))


def _fitting_camera(seen: MarkerObservations, camera: Camera, notes: list[str]) -> Camera:
    if seen.picture_size_px is None:
        return camera
    fitted = camera.for_picture(*seen.picture_size_px)
    if fitted is not camera:
        width, height = seen.picture_size_px
        notes.append(f"camera '{camera.name}' scaled from {camera.width_px}x{camera.height_px} to {width}x{height}")
    return fitted


class _Moment:
    """What stays the same while one moment's sightings are tried."""

    def __init__(
        self, *, layout: FloatArray, rig: Rig, prior: FloatArray, motion: FloatArray, considered: tuple[Any, Any]
    ) -> None:
        self.layout, self.rig, self.prior, self.motion, self.considered = layout, rig, prior, motion, considered

    def run(self, seen: Sightings) -> tuple[Output, Output]:
        """Return (verdict, output) of the compiled solver."""
        count = len(seen)
        verdict, out = new_output(1, count)
        seen.covariance_px2.flags.writeable = False  # as a log's are: the type the kernels are compiled for
        solve_moments(
            np.array([0, count]), self.layout, seen.marker_of, seen.camera_of, seen.corners_px, seen.covariance_px2,
            np.arange(count), self.rig, self.prior, self.motion, self.considered, spread_normals(), verdict, out,
        )  # fmt: skip
        if out[0][0] == NOT_A_COVARIANCE:
            raise InputError("covariance_px2: expected positive definite matrices, found one that is not")
        return verdict, out

    def without_doubles(self, seen: Sightings, rejected: list[tuple[int, str]]) -> Sightings:
        """Return the sightings with at most one of each id in a picture: the one that fits the other markers best."""
        keep = ~seen.again
        for first in np.flatnonzero(seen.again).tolist():
            same = (seen.marker_id == seen.marker_id[first]) & (seen.camera_of == seen.camera_of[first])
            if np.flatnonzero(same)[0] != first:
                continue
            best = self._best_of(seen, keep, np.flatnonzero(same).tolist())
            for row in np.flatnonzero(same).tolist():
                if row != best:
                    why = TWICE if best is None else f"{TWICE}; the other one fits the other markers better"
                    rejected.append((int(seen.marker_id[row]), why))
            if best is not None:
                keep[best] = True
        return seen if keep.all() else seen.only(keep)

    def _best_of(self, seen: Sightings, keep: Any, rows: list[int]) -> int | None:
        """Return the row that fits those kept best; None where nothing tells, or none fits."""
        best, least = None, math.inf
        for row in rows if keep.any() else []:
            with_it = keep.copy()
            with_it[row] = True
            verdict, out = self.run(seen.only(with_it))
            place = int(np.count_nonzero(with_it[:row]))
            if out[0][0] > 0 and verdict[0][place] and out[6][0, 0] < least:
                best, least = row, float(out[6][0, 0])
        return best

    def solved(self, seen: Sightings, notes: list[str], rejected: list[tuple[int, str]]) -> PoseSolution:
        """Solve and say what came out."""
        verdict, out = self.run(seen)
        residuals = _residuals(seen, verdict)
        rejected += [(each.marker_id, _why_not(each)) for each in residuals if not each.is_used]
        kept = [each for each in residuals if each.is_used]
        used = tuple([each.marker_id for each in kept])
        if out[0][0] <= 0:
            message = "no start led to a pose that puts every corner in front of its camera"
            message += f"; {REVERSED}" if seen.is_mirrored else ""
            return PoseSolution(
                status="not_converged", message="; ".join([*notes, message]), markers_used=used,
                markers_rejected=tuple(rejected),
            )  # fmt: skip
        both = [_estimate(out, k) for k in range(2) if k == 0 or out[7][0, k] > NEGLIGIBLE_PROBABILITY]
        rms_px = math.sqrt(sum([each.rms_px**2 for each in kept]) / len(kept))
        freedom = 8 * len(used) + count_prior_rows(self.prior[0]) - 6
        status, remark = _status(seen, verdict[0] > 0, both[0], rms_px, freedom)
        return PoseSolution(
            status=status,
            message="; ".join([*([remark] if remark else []), *notes]),
            estimate=both[0],
            alternative=both[1] if len(both) > 1 else None,
            markers_used=used,
            markers_rejected=tuple(rejected),
            residuals=residuals,
            rms_px=rms_px,
            degrees_of_freedom=freedom,
            covariance_kind=COVARIANCE_KINDS[int(out[1][0])],
            region_95=float(out[2][0]),
            markers_middle=out[9][0],
        )


def _estimate(out: Output, k: int) -> PoseEstimate:
    return PoseEstimate(
        rotation=out[3][0, k],
        position=out[4][0, k],
        covariance=out[5][0, k],
        seen_covariance=out[8][0, k],
        probability=float(out[7][0, k]),
        chi2=float(out[6][0, k]),
    )


def _residuals(seen: Sightings, verdict: Output) -> tuple[MarkerResidual, ...]:
    use, rms, sigmas2 = (array.tolist() for array in verdict)
    return tuple(
        MarkerResidual(
            marker_id=number, camera=camera, is_used=bool(use[i]), rms_px=rms[i], sigmas=math.sqrt(sigmas2[i] / 8.0)
        )
        for i, (number, camera) in enumerate(zip(seen.marker_id.tolist(), seen.camera_of.tolist(), strict=True))
    )


def _why_not(residual: MarkerResidual) -> str:
    if not math.isfinite(residual.sigmas):
        return "by the other markers it would lie behind the camera; is it another one, or moved?"
    return (
        f"lies {residual.rms_px:.1f} px rms, {residual.sigmas:.0f} sigmas, from where the other markers put it; "
        "is it another one, or moved?"
    )


def _status(seen: Sightings, use: BoolArray, best: PoseEstimate, rms_px: float, freedom: int) -> tuple[str, str]:
    if seen.is_mirrored:
        return "inconsistent", REVERSED
    wrong = far_from_pose(seen.corners_px[use], rms_px, best.chi2, freedom)
    if wrong:
        return "inconsistent", wrong
    doubt = 1.0 - best.probability
    if doubt > AMBIGUOUS_ABOVE:
        return "ambiguous", f"another pose fits with a probability of {doubt:.2f}"
    return "ok", ""
