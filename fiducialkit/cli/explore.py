"""`fiducialkit explore`: a notebook with sliders for one mount of a study."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer


def explore(
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="A study file (TOML).")],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the notebook goes.")],
    rig: Annotated[str | None, typer.Option(metavar="NAME", help="The rig; the study's first if left out.")] = None,
    mount: Annotated[str | None, typer.Option(metavar="NAME", help="The mount to move; the rig's first.")] = None,
) -> None:
    """Write a notebook in which sliders move a camera and the error at every node answers at once."""
    from fiducialkit import files
    from fiducialkit.cli.console import checked_folder, say
    from fiducialkit.planning.study_file import load_study
    from fiducialkit.report.mount_explorer import ExplorerSheet

    checked_folder(out)
    checked = load_study(study)
    sheet = ExplorerSheet(checked, rig or checked.rigs[0].name, mount)
    path = files.new_folder(out) / "explore.ipynb"
    files.write_json(path, notebook(study.resolve(), sheet.rig, sheet.mount))
    print(f"Notebook for mount '{sheet.mount}' of rig '{sheet.rig}': {path}")
    say('Open it with  jupyter lab  (pip install ".[notebooks]") and run its one cell.')


def notebook(study: Path, rig: str, mount: str) -> dict[str, Any]:
    """Return the notebook as nbformat 4.5 describes it."""
    words = [
        "# Mount explorer\n",
        "Run the cell; then move the sliders. On the left the rig as the robot file has it, on the right with the "
        "mount changed. Green markers are seen, orange ones too small, dashed red ones hidden.",
    ]
    source = [
        "from fiducialkit import load_study\n",
        "from fiducialkit.report.mount_explorer import explore\n",
        "\n",
        f"explore(load_study({str(study)!r}), {rig!r}, {mount!r})",
    ]
    return {
        "nbformat": 4,
        "nbformat_minor": 5,
        "metadata": {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}},
        "cells": [
            {"id": "about", "cell_type": "markdown", "metadata": {}, "source": words},
            {
                "id": "explorer", "cell_type": "code", "metadata": {}, "execution_count": None, "outputs": [],
                "source": source,
            },
        ],
    }  # fmt: skip
