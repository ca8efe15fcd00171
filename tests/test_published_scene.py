"""The solver on scenes that others published: figures typed in `reference/`, pictures where they are at hand.

Sources: header of `reference/rendered_scene.csv`; pictures and the sheet: Inria, ViSP data set 3.5.0, AprilTag/ (GPL-2,
kept outside this project).
"""

from __future__ import annotations

import json
import math
import os
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

import fiducialkit
from fiducialkit import Camera, Field, MarkerObservations, solve_marker, solve_pose
from fiducialkit.scene.field import Marker
from fiducialkit.scene.markers import corners_of_square, marker_family
from fiducialkit.scene.transforms import parts, rigid_transform, robot_from_camera_angles

HERE = Path(__file__).parent
REFERENCE = Path(os.environ.get("FIDUCIALKIT_REFERENCE") or HERE.parent.parent / "shared" / "reference")
SCENE = pd.read_csv(HERE / "reference" / "rendered_scene.csv", comment="#")
FIELD_FROM_CAMERA = robot_from_camera_angles([10.0, 10.0, 1.5], 30.0, -5.0, 4.0)
CAMERAS = {
    "640x480": Camera(width_px=640, height_px=480, fx_px=700, fy_px=700, cx_px=319.5, cy_px=239.5),
    "1920x1080": Camera(width_px=1920, height_px=1080, fx_px=2100, fy_px=2100, cx_px=959.5, cy_px=539.5),
}
LIMITS = {"640x480": (0.005, 0.15), "1920x1080": (0.0015, 0.03)}


def camera_from_marker(row):
    published = row[[f"r{i}{j}" for i in range(3) for j in range(3)]].to_numpy(dtype=float).reshape(3, 3)
    u, _, vt = np.linalg.svd(published)  # single precision on file: orthonormal to 3e-7 only
    return rigid_transform(u @ vt, row[["x_m", "y_m", "z_m"]].to_numpy(dtype=float))


def field_angles(rotation):
    """Return facing, tilt and roll of a marker from its rotation matrix in field. [deg]"""
    right, up, out = rotation.T
    facing, tilt = math.atan2(out[1], out[0]), math.asin(out[2])
    level = np.array([-math.sin(facing), math.cos(facing), 0.0])
    return math.degrees(facing), math.degrees(tilt), math.degrees(math.atan2(-(up @ level), right @ level))


def published_field():
    markers = []
    for _, row in SCENE.iterrows():
        rotation, position = parts(FIELD_FROM_CAMERA * camera_from_marker(row))
        facing, tilt, roll = field_angles(rotation)
        markers.append(
            Marker(
                marker_id=int(row.marker_id), position=tuple(position), facing_deg=facing, tilt_deg=tilt,
                roll_deg=roll, size_m=row.size_m,
            )
        )  # fmt: skip
    return Field(
        name="five published markers", size=(20.0, 20.0), family=marker_family("36h11"), markers=tuple(markers)
    )


def published_observations(name):
    corners = []
    for _, row in SCENE.iterrows():
        pixels, valid = CAMERAS[name].project(camera_from_marker(row).apply(corners_of_square(row.size_m)))
        assert valid.all()
        corners.append(pixels)
    return MarkerObservations(marker_id=SCENE.marker_id, corners_px=np.array(corners), covariance_px2=0.01)


def pose_error(solution):
    """Return (m, deg) between the solved and the published camera."""
    difference = FIELD_FROM_CAMERA.inv() * solution.field_from_robot
    return float(np.linalg.norm(parts(difference)[1])), math.degrees(difference.rotation.magnitude())


def test_field_angles_give_every_published_rotation_back():
    field = published_field()
    for (_, row), marker in zip(SCENE.iterrows(), field.markers, strict=True):
        expected = (FIELD_FROM_CAMERA * camera_from_marker(row)).as_matrix()
        np.testing.assert_allclose(marker.field_from_marker.as_matrix(), expected, atol=1e-12)


@pytest.mark.parametrize("name", sorted(CAMERAS))
def test_projected_published_poses_give_the_published_camera_back(name):
    solution = solve_pose(published_observations(name), published_field(), CAMERAS[name])
    assert solution.status == "ok" and solution.markers_used == (0, 1, 2, 3, 4)
    shift_m, turn_deg = pose_error(solution)
    assert shift_m < 1e-8 and turn_deg < 1e-6 and solution.rms_px < 1e-7


def test_publishers_own_corners_give_the_published_camera_within_5_mm_and_015_degrees():
    """Real corners, another detector's, of the 640x480 picture: noise and all."""
    raw = SCENE[[f"corner_{k}_{axis}_edge_px" for k in range(4) for axis in "xy"]].to_numpy()
    corners = raw.reshape(-1, 4, 2)[:, ::-1] - 0.5  # to pixel centres, and clockwise from the top left
    projected = published_observations("640x480").corners_px
    assert np.abs(corners - projected).max() < 1.0  # so the order, and the half pixel, are right
    seen = MarkerObservations(marker_id=SCENE.marker_id, corners_px=corners, covariance_px2=0.04)
    solution = solve_pose(seen, published_field(), CAMERAS["640x480"])
    shift_m, turn_deg = pose_error(solution)
    assert solution.status == "ok"
    assert shift_m < 0.005 and turn_deg < 0.15


@pytest.mark.parametrize("name", sorted(CAMERAS))
def test_every_published_marker_alone_has_its_published_pose_as_the_first(name):
    seen = published_observations(name)
    for (_, row), corners in zip(SCENE.iterrows(), seen.corners_px, strict=True):
        found = solve_marker(corners, row.size_m, CAMERAS[name], 0.01)
        difference = camera_from_marker(row).inv() * found.solutions[0].camera_from_marker
        assert found.status == "ok"
        assert np.linalg.norm(parts(difference)[1]) < 1e-7 and difference.rotation.magnitude() < 1e-6


def picture(relative):
    path = REFERENCE / relative
    if not path.exists():
        pytest.skip(f"no {relative}: set FIDUCIALKIT_REFERENCE to the folder of outside reference data")
    return cv2.imdecode(np.frombuffer(path.read_bytes(), dtype=np.uint8), cv2.IMREAD_GRAYSCALE)


@pytest.mark.reference
@pytest.mark.parametrize("name", sorted(CAMERAS))
def test_detected_markers_of_the_rendered_picture_give_the_published_camera(name):
    image = picture(f"tag36h11_rendered/tag36_11_{name}.png")
    camera = CAMERAS[name]
    seen = fiducialkit.detect_markers(image, family="36h11", camera=camera)
    solution = solve_pose(seen, published_field(), camera)
    assert solution.status == "ok" and sorted(solution.markers_used) == [0, 1, 2, 3, 4]
    shift_m, turn_deg = pose_error(solution)
    largest_m, largest_deg = LIMITS[name]
    assert shift_m < largest_m and turn_deg < largest_deg


def sheet():
    folder = REFERENCE / "tag36h11_sheet"
    image = picture("tag36h11_sheet/AprilTag.pgm")
    known = json.loads((folder / "params.json").read_text(encoding="utf-8"))
    centre = {"cx_px": known["cx"] - 0.5, "cy_px": known["cy"] - 0.5}
    camera = Camera(width_px=640, height_px=480, fx_px=known["fx"], fy_px=known["fy"], **centre)
    poses = {i: np.array(numbers) for i, numbers in entries(folder / "ground_truth_pose.txt", 6).items()}
    # stored as row, column, from the bottom left counter-clockwise, (0, 0) the outer corner of the first pixel
    stored = entries(folder / "ground_truth_detection.txt", 8)
    corners = {i: np.array(numbers).reshape(4, 2)[::-1, ::-1] - 0.5 for i, numbers in stored.items()}
    return image, camera, known["black_square_side_m"], poses, corners


def entries(path, count):
    """Return {marker id: numbers} of a file of labels, each followed by `count` numbers."""
    words = path.read_text(encoding="utf-8").split()
    starts = range(0, len(words), count + 1)
    return {int(words[k].rpartition("_")[2]): [float(w) for w in words[k + 1 : k + 1 + count]] for k in starts}


@pytest.mark.reference
def test_sheet_poses_from_the_publishers_corners_are_within_the_publishers_tolerance():
    """5 mm and 0.005 rad a component: the publisher's own regression tolerance, not an independent truth."""
    _, camera, size_m, poses, stored = sheet()
    assert len(poses) == 12 and set(poses) == set(stored)
    for marker_id, expected in poses.items():
        found = solve_marker(stored[marker_id], size_m, camera, 0.04)
        rotation, translation = parts(found.solutions[0].camera_from_marker)
        difference = Rotation.from_rotvec(expected[3:]).as_matrix() @ rotation.T
        assert found.status == "ok"
        assert np.abs(translation - expected[:3]).max() < 0.005
        assert np.abs(Rotation.from_matrix(difference).as_rotvec()).max() < 0.005


@pytest.mark.reference
def test_sheet_corners_are_within_the_publishers_tolerance():
    """Half a pixel, the publisher's tolerance; a quarter turn or a half-pixel slip would show."""
    image, camera, _, _, stored = sheet()
    seen = fiducialkit.detect_markers(image, family="36h11", camera=camera)
    assert set(stored) <= set(seen.marker_id.tolist())
    for marker_id, expected in stored.items():
        difference = seen.corners_px[seen.marker_id.tolist().index(marker_id)] - expected
        assert math.sqrt(float((difference**2).mean())) < 0.5
