"""Predicted against rendered: errors over their predicted sd, by distance and rig."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes

from fiducialkit.errors import InputError
from fiducialkit.plots.style import (
    FAINT,
    INK,
    LARGEST_LINE_COUNT,
    LINE_COLOURS,
    LINE_DASHES,
    SMALL_PT,
    dressed,
    short,
)

RATIOS = {"along_ratio": "along", "across_ratio": "across", "heading_ratio": "heading"}
BAND = 0.1  # within this the prediction is taken for right


def draw_error_ratios(
    table: pd.DataFrame, ax: Axes, *, detector: str, column: str = "along_ratio", band: float = BAND
) -> Axes:
    """Draw how large errors came out beside their predicted sd, over the distance of the nearest marker.

    Parameters
    ----------
    table : DataFrame
        `RENDERED_CHECK`.
    ax : matplotlib.axes.Axes
    detector : str
        The one drawn.
    column : {"along_ratio", "across_ratio", "heading_ratio"}
    band : float
        Half width of the band round 1.
    """
    if column not in RATIOS:
        raise InputError(f"column: expected one of {', '.join(RATIOS)}, found {column!r}")
    rows = table[table["detector"] == detector]
    if rows.empty:
        known = ", ".join(f"'{each}'" for each in dict.fromkeys(table["detector"]))
        raise InputError(f"detector: expected one of {known}, found '{detector}'")
    ax.axhspan(1.0 - band, 1.0 + band, color=FAINT, zorder=0)
    ax.axhline(1.0, color=INK, linewidth=0.8)
    for number, (rig, part) in enumerate(rows.groupby("rig", sort=False)):
        look = number % LARGEST_LINE_COUNT
        last = part["from_m"] + 1.5
        middle = 0.5 * (part["from_m"] + part["to_m"].where(part["to_m"] < float("inf"), last))
        middle = middle + 0.03 * number  # side by side, so that bars stay apart
        colour = LINE_COLOURS[look]
        (line,) = ax.plot(
            middle,
            part[column],
            "o",
            linestyle=LINE_DASHES[look],
            markersize=4,
            color=colour,
            label=short(str(rig), 32),
        )
        line.set_gid("ratio")
        ax.errorbar(middle, part[column], yerr=1.96 * part["ratio_sd"], fmt="none", ecolor=colour, elinewidth=1.0)
    dressed(
        ax,
        title=f"Error {RATIOS[column]} over its prediction, {detector} detector",
        x_label="distance of the nearest marker [m]",
        y_label="error over predicted sd, rms [1]",
    )
    ax.set_ylim(bottom=0.0)
    ax.legend(fontsize=SMALL_PT, frameon=False)
    return ax
