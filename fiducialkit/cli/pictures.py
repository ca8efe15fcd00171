"""Pictures named on the command line: found, read from any path, checked for damage, and drawn upon."""

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

from fiducialkit import files
from fiducialkit.arrays import ByteArray
from fiducialkit.errors import FileFormatError, InputError
from fiducialkit.imaging.observations import MarkerObservations

SUFFIXES = (".png", ".jpg", ".jpeg", ".bmp", ".tif", ".tiff", ".webp", ".pgm", ".ppm", ".pnm")
_JPEG_START, _JPEG_SCAN, _JPEG_END = b"\xff\xd8", b"\xff\xda", b"\xff\xd9"
_LINE, _FIRST, _SHADOW = (30, 160, 255), (255, 120, 30), (0, 0, 0)  # blue, green, red
_SHIFT = 4  # OpenCV draws to 1/16 pixel


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture's place; `name` tells it apart from the others; `is_named` if the caller named the file itself."""

    path: Path
    name: str
    is_named: bool


def find_pictures(inputs: Sequence[Path]) -> list[Picture]:
    """Return the pictures that files, folders and patterns name, each once, folders in order of names.

    Raises
    ------
    InputError
        If an input does not exist, or a folder holds no picture.
    """
    found: dict[Path, bool] = {}
    for path in _expanded(inputs):
        if path.is_dir():
            inside = sorted(p for p in path.iterdir() if p.suffix.lower() in SUFFIXES and p.is_file())
            if not inside:
                raise InputError(f"{path}: expected pictures ({', '.join(SUFFIXES)}) in the folder, found none")
            for picture in inside:
                found.setdefault(picture, False)
        elif path.exists():
            found[path] = True
        else:
            raise InputError(f"{path}: expected a picture or a folder of pictures, found none of that name")
    names = _distinct_names(list(found))
    return [Picture(path, name, is_named) for (path, is_named), name in zip(found.items(), names, strict=True)]


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
    """Return a picture as 8-bit grey (h, w), or blue-green-red (h, w, 3), as stored: a rotation tag is ignored.

    Raises
    ------
    FileFormatError
        If it is no picture, or a damaged one.
    """
    content = files.read_bytes(path)
    if content.startswith(_JPEG_START) and content.rfind(_JPEG_END) < content.rfind(_JPEG_SCAN):
        raise FileFormatError(path, "", "expected a whole picture, found a JPEG file that ends too early")
    mode = (cv2.IMREAD_COLOR if colour else cv2.IMREAD_GRAYSCALE) | cv2.IMREAD_IGNORE_ORIENTATION
    with _quiet_decoder():
        try:
            image: Any = cv2.imdecode(np.frombuffer(content, dtype=np.uint8), mode)
        except cv2.error:
            image = None
    if image is None:
        raise FileFormatError(path, "", "expected a picture, found something else or a damaged one")
    return np.asarray(image, dtype=np.uint8)


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
