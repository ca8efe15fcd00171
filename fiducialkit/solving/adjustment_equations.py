"""Normal equations of an adjustment at given values, and the damped step they propose."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.linalg import LinAlgError, cho_factor, cho_solve, null_space

from fiducialkit.arrays import BoolArray, FloatArray, IntArray, checked_array
from fiducialkit.errors import InputError
from fiducialkit.solving import adjustment_kernels as kernels
from fiducialkit.solving.adjustment_problem import (
    Block,
    Layout,
    Linearised,
    Measurements,
    Problem,
    Robust,
    Values,
    laid_out,
    priors_of,
)

_NOTHING = np.zeros((0, 0, 0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Equations:
    """J'WJ and J'Wr at one set of values, fixed parameters and constraints taken out.

    `frame` (F, q, q), `cross` (F, q, r), `shared` (r, r), `frame_gradient` (F, q), `shared_gradient` (r,), where the r
    free shared parameters are coordinates along the columns of the problem's basis; `information` (p,) is what each
    shared parameter would have were all others known. `cost` has one number, or one a
    frame where frames have nothing in common; infinity where the model fails. `group_chi2` and `group_weight` have one
    array a kind of measurements.
    """

    cost: FloatArray
    frame: FloatArray
    cross: FloatArray
    shared: FloatArray
    frame_gradient: FloatArray
    shared_gradient: FloatArray
    information: FloatArray
    group_chi2: list[FloatArray]
    group_weight: list[FloatArray]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A damped step: of the shared parameters (p,), of the frames (F, q), and what it promises.

    `decrement` is the squared length of the step in the metric of the normal equations, `promised` the drop of the
    cost that the linear model foresees; `is_solved` where the damped equations had a solution. One number each, or one
    a frame.
    """

    shared: FloatArray
    frames: FloatArray
    decrement: FloatArray
    promised: FloatArray
    is_solved: BoolArray


@dataclass(slots=True)
class System:
    """A problem with its indices worked out once: what turns values into equations and equations into steps."""

    problem: Problem
    robust: Robust | None
    layouts: list[Layout] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)
    group_rows: list[FloatArray] = field(default_factory=list)
    group_frames: list[IntArray] = field(default_factory=list)
    group_is_local: list[BoolArray] = field(default_factory=list)
    priors: dict[str, tuple[FloatArray, FloatArray]] = field(default_factory=dict)
    frame_prior: tuple[FloatArray, FloatArray] | None = None
    basis: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    is_separate: bool = False

    def __post_init__(self) -> None:
        for kind in self.problem.measurements:
            residuals = np.asarray(kind.evaluate(self.problem.start)[0])
            if residuals.ndim != 2:
                raise InputError(f"measurements {kind.name}: residuals: expected (N, m), found shape {residuals.shape}")
            layout = laid_out(self.problem, kind, len(residuals))
            rows = np.bincount(layout.group_of, minlength=layout.groups).astype(np.float64)
            rows *= residuals.shape[1]
            first = np.zeros(layout.groups, dtype=np.int64)
            first[layout.group_of] = layout.frame_of
            self.layouts.append(layout)
            self.rows.append(residuals.shape[1])
            self.group_rows.append(rows)
            self.group_frames.append(first)
            strangers = np.bincount(layout.group_of[first[layout.group_of] != layout.frame_of], minlength=layout.groups)
            self.group_is_local.append(strangers == 0)
        found = {block.name: priors_of(block) for block in self.problem.shared}
        self.priors = {name: prior for name, prior in found.items() if prior is not None}
        self.frame_prior = None if self.problem.frames is None else priors_of(self.problem.frames)
        self.basis = _free_basis(self.problem)
        self.is_separate = self._frames_have_nothing_in_common()

    def _frames_have_nothing_in_common(self) -> bool:
        if self.problem.frames is None or self.basis.shape[1] > 0:
            return False
        return all(
            layout.has_frame and bool(local.all())
            for layout, local in zip(self.layouts, self.group_is_local, strict=True)
        )

    @property
    def frame_shape(self) -> tuple[int, int]:
        """Number of frames and of parameters a frame; (0, 0) without frames."""
        frames = self.problem.frames
        return (0, 0) if frames is None else (frames.count, frames.size)

    @property
    def width(self) -> int:
        """Shared parameters to keep equations for: all, or none where none is free."""
        return self.basis.shape[0] if self.basis.shape[1] else 0

    def in_parts(self, by_frame: FloatArray) -> FloatArray:
        """Return sums over what is decided together: all frames (1,), or each frame for itself (F,)."""
        return by_frame if self.is_separate else np.atleast_1d(by_frame.sum())

    def equations(self, values: Values, *, with_curvature: bool = False) -> Equations:
        """Return the normal equations at the values.

        With `with_curvature` the bend of a robust cost is in them: the steps of a search need it to be few, while the
        covariance is that of the weights alone.
        """
        count, q = self.frame_shape
        blocks = kernels.empty_blocks(max(count, 1), q, self.width)
        cost = np.zeros(max(count, 1))
        chi2s, weights = [], []
        for index, (kind, layout, m) in enumerate(zip(self.problem.measurements, self.layouts, self.rows, strict=True)):
            rows, first = self.group_rows[index], self.group_frames[index]
            residuals, by_frame, by_shared = _checked(kind, kind.evaluate(values), layout, m, q)
            columns = layout.columns
            if self.width == 0:  # nothing shared is free
                by_shared, columns = np.zeros((*residuals.shape, 0)), columns[:, :0].copy()
            each = np.empty(len(residuals))
            kernels.squared_residuals(residuals, by_frame, by_shared, each)
            chi2 = np.bincount(layout.group_of, weights=each, minlength=layout.groups).astype(np.float64)
            weight, loss = weighed(chi2, rows, self.robust)
            cost += np.bincount(first, weights=loss, minlength=len(cost))
            kernels.add_measurements(
                residuals, weight[layout.group_of], by_frame, layout.frame_of, by_shared, columns, *blocks
            )
            if with_curvature and self.robust is not None:
                share = bend(chi2, rows, self.robust) * self.group_is_local[index]
                _subtract_bend(residuals, by_frame, by_shared, layout, share, first, blocks)
            chi2s.append(chi2)
            weights.append(weight)
        cost += self._add_priors(values, blocks)
        return self._freed(blocks, self.in_parts(cost), chi2s, weights)

    def prior_chi2(self, values: Values) -> FloatArray:
        """Return chi squared of what is known beforehand, by frame; that of shared parameters with the first."""
        count, q = self.frame_shape
        return self._add_priors(values, kernels.empty_blocks(max(count, 1), q, self.width))

    @property
    def prior_count(self) -> int:
        """How many free parameters something is known of beforehand."""
        blocks = [(self.problem.block(name), prior) for name, prior in self.priors.items()]
        if self.problem.frames is not None and self.frame_prior is not None:
            blocks.append((self.problem.frames, self.frame_prior))
        return sum(
            int(((np.diagonal(information, axis1=1, axis2=2) > 0.0) & ~block.held).sum())
            for block, (_, information) in blocks
        )

    def _add_priors(self, values: Values, blocks: tuple[FloatArray, ...]) -> FloatArray:
        """Add what is known beforehand to the normal equations; return its chi squared as `prior_chi2`."""
        frame, _, shared, frame_gradient, shared_gradient = blocks
        total = np.zeros(len(frame))
        for name, prior in self.priors.items():
            block = self.problem.block(name)
            information, gradient, chi2 = _prior_equations(block, values.shared[name], prior)
            start = self.problem.columns_of(name).start
            for i in range(block.count if self.width else 0):
                where = slice(start + i * block.size, start + (i + 1) * block.size)
                shared[where, where] += information[i]
                shared_gradient[where] += gradient[i]
            total[0] += chi2.sum()
        if self.problem.frames is not None and values.frames is not None and self.frame_prior is not None:
            information, gradient, chi2 = _prior_equations(self.problem.frames, values.frames, self.frame_prior)
            frame += information
            frame_gradient += gradient
            total += chi2
        return total

    def _freed(
        self,
        blocks: tuple[FloatArray, ...],
        cost: FloatArray,
        chi2s: list[FloatArray],
        weights: list[FloatArray],
    ) -> Equations:
        """Take out the fixed parameters of frames and go over to the free coordinates of the shared ones."""
        frame, cross, shared, frame_gradient, shared_gradient = blocks
        frames = self.problem.frames
        if frames is not None and frames.held.any():
            free = ~frames.held
            frame *= free[:, :, None] & free[:, None, :]
            cross *= free[:, :, None]
            frame_gradient *= free
            item, held = np.nonzero(frames.held)
            frame[item, held, held] = 1.0
        basis = self.basis[: self.width]
        return Equations(
            cost=cost,
            frame=frame,
            cross=cross @ basis,
            shared=basis.T @ shared @ basis,
            frame_gradient=frame_gradient,
            shared_gradient=basis.T @ shared_gradient,
            information=np.diag(shared).copy() if self.width else np.zeros(len(self.basis)),
            group_chi2=chi2s,
            group_weight=weights,
        )

    def step(self, equations: Equations, damping: FloatArray) -> Step:
        """Return the damped step; `damping` has one number or one a frame: the share added to the diagonal."""
        count, q = equations.frame.shape[:2]
        r = len(equations.shared_gradient)
        each = np.broadcast_to(damping, (count,)).copy()
        factors, good = np.zeros((count, q, q)), np.zeros(count)
        kernels.factor_frames(equations.frame, each, factors, good)
        cross, gradient = np.empty((count, q, r)), np.empty((count, q))
        kernels.eliminate_frames(equations.frame, factors, equations.cross, equations.frame_gradient, cross, gradient)
        solved = good > 0.0 if self.is_separate else np.atleast_1d((good > 0.0).all())
        shared, is_shared_solved = _shared_step(equations, cross, gradient, float(damping[0]))
        steps = np.empty((count, q))
        kernels.frame_steps(equations.frame, factors, cross, gradient, shared, steps)
        descent = -(steps * equations.frame_gradient).sum(axis=1)
        squares = (steps**2 * positive_diagonal(equations.frame)).sum(axis=1)
        descent[0] -= shared @ equations.shared_gradient
        squares[0] += shared**2 @ positive_diagonal(equations.shared)
        decrement = self.in_parts(descent)
        return Step(
            shared=self.basis @ shared,
            frames=steps,
            decrement=decrement,
            promised=decrement + damping * self.in_parts(squares),
            is_solved=solved & is_shared_solved,
        )


def _shared_step(
    equations: Equations, cross: FloatArray, gradient: FloatArray, damping: float
) -> tuple[FloatArray, bool]:
    """Return the shared parameters' step from the reduced equations, and whether they could be solved."""
    r = len(equations.shared_gradient)
    if r == 0:
        return np.zeros(0), True
    scale = 1.0 / np.sqrt(positive_diagonal(equations.shared))
    reduced, rest = equations.shared.copy(), equations.shared_gradient.copy()
    kernels.subtract_products(cross, cross, gradient, reduced, rest)
    reduced *= scale[:, None] * scale
    reduced[np.diag_indices(r)] += damping
    try:
        return np.asarray(-scale * cho_solve(cho_factor(reduced, lower=True), scale * rest)), True
    except (LinAlgError, ValueError):
        return np.zeros(r), False


def positive_diagonal(matrices: FloatArray) -> FloatArray:
    """Return the diagonal, 1 where it is zero: nothing is seen of such a parameter, and its step is zero."""
    diagonal = np.diagonal(matrices, axis1=-2, axis2=-1)
    return np.where(diagonal > 0.0, diagonal, 1.0)


def weighed(chi2: FloatArray, rows: FloatArray, robust: Robust | None) -> tuple[FloatArray, FloatArray]:
    """Return each group's weight and its share of the cost; a group that is not finite weighs 0 and costs infinity.

    The cost is rows * rho(u) * scale^2 with u = sqrt(chi2 / rows) / scale; rho' = 2 u weight(u), and rho is u^2 near 0.
    """
    finite = np.isfinite(chi2)
    if robust is None:
        return finite.astype(np.float64), chi2
    rows = np.maximum(rows, 1.0)
    u2 = np.where(finite, chi2, 0.0) / rows / robust.scale**2
    c = robust.limit
    if robust.kind == "huber":
        u = np.maximum(np.sqrt(u2), 1e-300)
        weight = np.minimum(1.0, c / u)
        rho = np.where(u <= c, u2, 2.0 * c * u - c * c)
    else:
        inside = np.clip(1.0 - (u2 - 1.0) / (c**2 - 1.0), 0.0, 1.0)
        weight = inside**2
        rho = np.where(u2 <= 1.0, u2, 1.0 + (c**2 - 1.0) / 3.0 * (1.0 - inside**3))
    return np.where(finite, weight, 0.0), np.where(finite, rows * rho * robust.scale**2, np.inf)


def bend(chi2: FloatArray, rows: FloatArray, robust: Robust) -> FloatArray:
    """Return how much each group's J'W J is to lose along its own residual: -2 d(weight)/d(chi2).

    The second derivative of the cost is w J'J + 2 w' J'r r'J (Triggs et al. 2000, section 4.3). It is kept positive by
    never taking more than nine tenths of what there is, and left out where it is below a tenth.
    """
    weight, _ = weighed(chi2, rows, robust)
    finite = np.where(np.isfinite(chi2) & (chi2 > 0.0), chi2, 1.0)
    if robust.kind == "huber":
        share = np.where(weight < 1.0, weight / finite, 0.0)
    else:
        size = (robust.limit**2 - 1.0) * np.maximum(rows, 1.0) * robust.scale**2
        share = np.where(weight < 1.0, 4.0 * np.sqrt(weight) / size, 0.0)
    share = np.minimum(share, 0.9 * weight / finite)
    return np.where(share * finite > 0.1 * weight, share, 0.0)


def _subtract_bend(
    residuals: FloatArray,
    by_frame: FloatArray,
    by_shared: FloatArray,
    layout: Layout,
    share: FloatArray,
    group_frames: IntArray,
    blocks: tuple[FloatArray, ...],
) -> None:
    """Take the bend of a robust cost from the blocks."""
    chosen = np.flatnonzero(share > 0.0)
    if chosen.size == 0:
        return
    frame, cross, shared = blocks[:3]
    slots = np.full(len(share), -1)
    slots[chosen] = np.arange(chosen.size)
    gradients = np.zeros((chosen.size, by_frame.shape[2] + len(shared)))
    kernels.add_group_gradients(residuals, by_frame, by_shared, layout.columns, slots[layout.group_of], gradients)
    if by_frame.shape[2] < frame.shape[1]:  # of no frame, where others are of one
        gradients = np.concatenate([np.zeros((chosen.size, frame.shape[1])), gradients], axis=1)
    kernels.subtract_squares(gradients, share[chosen], group_frames[chosen], frame, cross, shared)


def _checked(
    kind: Measurements, found: Linearised, layout: Layout, m: int, q: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what `evaluate` gave as arrays of the expected shapes, or raise InputError."""
    count, k = layout.columns.shape
    wanted = ((count, m), (count, m, q if layout.has_frame else 0), (count, m, k))
    arrays = []
    for name, value, shape in zip(("residuals", "by_frame", "by_shared"), found, wanted, strict=True):
        array = np.zeros(shape if 0 in shape else ()) if value is None else np.asarray(value, dtype=np.float64)
        if array.shape != shape:
            said = "none" if value is None else str(array.shape)
            raise InputError(f"measurements {kind.name}: {name}: expected shape {shape}, found {said}")
        arrays.append(np.ascontiguousarray(array))
    return arrays[0], arrays[1], arrays[2]


def _prior_equations(
    block: Block, value: FloatArray, prior: tuple[FloatArray, FloatArray]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return information (n, q, q), gradient (n, q) and chi squared (n,) of what a block is known to be."""
    mean, information = prior
    error, slope = block.deviation(value, mean)
    pulled = np.einsum("nij,nj->ni", information, error)
    return (
        slope.transpose(0, 2, 1) @ information @ slope,
        np.einsum("nji,nj->ni", slope, pulled),
        np.einsum("ni,ni->n", error, pulled),
    )


def _free_basis(problem: Problem) -> FloatArray:
    """Return the directions (p, r) in which the shared parameters may move: not fixed, not against a constraint."""
    total = sum(block.dimension for block in problem.shared)
    held = [block.held.ravel() for block in problem.shared]
    free = np.flatnonzero(~np.concatenate(held)) if held else np.zeros(0, dtype=np.int64)
    basis = np.eye(total)[:, free]
    rows = []
    for name, matrix in problem.constraints.items():
        width = problem.block(name).dimension
        row = np.zeros((len(np.atleast_2d(matrix)), total))
        row[:, problem.columns_of(name)] = checked_array(f"constraints: {name}", matrix, (None, width))
        rows.append(row)
    if not rows:
        return basis
    bound = np.concatenate(rows) @ basis
    # rows and columns to a common size first: metres, radians and pixels stand side by side
    size = np.linalg.norm(bound, axis=1, keepdims=True)
    return np.asarray(basis @ null_space(bound / np.where(size > 0.0, size, 1.0)))
