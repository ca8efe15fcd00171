"""The page of an error budget, and the tables and the picture that lie beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from fiducialkit import __version__, files
from fiducialkit.planning.error_budget import ErrorBudget
from fiducialkit.planning.picture_model import SOURCES
from fiducialkit.planning.verdict import CAUTION
from fiducialkit.plots.budget_view import budget_sheet, worst_states
from fiducialkit.report.comparison_page import degrees, percent, tied
from fiducialkit.report.page import picture_address, rendered

PAGE_NAME = "budget.html"
PICTURE_NAME = "shares.png"
_TABLES = {"budget_by_rig.csv": "by_rig", "budget_cases.csv": "cases", "budget_shares.csv": "shares"}


def write_budget_page(budget: ErrorBudget, folder: str | Path) -> list[Path]:
    """Write the budget's tables, picture and page, and return their paths, the page last.

    Everything is made in memory before the first file is written, so an error leaves the folder as it was.

    Parameters
    ----------
    budget : ErrorBudget
        What `error_budget` returned.
    folder : str or Path
        Made if there is none. Files of the same names are replaced.

    Raises
    ------
    InputError
        If `folder` is a file.
    """
    rigs = [rig.name for rig in budget.study.rigs]
    picture = budget_sheet(budget.cases, budget.shares, rigs, SOURCES)
    page = render_page(budget, picture)
    folder = files.new_folder(folder)
    written = [files.write_csv(folder / name, getattr(budget, part)) for name, part in _TABLES.items()]
    written.append(files.write_bytes(folder / PICTURE_NAME, picture))
    return [*written, files.write_text(folder / PAGE_NAME, page)]


def render_page(budget: ErrorBudget, picture: bytes) -> str:
    """Return the page as one HTML text with the picture inside it; it needs no other file and no network."""
    worst = worst_states(budget.cases)
    return rendered(
        "budget.html",
        {"percent": percent, "millimetres": millimetres, "degrees": degrees, "tied": tied},
        study=budget.study,
        sentences=budget.sentences,
        sources=SOURCES,
        by_rig=[_rig_row(budget.by_rig, rig.name) for rig in budget.study.rigs],
        cases={rig.name: _records(worst[worst["rig"] == rig.name]) for rig in budget.study.rigs},
        picture=picture_address(picture),
        assumptions=[text for text in budget.assumptions if text != CAUTION],
        caution=CAUTION,
        version=__version__,
    )


def _rig_row(by_rig: pd.DataFrame, rig: str) -> dict[str, Any]:
    rows = by_rig[by_rig["rig"] == rig]
    shares = dict(zip(rows["source"], rows["share"], strict=True))
    return {"rig": rig, "shares": shares, "largest": max(shares.values()), **_records(rows)[0]}


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def millimetres(length_m: float) -> str:
    """Return a length with two digits that matter. [mm]"""
    if length_m != length_m:
        return "-"
    return f"{1000.0 * length_m:.2g} mm" if 1000.0 * length_m < 99.5 else f"{1000.0 * length_m:.0f} mm"
