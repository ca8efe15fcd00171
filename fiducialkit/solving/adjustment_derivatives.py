"""Whether the derivatives a caller declares are those of the residuals: for the tests of whatever is adjusted."""

from __future__ import annotations

import numpy as np

from fiducialkit.arrays import FloatArray
from fiducialkit.solving.adjustment_problem import Measurements, Problem, laid_out


def derivative_errors(problem: Problem, step: float = 1e-6) -> dict[str, float]:
    """Return how far declared derivatives are from central differences where the problem starts.

    Parameters
    ----------
    problem : Problem
    step : float
        Of each parameter, times its size or 1, whichever is larger; of poses, in metres and radians.

    Returns
    -------
    dict
        For each parameter, ``frames.<label>`` or its full label: the largest difference over the largest derivative by
        that parameter (its plain size where all are zero). Errors of the differences themselves are about step^2 and
        1e-16 / step times the size of residuals over derivatives.
    """
    errors: dict[str, float] = {}
    for kind in problem.measurements:
        for label, error in _errors_of(problem, kind, step):
            errors[label] = max(errors.get(label, 0.0), error)
    return errors


def _errors_of(problem: Problem, kind: Measurements, step: float) -> list[tuple[str, float]]:
    residuals, by_frame, by_shared = kind.evaluate(problem.start)
    layout = laid_out(problem, kind, len(residuals))
    found = []
    if problem.frames is not None and by_frame is not None:
        for column, label in enumerate(problem.frames.labels):
            numeric = _difference(problem, kind, column, None, step)
            found.append((f"frames.{label}", _relative(numeric, by_frame[:, :, column])))
    if by_shared is not None:
        for column, label in enumerate(problem.shared_labels):
            mine = layout.columns == column
            if mine.any():
                analytic = np.where(mine[:, None, :], by_shared, 0.0).sum(axis=2)
                numeric = _difference(problem, kind, None, column, step)
                found.append((label, _relative(numeric, analytic)))
    return found


def _difference(
    problem: Problem, kind: Measurements, frame_column: int | None, column: int | None, step: float
) -> FloatArray:
    """Return the central difference by one parameter of every frame at once, or by one shared parameter."""
    count, q = (0, 0) if problem.frames is None else (problem.frames.count, problem.frames.size)
    frame_steps, shared_step = np.zeros((count, q)), np.zeros(len(problem.shared_labels))
    size = np.ones(1)
    if frame_column is not None and problem.frames is not None:
        size = np.ones(count)
        if problem.frames.manifold == "flat":
            size = np.maximum(1.0, np.abs(problem.frames.value[:, frame_column]))
        frame_steps[:, frame_column] = step * size
        layout = laid_out(problem, kind, len(kind.evaluate(problem.start)[0]))
        size = size[layout.frame_of]
    if column is not None:
        values = [
            block.value.ravel() if block.manifold == "flat" else np.ones(block.dimension) for block in problem.shared
        ]
        size = np.maximum(1.0, np.abs(np.concatenate(values)[[column]]))
        shared_step[column] = step * size[0]
    high = kind.evaluate(problem.moved(problem.start, shared_step, frame_steps))[0]
    low = kind.evaluate(problem.moved(problem.start, -shared_step, -frame_steps))[0]
    return np.asarray((high - low) / (2.0 * step * size[:, None]))


def _relative(numeric: FloatArray, analytic: FloatArray) -> float:
    largest = float(np.abs(analytic).max(initial=0.0))
    return float(np.abs(numeric - analytic).max(initial=0.0)) / (largest if largest > 0.0 else 1.0)
