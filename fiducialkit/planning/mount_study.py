"""The comparison of rigs: per node, per approach, per mechanism state and side, and over the whole floor."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.errors import InputError
from fiducialkit.planning import verdict
from fiducialkit.planning.approach_filter import filtered_arrivals
from fiducialkit.planning.arrival import chance_to_score, driven_blind, tool_covariance
from fiducialkit.planning.coverage import FloorPoses, approach_poses, floor_poses, longest_blind_m
from fiducialkit.planning.detectability import detector_in_words
from fiducialkit.planning.mount_tables import BY_APPROACH, BY_NODE, MAPS, RIGS
from fiducialkit.planning.prediction import Prediction, predict
from fiducialkit.planning.rig_differences import rig_differences
from fiducialkit.planning.study import Study
from fiducialkit.scene.field import Node
from fiducialkit.scene.robot import Tool
from fiducialkit.statistics import radius_95

_CASE = ["rig", "node", "side", "state"]
_TWO_SIDED_95 = 1.959964


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MountComparison:
    """How the rigs of a study compare.

    Attributes
    ----------
    study : Study
    table : DataFrame `mount_tables.RIGS`, best first
    by_node : DataFrame `mount_tables.BY_NODE`
    by_approach : DataFrame `mount_tables.BY_APPROACH`
    maps : DataFrame `mount_tables.MAPS`
    verdict : str
        A few sentences.
    assumptions : tuple of str
        What every number rests on.
    differences : DataFrame `mount_tables.DIFFERENCES`
        Which rigs differ at all; see `rig_differences`.
    """

    study: Study
    table: pd.DataFrame
    by_node: pd.DataFrame
    by_approach: pd.DataFrame
    maps: pd.DataFrame
    verdict: str
    assumptions: tuple[str, ...]
    differences: pd.DataFrame

    def __str__(self) -> str:
        return self.verdict


def compare_mounts(study: Study, *, workers: int | None = None) -> MountComparison:
    """Return how the study's rigs compare; the same on any number of `workers` (threads).

    Every predicted error holds corner noise, and mount, marker and focal errors as the study's `[tolerance]` states
    them; those stay the same for a whole drive, so they do not shrink with more pictures. On arrival the robot keeps
    the best pose of its approach, driven on with wheels and gyro: rank and `chance_to_score` go by that, as search and
    sensitivity do. Beside it stands `chance_filtered`, for a robot that joins every picture of the approach, 30 a
    second, with wheels and gyro in a filter that knows which errors stay the same; see `approach_filter`.

    Raises
    ------
    InputError
        If the field has no marker or no scoring node.
    """
    if not study.field.markers or not study.field.nodes:
        raise InputError("field: expected at least one marker and one node to compare rigs by, found none")
    labels, poses = approach_poses(study)
    seen = predict(study, poses, workers=workers)
    by_approach = _by_approach(study, labels, poses, seen)
    by_node = _by_node(study, labels, seen)
    floor = floor_poses(study)
    seen_on_floor = predict(study, floor.poses[floor.is_free], with_flips=False, workers=workers)
    maps = _maps(study, floor, seen_on_floor)
    table = _ranked(study, by_node, maps)
    differences = rig_differences(by_node, list(table["rig"]))
    return MountComparison(
        study=study,
        table=table,
        by_node=by_node,
        by_approach=by_approach,
        maps=maps,
        verdict=verdict.verdict(table, differences),
        assumptions=verdict.assumptions(study),
        differences=differences,
    )


def position_95_m(covariance: FloatArray) -> FloatArray:
    """Return the radius that holds 95 % of the positions, from covariances (..., 3, 3) of along, across, heading."""
    along, across, mixed = covariance[..., 0, 0], covariance[..., 1, 1], covariance[..., 0, 1]
    middle, spread = 0.5 * (along + across), np.hypot(0.5 * (along - across), mixed)
    return radius_95(np.sqrt(middle + spread), np.sqrt(np.maximum(middle - spread, 0.0)))


def heading_95_deg(covariance: FloatArray) -> FloatArray:
    """Return the half width that holds 95 % of the headings. [deg]"""
    return np.asarray(_TWO_SIDED_95 * np.degrees(np.sqrt(covariance[..., 2, 2])))


def _by_approach(study: Study, labels: pd.DataFrame, poses: FloatArray, seen: Prediction) -> pd.DataFrame:
    place = labels.assign(
        robot_x_m=poses[:, 0],
        robot_y_m=poses[:, 1],
        robot_heading_deg=np.degrees(np.arctan2(np.sin(poses[:, 2]), np.cos(poses[:, 2]))),
    )
    position, heading = position_95_m(seen.covariance), heading_95_deg(seen.covariance)
    parts = [
        place.assign(
            rig=rig.name,
            state=state,
            markers=seen.markers[:, s, r],
            position_95_m=position[:, s, r],
            heading_95_deg=heading[:, s, r],
            flip_probability=seen.flip_probability[:, s, r],
        )
        for r, rig in enumerate(study.rigs)
        for s, state in enumerate(study.states)
    ]
    return BY_APPROACH.checked(pd.concat(parts, ignore_index=True))


def _by_node(study: Study, labels: pd.DataFrame, seen: Prediction) -> pd.DataFrame:
    groups = labels.groupby(["node", "side"], sort=False).indices
    rows: list[dict[str, object]] = []
    for node in study.field.nodes:
        for side in study.sides:
            index = np.asarray(groups[(node.name, side)], dtype=np.int64)
            rows += _arrivals(study, node, side, labels["distance_m"].to_numpy()[index], seen.at(index))
    nodes = {node.name: node for node in study.field.nodes}
    for row in rows:
        row["reason"] = verdict.reason(row, nodes[str(row["node"])], study)
    return BY_NODE.checked(pd.DataFrame(rows).merge(_filtered(study), on=_CASE, how="left", validate="one_to_one"))


def _filtered(study: Study) -> pd.DataFrame:
    names = {"chance_to_score": "chance_filtered", "position_95_m": "position_95_filtered_m"}
    return filtered_arrivals(study)[[*_CASE, *names]].rename(columns=names)


def _arrivals(study: Study, node: Node, side: str, distance_m: FloatArray, seen: Prediction) -> list[dict[str, object]]:
    """Return the rows of `BY_NODE` for one node and side: the pose of each approach that serves best, driven on."""
    tool = study.tool(side)
    # driving backwards a heading error carries the robot the other way: the stretch is below zero
    stretch_m = distance_m if side == "front" else -distance_m
    stretches = np.broadcast_to(stretch_m[:, None, None], seen.markers.shape)
    carried = driven_blind(seen.covariance, stretches, study.approach.speed_m_per_s, study.odometry)
    chance = np.nan_to_num(chance_to_score(carried, seen.flip_probability, node, tool), nan=-1.0)
    # distances rise along the first axis; a farther pose is taken only where it is better by more than rounding
    best = np.argmax(np.round(chance, 9), axis=0)
    s_of, r_of = np.indices(best.shape)
    there = _arrival(carried[best, s_of, r_of], tool)
    rows: list[dict[str, object]] = []
    for r, rig in enumerate(study.rigs):
        for s, state in enumerate(study.states):
            i = int(best[s, r])
            label = {"rig": rig.name, "node": node.name, "side": side, "state": state}
            shares = _sightings(study, seen.markers[:, s, r], distance_m) | {
                "approach_share_1": float(np.mean(seen.chance_1[:, s, r])),
                "approach_share_2": float(np.mean(seen.chance_2[:, s, r])),
            }
            row = {name: float(values[s, r]) for name, values in there.items()} | {
                "held_from_m": float(distance_m[i]) if chance[i, s, r] >= 0.0 else math.nan,
                "flip_probability": float(seen.flip_probability[i, s, r]),
                "chance_to_score": max(float(chance[i, s, r]), 0.0),
            }
            rows.append(label | shares | row)
    return rows


def _sightings(study: Study, markers: IntArray, distance_m: FloatArray) -> dict[str, object]:
    length_m = study.approach.distance_m
    longest_m = longest_blind_m(distance_m, markers > 0, length_m)
    seen_m = distance_m[markers > 0]
    return {
        "markers_at_node": int(markers[np.argmin(distance_m)]),
        "blind_m": float(seen_m.min()) if seen_m.size else length_m,
        "longest_blind_m": longest_m,
        "longest_blind_s": longest_m / study.approach.speed_m_per_s,
    }


def _arrival(covariance: FloatArray, tool: Tool) -> dict[str, FloatArray]:
    sd = np.sqrt(np.diagonal(tool_covariance(covariance, tool), axis1=-2, axis2=-1))
    return {
        "position_95_m": position_95_m(covariance),
        "heading_95_deg": heading_95_deg(covariance),
        "tool_along_sd_m": sd[..., 0],
        "tool_across_sd_m": sd[..., 1],
        "heading_sd_deg": np.degrees(sd[..., 2]),
    }


def _maps(study: Study, floor: FloorPoses, seen: Prediction) -> pd.DataFrame:
    free = floor.is_free.reshape(-1, floor.headings)
    parts = []
    for r, rig in enumerate(study.rigs):
        for s, state in enumerate(study.states):
            position = _on_grid(floor, position_95_m(seen.covariance[:, s, r]))
            heading = _on_grid(floor, heading_95_deg(seen.covariance[:, s, r]))
            cells = {
                "robot_x_m": floor.x_m,
                "robot_y_m": floor.y_m,
                "share_1": _mean(_on_grid(floor, seen.chance_1[:, s, r]), free),
                "share_2": _mean(_on_grid(floor, seen.chance_2[:, s, r]), free),
                "position_95_m": _median(position),
                "heading_95_deg": _median(heading),
            }
            parts.append(pd.DataFrame(cells).assign(rig=rig.name, state=state))
    return MAPS.checked(pd.concat(parts, ignore_index=True))


def _on_grid(floor: FloorPoses, values: FloatArray) -> FloatArray:
    grid = np.full(len(floor.poses), np.nan)
    grid[floor.is_free] = values
    return grid.reshape(-1, floor.headings)


def _mean(chance: FloatArray, free: BoolArray) -> FloatArray:
    count = free.sum(axis=1)
    return np.where(count > 0, np.where(free, chance, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan)


def _median(values: FloatArray) -> FloatArray:
    """Return the median of the numbers of each row, NaN where a row has none."""
    filled = np.sort(values, axis=1)  # NaN goes last
    count = np.isfinite(values).sum(axis=1)
    rows = np.arange(len(values))
    low, high = filled[rows, np.maximum((count - 1) // 2, 0)], filled[rows, np.minimum(count // 2, values.shape[1] - 1)]
    return np.where(count > 0, 0.5 * (low + high), np.nan)


def _median_of(values: pd.Series[float]) -> float:
    known = values.dropna()
    return float(known.median()) if len(known) else math.nan


def _ranked(study: Study, by_node: pd.DataFrame, maps: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for rig in study.rigs:
        cases = by_node[by_node["rig"] == rig.name].reset_index(drop=True)
        floor = maps[maps["rig"] == rig.name]
        # states that see alike differ in the last digits, and by nothing that should be said
        worst = cases.iloc[int(cases["chance_to_score"].to_numpy().round(9).argmin())]
        detectors = dict.fromkeys(detector_in_words(study.robot.mount(name).camera) for name in rig.mounts)
        rows.append(
            {
                "rank": 0,
                "rig": rig.name,
                "cameras": len(rig.mounts),
                "worst_chance": worst["chance_to_score"],
                "mean_chance": cases["chance_to_score"].mean(),
                "worst_chance_filtered": cases["chance_filtered"].min(),
                "mean_chance_filtered": cases["chance_filtered"].mean(),
                "benefit": np.average(cases["chance_to_score"], weights=cases["node"].map(study.weight)),
                "cost": sum(study.robot.mount(name).cost for name in rig.mounts),
                "worst_case": verdict.case_in_words(worst),
                "approach_share_1": cases["approach_share_1"].mean(),
                "approach_share_2": cases["approach_share_2"].mean(),
                "longest_blind_m": cases["longest_blind_m"].max(),
                "longest_blind_s": cases["longest_blind_s"].max(),
                "floor_share_1": floor["share_1"].mean(),
                "floor_share_2": floor["share_2"].mean(),
                "position_95_m": _median_of(cases["position_95_m"]),
                "heading_95_deg": _median_of(cases["heading_95_deg"]),
                "worst_flip_probability": cases["flip_probability"].max(),
                "detector": " / ".join(detectors),
                "reason": worst["reason"],
            }
        )
    table = pd.DataFrame(rows)
    # one per cent of chance decides nothing: below that the benefit, and then the error, speaks
    table["coarse"] = table["worst_chance"].round(2)
    table = table.sort_values(["coarse", "benefit", "position_95_m"], ascending=[False, False, True], kind="stable")
    table["rank"] = np.arange(1, len(table) + 1)
    return RIGS.checked(table.drop(columns="coarse"))
