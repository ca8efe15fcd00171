"""The solver against hand-worked values, published cases and dense second implementations."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from adjustment_cases import bundle
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from fiducialkit.errors import InputError
from fiducialkit.solving.adjustment import adjust
from fiducialkit.solving.adjustment_derivatives import derivative_errors
from fiducialkit.solving.adjustment_problem import Block, Measurements, Prior, Problem, Robust, Values
from fiducialkit.solving.adjustment_result import GROUPS, propagated_covariance

MISRA = Path(__file__).parent / "reference" / "misra1a.csv"


def locations(heights, robust=None, **block):
    """Fit one number to heights of unit sd, each its own group."""
    measured = np.asarray(heights, dtype=np.float64)

    def evaluate(values: Values):
        return (values.shared["level"] - measured)[:, None], None, np.ones((len(measured), 1, 1))

    level = Block(name="level", value=[0.0], labels=("h_m",), **block)
    kind = Measurements(name="heights", evaluate=evaluate, shared={"level": None})
    return adjust(Problem(shared=[level], measurements=[kind]), robust=robust)


# hand-worked


def test_a_mean_and_its_variance():
    found = locations([1.0, 2.0, 6.0])
    assert found.status == "ok"
    assert found.values.shared["level"] == pytest.approx([3.0], abs=1e-12)
    assert found.covariance("level") == pytest.approx(np.array([[1.0 / 3.0]]))
    assert found.chi2 == pytest.approx(14.0)
    assert found.degrees_of_freedom == 2.0
    assert found.residual_variance == pytest.approx(7.0)
    assert found.covariance("level", is_scaled=True) == pytest.approx(np.array([[7.0 / 3.0]]))
    assert found.groups["rms_sd"].tolist() == pytest.approx([2.0, 1.0, 3.0])
    assert list(found.groups.columns) == GROUPS.names


def test_a_prior_weighs_as_its_variance_says():
    # mean 3 of variance 1/3, prior 0 of variance 1/6: (3*3 + 6*0) / 9 = 1
    found = locations([1.0, 2.0, 6.0], prior=Prior(mean=[0.0], sd=[np.sqrt(1.0 / 6.0)]))
    assert found.values.shared["level"] == pytest.approx([1.0])
    assert found.covariance("level") == pytest.approx(np.array([[1.0 / 9.0]]))
    assert found.chi2 == pytest.approx(0.0 + 1.0 + 25.0 + 6.0)
    assert found.degrees_of_freedom == 3.0


def test_an_infinite_sd_is_no_prior():
    found = locations([1.0, 2.0, 6.0], prior=Prior(mean=[0.0], sd=[np.inf]))
    assert found.values.shared["level"] == pytest.approx([3.0])
    assert found.degrees_of_freedom == 2.0


def test_huber_lets_a_gross_group_pull_with_its_limit_only():
    # three at 0, one at 10: 3 m = limit, so m = limit / 3
    found = locations([0.0, 0.0, 0.0, 10.0], robust=Robust(kind="huber", limit=1.5))
    assert found.values.shared["level"] == pytest.approx([0.5], abs=1e-6)
    assert found.groups["weight"].tolist() == pytest.approx([1.0, 1.0, 1.0, 1.5 / 9.5], abs=1e-6)
    assert found.doubted == ("3",)


def test_biweight_lets_a_gross_group_pull_not_at_all():
    found = locations([0.1, -0.2, 0.4, 100.0], robust=Robust(kind="biweight", limit=4.0))
    clean = locations([0.1, -0.2, 0.4], robust=Robust(kind="biweight", limit=4.0))
    assert found.values.shared["level"] == pytest.approx(clean.values.shared["level"], abs=1e-9)
    assert found.groups["weight"].iloc[3] == 0.0
    assert found.doubted == ("3",)
    assert found.covariance("level") == pytest.approx(clean.covariance("level"))


def test_good_groups_count_fully_in_a_biweight_fit():
    made = bundle(17, frames=8)
    lens, markers, frames = made.blocks(disturbed=0.005, seed=3)
    shared = [lens, replace(markers, prior=Prior(sd=[0.01] * 6))]
    problem = Problem(shared=shared, frames=frames, measurements=[made.measurements()])
    plain, robust = adjust(problem), adjust(problem, robust=Robust(kind="biweight", limit=4.0))
    assert robust.doubted == ()
    assert robust.groups["weight"].mean() > 0.97
    ratio = np.diag(robust.covariance("lens")) / np.diag(plain.covariance("lens"))
    assert (np.abs(ratio - 1.0) < 0.05).all()


def test_the_scale_stretches_the_limit():
    wide = locations([0.0, 0.0, 0.0, 10.0], robust=Robust(kind="huber", limit=0.5, scale=3.0))
    assert wide.values.shared["level"] == pytest.approx([0.5], abs=1e-6)


def test_a_fixed_parameter_stays_and_has_no_variance():
    found = locations([1.0, 2.0, 6.0], fixed=True)
    assert found.values.shared["level"].tolist() == [0.0]
    assert found.covariance("level").tolist() == [[0.0]]
    assert found.chi2 == pytest.approx(41.0)
    assert found.degrees_of_freedom == 3.0


# published cases


@pytest.mark.parametrize("start", [(500.0, 0.0001), (250.0, 0.0005)])
def test_misra1a_of_nist(start):
    table = pd.read_csv(MISRA, comment="#")
    x, y = table["x"].to_numpy(), table["y"].to_numpy()

    def evaluate(values: Values):
        b1, b2 = values.shared["curve"]
        decay = np.exp(-b2 * x)
        return (b1 * (1.0 - decay) - y)[:, None], None, np.stack([1.0 - decay, b1 * x * decay], axis=1)[:, None, :]

    curve = Block(name="curve", value=start, labels=("b1", "b2"))
    kind = Measurements(name="volume", evaluate=evaluate, shared={"curve": None})
    found = adjust(Problem(shared=[curve], measurements=[kind]))
    # certified values: NIST StRD Misra1a, in the head of tests/reference/misra1a.csv
    assert found.status == "ok"
    assert found.values.shared["curve"] == pytest.approx([238.94212918, 5.5015643181e-4], rel=1e-9)
    sd = np.sqrt(np.diag(found.covariance("curve", is_scaled=True)))
    assert sd == pytest.approx([2.7070075241, 7.2668688436e-6], rel=1e-8)
    assert found.chi2 == pytest.approx(0.12455138894, rel=1e-9)
    assert np.sqrt(found.residual_variance) == pytest.approx(0.1018787633, rel=1e-8)
    assert found.degrees_of_freedom == 12.0


# JCGM 100:2008, annex H.2, table H.2: five simultaneous readings of voltage, current and phase
VOLTAGE_V = (5.007, 4.994, 5.005, 4.990, 4.999)
CURRENT_A = (19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3)
PHASE_RAD = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)
READINGS = np.array([VOLTAGE_V, CURRENT_A, PHASE_RAD]).T


def impedance(means: np.ndarray) -> np.ndarray:
    """Return resistance, reactance and the absolute value of the impedance. [ohm]"""
    voltage, current, phase = means
    ratio = voltage / current
    return np.array([ratio * np.cos(phase), ratio * np.sin(phase), ratio])


def assert_is_table_h4(covariance):
    sd = np.sqrt(np.diag(covariance))
    assert sd == pytest.approx([0.071, 0.295, 0.236], abs=0.0006)
    correlation = covariance / np.outer(sd, sd)
    assert correlation[0, 1:] == pytest.approx([-0.588, -0.485], abs=0.0006)
    assert correlation[1, 2] == pytest.approx(0.993, abs=0.0006)


def test_jcgm_h2_propagated():
    means, covariance = READINGS.mean(axis=0), np.cov(READINGS.T) / len(READINGS)
    assert impedance(means) == pytest.approx([127.732, 219.847, 254.260], abs=0.0006)
    assert_is_table_h4(propagated_covariance(impedance, means, covariance))


def test_jcgm_h2_adjusted():
    whitening = np.linalg.inv(np.linalg.cholesky(np.cov(READINGS.T)))

    def evaluate(values: Values):
        residuals = (values.shared["means"] - READINGS) @ whitening.T
        return residuals, None, np.tile(whitening, (len(READINGS), 1, 1))

    means = Block(name="means", value=[5.0, 0.02, 1.0], labels=("voltage_v", "current_a", "phase_rad"))
    kind = Measurements(name="readings", evaluate=evaluate, shared={"means": None})
    found = adjust(Problem(shared=[means], measurements=[kind]))
    assert impedance(found.values.shared["means"]) == pytest.approx([127.732, 219.847, 254.260], abs=0.0006)
    assert_is_table_h4(found.covariance_of(lambda values: impedance(values.shared["means"])))


# second implementation: everything dense, derivatives by differences


def whole(made, lens, markers, frames, **others):
    return Problem(shared=[lens, markers], frames=frames, measurements=[made.measurements()], **others)


def tied(blocks):
    """Return the blocks with the first marker held and priors on all kinds of parameters."""
    lens, markers, frames = blocks
    held = np.zeros((4, 6), dtype=bool)
    held[0] = True
    rng = np.random.default_rng(5)
    spread = rng.normal(size=(6, 6))
    marker_prior = Prior(covariance=1e-4 * (np.eye(6) + 0.1 * spread @ spread.T))
    frame_prior = Prior(sd=[0.05, 0.05, np.inf, 0.02, 0.02, np.inf])
    return (
        replace(lens, prior=Prior(mean=[805.0, 805.0, 639.0, 400.0], sd=[4.0, 4.0, 2.0, np.inf])),
        replace(markers, fixed=held, prior=marker_prior),
        replace(frames, prior=frame_prior),
    )


def plain_residuals(problem: Problem, blocks, values: Values) -> np.ndarray:
    """Return measurements, then priors, whitened; rotations compared by scipy."""
    lens, markers, frames = blocks
    parts = [problem.measurements[0].evaluate(values)[0].ravel()]
    sd = np.asarray(lens.prior.sd)
    parts.append((values.shared["lens"] - np.asarray(lens.prior.mean)) / sd)
    for block, value in ((markers, values.shared["marker"]), (frames, values.frames)):
        turn = Rotation.from_matrix(value[:, :, :3] @ block.value[:, :, :3].transpose(0, 2, 1)).as_rotvec()
        error = np.concatenate([value[:, :, 3] - block.value[:, :, 3], turn], axis=1)
        if block.prior.covariance is not None:
            parts.append((error[1:] @ np.linalg.inv(np.linalg.cholesky(block.prior.covariance)).T).ravel())
        else:
            parts.append((error / np.asarray(block.prior.sd)).ravel())
    return np.concatenate(parts)


def test_a_bundle_with_priors_is_what_a_dense_solver_finds():
    made = bundle(3)
    blocks = tied(made.blocks(disturbed=0.01, seed=4))
    problem = whole(made, *blocks)
    found = adjust(problem)
    assert found.status == "ok"

    def moved(step):
        shared = np.concatenate([step[:4], np.zeros(6), step[4:22]])
        return problem.moved(found.values, shared, step[22:].reshape(-1, 6))

    def residuals(step):
        return plain_residuals(problem, blocks, moved(step))

    start = 1e-3 * np.random.default_rng(8).normal(size=22 + 30)
    dense = least_squares(
        residuals, start, jac="3-point", method="trf", x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15
    )
    # steps are counted from the sparse solution: the dense one has to end at zero
    assert np.abs(dense.x[:4] / made.lens).max() < 1e-8
    assert np.abs(dense.x[4:]).max() < 1e-8
    assert found.chi2 == pytest.approx(2.0 * dense.cost, rel=1e-9)
    assert found.degrees_of_freedom == 5 * 4 * 8 + 3 + 3 * 6 + 5 * 4 - 52
    expected = np.linalg.inv(dense.jac.T @ dense.jac)
    size = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    shared = found.covariance()
    free = np.r_[0:4, 10:28]
    assert np.abs((shared[np.ix_(free, free)] - expected[:22, :22]) / size[:22, :22]).max() < 1e-6
    assert not shared[4:10].any()
    frames = found.frame_covariance()
    for f in range(5):
        own = slice(22 + 6 * f, 28 + 6 * f)
        assert np.abs((frames[f] - expected[own, own]) / size[own, own]).max() < 1e-6
        joint = found.joint_covariance(f)[np.ix_(free, np.arange(28, 34))]
        assert np.abs((joint - expected[:22, own]) / size[:22, own]).max() < 1e-6


def test_the_bundle_declares_true_derivatives():
    made = bundle(3)
    errors = derivative_errors(whole(made, *made.blocks(disturbed=0.01)))
    assert len(errors) == 6 + 4 + 24
    assert max(errors.values()) < 1e-7


def test_wrong_derivatives_are_told():
    made = bundle(3)

    def skewed(values):
        residuals, by_frame, by_shared = made.evaluate(values)
        by_frame = by_frame.copy()
        by_frame[:, :, 2] *= 1.01
        return residuals, by_frame, by_shared

    lens, markers, frames = made.blocks()
    kind = replace(made.measurements(), evaluate=skewed)
    errors = derivative_errors(Problem(shared=[lens, markers], frames=frames, measurements=[kind]))
    assert errors["frames.z_m"] == pytest.approx(0.01 / 1.01, rel=1e-3)
    assert max(error for name, error in errors.items() if name != "frames.z_m") < 1e-7


# inputs


def simple(**changes) -> Problem:
    def evaluate(values: Values):
        return np.zeros((3, 1)), np.zeros((3, 1, 2)), np.zeros((3, 1, 1))

    settings = {
        "name": "m", "evaluate": evaluate, "frame_of": [0, 1, 1], "shared": {"a": None}, "group_of": [0, 0, 1],
    } | changes  # fmt: skip
    return Problem(
        shared=[Block(name="a", value=[1.0], labels=("a_m",))],
        frames=Block(name="f", value=np.zeros((2, 2)), labels=("u", "v")),
        measurements=[Measurements(**settings)],
    )


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"frame_of": [0, 1, 2]}, "measurements m: frame_of: expected 0 to 1, found 0 to 2"),
        ({"frame_of": [0.0, 1.0, 1.0]}, "measurements m: frame_of: expected 3 whole numbers"),
        ({"frame_of": [0, 1]}, "measurements m: frame_of: expected 3 whole numbers"),
        ({"shared": {"b": None}}, r"shared: expected one of \['a'\], found 'b'"),
        ({"shared": {"a": [0, 0, 1]}}, "measurements m: shared a: expected 0 to 0, found 0 to 1"),
        ({"group_of": [0, -1, 0]}, "measurements m: group_of: expected 0"),
        ({"group_names": ["one"]}, "measurements m: group_names: expected 2, found 1"),
        ({"evaluate": lambda values: (np.zeros(3), None, None)}, r"measurements m: residuals: expected \(N, m\)"),
        (
            {"evaluate": lambda values: (np.zeros((3, 1)), None, np.zeros((3, 1, 1)))},
            r"measurements m: by_frame: expected shape \(3, 1, 2\), found none",
        ),
        (
            {"evaluate": lambda values: (np.zeros((3, 1)), np.zeros((3, 1, 2)), np.zeros((3, 1, 2)))},
            r"measurements m: by_shared: expected shape \(3, 1, 1\), found \(3, 1, 2\)",
        ),
    ],
)
def test_measurements_that_do_not_fit_are_said(changes, message):
    with pytest.raises(InputError, match=message):
        adjust(simple(**changes))


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"value": [1.0, 2.0]}, r"block a: value: expected shape \(1,\), found \(2,\)"),
        ({"value": [np.nan]}, "block a: value: expected finite numbers"),
        ({"value": [1.0], "manifold": "round"}, "block a: manifold: expected flat or pose, found 'round'"),
        ({"value": np.eye(3, 4) * 1.1, "manifold": "pose", "labels": ()}, "block a: expected rotations"),
        ({"value": np.eye(3, 4), "manifold": "pose"}, "block a: labels: expected 6 for a pose, found 1"),
        ({"value": [1.0], "fixed": [True, False]}, r"block a: fixed: expected shape \(1,\)"),
        ({"value": [[1.0], [2.0]], "items": ["one"]}, "block a: items: expected 2 names, found 1"),
    ],
)
def test_blocks_that_make_no_sense_are_said(settings, message):
    with pytest.raises(InputError, match=message):
        Block(**({"name": "a", "labels": ("a_m",)} | settings))


@pytest.mark.parametrize(
    ("prior", "message"),
    [
        (Prior(mean=[0.0]), "block level: prior: expected either sd or covariance, found none"),
        (Prior(sd=[1.0], covariance=[[1.0]]), "block level: prior: expected either sd or covariance, found both"),
        (Prior(sd=[0.0]), r"block level: prior: sd: expected \(1,\)"),
        (Prior(covariance=[[-1.0]]), "block level: prior: covariance: expected a positive definite matrix"),
        (Prior(mean=[0.0, 1.0], sd=[1.0]), r"block level: prior: mean: expected shape \(1,\), found \(2,\)"),
    ],
)
def test_priors_that_make_no_sense_are_said(prior, message):
    with pytest.raises(InputError, match=message):
        locations([1.0, 2.0], prior=prior)


def test_other_declarations_that_make_no_sense_are_said():
    problem = simple()
    with pytest.raises(InputError, match="robust: kind: expected huber or biweight, found 'hat'"):
        Robust(kind="hat")
    with pytest.raises(InputError, match="robust: limit: expected a number above 0, found -1"):
        Robust(limit=-1.0)
    with pytest.raises(InputError, match=r"robust: limit: expected a number above 1, found 1\.0"):
        Robust(kind="biweight", limit=1.0)
    with pytest.raises(InputError, match="max_iterations: expected at least 1, found 0"):
        adjust(problem, max_iterations=0)
    with pytest.raises(InputError, match="measurements: expected at least one kind, found none"):
        replace(problem, measurements=[])
    with pytest.raises(InputError, match="problem: expected frames or shared parameters, found neither"):
        replace(problem, shared=[], frames=None)
    with pytest.raises(InputError, match="frames: expected a value with one item a frame"):
        replace(problem, frames=problem.shared[0])
    with pytest.raises(InputError, match="frames: expected at least one, found none"):
        replace(problem, frames=Block(name="f", value=np.zeros((0, 2)), labels=("u", "v")))
    with pytest.raises(InputError, match="shared: expected each block name once"):
        replace(problem, shared=[*problem.shared, *problem.shared])
    with pytest.raises(InputError, match="frame_of: expected a problem with frames, found one without"):
        adjust(replace(problem, frames=None))
    with pytest.raises(InputError, match="frames: expected a problem with frames, found one without"):
        locations([1.0, 2.0]).frame_covariance()


def test_inputs_are_not_modified():
    made = bundle(3)
    blocks = made.blocks(disturbed=0.01)
    lens, markers, frames = tied(blocks)
    before = [block.value.copy() for block in (lens, markers, frames)]
    adjust(whole(made, lens, markers, frames))
    for block, value in zip((lens, markers, frames), before, strict=True):
        assert (block.value == value).all()
