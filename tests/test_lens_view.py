"""Drawings of a lens calibration: labels with units, and the data that is drawn."""

from __future__ import annotations

import numpy as np
import pytest
from lens_cases import BOARD, BROWN, good_poses, seen

from fiducialkit.plots import lens_view
from fiducialkit.plots.style import new_panels
from fiducialkit.solving.capture_guide import next_view
from fiducialkit.solving.intrinsics import calibrate_lens


@pytest.fixture(scope="module")
def found():
    rng = np.random.default_rng(1)
    return calibrate_lens(seen(BROWN, good_poses(BROWN, 12, rng), rng), model="brown")


@pytest.fixture
def ax():
    return new_panels(1, 1, 5.0, 4.0)[1][0]


def drawn(ax, name):
    return next(artist for artist in ax.get_children() if artist.get_gid() == name)


def labels(ax):
    return ax.get_xlabel(), ax.get_ylabel()


def test_every_corner_used_is_drawn_where_it_was_seen(found, ax):
    lens_view.draw_seen_corners(found, ax)
    shown = np.column_stack(drawn(ax, "corners").get_data())
    np.testing.assert_allclose(shown, np.concatenate([view.points_px for view in found.used]))
    assert labels(ax) == ("pixel column [px]", "pixel row [px]")


def test_the_map_shows_the_sd_of_the_projection(found, ax):
    lens_view.draw_uncertainty(found, ax)
    values = drawn(ax, "uncertainty").get_array()
    middle = found.projection.set_index(["x_px", "y_px"]).loc[(639.5, 399.5), "sd_px"]
    assert np.nanmin(values) <= middle <= np.nanmax(values)
    assert "px" in ax.get_title(loc="left")


def test_residuals_are_enlarged_by_what_the_title_says(found, ax):
    lens_view.draw_residuals(found, ax)
    arrows = drawn(ax, "residuals")
    enlarged = float(ax.get_title(loc="left").split(",")[1].split()[0])
    np.testing.assert_allclose(np.column_stack([arrows.U, arrows.V]), found.fit.residuals_px * enlarged, rtol=0.02)


def test_distances_and_tilts_are_those_of_the_table(found, ax):
    lens_view.draw_tilts(found, ax)
    distance, tilt = drawn(ax, "views").get_data()
    np.testing.assert_allclose(distance, found.views["distance_m"])
    np.testing.assert_allclose(tilt, found.views["tilt_deg"])
    assert labels(ax) == ("distance [m]", "tilt [deg]")


def test_views_stand_in_the_order_of_their_held_out_error(found, ax):
    lens_view.draw_view_errors(found.views, ax)
    heights = [bar.get_height() for bar in ax.patches]
    assert heights == sorted(found.views["held_out_px"], reverse=True)
    assert ax.get_ylabel() == "rms per coordinate [px]"


def test_the_next_view_is_outlined_where_it_is_asked_for(found, ax):
    guide = next_view(BOARD, found.camera, found)
    lens_view.draw_next_view(guide, BOARD, found.camera, ax)
    np.testing.assert_allclose(drawn(ax, "board").get_xy()[:4], guide.outline_px)
    assert lens_view.next_view_sheet(guide, BOARD, found.camera).startswith(b"\x89PNG")
