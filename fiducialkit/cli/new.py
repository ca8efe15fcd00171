"""`fiducialkit new`: a starter that runs as it is."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Made if there is none.")],
    markers: Annotated[
        Path | None, typer.Option(metavar="CSV", help="Take the markers from this table instead of an example.")
    ] = None,
    column: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KEY=NAME",
            help="Which column of the CSV holds a key: id, x, y, z, facing_deg, tilt_deg, roll_deg, size. Repeat.",
        ),
    ] = None,
    length_unit: Annotated[str, typer.Option(metavar="m|mm|in", help="Unit of every length in the CSV.")] = "m",
    family: Annotated[str, typer.Option(help="Marker family.")] = "36h11",
    marker_size: Annotated[
        float | None, typer.Option(help="Side of the black square, in the length unit, where the CSV has none.")
    ] = None,
) -> None:
    """Write commented files to start from: field, camera, robot, study."""
    from fiducialkit.cli.console import checked_folder
    from fiducialkit.cli.starter import write_starter

    written = write_starter(
        checked_folder(folder),
        markers_csv=markers,
        columns=_mapping(column or []) or None,
        length_unit=length_unit,
        family=family,
        marker_size=marker_size,
    )
    for path in written:
        print(f"wrote {path}")
    study = next((path for path in written if path.stem == "study"), None)
    if study is not None:
        print(f'look at it:  fiducialkit show "{study}"')
        print(f'run it:      fiducialkit compare "{study}" --out results')


def _mapping(pairs: list[str]) -> dict[str, str]:
    from fiducialkit.errors import InputError

    mapping: dict[str, str] = {}
    for pair in pairs:
        key, sign, name = pair.partition("=")
        if not (sign and key.strip() and name.strip()):
            raise InputError(f"--column: expected KEY=NAME, found '{pair}'")
        if key.strip() in mapping:
            raise InputError(f"--column: expected each key once, found '{key.strip()}' twice")
        mapping[key.strip()] = name.strip()
    return mapping
