"""Near the scoring nodes: error along the approach, and the chance to score."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from fiducialkit.arrays import FloatArray
from fiducialkit.plots.style import (
    FAINT,
    INK,
    LABEL_PT,
    LINE_COLOURS,
    LINE_DASHES,
    SHARES,
    SMALL_PT,
    SOFT,
    TICK_PT,
    dressed,
    short,
    whole_percent,
)

_STRIP_ROW = 0.036  # height of one rig's row in the strip of blind stretches, in panels
_TICKS_CM = [base * 10.0**power for power in range(-2, 5) for base in (1, 2, 5)]


def worst_along_approach(by_approach: pd.DataFrame) -> pd.DataFrame:
    """Return one row a rig and distance: the largest `position_95_m` of any mechanism state, NaN if blind in one.

    Returns
    -------
    DataFrame
        rig, distance_m, position_95_m, nearest first.
    """
    filled = by_approach.assign(position_95_m=by_approach["position_95_m"].fillna(math.inf))
    worst = filled.groupby(["rig", "distance_m"], sort=True)["position_95_m"].max()
    return worst.replace(math.inf, math.nan).reset_index()


def error_limits_cm(by_approach: pd.DataFrame) -> tuple[float, float]:
    """Return limits that hold every error of the table, so that panels share one scale. [cm]"""
    values = 100.0 * by_approach["position_95_m"].to_numpy(dtype=np.float64)
    values = values[np.isfinite(values) & (values > 0.0)]
    if not values.size:
        return 0.5, 5.0
    low, high = float(values.min()) / 1.25, float(np.quantile(values, 0.995)) * 1.25
    return low, max(high, 2.0 * low)


def draw_error_near_node(
    by_approach: pd.DataFrame,
    ax: Axes,
    *,
    rigs: Sequence[str],
    limits_cm: tuple[float, float],
    title: str = "",
    tolerance_m: float | None = None,
) -> Axes:
    """Draw the 95 % position error of each rig along the approach to one node, driving to the right.

    Each rig's worst mechanism state counts. A stretch without a marker is a gap in the line and a bar in the strip
    below, one row a rig.

    Parameters
    ----------
    by_approach : DataFrame
        Rows of one node and side of the table BY_APPROACH: rig, state, distance_m, position_95_m, ...
    ax : matplotlib.axes.Axes
    rigs : sequence of str
        In the order of their colours, at most eight.
    limits_cm : (float, float)
        Of the error axis, logarithmic; `error_limits_cm` finds them. [cm]
    title : str
    tolerance_m : float, optional
        The node's tighter tolerance, as a thin line. [m]
    """
    dressed(ax, x_label="distance to the node [m]", y_label="95 % position error [cm]")
    ax.set_title(short(title, 30), fontsize=LABEL_PT, loc="left", color=INK, y=1.0)
    worst = worst_along_approach(by_approach)
    farthest = float(by_approach["distance_m"].max()) if len(by_approach) else 1.0
    strip = _scales(ax, limits_cm, farthest, len(rigs))
    if tolerance_m is not None:
        ax.axhline(100.0 * tolerance_m, color=SOFT, linewidth=0.9, linestyle=(0, (1, 2)), gid="tolerance")
    for number, rig in enumerate(rigs):
        rows = worst[worst["rig"] == rig]
        distance, error = rows["distance_m"].to_numpy(), 100.0 * rows["position_95_m"].to_numpy()
        ax.plot(distance, error, gid=f"error {rig}", zorder=5 - 0.1 * number, **line_look(number))
        height = strip * (1.0 - (number + 0.6) / (len(rigs) + 0.2))
        stretches = blind_stretches(distance, error)
        if stretches:
            ends = np.array([(start, end, math.nan) for start, end in stretches]).ravel()
            ax.plot(
                ends, np.full(len(ends), height), color=LINE_COLOURS[number % len(LINE_COLOURS)], linewidth=3.2,
                transform=ax.get_xaxis_transform(), solid_capstyle="butt", gid=f"blind {rig}",
            )  # fmt: skip
    return ax


def line_look(number: int) -> dict[str, Any]:
    """Return colour, dashes and width of the rig of that rank; the first is the strongest."""
    index = number % len(LINE_COLOURS)
    return {"color": LINE_COLOURS[index], "linestyle": LINE_DASHES[index], "linewidth": 2.4 if number == 0 else 1.5}


def blind_stretches(distance_m: FloatArray, error: FloatArray) -> list[tuple[float, float]]:
    """Return (from, to) of each run of NaN, reaching half a step beyond its ends but not beyond the approach. [m]"""
    if not len(distance_m):
        return []
    middle = (distance_m[1:] + distance_m[:-1]) / 2
    edges = np.concatenate([distance_m[:1], middle, distance_m[-1:]])
    blind = np.concatenate([[False], np.isnan(error), [False]]).astype(np.int64)
    starts, ends = np.flatnonzero(np.diff(blind) == 1), np.flatnonzero(np.diff(blind) == -1)
    return [(float(edges[i]), float(edges[j])) for i, j in zip(starts, ends, strict=True)]


def _scales(ax: Axes, limits_cm: tuple[float, float], farthest_m: float, count: int) -> float:
    """Set both axes and keep the bottom of the panel free; return the share of the panel that was kept."""
    strip = min(0.45, _STRIP_ROW * (count + 0.5))
    low, high = limits_cm
    bottom = low / (high / low) ** (strip / (1.0 - strip))
    ax.set_yscale("log")
    ax.set(ylim=(bottom, high), xlim=(farthest_m, 0.0))  # driving to the right, towards the node
    ax.yaxis.set_major_locator(FixedLocator([tick for tick in _TICKS_CM if low <= tick <= high]))
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    ax.yaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    ax.grid(color=FAINT, linewidth=0.6)
    ax.axhspan(bottom, low, color="#f1f3f5", zorder=0.4)
    ax.text(
        0.01, strip, "blind", transform=ax.transAxes, fontsize=SMALL_PT - 0.5, color=SOFT, va="top", ha="left",
        zorder=6,
    )  # fmt: skip
    return strip


def worst_chances(by_node: pd.DataFrame, rigs: Sequence[str]) -> tuple[list[tuple[str, str]], FloatArray]:
    """Return the cases (node, side) and the chance to score (rigs, cases) in the worst mechanism state."""
    cases = list(dict.fromkeys(zip(by_node["node"], by_node["side"], strict=True)))
    worst = by_node.groupby(["rig", "node", "side"])["chance_to_score"].min().to_dict()
    chances = [[worst.get((rig, *case), math.nan) for case in cases] for rig in rigs]
    return cases, np.array(chances, dtype=np.float64).reshape(len(rigs), len(cases))


def draw_chance_matrix(by_node: pd.DataFrame, ax: Axes, *, rigs: Sequence[str]) -> Axes:
    """Draw the chance to be inside a node's tolerance, rig by node and side, worst mechanism state. [%]

    Parameters
    ----------
    by_node : DataFrame
        Table BY_NODE: rig, node, side, state, chance_to_score, ...
    ax : matplotlib.axes.Axes
    rigs : sequence of str
        Rows from the top.
    """
    cases, values = worst_chances(by_node, rigs)
    dressed(ax, x_label="scoring node and the robot's side that scores", y_label="rig, best first")
    image = ax.imshow(values, cmap=SHARES, vmin=0.0, vmax=1.0, aspect="auto")
    image.set_gid("chance")
    for (row, column), value in np.ndenumerate(values):
        words = whole_percent(value)
        ax.text(
            column, row, words, ha="center", va="center", fontsize=TICK_PT, gid="percent",
            color="black" if value > 0.55 else "white",
        )  # fmt: skip
    both = len({side for _, side in cases}) > 1
    names = [short(f"{node}, {side}" if both else str(node), 30) for node, side in cases]
    ax.set_xticks(range(len(names)), names, rotation=40, ha="right", rotation_mode="anchor")
    ax.set_yticks(range(len(rigs)), [short(rig, 36) for rig in rigs])
    ax.tick_params(length=0)
    for spine in ax.spines.values():
        spine.set_visible(False)
    ax.set_xticks(np.arange(len(names) - 1) + 0.5, minor=True)
    ax.set_yticks(np.arange(len(rigs) - 1) + 0.5, minor=True)
    ax.grid(which="minor", color="white", linewidth=1.5)
    ax.tick_params(which="minor", length=0)
    return ax
