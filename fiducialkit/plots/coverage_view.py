"""Where on the floor a rig sees markers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import QuadMesh
from matplotlib.colorbar import Colorbar
from matplotlib.figure import Figure

from fiducialkit.arrays import FloatArray
from fiducialkit.errors import InputError
from fiducialkit.plots.field_view import draw_marker_lines, draw_obstacles
from fiducialkit.plots.style import LABEL_PT, SHARES, SMALL_PT, TICK_PT, WARNING, dressed, short
from fiducialkit.scene.field import Field

_AMOUNTS = {"share_1": "a marker", "share_2": "two markers"}


def worst_state_grid(maps: pd.DataFrame, rig: str, column: str) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return x (nx,), y (ny,) and the smallest `column` of any mechanism state (ny, nx), NaN where there is none."""
    rows = maps[maps["rig"] == rig]
    x, x_index = np.unique(rows["robot_x_m"].to_numpy(dtype=np.float64), return_inverse=True)
    y, y_index = np.unique(rows["robot_y_m"].to_numpy(dtype=np.float64), return_inverse=True)
    grid = np.full((len(y), len(x)), np.nan)
    np.fmin.at(grid, (y_index, x_index), rows[column].to_numpy(dtype=np.float64))
    return x, y, grid


def draw_coverage(
    maps: pd.DataFrame, ax: Axes, *, rig: str, column: str = "share_1", field: Field | None = None
) -> Axes:
    """Draw the share of headings with markers in view over the floor, in each place's worst mechanism state.

    Parameters
    ----------
    maps : DataFrame
        Table MAPS of a comparison: rig, state, robot_x_m, robot_y_m, share_1, share_2, ...
    ax : matplotlib.axes.Axes
    rig : str
        The rig drawn. The colour scale is 0 to 1 whatever the values, so that rigs compare.
    column : {"share_1", "share_2"}
        At least one, or at least two markers.
    field : Field, optional
        Adds markers, obstacles and scoring nodes.
    """
    if column not in _AMOUNTS:
        raise InputError(f"column: expected one of {', '.join(_AMOUNTS)}, found {column!r}")
    if rig not in set(maps["rig"]):
        raise InputError(f"rig: expected one of the map's rigs, found '{rig}'")
    x, y, grid = worst_state_grid(maps, rig, column)
    dressed(ax, x_label="field x [m]", y_label="field y [m]")
    mesh = ax.pcolormesh(x, y, grid, shading="nearest", cmap=SHARES, vmin=0, vmax=1)
    mesh.set_gid("coverage")
    if field is not None:
        draw_obstacles(field, ax)
        draw_marker_lines(field, ax, colour=WARNING)
        places = np.array([node.position for node in field.nodes]).reshape(-1, 2)
        ax.plot(*places.T, "o", markersize=4, markerfacecolor="white", markeredgecolor="black", gid="node")
        margin = 0.03 * max(field.size)
        ax.set(xlim=(-margin, field.size[0] + margin), ylim=(-margin, field.size[1] + margin))
    ax.set_aspect("equal")
    ax.set_title(map_title(rig, grid), fontsize=LABEL_PT, loc="left", y=1.0)
    ax.xaxis.label.set_fontsize(TICK_PT)
    ax.yaxis.label.set_fontsize(TICK_PT)
    ax.tick_params(labelsize=SMALL_PT)
    return ax


def map_title(rig: str, grid: FloatArray) -> str:
    """Return a map's title: the rig and the average of what is known of its floor."""
    known = grid[np.isfinite(grid)]
    average = float(known.mean()) if known.size else 0.0
    return f"{short(rig, 32)}\nfloor average {100 * average:.0f} %"


def mesh_of(ax: Axes) -> QuadMesh:
    """Return what `draw_coverage` coloured."""
    return next(item for item in ax.collections if isinstance(item, QuadMesh))


def scale_label(column: str) -> str:
    """Return what the colour scale of a column says."""
    return f"share of headings that see {_AMOUNTS[column]} [1]"


def add_share_scale(figure: Figure, axes: list[Axes], column: str = "share_1", *, cax: Axes | None = None) -> Colorbar:
    """Add the one colour scale that all panels of a figure share, in the panel `cax` if given, and return it."""
    fitted: dict[str, Any] = {"ax": axes, "shrink": 0.7, "aspect": 30, "anchor": (0.0, 0.5), "pad": 0.02}
    bar = figure.colorbar(mesh_of(axes[0]), **(fitted if cax is None else {"cax": cax}))
    bar.set_label(scale_label(column), fontsize=LABEL_PT)
    bar.ax.tick_params(labelsize=TICK_PT)
    return bar
