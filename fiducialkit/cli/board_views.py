"""Views of a board from pictures, videos and corner tables named on the command line."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

import cv2

from fiducialkit import files
from fiducialkit.cli.console import progress
from fiducialkit.cli.pictures import Picture, find_pictures, read_picture
from fiducialkit.errors import FileFormatError, InputError
from fiducialkit.imaging.boards import BoardView, find_board, view_without_board
from fiducialkit.imaging.images import to_grey8
from fiducialkit.scene.boards import Board
from fiducialkit.scene.camera import Camera
from fiducialkit.solving.intrinsics_views import views_from_table

VIDEO_SUFFIXES = (".mp4", ".avi", ".mov", ".mkv", ".webm", ".m4v")
_MOST_FRAMES = 240  # of a video, spread evenly: its neighbours show the same


def read_views(
    inputs: Sequence[Path], board: Board | None, *, size: str | None = None, camera: Camera | None = None
) -> list[BoardView]:
    """Return the views that pictures, folders, videos and corner tables hold. One picture is in memory at a time.

    Parameters
    ----------
    inputs : sequence of Path
    board : Board or None
        Needed for pictures.
    size : str, optional
        ``640x480``: of the pictures behind a corner table.
    camera : Camera, optional
        As for `find_board`.
    """
    views: list[BoardView] = []
    for path in inputs:
        suffix = path.suffix.lower()
        if suffix == ".csv":
            views += views_from_table(files.read_csv(path), _checked_size(size, path))
            continue
        if board is None:
            raise InputError(f"--board: expected a board file for the pictures of {path}, found none")
        if suffix in VIDEO_SUFFIXES:
            views += list(_video_views(path, board, camera))
            continue
        views += [
            view_of_picture(each, board, camera) for each in progress(find_pictures([path]), "looking at picture")
        ]
    return views


def view_of_picture(picture: Picture, board: Board, camera: Camera | None = None) -> BoardView:
    """Return what a picture file shows of the board; a damaged one is a view of that status."""
    try:
        grey = read_picture(picture.path)
    except FileFormatError as error:
        return view_without_board(picture.name, "damaged", error.message)
    return find_board(grey, board, name=picture.name, camera=camera)


def _checked_size(size: str | None, path: Path) -> tuple[int, int]:
    if size is None:
        header = files.read_csv(path).columns
        if {"width_px", "height_px"} <= set(header):
            return (0, 0)
        raise InputError(f"--size: expected the size of the pictures behind {path}, like 1280x800, found none")
    match = re.fullmatch(r"(\d{1,6})[xX](\d{1,6})", size)
    if match is None or min(int(each) for each in match.groups()) < 8:
        raise InputError(f"--size: expected width and height in pixels like 1280x800, found '{size}'")
    return int(match.group(1)), int(match.group(2))


def _video_views(path: Path, board: Board, camera: Camera | None) -> Iterator[BoardView]:
    if not path.is_file():
        raise FileFormatError(path, "", "expected a video, found none of that name")
    video = cv2.VideoCapture(str(path))
    try:
        count = int(video.get(cv2.CAP_PROP_FRAME_COUNT))
        if not video.isOpened() or count < 1:
            raise FileFormatError(path, "", "expected a video, found something else or a damaged one")
        step = max(1, count // _MOST_FRAMES)
        for number in progress(range(count), "looking at frame"):
            if not video.grab():
                break
            if number % step:
                continue
            read, frame = video.retrieve()
            if read:
                yield find_board(to_grey8(frame), board, name=f"{path.name} frame {number}", camera=camera)
    finally:
        video.release()
