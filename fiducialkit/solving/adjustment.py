"""The one sparse least-squares solver: frames with parameters of their own, shared parameters, priors on all.

Lens, mount, field survey, fault finding and the poses of a log only declare what they adjust
(`solving.adjustment_problem`); `adjust` does the rest. The parameters of frames are eliminated one frame at a time, so
the work grows with the number of frames and the cube of the number of shared parameters, and the memory holds one
(parameters of a frame) x (shared parameters) block a frame.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray
from fiducialkit.errors import InputError
from fiducialkit.solving.adjustment_equations import Equations, Step, System
from fiducialkit.solving.adjustment_problem import Problem, Robust, Values
from fiducialkit.solving.adjustment_rank import Determination, determined
from fiducialkit.solving.adjustment_result import Adjustment, GroupSums

_STAGE_ITERATIONS, _MOST_STAGES = 10, 16
_FIRST_DAMPING = 1e-4
_LEAST_DAMPING, _MOST_DAMPING = 1e-13, 1e10
_NEWTON_DAMPING = 1e-11  # damping that is no longer felt by any determined combination of parameters
_TOLERANCE = 1e-14  # of the squared step, in residual variances over the number of residuals
_ROUNDING = 1e-20  # of the squared step for each residual, in whitened units: data without any noise
_UNSEEN = 1e-10  # share of the cost that its rounding may hide
_NO_DISTANCE = 1e-6  # squared step in residual variances that leaves nothing to wish for


def adjust(problem: Problem, *, robust: Robust | None = None, max_iterations: int = 100) -> Adjustment:
    """Return the weighted least-squares fit of a problem.

    Levenberg-Marquardt with analytic derivatives; frames that share no free parameter are solved side by side, each
    with its own damping and its own status.

    Parameters
    ----------
    problem : Problem
    robust : Robust, optional
        How little a group that does not fit may count; plain least squares if None.
    max_iterations : int
        Of each fit; a biweight fit comes after a Huber fit and a few short ones.

    Raises
    ------
    InputError
        If the declaration does not fit together. What the data do not tell, or a fit that fails, is a status.

    References
    ----------
    Marquardt, SIAM J. Appl. Math. 11 (1963) 431-441 (damping by the diagonal); Madsen, Nielsen and Tingleff, Methods
    for Non-linear Least Squares Problems, 2004, section 3.2 (gain ratio); Holland and Welsch, Commun. Statist. A6
    (1977) 813-827 (reweighting).

    Examples
    --------
    A line through three points, the middle one 0.3 too high:

    >>> import numpy as np
    >>> from fiducialkit.solving.adjustment_problem import Block, Measurements, Problem
    >>> x, y = np.array([0.0, 1.0, 2.0]), np.array([1.0, 3.3, 5.0])
    >>> slopes = np.stack([np.ones(3), x], axis=1)[:, None, :]
    >>> def heights(values):
    ...     offset, slope = values.shared["line"]
    ...     return (offset + slope * x - y)[:, None], None, slopes
    >>> line = Block(name="line", value=[0.0, 0.0], labels=("offset_m", "slope"))
    >>> points = Measurements(name="points", evaluate=heights, shared={"line": None})
    >>> found = adjust(Problem(shared=[line], measurements=[points]))
    >>> found.status, found.values.shared["line"].round(6).tolist()
    ('ok', [1.1, 2.0])
    """
    if max_iterations < 1:
        raise InputError(f"max_iterations: expected at least 1, found {max_iterations}")
    system = System(problem, robust)
    start, before = (problem.start, 0) if robust is None else _approached(system, robust, max_iterations)
    search = _search(system, start, max_iterations)
    search.equations = system.equations(search.values)
    return _summary(system, search, determined(system, search.equations), before)


def _approached(system: System, robust: Robust, max_iterations: int) -> tuple[Values, int]:
    """Return where a biweight fit starts, and the iterations it took: a Huber fit, then limits halved down to its own.

    A redescending cost has many minima; a wide one has few, and each narrower one starts in the valley of the last
    (Blake and Zisserman, Visual Reconstruction, 1987: graduated non-convexity).
    """
    values, iterations = system.problem.start, 0
    if robust.kind == "huber":
        return values, iterations
    system.robust = replace(robust, kind="huber", limit=robust.limit / 2.0)
    search = _search(system, values, max_iterations)
    iterations += search.iterations
    limits = _wider_limits(system, search, robust)
    for limit in limits:
        system.robust = replace(robust, limit=limit)
        search = _search(system, search.values, _STAGE_ITERATIONS)
        iterations += search.iterations
    system.robust = robust
    return search.values, iterations


def _wider_limits(system: System, search: _Search, robust: Robust) -> list[float]:
    """Return limits from half the worst group's residual down to just above the one asked for, each half the last."""
    worst = max(
        (
            float(np.sqrt(np.max(chi2[np.isfinite(chi2)] / np.maximum(rows[np.isfinite(chi2)], 1.0), initial=0.0)))
            for chi2, rows in zip(search.equations.group_chi2, system.group_rows, strict=True)
        ),
        default=0.0,
    )
    count = int(np.ceil(np.log2(max(worst / robust.scale / robust.limit, 1.0))))
    return [robust.limit * 2.0**k for k in range(min(count, _MOST_STAGES), 0, -1)]


@dataclass(slots=True)
class _Search:
    """A running fit. Arrays have one number, or one a frame where frames have nothing in common."""

    values: Values
    equations: Equations
    damping: FloatArray
    growth: FloatArray  # what a step that fails multiplies the damping by
    shrink: FloatArray  # what a step that goes as foretold multiplies it by
    least: FloatArray  # damping below which the equations could not be solved
    is_done: BoolArray
    is_converged: BoolArray
    is_finite: BoolArray
    rows: FloatArray  # number of residuals summed in each cost
    iterations: int = 0


def _search(system: System, start: Values, max_iterations: int) -> _Search:
    equations = system.equations(start, with_curvature=True)
    size = len(equations.cost)
    finite = np.isfinite(equations.cost)
    search = _Search(
        values=start,
        equations=equations,
        damping=np.full(size, _FIRST_DAMPING),
        growth=np.full(size, 4.0),
        shrink=np.full(size, 0.01),
        least=np.full(size, _NEWTON_DAMPING),
        is_done=~finite,
        is_converged=np.zeros(size, dtype=np.bool_),
        is_finite=finite,
        rows=_rows(system),
    )
    while not search.is_done.all() and search.iterations < max_iterations:
        search.iterations += 1
        _advance(system, search)
    search.is_converged |= search.is_finite & _is_near(system, search)
    return search


def _is_near(system: System, search: _Search) -> BoolArray:
    """Return whether the next full step would be no distance: rounding can keep the last steps from getting smaller."""
    if search.is_converged.all():
        return search.is_converged
    step = system.step(search.equations, search.least)
    limit = _NO_DISTANCE * search.equations.cost / search.rows + _ROUNDING * search.rows
    return np.asarray(step.is_solved & (step.decrement <= limit))


def _rows(system: System) -> FloatArray:
    """Return the number of residuals that are summed in each cost."""
    total = np.zeros(max(system.frame_shape[0], 1))
    for rows, first in zip(system.group_rows, system.group_frames, strict=True):
        total += np.bincount(first, weights=rows, minlength=len(total))
    return np.maximum(system.in_parts(total), 1.0)


def _advance(system: System, search: _Search) -> None:
    """Try one step; keep it where it lowers the cost."""
    equations = search.equations
    step = system.step(equations, search.damping)
    moving = ~search.is_done & step.is_solved
    trial_values = _moved(system, search.values, step, moving)
    trial = system.equations(trial_values, with_curvature=True)
    with np.errstate(invalid="ignore", divide="ignore"):
        gain = np.where(step.promised > 0.0, (equations.cost - trial.cost) / step.promised, 0.0)
    # where the promised drop is below the rounding of the cost, the cost cannot tell better from worse
    unseen = _UNSEEN * equations.cost + _ROUNDING * search.rows
    limit = np.where(step.promised <= unseen, equations.cost + unseen, equations.cost)
    accepted = moving & (trial.cost <= limit)
    small = moving & (step.decrement <= _TOLERANCE * equations.cost + _ROUNDING * search.rows)
    newton = search.damping <= np.maximum(search.least, _NEWTON_DAMPING)
    search.values = _chosen(system, search.values, trial_values, accepted)
    search.equations = _merged(system, equations, trial, accepted)
    search.is_converged |= small & newton
    search.is_done |= small & newton
    _damp(search, accepted, gain, small, step.is_solved)


def _damp(search: _Search, accepted: BoolArray, gain: FloatArray, small: BoolArray, solved: BoolArray) -> None:
    """Change the damping by how well the linear model foretold the drop; give up where nothing helps."""
    factor = np.where(gain > 0.75, search.shrink, np.where(gain > 0.25, 1.0, 2.0))
    factor = np.where(accepted, factor, search.growth)
    factor = np.where(small, 0.01, factor)
    # boldness comes back step by step after a failure
    shrink = np.where(gain > 0.75, np.maximum(0.3 * search.shrink, 0.01), search.shrink)
    search.shrink = np.where(accepted | small, shrink, 0.5)
    search.growth = np.where(accepted | small, 4.0, np.minimum(2.0 * search.growth, 1e6))
    damping = np.where(solved, search.damping * factor, np.maximum(10.0 * search.damping, 1e-12))
    search.least = np.where(solved, search.least, np.maximum(search.least, damping))
    search.damping = np.where(search.is_done, search.damping, np.maximum(damping, _LEAST_DAMPING))
    search.is_done |= search.damping > _MOST_DAMPING


def _moved(system: System, values: Values, step: Step, moving: BoolArray) -> Values:
    if system.is_separate:
        return system.problem.moved(values, step.shared, np.where(moving[:, None], step.frames, 0.0))
    return system.problem.moved(values, step.shared, step.frames) if moving[0] else values


def _chosen(system: System, old: Values, new: Values, accepted: BoolArray) -> Values:
    if not system.is_separate or old.frames is None or new.frames is None:
        return new if accepted[0] else old
    shape = (-1,) + (1,) * (old.frames.ndim - 1)
    return Values(old.shared, np.where(accepted.reshape(shape), new.frames, old.frames))


def _merged(system: System, old: Equations, new: Equations, accepted: BoolArray) -> Equations:
    if accepted.all():
        return new
    if not accepted.any():
        return old
    groups = [accepted[first] for first in system.group_frames]
    return replace(
        new,
        cost=np.where(accepted, new.cost, old.cost),
        frame=np.where(accepted[:, None, None], new.frame, old.frame),
        frame_gradient=np.where(accepted[:, None], new.frame_gradient, old.frame_gradient),
        group_chi2=[np.where(g, a, b) for g, a, b in zip(groups, new.group_chi2, old.group_chi2, strict=True)],
        group_weight=[np.where(g, a, b) for g, a, b in zip(groups, new.group_weight, old.group_weight, strict=True)],
    )


def _summary(system: System, search: _Search, found: Determination, before: int) -> Adjustment:
    problem, equations = system.problem, search.equations
    sums = tuple(
        GroupSums(name=kind.name, names=layout.group_names, coordinates=rows, chi2=chi2, weight=weight)
        for kind, layout, rows, chi2, weight in zip(
            problem.measurements, system.layouts, system.group_rows, equations.group_chi2, equations.group_weight,
            strict=True,
        )
    )  # fmt: skip
    frame_status = _frame_statuses(system, search, found)
    status, message = _verdict(system, search, found, frame_status, sums)
    measured = sum(float(one.chi2[one.weight > 0.0] @ one.weight[one.weight > 0.0]) for one in sums)
    return Adjustment(
        problem=problem,
        status=status,
        message=message,
        values=search.values,
        iterations=before + search.iterations,
        chi2=measured + float(system.prior_chi2(search.values).sum()),
        degrees_of_freedom=_degrees_of_freedom(system, found, sums),
        frame_status=frame_status,
        undetermined=found.undetermined,
        weakest=found.weakest,
        sums=sums,
        determination=found,
        basis=system.basis,
    )


def _degrees_of_freedom(system: System, found: Determination, sums: tuple[GroupSums, ...]) -> float:
    """Return the weighted count of what was measured or known, less the number of parameters it determines."""
    measured = sum(float(one.weight @ one.coordinates) for one in sums)
    parameters = len(found.shared) - len(found.undetermined) + int(found.frame_ranks.sum())
    return measured + system.prior_count - parameters


def _frame_statuses(system: System, search: _Search, found: Determination) -> tuple[str, ...]:
    count = system.frame_shape[0]
    status = np.where(found.is_frame_lost[:count].any(axis=1), "undetermined", "ok")
    status = np.where(np.broadcast_to(search.is_converged, (count,)), status, "not_converged")
    status = np.where(np.broadcast_to(search.is_finite, (count,)), status, "not_finite")
    return tuple(status.tolist())


def _verdict(
    system: System, search: _Search, found: Determination, frame_status: tuple[str, ...], sums: tuple[GroupSums, ...]
) -> tuple[str, str]:
    """Return the status of the whole and its message."""
    odd = _odd_frames(system, found, frame_status)
    if system.is_separate:
        fine = "ok" in frame_status
        return ("ok" if fine else max(set(frame_status), key=frame_status.count)), odd
    if not search.is_finite.all():
        return "not_finite", f"no finite value where the fit starts: {_not_finite_groups(sums)}"
    if not search.is_converged.all():
        return "not_converged", f"no minimum was reached in {search.iterations} iterations"
    if found.undetermined:
        several = "a combination of parameters is" if len(found.undetermined) == 1 else "combinations of parameters are"
        return "undetermined", f"{several} not determined: " + "; ".join(str(one) for one in found.undetermined)
    if len(found.shared) == 0 and frame_status and "ok" not in frame_status:
        return "undetermined", odd
    return "ok", odd


def _not_finite_groups(sums: tuple[GroupSums, ...]) -> str:
    named = [f"{one.name} {one.name_of(int(i))}" for one in sums for i in np.flatnonzero(~np.isfinite(one.chi2))]
    return ", ".join(named[:5]) + (f" and {len(named) - 5} more" if len(named) > 5 else "")


def _odd_frames(system: System, found: Determination, frame_status: tuple[str, ...]) -> str:
    """Return how many frames are not in order, and the first few by name and reason."""
    frames = system.problem.frames
    odd = [i for i, status in enumerate(frame_status) if status != "ok"]
    if frames is None or not odd:
        return ""
    said = []
    for i in odd[:3]:
        lost = [label for label, is_lost in zip(frames.labels, found.is_frame_lost[i], strict=True) if is_lost]
        reason = frame_status[i].replace("_", " ") + (f" in {', '.join(lost)}" if lost else "")
        said.append(f"{frames.item_name(i)} {reason}")
    more = f" and {len(odd) - 3} more" if len(odd) > 3 else ""
    return f"{len(odd)} of {len(frame_status)} {frames.name} items have no result: {'; '.join(said)}{more}"
