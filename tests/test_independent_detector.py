"""The same markers, the same upright corners and the same pixel convention as a detector that others wrote."""

from __future__ import annotations

import numpy as np
import pytest
from independent_detector import IS_THERE, WHY_NOT, detect_independently
from scenes import picture_of

from fiducialkit import detect_markers, draw_marker
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.transforms import field_from_robot_on_floor, robot_from_camera_angles

pytestmark = pytest.mark.skipif(not IS_THERE, reason=WHY_NOT)


def test_same_ids_upright_corners_and_pixel_convention_on_a_traced_picture(layout, camera, tmp_path):
    field_from_camera = field_from_robot_on_floor(2.4, 1.8, 182.0) * robot_from_camera_angles([0, 0, 0.6], 0, 0, 8)
    picture, truth = picture_of(layout, camera, field_from_camera, seed=5)
    ours = detect_markers(picture, camera=camera)
    theirs = {each.marker_id: each.corners_px for each in detect_independently(picture, tmp_path)}
    assert sorted(theirs) == ours.marker_id.tolist() == sorted(truth)
    assert len(truth) >= 3
    # both within their own noise (about 0.15 px) of the truth: another order would be tens of pixels, another
    # pixel convention half a pixel in the mean
    for marker_id, corners in zip(ours.marker_id.tolist(), ours.corners_px, strict=True):
        assert np.abs(corners - theirs[marker_id]).max() < 1.0
        assert np.abs(theirs[marker_id] - truth[marker_id]).max() < 1.0
    offsets = [ours.corners_px[i] - theirs[n] for i, n in enumerate(ours.marker_id.tolist())]
    assert np.abs(np.mean(offsets, axis=(0, 1))).max() < 0.15
    assert np.abs(np.mean([theirs[n] - truth[n] for n in truth], axis=(0, 1))).max() < 0.15


@pytest.mark.parametrize(
    ("own", "theirs"), [("APRILTAG_36h11", "tag36h11"), ("APRILTAG_25h9", "tag25h9"), ("APRILTAG_16h5", "tag16h5")]
)
def test_drawn_marker_is_upright_in_the_other_detector_s_eyes(own, theirs, tmp_path):
    """Shows that OpenCV's copy of this family is the turned one. 36h10 is not among the families it knows."""
    ids = [0, marker_family(own).size - 1]
    drawn = [np.pad(draw_marker(own, n, cell_px=12, margin_cells=2), 20, constant_values=255) for n in ids]
    picture = np.hstack(drawn)
    found = {each.marker_id: each for each in detect_independently(picture, tmp_path, theirs) if each.wrong_bits == 0}
    assert sorted(found) == ids
    ours = detect_markers(picture, own)
    assert ours.marker_id.tolist() == ids
    side = 12.0 * marker_family(own).cells()
    for number, marker_id in enumerate(ids):
        left, top = number * drawn[0].shape[1] + 20 + 24 - 0.5, 20 + 24 - 0.5
        expected = [[left, top], [left + side, top], [left + side, top + side], [left, top + side]]
        np.testing.assert_allclose(found[marker_id].corners_px, expected, atol=0.6)
        np.testing.assert_allclose(ours.corners_px[number], expected, atol=0.6)
