"""A lens over one marker as a polynomial, beside the lens itself."""

from __future__ import annotations

import numpy as np
import pytest

from fiducialkit import Camera
from fiducialkit.imaging import selection_kernels
from fiducialkit.imaging.lens_patch import lens_patch, view_towards

SIZE = {"width_px": 1280, "height_px": 800, "cx_px": 639.5, "cy_px": 399.5}
LENSES = {
    "brown": Camera(fx_px=700.0, fy_px=702.0, distortion=(-0.3, 0.11, 1e-3, -5e-4), **SIZE),
    "rational": Camera(
        fx_px=600.0, fy_px=600.0, model="rational", distortion=(0.4, 0.05, 1e-4, 1e-4, 0.01, 0.75, 0.15, 0.02), **SIZE
    ),
    "fisheye": Camera(fx_px=420.0, fy_px=420.0, model="fisheye", distortion=(0.05, 0.01, -0.003, 5e-4), **SIZE),
}


def by_polynomial(patch, pixels):
    box, terms, coefficients = patch
    powers, bend = np.empty((2, selection_kernels.HIGHEST_POWER + 1)), np.empty(4)
    places, bends = [], []
    for x, y in pixels:
        selection_kernels._powers_of(x, y, box, powers)
        places.append(selection_kernels._without_lens(terms, coefficients, powers))
        selection_kernels._bend_of(box, terms, coefficients, powers, bend)
        bends.append(bend.copy())
    return np.array(places), np.array(bends)


@pytest.mark.parametrize(
    ("name", "side_px", "limit_px"),
    [(name, side_px, 2e-4) for name in LENSES for side_px in (20.0, 80.0)]
    # a marker across a third of the picture, out to its corner, where the lens bends most: the corners of the box only
    + [("brown", 250.0, 0.01), ("rational", 250.0, 0.2), ("fisheye", 250.0, 2e-3)],
)
def test_polynomial_is_the_lens(name, side_px, limit_px):
    """Second implementation: the camera's own inverse, at places that are not the polynomial's nodes."""
    lens, rng = LENSES[name], np.random.default_rng(1)
    for middle in ((639.0, 400.0), (250.0, 220.0), (1000.0, 600.0)):
        corners = np.array(middle) + side_px * np.array([[-0.5, -0.5], [0.5, -0.4], [0.6, 0.5], [-0.5, 0.6]])
        view = view_towards(corners, lens)
        patch = lens_patch(corners, side_px * 1.5 / 8, view)
        pixels = np.array(middle) + rng.uniform(-0.62, 0.62, (40, 2)) * side_px
        pixels = np.clip(pixels, 0.0, [1279.0, 799.0])
        places, bends = by_polynomial(patch, pixels)
        truth = view.undistorted(pixels)
        np.testing.assert_allclose(places, truth, atol=limit_px)
        for axis in range(2):
            step = np.zeros(2)
            step[axis] = 0.01
            numeric = (view.undistorted(pixels + step) - view.undistorted(pixels - step)) / 0.02
            np.testing.assert_allclose(bends[:, [axis, 2 + axis]], numeric, atol=max(1e-3, 0.1 * limit_px))


@pytest.mark.parametrize("name", LENSES)
def test_there_and_back_again(name):
    """Round trip; the derivatives against finite differences; a straight line of the world stays straight."""
    lens, middle = LENSES[name], np.array([250.0, 220.0])
    view = view_towards(middle + np.array([[-20.0, -20.0], [20.0, -20.0], [20.0, 20.0], [-20.0, 20.0]]), lens)
    pixels = np.random.default_rng(2).uniform(middle - 100.0, middle + 100.0, (30, 2))
    places = view.undistorted(pixels)
    back, slopes = view.distorted(places)
    np.testing.assert_allclose(back, pixels, atol=1e-6)
    for axis in range(2):
        step = np.zeros(2)
        step[axis] = 0.01
        numeric = (view.distorted(places + step)[0] - view.distorted(places - step)[0]) / 0.02
        np.testing.assert_allclose(slopes[:, :, axis], numeric, atol=1e-5)
    line = np.array([-0.6, -0.5, 1.0]) + np.linspace(0.0, 1.0, 5)[:, None] * np.array([0.3, 0.2, 0.4])
    seen = view.undistorted(lens.project(line)[0])
    along = (seen[-1] - seen[0]) / np.linalg.norm(seen[-1] - seen[0])
    assert np.abs((seen[1:-1] - seen[0]) @ [-along[1], along[0]]).max() < 1e-5


def test_no_lens_has_no_terms():
    square = np.array([[10.0, 10.0], [60.0, 10.0], [60.0, 60.0], [10.0, 60.0]])
    assert len(lens_patch(square, 10.0, None)[1]) == 0


def test_where_the_lens_does_not_reach_nothing_is_made_up():
    short = Camera(fx_px=420.0, fy_px=420.0, distortion=(-0.6, 0.0, 0.0, 0.0), **SIZE)
    square = np.array([[10.0, 10.0], [60.0, 10.0], [60.0, 60.0], [10.0, 60.0]])
    assert view_towards(square, short) is None
