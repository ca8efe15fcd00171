"""`fiducialkit solve`: the robot's pose in each picture."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    import pandas as pd
    from scipy.spatial.transform import RigidTransform

    from fiducialkit.cli.seen import Seen
    from fiducialkit.scene.camera import Camera
    from fiducialkit.scene.field import Field
    from fiducialkit.scene.robot import Mount
    from fiducialkit.solving.pose import PoseSolution

_PICTURES_FOR_SIZE = 12  # of the first with two or more markers; each is solved some forty times


def solve(
    inputs: Annotated[
        list[Path],
        typer.Argument(metavar="INPUT", help="Pictures, folders of pictures, or the corners.csv of 'detect'."),
    ],
    field: Annotated[Path, typer.Option(metavar="FIELD", help="Where the markers are.")],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where poses.csv goes.")],
    camera: Annotated[
        Path | None,
        typer.Option(metavar="CAMERA", help="The lens; may be left out with --robot, whose own it is then."),
    ] = None,
    robot: Annotated[
        Path | None, typer.Option(metavar="ROBOT", help="Without it the poses are those of the camera itself.")
    ] = None,
    mount: Annotated[str | None, typer.Option(metavar="NAME", help="Which of the robot's mounts took them.")] = None,
    on_floor: Annotated[
        bool, typer.Option("--on-floor", help="The robot is known to stand level on the floor.")
    ] = False,
    heading_deg: Annotated[float | None, typer.Option(help="Heading known beforehand, from a gyro.")] = None,
    heading_sd_deg: Annotated[float | None, typer.Option(help="Standard deviation of that heading.")] = None,
    preset: Annotated[
        str, typer.Option(help="Settings of the detector: 'full range', or 'quick look' for half the time.")
    ] = "full range",
) -> None:
    """Find the robot's pose in each picture.

    Writes poses.csv: pose, covariance, and the second pose where one fits. Without --robot the poses are those of the
    camera itself; the column pose_of says so.
    """
    from fiducialkit import files
    from fiducialkit.cli.console import checked_folder, say
    from fiducialkit.scene.field_file import load_field

    checked_folder(out)
    prior = _heading_prior(heading_deg, heading_sd_deg)
    layout = load_field(field)
    lens, place = _lens_and_mount(camera, robot, mount, on_floor=on_floor)
    seen = _seen(inputs, layout, lens, preset)
    settings: dict[str, Any] = {"on_floor": on_floor, "heading_prior": prior}
    settings["robot_from_camera"] = place.robot_from_camera if place else None
    poses = _solved_table(seen, layout, lens, settings)
    path = files.write_csv(files.new_folder(out) / "poses.csv", poses)
    found = int(poses["robot_x_m"].notna().sum())
    whose = f"of the robot (mount '{place.name}')" if place else "of the CAMERA itself (no --robot was given)"
    print(f"{found} poses {whose} from {len(poses)} pictures: {path}")
    for status, rows in poses.groupby("status", sort=False):
        print(f"  {status}: {len(rows)}" + (f", e.g. {rows['file'].iloc[0]}" if status != "ok" else ""))
    for row in poses[poses["message"] != ""].head(10).itertuples():
        say(f"{row.file}: {row.message}", indent="  ")
    remark = _printed_size(seen, layout, lens)
    if remark:
        say(remark)
    if found == 0:
        raise typer.Exit(1)


def _printed_size(seen: list[Seen], layout: Field, lens: Camera) -> str:
    """Return what a few pictures with several markers say of the markers' printed size; empty where it is as stated."""
    from fiducialkit.solving.scale import marker_scale

    several = [each.observations for each in seen if each.observations is not None and len(each.observations) > 1]
    return marker_scale(several[:_PICTURES_FOR_SIZE], layout, lens).message if several else ""


def _heading_prior(heading_deg: float | None, sd_deg: float | None) -> tuple[float, float] | None:
    from fiducialkit.errors import InputError

    if (heading_deg is None) != (sd_deg is None):
        raise InputError("--heading-deg, --heading-sd-deg: expected both or none, found one")
    if heading_deg is None or sd_deg is None:
        return None
    if not (math.isfinite(heading_deg) and math.isfinite(sd_deg) and sd_deg > 0.0):
        raise InputError(f"--heading-sd-deg: expected a number above 0, found {sd_deg:g} (heading {heading_deg:g})")
    return math.radians(heading_deg), math.radians(sd_deg)


def _lens_and_mount(
    camera: Path | None, robot: Path | None, mount: str | None, *, on_floor: bool
) -> tuple[Camera, Mount | None]:
    from fiducialkit.errors import InputError
    from fiducialkit.scene.camera_file import load_camera
    from fiducialkit.scene.robot_file import load_robot

    if robot is None:
        for given, option in ((mount is not None, "--mount"), (on_floor, "--on-floor")):
            if given:
                raise InputError(f"{option}: expected --robot with it, found none")
        if camera is None:
            raise InputError("--camera: expected a camera file, or --robot and --mount, found none")
        return load_camera(camera), None
    checked = load_robot(robot)
    if mount is None and len(checked.mounts) != 1:
        names = ", ".join(f"'{each.name}'" for each in checked.mounts)
        raise InputError(f"--mount: expected one of {names}, found none")
    place = checked.mount(mount) if mount is not None else checked.mounts[0]
    return load_camera(camera) if camera else place.camera, place


def _seen(inputs: list[Path], layout: Field, lens: Camera, preset: str) -> list[Seen]:
    from fiducialkit.cli.pictures import find_pictures
    from fiducialkit.cli.seen import detect_in_pictures, read_corners

    tables = [path for path in inputs if path.suffix.lower() == ".csv"]
    seen = [one for path in tables for one in read_corners(path)]
    others = [path for path in inputs if path not in tables]
    if others:
        seen += detect_in_pictures(
            find_pictures(others), layout.family, border_cells=layout.border_cells, camera=lens, preset=preset
        )
    return seen


def _solved_table(seen: list[Seen], layout: Field, lens: Camera, settings: dict[str, Any]) -> pd.DataFrame:
    import pandas as pd

    from fiducialkit.cli.console import progress
    from fiducialkit.cli.result_tables import POSES
    from fiducialkit.errors import InputError

    rows = [_row(one, layout, lens, settings) for one in progress(seen, "solving")]
    if rows and all(row["status"] == "wrong_size" for row in rows):
        raise InputError(f"{rows[0]['file']}: {rows[0]['message']}")
    frame = pd.DataFrame(rows).assign(pose_of="robot" if settings["robot_from_camera"] is not None else "camera")
    return POSES.checked(frame.reindex(columns=POSES.names)) if rows else POSES.empty()


def _row(one: Seen, layout: Field, lens: Camera, settings: dict[str, Any]) -> dict[str, Any]:
    from fiducialkit.errors import InputError
    from fiducialkit.solving.pose import solve_pose

    if one.observations is None:
        return {"file": one.name, "status": "unreadable", "message": one.message}
    size = one.observations.picture_size_px
    try:
        if size is not None:
            lens.for_picture(*size)
    except InputError as error:
        return {"file": one.name, "status": "wrong_size", "message": str(error)}
    solution = solve_pose(one.observations, layout, lens, **settings)
    row = {"file": one.name, "status": solution.status, "message": solution.message}
    return row | _pose_cells(solution, is_camera=settings["robot_from_camera"] is None)


def _pose_cells(solution: PoseSolution, *, is_camera: bool) -> dict[str, Any]:
    from fiducialkit.tables import stack_covariance

    cells: dict[str, Any] = {
        "markers_used": " ".join(str(number) for number in solution.markers_used),
        "markers_rejected": "; ".join(f"{number}: {reason}" for number, reason in solution.markers_rejected),
        "rms_px": solution.rms_px,
    }
    if solution.estimate is None:
        return cells
    cells |= _cells_of("robot", solution.estimate.field_from_robot, is_camera)
    covariance = stack_covariance("pose_covariance", solution.estimate.covariance[None])
    cells |= {str(name): value for name, value in covariance.iloc[0].items()}
    cells["flip_probability"] = solution.flip_probability
    if solution.alternative is not None:
        cells |= _cells_of("alternative", solution.alternative.field_from_robot, is_camera)
        cells["alternative_probability"] = solution.alternative.probability
    return cells


def _cells_of(prefix: str, field_from_body: RigidTransform, is_camera: bool) -> dict[str, float]:
    from fiducialkit.scene.transforms import parts, quaternion_wxyz

    rotation, position = parts(field_from_body)
    forward_field = rotation[:, 2 if is_camera else 0]  # a camera looks along its z, a robot drives along its x
    heading_deg = math.degrees(math.atan2(forward_field[1], forward_field[0]))
    values = [*position.tolist(), heading_deg, *quaternion_wxyz(field_from_body).tolist()]
    names = ["x_m", "y_m", "z_m", "heading_deg", "qw", "qx", "qy", "qz"]
    return {f"{prefix}_{name}": value for name, value in zip(names, values, strict=True)}
