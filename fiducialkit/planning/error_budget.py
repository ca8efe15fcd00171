"""Where the error at the tool point comes from, source by source, and what would mend it.

References
----------
Derived here: see `planning.picture_model` for the gain of each source. Covariances of independent sources add, so a
source's share is its covariance's part of the sum.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray, IntArray
from fiducialkit.errors import InputError
from fiducialkit.planning.arrival import chance_inside, driven_blind, tool_covariance
from fiducialkit.planning.budget_tables import BY_RIG, CASES, SHARES
from fiducialkit.planning.budget_words import PICTURES, case_sentence, half_widths, rests_on, rig_sentence
from fiducialkit.planning.coverage import approach_poses
from fiducialkit.planning.filtered_budget import filtered_sources
from fiducialkit.planning.picture_model import (
    CORNERS,
    SOURCES,
    WHEELS,
    PictureModel,
    picture_model,
    rig_gains,
    with_half,
)  # fmt: skip
from fiducialkit.planning.prediction import predict
from fiducialkit.planning.study import Odometry, Study
from fiducialkit.scene.robot import Rig

_KEYS = ["rig", "node", "side", "state"]
_EXACT = Odometry(distance_sd_percent=0.0, heading_sd_deg_per_s=0.0)
_UNDERFOOT = np.zeros((3, 3))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ErrorBudget:
    """What the error on arrival is made of.

    Attributes
    ----------
    study : Study
        With the rigs and states that were looked at.
    cases : DataFrame `budget_tables.CASES`
        One row a rig, node, side and state.
    shares : DataFrame `budget_tables.SHARES`
        One row a case and source.
    by_rig : DataFrame `budget_tables.BY_RIG`
        One row a rig and source, over all its cases.
    covariance : ndarray, shape (C, 3, 3)
        Beside `cases`: of along, across, heading at the tool point; NaN where no marker is seen. [m, m, rad]
    by_source : ndarray, shape (C, 9, 3, 3)
        The same from each of `picture_model.SOURCES`; they add up to `covariance`.
    sentences : tuple of str
        One a rig: the largest source and what halving it brings.
    assumptions : tuple of str
        What every number rests on.
    """

    study: Study
    cases: pd.DataFrame
    shares: pd.DataFrame
    by_rig: pd.DataFrame
    covariance: FloatArray
    by_source: FloatArray
    sentences: tuple[str, ...]
    assumptions: tuple[str, ...]

    def __str__(self) -> str:
        return "\n".join(self.sentences)


def error_budget(
    study: Study,
    *,
    rigs: Sequence[str] | None = None,
    states: Sequence[str] | None = None,
    speed_m_per_s: float | None = None,
    turn_rate_deg_per_s: float = 0.0,
    picture: str = "best",
) -> ErrorBudget:
    """Return what the error at the tool point is made of, for every rig, node, side and mechanism state.

    One picture of the approach counts, on its own, and from there the robot drives on with wheels and gyro; or a pose
    filter joins all pictures, which averages corner noise out and nothing else (`planning.approach_filter`). Each
    source enters as the displacement of the corners it causes, through the gain of the pose that exactly these corners
    give. A time offset is one for all cameras. A rolling shutter's error is that of corners taken as seen all at once,
    at the time of the picture's middle row; it is counted as an error of its full size.

    Parameters
    ----------
    study : Study
    rigs, states : sequence of str, optional
        Those of the study that are looked at; all if None.
    speed_m_per_s : float, optional
        Of the robot when it takes that picture; the approach's if None, 0 for a robot that stands still. A filter
        drives at the approach's.
    turn_rate_deg_per_s : float
        Of the robot when it takes that picture.
    picture : {"best", "last", "filter"}
        Which picture counts: the one that gives the best chance to score, as `compare_mounts` chooses; the last that
        sees a marker, at the node or before it; or all of them, 30 a second, through a filter.

    Raises
    ------
    InputError
        If the field has no marker or no scoring node, a name is not of the study, or a number is none.
    """
    study = _narrowed(study, rigs, states)
    speed = study.approach.speed_m_per_s if speed_m_per_s is None else speed_m_per_s
    for name, value, low in (("speed_m_per_s", speed, 0.0), ("turn_rate_deg_per_s", turn_rate_deg_per_s, -math.inf)):
        if isinstance(value, bool) or not (isinstance(value, int | float) and math.isfinite(value) and value >= low):
            raise InputError(f"{name}: expected a number{' of 0 or more' if low == 0.0 else ''}, found {value!r}")
    if picture not in PICTURES:
        raise InputError(f"picture: expected 'best', 'last' or 'filter', found {picture!r}")
    if picture == "filter":
        if speed_m_per_s is not None or turn_rate_deg_per_s:
            raise InputError("picture: expected 'best' or 'last' with a speed or turn rate of its own, found 'filter'")
        found = filtered_sources(study)
    else:
        found = _from_one_picture(study, (speed, math.radians(turn_rate_deg_per_s)), picture)
    frame = pd.concat([each[0] for each in found], ignore_index=True)
    by_source, halved = (np.concatenate([each[part] for each in found]) for part in (1, 2))
    return _told(study, frame, by_source, halved, picture)


def _from_one_picture(
    study: Study, motion: tuple[float, float], picture: str
) -> list[tuple[pd.DataFrame, FloatArray, FloatArray]]:
    labels, poses = approach_poses(study)
    approach = _Approach(
        model=picture_model(study, poses),
        labels=labels,
        flips=predict(study, poses).flip_probability,
        motion=motion,
        picture=picture,
    )
    return [_rig_cases(approach, r) for r in range(len(study.rigs))]


def _narrowed(study: Study, rigs: Sequence[str] | None, states: Sequence[str] | None) -> Study:
    if not study.field.markers or not study.field.nodes:
        raise InputError("field: expected at least one marker and one node for an error budget, found none")
    known = {rig.name: rig for rig in study.rigs}
    for name in rigs or ():
        if name not in known:
            raise InputError(f"rigs: expected names among {_listed(known)}, found '{name}'")
    for state in states or ():
        if state not in study.states:
            raise InputError(f"states: expected names among {_listed(study.states)}, found '{state}'")
    chosen = study.rigs if rigs is None else tuple(known[name] for name in rigs)
    return replace(study, rigs=chosen, states=study.states if states is None else tuple(states))


def _listed(names: Sequence[str] | dict[str, Rig]) -> str:
    return ", ".join(f"'{name}'" for name in names)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Approach:
    """Every pose of every approach, and what is asked of it."""

    model: PictureModel
    labels: pd.DataFrame
    flips: FloatArray
    motion: tuple[float, float]
    picture: str

    def pictures(self) -> pd.DataFrame:
        """Return one row a pose and mechanism state: node, side, state, blind_m, and both by number."""
        states = self.model.study.states
        count = len(self.labels)
        frame = self.labels.loc[np.tile(self.labels.index, len(states))].reset_index(drop=True)
        return frame.rename(columns={"distance_m": "blind_m"}).assign(
            state=np.repeat(states, count),
            pose_of=np.tile(np.arange(count), len(states)),
            state_of=np.repeat(np.arange(len(states)), count),
        )


def _rig_cases(approach: _Approach, number: int) -> tuple[pd.DataFrame, FloatArray, FloatArray]:
    """Return the cases of one rig, and (C, 9, 3, 3): covariances by source, and sums with each source half as large."""
    model = approach.model
    rig = model.study.rigs[number]
    every = approach.pictures()
    by_source, markers = _at_tool(model, rig, every, approach.motion)
    flips = approach.flips[every["pose_of"], every["state_of"], number]
    every = every.assign(rig=rig.name, markers=markers, flip_probability=np.where(markers > 0, flips, np.nan))
    chosen = _chosen(approach, every, by_source.sum(axis=1))
    frame = every.iloc[chosen].reset_index(drop=True)
    halved = [_at_tool(with_half(model, each), rig, frame, approach.motion)[0].sum(axis=1) for each in SOURCES]
    never = frame["markers"] == 0
    frame["blind_m"] = frame["blind_m"].mask(never, model.study.approach.distance_m)
    return frame, by_source[chosen], np.stack(halved, axis=1)


def _at_tool(
    model: PictureModel, rig: Rig, frame: pd.DataFrame, motion: tuple[float, float]
) -> tuple[FloatArray, IntArray]:
    """Return the covariance at the tool point from each source, (C, 9, 3, 3), after driving on, and markers seen."""
    study = model.study
    forward = np.where(frame["side"] == "front", motion[0], -motion[0])
    speeds = np.column_stack([forward, np.full(len(frame), motion[1])])
    gains = rig_gains(model, rig, frame["pose_of"].to_numpy(), frame["state_of"].to_numpy(), speeds)
    by_source = np.stack(
        [_spread(gains.constant[name]) if name != CORNERS else gains.noise for name in SOURCES], axis=1
    )
    # driving backwards a heading error carries the robot the other way: the stretch is below zero
    blind = frame["blind_m"].to_numpy() * np.where(frame["side"] == "front", 1.0, -1.0)
    speed = study.approach.speed_m_per_s
    by_source = driven_blind(by_source, np.repeat(blind[:, None], len(SOURCES), axis=1), speed, _EXACT)
    driven = driven_blind(np.broadcast_to(_UNDERFOOT, (len(frame), 3, 3)), blind, speed, study.odometry)
    by_source[:, SOURCES.index(WHEELS)] += driven
    for side in study.sides:
        chosen = (frame["side"] == side).to_numpy()
        by_source[chosen] = tool_covariance(by_source[chosen], study.tool(side))
    by_source[gains.markers == 0] = np.nan
    return by_source, gains.markers


def _spread(gain: FloatArray) -> FloatArray:
    return np.asarray(gain @ np.swapaxes(gain, -1, -2))


def _chosen(approach: _Approach, every: pd.DataFrame, covariance: FloatArray) -> IntArray:
    """Return the row of the picture that counts in each case, nearest first where several do."""
    study = approach.model.study
    tolerances = {node.name: half_widths(node) for node in study.field.nodes}
    seen = every["markers"].to_numpy() > 0
    worth = seen.astype(np.float64)
    if approach.picture == "best":
        box = np.array([tolerances[name] for name in every["node"]])
        chance = (1.0 - every["flip_probability"].to_numpy()) * _chances(covariance, box)
        worth = np.where(seen, 1.0 + np.round(np.nan_to_num(chance), 9), 0.0)
    names = (every["node"].to_numpy(), every["side"].to_numpy(), every["state"].to_numpy())
    rows = []
    for node in study.field.nodes:
        for side in study.sides:
            for state in study.states:
                group = np.flatnonzero((names[0] == node.name) & (names[1] == side) & (names[2] == state))
                rows.append(int(group[np.argmax(worth[group])]))
    return np.array(rows, dtype=np.int64)


def _told(study: Study, frame: pd.DataFrame, by_source: FloatArray, halved: FloatArray, picture: str) -> ErrorBudget:
    nodes = {node.name: node for node in study.field.nodes}
    tolerances = np.array([half_widths(nodes[name]) for name in frame["node"]])
    covariance = by_source.sum(axis=1)
    right = 1.0 - frame["flip_probability"].to_numpy()
    chance = np.nan_to_num(right * _chances(covariance, tolerances))
    if_halved = np.nan_to_num(right[:, None] * _chances(halved, tolerances[:, None]))
    shares = _shares(frame, by_source, tolerances, if_halved)
    cases = _cases(frame, covariance, chance, shares)
    cases["sentence"] = [
        case_sentence(row, covariance[i], halved[i], study) for i, row in enumerate(cases.to_dict("records"))
    ]
    cases, shares = CASES.checked(cases.reindex(columns=CASES.names)), SHARES.checked(shares)
    by_rig = _by_rig(study, cases, shares)
    return ErrorBudget(
        study=study,
        cases=cases,
        shares=shares,
        by_rig=by_rig,
        covariance=covariance,
        by_source=by_source,
        sentences=tuple(rig_sentence(by_rig[by_rig["rig"] == rig.name]) for rig in study.rigs),
        assumptions=rests_on(study, picture),
    )


def _chances(covariance: FloatArray, tolerances: FloatArray) -> FloatArray:
    """Return `chance_inside` for boxes of different sizes: each component is counted in its own tolerance."""
    scale = 1.0 / tolerances
    return chance_inside(covariance * scale[..., :, None] * scale[..., None, :], (1.0, 1.0, 1.0))


def _shares(frame: pd.DataFrame, by_source: FloatArray, tolerances: FloatArray, if_halved: FloatArray) -> pd.DataFrame:
    count, sources = by_source.shape[:2]
    variances = np.diagonal(by_source, axis1=2, axis2=3)
    total = variances.sum(axis=1, keepdims=True)
    with np.errstate(invalid="ignore"):
        share = np.where(total > 0.0, variances / total, np.nan)
    weighted = (variances / tolerances[:, None] ** 2).sum(axis=2)
    table = frame.loc[np.repeat(frame.index, sources), _KEYS].reset_index(drop=True)
    sd = np.sqrt(variances).reshape(-1, 3)
    parted = share.reshape(-1, 3)
    return table.assign(
        source=np.tile(SOURCES, count),
        part_along_sd_m=sd[:, 0],
        part_across_sd_m=sd[:, 1],
        part_heading_sd_deg=np.degrees(sd[:, 2]),
        share_along=parted[:, 0],
        share_across=parted[:, 1],
        share_heading=parted[:, 2],
        share=(weighted / weighted.sum(axis=1, keepdims=True)).ravel(),
        chance_if_halved=if_halved.ravel(),
    )


def _cases(frame: pd.DataFrame, covariance: FloatArray, chance: FloatArray, shares: pd.DataFrame) -> pd.DataFrame:
    sd = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    share = shares["share"].to_numpy().reshape(len(frame), -1)
    known = np.isfinite(share[:, 0])
    largest = np.argmax(np.nan_to_num(share), axis=1)
    rows = np.arange(len(frame))
    if_halved = shares["chance_if_halved"].to_numpy().reshape(len(frame), -1)
    return frame.assign(
        tool_along_sd_m=sd[:, 0],
        tool_across_sd_m=sd[:, 1],
        heading_sd_deg=np.degrees(sd[:, 2]),
        tool_along_across=covariance[:, 0, 1] / (sd[:, 0] * sd[:, 1]),
        tool_along_heading=covariance[:, 0, 2] / (sd[:, 0] * sd[:, 2]),
        tool_across_heading=covariance[:, 1, 2] / (sd[:, 1] * sd[:, 2]),
        chance_to_score=chance,
        largest=np.where(known, np.array(SOURCES)[largest], ""),
        largest_share=share[rows, largest],
        chance_if_halved=if_halved[rows, largest],
    )


def _by_rig(study: Study, cases: pd.DataFrame, shares: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for rig in study.rigs:
        chance = cases.loc[cases["rig"] == rig.name, "chance_to_score"]
        for source in SOURCES:
            part = shares[(shares["rig"] == rig.name) & (shares["source"] == source)]
            rows.append(
                {
                    "rig": rig.name,
                    "source": source,
                    "share": part["share"].mean(),
                    "worst_chance": chance.min(),
                    "mean_chance": chance.mean(),
                    "worst_if_halved": part["chance_if_halved"].min(),
                    "mean_if_halved": part["chance_if_halved"].mean(),
                }
            )
    return BY_RIG.checked(pd.DataFrame(rows))
