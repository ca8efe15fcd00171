"""The one check every array passes: fresh, contiguous, of the right shape and finite, or refused in one line."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from fiducialkit import InputError
from fiducialkit.arrays import checked_array


@pytest.mark.parametrize(
    "value",
    [
        [[1, 2], [3, 4]],
        ((1.0, 2.0), (3.0, 4.0)),
        np.array([[1, 2], [3, 4]], dtype=np.int32),
        np.array([[1, 2], [3, 4]], dtype=np.float32),
        np.asfortranarray([[1.0, 2.0], [3.0, 4.0]]),
        np.arange(1.0, 9.0).reshape(2, 4)[:, :2] * [[1, 1], [0.6, 4 / 6]],
        np.array([[[1.0, 2.0]], [[3.0, 4.0]]]),
        np.array([[[1.0, 2.0], [3.0, 4.0]]]),
        pd.DataFrame({"x": [1, 3], "y": [2, 4]}),
    ],
)
def test_what_people_and_opencv_hand_over_comes_out_the_same(value: object) -> None:
    # A2, A5: lists, integers, slices, Fortran order, and OpenCV's extra axes
    array = checked_array("points", value, (None, 2))
    assert array == pytest.approx(np.array([[1.0, 2.0], [3.0, 4.0]]))
    assert array.dtype == np.float64
    assert array.flags.c_contiguous


def test_the_result_is_never_the_caller_s_array() -> None:
    for value in (np.eye(2), np.ones((2, 1, 2))):
        array = checked_array("points", value, (None, 2))
        assert not np.shares_memory(array, value)
        array[:] = 7.0
        assert value.max() == 1.0


@pytest.mark.parametrize(
    ("shape", "wanted"),
    [
        ((1, 1, 2), (None, 2)),
        ((5, 1, 2), (None, 2)),
        ((1, 5, 2), (None, 2)),
        ((3, 1), (3,)),
        ((1, 3), (3,)),
        ((0, 2), (None, 2)),
        ((5, 1), (None,)),
        ((1, 1), (None,)),
        ((5, 1, 1), (None, 1)),
        ((4, 1, 4, 2), (None, 4, 2)),
        ((), ()),
        ((1,), ()),
    ],
)
def test_axes_of_length_one_are_removed_where_that_alone_is_the_matter(
    shape: tuple[int, ...], wanted: tuple[int | None, ...]
) -> None:
    array = checked_array("points", np.ones(shape), wanted)
    assert array.ndim == len(wanted)
    assert array.size == math.prod(shape)


@pytest.mark.parametrize(
    ("value", "shape", "message"),
    [
        ("abc", None, "points: expected numbers, found str"),
        (object(), None, "points: expected numbers, found object"),
        (None, (None, 2), "points: expected shape (N, 2), found ()"),
        ([[1, 2], [3]], (None, 2), "points: expected numbers, found list"),
        ([[1, 2, 3]], (None, 2), "points: expected shape (N, 2), found (1, 3)"),
        ([1.0, 2.0], (None, 2), "points: expected shape (N, 2), found (2,)"),
        ([[1.0, 2.0]], (3,), "points: expected shape (3,), found (1, 2)"),
        ([1.0, 2.0], (), "points: expected one number, found shape (2,)"),
        (np.ones((2, 3)), (3, 2), "points: expected shape (3, 2), found (2, 3)"),
        ([1.0, math.nan, math.inf], (3,), "points: expected finite numbers, found 2 that are not"),
        (["1", "2"], None, "points: expected numbers, found list"),
        ([1j, 2.0], None, "points: expected numbers"),
        (np.array(["2026-01-01"], dtype="datetime64[D]"), None, "points: expected numbers"),
    ],
)
def test_what_is_refused(value: object, shape: tuple[int | None, ...] | None, message: str) -> None:
    with pytest.raises(InputError) as caught:
        checked_array("points", value, shape)
    assert str(caught.value).startswith(message)
    assert "\n" not in str(caught.value)


def test_nan_passes_where_it_is_allowed() -> None:
    assert np.isnan(checked_array("corners", [math.nan, 1.0], (2,), finite=False)[0])
