"""What single mounts see and what rigs make of it, against the slow way of asking for everything alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from planning_cases import random_poses, small_study

from fiducialkit.planning.mount_information import CHUNK
from fiducialkit.planning.picture_model import alike, markers_seen, picture_model, rig_gains
from fiducialkit.planning.prediction import predict, used_mounts
from fiducialkit.planning.scenery import WORD_BITS
from fiducialkit.scene.field import Marker
from fiducialkit.scene.robot import Rig


def seen_one_by_one(study, poses):
    """Ask the prediction for each marker alone, on a field without the others, and each mount as a rig of its own."""
    mounts = used_mounts(study)
    alone = tuple(Rig(name=mount.name, mounts=(mount.name,)) for mount in mounts)
    single = replace(study, robot=replace(study.robot, rigs=alone), rigs=alone)
    seen = np.zeros((len(poses), len(study.states), len(mounts), len(study.field.markers)), dtype=np.bool_)
    for m, marker in enumerate(study.field.markers):
        lone = replace(single, field=replace(study.field, markers=(marker,)))
        seen[..., m] = predict(lone, poses, with_flips=False).markers >= 0.5
    return seen


def wall_of(count):
    """Return markers side by side on the wall x = 0, in two rows."""
    return tuple(
        Marker(marker_id=m, position=(0.0, 0.4 + 0.15 * (m // 2), 0.4 + 0.3 * (m % 2)), facing_deg=0.0, size_m=0.1)
        for m in range(count)
    )


def test_what_is_seen_equals_the_prediction_of_every_marker_alone():
    study, poses = small_study(), random_poses(CHUNK + 200, seed=31)
    seen = markers_seen(study, poses)
    np.testing.assert_array_equal(seen, seen_one_by_one(study, poses))
    assert (seen.mean(axis=(0, 1)) > 0.01).all(), "every mount should see every marker from somewhere"
    assert (seen[:, 0] != seen[:, 1]).any(), "the raised arm should hide something"


def test_more_markers_than_one_word_of_a_bit_set_holds():
    study = small_study()
    study = replace(study, field=replace(study.field, markers=wall_of(WORD_BITS + 8), obstacles=()))
    poses = np.array([[1.5, 1.0, np.pi], [1.5, 5.0, np.pi], [3.0, 3.0, 2.8], [3.0, 3.0, 0.0]])
    seen = markers_seen(study, poses)
    np.testing.assert_array_equal(seen, seen_one_by_one(study, poses))
    assert seen[..., :WORD_BITS].any() and seen[..., WORD_BITS:].any()


def test_only_mounts_of_some_rig_and_no_pose_at_all():
    study = small_study()
    narrow = replace(study, rigs=(study.robot.rig("b"),))
    poses = random_poses(40, seed=32)
    np.testing.assert_array_equal(markers_seen(narrow, poses), markers_seen(study, poses)[:, :, 1:2])
    assert markers_seen(study, np.empty((0, 3))).shape == (0, 2, 3, 4)


def test_cases_that_see_alike_get_what_each_gets_alone():
    study, poses = small_study(), random_poses(25, seed=33)
    model = picture_model(study, poses)
    pose_of, state_of = np.repeat(np.arange(25), 2), np.tile([0, 1], 25)
    motion = np.column_stack([np.where(pose_of % 2, 1.5, -1.5), 0.1 * pose_of])
    rig = study.robot.rig("all")
    together = rig_gains(model, rig, pose_of, state_of, motion)
    for case in range(50):
        alone = rig_gains(model, rig, pose_of[case : case + 1], state_of[case : case + 1], motion[case : case + 1])
        assert together.markers[case] == alone.markers[0]
        np.testing.assert_allclose(together.noise[case], alone.noise[0], rtol=1e-9, atol=1e-15)
        for source, gain in alone.constant.items():
            np.testing.assert_allclose(together.constant[source][case], gain[0], rtol=1e-9, atol=1e-12)
    both = together.markers.reshape(25, 2)
    assert (both[:, 0] == both[:, 1]).any() and (both[:, 0] != both[:, 1]).any()


def test_alike_by_hand():
    first, back = alike(np.array([3, 5, 3, 3]), np.array([[0.5, np.nan]] * 2 + [[0.5, np.nan], [0.5, 0.0]]))
    assert first.tolist() == [0, 1, 3] and back.tolist() == [0, 1, 0, 2]
    first, back = alike(np.empty((0, 2)))
    assert first.size == 0 and back.size == 0


def test_alike_refuses_arrays_of_different_length():
    with pytest.raises(ValueError, match="shorter"):
        alike(np.zeros(3), np.zeros(2))
