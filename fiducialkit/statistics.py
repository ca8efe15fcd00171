"""Angles that wrap, and the few distributions every room shares."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from fiducialkit.arrays import FloatArray

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
    return np.pi - np.mod(np.pi - angle, 2.0 * np.pi)


def circular_mean(angle_rad: npt.ArrayLike) -> float:
    """Return the mean direction: of 170 and -170 degrees it is 180, not 0. [rad]

    References
    ----------
    Mardia and Jupp, Directional Statistics, 2000, section 2.2: the direction of the mean of the unit vectors.
    """
    angle = np.asarray(angle_rad, dtype=np.float64)
    return float(math.atan2(np.sin(angle).mean(), np.cos(angle).mean()))


def radius_95(sd_major: npt.ArrayLike, sd_minor: npt.ArrayLike) -> FloatArray:
    """Return the radius of the circle about the mean that holds 95 % of a two-dimensional Gaussian.

    Parameters
    ----------
    sd_major, sd_minor : array_like
        Standard deviations along the principal axes; in any one unit, which is also that of the result.
    """
    major = np.asarray(sd_major, dtype=np.float64)
    minor = np.asarray(sd_minor, dtype=np.float64)
    safe = np.where(major > 0.0, major, 1.0)
    ratio = np.clip(np.where(major > 0.0, minor / safe, 1.0), 0.0, 1.0)
    return np.asarray(major * np.interp(ratio, np.linspace(0.0, 1.0, 11), _RADIUS_95))


def wilson_interval(successes: int, trials: int, z: float = 1.959964) -> tuple[float, float]:
    """Return the score interval of a proportion.

    References
    ----------
    Wilson, E. B., J. Am. Stat. Assoc. 22 (1927) 209-212.
    """
    if trials == 0:
        return 0.0, 1.0
    share = successes / trials
    centre = (share + z * z / (2 * trials)) / (1 + z * z / trials)
    half = z / (1 + z * z / trials) * math.sqrt(share * (1 - share) / trials + z * z / (4 * trials * trials))
    return max(0.0, centre - half), min(1.0, centre + half)
