"""The one boundary with OpenCV's detectors: what they give, in one shape, whatever the version.

Outputs lost their middle axis between versions (ids (N, 1) or (N,), points (N, 1, 2) or (N, 2), ``None`` or an empty
array where nothing was found); here they become (N,), (N, 4, 2) and (N, 2). Whatever needs
one of OpenCV's enums resolves it by name: the numbers moved between versions, and an old one silently means something
else.
"""

from __future__ import annotations

from types import ModuleType
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fiducialkit.arrays import FloatArray, IntArray, checked_array
from fiducialkit.errors import FiducialKitError, InputError

_NEEDED = ("ArucoDetector", "DetectorParameters", "Dictionary", "getPredefinedDictionary")


def require_detector_classes(module: ModuleType) -> None:
    """Raise one clear line unless the OpenCV module has the detector classes (4.7 and later).

    Raises
    ------
    FiducialKitError
        Naming the version found and the package to install.
    """
    detectors = getattr(module, "aruco", None)
    missing = [name for name in _NEEDED if not hasattr(detectors, name)]
    if missing:
        version = getattr(module, "__version__", "of unknown version")
        raise FiducialKitError(
            f"OpenCV {version}: expected the marker detector classes, found no cv2.aruco.{missing[0]}; "
            "install opencv-contrib-python 5.0 or later, and no other OpenCV package beside it"
        )


require_detector_classes(cv2)


def as_ids(ids: Any) -> IntArray:
    """Return ids as (N,), from (N,), (N, 1), (1, N), an empty array or None."""
    if ids is None or np.size(ids) == 0:
        return np.empty(0, dtype=np.int64)
    array = np.asarray(ids)
    if array.dtype.kind not in "iu" or max(array.shape, default=1) != array.size:
        raise InputError(f"ids: expected a list of whole numbers, found shape {array.shape} of {array.dtype}")
    return array.astype(np.int64).reshape(-1)


def as_points(points: Any) -> FloatArray:
    """Return points as contiguous (N, 2), from (N, 2), (N, 1, 2), (1, N, 2), an empty array or None."""
    if points is None or np.size(points) == 0:
        return np.empty((0, 2))
    return checked_array("points", points, (None, 2))


def as_corners(corners: Any) -> FloatArray:
    """Return marker corners as (N, 4, 2), from a sequence of (1, 4, 2), (4, 1, 2) or (4, 2), one array, or None."""
    if corners is None or len(corners) == 0:
        return np.empty((0, 4, 2))
    found = [np.shape(each) for each in corners]
    if any(shape not in ((1, 4, 2), (4, 1, 2), (4, 2)) for shape in found):
        raise InputError(f"corners: expected four points a marker, found shapes {sorted(set(found))}")
    return checked_array("corners", [np.reshape(each, (4, 2)) for each in corners], (None, 4, 2))


def as_detections(corners: Any, ids: Any) -> tuple[IntArray, FloatArray]:
    """Return ids (N,) and corners (N, 4, 2) of what a detector gave.

    Raises
    ------
    InputError
        If their numbers differ.
    """
    ids, corners = as_ids(ids), as_corners(corners)
    if len(ids) != len(corners):
        raise InputError(f"ids: expected one for each of {len(corners)} markers, found {len(ids)}")
    return ids, corners


def for_drawing(points: Any) -> npt.NDArray[np.float32] | None:
    """Return points as the (N, 1, 2) float32 that OpenCV's drawing wants, or None where there is nothing to draw.

    The drawing functions refuse the (N, 2) of OpenCV's own detectors, and None.
    """
    array = as_points(points).astype(np.float32)
    return array.reshape(-1, 1, 2) if len(array) else None
