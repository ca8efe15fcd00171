"""One mount for whoever builds it: where the lens goes on the robot, and how the camera is turned, with figures."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Arc, Polygon, Rectangle

from fiducialkit.plots.style import (
    FAINT,
    INK,
    LABEL_PT,
    LINE_COLOURS,
    SOFT,
    TICK_PT,
    WARNING,
    new_panels,
    png_bytes,
)
from fiducialkit.scene.robot import Mount, Robot

_LEVEL_DEG = 0.05
_WIDTH_IN, _HEIGHT_IN = 7.6, 2.2  # smaller than a page: printed, two cards share a sheet, and words must stay legible


def draw_place_from_above(robot: Robot, mount: Mount, ax: Axes) -> Axes:
    """Draw the mount from above, forward to the right: distances from the nearer edges, turn from straight on."""
    half_x, half_y = robot.footprint[0] / 2.0, robot.footprint[1] / 2.0
    x, y, _ = mount.position
    edge_x, edge_y = math.copysign(half_x, x), math.copysign(half_y, y)
    ax.add_patch(Rectangle((-half_x, -half_y), 2 * half_x, 2 * half_y, facecolor="#f1f3f5", edgecolor=INK, gid="robot"))
    ax.plot(0.0, 0.0, marker="+", color=SOFT, markersize=10, gid="middle")
    ax.text(half_x - 0.015, 0.0, "front", fontsize=TICK_PT, color=SOFT, rotation=-90, ha="right", va="center")
    # along: outside the robot; across: behind the camera, out of the way of the view, or on its inner side
    ahead = math.cos(math.radians(mount.yaw_deg))
    behind = -math.copysign(1.0, ahead if abs(ahead) > 0.1 else x)
    out_y, aside_x = math.copysign(half_y + 0.12, y), x + 0.14 * behind
    beyond = math.copysign(min(abs(aside_x), half_x), aside_x)
    helping = (((x, y), (x, out_y)), ((edge_x, edge_y), (edge_x, out_y)), ((x, y), (aside_x, y)))
    for ends in (*helping, ((beyond, edge_y), (aside_x, edge_y))):
        ax.plot(*zip(*ends, strict=True), color=SOFT, linewidth=0.6)
    _dimension(ax, (x, out_y), (edge_x, out_y), edge_x - x, beside=(0, 7 if y >= 0 else -7))
    _dimension(ax, (aside_x, y), (aside_x, edge_y), edge_y - y, beside=(4 * int(behind), 0))
    straight = 0.0 if abs(math.remainder(mount.yaw_deg, 360.0)) <= 90.0 else 180.0
    turn = math.remainder(mount.yaw_deg - straight, 360.0)
    _view(ax, (x, y), mount.yaw_deg)
    ax.plot([x, x + 0.42 * math.cos(math.radians(straight))], [y, y], color=SOFT, linewidth=1.0, linestyle=(0, (4, 2)))
    _arc(ax, (x, y), (straight, turn), 0.28)
    if abs(turn) > _LEVEL_DEG:
        far = math.radians(straight + turn)
        place = (x + 0.45 * math.cos(far), y + 0.45 * math.sin(far))
        _words(ax, place, f"{abs(turn):.3g} deg", "left" if math.cos(far) > 0 else "right")
    ax.plot(x, y, marker="o", color=LINE_COLOURS[0], markersize=6, zorder=9, gid="lens")
    reach = max(half_x, half_y) + 0.3
    return _framed(ax, (-reach - 0.1, reach + 0.1), (-reach, reach), "from above")


def draw_place_from_side(robot: Robot, mount: Mount, ax: Axes) -> Axes:
    """Draw the mount from the robot's right: its height over the floor, and its distance from the nearer edge."""
    half_x = robot.footprint[0] / 2.0
    x, _, z = mount.position
    ax.axhline(0.0, color=INK, linewidth=1.2)
    ax.add_patch(Rectangle((-half_x, 0.03), 2 * half_x, 0.10, facecolor="#f1f3f5", edgecolor=INK, gid="robot"))
    for structure in robot.structures:
        if structure.state == "always":
            low, high = structure.corner_min, structure.corner_max
            box = Rectangle((low[0], low[2]), high[0] - low[0], high[2] - low[2], facecolor=FAINT, edgecolor=SOFT)
            ax.add_patch(box)
    edge = math.copysign(half_x, x)
    ax.plot([edge, edge], [0.13, z], color=SOFT, linewidth=0.6)
    _dimension(ax, (x, 0.0), (x, z), z, beside=(4, 0))
    _dimension(ax, (x, z), (edge, z), edge - x, beside=(0, 8))
    ax.text(half_x + 0.02, 0.08, "front", fontsize=TICK_PT, color=SOFT, ha="left", va="center")
    ax.plot(x, z, marker="o", color=LINE_COLOURS[0], markersize=6, zorder=9, gid="lens")
    top = max([z, *(s.corner_max[2] for s in robot.structures if s.state == "always")])
    return _framed(ax, (-half_x - 0.3, half_x + 0.3), (-0.06, top + 0.15), "from the side, front to the right")


def draw_tilt(mount: Mount, ax: Axes) -> Axes:
    """Draw the camera seen square-on from its right: its view against the horizontal, and a phone laid along it."""
    tilt = math.radians(mount.tilt_deg)
    turn = np.array([[math.cos(tilt), -math.sin(tilt)], [math.sin(tilt), math.cos(tilt)]])
    for name, corners, colour in (
        ("body", [(-0.5, -0.22), (0.0, -0.22), (0.0, 0.22), (-0.5, 0.22)], SOFT),
        ("lens", [(0.0, -0.12), (0.16, -0.12), (0.16, 0.12), (0.0, 0.12)], INK),
        ("phone", [(-0.62, 0.23), (0.1, 0.23), (0.1, 0.29), (-0.62, 0.29)], LINE_COLOURS[1]),
    ):
        ax.add_patch(Polygon(np.array(corners) @ turn.T, closed=True, color=colour, gid=name))
    _view(ax, (0.0, 0.0), mount.tilt_deg, length=1.5)
    ax.plot([0.0, 1.5], [0.0, 0.0], color=SOFT, linewidth=1.0, linestyle=(0, (4, 2)))
    _arc(ax, (0.0, 0.0), (0.0, mount.tilt_deg), 1.1)
    up = mount.tilt_deg >= 0.0
    ax.text(1.5, 1.5 * math.tan(tilt) * (abs(tilt) < 1.2) + (0.08 if up else -0.08), looks_in_words(mount),
            fontsize=TICK_PT, color=WARNING, ha="right", va="bottom" if up else "top", gid="angle")  # fmt: skip
    place = turn @ np.array([-0.26, 0.36])
    ax.text(
        float(place[0]), float(place[1]), f"phone reads {abs(mount.tilt_deg):.1f} deg", fontsize=TICK_PT, color=INK,
        ha="center", va="bottom", rotation=mount.tilt_deg, rotation_mode="anchor", gid="phone reads",
    )  # fmt: skip
    return _framed(ax, (-1.0, 1.7), (-1.1, 1.2), "the camera from its right")


def looks_in_words(mount: Mount) -> str:
    """Return "looks up 5 degrees"."""
    if abs(mount.tilt_deg) < _LEVEL_DEG:
        return "looks level"
    return f"looks {'up' if mount.tilt_deg > 0 else 'down'} {abs(mount.tilt_deg):.3g} degrees"


def mount_sheet(robot: Robot, mount: Mount) -> bytes:
    """Return the three drawings of one mount as PNG."""
    figure, axes = new_panels(1, 3, _WIDTH_IN, _HEIGHT_IN)
    draw_place_from_above(robot, mount, axes[0])
    draw_place_from_side(robot, mount, axes[1])
    draw_tilt(mount, axes[2])
    return png_bytes(figure)


def _framed(ax: Axes, x_limits: tuple[float, float], y_limits: tuple[float, float], title: str) -> Axes:
    ax.set(xlim=x_limits, ylim=y_limits)
    ax.set_aspect("equal")
    ax.set_axis_off()
    ax.set_title(title, fontsize=LABEL_PT, loc="left", color=INK)
    return ax


def _words(ax: Axes, place: tuple[float, float], words: str, side: str) -> None:
    box = {"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85}
    ax.text(*place, words, fontsize=TICK_PT, color=WARNING, zorder=9, va="center", ha=side, gid="angle", bbox=box)


def _dimension(
    ax: Axes, start: tuple[float, float], end: tuple[float, float], length_m: float, *, beside: tuple[int, int]
) -> None:
    """Draw a dimension line between two points with its length beside its middle, (right, up) points away."""
    arrow = {"arrowstyle": "<->", "color": WARNING, "linewidth": 1.1, "shrinkA": 0, "shrinkB": 0, "mutation_scale": 7}
    ax.annotate("", end, start, arrowprops=arrow, zorder=8)
    middle = (0.5 * (start[0] + end[0]), 0.5 * (start[1] + end[1]))
    ax.annotate(
        f"{1000.0 * abs(length_m):.0f} mm", middle, beside, textcoords="offset points", fontsize=TICK_PT,
        color=WARNING, zorder=9, ha={0: "center", 1: "left", -1: "right"}[int(np.sign(beside[0]))], va="center",
        gid="dimension", bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4, "alpha": 0.8},
    )  # fmt: skip


def _view(ax: Axes, start: tuple[float, float], angle_deg: float, *, length: float = 0.42) -> None:
    """Draw the middle line of the view as an arrow."""
    turn = math.radians(angle_deg)
    end = (start[0] + length * math.cos(turn), start[1] + length * math.sin(turn))
    arrow = {"arrowstyle": "->", "color": LINE_COLOURS[0], "linewidth": 1.8, "shrinkA": 0, "shrinkB": 0}
    ax.annotate("", end, start, arrowprops=arrow, zorder=7)


def _arc(ax: Axes, middle: tuple[float, float], from_and_turn_deg: tuple[float, float], radius: float) -> None:
    start, turn = from_and_turn_deg
    if abs(turn) > _LEVEL_DEG:
        low, high = sorted((start, start + turn))
        ax.add_patch(Arc(middle, 2 * radius, 2 * radius, theta1=low, theta2=high, color=WARNING, linewidth=1.3))
