"""Views of a flat board whose pose is the wrong one of two: found after a first fit, and turned over.

A flat board far away or nearly face-on looks almost the same with its normal mirrored about the line of sight. An
adjustment that starts on the wrong side stays there, and the view then looks like a bad picture.
"""

from __future__ import annotations

import numpy as np

from fiducialkit.arrays import FloatArray
from fiducialkit.solving.intrinsics_fit import LensFit, Sights, fit_poses, sights_of_some

_SUSPECT = 1.25  # times the median view's mean square


def mirrored_poses(poses: FloatArray, middles: FloatArray) -> FloatArray:
    """Return the other pose (F, 3, 4) of each flat board: its normal mirrored about the line of sight to its middle.

    Parameters
    ----------
    poses : ndarray, shape (F, 3, 4)
        camera_from_board.
    middles : ndarray, shape (F, 3)
        Of each board, in its frame; stays where it is. [m]

    References
    ----------
    Oberkampf, DeMenthon and Davis, Computer Vision and Image Understanding 63 (1996) 495-511 (the two poses of a plane
    under weak perspective).
    """
    places = np.einsum("nij,nj->ni", poses[:, :, :3], middles) + poses[:, :, 3]
    sight = places / np.linalg.norm(places, axis=1, keepdims=True)
    half_turn = 2.0 * sight[:, :, None] * sight[:, None, :] - np.eye(3)
    rotations = half_turn @ poses[:, :, :3] @ np.diag([-1.0, -1.0, 1.0])
    moved = places - np.einsum("nij,nj->ni", rotations, middles)
    return np.concatenate([rotations, moved[:, :, None]], axis=2)


def unflipped_poses(fit: LensFit, sights: Sights) -> FloatArray | None:
    """Return the poses with those turned over that fit better so, the lens held; None if all stand as they should."""
    own = fit.adjustment.sums[0].chi2
    mean_square = own / np.maximum(2.0 * sights.counts, 1.0)
    suspects = np.flatnonzero(mean_square > _SUSPECT * np.median(mean_square))
    if not len(suspects):
        return None
    some = sights_of_some(sights, suspects)
    middles = np.stack([some.points_board[some.view_of == k].mean(axis=0) for k in range(len(suspects))])
    other = fit_poses(some, fit.camera, mirrored_poses(fit.poses[suspects], middles))
    better = other.sums[0].chi2 < own[suspects]
    if other.values.frames is None or not better.any():
        return None
    poses = fit.poses.copy()
    poses[suspects[better]] = other.values.frames[better]
    return poses
