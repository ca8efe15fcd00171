"""Tables: what passes, what is refused, and covariances on their way to columns and back."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from fiducialkit import InputError, tables
from fiducialkit.imaging.observations import OBSERVATIONS
from fiducialkit.scene.field import MARKERS

RUNS = tables.Table(
    "runs",
    (
        tables.Column("run", "int", "number"),
        tables.Column("range_m", "float", "distance"),
        tables.Column("note", "text", "remark"),
        tables.Column("used", "bool", "whether it counts"),
    ),
)


def good(**changes: object) -> pd.DataFrame:
    columns = {"run": [1, 2], "range_m": [0.5, math.nan], "note": ["a", None], "used": [True, False]}
    return pd.DataFrame(columns | changes)


def test_a_good_table_comes_back_as_a_copy_in_order_with_its_types() -> None:
    frame = good()[["used", "note", "range_m", "run"]].set_index(pd.Index([7, 3]))
    before = frame.copy()
    checked = RUNS.checked(frame)
    assert list(checked.columns) == RUNS.names == ["run", "range_m", "note", "used"]
    assert [str(kind) for kind in checked.dtypes][:2] == ["int64", "float64"]
    assert checked["used"].dtype == bool
    assert list(checked["note"]) == ["a", ""]
    assert list(checked.index) == [0, 1]
    checked.loc[0, "range_m"] = 9.0
    pd.testing.assert_frame_equal(frame, before)


def test_whole_numbers_pass_as_int_and_numbers_as_text() -> None:
    checked = RUNS.checked(good(run=[1.0, 2.0], note=[3, "x"], used=[1, 0]))
    assert checked["run"].tolist() == [1, 2]
    assert checked["note"].tolist() == ["3", "x"]
    assert checked["used"].tolist() == [True, False]


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"run": [1, 2.5]}, "table runs: run: expected int, found .*2.5.* in row 1"),
        ({"run": [1, math.nan]}, "table runs: run: expected int, found .*nan.* in row 1"),
        ({"run": [math.inf, 1]}, "table runs: run: expected int, found .*inf.* in row 0"),
        ({"run": ["one", 2]}, "table runs: run: expected int, found 'one' in row 0"),
        ({"range_m": [0.5, "far"]}, "table runs: range_m: expected float, found 'far' in row 1"),
        ({"used": ["no", "yes"]}, "table runs: used: expected bool, found 'no' in row 0"),
        ({"used": [True, None]}, "table runs: used: expected bool, found None in row 1"),
        ({"used": [True, 2]}, "table runs: used: expected bool, found 2 in row 1"),
        ({"colour": ["red", "blue"]}, r"table runs: missing columns \[\], unknown columns \['colour'\]"),
    ],
)
def test_what_does_not_fit_is_refused_with_its_place(changes: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        RUNS.checked(good(**changes))
    assert "\n" not in str(caught.value)


def test_missing_and_repeated_columns_are_refused() -> None:
    with pytest.raises(InputError, match=r"missing columns \['range_m'\]"):
        RUNS.checked(good().drop(columns="range_m"))
    doubled = pd.concat([good(), good()[["run"]]], axis=1)
    with pytest.raises(InputError, match=r"expected each column once, found \['run'\] twice"):
        RUNS.checked(doubled)


def test_empty_tables_keep_columns_and_types() -> None:
    for table in (RUNS, MARKERS, OBSERVATIONS):
        empty = table.empty()
        assert list(empty.columns) == table.names
        assert len(empty) == 0
        for column in table.columns:
            wanted = {"float": "float64", "int": "int64", "bool": "bool", "text": "object"}[column.kind]
            assert str(empty[column.name].dtype) == wanted


def test_every_column_of_a_table_says_what_it_means_and_stands_once() -> None:
    for table in (MARKERS, OBSERVATIONS):
        assert len(set(table.names)) == len(table.names)
        for column in table.columns:
            assert column.kind in ("float", "int", "text", "bool")
            assert column.meaning


@pytest.mark.parametrize("size", [1, 2, 6, 8])
def test_covariances_survive_the_way_to_columns_and_back(size: int) -> None:
    rng = np.random.default_rng(size)
    factors = rng.normal(size=(5, size, size))
    covariance = factors @ factors.transpose(0, 2, 1)
    before = covariance.copy()
    columns = tables.stack_covariance("pose_covariance", covariance)
    assert columns.shape == (5, size * (size + 1) // 2)
    assert columns.columns[0] == "pose_covariance_00"
    # the second column is element (0, 1), and the last (n-1, n-1)
    if size > 1:
        assert columns.columns[1] == "pose_covariance_01"
        assert columns["pose_covariance_01"].to_numpy() == pytest.approx(covariance[:, 0, 1])
    back = tables.unstack_covariance("pose_covariance", columns, size)
    assert np.array_equal(back, (np.triu(covariance) + np.triu(covariance, 1).transpose(0, 2, 1)))
    assert np.array_equal(covariance, before)


def test_covariances_of_no_rows_and_of_nan() -> None:
    assert tables.stack_covariance("c", np.empty((0, 6, 6))).shape == (0, 21)
    unknown = tables.stack_covariance("c", np.full((2, 2, 2), np.nan))
    assert np.isnan(tables.unstack_covariance("c", unknown, 2)).all()


def test_covariances_of_a_wrong_shape_or_a_missing_column_are_refused() -> None:
    for wrong in (np.eye(3), np.zeros((4, 2, 3)), np.zeros((4, 11, 11)), np.zeros(3)):
        with pytest.raises(InputError, match="c: expected shape"):
            tables.stack_covariance("c", wrong)
    columns = tables.stack_covariance("c", np.eye(3)[None])
    with pytest.raises(InputError, match="expected the covariance column c_12, found none"):
        tables.unstack_covariance("c", columns.drop(columns="c_12"), 3)
