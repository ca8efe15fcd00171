"""Cameras on file: the TOML people write and the JSON that calibrations write, one set of keys."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Self

import pydantic

from fiducialkit.files import read_json, read_toml, validated
from fiducialkit.scene.camera import Camera, CameraNoise, CameraTiming, Detector, LensModel
from fiducialkit.scene.file_keys import Number, StrictKeys, Text, Whole, built, expect_kind

_PINHOLE_KEYS = ("fx_px", "fy_px", "cx_px", "cy_px")


class _NoiseKeys(StrictKeys):
    detector: Detector = "stock"
    grey_sd: Number = 2.0
    blur_px: Number = 0.7
    contrast_grey: Number = 150.0
    corner_sd_px: Number | None = None
    smallest_cell_px: Number | None = None
    tone_exponent: Number | None = None


class _TimingKeys(StrictKeys):
    exposure_s: Number = 0.004
    row_time_s: Number = 0.0
    stamp_delay_s: Number = 0.03


class CameraKeys(StrictKeys):
    """The keys of camera.toml."""

    name: Text | None = None
    width_px: Whole
    height_px: Whole
    horizontal_fov_deg: Number | None = None
    fx_px: Number | None = None
    fy_px: Number | None = None
    cx_px: Number | None = None
    cy_px: Number | None = None
    model: LensModel = "brown"
    distortion: list[Number] = []
    noise: _NoiseKeys = _NoiseKeys()
    timing: _TimingKeys = _TimingKeys()

    @pydantic.model_validator(mode="after")
    def _one_way_to_say_the_focal_length(self) -> Self:
        given = [key for key in _PINHOLE_KEYS if getattr(self, key) is not None]
        if self.horizontal_fov_deg is not None:
            if given:
                raise ValueError(f"expected horizontal_fov_deg or {given[0]}, found both")
            if self.model != "brown" or any(self.distortion):
                raise ValueError(
                    "horizontal_fov_deg is for model 'brown' without distortion; give fx_px, fy_px, cx_px, cy_px"
                )
        elif len(given) < len(_PINHOLE_KEYS):
            missing = [key for key in _PINHOLE_KEYS if key not in given]
            raise ValueError(
                f"expected horizontal_fov_deg, or all of fx_px, fy_px, cx_px, cy_px; {missing[0]} is missing"
            )
        return self


def camera_from_keys(keys: CameraKeys, name: str) -> Camera:
    """Return the camera that checked keys describe."""
    others: dict[str, Any] = {
        "distortion": tuple(keys.distortion),
        "model": keys.model,
        "name": keys.name or name,
        "noise": CameraNoise(**keys.noise.model_dump()),
        "timing": CameraTiming(**keys.timing.model_dump()),
    }
    if keys.horizontal_fov_deg is not None:
        return Camera.from_field_of_view(keys.width_px, keys.height_px, keys.horizontal_fov_deg, **others)
    pinhole = {key: getattr(keys, key) for key in _PINHOLE_KEYS}
    return Camera(width_px=keys.width_px, height_px=keys.height_px, **pinhole, **others)


def load_camera(path: str | Path) -> Camera:
    """Return the camera of a TOML file, or of the JSON that a calibration wrote.

    Raises
    ------
    FileFormatError
        One line naming the file, the field, what was expected and what was found.
    """
    path = Path(path)
    data = read_json(path) if path.suffix.lower() == ".json" else read_toml(path)
    if isinstance(data, dict) and isinstance(data.get("camera"), dict):
        data = data["camera"]  # a calibration keeps its camera beside covariance and provenance
    expect_kind(data, "camera", path)
    keys = validated(CameraKeys, data, path)
    return built(lambda: camera_from_keys(keys, path.stem), path)
