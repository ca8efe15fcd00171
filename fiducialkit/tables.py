"""Every table defined once: column, unit, type, meaning; and a check for each.

One column name has one meaning everywhere. Covariances are arrays beside a table in memory and upper-triangle
columns on file; `stack_covariance` and `unstack_covariance` are the one place that turns one into the other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray
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
            If a column is missing or unknown, or a value does not fit its type.
        """
        missing = [name for name in self.names if name not in frame.columns]
        unknown = [str(name) for name in frame.columns if name not in self.names]
        if missing or unknown:
            raise InputError(f"table {self.name}: missing columns {missing}, unknown columns {unknown}")
        checked = pd.DataFrame(index=frame.index)
        for column in self.columns:
            try:
                checked[column.name] = _typed(frame[column.name], column.kind)
            except (TypeError, ValueError):
                raise InputError(f"table {self.name}: {column.name}: expected {column.kind}") from None
        return checked.reset_index(drop=True)

    def empty(self) -> pd.DataFrame:
        """Return the table without rows."""
        return self.checked(pd.DataFrame({name: [] for name in self.names}))


def _typed(values: pd.Series, kind: str) -> pd.Series:
    if kind == "float":
        return values.astype("float64")
    if kind == "int":
        return values.astype("int64")
    if kind == "bool":
        return values.astype("bool")
    return values.astype("string").astype("object").where(values.notna(), "")


def stack_covariance(prefix: str, covariance: FloatArray) -> pd.DataFrame:
    """Return (N, n, n) covariances as columns ``<prefix>_<i><j>``, i <= j, counted from 0."""
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
        covariance[:, i, j] = covariance[:, j, i] = frame[name].to_numpy(dtype=np.float64)
    return covariance
