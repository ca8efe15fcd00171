"""The page of a mount comparison, and the tables and pictures that lie beside it."""

from __future__ import annotations

import math
import re
import unicodedata
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from fiducialkit import __version__, files
from fiducialkit.planning.mount_study import MountComparison
from fiducialkit.planning.verdict import CAUTION
from fiducialkit.plots import sheets
from fiducialkit.report.page import picture_address
from fiducialkit.report.page import rendered as filled

if TYPE_CHECKING:
    from fiducialkit.planning.rendered_tables import RenderedCheck

PAGE_NAME, RENDERED_NAME = "comparison.html", "rendered_check.png"
_TABLES = {
    "rigs.csv": "table",
    "by_node.csv": "by_node",
    "by_approach.csv": "by_approach",
    "maps.csv": "maps",
    "differences.csv": "differences",
}
_NOTHING = "-"


def write_comparison_page(
    comparison: MountComparison, folder: str | Path, *, rendered: RenderedCheck | None = None
) -> list[Path]:
    """Write the comparison's tables, pictures and page, and return their paths, the page last.

    Everything is made in memory before the first file is written, so an error leaves the folder as it was.

    Parameters
    ----------
    comparison : MountComparison
        What `compare_mounts` returned.
    folder : str or Path
        Made if there is none. Files of the same names are replaced.
    rendered : RenderedCheck, optional
        Predictions beside rendered pictures; adds its tables, its picture and a section of the page.

    Raises
    ------
    InputError
        If `folder` is a file.
    """
    pictures = comparison_pictures(comparison)
    if rendered is not None:
        pictures[RENDERED_NAME] = sheets.ratio_sheet(rendered.table)
    page = render_page(comparison, pictures, rendered=rendered)
    folder = files.new_folder(folder)
    written = [files.write_csv(folder / name, getattr(comparison, part)) for name, part in _TABLES.items()]
    if rendered is not None:
        tables = {"rendered_check.csv": rendered.table, "rendered_coverage.csv": rendered.coverage}
        written += [files.write_csv(folder / name, table) for name, table in tables.items()]
    written += [files.write_bytes(folder / name, content) for name, content in pictures.items()]
    return [*written, files.write_text(folder / PAGE_NAME, page)]


def comparison_pictures(comparison: MountComparison) -> dict[str, bytes]:
    """Return the drawings as PNG by file name, in the order of the page."""
    study = comparison.study
    rigs = [str(rig) for rig in comparison.table["rig"]]
    maps = sheets.coverage_sheets(comparison.maps, rigs, study.field, ("share_1", "share_2"))
    pictures = {
        "chance_to_score.png": sheets.chance_sheet(comparison.by_node, rigs),
        "error_near_nodes.png": sheets.error_sheet(comparison.by_approach, rigs, study.field),
        "coverage_one_marker.png": maps[0],
        "coverage_two_markers.png": maps[1],
    }
    titles = {f"{rank}. {rig}": study.robot.rig(rig).mounts for rank, rig in enumerate(rigs, start=1)}
    for (rank, rig), sheet in zip(enumerate(rigs, start=1), sheets.robot_sheets(study.robot, titles), strict=True):
        pictures[robot_picture_name(rank, rig)] = sheet
    return pictures | {"field.png": sheets.field_sheet(study.field, study.robot.footprint)}


def robot_picture_name(rank: int, rig: str) -> str:
    """Return the file name of a rig's drawing."""
    return f"robot_{rank}_{plain_name(rig)}.png".replace("_.", ".")


def plain_name(name: str) -> str:
    """Return a name as lower-case ASCII letters, digits and underscores, fit for a file name anywhere."""
    ascii_name = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "_", ascii_name).strip("_")[:40]


def render_page(
    comparison: MountComparison, pictures: dict[str, bytes], *, rendered: RenderedCheck | None = None
) -> str:
    """Return the page as one HTML text with every picture inside it; it needs no other file and no network."""
    rows = _records(comparison.table)
    best = str(rows[0]["rig"]) if rows else ""
    robots = [name for name in pictures if name.startswith("robot_")]
    return filled(
        "comparison.html",
        {"percent": percent, "centimetres": centimetres, "degrees": degrees, "tied": tied, "blind": blind_in_words},
        study=comparison.study,
        verdict=comparison.verdict,
        assumptions=[text for text in comparison.assumptions if text != CAUTION],
        caution=CAUTION,
        rows=rows,
        detectors=list(dict.fromkeys(str(row["detector"]) for row in rows)),
        best=best,
        cases=worst_cases(comparison, best),
        robots=list(zip(rows, robots, strict=True)),
        source={name: picture_address(content) for name, content in pictures.items()},
        rendered=rendered,
        version=__version__,
    )


def worst_cases(comparison: MountComparison, rig: str) -> list[dict[str, Any]]:
    """Return one row a node and side of that rig: its worst mechanism state."""
    rows = comparison.by_node[comparison.by_node["rig"] == rig]
    rows = rows.iloc[np.argsort(rows["chance_to_score"].to_numpy().round(9), kind="stable")]
    worst = rows.drop_duplicates(["node", "side"]).sort_index()
    return _records(worst)


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def percent(share: float) -> str:
    """Return a share as whole per cent; a chance that is not quite 0 or 1 is not rounded to it."""
    if not math.isfinite(share):
        return _NOTHING
    if 0.0 < share < 0.005:
        return "<1 %"
    if 0.995 <= share < 0.9995:
        return f"{100 * share:.1f} %"
    return ">99.9 %" if 0.9995 <= share < 1.0 else f"{100 * share:.0f} %"


def centimetres(length_m: float) -> str:
    """Return a length with two digits that matter. [cm]"""
    return f"{100 * length_m:.2g} cm" if 100 * length_m < 99.5 else _long(length_m)


def _long(length_m: float) -> str:
    return f"{100 * length_m:.0f} cm" if math.isfinite(length_m) else _NOTHING


def degrees(angle_deg: float) -> str:
    """Return an angle with two digits that matter. [deg]"""
    return f"{angle_deg:.2g} deg" if math.isfinite(angle_deg) else _NOTHING


def blind_in_words(length_m: float, time_s: float) -> str:
    """Return a stretch without a marker in length and time, or "none"."""
    return f"{centimetres(length_m)}, {time_s:.2g} s" if length_m > 0.0 else "none"


def tied(text: str) -> str:
    """Return text whose numbers are not parted from their units at the end of a line."""
    return re.sub(r"(?<=\d) (?=%|(?:mm|cm|m|deg|degrees|px)\b)", "\u00a0", text)
