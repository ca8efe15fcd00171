"""`fiducialkit render`: pictures as the robot's cameras would take them, with the truth beside them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    import pandas as pd
    from scipy.spatial.transform import RigidTransform

    from fiducialkit.imaging.noise import Sensor
    from fiducialkit.imaging.optical_blur import Focus
    from fiducialkit.imaging.rendering import RenderedPicture
    from fiducialkit.imaging.rendering_settings import Motion, RenderSettings
    from fiducialkit.scene.camera import Camera
    from fiducialkit.scene.field import Field
    from fiducialkit.scene.robot import Robot

POSE_COLUMNS = ("robot_x_m", "robot_y_m", "robot_heading_deg")
TRUE_CORNER_SD_PX = 1e-3  # corners.csv needs a covariance; the truth has none


@dataclass(frozen=True, slots=True, kw_only=True)
class _Eye:
    """One camera that takes pictures; without a robot the poses are those of the camera itself."""

    name: str
    camera: Camera
    robot_from_camera: RigidTransform
    robot: Robot | None


def render(
    layout: Annotated[Path, typer.Argument(metavar="FIELD", help="A field file, or a study, which names the robot.")],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the pictures and the tables go.")],
    camera: Annotated[
        Path | None, typer.Option(metavar="CAMERA", help="A camera by itself, level; poses are then its own.")
    ] = None,
    height_m: Annotated[float, typer.Option(help="Height of that camera above the floor.")] = 0.5,
    robot: Annotated[Path | None, typer.Option(metavar="ROBOT", help="Whose mounts take the pictures.")] = None,
    mount: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="Which mount; may be given several times.")
    ] = None,
    state: Annotated[str | None, typer.Option(help="Mechanism state: which structure is in the view.")] = None,
    poses: Annotated[
        Path | None,
        typer.Option(metavar="CSV", help="robot_x_m, robot_y_m, robot_heading_deg; time_s if known."),
    ] = None,
    x_m: Annotated[float | None, typer.Option(help="A single pose instead of a table.")] = None,
    y_m: Annotated[float | None, typer.Option(help="A single pose instead of a table.")] = None,
    heading_deg: Annotated[float | None, typer.Option(help="A single pose instead of a table.")] = None,
    speed_m_per_s: Annotated[float, typer.Option(help="Forward speed while the exposure lasts: smear.")] = 0.0,
    turn_deg_per_s: Annotated[float, typer.Option(help="Turn rate to the left while the exposure lasts.")] = 0.0,
    background: Annotated[str, typer.Option(help="plain, textured, cluttered or hall.")] = "hall",
    blur_px: Annotated[float | None, typer.Option(help="Optical blur.  [default: the camera's]")] = None,
    tone: Annotated[str, typer.Option(help="linear or srgb.")] = "linear",
    jpeg_quality: Annotated[int | None, typer.Option(help="Compress and read back, 1 to 100.")] = None,
    margin_cells: Annotated[float, typer.Option(help="White margin round the black square, in cells.")] = 1.0,
    vignetting: Annotated[str, typer.Option(help="none or cos4.")] = "none",
    light_gradient: Annotated[
        tuple[float, float],
        typer.Option(metavar="ACROSS DOWN", help="Relative change of the light from edge to edge."),
    ] = (0.0, 0.0),
    exposure_s: Annotated[
        float | None, typer.Option(help="How long each picture is exposed.  [default: the camera's]")
    ] = None,
    sensor: Annotated[
        tuple[float, float, float] | None,
        typer.Option(
            metavar="LIGHT READ GAIN",
            help="Electrons a second from white, read noise in electrons, grey levels an electron: light and noise "
            "then follow from the exposure.",
        ),
    ] = None,
    focus: Annotated[
        tuple[float, float, float, float] | None,
        typer.Option(
            metavar="DISTANCE_M FOCAL_MM F_NUMBER PIXEL_UM",
            help="Depth of field: distance in focus, focal length, f-number, side of a pixel.",
        ),
    ] = None,
    seed: Annotated[int, typer.Option(help="Of noise and background; the same seed gives the same files.")] = 0,
) -> None:
    """Draw what a robot's cameras would see, with the true corners and poses.

    Writes a log: PNG pictures, frames.csv, reference.csv (true poses), corners.csv (true corners, in the form that
    'detect' writes and 'solve' reads) and markers.csv (true marker poses, share of each that is seen). Picture times
    are stamps: true time plus the camera's stamp delay.
    """
    from fiducialkit.cli.console import checked_folder
    from fiducialkit.imaging.backgrounds import Background
    from fiducialkit.imaging.rendering_settings import Motion, RenderSettings

    checked_folder(out)
    field, robot_of_study = _field_and_robot(layout)
    eyes = [_exposed(eye, exposure_s) for eye in _eyes(camera, height_m, robot, robot_of_study, mount or [])]
    places = _poses(poses, x_m, y_m, heading_deg)
    motion = Motion(velocity_m_per_s=(speed_m_per_s, 0.0, 0.0), turn_deg_per_s=(0.0, 0.0, turn_deg_per_s))
    settings = RenderSettings(
        background=Background(kind=background),  # type: ignore[arg-type]  # checked there
        blur_px=blur_px,
        tone=tone,  # type: ignore[arg-type]
        jpeg_quality=jpeg_quality,
        margin_cells=margin_cells,
        vignetting=vignetting,  # type: ignore[arg-type]
        light_gradient=light_gradient,
        sensor=_sensor(sensor),
        focus=_focus(focus),
    )
    written = _Log(field=field, settings=settings, motion=motion, state=state, seed=seed)
    pictures, shown = _write_log(written, eyes, places, out)
    print(f"{pictures} pictures with {shown} markers in them, and the truth about them: {out}")
    if shown == 0:
        print("no marker is in any picture: is the field or a mount turned the wrong way?")
        raise typer.Exit(1)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Log:
    """What all pictures have in common."""

    field: Field
    settings: RenderSettings
    motion: Motion
    state: str | None
    seed: int


def _field_and_robot(path: Path) -> tuple[Field, Robot | None]:
    from fiducialkit.cli.show import kind_of_file
    from fiducialkit.errors import FileFormatError
    from fiducialkit.planning.study_file import load_study
    from fiducialkit.scene.field_file import load_field

    kind = kind_of_file(path)
    if kind == "study":
        study = load_study(path)
        return study.field, study.robot
    if kind != "field":
        raise FileFormatError(path, "", f"expected a field or a study, found a {kind} file")
    return load_field(path), None


def _eyes(
    camera: Path | None, height_m: float, robot: Path | None, robot_of_study: Robot | None, names: list[str]
) -> list[_Eye]:
    from fiducialkit.errors import InputError
    from fiducialkit.scene.camera_file import load_camera
    from fiducialkit.scene.robot_file import load_robot
    from fiducialkit.scene.transforms import robot_from_camera_angles

    if camera is not None:
        if robot is not None or names:
            raise InputError("--camera, --robot: expected one of the two, found both")
        lens = load_camera(camera)
        place = robot_from_camera_angles((0.0, 0.0, height_m), 0.0, 0.0, 0.0)
        return [_Eye(name=lens.name, camera=lens, robot_from_camera=place, robot=None)]
    checked = load_robot(robot) if robot is not None else robot_of_study
    if checked is None:
        raise InputError("--camera: expected a camera file, or --robot and --mount, found none")
    if not names and len(checked.mounts) > 1:
        known = ", ".join(f"'{each.name}'" for each in checked.mounts)
        raise InputError(f"--mount: expected one or more of {known}, found none")
    mounts = [checked.mount(name) for name in names] or list(checked.mounts)
    return [
        _Eye(name=each.name, camera=each.camera, robot_from_camera=each.robot_from_camera, robot=checked)
        for each in mounts
    ]


def _exposed(eye: _Eye, exposure_s: float | None) -> _Eye:
    if exposure_s is None:
        return eye
    timing = replace(eye.camera.timing, exposure_s=exposure_s)
    return replace(eye, camera=replace(eye.camera, timing=timing))


def _sensor(numbers: tuple[float, float, float] | None) -> Sensor | None:
    from fiducialkit.imaging.noise import Sensor

    if numbers is None:
        return None
    light, read, gain = numbers
    return Sensor(electrons_per_s=light, read_sd_electrons=read, gain_grey_per_electron=gain)


def _focus(numbers: tuple[float, float, float, float] | None) -> Focus | None:
    from fiducialkit.imaging.optical_blur import Focus

    if numbers is None:
        return None
    distance_m, focal_mm, f_number, pixel_um = numbers
    return Focus(distance_m=distance_m, focal_length_mm=focal_mm, f_number=f_number, pixel_pitch_um=pixel_um)


def _poses(path: Path | None, x_m: float | None, y_m: float | None, heading_deg: float | None) -> pd.DataFrame:
    """Return the columns time_s and `POSE_COLUMNS`."""
    import pandas as pd

    from fiducialkit import files
    from fiducialkit.errors import FileFormatError, InputError

    single = (x_m, y_m, heading_deg)
    given = [value is not None for value in single]
    if path is None:
        if not all(given):
            raise InputError("--poses: expected a table, or --x-m, --y-m and --heading-deg, found neither")
        return pd.DataFrame([(0.0, *single)], columns=["time_s", *POSE_COLUMNS]).astype(float)
    if any(given):
        raise InputError("--poses, --x-m: expected a table or a single pose, found both")
    table, lines = files.read_csv_lines(path)
    wanted = [*(["time_s"] if "time_s" in table else []), *POSE_COLUMNS]
    for name in wanted:
        if name not in table:
            raise FileFormatError(path, name, f"expected this column, found {', '.join(map(str, table.columns))}")
        values = pd.to_numeric(table[name], errors="coerce")
        wrong = values.isna() | (values.abs() == float("inf"))
        if wrong.any():
            row = int(wrong.to_numpy().argmax())
            raise FileFormatError(
                path, f"row {lines[row]}, {name}", f"expected a number, found '{table[name].iloc[row]}'"
            )
    if table.empty:
        raise FileFormatError(path, "", "expected at least one pose, found none")
    result = table[wanted].astype(float)
    if "time_s" not in result:
        result.insert(0, "time_s", [0.1 * row for row in range(len(result))])
    return result


def _write_log(log: _Log, eyes: list[_Eye], places: pd.DataFrame, out: Path) -> tuple[int, int]:
    """Render and write everything; return how many pictures and how many markers in them."""
    import pandas as pd

    from fiducialkit import files
    from fiducialkit.cli.console import progress
    from fiducialkit.cli.result_tables import CORNERS
    from fiducialkit.imaging.images import write_picture
    from fiducialkit.imaging.rendering import refuse_inside_obstacle

    frames: list[dict[str, Any]] = []
    corners, markers = [], []
    folder: Path | None = None
    shots = [(row, place, eye) for row, place in enumerate(places.to_dict("records")) for eye in eyes]
    for _, place, eye in shots:  # all of them before the first is written
        refuse_inside_obstacle(log.field, _robot_pose(place) * eye.robot_from_camera)
    for number, (row, place, eye) in enumerate(progress(shots, "picture")):
        picture = _taken(log, eye, place, log.seed + number)
        folder = folder or files.new_folder(out)  # nothing is written before the first picture came out well
        name = f"frame_{row + 1:04d}" + (f"_{eyes.index(eye) + 1}" if len(eyes) > 1 else "") + ".png"
        write_picture(folder / name, picture.image)
        stamp_s = place["time_s"] + eye.camera.timing.stamp_delay_s
        frames.append({"time_s": stamp_s, "file": name, "camera": eye.name})
        corners.append(_corner_rows(picture, name, eye.camera))
        markers.append(_marker_rows(picture, name))
    files.write_csv(out / "frames.csv", pd.DataFrame(frames))
    files.write_csv(out / "reference.csv", places)
    seen = [each for each in corners if len(each)]
    files.write_csv(out / "corners.csv", CORNERS.checked(pd.concat(seen)) if seen else CORNERS.empty())
    files.write_csv(
        out / "markers.csv", pd.DataFrame([row for rows in markers for row in rows], columns=_MARKER_COLUMNS)
    )
    return len(frames), sum(len(rows) for rows in markers)


def _taken(log: _Log, eye: _Eye, place: dict[Any, Any], seed: int) -> RenderedPicture:
    from fiducialkit.imaging.rendering import render as render_picture

    return render_picture(
        log.field,
        eye.camera,
        _robot_pose(place) * eye.robot_from_camera,
        settings=log.settings,
        seed=seed,
        robot=eye.robot,
        state=log.state,
        robot_from_camera=eye.robot_from_camera,
        velocity=log.motion,
    )


def _robot_pose(place: dict[Any, Any]) -> RigidTransform:
    from fiducialkit.scene.transforms import field_from_robot_on_floor

    return field_from_robot_on_floor(*(place[name] for name in POSE_COLUMNS))


def _corner_rows(picture: RenderedPicture, name: str, camera: Camera) -> pd.DataFrame:
    import numpy as np

    from fiducialkit.imaging.observations import MarkerObservations

    whole = np.isfinite(picture.corners_px).all(axis=(1, 2))
    notes = [
        "" if share == 1.0 else f"{100.0 * share:.0f} % of it is seen" for share in picture.visible[whole].tolist()
    ]
    observations = MarkerObservations(
        marker_id=picture.marker_id[whole],
        corners_px=picture.corners_px[whole],
        covariance_px2=TRUE_CORNER_SD_PX**2,  # type: ignore[arg-type]  # one number stands for all
        notes=tuple(notes),
        picture_size_px=(camera.width_px, camera.height_px),
    )
    table = observations.to_table()
    table.insert(0, "file", name)
    return table


_MARKER_COLUMNS = [
    "file",
    "marker_id",
    "visible_share",
    *(f"camera_marker_{axis}_m" for axis in "xyz"),
    *(f"camera_marker_q{part}" for part in "wxyz"),
]


def _marker_rows(picture: RenderedPicture, name: str) -> list[tuple[Any, ...]]:
    from fiducialkit.scene.transforms import parts, quaternion_wxyz

    rows = []
    for number, share, pose in zip(picture.marker_id, picture.visible, picture.camera_from_marker, strict=True):
        rows.append((name, int(number), float(share), *parts(pose)[1].tolist(), *quaternion_wxyz(pose).tolist()))
    return rows
