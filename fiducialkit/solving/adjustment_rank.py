"""Which parameters the equations of an adjustment determine, and the inverse as far as there is one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import qr

from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.solving import adjustment_kernels as kernels
from fiducialkit.solving.adjustment_equations import Equations, System, positive_diagonal

# share of its information that an exactly undetermined combination seems to keep, by rounding alone: at most 1.2e-15,
# 2.6e-15, 5.5e-15 and 9.7e-15 was seen for free networks of 160, 16,000, 96,000 and 320,000 residuals (it grows with
# the root of their number); a rational lens, barely determined, keeps 2e-14 to 8e-14 of its worst combination
_ROUNDING_SHARE = 8e-15
_FREE_OF_GROWTH = 1e4
_PIVOT_TO_LOOK_AT = 1e-6  # the smallest eigenvalue may lie some orders below the smallest squared pivot
_TAKES_PART = 1e-6
_WORTH_NAMING = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Combination:
    """A combination of parameters that neither measurements nor priors tell.

    Attributes
    ----------
    labels : tuple of str
        The shared parameters that take part.
    changes : tuple of float
        How they move together, each in its own unit; the first moves by 1.
    with_frames : tuple of str
        Labels of the frame parameters that move along.
    """

    labels: tuple[str, ...]
    changes: tuple[float, ...]
    with_frames: tuple[str, ...] = ()

    def __str__(self) -> str:
        shown = [f"{name} {change:+.3g}" for name, change in zip(self.labels, self.changes, strict=True)]
        text = ", ".join(shown[:6]) + (f" and {len(shown) - 6} more" if len(shown) > 6 else "")
        return f"{text} (with each frame's {', '.join(self.with_frames)})" if self.with_frames else text


@dataclass(frozen=True, slots=True, kw_only=True)
class Determination:
    """The inverse of undamped equations, at unit variance, and what it does not reach.

    Attributes
    ----------
    shared : ndarray, shape (r, r)
        Inverse for the free coordinates of the shared parameters; generalised where they are not all determined.
    frames : ndarray, shape (F, q, q)
        Inverse of each frame's own block: its covariance were the shared parameters known.
    gain : ndarray, shape (F, q, r)
        How a frame moves with the shared parameters.
    null : ndarray, shape (r, k)
        The k undetermined directions of those coordinates.
    is_lost : ndarray of bool, shape (p,)
        Shared parameters that take part in a combination that is not determined.
    is_frame_lost : ndarray of bool, shape (F, q)
        The same of each frame.
    is_frame_short : ndarray of bool, shape (F, q)
        Those of them that the frame would lack even if all shared parameters were known.
    frame_ranks : ndarray of int, shape (F,)
        Parameters of each frame that its own measurements and priors determine.
    undetermined : tuple of Combination
    weakest : float
        Share of its information that the least determined combination of shared parameters keeps; 1 without any.
    """

    shared: FloatArray
    frames: FloatArray
    gain: FloatArray
    null: FloatArray
    is_lost: BoolArray
    is_frame_lost: BoolArray
    is_frame_short: BoolArray
    frame_ranks: IntArray
    undetermined: tuple[Combination, ...]
    weakest: float


def determined(system: System, equations: Equations) -> Determination:
    """Return what the equations determine.

    Every parameter is scaled to have unit information of its own. The eigenvalues of the reduced, scaled matrix are the
    shares of information left once all other parameters are adjusted; a combination with none left is undetermined.
    Parameters that take no part in such a combination have a covariance all the same: any generalised inverse gives it
    (Rao and Mitra, Generalized Inverse of Matrices and its Applications, 1971, chapter 7: estimable functions).
    """
    inverses, frame_lost, ranks = _frame_inverses(system, equations.frame)
    gain = -inverses @ equations.cross
    r = len(equations.shared)
    scale = 1.0 / np.sqrt(positive_diagonal(equations.shared))
    reduced, rest = equations.shared.copy(), equations.shared_gradient.copy()
    kernels.subtract_products(equations.cross, -gain, equations.frame_gradient, reduced, rest)
    values, vectors = np.linalg.eigh(reduced * scale[:, None] * scale)
    lost = values < _ROUNDING_SHARE * max(1.0, np.sqrt(_residual_count(system) / _FREE_OF_GROWTH))
    kept = vectors[:, ~lost] * scale[:, None]
    null = vectors[:, lost] * scale[:, None]
    along = gain @ null * np.sqrt(positive_diagonal(equations.frame))[:, :, None]
    moved = np.abs(_by_information(system, equations, null)).max(axis=1, initial=0.0)
    return Determination(
        shared=(kept / values[~lost]) @ kept.T,
        frames=inverses,
        gain=gain,
        null=null,
        is_lost=moved > _TAKES_PART,
        is_frame_lost=frame_lost | (np.abs(along).max(axis=2, initial=0.0) > _TAKES_PART),
        is_frame_short=frame_lost,
        frame_ranks=ranks,
        undetermined=_combinations(system, equations, null, gain),
        weakest=max(float(values[0]), 0.0) if r else 1.0,
    )


def _residual_count(system: System) -> float:
    return float(sum(rows.sum() for rows in system.group_rows))


def _by_information(system: System, equations: Equations, directions: FloatArray) -> FloatArray:
    """Return directions of the free coordinates (r, k) as changes of the parameters (p, k), each in its own sd."""
    own = np.where(equations.information > 0.0, equations.information, 1.0)
    return np.asarray(system.basis @ directions * np.sqrt(own)[:, None])


def _frame_inverses(system: System, frame: FloatArray) -> tuple[FloatArray, BoolArray, IntArray]:
    """Return the inverse of each frame's block, which of its parameters it lacks, and its rank."""
    count, q = frame.shape[:2]
    scale = 1.0 / np.sqrt(positive_diagonal(frame))
    scaled = frame * scale[:, :, None] * scale[:, None, :]
    factors, good = np.zeros((count, q, q)), np.zeros(count)
    kernels.factor_frames(frame, np.zeros(count), factors, good)
    doubtful = good < _PIVOT_TO_LOOK_AT
    lost = np.zeros((count, q), dtype=np.bool_)
    inverse = np.zeros_like(frame)
    inverse[~doubtful] = np.linalg.inv(scaled[~doubtful])
    ranks = np.full(count, q)
    for f in np.flatnonzero(doubtful):
        values, vectors = np.linalg.eigh(scaled[f])
        kept = values > _ROUNDING_SHARE
        inverse[f] = (vectors[:, kept] / values[kept]) @ vectors[:, kept].T
        lost[f] = (np.abs(vectors[:, ~kept]) > _TAKES_PART).any(axis=1)
        ranks[f] = int(kept.sum())
    inverse *= scale[:, :, None] * scale[:, None, :]
    frames = system.problem.frames
    if frames is not None:
        inverse *= ~frames.held[:, :, None] & ~frames.held[:, None, :]
        ranks -= frames.held.sum(axis=1)
    return inverse, lost, ranks


def _combinations(system: System, equations: Equations, null: FloatArray, gain: FloatArray) -> tuple[Combination, ...]:
    """Return the null space (r, k) as k combinations, each as short as the choice of a pivot parameter makes it."""
    count = null.shape[1]
    if count == 0:
        return ()
    changes = _by_information(system, equations, null)
    pivots = qr(changes.T, mode="r", pivoting=True)[-1][:count]
    turn = np.linalg.inv(changes[pivots])
    own = np.sqrt(np.where(equations.information > 0.0, equations.information, 1.0))
    labels = system.problem.shared_labels
    frame_labels = () if system.problem.frames is None else system.problem.frames.labels
    along = gain @ (null @ turn) * np.sqrt(positive_diagonal(equations.frame))[:, :, None]
    found = []
    for pivot, change, frames in zip(pivots, (changes @ turn).T, np.moveaxis(along, 2, 0), strict=True):
        rms = np.sqrt((frames**2).mean(axis=0))
        taking = np.flatnonzero(np.abs(change) > _WORTH_NAMING * np.abs(change).max())
        raw = change / own
        first = raw[taking[0]] if abs(change[taking[0]]) > 0.0 else raw[pivot]
        found.append(
            Combination(
                labels=tuple(labels[i] for i in taking),
                changes=tuple(float(raw[i] / first) for i in taking),
                with_frames=tuple(
                    label for label, size in zip(frame_labels, rms, strict=True) if size > _WORTH_NAMING * rms.max()
                ),
            )
        )
    return tuple(found)
