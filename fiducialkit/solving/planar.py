"""One marker: its two poses, each with its probability.

A flat square seen small or nearly face-on looks almost the same when its normal is reflected about the line of sight.
Both poses are minima of the reprojection error; neither is ever thrown away here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial.transform import RigidTransform

from fiducialkit.arrays import FloatArray, checked_array
from fiducialkit.errors import InputError
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.markers import corners_of_square
from fiducialkit.scene.transforms import parts, rigid_transform, skew
from fiducialkit.solving import kernels

STATUSES = ("ok", "ambiguous", "inconsistent", "no_pose")
AMBIGUOUS_ABOVE = 0.05
REVERSED = "the corners run counter-clockwise; was their order reversed or the picture mirrored?"
# Corners this far from every pose are not noise: an order or a layout is wrong. All three must be exceeded, so that
# a roughly calibrated lens is not mistaken for it.
_INCONSISTENT_PX, _INCONSISTENT_SIDE_SHARE, _INCONSISTENT_SIGMAS = 2.0, 0.05, 5.0
_SAME_TURN_RAD = 1e-4
FARTHEST_M = 1e4  # a pose beyond it is what garbage corners run away to
_SAME_SHIFT = 1e-4  # of the distance
NO_PRIOR = np.zeros(kernels.PRIOR)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanarSolution:
    """One pose of one marker.

    Attributes
    ----------
    camera_from_marker : RigidTransform
    covariance : ndarray, shape (6, 6)
        Of the marker's centre in camera, then of a rotation vector in camera. [m, rad]
    probability : float
        Against the other solution, before any other knowledge.
    rms_px : float
        Reprojection error, rms per coordinate.
    chi2 : float
        Weighted sum of squared residuals.
    """

    camera_from_marker: RigidTransform
    covariance: FloatArray
    probability: float
    rms_px: float
    chi2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkerSolutions:
    """Both poses of one marker, the more probable first; one where the other is no minimum; none where all failed.

    `status` is "ok", "ambiguous" (the other pose has more than 5 %), "inconsistent" (the corners lie far from any pose,
    or run counter-clockwise, as on the back of the print) or "no_pose".
    """

    status: str
    message: str
    solutions: tuple[PlanarSolution, ...]


def solve_marker(corners_px: Any, size_m: float, camera: Camera, covariance_px2: Any = None) -> MarkerSolutions:
    """Return both planar solutions of one marker.

    Each closed-form start (infinitesimal plane-based pose estimation in the marker's own frame) is refined to the
    maximum-likelihood pose. With chi2 the weighted squared residual, p = 1 / (1 + exp((chi2_this - chi2_other) / 2)).

    Parameters
    ----------
    corners_px : array_like, shape (4, 2)
        Clockwise from the upright marker's top left; pixel centres at whole numbers. [px]
    size_m : float
        Side of the black square. [m]
    camera : Camera
    covariance_px2 : array_like, shape (8, 8), or float, optional
        Of the corner coordinates; a number is the variance of each. 1 px^2 if None, and the probabilities then
        mean little. [px^2]

    References
    ----------
    Collins and Bartoli, "Infinitesimal plane-based pose estimation", Int. J. Computer Vision 109 (2014) 252-286.
    """
    corners = checked_array("corners_px", corners_px, (4, 2))
    size_m = float(checked_array("size_m", size_m, ()))
    if not size_m > 0.0:
        raise InputError(f"size_m: expected a length above 0, found {size_m}")
    covariance = checked_array("covariance_px2", 1.0 if covariance_px2 is None else covariance_px2)
    if covariance.ndim == 0:
        covariance = covariance * np.eye(8)
    elif covariance.shape != (8, 8):
        raise InputError(f"covariance_px2: expected shape (8, 8) or a number, found {covariance.shape}")
    whitening = whitening_of(covariance[None])
    solutions = _refined_pair(corners, size_m, camera, whitening)
    if not solutions:
        return MarkerSolutions(
            status="no_pose", message="no pose puts these corners in front of the lens", solutions=()
        )
    best = solutions[0]
    wrong = REVERSED if not runs_clockwise(corners) else far_from_pose(corners[None], best.rms_px, best.chi2, freedom=2)
    if wrong:
        return MarkerSolutions(status="inconsistent", message=wrong, solutions=solutions)
    doubt = 1.0 - best.probability
    if doubt > AMBIGUOUS_ABOVE:
        message = f"two poses fit; the second has a probability of {doubt:.2f}"
        return MarkerSolutions(status="ambiguous", message=message, solutions=solutions)
    return MarkerSolutions(status="ok", message="", solutions=solutions)


def runs_clockwise(corners_px: FloatArray) -> bool:
    """Return whether (4, 2) corners run clockwise in the picture, as those of a printed face always do.

    A square fits its own mirror image exactly, as a pose seen from behind: no residual would tell.
    """
    across, down = corners_px[2] - corners_px[0], corners_px[3] - corners_px[1]
    return bool(across[0] * down[1] - across[1] * down[0] > 0.0)


def far_from_pose(corners_px: FloatArray, rms_px: float, chi2: float, freedom: int) -> str:
    """Return why corners (N, 4, 2) cannot belong to their best pose, or an empty text where noise explains them."""
    if not math.sqrt(chi2 / max(freedom, 1)) > _INCONSISTENT_SIGMAS:
        return ""
    side_px = float(np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=1), axis=2).mean())
    if is_far(rms_px, side_px, chi2, freedom):
        return f"the corners lie {rms_px:.1f} px rms from any pose; is the layout or a marker wrong?"
    return ""


def is_far(rms_px: Any, side_px: Any, chi2: Any, freedom: Any) -> Any:
    """Return whether residuals (numbers or arrays) are too large for noise: in pixels, in sides and in sigmas."""
    sigmas = np.sqrt(chi2 / np.maximum(freedom, 1))
    limit_px = np.maximum(_INCONSISTENT_PX, _INCONSISTENT_SIDE_SHARE * side_px)
    return (rms_px > limit_px) & (sigmas > _INCONSISTENT_SIGMAS)


def covariance_of(information: FloatArray) -> FloatArray | None:
    """Return the read-only inverse of an information matrix; None where it has none in double precision."""
    scale = np.sqrt(np.diag(information))
    if not (np.isfinite(information).all() and (scale > 0.0).all()):
        return None
    try:
        # scaled to a unit diagonal first, so that metres and radians do not set the condition
        half = np.linalg.inv(np.linalg.cholesky(information / np.outer(scale, scale))) / scale
    except np.linalg.LinAlgError:
        return None
    covariance: FloatArray = half.T @ half
    covariance.flags.writeable = False
    return covariance


def whitening_of(covariance_px2: FloatArray) -> FloatArray:
    """Return W (N, 8, 8), lower triangular, with ``W' W = inverse(covariance)``; refuse what is no covariance."""
    try:
        lower = np.linalg.cholesky(covariance_px2)
    except np.linalg.LinAlgError:
        raise InputError("covariance_px2: expected positive definite matrices, found one that is not") from None
    return np.ascontiguousarray(np.linalg.inv(lower))


def closed_form_poses(corners_px: FloatArray, size_m: float, camera: Camera) -> list[tuple[FloatArray, FloatArray]]:
    """Return up to two (rotation, translation) of camera_from_marker, from undistorted corners.

    Solved here, in the marker's own frame: OpenCV's solver for squares returns nonsense with success for any other
    frame or order, and version 5.0.0 even for some exact corners in this one.
    """
    directions, found = camera.unproject(corners_px)
    rotations, translations = np.empty((2, 3, 3)), np.empty((2, 3))
    if not found.all() or not kernels.planar_poses(directions, size_m, rotations, translations):
        return []
    depths = np.einsum("nj,kj->nk", rotations[:, 2], corners_of_square(size_m)) + translations[:, 2:]
    fit = np.isfinite(translations).all(axis=1) & (depths > 0.0).all(axis=1)
    return [(rotations[i].copy(), translations[i].copy()) for i in np.flatnonzero(fit)]


def is_same_pose(a: tuple[FloatArray, FloatArray], b: tuple[FloatArray, FloatArray], scale_m: float) -> bool:
    """Return whether two (rotation, position) pairs are one minimum reached twice."""
    turn = np.abs(a[0] - b[0]).max()
    shift = float(np.linalg.norm(a[1] - b[1]))
    return bool(turn < _SAME_TURN_RAD and shift < _SAME_SHIFT * max(scale_m, 1e-3))


def probabilities(chi2: list[float]) -> list[float]:
    """Return the probability of each solution from its chi squared: proportional to exp(-chi2 / 2)."""
    weight = np.exp(-0.5 * (np.array(chi2) - min(chi2)))
    return [float(value) for value in weight / weight.sum()]


def _refined_pair(
    corners_px: FloatArray, size_m: float, camera: Camera, whitening: FloatArray
) -> tuple[PlanarSolution, ...]:
    minima: list[tuple[float, FloatArray, FloatArray, FloatArray]] = []
    for rotation_cm, translation_cm in closed_form_poses(corners_px, size_m, camera):
        # the kernel's "robot" is the camera and its "field" the marker
        rotation = np.ascontiguousarray(rotation_cm.T)
        position = -rotation @ translation_cm
        information = np.empty((6, 6))
        status, chi2 = kernels.refine_pose(
            corners_of_square(size_m)[None], corners_px[None], whitening, np.zeros(1, dtype=np.int64),
            np.array([camera.model_number]), camera.parameters[None].copy(), np.eye(3)[None], np.zeros((1, 3)),
            NO_PRIOR, rotation, position, information,
        )  # fmt: skip
        covariance = covariance_of(information)
        if status != kernels.CONVERGED or covariance is None:
            continue
        scale_m = float(np.linalg.norm(position))
        if scale_m < FARTHEST_M and all(
            not is_same_pose((rotation, position), other[1:3], scale_m) for other in minima
        ):
            minima.append((chi2, rotation, position, covariance))
    minima.sort(key=lambda found: found[0])
    if not minima:
        return ()
    shares = probabilities([found[0] for found in minima])
    return tuple(
        _planar_solution(found, share, corners_px, size_m, camera) for found, share in zip(minima, shares, strict=True)
    )


def _planar_solution(
    found: tuple[float, FloatArray, FloatArray, FloatArray],
    probability: float,
    corners_px: FloatArray,
    size_m: float,
    camera: Camera,
) -> PlanarSolution:
    chi2, rotation, position, covariance_fm = found
    camera_from_marker = rigid_transform(rotation.T, -rotation.T @ position, "marker pose")
    turn, offset = parts(camera_from_marker)
    pixels, _ = camera.project(corners_of_square(size_m) @ turn.T + offset)
    # of the inverse pose: dt = -R' dp - R' [p]x w, dw = -R' w
    inverse = np.block([[-turn, -turn @ skew(position)], [np.zeros((3, 3)), -turn]])
    covariance: FloatArray = inverse @ covariance_fm @ inverse.T
    covariance.flags.writeable = False
    return PlanarSolution(
        camera_from_marker=camera_from_marker,
        covariance=covariance,
        probability=probability,
        rms_px=float(np.sqrt(np.mean((pixels - corners_px) ** 2))),
        chi2=float(chi2),
    )
