"""How long the comparison of the sample study takes, cold and warm, and against OpenCV projecting the same corners.

Run: python tests/benchmarks/compare_speed.py
"""

from __future__ import annotations

import time
from pathlib import Path

import cv2
import numpy as np

import fiducialkit
from fiducialkit.planning.coverage import floor_poses
from fiducialkit.planning.prediction import predict, used_mounts
from fiducialkit.scene.transforms import field_from_robot_on_floor, parts

SAMPLE = Path(__file__).parents[2] / "sample_data" / "study.toml"


def best_of(count, work):
    times = []
    for _ in range(count):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times), float(np.median(times))


def opencv_pairs(study, poses):
    """Project every marker of every mount from every pose with cv2.projectPoints, one call a pair."""
    done = 0
    for x, y, heading in poses:
        field_from_robot = field_from_robot_on_floor(x, y, np.degrees(heading))
        for mount in used_mounts(study):
            rotation, translation = parts((field_from_robot * mount.robot_from_camera).inv())
            rvec = cv2.Rodrigues(rotation)[0]
            camera = mount.camera
            matrix = np.array([[camera.fx_px, 0, camera.cx_px], [0, camera.fy_px, camera.cy_px], [0, 0, 1.0]])
            distortion = np.array(camera.distortion) if camera.distortion else None
            for corners in study.field.corners_field:
                cv2.projectPoints(np.ascontiguousarray(corners), rvec, translation, matrix, distortion)
                done += 1
    return done


def main():
    study = fiducialkit.load_study(SAMPLE)
    start = time.perf_counter()
    fiducialkit.compare_mounts(study)
    print(f"compare_mounts, first call (compiled code from the cache or not): {time.perf_counter() - start:.2f} s")
    least, median = best_of(7, lambda: fiducialkit.compare_mounts(study))
    print(f"compare_mounts, warm: best {least:.2f} s, median {median:.2f} s")
    floor = floor_poses(study)
    poses = floor.poses[floor.is_free]
    least, _ = best_of(5, lambda: predict(study, poses))
    pairs = len(poses) * len(used_mounts(study)) * len(study.field.markers)
    print(
        f"predict: {len(poses)} poses, {pairs / 1e6:.2f} million (pose, mount, marker), {pairs / least / 1e6:.1f} M/s"
    )
    few = poses[:: len(poses) // 20]
    start = time.perf_counter()
    done = opencv_pairs(study, few)
    loop = (time.perf_counter() - start) / done
    print(f"a loop over cv2.projectPoints, projection alone: {1e-6 / loop:.3f} M/s; ratio {loop * pairs / least:.0f}")


if __name__ == "__main__":
    main()
