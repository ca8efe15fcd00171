"""The least covariance of a marker's corners, beside closed forms and published figures."""

from __future__ import annotations

import numpy as np
import pytest

from fiducialkit.imaging.corner_bound import corner_bound_px2
from fiducialkit.scene.markers import marker_family

FAMILY = marker_family("36h11")
USUAL = {"black_grey": 50.0, "white_grey": 200.0, "grey_sd": 2.0, "blur_px": 0.7}


def square(side_px, middle=(50.3, 49.8)):
    return np.array(middle) + side_px / 2.0 * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])


def sd_px(side_px, artwork=None, **changes):
    artwork = FAMILY.artwork(7) if artwork is None else artwork
    return float(np.sqrt(np.trace(corner_bound_px2(square(side_px), artwork, **(USUAL | changes))) / 8.0))


def test_a_black_square_s_place_against_the_closed_form():
    """An edge of L px is placed to sd sqrt(2 sqrt(pi) b / L) n / A, derived for this project.

    The square's place across is the mean of two such edges. Its size is another matter: levels and tone, unknown too,
    move all edges in or out together. The unknown gradient of the light costs a few per cent.
    """
    side_px, total_px, noise = 120.0, np.sqrt(0.7**2 + 1.0 / 12.0), np.sqrt(2.0**2 + 1.0 / 12.0)
    of_one_edge = 2.0 * np.sqrt(np.pi) * total_px * noise**2 / 150.0**2 / side_px
    covariance = corner_bound_px2(square(side_px), np.zeros((8, 8), dtype=bool), **USUAL)
    for axis in range(2):
        of_middle = covariance[axis::2, axis::2].mean()
        assert of_middle == pytest.approx(of_one_edge / 2.0, rel=0.08)
        assert of_middle > of_one_edge / 2.0


@pytest.mark.parametrize(("side_px", "published_px"), [(24, 0.0077), (48, 0.0053), (96, 0.0037)])
def test_all_known_bits_against_the_figures_computed_for_this_project(side_px, published_px):
    """Contrast 150, blur .7, noise 2: .0077 / .0053 / .0037 px, another marker and no quantisation in those."""
    assert sd_px(side_px) == pytest.approx(published_px, rel=0.12)


def test_bound_scales_as_the_physics_says():
    assert sd_px(48, grey_sd=8.0) == pytest.approx(4.0 * sd_px(48), rel=0.05)
    halved = sd_px(48, black_grey=87.5, white_grey=162.5)
    assert halved == pytest.approx(2.0 * sd_px(48), rel=0.03)
    assert sd_px(48, blur_px=1.5) > 1.3 * sd_px(48)
    covariance = corner_bound_px2(square(48), FAMILY.artwork(7), **USUAL)
    np.testing.assert_allclose(covariance, covariance.T, atol=1e-15)
    assert np.linalg.eigvalsh(covariance)[0] > 0.0
