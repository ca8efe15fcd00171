"""Views for a lens calibration: from a table of corners, and screened as a set."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from fiducialkit.arrays import FloatArray
from fiducialkit.errors import InputError
from fiducialkit.imaging.boards import BoardView, screened
from fiducialkit.scene.file_keys import METRES
from fiducialkit.solving.intrinsics_start import perspectives

_ASSUMED_SD_PX = 0.1  # of a corner from a table without sd; the residuals scale it
_REPEATED_SHARE = 0.001  # of the picture's width, between the corners of two views that count as one
_SAME_SHAPE = 0.005
_LARGEST_SD_PX = 100.0
MOST_VIEWS = 200  # that are used; of more, those that differ most


def views_from_table(table: pd.DataFrame, size_px: tuple[int, int]) -> list[BoardView]:
    """Return the views of a table of corners, one row a corner.

    Parameters
    ----------
    table : DataFrame
        Columns view, x_px, y_px, and board_x_m, board_y_m (or _mm, _in; board_z likewise, 0 if missing); optional
        sd_px, width_px and height_px. The board's frame is right-handed with its z into the board, so that x runs right
        and y down for somebody who looks at it; corners with y running up are told by all boards showing their back,
        and turned.
    size_px : (int, int)
        Width and height of the pictures, where the table has no columns for them.

    Raises
    ------
    InputError
        If a column is missing or holds something else than numbers.
    """
    unit = next((each for each in METRES if f"board_x_{each}" in table.columns), None)
    if unit is None:
        raise InputError("table: expected a column board_x_m, board_x_mm or board_x_in, found none")
    needed = ["view", "x_px", "y_px", f"board_x_{unit}", f"board_y_{unit}"]
    missing = [name for name in needed if name not in table.columns]
    if missing:
        raise InputError(f"table: expected a column {missing[0]}, found none")
    numbers = _numbers(table, [name for name in (*needed[1:], f"board_z_{unit}", "sd_px") if name in table.columns])
    views = []
    for name, rows in numbers.groupby(table["view"].astype(str), sort=False):
        size = _size_of(table.loc[rows.index], size_px, str(name))
        board = np.zeros((len(rows), 3))
        for k, axis in enumerate("xyz"):
            if f"board_{axis}_{unit}" in rows:
                board[:, k] = METRES[unit] * rows[f"board_{axis}_{unit}"]
        sd = rows["sd_px"].to_numpy() if "sd_px" in rows else np.full(len(rows), _ASSUMED_SD_PX)
        if not ((sd > 0.0) & (sd < _LARGEST_SD_PX)).all():
            raise InputError(f"table: sd_px: expected numbers above 0, found {sd.min():g} in view {name}")
        views.append(
            BoardView(
                name=str(name), picture_size_px=size, points_board=board, points_px=rows[["x_px", "y_px"]].to_numpy(),
                covariance_px2=sd[:, None, None] ** 2 * np.eye(2),
            )
        )  # fmt: skip
    return [screened(view) for view in views]


def _numbers(table: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    """Return these columns as floats without rows that lack one; InputError where one is no number."""
    columns = {}
    for name in names:
        columns[name] = pd.to_numeric(table[name], errors="coerce")
        odd = columns[name].isna() & table[name].notna() & (table[name].astype(str) != "")
        if odd.any():
            row = int(np.flatnonzero(odd.to_numpy())[0])
            raise InputError(f"table: {name}: expected numbers, found {table[name].iloc[row]!r} in row {row + 1}")
    numbers = pd.DataFrame(columns, dtype=np.float64)
    return pd.DataFrame(numbers[np.isfinite(numbers.to_numpy()).all(axis=1).tolist()])


def _size_of(rows: pd.DataFrame, size_px: tuple[int, int], name: str) -> tuple[int, int]:
    if "width_px" not in rows.columns or "height_px" not in rows.columns:
        return size_px
    sizes = {(int(w), int(h)) for w, h in zip(rows["width_px"], rows["height_px"], strict=True)}
    if len(sizes) > 1:
        raise InputError(f"table: width_px, height_px: expected one size in view {name}, found {sorted(sizes)}")
    return sizes.pop()


def common_size(views: Sequence[BoardView]) -> tuple[int, int]:
    """Return the picture size that most usable views have."""
    sizes = Counter(view.picture_size_px for view in views if view.status == "ok")
    if not sizes:
        raise InputError("views: expected at least 3 that can be used, found none" + _reasons(views))
    return max(sizes, key=lambda size: (sizes[size], size))


def _reasons(views: Sequence[BoardView]) -> str:
    reasons = Counter(view.status for view in views if view.status != "ok")
    return f" ({', '.join(f'{count} {status}' for status, count in reasons.most_common())})" if reasons else ""


def screened_set(views: Sequence[BoardView]) -> list[BoardView]:
    """Return the views with those refused that the set speaks against: other sizes, mirrored ones, repeated poses.

    Raises
    ------
    InputError
        If fewer than three remain, naming the reasons, or two views have one name.
    """
    names = Counter(view.name for view in views)
    twice = next((name for name, count in names.items() if count > 1), None)
    if twice is not None:
        raise InputError(f"views: expected each name once, found {twice} twice")
    size = common_size(views)
    checked = _without_reflections([_of_size(screened(view), size) for view in views])
    checked = _without_surplus(_without_repeats(checked, size[0]))
    usable = sum(view.status == "ok" for view in checked)
    if usable < 3:
        raise InputError(f"views: expected at least 3 that can be used, found {usable}{_reasons(checked)}")
    return checked


def _of_size(view: BoardView, size: tuple[int, int]) -> BoardView:
    width, height = view.picture_size_px
    if view.status != "ok" or (width, height) == size:
        return view
    found = f"expected {size[0]} x {size[1]} px like the others, found {width} x {height} px"
    if (height, width) == size:
        return view.refused("other size", f"{found}: a picture turned by 90 degrees")
    is_scaled = abs(width * size[1] / (height * size[0]) - 1.0) < _SAME_SHAPE
    return view.refused("other size", f"{found}: a {'resized' if is_scaled else 'cropped'} picture")


def shows_back(view: BoardView) -> bool:
    """Return whether the corners go round the other way in the picture than on the board."""
    board, pixels = (points - points.mean(axis=0) for points in (view.points_board[:, :2], view.points_px))
    slope, *_ = np.linalg.lstsq(board, pixels, rcond=None)
    return bool(np.linalg.det(slope) < 0.0)


def _without_reflections(views: list[BoardView]) -> list[BoardView]:
    """Return the views with mirrored ones refused; all of them turned about if most show the board's back."""
    backs = {view.name for view in views if view.status == "ok" and shows_back(view)}
    usable = [view for view in views if view.status == "ok"]
    most_are_backs = 2 * len(backs) > len(usable)
    wrong = {view.name for view in usable} - backs if most_are_backs else backs
    text = "its corners go round the other way than in the other views: the picture is mirrored"
    kept = [view.refused("mirrored", text) if view.name in wrong else view for view in views]
    # a table whose y runs up: the same board, described from behind
    return [_turned(view) if most_are_backs and view.status == "ok" else view for view in kept]


def _turned(view: BoardView) -> BoardView:
    return BoardView(
        name=view.name, message=view.message, picture_size_px=view.picture_size_px,
        points_board=view.points_board * [1.0, -1.0, -1.0], points_px=view.points_px,
        covariance_px2=view.covariance_px2, blur_px=view.blur_px, board=view.board,
    )  # fmt: skip


def _without_repeats(views: list[BoardView], width_px: int) -> list[BoardView]:
    """Return the views with those refused that show the board where an earlier one does."""
    limit = _REPEATED_SHARE * width_px
    index = [number for number, view in enumerate(views) if view.status == "ok"]
    if len(index) < 2:
        return views
    marks = np.stack([_mark(views[number].points_px) for number in index])
    tree = cKDTree(marks)
    checked = list(views)
    for row, first in enumerate(index):
        if checked[first].status != "ok":
            continue
        text = f"the board is where it was in {views[first].name}: it tells nothing new"
        for near in tree.query_ball_point(marks[row], 10.0 * limit):
            second = index[near]
            if second > first and checked[second].status == "ok" and _distance(views[first], views[second]) < limit:
                checked[second] = checked[second].refused("repeated", text)
    return checked


def _without_surplus(views: list[BoardView]) -> list[BoardView]:
    """Return the views with so many left that differ most: what more of them tell is not worth the time and memory.

    Each next one is that whose board, its outline seen through its perspective, is farthest from all chosen ones.
    """
    index = [number for number, view in enumerate(views) if view.status == "ok"]
    if len(index) <= MOST_VIEWS:
        return views
    outlines = _outlines([views[number] for number in index])
    chosen = [0]
    away = np.linalg.norm(outlines - outlines[0], axis=1)
    while len(chosen) < MOST_VIEWS:
        chosen.append(int(np.argmax(away)))
        away = np.minimum(away, np.linalg.norm(outlines - outlines[chosen[-1]], axis=1))
    kept = {index[row] for row in chosen}
    text = f"the {MOST_VIEWS} views that differ most are used, and it is not among them"
    return [
        view.refused("not needed", text) if view.status == "ok" and number not in kept else view
        for number, view in enumerate(views)
    ]


def _outlines(views: list[BoardView]) -> FloatArray:
    """Return where each view's perspective puts the outline of all seen points, (F, 8). [px]"""
    points = np.concatenate([view.points_board[:, :2] for view in views])
    pixels = np.concatenate([view.points_px for view in views])
    view_of = np.repeat(np.arange(len(views)), [len(view) for view in views])
    low, high = points.min(axis=0), points.max(axis=0)
    corners = np.array([[low[0], low[1], 1.0], [high[0], low[1], 1.0], [high[0], high[1], 1.0], [low[0], high[1], 1.0]])
    ahead = corners @ np.swapaxes(perspectives(points, pixels, view_of, np.ones(len(points), dtype=np.bool_)), 1, 2)
    # a board seen in part may reach through the horizon of its perspective: far out is far enough
    far = 4.0 * float(np.abs(pixels).max())
    return np.asarray(np.clip(ahead[:, :, :2] / ahead[:, :, 2:], -far, far).reshape(len(views), 8))


def _mark(pixels: FloatArray) -> FloatArray:
    return np.concatenate([pixels.mean(axis=0), pixels.std(axis=0)])


def _distance(first: BoardView, second: BoardView) -> float:
    """Return the rms distance of the corners two views have in common; infinite with fewer than half. [px]"""
    places = {
        tuple(np.round(point, 7)): pixel for point, pixel in zip(first.points_board, first.points_px, strict=True)
    }
    pairs = [
        (places[key], pixel)
        for point, pixel in zip(second.points_board, second.points_px, strict=True)
        if (key := tuple(np.round(point, 7))) in places
    ]
    if 2 * len(pairs) < min(len(first), len(second)):
        return np.inf
    away = np.array([a - b for a, b in pairs])
    return float(np.sqrt(np.mean(np.sum(away**2, axis=1))))
