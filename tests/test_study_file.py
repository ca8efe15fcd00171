"""Studies and their files: what arrives, what is refused, and where the blame goes."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

import numpy as np
import pytest

from fiducialkit import FileFormatError, InputError, Study, load_study
from fiducialkit.planning.study import (
    LARGEST_FLOOR_POSES,
    Approach,
    BuildTolerance,
    FloorGrid,
    FloorPrior,
    Odometry,
    OtherRobots,
)
from fiducialkit.scene.field import Field
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.robot import Rig

FIELD = """
name = "Bakery"
length_unit = "m"
size = [6.0, 4.0]
family = "36h11"
marker_size = 0.15
[[marker]]
id = 4
position = [0.0, 1.2, 0.45]
facing_deg = 0.0
"""
CAMERA = "width_px = 1280\nheight_px = 800\nhorizontal_fov_deg = 75.0\n"
ROBOT = """
length_unit = "m"
footprint = [0.8, 0.7]
[[mount]]
name = "low"
camera = "camera.toml"
position = [0.25, 0.3, 0.45]
[[mount]]
name = "high"
camera = "camera.toml"
position = [0.0, 0.0, 1.1]
[[rig]]
name = "one low"
mounts = ["low"]
[[rig]]
name = "both"
mounts = ["low", "high"]
[[structure]]
state = "always"
corner_min = [-0.1, -0.1, 0.0]
corner_max = [0.1, 0.1, 0.9]
[[structure]]
state = "arm down"
corner_min = [0.2, -0.1, 0.1]
corner_max = [0.5, 0.1, 0.2]
[[structure]]
state = "arm up"
corner_min = [0.2, -0.1, 0.5]
corner_max = [0.5, 0.1, 0.8]
[[tool]]
side = "back"
position = [-0.5, 0.0, 0.5]
[[tool]]
side = "front"
position = [0.5, 0.02, 0.5]
"""
STUDY = 'field = "field.toml"\nrobot = "robot.toml"\n'
FULL = """
name = "First try"
field = "field.toml"
robot = "robot.toml"
rigs = ["both"]
states = ["arm up"]
[approach]
distance_m = 1.25
speed_m_per_s = 2.5
[floor]
step_m = 0.5
headings = 12
[prior]
height_sd_m = 0.02
level_sd_deg = 0.75
heading_sd_deg = 1.5
[tolerance]
mount_sd_m = 0.004
mount_sd_deg = 0.4
marker_sd_m = 0.006
marker_sd_deg = 0.7
focal_sd_percent = 0.3
time_sd_s = 0.007
[odometry]
distance_sd_percent = 3.0
heading_sd_deg_per_s = 0.06
[other_robots]
per_m2 = 0.02
length_m = 0.9
width_m = 0.7
height_m = 1.1
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "étude d'été"
    place.mkdir()
    for name, text in (("field", FIELD), ("camera", CAMERA), ("robot", ROBOT), ("study", STUDY)):
        (place / f"{name}.toml").write_text(text, encoding="utf-8")
    return place


def study_of(folder: Path, text: str) -> Study:
    (folder / "study.toml").write_text(text, encoding="utf-8")
    return load_study(folder / "study.toml")


def refusal(folder: Path, text: str) -> FileFormatError:
    """Return the error of a study of that text, which is one line that begins with the file and the field."""
    with pytest.raises(FileFormatError) as caught:
        study_of(folder, text)
    line = str(caught.value)
    assert len(line.splitlines()) == 1
    assert line.startswith(f"{caught.value.file}: {caught.value.where}")
    return caught.value


# --- what arrives ----------------------------------------------------------------------------------------------------


def test_every_key_arrives(folder: Path) -> None:
    study = study_of(folder, FULL)
    assert study.name == "First try"
    assert [rig.name for rig in study.rigs] == ["both"]
    assert study.states == ("arm up",)
    assert study.approach == Approach(distance_m=1.25, speed_m_per_s=2.5)
    assert study.floor == FloorGrid(step_m=0.5, headings=12)
    assert study.prior == FloorPrior(height_sd_m=0.02, level_sd_deg=0.75, heading_sd_deg=1.5)
    assert study.tolerance == BuildTolerance(
        mount_sd_m=0.004, mount_sd_deg=0.4, marker_sd_m=0.006, marker_sd_deg=0.7, focal_sd_percent=0.3, time_sd_s=0.007
    )
    assert study.odometry == Odometry(distance_sd_percent=3.0, heading_sd_deg_per_s=0.06)
    assert study.other_robots == OtherRobots(per_m2=0.02, length_m=0.9, width_m=0.7, height_m=1.1)
    assert (study.field.name, study.robot.footprint) == ("Bakery", (0.8, 0.7))


def test_left_out_keys_take_the_documented_defaults_and_no_names_mean_all(folder: Path) -> None:
    for text in (STUDY, STUDY + "rigs = []\nstates = []\n"):
        study = study_of(folder, text)
        assert study.name == "study"
        assert [rig.name for rig in study.rigs] == ["one low", "both"]
        assert study.states == ("arm down", "arm up")
        # the figures of the project's list of file keys
        assert study.approach == Approach(distance_m=1.5, speed_m_per_s=1.5)
        assert study.floor == FloorGrid(step_m=0.25, headings=16)
        assert study.prior == FloorPrior(height_sd_m=0.01, level_sd_deg=0.5, heading_sd_deg=0.0)
        assert study.odometry == Odometry(distance_sd_percent=2.0, heading_sd_deg_per_s=0.05)
        assert dataclasses.astuple(study.tolerance) == (0.003, 0.3, 0.005, 0.3, 0.2, 0.005)


def test_named_rigs_and_states_keep_the_order_of_the_file(folder: Path) -> None:
    study = study_of(folder, STUDY + 'rigs = ["both", "one low"]\nstates = ["arm up", "arm down"]\n')
    assert [rig.name for rig in study.rigs] == ["both", "one low"]
    assert study.states == ("arm up", "arm down")


def test_always_may_be_asked_for_what_never_moves_alone(folder: Path) -> None:
    study = study_of(folder, STUDY + 'states = ["always"]\n')
    assert study.states == ("always",)
    assert len(study.robot.boxes("always")) == 1


def test_sides_and_tools_are_the_robots(folder: Path) -> None:
    study = load_study(folder / "study.toml")
    assert study.sides == ("back", "front")
    assert study.tool("front").position == (0.5, 0.02, 0.5)
    assert study.tool("back").position == (-0.5, 0.0, 0.5)


def test_a_robot_without_tools_scores_with_its_origin_in_front(folder: Path) -> None:
    study = load_study(folder / "study.toml")
    bare = dataclasses.replace(study.robot, tools=())
    without = Study(name="bare", field=study.field, robot=bare)
    assert without.sides == ("front",)
    assert without.tool("front").position == (0.0, 0.0, 0.0)
    assert without.tool("front").side == "front"


def test_a_robot_without_states_is_compared_in_one_called_always(folder: Path) -> None:
    (folder / "robot.toml").write_text(ROBOT[: ROBOT.index("[[structure]]")], encoding="utf-8")
    assert load_study(folder / "study.toml").states == ("always",)


@pytest.mark.parametrize(
    ("field", "robot"), [("../halls/field.toml", "bots/robot.toml"), ("..\\halls\\field.toml",) * 2]
)
def test_files_are_looked_for_beside_the_file_that_names_them(folder: Path, field: str, robot: str) -> None:
    (folder.parent / "halls").mkdir()
    (folder / "bots").mkdir()
    (folder / "field.toml").rename(folder.parent / "halls" / "field.toml")
    for name in ("robot.toml", "camera.toml"):
        (folder / name).rename(folder / "bots" / name)
    robot = "bots\\robot.toml" if "\\" in field else robot
    study = study_of(folder, f"field = '{field}'\nrobot = '{robot}'\n")
    assert (study.field.name, len(study.robot.mounts)) == ("Bakery", 2)


def test_an_absolute_path_is_taken_as_it_is(folder: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere.toml"
    (folder / "field.toml").rename(elsewhere)
    assert study_of(folder, STUDY.replace("field.toml", elsewhere.as_posix())).field.name == "Bakery"


# --- what is refused -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "where", "message"),
    [
        (
            STUDY + 'rigs = ["both", "on low"]\n',
            "rigs[1]",
            "expected one of 'one low', 'both', found 'on low'",
        ),
        (STUDY + 'rigs = ["both", "both"]\n', "rigs", "expected each name once, found one twice"),
        (STUDY + 'rigs = "both"\n', "rigs", "expected a list in brackets, found 'both'"),
        (STUDY + "rigs = [1]\n", "rigs[0]", "expected text in quotes, found 1"),
        (
            STUDY + 'states = ["arm up", "arm lost"]\n',
            "states[1]",
            "expected one of 'arm down', 'arm up', found 'arm lost'",
        ),
        (STUDY + 'states = ["arm up", "arm up"]\n', "states", "expected each name once, found one twice"),
        ('robot = "robot.toml"\n', "field", "expected this key, found none"),
        ('field = "field.toml"\n', "robot", "expected this key, found none"),
        (STUDY + "[floor]\nstep = 0.25\n", "floor.step", "unknown key 'step'; did you mean 'step_m'?"),
        (STUDY + "[aproach]\n", "aproach", "unknown key 'aproach'; did you mean 'approach'?"),
        (STUDY + '"a\\nb" = 1\n', "a\\nb", "unknown key 'a\\nb'"),
        (STUDY.replace('"field.toml"', "4"), "field", "expected text in quotes, found 4"),
        (
            STUDY.replace("field.toml", "hall.toml"),
            "field",
            "expected a file beside this one, found none at 'hall.toml'",
        ),
        (STUDY.replace("robot.toml", "."), "robot", "expected a file beside this one, found a folder at '.'"),
        # a Windows path in double quotes: TOML makes a form feed of \f
        (
            STUDY.replace("field.toml", "halls\\field.toml"),
            "field",
            "found 'halls\\x0cield.toml'; write / between folders",
        ),
        (STUDY + 'name = """a\nb"""\n', "name", "expected text without control characters, found 'a\\nb'"),
    ],
)
def test_names_and_keys_are_refused_with_their_place(folder: Path, text: str, where: str, message: str) -> None:
    error = refusal(folder, text)
    assert (Path(error.file).name, error.where) == ("study.toml", where)
    assert message in error.message


RANGES = [
    # table, key, values in range, values out of range
    ("approach", "distance_m", ("0.01", "20.0"), ("0.0", "-1.5", "20.1")),
    ("approach", "speed_m_per_s", ("0.01", "20"), ("0.0", "-1.0", "20.1")),
    ("floor", "step_m", ("0.05", "10.0"), ("0.0", "-0.25", "0.009", "10.1")),
    ("floor", "headings", ("1", "720"), ("0", "-16", "721")),
    ("prior", "height_sd_m", ("1e-6", "100.0"), ("0.0", "-0.01")),
    ("prior", "level_sd_deg", ("1e-6", "180.0"), ("0.0", "-0.5")),
    ("prior", "heading_sd_deg", ("0.0", "180.0"), ("-1.0", "181.0")),
    ("tolerance", "mount_sd_m", ("0", "1.0"), ("-0.003", "3.0")),
    ("tolerance", "mount_sd_deg", ("0", "45.0"), ("-0.3", "46.0")),
    ("tolerance", "marker_sd_m", ("0", "1.0"), ("-0.005", "5.0")),
    ("tolerance", "marker_sd_deg", ("0", "45.0"), ("-0.3", "46.0")),
    ("tolerance", "focal_sd_percent", ("0", "50.0"), ("-0.2", "51.0")),
    ("tolerance", "time_sd_s", ("0", "10.0"), ("-0.005", "11.0")),
    ("odometry", "distance_sd_percent", ("0", "100.0"), ("-2.0", "101.0")),
    ("odometry", "heading_sd_deg_per_s", ("0", "360.0"), ("-0.05", "361.0")),
    ("other_robots", "per_m2", ("0", "1.0"), ("-0.1", "1.5")),
    ("other_robots", "length_m", ("0.1", "10.0"), ("0.0", "-0.8", "11.0")),
    ("other_robots", "width_m", ("0.1", "10.0"), ("0.0", "-0.8", "11.0")),
    ("other_robots", "height_m", ("0.1", "10.0"), ("0.0", "-1.2", "11.0")),
]


@pytest.mark.parametrize(("table", "key", "good", "bad"), RANGES, ids=[f"{row[0]}.{row[1]}" for row in RANGES])
def test_every_number_has_a_range_and_both_its_ends(
    folder: Path, table: str, key: str, good: tuple[str, ...], bad: tuple[str, ...]
) -> None:
    for value in good:
        study = study_of(folder, f"{STUDY}[{table}]\n{key} = {value}\n")
        assert getattr(getattr(study, table), key) == float(value)
    for value in bad:
        error = refusal(folder, f"{STUDY}[{table}]\n{key} = {value}\n")
        assert error.where == f"{table}.{key}"
        assert f"found {float(value):g}" in error.message
    for value, found in (("nan", "nan"), ("inf", "inf"), ('"1"', "'1'"), ("true", "True"), ("[1.0]", "[1.0]")):
        error = refusal(folder, f"{STUDY}[{table}]\n{key} = {value}\n")
        assert error.where == f"{table}.{key}"
        assert error.message.endswith(f"found {found}")


def test_every_number_of_a_study_is_in_the_table_of_ranges() -> None:
    tables = {
        "approach": Approach,
        "floor": FloorGrid,
        "prior": FloorPrior,
        "tolerance": BuildTolerance,
        "odometry": Odometry,
        "other_robots": OtherRobots,
    }
    keys = {(table, field.name) for table, kind in tables.items() for field in dataclasses.fields(kind)}
    assert keys == {(row[0], row[1]) for row in RANGES}


@pytest.mark.parametrize("headings", ["16.0", "16.5"])
def test_headings_are_counted(folder: Path, headings: str) -> None:
    error = refusal(folder, f"{STUDY}[floor]\nheadings = {headings}\n")
    assert (error.where, error.message) == ("floor.headings", f"expected an integer, found {headings}")


def test_too_many_poses_are_refused_with_their_number(folder: Path) -> None:
    # 6 x 4 m in squares of 1 cm at 21 headings: 240 000 x 21 = 5 040 000, and at 20 headings 4 800 000
    error = refusal(folder, f"{STUDY}[floor]\nstep_m = 0.01\nheadings = 21\n")
    assert error.where == "floor.step_m, floor.headings"
    assert error.message == f"expected at most {LARGEST_FLOOR_POSES} poses, found 5040000"
    assert study_of(folder, f"{STUDY}[floor]\nstep_m = 0.01\nheadings = 20\n").floor.headings == 20


@pytest.mark.parametrize(
    ("file", "change", "where"),
    [
        ("field.toml", ("facing_deg = 0.0", "facing_deg = 180.0"), "marker[0].facing_deg"),
        ("robot.toml", ('mounts = ["low"]', 'mounts = ["lo"]'), "rig[0].mounts"),
        ("camera.toml", ("horizontal_fov_deg = 75.0", "horizontal_fov_deg = 175.0"), "horizontal_fov_deg"),
        ("camera.toml", ("width_px = 1280", 'width_px = "1280"'), "width_px"),
    ],
)
def test_a_mistake_is_blamed_on_the_file_that_holds_it(
    folder: Path, file: str, change: tuple[str, str], where: str
) -> None:
    text = (folder / file).read_text(encoding="utf-8")
    assert change[0] in text
    (folder / file).write_text(text.replace(*change), encoding="utf-8")
    error = refusal(folder, STUDY)
    assert (Path(error.file).name, error.where) == (file, where)


@pytest.mark.parametrize(
    ("given", "file", "message"),
    [
        (
            'field = "robot.toml"\nrobot = "robot.toml"\n',
            "robot.toml",
            "expected a field file, found what looks like a robot",
        ),
        (
            'field = "field.toml"\nrobot = "field.toml"\n',
            "field.toml",
            "expected a robot file, found what looks like a field",
        ),
        (
            'field = "camera.toml"\nrobot = "robot.toml"\n',
            "camera.toml",
            "expected a field file, found what looks like a cam",
        ),
        (
            'field = "study.toml"\nrobot = "robot.toml"\n',
            "study.toml",
            "expected a field file, found what looks like a study",
        ),
        (FIELD, "study.toml", "expected a study file, found what looks like a field"),
        (ROBOT, "study.toml", "expected a study file, found what looks like a robot"),
        (CAMERA, "study.toml", "expected a study file, found what looks like a camera"),
    ],
)
def test_a_file_of_another_kind_is_said_to_be_one(folder: Path, given: str, file: str, message: str) -> None:
    error = refusal(folder, given)
    assert (Path(error.file).name, error.where) == (file, "")
    assert message in error.message


def test_a_robot_without_rigs_cannot_be_compared(folder: Path) -> None:
    start, end = ROBOT.index("[[rig]]"), ROBOT.index("[[structure]]")
    (folder / "robot.toml").write_text(ROBOT[:start] + ROBOT[end:], encoding="utf-8")
    assert refusal(folder, STUDY).message == "expected at least one rig on the robot, found none"
    named = refusal(folder, STUDY + 'rigs = ["both"]\n')
    assert (named.where, named.message) == ("rigs[0]", "expected a rig of the robot, which has none, found 'both'")


@pytest.mark.parametrize("missing", ["study.toml", "camera.toml"])
def test_a_missing_file_is_named(folder: Path, missing: str) -> None:
    (folder / missing).unlink()
    with pytest.raises(FileFormatError, match=missing) as caught:
        load_study(folder / "study.toml")
    assert len(str(caught.value).splitlines()) == 1


# --- made by a program -----------------------------------------------------------------------------------------------


def test_a_study_made_by_a_program_is_checked_as_one_from_a_file(folder: Path) -> None:
    study = load_study(folder / "study.toml")
    with pytest.raises(InputError, match=r"^rigs\[0\]: expected one of 'one low', 'both', found 'both'$"):
        dataclasses.replace(study, rigs=(Rig(name="both", mounts=("high",)),))  # its name is known, its mounts are not
    with pytest.raises(InputError, match=r"^rigs\[0\]: expected one of 'one low', 'both', found 'one low'$"):
        Study(name="text", field=study.field, robot=study.robot, rigs=("one low",))  # type: ignore[arg-type]
    with pytest.raises(InputError, match=r"^states\[0\]"):
        Study(name="state", field=study.field, robot=study.robot, states=("arm lost",))
    with pytest.raises(dataclasses.FrozenInstanceError):
        study.name = "other"  # type: ignore[misc]


@pytest.mark.parametrize("value", [float("nan"), float("inf"), "1.5", True, None])
def test_a_number_made_by_a_program_is_one(value: object) -> None:
    with pytest.raises(InputError, match=r"^approach\.distance_m: expected "):
        Approach(distance_m=value)  # type: ignore[arg-type]


def test_numpys_numbers_are_numbers() -> None:
    assert Approach(distance_m=np.float32(1.5)).distance_m == 1.5
    assert FloorGrid(headings=np.int64(8)).headings == 8
    with pytest.raises(InputError, match=r"expected a whole number, found 8\.5"):
        FloorGrid(headings=8.5)  # type: ignore[arg-type]


def test_the_largest_floor_at_the_usual_grid_is_allowed(folder: Path) -> None:
    robot = load_study(folder / "study.toml").robot
    hall = Field(name="hall", size=(60.0, 60.0), family=marker_family("36h11"), markers=())
    # 60 x 60 m in squares of 0.25 m at 16 headings: 240 x 240 x 16 = 921 600
    assert Study(name="large", field=hall, robot=robot).floor.step_m == 0.25


def test_the_files_are_only_read(folder: Path, tmp_path: Path) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    shutil.copytree(folder, tmp_path / "copy")
    load_study(folder / "study.toml")
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


# --- studies that cannot be -------------------------------------------------------------------------------------------

NODE = """
[[node]]
name = "oven"
position = [0.75, 1.2]
heading_deg = 180.0
tolerance_along = 0.03
tolerance_across = 0.015
tolerance_heading_deg = 1.5
"""
TABLE = """
[[obstacle]]
name = "table"
corner_min = [0.5, 1.0, 0.0]
corner_max = [1.5, 2.0, 0.9]
"""


@pytest.mark.parametrize(
    ("file", "text", "place", "words"),
    [
        ("robot", ROBOT.replace("[0.25, 0.3, 0.45]", "[0.05, 0.05, 0.45]"), "mount[0].position", "inside structure[0]"),
        ("field", FIELD + NODE + TABLE, "node[0].position", "inside obstacle[0] 'table'"),
        ("field", FIELD + NODE.replace("[0.75, 1.2]", "[7.0, 1.2]"), "node[0].position", "found 7 m"),
        ("field", FIELD + NODE.replace("= 0.015", "= 0.0"), "node[0].tolerance_across", "found 0"),
        ("study", STUDY + 'states = ["arm upp"]', "states[0]", "found 'arm upp'"),
        ("robot", ROBOT.replace("max = [0.5, 0.1, 0.2]", "max = [0.1, 0.1, 0.2]"), "structure[1]", "0.1"),
        ("field", FIELD + TABLE.replace("1.5, 2.0, 0.9", "0.4, 2.0, 0.9"), "obstacle[0]", "found"),
    ],
    ids=["mount in the robot", "node in a box", "node off the floor", "tolerance of zero", "state nobody defined",
         "corners of a structure swapped", "corners of an obstacle swapped"],
)  # fmt: skip
def test_what_cannot_be_is_refused_in_one_line_with_its_place(folder, file, text, place, words) -> None:
    (folder / f"{file}.toml").write_text(text, encoding="utf-8")
    with pytest.raises(FileFormatError) as caught:
        load_study(folder / "study.toml")
    line = str(caught.value)
    assert len(line.splitlines()) == 1
    assert place in line and words in line


def test_a_node_under_a_high_box_can_be_reached(folder: Path) -> None:
    (folder / "field.toml").write_text(FIELD + NODE + TABLE.replace("1.0, 0.0]", "1.0, 0.8]"), encoding="utf-8")
    assert load_study(folder / "study.toml").field.nodes[0].name == "oven"


NODE = """
[[node]]
name = "oven"
position = [1.5, 1.5]
heading_deg = 0.0
tolerance_along = 0.05
tolerance_across = 0.05
tolerance_heading_deg = 3.0
"""


@pytest.fixture
def with_node(folder: Path) -> Path:
    path = folder / "field.toml"
    path.write_text(path.read_text(encoding="utf-8") + NODE, encoding="utf-8")
    return folder


def test_nodes_count_alike_unless_the_study_weighs_them(with_node: Path) -> None:
    assert study_of(with_node, STUDY).weight("oven") == 1.0
    assert study_of(with_node, STUDY + "[weights]\noven = 2.5\n").weight("oven") == 2.5


@pytest.mark.parametrize("value", ["0.0", "-1.0", "2e6", "nan"])
def test_weights_have_a_range(with_node: Path, value: str) -> None:
    error = refusal(with_node, STUDY + f"[weights]\noven = {value}\n")
    assert error.where == "weights.oven" and f"found {float(value):g}" in error.message


def test_weights_of_unknown_nodes_are_refused(with_node: Path) -> None:
    error = refusal(with_node, STUDY + '[weights]\n"nowhere at all" = 1.0\n')
    assert error.where == "weights" and error.message.endswith("each once: 'oven'; found 'nowhere at all'")
