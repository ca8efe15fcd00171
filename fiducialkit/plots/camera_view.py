"""The camera: how its lens bends a regular grid of directions, and where its model stops being valid."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from fiducialkit.arrays import BoolArray, FloatArray
from fiducialkit.plots.robot_view import view_angles_deg
from fiducialkit.plots.style import INK, LINE_COLOURS, SMALL_PT, SOFT, WARNING, dressed, plain
from fiducialkit.scene.camera import Camera

GRID_STEP_DEG = 10.0
_LARGEST_GRID_DEG = 80.0
_ALONG = 161
_CHECKED_COLUMNS = 97


def draw_camera(camera: Camera, ax: Axes) -> Axes:
    """Draw the picture's frame with lines of equal horizontal and vertical angle, every 10 degrees.

    Straight lines mean a lens without distortion. Hatched is the part of the picture that no direction inside the
    model's valid angle projects to: nothing seen there can be used.
    """
    dressed(ax, title=_title(camera), x_label="pixel column [px]", y_label="pixel row [px]")
    frame = Rectangle((-0.5, -0.5), camera.width_px, camera.height_px, fill=False, edgecolor=INK, linewidth=1.6)
    frame.set_gid("picture")
    ax.add_patch(frame)
    limit_deg = _grid_limit_deg(camera)
    for angle in np.arange(-limit_deg, limit_deg + 0.5, GRID_STEP_DEG):
        for vertical in (False, True):
            _draw_line(camera, ax, angle, limit_deg, vertical=vertical)
    ax.plot(camera.cx_px, camera.cy_px, "+", color=WARNING, markersize=12, markeredgewidth=1.6, gid="centre")
    _hatch_invalid(camera, ax)
    margin = 0.04 * camera.width_px
    ax.set(
        xlim=(-0.5 - margin, camera.width_px - 0.5 + margin),
        ylim=(camera.height_px - 0.5 + margin, -0.5 - margin),
        aspect="equal",
    )
    return ax


def _title(camera: Camera) -> str:
    across, down = view_angles_deg(camera)
    return (
        f"{camera.name}: {camera.width_px} x {camera.height_px} px, sees {across:.1f} deg across and "
        f"{down:.1f} deg down"
    )


def _grid_limit_deg(camera: Camera) -> float:
    reach = math.degrees(math.atan(min(camera.valid_radius, math.tan(math.radians(_LARGEST_GRID_DEG)))))
    return max(GRID_STEP_DEG, math.ceil(reach / GRID_STEP_DEG) * GRID_STEP_DEG)


def _grid_line(angle_deg: float, limit_deg: float, vertical: bool) -> FloatArray:
    fixed = np.full(_ALONG, math.tan(math.radians(min(max(angle_deg, -89.0), 89.0))))
    free = np.tan(np.radians(np.linspace(-min(limit_deg, 85.0), min(limit_deg, 85.0), _ALONG)))
    x, y = (fixed, free) if vertical else (free, fixed)
    return np.column_stack([x, y, np.ones(_ALONG)])


def _draw_line(camera: Camera, ax: Axes, angle_deg: float, limit_deg: float, *, vertical: bool) -> None:
    pixels, _ = camera.project(_grid_line(angle_deg, limit_deg, vertical))  # invalid points are NaN: gaps
    is_axis = abs(angle_deg) < 1e-9
    ax.plot(
        pixels[:, 0], pixels[:, 1], color=LINE_COLOURS[0], linewidth=1.6 if is_axis else 0.8, clip_on=True,
        gid="grid line",
    )  # fmt: skip
    _label_line(camera, ax, pixels, angle_deg, vertical=vertical)


def _label_line(camera: Camera, ax: Axes, pixels: FloatArray, angle_deg: float, *, vertical: bool) -> None:
    inside = camera.in_picture(pixels)
    if not inside.any():
        return
    end = pixels[inside][0]  # vertical lines run down, horizontal ones to the right: label where they begin
    offset = (3, -9) if vertical else (3, 3)
    ax.annotate(
        f"{angle_deg:+.0f}" if angle_deg else "0", end, xytext=offset, textcoords="offset points", fontsize=SMALL_PT,
        color=SOFT, gid="angle",
    )  # fmt: skip


def _invalid_pixels(camera: Camera) -> tuple[FloatArray, FloatArray, BoolArray]:
    columns = np.linspace(0, camera.width_px - 1, _CHECKED_COLUMNS)
    rows = np.linspace(0, camera.height_px - 1, max(9, round(_CHECKED_COLUMNS * camera.height_px / camera.width_px)))
    grid_x, grid_y = np.meshgrid(columns, rows)
    _, found = camera.unproject(np.column_stack([grid_x.ravel(), grid_y.ravel()]))
    return columns, rows, ~found.reshape(grid_x.shape)


def _hatch_invalid(camera: Camera, ax: Axes) -> None:
    columns, rows, invalid = _invalid_pixels(camera)
    if invalid.any():
        shade = ax.contourf(
            columns, rows, invalid.astype(np.float64), levels=[0.5, 1.5], colors=[WARNING], alpha=0.16,
            hatches=["xx"],
        )  # fmt: skip
        shade.set_gid("invalid")


def camera_legend(camera: Camera) -> tuple[list[Line2D | Patch], list[str]]:
    """Return legend handles and texts of `draw_camera`; the last ones say in words what the model is."""
    blank = Line2D([], [], linestyle="none")
    handles: list[Line2D | Patch] = [
        Line2D([], [], color=LINE_COLOURS[0]),
        Line2D([], [], color=WARNING, marker="+", linestyle="none", markersize=10),
    ]
    texts = ["directions 10 deg apart (labels: deg to the right, deg down)", "optical axis"]
    invalid = float(_invalid_pixels(camera)[2].mean())
    if invalid:
        handles.append(Patch(facecolor=WARNING + "30", edgecolor=WARNING, hatch="xx"))
        texts.append(f"lens model not valid: {100 * invalid:.0f} % of the picture")
    model = f"lens model {camera.model}, {len(camera.distortion)} coefficients"
    if math.isfinite(camera.valid_radius) and camera.valid_angle_deg < 89.9:
        model += f", valid to {camera.valid_angle_deg:.1f} deg from the axis"
    pinhole = "without distortion the picture would span {:.1f} x {:.1f} deg".format(*camera.field_of_view_deg)
    return [*handles, blank, blank], [*texts, plain(model), pinhole]
