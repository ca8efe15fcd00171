"""How long the comparison of the sample study takes, cold and warm, and against OpenCV projecting the same corners.

Run: python tests/benchmarks/compare_speed.py [--first]

With `--first` also the whole command on a fresh copy of the package, whose kernels are not compiled yet.

The predictions' rate is also given as processor time, which other work on the machine does not stretch: the pairs that
one core gets through in a second of its own time.
"""

from __future__ import annotations

import dataclasses
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

import fiducialkit
from fiducialkit.planning.coverage import floor_poses
from fiducialkit.planning.mount_information import CERTAIN, CHUNK, Room, evaluate, look
from fiducialkit.planning.prediction import rig_membership, used_mounts
from fiducialkit.planning.scenery import scenery_of, turned
from fiducialkit.planning.study import FloorGrid
from fiducialkit.scene.field import Obstacle
from fiducialkit.scene.transforms import field_from_robot_on_floor, parts

SAMPLE = Path(__file__).parents[2] / "sample_data" / "study.toml"


def best_of(count, work):
    """Return the least and the median time, and the least processor time of all threads. [s]"""
    times, spent = [], []
    for _ in range(count):
        start, busy = time.perf_counter(), time.process_time()
        work()
        times.append(time.perf_counter() - start)
        spent.append(time.process_time() - busy)
    return min(times), float(np.median(times)), min(spent)


def whole_command(package, out):
    """Return the time and the processor time of `fiducialkit compare` in a process of its own. [s]"""
    words = [sys.executable, "-c", "import sys; from fiducialkit.cli.main import main; sys.exit(main())"]
    environment = os.environ | {"PYTHONPATH": str(package.parent)}
    start, before = time.perf_counter(), os.times()
    command = [*words, "compare", str(SAMPLE), "--out", str(out)]
    # with "-c" Python looks for packages in the folder it stands in first of all
    subprocess.run(command, env=environment, cwd=package.parent, check=True, capture_output=True)
    after = os.times()
    spent = after.children_user + after.children_system - before.children_user - before.children_system
    return time.perf_counter() - start, spent


def print_commands(is_first_wanted):
    package = Path(fiducialkit.__file__).parent
    with tempfile.TemporaryDirectory() as folder:
        runs = [whole_command(package, Path(folder) / "out") for _ in range(4)][1:]
        least, spent = (min(each) for each in zip(*runs, strict=True))
        print(f"whole command, warm: best {least:.1f} s, processor {spent:.1f} s")
        if is_first_wanted:
            copy = Path(folder) / "package" / "fiducialkit"
            shutil.copytree(package, copy, ignore=shutil.ignore_patterns("__pycache__"))
            least, spent = whole_command(copy, Path(folder) / "out")
            print(f"whole command, the first time: {least:.1f} s, processor {spent:.1f} s")


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


def one_core(study, poses):
    """Return (seconds for the mounts, for the rigs, sightings), least of five, in one thread's own time."""
    scenery, rigs, poses = scenery_of(study, used_mounts(study)), rig_membership(study), turned(poses)
    room, results = Room(scenery, CHUNK), np.empty((len(poses), len(study.states), len(study.rigs), 15))
    best = [np.inf, np.inf]
    for _ in range(6):
        spent, sightings = [0.0, 0.0], 0
        for first in range(0, len(poses), CHUNK):
            part, start = slice(first, first + CHUNK), time.thread_time()
            looks = [
                look(scenery, k, poses[part], CERTAIN, room=room, adds_up=False) for k in range(len(scenery.mounts))
            ]
            middle = time.thread_time()
            evaluate(scenery, rigs, poses[part], results[part], room)
            spent = [spent[0] + middle - start, spent[1] + time.thread_time() - middle]
            sightings += sum(len(each.marker) for each in looks)
        best = [min(pair) for pair in zip(best, spent, strict=True)]
    return best[0], best[1], sightings


def main():
    study = fiducialkit.load_study(SAMPLE)
    fourth = Obstacle(name="crate", corner_min=(1.8, 0.3, 0.0), corner_max=(2.3, 0.8, 0.6))
    field = dataclasses.replace(study.field, obstacles=(*study.field.obstacles, fourth))
    study = dataclasses.replace(study, field=field, floor=FloorGrid(step_m=0.2, headings=16))
    start = time.perf_counter()
    fiducialkit.compare_mounts(study)
    print(f"compare_mounts, first call (compiled code from the cache or not): {time.perf_counter() - start:.2f} s")
    least, median, spent = best_of(7, lambda: fiducialkit.compare_mounts(study))
    print(f"compare_mounts, warm: best {least:.2f} s, median {median:.2f} s, processor {spent:.2f} s")
    floor = floor_poses(study)
    poses = floor.poses[floor.is_free]
    pairs = len(poses) * len(used_mounts(study)) * len(study.field.markers)
    looking, adding, sightings = one_core(study, poses)
    print(
        f"{len(poses)} poses, {pairs / 1e6:.2f} M pairs of a mount and a marker, {100 * sightings / pairs:.0f} % seen"
    )
    print(f"one core, mounts: {pairs / looking / 1e6:.1f} M pairs/s, {sightings / looking / 1e6:.2f} M visible/s")
    both = looking + adding
    print(f"one core, with the rigs: {pairs / both / 1e6:.1f} M pairs/s, {sightings / both / 1e6:.2f} M visible/s")
    few = poses[:: len(poses) // 20]
    start = time.thread_time()
    done = opencv_pairs(study, few)
    loop = (time.thread_time() - start) / done
    print(
        f"a loop over cv2.projectPoints, projection alone: {1e-6 / loop:.3f} M pairs/s; ratio {loop * pairs / both:.0f}"
    )
    print_commands("--first" in sys.argv[1:])


if __name__ == "__main__":
    main()
