"""The camera: what it refuses, other picture sizes, fields of view."""

from __future__ import annotations

import math
from dataclasses import FrozenInstanceError

import numpy as np
import pytest

from fiducialkit import Camera, InputError
from fiducialkit.scene.camera import CameraNoise, CameraTiming

COMMON = {
    "width_px": 1280,
    "height_px": 960,
    "fx_px": 800.0,
    "fy_px": 800.0,
    "cx_px": 639.5,
    "cy_px": 479.5,
}


def camera(**changes: object) -> Camera:
    return Camera(**(COMMON | changes))


# field of view


def test_field_of_view_of_the_small_picture_format() -> None:
    # source: pinhole 2 atan(w / 2f), photographic tables for 36 x 24 mm at 50 mm: 39.598 x 26.991 degrees
    per_mm = 100
    lens = Camera(
        width_px=36 * per_mm, height_px=24 * per_mm, fx_px=50 * per_mm, fy_px=50 * per_mm, cx_px=1799.5, cy_px=1199.5
    )
    assert lens.field_of_view_deg == pytest.approx((39.598, 26.991), abs=5e-4)


def test_from_field_of_view_is_its_inverse() -> None:
    lens = Camera.from_field_of_view(1280, 800, 90.0)
    assert lens.fx_px == pytest.approx(640.0)
    assert (lens.cx_px, lens.cy_px) == (639.5, 399.5)
    assert lens.field_of_view_deg[0] == pytest.approx(90.0)
    assert Camera.from_field_of_view(3600, 2400, 39.598).fx_px == pytest.approx(5000.0, rel=2e-5)


@pytest.mark.parametrize("value", [0.5, 171.0, math.nan, -60.0])
def test_from_field_of_view_refuses_what_no_pinhole_has(value: float) -> None:
    with pytest.raises(InputError, match="horizontal_fov_deg: expected 1 to 170"):
        Camera.from_field_of_view(1280, 800, value)


# another size


def test_half_the_size_worked_by_hand() -> None:
    # pixel centres at whole numbers: (639.5 + 0.5) / 2 - 0.5 = 319.5
    half = camera(noise=CameraNoise(blur_px=0.8), timing=CameraTiming(row_time_s=1e-5)).scaled(640, 480)
    assert (half.fx_px, half.fy_px, half.cx_px, half.cy_px) == (400.0, 400.0, 319.5, 239.5)
    assert (half.width_px, half.height_px) == (640, 480)
    assert half.noise.blur_px == pytest.approx(0.4)
    # the sensor is read out in the same time, by half as many rows
    assert half.timing.row_time_s == pytest.approx(2e-5)


def test_a_scaled_camera_sees_the_same_directions() -> None:
    full = camera(distortion=(-0.2, 0.05, 0.001, -0.002), cx_px=651.0, cy_px=470.0)
    double = full.scaled(2560, 1920)
    points = np.random.default_rng(1).uniform([-0.5, -0.4, 1.0], [0.5, 0.4, 1.5], (50, 3))
    # a place at u in units of the first pixel's outer corner, u + 0.5, doubles
    assert double.project(points)[0] + 0.5 == pytest.approx(2.0 * (full.project(points)[0] + 0.5))
    assert double.valid_radius == full.valid_radius
    back = double.scaled(1280, 960)
    assert (back.fx_px, back.cx_px, back.cy_px) == pytest.approx((full.fx_px, full.cx_px, full.cy_px))


def test_range_is_right_when_the_resolution_changed_after_calibration() -> None:
    # A25: corners of a 640x480 picture with the camera of 1280x960. True place (0.2, 0.1, 1.2); taking the big
    # picture's focal length instead puts the marker at about twice the range, (-0.78, -0.64, 2.46).
    size_m, place = 0.165, np.array([0.2, 0.1, 1.2])
    square = np.array([[-0.5, -0.5, 0], [0.5, -0.5, 0], [0.5, 0.5, 0], [-0.5, 0.5, 0]]) * size_m + place
    seen = camera().scaled(640, 480).project(square)[0]

    def place_from_side(lens: Camera) -> np.ndarray:
        directions = lens.unproject(seen)[0]
        depth = size_m / np.linalg.norm(directions[1] - directions[0])  # facing: width / depth
        return np.append(directions.mean(axis=0), 1.0) * depth

    assert place_from_side(camera().for_picture(640, 480)) == pytest.approx(place)
    assert place_from_side(camera())[2] == pytest.approx(2 * 1.2)
    assert place_from_side(camera())[:2] == pytest.approx([-0.78, -0.64], abs=0.05)


@pytest.mark.parametrize("size", [(1280, 720), (640, 481), (960, 1280), (0, 480), (640, 0), (-640, -480)])
def test_another_shape_is_refused(size: tuple[int, int]) -> None:
    with pytest.raises(InputError) as caught:
        camera(name="front").for_picture(*size)
    assert "expected" in str(caught.value)
    assert str(size[0]) in str(caught.value)


def test_the_refusal_says_how_a_cropped_picture_is_declared() -> None:
    with pytest.raises(InputError, match=r"shape of 1280x960 \(camera 'front'\), found 1280x720; .* offset"):
        camera(name="front").for_picture(1280, 720)


def test_for_picture_of_its_own_size_is_the_camera_itself() -> None:
    lens = camera()
    assert lens.for_picture(1280, 960) is lens


def test_cropping_moves_the_principal_point() -> None:
    full = camera(distortion=(-0.2, 0.05, 0.0, 0.0))
    part = full.cropped(100, 50, 800, 600)
    assert (part.cx_px, part.cy_px, part.width_px, part.height_px) == (539.5, 429.5, 800, 600)
    points = [[0.1, -0.05, 1.0], [0.3, 0.2, 2.0]]
    assert part.project(points)[0] == pytest.approx(full.project(points)[0] - [100, 50])


@pytest.mark.parametrize("crop", [(-1, 0, 100, 100), (0, -1, 100, 100), (1200, 0, 100, 100), (0, 900, 100, 100)])
def test_a_crop_outside_the_picture_is_refused(crop: tuple[int, int, int, int]) -> None:
    with pytest.raises(InputError, match="crop: expected a part of 1280x960"):
        camera().cropped(*crop)


# in the picture


def test_the_picture_reaches_from_its_first_to_its_last_pixel_centre() -> None:
    pixels = [[0, 0], [1279, 959], [-0.01, 5], [5, 959.01], [math.nan, 3]]
    assert camera().in_picture(pixels).tolist() == [True, True, False, False, False]
    assert camera().in_picture([[3, 3], [2.9, 3], [1276, 956], [1276.1, 956]], inset_px=3).tolist() == [
        True,
        False,
        True,
        False,
    ]


# refusals


@pytest.mark.parametrize(
    ("model", "counts"),
    [("brown", (0, 4, 5)), ("rational", (8,)), ("fisheye", (4,))],
    ids=["brown", "rational", "fish"],
)
def test_the_number_of_coefficients_must_fit_the_model(model: str, counts: tuple[int, ...]) -> None:
    for count in range(13):
        distortion = (1e-3,) * count
        if count in counts:
            assert camera(model=model, distortion=distortion).distortion == distortion
        else:
            with pytest.raises(InputError, match=rf"distortion: expected .* coefficients for {model}, found {count}"):
                camera(model=model, distortion=distortion)


@pytest.mark.parametrize("model", [0, 1, 4, 32768, None, "Brown", "plumb", ["brown"]])
def test_a_model_is_a_name_never_a_number(model: object) -> None:
    # A3: enum numbers move between versions and then silently mean something else
    with pytest.raises(InputError, match="model: expected one of brown, rational, fisheye, found"):
        camera(model=model)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"width_px": 0}, "width_px: expected a whole number"),
        ({"width_px": 1280.5}, "width_px: expected a whole number"),
        ({"height_px": "960"}, "height_px: expected a whole number"),
        ({"height_px": None}, "height_px: expected a whole number"),
        ({"height_px": math.nan}, "height_px: expected a whole number"),
        ({"height_px": math.inf}, "height_px: expected a whole number"),
        ({"height_px": True}, "height_px: expected a whole number"),
        ({"fx_px": math.nan}, "fx_px: expected finite numbers"),
        ({"fx_px": -800.0}, "fx_px, fy_px: expected focal lengths above 1 px"),
        ({"fy_px": 0.8}, "fx_px, fy_px: expected focal lengths above 1 px"),
        ({"cx_px": 639_500_000.0}, "cx_px: expected within 100000 px, found 6.395e+08"),
        ({"cx_px": "middle"}, "cx_px: expected numbers"),
        ({"cx_px": (1.0, 2.0)}, "cx_px: expected one number, found shape (2,)"),
        ({"distortion": (0.1, math.inf, 0, 0)}, "distortion: expected finite numbers"),
        ({"distortion": None}, "distortion: expected"),
    ],
)
def test_what_is_no_camera_is_refused(changes: dict[str, object], message: str) -> None:
    with pytest.raises(InputError) as caught:
        camera(**changes)
    assert str(caught.value).startswith(message)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"detector": "other"}, "noise.detector: expected stock, fitted or measured"),
        ({"detector": "measured"}, "noise.corner_sd_px: expected with detector 'measured'"),
        ({"corner_sd_px": 0.2}, "noise.corner_sd_px: expected with detector 'measured'"),
        ({"detector": "measured", "corner_sd_px": 0.0}, "noise.corner_sd_px: expected a number above 0"),
        ({"grey_sd": math.nan}, "noise.grey_sd: expected a number above 0"),
        ({"blur_px": "0.7"}, "noise.blur_px: expected a number above 0"),
    ],
)
def test_noise_refuses(changes: dict[str, object], message: str) -> None:
    with pytest.raises(InputError) as caught:
        CameraNoise(**changes)
    assert str(caught.value).startswith(message)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"exposure_s": -0.001}, "timing.exposure_s: expected seconds, 0 to 1, found -0.001"),
        ({"row_time_s": math.inf}, "timing.row_time_s: expected seconds, 0 to 0.01, found inf"),
        ({"stamp_delay_s": "soon"}, "timing.stamp_delay_s: expected seconds, -10 to 10, found 'soon'"),
        ({"exposure_s": 4.0}, "timing.exposure_s: expected seconds, 0 to 1, found 4.0"),  # milliseconds
        ({"stamp_delay_s": 30}, "timing.stamp_delay_s: expected seconds, -10 to 10, found 30"),
        ({"exposure_s": math.nan}, "timing.exposure_s: expected seconds, 0 to 1, found nan"),
    ],
)
def test_timing_refuses(changes: dict[str, object], message: str) -> None:
    with pytest.raises(InputError) as caught:
        CameraTiming(**changes)
    assert str(caught.value).startswith(message)


def test_a_stamp_may_come_before_the_middle_of_the_exposure() -> None:
    assert CameraTiming(stamp_delay_s=-0.002).stamp_delay_s == -0.002


# values


def test_a_camera_cannot_be_changed() -> None:
    lens = camera()
    with pytest.raises(FrozenInstanceError):
        lens.fx_px = 1.0
    with pytest.raises(ValueError, match="read-only"):
        lens.parameters[0] = 1.0


def test_the_caller_s_arrays_are_left_alone() -> None:
    distortion = np.array([-0.2, 0.05, 0.0, 0.0])
    points, pixels = np.array([[0.1, 0.2, 1.0]]), np.array([[100.0, 200.0]])
    before = distortion.copy(), points.copy(), pixels.copy()
    lens = camera(distortion=distortion)
    lens.project_with_jacobian(points)
    lens.unproject(pixels)
    for array, copy in zip((distortion, points, pixels), before, strict=True):
        assert np.array_equal(array, copy)
    distortion[0] = 9.0
    assert lens.distortion[0] == -0.2


def test_cameras_of_the_same_numbers_are_equal() -> None:
    assert camera() == camera(width_px=np.int64(1280))
    assert camera() != camera(fx_px=801.0)
    assert hash(camera()) == hash(camera())


def test_no_points_give_no_pixels() -> None:
    pixels, valid = camera().project(np.empty((0, 3)))
    assert pixels.shape == (0, 2)
    assert valid.shape == (0,)
