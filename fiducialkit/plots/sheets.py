"""Whole sheets, ready to be written: one figure each, as PNG bytes."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from fiducialkit.plots.camera_view import camera_legend, draw_camera
from fiducialkit.plots.coverage_view import add_share_scale, draw_coverage
from fiducialkit.plots.field_view import draw_field, field_legend
from fiducialkit.plots.node_view import draw_chance_matrix, draw_error_near_node, error_limits_cm, line_look
from fiducialkit.plots.rendered_view import RATIOS, draw_error_ratios
from fiducialkit.plots.robot_view import draw_robot, robot_legend, view_wedge
from fiducialkit.plots.style import (
    INK,
    LABEL_PT,
    LARGEST_LINE_COUNT,
    PAGE_WIDTH_IN,
    SOFT,
    TITLE_PT,
    new_figure,
    new_panels,
    plain,
    png_bytes,
    short,
)
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field
from fiducialkit.scene.robot import Robot

LARGEST_MAP_COUNT = 12


def field_sheet(field: Field, footprint: tuple[float, float] | None = None) -> bytes:
    """Return the field from above as PNG."""
    height = PAGE_WIDTH_IN * min(max((field.size[1] + 1.4) / (field.size[0] + 1.4), 0.35), 1.4) + 0.8
    figure = new_figure(PAGE_WIDTH_IN, height)
    draw_field(field, figure.add_subplot(), footprint=footprint)
    _legend_below(figure, *field_legend(field, footprint))
    return png_bytes(figure)


def camera_sheet(camera: Camera) -> bytes:
    """Return the camera's grid of directions as PNG."""
    figure = new_figure(PAGE_WIDTH_IN, PAGE_WIDTH_IN * min(camera.height_px / camera.width_px, 1.3) + 1.6)
    draw_camera(camera, figure.add_subplot())
    _legend_below(figure, *camera_legend(camera), ncols=2)
    return png_bytes(figure)


def robot_sheet(robot: Robot, *, title: str = "", mounts: Sequence[str] | None = None) -> bytes:
    """Return the robot from the side and from above with the views of the `mounts` as PNG, both to one scale."""
    handles, texts = robot_legend(robot, mounts)
    figure, axes = new_panels(1, 2, PAGE_WIDTH_IN, 4.3 + 0.2 * len(handles))
    for ax, view in zip(axes, ("side", "above"), strict=True):
        draw_robot(robot, ax, view=view, mounts=mounts)
        for mount in robot.mounts:  # room for every mount, drawn or not: the sheets of all rigs have one scale
            ax.update_datalim(view_wedge(mount, view))
        ax.autoscale_view()
        ax.set_anchor("N")
    limits = [ax.get_xlim() for ax in axes]
    for ax in axes:
        ax.set_xlim(min(low for low, _ in limits), max(high for _, high in limits))
    _legend_below(figure, handles, texts)
    figure.suptitle(plain(title or robot.name), fontsize=TITLE_PT + 1, color=INK, x=0.01, ha="left")
    return png_bytes(figure)


def _legend_below(figure: Figure, handles: Sequence[Line2D | Patch], texts: Sequence[str], ncols: int = 1) -> None:
    figure.legend(
        list(handles), list(texts), loc="outside lower left", ncols=ncols, fontsize=LABEL_PT - 0.5, frameon=False
    )


def _best_of(shown: Sequence[str], rigs: Sequence[str]) -> str:
    return "" if len(shown) == len(rigs) else f" (best {len(shown)} of {len(rigs)} rigs)"


def _label_outer_panels(axes: list[Axes], count: int, columns: int) -> None:
    """Keep the axis labels of the left column and of the lowest panel in use of each column; hide unused panels."""
    for number, ax in enumerate(axes):
        if number >= count:
            ax.set_axis_off()
        if number % columns:
            ax.tick_params(labelleft=False)
            ax.set_ylabel("")
        if number + columns < count:
            ax.tick_params(labelbottom=False)
            ax.set_xlabel("")


def coverage_sheet(maps: pd.DataFrame, rigs: Sequence[str], field: Field, column: str) -> bytes:
    """Return the maps of all rigs side by side on one colour scale as PNG; at most twelve, the first ones."""
    shown = list(rigs)[:LARGEST_MAP_COUNT]
    columns = min(3, len(shown))
    rows = -(-len(shown) // columns)
    shape = min(max(field.size[1] / field.size[0], 0.3), 2.0)
    width = PAGE_WIDTH_IN if columns > 1 else 0.6 * PAGE_WIDTH_IN
    figure, axes = new_panels(rows, columns, width, rows * (0.88 * width / columns * shape + 0.5) + 0.7)
    for number, (rig, ax) in enumerate(zip(shown, axes, strict=False), start=1):
        draw_coverage(maps, ax, rig=rig, column=column, field=field)
        ax.set_title(f"{number}. {ax.get_title(loc='left')}", fontsize=LABEL_PT, loc="left", color=INK)
    _label_outer_panels(axes, len(shown), columns)
    add_share_scale(figure, axes, column)
    amount = "one marker" if column == "share_1" else "two markers"
    text = f"Where at least {amount} can be seen, each place in its worst mechanism state" + _best_of(shown, rigs)
    figure.suptitle(text, fontsize=TITLE_PT + 1, color=INK, x=0.01, ha="left")
    return png_bytes(figure)


def error_sheet(by_approach: pd.DataFrame, rigs: Sequence[str], field: Field) -> bytes:
    """Return the error along the approach, one panel a node and side, as PNG; at most eight rigs, the first ones."""
    shown = list(rigs)[:LARGEST_LINE_COUNT]
    data = by_approach[by_approach["rig"].isin(shown)]
    cases = list(dict.fromkeys(zip(data["node"], data["side"], strict=True)))
    columns = min(4, max(1, len(cases)))
    rows = max(1, -(-len(cases) // columns))
    figure, axes = new_panels(rows, columns, PAGE_WIDTH_IN, max(2.15 * rows, 2.9) + 1.3)
    tighter = {node.name: min(node.tolerance_along_m, node.tolerance_across_m) for node in field.nodes}
    limits = error_limits_cm(data)
    for ax, (node, side) in zip(axes, cases, strict=False):
        part = data[(data["node"] == node) & (data["side"] == side)]
        title = f"{node}, {side}"
        draw_error_near_node(part, ax, rigs=shown, limits_cm=limits, title=title, tolerance_m=tighter.get(str(node)))
        ax.set(xlabel="", ylabel="")
    _label_outer_panels(axes, len(cases), columns)
    figure.supxlabel("distance to the node [m], driving to the right", fontsize=LABEL_PT, color=INK)
    figure.supylabel("95 % position error, worst state [cm]", fontsize=LABEL_PT, color=INK)
    handles = [Line2D([], [], **line_look(number)) for number in range(len(shown))]
    texts = [f"{number}. {short(rig, 34)}" for number, rig in enumerate(shown, start=1)]
    handles.append(Line2D([], [], color=SOFT, linewidth=0.9, linestyle=(0, (1, 2))))
    texts.append("the node's tighter tolerance" + _best_of(shown, rigs))
    figure.legend(handles, texts, loc="outside upper left", ncols=3, fontsize=LABEL_PT - 0.5, frameon=False)
    return png_bytes(figure)


def ratio_sheet(table: pd.DataFrame) -> bytes:
    """Return how errors in rendered pictures lie to their predictions, one row of panels a detector, as PNG."""
    detectors = list(dict.fromkeys(table["detector"]))
    figure, axes = new_panels(len(detectors), len(RATIOS), PAGE_WIDTH_IN, 0.9 + 2.9 * len(detectors))
    for row, detector in enumerate(detectors):
        for number, column in enumerate(RATIOS):
            ax = axes[row * len(RATIOS) + number]
            draw_error_ratios(table, ax, detector=str(detector), column=column)
            ax.set_title(f"{RATIOS[column]}, {plain(str(detector))}", fontsize=LABEL_PT, loc="left", color=INK)
            legend = ax.get_legend()
            if legend is not None:
                legend.remove()
    _label_outer_panels(axes, len(axes), len(RATIOS))
    handles, texts = axes[0].get_legend_handles_labels()
    figure.legend(handles, texts, loc="outside lower left", ncols=3, fontsize=LABEL_PT - 0.5, frameon=False)
    return png_bytes(figure)


def chance_sheet(by_node: pd.DataFrame, rigs: Sequence[str]) -> bytes:
    """Return the chance to score, rig by node and side, as PNG."""
    figure = new_figure(PAGE_WIDTH_IN, 1.9 + 0.36 * len(rigs))
    ax = figure.add_subplot()
    draw_chance_matrix(by_node, ax, rigs=rigs)
    bar = figure.colorbar(ax.images[0], ax=ax, pad=0.01, aspect=18, shrink=0.9)
    bar.set_label("chance to score [1]", fontsize=LABEL_PT)
    ax.set_title(
        "Chance to be inside the node's tolerance, worst mechanism state [%]", fontsize=TITLE_PT, loc="left", color=INK
    )
    return png_bytes(figure)
