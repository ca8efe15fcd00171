"""Where cameras may go: boxes on the robot, and the candidate mounts on a grid inside them."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fiducialkit.arrays import BoolArray
from fiducialkit.errors import FileFormatError, InputError
from fiducialkit.files import read_toml, validated
from fiducialkit.planning.study import Study
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.camera_file import load_camera
from fiducialkit.scene.file_keys import METRES, LengthUnit, Number, Point, StrictKeys, Text, built, named_file, scaled
from fiducialkit.scene.robot import LARGEST_COST, Mount, Robot

MOST_CANDIDATES = 1500
_FULL_TURN_DEG = 360.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MountBox:
    """A box on the robot in which a camera's entrance pupil may lie, and the directions it may look. [m, deg]

    Attributes
    ----------
    name : str
    camera : Camera
    corner_min, corner_max : (float, float, float)
        In robot. They may be equal along an axis.
    yaw_deg, tilt_deg, roll_deg : (float, float, float)
        Lowest, highest, step.
    spacing_m : float
        Largest distance between neighbouring grid points along an axis.
    cost : float, optional
        Of a camera there; if None, that of the robot's mounts of the same camera (`cost_of`).
    """

    name: str
    camera: Camera
    corner_min: tuple[float, float, float]
    corner_max: tuple[float, float, float]
    yaw_deg: tuple[float, float, float]
    tilt_deg: tuple[float, float, float] = (0.0, 0.0, 1.0)
    roll_deg: tuple[float, float, float] = (0.0, 0.0, 1.0)
    spacing_m: float = 0.1
    cost: float | None = None

    def __post_init__(self) -> None:
        if any(low > high for low, high in zip(self.corner_min, self.corner_max, strict=True)):
            raise InputError(f"corner_min: expected at most corner_max, found {self.corner_min} and {self.corner_max}")
        for name, limit in (("yaw_deg", 360.0), ("tilt_deg", 90.0), ("roll_deg", 360.0)):
            low, high, step = getattr(self, name)
            if not (-limit <= low <= high <= limit and step > 0.0 and high - low <= _FULL_TURN_DEG):
                raise InputError(
                    f"{name}: expected [low, high, step] within {limit:g} and a step above 0, found {[low, high, step]}"
                )
        if not 0.005 <= self.spacing_m <= 3.0:
            raise InputError(f"spacing: expected 0.005 to 3 m, found {self.spacing_m:.4g} m; is length_unit right?")
        if self.cost is not None and not 0.0 <= self.cost <= LARGEST_COST:
            raise InputError(f"cost: expected 0 to {LARGEST_COST:g}, found {self.cost:.4g}")

    @property
    def limits(self) -> tuple[tuple[float, float], ...]:
        """Lowest and highest x, y, z [m], yaw, tilt, roll [deg]."""
        angles = (self.yaw_deg, self.tilt_deg, self.roll_deg)
        return (*zip(self.corner_min, self.corner_max, strict=True), *((low, high) for low, high, _ in angles))


@dataclass(frozen=True, slots=True, kw_only=True)
class MountRoom:
    """The boxes, and what keeps a camera from standing anywhere in them. All lengths in metres.

    Attributes
    ----------
    boxes : tuple of MountBox
    overhang_m : float
        How far a pupil may lie outside the robot's footprint.
    clearance_m : float
        Room between a pupil and the robot's own structure, in every mechanism state.
    apart_m : float
        Least distance between the pupils of two cameras of a rig.
    """

    boxes: tuple[MountBox, ...]
    overhang_m: float = 0.0
    clearance_m: float = 0.02
    apart_m: float = 0.06

    def __post_init__(self) -> None:
        if not self.boxes:
            raise InputError("box: expected at least one box to put cameras in, found none")
        for name in ("overhang_m", "clearance_m", "apart_m"):
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise InputError(f"{name.removesuffix('_m')}: expected 0 to 1 m, found {getattr(self, name):.4g} m")


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A mount that may be built, and the box it lies in."""

    mount: Mount
    box: MountBox


def candidate_mounts(robot: Robot, room: MountRoom) -> tuple[tuple[Candidate, ...], int]:
    """Return the candidates on the grids of all boxes, and how many grid points the robot itself forbids.

    Raises
    ------
    InputError
        If a box is left without candidates, or there are too many.
    """
    found: list[Candidate] = []
    refused = 0
    for number, box in enumerate(room.boxes):
        mounts = _grid(box, cost_of(box, robot))
        free = [mount for mount in mounts if place_fault(robot, room, mount.position) == ""]
        refused += len(mounts) - len(free)
        if not free:
            fault = place_fault(robot, room, mounts[0].position)
            raise InputError(f"box[{number}]: expected room for a camera, found none: '{box.name}' {fault}")
        found += [Candidate(mount=mount, box=box) for mount in free]
        if len(found) > MOST_CANDIDATES:
            raise InputError(
                f"box[{number}]: expected at most {MOST_CANDIDATES} candidates in all boxes, found more; "
                "widen spacing or steps"
            )
    return tuple(found), refused


def cost_of(box: MountBox, robot: Robot) -> float:
    """Return what a camera in the box costs: as stated, or as the robot's first mount of that camera does, or 1."""
    if box.cost is not None:
        return box.cost
    return next((mount.cost for mount in robot.mounts if mount.camera == box.camera), 1.0)


def _grid(box: MountBox, cost: float) -> list[Mount]:
    axes = [_places(low, high, box.spacing_m) for low, high in zip(box.corner_min, box.corner_max, strict=True)]
    axes += [_angles(*box.yaw_deg), _angles(*box.tilt_deg), _angles(*box.roll_deg)]
    count = math.prod(len(axis) for axis in axes)
    if count > 20 * MOST_CANDIDATES:
        raise InputError(f"box '{box.name}': expected fewer grid points, found {count}; widen spacing or steps")
    mounts = []
    for number, (x, y, z, yaw, tilt, roll) in enumerate(itertools.product(*axes), start=1):
        mounts.append(
            Mount(
                name=f"{box.name} {number}", camera=box.camera, position=(x, y, z), yaw_deg=yaw, tilt_deg=tilt,
                roll_deg=roll, cost=cost,
            )
        )  # fmt: skip
    return mounts


def _places(low: float, high: float, spacing: float) -> list[float]:
    if high - low < 1e-9:
        return [low]
    return [float(value) for value in np.linspace(low, high, max(2, math.ceil((high - low) / spacing - 1e-9) + 1))]


def _angles(low: float, high: float, step: float) -> list[float]:
    count = math.floor((high - low) / step + 1e-9) + 1
    angles = [low + step * number for number in range(count)]
    return angles[:-1] if angles[-1] - angles[0] > _FULL_TURN_DEG - 1e-9 else angles


def place_fault(robot: Robot, room: MountRoom, position: tuple[float, ...]) -> str:
    """Return why no camera can stand there, as "lies ...", or nothing."""
    for axis, half in zip((0, 1), robot.footprint, strict=True):
        if abs(position[axis]) > 0.5 * half + room.overhang_m + 1e-9:
            return f"lies more than {room.overhang_m:g} m outside the footprint"
    if position[2] < 0.0:
        return "lies below the floor"
    for number, structure in enumerate(robot.structures):
        box = structure.oriented_box()
        offset = box[3:12].reshape(3, 3) @ (np.array(position) - box[:3])
        if (np.abs(offset) < box[12:] + room.clearance_m).all():
            return f"lies in structure[{number}] (state '{structure.state}') or within {room.clearance_m:g} m of it"
    return ""


def default_room(study: Study) -> MountRoom:
    """Return a box at each corner of the footprint, from low to as high as the robot's highest mount.

    The camera is the one most mounts of the robot have. Views reach from 30 degrees inwards to 60 outwards of
    straight ahead and straight back.
    """
    robot = study.robot
    if not robot.mounts:
        raise InputError("box: expected boxes for the cameras, or a robot with mounts to learn the camera from")
    cameras = [mount.camera for mount in robot.mounts]
    camera = max(cameras, key=cameras.count)
    top = max(0.4, *(mount.position[2] for mount in robot.mounts))
    boxes = []
    for front, side in itertools.product((1, -1), (1, -1)):
        x = sorted(front * share * robot.footprint[0] for share in (0.3, 0.45))
        across = sorted(side * share * robot.footprint[1] for share in (0.3, 0.45))
        ahead = 0.0 if front > 0 else 180.0
        turn = (-30.0, 60.0) if front * side > 0 else (-60.0, 30.0)
        boxes.append(
            MountBox(
                name=f"{'front' if front > 0 else 'back'} {'left' if side > 0 else 'right'}",
                camera=camera,
                corner_min=(x[0], across[0], 0.2),
                corner_max=(x[1], across[1], top),
                yaw_deg=(ahead + turn[0], ahead + turn[1], 15.0),
                tilt_deg=(-8.0, 8.0, 8.0),
                spacing_m=max(0.5 * (top - 0.2), 0.15),
            )
        )
    return MountRoom(boxes=tuple(boxes))


class _BoxKeys(StrictKeys):
    name: Text
    camera: Text
    corner_min: Point
    corner_max: Point
    yaw_deg: tuple[Number, Number, Number]
    tilt_deg: tuple[Number, Number, Number] = (0.0, 0.0, 1.0)
    roll_deg: tuple[Number, Number, Number] = (0.0, 0.0, 1.0)
    spacing: Number | None = None
    cost: Number | None = None


class RoomKeys(StrictKeys):
    """The keys of search.toml."""

    length_unit: LengthUnit
    overhang: Number = 0.0
    clearance: Number | None = None
    apart: Number | None = None
    box: list[_BoxKeys] = []


def load_room(path: str | Path) -> MountRoom:
    """Return the boxes of a TOML file, all lengths in metres; their cameras are read beside it.

    Raises
    ------
    FileFormatError
        One line naming the file, the field, what was expected and what was found.
    """
    path = Path(path)
    keys = validated(RoomKeys, read_toml(path), path)
    metres = METRES[keys.length_unit]
    cameras = {}
    for number, box in enumerate(keys.box):
        if box.camera not in cameras:
            cameras[box.camera] = load_camera(named_file(path, f"box[{number}].camera", box.camera))
    names = [box.name for box in keys.box]
    for number, name in enumerate(names):
        if name in names[:number]:
            raise FileFormatError(path, f"box[{number}].name", f"expected each name once, found '{name}' twice")
    boxes = tuple(_box(path, number, box, cameras[box.camera], metres) for number, box in enumerate(keys.box))
    lengths = {"overhang_m": keys.overhang, "clearance_m": keys.clearance, "apart_m": keys.apart}
    given = {name: value * metres for name, value in lengths.items() if value is not None}
    return built(lambda: MountRoom(boxes=boxes, **given), path)


def _box(path: Path, number: int, keys: _BoxKeys, camera: Camera, metres: float) -> MountBox:
    try:
        return MountBox(
            name=keys.name,
            camera=camera,
            corner_min=scaled(keys.corner_min, metres),
            corner_max=scaled(keys.corner_max, metres),
            yaw_deg=keys.yaw_deg,
            tilt_deg=keys.tilt_deg,
            roll_deg=keys.roll_deg,
            cost=keys.cost,
            **({} if keys.spacing is None else {"spacing_m": keys.spacing * metres}),
        )
    except InputError as error:
        where, _, message = str(error).partition(": ")
        raise FileFormatError(path, f"box[{number}].{where}", message) from None


def may_stand_together(mounts: Sequence[Mount], apart_m: float) -> BoolArray:
    """Return which mounts (K, K) leave each other room."""
    places = np.array([mount.position for mount in mounts])
    distance = np.linalg.norm(places[:, None] - places[None], axis=2)
    return np.asarray(distance >= apart_m - 1e-9) & ~np.eye(len(places), dtype=np.bool_)
