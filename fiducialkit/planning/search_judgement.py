"""Found and hand-made rigs side by side, predicted in full, and by how much the found one is better."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import erf

from fiducialkit.arrays import FloatArray, IntArray
from fiducialkit.planning.arrival import chance_inside, driven_blind, tool_covariance
from fiducialkit.planning.coverage import approach_poses
from fiducialkit.planning.mount_study import position_95_m
from fiducialkit.planning.prediction import predict
from fiducialkit.planning.rig_sums import WORST_NODE, named
from fiducialkit.planning.study import Study
from fiducialkit.planning.verdict import case_in_words
from fiducialkit.tables import Column, Table

DRAWS = 40
SIDEWAYS_SD_M, TURNED_SD_DEG = 0.05, 3.0
HAND_MADE = "is_hand_made"

BEST_RIGS = Table(
    "best_rigs",
    (
        Column(
            "rank",
            "int",
            "1 is best: by the worst chance in whole per cents, then the benefit, then the error; or by the "
            "benefit in tenths of a per cent, then the error",
        ),
        Column("rig", "text", "name of the rig"),
        Column("cameras", "int", "how many"),
        Column(HAND_MADE, "bool", "whether the rig is the robot file's own"),
        Column("worst_chance", "float", "chance to score in the worst case (node, side, state)"),
        Column("mean_chance", "float", "mean over all cases"),
        Column("benefit", "float", "mean chance, each node with the study's weight; mean_chance where there are none"),
        Column(
            "cost", "float", "sum over the rig's cameras, in the unit of the robot file; 1 a camera if none is given"
        ),
        Column("worst_case", "text", "that case"),
        Column("position_95_m", "float", "radius that holds 95 % of positions on arrival, median over the cases"),
        Column("mounts", "text", "x, y, z [m], yaw, tilt, roll [deg] of each camera"),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contest:
    """The best found rig against the best hand-made one.

    The interval holds 95 % of `draws` draws of how the robot comes in: each approach displaced sideways and turned,
    Gaussian with sd `SIDEWAYS_SD_M` and `TURNED_SD_DEG`, in every draw the same for both rigs. It says how far the
    advantage hangs on the exact poses that the search looked at, not how far the model is right.

    Attributes
    ----------
    found, hand_made : str
        Names of the rigs.
    gain : float
        Chance to score in the worst case, found less hand-made, on the study's own approaches.
    low, high : float
        The interval of that difference.
    mean_gain, mean_low, mean_high : float
        The same of the mean chance, each node with the study's weight.
    draws : DataFrame
        worst_gain and mean_gain of each draw.
    """

    found: str
    hand_made: str
    gain: float
    low: float
    high: float
    mean_gain: float
    mean_low: float
    mean_high: float
    draws: pd.DataFrame


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseChances:
    """Chance to score and 95 % radius on arrival [m], both (C, R), by case (node, side, state) and rig of the study."""

    cases: tuple[tuple[str, str, str], ...]
    chance: FloatArray
    position_95_m: FloatArray


def case_chances(study: Study, labels: pd.DataFrame, poses: FloatArray) -> CaseChances:
    """Return the chance to score by case and rig from the full prediction, as `compare_mounts` has it."""
    seen = predict(study, poses)
    nodes = {node.name: node for node in study.field.nodes}
    cases: list[tuple[str, str, str]] = []
    chance, position = [], []
    for key, index in labels.groupby(["node", "side"], sort=False).indices.items():
        name, side = named(key)
        node = nodes[name]
        # driving backwards a heading error carries the robot the other way: the stretch is below zero
        stretch_m = labels["distance_m"].to_numpy()[index] * (1.0 if side == "front" else -1.0)
        stretches = np.broadcast_to(stretch_m[:, None, None], seen.markers[index].shape)
        carried = driven_blind(seen.covariance[index], stretches, study.approach.speed_m_per_s, study.odometry)
        limits = np.array([node.tolerance_along_m, node.tolerance_across_m, math.radians(node.tolerance_heading_deg)])
        in_limits = tool_covariance(carried, study.tool(side)) / np.outer(limits, limits)
        best, row = _best_rows(in_limits, 1.0 - seen.flip_probability[index])
        at_best = np.take_along_axis(carried, row[None, ..., None, None], axis=0)[0]
        cases += [(name, side, state) for state in study.states]
        chance.append(best)
        position.append(np.where(best > 0.0, position_95_m(at_best), np.nan))
    return CaseChances(cases=tuple(cases), chance=np.concatenate(chance), position_95_m=np.concatenate(position))


def _best_rows(covariance: FloatArray, right: FloatArray) -> tuple[FloatArray, IntArray]:
    """Return the largest chance over the first axis and its row; only rows that may be it are integrated.

    covariance (n, S, R, 3, 3) in tolerances, right (n, S, R): the chance that the right pose was taken. For the
    bounds see `search_kernels`.
    """
    lower, upper = _bounds(covariance)
    lower, upper = np.nan_to_num(right * lower), np.nan_to_num(right * upper)
    open_rows = (upper > 0.0) & (upper >= lower.max(axis=0) - 1e-9)
    chance = np.zeros(right.shape)
    chance[open_rows] = right[open_rows] * chance_inside(covariance[open_rows], (1.0, 1.0, 1.0))
    row = np.argmax(np.round(chance, 9), axis=0)
    return np.take_along_axis(chance, row[None], axis=0)[0], row


def _bounds(covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    with np.errstate(all="ignore"):
        variances = np.diagonal(covariance, axis1=-2, axis2=-1)
        slope = covariance[..., :2, 2] / variances[..., 2:]
        left = covariance[..., :2, :2] - slope[..., :, None] * covariance[..., None, 2, :2]
        last = left[..., 0, 0] - left[..., 1, 0] ** 2 / left[..., 1, 1]
        given = np.stack([last, left[..., 1, 1], variances[..., 2]], axis=-1)
        lower = erf(1.0 / np.sqrt(2.0 * variances)).prod(axis=-1)
        upper = erf(1.0 / np.sqrt(2.0 * np.maximum(given, 1e-12))).prod(axis=-1)
    return lower - 1e-9, upper + 1e-9


def judged_rigs(study: Study, found: Sequence[str], *, objective: str = WORST_NODE) -> pd.DataFrame:
    """Return the table `BEST_RIGS` of all rigs of the study; those named in `found` are not hand-made."""
    labels, poses = approach_poses(study)
    arrived = case_chances(study, labels, poses)
    benefit = _benefit(study, arrived)
    rows = []
    for r, rig in enumerate(study.rigs):
        worst = int(arrived.chance[:, r].argmin())
        known = arrived.position_95_m[:, r][np.isfinite(arrived.position_95_m[:, r])]
        node, side, state = arrived.cases[worst]
        rows.append(
            {
                "rank": 0,
                "rig": rig.name,
                "cameras": len(rig.mounts),
                HAND_MADE: rig.name not in found,
                "worst_chance": float(arrived.chance[worst, r]),
                "mean_chance": float(arrived.chance[:, r].mean()),
                "benefit": float(benefit[r]),
                "cost": sum(study.robot.mount(name).cost for name in rig.mounts),
                "worst_case": case_in_words({"node": node, "side": side, "state": state}),
                "position_95_m": float(np.median(known)) if known.size else math.nan,
                "mounts": "; ".join(_place_in_words(study, name) for name in rig.mounts),
            }
        )
    table = pd.DataFrame(rows)
    return BEST_RIGS.checked(_ranked(table, objective))


def _ranked(table: pd.DataFrame, objective: str) -> pd.DataFrame:
    # as in a comparison: one per cent of chance decides nothing, below that the benefit, and then the error, speaks
    if objective == WORST_NODE:
        coarse, keys = table["worst_chance"].round(2), ["coarse", "benefit", "position_95_m"]
    else:
        coarse, keys = table["benefit"].round(3), ["coarse", "position_95_m"]
    rising = [key == "position_95_m" for key in keys]
    table = table.assign(coarse=coarse).sort_values(keys, ascending=rising, kind="stable")
    return table.assign(rank=np.arange(1, len(table) + 1)).drop(columns="coarse")


def _benefit(study: Study, arrived: CaseChances) -> FloatArray:
    """Return the mean chance of each rig, each node with the study's weight, (R,)."""
    weights = [study.weight(node) for node, _, _ in arrived.cases]
    return np.asarray(np.average(arrived.chance, axis=0, weights=weights))


def _place_in_words(study: Study, name: str) -> str:
    mount = study.robot.mount(name)
    x, y, z = mount.position
    return f"{x:.3f} {y:.3f} {z:.3f}, {mount.yaw_deg:.1f} {mount.tilt_deg:.1f} {mount.roll_deg:.1f}"


def contest(study: Study, found: str, hand_made: str, *, seed: int, draws: int = DRAWS) -> Contest:
    """Return by how much the rig `found` beats the rig `hand_made`, with the interval that `Contest` explains."""
    both = replace(study, rigs=(study.robot.rig(found), study.robot.rig(hand_made)))
    labels, poses = approach_poses(both)
    own = _gain(both, labels, poses)
    rng = np.random.default_rng(seed)
    drawn = np.array([_gain(both, labels, _displaced(labels, poses, rng)) for _ in range(draws)])
    (low, mean_low), (high, mean_high) = np.quantile(drawn, [0.025, 0.975], axis=0)
    return Contest(
        found=found,
        hand_made=hand_made,
        gain=own[0],
        low=float(low),
        high=float(high),
        mean_gain=own[1],
        mean_low=float(mean_low),
        mean_high=float(mean_high),
        draws=pd.DataFrame({"worst_gain": drawn[:, 0], "mean_gain": drawn[:, 1]}),
    )


def _gain(study: Study, labels: pd.DataFrame, poses: FloatArray) -> tuple[float, float]:
    arrived = case_chances(study, labels, poses)
    worst, mean = arrived.chance.min(axis=0), _benefit(study, arrived)
    return float(worst[0] - worst[1]), float(mean[0] - mean[1])


def _displaced(labels: pd.DataFrame, poses: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Return the poses with each approach moved sideways and every pose of it turned by one angle."""
    moved = poses.copy()
    for index in labels.groupby(["node", "side"], sort=False).indices.values():
        aside, turn = rng.normal(0.0, SIDEWAYS_SD_M), rng.normal(0.0, math.radians(TURNED_SD_DEG))
        moved[index, 0] -= aside * np.sin(poses[index, 2])
        moved[index, 1] += aside * np.cos(poses[index, 2])
        moved[index, 2] += turn
    return moved


def verdict_in_words(
    table: pd.DataFrame, duel: Contest | None, *, objective: str = WORST_NODE, is_weighted: bool = False
) -> str:
    """Return the outcome in a few sentences; `is_weighted` where the study's nodes count differently."""
    best = table[~table[HAND_MADE]].iloc[0]
    mean = "its mean case, nodes weighted as the study says," if is_weighted else "its mean case"
    worst = f"its worst case, {best['worst_case']}, "
    first = f"{worst}scores with a chance of {_percent(best['worst_chance'])}, {mean} with {_percent(best['benefit'])}"
    if objective != WORST_NODE:
        first = (
            f"{mean} scores with a chance of {_percent(best['benefit'])}, {worst}with {_percent(best['worst_chance'])}"
        )
    text = f"'{best['rig']}' is the best rig found by its {objective}: {first}."
    if duel is None:
        return text + " The robot has no rig of so few cameras to compare it with."
    other = table[table["rig"] == duel.hand_made].iloc[0]
    costs = "" if best["cost"] == other["cost"] else f" It costs {best['cost']:g} against {other['cost']:g}."
    text += (
        f" The best hand-made rig of no more cameras, '{duel.hand_made}', has {_percent(other['worst_chance'])} in its "
        f"worst and {_percent(other['benefit'])} in its mean case: what was found gains {_points(duel.gain)} points in "
        f"the worst case and {_points(duel.mean_gain)} in the mean.{costs}"
    )
    sure = "more than nothing" if duel.low > 0.0 else "not told apart from nothing" if duel.high >= 0.0 else "a loss"
    return text + (
        f" Where the robot comes in {100 * SIDEWAYS_SD_M:g} cm (sd) aside and turned by {TURNED_SD_DEG:g} degrees "
        f"(sd), the same for both rigs, the advantage in the worst case lies between {_points(duel.low)} and "
        f"{_points(duel.high)} points in 95 % of {len(duel.draws)} draws ({sure}); in the mean between "
        f"{_points(duel.mean_low)} and {_points(duel.mean_high)}."
    )


def _percent(chance: float) -> str:
    return f"{100.0 * chance:.1f} %"


def _points(difference: float) -> str:
    return f"{100.0 * difference:.2f}"
