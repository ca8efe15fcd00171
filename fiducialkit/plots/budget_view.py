"""What the error at the tool point is made of, as stacked bars."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Patch

from fiducialkit.plots.style import (
    INK,
    LABEL_PT,
    LINE_COLOURS,
    PAGE_WIDTH_IN,
    SMALL_PT,
    TITLE_PT,
    dressed,
    new_panels,
    png_bytes,
    short,
    whole_percent,
)  # fmt: skip

LARGEST_PANEL_COUNT = 8
_COLOURS = (*LINE_COLOURS, "#9aa3ab")  # one more than lines have: stacks need no dashes


def worst_states(cases: pd.DataFrame) -> pd.DataFrame:
    """Return one row a rig, node and side of the table CASES: the mechanism state with the least chance to score.

    Nodes and sides come in the order in which they first come in the table, whichever state is the worst of each.
    """
    groups = cases.groupby(["rig", "node", "side"], sort=False)["chance_to_score"]
    return cases.loc[groups.idxmin()]


def draw_budget(cases: pd.DataFrame, shares: pd.DataFrame, ax: Axes, *, rig: str, sources: Sequence[str]) -> Axes:
    """Draw the share of each source as one stack a node and side, in the worst mechanism state.

    Above each stack stands the chance to score. A case that sees no marker has no stack.

    Parameters
    ----------
    cases, shares : DataFrame
        The tables CASES and SHARES of an error budget.
    ax : matplotlib.axes.Axes
    rig : str
    sources : sequence of str
        From the bottom up, in the order of their colours.
    """
    rows = worst_states(cases[cases["rig"] == rig])
    keyed = shares[shares["rig"] == rig].set_index(["node", "side", "state", "source"])["share"]
    places = np.arange(len(rows))
    floor = np.zeros(len(rows))
    for number, source in enumerate(sources):
        keys = zip(rows["node"], rows["side"], rows["state"], [source] * len(rows), strict=True)
        part = np.nan_to_num([100.0 * float(keyed[key]) for key in keys])
        colour = _COLOURS[number % len(_COLOURS)]
        ax.bar(places, part, 0.78, floor, color=colour, edgecolor="white", linewidth=0.6, gid=f"share {source}")
        floor += part
    for place, (_, row) in enumerate(rows.iterrows()):
        words = whole_percent(row["chance_to_score"]) if row["largest"] else "sees\nnone"
        ax.text(place, 102.0 if row["largest"] else 4.0, words, ha="center", va="bottom", fontsize=SMALL_PT, color=INK)
    dressed(ax, y_label="share [%]")
    ax.set_title(short(rig, 60), fontsize=LABEL_PT, loc="left", color=INK)
    names = [short(f"{row['node']}, {row['side']}", 22) for _, row in rows.iterrows()]
    ax.set_xticks(places, names, rotation=35, ha="right", rotation_mode="anchor")
    ax.set(ylim=(0.0, 115.0), xlim=(-0.6, len(rows) - 0.4))
    ax.set_yticks([0, 25, 50, 75, 100])
    return ax


def budget_sheet(cases: pd.DataFrame, shares: pd.DataFrame, rigs: Sequence[str], sources: Sequence[str]) -> bytes:
    """Return the stacks of all rigs, one panel a rig, as PNG; at most eight rigs, the first ones."""
    shown = list(rigs)[:LARGEST_PANEL_COUNT]
    figure, axes = new_panels(len(shown), 1, PAGE_WIDTH_IN, 1.7 * len(shown) + 2.0)
    for number, (rig, ax) in enumerate(zip(shown, axes, strict=True)):
        draw_budget(cases, shares, ax, rig=rig, sources=sources)
        if number + 1 < len(shown):
            ax.tick_params(labelbottom=False)
    handles = [Patch(color=_COLOURS[number % len(_COLOURS)]) for number in range(len(sources))]
    figure.legend(
        handles, list(sources), loc="outside lower left", ncols=5, fontsize=LABEL_PT - 0.5, frameon=False,
        labelcolor=INK,
    )  # fmt: skip
    left_out = "" if len(shown) == len(rigs) else f" (first {len(shown)} of {len(rigs)} rigs)"
    figure.suptitle(
        f"What the error on arrival is made of; above each stack the chance to score [%]{left_out}",
        fontsize=TITLE_PT, color=INK, x=0.01, ha="left",
    )  # fmt: skip
    return png_bytes(figure)
