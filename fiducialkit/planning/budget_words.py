"""An error budget in words: the largest source of a case and of a rig, what halving it brings, what it rests on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray
from fiducialkit.planning.picture_model import SOURCES
from fiducialkit.planning.study import Study
from fiducialkit.planning.verdict import CAUTION, case_in_words, common_assumptions
from fiducialkit.scene.field import Node

_TWO_SIDED_95 = 1.959964
PICTURES = {
    "best": "The picture that serves best counts",
    "last": "The last picture that sees a marker counts",
    "filter": "A pose filter joins 30 pictures a second, the last taken at the node; only corner noise is new in each, "
    "all else, corner pull too, is the same for the whole drive",
}


def half_widths(node: Node) -> tuple[float, float, float]:
    """Return the node's tolerances along, across and in heading. [m, m, rad]"""
    return node.tolerance_along_m, node.tolerance_across_m, math.radians(node.tolerance_heading_deg)


def case_sentence(row: Mapping[Any, Any], covariance: FloatArray, halved: FloatArray, study: Study) -> str:
    """Return the largest source of one row of CASES and what halving it brings; `halved` (9, 3, 3) as by source."""
    where = case_in_words(row)
    if not row["largest"]:
        return f"{where}: sees no marker on the last {study.approach.distance_m:g} m"
    better = halved[SOURCES.index(row["largest"])]
    node = next(node for node in study.field.nodes if node.name == row["node"])
    before, after = (_TWO_SIDED_95 * np.sqrt(np.diag(each)) for each in (covariance, better))
    worst = int(np.argmax(before / np.array(half_widths(node))))
    name, factor, unit = (("along", 1e3, "mm"), ("across", 1e3, "mm"), ("in heading", math.degrees(1.0), "degrees"))[
        worst
    ]
    share = f"{100.0 * row['largest_share']:.0f} %"
    errors = f"{before[worst] * factor:.3g} to {after[worst] * factor:.3g} {unit}"
    return (
        f"{where}: the largest is {row['largest']} ({share}); halving it brings the error {name} (95 %) from {errors} "
        f"and the chance to score from {percent(row['chance_to_score'])} to {percent(row['chance_if_halved'])}"
    )


def rig_sentence(rows: pd.DataFrame) -> str:
    """Return the largest source of one rig's rows of BY_RIG and what halving it brings."""
    if not rows["share"].notna().any():
        return f"'{rows.iloc[0]['rig']}' sees no marker on the way to any node."
    top = rows.iloc[int(rows["share"].to_numpy().argmax())]
    return (
        f"'{top['rig']}': the largest is {top['source']} ({100.0 * top['share']:.0f} % on average); halving it brings "
        f"the mean chance to score from {percent(top['mean_chance'])} to {percent(top['mean_if_halved'])} and that of "
        f"the worst case from {percent(top['worst_chance'])} to {percent(top['worst_if_halved'])}."
    )


def percent(value: float) -> str:
    """Return a chance in words; one that is not quite 0 or 1 is not rounded to it."""
    if 0.0 < value < 0.0005:
        return "under 0.1 %"
    return "over 99.9 %" if 0.9995 <= value < 1.0 else f"{100.0 * value:.1f} %"


def rests_on(study: Study, picture: str) -> tuple[str, ...]:
    """Return what the numbers rest on, one statement each, the caution last."""
    wheels = study.odometry
    driven = "between pictures and after the last that sees a marker" if picture == "filter" else "from there"
    return (
        *common_assumptions(study),
        f"{PICTURES[picture]}; {driven} wheels within {wheels.distance_sd_percent:g} % and a gyro within "
        f"{wheels.heading_sd_deg_per_s:g} degrees per second.",
        f"Time stamps within {1000.0 * study.tolerance.time_sd_s:g} ms (sd), the same for all cameras.",
        "A rolling shutter's rows are taken as seen all at once: the error of a solver that does not know of them."
        " It has a sign of its own, as the pull of stock corners has: the two can add up or cancel, here they count as "
        "independent.",
        CAUTION,
    )
