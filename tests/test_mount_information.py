"""What every mount tells from every pose: the compiled sums against a plain numpy twin, and what physics demands."""

from __future__ import annotations

import numpy as np
from planning_cases import Sighting, random_poses, small_study, spread_roots

from fiducialkit.planning.mount_information import full_matrix, mount_information


def test_sums_equal_the_plain_twin():
    study = small_study()
    poses = random_poses(150, seed=5)
    mounts = study.robot.mounts
    found = mount_information(study, mounts, poses)
    information, spread = full_matrix(found.information), full_matrix(found.spread)
    counts = np.zeros(4, dtype=int)
    for k, mount in enumerate(mounts):
        for n, pose in enumerate(poses):
            looks = [Sighting(study, pose, mount, marker) for marker in study.field.markers]
            for s, state in enumerate(study.states):
                likely = [m for m, look in enumerate(looks) if look.seen_in(state) and look.probability >= 0.5]
                assert found.seen[k, n, s, 0] == sum(1 << m for m in likely)
                counts[min(len(likely), 3)] += 1
                if not likely:
                    assert not information[k, n, s].any() and not spread[k, n, s].any()
                    continue
                expected = sum(looks[m].information for m in likely)
                close(information[k, n, s], expected)
                roots = spread_roots(study, [looks[m] for m in likely])
                varied = sum(looks[m].variation - looks[m].information for m in likely)
                mean = sum(looks[m].mean for m in likely)
                # of the sum of squares, since the whole may be small where corners err less than they are weighed
                together = roots @ roots.T + varied + np.outer(mean, mean)
                close(spread[k, n, s] + expected, together + expected)
    assert (counts[:3] > 20).all(), "the poses should span none to several"
    assert (found.seen[:, :, 0] != found.seen[:, :, 1]).any(), "the raised arm should hide something"


def close(found, expected):
    """Compare to 1e-9 of what the diagonal allows an element to be."""
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    np.testing.assert_allclose(found / scale, expected / scale, rtol=0.0, atol=1e-9)


def test_threads_and_the_company_of_other_mounts_change_nothing():
    study = small_study()
    poses = random_poses(1300, seed=6)
    together = mount_information(study, study.robot.mounts, poses, workers=3)
    alone = mount_information(study, study.robot.mounts[1:2], poses, workers=1)
    np.testing.assert_array_equal(together.information[1], alone.information[0])
    np.testing.assert_array_equal(together.spread[1], alone.spread[0])
    np.testing.assert_array_equal(together.seen[1], alone.seen[0])


def test_full_matrix_is_row_by_row():
    matrix = full_matrix(np.arange(21.0))
    assert matrix[0, 0] == 0.0 and matrix[1, 0] == matrix[0, 1] == 1.0 and matrix[5, 0] == 15.0 and matrix[5, 5] == 20.0


def test_poses_without_anything_in_view_tell_nothing():
    study = small_study()
    poses = np.array([[0.3, 2.0, np.pi]])  # its nose at the wall: every marker is too close or behind
    found = mount_information(study, study.robot.mounts[:1], poses)
    assert not found.information.any() and not found.spread.any() and not found.seen.any()
