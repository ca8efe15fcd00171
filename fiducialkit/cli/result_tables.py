"""The tables that `detect` and `solve` write."""

from __future__ import annotations

import numpy as np

from fiducialkit.imaging.observations import OBSERVATIONS
from fiducialkit.tables import Column, Table

FILE = Column("file", "text", "the picture's name, with as much of its path as tells it apart")

CORNERS = Table("corners", (FILE, *OBSERVATIONS.columns))

PICTURES = Table(
    "pictures",
    (
        FILE,
        Column("status", "text", "ok, no_markers or unreadable"),
        Column("markers", "int", "how many were found"),
        Column("width_px", "int", "of the picture; 0 if unreadable"),
        Column("height_px", "int", "of the picture; 0 if unreadable"),
        Column("message", "text", "why nothing was found, or what is odd about a marker; empty if nothing is"),
    ),
)


def _pose_columns(prefix: str, whose: str) -> tuple[Column, ...]:
    position = tuple(Column(f"{prefix}_{axis}_m", "float", f"{whose} origin in field") for axis in "xyz")
    heading = Column(f"{prefix}_heading_deg", "float", f"{whose} forward, counter-clockwise from the field's x")
    turn = tuple(Column(f"{prefix}_q{part}", "float", f"{whose} rotation in field, quaternion") for part in "wxyz")
    return (*position, heading, *turn)


POSES = Table(
    "poses",
    (
        FILE,
        Column("status", "text", "of the solver, or unreadable, or wrong_size"),
        Column("message", "text", "what is odd; empty if nothing is"),
        *_pose_columns("robot", "the robot's (see pose_of)"),
        *(
            Column(f"pose_covariance_{i}{j}", "float", "of x y z, then a rotation vector, in field [m, rad]")
            for i, j in zip(*np.triu_indices(6), strict=True)
        ),
        Column("rms_px", "float", "reprojection error, rms per coordinate"),
        Column("flip_probability", "float", "chance that another pose of those that fit is the right one"),
        Column("markers_used", "text", "ids"),
        Column("markers_rejected", "text", "ids with the reason"),
        Column("pose_of", "text", "robot; or camera: no mount was given and the pose is the camera's own"),
        *_pose_columns("alternative", "the second pose's"),
        Column("alternative_probability", "float", "chance that the second pose is the right one"),
    ),
)
