"""Whether the robot will score: the error at the tool point against the node's tolerances.

References
----------
Derived here: a Gaussian box probability by conditioning, with Gauss-Legendre nodes over heading and along.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from fiducialkit.arrays import FloatArray
from fiducialkit.planning.study import Odometry
from fiducialkit.scene.field import Node
from fiducialkit.scene.robot import Tool

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
_REACH_SD = 6.0


def tool_covariance(covariance: FloatArray, tool: Tool) -> FloatArray:
    """Return the covariance of (along, across, heading) at the tool point, from that of the robot's origin.

    A heading error w moves a point (tx, ty) of the robot by (-w ty, w tx). [m, m, rad]
    """
    lever = np.eye(3)
    lever[0, 2] = -tool.position[1]
    lever[1, 2] = tool.position[0]
    return np.asarray(lever @ covariance @ lever.T)


def chance_inside(covariance: FloatArray, half_widths: tuple[float, float, float]) -> float:
    """Return the probability that a zero-mean Gaussian of three components lies inside a box about zero.

    Parameters
    ----------
    covariance : ndarray, shape (3, 3)
        Positive semidefinite.
    half_widths : (float, float, float)
        Above zero, in the units of the components.
    """
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    scale = np.where(sd > 0.0, sd, 1.0)
    half = np.array(half_widths) / scale
    correlation = covariance / np.outer(scale, scale)
    # order of conditioning: third, first given third, second given both; tiny variances are floored, so that a
    # component known exactly is a narrow bell and not a division by zero
    lower = np.linalg.cholesky(correlation[np.ix_((2, 0, 1), (2, 0, 1))] + 1e-12 * np.eye(3))
    limit = half[[2, 0, 1]]
    z1, w1 = _rule(-limit[0] / lower[0, 0], limit[0] / lower[0, 0])
    centre = lower[1, 0] * z1
    z2, w2 = _rule((-limit[1] - centre) / lower[1, 1], (limit[1] - centre) / lower[1, 1])
    mean = lower[2, 0] * z1[:, None] + lower[2, 1] * z2
    inner = ndtr((limit[2] - mean) / lower[2, 2]) - ndtr((-limit[2] - mean) / lower[2, 2])
    return float(np.clip(w1 @ (w2 * inner).sum(axis=1), 0.0, 1.0))


def _rule(low: float | FloatArray, high: float | FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return nodes and weights for an integral against the standard normal density from low to high."""
    first = np.asarray(np.clip(low, -_REACH_SD, _REACH_SD))[..., None]
    last = np.asarray(np.clip(high, -_REACH_SD, _REACH_SD))[..., None]
    nodes = 0.5 * (first + last) + 0.5 * (last - first) * _NODES
    weights = 0.5 * (last - first) * _WEIGHTS * np.exp(-0.5 * nodes**2) / math.sqrt(2.0 * math.pi)
    return nodes, weights


def driven_blind(covariance: FloatArray, blind_m: float, speed_m_per_s: float, odometry: Odometry) -> FloatArray:
    """Return the covariance after a last stretch on wheels and gyro alone, straight ahead.

    With s the stretch: the heading error carries the robot aside by s times it; the wheels add their share of s
    along; the gyro's rate error b adds b t to the heading and b t s / 2 across, t = s / speed. [m, m, rad]
    """
    carried = np.eye(3)
    carried[1, 2] = blind_m
    result = carried @ covariance @ carried.T
    duration_s = blind_m / speed_m_per_s
    turn = math.radians(odometry.heading_sd_deg_per_s) * duration_s
    by_turn = np.array([0.0, 0.5 * blind_m * turn, turn])
    result[0, 0] += (odometry.distance_sd_percent / 100.0 * blind_m) ** 2
    return np.asarray(result + np.outer(by_turn, by_turn))


def chance_to_score(covariance: FloatArray, flip_probability: float, node: Node, tool: Tool) -> float:
    """Return the chance that the tool point ends within the node's tolerances, the right pose having been taken."""
    half_widths = (node.tolerance_along_m, node.tolerance_across_m, math.radians(node.tolerance_heading_deg))
    return (1.0 - flip_probability) * chance_inside(tool_covariance(covariance, tool), half_widths)
