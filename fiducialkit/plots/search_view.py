"""What a search for mounts found: the robot from above, and what each further camera brings."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
from matplotlib.axes import Axes

from fiducialkit.plots.robot_view import draw_robot, robot_legend
from fiducialkit.plots.style import (
    INK,
    LABEL_PT,
    LINE_COLOURS,
    PAGE_WIDTH_IN,
    SMALL_PT,
    TITLE_PT,
    dressed,
    new_panels,
    plain,
    png_bytes,
)
from fiducialkit.scene.robot import Robot

_SHOWN = (("worst_chance", "worst case", "o-"), ("benefit", "mean case", "s--"))


def draw_chance_by_cameras(table: pd.DataFrame, ax: Axes) -> Axes:
    """Draw the chance to score of the best found rig of each number of cameras, and of the hand-made rigs.

    Parameters
    ----------
    table : DataFrame
        `planning.search_judgement.BEST_RIGS`.
    ax : matplotlib.axes.Axes
    """
    found = table[~table["is_hand_made"]].drop_duplicates("cameras").sort_values("cameras")
    own = table[table["is_hand_made"]]
    for number, (column, words, look) in enumerate(_SHOWN):
        colour = LINE_COLOURS[number]
        ax.plot(
            found["cameras"], 100.0 * found[column], look, color=colour, label=f"best found, {words}",
            gid=f"found {column}",
        )  # fmt: skip
        ax.plot(
            own["cameras"] + 0.08, 100.0 * own[column], look[0], color=colour, markerfacecolor="none", markersize=5,
            label=f"hand-made, {words}", gid=f"hand-made {column}",
        )  # fmt: skip
    for _, row in found.iterrows():
        place = (row["cameras"], 100.0 * row["worst_chance"])
        ax.annotate(
            f"{place[1]:.1f}", place, xytext=(-8, -2), textcoords="offset points", ha="right", va="center",
            fontsize=SMALL_PT, color=LINE_COLOURS[0], zorder=4,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85},
        )  # fmt: skip
    dressed(ax, title="What each camera brings", x_label="cameras", y_label="chance to score [%]")
    counts = sorted({*table["cameras"]})
    ax.set_xticks(counts)
    ax.set(xlim=(counts[0] - 0.5, counts[-1] + 0.5), ylim=(-8.0, 104.0))
    ax.legend(fontsize=SMALL_PT, frameon=False, loc="lower right")
    return ax


def search_sheet(robot: Robot, table: pd.DataFrame, mounts: Sequence[str], title: str) -> bytes:
    """Return the robot from above with the found `mounts`, and the chance by number of cameras beside it, as PNG."""
    figure, axes = new_panels(1, 2, PAGE_WIDTH_IN, 4.9)
    draw_robot(robot, axes[0], view="above", mounts=mounts)
    axes[0].set_anchor("N")
    draw_chance_by_cameras(table, axes[1])
    handles, texts = robot_legend(robot, mounts)
    figure.legend(
        handles, texts, loc="outside lower left", ncols=2, fontsize=LABEL_PT - 0.5, frameon=False, labelcolor=INK
    )
    figure.suptitle(plain(title), fontsize=TITLE_PT + 1, color=INK, x=0.01, ha="left")
    return png_bytes(figure)
