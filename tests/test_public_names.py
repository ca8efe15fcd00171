"""The public face: every name is there, and importing the package costs next to nothing."""

from __future__ import annotations

import subprocess
import sys
from importlib.metadata import version

import pytest

import fiducialkit

HEAVY = ("cv2", "numba", "matplotlib", "pandas", "scipy", "pydantic", "joblib", "numpy")

# the names others build on: removing one is a break
PROMISED = {
    "load_field",
    "load_camera",
    "load_robot",
    "load_study",
    "Field",
    "Camera",
    "Robot",
    "Study",
    "draw_marker",
    "detect_markers",
    "MarkerObservations",
    "solve_pose",
    "solve_marker",
    "PoseSolution",
    "compare_mounts",
    "MountComparison",
    "FiducialKitError",
    "InputError",
    "FileFormatError",
    "NoPoseError",
}


@pytest.mark.parametrize("name", fiducialkit.__all__)
def test_every_public_name_is_there_and_says_what_it_is(name: str) -> None:
    value = getattr(fiducialkit, name)
    assert value.__name__ == name
    assert value.__module__.startswith("fiducialkit.")
    assert (value.__doc__ or "").strip()


def test_the_promised_names_are_public() -> None:
    assert set(fiducialkit.__all__) >= PROMISED
    assert set(fiducialkit.__all__) <= set(dir(fiducialkit))
    assert fiducialkit.__all__ == sorted(set(fiducialkit.__all__))


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="module 'fiducialkit' has no attribute 'solve_everything'"):
        _ = fiducialkit.solve_everything
    assert not hasattr(fiducialkit, "__wrapped__")


def test_the_version_is_that_of_the_installation() -> None:
    assert fiducialkit.__version__ == version("fiducialkit")


def loaded_after(code: str) -> list[str]:
    """Return which of the heavy packages a fresh interpreter holds after running `code`."""
    report = f"import sys; print(*[name for name in {HEAVY!r} if name in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", f"{code}\n{report}"], capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return done.stdout.split()


def test_importing_the_package_is_light() -> None:
    assert loaded_after("import fiducialkit; fiducialkit.__version__; dir(fiducialkit)") == []
    assert loaded_after("from fiducialkit import InputError") == []


def test_the_command_line_answers_before_anything_heavy_is_loaded() -> None:
    # numpy, scipy and the rest come in inside the commands
    assert loaded_after("import fiducialkit.cli.main") == []


def test_a_camera_does_not_bring_plots_or_tables() -> None:
    loaded = loaded_after("from fiducialkit import Camera")
    assert "numba" in loaded  # the check itself sees what is loaded
    assert not {"cv2", "matplotlib", "pandas"} & set(loaded)
