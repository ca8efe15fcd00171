"""Robots on file: units, shared cameras, and one line with the place for each thing that is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from fiducialkit import FileFormatError, load_field, load_robot
from fiducialkit.scene.robot import Rig, Structure, Tool

SAMPLE = Path(__file__).parent.parent / "sample_data"
CAMERA = "width_px = 1280\nheight_px = 800\nhorizontal_fov_deg = 75.0\n"
ROBOT = """
name = "first"
length_unit = "m"
footprint = [0.8, 0.7]
[[mount]]
name = "low left"
camera = "cameras/höhe.toml"
position = [0.25, 0.30, 0.45]
yaw_deg = 25.0
tilt_deg = 5.0
roll_deg = -2.0
[[mount]]
name = "low right"
camera = "cameras/höhe.toml"
position = [0.26, -0.31, 0.46]
[[rig]]
name = "two low, turned out"
mounts = ["low left", "low right"]
[[structure]]
state = "arm raised"
corner_min = [0.0, -0.1, 0.31]
corner_max = [0.2, 0.1, 1.1]
raised_deg = 12.0
pivot = [0.0, 0.0, 0.32]
[[tool]]
side = "back"
position = [-0.55, 0.0, 0.9]
"""
LENGTHS = (
    "[0.8, 0.7]",
    "[0.25, 0.30, 0.45]",
    "[0.26, -0.31, 0.46]",
    "[0.0, -0.1, 0.31]",
    "[0.2, 0.1, 1.1]",
    "[0.0, 0.0, 0.32]",
    "[-0.55, 0.0, 0.9]",
)


def written(folder: Path, text: str, name: str = "robot.toml", camera: str = CAMERA) -> Path:
    path = folder / name
    (folder / "cameras").mkdir(parents=True, exist_ok=True)
    (folder / "cameras" / "höhe.toml").write_text(camera, encoding="utf-8")
    path.write_text(text, encoding="utf-8")
    return path


def refusal(path: Path) -> FileFormatError:
    with pytest.raises(FileFormatError) as caught:
        load_robot(path)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(caught.value.file)
    return caught.value


def test_every_key_arrives(tmp_path):
    robot = load_robot(written(tmp_path / "erster Entwurf", ROBOT))
    assert (robot.name, robot.footprint) == ("first", (0.8, 0.7))
    left, right = robot.mounts
    assert (left.name, left.position) == ("low left", (0.25, 0.30, 0.45))
    assert (left.yaw_deg, left.tilt_deg, left.roll_deg) == (25.0, 5.0, -2.0)
    assert (right.yaw_deg, right.tilt_deg, right.roll_deg) == (0.0, 0.0, 0.0)
    assert robot.rigs == (Rig(name="two low, turned out", mounts=("low left", "low right")),)
    assert robot.structures == (
        Structure(
            state="arm raised",
            corner_min=(0.0, -0.1, 0.31),
            corner_max=(0.2, 0.1, 1.1),
            raised_deg=12.0,
            pivot=(0.0, 0.0, 0.32),
        ),
    )
    assert robot.tools == (Tool(side="back", position=(-0.55, 0.0, 0.9)),)


def test_a_camera_costs_one_unless_the_file_says_otherwise(tmp_path):
    dear = load_robot(written(tmp_path, ROBOT.replace("tilt_deg = 5.0", "tilt_deg = 5.0\ncost = 80.0")))
    assert [mount.cost for mount in dear.mounts] == [80.0, 1.0]


def test_mounts_share_the_camera_they_name_alike(tmp_path):
    left, right = load_robot(written(tmp_path, ROBOT)).mounts
    assert left.camera is right.camera and left.camera.name == "höhe"


@pytest.mark.parametrize(("unit", "metres"), [("mm", 0.001), ("in", 0.0254)])
def test_the_same_robot_in_another_unit(tmp_path, unit, metres):
    text = ROBOT.replace('length_unit = "m"', f'length_unit = "{unit}"')
    for old in LENGTHS:
        assert text.count(old) == 1
        text = text.replace(old, "[" + ", ".join(repr(float(n) / metres) for n in old.strip("[]").split(",")) + "]")
    here, there = load_robot(written(tmp_path, ROBOT)), load_robot(written(tmp_path, text, "other.toml"))
    assert there.footprint == pytest.approx(here.footprint)
    assert [m.position for m in there.mounts] == [pytest.approx(m.position) for m in here.mounts]
    assert there.boxes("arm raised") == pytest.approx(here.boxes("arm raised"))
    assert there.tools[0].position == pytest.approx(here.tools[0].position)


@pytest.mark.parametrize(
    ("change", "where", "message"),
    [
        (('length_unit = "m"\n', ""), "length_unit", "expected this key, found none"),
        (("[0.8, 0.7]", "[31.5, 27.5]"), "footprint", "found 31.5 m; is length_unit right?"),
        (("[0.8, 0.7]", "[0.8, true]"), "footprint[1]", "found True"),
        (("yaw_deg = 25.0", 'yaw_deg = "25"'), "mount[0].yaw_deg", "found '25'"),
        (("yaw_deg = 25.0", "yaw_deg = inf"), "mount[0].yaw_deg", "finite"),
        (("tilt_deg = 5.0", "cost = -1.0"), "mount[0].cost", "expected 0 to 1e+09, found -1"),
        (("tilt_deg = 5.0", "pitch_deg = 5.0"), "mount[0].pitch_deg", "unknown key 'pitch_deg'"),
        (("tilt_deg = 5.0", "tilt_deg = 95.0"), "mount[0].tilt_deg", "expected -90 to 90, found 95"),
        (("[0.26, -0.31, 0.46]", "[0.26, -0.31]"), "mount[1].position", "expected more numbers"),
        (("[0.26, -0.31, 0.46]", "[10.2, -12.2, 18.1]"), "mount[1].position", "is length_unit right?"),
        (('name = "low right"', 'name = "low left"'), "mount[1].name", "found 'low left' twice"),
        (('["low left", "low right"]', '["low left", "high"]'), "rig[0].mounts", "found 'high'"),
        (('["low left", "low right"]', '"low left"'), "rig[0].mounts", "found 'low left'"),
        (('["low left", "low right"]', "[]"), "rig[0].mounts", "expected at least one mount"),
        (("[0.2, 0.1, 1.1]", "[0.2, -0.1, 1.1]"), "structure[0].corner_min", "expected y below"),
        (('side = "back"', 'side = "left"'), "tool[0].side", "'front' or 'back', found 'left'"),
        (("[[tool]]", "[[tools]]"), "tools", "did you mean 'tool'?"),
        (('camera = "cameras/höhe.toml"\n', ""), "mount[0].camera", "expected this key, found none"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(tmp_path, change, where, message):
    assert change[0] in ROBOT
    path = written(tmp_path, ROBOT.replace(*change, 1), "mein roboter.toml")
    error = refusal(path)
    assert (error.file, error.where) == (str(path), where)
    assert message in error.message


def test_a_camera_file_that_is_not_there_is_said_where_it_is_named(tmp_path):
    text = ROBOT.replace("cameras/höhe.toml", "cameras/none.toml").replace("none", "höhe", 1)
    path = written(tmp_path, text)
    error = refusal(path)
    assert (error.file, error.where) == (str(path), "mount[1].camera")
    assert error.message == "expected a file beside this one, found none at 'cameras/none.toml'"


@pytest.mark.parametrize(
    ("camera", "where", "message"),
    [
        (CAMERA + '[noise]\ndetector = "measured"\n', "noise.corner_sd_px", "expected with detector 'measured'"),
        (CAMERA.replace("height_px", "hieght_px"), "hieght_px", "did you mean 'height_px'?"),
        (CAMERA.replace("75.0", "190.0"), "horizontal_fov_deg", "190"),
        (ROBOT, "", "expected a camera file, found what looks like a robot file"),
        ("width_px = \n", "", "expected TOML"),
    ],
)
def test_an_error_in_a_camera_file_names_that_file(tmp_path, camera, where, message):
    error = refusal(written(tmp_path, ROBOT, camera=camera))
    assert error.file.endswith("höhe.toml") and error.where == where
    assert message in error.message


@pytest.mark.parametrize(
    ("name", "found"), [("field.toml", "field"), ("camera_wide.toml", "camera"), ("study.toml", "study")]
)
def test_a_file_of_another_kind_is_said_to_be_one(name, found):
    assert refusal(SAMPLE / name).message == f"expected a robot file, found what looks like a {found} file"


def test_the_sample_robot():
    robot = load_robot(SAMPLE / "robot.toml")
    assert len(robot.rigs) == 6 and {tool.side for tool in robot.tools} == {"front", "back"}
    assert robot.states == ("arm stowed", "arm raised", "arm reaching")
    for mount in robot.mounts:  # cameras sit on the robot
        assert abs(mount.position[0]) <= robot.footprint[0] / 2 and abs(mount.position[1]) <= robot.footprint[1] / 2


def test_the_sample_robot_stands_clear_of_the_walls_at_every_node():
    field, robot = load_field(SAMPLE / "field.toml"), load_robot(SAMPLE / "robot.toml")
    for node in field.nodes:  # headings there are along x, so the footprint's length is too
        for place, floor, side in zip(node.position, field.size, robot.footprint, strict=True):
            assert side / 2.0 < place < floor - side / 2.0, node.name
