"""The tests' own pictures: true corners against OpenCV, and grey levels that a pencil can check."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
from scenes import picture_of

from fiducialkit import Camera
from fiducialkit.scene.field import Marker
from fiducialkit.scene.markers import corners_of_square
from fiducialkit.scene.transforms import parts, robot_from_camera_angles

PLAIN = Camera(width_px=200, height_px=160, fx_px=400, fy_px=400, cx_px=99.5, cy_px=79.5)
LENSES = {
    "brown": dataclasses.replace(PLAIN, distortion=(-0.12, 0.04, 0.001, -0.002, -0.006)),
    "rational": dataclasses.replace(
        PLAIN, model="rational", distortion=(0.4, 0.05, 7e-4, -4e-4, 2e-3, 0.7, 0.12, 0.01)
    ),
    "fisheye": dataclasses.replace(PLAIN, model="fisheye", distortion=(0.03, -0.008, 0.002, -0.0005)),
}
AHEAD = robot_from_camera_angles([0.0, 0.0, 0.0], 0.0, 0.0, 0.0)  # the camera looks along the field's x


def marker(x_m=1.0, y_m=0.0, z_m=0.0, *, size_m=0.16, facing_deg=180.0, **angles) -> Marker:
    return Marker(marker_id=5, position=(x_m, y_m, z_m), size_m=size_m, facing_deg=facing_deg, **angles)


def opencv_corners(camera: Camera, camera_from_marker, size_m: float) -> np.ndarray:
    rotation, translation = parts(camera_from_marker)
    rvec = cv2.Rodrigues(rotation)[0]
    matrix = np.array([[camera.fx_px, 0, camera.cx_px], [0, camera.fy_px, camera.cy_px], [0, 0, 1.0]])
    project = cv2.fisheye.projectPoints if camera.model == "fisheye" else cv2.projectPoints
    points = corners_of_square(size_m).reshape(4, 1, 3)
    pixels, _ = project(points, rvec, translation.reshape(3, 1), matrix, np.array(camera.distortion))
    return pixels.reshape(4, 2)


@pytest.mark.parametrize("name", LENSES)
def test_true_corners_are_opencv_s_projection(name):
    one = marker(1.1, 0.06, 0.04, tilt_deg=20.0, roll_deg=33.0)
    _, truth = picture_of([one], LENSES[name], AHEAD, seed=1)
    expected = opencv_corners(LENSES[name], AHEAD.inv() * one.field_from_marker, one.size_m)
    np.testing.assert_allclose(truth[5], expected, atol=1e-6)


def test_edge_pixels_hold_their_share_of_black():
    """f / Z = 400: a marker of 0.16 m is 64 px; shifted 0.2 px to the right and 0.4 px down by -0.0005 m and -0.001 m.

    Its left edge lies at 99.5 - 32 + 0.2 = 67.7, which is 0.2 px past the border between the pixels 67 and 68, so pixel
    68 is white over 0.2 of its area. Sub-pixels of a quarter make that a multiple of 0.25.
    """
    picture, truth = picture_of(
        [marker(1.0, -0.0005, -0.001)], PLAIN, AHEAD, blur_px=0.0, grey_sd=0.0, grey_black=0, grey_white=200, seed=1
    )
    np.testing.assert_allclose(truth[5], [[67.7, 47.9], [131.7, 47.9], [131.7, 111.9], [67.7, 111.9]], atol=1e-9)
    row, column = picture[60], picture[:, 70]
    assert row[67] == 200
    assert row[68] == pytest.approx(0.2 * 200, abs=0.125 * 200)
    assert row[69] == 0
    # top edge at 47.9: 0.4 past the border between rows 47 and 48; bottom edge at 111.9 alike
    assert column[47] == 200
    assert column[48] == pytest.approx(0.4 * 200, abs=0.125 * 200)
    assert column[49] == 0
    assert column[111] == 0
    assert column[112] == pytest.approx(0.6 * 200, abs=0.125 * 200)
    assert column[113] == 200


def test_centre_of_the_black_is_the_centre_of_the_corners():
    """Moments over the whole square, all of it black: half a pixel in x or y would show as that.

    Turned by 17 degrees, so that the sub-pixels of a quarter average out along its edges.
    """
    for y_m, z_m in [(0.0, 0.0), (0.0004, 0.0009), (-0.0011, 0.0002), (0.0007, -0.0013)]:
        picture, truth = picture_of(
            [marker(1.0, y_m, z_m, roll_deg=17.0)], PLAIN, AHEAD, blur_px=0.0, grey_sd=0.0, grey_black=0, grey_white=0,
            background=200, margin_cells=0.0, seed=1,
        )  # fmt: skip
        weight = 200.0 - picture
        v, u = np.indices(picture.shape)
        centre = np.array([(weight * u).sum(), (weight * v).sum()]) / weight.sum()
        np.testing.assert_allclose(centre, truth[5].mean(axis=0), atol=0.02)
        assert weight.sum() / 200.0 == pytest.approx(64.0**2, rel=2e-3)


def test_bent_edges_follow_the_lens():
    """The middle of an edge, projected by OpenCV, is where the grey turns; a straight edge would be a pixel off."""
    lens = dataclasses.replace(PLAIN, distortion=(-0.3, 0.0, 0.0, 0.0), fx_px=200, fy_px=200)
    one = marker(1.0, 0.0, 0.0, size_m=0.7)
    picture, truth = picture_of([one], lens, AHEAD, blur_px=0.0, grey_sd=0.0, grey_black=0, grey_white=200, seed=1)
    matrix = np.array([[200, 0, 99.5], [0, 200, 79.5], [0, 0, 1.0]])
    middle = np.array([[[0.0, -0.35, 1.0]]])
    top = cv2.projectPoints(middle, np.zeros(3), np.zeros(3), matrix, np.array(lens.distortion))[0].ravel()
    column = picture[:, 99].astype(float)
    first_dark = np.flatnonzero(column[:60] < 200)[0]
    edge = first_dark - 0.5 + column[first_dark] / 200.0
    assert edge == pytest.approx(top[1], abs=0.13)  # sub-pixels of a quarter
    assert abs(top[1] - truth[5][:2, 1].mean()) > 1.0


def test_what_faces_away_or_is_hidden_or_cut_has_no_true_corners():
    wall = ((0.4, -0.2, -0.2), (0.5, 0.2, 0.2))
    picture, truth = picture_of([marker(1.0, facing_deg=0.0)], PLAIN, AHEAD, grey_sd=0.0, seed=1)
    assert truth == {}
    assert (picture == 120).all()
    hidden, truth = picture_of([marker()], PLAIN, AHEAD, grey_sd=0.0, seed=1, boxes=[wall])
    assert truth == {}
    assert (hidden == 120).all()
    cut, truth = picture_of([marker(1.0, 0.22)], PLAIN, AHEAD, grey_sd=0.0, seed=1)
    assert truth == {}
    assert (cut < 60).any()
    behind, truth = picture_of([marker(-1.0, facing_deg=0.0)], PLAIN, AHEAD, grey_sd=0.0, seed=1)
    assert truth == {}
    assert (behind == 120).all()


def test_noise_comes_from_the_seed_and_has_the_sd_it_says():
    pictures = [picture_of([], PLAIN, AHEAD, grey_sd=3.0, seed=seed)[0] for seed in (4, 4, 5)]
    np.testing.assert_array_equal(pictures[0], pictures[1])
    assert (pictures[0] != pictures[2]).any()
    # sd of 32000 pixels: 0.4 % standard error; rounding adds 1/12
    assert np.std(pictures[0].astype(float)) == pytest.approx(np.sqrt(9.0 + 1.0 / 12.0), rel=0.02)


def test_blur_widens_an_edge_by_its_sd():
    """An edge on the border of two pixels, at 35.5: its differences are the blur itself, whose variance is blur^2."""
    one = marker(1.0, size_m=0.32)
    picture, _ = picture_of(
        [one], PLAIN, AHEAD, blur_px=1.5, grey_sd=0.0, grey_black=0, grey_white=250, background=250, seed=1
    )
    slope = -np.diff(picture[25:30, 20:50].astype(float).mean(axis=0))
    place = np.arange(len(slope))
    middle = (slope * place).sum() / slope.sum()
    variance = (slope * (place - middle) ** 2).sum() / slope.sum()
    assert middle == pytest.approx(35.0 - 20.0, abs=0.01)  # between the pixels 35 and 36
    assert variance == pytest.approx(1.5**2, rel=0.02)
