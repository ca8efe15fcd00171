"""Calibration boards on file: the TOML people write, with the ruler's measured length that scales everything."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Literal, Self

import pydantic

from fiducialkit.errors import FileFormatError, InputError
from fiducialkit.files import read_toml, validated
from fiducialkit.scene.boards import Board
from fiducialkit.scene.file_keys import METRES, LengthUnit, Number, StrictKeys, Text, Whole, built

_SCALE_RANGE = (0.5, 2.0)


class BoardKeys(StrictKeys):
    """The keys of board.toml; lengths in `length_unit`, as designed, before the printer had its way."""

    kind: Literal["charuco", "chessboard", "marker grid"]
    length_unit: LengthUnit
    squares_across: Whole
    squares_down: Whole
    square: Number
    marker: Number | None = None
    family: Text | None = None
    marker_ids: list[Whole] = []
    old_pattern: bool = False
    margin: Number | None = None
    ruler_printed: Number | None = None
    ruler_measured: Number | None = None

    @pydantic.model_validator(mode="after")
    def _both_lengths_of_the_ruler(self) -> Self:
        if (self.ruler_printed is None) != (self.ruler_measured is None):
            missing = "ruler_measured" if self.ruler_measured is None else "ruler_printed"
            raise ValueError(f"expected ruler_printed and ruler_measured together; {missing} is missing")
        return self


def scaled_board(board: Board, scale: float) -> Board:
    """Return the board as it really came out: every length times `scale`, measured over printed length.

    Raises
    ------
    InputError
        If the scale is not from 0.5 to 2: then the wrong thing was measured, or in the wrong unit.
    """
    least, most = _SCALE_RANGE
    if not least <= scale <= most:
        raise InputError(f"ruler_measured: expected {least:g} to {most:g} times the printed length, found {scale:g}")
    return replace(
        board,
        square_m=board.square_m * scale,
        marker_m=None if board.marker_m is None else board.marker_m * scale,
        margin_m=None if board.margin_m is None else board.margin_m * scale,
    )


def load_board(path: str | Path) -> Board:
    """Return the board of a TOML file, at its measured size where the file gives one.

    Raises
    ------
    FileFormatError
        One line naming the file, the field, what was expected and what was found.

    Notes
    -----
    The file of a board of 11 x 8 squares of 24 mm whose 100 mm ruler came out 99.4 mm long::

        kind = "charuco"            # "chessboard", "marker grid"
        length_unit = "mm"          # "m", "mm" or "in"
        squares_across = 11
        squares_down = 8
        square = 24.0               # of a marker grid: from one marker to the next
        marker = 18.0
        family = "4X4_50"
        old_pattern = false         # charuco boards of before 2022: white top left square with an even number of rows
        ruler_printed = 100.0
        ruler_measured = 99.4
    """
    path = Path(path)
    data = read_toml(path)
    if "kind" not in data and ("marker_size" in data or "width_px" in data):
        raise FileFormatError(path, "kind", "expected a board file, found what looks like another kind of file")
    keys = validated(BoardKeys, data, path)
    return built(lambda: board_from_keys(keys), path)


def board_from_keys(keys: BoardKeys) -> Board:
    """Return the board that checked keys describe, at its measured size."""
    metres = METRES[keys.length_unit]
    board = Board(
        kind=keys.kind,
        squares_across=keys.squares_across,
        squares_down=keys.squares_down,
        square_m=keys.square * metres,
        marker_m=None if keys.marker is None else keys.marker * metres,
        family=keys.family,
        marker_ids=tuple(keys.marker_ids),
        is_legacy=keys.old_pattern,
        margin_m=None if keys.margin is None else keys.margin * metres,
    )
    if keys.ruler_printed is None or keys.ruler_measured is None:
        return board
    if not keys.ruler_printed > 0.0:
        raise InputError(f"ruler_printed: expected a length above 0, found {keys.ruler_printed:g}")
    return scaled_board(board, keys.ruler_measured / keys.ruler_printed)


def board_text(board: Board, *, ruler_m: float | None = None) -> str:
    """Return the board as the TOML that `load_board` reads, lengths in millimetres.

    Parameters
    ----------
    board : Board
    ruler_m : float, optional
        Length of the ruler printed beside it; its measured length is then to be filled in. [m]
    """
    lines = [f'kind = "{board.kind}"', 'length_unit = "mm"']
    lines += [f"squares_across = {board.squares_across}", f"squares_down = {board.squares_down}"]
    lines.append(f"square = {1000.0 * board.square_m:.9g}")
    if board.marker_m is not None and board.family is not None:
        family = board.family if isinstance(board.family, str) else board.family.name
        lines += [f"marker = {1000.0 * board.marker_m:.9g}", f'family = "{family}"']
        if board.marker_ids != tuple(range(len(board.marker_ids))):
            lines.append(f"marker_ids = [{', '.join(str(each) for each in board.marker_ids)}]")
    if board.kind == "charuco":
        lines.append(f"old_pattern = {str(board.is_legacy).lower()}")
    if board.margin_m is not None:
        lines.append(f"margin = {1000.0 * board.margin_m:.9g}")
    if ruler_m is not None:
        lines += [
            f"ruler_printed = {1000.0 * ruler_m:.9g}",
            f"ruler_measured = {1000.0 * ruler_m:.9g}   # measure the printed ruler and write its length here",
        ]
    return "\n".join(lines) + "\n"
