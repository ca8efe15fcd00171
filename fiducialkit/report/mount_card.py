"""The mount card: one printable page that tells whoever builds a rig where each camera goes and how exactly."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd

from fiducialkit import __version__, files
from fiducialkit.planning.sensitivity import LARGEST_MOVE_M, LARGEST_TURN_DEG, mount_tolerances
from fiducialkit.planning.study import Study
from fiducialkit.plots.mount_card import looks_in_words, mount_sheet
from fiducialkit.report.comparison_page import plain_name, tied
from fiducialkit.report.page import picture_address, rendered
from fiducialkit.scene.robot import Mount, Robot
from fiducialkit.scene.transforms import parts

AIM_M = 2.0
CAUTION = (
    "Switch the robot off, take its battery out and keep clear of the arm while you work on it. The event's rules and "
    "whoever is responsible for safety have the last word on where a camera may be and how it is wired."
)


def write_mount_card(study: Study, rig: str, folder: str | Path, *, fall: float = 0.05) -> list[Path]:
    """Write the card of a rig and its drawings, and return their paths, the page last.

    Everything is made in memory before the first file is written, so an error leaves the folder as it was.

    Parameters
    ----------
    study : Study
        Its nodes and tolerances decide how exactly a mount has to be built.
    rig : str
        Name of a rig of the robot.
    folder : str or Path
        Made if there is none. Files of the same names are replaced.
    fall : float
        A mount's tolerance is where the chance to score has fallen by so much in some case; 0.05 is five points.

    Raises
    ------
    InputError
        If the robot has no such rig, or `folder` is a file.
    """
    mounts = [study.robot.mount(name) for name in study.robot.rig(rig).mounts]
    tolerances = mount_tolerances(study, rig, fall=fall)
    pictures = {f"{_stem(rig)}_{n}.png": mount_sheet(study.robot, mount) for n, mount in enumerate(mounts, start=1)}
    page = render_card(study, rig, tolerances, list(pictures.values()), fall=fall)
    folder = files.new_folder(folder)
    written = [files.write_bytes(folder / name, content) for name, content in pictures.items()]
    return [*written, files.write_text(folder / f"{_stem(rig)}.html", page)]


def _stem(rig: str) -> str:
    return f"mount_card_{plain_name(rig)}".rstrip("_")


def render_card(study: Study, rig: str, tolerances: pd.DataFrame, pictures: list[bytes], *, fall: float) -> str:
    """Return the card as one HTML text; it needs no other file and no network."""
    mounts = [study.robot.mount(name) for name in study.robot.rig(rig).mounts]
    return rendered(
        "mount_card.html",
        {"tied": tied},
        study=study,
        rig=rig,
        cards=[
            {
                "mount": mount,
                "rows": card_rows(study.robot, mount, tolerances[tolerances["mount"] == mount.name]),
                "aim": aim_in_words(mount),
                "picture": picture_address(picture),
            }
            for mount, picture in zip(mounts, pictures, strict=True)
        ],
        fall=100.0 * fall,
        worst=100.0 * float(tolerances["worst_chance"].iloc[0]),
        caution=CAUTION,
        version=__version__,
    )


def card_rows(robot: Robot, mount: Mount, tolerances: pd.DataFrame) -> list[tuple[str, str, str]]:
    """Return (what, how much, tolerance) of one mount, in words, place first and then angles."""
    x, y, z = mount.position
    allowed = {str(row["axis"]): _allowed(row["tolerance"], row["unit"]) for row in tolerances.to_dict("records")}
    along, across = inclinometer_deg(mount)
    return [
        ("lens, along", f"{_from_middle(x, 'in front of', 'behind')}; {_from_edge(robot, x, 0)}", allowed["forward"]),
        ("lens, across", f"{_from_middle(y, 'left of', 'right of')}; {_from_edge(robot, y, 1)}", allowed["left"]),
        ("lens, height", f"{1000.0 * z:.0f} mm above the floor", allowed["up"]),
        ("turned", turned_in_words(mount), allowed["yaw"]),
        ("tilted", f"{looks_in_words(mount)}; phone along the camera reads {abs(along):.1f} degrees", allowed["tilt"]),
        (
            "rolled",
            f"{rolled_in_words(mount)}; phone across the camera reads {abs(across):.1f} degrees",
            allowed["roll"],
        ),
    ]


def inclinometer_deg(mount: Mount) -> tuple[float, float]:
    """Return what a phone reads on the camera's body, robot on a level floor: along the view, and across it. [deg]

    Along, above 0: the lens end is higher. Across, above 0: the right end, seen from behind the camera, is higher.
    """
    rotation, _ = parts(mount.robot_from_camera)
    return math.degrees(math.asin(np.clip(rotation[2, 2], -1, 1))), math.degrees(
        math.asin(np.clip(rotation[2, 0], -1, 1))
    )


def turned_in_words(mount: Mount) -> str:
    """Return "30 degrees to the left of straight ahead", seen from above."""
    yaw = math.remainder(mount.yaw_deg, 360.0)
    if abs(yaw) < 0.05:
        return "straight ahead"
    if abs(abs(yaw) - 180.0) < 0.05:
        return "straight back"
    if abs(yaw) > 90.0:
        back = math.remainder(mount.yaw_deg - 180.0, 360.0)
        # looking back, the robot's left is on one's right
        return f"{abs(back):.3g} degrees from straight back, towards the robot's {'right' if back > 0 else 'left'}"
    return f"{abs(yaw):.3g} degrees from straight ahead, towards the robot's {'left' if yaw > 0 else 'right'}"


def rolled_in_words(mount: Mount) -> str:
    """Return how the camera is turned about its view, seen from behind it."""
    roll = math.remainder(mount.roll_deg, 360.0)
    if abs(roll) < 0.05:
        return "upright"
    return f"{abs(roll):.3g} degrees {'clockwise' if roll > 0 else 'counter-clockwise'}, seen from behind the camera"


def aim_point(mount: Mount) -> tuple[float, float, float]:
    """Return the point of the view's middle line that is 2 m from the lens over the floor, in robot. [m]

    2 m along the line itself where the camera looks up or down by more than 60 degrees.
    """
    rotation, place = parts(mount.robot_from_camera)
    level = math.hypot(rotation[0, 2], rotation[1, 2])
    reach = AIM_M / level if level > 0.5 else AIM_M
    x, y, z = place + reach * rotation[:, 2]
    return float(x), float(y), float(z)


def aim_in_words(mount: Mount) -> str:
    """Return where a mark has to be that the camera must show in the middle of its view."""
    x, y, z = aim_point(mount)
    camera = mount.camera
    pixel = f"pixel ({camera.cx_px:.0f}, {camera.cy_px:.0f}) of {camera.width_px} x {camera.height_px}"
    if z < 0.0:
        return f"The camera looks down to the floor nearer than {AIM_M:g} m; its angles are best set with the phone."
    place = f"{_from_middle(x, 'in front of', 'behind')}, {_from_middle(y, 'left of', 'right of')}"
    return (
        f"To check all angles at once, put a mark {place}, {1000.0 * z:.0f} mm above the floor: the camera must show "
        f"it at {pixel}."
    )


def _from_middle(value: float, above: str, below: str) -> str:
    if abs(value) < 5e-4:
        return "on the robot's middle"
    return f"{1000.0 * abs(value):.0f} mm {above if value > 0 else below} the robot's middle"


def _from_edge(robot: Robot, value: float, axis: int) -> str:
    inside = 0.5 * robot.footprint[axis] - abs(value)
    name = (("front", "back"), ("left", "right"))[axis][0 if value >= 0.0 else 1]
    return f"{1000.0 * abs(inside):.0f} mm {'inside' if inside >= 0.0 else 'beyond'} the {name} edge"


def _allowed(tolerance: float, unit: str) -> str:
    if math.isinf(tolerance):
        return f"over {1000.0 * LARGEST_MOVE_M:g} mm" if unit == "mm" else f"over {LARGEST_TURN_DEG:g} degrees"
    return f"+-{tolerance:.2g} {unit}"
