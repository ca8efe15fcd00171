"""Cameras on file: good ones, and one line for each bad one."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from fiducialkit import FileFormatError, load_camera

FULL = """
name = "front"
width_px = 1280
height_px = 800
fx_px = 910.0
fy_px = 911.0
cx_px = 640.2
cy_px = 401.5
model = "brown"
distortion = [-0.3, 0.1, 0.001, -0.002, 0.01]
[noise]
detector = "measured"
corner_sd_px = 0.11
grey_sd = 3.0
[timing]
exposure_s = 0.002
row_time_s = 1e-5
stamp_delay_s = -0.004
"""
SHORT = "width_px = 1280\nheight_px = 800\n"
FOCAL = SHORT + "fx_px = 900.0\nfy_px = 900.0\ncx_px = 639.5\ncy_px = 399.5\n"


def written(folder: Path, text: str, name: str = "camera.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_every_key_arrives(tmp_path: Path) -> None:
    camera = load_camera(written(tmp_path, FULL))
    assert (camera.name, camera.width_px, camera.height_px) == ("front", 1280, 800)
    assert (camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px) == (910.0, 911.0, 640.2, 401.5)
    assert camera.distortion == (-0.3, 0.1, 0.001, -0.002, 0.01)
    assert (camera.noise.detector, camera.noise.corner_sd_px, camera.noise.grey_sd) == ("measured", 0.11, 3.0)
    assert (camera.timing.exposure_s, camera.timing.row_time_s, camera.timing.stamp_delay_s) == (0.002, 1e-5, -0.004)


def test_a_field_of_view_is_enough_and_the_detector_is_then_the_cautious_one(tmp_path: Path) -> None:
    camera = load_camera(written(tmp_path, SHORT + "horizontal_fov_deg = 90.0\n", "höher links.toml"))
    assert camera.name == "höher links"
    assert camera.fx_px == pytest.approx(640.0)
    assert camera.noise.detector == "stock"


@pytest.mark.parametrize("nested", [False, True])
def test_json_is_accepted_wherever_toml_is(tmp_path: Path, nested: bool) -> None:
    keys = {"width_px": 1280, "height_px": 800, "fx_px": 900, "fy_px": 900, "cx_px": 639.5, "cy_px": 399.5}
    data = {"camera": keys, "covariance": [[1.0]]} if nested else keys
    from_json = load_camera(written(tmp_path, json.dumps(data), "camera.json"))
    assert from_json == load_camera(written(tmp_path, FOCAL))


@pytest.mark.parametrize(
    ("text", "where", "message"),
    [
        (
            FOCAL + 'model = "fisheye"\ndistortion = [0.1, 0.0, 0.0]\n',
            "distortion",
            "expected 4 coefficients for fisheye",
        ),
        (FOCAL + "model = 1\n", "model", "'brown', 'rational' or 'fisheye', found 1"),
        (FOCAL + "modle = 1\n", "modle", "did you mean 'model'?"),
        (FOCAL + "[noise]\nblur = 0.7\n", "noise.blur", "unknown key 'blur'; did you mean 'blur_px'?"),
        (FOCAL + "distortion = [nan, 0, 0, 0]\n", "distortion[0]", "finite"),
        (FOCAL + '[noise]\ndetector = "measured"\n', "noise.corner_sd_px", "expected with detector 'measured'"),
        (FOCAL + "[timing]\nexposure_s = -1.0\n", "timing.exposure_s", "expected seconds, 0 to 1, found -1.0"),
        (FOCAL + "horizontal_fov_deg = 90.0\n", "", "expected horizontal_fov_deg or fx_px, found both"),
        (SHORT + "fx_px = 900.0\n", "", "fy_px is missing"),
        (SHORT, "", "expected horizontal_fov_deg, or all of"),
        (
            SHORT + "horizontal_fov_deg = 90.0\ndistortion = [-0.1, 0, 0, 0]\n",
            "",
            "horizontal_fov_deg is for model 'brown' without distortion",
        ),
        (SHORT + "horizontal_fov_deg = 190.0\n", "horizontal_fov_deg", "expected 1 to 170, found 190"),
        ("width_px = 1280\nfx_px = 900.0\n", "height_px", "expected this key, found none"),
        (FOCAL.replace("1280", "1280.5"), "width_px", "integer"),
        (FOCAL.replace("1280", '"1280"'), "width_px", "integer, found '1280'"),
        (FOCAL.replace("1280", "true"), "width_px", "integer, found True"),
        (FOCAL + 'distortion = ["0", 0, 0, 0]\n', "distortion[0]", "number, found '0'"),
        ('name = ""\n' + FOCAL, "name", "at least 1 character"),
        ("marker_size = 0.15\n[[marker]]\nid = 4\n", "", "expected a camera file, found what looks like a field file"),
        (FOCAL.replace("1280", "4"), "width_px", "expected a whole number of pixels, 8 to 100000, found 4"),
        ("width_px = = 3", "", "expected TOML"),
        ("", "", "expected some content"),
    ],
)
def test_a_bad_file_gets_one_line_with_the_file_and_the_field(
    tmp_path: Path, text: str, where: str, message: str
) -> None:
    path = written(tmp_path, text)
    with pytest.raises(FileFormatError) as caught:
        load_camera(path)
    assert str(caught.value).startswith(str(path))
    assert caught.value.where == where
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_what_is_not_there_or_no_file(tmp_path: Path) -> None:
    with pytest.raises(FileFormatError, match="expected a file, found none of that name"):
        load_camera(tmp_path / "no camera.toml")
    with pytest.raises(FileFormatError, match="expected a file, found a folder"):
        load_camera(tmp_path)


@pytest.mark.parametrize("text", ["[1, 2]", "3", '{"camera": 3}', '{"width_px": 1, "width_px": 2}', "{"])
def test_json_that_is_no_camera(tmp_path: Path, text: str) -> None:
    path = written(tmp_path, text, "camera.json")
    with pytest.raises(FileFormatError) as caught:
        load_camera(path)
    assert str(caught.value).startswith(str(path))
    assert "\n" not in str(caught.value)
