"""Approaches through a pose filter: closed forms, a second filter, and simulated drives."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from approach_cases import case_row, measured_of, plain_filter, share_that_scores, simulated_drives
from budget_cases import EXACT

import fiducialkit
from fiducialkit.errors import InputError
from fiducialkit.planning.approach_filter import WallContact, filter_approaches, filtered_arrivals
from fiducialkit.planning.approach_tables import ARRIVALS, ON_THE_WAY
from fiducialkit.planning.arrival import chance_inside, driven_blind, tool_covariance
from fiducialkit.planning.filter_steps import StateChange, driven, run_filter, updated
from fiducialkit.planning.study import Approach, FloorPrior, Odometry

SAMPLE = Path(__file__).parents[1] / "sample_data"
PERFECT_WHEELS = Odometry(distance_sd_percent=0.0, heading_sd_deg_per_s=0.0)
RIG = "two low, turned out"


@pytest.fixture(scope="module")
def study():
    return fiducialkit.load_study(SAMPLE / "study.toml")


@pytest.fixture(scope="module")
def filtered(study):
    return filter_approaches(study, pictures_per_s=15.0)


def without_pull(study):
    """The study with corners that err independently: what is left of them does not last."""

    def independent(camera):
        return replace(camera, noise=replace(camera.noise, detector="measured", corner_sd_px=0.2))

    mounts = tuple(replace(mount, camera=independent(mount.camera)) for mount in study.robot.mounts)
    return replace(study, robot=replace(study.robot, mounts=mounts))


def test_noise_alone_averages_as_one_over_n():
    """Closed form: n equal pictures of a robot that stands still leave the n-th part of the variance."""
    noise = np.array([[[4e-4, 1e-5, 0.0], [1e-5, 9e-4, 2e-5], [0.0, 2e-5, 1e-4]]])
    spread, shared, none = 1e4 * np.eye(3)[None], np.zeros((1, 3, 2)), np.zeros((1, 3, 2))
    for count in range(1, 41):
        spread, shared = updated(spread, shared, none, noise)
        np.testing.assert_allclose(spread, noise / count, rtol=1e-6, atol=1e-12)


def test_a_constant_error_never_averages_out():
    """Closed form: whatever the number of pictures, what is common to all stays in full, and only the noise shrinks."""
    noise = 1e-4 * np.eye(3)[None]
    gains = np.array([[[0.01, 0.0], [0.0, 0.02], [0.003, 0.001]]])
    constant = gains[0] @ gains[0].T
    spread, shared = 1e4 * np.eye(3)[None], np.zeros((1, 3, 2))
    for count in range(1, 41):
        spread, shared = updated(spread, shared, gains, noise)
        np.testing.assert_allclose(spread[0], constant + noise[0] / count, rtol=1e-5, atol=1e-9)
    np.testing.assert_allclose(shared[0], -gains[0], atol=1e-6)


def test_driving_on_is_what_driven_blind_says():
    """Second implementation: any number of short stretches is the one long stretch of `arrival.driven_blind`."""
    odometry = Odometry(distance_sd_percent=3.0, heading_sd_deg_per_s=2.0)
    start = np.array([[2e-4, 5e-5, 0.0], [5e-5, 1e-4, 1e-5], [0.0, 1e-5, 4e-4]])
    spread, shared = start[None], np.zeros((1, 3, 2))
    for _ in range(9):
        spread, shared = driven(spread, shared, np.array([0.1]), 1.5, odometry)
    np.testing.assert_allclose(spread[0], driven_blind(start, 0.9, 1.5, odometry), rtol=1e-9, atol=1e-15)


def test_only_noise_and_perfect_wheels_add_information(study):
    """Closed form: with nothing constant and perfect wheels the inverse covariances, carried to the node, add."""
    exact = replace(
        without_pull(study), tolerance=EXACT, odometry=PERFECT_WHEELS,
        prior=FloorPrior(height_sd_m=1e-7, level_sd_deg=1e-6),
    )  # fmt: skip
    measured = measured_of(exact, RIG, 15.0)
    _, covariance, _ = run_filter(exact, measured)
    for row in (0, 5, 20):
        forward = 1.0 if measured.frame["side"][row] == "front" else -1.0
        information = np.zeros((3, 3))
        for t, distance in enumerate(measured.distance_m):
            carried = np.eye(3)
            carried[1, 2] = forward * distance
            if measured.markers[row, t]:
                information += np.linalg.inv(carried @ measured.noise[row, t] @ carried.T)
        np.testing.assert_allclose(covariance[row], np.linalg.inv(information), rtol=1e-3, atol=1e-12)


def test_against_a_plain_filter(study):
    """Second implementation: pose and constants in one state of a textbook filter."""
    measured = measured_of(study, "two high", 7.5)
    _, covariance, by_constant = run_filter(study, measured)
    for where in (
        ("oven 1", "front", "arm stowed"),
        ("oven 3", "back", "arm raised"),
        ("rack 2", "back", "arm stowed"),
    ):
        row = case_row(measured, *where)
        forward = 1.0 if where[1] == "front" else -1.0
        stretches = forward * -np.diff(np.append(measured.distance_m, 0.0))
        _, expected = plain_filter(
            measured.gains[row], measured.noise[row], measured.markers[row], stretches, 1.5, study.odometry
        )
        np.testing.assert_allclose(covariance[row], expected[:3, :3], rtol=1e-5, atol=1e-9)
        np.testing.assert_allclose(by_constant[row], expected[:3, 3:], rtol=1e-5, atol=1e-7)


def test_more_pictures_help_against_noise_and_not_against_constants(study):
    """Physics: ten times the pictures cannot remove what mounts and layout do."""
    study = replace(study, rigs=(study.robot.rig("three low"),), states=("arm stowed",))
    few, many = (filter_approaches(study, pictures_per_s=rate) for rate in (5.0, 50.0))
    before, after = (each.arrivals["tool_across_sd_m"].to_numpy() for each in (few, many))
    assert (after > 0.8 * before).all()
    exact = replace(
        without_pull(study), tolerance=EXACT, odometry=PERFECT_WHEELS,
        prior=FloorPrior(height_sd_m=1e-7, level_sd_deg=1e-6),
    )  # fmt: skip
    few, many = (filter_approaches(exact, pictures_per_s=rate) for rate in (5.0, 50.0))
    before, after = (each.arrivals["tool_across_sd_m"].to_numpy() for each in (few, many))
    np.testing.assert_allclose(after / before, math.sqrt(0.1), rtol=0.25)


def test_a_picture_between_can_spoil_what_two_would_cancel():
    """Closed form: z1 = x + c and z3 = x + 2c give x; with z2 = x + n between, (z1 + z2) / 2 and z3 leave .4."""

    def after(pictures):
        spread, shared = 1e5 * np.eye(3)[None], np.zeros((1, 3, 3))
        for gain, variance in pictures:  # three components apart, each with its own constant
            spread, shared = updated(spread, shared, gain * np.eye(3)[None], (variance + 1e-7) * np.eye(3)[None])
        np.testing.assert_allclose(spread[0], spread[0, 0, 0] * np.eye(3), atol=1e-7)
        return spread[0, 0, 0]

    first, between, last = (1.0, 0.0), (0.0, 1.0), (2.0, 0.0)
    assert after([first]) == pytest.approx(1.0, rel=1e-4)
    assert after([first, between]) == pytest.approx(0.5, rel=1e-4)
    assert after([first, last]) == pytest.approx(0.0, abs=1e-4)
    assert after([first, between, last]) == pytest.approx(0.4, rel=1e-4)


def test_a_picture_never_harms_at_the_moment_it_is_taken():
    """Physics: the gain is the best for the moment, so no direction of the pose becomes less certain."""
    rng = np.random.default_rng(20261125)
    root = rng.normal(size=(200, 8, 8))
    root[:, 3:] = np.eye(8)[3:]  # constants of unit variance
    both = root @ np.swapaxes(root, 1, 2)
    spread, shared = both[:, :3, :3], both[:, :3, 3:]
    noise = rng.normal(size=(200, 3, 3))
    noise = noise @ np.swapaxes(noise, 1, 2) + 0.01 * np.eye(3)
    after, _ = updated(spread, shared, rng.normal(size=(200, 3, 5)), noise)
    assert np.linalg.eigvalsh(spread - after).min() > -1e-9
    assert np.linalg.eigvalsh(after).min() > 0.0


def _narrow(study, rig, node, state="arm stowed"):
    nodes = tuple(each for each in study.field.nodes if each.name == node)
    return replace(study, field=replace(study.field, nodes=nodes), rigs=(study.robot.rig(rig),), states=(state,))


def test_pictures_between_always_help_a_filter_that_learns_the_constants(study):
    """Physics: of 30 a second every second one is of 15 a second, so the best estimate is never worse.

    The filter that only considers the constants is never better than that one, and in this case loses at 30 against 15
    a second, by what the closed form above shows.
    """
    narrow = _narrow(study, "two high", "oven 3", "arm raised")
    best, considered = [], []
    for rate in (15.0, 30.0):
        measured = measured_of(narrow, "two high", rate)
        row = case_row(measured, "oven 3", "back", "arm raised")
        stretches = np.diff(np.append(measured.distance_m, 0.0))
        picture = measured.gains[row], measured.noise[row], measured.markers[row]
        best.append(plain_filter(*picture, stretches, 1.5, study.odometry, learns=True)[1][:3, :3])
        considered.append(run_filter(narrow, measured)[1][row])
        assert np.linalg.eigvalsh(considered[-1] - best[-1]).min() > -1e-10
    assert np.linalg.eigvalsh(best[0] - best[1]).min() > -1e-10
    few, many = (np.sqrt(np.diag(each)) for each in considered)
    assert 1.0 < (many / few).max() < 1.2


def test_pictures_between_always_help_against_noise(study):
    """Physics: with nothing constant and perfect wheels, pictures added between leave no direction less certain."""
    exact = replace(_narrow(study, RIG, "oven 3"), tolerance=EXACT, odometry=PERFECT_WHEELS,
                    prior=FloorPrior(height_sd_m=1e-7, level_sd_deg=1e-6))  # fmt: skip
    by_rate = [run_filter(exact, measured_of(exact, RIG, rate))[1] for rate in (15.0, 30.0, 60.0)]
    for few, many in pairwise(by_rate):
        scale = 1.0 / np.sqrt(np.diagonal(few, axis1=1, axis2=2))
        gained = (few - many) * scale[:, :, None] * scale[:, None, :]
        assert np.linalg.eigvalsh(gained).min() > 0.0
        assert np.diagonal(gained, axis1=1, axis2=2).min() > 0.3  # about half of each variance is gone


def test_the_rate_has_a_limit_where_lasting_errors_dominate(study):
    """Limit: from 60 to 120 pictures a second sds change by a few per cent, while pure noise falls by sqrt(2)."""
    narrow = _narrow(study, RIG, "oven 3")
    sds = [
        filter_approaches(narrow, pictures_per_s=rate).arrivals[["tool_along_sd_m", "tool_across_sd_m"]].to_numpy()
        for rate in (60.0, 120.0)
    ]
    np.testing.assert_allclose(sds[1], sds[0], rtol=0.05)


def test_a_short_sight_counts_in_proportion_to_the_rate(study):
    """Physics: a marker in view for less than a picture's time is caught by luck, twice as often at twice the rate.

    At "rack 1", backwards, the high camera sees one marker on some 25 mm of the way: at 15 a second, 100 mm apart, the
    drive whose last picture is at the node misses it, at 30 it does not.
    """
    narrow = _narrow(study, "one high", "rack 1", "arm raised")

    def chance(rate, phases):
        found = filter_approaches(narrow, pictures_per_s=rate, phases=phases).arrivals.set_index("side")
        return found.loc["back", "chance_to_score"], found.loc["back", "pictures"]

    assert chance(15.0, 1) == (0.0, 0)
    caught, pictures = chance(30.0, 1)
    assert caught > 0.4 and pictures == 1
    mean = [chance(rate, phases)[0] for rate, phases in ((7.5, 64), (15.0, 32), (30.0, 16))]  # one grid of 480 a second
    np.testing.assert_allclose(np.divide(mean[1:], mean[:-1]), 2.0, rtol=0.03)
    # the mean is continuous: a rate changed by a per cent moves it by at most one of 32 moments
    near = [chance(rate, 32)[0] for rate in (22.0, 22.22, 22.44, 22.67)]
    assert np.abs(np.diff(near)).max() < 1.2 / 32
    assert mean[1] < near[0] < mean[2]


def test_phases_change_nothing_but_the_chance(study):
    narrow = _narrow(study, RIG, "oven 3")
    one, four = (filter_approaches(narrow, pictures_per_s=15.0, phases=phases) for phases in (1, 4))
    np.testing.assert_allclose(four.covariance, one.covariance, rtol=1e-12)
    left = [name for name in ARRIVALS.names if name != "chance_to_score"]
    assert four.arrivals[left].equals(one.arrivals[left]) and four.on_the_way.equals(one.on_the_way)
    assert np.abs(four.arrivals["chance_to_score"] - one.arrivals["chance_to_score"]).max() < 0.02
    for phases in (0, 65, True, 1.5):
        with pytest.raises(InputError, match="phases: expected a whole number from 1 to 64"):
            filter_approaches(narrow, phases=phases)


def test_tables_are_whole(study, filtered):
    assert list(filtered.arrivals.columns) == ARRIVALS.names
    assert list(filtered.on_the_way.columns) == ON_THE_WAY.names
    cases = len(study.rigs) * len(study.field.nodes) * len(study.sides) * len(study.states)
    assert len(filtered.arrivals) == len(filtered.covariance) == cases
    assert not filtered.arrivals.duplicated(["rig", "node", "side", "state"]).any()
    never = filtered.arrivals["pictures"] == 0
    assert never.any() and not never.all()
    assert (filtered.arrivals.loc[never, "chance_to_score"] == 0.0).all()
    assert (filtered.arrivals.loc[never, "blind_m"] == study.approach.distance_m).all()
    assert filtered.arrivals.loc[never, "position_95_m"].isna().all()
    assert filtered.arrivals.loc[~never].notna().all().all()
    last = filtered.on_the_way.groupby(["rig", "node", "side", "state"], sort=False).tail(1)
    np.testing.assert_allclose(last["position_95_m"], filtered.arrivals["position_95_m"])  # the last picture is at 0 m


def test_chance_is_the_box_at_the_tool(study, filtered):
    """Second way: the covariance carried to the tool by hand and integrated over the node's box."""
    node = study.field.nodes[1]
    for row in filtered.arrivals.index[filtered.arrivals["node"] == node.name][:6]:
        case = filtered.arrivals.loc[row]
        at_tool = tool_covariance(filtered.covariance[row], study.tool(case["side"]))
        box = (node.tolerance_along_m, node.tolerance_across_m, math.radians(node.tolerance_heading_deg))
        expected = (1.0 - case["flip_probability"]) * chance_inside(at_tool, box)
        assert case["chance_to_score"] == pytest.approx(float(expected), abs=1e-12)


def test_an_arm_that_is_raised_late_hides_less(study, filtered):
    change = StateChange(before="arm stowed", after="arm raised", within_m=0.4)
    found = filter_approaches(study, pictures_per_s=15.0, changes=[change])
    late = found.arrivals[found.arrivals["state"] == "arm raised within 0.4 m"].reset_index(drop=True)
    assert len(late) == len(filtered.arrivals) // len(study.states)
    by_state = {s: filtered.arrivals[filtered.arrivals["state"] == s].reset_index(drop=True) for s in study.states}
    assert (late["pictures"] >= by_state["arm raised"]["pictures"]).all()
    assert (late["pictures"] <= by_state["arm stowed"]["pictures"]).all()
    one = late["rig"] == "one high"
    gained = (late["chance_to_score"] - by_state["arm raised"]["chance_to_score"])[one]
    assert gained.mean() > 0.05
    way = found.on_the_way.set_index(["rig", "node", "side", "state", "distance_m"])["markers"]
    far = way.index[way.index.get_level_values("distance_m") > 0.45]
    for key in [k for k in far if k[3] == "arm raised within 0.4 m"][::7]:
        assert way[key] == way[(*key[:3], "arm stowed", key[4])]


def test_a_change_at_the_end_or_the_beginning_is_no_change(study, filtered):
    always = StateChange(before="arm stowed", after="arm raised", within_m=9.0)
    found = filtered_arrivals(study, pictures_per_s=15.0, changes=[always])
    changed = found[found["state"] == always.name].drop(columns="state").reset_index(drop=True)
    raised = filtered.arrivals[filtered.arrivals["state"] == "arm raised"].drop(columns="state").reset_index(drop=True)
    assert changed.equals(raised)


def test_contact_with_a_wall_tells_along_and_heading(study, filtered):
    """Hand-worked: two independent measurements of one number add their inverse variances."""
    contact = WallContact(along_sd_m=0.001, heading_sd_deg=0.05)
    node = study.field.nodes[0].name
    found = filter_approaches(study, pictures_per_s=15.0, contact={node: contact})
    seen = (found.arrivals["pictures"] > 0).to_numpy()
    touched = seen & (found.arrivals["node"] == node).to_numpy()
    assert (np.sqrt(found.covariance[touched, 0, 0]) < 0.001).all()
    assert (np.degrees(np.sqrt(found.covariance[touched, 2, 2])) < 0.05).all()
    others = seen & ~touched
    np.testing.assert_array_equal(found.covariance[others], filtered.covariance[others])
    for row in np.flatnonzero(touched)[:4]:
        told = np.diag([0.001**-2, 0.0, math.radians(0.05) ** -2])
        expected = np.linalg.inv(np.linalg.inv(filtered.covariance[row]) + told)
        np.testing.assert_allclose(found.covariance[row], expected, rtol=1e-6, atol=1e-14)
    everywhere = filter_approaches(study, pictures_per_s=15.0, contact=contact)
    assert (everywhere.arrivals["chance_to_score"] >= filtered.arrivals["chance_to_score"] - 1e-9).all()


def test_blind_stretch_is_driven_on_wheels(study):
    """By hand: from the last sighting on, along grows by the wheels' share of the stretch and what hangs on it."""
    found = filter_approaches(study, pictures_per_s=15.0)
    way = found.on_the_way[(found.on_the_way["rig"] == "one high") & (found.on_the_way["node"] == "oven 1")]
    way = way[(way["side"] == "front") & (way["state"] == "arm stowed")]
    blind = way[way["distance_m"] < way.loc[way["markers"] > 0, "distance_m"].min()]
    assert len(blind) >= 2 and blind["position_95_m"].is_monotonic_increasing


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"pictures_per_s": 0.0}, "pictures_per_s: expected 0.1 to 1000, found 0.0"),
        (
            {"changes": [StateChange(before="arm up", after="arm raised", within_m=0.4)]},
            "before: expected one of",
        ),
        (
            {"changes": [StateChange(before="arm stowed", after="arm raised", within_m=0.0)]},
            "within_m: expected",
        ),
        ({"contact": {"oven 9": WallContact()}}, "contact: expected nodes among .* found 'oven 9'"),
    ],
)
def test_mistakes_are_refused(study, options, message):
    with pytest.raises(InputError, match=message):
        filter_approaches(study, **options)


def test_a_wall_that_tells_nothing_is_refused():
    with pytest.raises(InputError, match=r"contact\.along_sd_m: expected a number above 0"):
        WallContact(along_sd_m=0.0)


@pytest.mark.statistics
@pytest.mark.parametrize(
    ("rig", "where"),
    [("two low, wide", ("oven 2", "front", "arm stowed")), ("one high", ("oven 1", "front", "arm stowed"))],
)
def test_chance_to_score_against_simulated_drives(study, rig, where):
    """Simulation with known truth: 500 drives, constants kept for a drive, corners redrawn, poses solved, filter run.

    Tolerances are narrowed so that the chance is no foregone conclusion; full size in tests/benchmarks. Bar: 3 points,
    and 3 binomial sd of the simulation (at most 6.7 points at 500 drives).
    """
    drives = 500
    narrow = tuple(replace(node, tolerance_across_m=0.5 * node.tolerance_across_m) for node in study.field.nodes)
    hard = replace(
        study, field=replace(study.field, nodes=narrow), approach=Approach(distance_m=1.2, speed_m_per_s=1.5)
    )
    table = filtered_arrivals(replace(hard, rigs=(study.robot.rig(rig),)), pictures_per_s=7.5)
    keyed = table.set_index(["node", "side", "state"])["chance_to_score"]
    errors = simulated_drives(hard, rig, where, pictures_per_s=7.5, drives=drives, seed=20261125)
    found = share_that_scores(hard, where, errors)
    expected = float(keyed[where])
    assert 0.3 < expected < 0.97
    assert abs(found - expected) < 0.03 + 3.0 * math.sqrt(expected * (1.0 - expected) / drives)
