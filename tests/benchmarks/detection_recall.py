"""What the detector finds and what it finds wrongly, by preset, beside OpenCV's detector as it comes.

Run: python tests/benchmarks/detection_recall.py [trials per condition, 1000] [random words, 10000000]

36h11, 1280x720 px, side measured face-on, markers turned at random with a white margin of one cell; unless stated
contrast 150, blur 0.7 px, noise 2 grey levels. All columns read the same pictures in the same run. Times are
processor time on one thread.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import cv2
import numpy as np

from fiducialkit import detect_markers
from fiducialkit.imaging.decoding import decode_levels
from fiducialkit.scene.markers import marker_family

sys.path.insert(0, str(Path(__file__).parents[1]))
from marker_sheets import as_taken, clutter, count_right, random_squares, sheet_of, word_levels

FAMILY = marker_family("36h11")
TOTAL_SD_PX = (0.7**2 + 0.25) ** 0.5
PRESETS = ("standard", "full range")
DIM = {"grey_black": 90.0, "grey_white": 130.0, "grey_sd": 4.0}
CONDITIONS = {
    "8 px": (8.0, {}, 0.50),
    "9 px": (9.0, {}, None),
    "10 px": (10.0, {}, 0.95),
    "10 px, wall as white as the margin": (10.0, {"background": 190.0}, 0.95),
    "10 px, clutter": (10.0, {"background": clutter(1, boxes=120)}, 0.90),
    "12 px": (12.0, {}, 0.99),
    "16 px": (16.0, {}, None),
    "20 px": (20.0, {}, None),
    "20 px, tilt 57 degrees": (20.0, {"tilt_deg": 57.0}, 0.97),
    "20 px, blur 1.2 px": (20.0, {"blur_px": 1.2}, 0.97),
    "20 px, contrast 40, noise 4": (20.0, DIM, 0.97),
}


def stock(picture):
    """Return ids and corners of OpenCV's detector with its own settings."""
    corners, ids, _ = cv2.aruco.ArucoDetector(FAMILY.opencv_dictionary).detectMarkers(picture)
    if ids is None:
        return [], np.empty((0, 4, 2))
    return np.ravel(ids).tolist(), FAMILY.upright_corners(np.reshape(corners, (-1, 4, 2)))


def found_by(name, picture):
    if name == "stock":
        return stock(picture)
    seen = detect_markers(picture, preset=name)
    return seen.marker_id.tolist(), seen.corners_px


def recall(trials):
    columns = ("stock", *PRESETS)
    print(f"{'recall, % (wrong ids)':36s} trials  bar  " + "".join(f"{name:>16s}" for name in columns), flush=True)
    for label, (side_px, how, bar) in CONDITIONS.items():
        right, wrong, count, seed = dict.fromkeys(columns, 0), dict.fromkeys(columns, 0), 0, 100
        while count < trials:
            picture, truth = sheet_of(side_px, seed=seed, **how)
            count, seed = count + len(truth), seed + 1
            for name in columns:
                # unrefined corners lie up to a pixel and a half inside
                good, bad = count_right(*found_by(name, picture), truth, within_px=3.0 if name == "stock" else 1.5)
                right[name], wrong[name] = right[name] + good, wrong[name] + bad
        cells = "".join(f"{100 * right[name] / count:11.1f} ({wrong[name]:2d})" for name in columns)
        print(f"{label:36s} {count:6d} {'' if bar is None else 100 * bar:>4}  {cells}", flush=True)


def false_words(count):
    print(f"random words accepted of {count} (by counting codes within one bit: {1.3e-6 * count:.1f})")
    for side_px in (8, 10, 16, 60):
        rng, passed = np.random.default_rng(side_px), 0
        for _ in range(max(1, count // 10_000)):
            levels = word_levels(rng.integers(0, 2, (10_000, 6, 6)), side_px / 8.0 / TOTAL_SD_PX)
            sizes = np.full((10_000, 2), side_px / 8.0)
            passed += int(decode_levels(levels, sizes, FAMILY, blur_px=0.7).is_read.sum())
        print(f"  side {side_px:3d} px: {passed}", flush=True)


def false_pictures(count):
    found = dict.fromkeys(("stock", *PRESETS), 0)
    for seed in range(count):
        picture = as_taken(clutter(1000 + seed), seed)
        for name in found:
            found[name] += len(found_by(name, picture)[0])
    print(f"found in {count} cluttered pictures without markers: {found}")
    found, squares = dict.fromkeys(found, 0), 0
    for seed in range(max(1, count // 5)):
        picture, number = random_squares((9, 12, 20)[seed % 3], 2000 + seed)
        squares += number
        for name in found:
            found[name] += len(found_by(name, picture)[0])
    print(f"found in {squares} squares with random bits, 9 to 20 px: {found}", flush=True)


def times():
    few, truth = sheet_of(60.0, seed=1)
    print(f"processor time, ms, median of 7 (picture with {len(truth)} markers of 60 px; clutter without)")
    for name in ("stock", "quick look", *PRESETS):
        medians = []
        for picture in (few, as_taken(clutter(7), 7)):
            spent = []
            for _ in range(7):
                start = time.thread_time()
                found_by(name, picture)
                spent.append(1000.0 * (time.thread_time() - start))
            medians.append(float(np.median(spent)))
        print(f"  {name:12s} {medians[0]:7.1f} {medians[1]:7.1f}", flush=True)


if __name__ == "__main__":
    cv2.setNumThreads(1)
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    words = int(sys.argv[2]) if len(sys.argv) > 2 else 10_000_000
    times()
    recall(trials)
    false_pictures(max(5, trials // 5))
    false_words(words)
