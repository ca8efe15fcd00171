"""The detector that a camera file says runs on the robot, run on a picture."""

from __future__ import annotations

import cv2
import numpy as np

from fiducialkit.arrays import ByteArray, FloatArray
from fiducialkit.errors import InputError
from fiducialkit.imaging.corner_noise import stock_corner_sd_px
from fiducialkit.imaging.detection import PRESETS, detect_markers
from fiducialkit.imaging.observations import MarkerObservations
from fiducialkit.imaging.opencv import as_detections
from fiducialkit.imaging.squares import widths_px
from fiducialkit.imaging.subpixel import subpixel_corners
from fiducialkit.planning.detector_tables import CELLS, Conditions, measured_detector
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.markers import MarkerFamily

RUNNABLE = ("stock", "fitted")
_USUAL_FACING_DEG = 20.0  # a robot's program knows the width, not the angle, which changes the sd by little


def seen_by_robot(
    grey: ByteArray, camera: Camera, family: MarkerFamily, *, border_cells: int = 1
) -> MarkerObservations:
    """Return the markers that the robot's own detector, `camera.noise.detector`, finds in a picture.

    Raises
    ------
    InputError
        If the camera file gives measured figures instead of a detector that can be run.
    """
    if camera.noise.detector == "fitted":
        return detect_markers(grey, family, camera, border_cells=border_cells, explain=False)
    if camera.noise.detector == "stock":
        noise = camera.noise
        conditions = Conditions(grey_sd=noise.grey_sd, contrast_grey=noise.contrast_grey, blur_px=noise.blur_px)
        return stock_markers(grey, family, border_cells=border_cells, conditions=conditions)
    raise InputError(
        f"camera '{camera.name}': noise.detector: expected {' or '.join(RUNNABLE)}, which can be run on a picture, "
        f"found {camera.noise.detector}"
    )


def stock_markers(
    grey: ByteArray, family: MarkerFamily, *, border_cells: int = 1, conditions: Conditions | None = None
) -> MarkerObservations:
    """Return the markers that OpenCV's detector finds with its own settings, corners as `imaging.subpixel` has them.

    Parameters
    ----------
    grey : ndarray of uint8, shape (h, w)
    family : MarkerFamily
    border_cells : int
        Black border of the markers as printed.
    conditions : Conditions, optional
        Of the picture: the covariances are then those measured there (`detector_tables`), otherwise the rule of thumb
        of `imaging.corner_noise`. The same on every coordinate and independent, as a robot's program has it.
    """
    parameters = cv2.aruco.DetectorParameters()
    parameters.markerBorderBits = border_cells
    found = cv2.aruco.ArucoDetector(family.opencv_dictionary, parameters).detectMarkers(grey)
    ids, corners = as_detections(found[0], found[1])
    corners = family.upright_corners(corners)
    widths = np.maximum(widths_px(corners), 1.0) if len(corners) else np.empty(0)
    cells = family.cells(border_cells)
    placed = [
        subpixel_corners(grey, each, width / cells, PRESETS["full range"])
        for each, width in zip(corners, widths.tolist(), strict=True)
    ]
    variances = _stated_sd_px(widths, cells, conditions) ** 2
    height, width = grey.shape
    order = np.argsort(ids, kind="stable")
    return MarkerObservations(
        marker_id=ids[order],
        corners_px=np.array(placed, dtype=np.float64).reshape(-1, 4, 2)[order],
        covariance_px2=(variances[:, None, None] * np.eye(8))[order],
        picture_size_px=(width, height),
    )


def _stated_sd_px(widths_px: FloatArray, cells: int, conditions: Conditions | None) -> FloatArray:
    if conditions is None or not len(widths_px):
        return np.asarray(stock_corner_sd_px(np.maximum(widths_px, 1.0)), dtype=np.float64)
    alike = widths_px * (CELLS / cells)
    return measured_detector("stock").corner_sd_px(conditions, alike, np.full(len(alike), _USUAL_FACING_DEG))
