"""Which of the markers seen can take part in a pose, and why the others cannot."""

from __future__ import annotations

import numpy as np

from fiducialkit.imaging.observations import MarkerObservations
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field
from fiducialkit.solving.planar import REVERSED, runs_clockwise

NOT_ON_FIELD = "not on the field"


def usable_observations(
    pictures: list[MarkerObservations], field: Field, cameras: list[Camera], rejected: list[tuple[int, str]]
) -> list[MarkerObservations]:
    """Return what can be solved; mirrored markers only where nothing else was seen, for the status to say so."""
    sorted_out: list[tuple[int, str]] = []
    usable = [_usable(seen, field, lens, sorted_out) for seen, lens in zip(pictures, cameras, strict=True)]
    if not any(len(seen) for seen in usable) and any(reason == REVERSED for _, reason in sorted_out):
        sorted_out.clear()
        usable = [
            _usable(seen, field, lens, sorted_out, mirrored=True) for seen, lens in zip(pictures, cameras, strict=True)
        ]
    rejected.extend(sorted_out)
    return usable


def _usable(
    seen: MarkerObservations, field: Field, camera: Camera, rejected: list[tuple[int, str]], *, mirrored: bool = False
) -> MarkerObservations:
    keep = []
    for index, marker_id in enumerate(seen.marker_id.tolist()):
        corners = seen.corners_px[index]
        if not np.isfinite(corners).all():
            rejected.append((marker_id, "a corner is not a finite number"))
        elif marker_id not in field.marker_ids:
            rejected.append((marker_id, NOT_ON_FIELD))
        elif int(np.count_nonzero(seen.marker_id == marker_id)) > 1:
            rejected.append((marker_id, "seen more than once in one picture"))
        elif not camera.unproject(corners)[1].all():
            rejected.append((marker_id, "a corner lies where the lens model does not reach"))
        elif not mirrored and not runs_clockwise(corners):
            rejected.append((marker_id, REVERSED))
        else:
            keep.append(index)
    return seen.selected(np.array(keep, dtype=np.int64))
