"""What is assumed of the detector on the robot: hand-worked values and what every prediction must say."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fiducialkit.imaging.corner_noise import stock_corner_sd_px
from fiducialkit.planning import kernels
from fiducialkit.planning.detectability import (
    corner_sd_px,
    corner_sd_table,
    detector_in_words,
    limits,
    smallest_cell_px,
)
from fiducialkit.scene.camera import Camera, CameraNoise


def camera(**noise) -> Camera:
    return Camera.from_field_of_view(1280, 800, 75.0, noise=CameraNoise(**noise))


def test_stock_is_the_default_and_never_better_than_measured():
    plain = camera()
    assert plain.noise.detector == "stock"
    for side in (16.0, 24.0, 60.0, 200.0):
        assert corner_sd_px(plain, side) == pytest.approx(stock_corner_sd_px(side))


def test_bound_of_two_edges_by_hand():
    """Cramer-Rao bound derived for this project: v = 2 sqrt(pi) blur noise^2 / contrast^2, corner sd 2 sqrt(v / L)."""
    fitted = camera(detector="fitted", blur_px=0.7, grey_sd=2.0, contrast_grey=150.0)
    blur = math.sqrt(0.49 + 1.0 / 12.0)
    v = 2.0 * math.sqrt(math.pi) * blur * 4.0 / 22500.0
    assert corner_sd_px(fitted, 24.0) == pytest.approx(2.0 * math.sqrt(v / 24.0))
    # the outer square alone: .0097 / .0067 / .0047 px at 24 / 48 / 96 px, computed for this project pixel by pixel;
    # the straight-edge formula leaves out what the rounded corner itself costs
    for side, whole in ((24.0, 0.0097), (48.0, 0.0067), (96.0, 0.0047)):
        assert 0.85 * whole < corner_sd_px(fitted, side) <= 1.02 * whole


def test_noise_scales_as_physics_says():
    base = corner_sd_px(camera(detector="fitted"), 40.0)
    assert corner_sd_px(camera(detector="fitted", grey_sd=4.0), 40.0) == pytest.approx(2.0 * base)
    assert corner_sd_px(camera(detector="fitted", contrast_grey=75.0), 40.0) == pytest.approx(2.0 * base)
    assert corner_sd_px(camera(detector="fitted"), 160.0) == pytest.approx(base / 2.0)


def test_measured_is_what_the_user_says():
    mine = camera(detector="measured", corner_sd_px=0.31, smallest_cell_px=3.5)
    assert corner_sd_px(mine, 10.0) == corner_sd_px(mine, 500.0) == 0.31
    assert smallest_cell_px(mine) == 3.5
    assert limits(mine)[0] == 3.5


@pytest.mark.parametrize("noise", [{}, {"detector": "fitted"}, {"detector": "measured", "corner_sd_px": 0.2}])
def test_interpolated_table_is_the_function(noise):
    own = camera(**noise)
    table = corner_sd_table(own)
    for side in np.geomspace(5.0, 900.0, 60):
        # linear between knots an eighth of an octave apart; the stock curve has kinks that lie between two of them
        assert kernels.corner_sd(table, side) == pytest.approx(corner_sd_px(own, float(side)), rel=1e-2)
    assert kernels.corner_sd(table, 1.0) == table[0]
    assert kernels.corner_sd(table, 1e6) == table[-1]


def test_words_name_the_detector_and_the_smallest_cell():
    assert detector_in_words(camera()).startswith("stock OpenCV")
    assert "bound" in detector_in_words(camera(detector="fitted"))
    assert "measured by you" in detector_in_words(camera(detector="measured", corner_sd_px=0.2))
    assert all("cells from" in detector_in_words(c) for c in (camera(), camera(detector="fitted")))
