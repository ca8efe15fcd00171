"""Predictions against pixels: pictures are rendered at poses of the study, read and solved as the robot would.

Each pose is drawn from the approaches and the free floor; the robot then stands on the floor as unevenly as the prior
says. Every mount of the rigs takes its picture there with the field's markers and boxes and the robot's structure in
it, the detector that the camera file names reads it, and `solve_pose` solves for the rig with the study's priors.
Mounts, markers and lenses are where the files say, so the errors are held against the part of the prediction that
comes from corner noise and priors. Other robots that stand about at random are left out of both. The renderer knows no
glare and no thickness of print, so markers turned away farther than predictions admit for these
(`detectability.LARGEST_FACING_DEG`) are not counted as read.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import cv2
import numpy as np
import pandas as pd
from scipy.spatial.transform import RigidTransform, Rotation

from fiducialkit.arrays import FloatArray, IntArray
from fiducialkit.errors import InputError
from fiducialkit.imaging.backgrounds import Background
from fiducialkit.imaging.observations import MarkerObservations
from fiducialkit.imaging.rendering import refuse_inside_obstacle, render
from fiducialkit.imaging.rendering_settings import RenderSettings
from fiducialkit.parallel import Progress, run_pieces, spawned_seeds
from fiducialkit.planning.coverage import approach_poses, floor_poses, has_standing_room
from fiducialkit.planning.detectability import LARGEST_FACING_DEG
from fiducialkit.planning.mount_information import mount_information
from fiducialkit.planning.picture_model import FLOOR, PULL, WHEELS, picture_model, rig_gains
from fiducialkit.planning.prediction import predict, used_mounts
from fiducialkit.planning.rendered_tables import CHECKED_POSES, RenderedCheck, summary
from fiducialkit.planning.robot_detector import RUNNABLE, seen_by_robot
from fiducialkit.planning.scenery import WORD_BITS
from fiducialkit.planning.study import OtherRobots, Study
from fiducialkit.scene.camera import Detector
from fiducialkit.scene.robot import Mount, Rig
from fiducialkit.scene.transforms import field_from_robot_on_floor, parts, rigid_transform
from fiducialkit.solving.pose import PoseSolution, solve_pose

AS_STATED = "as each camera file says"
_OUTCOME = (
    "status", "markers_read", "read", "distance_m", "along_error_m", "across_error_m", "heading_error_deg",
    "is_flipped",
)  # fmt: skip
HALL = RenderSettings(background=Background(kind="hall"))
_AT_ONCE = 8


def rendered_check(
    study: Study,
    count: int,
    *,
    rigs: Sequence[str] | None = None,
    detectors: Sequence[str] | None = None,
    settings: RenderSettings = HALL,
    seed: int = 0,
    workers: int | None = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
    kept_in: str | Path | None = None,
) -> RenderedCheck:
    """Return predictions and outcomes at `count` poses; the same on any number of workers.

    Parameters
    ----------
    study : Study
    count : int
        Half of the poses are drawn from the approaches, half from the free floor, with a mechanism state each.
    rigs : sequence of str, optional
        Those of the study if None.
    detectors : sequence of {"stock", "fitted"}, optional
        Each reads the same pictures; if None the one that each camera file names.
    settings : RenderSettings
        Of the pictures; in front of floor and walls by default.
    seed : int
    workers, scheduler, progress, kept_in
        As `parallel.run_pieces`.

    Raises
    ------
    InputError
        If the count is no whole number above 0, a rig is unknown, a camera's detector cannot be run on a picture, or
        the robot has no room to stand.
    """
    if isinstance(count, bool) or not isinstance(count, int | np.integer) or count < 1:
        raise InputError(f"count: expected a whole number of poses above 0, found {count!r}")
    chosen = _with_own_family(_with_rigs(study, rigs))
    variants = {AS_STATED: chosen} if detectors is None else {name: _with_detector(chosen, name) for name in detectors}
    if not variants:
        raise InputError("detectors: expected at least one, found none")
    for variant in variants.values():
        _check_detectors(variant)
    labels, poses = _drawn(chosen, int(count), seed)
    seeds = spawned_seeds(seed, int(count))
    pieces = [
        (labels["state"].tolist()[k : k + _AT_ONCE], poses[k : k + _AT_ONCE].tolist(), seeds[k : k + _AT_ONCE])
        for k in range(0, int(count), _AT_ONCE)
    ]
    done = run_pieces(
        _looked_at, pieces, common=(tuple(variants.values()), settings), workers=workers, scheduler=scheduler,
        progress=progress, kept_in=kept_in,
    )  # fmt: skip
    outcome = pd.DataFrame([row for piece in done for row in piece])
    tables = [
        _beside_prediction(
            variant, labels, poses, outcome[outcome["variant"] == number].drop(columns="variant")
        ).assign(detector=name)
        for number, (name, variant) in enumerate(variants.items())
    ]
    return summary(chosen, CHECKED_POSES.checked(pd.concat(tables)), seed)


def _with_own_family(study: Study) -> Study:
    """Return the study with a marker family that no detector has used: what one keeps there cannot leave a process.

    Other robots at random places are taken out: they are not rendered.
    """
    own = replace(study.field, family=replace(study.field.family))
    return replace(study, field=own, other_robots=OtherRobots())


def _with_detector(study: Study, name: str) -> Study:
    """Return the study with all cameras read by one detector."""
    if name not in RUNNABLE:
        raise InputError(f"detectors: expected {' or '.join(RUNNABLE)}, found {name!r}")
    mounts = []
    for mount in study.robot.mounts:
        noise = replace(mount.camera.noise, detector=cast(Detector, name), corner_sd_px=None)
        mounts.append(replace(mount, camera=replace(mount.camera, noise=noise)))
    return replace(study, robot=replace(study.robot, mounts=tuple(mounts)))


def _with_rigs(study: Study, rigs: Sequence[str] | None) -> Study:
    if rigs is None:
        return study
    known = {rig.name: rig for rig in study.rigs}
    for name in rigs:
        if name not in known:
            listed = ", ".join(f"'{each}'" for each in known)
            raise InputError(f"rigs: expected names among {listed}, found '{name}'")
    return replace(study, rigs=tuple(known[name] for name in rigs))


def _check_detectors(study: Study) -> None:
    for mount in used_mounts(study):
        if mount.camera.noise.detector not in RUNNABLE:
            raise InputError(
                f"camera '{mount.camera.name}': noise.detector: expected {' or '.join(RUNNABLE)}, which can be run on "
                f"a rendered picture, found {mount.camera.noise.detector}"
            )


def _drawn(study: Study, count: int, seed: int) -> tuple[pd.DataFrame, FloatArray]:
    """Return labels and poses (N, 3): approaches and floor by turns, where the robot and its cameras have room."""
    rng = np.random.default_rng([seed, 1])
    approach = approach_poses(study)[1]
    floor = floor_poses(study)
    sets = {"approach": approach[has_standing_room(study, approach)], "floor": floor.poses[floor.is_free]}
    sets = {name: poses for name, poses in sets.items() if len(poses)}
    if not sets:
        raise InputError("study: expected room for the robot on the floor or before a node, found none")
    places, poses = [], []
    for number in range(count):
        place = list(sets)[number % len(sets)]
        places.append(place)
        poses.append(_with_open_cameras(study, sets[place], rng))
    states = rng.choice(np.array(study.states, dtype=object), count)
    return pd.DataFrame({"place": places, "state": states}), np.array(poses)


def _with_open_cameras(study: Study, poses: FloatArray, rng: np.random.Generator) -> FloatArray:
    for _ in range(1000):
        pose = poses[rng.integers(len(poses))]
        field_from_robot = field_from_robot_on_floor(pose[0], pose[1], math.degrees(pose[2]))
        try:
            for mount in used_mounts(study):
                refuse_inside_obstacle(study.field, field_from_robot * mount.robot_from_camera)
        except InputError:
            continue
        return np.asarray(pose)
    raise InputError("field: expected poses whose cameras stand in the open, found none in 1000")


def _looked_at(
    variants: tuple[Study, ...], settings: RenderSettings, piece: tuple[list[str], list[list[float]], list[int]]
) -> list[dict[str, Any]]:
    """Return what each rig makes of the pictures at a few poses, a row a pose, variant and rig."""
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)  # the processors are shared out among pieces already
    try:
        found = [_at_pose(variants, settings, *each) for each in zip(*piece, strict=True)]
    finally:
        cv2.setNumThreads(threads)
    return [row for rows in found for row in rows]


def _at_pose(
    variants: tuple[Study, ...], settings: RenderSettings, state: str, pose: list[float], seed: int
) -> list[dict[str, Any]]:
    rng, study = np.random.default_rng(seed), variants[0]
    truth = _standing(study, pose, rng)
    heading = pose[2] + rng.normal() * math.radians(study.prior.heading_sd_deg)
    pictures = {}
    for mount in used_mounts(study):
        pictures[mount.name] = render(
            study.field, mount.camera, truth * mount.robot_from_camera, settings=settings, robot=study.robot,
            seed=int(rng.integers(2**31)), state=state, robot_from_camera=mount.robot_from_camera,
        ).image  # fmt: skip
    rows = []
    turned = {mount.name: _turned_away(study, truth * mount.robot_from_camera) for mount in used_mounts(study)}
    for number, variant in enumerate(variants):
        family, border = variant.field.family, variant.field.border_cells
        seen = {}
        for mount in used_mounts(variant):
            found = seen_by_robot(pictures[mount.name], mount.camera, family, border_cells=border)
            seen[mount.name] = _without(found, turned[mount.name])
        rows += [{"variant": number} | _solved(variant, rig, seen, truth, heading) for rig in variant.rigs]
    return rows


def _turned_away(study: Study, field_from_camera: RigidTransform) -> IntArray:
    """Return the markers whose faces are turned from the camera farther than predictions admit."""
    eye = parts(field_from_camera)[1]
    sights = eye - study.field.corners_field.mean(axis=1)
    normals = np.array([parts(marker.field_from_marker)[0][:, 2] for marker in study.field.markers]).reshape(-1, 3)
    cosines = (sights * normals).sum(axis=1) / np.linalg.norm(sights, axis=1)
    return np.asarray(study.field.marker_ids[cosines < math.cos(math.radians(LARGEST_FACING_DEG))])


def _without(seen: MarkerObservations, marker_ids: IntArray) -> MarkerObservations:
    keep = ~np.isin(seen.marker_id, marker_ids)
    return replace(
        seen,
        marker_id=seen.marker_id[keep],
        corners_px=seen.corners_px[keep],
        covariance_px2=seen.covariance_px2[keep],
        quality=seen.quality[keep],
        notes=tuple(note for note, is_kept in zip(seen.notes, keep, strict=True) if is_kept),
    )


def _standing(study: Study, pose: list[float], rng: np.random.Generator) -> RigidTransform:
    """Return the robot at the pose as the floor lets it stand: height and level off by the prior's sds."""
    prior = study.prior
    tilt = rng.normal(0.0, math.radians(prior.level_sd_deg), 2)
    rotation, position = parts(field_from_robot_on_floor(pose[0], pose[1], math.degrees(pose[2])))
    lean = Rotation.from_rotvec([tilt[0], tilt[1], 0.0]).as_matrix()
    up = np.array([0.0, 0.0, rng.normal(0.0, prior.height_sd_m)])
    return rigid_transform(rotation @ lean, position + up, "robot pose")


def _solved(
    study: Study, rig: Rig, seen: dict[str, MarkerObservations], truth: RigidTransform, heading: float
) -> dict[str, Any]:
    prior = study.prior
    mounts: list[Mount] = [study.robot.mount(name) for name in rig.mounts]
    solution = solve_pose(
        [seen[mount.name] for mount in mounts],
        study.field,
        [mount.camera for mount in mounts],
        robot_from_camera=[mount.robot_from_camera for mount in mounts],
        on_floor=True,
        height_sd_m=prior.height_sd_m,
        level_sd_deg=prior.level_sd_deg,
        heading_prior=(heading, math.radians(prior.heading_sd_deg)) if prior.heading_sd_deg > 0.0 else None,
    )
    known = set(study.field.marker_ids.tolist())
    read = sorted({number for mount in mounts for number in seen[mount.name].marker_id.tolist()} & known)
    row = {"rig": rig.name, "status": solution.status, "markers_read": len(read), "distance_m": math.nan}
    row["read"] = " / ".join(_listed(known & set(seen[mount.name].marker_id.tolist())) for mount in mounts)
    row |= {"along_error_m": math.nan, "across_error_m": math.nan, "heading_error_deg": math.nan, "is_flipped": False}
    if read:
        places = np.array([m.position[:2] for m in study.field.markers if m.marker_id in read])
        row["distance_m"] = float(np.linalg.norm(places - parts(truth)[1][:2], axis=1).min())
    return row if solution.estimate is None else row | _errors(solution, truth)


def _errors(solution: PoseSolution, truth: RigidTransform) -> dict[str, Any]:
    rotation, position = parts(truth)
    found = [each for each in (solution.estimate, solution.alternative) if each is not None]
    turns = [Rotation.from_matrix(rotation.T @ each.rotation).as_rotvec() for each in found]
    along, across = (rotation.T @ (found[0].position - position))[:2].tolist()
    is_flipped = len(found) > 1 and np.linalg.norm(turns[1]) < np.linalg.norm(turns[0])
    return {
        "along_error_m": along,
        "across_error_m": across,
        "heading_error_deg": math.degrees(turns[0][2]),
        "is_flipped": bool(is_flipped),
    }


def _beside_prediction(study: Study, labels: pd.DataFrame, poses: FloatArray, outcome: pd.DataFrame) -> pd.DataFrame:
    """Return `CHECKED_POSES`: every outcome with the prediction at its pose, state and rig."""
    seen = predict(study, poses)
    count, rigs = len(poses), len(study.rigs)
    state = np.array([study.states.index(name) for name in labels["state"]])
    at = (np.repeat(np.arange(count), rigs), np.repeat(state, rigs), np.tile(np.arange(rigs), count))
    sd = _predicted_sds(study, poses, state)
    place = labels.assign(
        pose=np.arange(count),
        robot_x_m=poses[:, 0],
        robot_y_m=poses[:, 1],
        robot_heading_deg=np.degrees(np.arctan2(np.sin(poses[:, 2]), np.cos(poses[:, 2]))),
    )
    table = place.loc[np.repeat(place.index, rigs)].reset_index(drop=True).join(outcome.reset_index(drop=True))
    return table.assign(
        markers_predicted=seen.markers[at],
        predicted=_predicted_markers(study, poses, state),
        chance_seen=seen.chance_1[at],
        along_sd_m=sd[:, 0],
        across_sd_m=sd[:, 1],
        heading_sd_deg=np.degrees(sd[:, 2]),
        flip_probability=seen.flip_probability[at],
    )


def _predicted_sds(study: Study, poses: FloatArray, state: IntArray) -> FloatArray:
    """Return sds of along, across, heading by pose and rig where the likely markers are read, and no others.

    `Prediction` has the mean over what may be read, which the poses that are compared are not drawn from.
    """
    model, still = picture_model(study, poses), np.zeros((len(poses), 2))
    sds = np.empty((len(poses), len(study.rigs), 3))
    for r, rig in enumerate(study.rigs):
        gains = rig_gains(model, rig, np.arange(len(poses)), state, still)
        lasting = np.concatenate([gains.constant[name] for name in (PULL, FLOOR, WHEELS)], axis=2)
        covariance = gains.noise + lasting @ np.swapaxes(lasting, 1, 2)
        sds[:, r] = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    return sds.reshape(-1, 3)


def _predicted_markers(study: Study, poses: FloatArray, state: IntArray) -> list[str]:
    """Return which markers each rig's mounts more likely read than not, by pose and rig, as `read` has them."""
    mounts, ids = used_mounts(study), study.field.marker_ids
    words = mount_information(study, mounts, poses).seen[:, np.arange(len(poses)), state]  # (K, N, W)
    bits = (words[..., None] >> np.arange(WORD_BITS) & 1).reshape(len(mounts), len(poses), -1)[..., : len(ids)]
    told = {
        mount.name: [_listed(set(ids[row].tolist())) for row in of_poses.astype(np.bool_)]
        for mount, of_poses in zip(mounts, bits, strict=True)
    }
    return [
        " / ".join(told[mount.name][n] for mount in map(study.robot.mount, rig.mounts))
        for n in range(len(poses))
        for rig in study.rigs
    ]


def _listed(marker_ids: set[int]) -> str:
    return " ".join(map(str, sorted(marker_ids))) or "none"


def predicted_anew(study: Study, poses: pd.DataFrame) -> pd.DataFrame:
    """Return `CHECKED_POSES` with the same outcomes beside the predictions of today's model."""
    fresh = []
    for detector, rows in poses.groupby("detector", sort=False):
        variant = study if detector == AS_STATED else _with_detector(study, str(detector))
        variant = replace(
            _with_own_family(variant), rigs=tuple(rig for rig in study.rigs if rig.name in set(rows["rig"]))
        )
        first = rows.drop_duplicates("pose")
        places = first[["robot_x_m", "robot_y_m"]].assign(heading=np.radians(first["robot_heading_deg"]))
        outcome = rows[[name for name in CHECKED_POSES.names if name in (*_OUTCOME, "rig")]]
        fresh.append(
            _beside_prediction(
                variant, first[["place", "state"]].reset_index(drop=True), places.to_numpy(), outcome
            ).assign(detector=detector)
        )
    return CHECKED_POSES.checked(pd.concat(fresh))
