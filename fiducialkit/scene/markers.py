"""Marker families: their artwork, their corner order, and the one place where OpenCV's turned copies are righted.

OpenCV's dictionaries of the 36h11, 36h10, 25h9 and 16h5 families hold the published artwork turned by 180 degrees
about the face normal. Codes here are as the family was published; `OPENCV_FIRST_CORNER` says where OpenCV's
corner 0 sits, and nothing outside this module and `imaging` needs to know.

References
----------
Olson, "AprilTag: A robust and flexible visual fiducial system", ICRA 2011 (the 36h11 codes).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property, lru_cache
from numbers import Real
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from fiducialkit.arrays import BoolArray, ByteArray, FloatArray
from fiducialkit.errors import FileFormatError, InputError
from fiducialkit.files import read_text

_TURNED = ("APRILTAG_36h11", "APRILTAG_36h10", "APRILTAG_25h9", "APRILTAG_16h5")
_UNIT_CORNERS = np.array([[-0.5, 0.5, 0.0], [0.5, 0.5, 0.0], [0.5, -0.5, 0.0], [-0.5, -0.5, 0.0]])


@dataclass(frozen=True, eq=False)
class MarkerFamily:
    """A family of square markers: a code of white and black cells inside a black border.

    Attributes
    ----------
    name : str
        OpenCV's dictionary name without ``DICT_``, or the name of the file it came from.
    codes : ndarray of bool, shape (markers, n, n)
        Upright as published: row 0 on top, True is white.
    correction_bits : int
        Wrong bits that leave the nearest code unique.
    is_turned_in_opencv : bool
        Whether OpenCV's artwork is this one turned by 180 degrees.
    """

    name: str
    codes: BoolArray
    correction_bits: int
    is_turned_in_opencv: bool

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, MarkerFamily):
            return NotImplemented
        return self._key == other._key

    def __hash__(self) -> int:
        return hash(self._key)

    def __getstate__(self) -> dict[str, Any]:
        """Return the fields alone: OpenCV's dictionary cannot be sent to another process and is made anew there."""
        return {name: self.__dict__[name] for name in ("name", "codes", "correction_bits", "is_turned_in_opencv")}

    @cached_property
    def _key(self) -> tuple[str, int, bool, tuple[int, ...], bytes]:
        return self.name, self.correction_bits, self.is_turned_in_opencv, self.codes.shape, self.codes.tobytes()

    @property
    def size(self) -> int:
        """How many markers the family has."""
        return len(self.codes)

    @property
    def code_cells(self) -> int:
        """Cells along one side of the code."""
        return int(self.codes.shape[1])

    def cells(self, border_cells: int = 1) -> int:
        """Cells along one side of the black square, border included."""
        return self.code_cells + 2 * border_cells

    def artwork(self, marker_id: int, border_cells: int = 1) -> BoolArray:
        """Return the cells of the whole black square, True is white.

        Raises
        ------
        InputError
            If the family has no such marker.
        """
        last = self.size - 1
        number = _whole(marker_id)
        if number is None or not 0 <= number <= last:
            raise InputError(f"marker id: expected a whole number, 0 to {last} for {self.name}, found {marker_id!r}")
        return np.pad(self.codes[number], checked_border(border_cells))

    @cached_property
    def opencv_dictionary(self) -> Any:
        """The family as an OpenCV dictionary, in OpenCV's own orientation."""
        turns = 2 if self.is_turned_in_opencv else 0
        rows = [cv2.aruco.Dictionary.getByteListFromBits(np.rot90(code, turns).astype(np.uint8)) for code in self.codes]
        return cv2.aruco.Dictionary(np.concatenate(rows), self.code_cells, self.correction_bits)

    def upright_corners(self, opencv_corners_px: FloatArray) -> FloatArray:
        """Return (..., 4, 2) corners from OpenCV's order: clockwise from the upright marker's top left."""
        if not self.is_turned_in_opencv:
            return opencv_corners_px.copy()
        return np.roll(opencv_corners_px, 2, axis=-2)


def checked_border(border_cells: int) -> int:
    """Return the number of black border cells, refusing what no layout has."""
    number = _whole(border_cells)
    if number is None or not 1 <= number <= 4:
        raise InputError(f"border_cells: expected a whole number from 1 to 4, found {border_cells!r}")
    return number


def _whole(value: Any) -> int | None:
    """Return the whole number that `value` is, or None."""
    is_number = isinstance(value, Real) and not isinstance(value, bool)
    return int(value) if is_number and value % 1 == 0 else None


def corners_of_square(size_m: float) -> FloatArray:
    """Return the corners of a marker in its own frame, (4, 3): top left, top right, bottom right, bottom left.

    Seen by somebody facing the upright marker, so clockwise in a picture. [m]
    """
    return _UNIT_CORNERS * size_m


def family_names() -> list[str]:
    """Return the names of the families that come with OpenCV."""
    names = sorted(name.removeprefix("DICT_") for name in dir(cv2.aruco) if name.startswith("DICT_"))
    # OpenCV lists some families under two spellings, 36h11 and 36H11; the published one has the small h
    by_folded = {name.casefold(): name for name in names}
    return list(by_folded.values())


def marker_family(name: str | Path | MarkerFamily, folder: str | Path = ".") -> MarkerFamily:
    """Return a family by its name, or from a dictionary file.

    Parameters
    ----------
    name : str, Path or MarkerFamily
        OpenCV's dictionary name with or without ``DICT_``, a short ``36h11``, or a dictionary file in OpenCV's YAML
        (``nmarkers``, ``markersize``, ``marker_0`` ...). A family is given back as it is.
    folder : str or Path
        Where a relative file name is looked for.

    Raises
    ------
    InputError
        If no family and no file has that name.
    """
    if isinstance(name, MarkerFamily):
        return name
    if not isinstance(name, str | Path):
        raise InputError(f"family: expected a name, found {name!r}")
    by_folded = {known.casefold(): known for known in family_names()}
    folded = str(name).casefold().removeprefix("dict_")
    for candidate in (folded, f"apriltag_{folded}"):
        if candidate in by_folded:
            return _predefined(by_folded[candidate])
    path = Path(folder) / name
    if path.suffix.lower() in (".yml", ".yaml"):
        return _family_from_text(path.resolve(), read_text(path))
    raise InputError(f"family: expected a family name such as 36h11 or a .yml dictionary file, found {str(name)!r}")


@lru_cache(maxsize=32)
def _predefined(name: str) -> MarkerFamily:
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{name}"))
    size = int(dictionary.markerSize)
    is_turned = name in _TURNED
    codes = np.stack(
        [
            cv2.aruco.Dictionary.getBitsFromByteList(dictionary.bytesList[i : i + 1], size).astype(bool)
            for i in range(len(dictionary.bytesList))
        ]
    )
    if is_turned:
        codes = codes[:, ::-1, ::-1]
    return _family(name, codes, is_turned)


@lru_cache(maxsize=32)  # by the text, so that an edited file is read anew
def _family_from_text(path: Path, text: str) -> MarkerFamily:
    values = dict(re.findall(r'^\s*(\w+)\s*:\s*"?(\w+)"?\s*$', text, flags=re.MULTILINE))
    try:
        count, size = int(values["nmarkers"]), int(values["markersize"])
    except (KeyError, ValueError):
        raise FileFormatError(path, "nmarkers, markersize", "expected whole numbers, found none") from None
    if not 1 <= count <= 100_000:
        raise FileFormatError(path, "nmarkers", f"expected 1 to 100000 markers, found {count}")
    if not 3 <= size <= 12:
        raise FileFormatError(path, "markersize", f"expected 3 to 12 cells, found {size}")
    codes = np.empty((count, size, size), dtype=bool)
    for number in range(count):
        bits = values.get(f"marker_{number}", "")
        if len(bits) != size * size or set(bits) - {"0", "1"}:
            raise FileFormatError(path, f"marker_{number}", f"expected {size * size} digits 0 or 1, found {bits!r}")
        codes[number] = np.array(list(bits)).reshape(size, size) == "1"
    return _family(path.stem, codes, is_turned=False)


def _family(name: str, codes: BoolArray, is_turned: bool) -> MarkerFamily:
    codes = np.ascontiguousarray(codes)
    codes.flags.writeable = False
    return MarkerFamily(name, codes, max(0, (minimum_distance(codes) - 1) // 2), is_turned)


def minimum_distance(codes: BoolArray) -> int:
    """Return the smallest number of bits in which two codes differ, over all four turns of either.

    A code's distance to its own turned copies counts: a marker that looks like itself turned has no orientation.
    """
    flat = codes.reshape(len(codes), -1)
    best = flat.shape[1]
    signs = np.where(flat, np.float32(1.0), np.float32(-1.0))
    for turns in range(4):
        turned = np.rot90(codes, turns, axes=(1, 2)).reshape(len(codes), -1)
        agreement = signs @ np.where(turned, np.float32(1.0), np.float32(-1.0)).T
        distance = (flat.shape[1] - agreement) / 2.0
        if turns == 0:
            np.fill_diagonal(distance, best)
        best = min(best, round(float(distance.min())))
    return best


def draw_marker(
    family: str | Path | MarkerFamily,
    marker_id: int,
    cell_px: int = 20,
    margin_cells: int = 1,
    *,
    border_cells: int = 1,
) -> ByteArray:
    """Return the upright artwork as an 8-bit picture: 0 is black, 255 is white.

    Parameters
    ----------
    family : str, Path or MarkerFamily
        See `marker_family`.
    marker_id : int
    cell_px : int
        Side of one cell. [px]
    margin_cells : int
        White margin round the black square; detectors need at least one cell. [cells]
    border_cells : int
        Black border round the code. [cells]

    Examples
    --------
    >>> draw_marker("36h11", 0, cell_px=1, margin_cells=1).shape
    (10, 10)
    """
    for name, value, least, most in (("cell_px", cell_px, 1, 1000), ("margin_cells", margin_cells, 0, 20)):
        number = _whole(value)
        if number is None or not least <= number <= most:
            raise InputError(f"{name}: expected a whole number from {least} to {most}, found {value!r}")
    art = marker_family(family).artwork(marker_id, border_cells)
    padded = np.pad(art, int(margin_cells), constant_values=True)
    return np.kron(padded, np.ones((int(cell_px), int(cell_px)), dtype=np.uint8)) * np.uint8(255)
