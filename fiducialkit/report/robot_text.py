"""A robot as the text of its file, with the cameras it names."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence

from fiducialkit.report.comparison_page import plain_name
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.robot import Mount, Rig, Robot, Structure, Tool


def robot_text(robot: Robot, *, comment: str = "") -> tuple[str, dict[str, Camera]]:
    """Return robot.toml, all lengths in metres, and the cameras under the names it gives their files.

    `scene.robot_file.load_robot` gives the same robot back once the cameras are written beside it.
    """
    files: dict[str, Camera] = {}
    for mount in robot.mounts:
        if mount.camera not in files.values():
            files[_free_name(mount.camera, files)] = mount.camera
    lines = [f"# {line}" for line in comment.splitlines()]
    lines += [f"name = {_quoted(robot.name)}", 'length_unit = "m"', f"footprint = {_list(robot.footprint)}"]
    for mount in robot.mounts:
        lines += _mount(mount, next(name for name, camera in files.items() if camera == mount.camera))
    for rig in robot.rigs:
        lines += _rig(rig)
    for structure in robot.structures:
        lines += _structure(structure)
    for tool in robot.tools:
        lines += _tool(tool)
    return "\n".join(lines) + "\n", files


def _free_name(camera: Camera, taken: Collection[str]) -> str:
    stem = f"camera_{plain_name(camera.name) or 'unnamed'}"
    names = (f"{stem}{suffix}.json" for suffix in ("", *(f"_{number}" for number in range(2, len(taken) + 3))))
    return next(name for name in names if name not in taken)


def _mount(mount: Mount, camera: str) -> list[str]:
    angles = [f"{key} = {_number(getattr(mount, key))}" for key in ("yaw_deg", "tilt_deg", "roll_deg")]
    named = [f"name = {_quoted(mount.name)}", f"camera = {_quoted(camera)}", f"position = {_list(mount.position)}"]
    return ["", "[[mount]]", *named, *angles, f"cost = {_number(mount.cost)}"]


def _rig(rig: Rig) -> list[str]:
    mounts = ", ".join(_quoted(name) for name in rig.mounts)
    return ["", "[[rig]]", f"name = {_quoted(rig.name)}", f"mounts = [{mounts}]"]


def _structure(structure: Structure) -> list[str]:
    lines = [f"state = {_quoted(structure.state)}"]
    lines += [f"corner_min = {_list(structure.corner_min)}", f"corner_max = {_list(structure.corner_max)}"]
    if structure.raised_deg or any(structure.pivot):
        lines += [f"raised_deg = {_number(structure.raised_deg)}", f"pivot = {_list(structure.pivot)}"]
    return ["", "[[structure]]", *lines]


def _tool(tool: Tool) -> list[str]:
    return ["", "[[tool]]", f"side = {_quoted(tool.side)}", f"position = {_list(tool.position)}"]


def _number(value: float) -> str:
    text = repr(float(value))  # every digit: what is read back is what was searched
    return text if set(text) & set(".e") else f"{text}.0"


def _list(values: Sequence[float]) -> str:
    return "[" + ", ".join(_number(value) for value in values) + "]"


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)  # TOML's basic strings escape as JSON's do
