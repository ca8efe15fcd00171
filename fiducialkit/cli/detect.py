"""`fiducialkit detect`: the markers of pictures, as a table and drawn on copies."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    import pandas as pd


def detect(
    inputs: Annotated[list[Path], typer.Argument(metavar="INPUT", help="Pictures, or folders of pictures.")],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where tables and marked copies go.")],
    family: Annotated[str | None, typer.Option(help="Marker family, or a dictionary file.  [default: 36h11]")] = None,
    field: Annotated[
        Path | None,
        typer.Option(metavar="FIELD", help="Take the family from this field file; markers not on the field are said."),
    ] = None,
    camera: Annotated[
        Path | None, typer.Option(metavar="CAMERA", help="What took them; pictures of another shape are refused.")
    ] = None,
    preset: Annotated[
        str, typer.Option(help="Settings of the detector: 'full range', or 'quick look' for half the time.")
    ] = "full range",
) -> None:
    """Find the markers in pictures.

    Writes corners.csv, pictures.csv and a marked copy of each picture.
    """
    from fiducialkit import files
    from fiducialkit.cli.console import checked_folder, progress, say
    from fiducialkit.cli.pictures import find_pictures, marked_picture, read_picture
    from fiducialkit.cli.seen import corners_table, detect_in_pictures, pictures_table, refuse_other_shapes
    from fiducialkit.errors import InputError
    from fiducialkit.scene.camera_file import load_camera
    from fiducialkit.scene.field_file import load_field
    from fiducialkit.scene.markers import marker_family

    if family is not None and field is not None:
        raise InputError("--family, --field: expected one of the two, found both")
    checked_folder(out)
    layout = load_field(field) if field else None
    wanted = layout.family if layout else marker_family(family or "36h11")
    lens = load_camera(camera) if camera else None
    border_cells = layout.border_cells if layout else 1
    seen = detect_in_pictures(find_pictures(inputs), wanted, border_cells=border_cells, camera=lens, preset=preset)
    if lens is not None:
        refuse_other_shapes(seen, lens)
    corners, pictures = corners_table(seen), pictures_table(seen)
    if layout is not None:
        _note_strangers(corners, pictures, set(layout.marker_ids))
    folder = files.new_folder(out)
    files.write_csv(folder / "corners.csv", corners)
    files.write_csv(folder / "pictures.csv", pictures)
    # read again instead of keeping every picture in memory
    for one in progress([each for each in seen if each.observations is not None], "marking picture"):
        if one.picture is not None and one.observations is not None:
            png = marked_picture(read_picture(one.picture.path, colour=True), one.observations)
            files.write_bytes(folder / "marked" / _png_name(one.name), png)
    unreadable = int((pictures["status"] == "unreadable").sum())
    print(
        f"{len(corners)} markers of {wanted.name} in {int((pictures['status'] == 'ok').sum())} of {len(pictures)} "
        f"pictures" + (f", {unreadable} unreadable" if unreadable else "") + f"; tables and marked copies: {folder}"
    )
    repeated = sum(bool(each.observations.repeated_ids) for each in seen if each.observations is not None)
    if repeated:
        print(f"an id seen more than once in {repeated} of {len(pictures)} pictures: a reflection or a second print")
    for row in pictures[pictures["message"] != ""].itertuples():
        say(f"{row.file}: {row.message}", indent="  ")
    if corners.empty:
        raise typer.Exit(1)


def _note_strangers(corners: pd.DataFrame, pictures: pd.DataFrame, on_field: set[int]) -> None:
    """Write into both tables which markers are not on the field; the solver uses none of them."""
    is_strange = ~corners["marker_id"].isin(on_field)
    for row in corners.index[is_strange]:
        corners.loc[row, "note"] = "; ".join(part for part in (corners.loc[row, "note"], "not on the field") if part)
    for name, ids in corners[is_strange].groupby("file")["marker_id"]:
        said = f"not on the field: {', '.join(str(i) for i in sorted(set(ids)))}"
        place = pictures["file"] == name
        pictures.loc[place, "message"] = [f"{old}; {said}" if old else said for old in pictures.loc[place, "message"]]


def _png_name(name: str) -> str:
    flat = _flat(name)
    return flat if flat.lower().endswith(".png") else f"{flat}.png"


def _flat(name: str) -> str:
    return name.replace("/", "_").replace(":", "")
