"""The sample pictures show what their poses say, and detection and solving give those poses back."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from make_sample_pictures import MOUNT, POSES

import fiducialkit
from fiducialkit.imaging.images import find_pictures, read_picture
from fiducialkit.scene.transforms import field_from_robot_on_floor, parts

SAMPLE = Path(__file__).parents[1] / "sample_data"
FIELD = fiducialkit.load_field(SAMPLE / "field.toml")
LENS = fiducialkit.load_robot(SAMPLE / "robot.toml").mount(MOUNT)
TRUTH = pd.read_csv(SAMPLE / "pictures" / "poses.csv")


def test_every_picture_has_its_pose_and_a_size_that_a_repository_bears():
    pictures = find_pictures(SAMPLE / "pictures")
    assert [path.name for path in pictures] == TRUTH["file"].tolist()
    assert all(path.stat().st_size < 150_000 for path in pictures)
    # the poses are those that the pictures are made from
    columns = ["time_s", "robot_x_m", "robot_y_m", "robot_heading_deg"]
    np.testing.assert_allclose(TRUTH[columns].to_numpy(), np.array(POSES))


@pytest.mark.parametrize("row", list(TRUTH.itertuples(index=False)), ids=lambda row: row.file)
def test_markers_are_where_the_true_pose_puts_them_and_give_it_back(row):
    picture = read_picture(SAMPLE / "pictures" / row.file)
    assert picture.shape == (LENS.camera.height_px, LENS.camera.width_px)
    true_field_from_robot = field_from_robot_on_floor(row.robot_x_m, row.robot_y_m, row.robot_heading_deg)
    camera_from_field = (true_field_from_robot * LENS.robot_from_camera).inv()
    seen = fiducialkit.detect_markers(picture, FIELD.family, LENS.camera)
    assert len(seen) >= 1
    for marker_id, corners in zip(seen.marker_id.tolist(), seen.corners_px, strict=True):
        expected, valid = LENS.camera.project(camera_from_field.apply(FIELD.marker(marker_id).corners_field))
        assert valid.all()
        # stock corners are 0.12 to 0.24 px off (rms), mostly inwards
        assert np.sqrt(((corners - expected) ** 2).mean()) < 0.4
        assert np.abs((corners - expected).mean(axis=0)).max() < 0.2
    solution = fiducialkit.solve_pose(
        seen, FIELD, LENS.camera, robot_from_camera=LENS.robot_from_camera, on_floor=True
    )  # fmt: skip
    assert solution.status == "ok"
    error = true_field_from_robot.inv() * solution.field_from_robot
    assert np.linalg.norm(parts(error)[1][:2]) < 0.015  # the worst is a third of it
    assert math.degrees(error.rotation.magnitude()) < 0.4
