"""Codes read softly: what is read by hand-made levels, what is refused, how often chance passes, and what is found."""

from __future__ import annotations

import itertools
import math
import os

import numpy as np
import pytest
from marker_sheets import as_taken, clutter, count_right, random_squares, sheet_of, word_levels
from scenes import picture_of

from fiducialkit import Camera, detect_markers, draw_marker
from fiducialkit.imaging.decoding import decode_levels, decode_squares
from fiducialkit.imaging.detection import DetectorSettings
from fiducialkit.imaging.reading import read_squares
from fiducialkit.imaging.squares import squares_at_edges
from fiducialkit.scene.field import Marker
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.transforms import robot_from_camera_angles

IS_FULL = bool(os.environ.get("FIDUCIALKIT_FULL"))
FAMILY = marker_family("36h11")
SHARP_PX = 100.0
TOTAL_SD_PX = math.sqrt(0.7**2 + 0.25)  # blur .7, pixel 1/12, sampling 1/6
STRIP = Camera(width_px=640, height_px=360, fx_px=4000, fy_px=4000, cx_px=319.5, cy_px=179.5)


def read(levels, cell_px, family=FAMILY, **how):
    levels = np.asarray(levels, dtype=np.float64)
    return decode_levels(levels, np.full((len(levels), 2), cell_px), family, **how)


def with_wrong(words, places):
    """Return codes with the cells at those places turned."""
    turned = words.reshape(len(words), -1).copy()
    for row, where in enumerate(places):
        turned[row, list(where)] ^= True
    return turned.reshape(words.shape)


# --- sharp cells, by hand ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["36h11", "25h9", "16h5", "4X4_1000", "5X5_100", "6X6_250"])
def test_every_code_reads_as_itself_in_every_turn(name):
    family = marker_family(name)
    ids = np.unique(np.linspace(0, family.size - 1, 60).astype(int))
    bits = min(1, family.correction_bits)
    for turn in range(4):
        arts = np.stack([np.rot90(family.artwork(i), turn) for i in ids.tolist()])
        seen = read(40.0 + 150.0 * arts, SHARP_PX, family, bits=bits)
        assert seen.is_read.all()
        assert seen.marker_id.tolist() == ids.tolist()
        assert set(seen.turn.tolist()) == {turn}
        np.testing.assert_allclose(seen.wrong_bits, 0.0, atol=0.01)
        np.testing.assert_allclose(seen.contrast_grey, 150.0, rtol=0.01)
        np.testing.assert_allclose(seen.allowed_bits, bits + 0.4)


@pytest.mark.parametrize("wrong", [1, 2, 3, 5])
def test_wrong_bits_of_sharp_cells_are_counted(rng, wrong):
    ids = rng.integers(0, 587, 30)
    words = with_wrong(FAMILY.codes[ids], [rng.permutation(36)[:wrong] for _ in ids])
    seen = read(40.0 + 150.0 * np.pad(words, ((0, 0), (1, 1), (1, 1))), SHARP_PX)
    np.testing.assert_allclose(seen.wrong_bits, wrong, rtol=0.02)
    np.testing.assert_allclose(seen.contrast_grey, 150.0, rtol=0.01)


@pytest.mark.parametrize("bits", [0, 1, 2, 5])
def test_as_many_wrong_bits_as_stated_are_forgiven_and_no_more(rng, bits):
    ids = rng.integers(0, 587, 40)
    for wrong in range(6):
        places = [rng.permutation(36)[:wrong] for _ in ids]
        arts = np.pad(with_wrong(FAMILY.codes[ids], places), ((0, 0), (1, 1), (1, 1)))
        seen = read(40.0 + 150.0 * arts, SHARP_PX, bits=bits)
        assert seen.is_read.all() if wrong <= bits else not seen.is_read.any(), wrong
        assert not seen.is_read.any() or seen.marker_id.tolist() == ids.tolist()


def test_two_white_border_cells_an_inverted_a_mirrored_and_a_faint_marker_are_refused():
    art = FAMILY.artwork(42)
    open_border = art.copy()
    open_border[0, 3:5] = True
    levels = [40.0 + 150.0 * a for a in (art, open_border, ~art, art[:, ::-1])] + [40.0 + 5.0 * art]
    assert read(levels, SHARP_PX).is_read.tolist() == [True, False, False, False, False]


def test_levels_that_are_not_finite_are_not_read_and_no_squares_are_no_readings():
    levels = np.stack([40.0 + 150.0 * FAMILY.artwork(3)] * 2)
    levels[0, 2, 2] = np.nan
    assert read(levels, SHARP_PX).is_read.tolist() == [False, True]
    assert len(read(np.empty((0, 8, 8)), SHARP_PX).marker_id) == 0
    assert read_squares(np.zeros((50, 50), np.uint8), np.empty((0, 4, 2)), FAMILY) == []


# --- mixed cells ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("cell_px", [1.0, 1.25, 1.5, 2.5, 6.0])
def test_mixed_cells_are_predicted_as_the_integral_of_the_blur_has_them(rng, cell_px):
    """A second implementation makes the levels; nothing is left unexplained but the steps of the table of widths."""
    ids = rng.integers(0, 587, 50)
    seen = read(word_levels(FAMILY.codes[ids], cell_px / TOTAL_SD_PX), cell_px, blur_px=0.7)
    assert seen.marker_id.tolist() == ids.tolist()
    assert seen.wrong_bits.max() < 0.05
    assert seen.is_read.all()


def test_a_traced_marker_of_ten_pixels_is_read_between_its_true_corners():
    """From a picture: rays through every pixel, blur .7. With another blur more stays unexplained."""
    picture, truth = sheet_of(10.0, seed=3, camera=STRIP, grey_sd=0.0)
    ids, corners = list(truth), np.stack(list(truth.values()))
    right, wide = (decode_squares(picture, corners, FAMILY, blur_px=blur) for blur in (0.7, 1.2))
    assert right.marker_id.tolist() == ids
    assert right.is_read.all() and set(right.turn.tolist()) == {0}
    assert np.median(right.wrong_bits) < 0.1 < 0.3 < np.median(wide.wrong_bits)


def test_less_is_forgiven_where_cells_are_small():
    code = FAMILY.codes[:1]
    for cell_px, allowed in ((0.4, 0.0), (1.0, 0.325), (1.25, 0.467), (2.6, 1.236), (20.0, 1.4)):
        # by hand: 1.4 (.35 cell / .860 - .175), between 0 and 1.4
        np.testing.assert_allclose(
            read(word_levels(code, 3.0), cell_px, blur_px=0.7).allowed_bits, [allowed], atol=0.01
        )


@pytest.mark.parametrize(("side_px", "least"), [(8, 0.999), (10, 0.999), (12, 1.0), (20, 1.0), (60, 1.0)])
def test_every_two_wrong_bits_are_refused(side_px, least):
    """All 630 pairs of some codes. Below 12 px, neighbours turned against each other may blur into the code itself."""
    pairs = list(itertools.combinations(range(36), 2))
    passed = count = 0
    for marker_id in range(0, 587, 587 // (60 if IS_FULL else 6)):
        words = with_wrong(np.repeat(FAMILY.codes[marker_id : marker_id + 1], len(pairs), axis=0), pairs)
        for blur_px in (0.7, 0.8):  # the true one, and the one that is assumed
            seen = read(word_levels(words, side_px / 8.0 / TOTAL_SD_PX), side_px / 8.0, blur_px=blur_px)
            passed, count = passed + int(seen.is_read.sum()), count + len(words)
    assert 1.0 - passed / count >= least


@pytest.mark.parametrize("side_px", [8, 10, 16])
@pytest.mark.parametrize("wrong", [3, 4, 5])
def test_three_to_five_wrong_bits_are_refused_at_small_sizes(rng, side_px, wrong):
    ids = rng.integers(0, 587, 2000)
    words = with_wrong(FAMILY.codes[ids], [rng.permutation(36)[:wrong] for _ in ids])
    seen = read(word_levels(words, side_px / 8.0 / TOTAL_SD_PX), side_px / 8.0, blur_px=0.7)
    assert seen.is_read.mean() <= 0.0005


@pytest.mark.statistics
@pytest.mark.parametrize("side_px", [8, 10, 16, 60])
def test_random_words_pass_as_rarely_as_with_one_wrong_bit(side_px):
    """2348 (1 + 36) / 2^36 = 1.3e-6 by counting. Without the size term 1.6e-3 of words passed at 8 px, 1e-4 at 10."""
    count, chunk, passed = (10_000_000 if IS_FULL else 30_000), 5_000, 0
    rng = np.random.default_rng(10 + side_px)
    for _ in range(count // chunk):
        words = rng.integers(0, 2, (chunk, 6, 6))
        passed += int(read(word_levels(words, side_px / 8.0 / TOTAL_SD_PX), side_px / 8.0, blur_px=0.7).is_read.sum())
    expected = 1.3e-6 * count
    assert passed <= expected + 3.3 * math.sqrt(expected) + 1.5


# --- edges ------------------------------------------------------------------------------------------------------


def test_squares_move_to_their_edges(rng):
    picture, truth = sheet_of(40.0, seed=5, camera=STRIP)
    corners = np.stack(list(truth.values()))
    towards = corners.mean(axis=1, keepdims=True) - corners
    start = corners + 0.9 * towards / np.linalg.norm(towards, axis=2, keepdims=True) + rng.uniform(-0.2, 0.2, (1, 4, 2))
    before = start.copy()
    moved = squares_at_edges(picture, start, 8)
    assert np.sqrt(((moved - corners) ** 2).mean()) < 0.1 < 0.4 < np.sqrt(((start - corners) ** 2).mean())
    np.testing.assert_array_equal(start, before)


def test_squares_without_edges_stay():
    flat, square = np.full((60, 60), 90, np.uint8), np.array([[[20.0, 20], [40, 20], [40, 40], [20, 40]]])
    np.testing.assert_array_equal(squares_at_edges(flat, square, 8), square)
    point = np.zeros((1, 4, 2))
    np.testing.assert_array_equal(squares_at_edges(flat, point, 8), point)


# --- through the detector ---------------------------------------------------------------------------------------


@pytest.mark.statistics
@pytest.mark.parametrize(
    ("bar", "side_px", "how"),
    [
        (0.50, 8.0, {}),
        (0.95, 10.0, {}),
        (0.99, 12.0, {}),
        (0.97, 20.0, {"tilt_deg": 57.0}),
        (0.97, 20.0, {"blur_px": 1.2}),
        (0.97, 20.0, {"grey_black": 90.0, "grey_white": 130.0, "grey_sd": 4.0}),
    ],
)
def test_small_tilted_blurred_and_dim_markers_are_found(bar, side_px, how):
    """Simulation; the bar less 3.3 standard errors of the trials, at full size a thousand and more."""
    found = count = 0
    for seed in range(8 if IS_FULL else 1):
        picture, truth = sheet_of(side_px, seed=seed, **how)
        seen = detect_markers(picture, preset="full range")
        right, wrong = count_right(seen.marker_id.tolist(), seen.corners_px, truth)
        assert wrong == 0
        found, count = found + right, count + len(truth)
    assert found / count >= bar - 3.3 * math.sqrt(bar * (1.0 - bar) / count)


@pytest.mark.statistics
def test_nothing_is_found_where_there_is_no_marker():
    for seed in range(200 if IS_FULL else 6):
        assert len(detect_markers(as_taken(clutter(seed), seed), preset="full range")) == 0
    for seed, side_px in itertools.product(range(20 if IS_FULL else 1), (9, 14, 24)):
        picture, count = random_squares(side_px, seed)
        assert count > 200
        assert len(detect_markers(picture, preset="full range")) == 0


def test_full_range_gives_upright_corners_their_covariance_and_each_marker_once(rng):
    picture, truth = sheet_of(12.0, seed=8, camera=STRIP)
    seen = detect_markers(picture, preset="full range")
    assert seen.marker_id.tolist() == sorted(truth)
    errors = seen.corners_px - np.stack([truth[i] for i in sorted(truth)])
    assert np.sqrt((errors**2).mean()) < 0.08
    assert (np.linalg.eigvalsh(seen.covariance_px2)[:, 0] > 0.0).all()
    assert set(seen.notes) == {""}


@pytest.mark.parametrize("refinement", ["edges", "subpixel", "fitted"])
def test_every_refinement_finds_the_same(refinement):
    settings = DetectorSettings(refinement=refinement)
    picture, truth = sheet_of(40.0, seed=2, camera=STRIP)
    seen = detect_markers(picture, preset=settings)
    assert seen.marker_id.tolist() == sorted(truth)
    np.testing.assert_allclose(seen.corners_px, np.stack([truth[i] for i in sorted(truth)]), atol=0.7)


@pytest.mark.parametrize("side_px", [150.0, 300.0])
def test_large_markers_are_found_too(side_px):
    marker = Marker(marker_id=11, position=(4000 * 0.15 / side_px, 0, 0), facing_deg=180, roll_deg=20, size_m=0.15)
    camera = Camera(width_px=640, height_px=480, fx_px=4000, fy_px=4000, cx_px=319.5, cy_px=239.5)
    ahead = robot_from_camera_angles([0.0, 0.0, 0.0], 0.0, 0.0, 0.0)
    for seed, grey_sd in enumerate((1.0, 2.0, 4.0)):
        picture, truth = picture_of([marker], camera, ahead, seed=seed, grey_sd=grey_sd)
        seen = detect_markers(picture, preset="full range")
        assert seen.marker_id.tolist() == [11]
        np.testing.assert_allclose(seen.corners_px[0], truth[11], atol=0.3)


def test_drawn_marker_with_two_border_cells_is_read_with_two():
    picture = np.pad(draw_marker("36h11", 42, cell_px=3, margin_cells=1, border_cells=2), 20, constant_values=255)
    assert detect_markers(picture, preset="full range", border_cells=2).marker_id.tolist() == [42]
