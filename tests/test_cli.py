"""The command line: what it writes, what it prints, and that every mistake is one line and exit status 2."""

import json
import math
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import cv2
import numpy as np
import pytest

from fiducialkit import draw_marker, files, load_camera, load_field, load_robot
from fiducialkit.cli import show as show_command
from fiducialkit.cli.console import say
from fiducialkit.cli.main import main
from fiducialkit.cli.result_tables import CORNERS, PICTURES, POSES
from fiducialkit.scene.transforms import field_from_robot_on_floor, parts
from fiducialkit.tables import unstack_covariance

FIELD = """
name = "Caf\u00e9 hall"
length_unit = "m"
size = [6.0, 4.0]
family = "36h11"
marker_size = 0.2
[[marker]]
id = 4
position = [0.0, 1.0, 0.45]
facing_deg = 0.0
[[marker]]
id = 7
position = [0.0, 1.6, 0.6]
facing_deg = 0.0
tilt_deg = 10.0
[[marker]]
id = 11
position = [0.3, 2.2, 0.5]
facing_deg = -35.0
[[node]]
name = "oven 1"
position = [0.75, 1.2]
heading_deg = 180.0
tolerance_along = 0.04
tolerance_across = 0.03
tolerance_heading_deg = 2.0
"""
CAMERA = """
name = "front"
width_px = 1280
height_px = 800
horizontal_fov_deg = 75.0
"""
ROBOT = """
name = "Crumb"
length_unit = "m"
footprint = [0.8, 0.7]
[[mount]]
name = "low"
camera = "camera.toml"
position = [0.25, 0.1, 0.45]
yaw_deg = 5.0
tilt_deg = 4.0
[[mount]]
name = "high"
camera = "camera.toml"
position = [0.0, 0.0, 0.9]
tilt_deg = -15.0
[[rig]]
name = "one low"
mounts = ["low"]
[[rig]]
name = "one high"
mounts = ["high"]
[[tool]]
side = "front"
position = [0.5, 0.0, 0.8]
"""
STUDY = """
name = "Two rigs"
field = "field.toml"
robot = "robot.toml"
[floor]
step_m = 1.0
headings = 4
"""
ROBOT_POSE = (2.4, 1.5, 178.0)  # x, y in metres, heading in degrees


@pytest.fixture
def hall(tmp_path) -> Path:
    """Return a folder with an accent and a space in its name that holds the four files."""
    folder = tmp_path / "caf\u00e9 hall"
    for name, text in (("field", FIELD), ("camera", CAMERA), ("robot", ROBOT), ("study", STUDY)):
        files.write_text(folder / f"{name}.toml", text)
    return folder


@pytest.fixture(scope="session")
def scene(tmp_path_factory) -> bytes:
    """Return a picture of the hall from the mount "low", made with OpenCV's own projection and warping."""
    folder = tmp_path_factory.mktemp("scene")
    for name, text in (("field", FIELD), ("camera", CAMERA), ("robot", ROBOT)):
        files.write_text(folder / f"{name}.toml", text)
    field, camera = load_field(folder / "field.toml"), load_camera(folder / "camera.toml")
    mount = load_robot(folder / "robot.toml").mount("low")
    camera_from_field = (field_from_robot_on_floor(*ROBOT_POSE) * mount.robot_from_camera).inv()
    rotation, translation = parts(camera_from_field)
    rvec, tvec = cv2.Rodrigues(rotation)[0], translation.reshape(3, 1)
    matrix = np.array([[camera.fx_px, 0, camera.cx_px], [0, camera.fy_px, camera.cy_px], [0, 0, 1.0]])
    finer = 4
    canvas = np.full((camera.height_px * finer, camera.width_px * finer), 120, dtype=np.uint8)
    for marker in field.markers:
        art = draw_marker("36h11", marker.marker_id, cell_px=20, margin_cells=2)
        edge, black = art.shape[0] / 20, 8.0  # cells
        corners = marker.corners_field.mean(axis=0) + (marker.corners_field - marker.corners_field.mean(axis=0)) * (
            edge / black
        )
        pixels = cv2.projectPoints(np.ascontiguousarray(corners), rvec, tvec, matrix, None)[0].reshape(4, 2)
        source = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * art.shape[0] - 0.5  # outer edges, pixel centres whole
        target = (pixels + 0.5) * finer - 0.5
        warp = cv2.getPerspectiveTransform(source.astype(np.float32), target.astype(np.float32))
        size = (canvas.shape[1], canvas.shape[0])
        warped = cv2.warpPerspective(art, warp, size)
        inside = cv2.warpPerspective(np.full_like(art, 255), warp, size) > 127
        canvas[inside] = warped[inside]
    picture = cv2.resize(canvas, (camera.width_px, camera.height_px), interpolation=cv2.INTER_AREA)
    return cv2.imencode(".png", cv2.GaussianBlur(picture, (0, 0), 0.6))[1].tobytes()


@pytest.fixture
def pictures(hall, scene) -> Path:
    """Return a folder with one good picture."""
    folder = hall / "pictures d'\u00e9t\u00e9"
    files.write_bytes(folder / "first.png", scene)
    return folder


def run(*words) -> int:
    return main([str(word) for word in words])


def mistake(capsys, *words) -> str:
    """Return the one line on stderr of a call that must be refused."""
    assert run(*words) == 2
    captured = capsys.readouterr()
    assert captured.err.endswith("\n") and captured.err.count("\n") == 1, captured.err
    assert captured.err.startswith("fiducialkit: error: ")
    return captured.err.strip()


def process(*words, **environment) -> subprocess.CompletedProcess:
    settings = {name: value for name, value in os.environ.items() if not name.startswith(("LC_", "LANG", "PYTHON"))}
    return subprocess.run(
        [sys.executable, "-m", "fiducialkit", *map(str, words)],
        capture_output=True,
        env=settings | environment,
        check=False,
    )


# --- the shell itself ----------------------------------------------------------------------------------------------


def test_help_and_version_answer_and_are_ascii():
    for words in (["--help"], ["--version"], ["compare", "--help"]):
        done = process(*words)
        assert done.returncode == 0 and done.stderr == b""
        done.stdout.decode("ascii")
    assert process("--version").stdout.decode().split() == ["fiducialkit", "0.1.0"]


def test_help_loads_no_room():
    heavy = "numpy", "pandas", "scipy", "cv2", "matplotlib", "numba"  # typer itself loads pydantic
    code = (
        "import sys, contextlib, io\nfrom fiducialkit.cli.main import main\n"
        "with contextlib.redirect_stdout(io.StringIO()): assert main(['solve', '--help']) == 0\n"
        f"loaded = [name for name in {heavy} if name in sys.modules]\nassert not loaded, loaded"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_every_command_is_listed_and_completion_is_not(capsys):
    assert run("--help") == 0
    text = capsys.readouterr().out
    for name in ("new", "show", "compare", "detect", "solve", "render"):
        assert f"\n  {name} " in text
    assert "completion" not in text
    assert max(map(len, text.splitlines())) <= 100


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], ["command", "--help"]),
        (["compere"], ["compere", "--help"]),
        (["compare"], ["STUDY", "fiducialkit compare --help"]),
        (["compare", "study.toml"], ["--out", "fiducialkit compare --help"]),
        (["compare", "study.toml", "--uot", "x"], ["--uot", "fiducialkit compare --help"]),
        (
            ["solve", "a.png", "--field", "f.toml", "--out", "x", "--heading-deg", "east"],
            ["--heading-deg", "solve --help"],
        ),
    ],
)
def test_a_wrong_call_is_one_line_that_names_the_word_and_the_help(capsys, words, said):
    line = mistake(capsys, *words)
    for part in said:
        assert part in line


def test_mistakes_are_one_line_in_a_real_process_too(tmp_path):
    done = process("compare", tmp_path / "no such file.toml", "--out", tmp_path / "out")
    assert done.returncode == 2 and done.stdout == b""
    assert done.stderr.count(b"\n") == 1 and b"no such file.toml: expected a file, found none" in done.stderr
    assert not (tmp_path / "out").exists()


def test_stopping_ends_with_130_and_one_line(capsys, hall, monkeypatch):
    def stopped(path):
        raise KeyboardInterrupt

    monkeypatch.setattr(show_command, "kind_of_file", stopped)
    assert run("show", hall / "field.toml", "--out", hall / "out") == 130
    assert capsys.readouterr().err.strip() == "fiducialkit: stopped"
    assert not (hall / "out").exists()


def test_an_operating_system_error_is_one_line(capsys, hall, monkeypatch):
    def full(path, content):
        raise OSError(28, "No space left on device", str(path))

    monkeypatch.setattr(files, "write_bytes", full)
    line = mistake(capsys, "show", hall / "camera.toml", "--out", hall / "out")
    assert "No space left on device" in line and "camera_lens.png" in line


@pytest.mark.parametrize("command", ["show", "compare", "detect", "solve", "new"])
def test_an_output_folder_that_cannot_be_is_refused_before_the_work(capsys, hall, pictures, command):
    taken = files.write_text(hall / "taken", "mine")
    words = {
        "show": ["show", hall / "field.toml", "--out", taken],
        "compare": ["compare", hall / "study.toml", "--out", taken],
        "detect": ["detect", pictures, "--out", taken / "below"],
        "solve": ["solve", pictures, "--field", hall / "field.toml", "--camera", hall / "camera.toml", "--out", taken],
        "new": ["new", taken],
    }[command]
    assert "found the file" in mistake(capsys, *words)
    assert taken.read_text(encoding="utf-8") == "mine"


# --- show ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "pictures_named", "said"),
    [
        ("field", ["field_from_above.png"], "3 markers of APRILTAG_36h11, 1 nodes, 0 obstacles"),
        ("camera", ["camera_lens.png"], "1280 x 800 px, brown lens, sees 75.0 x 51.2 deg"),
        ("robot", ["robot.png", "robot_rig_1_one_low.png", "robot_rig_2_one_high.png"], "2 mounts, 2 rigs"),
        (
            "study",
            [
                "study_field_from_above.png",
                "study_lens_1_front.png",
                "study_robot.png",
                "study_robot_rig_1_one_low.png",
                "study_robot_rig_2_one_high.png",
            ],
            "robot 'Crumb', 0.8 x 0.7 m",
        ),
    ],
)
def test_show_recognises_each_file_and_prints_a_line_a_picture(capsys, hall, name, pictures_named, said):
    out = hall / "drawn here"
    assert run("show", hall / f"{name}.toml", "--out", out) == 0
    assert sorted(path.name for path in out.iterdir()) == sorted(pictures_named)
    text = " ".join(capsys.readouterr().out.split())
    assert said in text
    for path in out.iterdir():
        assert cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR).shape[1] > 800
        assert path.name in text


def test_show_reads_a_calibrations_json(hall, capsys):
    keys = tomllib.loads(CAMERA)
    files.write_json(hall / "lens.json", {"camera": keys, "covariance": [[1.0]]})
    assert run("show", hall / "lens.json", "--out", hall / "out") == 0
    assert (hall / "out" / "lens_lens.png").is_file()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("tilt_deg", "tilt_dge"), ["field.toml", "marker[1]", "tilt_dge", "tilt_deg"]),
        (("[0.0, 1.0, 0.45]", "[9.0, 1.0, 0.45]"), ["field.toml", "marker[0].position", "9"]),
        (("size = [6.0, 4.0]", "size = [236.0, 157.0]"), ["field.toml", "size", "length_unit"]),
        (('"m"', '"m'), ["field.toml", "TOML"]),
    ],
)
def test_show_names_file_and_field_of_a_mistake(capsys, hall, change, said):
    files.write_text(hall / "field.toml", FIELD.replace(*change))
    line = mistake(capsys, "show", hall / "field.toml", "--out", hall / "out")
    for part in said:
        assert part in line
    assert not (hall / "out").exists()


def test_show_says_what_it_expected_of_an_unknown_file(capsys, hall):
    files.write_text(hall / "other.toml", "colour = 'red'\n")
    line = mistake(capsys, "show", hall / "other.toml", "--out", hall / "out")
    assert "expected the keys of a field, camera, robot or study, found colour" in line


def test_a_console_of_plain_ascii_survives_accents(hall):
    done = process("show", hall / "field.toml", "--out", hall / "out", PYTHONIOENCODING="ascii", LC_ALL="C")
    assert done.returncode == 0, done.stderr
    assert done.stderr == b""
    assert b"Caf\\xe9 hall" in done.stdout
    done.stdout.decode("ascii")


# --- compare -------------------------------------------------------------------------------------------------------


def test_compare_prints_the_ranking_and_writes_the_page(capsys, hall):
    out = hall / "r\u00e9sultats"
    assert run("compare", hall / "study.toml", "--out", out) == 0
    captured = capsys.readouterr()
    assert captured.err == ""
    assert max(map(len, captured.out.replace(str(out), "").splitlines())) <= 100
    ranked = files.read_csv(out / "rigs.csv")
    assert ranked["rank"].tolist() == [1, 2]
    lines = captured.out.splitlines()
    assert lines[0].split()[:2] == ["rank", "rig"]
    for line, rig in zip(lines[2:4], ranked["rig"], strict=True):
        assert rig in line
    assert "Detector assumed on the robot:" in captured.out
    assert str(out / "comparison.html") in captured.out
    assert (out / "comparison.html").is_file()


def test_compare_says_when_no_rig_sees_anything_and_ends_with_1(capsys, hall):
    files.write_text(hall / "robot.toml", ROBOT.replace("tilt_deg = 4.0", "tilt_deg = 88.0").replace("-15.0", "88.0"))
    assert run("compare", hall / "study.toml", "--out", hall / "out") == 1
    assert "No rig sees a marker" in capsys.readouterr().out
    assert (hall / "out" / "comparison.html").is_file()


def test_compare_refuses_a_study_with_a_typo_before_it_writes(capsys, hall):
    files.write_text(hall / "study.toml", STUDY.replace("headings", "headigns"))
    line = mistake(capsys, "compare", hall / "study.toml", "--out", hall / "out")
    assert "study.toml" in line and "headigns" in line and "headings" in line
    assert not (hall / "out").exists()


# --- detect --------------------------------------------------------------------------------------------------------


def test_detect_writes_corners_pictures_and_marked_copies(capsys, hall, pictures):
    out = hall / "seen"
    assert run("detect", pictures, "--out", out) == 0
    corners = CORNERS.checked(files.read_csv(out / "corners.csv"))
    assert list(corners.columns)[:2] == ["file", "marker_id"]
    assert sorted(corners["marker_id"]) == [4, 7, 11]
    seen = PICTURES.checked(files.read_csv(out / "pictures.csv"))
    row = seen.iloc[0]
    assert (row["file"], row["status"], row["markers"]) == ("first.png", "ok", 3)
    assert (row["width_px"], row["height_px"]) == (1280, 800)
    marked = cv2.imdecode(np.frombuffer((out / "marked" / "first.png").read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    assert marked.shape == (800, 1280, 3)
    colours = np.ptp(marked.astype(np.int64), axis=2)
    assert (colours > 50).sum() > 500  # outlines in colour on a grey picture
    first = corners.iloc[0]
    spot = marked[round(first["corner_0_y_px"]), round(first["corner_0_x_px"])].astype(np.int64)
    assert spot.max() - spot.min() > 50  # the first corner carries its dot
    assert "3 markers of APRILTAG_36h11 in 1 of 1 pictures" in capsys.readouterr().out.replace("\n", " ")


def test_detect_takes_the_family_from_a_field(hall, pictures):
    files.write_text(hall / "other.toml", FIELD.replace('"36h11"', '"25h9"'))
    assert run("detect", pictures, "--field", hall / "other.toml", "--out", hall / "out") == 1  # none of that family


def test_detect_says_which_markers_are_not_on_the_field_and_which_ids_come_twice(capsys, hall):
    """Markers 7 and 7 and 40 drawn flat; the field has 4, 7 and 11."""
    sheet = np.full((800, 1280), 200, dtype=np.uint8)
    for place, marker_id in ((100, 7), (500, 7), (900, 40)):
        sheet[300:500, place : place + 200] = draw_marker("36h11", marker_id, cell_px=20, margin_cells=1)
    path = files.write_bytes(hall / "strange.png", cv2.imencode(".png", sheet)[1].tobytes())
    assert run("detect", path, "--field", hall / "field.toml", "--out", hall / "out") == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "an id seen more than once in 1 of 1 pictures" in said
    assert "not on the field: 40" in said
    corners = CORNERS.checked(files.read_csv(hall / "out" / "corners.csv"))
    is_strange = corners["note"].str.contains("not on the field")
    assert corners["marker_id"][is_strange].tolist() == [40]
    assert corners["note"].str.contains("more than once").tolist() == [True, True, False]
    assert "not on the field: 40" in files.read_csv(hall / "out" / "pictures.csv")["message"][0]


def test_preset_s_help_lists_the_names(capsys):
    assert run("detect", "--help") == 0
    said = " ".join(capsys.readouterr().out.replace("|", " ").split())
    assert "full range" in said and "quick look" in said


def test_detect_without_any_marker_ends_with_1_and_still_says_so(capsys, hall):
    blank = files.write_bytes(hall / "blank.png", cv2.imencode(".png", np.full((200, 300), 90, np.uint8))[1].tobytes())
    assert run("detect", blank, "--out", hall / "out") == 1
    assert PICTURES.checked(files.read_csv(hall / "out" / "pictures.csv"))["status"].tolist() == ["no_markers"]
    assert len(files.read_csv(hall / "out" / "corners.csv")) == 0
    assert "0 markers" in capsys.readouterr().out


@pytest.mark.parametrize("command", ["detect", "solve"])
@pytest.mark.parametrize("content", [b"this is no picture", b"", None], ids=["text", "empty", "half a JPEG"])
def test_a_named_file_that_is_no_picture_stops_everything(capsys, hall, pictures, scene, command, content):
    if content is None:
        image = cv2.imdecode(np.frombuffer(scene, np.uint8), cv2.IMREAD_GRAYSCALE)
        whole = cv2.imencode(".jpg", image)[1].tobytes()
        content = whole[: len(whole) // 2]
    bad = files.write_bytes(hall / "bad.jpg", content)
    words = [command, pictures / "first.png", bad, "--out", hall / "out"]
    if command == "solve":
        words += ["--field", hall / "field.toml", "--camera", hall / "camera.toml"]
    assert "bad.jpg: expected" in mistake(capsys, *words)
    assert not (hall / "out").exists()


def test_decoders_do_not_add_lines_of_their_own(hall, scene):
    bad = files.write_bytes(hall / "half.png", scene[: len(scene) // 2])
    done = process("detect", bad, "--out", hall / "out")
    assert done.returncode == 2 and done.stderr.count(b"\n") == 1, done.stderr


def test_a_damaged_picture_in_a_folder_is_noted_and_the_rest_goes_on(capsys, hall, pictures, scene):
    files.write_bytes(pictures / "damaged.png", scene[: len(scene) // 2])
    files.write_text(pictures / "notes.txt", "not a picture, and not asked for")
    out = hall / "out"
    assert run("detect", pictures, "--out", out) == 0
    seen = PICTURES.checked(files.read_csv(out / "pictures.csv")).set_index("file")
    assert seen["status"].to_dict() == {"damaged.png": "unreadable", "first.png": "ok"}
    assert "1 unreadable" in capsys.readouterr().out
    words = ["solve", pictures, "--field", hall / "field.toml", "--camera", hall / "camera.toml", "--out", out]
    assert run(*words) == 0
    poses = POSES.checked(files.read_csv(out / "poses.csv")).set_index("file")
    assert poses.loc["damaged.png", "status"] == "unreadable"
    assert math.isnan(poses.loc["damaged.png", "robot_x_m"]) and poses.loc["first.png", "status"] == "ok"


def test_pictures_of_one_name_in_two_folders_stay_apart(hall, scene):
    for name in ("left", "right"):
        files.write_bytes(hall / name / "1.png", scene)
    assert run("detect", hall / "left", hall / "right", "--out", hall / "out") == 0
    seen = files.read_csv(hall / "out" / "pictures.csv")
    assert seen["file"].tolist() == ["left/1.png", "right/1.png"]
    assert sorted(path.name for path in (hall / "out" / "marked").iterdir()) == ["left_1.png", "right_1.png"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["detect", "{hall}/nothing.png"], "nothing.png: expected a picture or a folder of pictures, found none"),
        (["detect", "{hall}/empty"], "expected pictures"),
        (["detect", "{pictures}", "--family", "35h9"], "35h9"),
        (["detect", "{pictures}", "--family", "36h11", "--field", "{hall}/field.toml"], "expected one of the two"),
    ],
)
def test_detect_refuses(capsys, hall, pictures, words, said):
    (hall / "empty").mkdir()
    line = mistake(capsys, *(word.format(hall=hall, pictures=pictures) for word in words), "--out", hall / "out")
    assert said in line
    assert not (hall / "out").exists()


def test_detect_refuses_pictures_the_camera_cannot_have_taken(capsys, hall, pictures):
    files.write_text(hall / "tall.toml", CAMERA.replace("800", "1600"))
    line = mistake(capsys, "detect", pictures, "--camera", hall / "tall.toml", "--out", hall / "out")
    assert "first.png" in line and "1280x1600" in line and "1280x800" in line
    assert not (hall / "out").exists()


def test_what_is_odd_about_a_marker_is_said(capsys, hall):
    one = draw_marker("36h11", 7, cell_px=12, margin_cells=3)
    path = files.write_bytes(hall / "twice.png", cv2.imencode(".png", np.hstack([one, one]))[1].tobytes())
    assert run("detect", path, "--out", hall / "out") == 0
    row = PICTURES.checked(files.read_csv(hall / "out" / "pictures.csv")).iloc[0]
    assert row["message"].startswith("marker 7: ") and "more than once" in row["message"]
    assert "marker 7:" in capsys.readouterr().out


# --- solve ---------------------------------------------------------------------------------------------------------


def solved(hall, *words):
    out = hall / "solved"
    assert run("solve", *words, "--field", hall / "field.toml", "--out", out) == 0
    return POSES.checked(files.read_csv(out / "poses.csv"))


def test_solve_finds_the_robot_where_it_stood(capsys, hall, pictures):
    poses = solved(hall, pictures, "--robot", hall / "robot.toml", "--mount", "low")
    row = poses.iloc[0]
    assert (
        row["status"] == "ok" and row["pose_of"] == "robot" and sorted(row["markers_used"].split()) == ["11", "4", "7"]
    )
    # stock corners are off by about 0.2 px of 835 px focal length: some millimetres at 2 m
    assert (row["robot_x_m"], row["robot_y_m"]) == pytest.approx(ROBOT_POSE[:2], abs=0.02)
    assert row["robot_z_m"] == pytest.approx(0.0, abs=0.02)
    assert row["robot_heading_deg"] == pytest.approx(ROBOT_POSE[2], abs=0.5)
    quaternion = [row[f"robot_q{part}"] for part in "wxyz"]
    assert np.linalg.norm(quaternion) == pytest.approx(1.0, abs=1e-8)
    # a turn of 178 degrees about z: (cos 89, 0, 0, sin 89)
    assert abs(quaternion[3]) == pytest.approx(math.sin(math.radians(89.0)), abs=1e-3)
    covariance = unstack_covariance("pose_covariance", poses, 6)[0]
    assert (np.linalg.eigvalsh(covariance) > 0.0).all()
    assert 0.0 < row["rms_px"] < 0.6
    assert "1 poses of the robot (mount 'low') from 1 pictures" in capsys.readouterr().out.replace("\n", " ")


def test_solve_without_a_robot_gives_the_camera_and_says_so(capsys, hall, pictures):
    poses = solved(hall, pictures, "--camera", hall / "camera.toml")
    row = poses.iloc[0]
    assert row["pose_of"] == "camera"
    mount = load_robot(hall / "robot.toml").mount("low")
    true_field_from_camera = field_from_robot_on_floor(*ROBOT_POSE) * mount.robot_from_camera
    np.testing.assert_allclose(
        [row["robot_x_m"], row["robot_y_m"], row["robot_z_m"]], parts(true_field_from_camera)[1], atol=0.02
    )
    turned = math.remainder(row["robot_heading_deg"] - (ROBOT_POSE[2] + 5.0), 360.0)  # the mount's yaw
    assert abs(turned) < 0.5
    assert "CAMERA itself" in capsys.readouterr().out


def test_solve_of_detects_table_is_the_same_as_of_the_pictures(hall, pictures):
    words = ["--robot", hall / "robot.toml", "--mount", "low"]
    blank = cv2.imencode(".png", np.full((800, 1280), 90, np.uint8))[1].tobytes()
    files.write_bytes(pictures / "blank.png", blank)
    direct = solved(hall, pictures, *words)
    assert run("detect", pictures, "--out", hall / "seen", "--camera", hall / "camera.toml") == 0
    by_table = solved(hall, hall / "seen" / "corners.csv", *words)
    assert by_table["file"].tolist() == direct["file"].tolist() == ["blank.png", "first.png"]
    assert by_table["status"].tolist() == ["no_markers", "ok"]
    numbers = ["robot_x_m", "robot_y_m", "robot_heading_deg", "rms_px", "flip_probability"]
    np.testing.assert_allclose(by_table[numbers].iloc[1], direct[numbers].iloc[1], rtol=1e-5)  # a CSV keeps nine digits


def test_what_is_known_of_floor_and_heading_tightens_the_pose(hall, pictures):
    words = [pictures, "--robot", hall / "robot.toml", "--mount", "low"]
    free = solved(hall, *words).iloc[0]
    floor = solved(hall, *words, "--on-floor", "--heading-deg", 178.0, "--heading-sd-deg", 0.05).iloc[0]
    assert floor["pose_covariance_22"] < free["pose_covariance_22"]
    assert math.sqrt(floor["pose_covariance_55"]) <= math.radians(0.05)
    assert floor["robot_heading_deg"] == pytest.approx(178.0, abs=0.1)


def test_a_picture_of_another_size_is_scaled_and_one_of_another_shape_refused(capsys, hall, scene):
    image = cv2.imdecode(np.frombuffer(scene, np.uint8), cv2.IMREAD_GRAYSCALE)
    half = cv2.resize(image, (640, 400), interpolation=cv2.INTER_AREA)
    small = files.write_bytes(hall / "small.png", cv2.imencode(".png", half)[1].tobytes())
    row = solved(hall, small, "--robot", hall / "robot.toml", "--mount", "low").iloc[0]
    assert (row["robot_x_m"], row["robot_y_m"]) == pytest.approx(ROBOT_POSE[:2], abs=0.05)
    assert "scaled from 1280x800 to 640x400" in row["message"]
    cut = files.write_bytes(hall / "cut.png", cv2.imencode(".png", image[:, :900])[1].tobytes())
    words = ["solve", cut, "--field", hall / "field.toml", "--camera", hall / "camera.toml", "--out", hall / "out"]
    line = mistake(capsys, *words)
    assert "cut.png" in line and "900x800" in line
    assert not (hall / "out").exists()


def test_solve_without_any_pose_ends_with_1_and_keeps_the_table(capsys, hall, pictures):
    files.write_text(hall / "field.toml", FIELD.replace("id = 4", "id = 104").replace("id = 7", "id = 107"))
    text = (hall / "field.toml").read_text(encoding="utf-8").replace("id = 11", "id = 111")
    files.write_text(hall / "field.toml", text)
    words = ["--field", hall / "field.toml", "--camera", hall / "camera.toml", "--out", hall / "out"]
    assert run("solve", pictures, *words) == 1
    row = POSES.checked(files.read_csv(hall / "out" / "poses.csv")).iloc[0]
    assert row["status"] == "no_known_markers" and "not on the field" in row["markers_rejected"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "--camera: expected a camera file"),
        (["--camera", "{hall}/camera.toml", "--on-floor"], "--on-floor: expected --robot"),
        (["--camera", "{hall}/camera.toml", "--mount", "low"], "--mount: expected --robot"),
        (["--robot", "{hall}/robot.toml"], "--mount: expected one of 'low', 'high', found none"),
        (["--robot", "{hall}/robot.toml", "--mount", "top"], "expected one of 'low', 'high', found 'top'"),
        (["--camera", "{hall}/camera.toml", "--heading-deg", "5"], "expected both or none"),
        (["--camera", "{hall}/camera.toml", "--heading-deg", "5", "--heading-sd-deg", "0"], "--heading-sd-deg"),
        (["--camera", "{hall}/field.toml"], "field.toml"),
        (["--camera", "{hall}/none.toml"], "none.toml: expected a file"),
    ],
)
def test_solve_refuses(capsys, hall, pictures, words, said):
    options = [word.format(hall=hall) for word in words]
    line = mistake(capsys, "solve", pictures, "--field", hall / "field.toml", "--out", hall / "out", *options)
    assert said in line
    assert not (hall / "out").exists()


def test_a_table_that_is_not_detects_is_refused(capsys, hall):
    table = files.write_text(hall / "corners.csv", "file,marker_id\na.png,4\n")
    words = ["--field", hall / "field.toml", "--camera", hall / "camera.toml", "--out", hall / "out"]
    line = mistake(capsys, "solve", table, *words)
    assert "corners.csv" in line and "corner_0_x_px" in line


# --- new -----------------------------------------------------------------------------------------------------------


def test_new_writes_a_starter_that_show_and_compare_accept(capsys, tmp_path):
    folder = tmp_path / "mon premi\u00e8re"
    assert run("new", folder) == 0
    studies = list(folder.glob("study*.toml"))
    assert len(studies) == 1
    assert run("show", studies[0], "--out", tmp_path / "drawn") == 0
    assert str(studies[0].name) in capsys.readouterr().out


def test_new_takes_markers_from_a_table_with_other_column_names(tmp_path):
    rows = "5;0;1500;450;0", "6;0;3000;450;0", "9;6000;1200;450;180", "12;3000;4000;450;270"
    table = files.write_text(tmp_path / "my list.csv", "\n".join(["number;x;y;z;facing_deg", *rows]))
    words = ["--markers", table, "--column", "id=number", "--length-unit", "mm", "--marker-size", 160]
    assert run("new", tmp_path / "folder", *words) == 0
    field = load_field(tmp_path / "folder" / "field.toml")
    assert [marker.marker_id for marker in field.markers] == [5, 6, 9, 12]
    assert field.marker(9).position == pytest.approx((6.0, 1.2, 0.45))
    assert field.marker(9).size_m == pytest.approx(0.16)
    assert run("compare", tmp_path / "folder" / "study.toml", "--out", tmp_path / "out") == 0


@pytest.mark.parametrize(
    ("given", "said"),
    [("id", "expected KEY=NAME, found 'id'"), ("=number", "expected KEY=NAME"), ("id=", "expected KEY=NAME")],
)
def test_new_refuses_a_column_that_is_no_pair(capsys, tmp_path, given, said):
    assert said in mistake(capsys, "new", tmp_path / "folder", "--column", given)
    assert not (tmp_path / "folder").exists()


def test_new_refuses_a_key_named_twice(capsys, tmp_path):
    line = mistake(capsys, "new", tmp_path / "folder", "--column", "id=a", "--column", "id=b")
    assert "found 'id' twice" in line


def test_json_of_the_wrong_kind_is_one_line(capsys, tmp_path):
    path = files.write_text(tmp_path / "x.json", json.dumps([1, 2]))
    assert "expected the keys of" in mistake(capsys, "show", path, "--out", tmp_path / "out")


def test_numbers_stay_beside_their_units_at_the_end_of_a_line(capsys):
    for letters in range(90, 100):
        say("x" * letters + " +-15 mm (95 %) against", indent="  ")
    printed = capsys.readouterr().out
    assert printed.isascii() and max(map(len, printed.splitlines())) <= 100
    assert printed.count("+-15 mm") == printed.count("(95 %)") == 10
