"""Whole sheets, ready to be written: one figure each, as PNG bytes."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colorbar import Colorbar
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from fiducialkit.plots.camera_view import camera_legend, draw_camera
from fiducialkit.plots.coverage_view import (
    add_share_scale,
    draw_coverage,
    map_title,
    mesh_of,
    scale_label,
    worst_state_grid,
)
from fiducialkit.plots.field_view import draw_field, field_legend
from fiducialkit.plots.node_view import draw_chance_matrix, draw_error_near_node, error_limits_cm, line_look
from fiducialkit.plots.rendered_view import RATIOS, draw_error_ratios
from fiducialkit.plots.robot_view import draw_mounts, draw_robot, robot_legend, view_wedge
from fiducialkit.plots.style import (
    INK,
    LABEL_PT,
    LARGEST_LINE_COUNT,
    PAGE_WIDTH_IN,
    SOFT,
    TICK_PT,
    TITLE_PT,
    Margins,
    bare_axis,
    new_figure,
    new_panels,
    place_panels,
    plain,
    png_bytes,
    png_of_pixels,
    quiet_about_letters,
    short,
    text_width_in,
)
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field
from fiducialkit.scene.robot import Robot

LARGEST_MAP_COUNT = 12
_ROBOT_VIEWS = ("side", "above")


def field_sheet(field: Field, footprint: tuple[float, float] | None = None) -> bytes:
    """Return the field from above as PNG."""
    height = PAGE_WIDTH_IN * min(max((field.size[1] + 1.4) / (field.size[0] + 1.4), 0.35), 1.4) + 0.8
    handles, texts = field_legend(field, footprint)
    margins = Margins(left=0.6, right=0.1, bottom=0.75 + 0.2 * len(handles), top=0.4)
    figure, (ax,) = new_panels(1, 1, PAGE_WIDTH_IN, height, margins=margins)
    draw_field(field, ax, footprint=footprint)
    _legend_below(figure, handles, texts)
    return png_bytes(figure)


def camera_sheet(camera: Camera) -> bytes:
    """Return the camera's grid of directions as PNG."""
    figure = new_figure(PAGE_WIDTH_IN, PAGE_WIDTH_IN * min(camera.height_px / camera.width_px, 1.3) + 1.6)
    draw_camera(camera, figure.add_subplot())
    _legend_below(figure, *camera_legend(camera), ncols=2)
    return png_bytes(figure)


def robot_sheet(robot: Robot, *, title: str = "", mounts: Sequence[str] | None = None) -> bytes:
    """Return the robot from the side and from above with the views of the `mounts` as PNG, both to one scale."""
    return robot_sheets(robot, {title or robot.name: mounts})[0]


def robot_sheets(robot: Robot, mounts_by_title: Mapping[str, Sequence[str] | None]) -> list[bytes]:
    """Return a `robot_sheet` for each title and its mounts.

    What the sheets share is drawn once: the robot, the axes, and what lies above the views (the tools) apart. Each
    sheet then gets its views and its words, and is cut off below its legend.
    """
    legends = [robot_legend(robot, mounts) for mounts in mounts_by_title.values()]
    most = max(len(handles) for handles, _ in legends)
    figure, axes = _robot_panels(robot, 0.2 * most + 0.1)
    tools = [[line for line in ax.lines if line.get_gid() == "tool"] for ax in axes]
    for tool in itertools.chain(*tools):
        tool.set_animated(True)  # left out of what is shared
    canvas: Any = FigureCanvasAgg(figure)
    sheets = []
    with quiet_about_letters():
        canvas.draw()
        shared = canvas.copy_from_bbox(figure.bbox)
        for (title, mounts), legend in zip(mounts_by_title.items(), legends, strict=True):
            canvas.restore_region(shared)
            for ax, view, above in zip(axes, _ROBOT_VIEWS, tools, strict=True):
                _draw_views(robot, ax, view, mounts, above)
            cut = 0.2 * (most - len(legend[0])) / figure.get_figheight()
            _draw_words(figure, title, legend, cut)
            pixels = np.asarray(canvas.buffer_rgba())
            sheets.append(png_of_pixels(pixels[: round((1.0 - cut) * len(pixels))], figure.dpi))
    return sheets


def _draw_views(robot: Robot, ax: Axes, view: str, mounts: Sequence[str] | None, above: Sequence[Line2D]) -> None:
    """Draw the cameras and what is `above` their views over the robot as it stands on the canvas, and forget them."""
    added = draw_mounts(robot, ax, view=view, mounts=mounts)
    for artist in sorted([*above, *added], key=lambda artist: artist.get_zorder()):
        ax.draw_artist(artist)
    for artist in added:
        artist.remove()


def _draw_words(figure: Figure, title: str, legend: tuple[list[Line2D | Patch], list[str]], cut: float) -> None:
    """Draw title and legend on the canvas, the legend above a share `cut` of the figure, and forget them."""
    place: dict[str, Any] = {"loc": "lower left", "bbox_to_anchor": (0.0, cut, 1.0, 1.0 - cut)}
    words = figure.legend(*legend, fontsize=LABEL_PT - 0.5, frameon=False, **place)
    _head(figure, plain(title))
    for artist in (words, *figure.texts):
        figure.draw_artist(artist)
    words.remove()


def _robot_panels(robot: Robot, below_in: float) -> tuple[Figure, list[Axes]]:
    """Return a figure with the robot without mounts, with room for each of them, and for a legend below."""
    margins = Margins(left=0.65, right=0.1, bottom=below_in + 0.5, top=0.75, across=0.8)
    figure, axes = new_panels(1, 2, PAGE_WIDTH_IN, 4.2 + below_in, margins=margins)
    for ax, view in zip(axes, _ROBOT_VIEWS, strict=True):
        draw_robot(robot, ax, view=view, mounts=())
        for mount in robot.mounts:  # room for every mount, drawn or not: the sheets of all rigs have one scale
            ax.update_datalim(view_wedge(mount, view))
        ax.autoscale_view()
        ax.set_anchor("N")
    limits = [ax.get_xlim() for ax in axes]
    for ax in axes:
        ax.set_xlim(min(low for low, _ in limits), max(high for _, high in limits))
        ax.set_ylim(ax.get_ylim())  # stays whatever is drawn later
    return figure, axes


def _legend_below(figure: Figure, handles: Sequence[Line2D | Patch], texts: Sequence[str], ncols: int = 1) -> None:
    place: Any = "lower left" if figure.get_layout_engine() is None else "outside lower left"
    figure.legend(list(handles), list(texts), loc=place, ncols=ncols, fontsize=LABEL_PT - 0.5, frameon=False)


def _head(figure: Figure, text: str) -> None:
    """Write over the panels of a figure whose margins leave room for it."""
    place: dict[str, Any] = {"x": 0.01, "y": 1.0 - 0.1 / figure.get_figheight(), "ha": "left", "va": "top"}
    figure.suptitle(text, fontsize=TITLE_PT + 1, color=INK, **place)


def _best_of(shown: Sequence[str], rigs: Sequence[str]) -> str:
    return "" if len(shown) == len(rigs) else f" (best {len(shown)} of {len(rigs)} rigs)"


def _label_outer_panels(axes: list[Axes], count: int, columns: int) -> None:
    """Keep the axis labels of the left column and of the lowest panel in use of each column; hide unused panels."""
    for number, ax in enumerate(axes):
        if number >= count:
            ax.set_axis_off()
            continue
        if number % columns:
            bare_axis(ax, "y")
            ax.set_ylabel("")
        if number + columns < count:
            bare_axis(ax, "x")
            ax.set_xlabel("")


def coverage_sheet(maps: pd.DataFrame, rigs: Sequence[str], field: Field, column: str) -> bytes:
    """Return the maps of all rigs side by side on one colour scale as PNG; at most twelve, the first ones."""
    return coverage_sheets(maps, rigs, field, (column,))[0]


def coverage_sheets(maps: pd.DataFrame, rigs: Sequence[str], field: Field, columns: Sequence[str]) -> list[bytes]:
    """Return a `coverage_sheet` for each column: one figure, coloured anew."""
    shown = list(rigs)[:LARGEST_MAP_COUNT]
    figure, axes, bar = _map_panels(maps, shown, field, columns[0])
    sheets = []
    for column in columns:
        for number, (rig, ax) in enumerate(zip(shown, axes, strict=False), start=1):
            _, _, grid = worst_state_grid(maps, rig, column)
            mesh_of(ax).set_array(grid)
            title = f"{number}. {map_title(rig, grid)}"
            ax.set_title(title, fontsize=LABEL_PT, loc="left", color=INK, y=1.0)
        bar.set_label(scale_label(column), fontsize=LABEL_PT)
        amount = "one marker" if column == "share_1" else "two markers"
        text = f"Where at least {amount} can be seen, each place in its worst mechanism state" + _best_of(shown, rigs)
        _head(figure, text)
        sheets.append(png_bytes(figure))
    return sheets


def _map_panels(
    maps: pd.DataFrame, shown: Sequence[str], field: Field, column: str
) -> tuple[Figure, list[Axes], Colorbar]:
    columns = min(3, len(shown))
    rows = -(-len(shown) // columns)
    shape = min(max(field.size[1] / field.size[0], 0.3), 2.0)
    width = PAGE_WIDTH_IN if columns > 1 else 0.6 * PAGE_WIDTH_IN
    margins = Margins(left=0.55, right=1.05, bottom=0.5, top=0.85, across=0.12, down=0.5)
    panel = (width - margins.left - margins.right - (columns - 1) * margins.across) / columns
    height = margins.bottom + margins.top + rows * panel * shape + (rows - 1) * margins.down
    figure, axes = new_panels(rows, columns, width, height, margins=margins)
    for rig, ax in zip(shown, axes, strict=False):
        draw_coverage(maps, ax, rig=rig, column=column, field=field)
    _label_outer_panels(axes, len(shown), columns)
    beside = figure.add_axes((1.0 - 0.85 / width, 0.15, 0.16 / width, 0.7))
    return figure, axes, add_share_scale(figure, axes, column, cax=beside)


def error_sheet(by_approach: pd.DataFrame, rigs: Sequence[str], field: Field) -> bytes:
    """Return the error along the approach, one panel a node and side, as PNG; at most eight rigs, the first ones."""
    shown = list(rigs)[:LARGEST_LINE_COUNT]
    data = by_approach[by_approach["rig"].isin(shown)]
    cases = list(dict.fromkeys(zip(data["node"], data["side"], strict=True)))
    columns = min(4, max(1, len(cases)))
    rows = max(1, -(-len(cases) // columns))
    above = 0.2 * (-(-(len(shown) + 1) // 3)) + 0.15
    margins = Margins(left=0.75, right=0.1, bottom=0.6, top=above + 0.35, across=0.28, down=0.32)
    figure, axes = new_panels(rows, columns, PAGE_WIDTH_IN, max(2.1 * rows, 2.9) + above + 0.75, margins=margins)
    tighter = {node.name: min(node.tolerance_along_m, node.tolerance_across_m) for node in field.nodes}
    limits = error_limits_cm(data)
    for ax, (node, side) in zip(axes, cases, strict=False):
        part = data[(data["node"] == node) & (data["side"] == side)]
        title = f"{node}, {side}"
        draw_error_near_node(part, ax, rigs=shown, limits_cm=limits, title=title, tolerance_m=tighter.get(str(node)))
        ax.set(xlabel="", ylabel="")
    _label_outer_panels(axes, len(cases), columns)
    low: dict[str, Any] = {"y": 0.1 / figure.get_figheight(), "va": "bottom"}
    figure.supxlabel("distance to the node [m], driving to the right", fontsize=LABEL_PT, color=INK, **low)
    figure.supylabel("95 % position error, worst state [cm]", fontsize=LABEL_PT, color=INK, x=0.01)
    handles = [Line2D([], [], **line_look(number)) for number in range(len(shown))]
    texts = [f"{number}. {short(rig, 34)}" for number, rig in enumerate(shown, start=1)]
    handles.append(Line2D([], [], color=SOFT, linewidth=0.9, linestyle=(0, (1, 2))))
    texts.append("the node's tighter tolerance" + _best_of(shown, rigs))
    figure.legend(handles, texts, loc="upper left", ncols=3, fontsize=LABEL_PT - 0.5, frameon=False)
    return png_bytes(figure)


def ratio_sheet(table: pd.DataFrame) -> bytes:
    """Return how errors in rendered pictures lie to their predictions, one row of panels a detector, as PNG."""
    detectors = list(dict.fromkeys(table["detector"]))
    figure, axes = new_panels(len(detectors), len(RATIOS), PAGE_WIDTH_IN, 0.9 + 2.9 * len(detectors))
    for row, detector in enumerate(detectors):
        for number, column in enumerate(RATIOS):
            ax = axes[row * len(RATIOS) + number]
            draw_error_ratios(table, ax, detector=str(detector), column=column)
            ax.set_title(f"{RATIOS[column]}, {plain(str(detector))}", fontsize=LABEL_PT, loc="left", color=INK, y=1.0)
            legend = ax.get_legend()
            if legend is not None:
                legend.remove()
    highest = max(ax.get_ylim()[1] for ax in axes)
    for ax in axes:
        ax.set_ylim(0.0, highest)  # inner panels have no numbers of their own
    _label_outer_panels(axes, len(axes), len(RATIOS))
    handles, texts = axes[0].get_legend_handles_labels()
    figure.legend(handles, texts, loc="outside lower left", ncols=3, fontsize=LABEL_PT - 0.5, frameon=False)
    return png_bytes(figure)


def chance_sheet(by_node: pd.DataFrame, rigs: Sequence[str]) -> bytes:
    """Return the chance to score, rig by node and side, as PNG."""
    figure = new_figure(PAGE_WIDTH_IN, 1.0, fitted=False)
    ax = figure.add_subplot()
    draw_chance_matrix(by_node, ax, rigs=rigs)
    names = [text.get_text() for text in ax.get_xticklabels()]
    left = text_width_in(figure, [text.get_text() for text in ax.get_yticklabels()], TICK_PT) + 0.45
    below = 0.65 * text_width_in(figure, names, TICK_PT) + 0.6  # turned by 40 degrees
    figure.set_size_inches(PAGE_WIDTH_IN, below + 0.4 + max(0.36 * len(rigs), 1.2))
    place_panels(figure, 1, 1, Margins(left=left, right=0.9, bottom=below, top=0.4))
    place = ax.get_position()
    bar = figure.colorbar(ax.images[0], cax=figure.add_axes((1.0 - 0.8 / PAGE_WIDTH_IN, place.y0, 0.015, place.height)))
    bar.set_label("chance to score [1]", fontsize=LABEL_PT)
    ax.set_title(
        "Chance to be inside the node's tolerance, worst mechanism state [%]",
        fontsize=TITLE_PT,
        loc="left",
        color=INK,
        y=1.0,
    )
    return png_bytes(figure)
