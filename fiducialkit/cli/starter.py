"""A folder of commented files to start from: an example room, or the markers of a table."""

from __future__ import annotations

import tempfile
from importlib import resources
from pathlib import Path

from fiducialkit import files
from fiducialkit.cli.starter_field import example_field, field_text
from fiducialkit.cli.starter_markers import field_of_csv
from fiducialkit.errors import InputError
from fiducialkit.planning.study_file import load_study
from fiducialkit.scene.field import MARKER_SIZE_RANGE_M
from fiducialkit.scene.file_keys import METRES
from fiducialkit.scene.markers import marker_family

_TEMPLATES = "starter_files"
_COPIED = ("study.toml", "camera.toml", "robot.toml")


def write_starter(
    folder: str | Path,
    *,
    markers_csv: str | Path | None = None,
    columns: dict[str, str] | None = None,
    length_unit: str = "m",
    family: str = "36h11",
    marker_size: float | None = None,
) -> list[Path]:
    """Write commented study, field, robot and camera files that load and run as they are; return their paths.

    Everything is checked before the first file appears, so a mistake leaves nothing behind.

    Parameters
    ----------
    folder : str or Path
        Made if there is none; one that holds anything is refused.
    markers_csv : str or Path, optional
        Table of markers that replaces the example's: id, x, y, z, facing_deg, and optionally tilt_deg, roll_deg, size.
        The floor is then as large as the markers need, and example nodes stand before some of them.
    columns : dict of str to str, optional
        For each of these keys the name of its column, where the table calls it something else.
    length_unit : str
        "m", "mm" or "in": of the table, of `marker_size`, and of the field file that is written.
    family : str
        Of the markers; a dictionary file is copied into the folder.
    marker_size : float, optional
        Side of the black square, in the length unit, where the table has none. 0.15 m in the example.

    Raises
    ------
    InputError
        If the folder is not empty, an option is wrong, or the table holds something that cannot be, with its row.
    """
    folder = _checked_folder(Path(folder))
    size_m = _checked_size_m(length_unit, marker_size)
    if markers_csv is None and columns:
        raise InputError(f"columns: expected a table of markers to go with them, found only {sorted(columns)}")
    of_markers = marker_family(family)
    if markers_csv is None:
        field = example_field(of_markers, size_m, in_inches=length_unit == "in")
    else:
        field = field_of_csv(
            markers_csv, columns=columns or {}, metres=METRES[length_unit], family=of_markers, size_m=size_m
        )
    dictionary = Path(family) if Path(family).suffix.lower() in (".yml", ".yaml") else None
    contents = {name: _template(name).encode() for name in _COPIED}
    contents["field.toml"] = field_text(
        field,
        _template("field.toml"),
        length_unit=length_unit,
        family=dictionary.name if dictionary else family,
        is_example=markers_csv is None,
    ).encode()
    if dictionary:
        contents[dictionary.name] = files.read_bytes(dictionary)
    return _written(folder, contents)


def _checked_folder(folder: Path) -> Path:
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder}: expected a new or an empty folder, found a file")
    if folder.is_dir() and any(folder.iterdir()):
        found = min(path.name for path in folder.iterdir())
        raise InputError(f"{folder}: expected a new or an empty folder, found one that holds '{found}'")
    return folder


def _checked_size_m(length_unit: str, marker_size: float | None) -> float | None:
    if length_unit not in METRES:
        raise InputError(f"length_unit: expected one of {', '.join(METRES)}, found '{length_unit}'")
    if marker_size is None:
        return None
    smallest, largest = MARKER_SIZE_RANGE_M
    if isinstance(marker_size, bool) or not isinstance(marker_size, int | float):
        raise InputError(f"marker_size: expected a number, found {marker_size!r}")
    size_m = marker_size * METRES[length_unit]
    if not smallest <= size_m <= largest:
        raise InputError(
            f"marker_size: expected {smallest:g} to {largest:g} m, found {size_m:.4g} m; is length_unit right?"
        )
    return size_m


def _template(name: str) -> str:
    return (resources.files(__package__) / _TEMPLATES / name).read_text(encoding="utf-8")


def _written(folder: Path, contents: dict[str, bytes]) -> list[Path]:
    """Write all of them or none: they are tried in a folder beside the wanted one, and only then moved."""
    made = [place for place in [folder, *folder.parents] if not place.exists()]
    targets = [folder / name for name in contents]
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder.parent, prefix=".starter-") as trial:
            for name, content in contents.items():
                files.write_bytes(Path(trial) / name, content)
            load_study(Path(trial) / "study.toml")
            folder.mkdir(exist_ok=True)
            for target in targets:
                (Path(trial) / target.name).rename(target)
    except BaseException:
        for target in targets:
            target.unlink(missing_ok=True)
        for place in made:  # innermost first; only those made here, and only if empty
            if place.is_dir() and not any(place.iterdir()):
                place.rmdir()
        raise
    return targets
