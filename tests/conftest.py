"""What many tests share: seeded numbers, one camera, one layout, and the outside reference data."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from test_import_order import ORDER

from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field, Marker
from fiducialkit.scene.markers import marker_family

MOST_WORKERS = 4  # more would mostly compile the same kernels side by side
FIRST_OF_SOLVING = "test_planar.py"


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Return the number of processes: one for each processor for the whole suite, none besides for named tests."""
    if config.args_source is not pytest.Config.ArgsSource.TESTPATHS:
        return 0
    return min(MOST_WORKERS, os.cpu_count() or 1)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put seeing into the first half, and solving, with what needs it, at the head of the second.

    Of two workers each starts with one half. On an empty cache they then compile different kernels rather than the same
    ones side by side: compiling is a third of the whole time.
    """
    names = [f"test_{name}.py" for modules in ORDER.values() for name in modules]
    place = {name: number for number, name in reversed(list(enumerate(names)))}
    items.sort(key=lambda item: place.get(item.path.name, len(names)))  # those of no single module come last
    solving = next((number for number, item in enumerate(items) if item.path.name == FIRST_OF_SOLVING), 0)
    filled = max(len(items) // 2 - solving, 0) if solving else 0
    if filled:
        items[solving:] = items[-filled:] + items[solving:-filled]


@pytest.fixture
def rng() -> np.random.Generator:
    """Random numbers that are the same in every run."""
    return np.random.default_rng(20240611)


@pytest.fixture(scope="session")
def camera() -> Camera:
    """A camera with an ordinary lens: 1280 x 800, 75 degrees across."""
    return Camera.from_field_of_view(1280, 800, 75.0, name="test")


@pytest.fixture(scope="session")
def layout() -> Field:
    """A small hall with three markers on the wall x = 0 and one on the wall y = 0."""
    places = {3: (0.0, 1.0, 0.5), 7: (0.0, 2.0, 0.5), 12: (0.0, 3.0, 0.8)}
    wall = [Marker(marker_id=number, position=place, size_m=0.15) for number, place in places.items()]
    side = Marker(marker_id=18, position=(1.5, 0.0, 0.5), facing_deg=90.0, size_m=0.15)
    return Field(name="small hall", size=(5.0, 4.0), family=marker_family("36h11"), markers=(*wall, side))


@pytest.fixture(scope="session")
def reference_folder() -> Path:
    """The folder of outside pictures and tables; they are not part of this project, so a test may have to skip."""
    named = os.environ.get("FIDUCIALKIT_REFERENCE")
    folder = Path(named) if named else Path(__file__).parents[2] / "shared" / "reference"
    if not (folder / "SOURCES.md").is_file():
        pytest.skip(
            "no outside reference data: neither a folder named by FIDUCIALKIT_REFERENCE nor ../shared/reference"
        )
    return folder
