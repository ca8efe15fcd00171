"""`fiducialkit search`: what it writes and prints, its picture and page, and that mistakes are one line."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

import fiducialkit
from fiducialkit import files
from fiducialkit.cli.main import main
from fiducialkit.planning import rig_enumeration
from fiducialkit.planning.mount_boxes import load_room
from fiducialkit.planning.verdict import CAUTION
from fiducialkit.plots.search_view import draw_chance_by_cameras
from fiducialkit.report.robot_text import robot_text
from fiducialkit.report.search_page import render_page
from fiducialkit.scene.camera_file import write_camera_json

SAMPLE = Path(__file__).parents[1] / "sample_data"
BOXES = """
length_unit = "m"
[[box]]
name = "front <b>"
camera = "camera_standard.toml"
corner_min = [0.30, 0.28, 0.35]
corner_max = [0.30, 0.28, 0.35]
yaw_deg = [0.0, 30.0, 30.0]
[[box]]
name = "back"
camera = "camera_wide.toml"
corner_min = [-0.30, -0.28, 0.35]
corner_max = [-0.30, -0.28, 0.35]
yaw_deg = [180.0, 210.0, 30.0]
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("\u00e9tude du four")
    for path in SAMPLE.glob("*.toml"):
        shutil.copy(path, place)
    (place / "search.toml").write_text(BOXES, encoding="utf-8")
    study = (place / "study.toml").read_text(encoding="utf-8")
    study = study.replace("rigs = []", 'rigs = ["two low, straight", "one high"]')
    (place / "study.toml").write_text(study.replace("distance_m = 1.5", "distance_m = 0.6"), encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def found(folder):
    room = load_room(folder / "search.toml")
    return fiducialkit.search_mounts(fiducialkit.load_study(folder / "study.toml"), boxes=room, polish=1)


@pytest.fixture(scope="module")
def run(folder):
    out = folder / "what was found"
    status = main(["search", str(folder / "study.toml"), "--out", str(out), "--polish", "0"])
    return status, out


def test_files_are_written_and_read_back(run):
    status, out = run
    assert status == 0
    assert sorted(path.name for path in out.iterdir()) == [
        "best_rigs.csv", "camera_standard.json", "camera_wide.json", "candidates.csv", "found.png", "robot_found.toml",
        "search.html",
    ]  # fmt: skip
    table = files.read_csv(out / "best_rigs.csv")
    assert table["rank"].tolist() == list(range(1, len(table) + 1))
    assert len(files.read_csv(out / "candidates.csv")) == 4
    assert (out / "found.png").read_bytes().startswith(b"\x89PNG")


def test_the_robot_file_gives_the_table_again(run, folder):
    """The written robot, loaded and compared, has the chances that the search announced."""
    _, out = run
    robot = fiducialkit.load_robot(out / "robot_found.toml")
    table = files.read_csv(out / "best_rigs.csv").set_index("rig")
    first = next(name for name in table.index if "found" in name)
    study = fiducialkit.load_study(folder / "study.toml")
    again = fiducialkit.compare_mounts(replace(study, robot=robot, rigs=(robot.rig(first),))).table.iloc[0]
    assert again["worst_chance"] == pytest.approx(table.loc[first, "worst_chance"], abs=1e-7)
    assert again["mean_chance"] == pytest.approx(table.loc[first, "mean_chance"], abs=1e-7)


def test_robots_on_file_come_back_as_they_were(found, tmp_path):
    twin = replace(found.robot.mounts[0].camera, distortion=(0.1, 0.01, 0.0, 0.0))  # another lens of the same name
    first = replace(found.robot.mounts[0], camera=twin, cost=12.5)
    robot = replace(found.robot, mounts=(first, *found.robot.mounts[1:]))
    text, cameras = robot_text(robot, comment="two\nlines")
    for name, camera in cameras.items():
        write_camera_json(tmp_path / name, camera)
    files.write_text(tmp_path / "robot.toml", text)
    assert fiducialkit.load_robot(tmp_path / "robot.toml") == robot
    assert len(cameras) == 3 and text.startswith("# two\n# lines\n")


def test_cost_and_all_else_of_the_camera_are_in_the_robot_file(folder, tmp_path):
    """A search from files: the mounts found cost what the robot's mounts of that camera, or the box, say."""
    place = tmp_path / "priced"
    shutil.copytree(folder, place, ignore=shutil.ignore_patterns("what was found"))
    robot = (place / "robot.toml").read_text(encoding="utf-8")
    robot = robot.replace('camera = "camera_standard.toml"', 'camera = "camera_standard.toml"\ncost = 85.5')
    (place / "robot.toml").write_text(robot, encoding="utf-8")
    boxes = BOXES.replace('camera = "camera_wide.toml"', 'camera = "camera_wide.toml"\ncost = 120')
    (place / "search.toml").write_text(boxes, encoding="utf-8")
    out = place / "out"
    assert main(["search", str(place / "study.toml"), "--out", str(out), "--polish", "1"]) == 0
    own, written = (fiducialkit.load_robot(path) for path in (place / "robot.toml", out / "robot_found.toml"))
    assert written.mounts[: len(own.mounts)] == own.mounts and written.structures == own.structures
    cameras = {mount.camera.name: mount.camera for mount in own.mounts}
    made = written.mounts[len(own.mounts) :]
    assert made and all(mount.camera == cameras[mount.camera.name] for mount in made)
    assert {mount.camera.name: mount.cost for mount in made} == {"standard": 85.5, "wide": 120.0}
    table = files.read_csv(out / "best_rigs.csv").set_index("rig")
    in_study = [rig for rig in written.rigs if rig.name in table.index]  # the study leaves some of the robot's own out
    assert len(in_study) == 4
    for rig in in_study:
        assert table.loc[rig.name, "cost"] == sum(written.mount(name).cost for name in rig.mounts)


def test_the_objective_is_an_option(capsys, folder, tmp_path):
    study = (folder / "study.toml").read_text(encoding="utf-8").replace("# [weights]", "[weights]")
    (folder / "weighted.toml").write_text(study.replace('# "oven 1"', '"oven 1"'), encoding="utf-8")
    out = tmp_path / "by mean"
    arguments = ["search", str(folder / "weighted.toml"), "--out", str(out), "--polish", "0"]
    assert main([*arguments, "--objective", "weighted mean"]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "best rig found by its weighted mean" in printed and "nodes weighted as the study says" in printed
    table = files.read_csv(out / "best_rigs.csv")
    assert table["benefit"].round(3).is_monotonic_decreasing
    assert (table["benefit"] - table["mean_chance"]).abs().max() > 1e-4
    page = " ".join((out / "search.html").read_text(encoding="utf-8").split())
    assert "Ranked by the mean in tenths of a per cent, then the error" in page


def test_console_says_what_was_found(capsys, folder, tmp_path):
    arguments = ["search", str(folder / "study.toml"), "--out", str(tmp_path), "--cameras", "1", "--polish", "0"]
    assert main(arguments) == 0
    printed = " ".join(capsys.readouterr().out.replace(str(folder), "FOLDER").split())
    assert printed.isascii()
    assert "4 candidates in boxes of" in printed
    assert "is the best rig found" in printed and "one high" in printed
    assert "event's rules on size apply" in printed
    assert str(tmp_path / "robot_found.toml") in printed


def test_a_stopped_search_goes_on(monkeypatch, capsys, folder, run, tmp_path):
    out = tmp_path / "half"
    (folder / "other.toml").write_text(BOXES.replace("210.0", "240.0"), encoding="utf-8")
    arguments = ["search", str(folder / "study.toml"), "--out", str(out), "--cameras", "2", "--polish", "0"]
    whole = rig_enumeration.exact_score
    calls = []

    def stop(sums, rig, least=-1.0):
        calls.append(rig)
        if len(rig) == 2:
            raise KeyboardInterrupt
        return whole(sums, rig, least)

    monkeypatch.setattr(rig_enumeration, "exact_score", stop)
    assert main(arguments) == 130
    assert capsys.readouterr().err.splitlines()[-1] == "fiducialkit: stopped"
    assert [path.name for path in out.iterdir()] == ["unfinished"]
    assert list((out / "unfinished").glob("rigs_of_2_*.npz"))
    monkeypatch.setattr(rig_enumeration, "exact_score", whole)
    assert main([*arguments, "--search", str(folder / "other.toml")]) == 2
    assert "expected a piece of this very search" in capsys.readouterr().err
    assert list((out / "unfinished").glob("rigs_of_2_*.npz"))
    assert main(arguments) == 0
    assert not (out / "unfinished").exists()
    assert (out / "best_rigs.csv").read_bytes() == (run[1] / "best_rigs.csv").read_bytes()


def test_page_is_whole_and_needs_nothing_from_elsewhere(found):
    text = render_page(found, b"")
    assert not re.search(r"url\(|@import|https?://|<script", text)
    plain = text.replace("\u00a0", " ").replace("&#39;", "'")
    assert found.verdict in plain
    assert plain.count(CAUTION) == 1
    assert all(mount.name in plain for mount in found.best.mounts)
    assert "event's rules" in plain and "how the robot comes in" in " ".join(plain.split())


def test_names_cannot_become_markup(found):
    assert "front <b>" not in render_page(found, b"")
    study = replace(found.study, name="<script>alert(1)</script>")
    assert "<script>" not in render_page(replace(found, study=study), b"")


def test_picture_shows_the_table(found):
    ax = draw_chance_by_cameras(found.table, Figure().add_subplot())
    best = found.table[~found.table["is_hand_made"]].drop_duplicates("cameras").sort_values("cameras")
    own = found.table[found.table["is_hand_made"]]
    drawn = {line.get_gid(): line.get_xydata() for line in ax.lines}
    for column in ("worst_chance", "benefit"):
        np.testing.assert_allclose(drawn[f"found {column}"], np.column_stack([best["cameras"], 100 * best[column]]))
        np.testing.assert_allclose(drawn[f"hand-made {column}"][:, 1], 100 * own[column])
    assert ax.get_ylabel() == "chance to score [%]" and ax.get_xlabel() == "cameras"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--cameras", "5"], "cameras: expected a whole number from 1 to 4, found 5"),
        (["--cameras", "3"], "cameras: expected room for 3 cameras apart from each other"),
        (["--search", "nowhere.toml"], "nowhere.toml: expected a file, found none"),
        (["--objective", "mean"], "objective: expected 'worst node' or 'weighted mean', found 'mean'"),
        (["--polish", "-1"], "polish: expected a whole number from 0"),
        (["--workers", "0"], "'--workers'"),
    ],
)
def test_mistakes_are_one_line_and_leave_nothing(options, message, capsys, folder, tmp_path):
    out = tmp_path / "out"
    assert main(["search", str(folder / "study.toml"), "--out", str(out), *options]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1 and re.search(message, lines[0])
    assert not out.exists()


def test_a_search_that_sees_nothing_ends_with_status_1(capsys, folder, tmp_path):
    boxes = tmp_path / "up.toml"
    shutil.copy(folder / "camera_standard.toml", tmp_path)
    text = BOXES[: BOXES.index('[[box]]\nname = "back"')] + "tilt_deg = [88.0, 88.0, 1.0]\n"
    boxes.write_text(text, encoding="utf-8")
    arguments = ["search", str(folder / "study.toml"), "--out", str(tmp_path / "out"), "--search", str(boxes)]
    assert main([*arguments, "--cameras", "1", "--polish", "0"]) == 1
    assert "No rig found sees a marker" in capsys.readouterr().out
    table = pd.read_csv(tmp_path / "out" / "best_rigs.csv")
    assert (table.loc[~table["is_hand_made"], "worst_chance"] == 0.0).all()


def test_the_sample_boxes_load():
    room = load_room(SAMPLE / "search.toml")
    assert len(room.boxes) == 4
