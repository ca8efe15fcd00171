"""Backgrounds: their levels, that seeds decide them, and that clutter holds no marker."""

from __future__ import annotations

import numpy as np
import pytest

from fiducialkit import Background, Camera, InputError, RenderSettings, detect_markers
from fiducialkit.imaging.rendering import render_bodies


def test_an_even_background_is_its_reflectance():
    assert np.unique(Background(reflectance=0.3).reflectances(40, 30)).tolist() == [0.3]


def test_texture_has_the_mean_and_the_spread_asked_for():
    picture = Background(kind="textured", reflectance=0.5, contrast=0.4).reflectances(640, 480, seed=2)
    assert picture.shape == (480, 640)
    assert np.ptp(picture) == pytest.approx(0.4, rel=1e-5)
    assert abs(picture.mean() - 0.5) < 0.1
    # smooth: neighbours are alike
    assert np.abs(np.diff(picture, axis=1)).max() < 0.05


@pytest.mark.parametrize("kind", ["textured", "cluttered"])
@pytest.mark.parametrize("size", [(8, 8), (641, 359)])
def test_the_seed_decides(kind, size):
    background = Background(kind=kind)
    first, again, other = (background.reflectances(*size, seed=seed) for seed in (1, 1, 2))
    np.testing.assert_array_equal(first, again)
    assert (first != other).any()
    assert first.shape == size[::-1]
    assert first.min() >= 0.0 and first.max() <= 1.0


def test_clutter_has_edges_and_squares_but_no_marker_of_the_large_families():
    camera = Camera.from_field_of_view(1280, 720, 70.0)
    settings = RenderSettings(background=Background(kind="cluttered", clutter=300))
    for seed in range(3):
        image = render_bodies([], camera, settings, seed=seed).image
        steps = np.abs(np.diff(image.astype(int), axis=1))
        assert (steps > 25).sum() > 1000
        for family in ("36h11", "5X5_250", "6X6_250"):
            assert len(detect_markers(image, family)) == 0


def test_a_picture_of_ones_own_is_taken_as_it_is():
    own = np.linspace(0.0, 1.0, 600).reshape(20, 30)
    before = own.copy()
    np.testing.assert_array_equal(Background(picture=own).reflectances(30, 20), own)
    camera = Camera(width_px=30, height_px=20, fx_px=20.0, fy_px=20.0, cx_px=15.0, cy_px=10.0)
    settings = RenderSettings(background=Background(picture=own), blur_px=0.0, light_grey=200.0)
    np.testing.assert_allclose(render_bodies([], camera, settings).linear, 200.0 * own)
    np.testing.assert_array_equal(own, before)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Background(reflectance=1.2), "background.reflectance: expected 0 to 1, found 1.2"),
        (lambda: Background(reflectance="grey"), "background.reflectance: expected numbers, found str"),
        (lambda: Background(clutter=-1), "background.clutter: expected 0 to 100000, found -1"),
        (lambda: Background(picture=np.full((20, 30), 2.0)).reflectances(30, 20), "expected reflectances from 0 to 1"),
        (lambda: Background(picture=np.zeros((30, 20))).reflectances(30, 20), "expected shape"),
    ],
)
def test_mistakes_are_said_in_one_line(make, message):
    with pytest.raises(InputError, match=message):
        make()
