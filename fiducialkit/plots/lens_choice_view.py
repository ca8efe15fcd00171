"""Which markers each camera can use on the way to every node, and what that is worth."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes

from fiducialkit.errors import InputError
from fiducialkit.plots.style import INK, LARGEST_LINE_COUNT, LINE_COLOURS, SMALL_PT, TICK_PT, WARNING, dressed, short


def draw_lens_choice(table: pd.DataFrame, ax: Axes, *, rig: str) -> Axes:
    """Draw, node by node, from the nearest to the farthest usable marker of each camera, its chance to score beside.

    Parameters
    ----------
    table : DataFrame
        `planning.lens_choice.LENSES`.
    ax : matplotlib.axes.Axes
    rig : str
        The rig drawn.
    """
    rows = table[table["rig"] == rig]
    if rows.empty:
        known = ", ".join(f"'{each}'" for each in dict.fromkeys(table["rig"]))
        raise InputError(f"rig: expected one of {known}, found '{rig}'")
    cameras, nodes = list(dict.fromkeys(rows["camera"])), list(dict.fromkeys(rows["node"]))
    step = 0.8 / len(cameras)
    reach = rows["farthest_m"].max()
    reach = float(reach) if reach > 0.0 else 1.0
    for row in rows.to_dict("records"):
        number = cameras.index(row["camera"])
        y = nodes.index(row["node"]) + (number - (len(cameras) - 1) / 2.0) * step
        colour = LINE_COLOURS[number % LARGEST_LINE_COUNT]
        if row["nearest_m"] >= 0.0:
            ax.barh(y, row["farthest_m"] - row["nearest_m"], left=row["nearest_m"], height=0.8 * step, color=colour)
            text, place, ink = f"{100 * row['chance_to_score']:.0f} %", row["farthest_m"], INK
        else:
            text, place, ink = "no usable marker", 0.0, WARNING
        label = ax.text(place + 0.01 * reach, y, text, va="center", fontsize=SMALL_PT, color=ink)
        label.set_gid("chance")
    handles = [
        ax.barh([-1.0], [0.0], color=LINE_COLOURS[k % LARGEST_LINE_COUNT], label=short(name, 28))
        for k, name in enumerate(cameras)
    ]
    dressed(ax, title=f"Usable markers and chance to score, {rig}", x_label="distance from the lens [m]")
    ax.set_yticks(range(len(nodes)), [short(name, 24) for name in nodes], fontsize=TICK_PT)
    ax.set_ylim(len(nodes) - 0.5, -0.5)
    ax.set_xlim(0.0, 1.15 * reach)
    ax.legend(handles=handles, fontsize=SMALL_PT, frameon=False, loc="best")
    return ax
