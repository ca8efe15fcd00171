"""Marker corners seen in one picture, with their covariance: what detection gives and the pose solver takes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fiducialkit import tables
from fiducialkit.arrays import FloatArray, IntArray, checked_array
from fiducialkit.errors import InputError

_CORNERS = tuple(
    tables.Column(f"corner_{i}_{axis}_px", "float", f"{name} corner, pixel centres at whole numbers")
    for i, name in enumerate(("top left", "top right", "bottom right", "bottom left"))
    for axis in ("x", "y")
)
_COVARIANCE = tuple(
    tables.Column(f"corner_covariance_{i}{j}", "float", "of x0 y0 x1 y1 x2 y2 x3 y3, upper triangle [px^2]")
    for i, j in zip(*np.triu_indices(8), strict=True)
)
OBSERVATIONS = tables.Table(
    "observations",
    (
        tables.Column("marker_id", "int", "id within the family"),
        *_CORNERS,
        tables.Column("quality", "float", "0 to 1; share of the code's bits that were read as published"),
        tables.Column("note", "text", "what is odd about this marker; empty if nothing is"),
        *_COVARIANCE,
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MarkerObservations:
    """The markers seen in one picture.

    Attributes
    ----------
    marker_id : ndarray of int, shape (N,)
    corners_px : ndarray, shape (N, 4, 2)
        Clockwise in the picture from the upright marker's top left; pixel centres at whole numbers. NaN is
        allowed here (a lost corner on file) and dropped, and counted, by the solver.
    covariance_px2 : ndarray, shape (N, 8, 8)
        Of (x0, y0, x1, y1, x2, y2, x3, y3). A number stands for that variance on every coordinate.
    quality : ndarray, shape (N,)
        0 to 1; 1 where not given.
    notes : tuple of str
        One a marker; empty where nothing is odd.
    picture_size_px : (int, int) or None
        Width and height of the picture, so that a camera of another size is noticed.
    message : str
        Why nothing was found, where nothing was.
    """

    marker_id: IntArray
    corners_px: FloatArray
    covariance_px2: FloatArray
    quality: FloatArray = None  # type: ignore[assignment]
    notes: tuple[str, ...] = ()
    picture_size_px: tuple[int, int] | None = None
    message: str = ""

    def __post_init__(self) -> None:
        ids = _checked_ids(self.marker_id)
        count = len(ids)
        quality = np.ones(count) if self.quality is None else checked_array("quality", self.quality, (count,))
        if not ((quality >= 0.0) & (quality <= 1.0)).all():
            raise InputError(f"quality: expected 0 to 1, found {quality.min():.4g} to {quality.max():.4g}")
        notes = tuple(self.notes) or ("",) * count
        if len(notes) != count:
            raise InputError(f"notes: expected {count}, found {len(notes)}")
        for name, array in (
            ("marker_id", ids),
            ("corners_px", _checked_corners(self.corners_px, count)),
            ("covariance_px2", _checked_covariance(self.covariance_px2, count)),
            ("quality", quality),
        ):
            array.flags.writeable = False
            object.__setattr__(self, name, array)
        object.__setattr__(self, "notes", notes)
        object.__setattr__(self, "picture_size_px", _checked_size(self.picture_size_px))

    def __len__(self) -> int:
        return len(self.marker_id)

    @property
    def repeated_ids(self) -> dict[int, int]:
        """Ids seen more than once, by a reflection or a second print, and how often; none of them tells where it is."""
        ids, counts = np.unique(self.marker_id, return_counts=True)
        return {int(i): int(n) for i, n in zip(ids, counts, strict=True) if n > 1}

    def selected(self, keep: Any) -> MarkerObservations:
        """Return the observations that a boolean or index array keeps."""
        index = np.arange(len(self))[keep]
        return MarkerObservations(
            marker_id=self.marker_id[index],
            corners_px=self.corners_px[index],
            covariance_px2=self.covariance_px2[index],
            quality=self.quality[index],
            notes=tuple(self.notes[i] for i in index),
            picture_size_px=self.picture_size_px,
            message=self.message,
        )

    def to_table(self) -> pd.DataFrame:
        """Return the table `OBSERVATIONS`, one row a marker."""
        frame = pd.DataFrame({"marker_id": self.marker_id, "quality": self.quality, "note": list(self.notes)})
        corners = pd.DataFrame(self.corners_px.reshape(-1, 8), columns=[c.name for c in _CORNERS])
        covariance = tables.stack_covariance("corner_covariance", self.covariance_px2)
        return OBSERVATIONS.checked(pd.concat([frame, corners, covariance], axis=1))

    @classmethod
    def from_table(cls, frame: pd.DataFrame, **others: Any) -> MarkerObservations:
        """Return the observations of a table `OBSERVATIONS`."""
        frame = OBSERVATIONS.checked(frame)
        return cls(
            marker_id=frame["marker_id"].to_numpy(),
            corners_px=frame[[c.name for c in _CORNERS]].to_numpy().reshape(-1, 4, 2),
            covariance_px2=tables.unstack_covariance("corner_covariance", frame, 8),
            quality=frame["quality"].to_numpy(),
            notes=tuple(frame["note"]),
            **others,
        )


def _checked_ids(marker_id: Any) -> IntArray:
    found = np.asarray(marker_id)
    if found.size == 0:
        return np.empty(0, dtype=np.int64)
    if found.dtype.kind not in "iu" or int(found.min()) < 0:
        raise InputError(f"marker_id: expected whole numbers, 0 or more, found {found.ravel()[:5].tolist()}")
    if max(found.shape, default=1) != found.size:
        raise InputError(f"marker_id: expected shape (N,), found {found.shape}")
    return found.astype(np.int64).reshape(-1)


def _checked_corners(corners_px: Any, count: int) -> FloatArray:
    corners = checked_array("corners_px", corners_px if count else [], finite=False)
    if count and corners.shape not in ((count, 4, 2), (count, 1, 4, 2), (count, 4, 1, 2)):
        raise InputError(f"corners_px: expected shape ({count}, 4, 2) for {count} ids, found {corners.shape}")
    return corners.reshape(count, 4, 2)


def _checked_covariance(covariance_px2: Any, count: int) -> FloatArray:
    covariance = checked_array("covariance_px2", covariance_px2)
    if covariance.ndim == 0:
        covariance = covariance * np.eye(8)
    if covariance.shape == (8, 8):
        covariance = np.broadcast_to(covariance, (count, 8, 8)).copy()
    if covariance.shape != (count, 8, 8) and covariance.size:
        raise InputError(f"covariance_px2: expected shape ({count}, 8, 8), found {covariance.shape}")
    variances = np.diagonal(covariance.reshape(count, 8, 8), axis1=1, axis2=2)
    if not (variances > 0.0).all():
        raise InputError(f"covariance_px2: expected variances above 0, found {variances.min():.4g} px^2")
    return covariance.reshape(count, 8, 8)


def _checked_size(size_px: Any) -> tuple[int, int] | None:
    if size_px is None:
        return None
    size = checked_array("picture_size_px", size_px, (2,))
    if not ((size >= 1.0) & (size == np.rint(size))).all():
        raise InputError(f"picture_size_px: expected whole numbers of pixels, width and height, found {size.tolist()}")
    return int(size[0]), int(size[1])
