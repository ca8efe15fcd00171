"""The tables of a mount comparison."""

from __future__ import annotations

from fiducialkit.tables import Column, Table

_RIG = Column("rig", "text", "name of the rig")
_NODE = Column("node", "text", "name of the scoring node")
_SIDE = Column("side", "text", "front or back: the side of the robot that scores")
_STATE = Column("state", "text", "mechanism state")
_MARKERS = Column("markers", "int", "distinct markers seen from the pose")
_POSE = (
    Column("robot_x_m", "float", "robot's origin in field"),
    Column("robot_y_m", "float", "robot's origin in field"),
)
_ERROR_95 = (
    Column("position_95_m", "float", "radius round the true position that holds 95 % of predicted positions"),
    Column("heading_95_deg", "float", "half width that holds 95 % of predicted headings"),
)
_FLIP = Column("flip_probability", "float", "chance that the mirrored pose is taken")
_APPROACH_SHARES = (
    Column("approach_share_1", "float", "share of the approach's poses that see at least one marker"),
    Column("approach_share_2", "float", "share of the approach's poses that see at least two markers"),
)

RIGS = Table(
    "rigs",
    (
        Column("rank", "int", "1 is best: by the worst case's chance, then the benefit, then the error"),
        _RIG,
        Column("cameras", "int", "how many"),
        Column("worst_chance", "float", "chance to score in the worst case (node, side, state)"),
        Column("mean_chance", "float", "mean over all cases"),
        Column("worst_chance_filtered", "float", "the worst case's chance through a pose filter"),
        Column("mean_chance_filtered", "float", "mean over all cases through a pose filter"),
        Column("benefit", "float", "mean chance, each node with the study's weight; mean_chance where there are none"),
        Column(
            "cost", "float", "sum over the rig's cameras, in the unit of the robot file; 1 a camera if none is given"
        ),
        Column("worst_case", "text", "that case"),
        *_APPROACH_SHARES,
        Column("longest_blind_m", "float", "longest stretch without a marker on any approach"),
        Column("longest_blind_s", "float", "the same in time at the study's speed"),
        Column("floor_share_1", "float", "share of floor poses that see at least one marker, mean over states"),
        Column("floor_share_2", "float", "share of floor poses that see at least two markers, mean over states"),
        *_ERROR_95,
        Column("worst_flip_probability", "float", "largest chance of the mirrored pose at a node"),
        Column("detector", "text", "what is assumed of the detector on the robot"),
        Column("reason", "text", "what decides the rank, in words"),
    ),
)

BY_NODE = Table(
    "by_node",
    (
        _RIG,
        _NODE,
        _SIDE,
        _STATE,
        Column("markers_at_node", "int", "distinct markers seen when standing at the node"),
        *_APPROACH_SHARES,
        Column("blind_m", "float", "last stretch of the approach without a marker; all of it if none is ever seen"),
        Column("longest_blind_m", "float", "longest stretch of the approach without a marker"),
        Column("longest_blind_s", "float", "the same in time at the study's speed"),
        Column("held_from_m", "float", "distance of the pose that serves best, driven on from with wheels and gyro"),
        *_ERROR_95,
        Column("tool_along_sd_m", "float", "sd at the tool point, along the robot's heading"),
        Column("tool_across_sd_m", "float", "sd at the tool point, across the robot's heading"),
        Column("heading_sd_deg", "float", "sd of the heading on arrival"),
        Column("flip_probability", "float", "chance of the mirrored pose at the pose that serves best"),
        Column("chance_to_score", "float", "chance to be within the tolerances, from the one picture that serves best"),
        Column("chance_filtered", "float", "the same through a pose filter that uses every picture of the approach"),
        Column("position_95_filtered_m", "float", "radius that holds 95 % of positions on arrival through the filter"),
        Column("reason", "text", "what limits it, in words"),
    ),
)

BY_APPROACH = Table(
    "by_approach",
    (
        _RIG,
        _NODE,
        _SIDE,
        _STATE,
        Column("distance_m", "float", "to the node, along the approach"),
        *_POSE,
        Column("robot_heading_deg", "float", "robot's forward, counter-clockwise from the field's x"),
        _MARKERS,
        *_ERROR_95,
        _FLIP,
    ),
)

MAPS = Table(
    "maps",
    (
        _RIG,
        _STATE,
        *_POSE,
        Column("share_1", "float", "share of headings from which at least one marker is seen"),
        Column("share_2", "float", "share of headings from which at least two markers are seen"),
        *_ERROR_95,
    ),
)

DIFFERENCES = Table(
    "differences",
    (
        _RIG,
        Column("other", "text", "a rig ranked below it"),
        Column("gain", "float", "mean chance to score less the other's, over nodes and sides"),
        Column("gain_low", "float", "95 % interval were nodes and sides drawn anew from these; missing below five"),
        Column("gain_high", "float", "95 % interval"),
        Column("better", "int", "nodes and sides where it is better"),
        Column("worse", "int", "nodes and sides where it is worse"),
        Column("sign_p", "float", "chance that fair coins split so unevenly, both ways: the exact sign test"),
    ),
)
