"""Finding a calibration board in a picture: which of its points are seen where, and how surely.

Corners of a chessboard are fitted with the model of two crossing edges (`imaging.saddle_kernels`), corners of markers
with their whole pattern (`imaging.refinement`). Both come with a covariance. A picture that cannot be used has a status
and a sentence that says why.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from fiducialkit.arrays import ByteArray, FloatArray, IntArray, checked_array
from fiducialkit.errors import InputError
from fiducialkit.imaging import saddle_kernels
from fiducialkit.imaging.images import to_grey8
from fiducialkit.imaging.opencv import as_detections, as_points
from fiducialkit.imaging.refinement import fit_marker
from fiducialkit.scene.boards import Board
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.markers import marker_family

STATUSES = (
    "ok",
    "no board",
    "too few corners",
    "collinear",
    "blurred",
    "mirrored",
    "other size",
    "damaged",
    "repeated",
    "not needed",
)
FEWEST_CORNERS = 6
LARGEST_BLUR_PX = 3.0
_FEWEST_MARKERS = 2
_LARGEST_WINDOW_PX, _SMALLEST_WINDOW_PX = 9.0, 2.9
_REACH_OF_BLUR_PX = 1.5  # pixels this near to another edge already feel it
_LARGEST_SHIFT = 0.25  # of a square, between where a corner is looked for and where it is found
_LEAST_CONTRAST_GREY, _LEAST_EXPLAINED = 4.0, 0.8
_LEAST_SD_PX = 0.004  # what grey levels that are whole numbers and a lens that bends inside the window leave
_FLAT = 0.02  # of the larger spread of the seen points, below which they lie on a line
_FINDER_WIDTH_PX = (
    640  # a chessboard is looked for in smaller copies of about this width; its corners are fitted at full size
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoardView:
    """What one picture shows of a board.

    Attributes
    ----------
    name : str
        Of the picture.
    status : str
        One of `STATUSES`; only "ok" can be used.
    message : str
        What is odd, or why the picture cannot be used.
    picture_size_px : (int, int)
    points_board : ndarray, shape (N, 3)
        The board's points that are seen. [m]
    points_px : ndarray, shape (N, 2)
        Where. [px]
    covariance_px2 : ndarray, shape (N, 2, 2)
    blur_px : float
        Median sd of the edges, optics and pixel area together; NaN if not known. [px]
    board : Board or None
        The board as it was found: with its markers in the old pattern, or rows and columns swapped; None if the points
        come from a table.
    """

    name: str
    status: str = "ok"
    message: str = ""
    picture_size_px: tuple[int, int]
    points_board: FloatArray
    points_px: FloatArray
    covariance_px2: FloatArray
    blur_px: float = float("nan")
    board: Board | None = None

    def __post_init__(self) -> None:
        points = checked_array(f"view {self.name}: points_board", self.points_board, (None, 3))
        pixels = checked_array(f"view {self.name}: points_px", self.points_px, (len(points), 2))
        covariance = checked_array(f"view {self.name}: covariance_px2", self.covariance_px2, (len(points), 2, 2))
        if self.status not in STATUSES:
            raise InputError(f"view {self.name}: status: expected one of {', '.join(STATUSES)}, found {self.status!r}")
        for name, array in (("points_board", points), ("points_px", pixels), ("covariance_px2", covariance)):
            array.flags.writeable = False
            object.__setattr__(self, name, array)

    def __len__(self) -> int:
        return len(self.points_px)

    def refused(self, status: str, message: str) -> BoardView:
        """Return the view marked as one that cannot be used."""
        return replace(self, status=status, message=message)


def view_without_board(name: str, status: str, message: str, size_px: tuple[int, int] = (0, 0)) -> BoardView:
    """Return a view that shows nothing of use."""
    return BoardView(
        name=name, status=status, message=message, picture_size_px=size_px, points_board=np.empty((0, 3)),
        points_px=np.empty((0, 2)), covariance_px2=np.empty((0, 2, 2)),
    )  # fmt: skip


def find_board(image: Any, board: Board, *, name: str = "picture", camera: Camera | None = None) -> BoardView:
    """Return what a picture shows of a board.

    Parameters
    ----------
    image : array_like, shape (h, w) or (h, w, 3)
        As for `imaging.images.to_grey8`.
    board : Board
        As it was meant. A board of the old pattern, or with rows and columns swapped, is recognised and said.
    name : str
        For messages.
    camera : Camera, optional
        A first idea of the lens, so that markers of a grid are fitted with the edges it bends.

    Notes
    -----
    On rendered boards (blur 0.7 px, noise 2 grey levels, squares of 25-60 px) corners are off by 0.01 px
    rms, their mean by less than 0.002 px; `tests/benchmarks/lens_calibration.py` measures it.
    """
    grey = to_grey8(image)
    if board.kind == "chessboard":
        return _chessboard(grey, board, name)
    corners, ids = _markers(grey, board)
    wanted = np.isin(ids, board.marker_ids)
    corners, ids = corners[wanted], ids[wanted]
    size = (grey.shape[1], grey.shape[0])
    if len(ids) < min(_FEWEST_MARKERS, len(board.marker_ids)):
        return _nothing(grey, board, name)
    found, oddity = _as_printed(board, corners, ids)
    if found is None:
        return view_without_board(name, "no board", oddity, size)
    if board.kind == "marker grid":
        return _checked(_marker_points(grey, found, corners, ids, camera), name, found, size, oddity)
    starts = _expected_corners(found, corners, ids)
    return _checked(_fitted(grey, found, *starts), name, found, size, oddity)


_Points = tuple[
    IntArray, FloatArray, FloatArray, FloatArray
]  # numbers of the board's points, places, covariances, blurs


def _checked(points: _Points, name: str, board: Board, size: tuple[int, int], oddity: str) -> BoardView:
    """Return the view with its status."""
    index, pixels, covariance, blurs = points
    view = BoardView(
        name=name, message=oddity, picture_size_px=size, points_board=board.points_board[index], points_px=pixels,
        covariance_px2=covariance, blur_px=float(np.median(blurs)) if len(blurs) else float("nan"), board=board,
    )  # fmt: skip
    return screened(view)


def screened(view: BoardView) -> BoardView:
    """Return the view, refused with the reason if its own points cannot serve a calibration."""
    if view.status != "ok":
        return view
    if len(view) < FEWEST_CORNERS:
        few = f"expected at least {FEWEST_CORNERS} corners of the board, found {len(view)}"
        return view.refused("too few corners", few)
    for points, where in ((view.points_board[:, :2], "on the board"), (view.points_px, "in the picture")):
        spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
        if not spread[1] > _FLAT * spread[0]:
            return view.refused("collinear", f"expected corners of several rows, found them all on one line {where}")
    if view.blur_px > LARGEST_BLUR_PX:
        return view.refused(
            "blurred", f"expected edges no wider than {LARGEST_BLUR_PX:g} px (sd), found {view.blur_px:.1f} px: "
            "out of focus, or moved while it was taken",
        )  # fmt: skip
    return view


def _markers(grey: ByteArray, board: Board) -> tuple[FloatArray, IntArray]:
    """Return corners (M, 4, 2) of the markers seen, in this library's order, and their ids."""
    family = marker_family(board.family)  # type: ignore[arg-type]  # boards with markers have one
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMax = 43
    parameters.minMarkerPerimeterRate = 0.01
    corners, ids, _ = cv2.aruco.ArucoDetector(family.opencv_dictionary, parameters).detectMarkers(grey)
    found, places = as_detections(corners, ids)
    keep = np.array([np.sum(found == each) == 1 for each in found], dtype=bool)  # seen twice: neither can be trusted
    return family.upright_corners(places[keep]), found[keep]


def _nothing(grey: ByteArray, board: Board, name: str) -> BoardView:
    size = (grey.shape[1], grey.shape[0])
    mirrored = np.ascontiguousarray(grey[:, ::-1])
    _, ids = _markers(mirrored, board)
    if np.isin(ids, board.marker_ids).sum() >= min(_FEWEST_MARKERS, len(board.marker_ids)):
        return view_without_board(
            name, "mirrored", "the picture is mirrored: markers are read in its reflection only; "
            "switch the camera's mirroring off", size,
        )  # fmt: skip
    return view_without_board(name, "no board", f"no markers of the board's family {_family_name(board)} found", size)


def _family_name(board: Board) -> str:
    return marker_family(board.family).name  # type: ignore[arg-type]


def _as_printed(board: Board, corners: FloatArray, ids: IntArray) -> tuple[Board | None, str]:
    """Return the board whose markers stand as those seen do, and what is odd about it."""
    best, oddity, most = None, "", -1
    for candidate, text in _variants(board):
        agreeing = _agreement(candidate, corners, ids)
        if agreeing > most:
            best, oddity, most = candidate, text, agreeing
    if most < max(1.0, 0.6 * len(ids)):
        return None, f"{len(ids)} markers are seen, but not where the board should have them: is it another board?"
    return best, oddity


def _variants(board: Board) -> list[tuple[Board, str]]:
    variants = [(board, "")]
    if board.kind == "charuco":
        now, other = ("the old", "") if not board.is_legacy else ("today's", "not ")
        text = f"the board is of {now} pattern: old_pattern should {other}be set"
        variants.append((replace(board, is_legacy=not board.is_legacy), text))
    if board.squares_across != board.squares_down:
        text = f"rows and columns are swapped: the board has {board.squares_down} squares across and "
        text += f"{board.squares_across} down"
        turned = (board.squares_down, board.squares_across)
        for candidate, more in list(variants):
            both = f"{text}; {more}" if more else text
            variants.append((replace(candidate, squares_across=turned[0], squares_down=turned[1]), both))
    return [each for each in variants if len(each[0].marker_ids) == len(board.marker_ids)]


def _agreement(board: Board, corners: FloatArray, ids: IntArray) -> int:
    """Return how many markers lie where one perspective of the board puts them, within a quarter of a square."""
    order = {marker_id: number for number, marker_id in enumerate(board.marker_ids)}
    known = board.marker_corners_board[[order[int(each)] for each in ids], :, :2]
    if len(ids) == 1:
        return 1
    side = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).mean()
    square_px = side * board.square_m / float(board.marker_m or board.square_m)
    found: Any = cv2.findHomography(known.reshape(-1, 2), corners.reshape(-1, 2), cv2.RANSAC, 0.25 * square_px)
    transform = found[0]
    if transform is None:
        return 0
    error = np.linalg.norm(_through(transform, known.reshape(-1, 2)) - corners.reshape(-1, 2), axis=1)
    return int((error.reshape(-1, 4).max(axis=1) < 0.35 * square_px).sum())


def _through(transform: Any, points: FloatArray) -> FloatArray:
    """Return points (N, 2) through a perspective (3, 3)."""
    ahead = np.column_stack([points, np.ones(len(points))]) @ np.asarray(transform).T
    return np.asarray(ahead[:, :2] / ahead[:, 2:])


def _expected_corners(board: Board, corners: FloatArray, ids: IntArray) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return numbers, places and the map's slope (2, 2) of the chessboard's corners that touch a marker seen."""
    order = {marker_id: number for number, marker_id in enumerate(board.marker_ids)}
    known = board.marker_corners_board[[order[int(each)] for each in ids], :, :2]
    middles = known.mean(axis=1)
    index, places, slopes = [], [], []
    for number, point in enumerate(board.points_board[:, :2]):
        distance = np.linalg.norm(middles - point, axis=1)
        if distance.min() > 0.75 * board.square_m:
            continue
        nearest = np.argsort(distance)[:4]
        if len(nearest) < 2:
            continue
        found: Any = cv2.findHomography(known[nearest].reshape(-1, 2), corners[nearest].reshape(-1, 2), 0)
        transform = found[0]
        if transform is None:
            continue
        place, slope = _place_and_slope(transform, point)
        index.append(number)
        places.append(place)
        slopes.append(slope)
    return np.array(index, dtype=np.int64), np.array(places).reshape(-1, 2), np.array(slopes).reshape(-1, 2, 2)


def _place_and_slope(transform: Any, point: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return where a perspective takes a point, and its derivative there. [px, px/m]"""
    ahead = transform @ np.array([point[0], point[1], 1.0])
    place = ahead[:2] / ahead[2]
    return place, (transform[:2, :2] - np.outer(place, transform[2, :2])) / ahead[2]


def _fitted(grey: ByteArray, board: Board, index: IntArray, places: FloatArray, slopes: FloatArray) -> _Points:
    """Return the corners that the picture shows as crossing edges, fitted."""
    if not len(index):
        return index, places, np.empty((0, 2, 2)), np.empty(0)
    narrow = np.linalg.svd(slopes, compute_uv=False)[:, 1]  # px/m where a square looks narrowest
    clear_m = 0.7 * board.square_m
    if board.kind == "charuco":
        clear_m = min(clear_m, (board.square_m - float(board.marker_m or 0.0)) / 2.0 * np.sqrt(2.0))
    radii = np.clip(narrow * clear_m - _REACH_OF_BLUR_PX, _SMALLEST_WINDOW_PX, _LARGEST_WINDOW_PX)
    inside = (places > 3.0).all(axis=1) & (places < np.array(grey.shape[::-1]) - 4.0).all(axis=1)
    index, places, slopes = index[inside], places[inside], slopes[inside]
    radii, narrow = np.asarray(radii[inside], dtype=np.float64), narrow[inside]
    starts = _nearer(grey, places, radii)
    # the edge along the board's y has its normal across that direction, and likewise for x
    along = np.stack([slopes[:, :, 1], slopes[:, :, 0]], axis=1)
    angles = np.arctan2(along[:, :, 0], -along[:, :, 1])
    count = len(index)
    parameters, covariances = np.zeros((count, saddle_kernels.PARAMETERS)), np.zeros((count, 2, 2))
    summaries, status = np.zeros((count, 2)), np.zeros(count, dtype=np.int64)
    saddle_kernels.fit_saddles(grey, starts, angles, radii, parameters, covariances, summaries, status)
    shift = np.linalg.norm(parameters[:, :2] - places, axis=1)
    good = (
        (status == saddle_kernels.FITTED)
        & (shift < np.maximum(_LARGEST_SHIFT * narrow * board.square_m, 1.0))
        & (np.abs(parameters[:, saddle_kernels.CONTRAST]) > _LEAST_CONTRAST_GREY)
        & (summaries[:, 1] > _LEAST_EXPLAINED)
        & (covariances[:, 0, 0] < 0.25) & (covariances[:, 1, 1] < 0.25)
    )  # fmt: skip
    covariance = covariances[good] + _LEAST_SD_PX**2 * np.eye(2)
    return index[good], parameters[good, :2], covariance, np.exp(parameters[good, saddle_kernels.LOG_BLUR])


def _nearer(grey: ByteArray, places: FloatArray, radii: FloatArray) -> FloatArray:
    """Return places moved to where edges cross, by OpenCV's refinement: near enough for the fit to take over."""
    if not len(places):
        return places
    half = int(np.clip(np.median(radii), 3, 7))
    until = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 20, 0.02)
    found = cv2.cornerSubPix(grey, places.astype(np.float32).reshape(-1, 1, 2), (half, half), (-1, -1), until)
    return np.asarray(found, dtype=np.float64).reshape(-1, 2)


def _marker_points(grey: ByteArray, board: Board, corners: FloatArray, ids: IntArray, camera: Camera | None) -> _Points:
    """Return the corners of a grid's markers, each marker fitted with its whole pattern."""
    family = marker_family(board.family)  # type: ignore[arg-type]
    order = {marker_id: number for number, marker_id in enumerate(board.marker_ids)}
    index, places, covariances, blurs = [], [], [], []
    for marker_id, seen in zip(ids.tolist(), corners, strict=True):
        fit = fit_marker(grey, seen, family.artwork(marker_id), camera)
        if fit.covariance_px2 is None:
            continue
        index += [4 * order[marker_id] + k for k in range(4)]
        places += list(fit.corners_px)
        covariances += [fit.covariance_px2[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] for k in range(4)]
        blurs.append(float(np.hypot(fit.blur_px, np.sqrt(1.0 / 12.0))))
    covariance = np.array(covariances).reshape(-1, 2, 2) + _LEAST_SD_PX**2 * np.eye(2)
    return np.array(index, dtype=np.int64), np.array(places).reshape(-1, 2), covariance, np.array(blurs)


def _chessboard(grey: ByteArray, board: Board, name: str) -> BoardView:
    across, down = board.squares_across - 1, board.squares_down - 1
    size = (grey.shape[1], grey.shape[0])
    if min(across, down) < 3:
        raise InputError(f"board: expected a chessboard of at least 4 x 4 squares, found {across + 1} x {down + 1}")
    places = _grid_of(grey, across, down)
    if places is None:
        return view_without_board(name, "no board", _other_chessboard(grey, across, down), size)
    grid = places.reshape(down, across, 2)
    # the finder may begin at any end; a board that shows its front runs clockwise from its x to its y
    if np.linalg.det(np.stack([grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]])) < 0.0:
        grid = grid[:, ::-1]
    places = np.ascontiguousarray(grid.reshape(-1, 2))
    slopes = np.stack([np.gradient(grid, axis=1), np.gradient(grid, axis=0)], axis=-1) / board.square_m
    index = np.arange(len(places))
    return _checked(_fitted(grey, board, index, places, slopes.reshape(-1, 2, 2)), name, board, size, "")


def _grid_of(grey: ByteArray, across: int, down: int, *, is_quick: bool = False) -> FloatArray | None:
    """Return the inner corners of a chessboard within a few pixels, or None."""
    plain = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
    coarse = max(1, round(grey.shape[1] / _FINDER_WIDTH_PX))
    for scale in [coarse] if is_quick else sorted({coarse, max(1, coarse // 2)}, reverse=True):
        half = grey if scale == 1 else cv2.resize(grey, None, fx=1 / scale, fy=1 / scale, interpolation=cv2.INTER_AREA)
        for finder, flags in (
            (cv2.findChessboardCorners, plain),
            (cv2.findChessboardCornersSB, cv2.CALIB_CB_NORMALIZE_IMAGE),
        ):
            found, places = finder(half, (across, down), flags=flags)
            if found and len(as_points(places)) == across * down:
                return np.asarray((as_points(places) + 0.5) * scale - 0.5)
    return None


def _other_chessboard(grey: ByteArray, across: int, down: int) -> str:
    """Return why no board was found: the inner corners may have been counted in place of the squares."""
    for more, text in ((2, "rows of corners inside it, not squares, were counted"),
                       (1, "one square too few was counted each way")):  # fmt: skip
        if _grid_of(grey, across + more, down + more, is_quick=True) is not None:
            squares = f"{across + 1 + more} x {down + 1 + more} squares"
            return f"no chessboard of {across + 1} x {down + 1} squares found, but one of {squares}: {text}"
    return f"no chessboard of {across + 1} x {down + 1} squares found"
