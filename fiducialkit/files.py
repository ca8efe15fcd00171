"""Files in and out: whole or not at all, any usual encoding, and errors that name the place."""

from __future__ import annotations

import csv
import difflib
import io
import json
import os
import re
import tempfile
import tomllib
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pandas as pd
import pydantic

from fiducialkit.errors import FileFormatError, InputError

Model = TypeVar("Model", bound=pydantic.BaseModel)
_LONGEST_FOUND = 80
# what pydantic calls by Python's names, in the words of somebody who writes TOML
_EXPECTED = {
    "float_type": "expected a number",
    "int_type": "expected an integer",
    "string_type": "expected text in quotes",
    "tuple_type": "expected numbers in brackets",
    "too_long": "expected fewer numbers",
    "list_type": "expected a list in brackets",
}
_SEPARATORS = (",", ";", "\t")
_THOUSANDS = r"[+-]?\d{1,3}(,\d{3})+"


def read_bytes(path: str | Path) -> bytes:
    """Return the file's content; refuse what is missing, a folder or empty."""
    path = Path(path)
    if "\0" in str(path):
        raise InputError(f"{str(path)!r}: expected a path, found a zero byte in it")
    if path.is_dir():
        raise FileFormatError(path, "", "expected a file, found a folder")
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise FileFormatError(path, "", "expected a file, found none of that name") from None
    except OSError as error:
        raise FileFormatError(path, "", f"could not be read ({error.strerror})") from None
    if not content:
        raise FileFormatError(path, "", "expected some content, found an empty file")
    return content


def read_text(path: str | Path) -> str:
    """Return the file's text: UTF-8 with or without mark, UTF-16 with mark, else Windows Latin."""
    content = read_bytes(path)
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        try:
            return content.decode("utf-16")
        except UnicodeDecodeError:
            raise FileFormatError(path, "", "expected UTF-16 text after its mark, found other bytes") from None
    if b"\0" in content:
        raise FileFormatError(path, "", "expected text, found bytes that are none")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def write_bytes(path: str | Path, content: bytes) -> Path:
    """Write the whole file or leave what was there untouched."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        umask = os.umask(0)
        os.umask(umask)
        Path(name).chmod(0o666 & ~umask)  # mkstemp makes files that only their owner may read
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return path


def write_text(path: str | Path, text: str) -> Path:
    """Write text as UTF-8 with plain newlines, whole or not at all."""
    return write_bytes(path, text.encode("utf-8"))


def read_toml(path: str | Path) -> dict[str, Any]:
    """Return what a TOML file holds."""
    try:
        return tomllib.loads(read_text(path))
    except (ValueError, RecursionError) as error:
        if isinstance(error, InputError):
            raise
        raise FileFormatError(path, "", f"expected TOML, found an error: {_one_line(error)}") from None


def read_json(path: str | Path) -> Any:
    """Return what a JSON file holds; a key that stands twice is refused, not silently replaced."""

    def unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        keys = [key for key, _ in pairs]
        repeated = sorted({key for key in keys if keys.count(key) > 1})
        if repeated:
            raise FileFormatError(path, repeated[0], "expected each key once, found it twice in one object")
        return dict(pairs)

    try:
        return json.loads(read_text(path), object_pairs_hook=unique)
    except json.JSONDecodeError as error:
        raise FileFormatError(path, f"line {error.lineno}", f"expected JSON, found: {error.msg}") from None
    except (ValueError, RecursionError) as error:
        if isinstance(error, InputError):
            raise
        raise FileFormatError(path, "", f"expected JSON, found: {_one_line(error)}") from None


def write_json(path: str | Path, value: Any) -> Path:
    """Write JSON with two-space indents; NaN is refused, since JSON has none."""
    return write_text(path, json.dumps(value, indent=2, allow_nan=False, ensure_ascii=False) + "\n")


def validated(model: type[Model], data: Any, path: str | Path) -> Model:
    """Return `data` as the pydantic `model`, or raise one line that names the file and the field."""
    try:
        return model.model_validate(data)
    except pydantic.ValidationError as error:
        found = error.errors(include_url=False)
        # a mistyped key is a missing one as well: what stands in the file explains it better than what does not
        first = next((each for each in found if each["type"] == "extra_forbidden"), found[0])
        location = first["loc"]
        if first["type"] == "missing" and isinstance(location[-1], int):  # a point with too few numbers
            location = location[:-1]
        raise FileFormatError(path, _place(location), _explanation(first, model)) from None


def _one_line(value: object) -> str:
    """Return text without line breaks, cut where it grows long."""
    text = " ".join(str(value).split())
    return text if len(text) <= _LONGEST_FOUND else text[: _LONGEST_FOUND - 3] + "..."


def _place(location: tuple[int | str, ...]) -> str:
    text = ""
    for part in location:
        text += f"[{part}]" if isinstance(part, int) else f".{_plain(part)}"
    return text.removeprefix(".")


def _plain(key: str) -> str:
    """Return a key as it is, or escaped where it would break the line."""
    return key if key.isprintable() else repr(key)[1:-1]


def _explanation(error: Any, model: type[pydantic.BaseModel]) -> str:
    kind, found = error["type"], error.get("input")
    shown = "" if isinstance(found, dict) else f", found {_one_line(repr(found))}"
    if kind == "missing":
        return f"expected more numbers{shown}" if isinstance(error["loc"][-1], int) else "expected this key, found none"
    if kind == "extra_forbidden":
        key = str(error["loc"][-1])
        near = difflib.get_close_matches(key, sorted(_known_keys(model)), n=1)
        hint = f"; did you mean '{near[0]}'?" if near else ""
        return f"unknown key '{_plain(key)}'{hint}"
    if kind == "value_error":
        return str(error["msg"]).removeprefix("Value error, ")
    return f"{_EXPECTED.get(kind, error['msg']).replace('Input should be', 'expected')}{shown}"


def _known_keys(model: type[pydantic.BaseModel]) -> set[str]:
    keys: set[str] = set()
    for definition in [model.model_json_schema(), *model.model_json_schema().get("$defs", {}).values()]:
        keys.update(definition.get("properties", {}))
    return keys


def read_csv(path: str | Path) -> pd.DataFrame:
    """Return a table of text and numbers from a CSV of any usual dialect.

    The separator (comma, semicolon, tab) is the one that gives most rows the width of the header, more than one cell
    if any does. A trailing separator is dropped, blank lines are skipped. A column becomes numeric when every filled
    cell is a number. A decimal comma is understood; where the separator is a comma too and cells are quoted, a column
    that could as well be thousands ("1,500") stays text.

    Raises
    ------
    FileFormatError
        If there is no header, a column stands twice or a row has another width, naming the line of the file.
    """
    return read_csv_lines(path)[0]


def read_csv_lines(path: str | Path) -> tuple[pd.DataFrame, list[int]]:
    """Return `read_csv`'s table and, for each of its rows, the line of the file it stands on, counted from 1."""
    rows, separator = _split_rows(path)
    if not rows:
        raise FileFormatError(path, "", "expected a header row, found none")
    header = [" ".join(cell.split()) for cell in rows[0][1]]  # spreadsheets break long headings over lines
    while header and header[-1] == "":
        header.pop()
    repeated = [name for name in header if header.count(name) > 1]
    if repeated:
        raise FileFormatError(path, repeated[0], "expected each column once, found it twice in the header")
    body = []
    for line, row in rows[1:]:
        if len(row) < len(header) or any(cell.strip() for cell in row[len(header) :]):
            raise FileFormatError(path, f"row {line}", f"expected {len(header)} cells, found {len(row)}")
        body.append([cell.strip() for cell in row[: len(header)]])
    frame = pd.DataFrame(body, columns=header, dtype=str)
    lines = [line for line, _ in rows[1:]]
    return (frame.apply(_numeric_where_possible, separator=separator) if body else frame), lines


def _split_rows(path: str | Path) -> tuple[list[tuple[int, list[str]]], str]:
    """Return the filled rows with their lines, and the separator."""
    text = read_text(path)
    lead = re.match(r"sep=(.)\r?\n", text)  # spreadsheets write their separator like this
    skipped = 1 if lead else 0
    candidates = (lead.group(1),) if lead else _SEPARATORS
    text = text[lead.end() :] if lead else text
    splits = [(_rows(path, text, separator, skipped), separator) for separator in candidates]
    return max(splits, key=lambda split: _rows_as_wide_as_the_header(split[0]))


def _rows_as_wide_as_the_header(rows: list[tuple[int, list[str]]]) -> int:
    width = len(rows[0][1]) if rows else 0
    return sum(len(row) == width for _, row in rows) if width > 1 else 0


def _rows(path: str | Path, text: str, separator: str, skipped: int) -> list[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    rows, start = [], 1 + skipped
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                rows.append((start, row))
            start = reader.line_num + 1 + skipped
    except csv.Error as error:
        raise FileFormatError(path, f"row {start}", f"expected comma-separated values, found: {error}") from None
    return rows


def _numeric_where_possible(column: pd.Series[Any], *, separator: str) -> pd.Series[Any]:
    candidates = [column]
    with_comma = column[column.str.contains(",", regex=False)]
    could_be_thousands = with_comma.str.fullmatch(_THOUSANDS).all()
    if separator != "," or not (could_be_thousands or column.str.contains(".", regex=False).any()):
        candidates.append(column.str.replace(",", ".", regex=False))
    for candidate in candidates:
        values = pd.to_numeric(candidate.where(candidate != "", None), errors="coerce")
        if bool((values.notna() | (column == "") | (column.str.lower() == "nan")).all()):
            return values
    return column


def write_csv(path: str | Path, table: pd.DataFrame) -> Path:
    """Write a table as comma-separated UTF-8, whole or not at all; numbers keep nine significant digits."""
    shown = table.copy()
    for place, kind in enumerate(table.dtypes):
        if isinstance(kind, np.dtype) and kind.kind == "f":  # pandas takes twice as long to write the same
            numbers = table.iloc[:, place].tolist()
            shown.isetitem(place, np.array([format(v, ".9g") if v == v else "" for v in numbers], dtype=object))
    return write_text(path, shown.to_csv(index=False, float_format="%.9g", lineterminator="\n"))


def new_folder(path: str | Path) -> Path:
    """Return `path` as a folder that exists; refuse a file of that name."""
    path = Path(path)
    if path.exists() and not path.is_dir():
        raise InputError(f"{path}: expected a folder for the results, found a file")
    path.mkdir(parents=True, exist_ok=True)
    return path
