"""Approaches through a pose filter: closed forms, a second filter, and simulated drives."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from approach_cases import case_row, measured_of, plain_filter, share_that_scores, simulated_drives
from budget_cases import EXACT

import fiducialkit
from fiducialkit.errors import InputError
from fiducialkit.planning.approach_filter import (
    StateChange,
    WallContact,
    driven,
    filter_approaches,
    filtered_arrivals,
    run_filter,
    updated,
)
from fiducialkit.planning.approach_tables import ARRIVALS, ON_THE_WAY
from fiducialkit.planning.arrival import chance_inside, driven_blind, tool_covariance
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
        study, tolerance=EXACT, odometry=PERFECT_WHEELS, prior=FloorPrior(height_sd_m=1e-7, level_sd_deg=1e-6)
    )
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
        study, tolerance=EXACT, odometry=PERFECT_WHEELS, prior=FloorPrior(height_sd_m=1e-7, level_sd_deg=1e-6)
    )
    few, many = (filter_approaches(exact, pictures_per_s=rate) for rate in (5.0, 50.0))
    before, after = (each.arrivals["tool_across_sd_m"].to_numpy() for each in (few, many))
    np.testing.assert_allclose(after / before, math.sqrt(0.1), rtol=0.25)


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
