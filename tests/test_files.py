"""Files in and out: encodings, dialects, and one line for what cannot be read."""

from __future__ import annotations

import math
import os
import stat
from pathlib import Path

import numpy as np
import pandas as pd
import pydantic
import pytest

from fiducialkit import FileFormatError, InputError, files


def written(folder: Path, content: bytes | str, name: str = "table.csv") -> Path:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def refusal(call, *arguments) -> FileFormatError:
    with pytest.raises(FileFormatError) as caught:
        call(*arguments)
    assert "\n" not in str(caught.value)
    return caught.value


# --- reading text --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_text_arrives_whatever_the_usual_encoding(tmp_path, encoding):
    text = 'name = "Bäckerei, größer"\r\nvalue = 1\r\n'
    path = written(tmp_path, text.encode(encoding), "größe und ähnliches.toml")
    assert files.read_toml(path) == {"name": "Bäckerei, größer", "value": 1}


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "found an empty file"),
        (b"\xff\xfea", "expected UTF-16 text"),
        (b"\x89PNG\r\n\x1a\n\x00", "expected text, found bytes"),
    ],
)
def test_what_is_no_text_is_refused(tmp_path, content, message):
    error = refusal(files.read_toml, written(tmp_path, content, "a b.toml"))
    assert message in str(error) and error.file.endswith("a b.toml")


def test_missing_files_and_folders_are_told_apart(tmp_path):
    assert "found none of that name" in str(refusal(files.read_bytes, tmp_path / "none.toml"))
    assert "found a folder" in str(refusal(files.read_bytes, tmp_path))


@pytest.mark.parametrize("text", ["a = [1, 2\n", "a = 1\na = 2\n", "a = " + "[" * 9000, "a = " + "1" * 9000])
def test_broken_toml_is_one_line(tmp_path, text):
    assert "expected TOML, found an error" in str(refusal(files.read_toml, written(tmp_path, text)))


def test_toml_says_the_line_of_the_error(tmp_path):
    assert "line 2" in str(refusal(files.read_toml, written(tmp_path, "a = 1\nb = \n")))


@pytest.mark.parametrize("text", ["{", "[" * 9000, "1" * 9000, "[1 2]"])
def test_broken_json_is_one_line(tmp_path, text):
    assert "expected JSON" in str(refusal(files.read_json, written(tmp_path, text)))


def test_json_keeps_no_second_copy_of_a_key_silently(tmp_path):
    # field report A37: json.loads keeps the last of two equal keys
    error = refusal(files.read_json, written(tmp_path, '{"marker": {"3": 1, "3": 2}}'))
    assert error.where == "3" and "found it twice" in error.message


def test_a_path_that_no_system_has_is_refused(tmp_path):
    with pytest.raises(InputError, match="expected a path, found a zero byte in it") as caught:
        files.read_bytes(tmp_path / "a\0b.toml")
    assert str(caught.value).isprintable()


# --- writing -------------------------------------------------------------------------------------------------------


def test_writing_replaces_the_whole_file_and_leaves_no_other(tmp_path):
    path = files.write_text(tmp_path / "new folder" / "a.txt", "first")
    assert files.write_text(path, "zweite Fassung: größer").read_text("utf-8") == "zweite Fassung: größer"
    assert [each.name for each in path.parent.iterdir()] == ["a.txt"]


def test_a_write_that_fails_leaves_what_was_there(tmp_path, monkeypatch):
    path = files.write_text(tmp_path / "a.txt", "first")

    def failing(*arguments):
        raise OSError("disk full")

    monkeypatch.setattr(Path, "replace", failing)
    with pytest.raises(OSError, match="disk full"):
        files.write_text(path, "second")
    monkeypatch.undo()
    assert [each.name for each in tmp_path.iterdir()] == ["a.txt"] and path.read_text() == "first"


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such permissions")
def test_files_get_the_usual_permissions(tmp_path):
    usual = tmp_path / "usual.txt"
    usual.write_text("x")
    ours = files.write_text(tmp_path / "ours.txt", "x")
    assert stat.S_IMODE(ours.stat().st_mode) == stat.S_IMODE(usual.stat().st_mode)


def test_json_goes_round_and_has_no_nan(tmp_path):
    value = {"name": "größe", "values": [1.5, None, True]}
    assert files.read_json(files.write_json(tmp_path / "a.json", value)) == value
    with pytest.raises(ValueError, match="not JSON compliant"):
        files.write_json(tmp_path / "b.json", float("nan"))
    assert not (tmp_path / "b.json").exists()


def test_csv_goes_round_to_nine_digits(tmp_path):
    table = pd.DataFrame({"file": ["a b.png", 'say "x", y'], "x_m": [1.0 / 3.0, -2e-7], "n": [1, 2]})
    back = files.read_csv(files.write_csv(tmp_path / "t.csv", table))
    assert back["file"].tolist() == table["file"].tolist()
    assert back["n"].tolist() == [1, 2]
    assert back["x_m"].to_numpy() == pytest.approx(table["x_m"].to_numpy(), rel=1e-9)


def test_csv_is_what_pandas_writes(tmp_path):
    table = pd.DataFrame(
        {
            "x_m": [1.0 / 3.0, math.nan, math.inf],
            "words": ["a, b", None, 'say "x"'],
            "is_seen": [True, False, True],
            "short": np.array([0.1, -0.0, 1e30], dtype=np.float32),
            "n": [1, 2, 3],
        }
    )
    for each in (table, table[["x_m"]], table[:0], pd.concat([table, table[["x_m"]]], axis=1)):
        written = files.write_csv(tmp_path / "t.csv", each).read_text(encoding="utf-8")
        assert written == each.to_csv(index=False, float_format="%.9g", lineterminator="\n")


def test_a_folder_is_made_but_a_file_is_not_replaced_by_one(tmp_path):
    assert files.new_folder(tmp_path / "a" / "b").is_dir()
    taken = written(tmp_path, "x", "taken")
    with pytest.raises(InputError, match="expected a folder for the results, found a file"):
        files.new_folder(taken)


# --- tables from elsewhere -----------------------------------------------------------------------------------------


def test_european_csv(tmp_path):
    # field report A38: "t;x;y" with rows "0,00;1,5;2,25"
    table = files.read_csv(written(tmp_path, "t;x;y\n0,00;1,5;2,25\n0,10;-1,5;2,5\n"))
    assert table.columns.tolist() == ["t", "x", "y"]
    assert table.to_numpy().tolist() == [[0.0, 1.5, 2.25], [0.1, -1.5, 2.5]]
    assert all(kind == "float64" for kind in table.dtypes)


@pytest.mark.parametrize(
    "text",
    [
        "id,x,y\n1,1.5,-2\n2,2.5,3\n",
        "id;x;y\r\n1;1,5;-2\r\n2;2,5;3\r\n",
        "id\tx\ty\n1\t1.5\t-2\n2\t2.5\t3\n",
        "id;x;y;\n1;1,5;-2;\n2;2,5;3;\n",
        "sep=;\nid;x;y\n1;1,5;-2\n2;2,5;3\n",
        '"id","x","y"\n"1","1,5","-2"\n"2","2,5","3"\n',
        "\n id , x , y \n\n 1 , 1.5 , -2 \n\n 2 , 2.5 , 3 \n\n",
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_one_table_in_many_dialects(tmp_path, text, encoding):
    table = files.read_csv(written(tmp_path, text.encode(encoding)))
    assert table.columns.tolist() == ["id", "x", "y"]
    assert table.to_numpy().tolist() == [[1.0, 1.5, -2.0], [2.0, 2.5, 3.0]]


def test_the_separator_is_told_by_all_rows_not_by_the_header(tmp_path):
    table = files.read_csv(written(tmp_path, "place (x, y, z);id\n1,5;3\n2,5;4\n"))
    assert table.columns.tolist() == ["place (x, y, z)", "id"]
    assert table["place (x, y, z)"].tolist() == [1.5, 2.5]


def test_what_could_be_thousands_is_not_guessed(tmp_path):
    assert files.read_csv(written(tmp_path, 'id,x\n1,"1,500"\n2,"2,250"\n'))["x"].tolist() == ["1,500", "2,250"]


def test_empty_cells_and_nan_are_missing_numbers_and_text_stays_text(tmp_path):
    table = files.read_csv(written(tmp_path, "x,y,name\n1,,a\nnan,2,\n"))
    assert table["x"].isna().tolist() == [False, True] and table["y"].isna().tolist() == [True, False]
    assert table["name"].tolist() == ["a", ""]


@pytest.mark.parametrize(
    ("text", "where", "message"),
    [
        ("\n\n", "", "expected a header row, found none"),
        ("a,b,a\n1,2,3\n", "a", "found it twice in the header"),
        ("a,b\n1,2\n\n3\n", "row 4", "expected 2 cells, found 1"),
        ("a,b\n1,2\n3,4,5\n", "row 3", "expected 2 cells, found 3"),
    ],
)
def test_a_row_that_does_not_fit_is_named_by_the_line_of_the_file(tmp_path, text, where, message):
    error = refusal(files.read_csv, written(tmp_path, text))
    assert error.where == where and message in error.message


def test_a_heading_broken_over_lines_is_one_line(tmp_path):
    assert files.read_csv(written(tmp_path, '"x\n[m]",y\n1,2\n')).columns.tolist() == ["x [m]", "y"]


def test_rows_know_their_lines(tmp_path):
    _, lines = files.read_csv_lines(written(tmp_path, 'a,b\n1,"two\nlines"\n\n3,4\n'))
    assert lines == [2, 5]


# --- strict keys ---------------------------------------------------------------------------------------------------


class Inner(pydantic.BaseModel):
    model_config = pydantic.ConfigDict(extra="forbid")
    position: list[float] = []


class Outer(pydantic.BaseModel):
    model_config = pydantic.ConfigDict(extra="forbid")
    count: int
    marker: list[Inner] = []


@pytest.mark.parametrize(
    ("data", "where", "message"),
    [
        ({}, "count", "expected this key, found none"),
        ({"count": "many"}, "count", "found 'many'"),
        ({"count": 1, "markr": []}, "markr", "unknown key 'markr'; did you mean 'marker'?"),
        ({"count": 1, "zzz": 0}, "zzz", "unknown key 'zzz'"),
        ({"count": 1, "marker": [{}, {"position": [1.0, "a"]}]}, "marker[1].position[1]", "found 'a'"),
        ({"count": list(range(1000))}, "count", "..."),
        # a mistyped key is missing as well: what stands in the file is the better explanation
        ({"cuont": 1}, "cuont", "unknown key 'cuont'; did you mean 'count'?"),
        ({"count": 1, "a\nb": 0}, "a\\nb", "unknown key 'a\\nb'"),
        ({"count": 1.5}, "count", "found 1.5"),
        ({"count": 1, "marker": 3}, "marker", "expected a list in brackets, found 3"),
    ],
)
def test_a_key_that_is_wrong_is_named_with_its_place(data, where, message):
    error = refusal(files.validated, Outer, data, "some file.toml")
    assert error.where == where and message in error.message
    assert str(error).startswith(f"some file.toml: {where}: ") and len(str(error)) < 250
