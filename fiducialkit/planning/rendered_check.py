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
from dataclasses import dataclass, replace
from itertools import pairwise
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
from fiducialkit.planning.prediction import predict, used_mounts
from fiducialkit.planning.robot_detector import RUNNABLE, seen_by_robot
from fiducialkit.planning.study import OtherRobots, Study
from fiducialkit.scene.camera import Detector
from fiducialkit.scene.robot import Mount, Rig
from fiducialkit.scene.transforms import field_from_robot_on_floor, parts, rigid_transform
from fiducialkit.solving.pose import PoseSolution, solve_pose
from fiducialkit.statistics import wilson_interval
from fiducialkit.tables import Column, Table

_PLACE = (
    Column("pose", "int", "number of the drawn pose"),
    Column("place", "text", "approach or floor"),
    Column("state", "text", "mechanism state"),
    Column("robot_x_m", "float", "robot's origin in field"),
    Column("robot_y_m", "float", "robot's origin in field"),
    Column("robot_heading_deg", "float", "robot's forward, counter-clockwise from the field's x"),
)
_RIG = Column("rig", "text", "name of the rig")
_DETECTOR = Column("detector", "text", "that read the pictures: stock, fitted, or as each camera file says")
CHECKED_POSES = Table(
    "checked_poses",
    (
        *_PLACE,
        _RIG,
        _DETECTOR,
        Column("status", "text", "of the solved pose"),
        Column("markers_read", "int", "distinct markers read and used"),
        Column("markers_predicted", "int", "distinct markers more likely read than not"),
        Column("chance_seen", "float", "predicted chance that at least one marker is read"),
        Column("distance_m", "float", "to the nearest marker read, over the floor; missing where none is"),
        Column("along_error_m", "float", "solved less true, along the robot's heading"),
        Column("across_error_m", "float", "solved less true, across the robot's heading"),
        Column("heading_error_deg", "float", "solved less true"),
        Column("along_sd_m", "float", "predicted from corner noise and priors"),
        Column("across_sd_m", "float", "predicted from corner noise and priors"),
        Column("heading_sd_deg", "float", "predicted from corner noise and priors"),
        Column("is_flipped", "bool", "another pose that fits the corners lies nearer to the truth"),
        Column("flip_probability", "float", "predicted"),
    ),
)
RENDERED_CHECK = Table(
    "rendered_check",
    (
        _RIG,
        _DETECTOR,
        Column("from_m", "float", "distance of the nearest marker read, from"),
        Column("to_m", "float", "to below"),
        Column("poses", "int", "solved poses where markers were predicted too"),
        Column("as_predicted", "int", "those that read as many markers as predicted and are not flipped"),
        Column("along_ratio", "float", "their error along over its predicted sd, rms"),
        Column("across_ratio", "float", "the same across"),
        Column("heading_ratio", "float", "the same of the heading"),
        Column("ratio_sd", "float", "by how much such a ratio scatters by chance"),
        Column("far_off", "int", "of those, poses more than 4 predicted sds off in one of the three"),
        Column("flips", "int", "poses that came out flipped"),
        Column("flips_predicted", "float", "expected number"),
    ),
)
COVERAGE = Table(
    "rendered_coverage",
    (
        _RIG,
        _DETECTOR,
        Column("poses", "int", "poses drawn"),
        Column("share_seen", "float", "share that read at least one marker of the field"),
        Column("share_low", "float", "95 % interval"),
        Column("share_high", "float", "95 % interval"),
        Column("share_predicted", "float", "predicted share"),
        Column("flips", "int", "solved poses that came out flipped"),
        Column("flips_low", "float", "95 % interval of the expected number's binomial scatter"),
        Column("flips_high", "float", "95 % interval"),
        Column("flips_predicted", "float", "expected number"),
    ),
)
AS_STATED = "as each camera file says"
DISTANCES_M = (0.0, 1.0, 2.0, 3.0, 4.5, math.inf)
_OUTCOME = (
    "status", "markers_read", "distance_m", "along_error_m", "across_error_m", "heading_error_deg", "is_flipped",
)  # fmt: skip
HALL = RenderSettings(background=Background(kind="hall"))
_AT_ONCE = 8
_FAR_SDS = 4.0
_TWO_SIDED_95 = 1.959964


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RenderedCheck:
    """Predictions beside what came out of pictures.

    Attributes
    ----------
    study : Study
    poses : DataFrame `CHECKED_POSES`, a row a pose and rig
    table : DataFrame `RENDERED_CHECK`, a row a rig and distance
    coverage : DataFrame `COVERAGE`, a row a rig
    sentence : str
    seed : int
    """

    study: Study
    poses: pd.DataFrame
    table: pd.DataFrame
    coverage: pd.DataFrame
    sentence: str
    seed: int

    def __str__(self) -> str:
        return self.sentence


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
    sd = np.sqrt(np.diagonal(seen.noise_covariance[at], axis1=1, axis2=2))
    place = labels.assign(
        pose=np.arange(count),
        robot_x_m=poses[:, 0],
        robot_y_m=poses[:, 1],
        robot_heading_deg=np.degrees(np.arctan2(np.sin(poses[:, 2]), np.cos(poses[:, 2]))),
    )
    table = place.loc[np.repeat(place.index, rigs)].reset_index(drop=True).join(outcome.reset_index(drop=True))
    return table.assign(
        markers_predicted=seen.markers[at],
        chance_seen=seen.chance_1[at],
        along_sd_m=sd[:, 0],
        across_sd_m=sd[:, 1],
        heading_sd_deg=np.degrees(sd[:, 2]),
        flip_probability=seen.flip_probability[at],
    )


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


def summary(study: Study, poses: pd.DataFrame, seed: int) -> RenderedCheck:
    """Return the check that these rows, `CHECKED_POSES`, make."""
    groups = [(name, rows) for name, rows in poses.groupby(["rig", "detector"], sort=False)]
    by_distance = [
        dict(zip(("rig", "detector"), name, strict=True)) | _in_bin(rows, low, high)
        for name, rows in groups
        for low, high in pairwise(DISTANCES_M)
    ]
    covered = [dict(zip(("rig", "detector"), name, strict=True)) | _covered(rows) for name, rows in groups]
    table = RENDERED_CHECK.checked(
        pd.DataFrame([row for row in by_distance if row["poses"]], columns=RENDERED_CHECK.names)
    )
    coverage = COVERAGE.checked(pd.DataFrame(covered))
    return RenderedCheck(
        study=study, poses=poses, table=table, coverage=coverage, sentence=_sentence(table, coverage), seed=seed
    )


def _compared(poses: pd.DataFrame) -> pd.DataFrame:
    """Return the poses that have an error and a prediction of it."""
    return poses[poses["along_error_m"].notna() & poses["along_sd_m"].notna()]


def _in_bin(poses: pd.DataFrame, low: float, high: float) -> dict[str, Any]:
    rows = _compared(poses)
    rows = rows[(rows["distance_m"] >= low) & (rows["distance_m"] < high)]
    right = rows[~rows["is_flipped"] & (rows["markers_read"] == rows["markers_predicted"])]
    units = (("along", "m"), ("across", "m"), ("heading", "deg"))
    sds = np.column_stack([right[f"{name}_error_{unit}"] / right[f"{name}_sd_{unit}"] for name, unit in units])
    ratios = {f"{name}_ratio": _rms(sds[:, k]) for k, (name, _) in enumerate(units)}
    return {
        "from_m": low, "to_m": high, "poses": len(rows), "as_predicted": len(right), **ratios,
        "ratio_sd": 1.0 / math.sqrt(2.0 * len(right)) if len(right) else math.nan,
        "far_off": int((np.abs(sds) > _FAR_SDS).any(axis=1).sum()),
        "flips": int(rows["is_flipped"].sum()), "flips_predicted": float(rows["flip_probability"].sum()),
    }  # fmt: skip


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else math.nan


def _covered(poses: pd.DataFrame) -> dict[str, Any]:
    seen = int((poses["markers_read"] > 0).sum())
    low, high = wilson_interval(seen, len(poses))
    rows = _compared(poses)
    rows = rows[rows["flip_probability"].notna()]
    chance = rows["flip_probability"].to_numpy(dtype=np.float64)
    expected, scatter = float(chance.sum()), math.sqrt(float((chance * (1.0 - chance)).sum()))
    return {
        "poses": len(poses), "share_seen": seen / len(poses), "share_low": low, "share_high": high,
        "share_predicted": float(poses["chance_seen"].mean()), "flips": int(rows["is_flipped"].sum()),
        "flips_low": max(0.0, expected - _TWO_SIDED_95 * scatter), "flips_high": expected + _TWO_SIDED_95 * scatter,
        "flips_predicted": expected,
    }  # fmt: skip


def _sentence(table: pd.DataFrame, coverage: pd.DataFrame) -> str:
    off = coverage["share_seen"] - coverage["share_predicted"]
    worst = int(off.abs().to_numpy().argmax())
    text = (
        f"{int(coverage['poses'].iloc[0])} rendered poses: '{coverage['rig'][worst]}' reads a marker at "
        f"{100 * coverage['share_seen'][worst]:.1f} % of them, {100 * coverage['share_predicted'][worst]:.1f} % "
        "predicted, the largest difference of all rigs"
    )
    if len(table):
        columns = ["along_ratio", "across_ratio", "heading_ratio"]
        ratios, weights = table[columns].to_numpy(), table["as_predicted"].to_numpy()[:, None]
        total = float(np.sum(weights * np.isfinite(ratios)))
        overall = math.sqrt(float(np.nansum(weights * ratios**2)) / total) if total else math.nan
        text += f"; errors are {overall:.2f} times the predicted sd (rms)"
    flips, expected = int(coverage["flips"].sum()), float(coverage["flips_predicted"].sum())
    return f"{text}; {flips} mirrored poses, {expected:.1f} predicted."
