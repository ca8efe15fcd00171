"""Fields on file: units, encodings, and one line with the place for each thing that is wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fiducialkit import FileFormatError, load_field
from fiducialkit.scene.field import Node, Obstacle

SAMPLE = Path(__file__).parent.parent / "sample_data"
HALL = """
name = "Halle für Brötchen"
length_unit = "m"
size = [6.0, 4.0]
family = "36h11"
marker_size = 0.15
[[marker]]
id = 4
position = [0.0, 1.2, 0.45]
facing_deg = 0.0
[[marker]]
id = 9
position = [6.0, 2.0, 0.50]
facing_deg = 180.0
tilt_deg = 5.0
roll_deg = -90.0
size = 0.2
[[node]]
name = "oven 1"
position = [0.75, 1.2]
heading_deg = 180.0
tolerance_along = 0.04
tolerance_across = 0.02
tolerance_heading_deg = 2.0
[[obstacle]]
name = "dough table"
corner_min = [2.0, 2.0, 0.0]
corner_max = [3.0, 3.0, 0.9]
"""
LENGTHS = (
    "[6.0, 4.0]",
    "0.15",
    "[0.0, 1.2, 0.45]",
    "[6.0, 2.0, 0.50]",
    "size = 0.2",
    "[0.75, 1.2]",
    "0.04",
    "0.02",
    "[2.0, 2.0, 0.0]",
    "[3.0, 3.0, 0.9]",
)


def written(folder: Path, text: str, name: str = "field.toml") -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def refusal(path: Path) -> FileFormatError:
    with pytest.raises(FileFormatError) as caught:
        load_field(path)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(caught.value.file)
    return caught.value


def in_unit(unit: str, metres: float) -> str:
    """Return the hall with every length in another unit."""
    text = HALL.replace('length_unit = "m"', f'length_unit = "{unit}"')
    for old in LENGTHS:
        assert old in text
        numbers = old.replace("size = ", "").strip("[]").split(", ")
        new = ", ".join(repr(float(number) / metres) for number in numbers)
        new = f"[{new}]" if "[" in old else new
        text = text.replace(old, f"size = {new}" if old.startswith("size") else new, 1)
    return text


def test_every_key_arrives(tmp_path):
    hall = load_field(written(tmp_path, HALL + "", "Ordner mit Leerzeichen/Körner.toml"))
    assert (hall.name, hall.size, hall.border_cells) == ("Halle für Brötchen", (6.0, 4.0), 1)
    assert hall.family.name.endswith("36h11")
    first, second = hall.markers
    assert (first.marker_id, first.position, first.facing_deg, first.size_m) == (4, (0.0, 1.2, 0.45), 0.0, 0.15)
    assert (second.tilt_deg, second.roll_deg, second.size_m) == (5.0, -90.0, 0.2)
    assert hall.nodes == (
        Node(
            name="oven 1",
            position=(0.75, 1.2),
            heading_deg=180.0,
            tolerance_along_m=0.04,
            tolerance_across_m=0.02,
            tolerance_heading_deg=2.0,
        ),
    )
    assert hall.obstacles == (Obstacle(name="dough table", corner_min=(2.0, 2.0, 0.0), corner_max=(3.0, 3.0, 0.9)),)
    assert load_field(written(tmp_path, "border_cells = 2\n" + HALL)).border_cells == 2


@pytest.mark.parametrize(("unit", "metres"), [("mm", 0.001), ("in", 0.0254)])
def test_the_same_layout_in_another_unit_is_the_same_field(tmp_path, unit, metres):
    here, there = (
        load_field(written(tmp_path, HALL)),
        load_field(written(tmp_path, in_unit(unit, metres), "other.toml")),
    )
    assert there.corners_field == pytest.approx(here.corners_field, abs=1e-12)
    assert there.size == pytest.approx(here.size)
    for ours, theirs in zip(here.nodes, there.nodes, strict=True):
        assert theirs.position == pytest.approx(ours.position)
        assert (theirs.tolerance_along_m, theirs.tolerance_across_m) == pytest.approx((0.04, 0.02))
        assert (theirs.heading_deg, theirs.tolerance_heading_deg) == (180.0, 2.0)
    assert there.obstacles[0].corner_min == pytest.approx((2.0, 2.0, 0.0))
    assert there.obstacles[0].corner_max == pytest.approx((3.0, 3.0, 0.9))


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_encodings_and_line_ends(tmp_path, encoding, newline):
    path = tmp_path / "field.toml"
    path.write_bytes(HALL.replace("\n", newline).encode(encoding))
    assert load_field(path) == load_field(written(tmp_path, HALL, "plain.toml"))


def test_a_dictionary_file_is_looked_for_beside_the_field(tmp_path):
    words = "nmarkers: 2\nmarkersize: 3\n" + 'marker_0: "101010111"\nmarker_1: "110001000"\n'
    written(tmp_path, words, "wörter/own.yml")
    text = HALL.replace('"36h11"', '"wörter/own.yml"').replace("id = 4", "id = 0").replace("id = 9", "id = 1")
    family = load_field(written(tmp_path, text)).family
    assert (family.name, family.size) == ("own", 2)
    assert family.codes[0].astype(int).tolist() == [[1, 0, 1], [0, 1, 0], [1, 1, 1]]


def test_an_error_in_the_dictionary_file_names_that_file(tmp_path):
    written(tmp_path, "nmarkers: 2\nmarkersize: 3\nmarker_0: 1\n", "own.yml")
    error = refusal(written(tmp_path, HALL.replace('"36h11"', '"own.yml"')))
    assert error.file.endswith("own.yml") and error.where == "marker_0"


@pytest.mark.parametrize(
    ("change", "where", "message"),
    [
        (('name = "Halle für Brötchen"\n', ""), "name", "expected this key, found none"),
        (('length_unit = "m"\n', ""), "length_unit", "expected this key, found none"),
        (('length_unit = "m"', 'length_unit = "cm"'), "length_unit", "'m', 'mm' or 'in', found 'cm'"),
        (("marker_size = 0.15\n", ""), "marker[0].size", "expected marker_size for all or a size for this one"),
        (("size = [6.0, 4.0]", "size = [6.0]"), "size", "expected more numbers"),
        (("size = [6.0, 4.0]", "size = 6.0"), "size", "found 6.0"),
        (("size = [6.0, 4.0]", "size = [6.0, inf]"), "size[1]", "finite"),
        (("[0.0, 1.2, 0.45]", "[0.0, nan, 0.45]"), "marker[0].position[1]", "finite"),
        (("[0.0, 1.2, 0.45]", '[0.0, "1.2", 0.45]'), "marker[0].position[1]", "found '1.2'"),
        (("[0.0, 1.2, 0.45]", "[0.0, true, 0.45]"), "marker[0].position[1]", "found True"),
        (("[0.0, 1.2, 0.45]", "[0.0, 1.2]"), "marker[0].position", "expected more numbers"),
        (("[0.0, 1.2, 0.45]", "[0.0, 1.2, 0.45, 1.0]"), "marker[0].position", "expected fewer numbers"),
        (("id = 4", "id = 4.0"), "marker[0].id", "found 4.0"),
        (("id = 4", "id = true"), "marker[0].id", "found True"),
        (("id = 4", 'id = "4"'), "marker[0].id", "found '4'"),
        (("id = 4", "id = 587"), "marker[0].id", "expected 0 to 586"),
        (("id = 4", "id = 9"), "marker[1].id", "found 9 at (0, 1.2, 0.45) m and at (6, 2, 0.5) m"),
        (("facing_deg = 0.0\n", ""), "marker[0].facing_deg", "expected this key, found none"),
        (("facing_deg = 0.0", "faceing_deg = 0.0"), "marker[0].faceing_deg", "did you mean 'facing_deg'?"),
        (("tilt_deg", "tlit_deg"), "marker[1].tlit_deg", "unknown key 'tlit_deg'; did you mean 'tilt_deg'?"),
        (("facing_deg = 0.0", "facing_deg = 180.0"), "marker[0].facing_deg", "away from the floor"),
        (("[6.0, 2.0, 0.50]", "[16.0, 2.0, 0.50]"), "marker[1].position", "expected x within 1 m of the floor"),
        (("size = 0.2", "size = -0.2"), "marker[1].size", "found -0.2 m"),
        (("marker_size = 0.15", "marker_size = 6.5"), "marker[0].size", "found 6.5 m; is length_unit right?"),
        (('"36h11"', '"36h12"'), "family", "expected a family name such as 36h11"),
        (("marker_size = 0.15", "marker_size = 0.15\nborder_cells = 9"), "border_cells", "from 1 to 4, found 9"),
        (("tolerance_along = 0.04", "tolerance_along = 0"), "node[0].tolerance_along", "expected above 0"),
        (("[0.75, 1.2]", "[-0.75, 1.2]"), "node[0].position", "expected x on the floor"),
        (('name = "oven 1"', 'name = ""'), "node[0].name", "at least 1 character"),
        (("[3.0, 3.0, 0.9]", "[1.0, 3.0, 0.9]"), "obstacle[0].corner_min", "expected x below that of corner_max"),
        (("[[obstacle]]", "[[obstacel]]"), "obstacel", "did you mean 'obstacle'?"),
        (("[[marker]]\nid = 4", "[marker]\nid = 4"), "", "expected TOML"),
        (('length_unit = "m"', 'length_unit = "in"'), "size", "expected 1 to 60 m along x, found 0.1524 m"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(tmp_path, change, where, message):
    assert change[0] in HALL
    path = written(tmp_path, HALL.replace(*change, 1), "mein feld.toml")
    error = refusal(path)
    assert (error.file, error.where) == (str(path), where)
    assert message in error.message


def test_inches_read_as_metres_are_refused(tmp_path):
    # field report A36
    text = in_unit("in", 0.0254).replace('length_unit = "in"', 'length_unit = "m"')
    assert "is length_unit right?" in str(refusal(written(tmp_path, text)))


@pytest.mark.parametrize(
    ("name", "found"), [("robot.toml", "robot"), ("camera_standard.toml", "camera"), ("study.toml", "study")]
)
def test_a_file_of_another_kind_is_said_to_be_one(name, found):
    error = refusal(SAMPLE / name)
    assert error.message == f"expected a field file, found what looks like a {found} file"


def test_what_is_no_toml_is_refused(tmp_path):
    assert "expected TOML" in str(refusal(written(tmp_path, "id;x;y\n1;2;3\n", "markers.csv")))
    assert "found none of that name" in str(refusal(tmp_path / "none.toml"))
    assert "found a folder" in str(refusal(tmp_path))


def test_the_sample_arena():
    hall = load_field(SAMPLE / "field.toml")
    assert len(hall.markers) == 14 and len(hall.nodes) == 7
    assert np.diff(hall.marker_ids).min() >= 1 and np.diff(hall.marker_ids).max() > 1
    assert {round(node.heading_deg) % 360 for node in hall.nodes} == {0, 180}
