"""Blur, depth of field, light and noise of rendered pictures, against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from rendering_cases import (
    BLANK,
    FAMILY,
    LENSES,
    POSE,
    QUIET,
    SHARP,
    corner_of_a_hall,
    facing,
    one_marker,
    small_camera,
    white_panel,
)
from scipy.special import ndtr

from fiducialkit import render
from fiducialkit.imaging.backgrounds import Background
from fiducialkit.imaging.noise import Sensor, srgb_from_linear
from fiducialkit.imaging.optical_blur import Focus, blur_kernels
from fiducialkit.imaging.rendering import marker_body, render_bodies
from fiducialkit.imaging.rendering_settings import RenderSettings
from fiducialkit.scene.camera import Camera, CameraTiming


def edge_value(x, sd):
    """Return a pixel's share of light at x from a straight edge blurred by sd: the integral of Phi over the pixel."""

    def integral(z):
        return z * ndtr(z) + np.exp(-z * z / 2.0) / math.sqrt(2.0 * math.pi)

    return sd * (integral((x + 0.5) / sd) - integral((x - 0.5) / sd))


@pytest.mark.parametrize(("blur_px", "tolerance"), [(0.3, 0.0025), (0.5, 0.0005), (0.7, 0.0005), (1.5, 0.0002)])
def test_a_blurred_edge_has_its_closed_form(blur_px, tolerance):
    camera = Camera(width_px=60, height_px=20, fx_px=100.0, fy_px=100.0, cx_px=30.0, cy_px=10.0)
    settings = replace(BLANK, blur_px=blur_px)
    for edge_px in (30.0, 30.2, 30.37, 30.5, 30.81):
        row = render_bodies([white_panel((edge_px - 30.0) / 100.0, 2.0, -1.0, 1.0)], camera, settings).linear[10]
        np.testing.assert_allclose(row, edge_value(np.arange(60) - edge_px, blur_px), atol=tolerance)


@pytest.mark.parametrize("blur_px", [0.7, 1.3, 4.0])
def test_blur_kernels_keep_the_light(blur_px):
    even, first, second = blur_kernels(blur_px)
    assert even.sum() == pytest.approx(1.0, abs=1e-14)
    assert abs(first.sum()) < 1e-12
    assert abs(second.sum()) < 2e-5  # what the reach cuts off
    # variance of Gaussian, of the pixel that gives and of the one that takes: sd^2 + 1/12 + 1/12
    at = np.arange(len(even)) - len(even) // 2
    assert even @ at**2 == pytest.approx(blur_px**2 + 1.0 / 6.0, rel=5e-4)


def test_circle_of_confusion_at_the_hyperfocal_distance():
    # published figure: at F^2/(N c) + F (10.467 m for 50 mm, f/8, c = 0.03 mm; FACTS of any depth-of-field table)
    # infinity and half that distance are both blurred to c
    focal, f_number, circle_mm = 50.0, 8.0, 0.03
    hyperfocal_m = (focal**2 / (f_number * circle_mm) + focal) / 1000.0
    assert hyperfocal_m == pytest.approx(10.467, abs=5e-4)
    focus = Focus(focal_length_mm=focal, f_number=f_number, distance_m=hyperfocal_m, pixel_pitch_um=5.0)
    assert focus.circle_px(math.inf) == pytest.approx(circle_mm / 0.005, rel=1e-12)
    assert focus.circle_px(hyperfocal_m / 2.0) == pytest.approx(circle_mm / 0.005, rel=1e-12)
    assert focus.circle_px(hyperfocal_m) == 0.0


def test_an_edge_out_of_focus_is_as_wide_as_its_circle_says():
    camera = Camera(width_px=120, height_px=20, fx_px=100.0, fy_px=100.0, cx_px=60.0, cy_px=10.0)
    focus = Focus(focal_length_mm=4.0, f_number=2.0, distance_m=3.0, pixel_pitch_um=3.0, background_m=0.6)
    settings = replace(BLANK, blur_px=0.5, focus=focus)
    row = render_bodies([white_panel(0.0, 9.0, -9.0, 9.0, depth=0.6)], camera, settings).linear[10]
    at, slope = np.arange(1, 120) - 60.5, np.diff(row)
    variance = slope @ at**2 - (slope @ at) ** 2
    # thin lens: c = F^2 / N * |1/Z - 1/D| / (1 - F/D)
    circle_px = 0.004**2 / 2.0 * (1.0 / 0.6 - 1.0 / 3.0) / (1.0 - 0.004 / 3.0) / 3e-6
    assert circle_px > 2.0
    assert variance == pytest.approx(0.5**2 + circle_px**2 / 16.0 + 2.0 / 12.0, rel=0.002)


def test_depth_of_field_with_equal_blur_is_plain_blur():
    # focus at infinity with a pinhole-like stop: no circle anywhere, so both ways must give the same
    focus = Focus(focal_length_mm=4.0, f_number=1e9, distance_m=2.0, pixel_pitch_um=3.0)
    layout, camera = corner_of_a_hall(), small_camera("brown")
    settings = replace(SHARP, blur_px=0.7)
    plain = render(layout, camera, POSE, settings=settings).linear
    by_depth = render(layout, camera, POSE, settings=replace(settings, focus=focus)).linear
    assert np.abs(plain - by_depth).max() < 0.2


def test_vignetting_falls_with_the_fourth_power_of_the_cosine():
    camera = Camera.from_field_of_view(41, 31, 80.0)
    settings = replace(SHARP, vignetting="cos4")
    light = render_bodies([], camera, settings).linear
    middle = 187.5 * 0.45
    assert light[15, 20] == pytest.approx(middle)
    angle = math.atan(math.hypot(20.0, 15.0) / camera.fx_px)
    assert light[0, 0] == pytest.approx(middle * math.cos(angle) ** 4)
    by_polynomial = render_bodies([], camera, replace(SHARP, vignetting=(-0.3, 0.1))).linear
    q2 = (20.0**2 + 15.0**2) / (41.0**2 + 31.0**2) * 4.0
    assert by_polynomial[0, 0] == pytest.approx(middle * (1.0 - 0.3 * q2 + 0.1 * q2**2))


def test_a_lighting_gradient_runs_from_edge_to_edge():
    camera = Camera.from_field_of_view(50, 40, 80.0)
    light = render_bodies([], camera, replace(SHARP, light_gradient=(0.3, -0.1))).linear / (187.5 * 0.45)
    # one pixel is 1/50 of the change across; the middle between the two middle pixels has 1
    assert light[:, 1] - light[:, 0] == pytest.approx(np.full(40, 0.3 / 50.0))
    assert light[1, :] - light[0, :] == pytest.approx(np.full(50, -0.1 / 40.0))
    assert light.mean() == pytest.approx(1.0)
    dimmed = render(one_marker(0.7), camera, POSE, settings=replace(SHARP, light_gradient=(0.3, -0.1))).linear
    even = render(one_marker(0.7), camera, POSE, settings=SHARP).linear
    np.testing.assert_allclose(dimmed, even * light, rtol=1e-9)


def test_light_follows_exposure_and_gain():
    sensor = Sensor(electrons_per_s=2e6, read_sd_electrons=6.0, gain_grey_per_electron=0.02)
    settings = RenderSettings(sensor=sensor, blur_px=0.0)
    short, long = (small_camera(timing=CameraTiming(exposure_s=t)) for t in (0.002, 0.004))
    dim, bright = (render_bodies([], camera, settings).linear for camera in (short, long))
    assert dim[0, 0] == pytest.approx(2e6 * 0.002 * 0.02 * 0.45)
    np.testing.assert_allclose(bright, 2.0 * dim)


def test_contrast_comes_from_the_cameras_file():
    camera = Camera.from_field_of_view(100, 80, 60.0)
    body = marker_body(facing(0.5), FAMILY, 0, 0.4)
    picture = render_bodies([body], camera, RenderSettings(noise=QUIET, blur_px=0.0)).linear
    assert np.ptp(picture) == pytest.approx(camera.noise.contrast_grey)


def test_noise_of_a_picture_follows_its_light():
    # variance = read^2 + gain * signal, and 1/12 for the rounding; 4.5 standard errors of a variance
    sensor = Sensor(electrons_per_s=1.5e6, read_sd_electrons=8.0, gain_grey_per_electron=0.05)
    timing = CameraTiming(exposure_s=0.002)
    for reflectance in (0.1, 0.5, 0.9):
        camera = Camera.from_field_of_view(500, 400, 60.0, timing=timing)
        settings = RenderSettings(sensor=sensor, blur_px=0.0, background=Background(reflectance=reflectance))
        image = render_bodies([], camera, settings, seed=8).image.astype(float)
        signal = 1.5e6 * 0.002 * 0.05 * reflectance
        variance = (8.0 * 0.05) ** 2 + 0.05 * signal + 1.0 / 12.0
        assert image.mean() == pytest.approx(signal, abs=4.5 * math.sqrt(variance / image.size))
        assert image.var() == pytest.approx(variance, rel=4.5 * math.sqrt(2.0 / image.size))


def test_what_is_stored_comes_from_the_linear_picture():
    layout, camera = corner_of_a_hall(), small_camera()
    plain = render(layout, camera, POSE, settings=SHARP)
    np.testing.assert_array_equal(plain.image, np.rint(plain.linear))
    curved = render(layout, camera, POSE, settings=replace(SHARP, tone="srgb"))
    np.testing.assert_array_equal(curved.image, np.rint(srgb_from_linear(curved.linear)))
    packed = render(layout, camera, POSE, settings=replace(SHARP, jpeg_quality=85))
    content = cv2.imencode(".jpg", plain.image, [cv2.IMWRITE_JPEG_QUALITY, 85])[1]
    np.testing.assert_array_equal(packed.image, cv2.imdecode(content, cv2.IMREAD_GRAYSCALE))
    too_bright = render(layout, camera, POSE, settings=replace(SHARP, light_grey=400.0))
    assert too_bright.image.max() == 255 and too_bright.linear.max() == pytest.approx(340.0)


def test_vignetting_follows_the_angle_through_any_lens():
    for lens in LENSES:
        camera = small_camera(lens)
        light = render_bodies([], camera, replace(SHARP, vignetting="cos4")).linear / (187.5 * 0.45)
        points = np.array([[0.0, 0.0, 1.0], [0.3, -0.2, 1.0], [-0.4, 0.3, 1.0]])
        pixels, _ = camera.project(points)
        cosine = 1.0 / np.linalg.norm(points, axis=1)
        nearest = np.rint(pixels).astype(int)
        # half a pixel off the point asked for: the light changes by up to 4 tan(angle) / f a pixel
        np.testing.assert_allclose(light[nearest[:, 1], nearest[:, 0]], cosine**4, atol=0.05)
        inner, _ = camera.unproject(nearest.astype(float))
        exact = 1.0 / (1.0 + (inner**2).sum(axis=1)) ** 2
        np.testing.assert_allclose(light[nearest[:, 1], nearest[:, 0]], exact, rtol=1e-9)


def test_depth_of_field_blurs_each_body_by_its_own_distance():
    camera = Camera(width_px=200, height_px=60, fx_px=100.0, fy_px=100.0, cx_px=100.0, cy_px=30.0)
    focus = Focus(focal_length_mm=4.0, f_number=1.4, distance_m=0.8, pixel_pitch_um=3.0, background_m=1.5)
    settings = replace(BLANK, blur_px=0.4, focus=focus)
    # edges at 100 px (in focus) and at 140 px
    bodies = [white_panel(-0.5, 0.0, -9.0, 9.0, depth=0.8), white_panel(1.0, 2.0, -9.0, 9.0, depth=2.5)]
    row = render_bodies(bodies, camera, settings).linear[30]
    for edge_px, depth in ((100, 0.8), (140, 2.5)):
        at = np.arange(edge_px - 15, edge_px + 16)
        slope = np.diff(row)[at]
        slope = slope / slope.sum()
        variance = slope @ (at + 0.5 - edge_px) ** 2 - (slope @ (at + 0.5 - edge_px)) ** 2
        circle_px = 0.004**2 / 1.4 * abs(1.0 / depth - 1.0 / 0.8) / (1.0 - 0.004 / 0.8) / 3e-6
        assert variance == pytest.approx(0.4**2 + circle_px**2 / 16.0 + 2.0 / 12.0, rel=0.01)


def test_an_edge_in_focus_stays_sharp_before_a_blurred_background():
    camera = Camera(width_px=120, height_px=20, fx_px=100.0, fy_px=100.0, cx_px=60.0, cy_px=10.0)
    focus = Focus(focal_length_mm=4.0, f_number=1.4, distance_m=0.8, pixel_pitch_um=3.0)
    settings = replace(BLANK, blur_px=0.5, focus=focus, background=Background(reflectance=0.4))
    row = render_bodies([white_panel(0.0, 9.0, -9.0, 9.0, depth=0.8)], camera, settings).linear[10]
    np.testing.assert_allclose(row, 0.4 + 0.6 * edge_value(np.arange(120) - 60.0, 0.5), atol=0.001)
