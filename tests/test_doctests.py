"""Every example in a docstring of the package runs and gives what it says."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import fiducialkit

MODULES = ["fiducialkit"] + [
    found.name
    for found in pkgutil.walk_packages(fiducialkit.__path__, prefix="fiducialkit.")
    if not found.name.endswith("__main__")
]


@pytest.mark.parametrize("name", MODULES)
def test_examples_of(name: str) -> None:
    module = importlib.import_module(name)
    result = doctest.testmod(module, optionflags=doctest.NORMALIZE_WHITESPACE, report=False)
    assert result.failed == 0


def test_there_are_examples_and_they_are_found() -> None:
    finder = doctest.DocTestFinder(exclude_empty=True)
    found = [test.name for name in MODULES for test in finder.find(importlib.import_module(name)) if test.examples]
    assert {"fiducialkit.statistics.wrapped", "fiducialkit.scene.markers.draw_marker"} <= set(found)
