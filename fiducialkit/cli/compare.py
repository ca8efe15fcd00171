"""`fiducialkit compare`: which rig serves the scoring nodes best."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    import pandas as pd


def compare(
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="A study file (TOML).")],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the tables, pictures and the page go.")],
) -> None:
    """Rank the camera rigs of a study; write tables, drawings, a page."""
    from fiducialkit.cli.console import checked_folder, say
    from fiducialkit.planning.mount_study import compare_mounts
    from fiducialkit.planning.study_file import load_study
    from fiducialkit.report.comparison_page import write_comparison_page

    checked_folder(out)
    checked = load_study(study)
    _watch("predicting what every rig sees ...")
    comparison = compare_mounts(checked)
    _watch("drawing ...")
    written = write_comparison_page(comparison, out)
    _watch("")
    _print_ranking(comparison.table)
    say(comparison.verdict)
    say()
    for detector in dict.fromkeys(comparison.table["detector"]):
        say(f"Detector assumed on the robot: {detector}")
    print(f"Page with maps and drawings: {written[-1]}")
    if not (comparison.table["approach_share_1"] > 0.0).any():
        say("No rig sees a marker on the way to any node: is the field or a mount turned the wrong way?")
        raise typer.Exit(1)


def _print_ranking(table: pd.DataFrame) -> None:
    from fiducialkit.cli.console import print_table, say, shortened
    from fiducialkit.report.comparison_page import centimetres, degrees, percent

    header = ["rank", "rig", "worst", "mean", "see >=1", "see >=2", "95 % error", "95 % heading", "flip"]
    rows = [
        [
            str(row["rank"]),
            shortened(row["rig"], 30),
            percent(row["worst_chance"]),
            percent(row["mean_chance"]),
            percent(row["approach_share_1"]),
            percent(row["approach_share_2"]),
            centimetres(row["position_95_m"]),
            degrees(row["heading_95_deg"]),
            percent(row["worst_flip_probability"]),
        ]
        for row in table.to_dict("records")
    ]
    print_table(header, rows, left=(1,))
    say("worst, mean: chance to score. see: share of poses near the nodes with so many markers in view.")
    say()
    for row in table.to_dict("records"):
        say(f"{row['rank']}. {row['rig']}: {row['reason']}", indent="   ")
    say()


def _watch(text: str) -> None:
    """Show what is being done on a terminal, over what stood there."""
    if sys.stderr.isatty():
        print("\r" + text.ljust(60) + ("" if text else "\r"), end="", file=sys.stderr, flush=True)
