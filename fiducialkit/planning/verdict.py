"""A comparison in words: what limits each case, what decides, and what every number rests on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from fiducialkit.planning.detectability import LARGEST_FACING_DEG, detector_in_words
from fiducialkit.planning.study import Study
from fiducialkit.scene.field import Node
from fiducialkit.scene.robot import ALWAYS

_TWO_SIDED_95 = 1.959964
_FLIP_WORTH_SAYING = 0.02
PICTURES_PER_S = 30.0  # of the filter, as `filtered_arrivals` has it unless told otherwise
_PULL = (
    "Stock sub-pixel corners lie inside the marker by about the same in every picture (corner pull), so that it looks "
    "farther than it is: neither more markers nor a filter average that out. Fitted corners do not have it.",
)
CAUTION = (
    "These are predictions. Keep people clear of a moving robot, keep to the event's rules and the local codes, and "
    "have mounts and wiring checked by whoever is responsible for them."
)


def case_in_words(row: Mapping[Any, Any] | pd.Series[Any]) -> str:
    """Return "oven 2, back, arm raised"."""
    state = "" if row["state"] == ALWAYS else f", {row['state']}"
    return f"{row['node']}, {row['side']}{state}"


def reason(row: Mapping[Any, Any], node: Node, study: Study) -> str:
    """Return what limits the chance to score in one case, as a sentence without its full stop."""
    state = "" if row["state"] == ALWAYS else f" ({row['state']})"
    where = f"{node.name}{state}, scoring with the {row['side']}"
    if math.isnan(row["position_95_m"]):
        return f"sees no marker on the last {study.approach.distance_m:g} m to {where}"
    if row["flip_probability"] > _FLIP_WORTH_SAYING:
        share = 100.0 * row["flip_probability"]
        return f"takes the mirrored pose in {share:.0f} % near {where}: one marker, small or nearly face-on"
    limits = (
        ("along", row["tool_along_sd_m"] * 1000.0, node.tolerance_along_m * 1000.0, "mm"),
        ("across", row["tool_across_sd_m"] * 1000.0, node.tolerance_across_m * 1000.0, "mm"),
        ("heading", row["heading_sd_deg"], node.tolerance_heading_deg, "degrees"),
    )
    name, sd, tolerance, unit = max(limits, key=lambda limit: limit[1] / limit[2])
    error = f"{name} +-{_TWO_SIDED_95 * sd:.3g} {unit} (95 %) against +-{tolerance:.3g} allowed"
    if row["blind_m"] > 0.0:
        return f"sees no marker closer than {row['blind_m']:.2g} m to {where}; arrives with {error}"
    return f"arrives at {where} with {error}"


def verdict(table: pd.DataFrame, differences: pd.DataFrame) -> str:
    """Return the outcome in a few sentences, from the tables `RIGS` and `DIFFERENCES`."""
    best = table.iloc[0]
    text = (
        f"'{best['rig']}' comes first: its worst case, {best['worst_case']}, scores with a chance of "
        f"{_percent(best['worst_chance'])}, its mean case with {_percent(best['mean_chance'])}. "
    )
    if len(table) > 1:
        second = table.iloc[1]
        text += (
            f"Next is '{second['rig']}' ({_percent(second['worst_chance'])} and "
            f"{_percent(second['mean_chance'])}): it {second['reason']}. "
        )
        text += _difference_in_words(differences.iloc[0]) + _cost_in_words(best, second)
    return text + f"What limits '{best['rig']}': it {best['reason']}."


def _difference_in_words(pair: pd.Series[Any]) -> str:
    gain, low, high = (100.0 * float(pair[name]) for name in ("gain", "gain_low", "gain_high"))
    count = f"better at {pair['better']}, worse at {pair['worse']} nodes and sides"
    if math.isnan(low):
        return f"Whether the two differ cannot be said from so few nodes and sides ({count}). "
    outcome = "the two differ" if low > 0.0 or high < 0.0 else "they cannot be told apart by their means"
    return (
        f"Its mean gain on that one is {gain:+.1f} points ({count}); were nodes drawn anew from ones like these, "
        f"{low:+.2g} to {high:+.2g} in 95 % of draws: {outcome}. "
    )


def _cost_in_words(best: pd.Series[Any], second: pd.Series[Any]) -> str:
    if best["cost"] == second["cost"]:
        return ""
    return f"It costs {best['cost']:g} against {second['cost']:g}. "


def _percent(chance: float) -> str:
    """Return a chance in words that never claim certainty."""
    if chance >= 0.995:
        return "over 99 %"
    return "under 1 %" if 0.0 < chance < 0.005 else f"{100.0 * chance:.0f} %"


def assumptions(study: Study, *, with_filter: bool = True) -> tuple[str, ...]:
    """Return what the numbers rest on, one statement each; `with_filter` where a chance through a filter is shown."""
    wheels = study.odometry
    return (
        *common_assumptions(study),
        f"The best pose of the last {study.approach.distance_m:g} m is driven on to the node at "
        f"{study.approach.speed_m_per_s:g} m/s with wheels within {wheels.distance_sd_percent:g} % and a gyro within "
        f"{wheels.heading_sd_deg_per_s:g} degrees per second; time stamps and rolling shutter are not counted in it.",
        *(_filter_in_words(study) if with_filter else ()),
        CAUTION,
    )


def common_assumptions(study: Study) -> tuple[str, ...]:
    """Return what every number rests on, whichever picture counts: detectors, sight, floor, building, other robots."""
    prior, built = study.prior, study.tolerance
    used = {name for rig in study.rigs for name in rig.mounts}
    cameras = {mount.camera.name: mount.camera for mount in study.robot.mounts if mount.name in used}
    gyro = f"heading from a gyro within {prior.heading_sd_deg:g} degrees" if prior.heading_sd_deg else "no gyro heading"
    return (
        *(f"Camera '{name}', detector on the robot: {detector_in_words(camera)}." for name, camera in cameras.items()),
        *(_PULL if any(camera.noise.detector == "stock" for camera in cameras.values()) else ()),
        f"A marker counts as seen when all of it is in the picture, nothing stands in front of its corners or centre, "
        f"and its face is turned away by no more than {LARGEST_FACING_DEG:g} degrees.",
        f"Robot on the floor: height within {prior.height_sd_m * 1000:g} mm, level within {prior.level_sd_deg:g} "
        f"degrees; {gyro}.",
        f"Built and known within (sd): mounts {built.mount_sd_m * 1000:g} mm and {built.mount_sd_deg:g} degrees, "
        f"markers {built.marker_sd_m * 1000:g} mm and {built.marker_sd_deg:g} degrees, focal length "
        f"{built.focal_sd_percent:g} %. A picture's pose weighs its markers by their corners alone: a further camera, "
        f"itself a little off, can make it worse.",
        *_others_in_words(study),
    )


def _filter_in_words(study: Study) -> tuple[str, ...]:
    apart_mm = 1000.0 * study.approach.speed_m_per_s / PICTURES_PER_S
    return (
        f"Through the filter: every picture of the approach, {PICTURES_PER_S:g} a second, joined with wheels and gyro; "
        f"the last picture is taken at the node, so a marker that is in view only there counts as caught, though with "
        f"pictures {apart_mm:.3g} mm apart it may be missed. What stays the same for a whole drive (corner pull, lens, "
        f"mounts, layout, floor, time stamps, rolling shutter, wheels, gyro) does not average out. Ranks go by the "
        f"single best picture, as search and sensitivity do.",
    )


def _others_in_words(study: Study) -> tuple[str, ...]:
    others = study.other_robots
    if others.per_m2 == 0.0:
        return ()
    return (
        f"Other robots, {others.length_m:g} x {others.width_m:g} x {others.height_m:g} m, stand about at random, "
        f"{others.per_m2:g} to the square metre, and hide each marker independently.",
    )
