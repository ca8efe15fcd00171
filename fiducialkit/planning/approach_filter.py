"""The error on the way to a node when a pose filter joins the pictures with wheels and gyro.

Corner noise is new in every picture and averages out. Lens, mounts, layout, floor, time stamps, wheel scale and gyro
rate are off by the same amount for a whole drive: more pictures do not help against them. The filter knows that: it
carries how its error hangs together with each of those constants, and weighs every picture accordingly.

With the error x of along, across, heading and constants c of unit variance, independent of each other, a picture
measures ``z = x + G c + n``. Between pictures ``x <- F x + B c``. The filter keeps ``P = cov(x)``, ``C = cov(x, c)``:

    S = P + C G' + G C' + G G' + N,  K = (P + C G') S^-1,  P <- P - K (P + G C'),  C <- C - K (C + G)

A picture never makes P larger at the moment it is taken. On arrival more pictures may leave a larger error all the
same, by a few per cent: each is weighed for the moment, and an estimate once mixed cannot be taken apart when a later
picture would have cancelled a constant. Take ``z1 = x + c``, ``z3 = x + 2 c`` and no noise: ``2 z1 - z3`` is x. With
``z2 = x + n`` between, var n = 1, the filter has gone on to ``(z1 + z2) / 2 = x + c / 2 + n / 2``, and is left with a
variance of .4. Only a filter that learns the constants gains from every picture; it trusts all of them to be linear.

References
----------
Schmidt, "Application of state-space methods to navigation problems", Advances in Control Systems 3 (1966) 293-340: the
constants are considered, not estimated. The gains G are those of `planning.picture_model`; derived here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray, IntArray
from fiducialkit.errors import InputError
from fiducialkit.planning.approach_tables import ARRIVALS, ON_THE_WAY
from fiducialkit.planning.arrival import chance_to_score, tool_covariance
from fiducialkit.planning.picture_model import WHEELS, PictureModel, picture_model, rig_gains
from fiducialkit.planning.prediction import predict
from fiducialkit.planning.study import Odometry, Study
from fiducialkit.statistics import radius_95

_TWO_SIDED_95 = 1.959964
_UNKNOWN = np.diag([1e4, 1e4, 1e2])  # before the first marker: variances of 100 m and ten radians


@dataclass(frozen=True, slots=True, kw_only=True)
class StateChange:
    """A mechanism that changes its state on the way, like an arm that is raised only close to the node.

    Attributes
    ----------
    before, after : str
        Mechanism states of the study.
    within_m : float
        The distance to the node from which on it is in `after`. [m]
    """

    before: str
    after: str
    within_m: float

    @property
    def name(self) -> str:
        """How tables call it: "arm raised within 0.4 m"."""
        return f"{self.after} within {self.within_m:g} m"


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurements:
    """What a rig's pictures measure on the way to the nodes: C cases, T pictures each, n constants.

    Attributes
    ----------
    frame : DataFrame
        node, side, state: one row a case.
    distance_m : ndarray, shape (T,)
        To the node, farthest first.
    markers : ndarray of int, shape (C, T)
        Distinct markers seen; 0 where the picture sees none, or the pose would be off the floor.
    noise : ndarray, shape (C, T, 3, 3)
        Covariance of the measured along, across, heading from what is new in each picture. [m, m, rad]
    gains : ndarray, shape (C, T, 3, n)
        Error for each constant, one standard deviation large. The last two are of the wheels and the gyro's rate: they
        act between pictures, so they are 0 here.
    source_of : tuple of str
        The source of each of the n constants.
    flip_probability : ndarray, shape (C, T)
    """

    frame: pd.DataFrame
    distance_m: FloatArray
    markers: IntArray
    noise: FloatArray
    gains: FloatArray
    source_of: tuple[str, ...]
    flip_probability: FloatArray

    def from_phase(self, phase: int, phases: int) -> Measurements:
        """Return every `phases`-th picture only, the last of them the number `phase` before the last of all."""
        taken = np.arange(len(self.distance_m) - 1 - phase, -1, -phases)[::-1]
        return replace(
            self,
            distance_m=self.distance_m[taken],
            markers=self.markers[:, taken],
            noise=self.noise[:, taken],
            gains=self.gains[:, taken],
            flip_probability=self.flip_probability[:, taken],
        )

    def least_flip_probability(self) -> FloatArray:
        """Return the chance of the mirrored pose in each case's least doubtful picture, (C,); NaN where none sees."""
        least = np.where(self.markers > 0, self.flip_probability, np.inf).min(axis=1)
        return np.where(np.isfinite(least), least, np.nan)

    def blind_m(self, whole_m: float) -> FloatArray:
        """Return the last stretch without a marker of each case, (C,); `whole_m` where none is seen. [m]"""
        nearest = np.where(self.markers > 0, self.distance_m, np.inf).min(axis=1)
        return np.where(np.isfinite(nearest), nearest, whole_m)


def filtered_arrivals(study: Study, **options: object) -> pd.DataFrame:
    """Return the table `ARRIVALS` of `filter_approaches`, which says what the options are."""
    return filter_approaches(study, **options).arrivals  # type: ignore[arg-type]


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
    distance, labels, poses = timetable(study, pictures_per_s * phases)
    model, flips = picture_model(study, poses), predict(study, poses).flip_probability
    arrivals, ways, covariances = [], [], []
    for number in range(len(study.rigs)):
        every = measurements(model, flips, number, (distance, labels), changes)
        later = []
        for phase in range(phases - 1, -1, -1):  # the last is at the node
            measured = every.from_phase(phase, phases)
            path, covariance, _ = run_filter(study, measured)
            covariance = _touched(measured.frame, covariance, contact)
            later.append(_arrivals(study, number, measured, covariance))
        chances = np.mean([each["chance_to_score"] for each in later], axis=0)
        arrivals.append(later[-1].assign(chance_to_score=chances))
        ways.append(_way(study, number, measured, path))
        covariances.append(covariance)
    return FilteredApproaches(
        arrivals=ARRIVALS.checked(pd.concat(arrivals, ignore_index=True)),
        on_the_way=ON_THE_WAY.checked(pd.concat(ways, ignore_index=True)),
        covariance=np.concatenate(covariances),
    )


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


def timetable(study: Study, pictures_per_s: float) -> tuple[FloatArray, pd.DataFrame, FloatArray]:
    """Return distances (T,), farthest first, labels (node, side) of each approach, and poses, T for each approach."""
    step = study.approach.speed_m_per_s / pictures_per_s
    count = math.floor(study.approach.distance_m / step + 1e-9) + 1
    distance = np.asarray(step * np.arange(count - 1, -1, -1), dtype=np.float64)
    labels, poses = [], []
    for node in study.field.nodes:
        heading = math.radians(node.heading_deg)
        ahead = np.array([math.cos(heading), math.sin(heading)])
        for side in study.sides:
            place = np.array(node.position) - distance[:, None] * ahead
            turned = heading if side == "front" else heading + math.pi
            poses.append(np.column_stack([place, np.full(len(distance), turned)]))
            labels.append((node.name, side))
    return distance, pd.DataFrame(labels, columns=["node", "side"]), np.concatenate(poses)


def measurements(
    model: PictureModel,
    flips: FloatArray,
    number: int,
    timetable: tuple[FloatArray, pd.DataFrame],
    changes: Sequence[StateChange] = (),
) -> Measurements:
    """Return what the study's rig of that number measures in every picture of every case."""
    study, (distance, labels) = model.study, timetable
    states = [(state, np.full(len(distance), s)) for s, state in enumerate(study.states)]
    for change in changes:
        inside = distance <= change.within_m + 1e-9
        order = (study.states.index(change.after), study.states.index(change.before))
        states.append((change.name, np.where(inside, *order)))
    count, times = len(labels), len(distance)
    frame = labels.loc[np.tile(labels.index, len(states))].reset_index(drop=True)
    frame["state"] = np.repeat([name for name, _ in states], count)
    pose_of = np.tile(np.arange(count * times), len(states))
    state_of = np.concatenate([np.tile(each, count) for _, each in states])
    speed = np.where(frame["side"] == "front", 1.0, -1.0).repeat(times) * study.approach.speed_m_per_s
    gains = rig_gains(model, study.rigs[number], pose_of, state_of, np.column_stack([speed, np.zeros(len(speed))]))
    place = model.poses[pose_of, :2]
    on_floor = np.logical_and(place >= 0.0, place <= np.array(study.field.size)).min(axis=1)
    markers = np.where(on_floor, gains.markers, 0)
    columns = np.concatenate([*gains.constant.values(), np.zeros((len(pose_of), 3, 2))], axis=2)
    shape = (len(frame), times)
    return Measurements(
        frame=frame,
        distance_m=distance,
        markers=markers.reshape(shape),
        noise=gains.noise.reshape(*shape, 3, 3),
        gains=columns.reshape(*shape, 3, -1),
        source_of=(*(name for name, each in gains.constant.items() for _ in range(each.shape[2])), WHEELS, WHEELS),
        flip_probability=flips[pose_of, state_of, number].reshape(shape),
    )


def run_filter(study: Study, measured: Measurements) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return covariances (C, T, 3, 3) after each picture and (C, 3, 3) on arrival, and what each constant does there.

    The last, (C, 3, n), is the error on arrival for each constant, one standard deviation large. All are NaN before the
    first marker.
    """
    cases, times, _, constants = measured.gains.shape
    spread = np.broadcast_to(_UNKNOWN, (cases, 3, 3)).copy()
    shared = np.zeros((cases, 3, constants))
    started = np.zeros(cases, dtype=np.bool_)
    path = np.full((cases, times, 3, 3), np.nan)
    forward = np.where(measured.frame["side"] == "front", 1.0, -1.0)
    last = np.append(measured.distance_m, 0.0)
    for t in range(times):
        seen = measured.markers[:, t] > 0
        started |= seen
        if seen.any():
            update = updated(spread[seen], shared[seen], measured.gains[seen, t], measured.noise[seen, t])
            spread[seen], shared[seen] = update
        path[started, t] = spread[started]
        stretch = forward * (last[t] - last[t + 1])
        spread, shared = driven(spread, shared, stretch, study.approach.speed_m_per_s, study.odometry)
    unknown = ~started[:, None, None]
    return path, np.where(unknown, np.nan, spread), np.where(unknown, np.nan, shared)


def updated(
    spread: FloatArray, shared: FloatArray, gains: FloatArray, noise: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return P (C, 3, 3) and C (C, 3, n) after a picture with gains G (C, 3, n) and noise N (C, 3, 3)."""
    crossed = shared @ np.swapaxes(gains, 1, 2)
    half = spread + crossed  # cov(x, z)
    innovation = half + np.swapaxes(crossed, 1, 2) + gains @ np.swapaxes(gains, 1, 2) + noise
    gain = np.swapaxes(np.linalg.solve(innovation, np.swapaxes(half, 1, 2)), 1, 2)
    kept = np.eye(3) - gain
    # Joseph's form: stays symmetric and positive however large P was before the first marker
    through = kept @ crossed @ np.swapaxes(gain, 1, 2)
    told = gain @ (gains @ np.swapaxes(gains, 1, 2) + noise) @ np.swapaxes(gain, 1, 2)
    after = kept @ spread @ np.swapaxes(kept, 1, 2) - through - np.swapaxes(through, 1, 2) + told
    return 0.5 * (after + np.swapaxes(after, 1, 2)), shared - gain @ (shared + gains)


def driven(
    spread: FloatArray, shared: FloatArray, stretch_m: FloatArray, speed_m_per_s: float, odometry: Odometry
) -> tuple[FloatArray, FloatArray]:
    """Return P and C after a stretch straight ahead (backwards: below 0) on wheels and gyro, as `arrival.driven_blind`.

    The last two constants are the wheels' scale and the gyro's rate.
    """
    cases, constants = len(spread), shared.shape[2]
    carried = np.broadcast_to(np.eye(3), (cases, 3, 3)).copy()
    carried[:, 1, 2] = stretch_m
    turn = math.radians(odometry.heading_sd_deg_per_s) * np.abs(stretch_m) / speed_m_per_s
    by_constant = np.zeros((cases, 3, constants))
    by_constant[:, 0, -2] = odometry.distance_sd_percent / 100.0 * stretch_m
    by_constant[:, 1, -1] = 0.5 * stretch_m * turn
    by_constant[:, 2, -1] = turn
    crossed = carried @ shared @ np.swapaxes(by_constant, 1, 2)
    after = carried @ spread @ np.swapaxes(carried, 1, 2) + by_constant @ np.swapaxes(by_constant, 1, 2)
    return after + crossed + np.swapaxes(crossed, 1, 2), carried @ shared + by_constant


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


def _arrivals(study: Study, number: int, measured: Measurements, covariance: FloatArray) -> pd.DataFrame:
    nodes = {node.name: node for node in study.field.nodes}
    seen = measured.markers > 0
    flip = measured.least_flip_probability()
    frame = measured.frame.assign(
        rig=study.rigs[number].name,
        pictures=seen.sum(axis=1),
        blind_m=measured.blind_m(study.approach.distance_m),
        flip_probability=flip,
        **_error_95(covariance),
    )
    chances, sds = [], []
    for row, (name, side) in enumerate(zip(frame["node"], frame["side"], strict=True)):
        tool = study.tool(str(side))
        chances.append(float(chance_to_score(covariance[row], flip[row], nodes[str(name)], tool)))
        sds.append(np.sqrt(np.diag(tool_covariance(covariance[row], tool))))
    at_tool = np.array(sds)
    return frame.assign(
        tool_along_sd_m=at_tool[:, 0],
        tool_across_sd_m=at_tool[:, 1],
        heading_sd_deg=np.degrees(at_tool[:, 2]),
        chance_to_score=np.nan_to_num(chances),
    )[ARRIVALS.names]


def _way(study: Study, number: int, measured: Measurements, path: FloatArray) -> pd.DataFrame:
    times = len(measured.distance_m)
    frame = measured.frame.loc[np.repeat(measured.frame.index, times)].reset_index(drop=True)
    return frame.assign(
        rig=study.rigs[number].name,
        distance_m=np.tile(measured.distance_m, len(measured.frame)),
        markers=measured.markers.ravel(),
        **_error_95(path.reshape(-1, 3, 3)),
    )[ON_THE_WAY.names]


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
