"""Studies on file."""

from __future__ import annotations

from pathlib import Path

from fiducialkit.errors import FileFormatError
from fiducialkit.files import read_toml, validated
from fiducialkit.planning.study import Approach, BuildTolerance, FloorGrid, FloorPrior, Odometry, OtherRobots, Study
from fiducialkit.scene.field_file import load_field
from fiducialkit.scene.file_keys import Number, StrictKeys, Text, Whole, built, expect_kind, named_file
from fiducialkit.scene.robot import Rig, Robot
from fiducialkit.scene.robot_file import load_robot


class _ApproachKeys(StrictKeys):
    distance_m: Number = 1.5
    speed_m_per_s: Number = 1.5


class _FloorKeys(StrictKeys):
    step_m: Number = 0.25
    headings: Whole = 16


class _PriorKeys(StrictKeys):
    height_sd_m: Number = 0.01
    level_sd_deg: Number = 0.5
    heading_sd_deg: Number = 0.0


class _ToleranceKeys(StrictKeys):
    mount_sd_m: Number = 0.003
    mount_sd_deg: Number = 0.3
    marker_sd_m: Number = 0.005
    marker_sd_deg: Number = 0.3
    focal_sd_percent: Number = 0.2
    time_sd_s: Number = 0.005


class _OdometryKeys(StrictKeys):
    distance_sd_percent: Number = 2.0
    heading_sd_deg_per_s: Number = 0.05


class _OtherRobotsKeys(StrictKeys):
    per_m2: Number = 0.0
    length_m: Number = 0.8
    width_m: Number = 0.8
    height_m: Number = 1.2


class StudyKeys(StrictKeys):
    """The keys of study.toml."""

    name: Text | None = None
    field: Text
    robot: Text
    rigs: list[Text] = []
    states: list[Text] = []
    approach: _ApproachKeys = _ApproachKeys()
    floor: _FloorKeys = _FloorKeys()
    prior: _PriorKeys = _PriorKeys()
    tolerance: _ToleranceKeys = _ToleranceKeys()
    odometry: _OdometryKeys = _OdometryKeys()
    other_robots: _OtherRobotsKeys = _OtherRobotsKeys()
    weights: dict[Text, Number] = {}


def load_study(path: str | Path) -> Study:
    """Return the study of a TOML file, with the field and the robot that it names.

    Raises
    ------
    FileFormatError
        One line naming the file (the study's or one it names), the field, what was expected and what was found.
    """
    path = Path(path)
    data = read_toml(path)
    expect_kind(data, "study", path)
    keys = validated(StudyKeys, data, path)
    layout = load_field(named_file(path, "field", keys.field))
    robot = load_robot(named_file(path, "robot", keys.robot))
    rigs = tuple(_rig(number, name, robot, path) for number, name in enumerate(keys.rigs))
    return built(
        lambda: Study(
            name=keys.name or path.stem,
            field=layout,
            robot=robot,
            rigs=rigs,
            states=tuple(keys.states),
            approach=Approach(**keys.approach.model_dump()),
            floor=FloorGrid(**keys.floor.model_dump()),
            prior=FloorPrior(**keys.prior.model_dump()),
            tolerance=BuildTolerance(**keys.tolerance.model_dump()),
            odometry=Odometry(**keys.odometry.model_dump()),
            other_robots=OtherRobots(**keys.other_robots.model_dump()),
            weights=tuple(keys.weights.items()),
        ),
        path,
    )


def _rig(number: int, name: str, robot: Robot, path: Path) -> Rig:
    for rig in robot.rigs:
        if rig.name == name:
            return rig
    known = ", ".join(f"'{rig.name}'" for rig in robot.rigs)
    expected = f"expected one of {known}" if known else "expected a rig of the robot, which has none"
    raise FileFormatError(path, f"rigs[{number}]", f"{expected}, found '{name}'")
