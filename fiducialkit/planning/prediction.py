"""What every rig of a study sees from given robot poses, and how well that fixes the pose."""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtr

from fiducialkit.arrays import BoolArray, FloatArray, IntArray, checked_array
from fiducialkit.planning import kernels
from fiducialkit.planning.detectability import corner_sd_table, limits
from fiducialkit.planning.study import Study
from fiducialkit.scene.occlusion import BOX, upright_box
from fiducialkit.scene.robot import Mount
from fiducialkit.scene.transforms import parts

_CHUNK = 512


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """Predictions by (pose, state, rig), in the order of the study's states and rigs.

    Attributes
    ----------
    markers : ndarray of int, shape (N, S, R)
        Distinct markers seen.
    noise_covariance, covariance : ndarray, shape (N, S, R, 3, 3)
        Of along, across, heading in robot axes [m, m, rad]: from corner noise and the prior alone, and with mount,
        marker and focal errors, which stay the same for a whole drive. NaN where no marker is seen.
    flip_probability : ndarray, shape (N, S, R)
        Chance that the mirrored pose fits better. NaN where no marker is seen.
    """

    markers: IntArray
    noise_covariance: FloatArray
    covariance: FloatArray
    flip_probability: FloatArray


def predict(study: Study, poses: FloatArray, *, with_flips: bool = True, workers: int | None = None) -> Prediction:
    """Return the predictions for robot poses (x [m], y [m], heading [rad]), shape (N, 3).

    Without `with_flips` the flip probability is NaN and the rest comes sooner. Rows are independent, so the result
    does not depend on `workers` (threads; the number of processors if None).
    """
    poses = checked_array("poses", poses, (None, 3))
    scenery = _scenery(study)
    shape = (len(poses), len(study.states), len(study.rigs))
    markers = np.zeros(shape, dtype=np.int64)
    noise_covariance, covariance = np.empty((*shape, 3, 3)), np.empty((*shape, 3, 3))
    separation = np.empty(shape)

    def run(start: int) -> None:
        part = slice(start, start + _CHUNK)
        kernels.evaluate_rigs(
            poses[part], *scenery, with_flips, markers[part], noise_covariance[part], covariance[part], separation[part]
        )

    with ThreadPoolExecutor(workers or os.cpu_count() or 1) as pool:
        list(pool.map(run, range(0, len(poses), _CHUNK)))
    return Prediction(
        markers=markers,
        noise_covariance=noise_covariance,
        covariance=covariance,
        flip_probability=ndtr(-0.5 * separation),
    )


def used_mounts(study: Study) -> list[Mount]:
    """Return the mounts that some rig of the study uses, in the robot's order."""
    used = {name for rig in study.rigs for name in rig.mounts}
    return [mount for mount in study.robot.mounts if mount.name in used]


def rig_membership(study: Study) -> BoolArray:
    """Return which rig (row) uses which of `used_mounts` (column)."""
    mounts = used_mounts(study)
    return np.array([[mount.name in rig.mounts for mount in mounts] for rig in study.rigs], dtype=np.bool_)


def _scenery(study: Study) -> tuple[Any, ...]:
    """Return the study as the arrays the kernel takes between the poses and the outputs."""
    return (*_mount_arrays(study), *_field_arrays(study), *_structure_arrays(study), rig_membership(study),
            _prior_weights(study), _considered(study))  # fmt: skip


def _mount_arrays(study: Study) -> tuple[Any, ...]:
    mounts = used_mounts(study)
    cameras = [mount.camera for mount in mounts]
    inverses = [parts(mount.robot_from_camera.inv()) for mount in mounts]
    return (
        np.array([camera.model_number for camera in cameras]),
        np.stack([camera.parameters for camera in cameras]),
        np.stack([rotation for rotation, _ in inverses]),
        np.stack([offset for _, offset in inverses]),
        np.array([mount.position for mount in mounts], dtype=np.float64),
        np.array([(camera.width_px, camera.height_px) for camera in cameras], dtype=np.float64),
        np.stack([limits(camera) for camera in cameras]),
        np.stack([corner_sd_table(camera) for camera in cameras]),
    )


def _field_arrays(study: Study) -> tuple[Any, ...]:
    field = study.field
    corners = np.ascontiguousarray(field.corners_field)
    normals = np.array([parts(marker.field_from_marker)[0][:, 2] for marker in field.markers]).reshape(-1, 3)
    boxes = [upright_box(obstacle.corner_min, obstacle.corner_max) for obstacle in field.obstacles]
    return (
        corners.copy(),
        corners.mean(axis=1),
        normals,
        float(field.family.cells(field.border_cells)),
        np.array(boxes, dtype=np.float64).reshape(-1, BOX),
    )


def _structure_arrays(study: Study) -> tuple[Any, ...]:
    boxes = [study.robot.boxes(state) for state in study.states]
    counts = np.array([len(each) for each in boxes], dtype=np.int64)
    return np.concatenate(boxes), np.cumsum(counts) - counts, counts


def _prior_weights(study: Study) -> FloatArray:
    prior = study.prior
    level = math.radians(prior.level_sd_deg) ** -2
    heading = math.radians(prior.heading_sd_deg) ** -2 if prior.heading_sd_deg > 0.0 else 0.0
    return np.array([0.0, 0.0, prior.height_sd_m**-2, level, level, heading])


def _considered(study: Study) -> FloatArray:
    built = study.tolerance
    return np.array(
        [
            built.mount_sd_m,
            math.radians(built.mount_sd_deg),
            built.marker_sd_m,
            math.radians(built.marker_sd_deg),
            built.focal_sd_percent / 100.0,
        ]
    )
