"""The tables of approaches through a pose filter."""

from __future__ import annotations

from fiducialkit.tables import Column, Table

_CASE = (
    Column("rig", "text", "name of the rig"),
    Column("node", "text", "name of the scoring node"),
    Column("side", "text", "front or back: the side of the robot that scores"),
    Column("state", "text", "mechanism state, or how it changes on the way"),
)
_ERROR_95 = (
    Column("position_95_m", "float", "radius round the true position that holds 95 % of predicted positions"),
    Column("heading_95_deg", "float", "half width that holds 95 % of predicted headings"),
)
ARRIVALS = Table(
    "filtered_arrivals",
    (
        *_CASE,
        Column("pictures", "int", "pictures on the way that see at least one marker"),
        Column("blind_m", "float", "last stretch without a marker; the whole approach if none is ever seen"),
        *_ERROR_95,
        Column("tool_along_sd_m", "float", "sd at the tool point, along the robot's heading"),
        Column("tool_across_sd_m", "float", "sd at the tool point, across the robot's heading"),
        Column("heading_sd_deg", "float", "sd of the heading on arrival"),
        Column("flip_probability", "float", "chance of the mirrored pose in the least doubtful picture"),
        Column("chance_to_score", "float", "chance that the tool point and the heading are within the tolerances"),
    ),
)
ON_THE_WAY = Table(
    "filtered_on_the_way",
    (
        *_CASE,
        Column("distance_m", "float", "to the node, along the approach"),
        Column("markers", "int", "distinct markers seen from the pose"),
        *_ERROR_95,
    ),
)
