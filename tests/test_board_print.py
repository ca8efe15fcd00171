"""Printed boards at true scale: the PDF drawn by an outside program, the SVG and PNG, measured in millimetres."""

from __future__ import annotations

import re
import shutil
import subprocess

import cv2
import numpy as np
import pytest

from fiducialkit.errors import InputError
from fiducialkit.report.board_print import (
    EDGE_MM,
    MM,
    POINTS_PER_MM,
    board_sheet,
    describe,
    paper_size,
    sheet_bytes,
    sheet_pdf,
    sheet_svg,
)
from fiducialkit.scene.boards import Board

DOTS_PER_INCH = 300
PIXEL_MM = 25.4 / DOTS_PER_INCH
needs_poppler = pytest.mark.skipif(
    shutil.which("pdftoppm") is None, reason="pdftoppm is not installed (Debian: poppler-utils)"
)


def chessboard(across: int, down: int, square_mm: float) -> Board:
    return Board(kind="chessboard", squares_across=across, squares_down=down, square_m=square_mm / MM)


def charuco(across: int, down: int, square_mm: float) -> Board:
    return Board(
        kind="charuco", squares_across=across, squares_down=down, square_m=square_mm / MM,
        marker_m=0.75 * square_mm / MM, family="5X5_100",
    )  # fmt: skip


def one_marker() -> Board:
    return Board(
        kind="marker grid", squares_across=1, squares_down=1, square_m=0.16, marker_m=0.15, family="36h11",
        marker_ids=(7,), margin_m=0.01875,
    )  # fmt: skip


# the largest board of each paper, so that a wrong scale shows over the whole page
BOARDS = {
    "A4": chessboard(11, 8, 19.0), "Letter": charuco(9, 7, 22.0), "A3": chessboard(13, 9, 26.0),
    "250x180": chessboard(6, 5, 22.0),
}  # fmt: skip


def edges_mm(levels) -> np.ndarray:
    """Return where a line of grey levels passes half way between black and white, from the sheet's edge. [mm]"""
    light = levels.astype(float) - 127.5
    at = np.flatnonzero(light[1:] * light[:-1] < 0.0)
    return (at + 0.5 + light[at] / (light[at] - light[at + 1])) * PIXEL_MM


def rasterised(content: bytes, folder) -> np.ndarray:
    """Return the page as poppler's pdftoppm draws it, grey."""
    (folder / "board.pdf").write_bytes(content)
    command = ["pdftoppm", "-r", str(DOTS_PER_INCH), "-gray", "-singlefile", "board.pdf", "board"]
    subprocess.run(command, cwd=folder, check=True, capture_output=True, timeout=60)
    return cv2.imdecode(np.fromfile(folder / "board.pgm", np.uint8), cv2.IMREAD_GRAYSCALE)


def lines_through(board: Board, picture, origin_mm):
    """Yield what is measured along the middles of the first and last row and column, and where edges should be."""
    side, margin = board.square_m * MM, float(board.margin_m or 0.0) * MM
    counts = (board.squares_across, board.squares_down)
    for axis in (0, 1):
        for number in (0, counts[1 - axis] - 1):
            middle = round((origin_mm[1 - axis] + (number + 0.03) * side) / PIXEL_MM)
            line = picture[middle] if axis == 0 else picture[:, middle]
            low, high = origin_mm[axis] - 0.8 * margin, origin_mm[axis] + counts[axis] * side + 0.8 * margin
            found = edges_mm(line)
            black = [board.is_black_square(*((number, k) if axis == 0 else (k, number))) for k in range(counts[axis])]
            changes = np.flatnonzero(np.diff([False, *black, False]))
            yield found[(found > low) & (found < high)], origin_mm[axis] + side * changes


@needs_poppler
@pytest.mark.parametrize("paper", BOARDS)
def test_the_pdf_drawn_by_an_outside_program_is_true_within_a_tenth_of_a_millimetre(paper, tmp_path):
    """Every edge of the first and last row and column, measured from the sheet's own edge, by poppler's pdftoppm."""
    board, sheet = BOARDS[paper], board_sheet(BOARDS[paper], paper)
    picture = rasterised(sheet_pdf(sheet), tmp_path)
    assert np.array(picture.shape[::-1]) * PIXEL_MM == pytest.approx([sheet.width, sheet.height], abs=PIXEL_MM)
    worst = 0.0
    for found, expected in lines_through(board, picture, sheet.origin_mm):
        assert len(found) == len(expected)
        worst = max(worst, float(np.abs(found - expected).max()))
    assert worst < 0.1


@needs_poppler
def test_the_printed_ruler_is_as_long_as_it_says(tmp_path):
    sheet = board_sheet(BOARDS["A4"], "A4")
    picture = rasterised(sheet_pdf(sheet), tmp_path)
    # the longest mark of each end, 5 mm tall; halfway up it no other mark stands beside
    row = round((sheet.height - EDGE_MM - 17.0 - 4.5) / PIXEL_MM)
    edges = edges_mm(picture[row])
    assert edges[-1] - edges[0] == pytest.approx(sheet.ruler_mm, abs=0.1)


@needs_poppler
def test_a_single_marker_is_printed_at_its_size(tmp_path):
    """Side of the black square of a 36h11 marker of 150 mm, along its border cells."""
    sheet = board_sheet(one_marker(), "A4")
    picture = rasterised(sheet_pdf(sheet), tmp_path)
    row, column = (round((origin + 5.0) / PIXEL_MM) for origin in sheet.origin_mm[::-1])
    for line in (picture[row], picture[: round((sheet.height - 30.0) / PIXEL_MM), column]):
        edges = edges_mm(line)
        assert edges[-1] - edges[0] == pytest.approx(150.0, abs=0.1)


@pytest.mark.parametrize("paper", BOARDS)
def test_the_svg_s_unit_is_the_millimetre(paper):
    """By hand: width, height and the box of its user units are the paper's."""
    sheet = board_sheet(BOARDS[paper], paper)
    text = sheet_svg(sheet)
    found = re.search(r'width="([\d.]+)mm" height="([\d.]+)mm" viewBox="0 0 ([\d.]+) ([\d.]+)"', text)
    expected = sorted(paper_size(paper))
    assert sorted(float(each) for each in found.groups()[:2]) == pytest.approx(expected)
    assert sorted(float(each) for each in found.groups()[2:]) == pytest.approx(expected)


def test_the_png_is_true_over_the_page():
    board, sheet = BOARDS["A4"], board_sheet(BOARDS["A4"], "A4")
    content = sheet_bytes(sheet, "png", float(DOTS_PER_INCH))
    picture = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_GRAYSCALE)
    for found, expected in lines_through(board, picture, sheet.origin_mm):
        np.testing.assert_allclose(found, expected, atol=0.05)


def test_the_sheet_says_what_it_is_and_what_to_do_with_it():
    words = " ".join(text.words for text in board_sheet(BOARDS["Letter"], "Letter").texts)
    for needed in ("Measured: ____", "100 %", "Glue the sheet flat", "charuco, 9 x 7, square 22 mm, marker 16.5 mm"):
        assert needed in words
    assert describe(one_marker()).endswith("marker 150 mm, APRILTAG_36h11, ids 7 to 7")


def test_the_pdf_asks_not_to_be_scaled():
    content = sheet_pdf(board_sheet(BOARDS["A4"], "A4"))
    assert b"/PrintScaling /None" in content
    box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", content)
    assert [float(each) for each in box.groups()] == pytest.approx([297 * POINTS_PER_MM, 210 * POINTS_PER_MM], abs=1e-4)


@pytest.mark.parametrize(
    ("board", "paper", "message"),
    [
        (chessboard(11, 8, 30.0), "A4", "squares of .* mm would fit"),
        (chessboard(11, 8, 20.0), "B9", "paper: expected A5"),
        (chessboard(11, 8, 20.0), "10x10", "paper: expected A5"),
    ],
)
def test_what_does_not_fit_is_said_in_one_line(board, paper, message):
    with pytest.raises(InputError, match=message) as caught:
        board_sheet(board, paper)
    assert "\n" not in str(caught.value)
