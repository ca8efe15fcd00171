"""Pictures in and out: any path, damage noticed, grey levels of any usual kind."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fiducialkit import files
from fiducialkit.arrays import ByteArray
from fiducialkit.errors import FileFormatError, InputError

PICTURE_SUFFIXES = (".png", ".jpg", ".jpeg", ".bmp", ".tif", ".tiff", ".webp", ".pgm", ".ppm", ".pnm")
SMALLEST_PICTURE_PX = 8
_JPEG_START, _JPEG_SCAN, _JPEG_END = b"\xff\xd8", b"\xff\xda", b"\xff\xd9"
_MARKER_IN_SCAN = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")
_PNG_START, _PNG_END = b"\x89PNG\r\n\x1a\n", b"IEND\xaeB`\x82"


def read_picture(path: str | Path, *, colour: bool = False) -> ByteArray:
    """Return a picture file as 8-bit grey (h, w), or as blue, green, red (h, w, 3).

    Pixels stay as stored: a tag that asks for a rotated display is ignored, since the lens belongs to the sensor.
    The file is read by Python and decoded from memory, so that any path works on any system.

    Raises
    ------
    FileFormatError
        If the file is missing, a folder, empty, no picture, or cut short (some decoders give the first part of a
        JPEG without a word).
    """
    content = files.read_bytes(path)
    if _is_cut_short(content):
        raise FileFormatError(path, "", "expected a whole picture, found a damaged one that ends too early")
    mode = (cv2.IMREAD_COLOR if colour else cv2.IMREAD_GRAYSCALE) | cv2.IMREAD_IGNORE_ORIENTATION
    image = _decoded(content, mode)
    if image is None:
        raise FileFormatError(path, "", "expected a picture, found something else or a damaged one")
    return np.asarray(image, dtype=np.uint8)


def _decoded(content: bytes, mode: int) -> Any:
    logging = cv2.utils.logging
    level = logging.getLogLevel()
    logging.setLogLevel(logging.LOG_LEVEL_SILENT)  # its decoders write to the console what is raised here as an error
    try:
        return cv2.imdecode(np.frombuffer(content, dtype=np.uint8), mode)
    except cv2.error:
        return None
    finally:
        logging.setLogLevel(level)


def _is_cut_short(content: bytes) -> bool:
    if content.startswith(_JPEG_START):
        return not _jpeg_ends(content)
    return content.startswith(_PNG_START) and _PNG_END not in content


def _jpeg_ends(content: bytes) -> bool:
    """Return whether the first picture of a JPEG file is whole: its segments lead to an end marker.

    Segments carry their length, so that a preview inside one, or what a phone appends after the end, does not
    mislead; scan data has none and runs to the next marker that is neither a stuffed zero nor a restart.

    References
    ----------
    ITU-T T.81 (1992), annex B.
    """
    at = 2
    while at + 4 <= len(content) or content[at : at + 2] == _JPEG_END:
        marker = content[at : at + 2]
        if marker == _JPEG_END:
            return True
        if marker[0] != 0xFF:
            return False
        if marker == b"\xff\xff":  # fill
            at += 1
            continue
        at += 2 + int.from_bytes(content[at + 2 : at + 4], "big")
        if marker == _JPEG_SCAN:
            found = _MARKER_IN_SCAN.search(content, at)
            if found is None:
                return False
            at = found.start()
    return False


def write_picture(path: str | Path, image: npt.NDArray[Any]) -> Path:
    """Write an 8-bit grey or blue-green-red picture in the format of the suffix, whole or not at all.

    Raises
    ------
    InputError
        If the suffix is none of `PICTURE_SUFFIXES` or the array no 8-bit picture.
    """
    path = Path(path)
    if path.suffix.lower() not in PICTURE_SUFFIXES:
        raise InputError(f"{path}: expected a name ending in {', '.join(PICTURE_SUFFIXES)}, found '{path.suffix}'")
    array = np.asarray(image)
    if array.dtype != np.uint8:
        raise InputError(f"{path}: expected an 8-bit picture, found an array of {array.dtype}")
    _check_shape(array)
    try:
        encoded, content = cv2.imencode(path.suffix.lower(), np.ascontiguousarray(array))
    except cv2.error as error:
        raise InputError(f"{path}: expected a picture this format can hold, found shape {array.shape}") from error
    if not encoded:
        raise InputError(f"{path}: expected a picture this format can hold, found shape {array.shape}")
    return files.write_bytes(path, content.tobytes())


def to_grey8(image: Any) -> ByteArray:
    """Return a picture array as 8-bit grey, (h, w), contiguous. The input is never modified.

    Parameters
    ----------
    image : array_like, shape (h, w), (h, w, 1), (h, w, 3) or (h, w, 4)
        Grey; blue, green, red; or those with an opacity, which is ignored. 8-bit or 16-bit (0 to 65535) whole
        numbers, or fractions from 0 to 1 (if none is above 1) or from 0 to 255.

    Raises
    ------
    InputError
        If it has another shape, is smaller than 8 px, or holds other numbers.
    """
    array = np.asarray(image)
    _check_shape(array)
    grey = _to_eight_bits(array)
    if grey.ndim == 2:
        return np.ascontiguousarray(grey)
    if grey.shape[2] == 1:
        return np.ascontiguousarray(grey[:, :, 0])
    return np.asarray(cv2.cvtColor(np.ascontiguousarray(grey[:, :, :3]), cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def _check_shape(array: npt.NDArray[Any]) -> None:
    if not (array.ndim == 2 or (array.ndim == 3 and array.shape[2] in (1, 3, 4))):
        raise InputError(f"image: expected shape (h, w), (h, w, 3) or (h, w, 4), found {array.shape}")
    if min(array.shape[:2]) < SMALLEST_PICTURE_PX:
        least = SMALLEST_PICTURE_PX
        raise InputError(f"image: expected at least {least} x {least} px, found {array.shape[1]} x {array.shape[0]}")


def _to_eight_bits(array: npt.NDArray[Any]) -> ByteArray:
    if array.dtype == np.uint8:
        return array
    if array.dtype == np.uint16:
        return np.asarray((array.astype(np.uint32) + 128) // 257, dtype=np.uint8)
    if array.dtype.kind != "f":
        raise InputError(f"image: expected 8-bit or 16-bit grey levels or fractions, found {array.dtype}")
    if not np.isfinite(array).all():
        raise InputError(f"image: expected finite grey levels, found {int((~np.isfinite(array)).sum())} that are not")
    low, high = float(array.min()), float(array.max())
    if low < 0.0 or high > 255.0:
        raise InputError(f"image: expected grey levels from 0 to 1 or 0 to 255, found {low:.4g} to {high:.4g}")
    return np.asarray(np.rint(array * (255.0 if high <= 1.0 else 1.0)), dtype=np.uint8)


def find_pictures(inputs: str | Path | Iterable[str | Path]) -> list[Path]:
    """Return the picture files that files and folders name, each once, in order; folders in the order people count.

    Parameters
    ----------
    inputs : path or iterable of paths
        A file is taken whatever its suffix; of a folder, the files with a suffix of `PICTURE_SUFFIXES`,
        ``frame 2`` before ``frame 10``.

    Raises
    ------
    FileFormatError
        If an input does not exist, or a folder holds no picture.
    """
    found: dict[Path, None] = {}
    for each in [inputs] if isinstance(inputs, str | Path) else inputs:
        path = Path(each)
        if path.is_dir():
            inside = [p for p in path.iterdir() if p.suffix.lower() in PICTURE_SUFFIXES and p.is_file()]
            if not inside:
                raise FileFormatError(path, "", f"expected pictures ({', '.join(PICTURE_SUFFIXES)}), found none")
            found.update(dict.fromkeys(sorted(inside, key=_as_people_count)))
        elif path.is_file():
            found[path] = None
        else:
            raise FileFormatError(path, "", "expected a picture or a folder of pictures, found none of that name")
    return list(found)


def _as_people_count(path: Path) -> tuple[list[tuple[int, str]], str]:
    parts = re.split(r"(\d+)", path.name.casefold())
    # a number goes before a word, and two that differ in leading zeros only are told apart by the whole name
    return [(int(p), "") if p.isdecimal() and p.isascii() else (10**18, p) for p in parts if p], path.name
