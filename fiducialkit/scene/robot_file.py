"""Robots on file."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from fiducialkit.files import read_toml, validated
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.camera_file import load_camera
from fiducialkit.scene.file_keys import (
    METRES,
    LengthUnit,
    Number,
    Point,
    StrictKeys,
    Text,
    built,
    expect_kind,
    named_file,
    scaled,
)
from fiducialkit.scene.robot import Mount, Rig, Robot, Structure, Tool


class _MountKeys(StrictKeys):
    name: Text
    camera: Text
    position: Point
    yaw_deg: Number = 0.0
    tilt_deg: Number = 0.0
    roll_deg: Number = 0.0
    cost: Number = 1.0


class _RigKeys(StrictKeys):
    name: Text
    mounts: list[Text]


class _StructureKeys(StrictKeys):
    state: Text
    corner_min: Point
    corner_max: Point
    raised_deg: Number = 0.0
    pivot: Point | None = None


class _ToolKeys(StrictKeys):
    side: Literal["front", "back"]
    position: Point


class RobotKeys(StrictKeys):
    """The keys of robot.toml."""

    name: Text = "robot"
    length_unit: LengthUnit
    footprint: tuple[Number, Number]
    mount: list[_MountKeys] = []
    rig: list[_RigKeys] = []
    structure: list[_StructureKeys] = []
    tool: list[_ToolKeys] = []


def load_robot(path: str | Path) -> Robot:
    """Return the robot of a TOML file, all lengths in metres; its cameras are read beside it.

    Raises
    ------
    FileFormatError
        One line naming the file, the field, what was expected and what was found.
    """
    path = Path(path)
    data = read_toml(path)
    expect_kind(data, "robot", path)
    keys = validated(RobotKeys, data, path)
    cameras: dict[str, Camera] = {}
    for number, mount in enumerate(keys.mount):
        if mount.camera not in cameras:  # mounts share the camera they name alike
            cameras[mount.camera] = load_camera(named_file(path, f"mount[{number}].camera", mount.camera))
    return built(lambda: _robot(keys, cameras), path)


def _robot(keys: RobotKeys, cameras: dict[str, Camera]) -> Robot:
    metres = METRES[keys.length_unit]
    return Robot(
        name=keys.name,
        footprint=scaled(keys.footprint, metres),
        mounts=tuple(
            Mount(
                name=mount.name,
                camera=cameras[mount.camera],
                position=scaled(mount.position, metres),
                yaw_deg=mount.yaw_deg,
                tilt_deg=mount.tilt_deg,
                roll_deg=mount.roll_deg,
                cost=mount.cost,
            )
            for mount in keys.mount
        ),
        rigs=tuple(Rig(name=rig.name, mounts=tuple(rig.mounts)) for rig in keys.rig),
        structures=tuple(_structure(entry, metres) for entry in keys.structure),
        tools=tuple(Tool(side=tool.side, position=scaled(tool.position, metres)) for tool in keys.tool),
    )


def _structure(entry: _StructureKeys, metres: float) -> Structure:
    pivot = entry.pivot if entry.pivot is not None else (0.0, 0.0, 0.0)
    return Structure(
        state=entry.state,
        corner_min=scaled(entry.corner_min, metres),
        corner_max=scaled(entry.corner_max, metres),
        raised_deg=entry.raised_deg,
        pivot=scaled(pivot, metres),
    )
