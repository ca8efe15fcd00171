"""`fiducialkit render`: the log it writes, that it solves back to its own poses, and what it refuses."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fiducialkit import Focus, RenderSettings, files, load_camera, load_field, load_robot, render
from fiducialkit.cli.main import main
from fiducialkit.imaging.images import read_picture
from fiducialkit.imaging.noise import Sensor
from fiducialkit.scene.transforms import field_from_robot_on_floor, robot_from_camera_angles

SAMPLE = Path(__file__).parents[1] / "sample_data"
STUDY, FIELD, CAMERA = SAMPLE / "study.toml", SAMPLE / "field.toml", SAMPLE / "camera_standard.toml"
ONE = ["--x-m", "2", "--y-m", "2", "--heading-deg", "180"]
POSES = "time_s,robot_x_m,robot_y_m,robot_heading_deg\n0,4.35,1.75,158\n0.8,3.3,2.15,163\n"


def run(*words) -> int:
    return main([str(word) for word in words])


def mistake(capsys, *words) -> str:
    assert run("render", *words) == 2
    captured = capsys.readouterr()
    assert captured.err.startswith("fiducialkit: error: ") and captured.err.count("\n") == 1, captured.err
    return captured.err


def test_a_log_of_two_mounts_solves_back_to_its_own_poses(tmp_path, capsys):
    out = tmp_path / "caf\u00e9 log"
    poses = files.write_text(tmp_path / "poses.csv", POSES)
    mounts = ["--mount", "low front, out", "--mount", "high front"]
    assert run("render", STUDY, *mounts, "--poses", poses, "--out", out, "--state", "arm raised") == 0
    assert "4 pictures with" in capsys.readouterr().out
    frames, reference = files.read_csv(out / "frames.csv"), files.read_csv(out / "reference.csv")
    assert list(frames.columns) == ["time_s", "file", "camera"]
    assert frames["camera"].tolist() == ["low front, out", "high front"] * 2
    assert frames["time_s"].tolist() == pytest.approx([0.03, 0.03, 0.83, 0.83])  # the camera's stamp delay
    assert reference["robot_x_m"].tolist() == [4.35, 3.3]
    for name in frames["file"]:
        assert read_picture(out / name).shape == (800, 1280)
    # the true corners give the true poses
    corners = files.read_csv(out / "corners.csv")
    first = frames[frames["camera"] == "low front, out"]["file"]
    files.write_csv(tmp_path / "first.csv", corners[corners["file"].isin(first)])
    robot = ["--robot", SAMPLE / "robot.toml", "--mount", "low front, out"]
    assert run("solve", tmp_path / "first.csv", "--field", FIELD, *robot, "--out", tmp_path / "solved") == 0
    solved = files.read_csv(tmp_path / "solved" / "poses.csv")
    for name in ("robot_x_m", "robot_y_m", "robot_heading_deg"):
        np.testing.assert_allclose(solved[name], reference[name], atol=2e-5)


def test_true_marker_poses_stand_beside_the_pictures(tmp_path):
    pose = ["--x-m", "3.3", "--y-m", "2.15", "--heading-deg", "163"]
    assert run("render", STUDY, "--mount", "low front, out", *pose, "--out", tmp_path) == 0
    markers = files.read_csv(tmp_path / "markers.csv")
    mount = load_robot(SAMPLE / "robot.toml").mount("low front, out")
    camera_from_field = (field_from_robot_on_floor(3.3, 2.15, 163.0) * mount.robot_from_camera).inv()
    for row in markers.itertuples():
        marker = load_field(FIELD).marker(row.marker_id)
        centre_camera = camera_from_field.apply(np.array(marker.position))
        found = [row.camera_marker_x_m, row.camera_marker_y_m, row.camera_marker_z_m]
        np.testing.assert_allclose(found, centre_camera, atol=1e-8)


def test_the_same_seed_gives_the_same_files(tmp_path):
    words = ["render", FIELD, "--camera", CAMERA, "--x-m", "2", "--y-m", "2.5", "--heading-deg", "180"]
    for folder, seed in (("a", 3), ("b", 3), ("c", 4)):
        assert run(*words, "--seed", seed, "--background", "textured", "--out", tmp_path / folder) == 0
    names = sorted(path.name for path in (tmp_path / "a").iterdir())
    assert names == ["corners.csv", "frame_0001.png", "frames.csv", "markers.csv", "reference.csv"]
    for name in names:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    assert (tmp_path / "a" / "frame_0001.png").read_bytes() != (tmp_path / "c" / "frame_0001.png").read_bytes()


def test_light_lens_and_sensor_are_those_asked_for(tmp_path):
    # what the command writes is what the library renders with the same settings
    words = ["render", FIELD, "--camera", CAMERA, *ONE, "--seed", 5, "--background", "plain", "--exposure-s", "0.002"]
    words += ["--vignetting", "cos4", "--light-gradient", "0.2", "-0.1", "--sensor", "1.5e6", "8", "0.05"]
    words += ["--focus", "1.5", "4", "2", "3", "--margin-cells", "0.5", "--tone", "srgb"]
    assert run(*words, "--out", tmp_path / "log") == 0
    camera = load_camera(CAMERA)
    camera = replace(camera, timing=replace(camera.timing, exposure_s=0.002))
    settings = RenderSettings(
        vignetting="cos4", light_gradient=(0.2, -0.1), margin_cells=0.5, tone="srgb",
        sensor=Sensor(electrons_per_s=1.5e6, read_sd_electrons=8.0, gain_grey_per_electron=0.05),
        focus=Focus(distance_m=1.5, focal_length_mm=4.0, f_number=2.0, pixel_pitch_um=3.0),
    )  # fmt: skip
    pose = field_from_robot_on_floor(2.0, 2.0, 180.0) * robot_from_camera_angles((0.0, 0.0, 0.5), 0.0, 0.0, 0.0)
    expected = render(load_field(FIELD), camera, pose, settings=settings, seed=5)
    np.testing.assert_array_equal(read_picture(tmp_path / "log" / "frame_0001.png"), expected.image)


def test_a_picture_without_a_marker_ends_with_1(tmp_path, capsys):
    # nose to the wall between two markers
    pose = ["--x-m", "10.9", "--y-m", "1.6", "--heading-deg", "0"]
    assert run("render", FIELD, "--camera", CAMERA, *pose, "--out", tmp_path / "log") == 1
    assert "no marker is in any picture" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([FIELD, *ONE], "--camera: expected a camera file, or --robot and --mount, found none"),
        ([FIELD, "--camera", CAMERA], "--poses: expected a table, or --x-m, --y-m and --heading-deg, found neither"),
        ([FIELD, "--camera", CAMERA, "--x-m", "2"], "found neither"),
        ([CAMERA, "--camera", CAMERA, *ONE], "expected a field or a study, found a camera file"),
        ([STUDY, *ONE], "--mount: expected one or more of 'high front'"),
        ([STUDY, "--mount", "nose", *ONE], "found 'nose'"),
        ([STUDY, "--mount", "high front", "--camera", CAMERA, *ONE], "--camera, --robot: expected one of the two"),
        ([STUDY, "--mount", "high front", "--state", "asleep", *ONE], "state: expected one of always, arm stowed"),
        ([FIELD, "--camera", CAMERA, "--background", "forest", *ONE], "background.kind: expected one of plain"),
        ([FIELD, "--camera", CAMERA, "--tone", "film", *ONE], "tone: expected one of linear, srgb"),
        ([FIELD, "--camera", CAMERA, "--vignetting", "cos3", *ONE], "vignetting: expected one of none, cos4, found"),
        ([FIELD, "--camera", CAMERA, "--margin-cells", "-1", *ONE], "margin_cells: expected 0 to 20, found -1"),
        ([FIELD, "--camera", CAMERA, "--light-gradient", "1.5", "1", *ONE], "light_gradient: expected changes of"),
        ([FIELD, "--camera", CAMERA, "--exposure-s", "-1", *ONE], "timing.exposure_s: expected seconds, 0 to 1"),
        ([FIELD, "--camera", CAMERA, "--focus", "0.001", "4", "2", "3", *ONE], "focus.distance_m: expected beyond"),
        ([FIELD, "--camera", CAMERA, "--sensor", "0", "5", "0.1", *ONE], "sensor.electrons_per_s: expected a number"),
        ([FIELD, "--camera", CAMERA, "--x-m", "5", "--y-m", "3", "--heading-deg", "0"], "obstacle 'dough table'"),
    ],
)
def test_mistakes_are_one_line_and_nothing_is_written(tmp_path, capsys, words, said):
    assert said in mistake(capsys, *words, "--out", tmp_path / "log")
    assert not (tmp_path / "log").exists()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("robot_x_m,robot_y_m\n1,2\n", "robot_heading_deg: expected this column"),
        ("robot_x_m,robot_y_m,robot_heading_deg\n1,2,3\n1,there,3\n", "row 3, robot_y_m: expected a number"),
        ("robot_x_m,robot_y_m,robot_heading_deg\n2,2,0\n5,3,0\n", "inside the obstacle 'dough table'"),
        ("robot_x_m,robot_y_m,robot_heading_deg\n", "expected at least one pose, found none"),
    ],
)
def test_mistakes_in_the_table_of_poses_name_the_place(tmp_path, capsys, text, said):
    poses = files.write_text(tmp_path / "poses.csv", text)
    line = mistake(capsys, FIELD, "--camera", CAMERA, "--poses", poses, "--out", tmp_path / "log")
    assert said in line
    assert "poses.csv" in line or "obstacle" in line
    assert not (tmp_path / "log").exists()
