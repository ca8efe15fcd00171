"""Errors that stay the same for a whole drive, and are considered in a pose's covariance and weights."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fiducialkit.arrays import FloatArray, checked_array
from fiducialkit.errors import InputError
from fiducialkit.scene.camera import Camera

_LENS = 12  # fx, fy, cx, cy, d0 ... d7
_SDS = ("mount_sd_m", "mount_sd_deg", "marker_sd_m", "marker_sd_deg", "focal_sd_percent")


@dataclass(frozen=True, slots=True, kw_only=True)
class ConsideredErrors:
    """How well mounts, markers and lenses are known. Nothing is estimated of them; they widen the pose's covariance.

    They also change the weights: a camera that is steadier than another counts for more, and one that is added never
    makes the covariance larger.

    Attributes
    ----------
    mount_sd_m, mount_sd_deg : float
        Of each camera's place on the robot and of its turn, for each axis.
    marker_sd_m, marker_sd_deg : float
        Of each marker's place on the field and of its turn about its middle, for each axis.
    focal_sd_percent : float
        Of each camera's focal length.
    lens_covariance : sequence of (array_like or None)
        One a camera: covariance of fx, fy, cx, cy and the coefficients in the camera's order, (4 + n, 4 + n). None or
        an empty sequence: known exactly, but for `focal_sd_percent`.
    """

    mount_sd_m: float = 0.0
    mount_sd_deg: float = 0.0
    marker_sd_m: float = 0.0
    marker_sd_deg: float = 0.0
    focal_sd_percent: float = 0.0
    lens_covariance: Sequence[Any] = ()

    def __post_init__(self) -> None:
        for name in _SDS:
            value = getattr(self, name)
            if not (isinstance(value, (int, float)) and 0.0 <= value < math.inf):
                raise InputError(f"considered.{name}: expected a number of 0 or more, found {value!r}")


NOTHING = ConsideredErrors()


def considered_arrays(errors: ConsideredErrors, cameras: Sequence[Camera]) -> tuple[FloatArray, FloatArray]:
    """Return the standard deviations (4,) and lens covariances (K, 12, 12) that the kernels take."""
    if errors is NOTHING:
        return np.zeros(4), np.zeros((len(cameras), _LENS, _LENS))
    sds = np.array(
        [
            errors.mount_sd_m,
            math.radians(errors.mount_sd_deg),
            errors.marker_sd_m,
            math.radians(errors.marker_sd_deg),
        ]
    )
    lenses = np.zeros((len(cameras), _LENS, _LENS))
    given = list(errors.lens_covariance)
    if given and len(given) != len(cameras):
        raise InputError(f"considered.lens_covariance: expected {len(cameras)}, one a camera, found {len(given)}")
    for row, camera in enumerate(cameras):
        if given and given[row] is not None:
            _fill_lens(lenses[row], given[row], 4 + len(camera.distortion))
        focal = 0.01 * errors.focal_sd_percent * np.array([camera.fx_px, camera.fy_px])
        lenses[row, :2, :2] += np.outer(focal, focal)
    return sds, lenses


def _fill_lens(target: FloatArray, covariance: Any, size: int) -> None:
    matrix = checked_array("considered.lens_covariance", covariance, (size, size))
    least = float(np.linalg.eigvalsh(matrix).min())
    if np.abs(matrix - matrix.T).max() > 1e-9 * np.abs(matrix).max() or least < -1e-9 * np.abs(matrix).max():
        raise InputError("considered.lens_covariance: expected a covariance, found a matrix that is none")
    target[:size, :size] = 0.5 * (matrix + matrix.T)
