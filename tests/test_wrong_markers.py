"""Markers that are not where the field says, or not what they say: named and left out whole, the others used."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pose_cases import CAMERA, EIGHT, FIELD, LEVEL, MOUNT, TRUE, error_of, layout, picture

from fiducialkit import MarkerObservations, solve_pose
from fiducialkit.scene.transforms import field_from_robot_on_floor


def solve(seen, field=FIELD, mount=MOUNT):
    return solve_pose(seen, field, CAMERA, robot_from_camera=mount)


def moved(field, marker_id, shift):
    markers = tuple(
        dataclasses.replace(m, position=tuple(np.array(m.position) + shift)) if m.marker_id == marker_id else m
        for m in field.markers
    )
    return dataclasses.replace(field, markers=markers)


@pytest.mark.parametrize("kind", ["misplaced", "wrong id"])
def test_one_wrong_marker_of_four_or_more_is_named_and_left_out(kind):
    """Bar: in 98 % of the frames; what is left is then the pose of the others to the last digit."""
    rng = np.random.default_rng(21)
    named, trials = 0, 60
    for _ in range(trials):
        ids = rng.permutation(EIGHT)[: rng.integers(4, 9)].tolist()
        seen = picture(TRUE, ids, noise=rng)
        told, culprit = FIELD, ids[0]
        if kind == "misplaced":
            direction = rng.normal(size=3)
            told = moved(FIELD, culprit, 0.3 * direction / np.linalg.norm(direction))
        else:
            culprit = int(rng.choice([i for i in FIELD.marker_ids.tolist() if i not in ids]))
            seen = dataclasses.replace(seen, marker_id=np.array([culprit, *ids[1:]]))
        solution = solve(seen, told)
        named += [i for i, _ in solution.markers_rejected] == [culprit]
        if solution.markers_used == tuple(ids[1:]):
            rest = solve(
                MarkerObservations(
                    marker_id=seen.marker_id[1:], corners_px=seen.corners_px[1:],
                    covariance_px2=seen.covariance_px2[1:],
                )
            )  # fmt: skip
            np.testing.assert_allclose(error_of(solution), error_of(rest), atol=1e-7)
    assert named >= 0.98 * trials


def test_the_reason_gives_the_residual_in_pixels_and_in_sigmas():
    seen = picture(TRUE, [1, 2, 3, 4])
    solution = solve(seen, moved(FIELD, 2, [0.0, 0.3, 0.0]))
    ((culprit, reason),) = solution.markers_rejected
    (residual,) = [each for each in solution.residuals if not each.is_used]
    assert culprit == residual.marker_id == 2
    assert f"lies {residual.rms_px:.1f} px rms, {residual.sigmas:.0f} sigmas, from where the other markers" in reason
    # hand-worked: 0.3 m across at about 2.2 m is some 110 px on one axis, so 75 px rms per coordinate
    assert 50.0 < residual.rms_px < 110.0
    assert solution.status == "ok"


def test_a_layout_within_its_usual_tolerance_is_not_rejected():
    """Physics: nobody hangs a marker to the millimetre; 5 mm at 2 m are ten sigmas of good corners."""
    rng = np.random.default_rng(22)
    for _ in range(20):
        direction = rng.normal(size=3)
        told = moved(FIELD, 3, 0.005 * direction / np.linalg.norm(direction))
        assert solve(picture(TRUE, [1, 2, 3, 4], noise=rng), told).markers_rejected == ()


def test_right_markers_are_never_rejected():
    rng = np.random.default_rng(23)
    for _ in range(100):
        assert solve(picture(TRUE, EIGHT, noise=rng)).markers_rejected == ()


def test_two_wrong_ones_of_six_are_both_named():
    seen = picture(TRUE, [1, 2, 3, 4, 7, 8], noise=np.random.default_rng(24))
    told = moved(moved(FIELD, 3, [0.0, 0.25, 0.0]), 8, [0.0, 0.0, 0.3])
    solution = solve(seen, told)
    assert sorted(i for i, _ in solution.markers_rejected) == [3, 8]
    assert np.abs(error_of(solution)[:3]).max() < 0.02


ROW = layout(*((i, 5.0, 1.5 + i, 0.6, 180.0, 0.0, 0.0) for i in range(4)))
OPPOSITE = field_from_robot_on_floor(1.0, 3.0, 0.0)


def test_a15_four_coplanar_markers_in_a_row_need_no_luck():
    """A15: sampling of single corners fails there even on clean data; every marker is a start here."""
    rng = np.random.default_rng(25)
    for _ in range(40):
        seen = picture(OPPOSITE, range(4), field=ROW, mount=LEVEL, sd_px=0.3, noise=rng)
        solution = solve(seen, ROW, LEVEL)
        assert solution.status == "ok"
        assert solution.markers_rejected == ()
        assert abs(error_of(solution, OPPOSITE)[0]) < 0.05  # the report: 3.22 instead of 4.0


def test_a15_one_bad_corner_costs_its_whole_marker_and_nothing_else():
    rng = np.random.default_rng(26)
    for _ in range(40):
        seen = picture(OPPOSITE, range(4), field=ROW, mount=LEVEL, sd_px=0.3, noise=rng)
        corners = seen.corners_px.copy()
        corners[2, 1] += [60.0, 20.0]
        seen = dataclasses.replace(seen, corners_px=corners)
        solution = solve(seen, ROW, LEVEL)
        assert [i for i, _ in solution.markers_rejected] == [2]
        assert solution.markers_used == (0, 1, 3)
        assert abs(error_of(solution, OPPOSITE)[0]) < 0.05


def test_a_marker_of_the_wall_behind_is_said_to_lie_behind_the_camera():
    seen = picture(TRUE, [1, 2, 3, 4])
    told = layout(
        *((m.marker_id, *m.position, m.facing_deg, m.tilt_deg, m.roll_deg) for m in FIELD.markers if m.marker_id != 3),
        (3, 0.5, 3.2, 0.6, 0.0, 0.0, 0.0),
    )
    solution = solve(seen, told)
    ((culprit, reason),) = solution.markers_rejected
    assert culprit == 3
    assert "behind the camera" in reason
