"""Markers per picture: detected now, or read back from the tables an earlier `detect` wrote."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from fiducialkit import files
from fiducialkit.cli.console import progress
from fiducialkit.cli.pictures import Picture, read_picture
from fiducialkit.cli.result_tables import CORNERS, PICTURES
from fiducialkit.errors import FileFormatError, InputError
from fiducialkit.imaging.detection import detect_markers
from fiducialkit.imaging.observations import OBSERVATIONS, MarkerObservations
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.markers import MarkerFamily


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What one picture shows; `observations` is None, and `message` says why, where it could not be read."""

    name: str
    observations: MarkerObservations | None
    message: str = ""
    picture: Picture | None = None


def detect_in_pictures(
    pictures: Sequence[Picture],
    family: MarkerFamily,
    *,
    border_cells: int = 1,
    camera: Camera | None = None,
    preset: str = "full range",
) -> list[Seen]:
    """Return the markers of each picture. A damaged one inside a folder is noted, one named by itself refused."""
    results = []
    for picture in progress(pictures, "picture"):
        try:
            image = read_picture(picture.path)
        except FileFormatError as error:
            if picture.is_named:
                raise
            results.append(Seen(name=picture.name, observations=None, message=error.message, picture=picture))
            continue
        lens = _lens_for(camera, (image.shape[1], image.shape[0]))
        found = detect_markers(image, family, lens, preset, border_cells=border_cells)
        results.append(Seen(name=picture.name, observations=found, picture=picture))
    return results


def _lens_for(camera: Camera | None, size_px: tuple[int, int]) -> Camera | None:
    """Return the camera for that picture; None where it does not fit, which is the solver's to say."""
    try:
        return camera.for_picture(*size_px) if camera else None
    except InputError:
        return None


def corners_table(seen: Sequence[Seen]) -> pd.DataFrame:
    """Return the table CORNERS: every marker of every picture."""
    parts = []
    for one in seen:
        if one.observations is not None and len(one.observations):
            table = one.observations.to_table()
            table.insert(0, "file", one.name)
            parts.append(table)
    return CORNERS.checked(pd.concat(parts, ignore_index=True)) if parts else CORNERS.empty()


def pictures_table(seen: Sequence[Seen]) -> pd.DataFrame:
    """Return the table PICTURES, one row a picture."""
    rows = []
    for one in seen:
        found = one.observations
        width, height = (found.picture_size_px if found else None) or (0, 0)
        status = "unreadable" if found is None else "ok" if len(found) else "no_markers"
        rows.append(
            {
                "file": one.name,
                "status": status,
                "markers": len(found) if found is not None else 0,
                "width_px": width,
                "height_px": height,
                "message": one.message or (_remarks(found) if found is not None else ""),
            }
        )
    return PICTURES.checked(pd.DataFrame(rows)) if rows else PICTURES.empty()


def _remarks(found: MarkerObservations) -> str:
    notes = [f"marker {number}: {note}" for number, note in zip(found.marker_id, found.notes, strict=True) if note]
    return "; ".join([found.message, *notes] if found.message else notes)


def refuse_other_shapes(seen: Sequence[Seen], camera: Camera) -> None:
    """Raise InputError, naming the picture, for the first one that the camera cannot have taken."""
    for one in seen:
        size = one.observations.picture_size_px if one.observations is not None else None
        try:
            if size is not None:
                camera.for_picture(*size)
        except InputError as error:
            raise InputError(f"{one.name}: {error}") from None


def read_corners(path: Path) -> list[Seen]:
    """Return the markers of each picture of a table CORNERS, in its order.

    A `pictures.csv` beside it, as `detect` writes it, adds the pictures' sizes and those without markers.
    """
    frame = files.read_csv(path)
    try:
        corners = CORNERS.checked(frame)
    except InputError as error:
        raise FileFormatError(path, "", str(error)) from None
    sizes = _picture_sizes(path.with_name("pictures.csv"))
    names = dict.fromkeys([*sizes, *corners["file"]])
    results = []
    for name in names:
        rows = corners[corners["file"] == name][OBSERVATIONS.names]
        found = MarkerObservations.from_table(rows, picture_size_px=sizes.get(name))
        results.append(Seen(name=name, observations=found))
    return results


def _picture_sizes(path: Path) -> dict[str, tuple[int, int] | None]:
    if not path.is_file():
        return {}
    try:
        pictures = PICTURES.checked(files.read_csv(path))
    except InputError as error:
        raise FileFormatError(path, "", str(error)) from None
    rows = zip(pictures["file"].tolist(), pictures["width_px"].tolist(), pictures["height_px"].tolist(), strict=True)
    return {str(name): (width, height) if width else None for name, width, height in rows}
