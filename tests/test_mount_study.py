"""The comparison of rigs on the sample study: what must hold whatever the numbers are."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import fiducialkit
from fiducialkit.errors import InputError
from fiducialkit.planning.mount_study import heading_95_deg, position_95_m
from fiducialkit.planning.prediction import predict
from fiducialkit.planning.verdict import assumptions

SAMPLE = Path(__file__).parents[1] / "sample_data"
ALWAYS_SEEN = ["chance_to_score", "approach_share_1", "approach_share_2"]


@pytest.fixture(scope="module")
def comparison():
    return fiducialkit.compare_mounts(fiducialkit.load_study(SAMPLE / "study.toml"))


def approach_of(comparison, rig):
    return comparison.by_approach[comparison.by_approach["rig"] == rig]


def test_common_practice_low_and_outward_beats_high_near_the_nodes(comparison):
    """Common practice, no published source: near the nodes lower, outward cameras keep markers that high ones lose."""
    low, high = approach_of(comparison, "two low, turned out"), approach_of(comparison, "two high")
    near_low, near_high = low[low["distance_m"] <= 0.5], high[high["distance_m"] <= 0.5]
    for least in (1, 2):
        assert (near_low["markers"] >= least).mean() > (near_high["markers"] >= least).mean() + 0.05
    chances = comparison.table.set_index("rig")["mean_chance"]
    assert chances["two low, turned out"] > chances["two high"]


def test_a_rig_that_contains_another_never_sees_less(comparison):
    """Physics: a further camera can only add sightings."""
    one, two = approach_of(comparison, "one high"), approach_of(comparison, "two high")
    assert (two["markers"].to_numpy() >= one["markers"].to_numpy()).all()
    low, three = approach_of(comparison, "two low, turned out"), approach_of(comparison, "three low")
    assert (three["markers"].to_numpy() >= low["markers"].to_numpy()).all()


def test_one_forward_camera_serves_the_back_badly(comparison):
    rows = comparison.by_node[(comparison.by_node["rig"] == "one high") & (comparison.by_node["state"] == "arm stowed")]
    by_side = rows.groupby("side")["chance_to_score"].mean()
    assert by_side["front"] > by_side["back"] + 0.2


def test_tables_are_whole(comparison):
    study = comparison.study
    cases = len(study.rigs) * len(study.field.nodes) * len(study.sides) * len(study.states)
    assert len(comparison.by_node) == cases
    assert not comparison.by_node.duplicated(["rig", "node", "side", "state"]).any()
    assert comparison.by_node[ALWAYS_SEEN].notna().all().all()
    assert comparison.by_node["chance_to_score"].between(0.0, 1.0).all()
    sighted = comparison.by_approach.groupby(["rig", "node", "side", "state"])["markers"].max()
    blind = (
        sighted.loc[[*zip(*(comparison.by_node[c] for c in ("rig", "node", "side", "state")), strict=False)]] == 0
    ).to_numpy()
    assert blind.any()
    assert (comparison.by_node.loc[blind, "chance_to_score"] == 0.0).all()
    assert comparison.by_node.loc[blind, "position_95_m"].isna().all()
    assert sorted(comparison.table["rank"]) == list(range(1, len(study.rigs) + 1))
    seen = comparison.by_approach["markers"] > 0
    assert (comparison.by_approach["position_95_m"].notna() == seen).all()
    shares = comparison.maps[["share_1", "share_2"]].dropna()
    assert (shares["share_2"] <= shares["share_1"]).all()


def test_rank_follows_worst_chance_then_mean(comparison):
    worst = comparison.table["worst_chance"].round(2)
    assert worst.is_monotonic_decreasing
    for _, tied in comparison.table.groupby(worst, sort=False):
        assert tied["mean_chance"].is_monotonic_decreasing


def test_blind_stretch_is_the_nearest_sighting(comparison):
    sightings = comparison.by_approach[comparison.by_approach["markers"] > 0]
    nearest = sightings.groupby(["rig", "node", "side", "state"])["distance_m"].min()
    keyed = comparison.by_node.set_index(["rig", "node", "side", "state"])["blind_m"]
    np.testing.assert_array_equal(keyed.loc[nearest.index].to_numpy(), nearest.to_numpy())


def test_reasons_name_the_place_and_the_blind_stretch(comparison):
    one = comparison.by_node[comparison.by_node["rig"] == "one high"]
    blind = one[one["position_95_m"].isna()].iloc[0]
    assert blind["reason"].startswith("sees no marker on the last 1.5 m to ")
    assert blind["node"] in blind["reason"]
    part = one[(one["blind_m"] > 0.0) & one["position_95_m"].notna() & (one["flip_probability"] < 0.01)].iloc[0]
    assert f"sees no marker closer than {part['blind_m']:.2g} m to {part['node']}" in part["reason"]


def test_text_is_ascii_and_says_what_is_assumed(comparison):
    lines = [comparison.verdict, *comparison.assumptions, *comparison.table["reason"], *comparison.by_node["reason"]]
    assert all(line.isascii() and "\n" not in line for line in lines)
    said = " ".join(comparison.assumptions)
    assert "stock" in said
    assert "event's rules" in said
    assert comparison.table["detector"].str.contains("stock").all()


def with_detector(study, name):
    """Return the study with another detector on every camera."""
    noises = {mount.name: dataclasses.replace(mount.camera.noise, detector=name) for mount in study.robot.mounts}
    mounts = tuple(
        dataclasses.replace(mount, camera=dataclasses.replace(mount.camera, noise=noises[mount.name]))
        for mount in study.robot.mounts
    )
    return dataclasses.replace(study, robot=dataclasses.replace(study.robot, mounts=mounts))


def test_assumptions_fit_the_detector_and_the_pictures_that_count(comparison):
    """Stock corners are pulled and fitted ones are not; where no chance through a filter is shown none is explained."""
    study = comparison.study
    said = " ".join(assumptions(study))
    assert "corner pull" in said.split("Through the filter")[0]
    assert "the last picture is taken at the node" in said and "pictures 50 mm apart" in said  # 1.5 m/s, 30 a second
    assert "filter:" not in " ".join(assumptions(study, with_filter=False))
    fitted = with_detector(study, "fitted")
    assert "lie inside the marker" not in " ".join(assumptions(fitted))
    assert "lie inside the marker" in said


def test_same_on_any_number_of_workers(comparison):
    again = fiducialkit.compare_mounts(comparison.study, workers=3)
    for name in ("table", "by_node", "by_approach", "maps"):
        pd.testing.assert_frame_equal(getattr(again, name), getattr(comparison, name))


def test_better_built_is_never_worse(comparison):
    """Physics: half the mount, marker and focal errors cannot lower a predicted accuracy."""
    study = comparison.study
    halves = {f.name: getattr(study.tolerance, f.name) / 2.0 for f in dataclasses.fields(study.tolerance)}
    better = dataclasses.replace(study, tolerance=dataclasses.replace(study.tolerance, **halves))
    poses = comparison.by_approach[comparison.by_approach["rig"] == study.rigs[0].name].head(40)
    poses = np.column_stack([poses["robot_x_m"], poses["robot_y_m"], np.radians(poses["robot_heading_deg"])])
    before, after = predict(study, poses).covariance, predict(better, poses).covariance
    seen = np.isfinite(before[..., 0, 0])
    assert seen.any()
    assert np.linalg.eigvalsh(before[seen] - after[seen]).min() > -1e-12


@pytest.mark.parametrize(("detector", "part"), [("fitted", "noise_covariance"), ("stock", "covariance")])
def test_a_gyro_heading_never_hurts(comparison, detector, part):
    """Gauss-Markov: a solver that is told how corners err gains by whatever else is known.

    That of stock corners takes them for independent and knows of no pull, so corners alone promise nothing there; the
    whole error, in which mounts and markers count most, gains all the same.
    """
    study = with_detector(comparison.study, detector)
    with_gyro = dataclasses.replace(study, prior=dataclasses.replace(study.prior, heading_sd_deg=1.0))
    poses = np.array([[2.0, 2.0, 3.0], [0.75, 2.5, 3.14], [9.0, 4.0, 0.3]])
    without, given = predict(study, poses), predict(with_gyro, poses)
    seen = without.markers > 0
    before, after = (getattr(each, part)[seen][:, 2, 2] for each in (without, given))
    assert seen.any() and (after <= before + 1e-15).all()


def test_95_per_cent_figures_by_hand():
    covariance = np.diag([0.01**2, 0.01**2, np.radians(1.0) ** 2])
    assert position_95_m(covariance) == pytest.approx(0.01 * np.sqrt(-2.0 * np.log(0.05)), rel=1e-6)
    assert heading_95_deg(covariance) == pytest.approx(1.959964, rel=1e-6)
    line = np.array([[0.02**2, 0.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    assert position_95_m(line) == pytest.approx(0.02 * 1.959964, rel=1e-6)


def test_nothing_to_compare_by_is_refused(comparison):
    bare = dataclasses.replace(comparison.study, field=dataclasses.replace(comparison.study.field, nodes=()))
    with pytest.raises(InputError, match="at least one marker and one node"):
        fiducialkit.compare_mounts(bare)


def turned_round(study):
    """Return the study with the whole robot turned by 180 degrees about the vertical, so that its back scores."""

    def flipped(place):
        return (-place[0], -place[1], place[2])

    robot = study.robot
    mounts = tuple(
        dataclasses.replace(mount, position=flipped(mount.position), yaw_deg=(mount.yaw_deg + 180.0) % 360.0)
        for mount in robot.mounts
    )
    tools = tuple(dataclasses.replace(tool, side="back", position=flipped(tool.position)) for tool in robot.tools)
    return dataclasses.replace(study, robot=dataclasses.replace(robot, mounts=mounts, tools=tools))


def test_scoring_backwards_is_scoring_forwards_with_the_robot_turned_round(comparison):
    """Symmetry: driving backwards the heading error carries the tool aside the other way, as seen by the robot."""
    robot = comparison.study.robot
    front = tuple(dataclasses.replace(tool, position=(0.5, 0.1, 0.9)) for tool in robot.tools if tool.side == "front")
    plain = dataclasses.replace(robot, structures=(), tools=front)
    ahead = dataclasses.replace(comparison.study, robot=plain, states=("always",))
    forwards = fiducialkit.compare_mounts(ahead).by_node
    backwards = fiducialkit.compare_mounts(turned_round(ahead)).by_node
    assert set(forwards["side"]) == {"front"} and set(backwards["side"]) == {"back"}
    assert (forwards["held_from_m"] > 0.1).any()  # somebody drives on from afar, or the test would prove nothing
    for name in ("tool_along_sd_m", "tool_across_sd_m", "heading_sd_deg", "chance_to_score", "held_from_m"):
        np.testing.assert_allclose(backwards[name], forwards[name], rtol=1e-6, atol=1e-9, err_msg=name)


def test_filtered_chances_are_those_of_the_filter(comparison):
    """Second route: the filter's own table, row by row."""
    keys = ["rig", "node", "side", "state"]
    alone = fiducialkit.filtered_arrivals(comparison.study).set_index(keys)
    beside = comparison.by_node.set_index(keys)
    np.testing.assert_array_equal(alone.loc[beside.index, "chance_to_score"], beside["chance_filtered"])
    by_rig = beside.groupby("rig")["chance_filtered"].min()
    np.testing.assert_array_equal(by_rig.loc[comparison.table["rig"]], comparison.table["worst_chance_filtered"])


def test_longest_blind_stretch_holds_the_last_one(comparison):
    rows = comparison.by_node
    assert (rows["longest_blind_m"] >= rows["blind_m"] - 1e-12).all()
    assert (rows["longest_blind_m"] <= comparison.study.approach.distance_m + 1e-12).all()
    np.testing.assert_allclose(
        rows["longest_blind_s"] * comparison.study.approach.speed_m_per_s, rows["longest_blind_m"]
    )
    assert (rows["longest_blind_m"] > rows["blind_m"] + 0.01).any()


def test_cost_and_weights_stand_beside_the_chance(comparison):
    """By hand: a camera's cost is summed over its rigs; a node that counts a thousand times decides the benefit."""
    study = comparison.study
    dear = tuple(dataclasses.replace(mount, cost=2.5 if "low" in mount.name else 1.0) for mount in study.robot.mounts)
    node = study.field.nodes[2].name
    floor = dataclasses.replace(study.floor, step_m=2.0, headings=2)
    robot = dataclasses.replace(study.robot, mounts=dear)
    changed = dataclasses.replace(study, robot=robot, rigs=(), weights=((node, 1e6),), floor=floor)
    again = fiducialkit.compare_mounts(changed)
    cost = again.table.set_index("rig")["cost"]
    assert cost["three low"] == 7.5 and cost["two high"] == 2.0
    there = again.by_node[again.by_node["node"] == node].groupby("rig")["chance_to_score"].mean()
    np.testing.assert_allclose(again.table["benefit"], there.loc[again.table["rig"]], atol=1e-5)
    assert (comparison.table["benefit"] - comparison.table["mean_chance"]).abs().max() < 1e-12
    assert (comparison.table["cost"] == comparison.table["cameras"]).all()


def test_verdict_says_whether_the_first_two_differ(comparison):
    pairs, table = comparison.differences, comparison.table
    assert len(pairs) == len(table) * (len(table) - 1) // 2
    assert pairs["gain_low"].le(pairs["gain"]).all() and pairs["gain"].le(pairs["gain_high"]).all()
    mean = table.set_index("rig")["mean_chance"]
    np.testing.assert_allclose(pairs["gain"], mean.loc[pairs["rig"]].to_numpy() - mean.loc[pairs["other"]].to_numpy())
    first = pairs.iloc[0]
    decided = first["gain_low"] > 0.0 or first["gain_high"] < 0.0
    assert ("the two differ" in comparison.verdict) == decided
    assert ("cannot be told apart" in comparison.verdict) != decided
    assert "better at" in comparison.verdict and "costs 3 against 2" in comparison.verdict
