"""Array types, and the one check every array passes at a public door."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from fiducialkit.errors import InputError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
ByteArray = npt.NDArray[np.uint8]


def checked_array(
    name: str, value: Any, shape: tuple[int | None, ...] | None = None, *, finite: bool = True
) -> FloatArray:
    """Return `value` as a fresh contiguous float64 array of the expected shape.

    Parameters
    ----------
    name : str
        What the caller calls it, for the message.
    value : array_like
        Numbers in any form numpy can read; not text, dates or complex numbers. Never modified, never aliased.
    shape : tuple of int or None, optional
        Expected shape; ``None`` for a free length. Axes of length one that OpenCV adds are removed
        where that alone makes the shape right, so (N, 1, 2) passes as (N, 2).
    finite : bool
        Whether NaN and infinity are refused.

    Raises
    ------
    InputError
        If it is not numeric, has another shape or is not finite.
    """
    try:
        if np.asarray(value).dtype.kind in "mMcSU":  # numpy would make numbers of dates and of text
            raise TypeError(f"of type {np.asarray(value).dtype}")
        array = np.array(value, dtype=np.float64, order="C", copy=True)
    except (TypeError, ValueError) as error:
        raise InputError(f"{name}: expected numbers, found {type(value).__name__} ({error})") from None
    if shape is not None:
        array = _with_shape(name, array, shape)
    if finite and not np.isfinite(array).all():
        raise InputError(f"{name}: expected finite numbers, found {int((~np.isfinite(array)).sum())} that are not")
    return array


def _with_shape(name: str, array: FloatArray, shape: tuple[int | None, ...]) -> FloatArray:
    if _fits(array.shape, shape):
        return array
    squeezed = tuple(n for n in array.shape if n != 1)
    wanted = tuple(n for n in shape if n != 1)
    if array.ndim > len(shape) and _fits(squeezed, wanted) and len(wanted) == len(shape):
        return array.reshape(squeezed)
    without_second = array.shape[:1] + array.shape[2:]
    if array.ndim >= 2 and array.shape[1] == 1 and _fits(without_second, shape):
        return array.reshape(without_second)
    if not shape:
        raise InputError(f"{name}: expected one number, found shape {array.shape}")
    expected = str(shape).replace("None", "N")
    raise InputError(f"{name}: expected shape {expected}, found {array.shape}")


def _fits(found: tuple[int, ...], wanted: tuple[int | None, ...]) -> bool:
    return len(found) == len(wanted) and all(w is None or f == w for f, w in zip(found, wanted, strict=True))
