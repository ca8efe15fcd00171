"""`fiducialkit show`: draw what a file says, so that a typo is seen in the first minutes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from fiducialkit.scene.camera import Camera
    from fiducialkit.scene.field import Field
    from fiducialkit.scene.robot import Robot

_Sheets = list[tuple[str, str, bytes]]  # file name, what it shows, PNG


def show(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A field, camera, robot or study.")],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the pictures go.")] = Path(),
) -> None:
    """Draw what a field, camera, robot or study file says."""
    from fiducialkit import files
    from fiducialkit.cli.console import checked_folder

    drawers: dict[str, Callable[[Path], _Sheets]] = {
        "field": _field_sheets,
        "camera": _camera_sheets,
        "robot": _robot_sheets,
        "study": _study_sheets,
    }
    checked_folder(out)
    sheets = drawers[kind_of_file(file)](file)
    folder = files.new_folder(out)
    for name, words, png in sheets:
        path = files.write_bytes(folder / name, png)
        print(f"{words}: {path}")


def kind_of_file(path: Path) -> str:
    """Return field, camera, robot or study, whichever the file's keys fit best."""
    from fiducialkit import files
    from fiducialkit.errors import FileFormatError
    from fiducialkit.scene.file_keys import kind_of

    data: Any = files.read_json(path) if path.suffix.lower() == ".json" else files.read_toml(path)
    if isinstance(data, dict) and isinstance(data.get("camera"), dict):
        data = data["camera"]  # a calibration keeps its camera beside other things
    kind = kind_of(data) if isinstance(data, dict) else None
    if kind is None:
        found = ", ".join(sorted(data)[:6]) if isinstance(data, dict) and data else "none of them"
        raise FileFormatError(path, "", f"expected the keys of a field, camera, robot or study, found {found}")
    return kind


def _field_sheets(path: Path) -> _Sheets:
    from fiducialkit.scene.field_file import load_field

    return [_field_sheet(load_field(path), path.stem, None)]


def _camera_sheets(path: Path) -> _Sheets:
    from fiducialkit.scene.camera_file import load_camera

    return [_camera_sheet(load_camera(path), f"{path.stem}_lens.png")]


def _robot_sheets(path: Path) -> _Sheets:
    from fiducialkit.scene.robot_file import load_robot

    return _sheets_of_robot(load_robot(path), path.stem)


def _study_sheets(path: Path) -> _Sheets:
    from fiducialkit.planning.study_file import load_study
    from fiducialkit.report.comparison_page import plain_name

    study = load_study(path)
    sheets = [_field_sheet(study.field, f"{path.stem}_field", study.robot.footprint)]
    sheets += _sheets_of_robot(study.robot, f"{path.stem}_robot")
    cameras = {mount.camera.name: mount.camera for mount in study.robot.mounts}
    for number, camera in enumerate(cameras.values(), start=1):
        sheets.append(_camera_sheet(camera, f"{path.stem}_lens_{number}_{plain_name(camera.name)}.png"))
    return sheets


def _field_sheet(field: Field, stem: str, footprint: tuple[float, float] | None) -> tuple[str, str, bytes]:
    from fiducialkit.plots.sheets import field_sheet

    words = (
        f"field '{field.name}', {field.size[0]:g} x {field.size[1]:g} m, {len(field.markers)} markers of "
        f"{field.family.name}, {len(field.nodes)} nodes, {len(field.obstacles)} obstacles"
    )
    return f"{stem}_from_above.png", words, field_sheet(field, footprint)


def _camera_sheet(camera: Camera, name: str) -> tuple[str, str, bytes]:
    from fiducialkit.plots.robot_view import view_angles_deg
    from fiducialkit.plots.sheets import camera_sheet

    across, down = view_angles_deg(camera)
    words = (
        f"camera '{camera.name}', {camera.width_px} x {camera.height_px} px, {camera.model} lens, "
        f"sees {across:.1f} x {down:.1f} deg"
    )
    return name, words, camera_sheet(camera)


def _sheets_of_robot(robot: Robot, stem: str) -> _Sheets:
    from fiducialkit.plots.sheets import robot_sheet
    from fiducialkit.report.comparison_page import plain_name

    length, width = robot.footprint
    words = f"robot '{robot.name}', {length:g} x {width:g} m, {len(robot.mounts)} mounts, {len(robot.rigs)} rigs"
    sheets = [(f"{stem}.png", words, robot_sheet(robot))]
    for number, rig in enumerate(robot.rigs, start=1):
        name = f"{stem}_rig_{number}_{plain_name(rig.name)}.png"
        cameras = f"{len(rig.mounts)} camera" + ("s" if len(rig.mounts) > 1 else "")
        sheets.append((name, f"rig '{rig.name}', {cameras}", robot_sheet(robot, title=rig.name, mounts=rig.mounts)))
    return sheets
