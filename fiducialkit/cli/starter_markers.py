"""Markers out of any table: its columns by name, its mistakes by row, and a field round them."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from fiducialkit.errors import FileFormatError, InputError
from fiducialkit.files import read_csv_lines
from fiducialkit.scene.field import OUTSIDE_ALLOWED_M, SMALLEST_FLOOR_M, Field, Marker, Node
from fiducialkit.scene.markers import MarkerFamily
from fiducialkit.scene.transforms import parts

REQUIRED = ("id", "x", "y", "z", "facing_deg")
OPTIONAL = ("tilt_deg", "roll_deg", "size")
_NODE_BEFORE_MARKER_M = 1.0
_NODE_FROM_EDGE_M = 0.45
_NEAR_WALL_M = 0.3
_MOST_NODES = 4
_SAME_WALL_M = 0.01


def field_of_csv(
    path: str | Path, *, columns: dict[str, str], metres: float, family: MarkerFamily, size_m: float | None
) -> Field:
    """Return a field with a table's markers, a floor that contains them and nodes before some of them.

    Parameters
    ----------
    path : str or Path
        The table, in any usual dialect.
    columns : dict of str to str
        For a key (id, x, y, z, facing_deg, tilt_deg, roll_deg, size) its column; a key left out is its own name.
    metres : float
        Length of the table's unit. [m]
    family : MarkerFamily
    size_m : float or None
        Size where the table has none. [m]

    Raises
    ------
    InputError
        If a key is unknown; as FileFormatError with the file's row for what the table holds.
    """
    path = Path(path)
    frame, lines = read_csv_lines(path)
    columns = _matched(columns, frame, path)
    if "size" not in columns and size_m is None:
        found = ", ".join(map(str, frame.columns))
        raise FileFormatError(path, "", f"expected a marker size or a column for size, found columns {found}")
    if not lines:
        raise FileFormatError(path, "", "expected at least one marker, found a header alone")
    _check_numbers(frame, lines, columns, path)
    markers = [_marker(_Row(frame, at, lines[at], columns, path), metres, size_m) for at in range(len(lines))]
    _check_corner(markers, lines, columns, path)
    size = _floor_of(markers)
    try:
        return Field(
            name=path.stem, size=size, family=family, markers=tuple(markers), nodes=tuple(_nodes(markers, size))
        )
    except InputError as error:
        raise _in_the_table_s_words(error, path, lines, columns) from None


def _matched(columns: dict[str, str], frame: pd.DataFrame, path: Path) -> dict[str, str]:
    """Return the column of every key that has one."""
    keys = (*REQUIRED, *OPTIONAL)
    for key in columns:
        if key not in keys:
            raise InputError(f"columns: expected keys among {', '.join(keys)}, found '{key}'")
    matched = {**{key: key for key in keys if key in frame.columns}, **columns}
    repeated = [name for name in matched.values() if list(matched.values()).count(name) > 1]
    if repeated:
        raise InputError(f"columns: expected a column for each key, found '{repeated[0]}' for two")
    found = ", ".join(map(str, frame.columns))
    for key, name in matched.items():
        if name not in frame.columns:
            raise FileFormatError(path, "", f"expected a column '{name}' for {key}, found columns {found}")
    missing = [key for key in REQUIRED if key not in matched]
    if missing:
        raise FileFormatError(path, "", f"expected columns for {', '.join(missing)}, found columns {found}")
    return matched


class _Row:
    """One row of the table, its numbers by key."""

    def __init__(self, frame: pd.DataFrame, at: int, line: int, columns: dict[str, str], path: Path) -> None:
        self._frame, self._at, self._columns, self._path = frame, at, columns, path
        self.place = f"row {line}"

    def number(self, key: str, default: float | None = None) -> float:
        """Return the cell; `default` where there is no such column or the cell is empty."""
        cell: Any = self._frame[self._columns[key]].iloc[self._at] if key in self._columns else None
        if pd.isna(cell):
            if default is None:
                raise self.refusal(key, "expected a number, found none")
            return default
        value = float(cell)
        if not math.isfinite(value):
            raise self.refusal(key, f"expected a finite number, found {value}")
        return value

    def whole(self, key: str) -> int:
        value = self.number(key)
        if value != int(value):
            raise self.refusal(key, f"expected a whole number, found {value:g}")
        return int(value)

    def refusal(self, key: str, message: str) -> FileFormatError:
        return FileFormatError(self._path, f"{self.place}, {self._columns.get(key, key)}", message)


def _marker(row: _Row, metres: float, size_m: float | None) -> Marker:
    return Marker(
        marker_id=row.whole("id"),
        position=(row.number("x") * metres, row.number("y") * metres, row.number("z") * metres),
        facing_deg=row.number("facing_deg"),
        tilt_deg=row.number("tilt_deg", 0.0),
        roll_deg=row.number("roll_deg", 0.0),
        size_m=row.number("size", None if size_m is None else size_m / metres) * metres,
    )


def _check_numbers(frame: pd.DataFrame, lines: list[int], columns: dict[str, str], path: Path) -> None:
    """Refuse the cell that made text of its whole column."""
    for name in columns.values():
        if pd.api.types.is_numeric_dtype(frame[name]):
            continue
        cells = [str(cell) for cell in frame[name]]
        bad = [at for at, cell in enumerate(cells) if cell and not _is_number(cell)]
        # no bad one: the column holds "1,500", which may be one and a half or fifteen hundred
        at = bad[0] if bad else next(at for at, cell in enumerate(cells) if "," in cell)
        raise FileFormatError(path, f"row {lines[at]}, {name}", f"expected a number, found {cells[at]!r:.80}")


def _is_number(cell: str) -> bool:
    try:
        float(cell.replace(",", "."))
    except ValueError:
        return False
    return True


def _check_corner(markers: list[Marker], lines: list[int], columns: dict[str, str], path: Path) -> None:
    """Refuse coordinates that do not count from a corner of the floor: moving them unasked would be worse."""
    for axis, name in enumerate("xy"):
        values = [marker.position[axis] for marker in markers]
        lowest = min(values)
        if lowest < -OUTSIDE_ALLOWED_M:
            raise FileFormatError(
                path,
                f"row {lines[values.index(lowest)]}, {columns[name]}",
                f"expected places counted from a corner of the floor, found {name} = {lowest:.4g} m; "
                f"add the distance from that corner to every {name}",
            )


def _floor_of(markers: list[Marker]) -> tuple[float, float]:
    """Return the smallest floor with all markers on it, and with room before them where there seems to be no wall."""
    lengths = []
    for axis in range(2):
        values = np.array([marker.position[axis] for marker in markers])
        outwards = np.array([parts(marker.field_from_marker)[0][axis, 2] for marker in markers])
        outermost = values >= values.max() - _SAME_WALL_M
        length = float(values.max())
        if length < SMALLEST_FLOOR_M or not (outwards[outermost] < -1e-6).any():  # nothing there looks back: no wall
            length = max(length, *(_place_before(marker)[axis] for marker in markers)) + _NODE_FROM_EDGE_M
        lengths.append(round(max(length, SMALLEST_FLOOR_M), 6))
    return lengths[0], lengths[1]


def _nodes(markers: list[Marker], size: tuple[float, float]) -> list[Node]:
    """Return example nodes 1 m before up to four markers, those on walls first, or one in the middle of the floor."""
    before = [(marker, _place_before(marker)) for marker in markers if abs(marker.tilt_deg) < 60.0]
    fitting = [(marker, place) for marker, place in before if _is_inside(place, size, _NODE_FROM_EDGE_M)]
    on_walls = [(marker, place) for marker, place in fitting if not _is_inside(marker.position, size, _NEAR_WALL_M)]
    chosen = on_walls or fitting
    spread = sorted({round(n) for n in np.linspace(0, len(chosen) - 1, min(_MOST_NODES, len(chosen)))})
    nodes = [
        _node(f"before marker {chosen[n][0].marker_id}", chosen[n][1], chosen[n][0].facing_deg + 180.0) for n in spread
    ]
    return nodes or [_node("middle of the floor", (size[0] / 2.0, size[1] / 2.0), 0.0)]


def _place_before(marker: Marker) -> tuple[float, float]:
    facing = math.radians(marker.facing_deg)
    return (
        marker.position[0] + _NODE_BEFORE_MARKER_M * math.cos(facing),
        marker.position[1] + _NODE_BEFORE_MARKER_M * math.sin(facing),
    )


def _is_inside(place: tuple[float, ...], size: tuple[float, float], from_edge_m: float) -> bool:
    return all(from_edge_m <= value <= length - from_edge_m for value, length in zip(place[:2], size, strict=True))


def _node(name: str, place: tuple[float, float], heading_deg: float) -> Node:
    return Node(
        name=name,
        position=(round(place[0], 6), round(place[1], 6)),
        heading_deg=180.0 - (180.0 - heading_deg) % 360.0,
        tolerance_along_m=0.03,
        tolerance_across_m=0.02,
        tolerance_heading_deg=2.0,
    )


def _in_the_table_s_words(error: InputError, path: Path, lines: list[int], columns: dict[str, str]) -> FileFormatError:
    """Return a field's complaint about marker[n] as one about the table's row."""
    where, _, message = str(error).partition(": ")
    entry = re.fullmatch(r"marker(?:\[(\d+)\])?\.(\w+)", where)
    if not entry:
        return FileFormatError(path, "", f"the floor that contains these markers: {message}")
    number, key = entry.groups()
    name = columns.get(key, key)
    return FileFormatError(path, f"row {lines[int(number)]}, {name}" if number else str(name), message)
