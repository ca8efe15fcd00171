"""Views of known points through one lens, declared for an adjustment: frames are camera_from_board poses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from fiducialkit.arrays import FloatArray, IntArray, checked_array
from fiducialkit.errors import InputError
from fiducialkit.scene import projection
from fiducialkit.scene.camera import Camera
from fiducialkit.solving import adjustment_kernels as kernels
from fiducialkit.solving.adjustment_problem import Block, Linearised, Measurements, Prior, Values

LENS_LABELS = {
    "brown": ("fx_px", "fy_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "k3"),
    "rational": ("fx_px", "fy_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6"),
    "fisheye": ("fx_px", "fy_px", "cx_px", "cy_px", "k1", "k2", "k3", "k4"),
}


def lens_block(camera: Camera, *, name: str = "lens", prior: Prior | None = None, fixed: Any = False) -> Block:
    """Return a camera's focal lengths, principal point and distortion coefficients as a block to be adjusted.

    Coefficients the camera does not have stay zero: give it as many as are to be found.
    """
    value = [camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px, *camera.distortion]
    labels = LENS_LABELS[camera.model][: len(value)]
    return Block(name=name, value=value, labels=labels, prior=prior, fixed=fixed)


def adjusted_camera(camera: Camera, value: FloatArray) -> Camera:
    """Return the camera with the numbers of its adjusted block."""
    fx, fy, cx, cy = (float(number) for number in value[:4])
    coefficients = tuple(float(number) for number in value[4:])
    return replace(camera, fx_px=fx, fy_px=fy, cx_px=cx, cy_px=cy, distortion=coefficients)


def view_measurements(
    *,
    camera: Camera,
    points_board: Any,
    pixels_px: Any,
    frame_of: Any,
    sd_px: Any = None,
    covariance_px2: Any = None,
    name: str = "corners",
    lens: str = "lens",
    bending: tuple[str, Any] | None = None,
    group_of: Any = None,
    group_names: Sequence[str] | None = None,
) -> Measurements:
    """Return N seen points as measurements: each of two numbers, of one frame, touching the lens and the bending.

    Points are believed to project wherever they lie before the camera; whether the adjusted lens is one-to-one there
    is for the caller to judge.

    Parameters
    ----------
    camera : Camera
        Gives the lens model and the number of coefficients; the numbers themselves are the block's.
    points_board : array_like, shape (N, 3)
        Where each point is on its board. [m]
    pixels_px : array_like, shape (N, 2)
        Where it was seen.
    frame_of : array_like of int, shape (N,)
        In which frame. Frames are a pose block of camera_from_board.
    sd_px : float or array_like, shape (N,)
        Of either coordinate. Or `covariance_px2`, shape (N, 2, 2).
    lens : str
        Name of the shared block made by `lens_block`.
    bending : (str, array_like of shape (N, 3, b)), optional
        Name of a shared flat block of b numbers and by how much each moves each point on the board.
    group_of : array_like of int, shape (N,), optional
        As for `Measurements`; each frame is a group if None.

    Raises
    ------
    InputError
        If shapes do not fit together, or a standard deviation is not above 0.
    """
    points = checked_array("points_board", points_board, (None, 3))
    count = len(points)
    pixels = checked_array("pixels_px", pixels_px, (count, 2))
    whitening = _whitening(count, sd_px, covariance_px2)
    frames = np.asarray(frame_of, dtype=np.int64)
    if frames.shape != (count,):
        raise InputError(f"frame_of: expected {count} whole numbers, found shape {frames.shape}")
    shapes = None if bending is None else checked_array("bending", bending[1], (count, 3, None))

    def evaluate(values: Values) -> Linearised:
        bent = points if bending is None or shapes is None else points + shapes @ values.shared[bending[0]]
        rows = _rows(camera, values.shared[lens], _frames(values), bent, pixels, whitening, frames)
        residuals, by_pose, by_lens, by_point = rows
        if shapes is None:
            return residuals, by_pose, by_lens
        return residuals, by_pose, np.concatenate([by_lens, by_point @ shapes], axis=2)

    shared: dict[str, Any] = {lens: None} if bending is None else {lens: None, bending[0]: None}
    return Measurements(
        name=name,
        evaluate=evaluate,
        frame_of=frames,
        shared=shared,
        group_of=frames if group_of is None else group_of,
        group_names=group_names,
    )


def _frames(values: Values) -> FloatArray:
    if values.frames is None:
        raise InputError("frames: expected a block of camera_from_board poses, found none")
    return values.frames


def _rows(
    camera: Camera,
    lens: FloatArray,
    poses: FloatArray,
    points: FloatArray,
    pixels: FloatArray,
    whitening: FloatArray,
    frame_of: IntArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    count = len(points)
    parameters = np.zeros(projection.PARAMETERS)
    parameters[:4], parameters[4], parameters[5 : 1 + len(lens)] = lens[:4], np.inf, lens[4:]
    residuals, by_pose = np.empty((count, 2)), np.empty((count, 2, 6))
    by_lens, by_point = np.empty((count, 2, projection.INTRINSICS)), np.empty((count, 2, 3))
    kernels.view_rows(
        camera.model_number, parameters, poses, points, pixels, whitening, frame_of, residuals, by_pose, by_lens,
        by_point,
    )  # fmt: skip
    return residuals, by_pose, by_lens[:, :, : len(lens)], by_point


def _whitening(count: int, sd_px: Any, covariance_px2: Any) -> FloatArray:
    """Return (N, 2, 2) matrices W with ``W' W = inverse(covariance)``."""
    if (sd_px is None) == (covariance_px2 is None):
        raise InputError("sd_px, covariance_px2: expected one of them")
    if covariance_px2 is None:
        sd = checked_array("sd_px", sd_px)
        if sd.shape not in ((), (count,)) or not (sd > 0.0).all():
            raise InputError(f"sd_px: expected one number or {count} above 0, found shape {sd.shape}")
        return np.broadcast_to(1.0 / sd, (count,))[:, None, None] * np.eye(2)
    covariance = checked_array("covariance_px2", covariance_px2, (count, 2, 2))
    try:
        return np.linalg.inv(np.linalg.cholesky(covariance))
    except np.linalg.LinAlgError:
        raise InputError("covariance_px2: expected positive definite matrices, found one that is not") from None
