"""Whether the robot will score: the error at the tool point against the node's tolerances.

References
----------
Derived here: a Gaussian box probability by conditioning, with Gauss-Legendre nodes over heading and along.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from fiducialkit.arrays import FloatArray
from fiducialkit.planning.study import Odometry
from fiducialkit.scene.field import Node
from fiducialkit.scene.robot import Tool

_FINE, _COARSE = (16, 32, 6.0), (8, 16, 5.0)  # nodes over half of the first and over the second component; reach [sd]
# up to this ratio of what one component explains of another to what it leaves, the coarse rule is within 1e-5 of the
# truth: measured on drawn covariances, see the test of it
_GENTLE = 3.0
_AT_ONCE = 2048


def tool_covariance(covariance: FloatArray, tool: Tool) -> FloatArray:
    """Return covariances (..., 3, 3) of (along, across, heading) at the tool point, from those of the robot's origin.

    A heading error w moves a point (tx, ty) of the robot by (-w ty, w tx). [m, m, rad]
    """
    lever = np.eye(3)
    lever[0, 2] = -tool.position[1]
    lever[1, 2] = tool.position[0]
    return np.asarray(lever @ covariance @ lever.T)


def chance_inside(covariance: FloatArray, half_widths: tuple[float, float, float]) -> FloatArray:
    """Return the probability that a zero-mean Gaussian of three components lies inside a box about zero.

    Parameters
    ----------
    covariance : ndarray, shape (..., 3, 3)
        Positive semidefinite; NaN gives NaN.
    half_widths : (float, float, float)
        Above zero, in the units of the components.
    """
    flat = np.asarray(covariance, dtype=np.float64).reshape(-1, 3, 3)
    chance = np.full(len(flat), np.nan)
    is_known = np.isfinite(flat).all(axis=(1, 2))
    # mechanism states that see alike bring the same matrix again and again
    distinct, back = np.unique(flat[is_known].reshape(-1, 9), axis=0, return_inverse=True)
    parts = [
        _box_probability(distinct[first : first + _AT_ONCE].reshape(-1, 3, 3), np.array(half_widths))
        for first in range(0, len(distinct), _AT_ONCE)
    ]
    if parts:
        chance[is_known] = np.concatenate(parts)[back.ravel()]
    return chance.reshape(np.shape(covariance)[:-2])


def _box_probability(covariance: FloatArray, half_widths: FloatArray) -> FloatArray:
    sd = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 0.0))
    sd = np.where(sd > 0.0, sd, 1.0)
    correlation = covariance / (sd[:, :, None] * sd[:, None, :])
    # the component with the narrowest tolerance for its sd comes first and the others given it: where two are nearly
    # the same error, the looser limit is then never reached and the integrand stays smooth. Tiny variances are
    # floored, so that a component known exactly is a narrow bell and not a division by zero.
    order = np.argsort(half_widths / sd, axis=1)
    ordered = np.take_along_axis(np.take_along_axis(correlation, order[:, :, None], 1), order[:, None, :], 2)
    lower: FloatArray = np.linalg.cholesky(ordered + 1e-12 * np.eye(3)).astype(np.float64)
    limit = np.take_along_axis(half_widths / sd, order, axis=1)
    explained = np.abs(lower[:, [1, 2, 2], [0, 0, 1]]) / lower[:, [1, 2, 2], [1, 2, 2]]
    is_gentle = (explained <= _GENTLE).all(axis=1)
    chance = np.empty(len(lower))
    for is_ours, rule in ((is_gentle, _COARSE), (~is_gentle, _FINE)):
        chance[is_ours] = _integral(lower[is_ours, :, :, None, None], limit[is_ours, :, None, None], *rule)
    return chance


def _integral(lower: FloatArray, limit: FloatArray, first: int, second: int, reach_sd: float) -> FloatArray:
    """Return the probability that |L z| <= limit for standard normal z, one for each L (n, 3, 3, 1, 1)."""
    # the integrand is the same at -z: half of the first axis will do
    z1, w1 = _rule(np.zeros_like(limit[:, 0, 0]), limit[:, 0, :, 0] / lower[:, 0, 0, :, 0], first, reach_sd)
    z1, w1 = z1[:, 0], 2.0 * w1[:, 0]
    centre = lower[:, 1, 0, :, 0] * z1
    width, scale = limit[:, 1, :, 0], lower[:, 1, 1, :, 0]
    z2, w2 = _rule((-width - centre) / scale, (width - centre) / scale, second, reach_sd)
    mean = lower[:, 2, 0] * z1[:, :, None] + lower[:, 2, 1] * z2
    inner = ndtr((limit[:, 2] - mean) / lower[:, 2, 2]) - ndtr((-limit[:, 2] - mean) / lower[:, 2, 2])
    return np.asarray(np.clip(np.einsum("ni,nij->n", w1, w2 * inner), 0.0, 1.0), dtype=np.float64)


@lru_cache(maxsize=4)
def _gauss_legendre(count: int) -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return nodes, weights


def _rule(low: FloatArray, high: FloatArray, count: int, reach_sd: float) -> tuple[FloatArray, FloatArray]:
    """Return nodes and weights, one more axis, for an integral against the standard normal density."""
    unit, unit_weights = _gauss_legendre(count)
    first = np.clip(low, -reach_sd, reach_sd)[..., None]
    last = np.clip(high, -reach_sd, reach_sd)[..., None]
    nodes = 0.5 * (first + last) + 0.5 * (last - first) * unit
    weights = 0.5 * (last - first) * unit_weights * np.exp(-0.5 * nodes**2) / math.sqrt(2.0 * math.pi)
    return nodes, weights


def driven_blind(
    covariance: FloatArray, blind_m: npt.ArrayLike, speed_m_per_s: float, odometry: Odometry
) -> FloatArray:
    """Return covariances (..., 3, 3) after a last stretch on wheels and gyro alone, straight ahead.

    With s the stretch: the heading error carries the robot aside by s times it; the wheels add their share of s
    along; the gyro's rate error b adds b t to the heading and b t s / 2 across, t = s / speed. [m, m, rad]
    """
    blind = np.asarray(blind_m, dtype=np.float64)
    carried = np.zeros((*blind.shape, 3, 3))
    carried[...] = np.eye(3)
    carried[..., 1, 2] = blind
    turn = math.radians(odometry.heading_sd_deg_per_s) * blind / speed_m_per_s
    by_turn = np.stack([np.zeros_like(turn), 0.5 * blind * turn, turn], axis=-1)
    result = carried @ covariance @ np.swapaxes(carried, -1, -2) + by_turn[..., :, None] * by_turn[..., None, :]
    result[..., 0, 0] += (odometry.distance_sd_percent / 100.0 * blind) ** 2
    return np.asarray(result)


def chance_to_score(covariance: FloatArray, flip_probability: FloatArray, node: Node, tool: Tool) -> FloatArray:
    """Return the chance that the tool point ends within the node's tolerances, the right pose having been taken."""
    half_widths = (node.tolerance_along_m, node.tolerance_across_m, math.radians(node.tolerance_heading_deg))
    return np.asarray((1.0 - flip_probability) * chance_inside(tool_covariance(covariance, tool), half_widths))
