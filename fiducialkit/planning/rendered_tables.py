"""Tables of the check against rendered pictures, and what their rows add up to.

Errors of the usual size and gross ones, beyond four predicted sds, are counted apart: a single one of these would
drown a mean square. Errors are compared where a rig reads the very markers that are predicted: a marker at the
picture's edge, which a robot that stands a little askew has in view or not, is a matter of coverage.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray
from fiducialkit.planning.study import Study
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
        Column("markers_read", "int", "distinct markers read"),
        Column("markers_predicted", "int", "distinct markers more likely read than not"),
        Column("read", "text", "those of each mount by id, mounts apart by /"),
        Column("predicted", "text", "those more likely read than not, likewise"),
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
        Column("as_predicted", "int", "those that read the very markers predicted and are not flipped"),
        Column("along_ratio", "float", "their error along over its predicted sd, rms, those far off left out"),
        Column("across_ratio", "float", "the same across"),
        Column("heading_ratio", "float", "the same of the heading"),
        Column("ratio_sd", "float", "by how much such a ratio scatters by chance"),
        Column("far_off", "int", "of those, more than 4 predicted sds off in one of the three: gross errors, no noise"),
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
DISTANCES_M = (0.0, 1.0, 2.0, 3.0, 4.5, math.inf)
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
    right = rows[~rows["is_flipped"] & (rows["read"] == rows["predicted"])]
    units = (("along", "m"), ("across", "m"), ("heading", "deg"))
    sds = np.column_stack([right[f"{name}_error_{unit}"] / right[f"{name}_sd_{unit}"] for name, unit in units])
    is_far = (np.abs(sds) > _FAR_SDS).any(axis=1)
    ratios = {f"{name}_ratio": _rms(sds[~is_far, k]) for k, (name, _) in enumerate(units)}
    return {
        "from_m": low, "to_m": high, "poses": len(rows), "as_predicted": len(right), **ratios,
        "ratio_sd": 1.0 / math.sqrt(2.0 * len(right)) if len(right) else math.nan,
        "far_off": int(is_far.sum()),
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
