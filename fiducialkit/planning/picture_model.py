"""What one picture tells of the robot's pose, and what each source of error does to it.

All of it is linear and in the robot's own axes at its origin, as in `planning.kernels`: a small error is a translation
``d`` and a rotation vector ``w``, and along, across, heading are components 0, 1 and 5. With the rows ``J`` of the
corners that are seen, the weights ``W`` that a solver gives them and the weights ``L`` of what is known without
cameras, the pose is fitted with ``P = (J' W J + L)^-1``. Corners that are off by ``dp`` move it by ``P J' W dp``, so a
source that displaces the corners by ``J_source e`` has the gain ``P J' W J_source``, and errors of covariance ``C``
leave ``P J' W C W J P``. Derived here.

Signs are kept, so that gains of one source at different poses belong to the same error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, IntArray, checked_array
from fiducialkit.planning.corner_errors import corner_errors
from fiducialkit.planning.mount_information import CHUNK, LIKELY, Room, look
from fiducialkit.planning.prediction import used_mounts
from fiducialkit.planning.scenery import WORD_BITS, scenery_of, turned
from fiducialkit.planning.study import Study
from fiducialkit.scene.robot import Mount, Rig
from fiducialkit.scene.transforms import parts

CORNERS = "corner noise"
PULL = "corner pull"
LENS = "lens calibration"
MOUNT = "mount calibration"
LAYOUT = "field layout"
FLOOR = "stand on the floor"
TIME = "time offset"
ROWS = "rolling shutter"
WHEELS = "wheels and gyro"
SOURCES = (CORNERS, PULL, LENS, MOUNT, LAYOUT, FLOOR, TIME, ROWS, WHEELS)
_STATED = {
    LENS: ("focal_sd_percent",),
    MOUNT: ("mount_sd_m", "mount_sd_deg"),
    LAYOUT: ("marker_sd_m", "marker_sd_deg"),
    TIME: ("time_sd_s",),
}
_WANTED = np.array([0, 1, 5])
_TERMS = ("information", "by_noise", "by_pull", "by_focal", "by_row")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PictureModel:
    """What every mount sees of every marker from N robot poses, S mechanism states, K mounts, M markers.

    Attributes
    ----------
    study : Study
    poses : ndarray, shape (N, 3)
        x, y, heading of the robot in field. [m, m, rad]
    mounts : tuple of Mount
        Those that some rig of the study uses.
    is_seen : ndarray of bool, shape (N, S, K, M)
    information : ndarray, shape (N, K, M, 6, 6)
        J' W J of each marker's four corners.
    by_noise : ndarray, shape (N, K, M, 6, 6)
        J' W C W J: what of the corner errors is new in every picture.
    by_pull : ndarray, shape (N, K, M, 6)
        J' W dp for corners that all lie inside by as much as the detector pulls them, in every picture.
    by_focal : ndarray, shape (N, K, M, 6)
        J' W dp for a focal length that is longer by its own size.
    by_row : ndarray, shape (N, K, M, 6, 2)
        J' W dp of a rolling shutter, for one metre a second forward and one radian a second of turn.
    centres : ndarray, shape (N, M, 3)
        Of the markers, in robot. [m]
    """

    study: Study
    poses: FloatArray
    mounts: tuple[Mount, ...]
    is_seen: BoolArray
    information: FloatArray
    by_noise: FloatArray
    by_pull: FloatArray
    by_focal: FloatArray
    by_row: FloatArray
    centres: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Gains:
    """What one rig makes of the pictures of C cases; NaN where it sees nothing.

    Attributes
    ----------
    markers : ndarray of int, shape (C,)
        Distinct markers seen.
    noise : ndarray, shape (C, 3, 3)
        Covariance of along, across, heading from corner noise alone, new in every picture. [m, m, rad]
    constant : dict of str to ndarray, shape (C, 3, n)
        For each other source: the error of along, across, heading for each of its n independent errors, each one
        standard deviation large. They are the same for a whole drive.
    """

    markers: IntArray
    noise: FloatArray
    constant: dict[str, FloatArray]


def picture_model(study: Study, poses: FloatArray) -> PictureModel:
    """Return what is seen from robot poses (x [m], y [m], heading [rad]), shape (N, 3), and what it tells."""
    poses = checked_array("poses", poses, (None, 3))
    mounts, field = tuple(used_mounts(study)), study.field
    is_seen = markers_seen(study, poses)
    shape = (len(poses), len(mounts), len(field.markers))
    corners = _in_robot(field.corners_field[None], poses)
    model = PictureModel(
        study=study,
        poses=poses,
        mounts=mounts,
        is_seen=is_seen,
        information=np.zeros((*shape, 6, 6)),
        by_noise=np.zeros((*shape, 6, 6)),
        by_pull=np.zeros((*shape, 6)),
        by_focal=np.zeros((*shape, 6)),
        by_row=np.zeros((*shape, 6, 2)),
        centres=corners.mean(axis=2),
    )
    for k, mount in enumerate(mounts):
        n, m = np.nonzero(is_seen[:, :, k].any(axis=1))
        if n.size:
            cells = field.family.cells(field.border_cells)
            found = _marker_terms(mount, corners[n, m], cells)
            for name, term in zip(_TERMS, found, strict=True):
                getattr(model, name)[n, k, m] = term
    return model


def markers_seen(study: Study, poses: FloatArray) -> BoolArray:
    """Return which mount more likely sees which marker than not in which state, (N, S, K, M), as `predict` counts."""
    scenery, by_cosine = scenery_of(study, used_mounts(study)), turned(poses)
    words = np.empty((len(poses), len(study.states), len(scenery.mounts), scenery.words), dtype=np.int64)
    room = Room(scenery, min(CHUNK, max(len(poses), 1)))
    for k in range(len(scenery.mounts)):
        for first in range(0, len(poses), CHUNK):
            part = slice(first, first + CHUNK)
            words[part, :, k] = look(scenery, k, by_cosine[part], LIKELY, room=room, adds_up=False).seen
    marker = np.arange(len(study.field.markers))
    return np.asarray(words[..., marker // WORD_BITS] >> marker % WORD_BITS & 1, dtype=np.bool_)


def _in_robot(points_field: FloatArray, poses: FloatArray) -> FloatArray:
    """Return points of the field, (..., 3), in each robot's axes, (N, ..., 3)."""
    cosine, sine = np.cos(poses[:, 2])[:, None, None], np.sin(poses[:, 2])[:, None, None]
    x = points_field[..., 0] - poses[:, 0, None, None]
    y = points_field[..., 1] - poses[:, 1, None, None]
    z = np.broadcast_to(points_field[..., 2], x.shape)
    return np.stack([cosine * x + sine * y, cosine * y - sine * x, z], axis=-1)


def _marker_terms(mount: Mount, corners_robot: FloatArray, cells: int) -> tuple[FloatArray, ...]:
    """Return the `_TERMS` of markers (V, 4, 3) that a mount sees."""
    camera, count = mount.camera, len(corners_robot)
    pixels, rows, by_intrinsics = corner_rows(mount, corners_robot)
    errors = corner_errors(camera, cells, pixels, _facing_deg(mount, corners_robot))
    rows = rows.reshape(count, 8, 6)
    weighted = errors.weights @ rows
    back = np.swapaxes(weighted, 1, 2)
    focal = by_intrinsics[..., 0] * camera.fx_px + by_intrinsics[..., 1] * camera.fy_px
    late = (pixels[..., 1] - 0.5 * (camera.height_px - 1)) * camera.timing.row_time_s  # against the middle row
    displaced = late[..., None, None] * rows.reshape(count, 4, 2, 6)[..., [0, 5]]
    return (
        np.asarray(back @ rows),
        np.asarray(back @ errors.covariance @ weighted),
        np.asarray((back @ errors.mean[:, :, None])[..., 0]),
        np.asarray((back @ focal.reshape(count, 8, 1))[..., 0]),
        np.asarray(back @ displaced.reshape(count, 8, 2)),
    )


def corner_rows(mount: Mount, corners_robot: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return pixels (V, 4, 2), their derivatives by the robot's pose (V, 4, 2, 6) and by the lens (V, 4, 2, n).

    A robot that is moved by d and turned by w has a point p of the field at ``p - d - w x p``.
    """
    points = corners_robot.reshape(-1, 3)
    camera_from_robot = mount.robot_from_camera.inv()
    pixels, _, by_pose, by_intrinsics = mount.camera.project_with_jacobian(points, camera_from_robot)
    by_point = by_pose[:, :, :3] @ parts(camera_from_robot)[0]
    rows = np.concatenate([-by_point, by_point @ _cross(points)], axis=2)
    count = len(corners_robot)
    return pixels.reshape(count, 4, 2), rows.reshape(count, 4, 2, 6), by_intrinsics.reshape(count, 4, 2, -1)


def _cross(vectors: FloatArray) -> FloatArray:
    """Return the matrices (..., 3, 3) that multiply as ``vector x``."""
    x, y, z = np.moveaxis(vectors, -1, 0)
    zero = np.zeros_like(x)
    rows = [np.stack(row, axis=-1) for row in ((zero, -z, y), (z, zero, -x), (-y, x, zero))]
    return np.stack(rows, axis=-2)


def _facing_deg(mount: Mount, corners_robot: FloatArray) -> FloatArray:
    """Return the angle between each marker's normal, (V, 4, 3), and the line from its middle to the camera. [deg]"""
    normals = np.cross(corners_robot[:, 1] - corners_robot[:, 0], corners_robot[:, 0] - corners_robot[:, 3])
    lines = np.array(mount.position, dtype=np.float64) - corners_robot.mean(axis=1)
    lengths = np.linalg.norm(normals, axis=1) * np.linalg.norm(lines, axis=1)
    return np.asarray(np.degrees(np.arccos(np.clip((normals * lines).sum(axis=1) / lengths, -1.0, 1.0))))


def rig_gains(
    model: PictureModel,
    rig: Rig,
    pose_of: Sequence[int] | IntArray,
    state_of: Sequence[int] | IntArray,
    motion: FloatArray,
) -> Gains:
    """Return what a rig makes of its pictures in C cases, each a pose and a state of the model by number.

    Parameters
    ----------
    motion : ndarray, shape (C, 2)
        Speed forward and turn rate of the robot. [m/s, rad/s]
    """
    pose_of, state_of = np.asarray(pose_of, dtype=np.int64), np.asarray(state_of, dtype=np.int64)
    used = np.array([k for k, mount in enumerate(model.mounts) if mount.name in rig.mounts])
    is_seen = model.is_seen[pose_of, state_of][:, used]
    # mechanism states that see alike are one case
    first, back = alike(pose_of, is_seen, motion)
    found = _gains(model, used, is_seen[first].astype(np.float64), pose_of[first], motion[first])
    if len(first) == len(back):
        return found
    constant = {name: gain[back] for name, gain in found.constant.items()}
    return Gains(markers=found.markers[back], noise=found.noise[back], constant=constant)


def alike(*arrays: FloatArray | IntArray | BoolArray) -> tuple[IntArray, IntArray]:
    """Return one row of each kind, in rising order, and the place among those of every row's kind.

    Rows are of one kind where all arrays hold the same in them, bit by bit: a number that is not finite equals itself.
    """
    kinds: dict[bytes, int] = {}
    rows = zip(*arrays, strict=True)
    back = [kinds.setdefault(b"".join(part.tobytes() for part in row), len(kinds)) for row in rows]
    places = np.array(back, dtype=np.int64)
    return np.unique(places, return_index=True)[1], places


def _gains(model: PictureModel, used: IntArray, seen: FloatArray, pose_of: IntArray, motion: FloatArray) -> Gains:
    """Return the gains of C cases in which the mounts `used` see markers as `seen` (C, K, M) says, 1 or 0."""
    pieces = seen[..., None, None] * model.information[np.ix_(pose_of, used)]
    by_mount, by_marker = pieces.sum(axis=2), pieces.sum(axis=1)
    total = by_mount.sum(axis=1)
    markers = (seen.sum(axis=1) > 0.0).sum(axis=1)
    fitted = np.full_like(total, np.nan)
    fitted[markers > 0] = np.linalg.inv(total[markers > 0] + np.diag(_prior_weights(model.study)))
    gain = fitted[:, _WANTED]
    speeds = np.zeros((len(pose_of), 6))
    speeds[:, [0, 5]] = motion
    focal = np.einsum("ckm,ckma->cka", seen, model.by_focal[np.ix_(pose_of, used)])
    pull = np.einsum("ckm,ckma->ca", seen, model.by_pull[np.ix_(pose_of, used)])
    random = np.einsum("ckm,ckmab->cab", seen, model.by_noise[np.ix_(pose_of, used)])
    late = np.einsum("ckm,ckmab,cb->ca", seen, model.by_row[np.ix_(pose_of, used)], motion)
    built = model.study.tolerance
    pupils = np.array([model.mounts[k].position for k in used])
    centres = model.centres[pose_of]
    root = np.sqrt(_prior_weights(model.study))
    constant = {
        PULL: gain @ pull[:, :, None],
        LENS: gain @ np.swapaxes(focal, 1, 2) * (0.01 * built.focal_sd_percent),
        MOUNT: _moved(gain, by_mount, pupils[None], built.mount_sd_m, built.mount_sd_deg),
        LAYOUT: _moved(gain, by_marker, centres, -built.marker_sd_m, -built.marker_sd_deg),
        FLOOR: gain[:, :, 2:5] * root[2:5],
        TIME: (gain @ (total @ speeds[:, :, None])) * built.time_sd_s,
        ROWS: gain @ late[:, :, None],
        WHEELS: gain[:, :, 5:] * root[5:],
    }
    return Gains(markers=markers, noise=gain @ random @ np.swapaxes(gain, 1, 2), constant=constant)


def with_half(model: PictureModel, source: str) -> PictureModel:
    """Return the model with one source half as large; a solver that knows of it weighs its corners accordingly."""
    study = model.study
    built, prior, wheels = study.tolerance, study.prior, study.odometry
    if source == CORNERS:
        return replace(model, **{name: 4.0 * getattr(model, name) for name in _TERMS})
    if source == PULL:
        return replace(model, by_pull=0.5 * model.by_pull)
    if source == ROWS:
        return replace(model, by_row=0.5 * model.by_row)
    if source == FLOOR:
        prior = replace(prior, height_sd_m=0.5 * prior.height_sd_m, level_sd_deg=0.5 * prior.level_sd_deg)
    elif source == WHEELS:
        prior = replace(prior, heading_sd_deg=0.5 * prior.heading_sd_deg)
        distance, heading = 0.5 * wheels.distance_sd_percent, 0.5 * wheels.heading_sd_deg_per_s
        wheels = replace(wheels, distance_sd_percent=distance, heading_sd_deg_per_s=heading)
    else:
        built = replace(built, **{name: 0.5 * getattr(built, name) for name in _STATED[source]})
    return replace(model, study=replace(study, tolerance=built, prior=prior, odometry=wheels))


def _moved(gain: FloatArray, pieces: FloatArray, about: FloatArray, sd_m: float, sd_deg: float) -> FloatArray:
    """Return what three shifts and three turns of each camera or marker about its own point do, (C, 3, 6 * pieces).

    A piece that is shifted by s and turned by r about the point a looks as if the robot had moved by
    ``d = s + a x r``, ``w = r``.
    """
    carried = np.broadcast_to(np.eye(6), (*pieces.shape[:2], 6, 6)).copy()
    carried[..., :3, 3:] = _cross(np.broadcast_to(about, (*pieces.shape[:2], 3)))
    spread = np.repeat([sd_m, math.radians(sd_deg)], 3)
    moved = gain[:, None] @ pieces @ carried * spread
    return np.asarray(np.moveaxis(moved, 1, 2).reshape(len(gain), 3, -1))


def _prior_weights(study: Study) -> FloatArray:
    """Return the weights of what is known without cameras, of a small shift and turn in robot axes."""
    prior = study.prior
    level = math.radians(prior.level_sd_deg) ** -2
    heading = math.radians(prior.heading_sd_deg) ** -2 if prior.heading_sd_deg > 0.0 else 0.0
    return np.array([0.0, 0.0, prior.height_sd_m**-2, level, level, heading])
