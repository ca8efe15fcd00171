"""The compiled sums and the elimination of frames against plain numpy twins that keep everything dense."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from adjustment_cases import bundle

from fiducialkit.solving import adjustment_kernels as kernels
from fiducialkit.solving.adjustment_equations import System, bend, weighed
from fiducialkit.solving.adjustment_problem import Block, Measurements, Prior, Problem, Robust, Values


def random_rows(seed: int, count: int = 30, frames: int = 5, m: int = 3, q: int = 4, k: int = 3, p: int = 6):
    """Return arrays as `add_measurements` takes them; columns of a measurement are distinct."""
    rng = np.random.default_rng(seed)
    return (
        rng.normal(size=(count, m)),
        rng.uniform(0.0, 1.0, count) * (rng.random(count) > 0.2),
        rng.normal(size=(count, m, q)),
        rng.integers(0, frames, count),
        rng.normal(size=(count, m, k)),
        np.stack([rng.permutation(p)[:k] for _ in range(count)]),
    )


def dense_jacobian(by_frame, frame_of, by_shared, columns, frames: int, p: int) -> np.ndarray:
    """Return the whole derivative (N m, F q + p), frames first."""
    count, m, q = by_frame.shape
    whole = np.zeros((count, m, frames * q + p))
    for i in range(count):
        whole[i, :, frame_of[i] * q : (frame_of[i] + 1) * q] = by_frame[i]
        whole[i][:, frames * q + columns[i]] = by_shared[i]
    return whole.reshape(count * m, -1)


def test_sums_of_squares_are_infinite_where_anything_is_not_finite():
    residuals, _, by_frame, _, by_shared, _ = random_rows(1)
    residuals[3, 1] = np.nan
    by_frame[5, 0, 2] = np.inf
    by_shared[7, 2, 0] = np.nan
    chi2 = np.empty(len(residuals))
    kernels.squared_residuals(residuals, by_frame, by_shared, chi2)
    twin = (residuals**2).sum(axis=1)
    twin[[3, 5, 7]] = np.inf
    assert chi2 == pytest.approx(twin)


def test_normal_equations_are_those_of_the_dense_derivative():
    residuals, weights, by_frame, frame_of, by_shared, columns = random_rows(2)
    frame, cross, shared, gf, gs = kernels.empty_blocks(5, 4, 6)
    kernels.add_measurements(residuals, weights, by_frame, frame_of, by_shared, columns, frame, cross, shared, gf, gs)
    jacobian = dense_jacobian(by_frame, frame_of, by_shared, columns, 5, 6)
    each = np.repeat(weights, 3)
    normal, gradient = jacobian.T @ (each[:, None] * jacobian), jacobian.T @ (each * residuals.ravel())
    for f in range(5):
        own = slice(4 * f, 4 * f + 4)
        assert frame[f] == pytest.approx(normal[own, own], abs=1e-12)
        assert cross[f] == pytest.approx(normal[own, 20:], abs=1e-12)
    assert shared == pytest.approx(normal[20:, 20:], abs=1e-12)
    assert np.r_[gf.ravel(), gs] == pytest.approx(gradient, abs=1e-12)


def test_a_measurement_of_weight_zero_is_not_read():
    residuals, weights, by_frame, frame_of, by_shared, columns = random_rows(3)
    blocks = kernels.empty_blocks(5, 4, 6)
    weights[4] = 0.0
    residuals[4], by_frame[4], by_shared[4] = np.nan, np.inf, np.nan
    kernels.add_measurements(residuals, weights, by_frame, frame_of, by_shared, columns, *blocks)
    assert all(np.isfinite(block).all() for block in blocks)


def test_squares_of_group_gradients_are_taken_from_the_blocks():
    residuals, _, by_frame, frame_of, by_shared, columns = random_rows(13, count=12)
    slot_of = np.array([0, 0, -1, 1, 1, 1, -1, 2, -1, 2, -1, -1])
    group_frames = np.array([3, 0, 4])
    frame_of = np.where(slot_of >= 0, group_frames[slot_of], frame_of)
    gradients = np.zeros((3, 4 + 6))
    kernels.add_group_gradients(residuals, by_frame, by_shared, columns, slot_of, gradients)
    whole = dense_jacobian(by_frame, frame_of, by_shared, columns, 5, 6).reshape(12, 3, -1)
    twins = [np.einsum("nma,nm->a", whole[slot_of == k], residuals[slot_of == k]) for k in range(3)]
    for k, twin in enumerate(twins):
        own = slice(4 * group_frames[k], 4 * group_frames[k] + 4)
        assert gradients[k] == pytest.approx(np.r_[twin[own], twin[20:]], abs=1e-12)
    shares = np.array([0.5, 2.0, 0.1])
    frame, cross, shared, _, _ = kernels.empty_blocks(5, 4, 6)
    kernels.subtract_squares(gradients, shares, group_frames, frame, cross, shared)
    total = -sum(share * np.outer(twin, twin) for share, twin in zip(shares, twins, strict=True))
    for f in range(5):
        own = slice(4 * f, 4 * f + 4)
        assert frame[f] == pytest.approx(total[own, own], abs=1e-12)
        assert cross[f] == pytest.approx(total[own, 20:], abs=1e-12)
    assert shared == pytest.approx(total[20:, 20:], abs=1e-12)


def test_factors_steps_and_elimination_are_numpys():
    rng = np.random.default_rng(4)
    root = rng.normal(size=(6, 4, 9)) * np.array([1e3, 1.0, 1e-3, 10.0])[:, None]
    frame = root @ root.transpose(0, 2, 1)
    cross, gf = rng.normal(size=(6, 4, 3)), rng.normal(size=(6, 4))
    damping = np.array([0.0, 1e-6, 1e-3, 0.1, 1.0, 10.0])
    factors, good = np.zeros((6, 4, 4)), np.zeros(6)
    kernels.factor_frames(frame, damping, factors, good)
    scale = 1.0 / np.sqrt(np.diagonal(frame, axis1=1, axis2=2))
    scaled = frame * scale[:, :, None] * scale[:, None, :] + damping[:, None, None] * np.eye(4)
    twin = np.linalg.cholesky(scaled)
    assert np.tril(factors) == pytest.approx(twin, abs=1e-12)
    assert good == pytest.approx((np.diagonal(twin, axis1=1, axis2=2) ** 2).min(axis=1))
    reduced_cross, reduced_gf = np.empty((6, 4, 3)), np.empty((6, 4))
    kernels.eliminate_frames(frame, factors, cross, gf, reduced_cross, reduced_gf)
    assert reduced_cross == pytest.approx(np.linalg.solve(twin, cross * scale[:, :, None]), abs=1e-12)
    assert reduced_gf == pytest.approx(np.linalg.solve(twin, (gf * scale)[:, :, None])[:, :, 0], abs=1e-12)
    shared_step, steps = rng.normal(size=3), np.empty((6, 4))
    kernels.frame_steps(frame, factors, reduced_cross, reduced_gf, shared_step, steps)
    damped = frame + damping[:, None, None] * np.eye(4) * np.diagonal(frame, axis1=1, axis2=2)[:, :, None]
    expected = np.linalg.solve(damped, -(gf + cross @ shared_step)[:, :, None])[:, :, 0]
    assert np.abs(steps / expected - 1.0).max() < 1e-8


def test_what_frames_take_from_the_shared_equations_is_numpys():
    rng = np.random.default_rng(14)
    left = rng.normal(size=(7, 4, 5)) * (rng.random((7, 1, 5)) > 0.4)
    inverse = np.linalg.inv(np.eye(4) + 0.1 * np.ones((4, 4)))
    right, vector = inverse @ left, rng.normal(size=(7, 4))
    matrix, rest = 50.0 * np.eye(5), np.ones(5)
    kernels.subtract_products(left, right, vector, matrix, rest)
    assert matrix == pytest.approx(50.0 * np.eye(5) - np.einsum("fai,faj->ij", left, right), abs=1e-12)
    assert rest == pytest.approx(1.0 - np.einsum("fai,fa->i", left, vector), abs=1e-12)


def test_a_block_that_is_not_positive_definite_is_said():
    frame = np.array([[[1.0, 1.0], [1.0, 1.0]], [[2.0, 0.5], [0.5, 1.0]], [[0.0, 0.0], [0.0, 3.0]]])
    factors, good = np.zeros((3, 2, 2)), np.zeros(3)
    kernels.factor_frames(frame, np.zeros(3), factors, good)
    assert good[0] == 0.0
    assert good[1] == pytest.approx(1.0 - 0.125)
    assert good[2] == 0.0  # nothing is seen of its first parameter


# a whole problem: one step against the dense equations


def mixed_problem(seed: int, **changes) -> Problem:
    """Return a linear problem with two kinds of measurements, one of them without frames."""
    rng = np.random.default_rng(seed)
    frame_of, item_of = rng.integers(0, 5, 40), rng.integers(0, 3, 40)
    by_frame, by_shared, offset = rng.normal(size=(40, 3, 4)), rng.normal(size=(40, 3, 4)), rng.normal(size=(40, 3))
    alone, alone_offset = rng.normal(size=(7, 2, 2)), rng.normal(size=(7, 2))

    def seen(values: Values):
        shared = np.concatenate([np.tile(values.shared["a"], (40, 1)), values.shared["b"][item_of]], axis=1)
        residuals = offset + np.einsum("nij,nj->ni", by_frame, values.frames[frame_of])
        return residuals + np.einsum("nij,nj->ni", by_shared, shared), by_frame, by_shared

    def known(values: Values):
        return alone_offset + alone @ values.shared["a"], None, alone

    held = [[True, False], [False, False], [False, False]]
    settings = {
        "shared": [
            Block(name="a", value=[0.5, -0.5], labels=("u", "v"), prior=Prior(mean=[1.0, 1.0], sd=[0.5, np.inf])),
            Block(name="b", value=np.ones((3, 2)), labels=("s", "t"), fixed=held),
        ],
        "frames": Block(
            name="f", value=np.zeros((5, 4)), labels=("x", "y", "z", "w"), fixed=[False, False, True, False],
            prior=Prior(covariance=np.diag([1.0, 2.0, 3.0, 4.0])),
        ),
        "measurements": [
            Measurements(name="seen", evaluate=seen, frame_of=frame_of, shared={"a": None, "b": item_of}),
            Measurements(name="known", evaluate=known, shared={"a": None}),
        ],
    } | changes  # fmt: skip
    return Problem(**settings)


def dense_equations(problem: Problem) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return J'J and J'r of all parameters, shared ones first, priors included, and which are free."""
    start = problem.start
    count, q = problem.frames.count, problem.frames.size
    jacobians, residuals = [], []
    for kind in problem.measurements:
        r, by_frame, by_shared = kind.evaluate(start)
        for i in range(len(r)):
            row = np.zeros((r.shape[1], 8 + count * q))
            columns = [0, 1]
            if "b" in kind.shared:
                columns += [2 + 2 * kind.shared["b"][i], 3 + 2 * kind.shared["b"][i]]
            row[:, columns] = by_shared[i]
            if by_frame is not None:
                own = 8 + q * kind.frame_of[i]
                row[:, own : own + q] = by_frame[i]
            jacobians.append(row)
            residuals.append(r[i])
    prior = np.zeros((1 + count * q, 8 + count * q))
    prior[0, 0] = 1.0 / 0.5
    prior[1:, 8:] = np.diag(np.tile(1.0 / np.sqrt([1.0, 2.0, 3.0, 4.0]), count))
    jacobians.append(prior)
    residuals.append(np.r_[(0.5 - 1.0) / 0.5, np.zeros(count * q)])
    jacobian, residual = np.concatenate(jacobians), np.concatenate(residuals)
    free = np.r_[~problem.shared[0].held.ravel(), ~problem.shared[1].held.ravel(), ~problem.frames.held.ravel()]
    return jacobian.T @ jacobian, jacobian.T @ residual, free


@pytest.mark.parametrize("damping", [0.0, 1e-3, 1.0])
def test_a_step_is_that_of_the_dense_equations(damping):
    problem = mixed_problem(6)
    system = System(problem, None)
    equations = system.equations(problem.start)
    step = system.step(equations, np.array([damping]))
    normal, gradient, free = dense_equations(problem)
    damped = normal + damping * np.diag(np.diag(normal))
    expected = np.zeros(len(free))
    expected[free] = np.linalg.solve(damped[np.ix_(free, free)], -gradient[free])
    assert np.r_[step.shared, step.frames.ravel()] == pytest.approx(expected, abs=1e-12)
    assert step.decrement == pytest.approx(-expected @ gradient)
    assert step.promised == pytest.approx(-2.0 * expected @ gradient - expected @ normal @ expected)
    assert step.is_solved.all()


def test_a_constraint_holds_in_every_step_and_the_rest_is_as_good_as_it_can_be():
    matrix = np.array([[0.0, 1.0, 0.0, 1.0, 0.0, 1.0], [0.0, 0.0, 1.0, 0.0, -2.0, 0.0]])
    problem = mixed_problem(7, constraints={"b": matrix})
    system = System(problem, None)
    equations = system.equations(problem.start)
    step = system.step(equations, np.array([0.0]))
    assert matrix @ step.shared[2:] == pytest.approx(np.zeros(2), abs=1e-12)
    # bordered dense equations: Lagrange multipliers
    normal, gradient, free = dense_equations(problem)
    border = np.zeros((2, len(free)))
    border[:, 2:8] = matrix
    border = border[:, free]
    n = int(free.sum())
    whole = np.block([[normal[np.ix_(free, free)], border.T], [border, np.zeros((2, 2))]])
    expected = np.zeros(len(free))
    expected[free] = np.linalg.solve(whole, np.r_[-gradient[free], 0.0, 0.0])[:n]
    assert np.r_[step.shared, step.frames.ravel()] == pytest.approx(expected, abs=1e-11)


def test_frames_that_share_nothing_are_damped_each_for_itself():
    made = bundle(5)
    lens, markers, frames = made.blocks(disturbed=0.01)
    held = [replace(lens, fixed=True), replace(markers, fixed=True)]
    problem = Problem(shared=held, frames=frames, measurements=[made.measurements()])
    system = System(problem, None)
    assert system.is_separate
    equations = system.equations(problem.start)
    damping = np.array([0.0, 1e-3, 0.1, 1.0, 10.0])
    step = system.step(equations, damping)
    for f in range(5):
        damped = equations.frame[f] + damping[f] * np.diag(np.diag(equations.frame[f]))
        expected = np.linalg.solve(damped, -equations.frame_gradient[f])
        assert step.frames[f] == pytest.approx(expected, rel=1e-8)
        assert step.decrement[f] == pytest.approx(-expected @ equations.frame_gradient[f])
    grouped = made.measurements(group_of=made.marker_of, group_names=None)
    assert not System(replace(problem, measurements=[grouped]), None).is_separate
    assert not System(replace(problem, shared=[lens, held[1]]), None).is_separate


@pytest.mark.parametrize("kind", ["huber", "biweight"])
def test_the_robust_cost_falls_as_its_weight_says(kind):
    # d(cost)/d(chi2) = weight, whatever the scale, so that J'Wr is half the gradient of the cost
    rows = np.array([8.0, 8.0, 8.0, 2.0, 8.0])
    robust = Robust(kind=kind, limit=2.0, scale=1.5)
    chi2 = np.array([0.5, 20.0, 60.0, 30.0, 400.0])
    weight, cost = weighed(chi2, rows, robust)
    step = 1e-5 * chi2
    slope = (weighed(chi2 + step, rows, robust)[1] - weighed(chi2 - step, rows, robust)[1]) / (2.0 * step)
    assert slope == pytest.approx(weight, abs=1e-8)
    assert cost[0] == pytest.approx(chi2[0], rel=0.02)
    assert (np.diff(weight[[0, 1, 2, 4]]) <= 0.0).all()


@pytest.mark.parametrize("kind", ["huber", "biweight"])
def test_the_bend_of_the_robust_cost_is_how_its_weight_falls(kind):
    rows = np.array([8.0, 8.0, 8.0, 2.0])
    robust = Robust(kind=kind, limit=3.0, scale=1.5)
    chi2 = np.array([0.5, 25.0, 300.0, 15.0])
    step = 1e-5 * chi2
    fall = (weighed(chi2 - step, rows, robust)[0] - weighed(chi2 + step, rows, robust)[0]) / (2.0 * step)
    weight, found = weighed(chi2, rows, robust)[0], bend(chi2, rows, robust)
    limited = np.minimum(2.0 * fall, 0.9 * weight / chi2)
    assert found == pytest.approx(np.where(limited * chi2 > 0.1 * weight, limited, 0.0), abs=1e-8)
    assert found.any()
    assert (found * chi2 <= 0.9 * weight + 1e-12).all()  # what is left stays positive


def test_curvature_makes_huber_steps_those_of_the_true_second_derivative():
    # two numbers measured once as one gross group, and often by good ones: the cost is known in closed form
    good, gross = np.array([0.5, -0.5]), np.array([30.0, 40.0])

    def evaluate(values: Values):
        pulled = np.stack([values.shared["place"] - good] * 5 + [values.shared["place"] - gross])
        return pulled, None, np.tile(np.eye(2), (6, 1, 1))

    block = Block(name="place", value=[0.0, 0.0], labels=("x_m", "y_m"))
    problem = Problem(
        shared=[block], measurements=[Measurements(name="fixes", evaluate=evaluate, shared={"place": None})]
    )
    system = System(problem, Robust(kind="huber", limit=2.0))
    found = system.equations(problem.start, with_curvature=True).shared
    # 5 good ones at full weight, the gross one with w (1 - 0.9 r r' / r'r), w = 2 sqrt(2) / |r|, r = (-30, -40)
    w, along = 2.0 * np.sqrt(2.0) / 50.0, np.array([0.6, 0.8])
    assert found == pytest.approx(5.0 * np.eye(2) + w * (np.eye(2) - 0.9 * np.outer(along, along)))
    assert system.equations(problem.start).shared == pytest.approx((5.0 + w) * np.eye(2))


def test_a_group_that_is_not_finite_weighs_nothing_and_costs_infinity():
    for robust in (None, Robust(), Robust(kind="biweight")):
        weight, cost = weighed(np.array([1.0, np.inf]), np.array([2.0, 2.0]), robust)
        assert weight[1] == 0.0
        assert cost[1] == np.inf
        assert cost[0] == pytest.approx(1.0, rel=0.2)
