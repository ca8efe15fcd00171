"""Why nothing was found: each reason on pictures made for it, the share told, and what must not be said.

Pictures are those of `scenes.picture_of` and `marker_sheets`, so the reason is known. A reason that needs a reading
must be right wherever it is given; what looks alike by eye only ("too small") is said where nothing is read.
"""

from __future__ import annotations

import functools
import math

import cv2
import numpy as np
import pytest
from marker_sheets import as_taken, clutter
from scenes import picture_of

from fiducialkit import Camera, detect_markers
from fiducialkit.imaging.explanation import chance_of_at_least
from fiducialkit.imaging.sharpness import edge_blur_px
from fiducialkit.scene.field import Marker
from fiducialkit.scene.transforms import robot_from_camera_angles

AHEAD = robot_from_camera_angles([0.0, 0.0, 0.0], 0.0, 0.0, 0.0)
CAMERA = Camera(width_px=480, height_px=320, fx_px=800, fy_px=800, cx_px=239.5, cy_px=159.5)
SIDES_PX = (24.0, 53.0, 90.0)
SEEDS = (1, 2, 3)


@functools.cache
def view(side_px, seed, **how):
    """Return a picture of two markers of that side, turned at random. It serves several tests: not to be changed."""
    rng, depth = np.random.default_rng(seed), 800 * 0.15 / side_px
    markers = [
        Marker(
            marker_id=int(rng.integers(30)),
            position=(depth, (239.5 - u) / 800 * depth, (159.5 - v) / 800 * depth),
            facing_deg=180.0 + rng.uniform(-25, 25),
            roll_deg=rng.uniform(0, 360),
            size_m=0.15,
        )
        for u, v in ((130 + rng.uniform(-5, 5), 160), (350 + rng.uniform(-5, 5), 160))
    ]
    return picture_of(markers, CAMERA, AHEAD, seed=seed, **how)[0]


def told(pictures, words, **how):
    """Return the share of pictures whose message holds the words; none may give a marker unwarned."""
    seen = [detect_markers(picture, **how) for picture in pictures]
    assert all("dark ring" in note for each in seen for note in each.notes)  # nothing, or with a warning
    return float(np.mean([words in each.message for each in seen]))


def views(**how):
    return [view(side_px, seed, **how) for side_px in SIDES_PX for seed in SEEDS]


def test_a_mirrored_picture_is_told():
    """Field report: a driver that mirrors its stream; the codes are chiral, so nothing is ever read."""
    assert told([np.ascontiguousarray(p[:, ::-1]) for p in views()], "the picture is mirrored") == 1.0


def test_white_on_black_is_told():
    assert told([255 - p for p in views()], "the markers are white on black") == 1.0


@pytest.mark.parametrize("family", ["36h11", "25h9", "16h5", "4X4_50", "5X5_100", "6X6_250", "ARUCO_MIP_36h12"])
def test_another_family_is_named(family):
    """Field report: the dictionary of an older script."""
    asked = "36h11" if family != "36h11" else "4X4_50"
    # the first ids are those of the smaller dictionary of the same cells too
    smallest = {"36h11": "APRILTAG_36h11", "25h9": "APRILTAG_25h9", "16h5": "APRILTAG_16h5", "5X5_100": "5X5_50"}
    name = smallest.get(family, "6X6_50" if family == "6X6_250" else family)
    assert told(views(family=family), f"the markers are of another family: {name} (2 read)", family=asked) >= 0.9


@pytest.mark.parametrize(("printed", "asked"), [(2, 1), (1, 2), (3, 1)])
def test_another_border_is_told(printed, asked):
    """Field report: two border cells read as one gave corners on an inner ring, 10-20 % too far."""
    words = f"have a black border of {printed} cell{'s' if printed > 1 else ''}, not of {asked}"
    assert told(views(border_cells=printed), words, border_cells=asked) >= 0.85


def test_a_missing_white_margin_is_told():
    """On a wall as black as the border."""
    pictures = [view(side_px, seed, margin_cells=0.0, background=40.0) for side_px in (53.0, 90.0) for seed in SEEDS]
    assert told(pictures, "without a white margin") == 1.0


def test_markers_that_are_too_small_are_told():
    pictures = [view(side_px, seed) for side_px in (5.0, 6.0) for seed in range(6)]
    seen = [detect_markers(picture) for picture in pictures]
    assert all(len(each) == 0 for each in seen)
    said = [each.message for each in seen if "squares found" in each.message]
    assert len(said) >= 4  # such small ones are not always seen as squares
    assert all("and a marker needs about 9" in each for each in said)


def test_a_blurred_picture_is_told():
    pictures = [view(60.0, seed, blur_px=5.0) for seed in range(6)]
    assert told(pictures, "the picture is blurred") >= 0.8
    assert told([as_taken(clutter(seed, 480, 320, boxes=60), seed) for seed in range(6)], "blurred") == 0.0


@pytest.mark.parametrize("axis", [0, 1])
def test_motion_blur_is_told(axis):
    """Smeared over 25 px, three cells, along rows or columns."""
    kernel = np.ones((1, 25) if axis else (25, 1)) / 25.0
    pictures = [cv2.filter2D(view(60.0, seed), -1, kernel) for seed in range(6)]
    assert told(pictures, "the picture is blurred") >= 0.6


@pytest.mark.parametrize("sd_px", [0.7, 1.5, 3.0, 5.0])
def test_blur_of_straight_edges_is_measured(sd_px):
    """Upright stripes under a Gaussian of known sd, and noise 2; the pixel's own area adds little."""
    canvas = np.repeat(np.repeat(np.array([[40.0, 190.0] * 4]), 200, axis=0), 40, axis=1)
    picture = as_taken(canvas, 1, blur_px=sd_px)
    across, down = edge_blur_px(picture, 2.0)
    assert across == pytest.approx(sd_px, rel=0.25, abs=0.1)
    assert math.isnan(down)  # there is no edge that way
    np.testing.assert_allclose(edge_blur_px(picture.T.copy(), 2.0)[1], across)


def test_dark_and_faint_pictures_are_told():
    assert told([view(50.0, s, grey_black=8, grey_white=14, background=10, grey_sd=2) for s in SEEDS], "dark") == 1.0
    assert told([view(50.0, s, grey_black=120, grey_white=125, grey_sd=2) for s in SEEDS], "faint") == 1.0


def test_clutter_gives_no_reason_that_needs_a_reading():
    """The control: 40 cluttered pictures without markers."""
    for seed in range(40):
        message = detect_markers(as_taken(clutter(seed, 640, 360, boxes=120), seed)).message
        for words in ("mirrored", "white on black", "another family", "border", "margin", "blurred", "dark", "faint"):
            assert words not in message, (seed, message)
        assert message.startswith("squares found (")


def test_an_empty_picture_shows_no_square():
    assert detect_markers(np.full((100, 100), 128, dtype=np.uint8)).message.startswith("no square found")


def test_ordinary_pictures_are_not_explained():
    assert {detect_markers(picture).message for picture in views()} == {""}


def test_chance_of_at_least_by_hand():
    """With 2 expected: none with exp(-2), one with 2 exp(-2); nothing expected, nothing comes."""
    none = math.exp(-2.0)
    assert chance_of_at_least(0, 2.0) == 1.0
    assert chance_of_at_least(1, 2.0) == pytest.approx(1.0 - none, rel=1e-12)
    assert chance_of_at_least(2, 2.0) == pytest.approx(1.0 - 3.0 * none, rel=1e-12)
    assert chance_of_at_least(3, 1e-3) == pytest.approx(1e-9 / 6.0, rel=1e-3)
    assert chance_of_at_least(1, 0.0) == 0.0
