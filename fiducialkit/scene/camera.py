"""A camera: its lens, its picture size, its noise and its timing."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from numbers import Real
from typing import Any, Literal

import numpy as np
from scipy.spatial.transform import RigidTransform

from fiducialkit.arrays import BoolArray, FloatArray, checked_array
from fiducialkit.errors import InputError
from fiducialkit.scene import projection
from fiducialkit.scene.transforms import parts

LensModel = Literal["brown", "rational", "fisheye"]
Detector = Literal["stock", "fitted", "measured"]

_MODELS: dict[str, tuple[int, tuple[int, ...]]] = {
    "brown": (projection.BROWN, (0, 4, 5)),
    "rational": (projection.RATIONAL, (8,)),
    "fisheye": (projection.FISHEYE, (4,)),
}
_ASPECT_TOLERANCE = 1e-3
_LARGEST_PX = 100_000
_LARGEST_TIME_S = {"exposure_s": 1.0, "row_time_s": 0.01, "stamp_delay_s": 10.0}


def _is_number(value: Any) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool)


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraNoise:
    """What the detector that runs on the robot makes of this camera's pictures.

    Attributes
    ----------
    detector : {"stock", "fitted", "measured"}
        Stock OpenCV sub-pixel refinement (the cautious default), this toolkit's fit, or a measured corner sd.
    grey_sd : float
        Noise of one pixel. [grey levels]
    blur_px : float
        Sd of the optical blur alone. [px]
    contrast_grey : float
        Step from a marker's black to its white. [grey levels]
    corner_sd_px : float or None
        Measured corner sd per axis; required by "measured", refused otherwise. [px]
    smallest_cell_px : float or None
        Smallest side of a marker's cell the detector still reads; the detector's own figure if None. [px]
    tone_exponent : float or None
        Grey level = 255 (light / full scale) ^ exponent; 1 for a camera whose levels follow the light, about 0.45
        behind an sRGB curve. Fitted to each marker if None.
    """

    detector: Detector = "stock"
    grey_sd: float = 2.0
    blur_px: float = 0.7
    contrast_grey: float = 150.0
    corner_sd_px: float | None = None
    smallest_cell_px: float | None = None
    tone_exponent: float | None = None

    def __post_init__(self) -> None:
        if self.detector not in ("stock", "fitted", "measured"):
            raise InputError(f"noise.detector: expected stock, fitted or measured, found {self.detector!r}")
        if (self.detector == "measured") != (self.corner_sd_px is not None):
            raise InputError("noise.corner_sd_px: expected with detector 'measured', and only there")
        for name in ("grey_sd", "blur_px", "contrast_grey", "corner_sd_px", "smallest_cell_px", "tone_exponent"):
            value = getattr(self, name)
            if value is not None and not (_is_number(value) and 0.0 < value < math.inf):
                raise InputError(f"noise.{name}: expected a number above 0, found {value}")


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraTiming:
    """When a picture was taken: exposure, row time of a rolling shutter, stamp delay. [s]"""

    exposure_s: float = 0.004
    row_time_s: float = 0.0
    stamp_delay_s: float = 0.03

    def __post_init__(self) -> None:
        for name in _LARGEST_TIME_S:
            value = getattr(self, name)
            largest = _LARGEST_TIME_S[name]
            least = -largest if name == "stamp_delay_s" else 0.0
            if not (_is_number(value) and least <= value <= largest):
                raise InputError(f"timing.{name}: expected seconds, {least:g} to {largest:g}, found {value!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A lens on a sensor. Pixel (0, 0) is the CENTRE of the first pixel.

    Attributes
    ----------
    width_px, height_px : int
        Size of the picture the parameters belong to.
    fx_px, fy_px, cx_px, cy_px : float
        Focal lengths and principal point. [px]
    distortion : tuple of float
        brown: none, (k1, k2, p1, p2) or (k1, k2, p1, p2, k3); rational: (k1, k2, p1, p2, k3, k4, k5, k6);
        fisheye: (k1, k2, k3, k4).
    model : {"brown", "rational", "fisheye"}
    name : str
    noise : CameraNoise
    timing : CameraTiming
    valid_radius : float
        tan of the largest angle from the axis at which the model is one-to-one; nothing beyond it projects.
    """

    width_px: int
    height_px: int
    fx_px: float
    fy_px: float
    cx_px: float
    cy_px: float
    distortion: tuple[float, ...] = ()
    model: LensModel = "brown"
    name: str = "camera"
    noise: CameraNoise = CameraNoise()
    timing: CameraTiming = CameraTiming()
    valid_radius: float = field(init=False, compare=False)
    _parameters: FloatArray = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        self._check()
        row = np.zeros(projection.PARAMETERS)
        row[:4] = self.fx_px, self.fy_px, self.cx_px, self.cy_px
        object.__setattr__(self, "distortion", tuple(float(d) for d in self.distortion))
        row[5 : 5 + len(self.distortion)] = self.distortion
        row[4] = projection.valid_radius(self.model_number, row)
        row.flags.writeable = False
        object.__setattr__(self, "valid_radius", float(row[4]))
        object.__setattr__(self, "_parameters", row)

    def _check(self) -> None:
        if not isinstance(self.model, str) or self.model not in _MODELS:
            raise InputError(f"model: expected one of {', '.join(_MODELS)}, found {self.model!r}")
        for name in ("width_px", "height_px"):
            value = getattr(self, name)
            if not (_is_number(value) and 8 <= value <= _LARGEST_PX and value % 1 == 0):
                raise InputError(f"{name}: expected a whole number of pixels, 8 to 100000, found {value!r}")
            object.__setattr__(self, name, int(value))
        for name in ("fx_px", "fy_px", "cx_px", "cy_px"):
            object.__setattr__(self, name, float(checked_array(name, getattr(self, name), ())))
            if abs(getattr(self, name)) > _LARGEST_PX:
                raise InputError(f"{name}: expected within {_LARGEST_PX} px, found {getattr(self, name):g}")
        if not (self.fx_px > 1.0 and self.fy_px > 1.0):
            raise InputError(f"fx_px, fy_px: expected focal lengths above 1 px, found {self.fx_px}, {self.fy_px}")
        counts = _MODELS[self.model][1]
        found = checked_array("distortion", self.distortion, (None,))
        if found.size not in counts:
            wanted = " or ".join(str(n) for n in counts)
            raise InputError(f"distortion: expected {wanted} coefficients for {self.model}, found {found.size}")

    @classmethod
    def from_field_of_view(cls, width_px: int, height_px: int, horizontal_fov_deg: float, **others: Any) -> Camera:
        """Return an undistorted camera with square pixels and a centred axis: f = w / (2 tan(fov / 2))."""
        if not 1.0 <= horizontal_fov_deg <= 170.0:
            raise InputError(f"horizontal_fov_deg: expected 1 to 170, found {horizontal_fov_deg}")
        focal = width_px / (2.0 * math.tan(math.radians(horizontal_fov_deg) / 2.0))
        others |= {"cx_px": (width_px - 1) / 2.0, "cy_px": (height_px - 1) / 2.0}
        return cls(width_px=width_px, height_px=height_px, fx_px=focal, fy_px=focal, **others)

    @property
    def model_number(self) -> int:
        """The lens model as the kernels name it."""
        return _MODELS[self.model][0]

    @property
    def parameters(self) -> FloatArray:
        """The read-only parameter row the kernels take (`scene.projection`)."""
        return self._parameters

    @property
    def valid_angle_deg(self) -> float:
        """The largest angle from the axis at which the model holds. [deg]"""
        return math.degrees(math.atan(self.valid_radius))

    @property
    def field_of_view_deg(self) -> tuple[float, float]:
        """Horizontal and vertical field of view of the undistorted pinhole, edge to edge: 2 atan(w / 2f). [deg]"""
        return (
            math.degrees(2.0 * math.atan(self.width_px / (2.0 * self.fx_px))),
            math.degrees(2.0 * math.atan(self.height_px / (2.0 * self.fy_px))),
        )

    def project(self, points_camera: Any) -> tuple[FloatArray, BoolArray]:
        """Return pixels (N, 2) and whether each point projects at all (it may still lie outside the picture).

        Points behind the camera or beyond the model's valid radius give NaN and False.

        Parameters
        ----------
        points_camera : array_like, shape (N, 3)
            In camera. [m]
        """
        points = checked_array("points_camera", points_camera, (None, 3))
        pixels = np.empty((len(points), 2))
        valid = np.empty(len(points), dtype=np.bool_)
        projection.project_points(self.model_number, self._parameters, points, pixels, valid)
        return pixels, valid

    def project_with_jacobian(
        self, points: Any, camera_from_points: RigidTransform | None = None
    ) -> tuple[FloatArray, BoolArray, FloatArray, FloatArray]:
        """Return pixels (N, 2), validity (N,), and the Jacobians for pose and intrinsics.

        Parameters
        ----------
        points : array_like, shape (N, 3)
            In any frame. [m]
        camera_from_points : RigidTransform, optional
            From that frame to the camera; identity if None.

        Returns
        -------
        pixels, valid
            As `project`.
        by_pose : ndarray, shape (N, 2, 6)
            By a small translation, then a small rotation vector, both in the camera frame and about its origin:
            ``point_camera -> point_camera + w x point_camera + t``. [px/m, px/rad]
        by_intrinsics : ndarray, shape (N, 2, 4 + number of coefficients)
            By fx, fy, cx, cy, then the coefficients in their order.
        """
        points_camera = checked_array("points", points, (None, 3))
        if camera_from_points is not None:
            rotation, translation = parts(camera_from_points)
            points_camera = points_camera @ rotation.T + translation
        count = len(points_camera)
        pixels, valid = np.empty((count, 2)), np.empty(count, dtype=np.bool_)
        by_point, by_intrinsics = np.empty((count, 2, 3)), np.empty((count, 2, projection.INTRINSICS))
        projection.project_points_jacobian(
            self.model_number, self._parameters, points_camera, pixels, valid, by_point, by_intrinsics
        )
        turned = np.zeros((count, 3, 3))  # d(w x p)/dw = -[p]x
        x, y, z = points_camera.T
        turned[:, 0, 1], turned[:, 0, 2], turned[:, 1, 2] = z, -y, x
        turned -= turned.transpose(0, 2, 1)
        by_pose = np.concatenate([by_point, by_point @ turned], axis=2)
        return pixels, valid, by_pose, by_intrinsics[:, :, : 4 + len(self.distortion)]

    def unproject(self, pixels: Any) -> tuple[FloatArray, BoolArray]:
        """Return undistorted directions (x, y) of (x, y, 1), shape (N, 2), and whether each was found.

        A pixel that no direction inside the valid radius projects to gives NaN and False; what is returned
        as found projects back within 1e-9 focal lengths.
        """
        pixels = checked_array("pixels", pixels, (None, 2), finite=False)
        directions = np.empty((len(pixels), 2))
        found = np.empty(len(pixels), dtype=np.bool_)
        projection.unproject_pixels(self.model_number, self._parameters, pixels, directions, found)
        return directions, found

    def in_picture(self, pixels: Any, inset_px: float = 0.0) -> BoolArray:
        """Return whether each pixel position lies on the sensor, `inset_px` from its outermost pixel centres."""
        u, v = np.asarray(pixels, dtype=np.float64).reshape(-1, 2).T
        with np.errstate(invalid="ignore"):
            inside_x = (u >= inset_px) & (u <= self.width_px - 1 - inset_px)
            return np.asarray(inside_x & (v >= inset_px) & (v <= self.height_px - 1 - inset_px))

    def scaled(self, width_px: int, height_px: int) -> Camera:
        """Return the same lens for pictures of another size but the same shape.

        Pixel centres sit at whole numbers, so ``c' = (c + 0.5) s - 0.5``; blur scales along, noise is kept, and the
        rows there are share the same time of reading out.

        Raises
        ------
        InputError
            If width and height do not scale alike: such a picture was cropped (`cropped`) or squeezed.
        """
        across, down = width_px / self.width_px, height_px / self.height_px
        if not abs(across - down) <= _ASPECT_TOLERANCE * down:
            raise InputError(
                f"picture size: expected the shape of {self.width_px}x{self.height_px} (camera '{self.name}'), "
                f"found {width_px}x{height_px}; a cropped picture needs the crop's offset"
            )
        return replace(
            self,
            width_px=width_px,
            height_px=height_px,
            fx_px=self.fx_px * across,
            fy_px=self.fy_px * down,
            cx_px=(self.cx_px + 0.5) * across - 0.5,
            cy_px=(self.cy_px + 0.5) * down - 0.5,
            noise=replace(self.noise, blur_px=self.noise.blur_px * across),
            timing=replace(self.timing, row_time_s=self.timing.row_time_s / down),
        )

    def cropped(self, left_px: int, top_px: int, width_px: int, height_px: int) -> Camera:
        """Return the same lens for a part of the picture whose first pixel is (left_px, top_px)."""
        inside = left_px >= 0 and top_px >= 0
        if not (inside and left_px + width_px <= self.width_px and top_px + height_px <= self.height_px):
            raise InputError(
                f"crop: expected a part of {self.width_px}x{self.height_px}, "
                f"found {width_px}x{height_px} at ({left_px}, {top_px})"
            )
        cx, cy = self.cx_px - left_px, self.cy_px - top_px
        return replace(self, width_px=width_px, height_px=height_px, cx_px=cx, cy_px=cy)

    def for_picture(self, width_px: int, height_px: int) -> Camera:
        """Return this camera, or the same lens scaled to the picture's size; refuse another shape."""
        if (width_px, height_px) == (self.width_px, self.height_px):
            return self
        return self.scaled(width_px, height_px)
