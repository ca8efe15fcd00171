"""What an adjustment found, and how well: covariances of parameters, frames and whatever follows from them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from fiducialkit.arrays import BoolArray, FloatArray, IntArray, checked_array
from fiducialkit.errors import InputError
from fiducialkit.solving.adjustment_problem import Problem, Values
from fiducialkit.solving.adjustment_rank import Combination, Determination
from fiducialkit.tables import Column, Table

STATUSES = ("ok", "undetermined", "not_converged", "not_finite")
GROUPS = Table(
    "groups",
    (
        Column("measurements", "text", "kind of measurement"),
        Column("group", "text", "name of the group, or its number"),
        Column("coordinates", "int", "numbers measured in the group"),
        Column("rms_sd", "float", "rms of the whitened residuals, per coordinate, in units of their stated sd"),
        Column("weight", "float", "what the fit let the group count, 0 to 1; below 1 in robust fits only"),
    ),
)
_DOUBTED_BELOW = 0.5
_FELT = 1e-6  # share of a change along an undetermined combination that is more than rounding
_STEP_OF_SHORT = 1e-2
_DIFFERENCE_SD = 0.01  # step of numerical derivatives in standard deviations


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupSums:
    """Sums over the groups of one kind of measurement, each of shape (groups,)."""

    name: str
    names: tuple[str, ...] | None
    coordinates: FloatArray
    chi2: FloatArray
    weight: FloatArray

    def name_of(self, group: int) -> str:
        """Return what a group is called."""
        return str(group) if self.names is None else self.names[group]


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustment:
    """The adjusted parameters and what they are worth.

    Attributes
    ----------
    status : str
        "ok"; "undetermined": `undetermined` says which combinations of shared parameters nothing tells (or no frame is
        determined); "not_converged"; "not_finite": the model has no value where it was to start. With frames that have
        nothing in common each has its own status, and this one is "ok" if any of them is.
    message : str
        One sentence; empty where nothing is odd.
    values : Values
        Where the fit ended, shaped as declared.
    iterations : int
    chi2 : float
        Weighted sum of squares of measurements and priors.
    degrees_of_freedom : float
        Weighted count of measured numbers and priors, less that of determined parameters.
    frame_status : tuple of str
        One of the same words for each frame.
    undetermined : tuple of Combination
    weakest : float
        Share of its information that the least determined combination of shared parameters keeps once all others are
        adjusted: 1 where nothing interferes, some 1e-14 and below is undetermined. Rounding leaves covariances as
        uncertain as 1e-15 is to this share.
    """

    problem: Problem
    status: str
    message: str
    values: Values
    iterations: int
    chi2: float
    degrees_of_freedom: float
    frame_status: tuple[str, ...]
    undetermined: tuple[Combination, ...]
    weakest: float
    sums: tuple[GroupSums, ...] = field(repr=False)
    determination: Determination = field(repr=False)
    basis: FloatArray = field(repr=False)

    @property
    def residual_variance(self) -> float:
        """chi2 over degrees of freedom: 1 if the stated sds are true; NaN without any to spare."""
        return self.chi2 / self.degrees_of_freedom if self.degrees_of_freedom > 0 else np.nan

    @property
    def rms_sd(self) -> float:
        """Rms of all whitened residuals, per coordinate, weighted."""
        count = sum(float(one.weight @ one.coordinates) for one in self.sums)
        total = sum(float(one.chi2[one.weight > 0.0] @ one.weight[one.weight > 0.0]) for one in self.sums)
        return float(np.sqrt(total / count)) if count > 0 else np.nan

    @property
    def groups(self) -> pd.DataFrame:
        """Residuals of every group, as `GROUPS`."""
        tables = [
            pd.DataFrame(
                {
                    "measurements": one.name,
                    "group": [one.name_of(i) for i in range(len(one.chi2))],
                    "coordinates": one.coordinates,
                    "rms_sd": np.sqrt(one.chi2 / np.where(one.coordinates > 0.0, one.coordinates, np.nan)),
                    "weight": one.weight,
                }
            )
            for one in self.sums
        ]
        return GROUPS.checked(pd.concat(tables, ignore_index=True))

    @property
    def doubted(self) -> tuple[str, ...]:
        """Names of the groups that a robust fit lets count less than half."""
        return tuple(
            one.name_of(int(i))
            for one in self.sums
            for i in np.flatnonzero((one.weight < _DOUBTED_BELOW) & (one.coordinates > 0.0))
        )

    def covariance(self, *names: str, is_scaled: bool = False) -> FloatArray:
        """Return the joint covariance of shared blocks, in the order given; all of them if none is named.

        By local steps, NaN where undetermined, zero where fixed. With `is_scaled` it is multiplied by the residual
        variance: for sds known up to one factor only. Priors are scaled with it.
        """
        spans = [self.problem.columns_of(name) for name in names or [block.name for block in self.problem.shared]]
        index = np.concatenate([np.arange(span.start, span.stop) for span in spans]) if spans else _none()
        chosen = self.basis[index]
        covariance = chosen @ self.determination.shared @ chosen.T
        return self._finished(covariance, self.determination.is_lost[index], is_scaled)

    def frame_covariance(self, frames: npt.ArrayLike | None = None, *, is_scaled: bool = False) -> FloatArray:
        """Return the covariances of frames (F, q, q), that of the shared parameters included.

        Parameters
        ----------
        frames : array_like of int, optional
            Which; all if None.
        is_scaled : bool
            As for `covariance`.
        """
        index = self._frame_index(frames)
        found = self.determination
        gain = found.gain[index]
        covariance = found.frames[index] + gain @ found.shared @ gain.transpose(0, 2, 1)
        return self._finished(covariance, found.is_frame_lost[index], is_scaled)

    def joint_covariance(self, frame: int, *, is_scaled: bool = False) -> FloatArray:
        """Return the covariance of all shared parameters and, after them, those of one frame: (p + q, p + q)."""
        _, covariance, is_lost = self._joint(frame)
        return self._finished(covariance, is_lost, is_scaled)

    def _joint(self, frame: int | None) -> tuple[FloatArray, FloatArray, BoolArray]:
        """Return how all shared parameters and one frame's move with the free coordinates, their covariance, losses."""
        found = self.determination
        if frame is None:
            return self.basis, self.basis @ found.shared @ self.basis.T, found.is_lost
        (index,) = self._frame_index([frame])
        p = len(self.basis)
        move = np.concatenate([self.basis, found.gain[index]])
        covariance = move @ found.shared @ move.T
        covariance[p:, p:] += found.frames[index]
        return move, covariance, np.concatenate([found.is_lost, found.is_frame_lost[index]])

    def covariance_of(
        self,
        function: Callable[[Values], npt.ArrayLike],
        *,
        frame: int | None = None,
        is_scaled: bool = False,
    ) -> FloatArray:
        """Return the first-order covariance (m, m) of a function of the parameters.

        Parameters
        ----------
        function : callable
            Takes values shaped as declared, gives m numbers; `values.frames` holds that one frame's value if `frame`
            is given, otherwise nothing. Differentiated by central differences of a hundredth of a standard deviation.
            What does not change along undetermined combinations has a covariance all the same: distances between
            markers, say, wherever their field lies. NaN otherwise.
        frame : int, optional
            The frame it depends on.
        is_scaled : bool
            As for `covariance`.
        """
        move, covariance, _ = self._joint(frame)
        along = move @ self.determination.null
        short = np.zeros(len(move), dtype=np.bool_)
        if frame is not None:
            short[len(self.basis) :] = self.determination.is_frame_short[frame]
        # what is not determined has no sd to set the step by
        sd = np.sqrt(np.diag(covariance)) + np.abs(along).max(axis=1, initial=0.0) + short * _STEP_OF_SHORT
        slope = _slope(lambda step: function(self._moved(step, frame)), sd)
        felt = np.abs(slope @ along) > _FELT * (np.abs(slope) @ np.abs(along))
        is_lost = felt.any(axis=1) | (slope[:, short] != 0.0).any(axis=1)
        return self._finished(slope @ covariance @ slope.T, is_lost, is_scaled)

    def _moved(self, step: FloatArray, frame: int | None) -> Values:
        p = len(self.basis)
        shared = {
            block.name: block.moved(self.values.shared[block.name], step[self.problem.columns_of(block.name)])
            for block in self.problem.shared
        }
        if frame is None or self.problem.frames is None or self.values.frames is None:
            return Values(shared)
        steps = np.zeros((self.problem.frames.count, self.problem.frames.size))
        steps[frame] = step[p:]
        return Values(shared, self.problem.frames.moved(self.values.frames, steps)[frame])

    def _frame_index(self, frames: npt.ArrayLike | None) -> IntArray:
        if self.problem.frames is None:
            raise InputError("frames: expected a problem with frames, found one without")
        count = self.problem.frames.count
        index = np.arange(count) if frames is None else np.asarray(frames)
        if index.ndim != 1 or index.dtype.kind not in "iu" or not ((index >= 0) & (index < count)).all():
            raise InputError(f"frames: expected numbers of frames, 0 to {count - 1}, found {frames!r}")
        return index.astype(np.int64)

    def _finished(self, covariance: FloatArray, is_lost: npt.NDArray[np.bool_], is_scaled: bool) -> FloatArray:
        covariance = 0.5 * (covariance + np.swapaxes(covariance, -1, -2))
        covariance[is_lost[..., :, None] | is_lost[..., None, :]] = np.nan
        return covariance * self.residual_variance if is_scaled else covariance

    def __str__(self) -> str:
        text = f"{self.status}: chi2 {self.chi2:.4g} with {self.degrees_of_freedom:.6g} degrees of freedom, "
        text += f"{self.iterations} iterations"
        return f"{text}; {self.message}" if self.message else text


def propagated_covariance(
    function: Callable[[FloatArray], npt.ArrayLike], mean: npt.ArrayLike, covariance: npt.ArrayLike
) -> FloatArray:
    """Return the first-order covariance (m, m) of a function of n correlated numbers.

    Parameters
    ----------
    function : callable
        Takes n numbers, gives m.
    mean, covariance : array_like, shapes (n,), (n, n)

    References
    ----------
    JCGM 100:2008, 5.2.2 and its generalisation to several results in annex H.2: J C J'. Derivatives by central
    differences of a hundredth of a standard deviation.

    Examples
    --------
    >>> area = propagated_covariance(lambda sides: sides[0] * sides[1], [2.0, 3.0], [[0.01, 0.0], [0.0, 0.04]])
    >>> round(float(area[0, 0]), 6)
    0.25
    """
    centre = checked_array("mean", mean, (None,))
    spread = checked_array("covariance", covariance, (len(centre), len(centre)))
    slope = _slope(lambda step: function(centre + step), np.sqrt(np.diag(spread)))
    return np.asarray(slope @ spread @ slope.T)


def _slope(function: Callable[[FloatArray], npt.ArrayLike], sd: FloatArray) -> FloatArray:
    """Return the derivative (m, n) of a function of a step by central differences; zero where the sd is."""
    columns = []
    for i, spread in enumerate(sd):
        step = np.zeros(len(sd))
        step[i] = _DIFFERENCE_SD * spread
        high = np.atleast_1d(np.asarray(function(step), dtype=np.float64)).ravel()
        low = np.atleast_1d(np.asarray(function(-step), dtype=np.float64)).ravel()
        columns.append((high - low) / (2.0 * step[i]) if spread > 0.0 else np.zeros(len(high)))
    return np.stack(columns, axis=1)


def _none() -> IntArray:
    return np.zeros(0, dtype=np.int64)
