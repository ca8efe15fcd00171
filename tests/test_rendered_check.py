"""Predictions beside rendered pictures: what is drawn, what comes out, the same on any number of workers."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from scene_cases import small_field, small_robot

from fiducialkit import RenderSettings
from fiducialkit.errors import InputError
from fiducialkit.planning.rendered_check import rendered_check
from fiducialkit.planning.study import FloorGrid, FloorPrior, Study
from fiducialkit.plots import sheets
from fiducialkit.plots.rendered_view import draw_error_ratios
from fiducialkit.scene.camera import Camera, CameraNoise
from fiducialkit.scene.robot import Rig

PLAIN = RenderSettings()


def small_study(**noise) -> Study:
    """Return the small hall with a small picture, so that a test takes no minute."""
    camera = Camera.from_field_of_view(640, 400, 75.0, name="front", noise=CameraNoise(**noise))
    robot = small_robot()
    mounts = tuple(replace(mount, camera=camera) for mount in robot.mounts)
    return Study(
        name="small", field=small_field(), robot=replace(robot, mounts=mounts), floor=FloorGrid(step_m=0.5, headings=8)
    )


@pytest.fixture(scope="module")
def check():
    return rendered_check(small_study(), 48, detectors=("fitted", "stock"), settings=PLAIN, seed=2)


def test_every_pose_has_a_row_for_each_rig_and_detector(check):
    poses = check.poses
    assert len(poses) == 48 * 2 * 2
    assert poses.groupby(["rig", "detector"], sort=False)["pose"].nunique().tolist() == [48] * 4
    assert set(poses["place"]) == {"approach", "floor"}
    assert set(poses["state"]) == {"arm down", "arm raised"}
    for _, rows in poses.groupby("pose"):  # both detectors look at the same pictures from the same place
        assert rows[["robot_x_m", "robot_y_m", "state"]].drop_duplicates().shape[0] == 1


def test_poses_are_right_and_their_errors_as_small_as_fitted_corners_make_them(check):
    """Physics: without mount and marker errors fitted corners place the robot within centimetres of the truth."""
    fitted = check.poses[(check.poses["detector"] == "fitted") & (check.poses["status"] == "ok")]
    assert len(fitted) > 20
    near = fitted[fitted["distance_m"] < 2.0]
    assert near["along_error_m"].abs().median() < 0.02
    assert near["heading_error_deg"].abs().median() < 1.0
    stock = check.poses[(check.poses["detector"] == "stock") & (check.poses["status"] == "ok")]
    assert stock["along_error_m"].abs().median() > fitted["along_error_m"].abs().median()
    assert (fitted["markers_read"].sum(), 0) > (stock["markers_read"].sum(), 0)


def test_summary_is_counted_from_the_rows(check):
    for row in check.coverage.to_dict("records"):
        rows = check.poses[(check.poses["rig"] == row["rig"]) & (check.poses["detector"] == row["detector"])]
        assert row["share_seen"] == pytest.approx((rows["markers_read"] > 0).mean())
        assert row["share_predicted"] == pytest.approx(rows["chance_seen"].mean())
        assert row["share_low"] <= row["share_seen"] <= row["share_high"]
    cell = check.table.iloc[0]
    rows = check.poses[(check.poses["rig"] == cell["rig"]) & (check.poses["detector"] == cell["detector"])]
    rows = rows[(rows["distance_m"] >= cell["from_m"]) & (rows["distance_m"] < cell["to_m"])].dropna()
    assert len(rows) == cell["poses"]
    right = rows[~rows["is_flipped"] & (rows["read"] == rows["predicted"])]
    assert len(right) == cell["as_predicted"]
    units = (("along", "m"), ("across", "m"), ("heading", "deg"))
    far = sum((right[f"{name}_error_{unit}"].abs() > 4.0 * right[f"{name}_sd_{unit}"]) for name, unit in units) > 0
    assert far.sum() == cell["far_off"]
    right = right[~far]
    by_hand = math.sqrt(((right["along_error_m"] / right["along_sd_m"]) ** 2).mean())
    assert cell["along_ratio"] == pytest.approx(by_hand)
    assert "48 rendered poses" in str(check)


def test_the_camera_files_name_the_detector():
    mixed = rendered_check(small_study(detector="fitted"), 8, rigs=["one high"], settings=PLAIN, seed=2)
    both = rendered_check(small_study(), 8, rigs=["one high"], detectors=("fitted",), settings=PLAIN, seed=2)
    same = [name for name in mixed.poses.columns if name != "detector"]
    pd.testing.assert_frame_equal(mixed.poses[same], both.poses[same])


def test_two_workers_give_the_same_table(tmp_path):
    once = rendered_check(small_study(), 12, rigs=["one high"], settings=PLAIN, seed=4)
    kept = tmp_path / "pieces.jsonl"
    again = rendered_check(small_study(), 12, rigs=["one high"], settings=PLAIN, seed=4, workers=2, kept_in=kept)
    pd.testing.assert_frame_equal(once.poses, again.poses)
    resumed = rendered_check(small_study(), 12, rigs=["one high"], settings=PLAIN, seed=4, kept_in=kept)
    pd.testing.assert_frame_equal(once.table, resumed.table)
    assert not once.poses.equals(rendered_check(small_study(), 12, rigs=["one high"], settings=PLAIN, seed=5).poses)


def test_robot_stands_as_unevenly_as_the_prior_says():
    """With a gyro far better than the pictures the heading error is the gyro's own."""
    study = replace(small_study(), prior=FloorPrior(heading_sd_deg=0.001))
    check = rendered_check(study, 16, rigs=["one high"], settings=PLAIN, seed=1)
    assert check.poses["heading_error_deg"].abs().max() < 0.005


def test_drawing_shows_every_ratio(check):
    ax = draw_error_ratios(check.table, Figure().subplots(), detector="fitted")
    drawn = np.concatenate([line.get_ydata() for line in ax.lines if line.get_gid() == "ratio"])
    rows = check.table[check.table["detector"] == "fitted"]
    assert np.sort(drawn[np.isfinite(drawn)]) == pytest.approx(np.sort(rows["along_ratio"].dropna().to_numpy()))
    assert "distance" in ax.get_xlabel()
    with pytest.raises(InputError, match="detector: expected"):
        draw_error_ratios(check.table, Figure().subplots(), detector="other")


def test_panels_without_numbers_have_the_scale_of_those_with(check, monkeypatch):
    monkeypatch.setattr(sheets, "png_bytes", lambda figure: figure)
    figure = sheets.ratio_sheet(check.table)
    limits = {ax.get_ylim() for ax in figure.axes}
    assert len(figure.axes) == 6 and len(limits) == 1
    highest = np.nanmax(check.table[["along_ratio", "across_ratio", "heading_ratio"]].to_numpy())
    assert limits.pop()[1] > highest


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"count": 0}, "count: expected a whole number of poses above 0, found 0"),
        ({"count": 1.5}, "count: expected"),
        ({"rigs": ["none such"]}, "rigs: expected names among 'two low, turned out', 'one high', found 'none such'"),
        ({"detectors": ("best",)}, "detectors: expected stock or fitted, found 'best'"),
        ({"detectors": ()}, "detectors: expected at least one"),
    ],
)
def test_no_such_check(wrong, said):
    with pytest.raises(InputError, match=said):
        rendered_check(small_study(), **({"count": 4} | wrong))


def test_a_measured_detector_cannot_be_rendered():
    study = small_study(detector="measured", corner_sd_px=0.2)
    with pytest.raises(InputError, match=r"camera 'front': noise\.detector: expected stock or fitted"):
        rendered_check(study, 4)


@pytest.mark.filterwarnings("ignore::ResourceWarning")  # the cluster's own sockets
def test_two_workers_of_a_cluster_give_the_same_table():
    distributed = pytest.importorskip("dask.distributed", reason="the cluster's library is not installed")
    study = replace(small_study(), rigs=(Rig(name="one high", mounts=("high",)),))
    once = rendered_check(study, 16, settings=PLAIN, seed=4)
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as cluster:
        again = rendered_check(study, 16, settings=PLAIN, seed=4, scheduler=cluster.scheduler_address)
    pd.testing.assert_frame_equal(once.poses, again.poses)
