"""What small mistakes in building do: a mount bumped, markers set a little off, a camera lost.

A change the robot knows of (its files are changed along, the mount is calibrated again) only changes what is seen. One
it does not know of pushes the pose aside by the gains of `planning.picture_model`; the chance to score is then that of
a Gaussian off the middle of the node's tolerances. Derived here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray, IntArray
from fiducialkit.errors import InputError
from fiducialkit.planning.arrival import chance_to_score, driven_blind, tool_covariance
from fiducialkit.planning.coverage import approach_poses
from fiducialkit.planning.off_centre import chance_inside_off_centre
from fiducialkit.planning.picture_model import LAYOUT, MOUNT, PictureModel, picture_model, rig_gains
from fiducialkit.planning.prediction import predict
from fiducialkit.planning.study import BuildTolerance, Study
from fiducialkit.scene.field import Node
from fiducialkit.scene.robot import Mount, Rig, Tool
from fiducialkit.tables import Column, Table

AXES = ("forward", "left", "up", "yaw", "tilt", "roll")
AS_DRAWN = "as drawn"
_UNIT = BuildTolerance(mount_sd_m=1.0, mount_sd_deg=1.0, marker_sd_m=1.0, marker_sd_deg=1.0)
LARGEST_MOVE_M, LARGEST_TURN_DEG = 0.05, 5.0  # beyond these a change is no small one

SENSITIVITY = Table(
    "sensitivity",
    (
        Column("rig", "text", "name of the rig"),
        Column("change", "text", "what is different from the files"),
        Column("robot_knows", "bool", "whether the robot's files are changed along, as after calibrating again"),
        Column("worst_chance", "float", "chance to score in the worst case (node, side, state)"),
        Column("mean_chance", "float", "mean over all cases"),
        Column("rank", "int", "among all rigs with this change; 1 is best"),
    ),
)
TOLERANCES = Table(
    "mount_tolerances",
    (
        Column("mount", "text", "name of the mount"),
        Column("axis", "text", "forward, left, up: of the robot; yaw, tilt, roll: of the camera, as in the robot file"),
        Column("unit", "text", "mm or degrees"),
        Column(
            "tolerance",
            "float",
            "how far off, either way, before the chance has fallen; infinite if beyond 50 mm or 5 degrees",
        ),
        Column("worst_chance", "float", "chance to score in the worst case as drawn"),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Arrivals:
    """The picture that serves best in C cases (node, side, state) of R rigs, and what it makes of the arrival."""

    pose_of: IntArray  # (C, R)
    state_of: IntArray  # (C,)
    blind_m: FloatArray  # (C, R)
    side: tuple[str, ...]  # (C,)
    box: FloatArray  # (C, 3)
    covariance: FloatArray  # (C, R, 3, 3) at the tool
    right: FloatArray  # (C, R): one less the flip probability, 0 where no marker is seen
    chance: FloatArray  # (C, R)


def sensitivity(
    study: Study,
    *,
    turn_deg: float = 1.0,
    move_m: float = 0.010,
    marker_move_m: float = 0.010,
    draws: int = 4,
    seed: int = 0,
) -> pd.DataFrame:
    """Return how every rig and its rank stand small changes.

    Each mount is turned and moved by itself, both ways along each of its six axes, once with the robot knowing and once
    without; all markers are moved both ways along each axis, at random, without the robot knowing; each camera is lost.

    Parameters
    ----------
    study : Study
    turn_deg, move_m, marker_move_m : float
        How far. [deg, m, m]
    draws : int
        How many random patterns of moved markers.
    seed : int
        Of those patterns.

    Returns
    -------
    DataFrame `SENSITIVITY`
        The rigs a change does not touch are not repeated, but count in the rank of those it does.
    """
    _check(study)
    for name, value in (("turn_deg", turn_deg), ("move_m", move_m), ("marker_move_m", marker_move_m)):
        if not (isinstance(value, int | float) and 0.0 < value < math.inf):
            raise InputError(f"{name}: expected a number above 0, found {value!r}")
    labels, poses = approach_poses(study)
    base = _arrivals(study, labels, poses)
    drawn = {rig.name: _worst_and_mean(base.chance[:, r]) for r, rig in enumerate(study.rigs)}
    rows = _ranked(AS_DRAWN, True, drawn, drawn)
    model = picture_model(replace(study, tolerance=_UNIT), poses)
    amounts = [move_m] * 3 + [turn_deg] * 3
    for mount in model.mounts:
        for axis, amount in zip(AXES, amounts, strict=True):
            for signed in (amount, -amount):
                change = f"{mount.name}: {_in_words(axis, signed)}"
                rows += _ranked(change, True, drawn, _rebuilt(study, labels, poses, _moved(mount, axis, signed)))
                rows += _ranked(change, False, drawn, _bumped(model, base, mount, axis, signed))
        rows += _ranked(f"{mount.name}: lost", True, drawn, _lost(study, labels, poses, mount))
    rng = np.random.default_rng(seed)
    for draw in range(draws):
        signs = marker_move_m * rng.choice([-1.0, 1.0], (len(study.field.markers), 3))
        change = f"markers {1000.0 * marker_move_m:g} mm off, pattern {draw + 1}"
        rows += _ranked(change, False, drawn, _misplaced(model, base, signs))
    return SENSITIVITY.checked(pd.DataFrame(rows))


def mount_tolerances(study: Study, rig: str, *, fall: float = 0.05) -> pd.DataFrame:
    """Return how far each mount of a rig may be off, unknown to the robot, before the chance falls in some case.

    One axis of one mount at a time, all the rest as drawn, the study's stated tolerances at work besides.

    Parameters
    ----------
    study : Study
    rig : str
    fall : float
        By how much the chance to score may fall in any node, side and state; 0.05 is five points.

    Returns
    -------
    DataFrame `TOLERANCES`
    """
    _check(study)
    if not (isinstance(fall, int | float) and 0.0 < fall < 1.0):
        raise InputError(f"fall: expected a number between 0 and 1, found {fall!r}")
    narrow = replace(study, rigs=(study.robot.rig(rig),))
    labels, poses = approach_poses(narrow)
    base = _arrivals(narrow, labels, poses)
    worst = float(base.chance.min())
    model = picture_model(replace(narrow, tolerance=_UNIT), poses)
    rows = []
    for mount in model.mounts:
        for axis in AXES:
            push = _push(model, base, 0, mount, axis)
            largest, unit, scale = (
                (LARGEST_MOVE_M, "mm", 1000.0) if axis in AXES[:3] else (LARGEST_TURN_DEG, "degrees", 1.0)
            )
            found = min(_farthest(base, sign * push, fall, largest) for sign in (1.0, -1.0))
            rows.append((mount.name, axis, unit, scale * found, worst))
    return TOLERANCES.checked(pd.DataFrame(rows, columns=TOLERANCES.names))


def _check(study: Study) -> None:
    if not study.field.markers or not study.field.nodes:
        raise InputError("field: expected at least one marker and one node, found none")


def _arrivals(study: Study, labels: pd.DataFrame, poses: FloatArray) -> _Arrivals:
    """Return the picture of each approach that serves best, driven on, as `compare_mounts` chooses it."""
    seen = predict(study, poses)
    distance = labels["distance_m"].to_numpy()
    node_of, side_of = labels["node"].to_numpy(), labels["side"].to_numpy()
    pose_of, covariance, right, chance, sides, boxes = [], [], [], [], [], []
    rigs = np.arange(len(study.rigs))
    for node in study.field.nodes:
        for side in study.sides:
            group = np.flatnonzero((node_of == node.name) & (side_of == side))
            # driving backwards a heading error carries the robot the other way: the stretch is below zero
            stretch = distance[group] if side == "front" else -distance[group]
            blind = np.broadcast_to(stretch[:, None, None], seen.markers[group].shape)
            carried = driven_blind(seen.covariance[group], blind, study.approach.speed_m_per_s, study.odometry)
            chances = _by_state(carried, seen.flip_probability[group], node, study.tool(side))
            for s in range(len(study.states)):
                best = np.argmax(np.round(np.nan_to_num(chances[:, s], nan=-1.0), 9), axis=0)
                pose_of.append(group[best])
                covariance.append(tool_covariance(carried[best, s, rigs], study.tool(side)))
                right.append(np.nan_to_num(1.0 - seen.flip_probability[group[best], s, rigs]))
                chance.append(np.nan_to_num(chances[best, s, rigs]))
                sides.append(side)
                boxes.append(
                    (node.tolerance_along_m, node.tolerance_across_m, math.radians(node.tolerance_heading_deg))
                )
    return _Arrivals(
        pose_of=np.array(pose_of, dtype=np.int64),
        state_of=np.tile(np.arange(len(study.states)), len(study.field.nodes) * len(study.sides)),
        blind_m=distance[np.array(pose_of)],
        side=tuple(sides),
        box=np.array(boxes),
        covariance=np.array(covariance),
        right=np.array(right),
        chance=np.array(chance),
    )


def _by_state(covariance: FloatArray, flips: FloatArray, node: Node, tool: Tool) -> FloatArray:
    """Return `chance_to_score` (n, S, R), worked out once where two states see the same."""
    chance = np.empty(flips.shape)
    for s in range(flips.shape[1]):
        twins = [e for e in range(s) if np.array_equal(covariance[:, e], covariance[:, s], equal_nan=True)]
        chance[:, s] = chance[:, twins[0]] if twins else chance_to_score(covariance[:, s], flips[:, s], node, tool)
    return chance


def _worst_and_mean(chance: FloatArray) -> tuple[float, float]:
    return float(chance.min()), float(chance.mean())


def _ranked(
    change: str, known: bool, drawn: dict[str, tuple[float, float]], now: dict[str, tuple[float, float]]
) -> list[dict[str, object]]:
    """Return a row a rig that the change touches, ranked among all as `compare_mounts` ranks."""
    every = drawn | now
    order = sorted(every, key=lambda name: (-round(every[name][0], 2), -every[name][1]))
    return [
        {
            "rig": name,
            "change": change,
            "robot_knows": known,
            "worst_chance": worst,
            "mean_chance": mean,
            "rank": order.index(name) + 1,
        }
        for name, (worst, mean) in now.items()
    ]


def _in_words(axis: str, amount: float) -> str:
    if axis in AXES[:3]:
        return f"{1000.0 * amount:+g} mm {axis}"
    return f"{axis} {amount:+g} degrees"


def _moved(mount: Mount, axis: str, amount: float) -> Mount:
    """Return the mount moved in robot, or turned, along one of `AXES`."""
    if axis in AXES[:3]:
        place = list(mount.position)
        place[AXES.index(axis)] += amount
        return replace(mount, position=(place[0], place[1], place[2]))
    key = f"{axis}_deg"
    return replace(mount, **{key: getattr(mount, key) + amount})


def _using(study: Study, mount: str) -> Iterator[Rig]:
    return (rig for rig in study.rigs if mount in rig.mounts)


def _rebuilt(study: Study, labels: pd.DataFrame, poses: FloatArray, mount: Mount) -> dict[str, tuple[float, float]]:
    """Return the chances of the rigs with that mount in place of the one of its name; none where it cannot be."""
    mounts = tuple(mount if each.name == mount.name else each for each in study.robot.mounts)
    rigs = tuple(_using(study, mount.name))
    try:
        changed = replace(study, robot=replace(study.robot, mounts=mounts), rigs=rigs)
    except InputError:  # into a structure, or beyond 90 degrees
        return {}
    found = _arrivals(changed, labels, poses).chance
    return {rig.name: _worst_and_mean(found[:, r]) for r, rig in enumerate(rigs)}


def _lost(study: Study, labels: pd.DataFrame, poses: FloatArray, mount: Mount) -> dict[str, tuple[float, float]]:
    left = {rig.name: tuple(name for name in rig.mounts if name != mount.name) for rig in _using(study, mount.name)}
    rigs = tuple(Rig(name=name, mounts=mounts) for name, mounts in left.items() if mounts)
    found = dict.fromkeys(left, (0.0, 0.0))
    if rigs:
        changed = replace(study, robot=replace(study.robot, rigs=rigs), rigs=rigs)
        chance = _arrivals(changed, labels, poses).chance
        found |= {rig.name: _worst_and_mean(chance[:, r]) for r, rig in enumerate(rigs)}
    return found


def _bumped(
    model: PictureModel, base: _Arrivals, mount: Mount, axis: str, amount: float
) -> dict[str, tuple[float, float]]:
    found = {}
    for r, rig in enumerate(model.study.rigs):
        if mount.name in rig.mounts:
            found[rig.name] = _worst_and_mean(_off_centre(base, r, amount * _push(model, base, r, mount, axis)))
    return found


def _push(model: PictureModel, base: _Arrivals, number: int, mount: Mount, axis: str) -> FloatArray:
    """Return how a mount that is off by one metre or degree pushes the tool point of each case, (C, 3)."""
    rig = model.study.rigs[number]
    place = [each.name for each in model.mounts if each.name in rig.mounts].index(mount.name)
    gains = _unit_gains(model, base, number, MOUNT)[:, :, 6 * place : 6 * place + 6]
    yaw, tilt = math.radians(mount.yaw_deg), math.radians(mount.tilt_deg)
    right = [math.sin(yaw), -math.cos(yaw), 0.0]
    view = [math.cos(yaw) * math.cos(tilt), math.sin(yaw) * math.cos(tilt), math.sin(tilt)]
    direction = {"yaw": [0.0, 0.0, 1.0], "tilt": right, "roll": view}.get(axis)
    if direction is None:
        return gains[:, :, AXES.index(axis)]
    return np.asarray(gains[:, :, 3:] @ np.array(direction))


def _unit_gains(model: PictureModel, base: _Arrivals, number: int, source: str) -> FloatArray:
    """Return what one metre or degree of each error of a source does at the tool point, (C, 3, n)."""
    still = np.zeros((len(base.side), 2))
    gains = rig_gains(model, model.study.rigs[number], base.pose_of[:, number], base.state_of, still)
    carried = np.broadcast_to(np.eye(3), (len(base.side), 3, 3)).copy()
    forward = np.array([1.0 if side == "front" else -1.0 for side in base.side])
    carried[:, 1, 2] = forward * base.blind_m[:, number]
    for case, side in enumerate(base.side):
        x, y, _ = model.study.tool(side).position
        carried[case] = np.array([[1.0, 0.0, -y], [0.0, 1.0, x], [0.0, 0.0, 1.0]]) @ carried[case]
    return np.asarray(carried @ gains.constant[source])


def _misplaced(model: PictureModel, base: _Arrivals, shifts_field: FloatArray) -> dict[str, tuple[float, float]]:
    """Return the chances with every marker shifted in field by (M, 3)."""
    found = {}
    for r, rig in enumerate(model.study.rigs):
        heading = model.poses[base.pose_of[:, r], 2]
        cosine, sine = np.cos(heading)[:, None], np.sin(heading)[:, None]
        x, y, z = shifts_field.T
        local = np.stack([cosine * x + sine * y, cosine * y - sine * x, np.broadcast_to(z, (len(heading), len(z)))], -1)
        gains = _unit_gains(model, base, r, LAYOUT)
        gains = gains.reshape(*gains.shape[:2], -1, 6)[..., :3]
        found[rig.name] = _worst_and_mean(_off_centre(base, r, np.einsum("cims,cms->ci", gains, local)))
    return found


def _off_centre(base: _Arrivals, number: int, offset: FloatArray) -> FloatArray:
    """Return the chance to score in each case with the tool pushed aside by (C, 3)."""
    inside = chance_inside_off_centre(base.covariance[:, number], np.nan_to_num(offset), base.box)
    return np.asarray(base.right[:, number] * np.nan_to_num(inside))


def _farthest(base: _Arrivals, push: FloatArray, fall: float, largest: float) -> float:
    """Return how far, up to `largest`, one can go before some case's chance has fallen by `fall`, to 1 %."""

    def fallen(amount: float) -> float:
        return float((base.chance[:, 0] - _off_centre(base, 0, amount * push)).max())

    if fallen(largest) <= fall:
        return math.inf
    low, high = 0.0, largest
    while high - low > 0.01 * high:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if fallen(middle) <= fall else (low, middle)
    return 0.5 * (low + high)


def largest_falls(table: pd.DataFrame, rigs: Sequence[str]) -> pd.DataFrame:
    """Return one row a rig: the change of the table `SENSITIVITY` that costs its worst case most.

    Returns
    -------
    DataFrame
        rig, change, robot_knows, worst_chance, fall, rank_as_drawn, worst_rank
    """
    rows = []
    for rig in rigs:
        part = table[table["rig"] == rig]
        drawn = part[part["change"] == AS_DRAWN].iloc[0]
        changed = part[part["change"] != AS_DRAWN].reset_index(drop=True)
        worst = changed.iloc[int(changed["worst_chance"].to_numpy().argmin())]
        rows.append(
            {
                "rig": rig,
                "change": worst["change"],
                "robot_knows": worst["robot_knows"],
                "worst_chance": worst["worst_chance"],
                "fall": drawn["worst_chance"] - worst["worst_chance"],
                "rank_as_drawn": drawn["rank"],
                "worst_rank": changed["rank"].max(),
            }
        )
    return pd.DataFrame(rows)
