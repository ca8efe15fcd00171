"""The field from above: floor, markers with ids and facings, scoring nodes, obstacles."""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle
from matplotlib.text import Text

from fiducialkit.arrays import FloatArray
from fiducialkit.plots.style import FAINT, INK, LABEL_PT, LINE_COLOURS, SMALL_PT, SOFT, TICK_PT, dressed, plain
from fiducialkit.scene.field import Field, Marker, Node

_Word = TypeVar("_Word", bound=str)
_NODE_COLOUR, _MARKER_COLOUR = LINE_COLOURS[0], INK
_SMALLEST_DRAWN_SHARE = 0.02  # of the floor's longer side; a true marker would be a dot


def draw_field(field: Field, ax: Axes, *, footprint: tuple[float, float] | None = None) -> Axes:
    """Draw the field from above.

    Parameters
    ----------
    field : Field
    ax : matplotlib.axes.Axes
    footprint : (float, float), optional
        The robot's length and width; each node then shows the outline of the robot that scores there. [m]
    """
    dressed(ax, title=field.name, x_label="field x [m]", y_label="field y [m]")
    _draw_floor(field, ax)
    draw_obstacles(field, ax, named=True)
    for node in field.nodes:
        _draw_node(node, ax, footprint)
    for marker in field.markers:
        _draw_marker(marker, ax, _drawn_length(field))
    _frame(field, ax)
    return ax


def draw_obstacles(field: Field, ax: Axes, *, named: bool = False) -> Axes:
    """Draw the obstacles hatched; with their names and heights if `named`."""
    for obstacle in field.obstacles:
        (x, y, _), (x_end, y_end, height) = obstacle.corner_min, obstacle.corner_max
        box = Rectangle(
            (x, y), x_end - x, y_end - y, facecolor="#eef1f3", edgecolor=SOFT, hatch="////", linewidth=0.8, zorder=1.5
        )
        box.set_gid("obstacle")
        ax.add_patch(box)
        if named:
            words = f"{plain(obstacle.name)}\nto {height:.2g} m"
            place = {"facecolor": "white", "edgecolor": "none", "pad": 1.5, "alpha": 0.85}
            # along the upper edge: the middle of a side is where a marker's id stands
            label = ax.text((x + x_end) / 2, y_end - 0.06, words, fontsize=SMALL_PT, color=INK, bbox=place, zorder=5)
            label.set(ha="center", va="top")
    return ax


def draw_marker_lines(field: Field, ax: Axes, *, width_pt: float = 2.5, colour: str = INK) -> Axes:
    """Draw the markers as short thick lines without ids, to find one's way on another drawing."""
    # one line for all, broken between them, is drawn much sooner than a line each
    ends = [np.vstack([_ends(marker, _drawn_length(field)), (np.nan, np.nan)]) for marker in field.markers]
    x, y = np.array(ends).reshape(-1, 2).T
    ax.plot(x, y, color=colour, linewidth=width_pt, solid_capstyle="butt", gid="marker", zorder=4)
    return ax


def outline(footprint: tuple[float, float], position: tuple[float, float], heading_deg: float) -> FloatArray:
    """Return the corners (4, 2) of a robot's footprint in field. [m]"""
    half_x, half_y = footprint[0] / 2, footprint[1] / 2
    corners_robot = np.array([[half_x, half_y], [-half_x, half_y], [-half_x, -half_y], [half_x, -half_y]])
    angle = math.radians(heading_deg)
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    return np.asarray(corners_robot @ turn.T + np.array(position), dtype=np.float64)


def _drawn_length(field: Field) -> float:
    return _SMALLEST_DRAWN_SHARE * max(field.size)


def _ends(marker: Marker, smallest_m: float) -> FloatArray:
    facing = math.radians(marker.facing_deg)
    # level and along the face, whatever the roll: from above a rolled marker is as wide as an upright one
    along = np.array([-math.sin(facing), math.cos(facing)])
    centre = np.array(marker.position[:2])
    half = max(marker.size_m, smallest_m) / 2
    return np.array([centre - half * along, centre + half * along])


def _draw_floor(field: Field, ax: Axes) -> None:
    floor = Rectangle((0, 0), *field.size, facecolor="#f8f9fa", edgecolor=SOFT, linewidth=1.2, zorder=0)
    floor.set_gid("floor")
    ax.add_patch(floor)
    ax.grid(color=FAINT, linewidth=0.6, zorder=0.5)
    ax.set_axisbelow(True)


def _draw_marker(marker: Marker, ax: Axes, smallest_m: float) -> None:
    ends = _ends(marker, smallest_m)
    ax.plot(ends[:, 0], ends[:, 1], color=_MARKER_COLOUR, linewidth=4, solid_capstyle="butt", gid="marker", zorder=4)
    facing = math.radians(marker.facing_deg)
    out = np.array([math.cos(facing), math.sin(facing)])
    centre = np.array(marker.position[:2])
    tip = centre + out * math.cos(math.radians(marker.tilt_deg)) * 1.6 * smallest_m
    _draw_arrow(ax, centre, tip, _MARKER_COLOUR, gid="facing")
    label = _draw_label(ax, str(marker.marker_id), centre - out * 0.9 * smallest_m, -out, gid="marker id")
    label.set(fontsize=LABEL_PT, fontweight="bold", color=INK)


def _draw_node(node: Node, ax: Axes, footprint: tuple[float, float] | None) -> None:
    size = footprint or (0.3, 0.3)
    heading = math.radians(node.heading_deg)
    forward = np.array([math.cos(heading), math.sin(heading)])
    centre = np.array(node.position)
    if footprint:
        corners = outline(footprint, node.position, node.heading_deg)
        robot = Polygon(corners, closed=True, facecolor=_NODE_COLOUR + "18", edgecolor=_NODE_COLOUR, linewidth=1.2)
        robot.set(gid="node", zorder=2)
        ax.add_patch(robot)
    ax.plot(*centre, "o", color=_NODE_COLOUR, markersize=3.5, zorder=3, gid="node centre")
    _draw_arrow(ax, centre, centre + forward * size[0] / 2, _NODE_COLOUR, gid="heading")
    place = centre - forward * (size[0] / 2 + 0.08)  # behind the robot, where the floor is free
    label = _draw_label(ax, plain(node.name), place, -forward, gid="node name")
    label.set(fontsize=TICK_PT, color=_NODE_COLOUR)


def _draw_arrow(ax: Axes, start: FloatArray, tip: FloatArray, colour: str, *, gid: str) -> None:
    look = {"arrowstyle": "-|>", "color": colour, "linewidth": 1.2, "shrinkA": 0, "shrinkB": 0}
    (x, y), (x_tip, y_tip) = start.tolist(), tip.tolist()
    ax.annotate("", (x_tip, y_tip), (x, y), arrowprops=look, gid=gid, zorder=4)


def _draw_label(ax: Axes, words: str, place: FloatArray, direction: FloatArray, *, gid: str) -> Text:
    """Write words that grow from `place` along `direction`."""
    x, y = place.tolist()
    label = ax.text(x, y, words, gid=gid, zorder=6)
    label.set_horizontalalignment(_sideways(direction[0], "right", "center", "left"))
    label.set_verticalalignment(_sideways(direction[1], "top", "center", "bottom"))
    return label


def _sideways(direction: float, low: _Word, middle: _Word, high: _Word) -> _Word:
    return low if direction < -0.5 else high if direction > 0.5 else middle


def _frame(field: Field, ax: Axes) -> None:
    ends = np.array([m.position[:2] for m in field.markers] + [(0.0, 0.0), field.size])
    margin = 0.06 * max(field.size)
    low, high = ends.min(axis=0) - margin, ends.max(axis=0) + margin
    ax.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]), aspect="equal")


def field_legend(field: Field, footprint: tuple[float, float] | None = None) -> tuple[list[Line2D], list[str]]:
    """Return legend handles and texts of `draw_field`, to be put where they cover nothing."""
    handles = [Line2D([], [], color=_MARKER_COLOUR, linewidth=4)]
    texts = ["marker with its id, arrow: the way its face looks (drawn larger than it is)"]
    if field.nodes:
        handles.append(Line2D([], [], color=_NODE_COLOUR, marker="s" if footprint else "o", markerfacecolor="none"))
        texts.append("robot at a scoring node, arrow: its front" if footprint else "scoring node, arrow: robot's front")
    return handles, texts
