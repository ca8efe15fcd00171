"""The page of a search for mounts, and the tables, the picture and the robot file that lie beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from fiducialkit import __version__, files
from fiducialkit.planning.mount_search import MountSearch
from fiducialkit.planning.rig_sums import WORST_NODE
from fiducialkit.planning.search_judgement import SIDEWAYS_SD_M, TURNED_SD_DEG
from fiducialkit.planning.verdict import CAUTION, assumptions
from fiducialkit.plots.robot_view import mount_in_words
from fiducialkit.plots.search_view import search_sheet
from fiducialkit.report.comparison_page import centimetres, percent, tied
from fiducialkit.report.page import picture_address, rendered
from fiducialkit.report.robot_text import robot_text
from fiducialkit.scene.camera_file import write_camera_json

PAGE_NAME, PICTURE_NAME, ROBOT_NAME = "search.html", "found.png", "robot_found.toml"
_ROBOT_COMMENT = """Found by a search; all lengths in metres. Try it:  put its name into study.toml as the robot.
Have mounts and wiring checked by whoever is responsible for them; the event's rules on size apply."""


def write_search_page(found: MountSearch, folder: str | Path) -> list[Path]:
    """Write tables, picture, robot file with its cameras, and the page, and return their paths, the page last.

    Everything is made in memory before the first file is written.

    Parameters
    ----------
    found : MountSearch
        What `search_mounts` returned.
    folder : str or Path
        Made if there is none. Files of the same names are replaced.

    Raises
    ------
    InputError
        If `folder` is a file.
    """
    picture = search_sheet(found.robot, found.table, found.best.rig.mounts, found.best.rig.name)
    page = render_page(found, picture)
    text, cameras = robot_text(found.robot, comment=_ROBOT_COMMENT)
    folder = files.new_folder(folder)
    written = [
        files.write_csv(folder / "best_rigs.csv", found.table),
        files.write_csv(folder / "candidates.csv", found.candidates),
    ]
    written += [write_camera_json(folder / name, camera) for name, camera in cameras.items()]
    written += [files.write_text(folder / ROBOT_NAME, text), files.write_bytes(folder / PICTURE_NAME, picture)]
    return [*written, files.write_text(folder / PAGE_NAME, page)]


def render_page(found: MountSearch, picture: bytes) -> str:
    """Return the page as one HTML text with the picture inside it; it needs no other file and no network."""
    return rendered(
        "search.html",
        {"percent": tenths, "centimetres": centimetres, "tied": tied},
        study=found.study,
        verdict=found.verdict,
        boxes=found.room.boxes,
        by_worst=found.objective == WORST_NODE,
        candidates=len(found.candidates),
        refused=found.refused,
        best=found.best.rig.name,
        mounts=[(mount, mount_in_words(mount)) for mount in found.best.mounts],
        rows=_shown(found.table),
        picture=picture_address(picture),
        interval=None if found.contest is None else (100.0 * SIDEWAYS_SD_M, TURNED_SD_DEG, len(found.contest.draws)),
        assumptions=[text for text in assumptions(found.study, with_filter=False) if text != CAUTION],
        caution=CAUTION,
        version=__version__,
    )


def tenths(share: float) -> str:
    """Return a chance in per cent with one decimal, which rigs this good need to differ; never rounded to 100."""
    text = f"{100.0 * share:.1f} %"
    return percent(share) if text in ("0.0 %", "100.0 %") else text


def _shown(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the hand-made rigs and the best three found of each number of cameras."""
    number = table.groupby(["cameras", "is_hand_made"]).cumcount()
    rows = table[table["is_hand_made"] | (number < 3)]
    return [{str(name): value for name, value in row.items()} for row in rows.to_dict("records")]
