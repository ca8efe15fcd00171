"""What every rig of a study sees from given robot poses, and how well that fixes the pose."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from fiducialkit.arrays import BoolArray, FloatArray, IntArray, checked_array
from fiducialkit.planning import information_kernels, kernels
from fiducialkit.planning.detectability import coupling, error_kind
from fiducialkit.planning.mount_information import CERTAIN, CHUNK, Room, evaluate, in_threads, look
from fiducialkit.planning.scenery import scenery_of, turned
from fiducialkit.planning.study import Study
from fiducialkit.scene.robot import Mount
from fiducialkit.scene.transforms import parts

_SIX = np.array([[0, 1, 3], [1, 2, 4], [3, 4, 5]])  # place of an element of a 3 x 3 matrix among its six numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """Predictions by (pose, state, rig), in the order of the study's states and rigs.

    Attributes
    ----------
    markers : ndarray of int, shape (N, S, R)
        Distinct markers more likely seen than not.
    chance_1, chance_2 : ndarray, shape (N, S, R)
        Chance that at least one marker, and at least two, are seen; sightings taken as independent.
    noise_covariance, covariance : ndarray, shape (N, S, R, 3, 3)
        Second moments of along, across, heading in robot axes [m, m, rad]: from the errors of corners, their common
        pull included, and the prior alone, and with mount, marker and focal errors, which last for a whole drive. Each
        is the mean over what may be seen (the three least certain sightings seen or not, the others rounded), given
        that something is. NaN where no marker is more likely seen than not.
    flip_probability : ndarray, shape (N, S, R)
        Chance that the mirrored pose fits better, from the likely sightings. NaN where there are none.
    """

    markers: IntArray
    chance_1: FloatArray
    chance_2: FloatArray
    noise_covariance: FloatArray
    covariance: FloatArray
    flip_probability: FloatArray

    def at(self, index: IntArray | BoolArray) -> Prediction:
        """Return the predictions of some of the poses."""
        return Prediction(
            markers=self.markers[index],
            chance_1=self.chance_1[index],
            chance_2=self.chance_2[index],
            noise_covariance=self.noise_covariance[index],
            covariance=self.covariance[index],
            flip_probability=self.flip_probability[index],
        )


def predict(study: Study, poses: FloatArray, *, with_flips: bool = True, workers: int | None = None) -> Prediction:
    """Return the predictions for robot poses (x [m], y [m], heading [rad]), shape (N, 3).

    Without `with_flips` the flip probability is NaN and the rest comes sooner. Rows are independent, so the result
    does not depend on `workers` (threads; the number of processors if None).
    """
    poses = checked_array("poses", poses, (None, 3))
    scenery, rigs, by_cosine = scenery_of(study, used_mounts(study)), rig_membership(study), turned(poses)
    shape = (len(poses), len(study.states), len(study.rigs))
    results, separation = np.empty((*shape, 15)), np.full(shape, np.nan)
    of_flips = _flip_arrays(study) if with_flips else ()

    def run(first: int, room: Room) -> None:
        part = slice(first, first + CHUNK)
        for k in range(len(scenery.mounts)):
            look(scenery, k, by_cosine[part], CERTAIN, room=room, keeps_pixels=with_flips, adds_up=False)
        evaluate(scenery, rigs, by_cosine[part], results[part], room)
        if with_flips:
            pixels = room.kept[:, :, information_kernels.PIXELS :]
            kernels.mirrored_separations(
                by_cosine[part], *of_flips, rigs, scenery.prior, room.row_of, room.start, pixels, room.marker,
                room.states, room.noise, room.probability, separation[part],
            )  # fmt: skip

    count = min(CHUNK, max(len(poses), 1))
    in_threads(run, range(0, len(poses), CHUNK), workers, lambda: Room(scenery, count))
    markers = np.rint(results[..., 0]).astype(np.int64)
    results[..., 3:][markers == 0] = np.nan
    return Prediction(
        markers=markers,
        chance_1=results[..., 1],
        chance_2=results[..., 2],
        noise_covariance=results[..., 3:9][..., _SIX],
        covariance=results[..., 9:][..., _SIX],
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


def _flip_arrays(study: Study) -> tuple[FloatArray | IntArray, ...]:
    """Return lenses, poses of the mounts and markers as `kernels.mirrored_separations` takes them."""
    mounts = used_mounts(study)
    inverses = [parts(mount.robot_from_camera.inv()) for mount in mounts]
    normals = [parts(marker.field_from_marker)[0][:, 2] for marker in study.field.markers]
    return (
        np.array([mount.camera.model_number for mount in mounts]),
        np.array([error_kind(mount.camera) for mount in mounts]),
        np.array([coupling(mount.camera) for mount in mounts]),
        np.stack([mount.camera.parameters for mount in mounts]),
        np.stack([rotation for rotation, _ in inverses]),
        np.stack([offset for _, offset in inverses]),
        np.array([mount.position for mount in mounts], dtype=np.float64),
        np.array(study.field.corners_field, dtype=np.float64).reshape(-1, 4, 3),
        np.array(normals).reshape(-1, 3),
    )
