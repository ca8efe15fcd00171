"""Files in and out: whole or not at all, any usual encoding, and errors that name the place."""

from __future__ import annotations

import csv
import difflib
import io
import json
import os
import tempfile
import tomllib
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd
import pydantic

from fiducialkit.errors import FileFormatError, InputError

Model = TypeVar("Model", bound=pydantic.BaseModel)


def read_bytes(path: str | Path) -> bytes:
    """Return the file's content; refuse what is missing, a folder or empty."""
    path = Path(path)
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
        return content.decode("utf-16")
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
    except tomllib.TOMLDecodeError as error:
        raise FileFormatError(path, "", f"expected TOML, found an error: {error}") from None


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


def write_json(path: str | Path, value: Any) -> Path:
    """Write JSON with two-space indents; NaN is refused, since JSON has none."""
    return write_text(path, json.dumps(value, indent=2, allow_nan=False, ensure_ascii=False) + "\n")


def validated(model: type[Model], data: Any, path: str | Path) -> Model:
    """Return `data` as the pydantic `model`, or raise one line that names the file and the field."""
    try:
        return model.model_validate(data)
    except pydantic.ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = _place(first["loc"])
        raise FileFormatError(path, where, _explanation(first, model)) from None


def _place(location: tuple[int | str, ...]) -> str:
    text = ""
    for part in location:
        text += f"[{part}]" if isinstance(part, int) else (f".{part}" if text else str(part))
    return text


def _explanation(error: Any, model: type[pydantic.BaseModel]) -> str:
    kind = error["type"]
    if kind == "missing":
        return "expected this key, found none"
    if kind == "extra_forbidden":
        key = str(error["loc"][-1])
        near = difflib.get_close_matches(key, sorted(_known_keys(model)), n=1)
        hint = f"; did you mean '{near[0]}'?" if near else ""
        return f"unknown key '{key}'{hint}"
    found = error.get("input")
    text = error["msg"].removeprefix("Value error, ")
    if kind == "value_error" or isinstance(found, dict):
        return str(text)
    return f"{text}, found {found!r}"


def _known_keys(model: type[pydantic.BaseModel]) -> set[str]:
    keys: set[str] = set()
    for definition in [model.model_json_schema(), *model.model_json_schema().get("$defs", {}).values()]:
        keys.update(definition.get("properties", {}))
    return keys


def read_csv(path: str | Path) -> pd.DataFrame:
    """Return a table of text and numbers from a CSV of any usual dialect.

    The separator (comma, semicolon, tab) is the one that gives every row the width of the header;
    decimal commas are understood where the separator is not a comma. A trailing separator is dropped.
    A column becomes numeric when every filled cell is a number.
    """
    rows = [row for row in _split_rows(path) if any(cell.strip() for cell in row)]
    if len(rows) < 1 or not rows[0]:
        raise FileFormatError(path, "", "expected a header row, found none")
    header = [cell.strip() for cell in rows[0]]
    if header and header[-1] == "":
        header = header[:-1]
    repeated = [name for name in header if header.count(name) > 1]
    if repeated:
        raise FileFormatError(path, repeated[0], "expected each column once, found it twice in the header")
    body = []
    for number, row in enumerate(rows[1:], start=2):
        if len(row) < len(header) or any(cell.strip() for cell in row[len(header) :]):
            raise FileFormatError(path, f"row {number}", f"expected {len(header)} cells, found {len(row)}")
        body.append([cell.strip() for cell in row[: len(header)]])
    frame = pd.DataFrame(body, columns=header, dtype=str)
    return frame.apply(_numeric_where_possible) if body else frame


def _split_rows(path: str | Path) -> list[list[str]]:
    text = read_text(path)
    first = text.splitlines()[0] if text.splitlines() else ""
    separator = max((",", ";", "\t"), key=first.count)
    return list(csv.reader(io.StringIO(text), delimiter=separator))


def _numeric_where_possible(column: pd.Series[Any]) -> pd.Series[Any]:
    for candidate in (column, column.str.replace(",", ".", regex=False)):
        values = pd.to_numeric(candidate.where(candidate != "", None), errors="coerce")
        if bool((values.notna() | (column == "") | (column.str.lower() == "nan")).all()):
            return values
    return column


def write_csv(path: str | Path, table: pd.DataFrame) -> Path:
    """Write a table as comma-separated UTF-8, whole or not at all; numbers keep nine significant digits."""
    return write_text(path, table.to_csv(index=False, float_format="%.9g", lineterminator="\n"))


def new_folder(path: str | Path) -> Path:
    """Return `path` as a folder that exists; refuse a file of that name."""
    path = Path(path)
    if path.exists() and not path.is_dir():
        raise InputError(f"{path}: expected a folder for the results, found a file")
    path.mkdir(parents=True, exist_ok=True)
    return path
