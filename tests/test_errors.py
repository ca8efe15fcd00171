"""Errors: one line with the place, one family, and they survive the way between processes."""

from __future__ import annotations

import copy
import pickle
from pathlib import Path

import pytest

from fiducialkit import FiducialKitError, FileFormatError, InputError, NoPoseError


def test_the_family() -> None:
    assert issubclass(InputError, FiducialKitError)
    assert issubclass(InputError, ValueError)
    assert issubclass(FileFormatError, InputError)
    assert issubclass(NoPoseError, FiducialKitError)
    assert not issubclass(NoPoseError, ValueError)


def test_a_file_s_error_names_the_file_and_the_field() -> None:
    error = FileFormatError(Path("my hall") / "field.toml", "marker[3].position", "expected three numbers, found two")
    assert str(error) == f"{Path('my hall') / 'field.toml'}: marker[3].position: expected three numbers, found two"
    assert (error.where, error.message) == ("marker[3].position", "expected three numbers, found two")
    assert str(FileFormatError("a.csv", "", "expected a header row")) == "a.csv: expected a header row"


@pytest.mark.parametrize(
    "error", [FileFormatError("a b.toml", "size", "wrong"), InputError("x: wrong"), NoPoseError("no markers")]
)
def test_an_error_comes_back_whole_from_another_process(error: FiducialKitError) -> None:
    # worker processes send errors home pickled; one that cannot be rebuilt breaks the whole pool
    for again in (pickle.loads(pickle.dumps(error)), copy.copy(error)):
        assert type(again) is type(error)
        assert str(again) == str(error)
        assert vars(again) == vars(error)
