"""A small hall, a robot and hand-made comparison tables for the tests of drawings, page and commands."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pandas as pd

from fiducialkit.planning.mount_study import MountComparison
from fiducialkit.planning.mount_tables import BY_APPROACH, BY_NODE, MAPS
from fiducialkit.planning.mount_tables import RIGS as RIG_TABLE
from fiducialkit.planning.rig_differences import rig_differences
from fiducialkit.planning.study import Study
from fiducialkit.planning.verdict import CAUTION
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field, Marker, Node, Obstacle
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.robot import Mount, Rig, Robot, Structure, Tool

RIGS = ("two low, turned out", "one high")
STATES = ("arm down", "arm raised")
SIDES = ("front", "back")


def small_field() -> Field:
    """Return a floor of 6 x 4 m with four markers, two nodes and one obstacle."""
    return Field(
        name="Caf\u00e9 hall",
        size=(6.0, 4.0),
        family=marker_family("36h11"),
        markers=(
            Marker(marker_id=4, position=(0.0, 1.2, 0.45), facing_deg=0.0, size_m=0.15),
            Marker(marker_id=7, position=(6.0, 2.0, 0.6), facing_deg=180.0, size_m=0.15),
            Marker(marker_id=11, position=(3.0, 4.0, 0.5), facing_deg=270.0, size_m=0.15),
            Marker(marker_id=12, position=(3.0, 0.0, 0.5), facing_deg=90.0, tilt_deg=20.0, size_m=0.15),
        ),
        nodes=(
            Node(
                name="oven 1",
                position=(0.75, 1.2),
                heading_deg=180.0,
                tolerance_along_m=0.04,
                tolerance_across_m=0.02,
                tolerance_heading_deg=2.0,
            ),
            Node(
                name="shelf",
                position=(3.0, 3.2),
                heading_deg=90.0,
                tolerance_along_m=0.05,
                tolerance_across_m=0.03,
                tolerance_heading_deg=3.0,
            ),
        ),
        obstacles=(Obstacle(name="dough table", corner_min=(3.6, 1.4, 0.0), corner_max=(4.4, 2.2, 0.9)),),
    )


def small_robot() -> Robot:
    """Return a robot with three mounts, two rigs, an arm in two states and tools on both sides."""
    camera = Camera.from_field_of_view(1280, 800, 75.0, name="front")
    mounts = (
        Mount(name="low left", camera=camera, position=(0.25, 0.30, 0.45), yaw_deg=25.0, tilt_deg=5.0),
        Mount(name="low right", camera=camera, position=(0.25, -0.30, 0.45), yaw_deg=-25.0, tilt_deg=5.0),
        Mount(name="high", camera=camera, position=(-0.1, 0.0, 1.0), tilt_deg=-10.0),
    )
    return Robot(
        name="Crumb",
        footprint=(0.8, 0.7),
        mounts=mounts,
        rigs=(Rig(name=RIGS[0], mounts=("low left", "low right")), Rig(name=RIGS[1], mounts=("high",))),
        structures=(
            Structure(state="always", corner_min=(-0.4, -0.35, 0.05), corner_max=(0.4, 0.35, 0.25)),
            Structure(state="arm down", corner_min=(0.0, -0.1, 0.3), corner_max=(0.5, 0.1, 0.4)),
            Structure(
                state="arm raised",
                corner_min=(0.0, -0.1, 0.3),
                corner_max=(0.9, 0.1, 0.4),
                raised_deg=60.0,
                pivot=(0.0, 0.0, 0.35),
            ),
        ),
        tools=(Tool(side="front", position=(0.55, 0.0, 0.9)), Tool(side="back", position=(-0.5, 0.0, 0.6))),
    )


def approach_table() -> pd.DataFrame:
    """Return BY_APPROACH rows: error 1 cm per metre, the high rig twice that and blind below 0.6 m, arm raised."""
    rows = []
    for rig, node, side, state in itertools.product(RIGS, ("oven 1", "shelf"), SIDES, STATES):
        for distance in np.linspace(0.0, 1.5, 16):
            blind = rig == RIGS[1] and state == "arm raised" and distance < 0.55
            error = float("nan") if blind else (0.005 + 0.01 * distance) * (2.0 if rig == RIGS[1] else 1.0)
            rows.append(
                {
                    "rig": rig,
                    "node": node,
                    "side": side,
                    "state": state,
                    "distance_m": distance,
                    "robot_x_m": 0.75 + distance,
                    "robot_y_m": 1.2,
                    "robot_heading_deg": 180.0,
                    "markers": 0 if blind else 2,
                    "position_95_m": error,
                    "heading_95_deg": 100.0 * error / 2.0,
                    "flip_probability": float("nan") if blind else 0.01,
                }
            )
    return pd.DataFrame(rows)


def maps_table() -> pd.DataFrame:
    """Return MAPS rows: the low rig sees a marker from x / 6 of the headings, the high one from half of that."""
    rows = []
    for rig, state, x, y in itertools.product(RIGS, STATES, np.arange(0.25, 6.0, 0.5), np.arange(0.25, 4.0, 0.5)):
        share = x / 6.0 * (0.5 if rig == RIGS[1] else 1.0) * (0.8 if state == "arm raised" else 1.0)
        rows.append(
            {
                "rig": rig,
                "state": state,
                "robot_x_m": x,
                "robot_y_m": y,
                "share_1": share,
                "share_2": share / 2.0,
                "position_95_m": 0.02,
                "heading_95_deg": 1.0,
            }
        )
    return pd.DataFrame(rows)


def node_table() -> pd.DataFrame:
    """Return BY_NODE rows: chances 0.9 and 0.8 (arm raised) of the low rig, 0.5 and 0 of the high one."""
    chances = {(RIGS[0], STATES[0]): 0.9, (RIGS[0], STATES[1]): 0.8, (RIGS[1], STATES[0]): 0.5, (RIGS[1], STATES[1]): 0}
    numbers = {
        "markers_at_node": 1,
        "approach_share_1": 1.0,
        "approach_share_2": 0.5,
        "held_from_m": 0.0,
        "position_95_m": 0.012,
        "heading_95_deg": 0.9,
        "tool_along_sd_m": 0.004,
        "tool_across_sd_m": 0.003,
        "heading_sd_deg": 0.4,
        "flip_probability": 0.001,
    }
    rows = []
    for rig, node, side, state in itertools.product(RIGS, ("oven 1", "shelf"), SIDES, STATES):
        blind = 0.6 if rig == RIGS[1] and state == STATES[1] else 0.0
        chance = chances[rig, state]
        row = {"rig": rig, "node": node, "side": side, "state": state, "chance_to_score": chance}
        row |= {"chance_filtered": chance, "position_95_filtered_m": 0.01}
        rows.append(
            row
            | numbers
            | {
                "blind_m": blind,
                "longest_blind_m": blind,
                "longest_blind_s": blind / 1.5,
                "reason": f"reason for {node} {side} {state}",
            }
        )
    return pd.DataFrame(rows)


def rig_table() -> pd.DataFrame:
    """Return RIGS rows, best first."""
    rows = []
    for rank, (rig, worst, mean) in enumerate(((RIGS[0], 0.8, 0.85), (RIGS[1], 0.0, 0.25)), start=1):
        rows.append(
            {
                "rank": rank,
                "rig": rig,
                "cameras": 3 - rank,
                "worst_chance": worst,
                "mean_chance": mean,
                "worst_chance_filtered": worst,
                "mean_chance_filtered": mean,
                "benefit": mean,
                "cost": 3.0 - rank,
                "worst_case": "oven 1, back, arm raised",
                "approach_share_1": 1.0 / rank,
                "approach_share_2": 0.5 / rank,
                "longest_blind_m": 0.3 * rank,
                "longest_blind_s": 0.2 * rank,
                "floor_share_1": 0.4 / rank,
                "floor_share_2": 0.2 / rank,
                "position_95_m": 0.012 * rank,
                "heading_95_deg": 0.9 * rank,
                "worst_flip_probability": 0.001 * rank,
                "detector": "stock sub-pixel corners, 0.2 px",
                "reason": f"reason of rank {rank}",
            }
        )
    return pd.DataFrame(rows)


def hand_made_comparison(**changes: object) -> MountComparison:
    """Return a comparison whose numbers are typed here, not computed."""
    content: dict[str, Any] = {
        "study": Study(name="Caf\u00e9 study", field=small_field(), robot=small_robot()),
        "table": RIG_TABLE.checked(rig_table()),
        "by_node": BY_NODE.checked(node_table()),
        "by_approach": BY_APPROACH.checked(approach_table()),
        "maps": MAPS.checked(maps_table()),
        "verdict": "'two low, turned out' comes first. Arm raised is what limits it.",
        "assumptions": ("Stock detector on the robot.", "Mounts within 3 mm.", CAUTION),
        "differences": rig_differences(node_table(), list(RIGS)),
    }
    return MountComparison(**(content | changes))
