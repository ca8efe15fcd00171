"""Every notebook runs from its first cell to its last, in a kernel of its own, and its pictures are kept with it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import fiducialkit

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("*.ipynb"))
LARGEST_BYTES = 1_000_000
# in a process of its own: what the kernel's machinery warns of is not this library's to answer for
RUN = """
import sys
import nbformat
from nbclient import NotebookClient
NotebookClient(nbformat.read(sys.argv[1], 4), timeout=300, kernel_name="python3").execute()
"""


def cells(path: Path):
    return json.loads(path.read_text(encoding="utf-8"))["cells"]


def test_there_are_notebooks():
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs_to_its_end(path, tmp_path):
    pytest.importorskip("nbclient", reason="nbclient is not installed: pip install .[test]")
    pytest.importorskip("ipykernel", reason="ipykernel is not installed: pip install .[test]")
    # the package under test, not one installed beside it, which would compile every kernel once more
    here = os.pathsep.join(filter(None, [str(Path(fiducialkit.__file__).parents[1]), os.environ.get("PYTHONPATH")]))
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(path)], cwd=tmp_path, capture_output=True, text=True, timeout=400,
        env=os.environ | {"PYTHONPATH": here},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_is_kept_with_its_pictures_small_and_without_errors(path):
    code = [cell for cell in cells(path) if cell["cell_type"] == "code"]
    outputs = [output for cell in code for output in cell["outputs"]]
    assert [cell["execution_count"] for cell in code] == list(range(1, len(code) + 1))
    assert not [output for output in outputs if output["output_type"] == "error"]
    assert any("image/png" in output.get("data", {}) for output in outputs)
    assert path.stat().st_size < LARGEST_BYTES


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_names_no_place_of_the_machine_it_ran_on(path):
    text = path.read_text(encoding="utf-8")
    assert not [word for word in ("/home/", "/root/", "/tmp/", "/Users/", "C:\\\\") if word in text]
