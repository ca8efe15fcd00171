"""Whole sheets drawn together against each drawn alone and from scratch, and the PNG they are stored as."""

from __future__ import annotations

import io

import numpy as np
import pytest
from matplotlib.ticker import FixedLocator
from PIL import Image
from scene_cases import RIGS, maps_table, small_field, small_robot

from fiducialkit.plots import sheets, style
from fiducialkit.plots.robot_view import draw_robot, robot_legend, view_wedge


def pixels_of(png: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(int)


def plain_robot_sheet(robot, title, mounts):
    """Draw a robot sheet the plain way: one figure, everything on it, drawn once."""
    handles, texts = robot_legend(robot, mounts)
    below = 0.2 * len(handles) + 0.1
    margins = style.Margins(left=0.65, right=0.1, bottom=below + 0.5, top=0.75, across=0.8)
    figure, axes = style.new_panels(1, 2, style.PAGE_WIDTH_IN, 4.2 + below, margins=margins)
    for ax, view in zip(axes, ("side", "above"), strict=True):
        draw_robot(robot, ax, view=view, mounts=mounts)
        for mount in robot.mounts:
            ax.update_datalim(view_wedge(mount, view))
        ax.autoscale_view()
        ax.set_anchor("N")
    limits = [ax.get_xlim() for ax in axes]
    for ax in axes:
        ax.set_xlim(min(low for low, _ in limits), max(high for _, high in limits))
    figure.legend(handles, texts, loc="lower left", fontsize=style.LABEL_PT - 0.5, frameon=False)
    place = {"x": 0.01, "y": 1.0 - 0.1 / figure.get_figheight(), "ha": "left", "va": "top"}
    figure.suptitle(title, fontsize=style.TITLE_PT + 1, color=style.INK, **place)
    return style.png_bytes(figure)


def test_robot_sheets_drawn_together_equal_each_drawn_alone():
    robot = small_robot()
    names = [mount.name for mount in robot.mounts]
    assert len(names) > 1
    wanted = {"all": names, "one": names[:1], "other": names[1:2], "none": []}
    for png, (title, mounts) in zip(sheets.robot_sheets(robot, wanted), wanted.items(), strict=True):
        found, expected = pixels_of(png), pixels_of(plain_robot_sheet(robot, title, mounts))
        assert found.shape == expected.shape
        off = np.abs(found - expected).max(axis=2)
        # where the figure is higher, letters stand a fraction of a pixel elsewhere and lines may end a pixel sooner
        assert (off > 16).sum() < 50 and (off > 0).sum() < 1000
    shown = [pixels_of(png) for png in sheets.robot_sheets(robot, {"a": names[:1], "b": names[1:2]})]
    assert (shown[0] != shown[1]).any(axis=2).sum() > 500, "each sheet shows its own views"


def test_maps_of_two_columns_equal_each_drawn_alone():
    together = sheets.coverage_sheets(maps_table(), RIGS, small_field(), ("share_1", "share_2"))
    alone = [sheets.coverage_sheet(maps_table(), RIGS, small_field(), column) for column in ("share_1", "share_2")]
    assert together == alone and together[0] != together[1]


@pytest.mark.parametrize("has_grid", [True, False])
@pytest.mark.parametrize("name", ["x", "y"])
def test_a_bare_axis_looks_like_one_whose_numbers_are_left_out(name, has_grid):
    drawn = []
    for is_bare in (True, False):
        figure, (ax,) = style.new_panels(
            1, 1, 4.0, 3.0, margins=style.Margins(left=0.5, right=0.2, bottom=0.5, top=0.3)
        )
        style.dressed(ax)
        if has_grid:
            ax.grid(color=style.FAINT, linewidth=0.6)
        ax.set(xlim=(1.5, 0.0), ylim=(0.3, 7.7))
        ax.yaxis.set_major_locator(FixedLocator([-1.0, 2.0, 5.0, 9.0]))  # some beyond the panel
        if is_bare:
            style.bare_axis(ax, name)
            assert ax.get_xlim() == (1.5, 0.0) and ax.get_ylim() == (0.3, 7.7)
        else:
            ax.tick_params(**{"labelbottom" if name == "x" else "labelleft": False})
        drawn.append(pixels_of(style.png_bytes(figure)))
    np.testing.assert_array_equal(*drawn)


def test_png_holds_the_pixels_and_says_how_large_they_are():
    """Decoded by another library: pixels as given, and dots to the inch as PNG keeps them, whole ones to the metre."""
    given = np.random.default_rng(7).integers(0, 256, (37, 23, 4), dtype=np.uint8)
    image = Image.open(io.BytesIO(style.png_of_pixels(given, 130.0)))
    image.verify()  # the check sums
    image = Image.open(io.BytesIO(style.png_of_pixels(given, 130.0)))
    assert image.mode == "RGB" and image.size == (23, 37)
    np.testing.assert_array_equal(np.asarray(image), given[:, :, :3])
    assert image.info["dpi"] == pytest.approx((130.0, 130.0), abs=0.02)


def test_a_letter_the_font_lacks_is_no_warning_on_any_robot_sheet():
    png = sheets.robot_sheets(small_robot(), {"a \U0001f916 b": None})[0]
    assert pixels_of(png).shape[1] == style.PAGE_WIDTH_IN * style.DOTS_PER_INCH
