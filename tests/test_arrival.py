"""The chance to score against closed forms, independent quadrature and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import erf, ndtr
from scipy.stats import multivariate_normal

from fiducialkit.planning.arrival import chance_inside, chance_to_score, driven_blind, tool_covariance
from fiducialkit.planning.study import Odometry
from fiducialkit.scene.field import Node
from fiducialkit.scene.robot import Tool

DENSE = np.polynomial.legendre.leggauss(200)


def some_covariance(seed: int) -> np.ndarray:
    mixing = np.random.default_rng(seed).normal(size=(3, 3))
    return mixing @ np.diag([1.0, 0.3, 0.1]) @ mixing.T


def test_uncorrelated_box_is_a_product_of_error_functions():
    sd = np.array([0.01, 0.02, 0.03])
    half = (0.015, 0.01, 0.06)
    expected = np.prod([erf(h / (s * math.sqrt(2.0))) for h, s in zip(half, sd, strict=True)])
    assert chance_inside(np.diag(sd**2), half) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_correlated_box_against_scipy(seed):
    covariance = some_covariance(seed)
    half = np.random.default_rng(100 + seed).uniform(0.3, 2.5, 3)
    reference = multivariate_normal(np.zeros(3), covariance, seed=1, abseps=1e-7, releps=1e-7)
    expected = reference.cdf(half, lower_limit=-half)
    assert chance_inside(covariance, tuple(half)) == pytest.approx(expected, abs=2e-5)


def dense_integral(covariance: np.ndarray, half) -> float:
    """Return the box probability with 200 by 200 points, the components in the order given."""
    lower = np.linalg.cholesky(covariance)
    unit, weight = DENSE
    edge = min(half[0] / lower[0, 0], 9.0)
    z1, w1 = edge * unit, edge * weight * np.exp(-0.5 * (edge * unit) ** 2) / math.sqrt(2.0 * math.pi)
    low = np.clip((-half[1] - lower[1, 0] * z1) / lower[1, 1], -9.0, 9.0)[:, None]
    high = np.clip((half[1] - lower[1, 0] * z1) / lower[1, 1], -9.0, 9.0)[:, None]
    z2 = 0.5 * (low + high) + 0.5 * (high - low) * unit
    w2 = 0.5 * (high - low) * weight * np.exp(-0.5 * z2**2) / math.sqrt(2.0 * math.pi)
    mean = lower[2, 0] * z1[:, None] + lower[2, 1] * z2
    inner = ndtr((half[2] - mean) / lower[2, 2]) - ndtr((-half[2] - mean) / lower[2, 2])
    return float(w1 @ (w2 * inner).sum(axis=1))


def test_few_nodes_are_enough():
    """Second implementation: drawn covariances of every size and correlation against a dense rule, bar 1e-4."""
    rng = np.random.default_rng(29)
    worst = 0.0
    for _ in range(60):
        mixing = rng.normal(size=(3, 3)) * np.exp(rng.uniform(-2.0, 0.0, (1, 3)))
        covariance = mixing @ mixing.T
        half = np.sqrt(np.diag(covariance)) * np.exp(rng.uniform(-2.0, 2.0, 3))
        narrow = np.argsort(half / np.sqrt(np.diag(covariance)))
        expected = dense_integral(covariance[np.ix_(narrow, narrow)], half[narrow])
        worst = max(worst, abs(float(chance_inside(covariance, tuple(half))) - expected))
    assert worst < 1e-4


def test_perfect_correlation_and_exact_knowledge_are_limits_not_failures():
    # along and across the same error: the narrower tolerance decides
    covariance = np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 1e-30]])
    assert chance_inside(covariance, (2.0, 1.0, 0.1)) == pytest.approx(erf(1.0 / math.sqrt(2.0)), abs=2e-3)
    assert chance_inside(np.zeros((3, 3)), (0.1, 0.1, 0.1)) == pytest.approx(1.0)


def test_a_stack_is_its_members_and_nan_stays_nan():
    stack = np.stack([some_covariance(1), np.full((3, 3), np.nan), some_covariance(2)])
    together = chance_inside(stack, (1.0, 1.0, 1.0))
    assert together[0] == pytest.approx(float(chance_inside(stack[0], (1.0, 1.0, 1.0))), abs=1e-12)
    assert np.isnan(together[1])
    assert 0.0 < together[2] < 1.0


def test_tool_lever_is_heading_times_distance():
    """Hand-worked: 2 degrees at a tool 0.5 m ahead move it 17.5 mm aside and not along."""
    covariance = np.diag([0.0, 0.0, math.radians(2.0) ** 2])
    at_tool = tool_covariance(covariance, Tool(side="front", position=(0.5, 0.0, 0.3)))
    assert math.sqrt(at_tool[1, 1]) == pytest.approx(0.5 * math.radians(2.0))
    assert at_tool[0, 0] == 0.0
    aside = tool_covariance(covariance, Tool(side="front", position=(0.0, 0.25, 0.3)))
    assert math.sqrt(aside[0, 0]) == pytest.approx(0.25 * math.radians(2.0))


def test_driven_blind_by_hand():
    start = np.diag([1e-4, 4e-4, math.radians(1.0) ** 2])
    after = driven_blind(start, 0.5, 1.0, Odometry(distance_sd_percent=2.0, heading_sd_deg_per_s=0.0))
    assert after[0, 0] == pytest.approx(1e-4 + 0.01**2)
    assert after[1, 1] == pytest.approx(4e-4 + (0.5 * math.radians(1.0)) ** 2)
    assert after[1, 2] == pytest.approx(0.5 * math.radians(1.0) ** 2)
    np.testing.assert_allclose(driven_blind(start, 0.0, 1.0, Odometry()), start)


@pytest.mark.statistics
def test_driven_blind_against_simulated_drives():
    """Simulation with known truth: constant gyro rate error and wheel scale, integrated in small steps."""
    rng = np.random.default_rng(3)
    trials, blind_m, speed = 40_000, 0.9, 1.5
    odometry = Odometry(distance_sd_percent=3.0, heading_sd_deg_per_s=2.0)
    start = np.array([[2e-4, 5e-5, 0.0], [5e-5, 1e-4, 1e-5], [0.0, 1e-5, 4e-4]])
    error = rng.multivariate_normal(np.zeros(3), start, trials)
    rate = rng.normal(0.0, math.radians(2.0), trials)
    scale = rng.normal(0.0, 0.03, trials)
    steps = 200
    for _ in range(steps):
        error[:, 1] += blind_m / steps * np.sin(error[:, 2])
        error[:, 0] += blind_m / steps * scale
        error[:, 2] += rate * blind_m / speed / steps
    found = np.cov(error.T)
    expected = driven_blind(start, blind_m, speed, odometry)
    # sd of a variance from n trials: sqrt(2 / n) of it, 0.7 %; the integration's steps add 0.5 %
    np.testing.assert_allclose(np.diag(found), np.diag(expected), rtol=0.03)
    assert found[1, 2] == pytest.approx(expected[1, 2], rel=0.05)


def test_chance_to_score_counts_the_wrong_pose_as_a_miss():
    node = Node(
        name="n", position=(1.0, 1.0), heading_deg=0.0, tolerance_along_m=1.0, tolerance_across_m=1.0,
        tolerance_heading_deg=90.0,
    )  # fmt: skip
    tool = Tool(side="front", position=(0.0, 0.0, 0.0))
    exact = 1e-8 * np.eye(3)
    assert float(chance_to_score(exact, np.float64(0.25), node, tool)) == pytest.approx(0.75)
