"""Every table defined once: column, unit, type, meaning; and a check for each.

One column name has one meaning everywhere. Covariances are arrays beside a table in memory and upper-triangle
columns on file; `stack_covariance` and `unstack_covariance` are the one place that turns one into the other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray, checked_array
from fiducialkit.errors import InputError


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name carries its unit, `kind` is float, int, text or bool."""

    name: str
    kind: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Table:
    """A named list of columns that a DataFrame is checked against."""

    name: str
    columns: tuple[Column, ...]

    @property
    def names(self) -> list[str]:
        """The column names in order."""
        return [column.name for column in self.columns]

    def checked(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return a copy with exactly these columns in this order and these types.

        Raises
        ------
        InputError
            If a column is missing, unknown or there twice, or a value does not fit its type; a fraction is no int and
            a text is no bool.
        """
        repeated = [str(name) for name in frame.columns[frame.columns.duplicated()]]
        if repeated:
            raise InputError(f"table {self.name}: expected each column once, found {repeated} twice")
        missing = [name for name in self.names if name not in frame.columns]
        unknown = [str(name) for name in frame.columns if name not in self.names]
        if missing or unknown:
            raise InputError(f"table {self.name}: missing columns {missing}, unknown columns {unknown}")
        checked = pd.DataFrame(index=frame.index)
        for column in self.columns:
            try:
                checked[column.name] = _typed(frame[column.name], column.kind)
            except (TypeError, ValueError, OverflowError):
                found = _first_misfit(frame[column.name], column.kind)
                raise InputError(f"table {self.name}: {column.name}: expected {column.kind}, found {found}") from None
        return checked.reset_index(drop=True)

    def empty(self) -> pd.DataFrame:
        """Return the table without rows."""
        return self.checked(pd.DataFrame({name: [] for name in self.names}))


def _typed(values: pd.Series, kind: str) -> pd.Series:
    """Return the values as that type; ValueError or TypeError where one would change on the way."""
    if kind == "float":
        return values.astype("float64")
    if kind == "int":
        whole = values.astype("int64")
        if not (whole == values.astype("float64")).all():
            raise ValueError("a fraction")
        return whole
    if kind == "bool":
        if not values.isin([True, False]).all():
            raise ValueError("neither true nor false")
        return values.astype("bool")
    return values.astype("string").astype("object").where(values.notna(), "")


def _first_misfit(values: pd.Series, kind: str) -> str:
    for row in range(len(values)):
        try:
            _typed(values.iloc[row : row + 1], kind)
        except (TypeError, ValueError, OverflowError):
            return f"{values.iloc[row]!r} in row {row}"
    return f"values of type {values.dtype}"


def stack_covariance(prefix: str, covariance: FloatArray) -> pd.DataFrame:
    """Return (N, n, n) covariances as columns ``<prefix>_<i><j>``, i <= j, counted from 0."""
    covariance = checked_array(prefix, covariance, (None, None, None), finite=False)
    if covariance.shape[1] != covariance.shape[2] or not 1 <= covariance.shape[2] <= 10:
        raise InputError(f"{prefix}: expected shape (N, n, n) with n up to 10, found {covariance.shape}")
    rows, columns = np.triu_indices(covariance.shape[-1])
    return pd.DataFrame(
        {f"{prefix}_{i}{j}": covariance[:, i, j] for i, j in zip(rows, columns, strict=True)},
        dtype=np.float64,
    )


def unstack_covariance(prefix: str, frame: pd.DataFrame, size: int) -> FloatArray:
    """Return the (N, size, size) covariances that `stack_covariance` spread out."""
    covariance = np.empty((len(frame), size, size))
    for i, j in zip(*np.triu_indices(size), strict=True):
        name = f"{prefix}_{i}{j}"
        if name not in frame.columns:
            raise InputError(f"table: expected the covariance column {name}, found none")
        covariance[:, i, j] = covariance[:, j, i] = _typed(frame[name], "float").to_numpy()
    return covariance
