"""Lenses, resolutions, shutters and exposure times compared on the same mounts.

Every camera in turn takes the place of all cameras of the study's rigs. What it costs to drive while it exposes is
taken at each sighting on the approaches: smear along the marker's way through the picture, blur by depth of field where
a focus is given, and what a rolling shutter skews. Smear of length b widens an edge like a blur of sd b / sqrt(12);
errors and chances are predicted at each camera's middle smear and defocus, in the blur.

Contrast and noise are those of each camera's own file: a camera that exposes half as long gets half the light, and its
file should say so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray, IntArray
from fiducialkit.errors import InputError
from fiducialkit.imaging.optical_blur import Focus
from fiducialkit.planning.coverage import approach_poses
from fiducialkit.planning.detectability import TABLE_FACING_DEG, TABLE_WIDTHS_PX, camera_tables
from fiducialkit.planning.mount_study import compare_mounts
from fiducialkit.planning.picture_model import markers_seen
from fiducialkit.planning.prediction import used_mounts
from fiducialkit.planning.study import FloorGrid, Study
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.robot import Mount
from fiducialkit.scene.transforms import field_from_robot_on_floor, parts
from fiducialkit.tables import Column, Table

LENSES = Table(
    "lenses",
    (
        Column("camera", "text", "name of the camera"),
        Column("rig", "text", "name of the rig"),
        Column("node", "text", "name of the scoring node"),
        Column("across_deg", "float", "field of view, left edge to right, of the undistorted lens"),
        Column("nearest_m", "float", "nearest usable marker on the approaches, from the lens; missing without one"),
        Column("farthest_m", "float", "farthest usable marker on the approaches"),
        Column("usable_share", "float", "share of the approaches' poses with a usable marker"),
        Column("smear_px", "float", "way of a usable marker through the picture while exposed, median"),
        Column("largest_smear_px", "float", "the same, largest"),
        Column("skew_px", "float", "by how much a rolling shutter shifts a marker's bottom against its top, largest"),
        Column("defocus_px", "float", "sd of the blur by depth of field, largest; 0 without a focus"),
        Column("position_95_m", "float", "radius that holds 95 % of positions, worst side and state"),
        Column("heading_95_deg", "float", "half width that holds 95 % of headings, worst side and state"),
        Column("chance_to_score", "float", "worst side and mechanism state"),
    ),
)
USABLE_CHANCE = 0.5  # a marker is usable if it is read more often than not
_FOCAL_TOLERANCE = 0.25
_A_MOMENT_S = 1e-4
_AROUND = FloorGrid(step_m=10.0, headings=1)  # the floor plays no part here


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sightings:
    """Usable or not, what the mounts see on the approaches: one row a (pose, mount, marker)."""

    pose: IntArray
    mount: IntArray
    distance_m: FloatArray
    smear_px: FloatArray
    skew_px: FloatArray
    defocus_px: FloatArray
    chance: FloatArray


def compare_lenses(
    study: Study,
    cameras: Sequence[Camera],
    *,
    focus: Mapping[str, Focus] | None = None,
    turn_deg_per_s: float = 0.0,
    workers: int | None = None,
) -> pd.DataFrame:
    """Return how cameras compare on the study's mounts, `LENSES`: a row a camera, rig and node.

    Parameters
    ----------
    study : Study
        Its approach speed smears.
    cameras : sequence of Camera
        By distinct names; each with its own lens, picture size, noise and timing.
    focus : mapping of camera name to Focus, optional
        For depth of field.
    turn_deg_per_s : float
        Turn rate on the approach, on top of the speed.
    workers : int, optional
        Threads.

    Raises
    ------
    InputError
        If there is no camera, a name is there twice, a focus is of no camera or of another lens, or the field has no
        marker or node.
    """
    cameras, focus = tuple(cameras), dict(focus or {})
    _check(study, cameras, focus, turn_deg_per_s)
    labels, poses = approach_poses(study)
    rows = []
    for camera in cameras:
        own = _with_camera(study, camera)
        seen = _sightings(own, poses, focus.get(camera.name), turn_deg_per_s)
        by_node = _outcome(own, seen, workers)
        rows += [
            {"camera": camera.name, "across_deg": camera.field_of_view_deg[0]} | _at_node(own, rig, node, labels, seen)
            | by_node.loc[(study.rigs[rig].name, node)].to_dict()
            for rig in range(len(study.rigs))
            for node in dict.fromkeys(labels["node"])
        ]  # fmt: skip
    return LENSES.checked(pd.DataFrame(rows))


def _check(study: Study, cameras: tuple[Camera, ...], focus: dict[str, Focus], turn_deg_per_s: float) -> None:
    if not cameras or not all(isinstance(camera, Camera) for camera in cameras):
        raise InputError(f"cameras: expected at least one Camera, found {len(cameras)} things")
    names = [camera.name for camera in cameras]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"cameras: expected each name once, found '{name}' {names.count(name)} times")
    if not study.field.markers or not study.field.nodes:
        raise InputError("field: expected at least one marker and one node to compare lenses by, found none")
    if not 0.0 <= abs(turn_deg_per_s) <= 3600.0:
        raise InputError(f"turn_deg_per_s: expected within 3600, found {turn_deg_per_s!r}")
    for name, lens in focus.items():
        if name not in names:
            listed = ", ".join(f"'{each}'" for each in names)
            raise InputError(f"focus: expected names among {listed}, found '{name}'")
        focal_px = 1000.0 * lens.focal_length_mm / lens.pixel_pitch_um
        wanted = cameras[names.index(name)].fx_px
        if abs(focal_px / wanted - 1.0) > _FOCAL_TOLERANCE:
            raise InputError(
                f"focus['{name}']: expected focal length over pixel pitch near the camera's {wanted:.0f} px, "
                f"found {focal_px:.0f} px"
            )


def _with_camera(study: Study, camera: Camera) -> Study:
    mounts = tuple(replace(mount, camera=camera) for mount in study.robot.mounts)
    return replace(study, robot=replace(study.robot, mounts=mounts))


def _sightings(study: Study, poses: FloatArray, focus: Focus | None, turn_deg_per_s: float) -> _Sightings:
    """Return every sighting that is there in some mechanism state, with what motion and focus do to it."""
    mounts = used_mounts(study)
    is_seen = markers_seen(study, poses).any(axis=1)
    pose, mount, marker = np.nonzero(is_seen)
    camera = mounts[0].camera
    middle = _projected(mounts, study, poses, (pose, mount, marker))
    pixels, depth, distance, facing = middle
    late = _projected(mounts, study, _driven(poses, study, turn_deg_per_s), (pose, mount, marker))[0]
    flow = np.linalg.norm(late.mean(axis=1) - pixels.mean(axis=1), axis=1) / _A_MOMENT_S  # px a second
    smear = flow * camera.timing.exposure_s
    tall = np.ptp(pixels[:, :, 1], axis=1)
    defocus = np.array([focus.blur_px(float(z)) if focus else 0.0 for z in depth])
    chance = _chances(study, camera, pixels, facing, smear, defocus)
    return _Sightings(
        pose=pose,
        mount=mount,
        distance_m=distance,
        smear_px=smear,
        skew_px=flow * tall * camera.timing.row_time_s,
        defocus_px=defocus,
        chance=chance,
    )


def _driven(poses: FloatArray, study: Study, turn_deg_per_s: float) -> FloatArray:
    """Return where the robot is a moment later, driving as on the approach; backwards turns the way, not the smear."""
    step = study.approach.speed_m_per_s * _A_MOMENT_S
    moved = poses.copy()
    moved[:, 0] += step * np.cos(poses[:, 2])
    moved[:, 1] += step * np.sin(poses[:, 2])
    moved[:, 2] += math.radians(turn_deg_per_s) * _A_MOMENT_S
    return moved


def _projected(
    mounts: Sequence[Mount], study: Study, poses: FloatArray, which: tuple[IntArray, IntArray, IntArray]
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return corners (V, 4, 2) [px], depth [m], distance from the lens [m] and facing angle [deg] of sightings."""
    pixels, depth = np.empty((len(which[0]), 4, 2)), np.empty(len(which[0]))
    distance, facing = np.empty(len(which[0])), np.empty(len(which[0]))
    normals = np.array([parts(marker.field_from_marker)[0][:, 2] for marker in study.field.markers])
    for number in np.unique(which[0]):
        x_m, y_m, heading = poses[number].tolist()
        field_from_robot = field_from_robot_on_floor(x_m, y_m, math.degrees(heading))
        for k, mount in enumerate(mounts):
            rows = np.flatnonzero((which[0] == number) & (which[1] == k))
            if not len(rows):
                continue
            corners = study.field.corners_field[which[2][rows]]
            rotation, pupil = parts(field_from_robot * mount.robot_from_camera)
            in_camera = (corners - pupil) @ rotation
            found, _ = mount.camera.project(in_camera.reshape(-1, 3))
            pixels[rows] = found.reshape(-1, 4, 2)
            sight = pupil - corners.mean(axis=1)
            distance[rows] = np.linalg.norm(sight, axis=1)
            depth[rows] = in_camera[:, :, 2].mean(axis=1)
            cosine = (sight * normals[which[2][rows]]).sum(axis=1) / distance[rows]
            facing[rows] = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    return pixels, depth, distance, facing


def _chances(
    study: Study, camera: Camera, pixels: FloatArray, facing: FloatArray, smear: FloatArray, defocus: FloatArray
) -> FloatArray:
    """Return the chance that each sighting is read; blurs alike to a quarter of a pixel share a table."""
    sides = np.linalg.norm(pixels - np.roll(pixels, 1, axis=1), axis=2)
    x, y = pixels[:, :, 0], pixels[:, :, 1]
    area = 0.5 * np.abs((x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y).sum(axis=1))
    width = area / np.maximum(sides.max(axis=1, initial=0.0), 1e-9)
    chance, rounded = np.zeros(len(width)), np.rint(4.0 * np.column_stack([smear, defocus])) / 4.0
    cells = study.field.family.cells(study.field.border_cells)
    for pair in np.unique(rounded, axis=0):
        rows = np.flatnonzero((rounded == pair).all(axis=1))
        table = camera_tables(_blurred(camera, 0.0, float(pair[1])), cells=cells, smear_px=float(pair[0]))[1]
        chance[rows] = _looked_up(table, width[rows], facing[rows])
    return chance


def _looked_up(table: FloatArray, width_px: FloatArray, facing_deg: FloatArray) -> FloatArray:
    """Return the table's values, straight in the logarithm of the width and in the angle."""
    place = np.interp(np.log2(np.maximum(width_px, 1.0)), np.log2(TABLE_WIDTHS_PX), np.arange(len(TABLE_WIDTHS_PX)))
    turned = np.interp(facing_deg, TABLE_FACING_DEG, np.arange(len(TABLE_FACING_DEG)))
    i = np.minimum(place.astype(np.int64), len(TABLE_WIDTHS_PX) - 2)
    j = np.minimum(turned.astype(np.int64), len(TABLE_FACING_DEG) - 2)
    a, b = place - i, turned - j
    low = (1.0 - a) * table[i, j] + a * table[i + 1, j]
    high = (1.0 - a) * table[i, j + 1] + a * table[i + 1, j + 1]
    return np.asarray((1.0 - b) * low + b * high)


def _blurred(camera: Camera, smear_px: float, defocus_px: float) -> Camera:
    """Return the camera with smear and defocus in its blur."""
    blur = math.sqrt(camera.noise.blur_px**2 + smear_px**2 / 12.0 + defocus_px**2)
    return replace(camera, noise=replace(camera.noise, blur_px=blur))


def _outcome(study: Study, seen: _Sightings, workers: int | None) -> pd.DataFrame:
    """Return errors and chance by rig and node, the worst side and state, at the camera's middle smear and defocus."""
    usable = seen.chance >= USABLE_CHANCE
    middle = [float(np.median(each[usable])) if usable.any() else 0.0 for each in (seen.smear_px, seen.defocus_px)]
    camera = used_mounts(study)[0].camera
    taken = replace(_with_camera(study, _blurred(camera, *middle)), floor=_AROUND)
    cases = compare_mounts(taken, workers=workers).by_node.groupby(["rig", "node"], sort=False)
    worst = cases[["position_95_m", "heading_95_deg"]].max()
    return worst.assign(chance_to_score=cases["chance_to_score"].min())


def _at_node(study: Study, rig: int, node: str, labels: pd.DataFrame, seen: _Sightings) -> dict[str, object]:
    """Return what one rig's mounts see on the approaches to one node."""
    mounts = [mount.name for mount in used_mounts(study)]
    own = np.isin(seen.mount, [mounts.index(name) for name in study.rigs[rig].mounts])
    here = (labels["node"] == node).to_numpy()
    rows = np.flatnonzero(own & here[seen.pose] & (seen.chance >= USABLE_CHANCE))
    row: dict[str, object] = {"rig": study.rigs[rig].name, "node": node}
    row["usable_share"] = len(np.unique(seen.pose[rows])) / max(int(here.sum()), 1)
    for name, values, how in (
        ("nearest_m", seen.distance_m, np.min),
        ("farthest_m", seen.distance_m, np.max),
        ("smear_px", seen.smear_px, np.median),
        ("largest_smear_px", seen.smear_px, np.max),
        ("skew_px", seen.skew_px, np.max),
        ("defocus_px", seen.defocus_px, np.max),
    ):
        row[name] = float(how(values[rows])) if len(rows) else math.nan
    return row
