"""A mount study: the field, the robot, and what is assumed of approach, floor, priors, tolerances and odometry."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from fiducialkit.errors import InputError
from fiducialkit.scene.field import Field
from fiducialkit.scene.robot import ALWAYS, Rig, Robot, Tool

LARGEST_FLOOR_POSES = 5_000_000
BLOCKS_BELOW_M = 0.2  # a box that begins higher than this leaves room to drive under


def _in_range(where: str, value: Any, low: float, high: float, *, above: bool = False) -> None:
    if isinstance(value, bool) or not isinstance(value, int | float | np.number):
        raise InputError(f"{where}: expected a number, found {value!r}")
    if not (math.isfinite(value) and low <= value <= high and not (above and value == low)):
        least = f"above {low:g}" if above else f"{low:g}"
        raise InputError(f"{where}: expected {least} to {high:g}, found {value:g}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Approach:
    """The straight last stretch to a node: its length and the robot's speed on it."""

    distance_m: float = 1.5
    speed_m_per_s: float = 1.5

    def __post_init__(self) -> None:
        _in_range("approach.distance_m", self.distance_m, 0.0, 20.0, above=True)
        _in_range("approach.speed_m_per_s", self.speed_m_per_s, 0.0, 20.0, above=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class FloorGrid:
    """The grid of poses over the whole floor: cell size and number of headings."""

    step_m: float = 0.25
    headings: int = 16

    def __post_init__(self) -> None:
        _in_range("floor.step_m", self.step_m, 0.01, 10.0)
        _in_range("floor.headings", self.headings, 1, 720)
        if int(self.headings) != self.headings:
            raise InputError(f"floor.headings: expected a whole number, found {self.headings!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class FloorPrior:
    """What is known without cameras: the robot stands on the floor; its heading from a gyro, if the sd is above 0."""

    height_sd_m: float = 0.01
    level_sd_deg: float = 0.5
    heading_sd_deg: float = 0.0

    def __post_init__(self) -> None:
        _in_range("prior.height_sd_m", self.height_sd_m, 0.0, 1e4, above=True)
        _in_range("prior.level_sd_deg", self.level_sd_deg, 0.0, 1e6, above=True)
        _in_range("prior.heading_sd_deg", self.heading_sd_deg, 0.0, 180.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildTolerance:
    """How well things are built and known, as standard deviations; the same for a whole drive."""

    mount_sd_m: float = 0.003
    mount_sd_deg: float = 0.3
    marker_sd_m: float = 0.005
    marker_sd_deg: float = 0.3
    focal_sd_percent: float = 0.2
    time_sd_s: float = 0.005

    def __post_init__(self) -> None:
        for name, high in (
            ("mount_sd_m", 1.0),
            ("mount_sd_deg", 45.0),
            ("marker_sd_m", 1.0),
            ("marker_sd_deg", 45.0),
            ("focal_sd_percent", 50.0),
            ("time_sd_s", 10.0),
        ):
            _in_range(f"tolerance.{name}", getattr(self, name), 0.0, high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Odometry:
    """How far wheels and gyro can be trusted between two sightings, as standard deviations."""

    distance_sd_percent: float = 2.0
    heading_sd_deg_per_s: float = 0.05

    def __post_init__(self) -> None:
        _in_range("odometry.distance_sd_percent", self.distance_sd_percent, 0.0, 100.0)
        _in_range("odometry.heading_sd_deg_per_s", self.heading_sd_deg_per_s, 0.0, 360.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherRobots:
    """Robots that stand about at random and hide markers: how many there are a square metre, and their size.

    Each is an upright box of length_m by width_m by height_m, turned at random, and they stand independently (a Boolean
    model). A sight line is free with the chance exp(-per_m2 * s * 2 (length + width) / pi), s the length over the floor
    of its part below height_m: a convex outline of perimeter P turned at random is P / pi wide on average, and the
    line's lower end, pupil or marker, is known to be free. Lines are taken as blocked independently of one another,
    which understates how often neighbouring markers vanish together.

    References
    ----------
    Mean width: Cauchy's formula. Contact distribution of a Boolean model: Chiu, Stoyan, Kendall and Mecke, "Stochastic
    Geometry and its Applications", 3rd ed. 2013, section 3.1 (from memory); checked by Monte Carlo in the tests.
    """

    per_m2: float = 0.0
    length_m: float = 0.8
    width_m: float = 0.8
    height_m: float = 1.2

    def __post_init__(self) -> None:
        _in_range("other_robots.per_m2", self.per_m2, 0.0, 1.0)
        for name in ("length_m", "width_m", "height_m"):
            _in_range(f"other_robots.{name}", getattr(self, name), 0.0, 10.0, above=True)

    @property
    def blocks_per_m(self) -> float:
        """How many robots stand in a metre of a sight line over the floor, on average. [1/m]"""
        return self.per_m2 * 2.0 * (self.length_m + self.width_m) / math.pi


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """Which rigs are compared, in which mechanism states, on which field.

    Attributes
    ----------
    name : str
    field : Field
    robot : Robot
    rigs : tuple of Rig
        The robot's all, where none is given.
    states : tuple of str
        The robot's all, where none is given.
    weights : tuple of (node name, weight)
        What a node counts beside the others in a rig's benefit, above 0; 1 where none is given.
    """

    name: str
    field: Field
    robot: Robot
    rigs: tuple[Rig, ...] = ()
    states: tuple[str, ...] = ()
    approach: Approach = Approach()
    floor: FloorGrid = FloorGrid()
    prior: FloorPrior = FloorPrior()
    tolerance: BuildTolerance = BuildTolerance()
    odometry: Odometry = Odometry()
    other_robots: OtherRobots = OtherRobots()
    weights: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        rigs = self.rigs or self.robot.rigs
        if not rigs:
            raise InputError("rigs: expected at least one rig on the robot, found none")
        known = [rig.name for rig in self.robot.rigs]
        for number, rig in enumerate(rigs):
            if rig not in self.robot.rigs:
                found = rig.name if isinstance(rig, Rig) else rig
                raise InputError(f"rigs[{number}]: expected one of {_listed(known)}, found {found!r}")
        states = tuple(self.states) or self.robot.states
        for number, state in enumerate(states):
            if state not in self.robot.states and state != ALWAYS:
                raise InputError(f"states[{number}]: expected one of {_listed(self.robot.states)}, found '{state}'")
        for key, names in (("rigs", [rig.name for rig in rigs]), ("states", list(states))):
            if len(set(names)) < len(names):
                raise InputError(f"{key}: expected each name once, found one twice")
        _check_nodes(self.field)
        self._check_weights()
        object.__setattr__(self, "rigs", tuple(rigs))
        object.__setattr__(self, "states", states)
        area = self.field.size[0] * self.field.size[1]
        count = round(area / self.floor.step_m**2) * self.floor.headings
        if count > LARGEST_FLOOR_POSES:
            raise InputError(
                f"floor.step_m, floor.headings: expected at most {LARGEST_FLOOR_POSES} poses, found {count}"
            )

    def _check_weights(self) -> None:
        known = [node.name for node in self.field.nodes]
        names = [name for name, _ in self.weights]
        for name, weight in self.weights:
            if name not in known or names.count(name) > 1:
                raise InputError(
                    f"weights: expected scoring nodes of the field, each once: {_listed(known)}; found '{name}'"
                )
            _in_range(f"weights.{name}", weight, 0.0, 1e6, above=True)

    def weight(self, node: str) -> float:
        """Return what the node of that name counts beside the others."""
        return float(dict(self.weights).get(node, 1.0))

    @property
    def sides(self) -> tuple[str, ...]:
        """The sides the robot scores with, in file order; front if it has no tool."""
        return tuple(tool.side for tool in self.robot.tools) or ("front",)

    def tool(self, side: str) -> Tool:
        """Return the tool of that side; its point is the robot's origin where the robot has none."""
        for tool in self.robot.tools:
            if tool.side == side:
                return tool
        return Tool(side=side, position=(0.0, 0.0, 0.0))


def _listed(names: tuple[str, ...] | list[str]) -> str:
    return ", ".join(f"'{name}'" for name in names)


def _check_nodes(layout: Field) -> None:
    """Raise InputError for a node that the robot cannot reach, because something stands there."""
    for number, node in enumerate(layout.nodes):
        for other, obstacle in enumerate(layout.obstacles):
            (x, y, z), (x_end, y_end, _) = obstacle.corner_min, obstacle.corner_max
            if z < BLOCKS_BELOW_M and x < node.position[0] < x_end and y < node.position[1] < y_end:
                raise InputError(
                    f"field, node[{number}].position: expected a place the robot can reach, found '{node.name}' at "
                    f"({node.position[0]:g}, {node.position[1]:g}) m inside obstacle[{other}] '{obstacle.name}'"
                )
