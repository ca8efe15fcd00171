"""The starter: files that run as they are, markers from any table, and nothing left behind by a mistake."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fiducialkit import FileFormatError, InputError, compare_mounts, load_field, load_study
from fiducialkit.cli.starter import write_starter
from fiducialkit.planning.study import FloorGrid

SAMPLE = Path(__file__).parent.parent / "sample_data"
NAMES = ["camera.toml", "field.toml", "robot.toml", "study.toml"]
SURVEYOR = {"id": "number", "x": "east", "y": "north", "z": "up", "facing_deg": "looking", "tilt_deg": "leaning"}
TABLE = "id,x,y,z,facing_deg\n3,0,1.2,0.45,0\n7,0,2.6,0.45,0\n9,5,1.1,0.5,180\n12,2.5,4,0.5,-90\n"


def table(folder: Path, text: str = TABLE) -> Path:
    path = folder / "meine Marker.csv"
    path.write_text(text, encoding="utf-8")
    return path


def refusal(folder: Path, **options) -> InputError:
    before = sorted(folder.rglob("*"))
    with pytest.raises(InputError) as caught:
        write_starter(folder / "deep" / "new", **options)
    assert "\n" not in str(caught.value)
    assert sorted(folder.rglob("*")) == before  # nothing half-written, no folder left
    return caught.value


# --- the example ---------------------------------------------------------------------------------------------------


def test_the_starter_loads_and_runs_as_it_is(tmp_path):
    folder = tmp_path / "première étude"
    paths = write_starter(folder)
    assert sorted(path.name for path in paths) == sorted(each.name for each in folder.iterdir()) == NAMES
    study = load_study(folder / "study.toml")
    assert study.field.name == "Practice room" and len(study.rigs) == 2
    compared = compare_mounts(replace(study, floor=FloorGrid(step_m=1.0, headings=4)))
    assert sorted(compared.table["rig"]) == sorted(rig.name for rig in study.rigs)
    assert compared.table["worst_chance"].between(0.0, 1.0).all()


def test_every_file_is_commented_and_plain(tmp_path):
    for path in write_starter(tmp_path / "new"):
        text = path.read_text("ascii")
        assert text.startswith("# ") and text.endswith("\n") and "$" not in text
        assert sum("#" in line for line in text.splitlines()) >= 5


def test_the_mistake_a_student_can_make_by_taking_a_comment_away_is_none(tmp_path):
    # the commented-out parts are good TOML that loads
    write_starter(tmp_path / "new", markers_csv=table(tmp_path), marker_size=0.15)
    for name, key, mark in (("robot.toml", "tool", "# [[tool]]"), ("field.toml", "obstacle", "# [[obstacle]]")):
        path = tmp_path / "new" / name
        head, _, tail = path.read_text().partition(mark)
        path.write_text(head + mark.removeprefix("# ") + tail.replace("\n# ", "\n"))
        assert tomllib.loads(path.read_text())[key]
    study = load_study(tmp_path / "new" / "study.toml")
    assert study.sides == ("front", "back") and len(study.field.obstacles) == 1


@pytest.mark.parametrize(("unit", "step_m"), [("mm", 1e-8), ("in", 0.0254)])
def test_the_example_in_another_unit_is_the_same_room_in_round_figures(tmp_path, unit, step_m):
    write_starter(tmp_path / "m")
    write_starter(tmp_path / unit, length_unit=unit)
    here, there = load_field(tmp_path / "m" / "field.toml"), load_field(tmp_path / unit / "field.toml")
    written = tomllib.loads((tmp_path / unit / "field.toml").read_text())
    lengths = [*written["size"], written["marker_size"]]
    lengths += [value for key in ("marker", "node") for each in written[key] for value in each["position"]]
    assert written["length_unit"] == unit and all(length == round(length) for length in lengths)
    # rounding moves a centre by half a step and a corner by a quarter of one more; obstacles and nodes by half
    assert np.abs(there.corners_field - here.corners_field).max() <= 0.75 * step_m
    for places in ("size", "nodes", "obstacles"):
        ours, theirs = (np.array(_places(field, places)) for field in (there, here))
        assert np.abs(ours - theirs).max() <= 0.5 * step_m


def _places(field, what):
    if what == "size":
        return field.size
    return [each.position if what == "nodes" else each.corner_max for each in getattr(field, what)]


def test_another_family_and_size(tmp_path):
    write_starter(tmp_path / "new", family="4X4_50", marker_size=0.1)
    field = load_field(tmp_path / "new" / "field.toml")
    assert field.family.name == "4X4_50" and {m.size_m for m in field.markers} == {0.1}


def test_a_dictionary_file_comes_along(tmp_path):
    own = tmp_path / "own family.yml"
    bits = ("101010111", "110001000", "111100000")
    own.write_text("nmarkers: 3\nmarkersize: 3\n" + "".join(f'marker_{n}: "{b}"\n' for n, b in enumerate(bits)))
    paths = write_starter(tmp_path / "new", family=str(own))
    assert "own family.yml" in [path.name for path in paths]
    own.unlink()
    field = load_field(tmp_path / "new" / "field.toml")
    assert (field.family.size, field.marker_ids.tolist()) == (3, [0, 1, 2])


# --- folders -------------------------------------------------------------------------------------------------------


def test_a_folder_that_holds_something_is_left_alone(tmp_path):
    kept = tmp_path / "field.toml"
    kept.write_text("mine")
    with pytest.raises(InputError, match=r"expected a new or an empty folder, found one that holds 'field\.toml'"):
        write_starter(tmp_path)
    assert [each.name for each in tmp_path.iterdir()] == ["field.toml"] and kept.read_text() == "mine"


def test_a_file_is_no_folder(tmp_path):
    (tmp_path / "taken").write_text("mine")
    with pytest.raises(InputError, match="expected a new or an empty folder, found a file"):
        write_starter(tmp_path / "taken")


def test_an_empty_folder_and_one_to_be_made_deep_down_will_do(tmp_path):
    (tmp_path / "empty").mkdir()
    for folder in (tmp_path / "empty", tmp_path / "a" / "b" / "c"):
        write_starter(folder)
        assert sorted(each.name for each in folder.iterdir()) == NAMES
    assert sorted(each.name for each in tmp_path.iterdir()) == ["a", "empty"]  # no trial folder left


# --- markers from a table ------------------------------------------------------------------------------------------


def test_a_surveyor_s_table_gives_the_sample_s_markers(tmp_path):
    # sample_data/markers_mm.csv lists the sample's markers in mm, with semicolons and decimal commas (report A38)
    write_starter(
        tmp_path / "new",
        markers_csv=SAMPLE / "markers_mm.csv",
        columns=SURVEYOR,
        length_unit="mm",
        marker_size=150.0,
    )
    ours, sample = load_field(tmp_path / "new" / "field.toml"), load_field(SAMPLE / "field.toml")
    assert ours.marker_ids.tolist() == sample.marker_ids.tolist()
    assert ours.corners_field == pytest.approx(sample.corners_field, abs=1e-9)
    assert ours.size == pytest.approx(sample.size)


def test_floor_and_nodes_follow_from_the_markers(tmp_path):
    write_starter(tmp_path / "new", markers_csv=table(tmp_path), marker_size=0.15)
    field = load_field(tmp_path / "new" / "field.toml")
    assert (field.name, field.size) == ("meine Marker", (5.0, 4.0))
    # by hand: 1 m along the facing of each marker, the robot turned to look at it
    expected = {"3": ((1.0, 1.2), 180.0), "7": ((1.0, 2.6), 180.0), "9": ((4.0, 1.1), 0.0), "12": ((2.5, 3.0), 90.0)}
    assert {node.name.split()[-1]: (node.position, node.heading_deg) for node in field.nodes} == expected
    text = (tmp_path / "new" / "field.toml").read_text(encoding="utf-8")
    assert "EXAMPLES TO EDIT" in text and "GUESSED" in text
    assert len(compare_mounts(load_study(tmp_path / "new" / "study.toml")).table) == 2


@pytest.mark.parametrize(
    ("rows", "size"),
    [
        ("1,0.0,1.0,0.4,0\n2,6.0,1.0,0.4,180\n3,2.0,4.0,0.4,-90\n", (6.0, 4.0)),
        # nothing faces back from the largest y, so no wall is known there: the floor goes on, past the nodes 1 m
        # before the markers by the 0.45 m that a node keeps from an edge
        ("1,-0.5,1.0,0.4,0\n2,6.0,3.0,0.4,180\n", (6.0, 3.45)),
        ("1,2.0,1.0,0.4,180\n2,2.0,1.5,0.4,90\n", (2.0, 2.95)),
        ("1,5.0,2.0,0.4,0\n2,4.8,2.0,0.4,180\n3,4.9,2.1,0.4,90\n4,4.9,1.9,0.4,-90\n", (6.45, 3.55)),
        ("1,0.0,0.3,0.4,0\n", (1.45, 1.0)),  # no floor is shorter than 1 m
    ],
)
def test_the_floor_contains_the_markers(tmp_path, rows, size):
    text = "id,x,y,z,facing_deg\n" + rows
    write_starter(tmp_path / "new", markers_csv=table(tmp_path, text), marker_size=0.15)
    field = load_field(tmp_path / "new" / "field.toml")
    assert field.size == pytest.approx(size)
    assert len(field.nodes) >= 1


def test_sizes_of_their_own_angles_and_empty_cells(tmp_path):
    text = (
        "id;x;y;z;facing_deg;tilt_deg;roll_deg;size\n3;0;1,2;0,5;0;;90;0,2\n\n7;0;2,6;0,5;0;-5;;\n9;0;3,0;0,5;0;;;0,2\n"
    )
    write_starter(tmp_path / "new", markers_csv=table(tmp_path, text), marker_size=0.1)
    markers = load_field(tmp_path / "new" / "field.toml").markers
    assert [m.size_m for m in markers] == [0.2, 0.1, 0.2]
    assert [(m.tilt_deg, m.roll_deg) for m in markers] == [(0.0, 90.0), (-5.0, 0.0), (0.0, 0.0)]


@pytest.mark.parametrize(
    ("old", "new", "where", "message"),
    [
        ("3,0,1.2", "3,0,one", "row 2, y", "expected a number, found 'one'"),
        ("9,5,1.1", "9,5,", "row 4, y", "expected a number, found none"),
        ("7,0", "7.5,0", "row 3, id", "expected a whole number, found 7.5"),
        ("7,0", "3,0", "row 3, id", "found 3 at (0, 1.2, 0.45) m and at (0, 2.6, 0.45) m"),
        ("7,0", "700,0", "row 3, id", "expected 0 to 586"),
        ("9,5,", "9,inf,", "row 4, x", "expected a finite number, found inf"),
        ("9,5,", "9,500,", "", "the floor that contains these markers: expected 1 to 60 m along x, found 500 m"),
        ("9,5,", "9,-5,", "row 4, x", "counted from a corner of the floor, found x = -5 m"),
        ("0.45,0\n7", "45,0\n7", "row 2, position", "expected a height of 0 to 10 m"),
        ("0.45,0\n7", "0.45,180\n7", "row 2, facing_deg", "away from the floor"),
        ("0.45,0\n7", "0.45,400\n7", "row 2, facing_deg", "found 400"),
        ("12,2.5,4,0.5,-90", "12,2.5,4,0.5", "row 5", "expected 5 cells, found 4"),
        ("id,x", "number,x", "", "expected columns for id, found columns number, x, y, z, facing_deg"),
        ("id,x", "x,x", "x", "found it twice in the header"),
        (TABLE[20:], "", "", "expected at least one marker"),
    ],
)
def test_a_mistake_in_the_table_is_named_by_its_row(tmp_path, old, new, where, message):
    assert old in TABLE
    path = table(tmp_path, TABLE.replace(old, new, 1))
    error = refusal(tmp_path, markers_csv=path, marker_size=0.15)
    assert isinstance(error, FileFormatError)
    assert (error.file, error.where) == (str(path), where)
    assert message in error.message


def test_a_bad_cell_is_found_among_good_decimal_commas(tmp_path):
    path = table(tmp_path, TABLE.replace(",", ";").replace(".", ",").replace("1,1", "1,1 m"))
    error = refusal(tmp_path, markers_csv=path, marker_size=0.15)
    assert str(error) == f"{path}: row 4, y: expected a number, found '1,1 m'"


def test_what_may_be_thousands_is_not_guessed_at(tmp_path):
    text = 'id,x,y,z,facing_deg\n3,0,"1,200",450,0\n7,0,"2,600",450,0\n'
    error = refusal(tmp_path, markers_csv=table(tmp_path, text), length_unit="mm", marker_size=150.0)
    assert (error.where, error.message) == ("row 2, y", "expected a number, found '1,200'")


def test_cells_and_headings_of_several_lines_stay_one_line_of_an_error(tmp_path):
    error = refusal(tmp_path, markers_csv=table(tmp_path, TABLE.replace("id,x", '"the\nid",x')), marker_size=0.15)
    assert "found columns the id, x, y, z, facing_deg" in str(error)
    error = refusal(tmp_path, markers_csv=table(tmp_path, TABLE.replace("0.45,0", '0.45,"a\nb"', 1)), marker_size=0.15)
    assert str(error).endswith("row 2, facing_deg: expected a number, found 'a\\nb'")


def test_a_failure_while_the_files_are_moved_leaves_nothing(tmp_path, monkeypatch):
    real, moved = Path.rename, []

    def full_after_two(path, target):
        if Path(target).parent.name == "new" and len(moved) == 2:
            raise OSError(28, "No space left on device")
        moved.append(target)
        return real(path, target)

    monkeypatch.setattr(Path, "rename", full_after_two)
    with pytest.raises(OSError, match="No space left"):
        write_starter(tmp_path / "deep" / "new")
    assert len(moved) == 2 and list(tmp_path.iterdir()) == []


def test_rows_count_blank_lines_as_the_editor_does(tmp_path):
    path = table(tmp_path, TABLE.replace("9,5,1.1", "\n\n9,5,x"))
    assert "row 6, y" in str(refusal(tmp_path, markers_csv=path, marker_size=0.15))


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"length_unit": "cm"}, "length_unit: expected one of m, mm, in, found 'cm'"),
        ({"marker_size": 6.5}, "marker_size: expected 0.01 to 1 m, found 6.5 m; is length_unit right?"),
        ({"marker_size": float("nan")}, "marker_size: expected 0.01 to 1 m, found nan m"),
        ({"marker_size": "0.1"}, "marker_size: expected a number, found '0.1'"),
        ({"marker_size": True}, "marker_size: expected a number, found True"),
        ({"family": "36h12"}, "family: expected a family name"),
        ({"columns": {"id": "number"}}, "columns: expected a table of markers to go with them"),
    ],
)
def test_options_that_cannot_be(tmp_path, options, message):
    assert str(refusal(tmp_path, **options)).startswith(message)


@pytest.mark.parametrize(
    ("columns", "message"),
    [
        ({"angle": "facing_deg"}, "columns: expected keys among id, x, y, z, facing_deg, tilt_deg, roll_deg, size"),
        ({"x": "y", "y": "y"}, "columns: expected a column for each key, found 'y' for two"),
        ({"id": "x"}, "columns: expected a column for each key, found 'x' for two"),
        ({"id": "number"}, "expected a column 'number' for id, found columns id, x, y, z, facing_deg"),
    ],
)
def test_columns_that_cannot_be(tmp_path, columns, message):
    assert message in str(refusal(tmp_path, markers_csv=table(tmp_path), columns=columns, marker_size=0.15))


def test_a_table_without_sizes_needs_one(tmp_path):
    error = refusal(tmp_path, markers_csv=table(tmp_path))
    assert "expected a marker size or a column for size, found columns id, x, y, z, facing_deg" in str(error)
    text = "id,x,y,z,facing_deg,size\n3,0,1.2,0.45,0,0.2\n7,0,2.6,0.45,0,\n"
    error = refusal(tmp_path, markers_csv=table(tmp_path, text))
    assert "row 3, size: expected a number, found none" in str(error)


def test_a_table_that_is_not_there(tmp_path):
    assert "found none of that name" in str(refusal(tmp_path, markers_csv=tmp_path / "none.csv", marker_size=0.15))
