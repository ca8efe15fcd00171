"""Noise against its formula, the tone curve against its standard, and what storing does to grey levels."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from fiducialkit import InputError
from fiducialkit.imaging.noise import PixelNoise, Sensor, linear_from_srgb, srgb_from_linear, stored_picture


@pytest.mark.parametrize("gain", [0.0, 0.05, 0.4])
@pytest.mark.parametrize("signal", [0.0, 40.0, 190.0])
def test_variance_is_read_noise_and_photon_noise(signal, gain):
    noise = PixelNoise(read_sd_grey=1.5, gain_grey_per_electron=gain)
    count = 200_000
    drawn = noise.added_to(np.full(count, signal), seed=31)
    variance = 1.5**2 + gain * signal
    assert noise.variance(signal) == pytest.approx(variance)
    # 4.5 standard errors: of a mean sd / sqrt(n), of a variance sqrt(2 / n)
    assert drawn.mean() == pytest.approx(signal, abs=4.5 * math.sqrt(variance / count))
    assert drawn.var() == pytest.approx(variance, rel=4.5 * math.sqrt(2.0 / count))


def test_noise_has_no_memory_from_pixel_to_pixel():
    drawn = PixelNoise(read_sd_grey=2.0).added_to(np.zeros((400, 500)), seed=5)
    for shift in ((0, 1), (1, 0), (1, 1)):
        product = (drawn * np.roll(drawn, shift, axis=(0, 1))).mean()
        assert abs(product) < 4.5 * 4.0 / math.sqrt(drawn.size)


def test_the_same_seed_gives_the_same_noise_and_the_signal_stays():
    signal = np.linspace(0.0, 255.0, 1000).reshape(20, 50)
    before = signal.copy()
    noise = PixelNoise(read_sd_grey=2.0, gain_grey_per_electron=0.1)
    np.testing.assert_array_equal(noise.added_to(signal, 3), noise.added_to(signal, 3))
    assert (noise.added_to(signal, 3) != noise.added_to(signal, 4)).any()
    np.testing.assert_array_equal(signal, before)


def test_no_noise_leaves_the_signal():
    signal = np.array([[0.0, 100.25]])
    silent = PixelNoise(read_sd_grey=0.0)
    np.testing.assert_array_equal(silent.added_to(signal, 1), signal)
    assert silent.added_to(signal, 1) is not signal


def test_light_exposure_and_gain_by_hand():
    # 1e6 electrons a second for 5 ms: 5000 electrons; at 0.03 grey levels each: 150
    sensor = Sensor(electrons_per_s=1e6, read_sd_electrons=10.0, gain_grey_per_electron=0.03)
    assert sensor.light_grey(0.005) == pytest.approx(150.0)
    # photon noise sqrt(5000) electrons = 2.1213 grey, read noise 10 electrons = 0.3 grey
    assert sensor.pixel_noise.variance(150.0) == pytest.approx(0.03**2 * 5000.0 + 0.3**2)
    # twice the gain at half the exposure: as bright, and noisier by sqrt 2 (photons alone)
    faster = Sensor(electrons_per_s=1e6, read_sd_electrons=0.0, gain_grey_per_electron=0.06)
    slower = Sensor(electrons_per_s=1e6, read_sd_electrons=0.0, gain_grey_per_electron=0.03)
    assert faster.light_grey(0.0025) == pytest.approx(slower.light_grey(0.005))
    ratio = faster.pixel_noise.variance(150.0) / slower.pixel_noise.variance(150.0)
    assert ratio == pytest.approx(2.0)


def test_tone_curve_of_the_standard():
    # IEC 61966-2-1: 12.92 c up to 0.0031308, 1.055 c^(1/2.4) - 0.055 above; by hand: c = 0.25 gives 0.537099
    assert srgb_from_linear(0.002 * 255.0) == pytest.approx(0.02584 * 255.0)
    assert srgb_from_linear(0.25 * 255.0) == pytest.approx(0.537099 * 255.0, abs=2e-4)
    # the two parts meet to the standard's own rounding
    below, above = srgb_from_linear(np.array([0.0031307, 0.0031309]) * 255.0)
    assert above - below == pytest.approx(0.0, abs=2e-3)
    grey = np.linspace(0.0, 255.0, 512)
    np.testing.assert_allclose(linear_from_srgb(srgb_from_linear(grey)), grey, atol=1e-4)
    assert (np.diff(srgb_from_linear(grey)) > 0.0).all()


def test_storing_rounds_and_clips():
    light = np.array([[-3.0, 0.4, 0.6, 254.4, 254.6, 300.0]] * 8)
    assert stored_picture(light)[0].tolist() == [0, 0, 1, 254, 255, 255]
    assert stored_picture(light).dtype == np.uint8
    assert light[0, 0] == -3.0
    flat = np.full((100, 100), 99.3) + np.random.default_rng(3).uniform(-0.5, 0.5, (100, 100))
    assert stored_picture(flat).mean() == pytest.approx(99.3, abs=0.02)


def test_a_jpeg_loses_little_at_95_and_much_at_10():
    picture = np.kron((np.indices((8, 8)).sum(axis=0) % 2) * 150.0 + 40.0, np.ones((7, 7)))
    fine, coarse = (stored_picture(picture, jpeg_quality=quality).astype(float) for quality in (95, 10))
    assert 0.0 < np.abs(fine - picture).max() < 15.0
    assert np.abs(coarse - picture).max() > np.abs(fine - picture).max()
    again = cv2.imdecode(
        cv2.imencode(".jpg", stored_picture(picture), [cv2.IMWRITE_JPEG_QUALITY, 95])[1], cv2.IMREAD_GRAYSCALE
    )
    np.testing.assert_array_equal(fine, again)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: PixelNoise(read_sd_grey=-1.0), "noise.read_sd_grey: expected a number from 0 up, found -1.0"),
        (lambda: PixelNoise(gain_grey_per_electron=math.inf), "noise.gain_grey_per_electron: expected a number"),
        (
            lambda: Sensor(electrons_per_s=0.0, read_sd_electrons=1.0, gain_grey_per_electron=1.0),
            "sensor.electrons_per_s: expected a number above 0, found 0.0",
        ),
        (lambda: PixelNoise(read_sd_grey="2"), "noise.read_sd_grey: expected numbers, found str"),
        (lambda: stored_picture(np.zeros((8, 8)), tone="film"), "tone: expected linear or srgb, found 'film'"),
        (lambda: stored_picture(np.zeros((8, 8)), jpeg_quality=101), "jpeg_quality: expected a whole number"),
    ],
)
def test_mistakes_are_said_in_one_line(make, message):
    with pytest.raises(InputError, match=message):
        make()
