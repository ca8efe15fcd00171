"""Calibration boards: chessboards, chessboards with markers in their white squares (ChArUco), grids of markers.

The board's frame has its origin at the top left corner of the pattern for somebody who looks at it, x to the right, y
DOWN and z into the board, away from the viewer: a board held upright before a camera has the camera's own axes. It is
the frame in which OpenCV's boards give their points, so points can be compared number by number.

Markers are printed as OpenCV draws them, which for the 36h11, 36h10, 25h9 and 16h5 families is the published artwork
turned by 180 degrees (`scene.markers`): only so do detectors of such boards read them. Corners of markers are given in
this library's order all the same, as `detect_markers` finds them: clockwise from the top left of the marker as its
family was published, which on a board of those families is printed at the bottom right.

References
----------
Garrido-Jurado et al., "Automatic generation and detection of highly reliable fiducial markers under occlusion",
Pattern Recognition 47 (2014) 2280-2292 (marker grids); OpenCV's documentation of its boards (numbering).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from numbers import Real
from typing import Any, Literal

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray
from fiducialkit.errors import InputError
from fiducialkit.scene.markers import MarkerFamily, marker_family

BoardKind = Literal["charuco", "chessboard", "marker grid"]
KINDS = ("charuco", "chessboard", "marker grid")
MOST_SQUARES = 200
SQUARE_RANGE_M = (0.0005, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """A flat board with a known pattern.

    Attributes
    ----------
    kind : {"charuco", "chessboard", "marker grid"}
    squares_across, squares_down : int
        Black and white squares of a chessboard, outer ones included; markers of a marker grid.
    square_m : float
        Side of a square; of a marker grid, the distance from one marker to the next. [m]
    marker_m : float or None
        Side of a marker's black square; None for a chessboard. [m]
    family : MarkerFamily, str or None
        Name or family, see `scene.markers.marker_family`; kept as the family. None for a chessboard.
    marker_ids : tuple of int
        Row by row from the top left; 0, 1, 2 ... if left empty.
    is_legacy : bool
        ChArUco boards as they were before OpenCV 4.6: with an even number of rows the top left square is white and
        holds a marker. With an odd number both are the same.
    margin_m : float or None
        White round the pattern; None: half a square. [m]

    Raises
    ------
    InputError
        At construction, naming the entry.
    """

    kind: BoardKind
    squares_across: int
    squares_down: int
    square_m: float
    marker_m: float | None = None
    family: MarkerFamily | str | None = None
    marker_ids: tuple[int, ...] = ()
    is_legacy: bool = False
    margin_m: float | None = None
    points_board: FloatArray = field(init=False, repr=False, compare=False)
    marker_corners_board: FloatArray = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        _check_size(self)
        if self.kind == "chessboard":
            _check_bare(self)
        else:
            self._set_markers()
        if self.margin_m is None:
            object.__setattr__(self, "margin_m", self.square_m / 2.0)
        corners = self._marker_corners()
        points = corners.reshape(-1, 3) if self.kind == "marker grid" else self._inner_corners()
        for name, value in (("points_board", points), ("marker_corners_board", corners)):
            value.flags.writeable = False
            object.__setattr__(self, name, value)

    @property
    def size_m(self) -> tuple[float, float]:
        """Width and height of the pattern, without its margin. [m]"""
        if self.kind == "marker grid":
            side = float(self.marker_m or 0.0)
            return (
                (self.squares_across - 1) * self.square_m + side,
                (self.squares_down - 1) * self.square_m + side,
            )
        return self.squares_across * self.square_m, self.squares_down * self.square_m

    def is_black_square(self, row: int, column: int) -> bool:
        """Return whether that square is black; a marker grid has none."""
        if self.kind == "marker grid":
            return False
        starts_white = self.kind == "charuco" and self.is_legacy and self.squares_down % 2 == 0
        return (row + column) % 2 == int(starts_white)

    def artwork(self) -> tuple[BoolArray, FloatArray, FloatArray]:
        """Return the pattern as a grid of cells of unequal size, with its margin.

        Returns
        -------
        white : ndarray of bool, shape (rows, columns)
            True is white.
        x_edges, y_edges : ndarray, shape (columns + 1,), (rows + 1,)
            Borders of the cells in the board's frame, both rising. [m]
        """
        x_edges, y_edges = self._edges(0), self._edges(1)
        x, y = (x_edges[1:] + x_edges[:-1]) / 2.0, (y_edges[1:] + y_edges[:-1]) / 2.0
        white = np.ones((len(y), len(x)), dtype=bool)
        width, height = self.size_m
        if self.kind != "marker grid":
            row = np.floor(y / self.square_m).astype(int)
            column = np.floor(x / self.square_m).astype(int)
            odd = int(not self.is_black_square(0, 0))
            black = (row[:, None] + column[None, :]) % 2 == odd
            inside = ((y > 0.0) & (y < height))[:, None] & ((x > 0.0) & (x < width))[None, :]
            white &= ~(black & inside)
        for marker_id, (left, top) in zip(self.marker_ids, self._marker_places(), strict=True):
            self._lay_marker(white, marker_id, (x - left, y - top))
        return white, x_edges, y_edges

    def _lay_marker(self, white: BoolArray, marker_id: int, place: tuple[FloatArray, FloatArray]) -> None:
        art, side = self.printed_artwork(marker_id), float(self.marker_m or 0.0)
        columns, rows = (np.flatnonzero((at > 0.0) & (at < side)) for at in place)
        column, row = ((at[k] / side * len(art)).astype(int) for at, k in zip(place, (columns, rows), strict=True))
        white[np.ix_(rows, columns)] = art[np.ix_(row, column)]

    def printed_artwork(self, marker_id: int) -> BoolArray:
        """Return a marker's cells as they are printed on the board, border included, True is white."""
        family = _family_of(self)
        art = family.artwork(marker_id)
        return np.asarray(art[::-1, ::-1] if family.is_turned_in_opencv else art, dtype=bool)

    def _set_markers(self) -> None:
        if self.marker_m is None or self.family is None:
            raise InputError(f"marker_m, family: expected with a {self.kind} board, found none")
        _check_length("marker_m", self.marker_m, *SQUARE_RANGE_M)
        if not self.marker_m < self.square_m:
            raise InputError(f"marker_m: expected less than square_m, {self.square_m:g} m, found {self.marker_m:g} m")
        if self.is_legacy and self.kind != "charuco":
            raise InputError(f"is_legacy: expected with a charuco board only, found it with a {self.kind}")
        family = marker_family(self.family)
        object.__setattr__(self, "family", family)
        object.__setattr__(self, "marker_ids", _checked_ids(self, family))

    def _marker_squares(self) -> list[tuple[int, int]]:
        """Return (row, column) of the squares with a marker, row by row."""
        if self.kind == "chessboard":
            return []
        every = np.ndindex(self.squares_down, self.squares_across)
        return [(row, column) for row, column in every if not self.is_black_square(row, column)]

    def _marker_places(self) -> FloatArray:
        """Return left and top of each marker, (M, 2). [m]"""
        inset = 0.0 if self.kind == "marker grid" else (self.square_m - float(self.marker_m or 0.0)) / 2.0
        places = [
            (column * self.square_m + inset, row * self.square_m + inset) for row, column in self._marker_squares()
        ]
        return np.array(places, dtype=np.float64).reshape(-1, 2)

    def _marker_corners(self) -> FloatArray:
        side = float(self.marker_m or 0.0)
        around = side * np.array(
            [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]
        )  # clockwise from the printed top left
        corners = np.zeros((len(self.marker_ids), 4, 3))
        corners[:, :, :2] = self._marker_places()[:, None] + around
        return corners if self.kind == "chessboard" else _family_of(self).upright_corners(corners)

    def _inner_corners(self) -> FloatArray:
        column, row = np.meshgrid(np.arange(1, self.squares_across), np.arange(1, self.squares_down))
        points = np.column_stack([column.ravel(), row.ravel(), np.zeros(column.size)])
        return np.asarray(points * self.square_m, dtype=np.float64)

    def _edges(self, axis: int) -> FloatArray:
        """Return all borders of cells along x or y, margin included."""
        length, margin = self.size_m[axis], float(self.margin_m or 0.0)
        edges = [-margin, 0.0, length, length + margin]
        if self.kind != "marker grid":
            edges += (self.square_m * np.arange((self.squares_across, self.squares_down)[axis] + 1)).tolist()
        if self.kind != "chessboard":
            cells = _family_of(self).cells()
            starts = np.unique(self._marker_places()[:, axis])
            side = float(self.marker_m or 0.0)
            edges += (starts[:, None] + side / cells * np.arange(cells + 1)).ravel().tolist()
        ordered = np.unique(edges)
        return np.asarray(ordered[np.append(True, np.diff(ordered) > 1e-9)], dtype=np.float64)


def _family_of(board: Board) -> MarkerFamily:
    return marker_family(board.family)  # type: ignore[arg-type]  # set at construction


def _checked_ids(board: Board, family: MarkerFamily) -> tuple[int, ...]:
    count = len(board._marker_squares())
    ids = board.marker_ids or tuple(range(count))
    if len(ids) != count:
        raise InputError(f"marker_ids: expected {count}, one for each marker, found {len(ids)}")
    for number, marker_id in enumerate(ids):
        if not _is_whole(marker_id) or not 0 <= marker_id < family.size:
            raise InputError(
                f"marker_ids[{number}]: expected 0 to {family.size - 1} for {family.name}, found {marker_id!r}"
            )
    if len(set(ids)) < len(ids):
        twice = next(each for number, each in enumerate(ids) if each in ids[:number])
        raise InputError(f"marker_ids: expected each id once, found {twice} twice")
    return tuple(int(each) for each in ids)


def _check_size(board: Board) -> None:
    if board.kind not in KINDS:
        raise InputError(f"kind: expected one of {', '.join(KINDS)}, found {board.kind!r}")
    least = 1 if board.kind == "marker grid" else 2
    for name in ("squares_across", "squares_down"):
        value = getattr(board, name)
        if not _is_whole(value) or not least <= value <= MOST_SQUARES:
            raise InputError(f"{name}: expected a whole number from {least} to {MOST_SQUARES}, found {value!r}")
    _check_length("square_m", board.square_m, *SQUARE_RANGE_M)
    if board.margin_m is not None:
        _check_length("margin_m", board.margin_m, 0.0, 1.0)


def _check_bare(board: Board) -> None:
    for name, is_given in (
        ("marker_m", board.marker_m is not None),
        ("family", board.family is not None),
        ("marker_ids", bool(board.marker_ids)),
        ("is_legacy", board.is_legacy),
    ):
        if is_given:
            raise InputError(f"{name}: expected without it for a chessboard, found {getattr(board, name)!r}")


def _check_length(name: str, value: Any, least: float, most: float) -> None:
    is_length = isinstance(value, Real) and not isinstance(value, bool | np.bool_)
    if not is_length or not least <= value <= most:
        raise InputError(f"{name}: expected {least:g} to {most:g} m, found {value!r}")


def _is_whole(value: Any) -> bool:
    return isinstance(value, int | np.integer) and not isinstance(value, bool)
