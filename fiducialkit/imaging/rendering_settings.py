"""What can be chosen about a rendered picture, with its checks."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from scipy.spatial.transform import RigidTransform

from fiducialkit.arrays import FloatArray, checked_array
from fiducialkit.errors import InputError
from fiducialkit.imaging.backgrounds import Background
from fiducialkit.imaging.noise import PixelNoise, Sensor, ToneCurve, checked_jpeg_quality
from fiducialkit.imaging.optical_blur import LARGEST_BLUR_PX, Focus
from fiducialkit.scene.camera import Camera

Vignetting = Literal["none", "cos4"] | tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """How a body moves while a picture is taken: constant in its own frame, so that it drives an arc.

    Attributes
    ----------
    velocity_m_per_s : tuple of float
        Along the body's own x, y, z: a robot's forward, left, up; a bare camera's right, down, along the view.
    turn_deg_per_s : tuple of float
        About the same axes, counter-clockwise: (0, 0, 90) is a robot turning left.
    """

    velocity_m_per_s: tuple[float, float, float] = (0.0, 0.0, 0.0)
    turn_deg_per_s: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        for name, largest in (("velocity_m_per_s", 50.0), ("turn_deg_per_s", 3600.0)):
            value = checked_array(f"motion.{name}", getattr(self, name), (3,))
            if np.abs(value).max() > largest:
                raise InputError(f"motion.{name}: expected within {largest:g}, found {value.tolist()}")

    def twist(self) -> FloatArray:
        """Return velocity, then turn rate. [m/s, rad/s]"""
        return np.concatenate([self.velocity_m_per_s, np.radians(self.turn_deg_per_s)])


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderSettings:
    """Light, lens and sensor of a rendered picture. Where None stands, the camera's own file decides.

    Attributes
    ----------
    black_reflectance, white_reflectance : float
        Of the print, 0 to 1.
    obstacle_reflectance, structure_reflectance : float
        Of the field's boxes and of the robot's own.
    margin_cells : float
        White margin round the black square. [cells]
    light_grey : float or None
        Linear grey level of a perfectly white surface; None: what gives the camera's `contrast_grey` between
        white and black, or follows from `sensor` and the exposure.
    light_gradient : tuple of float
        Relative change of the light from the left edge of the picture to the right, and from the top to the bottom.
    blur_px : float or None
        Sd of the optical blur; the pixel's own area comes on top. None: the camera's. [px]
    focus : Focus or None
        Depth of field, added to `blur_px` in quadrature.
    vignetting : "none", "cos4" or tuple of float
        Fourth power of the cosine of the angle from the axis, or coefficients (a, b, ...) of
        ``1 + a q^2 + b q^4 ...``, q the distance from the principal point by half the picture's diagonal.
    sensor : Sensor or None
        Photo-electrons, gain and read noise; excludes `noise` and `light_grey`.
    noise : PixelNoise or None
        None: even noise of the camera's `grey_sd`.
    tone : {"linear", "srgb"}
    jpeg_quality : int or None
    background : Background
    """

    black_reflectance: float = 0.05
    white_reflectance: float = 0.85
    obstacle_reflectance: float = 0.35
    structure_reflectance: float = 0.2
    margin_cells: float = 1.0
    light_grey: float | None = None
    light_gradient: tuple[float, float] = (0.0, 0.0)
    blur_px: float | None = None
    focus: Focus | None = None
    vignetting: Vignetting = "none"
    sensor: Sensor | None = None
    noise: PixelNoise | None = None
    tone: ToneCurve = "linear"
    jpeg_quality: int | None = None
    background: Background = field(default_factory=Background)

    def __post_init__(self) -> None:
        for name, kind in (("focus", Focus), ("sensor", Sensor), ("noise", PixelNoise)):
            check_kind(name, getattr(self, name), kind, is_optional=True)
        check_kind("background", self.background, Background)
        for name in ("black_reflectance", "white_reflectance", "obstacle_reflectance", "structure_reflectance"):
            _check(name, getattr(self, name), 0.0, 1.0)
        if not self.black_reflectance < self.white_reflectance:
            raise InputError(f"black_reflectance: expected below white's {self.white_reflectance:g}, found no less")
        _check("margin_cells", self.margin_cells, 0.0, 20.0)
        for name, value, largest in (("light_grey", self.light_grey, 1e5), ("blur_px", self.blur_px, LARGEST_BLUR_PX)):
            if value is not None:
                _check(name, value, 0.0, largest)
        across, down = checked_array("light_gradient", self.light_gradient, (2,))
        if abs(across) + abs(down) >= 2.0:  # the light is 1 in the middle and must stay above 0 in the corners
            raise InputError(f"light_gradient: expected changes of less than 2 together, found {across:g}, {down:g}")
        if self.sensor is not None and not (self.noise is None and self.light_grey is None):
            raise InputError("sensor: expected without noise and light_grey, which follow from it")
        _check_choice("tone", self.tone, ("linear", "srgb"))
        checked_jpeg_quality(self.jpeg_quality)
        if self.vignetting is None or isinstance(self.vignetting, str):
            _check_choice("vignetting", self.vignetting, ("none", "cos4"))
        else:
            factors = tuple(checked_array("vignetting", self.vignetting, (None,)).tolist())
            object.__setattr__(self, "vignetting", factors or "none")

    def light_level(self, camera: Camera) -> float:
        """Return the linear grey level of a perfectly white surface. [grey levels]"""
        if self.sensor is not None:
            return self.sensor.light_grey(camera.timing.exposure_s)
        if self.light_grey is not None:
            return self.light_grey
        return camera.noise.contrast_grey / (self.white_reflectance - self.black_reflectance)

    def pixel_noise(self, camera: Camera) -> PixelNoise:
        """Return the noise of a pixel in linear grey levels."""
        if self.sensor is not None:
            return self.sensor.pixel_noise
        return self.noise or PixelNoise(read_sd_grey=camera.noise.grey_sd)

    def blur_at(self, camera: Camera, depth_m: float) -> float:
        """Return the sd of the blur at a depth along the axis. [px]"""
        base = camera.noise.blur_px if self.blur_px is None else self.blur_px
        if self.focus is None:
            return base
        return min(math.hypot(base, self.focus.blur_px(depth_m)), LARGEST_BLUR_PX)


def check_kind(name: str, value: Any, kind: type, *, is_optional: bool = False) -> None:
    """Raise InputError unless the value is of that class, or None where that stands for nothing."""
    if not (isinstance(value, kind) or (is_optional and value is None)):
        raise InputError(f"{name}: expected a {kind.__name__}, found {type(value).__name__}")


def check_pose(name: str, value: Any) -> None:
    """Raise InputError unless the value is one rigid transform."""
    check_kind(name, value, RigidTransform)
    if not value.single:
        raise InputError(f"{name}: expected one pose, found a stack of {len(value)}")


def _check(name: str, value: float, least: float, most: float) -> None:
    if not least <= checked_array(name, value, (), finite=False) <= most:
        raise InputError(f"{name}: expected {least:g} to {most:g}, found {value!r}")


def _check_choice(name: str, value: str, choices: tuple[str, ...]) -> None:
    if value not in choices:
        raise InputError(f"{name}: expected one of {', '.join(choices)}, found {value!r}")
