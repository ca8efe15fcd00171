"""Dark squares of a picture: outlines by hand and against OpenCV, corners, thresholds, noise."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from marker_sheets import as_taken, clutter, sheet_of

from fiducialkit import Camera
from fiducialkit.imaging import square_kernels
from fiducialkit.imaging.detection import DetectorSettings
from fiducialkit.imaging.squares import cell_sizes_px, find_squares, noise_sd_grey, slants, widths_px

STRIP = Camera(width_px=640, height_px=360, fx_px=4000, fy_px=4000, cx_px=319.5, cy_px=179.5)


def outline(dark):
    """Return the outline of the first dark region by the kernel, as (N, 2) places."""
    _, width = dark.shape
    offsets = np.array([-1, -width - 1, -width, 1 - width, 1, width + 1, width, width - 1])
    flat, points = np.ascontiguousarray(dark).reshape(-1), np.empty(20_000, dtype=np.int64)
    count = square_kernels.trace(flat, int(flat.argmax()), offsets, np.zeros(flat.size, np.uint8), points)
    return np.column_stack([points[:count] % width, points[:count] // width])


def test_outline_of_three_pixels_by_hand():
    dark = np.zeros((5, 6), np.uint8)
    dark[1, 2] = dark[2, 3] = dark[2, 1] = 1
    # a roof: from its ridge down to the right, back over the ridge, down to the left
    assert outline(dark).tolist() == [[2, 1], [3, 2], [2, 1], [1, 2]]


def test_outlines_are_opencv_s(rng):
    """A second implementation: its outer outlines of the same regions, begun elsewhere and turned the other way."""
    for _ in range(30):
        blob = cv2.GaussianBlur(rng.normal(size=(40, 50)), (0, 0), 2.0) > 0.05
        blob[[0, -1]], blob[:, [0, -1]] = False, False
        _, labels = cv2.connectedComponents(blob.astype(np.uint8), connectivity=8)
        first = (labels == labels.reshape(-1)[blob.reshape(-1).argmax()]).astype(np.uint8)
        (theirs,), _ = cv2.findContours(first, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        ours = outline(first)
        if first.sum() == 1:
            assert len(ours) == 0  # a single pixel is no square
            continue
        assert set(map(tuple, ours.tolist())) == set(map(tuple, theirs.reshape(-1, 2).tolist()))


def turned_box(u, v, width, height, turn_deg):
    corners = cv2.boxPoints(((u, v), (width, height), turn_deg))
    fine = np.full((960, 1280), 190.0)
    cv2.fillPoly(fine, [np.rint((corners + 0.5) * 8 - 0.5).astype(np.int32)], 40.0)
    return as_taken(cv2.resize(fine, (160, 120), interpolation=cv2.INTER_AREA), 1), corners


@pytest.mark.parametrize("turn_deg", [0.0, 10.0, 30.0, 45.0, 80.0])
@pytest.mark.parametrize(("width", "height"), [(60, 60), (60, 25), (12, 12), (8, 8)])
def test_dark_box_is_found_where_it_is(width, height, turn_deg):
    picture, corners = turned_box(80.3, 60.7, width, height, turn_deg)
    squares = find_squares(picture, DetectorSettings())
    near = squares[np.linalg.norm(squares.mean(axis=1) - (80.3, 60.7), axis=1) < 1.5]
    turns = np.stack([np.roll(near, k, axis=1) for k in range(4)])
    assert np.abs(turns - corners).max(axis=(2, 3)).min() < 1.5
    following = np.roll(near, -1, axis=1)
    area = (near[..., 0] * following[..., 1] - following[..., 0] * near[..., 1]).sum(axis=1)
    assert (area > 0.0).all()  # clockwise, y being down


def test_discs_triangles_and_lines_are_no_squares():
    canvas = np.full((200, 300), 190.0)
    cv2.circle(canvas, (60, 60), 30, 40.0, -1)
    cv2.fillPoly(canvas, [np.array([[150, 20], [200, 100], [110, 90]], np.int32)], 40.0)
    cv2.line(canvas, (20, 180), (280, 130), 40.0, 3)
    squares = find_squares(as_taken(canvas, 3), DetectorSettings())
    assert (widths_px(squares) < 15.0).all()


def test_spur_at_a_corner_is_cut_off():
    """What touches a square touches it at a corner: sides are straight lines through the rest of the outline."""
    dark = np.zeros((60, 70), np.uint8)
    dark[20:40, 20:40] = 1
    for k in range(4):
        dark[19 - k, 40 + k] = 1
    squares = np.empty((5, 4, 2))
    assert square_kernels.square_outlines(dark, 4.0, squares) == 1
    expected = np.array([[20.0, 20.0], [39.0, 20.0], [39.0, 39.0], [20.0, 39.0]])
    turns = np.stack([np.roll(squares[0], k, axis=0) for k in range(4)])
    assert np.abs(turns - expected).max(axis=(1, 2)).min() < 1.0


def test_full_list_of_squares_ends_the_search():
    dark = np.zeros((60, 70), np.uint8)
    for x in (5, 25, 45):
        dark[20:32, x : x + 12] = 1
    squares = np.empty((2, 4, 2))
    assert square_kernels.square_outlines(dark, 4.0, squares) == 2


@pytest.mark.parametrize("sd", [0.5, 1.0, 2.0, 4.0, 8.0])
def test_noise_is_measured_under_clutter_too(sd):
    flat = as_taken(np.full((200, 300), 120.3), 1, grey_sd=sd)
    assert noise_sd_grey(flat) == pytest.approx(sd, rel=0.1, abs=0.15)  # quantisation adds 1/12
    assert noise_sd_grey(as_taken(clutter(3), 3, grey_sd=sd)) == pytest.approx(sd, rel=0.2, abs=0.25)


def test_cell_sizes_widths_and_slants_by_hand():
    upright = np.array([[[0.0, 0.0], [16.0, 0.0], [16.0, 8.0], [0.0, 8.0]]])
    np.testing.assert_allclose(cell_sizes_px(upright, 8), [[2.0, 1.0]])
    np.testing.assert_allclose(widths_px(upright), [8.0])
    np.testing.assert_allclose(slants(upright), [0.0], atol=1e-12)
    # a rhombus of side 8 and 60 degrees: heights 8 sin 60, cosine .5
    rhombus = np.array([[[0.0, 0.0], [8.0, 0.0], [12.0, 4.0 * np.sqrt(3.0)], [4.0, 4.0 * np.sqrt(3.0)]]])
    np.testing.assert_allclose(cell_sizes_px(rhombus, 8), [[np.sqrt(0.75), np.sqrt(0.75)]])
    np.testing.assert_allclose(slants(rhombus), [-0.5])


def test_looks_for_clear_squares_add_what_texture_hides():
    rng = np.random.default_rng(4)
    background = cv2.GaussianBlur(rng.normal(120.0, 60.0, (360, 640)), (0, 0), 0.7)
    picture, truth = sheet_of(24.0, seed=6, camera=STRIP, background=background, margin_cells=0.7)
    centres = np.array([each.mean(axis=0) for each in truth.values()])

    def share(settings):
        found = find_squares(picture, settings).mean(axis=1)
        return float(np.mean([np.linalg.norm(found - each, axis=1).min(initial=99.0) < 2.0 for each in centres]))

    assert share(DetectorSettings()) >= max(0.8, share(DetectorSettings(clear_windows_px=())))
