"""Poses of a whole log: each as `solve_pose` finds it, rows and counts, odd input, workers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from pose_cases import CAMERA, FIELD, MOUNT, SIDE_CAMERA, SIDE_MOUNT, TRUE, log_errors, pixels

from fiducialkit import InputError, MarkerObservations, solve_pose
from fiducialkit.scene.transforms import parts
from fiducialkit.solving.pose_log import NO_FIT, LogSightings, solve_poses
from fiducialkit.solving.priors import Prior
from fiducialkit.solving.selection import NOT_FINITE, NOT_ON_FIELD, TWICE

RIG = ([CAMERA, SIDE_CAMERA], [MOUNT, SIDE_MOUNT])
FRONT, SIDE = [1, 2, 3], [5, 6]


def rows(frames, seed=1, sd_px=0.2):
    """Return (frame, camera, marker id, corners) of noisy looks from one place, both cameras."""
    rng = np.random.default_rng(seed)
    found = []
    for frame in range(frames):
        for camera, ids in enumerate((FRONT, SIDE)):
            for i in ids:
                clean = pixels(TRUE * RIG[1][camera], RIG[0][camera], FIELD, i)
                found.append((frame, camera, i, clean + rng.normal(scale=sd_px, size=(4, 2))))
    return found


def sightings(found, **others):
    frame, camera, ids, corners = (list(column) for column in zip(*found, strict=True))
    return LogSightings(
        frame=np.array(frame), camera=np.array(camera), marker_id=np.array(ids), corners_px=np.array(corners),
        covariance_px2=0.04, **others,
    )  # fmt: skip


def solved(found, **others):
    return solve_poses(sightings(found), FIELD, RIG[0], robot_from_camera=RIG[1], **others)


def one_by_one(found, frame, **others):
    """The same moment through `solve_pose`."""
    pictures = []
    for camera in range(2):
        own = [row for row in found if row[0] == frame and row[1] == camera]
        pictures.append(
            MarkerObservations(
                marker_id=np.array([row[2] for row in own], dtype=int),
                corners_px=np.array([row[3] for row in own]).reshape(-1, 4, 2), covariance_px2=0.04,
            )
        )  # fmt: skip
    return solve_pose(pictures, FIELD, RIG[0], robot_from_camera=RIG[1], **others)


@pytest.mark.parametrize("on_floor", [False, True])
def test_every_moment_is_what_solve_pose_finds(on_floor):
    found = rows(5)
    log = solved(found, prior=Prior(on_floor=on_floor, heading=(math.radians(4.0), 0.05)))
    for frame in range(5):
        alone = one_by_one(found, frame, on_floor=on_floor, heading_prior=(math.radians(4.0), 0.05))
        row = log.table.iloc[frame]
        assert [row[f"robot_{axis}_m"] for axis in "xyz"] == pytest.approx(list(alone.estimate.position), abs=1e-12)
        np.testing.assert_allclose(log.covariance[frame], alone.covariance, rtol=1e-9)
        assert (row.status, row.markers_used) == (alone.status, len(alone.markers_used))
        assert row.degrees_of_freedom == alone.degrees_of_freedom
        assert row.rms_px == pytest.approx(alone.rms_px)
        assert row.chi2 == pytest.approx(alone.estimate.chi2)
        assert row.flip_probability == pytest.approx(alone.flip_probability, abs=1e-12)
        assert row.region_95 == pytest.approx(alone.region_95)
        rotation, position = (np.repeat(part[None], 5, axis=0) for part in parts(TRUE))
        assert log.holds(rotation, position)[frame] == alone.holds(TRUE)


def test_the_number_of_workers_changes_nothing():
    found = rows(600, seed=2)
    one, two = solved(found, workers=1), solved(found, workers=2)
    assert one.table.equals(two.table)
    np.testing.assert_array_equal(one.covariance, two.covariance)


def test_moments_without_markers_keep_their_rows_and_say_why():
    found = [row for row in rows(4, seed=3) if row[0] != 1]
    found = [(frame, camera, 99 if frame == 3 else i, corners) for frame, camera, i, corners in found]
    log = solve_poses(sightings(found, frames=6), FIELD, RIG[0], robot_from_camera=RIG[1])
    assert log.table.status.tolist() == ["ok", "no_markers", "ok", "no_known_markers", "no_markers", "no_markers"]
    assert log.table.robot_x_m.isna().tolist() == [False, True, False, True, True, True]
    assert np.isfinite(log.covariance).all(axis=(1, 2)).tolist() == [True, False, True, False, False, False]
    assert set(log.rejected.reason) == {NOT_ON_FIELD}


def test_a_log_of_nothing_has_no_rows():
    empty = LogSightings(frame=[], marker_id=[], corners_px=[], covariance_px2=0.04)
    log = solve_poses(empty, FIELD, CAMERA, robot_from_camera=MOUNT)
    assert len(log.table) == len(log.rejected) == 0
    assert log.covariance.shape == (0, 6, 6)


def test_what_takes_no_part_is_listed_with_its_reason_and_the_rest_used():
    found = rows(3, seed=4)
    found[0][3][2, 0] = math.nan
    found.insert(1, (0, 0, 2, found[1][3] + 30.0))  # the same id again in one picture: nothing of it is used
    wrong = next(n for n, row in enumerate(found) if row[0] == 2 and row[2] == 1)
    found[wrong][3][:] += 40.0
    log = solved(found)
    told = {(row.frame, row.marker_id): row.reason for row in log.rejected.itertuples()}
    assert told == {(0, 1): NOT_FINITE, (0, 2): TWICE, (2, 1): NO_FIT}
    assert log.table.markers_used.tolist() == [3, 5, 4]
    assert log.table.markers_rejected.tolist() == [3, 0, 1]
    misfit = log.rejected[log.rejected.reason == NO_FIT].iloc[0]
    assert misfit.marker_rms_px == pytest.approx(40.0, rel=0.05)  # a shift of 40 px on every coordinate
    assert misfit.marker_sigmas > 20.0
    assert np.abs(log_errors(log, TRUE)[:, :3]).max() < 0.02


def test_inputs_are_not_changed_and_kept_read_only():
    found = rows(2)
    seen = sightings(found)
    before = seen.corners_px.copy()
    solve_poses(seen, FIELD, RIG[0], robot_from_camera=RIG[1])
    np.testing.assert_array_equal(seen.corners_px, before)
    with pytest.raises(ValueError, match="read-only"):
        seen.corners_px[0, 0, 0] = 1.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"frame": [1, 0]}, "rising order, found 0 after 1 in row 1"),
        ({"frame": [0.5, 1.0]}, "frame: expected whole numbers"),
        ({"marker_id": [1]}, "marker_id: expected 2, one a row, found 1"),
        ({"marker_id": [-1, 2]}, "marker_id: expected whole numbers, 0 or more"),
        ({"corners_px": np.zeros((2, 3, 2))}, r"corners_px: expected shape \(2, 4, 2\), found \(2, 3, 2\)"),
        ({"covariance_px2": -0.1}, "covariance_px2: expected variances above 0"),
        ({"covariance_px2": np.ones(3)}, "covariance_px2: expected a number"),
        ({"frames": 1}, "frames: expected more than the last frame, 1, found 1"),
    ],
)
def test_sightings_that_do_not_fit_together_are_refused_in_one_line(change, words):
    whole = {"frame": [0, 1], "marker_id": [1, 2], "corners_px": np.zeros((2, 4, 2)), "covariance_px2": 0.04}
    with pytest.raises(InputError, match=words) as told:
        LogSightings(**(whole | change))
    assert "\n" not in str(told.value)


def test_arguments_that_do_not_fit_the_rig_are_refused():
    seen = sightings(rows(1))
    with pytest.raises(InputError, match="camera: expected numbers below 1, found 1"):
        solve_poses(seen, FIELD, CAMERA, robot_from_camera=MOUNT)
    with pytest.raises(InputError, match="robot_from_camera: expected 2, one a camera, found 1"):
        solve_poses(seen, FIELD, RIG[0], robot_from_camera=MOUNT)
    with pytest.raises(InputError, match="on_floor: expected robot_from_camera"):
        solve_poses(
            LogSightings(frame=[0], marker_id=[1], corners_px=np.zeros((1, 4, 2)), covariance_px2=1.0), FIELD, CAMERA,
            prior=Prior(on_floor=True),
        )  # fmt: skip
