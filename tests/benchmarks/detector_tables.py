"""Measure what two detectors read and how exactly they place corners, and write the package's table of it.

Run: python tests/benchmarks/detector_tables.py [trials per condition, 250] [--check POINTS] [--write]

Markers of 36h11 are rendered exactly, 8 cells wide the shorter way across, with a white margin of one cell before a
grey wall, as they hang in an arena: upright within 8 degrees in the picture, and seen from the side, within 25 degrees.
OpenCV's corners depend on it: they err by up to 40 % less than those of markers that are turned at random.
"fitted" is `detect_markers` as it comes, "stock" is OpenCV's detector as it comes with sub-pixel corners
(`planning.robot_detector`). A grid over width and facing angle at one condition (contrast 150, blur 0.7 px, noise 2
grey levels, no smear), and for each of noise, contrast, blur and smear a line of levels at 20 degrees. The table
predicts by multiplying the lines (`planning.detector_tables`); --check measures the product at random points that lie
on no line and prints by how much it errs. Seeds are fixed here.
"""

from __future__ import annotations

import argparse
import datetime
import math
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from scipy.spatial.transform import Rotation

import fiducialkit
from fiducialkit import detect_markers
from fiducialkit.imaging.noise import PixelNoise
from fiducialkit.imaging.rendering import marker_body, render_bodies
from fiducialkit.imaging.rendering_settings import RenderSettings
from fiducialkit.planning import detector_tables
from fiducialkit.planning.robot_detector import stock_markers
from fiducialkit.scene.camera import Camera, CameraTiming
from fiducialkit.scene.markers import corners_of_square, marker_family
from fiducialkit.scene.transforms import rigid_transform

FAMILY = marker_family("36h11")
FOCAL_PX = 4000.0  # a long lens, so that a marker at the picture's edge is seen as the one in its middle
SIZE_M = 0.15
EXPOSURE_S = 0.004
USUAL = {"noise": 2.0, "contrast": 150.0, "blur": 0.7, "smear": 0.0}
WIDTHS_PX = (6, 7, 8, 9, 10, 12, 14, 16, 18, 20, 24, 32, 48, 96)
WIDEST_PX = 192
ANGLES_DEG = (0, 20, 40, 55, 70)
LINES = {
    "noise": (1.0, 4.0, 8.0, 16.0),
    "contrast": (25.0, 50.0, 90.0, 200.0),
    "blur": (0.4, 1.0, 1.4, 2.0),
    "smear": (1.0, 2.0, 4.0, 8.0),
}
LINE_ANGLE_DEG = 20
DETECTORS = ("fitted", "stock")
FARTHEST_PX = 3.0  # corners farther from the truth are of something else
LEANING_DEG, SIDEWAYS_DEG = 8.0, 25.0  # how far from upright, and from seen just from the side


def sheet(width_px, angle_deg, seed, most, *, noise, contrast, blur, smear):
    """Return a picture of up to `most` markers and their true corners by id."""
    rng = np.random.default_rng(seed)
    side_px = width_px / math.cos(math.radians(angle_deg))
    pitch = max(2.3 * side_px, 40.0)
    columns = max(1, min(math.ceil(math.sqrt(most)), int(1600 // pitch)))
    rows = max(1, min(math.ceil(most / columns), int(1400 // pitch)))
    size = np.array([columns, rows]) * math.ceil(pitch)
    centre = (size - 1) / 2.0
    camera = Camera(
        width_px=int(size[0]), height_px=int(size[1]), fx_px=FOCAL_PX, fy_px=FOCAL_PX, cx_px=centre[0], cy_px=centre[1],
        timing=CameraTiming(exposure_s=EXPOSURE_S),
    )  # fmt: skip
    depth = FOCAL_PX * SIZE_M / side_px
    bodies, truth = [], {}
    for i, marker_id in enumerate(rng.permutation(FAMILY.size)[: columns * rows].tolist()):
        at = (np.array([i % columns, i // columns]) + 0.5) * math.ceil(pitch) + rng.uniform(-0.5, 0.5, 2)
        ray = np.append((at - centre) / FOCAL_PX, 1.0)
        pose = rigid_transform(turned(ray, angle_deg, rng), ray * depth, "camera_from_marker")
        bodies.append(marker_body(pose, FAMILY, marker_id, SIZE_M))
        truth[marker_id] = camera.project(pose.apply(corners_of_square(SIZE_M)))[0]
    direction, speed = rng.uniform(0.0, 2.0 * math.pi), smear * depth / FOCAL_PX / EXPOSURE_S
    twist = np.array([math.cos(direction) * speed, math.sin(direction) * speed, 0.0, 0.0, 0.0, 0.0])
    settings = RenderSettings(blur_px=blur, light_grey=contrast / 0.8, noise=PixelNoise(read_sd_grey=noise))
    return render_bodies(bodies, camera, settings, seed=seed, twist=twist if smear else None).image, truth


def turned(ray, angle_deg, rng):
    """Return an upright marker's axes whose face is turned from the line of sight by the angle, mostly sideways."""
    toward = -ray / np.linalg.norm(ray)
    up = np.array([0.0, -1.0, 0.0])
    up = up - (up @ toward) * toward
    up /= np.linalg.norm(up)
    off = math.radians(rng.uniform(-SIDEWAYS_DEG, SIDEWAYS_DEG))
    axis = rng.choice([-1.0, 1.0]) * (math.cos(off) * up + math.sin(off) * np.cross(up, toward))
    turn = Rotation.from_rotvec(axis * math.radians(angle_deg))
    normal, upward = turn.apply(toward), turn.apply(up)
    lean = Rotation.from_rotvec(toward * math.radians(rng.uniform(-LEANING_DEG, LEANING_DEG)))
    normal, upward = lean.apply(normal), lean.apply(upward)
    return np.column_stack([np.cross(upward, normal), upward, normal])


def found_by(detector, image, truth):
    """Return (error, truth) of each marker that was found where it is."""
    seen = stock_markers(image, FAMILY) if detector == "stock" else detect_markers(image, FAMILY, explain=False)
    pairs = {}
    for marker_id, corners in zip(seen.marker_id.tolist(), seen.corners_px, strict=True):
        if marker_id in truth and np.abs(corners - truth[marker_id]).max() < FARTHEST_PX:
            pairs[marker_id] = (corners - truth[marker_id], truth[marker_id])
    return list(pairs.values())


def by_kinds(error, truth):
    """Return what a marker's edges do, (2, 4): shift, size, turn, taper, of edges 0 and 2 and of 1 and 3. [px]"""
    after, error_after = np.roll(truth, -1, axis=0), np.roll(error, -1, axis=0)
    along = (after - truth) / np.linalg.norm(after - truth, axis=1, keepdims=True)
    outward = np.column_stack([along[:, 1], -along[:, 0]])  # corners run clockwise with y down
    first, last = (error * outward).sum(axis=1), (error_after * outward).sum(axis=1)
    middle, ends = (first + last) / 2.0, (last - first) / 2.0
    near, far = slice(0, 2), slice(2, 4)
    pairs = [middle[near] - middle[far], middle[near] + middle[far], ends[near] + ends[far], ends[near] - ends[far]]
    return np.stack(pairs, axis=1) / 2.0


def measured(task):
    """Return the rows of one condition, one a detector."""
    factor, level, width_px, angle_deg, trials, seed, how = task
    cv2.setNumThreads(1)
    pairs, count = {name: [] for name in DETECTORS}, 0
    while count < trials:
        image, truth = sheet(width_px, angle_deg, seed, 65, **how)
        count, seed = count + len(truth), seed + 1
        for name in DETECTORS:
            pairs[name] += found_by(name, image, truth)
    place = {"factor": factor, "level": level, "width_px": width_px, "facing_deg": angle_deg, "trials": count}
    return [{"detector": name} | place | summary(pairs[name]) for name in DETECTORS]


def summary(pairs):
    names = ("shift_sd_px", "size_sd_px", "turn_sd_px", "taper_sd_px")
    if len(pairs) < 20:
        return {"found": len(pairs)} | dict.fromkeys(("corner_sd_px", "pull_px", *names, "coupling"), math.nan)
    errors = np.array([error for error, _ in pairs])
    kinds = np.array([by_kinds(*pair) for pair in pairs])
    pull = -kinds[:, :, 1].mean()
    kinds[:, :, 1] += pull
    sds = np.sqrt((kinds**2).mean(axis=(0, 1)))
    return {
        "found": len(pairs),
        "corner_sd_px": float(np.sqrt((errors**2).mean())),
        "pull_px": float(pull),
        **dict(zip(names, sds.tolist(), strict=True)),
        "coupling": coupled(kinds),
    }


def coupled(kinds):
    """Return the correlation of a pair's shift with the other's taper: perspective moves a corner by both."""
    shift, taper = kinds[:, :, 0], kinds[:, ::-1, 3] * [-1.0, 1.0]
    return float((shift * taper).mean() / np.sqrt((shift**2).mean() * (taper**2).mean()))


def trials_at(width_px, trials):
    return trials if width_px <= 24 else max(trials // 2, 20) if width_px <= 48 else max(trials // 4, 20)


def tasks(trials):
    """Return every condition, its seed fixed by its place in the list."""
    wanted = [("grid", 0.0, w, a, USUAL) for a in ANGLES_DEG for w in (*WIDTHS_PX, WIDEST_PX)]
    for factor, levels in LINES.items():
        wanted += [(factor, level, w, LINE_ANGLE_DEG, USUAL | {factor: level}) for level in levels for w in WIDTHS_PX]
    return [
        (factor, level, w, a, trials_at(w, trials), 1000 * (i + 1), how)
        for i, (factor, level, w, a, how) in enumerate(wanted)
    ]


def provenance(trials):
    return [
        f"# command: python tests/benchmarks/detector_tables.py {trials} --write",
        f"# date: {datetime.date.today().isoformat()}",
        f"# versions: fiducialkit {fiducialkit.__version__}, OpenCV {cv2.__version__}, numpy {np.__version__}",
        "# markers of 36h11 rendered exactly; grid at contrast 150, noise 2 grey levels, blur 0.7 px, no smear;",
        "# each line changes one of these, at 20 degrees; widths the shorter way across the black square of 8 cells",
    ]


def write(table, trials):
    lines = [*provenance(trials), table.to_csv(index=False, float_format="%.5g", lineterminator="\n")]
    path = Path(detector_tables.__file__).with_name(detector_tables.FILE_NAME)
    path.write_text("\n".join(lines), encoding="utf-8", newline="\n")
    print(f"written: {path.name}, {len(table)} rows")


def random_points(count, seed=79):
    """Return conditions that lie on no line; how ratios are joined was chosen at seed 78."""
    rng = np.random.default_rng(seed)
    wanted = []
    for number in range(count):
        how = {
            "noise": float(np.exp(rng.uniform(0.0, math.log(6.0)))),
            "contrast": rng.uniform(50.0, 190.0),
            "blur": rng.uniform(0.5, 1.4),
            "smear": max(0.0, rng.uniform(-2.0, 4.0)),
        }
        width = float(np.exp(rng.uniform(math.log(8.0), math.log(80.0))))
        wanted.append(("check", number, width, rng.uniform(0.0, 65.0), 200, 10_000_000 + 1000 * number, how))
    return wanted


def check(points, pool):
    """Print how far the product of the lines is from what is measured at random points."""
    wanted = random_points(points)
    ratios, misses = {name: [] for name in DETECTORS}, {name: [] for name in DETECTORS}
    for task, rows in zip(wanted, pool.map(measured, wanted), strict=True):
        for row in rows:
            name, how = row["detector"], task[6]
            table = detector_tables.measured_detector(name)
            at = {"width_px": np.array([row["width_px"]]), "facing_deg": np.array([row["facing_deg"]])}
            conditions = detector_tables.Conditions(
                grey_sd=how["noise"], contrast_grey=how["contrast"], blur_px=how["blur"], smear_px=how["smear"]
            )
            sd, chance = float(table.corner_sd_px(conditions, **at)[0]), float(table.chance(conditions, **at)[0])
            share = row["found"] / row["trials"]
            misses[name].append(chance - share)
            if share > 0.5:
                ratios[name].append(sd / row["corner_sd_px"])
            words = ", ".join(f"{key} {value:.3g}" for key, value in how.items())
            print(
                f"{name:7s} {row['width_px']:5.1f} px {row['facing_deg']:3.0f} deg, {words:52s} read {share:.3f} "
                f"({chance:.3f})  sd {row['corner_sd_px']:.4f} ({sd:.4f})",
                flush=True,
            )
    for name in DETECTORS:
        logs = np.abs(np.log(ratios[name]))
        print(
            f"{name}: chance off by {np.sqrt(np.mean(np.square(misses[name]))):.3f} rms, "
            f"mean {np.mean(misses[name]):+.3f}; sd off by {100 * (np.exp(np.median(logs)) - 1):.0f} % in the median, "
            f"{100 * (np.exp(np.quantile(logs, 0.9)) - 1):.0f} % in nine of ten ({len(logs)} points)"
        )


def main():
    options = argparse.ArgumentParser()
    options.add_argument("trials", nargs="?", type=int, default=250)
    options.add_argument("--check", type=int, default=0)
    options.add_argument("--write", action="store_true")
    chosen = options.parse_args()
    os.nice(5)
    with ProcessPoolExecutor(2) as pool:
        if chosen.write:
            wanted = tasks(chosen.trials)
            rows = []
            for number, part in enumerate(pool.map(measured, wanted), start=1):
                rows += part
                if number % 25 == 0:
                    print(f"{number} of {len(wanted)} conditions", file=sys.stderr, flush=True)
            write(pd.DataFrame(rows), chosen.trials)
        if chosen.check:
            detector_tables.measured_detector.cache_clear()
            check(chosen.check, pool)


if __name__ == "__main__":
    main()
