"""Speed of the pose: one call, a whole log, and a loop over OpenCV's solver in the same run, accuracy beside it.

Run: python tests/benchmarks/pose_speed.py [moments in the log, 100000]
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import cv2
import numpy as np

sys.path.append(str(Path(__file__).parents[1]))

from pose_cases import CAMERA, FIELD, MOUNT, TRUE, log_errors, picture, pixels

from fiducialkit import solve_pose
from fiducialkit.scene.transforms import field_from_robot_on_floor, parts
from fiducialkit.solving.pose_log import LogSightings, solve_poses

SIX = [1, 2, 3, 4, 7, 8]
SD_PX = 0.2


def _best(run, repeats):
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return min(times), float(np.median(times))


def one_call():
    """Time one call of `solve_pose` with six markers, and OpenCV's solver on the same corners."""
    seen = picture(TRUE, SIX, noise=np.random.default_rng(1), sd_px=SD_PX)
    points = np.concatenate([FIELD.marker(i).corners_field for i in SIX])
    matrix = np.array([[CAMERA.fx_px, 0.0, CAMERA.cx_px], [0.0, CAMERA.fy_px, CAMERA.cy_px], [0.0, 0.0, 1.0]])
    corners = seen.corners_px.reshape(-1, 1, 2)

    def stock():
        return cv2.solvePnP(points, corners, matrix, None, flags=cv2.SOLVEPNP_SQPNP)

    def refined():
        _, turn, shift = stock()
        return cv2.solvePnPRefineLM(points, corners, matrix, None, turn, shift)

    for name, run in (
        ("solve_pose, free", lambda: solve_pose(seen, FIELD, CAMERA, robot_from_camera=MOUNT)),
        ("solve_pose, on the floor", lambda: solve_pose(seen, FIELD, CAMERA, robot_from_camera=MOUNT, on_floor=True)),
        ("OpenCV SQPNP", stock),
        ("OpenCV SQPNP and LM", refined),
    ):
        run()
        least, middle = _best(run, 2000)
        print(f"  {name}: {1e6 * least:.0f} us least, {1e6 * middle:.0f} us median of 2,000 calls")


def whole_log(moments):
    """Time a log of moments with six markers, and a loop over OpenCV's solver on a part of it."""
    rng = np.random.default_rng(2)
    clean = np.array([pixels(TRUE * MOUNT, CAMERA, FIELD, i) for i in SIX])
    corners = clean + rng.normal(scale=SD_PX, size=(moments, len(SIX), 4, 2))
    seen = LogSightings(
        frame=np.repeat(np.arange(moments), len(SIX)), marker_id=np.tile(SIX, moments),
        corners_px=corners.reshape(-1, 4, 2), covariance_px2=SD_PX**2,
    )  # fmt: skip
    solve_poses(
        LogSightings(
            frame=seen.frame[:600], marker_id=seen.marker_id[:600], corners_px=seen.corners_px[:600],
            covariance_px2=SD_PX**2,
        ), FIELD, CAMERA, robot_from_camera=MOUNT,
    )  # fmt: skip
    start = time.perf_counter()
    log = solve_poses(seen, FIELD, CAMERA, robot_from_camera=MOUNT)
    own = time.perf_counter() - start
    part = min(moments, 5000)
    start = time.perf_counter()
    errors = _stock_errors(corners[:part])
    stock = (time.perf_counter() - start) * moments / part
    rms = np.sqrt((log_errors(log, TRUE)[:part, :3] ** 2).sum(axis=1).mean())
    print(f"  log of {moments} moments, six markers: {own:.2f} s with covariance, alternatives and rejection")
    print(f"  loop over OpenCV's SQPNP and LM: {stock:.2f} s, {stock / own:.1f} times as long")
    print(f"  position rms: {1e3 * rms:.3f} mm, OpenCV {1e3 * np.sqrt((errors**2).sum(axis=1).mean()):.3f} mm")


def _stock_errors(corners):
    points = np.concatenate([FIELD.marker(i).corners_field for i in SIX])
    matrix = np.array([[CAMERA.fx_px, 0.0, CAMERA.cx_px], [0.0, CAMERA.fy_px, CAMERA.cy_px], [0.0, 0.0, 1.0]])
    true = parts(TRUE)[1]
    position_mount = parts(MOUNT.inv())[1]
    errors = np.empty((len(corners), 3))
    for n, seen in enumerate(corners):
        flat = seen.reshape(-1, 1, 2)
        _, turn, shift = cv2.solvePnP(points, flat, matrix, None, flags=cv2.SOLVEPNP_SQPNP)
        turn, shift = cv2.solvePnPRefineLM(points, flat, matrix, None, turn, shift)
        rotation = cv2.Rodrigues(turn)[0]
        errors[n] = rotation.T @ (position_mount - shift[:, 0]) - true
    return errors


def spread_log(moments):
    """The same with moments at many places, the numbers of markers as they come."""
    rng = np.random.default_rng(3)
    rows = []
    for frame in range(200):
        place = field_from_robot_on_floor(rng.uniform(1.5, 4.0), rng.uniform(2.5, 4.0), rng.normal(0.0, 0.2))
        for i in SIX:
            points = (place * MOUNT).inv().apply(FIELD.marker(i).corners_field)
            found, valid = CAMERA.project(points)
            if valid.all() and (found > 0).all() and (found < [CAMERA.width_px, CAMERA.height_px]).all():
                rows.append((frame, i, found))
    times = moments // 200
    frame = np.concatenate([np.array([r[0] for r in rows]) + 200 * n for n in range(times)])
    corners = np.tile(np.array([r[2] for r in rows]), (times, 1, 1))
    corners = corners + rng.normal(scale=SD_PX, size=corners.shape)
    ids = np.tile([r[1] for r in rows], times)
    seen = LogSightings(frame=frame, marker_id=ids, corners_px=corners, covariance_px2=SD_PX**2)
    start = time.perf_counter()
    solve_poses(seen, FIELD, CAMERA, robot_from_camera=MOUNT)
    print(f"  {200 * times} moments at 200 places, {len(rows) / 200:.1f} markers: {time.perf_counter() - start:.2f} s")


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    one_call()
    whole_log(count)
    spread_log(count)
