"""The error budget against hand-worked cases, the prediction it must agree with, and brute force."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from budget_cases import EXACT, Case, measured, near_node, predicted, with_rolling_shutter

import fiducialkit
from fiducialkit.errors import InputError
from fiducialkit.planning.approach_filter import filtered_arrivals
from fiducialkit.planning.budget_tables import BY_RIG, CASES, SHARES
from fiducialkit.planning.coverage import approach_poses
from fiducialkit.planning.picture_model import (
    CORNERS,
    FLOOR,
    LAYOUT,
    LENS,
    MOUNT,
    PULL,
    ROWS,
    SOURCES,
    TIME,
    WHEELS,
    picture_model,
    rig_gains,
)
from fiducialkit.planning.prediction import predict
from fiducialkit.planning.sightings import sightings
from fiducialkit.planning.study import FloorPrior, Odometry, Study
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field, Marker, Node
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.robot import Mount, Rig, Robot, Structure, Tool

SAMPLE = Path(__file__).parents[1] / "sample_data"
FREE = FloorPrior(height_sd_m=1e4, level_sd_deg=1e6)  # nothing is known without cameras


@pytest.fixture(scope="module")
def study():
    return fiducialkit.load_study(SAMPLE / "study.toml")


@pytest.fixture(scope="module")
def budget(study):
    return fiducialkit.error_budget(study, rigs=["two low, turned out", "two high", "one high"])


def one_marker_study(position=(0.2, 0.15, 0.45), tool=(0.5, 0.0, 0.3), **others) -> Study:
    """Return one camera looking straight ahead at one marker on the wall x = 0, the node 1 m away from it."""
    camera = Camera.from_field_of_view(1280, 800, 75.0)
    marker = Marker(marker_id=0, position=(0.0, 2.0, 0.6), facing_deg=0.0, size_m=0.15)
    node = Node(
        name="n", position=(1.0, 2.0), heading_deg=180.0, tolerance_along_m=0.03, tolerance_across_m=0.02,
        tolerance_heading_deg=2.0,
    )  # fmt: skip
    field = Field(name="one", size=(4.0, 4.0), family=marker_family("36h11"), markers=(marker,), nodes=(node,))
    robot = Robot(
        name="r", footprint=(0.5, 0.5), mounts=(Mount(name="m", camera=camera, position=position),),
        rigs=(Rig(name="m", mounts=("m",)),), tools=(Tool(side="front", position=tool),),
    )  # fmt: skip
    return Study(name="one", field=field, robot=robot, **({"prior": FREE, "tolerance": EXACT} | others))


def parts_at_node(study: Study, **others) -> pd.DataFrame:
    found = fiducialkit.error_budget(study, picture="last", **others).shares.set_index("source")
    return found[["part_along_sd_m", "part_across_sd_m", "part_heading_sd_deg"]]


def test_mount_by_hand():
    """A camera at a that is shifted by s and turned by r carries the robot by s + a x r and turns it by r."""
    built = replace(EXACT, mount_sd_m=0.004, mount_sd_deg=0.5)
    (x, y, z), tool, turn = (0.2, 0.15, 0.45), 0.5, math.radians(0.5)
    along, across, heading = parts_at_node(one_marker_study(tolerance=built)).loc[MOUNT]
    assert along == pytest.approx(math.sqrt(0.004**2 + turn**2 * (y**2 + z**2)), rel=1e-6)
    assert across == pytest.approx(math.sqrt(0.004**2 + turn**2 * (z**2 + (tool - x) ** 2)), rel=1e-6)
    assert heading == pytest.approx(0.5, rel=1e-6)


def test_layout_by_hand():
    """The one marker's turn about its own middle, 1 m ahead and 0.6 m up, carries the robot round it."""
    built = replace(EXACT, marker_sd_m=0.005, marker_sd_deg=0.2)
    turn = math.radians(0.2)
    along, across, heading = parts_at_node(one_marker_study(tolerance=built)).loc[LAYOUT]
    assert along == pytest.approx(math.sqrt(0.005**2 + (turn * 0.6) ** 2), rel=1e-6)
    assert across == pytest.approx(math.sqrt(0.005**2 + turn**2 * (0.6**2 + (1.0 - 0.5) ** 2)), rel=1e-6)
    assert heading == pytest.approx(0.2, rel=1e-6)


def test_lens_by_hand():
    """A focal length 1 % too long puts a marker straight ahead 1 % too near, along the line of sight alone."""
    ahead = one_marker_study(position=(0.2, 0.0, 0.6), tolerance=replace(EXACT, focal_sd_percent=1.0))
    along, across, heading = parts_at_node(ahead).loc[LENS]
    assert along == pytest.approx(0.01 * (1.0 - 0.2), rel=1e-6)
    assert across < 1e-9 and heading < 1e-7


def test_time_by_hand():
    """4 ms at 1.5 m/s are 6 mm along; 4 ms at 30 degrees a second are 0.12 degrees, half a metre ahead 1 mm aside."""
    late = one_marker_study(tolerance=replace(EXACT, time_sd_s=0.004))
    along, across, heading = parts_at_node(late, speed_m_per_s=1.5).loc[TIME]
    assert along == pytest.approx(0.006, rel=1e-9)
    assert across < 1e-9 and heading < 1e-7
    along, across, heading = parts_at_node(late, speed_m_per_s=0.0, turn_rate_deg_per_s=30.0).loc[TIME]
    assert heading == pytest.approx(0.12, rel=1e-9)
    assert across == pytest.approx(0.5 * math.radians(0.12), rel=1e-9)
    assert along < 1e-9


def test_rolling_shutter_by_hand():
    """Driving ahead spreads a picture from its middle: a corner at (x, y) moves by (x, y) v t / Z, t being y row times.

    On an exact floor with the marker straight ahead that is fitted best by the shift along of v times the mean of t,
    weighted with x^2 + y^2.
    """
    floor = FloorPrior(height_sd_m=1e-6, level_sd_deg=1e-5)
    level = one_marker_study(position=(0.2, 0.0, 0.45), prior=floor)
    focal = level.robot.mounts[0].camera.fx_px
    x = focal * np.array([-0.075, 0.075, 0.075, -0.075]) / 0.8
    y = focal * (0.45 - 0.6 + np.array([-0.075, -0.075, 0.075, 0.075])) / 0.8
    late_s = 30e-6 * (y * (x**2 + y**2)).sum() / (x**2 + y**2).sum()
    rolled = with_rolling_shutter(level, 30e-6)
    along, _, _ = parts_at_node(rolled, speed_m_per_s=2.0).loc[ROWS]
    assert along == pytest.approx(abs(late_s) * 2.0, rel=1e-4)
    half = parts_at_node(with_rolling_shutter(level, 15e-6), speed_m_per_s=2.0).loc[ROWS]
    assert half["part_along_sd_m"] == pytest.approx(along / 2.0, rel=1e-9)
    assert (parts_at_node(rolled, speed_m_per_s=0.0).loc[ROWS] == 0.0).all()
    assert (parts_at_node(level, speed_m_per_s=2.0).loc[ROWS] == 0.0).all()  # global shutter


def test_wheels_count_only_what_is_driven_blind(study):
    """By hand: 2 % of the stretch along; nothing where the picture at the node itself counts."""
    found = fiducialkit.error_budget(study, rigs=["two high"], picture="last")
    wheels = found.shares[found.shares["source"] == WHEELS].reset_index(drop=True)
    np.testing.assert_allclose(wheels["part_along_sd_m"], 0.02 * found.cases["blind_m"], atol=1e-12)
    assert (found.cases["blind_m"] > 0.0).any() and (found.cases["blind_m"] == 0.0).any()


def test_sources_add_up_to_the_prediction(study):
    """Second implementation: the compiled prediction holds corners, floor, lens, mounts and layout in one sum.

    With a detector that reads every marker or none: the prediction is a mean over what may be seen, the sources are
    those of what is likely seen.
    """
    study = with_certain_detector(study)
    _, poses = approach_poses(study)
    poses = poses[::3]
    model, found = picture_model(study, poses), predict(study, poses, with_flips=False)
    still, zero = np.zeros((len(poses), 2)), np.zeros(len(poses), dtype=np.int64)
    for r, rig in enumerate(study.rigs):
        gains = rig_gains(model, rig, np.arange(len(poses)), zero, still)
        spread = {name: gain @ np.swapaxes(gain, 1, 2) for name, gain in gains.constant.items()}
        np.testing.assert_array_equal(gains.markers, found.markers[:, 0, r])
        noise = gains.noise + spread[PULL] + spread[FLOOR] + spread[WHEELS]
        total = noise + spread[LENS] + spread[MOUNT] + spread[LAYOUT]
        certain = np.array([_is_certain(study, rig, pose) for pose in poses]) & (gains.markers > 0)
        assert certain.mean() > 0.4
        for mine, theirs in ((noise, found.noise_covariance), (total, found.covariance)):
            mine, theirs = (np.diagonal(each[certain], axis1=1, axis2=2) for each in (mine, theirs[:, 0, r]))
            # the prediction interpolates the corner sd in a table, to 1 % of it
            np.testing.assert_allclose(mine, theirs, rtol=0.025)


def _is_certain(study, rig, pose):
    """Whether every marker is read or not: tables turn a smallest size into a slope between two of their knots."""
    state = study.states[0]
    chances = np.array([sightings(study, study.robot.mount(name), pose, state).chance for name in rig.mounts])
    return bool(((chances < 0.02) | (chances > 0.98)).all())


def with_certain_detector(study):
    """The study with the user's own detector on every camera: one sd, a smallest cell below which nothing is read."""

    def certain(camera):
        return replace(camera, noise=replace(camera.noise, detector="measured", corner_sd_px=0.2))

    mounts = tuple(replace(mount, camera=certain(mount.camera)) for mount in study.robot.mounts)
    return replace(study, robot=replace(study.robot, mounts=mounts))


def test_tables_are_whole_and_shares_add_up(budget):
    for name, table in (("cases", CASES), ("shares", SHARES), ("by_rig", BY_RIG)):
        pd.testing.assert_frame_equal(table.checked(getattr(budget, name)), getattr(budget, name))
    seen = (budget.cases["markers"] > 0).to_numpy()
    np.testing.assert_allclose(budget.by_source[seen].sum(axis=1), budget.covariance[seen], rtol=1e-12)
    by_case = budget.shares.groupby(["rig", "node", "side", "state"], sort=False)
    for name in ("share", "share_along", "share_across", "share_heading"):
        np.testing.assert_allclose(by_case[name].sum().to_numpy()[seen], 1.0, rtol=1e-9)
    assert budget.shares["source"].head(len(SOURCES)).tolist() == list(SOURCES)
    sd = np.sqrt(np.diagonal(budget.covariance, axis1=1, axis2=2))
    np.testing.assert_allclose(budget.cases["tool_across_sd_m"], sd[:, 1])
    assert seen.any() and not seen.all()  # one forward camera sees no marker on some approaches
    never = budget.cases[~seen]
    assert (never["chance_to_score"] == 0.0).all() and never["sentence"].str.contains("sees no marker").all()


def test_halving_is_computed_not_a_rule_of_thumb(study, budget):
    """What a source's halving is said to bring is what a study with half of it has, the same pictures counting."""
    better = replace(
        study, tolerance=replace(study.tolerance, marker_sd_m=0.5 * study.tolerance.marker_sd_m,
                                 marker_sd_deg=0.5 * study.tolerance.marker_sd_deg),
    )  # fmt: skip
    again = fiducialkit.error_budget(better, rigs=["two low, turned out"], picture="last")
    first = fiducialkit.error_budget(study, rigs=["two low, turned out"], picture="last")
    said = first.shares[first.shares["source"] == LAYOUT]["chance_if_halved"].to_numpy()
    np.testing.assert_allclose(said, again.cases["chance_to_score"], rtol=1e-9)
    # physics: where the weights stay as they are, less error is never worse
    chance = np.repeat(budget.cases["chance_to_score"].to_numpy(), len(SOURCES))
    weights_stay = budget.shares["source"].isin([PULL, LENS, MOUNT, LAYOUT, TIME, ROWS])
    assert (budget.shares["chance_if_halved"] >= chance - 1e-9)[weights_stay].all()


def test_the_sentence_says_what_the_tables_say(budget):
    rows = budget.by_rig[budget.by_rig["rig"] == "two low, turned out"]
    top = rows.loc[rows["share"].idxmax()]
    sentence = budget.sentences[0]
    assert sentence.startswith(f"'two low, turned out': the largest is {top['source']} ({100 * top['share']:.0f} %")
    assert f"from {100 * top['mean_chance']:.1f} % to {100 * top['mean_if_halved']:.1f} %" in sentence
    assert all(text.isascii() for text in (*budget.sentences, *budget.assumptions, *budget.cases["sentence"]))
    assert str(budget).splitlines() == list(budget.sentences)


def test_through_a_filter_only_corner_noise_averages_out(study):
    """Second way: the filter's own arrivals; physics: thirty pictures a second leave little of the corner noise."""
    found = fiducialkit.error_budget(study, rigs=["two low, straight", "one high"], picture="filter")
    rigs = tuple(study.robot.rig(name) for name in ("two low, straight", "one high"))
    arrivals = filtered_arrivals(replace(study, rigs=rigs))
    keys = ["rig", "node", "side", "state"]
    both = found.cases.merge(arrivals, on=keys, suffixes=("", "_filter"))
    assert len(both) == len(found.cases)
    for name in ("tool_along_sd_m", "tool_across_sd_m", "heading_sd_deg", "chance_to_score", "blind_m"):
        np.testing.assert_allclose(both[name], both[f"{name}_filter"], rtol=1e-9)
    seen = (found.cases["markers"] > 0).to_numpy()
    assert np.linalg.eigvalsh(found.by_source[seen]).min() > -1e-12
    single = fiducialkit.error_budget(study, rigs=["two low, straight"], picture="last").by_rig
    noise = [
        table.set_index(["rig", "source"])["share"][("two low, straight", CORNERS)] for table in (single, found.by_rig)
    ]
    assert noise[1] < 0.2 * noise[0]


def test_driving_backwards_mirrors_the_drive(study):
    """Physics: a robot turned about scores with its back as it does with its front, the blind stretch included."""
    robot = one_marker_study().robot
    ahead = replace(robot.mounts[0], name="ahead", position=(0.2, 0.1, 0.45))
    back = replace(ahead, name="back", position=(-0.2, -0.1, 0.45), yaw_deg=180.0)
    both = replace(
        robot, mounts=(ahead, back), rigs=(Rig(name="both", mounts=("ahead", "back")),),
        structures=(Structure(state="always", corner_min=(0.3, -0.3, 0.465), corner_max=(0.35, 0.3, 0.6)),
                    Structure(state="always", corner_min=(-0.35, -0.3, 0.465), corner_max=(-0.3, 0.3, 0.6))),
        tools=(Tool(side="front", position=(0.5, 0.1, 0.3)), Tool(side="back", position=(-0.5, -0.1, 0.3))),
    )  # fmt: skip
    wheels = Odometry(distance_sd_percent=3.0, heading_sd_deg_per_s=5.0)
    turned = replace(one_marker_study(odometry=wheels, tolerance=study.tolerance), robot=both, rigs=())
    for picture in ("last", "filter"):
        found = fiducialkit.error_budget(turned, picture=picture).cases.set_index("side")
        assert found.loc["front", "blind_m"] > 0.1
        for name in ("tool_along_sd_m", "tool_across_sd_m", "heading_sd_deg", "blind_m"):
            assert found.loc["front", name] == pytest.approx(found.loc["back", name], rel=1e-6)


def test_an_exact_study_has_only_the_corners_left(study):
    exact = replace(
        study, tolerance=EXACT, odometry=Odometry(distance_sd_percent=0.0, heading_sd_deg_per_s=0.0),
        prior=FloorPrior(height_sd_m=1e-7, level_sd_deg=1e-6),
    )  # fmt: skip
    found = fiducialkit.error_budget(exact, rigs=["three low"])
    corners = found.shares[found.shares["source"].isin([CORNERS, PULL])]
    assert corners.groupby(["rig", "node", "side", "state"])["share"].sum().min() > 1.0 - 1e-5
    assert set(found.cases["largest"]) <= {CORNERS, PULL}


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"rigs": ["two green"]}, "rigs: expected names among 'two high', .* found 'two green'"),
        ({"states": ["arm folded"]}, "states: expected names among 'arm stowed', .* found 'arm folded'"),
        ({"speed_m_per_s": -1.0}, "speed_m_per_s: expected a number of 0 or more, found -1.0"),
        ({"turn_rate_deg_per_s": math.nan}, "turn_rate_deg_per_s: expected a number, found nan"),
        ({"picture": "filter", "speed_m_per_s": 1.0}, "picture: expected 'best' or 'last' with a speed"),
        ({"picture": "first"}, "picture: expected 'best', 'last' or 'filter', found 'first'"),
    ],
)
def test_mistakes_are_refused(study, arguments, message):
    with pytest.raises(InputError, match=message):
        fiducialkit.error_budget(study, **arguments)


def test_nothing_to_budget_is_refused(study):
    with pytest.raises(InputError, match="at least one marker and one node"):
        fiducialkit.error_budget(replace(study, field=replace(study.field, nodes=())))


@pytest.mark.statistics
@pytest.mark.parametrize(("rig", "node", "distance_m"), [("one high", "oven 3", 1.2), ("two low, wide", "oven 4", 0.2)])
def test_shares_and_total_against_brute_force(study, rig, node, distance_m):
    """Simulation with known truth: every source drawn, true corners projected, poses solved again.

    The full size is in tests/benchmarks/budget_accuracy.py; here 1,200 trials: a variance is known to 4.1 % (sd), a
    share of one half to 2 points. Bars: total sd within 5 % and shares within 5 points, and 3 sd of the simulation.
    """
    rng = np.random.default_rng(20261125)
    trials = 1200
    case: Case = near_node(with_rolling_shutter(study, 20e-6), rig, node, distance_m, state=0, motion=(1.5, 0.7))
    expected, (alone, total, _) = predicted(case), measured(case, trials, rng)
    whole = sum(expected.values())
    assert np.abs(np.sqrt(total / whole) - 1.0).max() < 0.05 + 3.0 / math.sqrt(2.0 * trials)
    for source in alone:
        share = expected[source] / whole
        assert np.abs(alone[source] / total - share).max() < 0.05 + 3.0 * share.max() * 2.0 / math.sqrt(trials)
