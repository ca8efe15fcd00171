"""A lens calibration: where corners were seen, how sure the lens is, what is left over, where the board goes next."""

from __future__ import annotations

import textwrap

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Polygon, Rectangle

from fiducialkit.arrays import ByteArray
from fiducialkit.imaging.boards import BoardView
from fiducialkit.plots.style import (
    INK,
    LABEL_PT,
    LINE_COLOURS,
    SMALL_PT,
    SOFT,
    TICK_PT,
    WARNING,
    dressed,
    new_panels,
    plain,
    png_bytes,
    short,
)
from fiducialkit.scene.boards import Board
from fiducialkit.scene.camera import Camera
from fiducialkit.solving.capture_guide import NextView
from fiducialkit.solving.intrinsics_result import LensCalibration, projection_table
from fiducialkit.solving.intrinsics_verdict import distances_and_tilts

_MAP_COLUMNS, _MAP_ROWS = 33, 21
_ARROW_SHARE = 0.02  # of the picture's width, for a typical residual
_MOST_BARS = 60


def _frame(ax: Axes, camera: Camera) -> None:
    frame = Rectangle((-0.5, -0.5), camera.width_px, camera.height_px, fill=False, edgecolor=INK, linewidth=1.2)
    frame.set_gid("picture")
    ax.add_patch(frame)
    margin = 0.02 * camera.width_px
    ax.set(xlim=(-margin, camera.width_px + margin), ylim=(camera.height_px + margin, -margin), aspect="equal")


def draw_seen_corners(calibration: LensCalibration, ax: Axes) -> Axes:
    """Draw every corner that was used over the picture."""
    dressed(ax, title="Where corners were seen", x_label="pixel column [px]", y_label="pixel row [px]")
    places = np.concatenate([view.points_px for view in calibration.used])
    ax.plot(*places.T, ".", markersize=2.0, color=LINE_COLOURS[0], gid="corners")
    _frame(ax, calibration.camera)
    return ax


def draw_board_view(view: BoardView, image: ByteArray, ax: Axes) -> Axes:
    """Draw a picture and the board's points that were found in it, if any."""
    ax.imshow(image, cmap="gray", vmin=0, vmax=255)
    title = f"{view.name}: {view.status}, {len(view)} points"
    dressed(ax, title=title, x_label="pixel column [px]", y_label="pixel row [px]")
    ax.plot(*view.points_px.T, ".", markersize=4.0, color=WARNING, gid="points")
    ax.set(xlim=(-0.5, image.shape[1] - 0.5), ylim=(image.shape[0] - 0.5, -0.5), aspect="equal")
    return ax


def draw_uncertainty(calibration: LensCalibration, ax: Axes) -> Axes:
    """Draw the sd of where a direction is seen over the picture; white where the lens sees nothing."""
    camera = calibration.camera
    x, y = np.linspace(0, camera.width_px - 1, _MAP_COLUMNS), np.linspace(0, camera.height_px - 1, _MAP_ROWS)
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    sd = projection_table(camera, calibration.covariance, places)["sd_px"].to_numpy().reshape(_MAP_ROWS, _MAP_COLUMNS)
    dressed(ax, title="How sure the lens is (sd, px)", x_label="pixel column [px]", y_label="pixel row [px]")
    mesh = ax.pcolormesh(x, y, sd, shading="nearest", cmap="viridis_r", vmin=0.0, rasterized=True)
    mesh.set_gid("uncertainty")
    figure = ax.get_figure()
    if figure is not None:
        bar = figure.colorbar(mesh, ax=ax, shrink=0.85)
        bar.ax.tick_params(labelsize=TICK_PT)
    _frame(ax, camera)
    return ax


def draw_residuals(calibration: LensCalibration, ax: Axes) -> Axes:
    """Draw what is left at each corner as an arrow, much enlarged: a pattern in them means a wrong model."""
    camera = calibration.camera
    places = np.concatenate([view.points_px for view in calibration.used])
    away = calibration.fit.residuals_px
    enlarged = _ARROW_SHARE * camera.width_px / max(calibration.rms_px, 1e-6)
    title = f"What is left over, {enlarged:.0f} times enlarged"
    dressed(ax, title=title, x_label="pixel column [px]", y_label="pixel row [px]")
    arrows = ax.quiver(
        *places.T, *away.T * enlarged, angles="xy", scale_units="xy", scale=1.0, width=0.0015, color=LINE_COLOURS[0]
    )
    arrows.set_gid("residuals")
    _frame(ax, camera)
    return ax


def draw_tilts(calibration: LensCalibration, ax: Axes) -> Axes:
    """Draw distance and tilt of each view: a good set is spread out both ways."""
    distance, tilt = distances_and_tilts(calibration.used, calibration.fit.poses)
    dressed(ax, title="Distance and tilt of the boards", x_label="distance [m]", y_label="tilt [deg]")
    ax.plot(distance, tilt, "o", markersize=5, color=LINE_COLOURS[0], gid="views")
    ax.set(ylim=(0.0, max(60.0, 1.1 * float(tilt.max()))), xlim=(0.0, 1.15 * float(distance.max())))
    return ax


def draw_view_errors(views: pd.DataFrame, ax: Axes) -> Axes:
    """Draw the held-out error of each view that was used, the worst first."""
    rows = views[views["status"] == "ok"].sort_values("held_out_px", ascending=False).head(_MOST_BARS)
    dressed(ax, title="Held-out error of each view", x_label="", y_label="rms per coordinate [px]")
    ax.bar(np.arange(len(rows)), rows["held_out_px"], color=LINE_COLOURS[0], gid="held out")
    ax.set_xticks(np.arange(len(rows)), [short(name, 14) for name in rows["view"]], rotation=90, fontsize=SMALL_PT - 1)
    return ax


def draw_next_view(view: NextView, board: Board, camera: Camera, ax: Axes) -> Axes:
    """Draw the board as the camera should see it next: hold it so."""
    dressed(ax, title="Hold the board here", x_label="pixel column [px]", y_label="pixel row [px]")
    rotation, place = view.camera_from_board[:, :3], view.camera_from_board[:, 3]
    side = board.square_m
    for row in range(board.squares_down):
        for column in range(board.squares_across):
            is_black = board.kind == "marker grid" or board.is_black_square(row, column)
            length = float(board.marker_m or side) if board.kind == "marker grid" else side
            left, top = column * side, row * side
            corners = np.array([[left, top], [left + length, top], [left + length, top + length], [left, top + length]])
            points = np.column_stack([corners, np.zeros(4)]) @ rotation.T + place
            pixels, valid = camera.project(points)
            if is_black and valid.all():
                ax.add_patch(Polygon(pixels, closed=True, facecolor=INK, edgecolor="none"))
    outline = Polygon(view.outline_px, closed=True, fill=False, edgecolor=WARNING, linewidth=2.0)
    outline.set_gid("board")
    ax.add_patch(outline)
    ax.plot(*view.outline_px[0], "o", color=WARNING, markersize=6, gid="top left")
    _frame(ax, camera)
    words = textwrap.fill(plain(view.words), 60)
    ax.text(0.0, 1.01, words, transform=ax.transAxes, fontsize=LABEL_PT - 1, color=SOFT, va="bottom")
    lines = words.count("\n") + 1
    ax.set_title(ax.get_title(loc="left"), loc="left", fontsize=LABEL_PT + 1.5, color=INK, pad=6 + 10 * lines)
    return ax


def lens_sheet(calibration: LensCalibration, next_view: NextView | None = None, board: Board | None = None) -> bytes:
    """Return the whole calibration on one sheet as PNG."""
    figure, axes = new_panels(3, 2, 11.0, 12.0)
    draw_seen_corners(calibration, axes[0])
    draw_uncertainty(calibration, axes[1])
    draw_residuals(calibration, axes[2])
    draw_tilts(calibration, axes[3])
    draw_view_errors(calibration.views, axes[4])
    if next_view is not None and board is not None:
        draw_next_view(next_view, board, calibration.camera, axes[5])
    else:
        axes[5].set_axis_off()
    camera = calibration.camera
    title = f"{camera.name}: {calibration.verdict}, held-out error {calibration.held_out_px:.3f} px, {camera.model}"
    figure.suptitle(plain(title), fontsize=13, color=INK, x=0.01, ha="left")
    return png_bytes(figure)


def next_view_sheet(view: NextView, board: Board, camera: Camera) -> bytes:
    """Return the picture of the next view alone as PNG."""
    figure, axes = new_panels(1, 1, 8.0, 8.0 * camera.height_px / camera.width_px + 1.2)
    draw_next_view(view, board, camera, axes[0])
    return png_bytes(figure)
