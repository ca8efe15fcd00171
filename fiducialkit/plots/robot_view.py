"""The robot from the side and from above: structure by mechanism state and what each camera sees."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Polygon, Rectangle
from scipy.spatial import ConvexHull

from fiducialkit.arrays import FloatArray
from fiducialkit.errors import InputError
from fiducialkit.plots.style import (
    FAINT,
    INK,
    LARGEST_LINE_COUNT,
    LINE_COLOURS,
    SOFT,
    dressed,
    plain,
)
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.robot import ALWAYS, Mount, Robot, Structure
from fiducialkit.scene.transforms import parts

_VIEWS = {"side": (0, 2), "above": (0, 1)}
_RAYS = 25
_HATCHES = ("////", "....", "xxxx", "----")
_STATE_COLOURS = ("#7d6a55", "#a3564f", "#55707d", "#6d5d8a")


def draw_robot(robot: Robot, ax: Axes, *, view: str, mounts: Sequence[str] | None = None, reach_m: float = 0.8) -> Axes:
    """Draw the robot with each camera's field of view.

    The wedges are the middle row (from above) or middle column (from the side) of each picture: rays of `reach_m`,
    seen square-on to the drawing, so that a camera turned sideways looks short from the side.

    Parameters
    ----------
    robot : Robot
    ax : matplotlib.axes.Axes
    view : {"side", "above"}
        From the side the robot looks to the right; from above its left is up.
    mounts : sequence of str, optional
        The mounts drawn; all if None.
    reach_m : float
        Length of the rays drawn. [m]
    """
    if view not in _VIEWS:
        raise InputError(f"view: expected side or above, found {view!r}")
    vertical = "up" if view == "side" else "left"
    dressed(ax, title=f"from the {view}" if view == "side" else "from above", x_label="robot x, forward [m]")
    ax.set_ylabel(f"robot {'z' if view == 'side' else 'y'}, {vertical} [m]", fontsize=9.5, color=INK)
    ax.grid(color=FAINT, linewidth=0.6)
    ax.set_axisbelow(True)
    _draw_body(robot, ax, view)
    for structure in robot.structures:
        _draw_structure(structure, robot, ax, view)
    for tool in robot.tools:
        place = np.array(tool.position)[list(_VIEWS[view])]
        ax.plot(*place, marker="P", color=INK, markersize=8, markeredgecolor="white", zorder=5, gid="tool")
    draw_mounts(robot, ax, view=view, mounts=mounts, reach_m=reach_m)
    ax.set_aspect("equal")
    ax.autoscale_view()
    return ax


def draw_mounts(
    robot: Robot, ax: Axes, *, view: str, mounts: Sequence[str] | None = None, reach_m: float = 0.8
) -> list[Artist]:
    """Draw the cameras alone, as `draw_robot` does, and return what was added."""
    added: list[Artist] = []
    for number, name in enumerate(_names(robot, mounts)):
        added += _draw_mount(robot.mount(name), ax, view, colour=_colour(number), reach_m=reach_m)
    return added


def robot_legend(robot: Robot, mounts: Sequence[str] | None = None) -> tuple[list[Line2D | Patch], list[str]]:
    """Return legend handles and their texts: each camera in words, each mechanism state, the tool."""
    handles: list[Line2D | Patch] = []
    texts = []
    for number, name in enumerate(_names(robot, mounts)):
        handles.append(Line2D([], [], color=_colour(number), marker="o", linewidth=3))
        texts.append(plain(f"{name}: {mount_in_words(robot.mount(name))}"))
    named = dict.fromkeys(structure.state for structure in robot.structures)
    for state in named:
        handles.append(Patch(**_structure_look(state, robot)))
        texts.append("structure that never moves" if state == ALWAYS else plain(f"hides the view: {state}"))
    if robot.tools:
        handles.append(Line2D([], [], color=INK, marker="P", markersize=8, linestyle="none"))
        texts.append("where it scores: " + ", ".join(tool.side for tool in robot.tools))
    return handles, texts


def mount_in_words(mount: Mount) -> str:
    """Return where a camera stands and looks, e.g. ``0.45 m high, looks up 5 deg, turned 25 deg left``."""
    looks = "level" if abs(mount.tilt_deg) < 0.05 else f"{'up' if mount.tilt_deg > 0 else 'down'} "
    looks += "" if looks == "level" else f"{abs(mount.tilt_deg):.3g} deg"
    yaw = math.remainder(mount.yaw_deg, 360.0)
    if abs(yaw) < 0.05:
        turned = "straight ahead"
    elif abs(abs(yaw) - 180.0) < 0.05:
        turned = "straight back"
    else:
        turned = f"turned {abs(yaw):.3g} deg {'left' if yaw > 0 else 'right'}"
    across, down = view_angles_deg(mount.camera)
    text = f"{mount.position[2]:.2f} m high, looks {looks}, {turned}, sees {across:.0f} x {down:.0f} deg"
    return text + (f", rolled {mount.roll_deg:.3g} deg" if abs(mount.roll_deg) > 0.05 else "")


def view_angles_deg(camera: Camera) -> tuple[float, float]:
    """Return what the lens really covers along the middle row and the middle column, edge to edge. [deg]"""
    angles = []
    for axis in (0, 1):
        rays = _middle_rays(camera, axis)
        if len(rays) < 2:
            angles.append(0.0)
            continue
        ends = np.degrees(np.arctan(rays[[0, -1], axis]))
        angles.append(float(abs(ends[1] - ends[0])))
    return angles[0], angles[1]


def _names(robot: Robot, mounts: Sequence[str] | None) -> list[str]:
    return [mount.name for mount in robot.mounts] if mounts is None else list(mounts)


def _colour(number: int) -> str:
    return LINE_COLOURS[number % LARGEST_LINE_COUNT]


def _middle_rays(camera: Camera, axis: int) -> FloatArray:
    """Return directions (n, 3) in camera along the middle row (axis 0) or column (1), edge to edge, where valid."""
    size = (camera.width_px, camera.height_px)
    pixels = np.empty((_RAYS, 2))
    pixels[:, axis] = np.linspace(-0.5, size[axis] - 0.5, _RAYS)
    pixels[:, 1 - axis] = camera.cy_px if axis == 0 else camera.cx_px
    directions, found = camera.unproject(pixels)
    return np.column_stack([directions[found], np.ones(int(found.sum()))])


def _draw_body(robot: Robot, ax: Axes, view: str) -> None:
    length, width = robot.footprint
    low, extent = (-width / 2, width) if view == "above" else (0.0, 0.08)
    body = Rectangle((-length / 2, low), length, extent, facecolor="#e9edf0", edgecolor=INK, linewidth=1.2, zorder=1)
    body.set_gid("footprint")
    ax.add_patch(body)
    if view == "side":
        ax.axhline(0.0, color=SOFT, linewidth=1.0, zorder=0.8)
    else:
        ax.annotate(
            "", (length / 2, 0), (length / 2 - 0.18, 0), zorder=2, gid="forward",
            arrowprops={"arrowstyle": "-|>", "color": SOFT, "linewidth": 1.5, "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip


def _structure_look(state: str, robot: Robot) -> dict[str, Any]:
    if state == ALWAYS:
        return {"facecolor": "#b9c2ca", "edgecolor": SOFT, "linewidth": 0.8}
    number = robot.states.index(state)
    colour = _STATE_COLOURS[number % len(_STATE_COLOURS)]
    hatch = _HATCHES[number % len(_HATCHES)]
    return {"facecolor": colour + "26", "edgecolor": colour, "hatch": hatch, "linewidth": 1.0}


def _draw_structure(structure: Structure, robot: Robot, ax: Axes, view: str) -> None:
    box = structure.oriented_box()
    signs = np.array(list(itertools.product((-1.0, 1.0), repeat=3)))
    corners = box[:3] + (signs * box[12:]) @ box[3:12].reshape(3, 3)
    flat = corners[:, list(_VIEWS[view])]
    shape = Polygon(
        flat[ConvexHull(flat).vertices], closed=True, zorder=2, gid=f"structure {structure.state}",
        **_structure_look(structure.state, robot),
    )  # fmt: skip
    ax.add_patch(shape)


def view_wedge(mount: Mount, view: str, reach_m: float = 0.8) -> FloatArray:
    """Return the outline (n, 2) of what a camera sees, its pupil first, in the axes of that view. [m]"""
    rotation, pupil = parts(mount.robot_from_camera)
    on_its_side = abs(rotation[2, 0]) > abs(rotation[2, 1])  # a picture turned by 90 degrees
    axis = (0 if view == "above" else 1) ^ int(on_its_side)
    rays = _middle_rays(mount.camera, axis)
    rays = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    tips = pupil + reach_m * rays @ rotation.T
    return np.vstack([pupil, tips])[:, list(_VIEWS[view])]


def _draw_mount(mount: Mount, ax: Axes, view: str, *, colour: str, reach_m: float) -> list[Artist]:
    outline = view_wedge(mount, view, reach_m)
    wedge = Polygon(outline, closed=True, facecolor=colour + "30", edgecolor=colour, linewidth=0.9, zorder=3)
    wedge.set_gid(f"view {mount.name}")
    ax.add_patch(wedge)
    rotation, pupil = parts(mount.robot_from_camera)
    middle = np.array([pupil, pupil + 0.45 * reach_m * rotation[:, 2]])[:, list(_VIEWS[view])]
    dashes = (0, (5, 3))
    axis = ax.plot(*middle.T, color=colour, linewidth=1.0, linestyle=dashes, zorder=4, gid=f"axis {mount.name}")
    lens = ax.plot(
        *middle[0], "o", color=colour, markersize=7, markeredgecolor="white", zorder=6, gid=f"mount {mount.name}"
    )
    return [wedge, *axis, *lens]
