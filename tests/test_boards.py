"""Calibration boards: by hand, and against OpenCV's own boards number by number."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from fiducialkit import Board, InputError, draw_marker

SIZES = [(5, 4), (5, 5), (4, 6), (7, 3)]


def opencv_dictionary(name):
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{name}"))


def charuco(across, down, family="4X4_250", **others):
    sizes = {"square_m": 0.04, "marker_m": 0.03}
    return Board(kind="charuco", squares_across=across, squares_down=down, family=family, **sizes | others)


def in_pixels(board, pixel_m):
    """Return the artwork without its margin, one sample in the middle of each pixel: 255 is white."""
    white, x_edges, y_edges = board.artwork()
    width, height = board.size_m
    x, y = ((np.arange(round(length / pixel_m)) + 0.5) * pixel_m for length in (width, height))
    columns, rows = np.searchsorted(x_edges, x) - 1, np.searchsorted(y_edges, y) - 1
    return np.where(white[np.ix_(rows, columns)], 255, 0)


def test_a_small_chessboard_by_hand():
    board = Board(kind="chessboard", squares_across=4, squares_down=3, square_m=0.01)
    # three by two inner corners, row by row from the top left; x right, y down
    expected = [[1, 1, 0], [2, 1, 0], [3, 1, 0], [1, 2, 0], [2, 2, 0], [3, 2, 0]]
    np.testing.assert_allclose(board.points_board, np.array(expected) * 0.01, atol=1e-15)
    assert board.size_m == pytest.approx((0.04, 0.03))
    assert board.margin_m == 0.005
    assert board.marker_ids == () and board.marker_corners_board.shape == (0, 4, 3)
    white, x_edges, y_edges = board.artwork()
    np.testing.assert_allclose(x_edges, [-0.005, 0.0, 0.01, 0.02, 0.03, 0.04, 0.045], atol=1e-15)
    np.testing.assert_allclose(y_edges, [-0.005, 0.0, 0.01, 0.02, 0.03, 0.035], atol=1e-15)
    art = ["111111", "101011", "110101", "101011", "111111"]  # black at the top left
    assert ["".join(str(int(cell)) for cell in row) for row in white] == art


def test_a_board_of_one_marker_is_that_marker():
    board = Board(
        kind="marker grid", squares_across=1, squares_down=1, square_m=0.1, marker_m=0.06, family="4X4_50",
        marker_ids=(7,), margin_m=0.0,
    )  # fmt: skip
    np.testing.assert_array_equal(in_pixels(board, 0.01), draw_marker("4X4_50", 7, cell_px=1, margin_cells=0))
    corners = [[0, 0, 0], [0.06, 0, 0], [0.06, 0.06, 0], [0, 0.06, 0]]
    np.testing.assert_allclose(board.points_board, corners, atol=1e-15)


@pytest.mark.parametrize("is_legacy", [False, True])
@pytest.mark.parametrize("family", ["4X4_250", "APRILTAG_36h11"])
@pytest.mark.parametrize("size", SIZES)
def test_charuco_corners_and_ids_are_opencvs(size, family, is_legacy):
    board = charuco(*size, family, is_legacy=is_legacy)
    theirs = cv2.aruco.CharucoBoard(size, 0.04, 0.03, opencv_dictionary(family))
    theirs.setLegacyPattern(is_legacy)
    np.testing.assert_allclose(board.points_board, theirs.getChessboardCorners(), atol=1e-7)
    assert board.marker_ids == tuple(theirs.getIds().ravel().tolist())
    # OpenCV's corner order is that of its own, for some families turned, artwork
    ours_by_them = board.family.upright_corners(board.marker_corners_board)  # half a turn is its own inverse
    np.testing.assert_allclose(ours_by_them, np.array(theirs.getObjPoints()), atol=1e-7)


@pytest.mark.parametrize("family", ["ARUCO_ORIGINAL", "APRILTAG_16h5"])
def test_marker_grid_corners_and_ids_are_opencvs(family):
    ids = (9, 4, 0, 3, 12, 7)
    board = Board(
        kind="marker grid", squares_across=3, squares_down=2, square_m=0.05, marker_m=0.035, family=family,
        marker_ids=ids,
    )  # fmt: skip
    theirs = cv2.aruco.GridBoard((3, 2), 0.035, 0.015, opencv_dictionary(family), np.array(ids))
    ours_by_them = board.family.upright_corners(board.marker_corners_board)
    np.testing.assert_allclose(ours_by_them, np.array(theirs.getObjPoints()), atol=1e-7)
    np.testing.assert_array_equal(board.points_board, board.marker_corners_board.reshape(-1, 3))
    assert board.size_m == pytest.approx((0.135, 0.085))


@pytest.mark.parametrize("is_legacy", [False, True])
@pytest.mark.parametrize("family", ["4X4_250", "APRILTAG_36h11"])
@pytest.mark.parametrize("size", SIZES)
def test_charuco_artwork_is_opencvs_picture(size, family, is_legacy):
    # a marker's cell is 5 px; the marker's side a whole number of pixels, so that nothing is resampled
    cells = {"4X4_250": 6, "APRILTAG_36h11": 8}[family]
    square_px, marker_px = 5 * cells + 10, 5 * cells
    board = charuco(*size, family, square_m=square_px * 1e-3, marker_m=marker_px * 1e-3, is_legacy=is_legacy)
    theirs = cv2.aruco.CharucoBoard(size, square_px * 1e-3, marker_px * 1e-3, opencv_dictionary(family))
    theirs.setLegacyPattern(is_legacy)
    picture = theirs.generateImage((size[0] * square_px, size[1] * square_px), marginSize=0)
    np.testing.assert_array_equal(in_pixels(board, 1e-3), picture)


def test_marker_grid_artwork_is_opencvs_picture():
    board = Board(kind="marker grid", squares_across=3, squares_down=2, square_m=0.05, marker_m=0.04, family="36h11")
    theirs = cv2.aruco.GridBoard((3, 2), 0.04, 0.01, opencv_dictionary("APRILTAG_36h11"))
    picture = theirs.generateImage((140, 90), marginSize=0)
    np.testing.assert_array_equal(in_pixels(board, 1e-3), picture)


def test_black_and_white_of_old_and_new_patterns():
    # field report A28: the start of the pattern changed for an even number of rows
    assert charuco(5, 4).is_black_square(0, 0)
    assert not charuco(5, 4, is_legacy=True).is_black_square(0, 0)
    assert charuco(5, 5).is_black_square(0, 0) and charuco(5, 5, is_legacy=True).is_black_square(0, 0)


def test_results_cannot_be_written_to():
    board = charuco(5, 4)
    for array in (board.points_board, board.marker_corners_board):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1.0
    assert board == charuco(5, 4) and hash(board) == hash(charuco(5, 4))


PLAIN = {"kind": "chessboard", "squares_across": 5, "squares_down": 4, "square_m": 0.03}


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: Board(**PLAIN | {"kind": "dots"}),
            "kind: expected one of charuco, chessboard, marker grid, found 'dots'",
        ),
        (
            lambda: Board(**PLAIN | {"squares_across": 1}),
            "squares_across: expected a whole number from 2 to 200, found 1",
        ),
        (
            lambda: Board(**PLAIN | {"squares_down": 4.5}),
            "squares_down: expected a whole number from 2 to 200, found 4.5",
        ),
        (lambda: Board(**PLAIN | {"square_m": 30.0}), "square_m: expected 0.0005 to 1 m, found 30.0"),
        (lambda: Board(**PLAIN | {"square_m": float("nan")}), "square_m: expected 0.0005 to 1 m, found nan"),
        (lambda: Board(**PLAIN | {"margin_m": -0.01}), "margin_m: expected 0 to 1 m, found -0.01"),
        (lambda: Board(**PLAIN | {"family": "36h11"}), "family: expected without it for a chessboard"),
        (lambda: Board(**PLAIN | {"is_legacy": True}), "is_legacy: expected without it for a chessboard, found True"),
        (lambda: Board(**PLAIN | {"kind": "charuco"}), "marker_m, family: expected with a charuco board, found none"),
        # field report A30: marker larger than its square, board larger than its family
        (lambda: charuco(5, 4, marker_m=0.05), "marker_m: expected less than square_m, 0.04 m, found 0.05 m"),
        (lambda: charuco(40, 40), r"marker_ids\[250\]: expected 0 to 249 for 4X4_250, found 250"),
        (lambda: charuco(3, 3, marker_ids=(1, 2, 3)), "marker_ids: expected 4, one for each marker, found 3"),
        (lambda: charuco(3, 3, marker_ids=(1, 2, 3, 2)), "marker_ids: expected each id once, found 2 twice"),
        (lambda: charuco(3, 3, "9X9"), "family: expected a family name such as 36h11"),
    ],
)
def test_mistakes_are_said_in_one_line(make, message):
    with pytest.raises(InputError, match=message) as caught:
        make()
    assert "\n" not in str(caught.value)
