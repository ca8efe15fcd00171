"""`fiducialkit budget`: what the error on arrival is made of."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from fiducialkit.planning.error_budget import ErrorBudget


def budget(
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="A study file (TOML).")],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the tables, the picture and the page go.")],
    rig: Annotated[list[str] | None, typer.Option(metavar="NAME", help="Only this rig; may be given again.")] = None,
    speed: Annotated[
        float | None,
        typer.Option(
            metavar="M_PER_S", min=0.0, max=20.0, help="Speed at the last picture; the approach's if left out."
        ),
    ] = None,
    turn_rate: Annotated[
        float, typer.Option(metavar="DEG_PER_S", min=-720.0, max=720.0, help="Turn rate at the last picture.")
    ] = 0.0,
    picture: Annotated[
        str,
        typer.Option(
            metavar="WHICH",
            help="The picture that counts: best or last; filter: all of them, through a pose filter.",
        ),
    ] = "best",
) -> None:
    """Say which source of error counts most at each node, and what halving it brings."""
    from fiducialkit.cli.console import checked_folder, say
    from fiducialkit.planning.error_budget import error_budget
    from fiducialkit.planning.study_file import load_study
    from fiducialkit.report.budget_page import write_budget_page

    checked_folder(out)
    checked = load_study(study)
    found = error_budget(checked, rigs=rig or None, speed_m_per_s=speed, turn_rate_deg_per_s=turn_rate, picture=picture)
    written = write_budget_page(found, out)
    _print_shares(found)
    for sentence in found.sentences:
        say(sentence, indent="  ")
    print(f"Page with picture and tables: {written[-1]}")
    if not (found.cases["markers"] > 0).any():
        say("No rig sees a marker on the way to any node: is the field or a mount turned the wrong way?")
        raise typer.Exit(1)


def _print_shares(found: ErrorBudget) -> None:
    from fiducialkit.cli.console import print_table, say, shortened
    from fiducialkit.planning.picture_model import SOURCES
    from fiducialkit.report.comparison_page import percent

    rigs = [rig.name for rig in found.study.rigs]
    table = found.by_rig.set_index(["source", "rig"])["share"]
    header = ["share of", *(shortened(name, 20) for name in rigs)]
    rows = [[source, *(percent(float(table[(source, name)])) for name in rigs)] for source in SOURCES]
    print_table(header, rows, left=(0,))
    say("Mean over all nodes, sides and states that see a marker; errors counted in the nodes' tolerances.")
    say()
