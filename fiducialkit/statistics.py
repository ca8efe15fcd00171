"""Angles that wrap, and the few distributions every room shares."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from fiducialkit.arrays import FloatArray
from fiducialkit.errors import InputError

# Radius that holds 95 % of a two-dimensional Gaussian in units of its larger sd, for ratios (smaller sd / larger sd)
# of 0, 0.1 ... 1: quadrature of the radial distribution; both ends are closed forms, the 97.5 % point of the
# normal distribution and sqrt(-2 ln 0.05). tests/test_statistics.py computes them again.
_RADIUS_95 = np.array(
    [
        1.959964,
        1.96253,
        1.970408,
        1.984196,
        2.005137,
        2.035859,
        2.081304,
        2.145981,
        2.230287,
        2.331798,
        2.447747,
    ]
)


def wrapped(angle_rad: npt.ArrayLike) -> FloatArray:
    """Return angles in (-pi, pi]. [rad]

    Examples
    --------
    >>> float(np.degrees(wrapped(np.radians(179.0 - (-179.0)))).round(9))
    -2.0
    """
    angle = np.asarray(angle_rad, dtype=np.float64)
    turned = np.pi - np.mod(np.pi - angle, 2.0 * np.pi)
    return np.where(turned <= -np.pi, np.pi, turned)  # just above pi the remainder rounds up to a whole turn


def circular_mean(angle_rad: npt.ArrayLike) -> float:
    """Return the mean direction: of 170 and -170 degrees it is 180, not 0. [rad]

    NaN where there is none: no angles, or unit vectors that cancel.

    References
    ----------
    Mardia and Jupp, Directional Statistics, 2000, section 2.2: the direction of the mean of the unit vectors.
    """
    angle = np.asarray(angle_rad, dtype=np.float64)
    sine, cosine = float(np.sin(angle).sum()), float(np.cos(angle).sum())
    if not math.hypot(sine, cosine) > 1e-12 * angle.size:
        return math.nan
    return math.atan2(sine, cosine)


def radius_95(sd_major: npt.ArrayLike, sd_minor: npt.ArrayLike) -> FloatArray:
    """Return the radius of the circle about the mean that holds 95 % of a two-dimensional Gaussian.

    Parameters
    ----------
    sd_major, sd_minor : array_like
        Standard deviations along the principal axes, in either order; in any one unit, which is also that of the
        result. The result is within 0.12 % (interpolated).
    """
    first, second = np.asarray(sd_major, dtype=np.float64), np.asarray(sd_minor, dtype=np.float64)
    major, minor = np.maximum(first, second), np.minimum(first, second)
    safe = np.where(major > 0.0, major, 1.0)
    ratio = np.clip(np.where(major > 0.0, minor / safe, 1.0), 0.0, 1.0)
    return np.asarray(major * np.interp(ratio, np.linspace(0.0, 1.0, 11), _RADIUS_95))


def wilson_interval(successes: int, trials: int, z: float = 1.959964) -> tuple[float, float]:
    """Return the score interval of a proportion; (0, 1) where there were no trials.

    Raises
    ------
    InputError
        Unless 0 <= successes <= trials.

    References
    ----------
    Wilson, E. B., J. Am. Stat. Assoc. 22 (1927) 209-212.
    """
    if not 0 <= successes <= trials:
        raise InputError(f"successes: expected 0 to {trials} (the trials), found {successes}")
    if trials == 0:
        return 0.0, 1.0
    share = successes / trials
    centre = (share + z * z / (2 * trials)) / (1 + z * z / trials)
    half = z / (1 + z * z / trials) * math.sqrt(share * (1 - share) / trials + z * z / (4 * trials * trials))
    return max(0.0, centre - half), min(1.0, centre + half)
