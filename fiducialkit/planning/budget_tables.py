"""The tables of an error budget."""

from __future__ import annotations

from fiducialkit.tables import Column, Table

_CASE = (
    Column("rig", "text", "name of the rig"),
    Column("node", "text", "name of the scoring node"),
    Column("side", "text", "front or back: the side of the robot that scores"),
    Column("state", "text", "mechanism state"),
)

CASES = Table(
    "budget_cases",
    (
        *_CASE,
        Column("markers", "int", "distinct markers in the picture that counts"),
        Column(
            "blind_m", "float", "stretch driven on after that picture; the whole approach if no marker is ever seen"
        ),
        Column("tool_along_sd_m", "float", "sd at the tool point, along the robot's heading"),
        Column("tool_across_sd_m", "float", "sd at the tool point, across the robot's heading"),
        Column("heading_sd_deg", "float", "sd of the heading on arrival"),
        Column("tool_along_across", "float", "correlation of the errors along and across at the tool point"),
        Column("tool_along_heading", "float", "correlation of the errors along and in heading at the tool point"),
        Column("tool_across_heading", "float", "correlation of the errors across and in heading at the tool point"),
        Column("flip_probability", "float", "chance that the mirrored pose is taken"),
        Column("chance_to_score", "float", "chance that the tool point and the heading are within the tolerances"),
        Column("largest", "text", "the source with the largest share"),
        Column("largest_share", "float", "its share, errors counted in the node's tolerances"),
        Column("chance_if_halved", "float", "chance to score with that source half as large"),
        Column("sentence", "text", "the largest source and what halving it brings, in words"),
    ),
)

SHARES = Table(
    "budget_shares",
    (
        *_CASE,
        Column("source", "text", "what the error comes from"),
        Column("part_along_sd_m", "float", "sd at the tool point along the heading that comes from this source"),
        Column("part_across_sd_m", "float", "sd at the tool point across the heading that comes from this source"),
        Column("part_heading_sd_deg", "float", "sd of the heading that comes from this source"),
        Column("share_along", "float", "share of the variance along"),
        Column("share_across", "float", "share of the variance across"),
        Column("share_heading", "float", "share of the variance of the heading"),
        Column("share", "float", "share of the three variances together, each over its tolerance squared"),
        Column("chance_if_halved", "float", "chance to score with this source half as large"),
    ),
)

BY_RIG = Table(
    "budget_by_rig",
    (
        Column("rig", "text", "name of the rig"),
        Column("source", "text", "what the error comes from"),
        Column("share", "float", "mean share over the cases that see a marker"),
        Column("worst_chance", "float", "chance to score in the worst case"),
        Column("mean_chance", "float", "mean chance to score over all cases"),
        Column("worst_if_halved", "float", "chance in the worst case with this source half as large"),
        Column("mean_if_halved", "float", "mean chance with this source half as large"),
    ),
)
