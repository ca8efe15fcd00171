"""From light to stored grey levels: photon and read noise, tone curve, whole numbers, compression."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np

from fiducialkit.arrays import ByteArray, FloatArray, checked_array
from fiducialkit.errors import InputError

ToneCurve = Literal["linear", "srgb"]
LARGEST_GREY = 255.0
_BLOCK_ROWS = 32
_KNEE_LINEAR, _KNEE_STORED = 0.0031308, 0.04045  # IEC 61966-2-1


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelNoise:
    """Noise of one pixel: variance = read_sd^2 + gain * signal, in linear grey levels.

    Attributes
    ----------
    read_sd_grey : float
        What is there without light. [grey levels]
    gain_grey_per_electron : float
        Grey levels for one photo-electron; 0 leaves the photon noise out.
    """

    read_sd_grey: float = 2.0
    gain_grey_per_electron: float = 0.0

    def __post_init__(self) -> None:
        for name in ("read_sd_grey", "gain_grey_per_electron"):
            value = getattr(self, name)
            if not 0.0 <= checked_array(f"noise.{name}", value, (), finite=False) < math.inf:
                raise InputError(f"noise.{name}: expected a number from 0 up, found {value!r}")

    def variance(self, signal_grey: Any) -> FloatArray:
        """Return the variance at each signal; a signal below 0 counts as 0. [grey levels squared]"""
        signal = np.maximum(np.asarray(signal_grey, dtype=np.float64), 0.0)
        return np.asarray(self.read_sd_grey**2 + self.gain_grey_per_electron * signal)

    def added_to(self, signal_grey: Any, seed: int | np.random.Generator) -> FloatArray:
        """Return the signal with noise; the same seed gives the same numbers. The input is not modified.

        Photon noise is drawn as a Gaussian with the variance of the counted light: as good from tens of electrons up.
        """
        signal = np.asarray(signal_grey, dtype=np.float64)
        if self.read_sd_grey == 0.0 and self.gain_grey_per_electron == 0.0:
            return signal.copy()
        # single precision: its steps are far below a grey level, and it halves the time
        noise = np.random.default_rng(seed).standard_normal(signal.shape, dtype=np.float32)
        if self.gain_grey_per_electron == 0.0:
            noise *= np.float32(self.read_sd_grey)
        else:
            noise *= np.sqrt(self.variance(signal).astype(np.float32))
        return np.asarray(signal + noise, dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """Where the grey levels come from: light, exposure and gain.

    Attributes
    ----------
    electrons_per_s : float
        Photo-electrons per second in a pixel that looks at a perfectly white surface: how bright the place is.
    read_sd_electrons : float
    gain_grey_per_electron : float
        Larger at a higher gain setting, which makes the picture brighter and both noises with it.
    """

    electrons_per_s: float
    read_sd_electrons: float
    gain_grey_per_electron: float

    def __post_init__(self) -> None:
        for name, least in (
            ("electrons_per_s", "above"),
            ("read_sd_electrons", "from"),
            ("gain_grey_per_electron", "above"),
        ):
            value = getattr(self, name)
            number = checked_array(f"sensor.{name}", value, (), finite=False)
            if not (0.0 <= number < math.inf and (number > 0.0 or least == "from")):
                raise InputError(f"sensor.{name}: expected a number {least} 0, found {value!r}")

    def light_grey(self, exposure_s: float) -> float:
        """Return the linear grey level of a perfectly white surface. [grey levels]"""
        return self.electrons_per_s * exposure_s * self.gain_grey_per_electron

    @property
    def pixel_noise(self) -> PixelNoise:
        """The noise in grey levels."""
        read_sd_grey = self.read_sd_electrons * self.gain_grey_per_electron
        return PixelNoise(read_sd_grey=read_sd_grey, gain_grey_per_electron=self.gain_grey_per_electron)


def srgb_from_linear(linear_grey: Any) -> FloatArray:
    """Return stored grey levels, 0 to 255, of linear ones (IEC 61966-2-1); what lies outside is cut off.

    Examples
    --------
    >>> srgb_from_linear([0.0, 63.75, 255.0]).round(2).tolist()
    [0.0, 136.96, 255.0]
    """
    return _srgb(checked_array("linear_grey", linear_grey))


def _srgb(linear_grey: FloatArray) -> FloatArray:
    share = np.clip(linear_grey / LARGEST_GREY, 0.0, 1.0)
    curved = 1.055 * np.power(share, 1.0 / 2.4) - 0.055
    return np.asarray(LARGEST_GREY * np.where(share <= _KNEE_LINEAR, 12.92 * share, curved))


def linear_from_srgb(stored_grey: Any) -> FloatArray:
    """Return linear grey levels, 0 to 255, of stored ones (IEC 61966-2-1); what lies outside is cut off."""
    share = np.clip(checked_array("stored_grey", stored_grey) / LARGEST_GREY, 0.0, 1.0)
    curved = np.power((share + 0.055) / 1.055, 2.4)
    return np.asarray(LARGEST_GREY * np.where(share <= _KNEE_STORED, share / 12.92, curved))


def stored_picture(
    linear_grey: FloatArray,
    tone: ToneCurve = "linear",
    jpeg_quality: int | None = None,
    *,
    noise: PixelNoise | None = None,
    seed: int | np.random.Generator = 0,
) -> ByteArray:
    """Return the 8-bit picture of linear grey levels: noise, tone curve, rounding, and a JPEG's losses where asked for.

    Parameters
    ----------
    linear_grey : ndarray, shape (h, w)
        Above 255 is clipped.
    tone : {"linear", "srgb"}
    jpeg_quality : int, optional
        1 to 100; the picture is compressed and read back.
    noise : PixelNoise, optional
        None adds none.
    seed : int or Generator
        Of the noise.
    """
    if tone not in ("linear", "srgb"):
        raise InputError(f"tone: expected linear or srgb, found {tone!r}")
    quality = checked_jpeg_quality(jpeg_quality)
    rng = np.random.default_rng(seed)
    image = np.empty(linear_grey.shape, dtype=np.uint8)
    for start in range(0, len(image), _BLOCK_ROWS):  # by parts that stay in the processor's cache: a third of the time
        part = linear_grey[start : start + _BLOCK_ROWS]
        if noise is not None:
            part = noise.added_to(part, rng)
        rounded = np.rint(_srgb(part) if tone == "srgb" else part)
        image[start : start + _BLOCK_ROWS] = np.clip(rounded, 0.0, LARGEST_GREY, out=rounded)
    if quality is None:
        return image
    _, content = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.asarray(cv2.imdecode(content, cv2.IMREAD_GRAYSCALE), dtype=np.uint8)


def checked_jpeg_quality(value: Any) -> int | None:
    """Return the quality, or None for no compression."""
    if value is None:
        return None
    if not (isinstance(value, int | np.integer) and not isinstance(value, bool) and 1 <= value <= 100):
        raise InputError(f"jpeg_quality: expected a whole number from 1 to 100, found {value!r}")
    return int(value)
