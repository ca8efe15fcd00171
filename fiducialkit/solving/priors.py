"""What is known of a pose beforehand, as the row of numbers the kernels take."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from fiducialkit.arrays import FloatArray, IntArray, checked_array
from fiducialkit.errors import InputError
from fiducialkit.solving.kernels import PRIOR


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What is known beforehand of one pose, or of each pose of a log.

    Attributes
    ----------
    on_floor : bool
        Whether the robot stands level on the floor, z = 0, within `height_sd_m` and `level_sd_deg`.
    height_sd_m, level_sd_deg : float
    heading : (float or array, float) or None
        Heading of the robot's x axis and its standard deviation; one heading, or one a pose. [rad]
    position : (array, float or array) or None
        Position of the robot's origin in field, shape (3,) or (F, 3), and its standard deviation, one number or (3,);
        infinity leaves a coordinate free. [m]
    """

    on_floor: bool = False
    height_sd_m: float = 0.01
    level_sd_deg: float = 0.5
    heading: Any = None
    position: Any = None


def prior_rows(prior: Prior, count: int) -> FloatArray:
    """Return the rows (count, 9) of `solving.kernels`; refuse what is no prior."""
    rows = np.zeros((count, PRIOR))
    if prior.position is not None:
        _fill_position(rows, prior.position)
    if prior.on_floor:
        _fill_floor(rows, prior)
    if prior.heading is not None:
        _fill_heading(rows, prior.heading)
    return rows


def prior_counts(rows: FloatArray) -> IntArray:
    """Return how many scalar residuals each row (F, 9) stands for."""
    counts = np.count_nonzero(rows[:, 3:6], axis=1) + 2 * (rows[:, 6] > 0.0) + (rows[:, 8] > 0.0)
    return np.asarray(counts, dtype=np.int64)


def _fill_floor(rows: FloatArray, prior: Prior) -> None:
    height_sd_m, level_sd_deg = prior.height_sd_m, prior.level_sd_deg
    if not (height_sd_m > 0.0 and level_sd_deg > 0.0):
        raise InputError(f"height_sd_m, level_sd_deg: expected above 0, found {height_sd_m}, {level_sd_deg}")
    weight = height_sd_m**-2
    rows[:, 2] *= rows[:, 5] / (rows[:, 5] + weight)  # with a position prior the two heights add up by their weights
    rows[:, 5] += weight
    rows[:, 6] = math.radians(level_sd_deg) ** -2


def _fill_heading(rows: FloatArray, heading_prior: Any) -> None:
    wrong = f"heading_prior: expected finite (heading, sd above 0) in radians, found {heading_prior!r}"
    try:
        heading, sd = heading_prior
        values, spread = np.asarray(heading, dtype=np.float64), float(sd)
    except (TypeError, ValueError):
        raise InputError(f"heading_prior: expected (heading, sd) in radians, found {heading_prior!r}") from None
    if not (np.isfinite(values).all() and math.isfinite(spread) and spread > 0.0):
        raise InputError(wrong)
    if values.shape not in ((), (len(rows),)):
        raise InputError(f"heading_prior: expected one heading or {len(rows)}, found shape {values.shape}")
    rows[:, 7], rows[:, 8] = values, spread**-2


def _fill_position(rows: FloatArray, position_prior: Any) -> None:
    try:
        position, sd = position_prior
    except (TypeError, ValueError):
        raise InputError(f"position_prior: expected (position, sd) in metres, found {position_prior!r}") from None
    place = checked_array("position_prior: position", position)
    if place.shape not in ((3,), (len(rows), 3)):
        raise InputError(f"position_prior: expected a position of shape (3,), found {place.shape}")
    spread = checked_array("position_prior: sd", sd, finite=False)
    if spread.shape not in ((), (3,)) or not (spread > 0.0).all():
        raise InputError(f"position_prior: expected a standard deviation above 0, one or three, found {sd!r}")
    rows[:, :3], rows[:, 3:6] = place, np.broadcast_to(spread, (3,)) ** -2.0
