"""The robot: its camera mounts, the rigs they form, and the structure that hides the view in each mechanism state."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.spatial.transform import RigidTransform

from fiducialkit.arrays import FloatArray
from fiducialkit.errors import InputError
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import check_box
from fiducialkit.scene.transforms import robot_from_camera_angles

ALWAYS = "always"
SIDES = ("front", "back")
LARGEST_ROBOT_M = 3.0
LARGEST_COST = 1e9
_camera_pose = lru_cache(maxsize=4096)(robot_from_camera_angles)  # half a millisecond each, asked for again and again


@dataclass(frozen=True, slots=True, kw_only=True)
class Mount:
    """One camera at its place on the robot. Position of the entrance pupil in robot. [m, deg]

    `cost` is in the user's own unit: money, or whatever a further camera takes from something else.
    """

    name: str
    camera: Camera
    position: tuple[float, float, float]
    yaw_deg: float = 0.0
    tilt_deg: float = 0.0
    roll_deg: float = 0.0
    cost: float = 1.0

    @property
    def robot_from_camera(self) -> RigidTransform:
        """Pose of the camera in robot."""
        return _camera_pose(tuple(self.position), self.yaw_deg, self.tilt_deg, self.roll_deg)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """Mounts that are used together, by name."""

    name: str
    mounts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Structure:
    """A box of the robot that hides the view while its mechanism is in `state`; turned up about y through `pivot`."""

    state: str
    corner_min: tuple[float, float, float]
    corner_max: tuple[float, float, float]
    raised_deg: float = 0.0
    pivot: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def oriented_box(self) -> FloatArray:
        """Return centre (3), axes as rows (3, 3), half sizes (3) in robot, as one row of 15 numbers."""
        low, high = np.array(self.corner_min), np.array(self.corner_max)
        angle = math.radians(self.raised_deg)
        cosine, sine = math.cos(angle), math.sin(angle)
        # raised: what points forward comes up, a turn by -angle about y (REP-103 pitch is nose down)
        turn = np.array([[cosine, 0.0, -sine], [0.0, 1.0, 0.0], [sine, 0.0, cosine]])
        pivot = np.array(self.pivot)
        centre = turn @ ((low + high) / 2.0 - pivot) + pivot
        return np.concatenate([centre, turn.T.ravel(), (high - low) / 2.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Tool:
    """Where the mechanism scores: its side and its point in robot. [m]"""

    side: str
    position: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Robot:
    """A checked robot. All lengths in metres.

    Raises
    ------
    InputError
        At construction, naming the entry and the reason.
    """

    name: str
    footprint: tuple[float, float]
    mounts: tuple[Mount, ...]
    rigs: tuple[Rig, ...] = ()
    structures: tuple[Structure, ...] = ()
    tools: tuple[Tool, ...] = ()

    def __post_init__(self) -> None:
        check_robot(self)

    @property
    def states(self) -> tuple[str, ...]:
        """The mechanism states that some structure names, in file order; one called "always" if there are none."""
        named = dict.fromkeys(s.state for s in self.structures if s.state != ALWAYS)
        return tuple(named) or (ALWAYS,)

    def mount(self, name: str) -> Mount:
        """Return the mount of that name."""
        for mount in self.mounts:
            if mount.name == name:
                return mount
        known = ", ".join(f"'{m.name}'" for m in self.mounts)
        raise InputError(f"mount: expected one of {known}, found '{name}'")

    def rig(self, name: str) -> Rig:
        """Return the rig of that name."""
        for rig in self.rigs:
            if rig.name == name:
                return rig
        known = ", ".join(f"'{r.name}'" for r in self.rigs)
        raise InputError(f"rig: expected one of {known}, found '{name}'")

    def boxes(self, state: str) -> FloatArray:
        """Return what hides the view in that state, (boxes, 15); see `Structure.oriented_box`."""
        boxes = [s.oriented_box() for s in self.structures if s.state in (ALWAYS, state)]
        return np.array(boxes, dtype=np.float64).reshape(-1, 15)


def check_robot(robot: Robot) -> None:
    """Raise InputError with ``<entry>: <reason>`` for the first thing that cannot be."""
    for axis, length in zip("xy", robot.footprint, strict=True):
        if not 0.05 <= length <= LARGEST_ROBOT_M:
            raise InputError(
                f"footprint: expected 0.05 to {LARGEST_ROBOT_M:g} m along {axis}, found {length:.4g} m; "
                "is length_unit right?"
            )
    _check_names(robot)
    for number, rig in enumerate(robot.rigs):
        _check_rig(f"rig[{number}].mounts", rig, robot)
    for number, structure in enumerate(robot.structures):
        check_box(f"structure[{number}]", structure.corner_min, structure.corner_max)
    for number, mount in enumerate(robot.mounts):
        _check_mount(f"mount[{number}]", mount, robot)
    for number, tool in enumerate(robot.tools):
        if tool.side not in SIDES:
            raise InputError(f"tool[{number}].side: expected front or back, found '{tool.side}'")
        _check_reach(f"tool[{number}].position", tool.position)


def _check_names(robot: Robot) -> None:
    for key, names in (("mount", [m.name for m in robot.mounts]), ("rig", [r.name for r in robot.rigs])):
        for number, name in enumerate(names):
            if name in names[:number]:
                raise InputError(f"{key}[{number}].name: expected each name once, found '{name}' twice")
    sides = [tool.side for tool in robot.tools]
    for number, side in enumerate(sides):
        if side in sides[:number]:
            raise InputError(f"tool[{number}].side: expected one tool a side, found '{side}' twice")


def _check_rig(where: str, rig: Rig, robot: Robot) -> None:
    known = [mount.name for mount in robot.mounts]
    if not rig.mounts:
        raise InputError(f"{where}: expected at least one mount, found none")
    for name in rig.mounts:
        if name not in known:
            listed = ", ".join(f"'{each}'" for each in known)
            raise InputError(f"{where}: expected names among {listed}, found '{name}'")
    if len(set(rig.mounts)) < len(rig.mounts):
        raise InputError(f"{where}: expected each mount once, found one twice")


def _check_reach(where: str, position: tuple[float, ...]) -> None:
    if any(not abs(value) <= LARGEST_ROBOT_M for value in position):
        raise InputError(
            f"{where}: expected within {LARGEST_ROBOT_M:g} m of the robot's origin, found {position}; "
            "is length_unit right?"
        )


def _check_mount(where: str, mount: Mount, robot: Robot) -> None:
    if not 0.0 <= mount.cost <= LARGEST_COST:
        raise InputError(f"{where}.cost: expected 0 to {LARGEST_COST:g}, found {mount.cost:.4g}")
    _check_reach(f"{where}.position", mount.position)
    if mount.position[2] < 0.0:
        raise InputError(f"{where}.position: expected a height of 0 or more, found {mount.position[2]:.4g} m")
    for name, limit in (("yaw_deg", 360.0), ("tilt_deg", 90.0), ("roll_deg", 360.0)):
        if not abs(getattr(mount, name)) <= limit:
            raise InputError(f"{where}.{name}: expected -{limit:g} to {limit:g}, found {getattr(mount, name):.4g}")
    for number, structure in enumerate(robot.structures):
        box = structure.oriented_box()
        offset = box[3:12].reshape(3, 3) @ (np.array(mount.position) - box[:3])
        if (np.abs(offset) < box[12:]).all():
            raise InputError(
                f"{where}.position: mount '{mount.name}' lies inside structure[{number}] (state '{structure.state}')"
            )
