"""The error on the way to a node when a pose filter joins the pictures with wheels and gyro, and the chance to score.

The filter and what it knows of lasting errors: `planning.filter_steps`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray
from fiducialkit.errors import InputError
from fiducialkit.planning.approach_tables import ARRIVALS, ON_THE_WAY
from fiducialkit.planning.arrival import chance_to_score, tool_covariance
from fiducialkit.planning.filter_steps import Measurements, StateChange, measurements, run_filter, timetable
from fiducialkit.planning.picture_model import picture_model
from fiducialkit.planning.prediction import predict
from fiducialkit.planning.study import Study
from fiducialkit.statistics import radius_95

_TWO_SIDED_95 = 1.959964


@dataclass(frozen=True, slots=True, kw_only=True)
class WallContact:
    """What touching a wall at the node tells: how far along the robot stands and how it is turned, as sds."""

    along_sd_m: float = 0.002
    heading_sd_deg: float = 0.3

    def __post_init__(self) -> None:
        for name in ("along_sd_m", "heading_sd_deg"):
            value = getattr(self, name)
            if not (isinstance(value, int | float) and 0.0 < value < math.inf):
                raise InputError(f"contact.{name}: expected a number above 0, found {value!r}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FilteredApproaches:
    """How well a filter knows the pose on the way to every node.

    Attributes
    ----------
    arrivals : DataFrame `ARRIVALS`
        One row a rig, node, side and state.
    on_the_way : DataFrame `ON_THE_WAY`
        One row a case and picture, farthest first; NaN before the first marker.
    covariance : ndarray, shape (C, 3, 3)
        Beside `arrivals`: of along, across, heading of the robot's origin at the node. [m, m, rad]
    """

    arrivals: pd.DataFrame
    on_the_way: pd.DataFrame
    covariance: FloatArray


def filtered_arrivals(
    study: Study,
    *,
    pictures_per_s: float = 30.0,
    phases: int = 1,
    changes: Sequence[StateChange] = (),
    contact: WallContact | Mapping[str, WallContact] | None = None,
) -> pd.DataFrame:
    """Return the table `ARRIVALS` of `filter_approaches`, which says what the options are."""
    _check(study, pictures_per_s, phases, changes, contact)
    return _mean_arrivals(study, _filtered(study, pictures_per_s, phases, changes, contact))


def filter_approaches(
    study: Study,
    *,
    pictures_per_s: float = 30.0,
    phases: int = 1,
    changes: Sequence[StateChange] = (),
    contact: WallContact | Mapping[str, WallContact] | None = None,
) -> FilteredApproaches:
    """Return what a pose filter knows on the way to every node with every rig, side and mechanism state.

    The robot drives the study's approach straight at its speed; every picture that sees a marker is used, the last one
    at the node. Where no marker is seen the filter goes on with wheels and gyro, at the end too. Before the first
    marker nothing is known. The mirrored pose counts with its chance in the least doubtful picture: a filter that waits
    for such a picture before it trusts a pose.

    Parameters
    ----------
    study : Study
    pictures_per_s : float
        Of each camera. [1/s]
    phases : int
        1: the last picture is taken at the node. More: the chance to score is the mean over so many moments of it,
        spread evenly over the time between two pictures; all else is of the drive with the last picture at the node. A
        marker in view on less than the way between two pictures is caught by luck, and the mean says how often.
    changes : sequence of StateChange
        Mechanisms that change state on the way; each gives rows of its own beside those of the study's states.
    contact : WallContact or mapping of node name to WallContact, optional
        At all nodes, or at those named, the robot ends against a wall.

    Raises
    ------
    InputError
        If the field has no marker or no scoring node, or an argument does not fit the study.
    """
    _check(study, pictures_per_s, phases, changes, contact)
    by_phase = _filtered(study, pictures_per_s, phases, changes, contact)
    drives = by_phase[-1]  # the last picture is at the node
    return FilteredApproaches(
        arrivals=_mean_arrivals(study, by_phase),
        on_the_way=ON_THE_WAY.checked(pd.concat([_way(drive) for drive in drives], ignore_index=True)),
        covariance=np.concatenate([drive.covariance for drive in drives]),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Drives:
    """The cases of one rig: what it measured, covariances after each picture (C, T, 3, 3) and on arrival (C, 3, 3)."""

    rig: str
    measured: Measurements
    path: FloatArray
    covariance: FloatArray


def _filtered(
    study: Study,
    pictures_per_s: float,
    phases: int,
    changes: Sequence[StateChange],
    contact: WallContact | Mapping[str, WallContact] | None,
) -> list[list[_Drives]]:
    """Return the filtered approaches of each rig for each moment of the last picture; see `filter_approaches`."""
    distance, labels, poses = timetable(study, pictures_per_s * phases)
    model, flips = picture_model(study, poses), predict(study, poses).flip_probability
    drives: list[list[_Drives]] = [[] for _ in range(phases)]
    for number, rig in enumerate(study.rigs):
        every = measurements(model, flips, number, (distance, labels), changes)
        for phase in range(phases):
            measured = every.from_phase(phase, phases)
            path, covariance, _ = run_filter(study, measured)
            covariance = _touched(measured.frame, covariance, contact)
            drives[phases - 1 - phase].append(
                _Drives(rig=rig.name, measured=measured, path=path, covariance=covariance)
            )
    return drives


def _mean_arrivals(study: Study, by_phase: list[list[_Drives]]) -> pd.DataFrame:
    """Return the arrivals with the last picture at the node, and the mean chance over all moments of it."""
    arrivals = [_arrivals(study, drives) for drives in by_phase]
    chances = np.mean([each["chance_to_score"] for each in arrivals], axis=0)
    return arrivals[-1].assign(chance_to_score=chances)


def _check_pictures(pictures_per_s: float, phases: int) -> None:
    number = isinstance(pictures_per_s, int | float) and not isinstance(pictures_per_s, bool)
    if not (number and 0.1 <= pictures_per_s <= 1000.0):
        raise InputError(f"pictures_per_s: expected 0.1 to 1000, found {pictures_per_s!r}")
    if isinstance(phases, bool) or not isinstance(phases, int) or not 1 <= phases <= 64:
        raise InputError(f"phases: expected a whole number from 1 to 64, found {phases!r}")


def _check(study: Study, pictures_per_s: float, phases: int, changes: Sequence[StateChange], contact: object) -> None:
    _check_pictures(pictures_per_s, phases)
    if not study.field.markers or not study.field.nodes:
        raise InputError("field: expected at least one marker and one node to approach, found none")
    for place, change in enumerate(changes):
        for name in ("before", "after"):
            if getattr(change, name) not in study.states:
                known = ", ".join(f"'{state}'" for state in study.states)
                raise InputError(f"changes[{place}].{name}: expected one of {known}, found '{getattr(change, name)}'")
        if not 0.0 < change.within_m < math.inf:
            raise InputError(f"changes[{place}].within_m: expected a distance above 0, found {change.within_m!r}")
    if isinstance(contact, Mapping):
        known_nodes = [node.name for node in study.field.nodes]
        for name in contact:
            if name not in known_nodes:
                listed = ", ".join(f"'{each}'" for each in known_nodes)
                raise InputError(f"contact: expected nodes among {listed}, found '{name}'")


def _touched(
    frame: pd.DataFrame, covariance: FloatArray, contact: WallContact | Mapping[str, WallContact] | None
) -> FloatArray:
    """Return the covariance after contact with a wall has told along and heading."""
    if contact is None:
        return covariance
    result = covariance.copy()
    for row, node in enumerate(frame["node"]):
        wall = contact.get(node) if isinstance(contact, Mapping) else contact
        if wall is not None and np.isfinite(covariance[row]).all():
            told = np.diag([wall.along_sd_m**2, math.radians(wall.heading_sd_deg) ** 2])
            seen = np.ix_([0, 2], [0, 2])
            gain = covariance[row][:, [0, 2]] @ np.linalg.inv(covariance[row][seen] + told)
            result[row] = covariance[row] - gain @ covariance[row][[0, 2]]
    return result


def _arrivals(study: Study, drives: Sequence[_Drives]) -> pd.DataFrame:
    covariance = np.concatenate([drive.covariance for drive in drives])
    frame = pd.concat([_on_arrival(study, drive) for drive in drives], ignore_index=True).assign(
        **_error_95(covariance)
    )
    chance, sd = np.empty(len(frame)), np.empty((len(frame), 3))
    flips = frame["flip_probability"].to_numpy()
    for node, side in itertools.product(study.field.nodes, study.sides):
        rows = np.flatnonzero((frame["node"] == node.name) & (frame["side"] == side))
        tool = study.tool(side)
        chance[rows] = chance_to_score(covariance[rows], flips[rows], node, tool)
        sd[rows] = np.sqrt(np.diagonal(tool_covariance(covariance[rows], tool), axis1=1, axis2=2))
    frame = frame.assign(
        tool_along_sd_m=sd[:, 0],
        tool_across_sd_m=sd[:, 1],
        heading_sd_deg=np.degrees(sd[:, 2]),
        chance_to_score=np.nan_to_num(chance),
    )
    return ARRIVALS.checked(frame)


def _on_arrival(study: Study, drives: _Drives) -> pd.DataFrame:
    measured = drives.measured
    return measured.frame.assign(
        rig=drives.rig,
        pictures=(measured.markers > 0).sum(axis=1),
        blind_m=measured.blind_m(study.approach.distance_m),
        flip_probability=measured.least_flip_probability(),
    )


def _way(drives: _Drives) -> pd.DataFrame:
    measured = drives.measured
    times = len(measured.distance_m)
    frame = measured.frame.loc[np.repeat(measured.frame.index, times)].reset_index(drop=True)
    return frame.assign(
        rig=drives.rig,
        distance_m=np.tile(measured.distance_m, len(measured.frame)),
        markers=measured.markers.ravel(),
        **_error_95(drives.path.reshape(-1, 3, 3)),
    )


def _error_95(covariance: FloatArray) -> dict[str, FloatArray]:
    along, across, mixed = covariance[:, 0, 0], covariance[:, 1, 1], covariance[:, 0, 1]
    middle, spread = 0.5 * (along + across), np.hypot(0.5 * (along - across), mixed)
    known = np.isfinite(middle)
    radius = np.full(len(covariance), np.nan)
    radius[known] = radius_95(np.sqrt((middle + spread)[known]), np.sqrt(np.maximum((middle - spread)[known], 0.0)))
    return {
        "position_95_m": radius,
        "heading_95_deg": _TWO_SIDED_95 * np.degrees(np.sqrt(covariance[:, 2, 2])),
    }
