"""`fiducialkit compare`: which rig serves the scoring nodes best."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    import pandas as pd

    from fiducialkit.planning.rendered_tables import RenderedCheck
    from fiducialkit.planning.study import Study

PIECES_NAME = "rendered_unfinished.txt"


def compare(
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="A study file (TOML).")],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the tables, pictures and the page go.")],
    card: Annotated[
        list[str] | None,
        typer.Option(metavar="RIG", help="Also write this rig's mount card for the builder; may be given again."),
    ] = None,
    rendered: Annotated[
        int | None,
        typer.Option(metavar="N", help="Also render N poses, read and solve them, beside the predictions."),
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Dask scheduler whose workers render, e.g. tcp://host:8786.")
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(metavar="N", help="Threads and rendering processes; one a processor if left out."),
    ] = None,
) -> None:
    """Rank the camera rigs of a study; write tables, drawings, a page.

    Stopped with Ctrl-C while it renders, the same command goes on where it was.
    """
    from fiducialkit.cli.console import checked_folder
    from fiducialkit.planning.mount_study import compare_mounts
    from fiducialkit.planning.study_file import load_study
    from fiducialkit.report.comparison_page import write_comparison_page

    checked_folder(out)
    checked = load_study(study)
    _check_cards(checked, card or [])
    _check_numbers(rendered, scheduler, workers)
    _watch("predicting what every rig sees ...")
    comparison = compare_mounts(checked, workers=workers)
    check = None if rendered is None else _rendered(checked, rendered, scheduler, workers, out / PIECES_NAME)
    _watch("drawing ...")
    written = write_comparison_page(comparison, out, rendered=check)
    cards = _write_cards(checked, card or [], out)
    _watch("")
    _say_outcome(comparison.table, comparison.verdict, check)
    for page in cards:
        print(f"Mount card to print: {page}")
    print(f"Page with maps and drawings: {written[-1]}")
    if not (comparison.table["approach_share_1"] > 0.0).any():
        print("No rig sees a marker on the way to any node: is the field or a mount turned the wrong way?")
        raise typer.Exit(1)


def _check_cards(study: Study, cards: list[str]) -> None:
    from fiducialkit.errors import InputError

    known = [rig.name for rig in study.robot.rigs]
    for name in cards:
        if name not in known:
            listed = ", ".join(f"'{each}'" for each in known)
            raise InputError(f"--card: expected one of the robot's rigs {listed}, found '{name}'")


def _check_numbers(rendered: int | None, scheduler: str | None, workers: int | None) -> None:
    from fiducialkit.errors import InputError

    for option, number in (("--rendered", rendered), ("--workers", workers)):
        if number is not None and number < 1:
            raise InputError(f"{option}: expected a whole number from 1 up, found {number}")
    if scheduler is not None and rendered is None:
        raise InputError(f"--scheduler: expected together with --rendered N, found '{scheduler}' alone")


def _rendered(study: Study, count: int, scheduler: str | None, workers: int | None, pieces: Path) -> RenderedCheck:
    """Return the rendered check; what is done is kept in `pieces` until all of it is."""
    from fiducialkit.errors import FiducialKitError
    from fiducialkit.files import new_folder
    from fiducialkit.planning.rendered_check import rendered_check

    def show(done: int, total: int) -> None:
        _watch(f"rendering, reading and solving: {done} of {total} pieces")

    is_new = not pieces.parent.exists()
    new_folder(pieces.parent)
    try:
        check = rendered_check(study, count, workers=workers, scheduler=scheduler, progress=show, kept_in=pieces)
    except FiducialKitError:
        if is_new and not any(pieces.parent.iterdir()):
            pieces.parent.rmdir()
        raise
    pieces.unlink(missing_ok=True)
    return check


def _write_cards(study: Study, rigs: list[str], out: Path) -> list[Path]:
    from fiducialkit.report.mount_card import write_mount_card

    return [write_mount_card(study, rig, out)[-1] for rig in dict.fromkeys(rigs)]


def _say_outcome(table: pd.DataFrame, verdict: str, check: RenderedCheck | None) -> None:
    from fiducialkit.cli.console import say

    _print_ranking(table)
    say(verdict)
    say()
    if check is not None:
        say(check.sentence)
        say()
    for detector in dict.fromkeys(table["detector"]):
        say(f"Detector assumed on the robot: {detector}")


def _print_ranking(table: pd.DataFrame) -> None:
    from fiducialkit.cli.console import print_table, say, shortened
    from fiducialkit.report.comparison_page import centimetres, degrees, percent

    header = ["rank", "rig", "worst", "mean", "filter", "see >=1", "see >=2", "95 % error", "heading", "flip"]
    rows = [
        [
            str(row["rank"]),
            shortened(row["rig"], 26),
            percent(row["worst_chance"]),
            percent(row["benefit"]),
            percent(row["worst_chance_filtered"]),
            percent(row["approach_share_1"]),
            percent(row["approach_share_2"]),
            centimetres(row["position_95_m"]),
            degrees(row["heading_95_deg"]),
            percent(row["worst_flip_probability"]),
        ]
        for row in table.to_dict("records")
    ]
    print_table(header, rows, left=(1,))
    say(
        "worst, mean: chance to score from the best picture of the approach; filter: the worst through a filter of all "
        "pictures. see: share of poses near the nodes with so many markers in view."
    )
    say()
    for row in table.to_dict("records"):
        say(f"{row['rank']}. {row['rig']}: {row['reason']}", indent="   ")
    say()


def _watch(text: str) -> None:
    """Show what is being done on a terminal, over what stood there."""
    if sys.stderr.isatty():
        print("\r" + text.ljust(60) + ("" if text else "\r"), end="", file=sys.stderr, flush=True)
