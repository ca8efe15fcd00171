"""Small mistakes in building: what they are said to do against solved poses, closed forms and common sense."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from budget_cases import near_node
from scipy.stats import multivariate_normal, norm

import fiducialkit
from fiducialkit.errors import InputError
from fiducialkit.imaging.observations import MarkerObservations
from fiducialkit.planning.off_centre import chance_inside_off_centre
from fiducialkit.planning.picture_model import LAYOUT, MOUNT, picture_model, rig_gains
from fiducialkit.planning.sensitivity import AS_DRAWN, AXES, largest_falls, mount_tolerances, sensitivity
from fiducialkit.planning.study import BuildTolerance
from fiducialkit.scene.transforms import field_from_robot_on_floor, heading_rad, parts
from fiducialkit.solving.pose import solve_pose

SAMPLE = Path(__file__).parents[1] / "sample_data"
UNIT = BuildTolerance(mount_sd_m=1.0, mount_sd_deg=1.0, marker_sd_m=1.0, marker_sd_deg=1.0)


@pytest.fixture(scope="module")
def study():
    found = fiducialkit.load_study(SAMPLE / "study.toml")
    chosen = [rig for rig in found.rigs if rig.name in ("two low, turned out", "two high", "one high")]
    nodes = found.field.nodes[1:2] + found.field.nodes[4:5]
    return replace(found, rigs=tuple(chosen), states=("arm stowed",), field=replace(found.field, nodes=nodes))


@pytest.fixture(scope="module")
def table(study):
    return sensitivity(study, draws=2, seed=5)


def test_off_centre_box_without_correlation_is_a_product():
    sd, mean, half = np.array([0.01, 0.02, 0.03]), np.array([0.005, -0.03, 0.0]), np.array([0.015, 0.01, 0.06])
    expected = np.prod(norm.cdf((half - mean) / sd) - norm.cdf((-half - mean) / sd))
    found = chance_inside_off_centre(np.diag(sd**2)[None], mean[None], half[None])
    assert found[0] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_off_centre_box_against_scipy(seed):
    rng = np.random.default_rng(seed)
    mixing = rng.normal(size=(3, 3))
    covariance = mixing @ np.diag([1.0, 0.3, 0.1]) @ mixing.T
    half, mean = rng.uniform(0.5, 2.5, 3), rng.normal(0.0, 1.0, 3)
    reference = multivariate_normal(mean, covariance, seed=1, abseps=1e-7, releps=1e-7)
    expected = reference.cdf(half, lower_limit=-half)
    assert chance_inside_off_centre(covariance[None], mean[None], half[None])[0] == pytest.approx(expected, abs=3e-5)


def test_off_centre_unknown_stays_unknown():
    assert np.isnan(chance_inside_off_centre(np.full((1, 3, 3), np.nan), np.zeros((1, 3)), np.ones((1, 3)))).all()


def solved_error(case, mounts, field):
    """Return (along, across, heading) of the pose solved by the files' rig and field from what the true ones show."""
    truth = field_from_robot_on_floor(case.pose[0], case.pose[1], math.degrees(case.pose[2]))
    pictures, cameras, placed = [], [], []
    for mount, _, seen, errors in case.sightings():
        if not len(seen):
            continue
        true = next((each for each in mounts if each.name == mount.name), mount)
        corners = np.concatenate([field.corners_field[m] for m in seen])
        pixels, _ = true.camera.project((truth * true.robot_from_camera).inv().apply(corners))
        covariance = np.linalg.inv(errors.weights)
        pictures.append(
            MarkerObservations(
                marker_id=case.study.field.marker_ids[seen], corners_px=pixels.reshape(-1, 4, 2),
                covariance_px2=covariance,
            )
        )  # fmt: skip
        cameras.append(mount.camera)
        placed.append(mount.robot_from_camera)
    found = solve_pose(pictures, case.study.field, cameras, robot_from_camera=placed, on_floor=True).field_from_robot
    shift = truth.rotation.inv().apply(parts(found)[1] - parts(truth)[1])
    turn = math.remainder(heading_rad(found) - heading_rad(truth), 2.0 * math.pi)
    return np.array([shift[0], shift[1], turn])


@pytest.mark.parametrize("axis", range(6))
def test_a_bumped_mount_pushes_the_pose_as_its_gain_says(study, axis):
    """Second way: the true mount displaced, its picture solved with the mount of the file."""
    case = near_node(replace(study, tolerance=UNIT), "two low, turned out", "oven 2", 0.3, state=0, motion=(0.0, 0.0))
    mount = study.robot.mount("low front, out")
    amount = 0.002 if axis < 3 else 0.1
    if axis < 3:
        place = np.array(mount.position)
        place[axis] += amount
        moved = replace(mount, position=tuple(place.tolist()))
    else:
        key = f"{AXES[axis]}_deg"
        moved = replace(mount, **{key: getattr(mount, key) + amount})
    gains = rig_gains(picture_model(case.study, case.pose[None]), case.rig, [0], [0], np.zeros((1, 2)))
    piece = gains.constant[MOUNT][0][:, :6]  # the front camera comes first in the robot's file
    yaw, tilt = math.radians(mount.yaw_deg), math.radians(mount.tilt_deg)
    turns = {
        3: [0.0, 0.0, 1.0],
        4: [math.sin(yaw), -math.cos(yaw), 0.0],
        5: [math.cos(yaw) * math.cos(tilt), math.sin(yaw) * math.cos(tilt), math.sin(tilt)],
    }
    expected = amount * (piece[:, axis] if axis < 3 else piece[:, 3:] @ np.array(turns[axis]))
    found = solved_error(case, [moved], study.field)
    np.testing.assert_allclose(found, expected, rtol=0.05, atol=3e-5)
    assert np.abs(expected).max() > 2e-4 or axis == 2  # up: the floor is known, and next to nothing moves


def test_a_misplaced_marker_pushes_the_pose_as_its_gain_says(study):
    case = near_node(replace(study, tolerance=UNIT), "two high", "rack 1", 0.8, state=0, motion=(0.0, 0.0))
    seen = np.concatenate([each[2] for each in case.sightings()])
    m = int(seen[0])
    shift = np.array([0.001, -0.002, 0.0015])
    marker = study.field.markers[m]
    displaced = replace(marker, position=tuple((np.array(marker.position) + shift).tolist()))
    markers = tuple(displaced if k == m else each for k, each in enumerate(study.field.markers))
    gains = rig_gains(picture_model(case.study, case.pose[None]), case.rig, [0], [0], np.zeros((1, 2)))
    piece = gains.constant[LAYOUT][0].reshape(3, -1, 6)[:, m, :3]
    heading = case.pose[2]
    turn = np.array([[math.cos(heading), math.sin(heading), 0], [-math.sin(heading), math.cos(heading), 0], [0, 0, 1]])
    found = solved_error(case, study.robot.mounts, replace(study.field, markers=markers))
    np.testing.assert_allclose(found, piece @ turn @ shift, rtol=0.05, atol=2e-5)


def test_as_drawn_is_what_the_comparison_says(study):
    """Second implementation: the comparison's own table, for a robot that scores with its front."""
    study = replace(study, robot=replace(study.robot, tools=study.robot.tools[:1]))
    table = sensitivity(study, draws=0)
    compared = fiducialkit.compare_mounts(study).table.set_index("rig")
    drawn = table[table["change"] == AS_DRAWN].set_index("rig")
    for rig in study.rigs:
        assert drawn.loc[rig.name, "worst_chance"] == pytest.approx(compared.loc[rig.name, "worst_chance"], abs=1e-9)
        assert drawn.loc[rig.name, "mean_chance"] == pytest.approx(compared.loc[rig.name, "mean_chance"], abs=1e-9)
        assert drawn.loc[rig.name, "rank"] == compared.loc[rig.name, "rank"]


def test_every_change_is_there_once(study, table):
    assert not table.duplicated(["rig", "change", "robot_knows"]).any()
    mounts = {name for rig in study.rigs for name in rig.mounts}
    for name in mounts:
        users = sum(name in rig.mounts for rig in study.rigs)
        assert int(table["change"].str.startswith(f"{name}: ").sum()) == users * (6 * 2 * 2 + 1)
    assert int(table["change"].str.startswith("markers 10 mm off").sum()) == 2 * len(study.rigs)
    assert table["worst_chance"].between(0.0, 1.0).all()
    assert (table["worst_chance"] <= table["mean_chance"] + 1e-12).all()
    assert table["rank"].between(1, len(study.rigs)).all()


def test_an_unknown_bump_is_worse_than_a_known_one(study, table):
    """Physics: a view that is turned by a degree sees nearly the same; a pose that is turned by a degree is wrong."""
    rows = table[(table["rig"] == "two low, turned out") & table["change"].str.contains("yaw")]
    known, unknown = rows[rows["robot_knows"]], rows[~rows["robot_knows"]]
    assert (unknown["mean_chance"].to_numpy() < known["mean_chance"].to_numpy() - 0.005).all()
    np.testing.assert_allclose(
        unknown["worst_chance"].to_numpy()[::2], unknown["worst_chance"].to_numpy()[1::2], rtol=1e-6
    )


def test_a_lost_camera_leaves_what_the_others_see(study, table):
    lost = table[table["change"] == "high back: lost"].set_index("rig")
    drawn = table[table["change"] == AS_DRAWN].set_index("rig")
    # what is left of "two high" is "one high"
    assert lost.loc["two high", "mean_chance"] == pytest.approx(drawn.loc["one high", "mean_chance"], abs=1e-12)
    gone = table[(table["change"] == "high front: lost") & (table["rig"] == "one high")]
    assert gone["worst_chance"].tolist() == [0.0]


def test_seed_decides_the_patterns(study, table):
    again = sensitivity(replace(study, rigs=study.rigs[:1]), draws=2, seed=5)
    patterns = again[again["change"].str.startswith("markers")]["mean_chance"].to_numpy()
    first = table[table["change"].str.startswith("markers") & (table["rig"] == study.rigs[0].name)]["mean_chance"]
    np.testing.assert_allclose(patterns, first, rtol=1e-12)


def test_worst_change_of_each_rig(table, study):
    falls = largest_falls(table, [rig.name for rig in study.rigs])
    for _, row in falls.iterrows():
        part = table[(table["rig"] == row["rig"]) & (table["change"] != AS_DRAWN)]
        assert row["worst_chance"] == part["worst_chance"].min()
        assert row["worst_rank"] == part["rank"].max()


def test_tolerances_are_where_the_chance_has_fallen(study):
    """Round trip: with one case only, a mount that is off by its tolerance costs that case what was asked."""
    tool = replace(study.robot, tools=study.robot.tools[:1])
    one = replace(study, robot=tool, field=replace(study.field, nodes=study.field.nodes[:1]))
    one = replace(one, rigs=(study.robot.rig("two low, turned out"),))
    found = mount_tolerances(one, "two low, turned out", fall=0.05).set_index(["mount", "axis"])
    worst = found["worst_chance"].iloc[0]
    for axis, key, scale in (("left", "move_m", 1000.0), ("yaw", "turn_deg", 1.0)):
        tolerance = found.loc[("low front, out", axis), "tolerance"]
        rows = sensitivity(one, draws=0, **{key: tolerance / scale})
        rows = rows[rows["change"].str.startswith("low front, out: ") & rows["change"].str.contains(axis)]
        fallen = rows[~rows["robot_knows"]]["worst_chance"].min()
        assert fallen == pytest.approx(worst - 0.05, abs=0.002)
    tighter = mount_tolerances(one, "two low, turned out", fall=0.01).set_index(["mount", "axis"])
    assert (tighter["tolerance"] <= found["tolerance"]).all()


def test_a_rig_with_a_hopeless_case_still_has_tolerances(study):
    """The case that never scores cannot fall; the others decide."""
    whole = fiducialkit.load_study(SAMPLE / "study.toml")
    found = mount_tolerances(replace(whole, states=("arm raised",)), "one high").set_index("axis")
    assert found["worst_chance"].iloc[0] == 0.0
    assert found.loc["left", "tolerance"] < 50.0 and found.loc["yaw", "tolerance"] < 5.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda study: sensitivity(study, turn_deg=0.0), "turn_deg: expected a number above 0, found 0"),
        (lambda study: sensitivity(study, marker_move_m=-0.1), "marker_move_m: expected a number above 0"),
        (lambda study: mount_tolerances(study, "two green"), "rig: expected one of .* found 'two green'"),
        (lambda study: mount_tolerances(study, "two high", fall=1.5), "fall: expected a number between 0 and 1"),
        (
            lambda study: sensitivity(replace(study, field=replace(study.field, nodes=()))),
            "at least one marker and one",
        ),
    ],
)
def test_mistakes_are_refused(study, call, message):
    with pytest.raises(InputError, match=message):
        call(study)
