"""Pictures named on the command line: found, told apart, and drawn upon."""

from __future__ import annotations

import glob
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from fiducialkit.arrays import ByteArray
from fiducialkit.errors import FileFormatError
from fiducialkit.imaging import images
from fiducialkit.imaging.observations import MarkerObservations

_LINE, _FIRST, _SHADOW = (30, 160, 255), (255, 120, 30), (0, 0, 0)  # blue, green, red
_SHIFT = 4  # OpenCV draws to 1/16 pixel


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture's place; `name` tells it apart from the others; `is_named` if the caller named the file itself."""

    path: Path
    name: str
    is_named: bool


def find_pictures(inputs: Sequence[Path]) -> list[Picture]:
    """Return the pictures that files, folders and patterns name, each once.

    Raises
    ------
    FileFormatError
        If an input does not exist, or a folder holds no picture.
    """
    expanded = _expanded(inputs)
    named = {path for path in expanded if path.is_file()}
    paths = images.find_pictures(expanded)
    names = _distinct_names(paths)
    return [Picture(path, name, path in named) for path, name in zip(paths, names, strict=True)]


def _expanded(inputs: Iterable[Path]) -> list[Path]:
    """Return the paths with patterns resolved, for consoles that leave that to the program."""
    paths: list[Path] = []
    for path in inputs:
        matches = [] if path.exists() else sorted(glob.glob(str(path)))  # noqa: PTH207 (the pattern may be absolute)
        paths += [Path(match) for match in matches] or [path]
    return paths


def _distinct_names(paths: list[Path]) -> list[str]:
    names = [path.name for path in paths]
    if len(set(names)) < len(names):
        names = [f"{path.absolute().parent.name}/{path.name}" for path in paths]
    if len(set(names)) < len(names):
        names = [path.as_posix() for path in paths]
    return names


def read_picture(path: Path, *, colour: bool = False) -> ByteArray:
    """Return a picture as `imaging.images.read_picture` does, without the decoders' own lines on stderr."""
    with _quiet_decoder():
        image = images.read_picture(path, colour=colour)
    least = images.SMALLEST_PICTURE_PX
    if min(image.shape[:2]) < least:
        found = f"{image.shape[1]} x {image.shape[0]} px"
        raise FileFormatError(path, "", f"expected a picture of at least {least} x {least} px, found {found}")
    return image


@contextmanager
def _quiet_decoder() -> Iterator[None]:
    """Keep the decoders' own complaints off stderr: they write past Python, and one line per mistake is ours."""
    try:
        kept = os.dup(2)
    except OSError:  # a process without a console
        yield
        return
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)


def marked_picture(picture: ByteArray, observations: MarkerObservations) -> bytes:
    """Return a copy of the picture as PNG with each marker's outline, first corner and id."""
    canvas = cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR) if picture.ndim == 2 else picture.copy()
    width = max(1, round(max(canvas.shape) / 640))
    for marker_id, corners in zip(observations.marker_id.tolist(), observations.corners_px, strict=True):
        outline = np.round(corners * 2**_SHIFT).astype(np.int32).reshape(1, 4, 2)
        for colour, extra in ((_SHADOW, 2), (_LINE, 0)):
            cv2.polylines(canvas, outline, True, colour, width + extra, cv2.LINE_AA, _SHIFT)
        first = (int(outline[0, 0, 0]), int(outline[0, 0, 1]))
        cv2.circle(canvas, first, 3 * width << _SHIFT, _FIRST, -1, cv2.LINE_AA, _SHIFT)
        _write_id(canvas, str(marker_id), corners.mean(axis=0), width)
    _, encoded = cv2.imencode(".png", canvas)
    return bytes(encoded.tobytes())


def _write_id(canvas: Any, words: str, centre: Any, width: int) -> None:
    scale = 0.55 * width + 0.15
    (across, down), _ = cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, scale, width)
    place = (round(float(centre[0]) - across / 2), round(float(centre[1]) + down / 2))
    for colour, extra in ((_SHADOW, 3), (_LINE, 0)):
        cv2.putText(canvas, words, place, cv2.FONT_HERSHEY_SIMPLEX, scale, colour, width + extra, cv2.LINE_AA)
