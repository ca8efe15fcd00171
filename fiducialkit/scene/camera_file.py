"""Cameras on file: the TOML people write, the JSON that calibrations write, and OpenCV's YAML for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Self

import cv2
import numpy as np
import pydantic

from fiducialkit.arrays import FloatArray
from fiducialkit.errors import FileFormatError, InputError
from fiducialkit.files import read_json, read_toml, validated, write_json, write_text
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


def camera_keys(camera: Camera) -> dict[str, Any]:
    """Return a camera as the keys of its file; `load_camera` gives the same camera back."""
    keys: dict[str, Any] = {"name": camera.name, "width_px": camera.width_px, "height_px": camera.height_px}
    keys |= {key: getattr(camera, key) for key in _PINHOLE_KEYS}
    keys |= {"model": camera.model, "distortion": list(camera.distortion)}
    noise = {key: getattr(camera.noise, key) for key in _NoiseKeys.model_fields}
    keys["noise"] = {key: value for key, value in noise.items() if value is not None}
    keys["timing"] = {key: getattr(camera.timing, key) for key in _TimingKeys.model_fields}
    return keys


def write_camera_json(path: str | Path, camera: Camera, calibration: dict[str, Any] | None = None) -> Path:
    """Write a camera as JSON, beside it what a calibration knows of it; whole or not at all.

    Parameters
    ----------
    path : str or Path
    camera : Camera
    calibration : dict, optional
        Labels and covariance of the lens, noise, verdict, date, provenance, versions; anything JSON can hold.

    Examples
    --------
    >>> import tempfile
    >>> from fiducialkit import Camera, load_camera
    >>> front = Camera.from_field_of_view(1280, 800, 75.0, name="front")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     load_camera(write_camera_json(Path(folder) / "front.json", front)) == front
    True
    """
    document: dict[str, Any] = {"camera": camera_keys(camera)}
    if calibration is not None:
        document["calibration"] = calibration
    return write_json(path, document)


def load_covariance(path: str | Path) -> tuple[tuple[str, ...], FloatArray] | None:
    """Return labels and covariance (p, p) of the lens from a calibration's JSON; None if the file has none.

    Raises
    ------
    FileFormatError
        If labels and matrix do not fit together.
    """
    data = read_json(Path(path)) if Path(path).suffix.lower() == ".json" else {}
    found = data.get("calibration", {}) if isinstance(data, dict) else {}
    if not isinstance(found, dict) or "covariance" not in found:
        return None
    labels = tuple(str(each) for each in found.get("labels", ()))
    try:
        matrix = np.array(found["covariance"], dtype=np.float64)
    except (TypeError, ValueError):
        raise FileFormatError(
            path, "calibration.covariance", "expected rows of numbers, found something else"
        ) from None
    if matrix.shape != (len(labels), len(labels)):
        expected = f"({len(labels)}, {len(labels)}), one row and column for each of labels"
        raise FileFormatError(path, "calibration.covariance", f"expected shape {expected}, found {matrix.shape}")
    return labels, matrix


def write_camera_yaml(path: str | Path, camera: Camera) -> Path:
    """Write a camera as the YAML that programs built on OpenCV read: camera_matrix and distortion_coefficients.

    A fisheye has its four coefficients; its node fisheye_model is 1.

    Raises
    ------
    InputError
        If the suffix is none of .yml, .yaml.
    """
    path = Path(path)
    if path.suffix.lower() not in (".yml", ".yaml"):
        raise InputError(f"{path}: expected a name ending in .yml or .yaml, found '{path.suffix}'")
    storage = cv2.FileStorage(".yml", cv2.FILE_STORAGE_WRITE | cv2.FILE_STORAGE_MEMORY)
    storage.write("image_width", camera.width_px)
    storage.write("image_height", camera.height_px)
    matrix = [[camera.fx_px, 0.0, camera.cx_px], [0.0, camera.fy_px, camera.cy_px], [0.0, 0.0, 1.0]]
    storage.write("camera_matrix", np.array(matrix))
    coefficients = camera.distortion or (0.0,) * (4 if camera.model == "fisheye" else 5)
    storage.write("distortion_coefficients", np.array(coefficients).reshape(-1, 1))
    storage.write("fisheye_model", int(camera.model == "fisheye"))
    return write_text(path, storage.releaseAndGetString())
