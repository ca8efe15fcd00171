"""How exactly OpenCV's detector places a marker's corners, measured."""

from __future__ import annotations

from typing import Any, overload

import numpy as np

from fiducialkit.arrays import FloatArray
from fiducialkit.errors import InputError

_SIDES_PX = (24.0, 48.0, 96.0)
_STOCK_SD_PX = {"none": (0.49, 0.54, 0.57), "subpixel": (0.18, 0.13, 0.12), "contour": (0.24, 0.38, 0.53)}


@overload
def stock_corner_sd_px(side_px: float, refinement: str = "subpixel") -> float: ...
@overload
def stock_corner_sd_px(side_px: FloatArray, refinement: str = "subpixel") -> FloatArray: ...
def stock_corner_sd_px(side_px: Any, refinement: str = "subpixel") -> Any:
    """Return the rms error per axis of a corner of a marker of that side. [px]

    Measured for this project at sides of 24, 48 and 96 px (contrast 150, blur 0.7 px, noise 2 grey levels); straight
    in the logarithm of the side between them, and held at the ends. It is dominated by bias: "subpixel" (relative
    window 1.0) pulls corners inwards by nearly that much at every picture, so averaging helps little, more contrast
    or less noise hardly at all, and at sides below 24 px the true figure is larger.

    Parameters
    ----------
    side_px : float or ndarray
        Mean side of the black square in the picture. [px]
    refinement : {"subpixel", "none", "contour"}

    Raises
    ------
    InputError
        If a side is not above zero or the refinement is unknown.

    Examples
    --------
    >>> stock_corner_sd_px(48.0)
    0.13
    """
    if not isinstance(refinement, str) or refinement not in _STOCK_SD_PX:
        raise InputError(f"refinement: expected one of {', '.join(_STOCK_SD_PX)}, found {refinement!r}")
    sides = np.asarray(side_px, dtype=np.float64)
    if not (sides > 0.0).all():
        raise InputError(f"side_px: expected sides above 0 px, found {sides.min()}")
    sd_px = np.interp(np.log(sides), np.log(_SIDES_PX), _STOCK_SD_PX[refinement])
    return sd_px if np.ndim(side_px) else float(sd_px)
