"""`fiducialkit search`: where the cameras should go."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    import pandas as pd

BOXES_NAME, PIECES_NAME = "search.toml", "unfinished"
_SHOWN = 3


def search(
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="A study file (TOML).")],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where tables, robot file, picture and page go.")],
    cameras: Annotated[int, typer.Option(metavar="N", help="Largest number of cameras, 1 to 4.")] = 2,
    objective: Annotated[
        str,
        typer.Option(
            metavar="WHAT",
            help="What the best rig is best in: 'worst node', or 'weighted mean' with the study's weights.",
        ),
    ] = "worst node",
    search: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Where cameras may go; search.toml beside the study if left out."),
    ] = None,
    polish: Annotated[int, typer.Option(metavar="N", help="How many of the best are moved freely.")] = 2,
    seed: Annotated[int, typer.Option(min=0, help="Of the draws behind the interval.")] = 0,
    workers: Annotated[int | None, typer.Option(min=1, help="Threads; one a processor if left out.")] = None,
) -> None:
    """Search for the best camera mounts inside boxes on the robot.

    Stopped with Ctrl-C, the same command goes on where it was.
    """
    from fiducialkit.cli.console import checked_folder, say
    from fiducialkit.errors import FileFormatError, InputError
    from fiducialkit.planning.mount_boxes import load_room
    from fiducialkit.planning.mount_search import search_mounts
    from fiducialkit.planning.study_file import load_study
    from fiducialkit.report.search_page import ROBOT_NAME, write_search_page

    checked_folder(out)
    checked = load_study(study)
    beside = study.parent / BOXES_NAME
    boxes = search if search is not None else beside if beside.is_file() else None
    room = None if boxes is None else load_room(boxes)
    try:
        found = search_mounts(
            checked,
            boxes=room,
            cameras=cameras,
            objective=objective,
            polish=polish,
            seed=seed,
            workers=workers,
            resume=out / PIECES_NAME,
            progress=_watcher(),
        )
    except FileFormatError:  # pieces of another search: they are somebody's work
        raise
    except InputError:
        _remove_pieces(out / PIECES_NAME)
        raise
    finally:
        _finish_line()
    written = write_search_page(found, out)
    _remove_pieces(out / PIECES_NAME)
    where = f"boxes of {boxes}" if boxes is not None else "a box at each corner of the footprint, for want of a file"
    say(f"{len(found.candidates)} candidates in {where}; {found.refused} more forbidden by the robot itself.")
    _print_best(found.table)
    say(found.verdict)
    say()
    say("Have mounts and wiring checked by whoever is responsible for them; the event's rules on size apply.")
    print(f"Robot with the mounts found: {out / ROBOT_NAME}")
    print(f"Page with picture and tables: {written[-1]}")
    if not (found.table.loc[~found.table["is_hand_made"], "mean_chance"] > 0.0).any():
        say("No rig found sees a marker on the way to any node: is the field or a box turned the wrong way?")
        raise typer.Exit(1)


def _print_best(table: pd.DataFrame) -> None:
    from fiducialkit.cli.console import print_table, say, shortened
    from fiducialkit.report.comparison_page import centimetres
    from fiducialkit.report.search_page import tenths

    number = table.groupby(["cameras", "is_hand_made"]).cumcount()
    shown = table[table["is_hand_made"] | (number < _SHOWN)]
    rows = [
        [
            str(row["rank"]),
            shortened(row["rig"], 27),
            str(row["cameras"]),
            tenths(row["worst_chance"]),
            tenths(row["benefit"]),
            f"{row['cost']:g}",
            centimetres(row["position_95_m"]),
            "hand-made" if row["is_hand_made"] else "found",
        ]
        for row in shown.to_dict("records")
    ]
    print_table(["rank", "rig", "cameras", "worst", "mean", "cost", "95 % error", "origin"], rows, left=(1, 7))
    say("worst, mean: chance to score, the mean with the study's weights.")
    say()


def _watcher() -> Callable[[int, int], None] | None:
    """Return what shows the progress, if somebody watches."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, count: int) -> None:
        print(f"\rsearching: {done} of {count} steps", end="", file=sys.stderr, flush=True)

    return show


def _finish_line() -> None:
    if sys.stderr.isatty():
        print("\r" + " " * 60 + "\r", end="", file=sys.stderr, flush=True)


def _remove_pieces(folder: Path) -> None:
    """Remove what a stopped search would have gone on from."""
    for path in folder.glob("rigs_of_*.npz"):
        path.unlink()
    for place in (folder, folder.parent):
        if place.is_dir() and not any(place.iterdir()):
            place.rmdir()
