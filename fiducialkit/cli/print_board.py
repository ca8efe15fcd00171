"""`fiducialkit print-board`: a calibration board, or single markers, on paper at true scale."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

if TYPE_CHECKING:
    from fiducialkit.scene.boards import Board

_DEFAULTS = {"charuco": (11, 8), "chessboard": (11, 8), "marker grid": (5, 4)}


def print_board(
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the sheet and board.toml go.")],
    board: Annotated[
        Path | None, typer.Option(metavar="BOARD", help="A board file; its size then comes from there.")
    ] = None,
    kind: Annotated[str, typer.Option(help="charuco, chessboard or 'marker grid'.")] = "charuco",
    across: Annotated[int | None, typer.Option(help="Squares across, or markers of a grid.  [default: 11; 5]")] = None,
    down: Annotated[int | None, typer.Option(help="Squares down, or markers of a grid.  [default: 8; 4]")] = None,
    square_mm: Annotated[
        float | None, typer.Option(help="Side of a square; of a grid, from marker to marker.  [default: what fits]")
    ] = None,
    marker_mm: Annotated[float | None, typer.Option(help="Side of a marker.  [default: 3/4 of the square]")] = None,
    family: Annotated[str, typer.Option(help="Marker family, or a dictionary file.")] = "5X5_100",
    ids: Annotated[str | None, typer.Option(help="Ids of the markers, like 0-11 or 3,7,12.  [default: from 0]")] = None,
    old_pattern: Annotated[bool, typer.Option("--old-pattern", help="Charuco as it was before 2022.")] = False,
    paper: Annotated[str, typer.Option(help="A5 to A0, Letter, Legal, Tabloid, or WIDTHxHEIGHT in mm.")] = "A4",
    formats: Annotated[str, typer.Option(help="pdf, svg, png, separated by commas.")] = "pdf",
    dots_per_inch: Annotated[float, typer.Option(help="Of the PNG.")] = 300.0,
) -> None:
    """Draw a calibration board at true scale, with a ruler to check the print.

    Writes board.pdf (board.svg, board.png) and board.toml for calibrate-lens. For one marker: --kind 'marker grid'
    --across 1 --down 1 --ids 7 --square-mm 160 --marker-mm 150.
    """
    from fiducialkit import files
    from fiducialkit.cli.console import checked_folder, say
    from fiducialkit.errors import InputError
    from fiducialkit.report.board_print import MM, board_sheet, describe, sheet_bytes
    from fiducialkit.scene.board_file import board_text, load_board

    checked_folder(out)
    wanted = [each.strip().lower() for each in formats.split(",") if each.strip()]
    if not wanted:
        raise InputError("--formats: expected some of pdf, svg, png, found none")
    if board is not None:
        plan = load_board(board)
    else:
        shape = (across, down, square_mm, marker_mm)
        plan = _planned(kind, shape, family, _ids(ids), old_pattern, paper)
    sheet = board_sheet(plan, paper)
    made = {f"board.{form}": sheet_bytes(sheet, form, dots_per_inch) for form in wanted}
    folder = files.new_folder(out)
    written = [files.write_bytes(folder / name, content) for name, content in made.items()]
    written.append(files.write_text(folder / "board.toml", board_text(plan, ruler_m=sheet.ruler_mm / MM)))
    print(f"{describe(plan)} on {sheet.width:g} x {sheet.height:g} mm: {', '.join(str(path) for path in written)}")
    say(
        f"Print at 100 %, measure the {sheet.ruler_mm:g} mm ruler, and write what you find as ruler_measured into "
        "board.toml: all distances hang on it."
    )


def _ids(text: str | None) -> tuple[int, ...]:
    from fiducialkit.errors import InputError

    if text is None:
        return ()
    found: list[int] = []
    for part in text.split(","):
        first, _, last = part.strip().partition("-")
        if not first.isdecimal() or not (last.isdecimal() or not last) or int(last or first) - int(first) > 10_000:
            raise InputError(f"--ids: expected numbers like 0-11 or 3,7,12, found '{text}'")
        found += range(int(first), int(last or first) + 1)
    return tuple(found)


def _planned(
    kind: str,
    shape: tuple[int | None, int | None, float | None, float | None],
    family: str,
    ids: tuple[int, ...],
    old_pattern: bool,
    paper: str,
) -> Board:
    """Return the board that the options describe; squares as large as the paper allows if no size is given."""
    from fiducialkit.errors import InputError
    from fiducialkit.scene.boards import KINDS, Board, BoardKind

    if kind not in KINDS:
        raise InputError(f"--kind: expected one of {', '.join(KINDS)}, found '{kind}'")
    across, down = shape[0] or _DEFAULTS[kind][0], shape[1] or _DEFAULTS[kind][1]

    def made(square_mm: float) -> Board:
        has_markers = kind != "chessboard"
        marker_mm = shape[3] if shape[3] is not None else 0.75 * square_mm
        return Board(
            kind=cast(BoardKind, kind), squares_across=across, squares_down=down, square_m=square_mm / 1000.0,
            marker_m=marker_mm / 1000.0 if has_markers else None, family=family if has_markers else None,
            marker_ids=ids if has_markers else (), is_legacy=old_pattern,
        )  # fmt: skip

    return made(shape[2] if shape[2] is not None else _largest_square(made, paper))


def _largest_square(made: Callable[[float], Board], paper: str) -> float:
    """Return the largest square in whole millimetres with which the board fits on the paper."""
    from fiducialkit.errors import InputError
    from fiducialkit.report.board_print import board_sheet, paper_size

    longest = int(max(paper_size(paper)))
    for square_mm in range(longest, 2, -1):
        try:
            board_sheet(made(float(square_mm)), paper)
        except InputError as error:
            if not str(error).startswith("paper: expected room"):
                raise
            continue
        return float(square_mm)
    raise InputError(f"--paper: expected one that holds squares of 3 mm, found {paper}")
