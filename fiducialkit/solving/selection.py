"""Which of the markers seen can take part in a pose, and why the others cannot."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.imaging.observations import MarkerObservations
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field
from fiducialkit.solving.planar import REVERSED

NOT_ON_FIELD = "not on the field"
NOT_FINITE = "a corner is not a finite number"
BEYOND_LENS = "a corner lies where the lens model does not reach"
TWICE = "seen more than once in one picture"


@dataclass(frozen=True, slots=True)
class Sightings:
    """The markers that take part, those of all pictures in one row of arrays.

    `marker_of` is the place in the field's list, `again` whether the same id was seen another time in the same picture.
    `is_mirrored` says that every one runs the wrong way round; otherwise none does.
    """

    marker_id: IntArray
    marker_of: IntArray
    camera_of: IntArray
    corners_px: FloatArray
    covariance_px2: FloatArray
    again: BoolArray
    is_mirrored: bool

    def __len__(self) -> int:
        return len(self.marker_id)

    def only(self, keep: BoolArray) -> Sightings:
        """Return those that a mask keeps."""
        return Sightings(
            self.marker_id[keep], self.marker_of[keep], self.camera_of[keep], self.corners_px[keep],
            self.covariance_px2[keep], self.again[keep], self.is_mirrored,
        )  # fmt: skip


def usable_sightings(
    pictures: list[MarkerObservations], field: Field, cameras: list[Camera], rejected: list[tuple[int, str]]
) -> Sightings:
    """Return what can be solved; mirrored markers only where nothing else was seen, for the status to say so."""
    marker_id = np.concatenate([seen.marker_id for seen in pictures])
    corners = np.concatenate([seen.corners_px for seen in pictures])
    camera_of = np.repeat(np.arange(len(pictures)), [len(seen) for seen in pictures])
    row_of = {number: row for row, number in enumerate(field.marker_ids.tolist())}
    marker_of = np.array([row_of.get(number, -1) for number in marker_id.tolist()], dtype=np.int64)
    finite = np.isfinite(corners).all(axis=(1, 2))
    reached = np.concatenate([_reached(seen, lens) for seen, lens in zip(pictures, cameras, strict=True)])
    clockwise = run_clockwise(corners)
    fit = finite & (marker_of >= 0) & reached
    keep = fit & clockwise
    is_mirrored = not keep.any() and bool(fit.any())
    if is_mirrored:
        keep = fit
    if not keep.all():
        for i in np.flatnonzero(~keep).tolist():
            checks = ((finite[i], NOT_FINITE), (marker_of[i] >= 0, NOT_ON_FIELD), (reached[i], BEYOND_LENS))
            reason = next((why for passed, why in checks if not passed), REVERSED)
            rejected.append((int(marker_id[i]), reason))
    sightings = Sightings(
        marker_id,
        marker_of,
        camera_of,
        corners,
        np.concatenate([seen.covariance_px2 for seen in pictures]),
        _seen_again(marker_id, camera_of, keep),
        is_mirrored,
    )
    return sightings if keep.all() else sightings.only(keep)


def _seen_again(marker_id: IntArray, camera_of: IntArray, keep: BoolArray) -> BoolArray:
    """Return which of those that take part bear an id that their picture holds more than once."""
    again = np.zeros(len(marker_id), dtype=np.bool_)
    keys = list(zip(camera_of.tolist(), marker_id.tolist(), strict=True))
    if len(set(keys)) < len(keys):
        kept = [key for key, takes_part in zip(keys, keep.tolist(), strict=True) if takes_part]
        again[:] = [takes_part and kept.count(key) > 1 for key, takes_part in zip(keys, keep.tolist(), strict=True)]
    return again


def _reached(seen: MarkerObservations, camera: Camera) -> BoolArray:
    """Return whether the lens model reaches every corner of each marker."""
    if len(seen) == 0 or math.isinf(camera.valid_radius):  # nothing is to be asked of a lens without distortion
        return np.ones(len(seen), dtype=np.bool_)
    found = camera.unproject(seen.corners_px.reshape(-1, 2))[1]
    return np.asarray(found.reshape(-1, 4).all(axis=1))


def run_clockwise(corners_px: FloatArray) -> BoolArray:
    """Return which of the squares (N, 4, 2) run clockwise in the picture, as printed faces always do."""
    across, down = corners_px[:, 2] - corners_px[:, 0], corners_px[:, 3] - corners_px[:, 1]
    with np.errstate(invalid="ignore"):
        return np.asarray(across[:, 0] * down[:, 1] - across[:, 1] * down[:, 0] > 0.0)
