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
        ids = np.array(self.marker_id if np.size(self.marker_id) else [], dtype=np.int64).reshape(-1)
        count = len(ids)
        corners = np.array(self.corners_px if count else np.empty((0, 4, 2)), dtype=np.float64)
        if corners.size != count * 8:
            raise InputError(f"corners_px: expected shape ({count}, 4, 2) for {count} ids, found {corners.shape}")
        covariance = checked_array("covariance_px2", self.covariance_px2)
        if covariance.ndim == 0:
            covariance = np.broadcast_to(covariance * np.eye(8), (count, 8, 8))
        elif covariance.shape == (8, 8):
            covariance = np.broadcast_to(covariance, (count, 8, 8))
        elif covariance.size != count * 64:
            raise InputError(f"covariance_px2: expected shape ({count}, 8, 8), found {covariance.shape}")
        quality = np.ones(count) if self.quality is None else checked_array("quality", self.quality, (count,))
        notes = tuple(self.notes) or ("",) * count
        if len(notes) != count:
            raise InputError(f"notes: expected {count}, found {len(notes)}")
        for name, array, shape in (
            ("marker_id", ids, (count,)),
            ("corners_px", corners, (count, 4, 2)),
            ("covariance_px2", covariance.copy(), (count, 8, 8)),
            ("quality", quality, (count,)),
        ):
            array = array.reshape(shape)
            array.flags.writeable = False
            object.__setattr__(self, name, array)
        object.__setattr__(self, "notes", notes)

    def __len__(self) -> int:
        return len(self.marker_id)

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
