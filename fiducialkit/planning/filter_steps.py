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
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray, IntArray
from fiducialkit.planning.picture_model import WHEELS, PictureModel, alike, rig_gains
from fiducialkit.planning.study import Odometry, Study

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
    forward = np.where(measured.frame["side"] == "front", 1.0, -1.0)
    # mechanism states that see alike all the way are one drive
    first, back = alike(forward, measured.markers, measured.noise, measured.gains)
    cases, times, _, constants = measured.gains[first].shape
    spread = np.broadcast_to(_UNKNOWN, (cases, 3, 3)).copy()
    shared = np.zeros((cases, 3, constants))
    started = np.zeros(cases, dtype=np.bool_)
    path = np.full((cases, times, 3, 3), np.nan)
    stretches = forward[first] * -np.diff(np.append(measured.distance_m, 0.0))[:, None]
    for t, stretch in enumerate(stretches):
        seen = measured.markers[first, t] > 0
        started |= seen
        if seen.any():
            gains, noise = measured.gains[first[seen], t], measured.noise[first[seen], t]
            spread[seen], shared[seen] = updated(spread[seen], shared[seen], gains, noise)
        path[started, t] = spread[started]
        spread, shared = driven(spread, shared, stretch, study.approach.speed_m_per_s, study.odometry)
    unknown = ~started[:, None, None]
    return path[back], np.where(unknown, np.nan, spread)[back], np.where(unknown, np.nan, shared)[back]


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
