"""What the detector finds and what it finds wrongly, by preset, beside OpenCV's detector as it comes.

Run: python tests/benchmarks/detection_recall.py [trials per condition, 1000] [random words, 10000000] [pictures, 2000]

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
from fiducialkit.imaging.decoding import chance_of_random_square, decode_levels
from fiducialkit.imaging.detection import checked_correction_bits
from fiducialkit.scene.markers import marker_family

sys.path.insert(0, str(Path(__file__).parents[1]))
from marker_sheets import as_taken, clutter, count_right, random_squares, sheet_of, word_levels

FAMILY = marker_family("36h11")
TOTAL_SD_PX = (0.7**2 + 0.25) ** 0.5
PRESETS = ("quick look", "full range")
SHORT = ("4X4_50", "4X4_1000", "16h5", "5X5_50", "5X5_1000", "25h9", "6X6_50", "6X6_1000", "36h10", "7X7_1000")
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
    seen = detect_markers(picture, preset=name, explain=False)
    return seen.marker_id.tolist(), seen.corners_px


def recall(trials):
    columns = ("stock", *PRESETS)
    print(f"{'recall, % (wrong ids)':36s} trials  bar  " + "".join(f"{name:>16s}" for name in columns) + "  bar met by")
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
        met = "" if bar is None else ", ".join(name for name in columns if right[name] >= bar * count) or "none"
        print(f"{label:36s} {count:6d} {'' if bar is None else 100 * bar:>4}  {cells}  {met}", flush=True)


def accepted(family, words, side_px):
    """Return how many words pass as markers of that side, at blur .7 px taken for the usual .8."""
    cell_px = side_px / (words.shape[1] + 2)
    levels = word_levels(words, cell_px / TOTAL_SD_PX)
    bits = checked_correction_bits(family, None)
    return int(decode_levels(levels, np.full((len(words), 2), cell_px), family, bits=bits).is_read.sum())


def false_words(count):
    by_counting = chance_of_random_square(FAMILY, 1)
    print(f"random words accepted of {count} as 36h11 (by counting codes within one bit: {by_counting * count:.1f})")
    for side_px in (8, 10, 16, 60):
        rng, passed = np.random.default_rng(side_px), 0
        for _ in range(max(1, count // 2000)):
            passed += accepted(FAMILY, rng.integers(0, 2, (2000, 6, 6)), side_px)
        print(
            f"  side {side_px:3d} px: {passed}  ({100 * passed / (by_counting * count):.0f} % of what counting gives)",
            flush=True,
        )


def corrupted(count):
    """Print how many markers with 2 to 5 turned bits pass as some marker, and as another one."""
    print(f"markers of 36h11 with turned bits that pass, of {count} each")
    for side_px in (8, 10, 12, 60):
        shares = []
        for wrong in (2, 3, 4, 5):
            rng = np.random.default_rng(1000 * side_px + wrong)
            words = FAMILY.codes[rng.integers(0, FAMILY.size, count)].reshape(count, 36).copy()
            places = rng.random((count, 36)).argsort(axis=1)[:, :wrong]
            words[np.arange(count)[:, None], places] ^= True
            passed = sum(
                accepted(FAMILY, part.reshape(-1, 6, 6), side_px) for part in np.array_split(words, count // 2000)
            )
            shares.append(f"{wrong} bits {passed}")
        print(f"  side {side_px:3d} px: {', '.join(shares)}", flush=True)


def short_families(count):
    print(f"random squares accepted of {count}, by family: counted at 16 and 60 px, and by counting codes")
    for name in SHORT:
        family = marker_family(name)
        rng, n = np.random.default_rng(5), family.code_cells
        words = [rng.integers(0, 2, (2000, n, n)) for _ in range(max(1, count // 2000))]
        shares = [sum(accepted(family, part, side) for part in words) / (2000 * len(words)) for side in (16, 60)]
        expected = chance_of_random_square(family, checked_correction_bits(family, None))
        print(f"  {name:10s} {shares[0]:.2e} {shares[1]:.2e} {expected:.2e}", flush=True)


def false_pictures(count):
    found = dict.fromkeys(("stock", *PRESETS), 0)
    for seed in range(count):
        picture = as_taken(clutter(1000 + seed), seed)
        for name in found:
            found[name] += len(found_by(name, picture)[0])
    print(f"found in {count} cluttered pictures without markers: {found}")
    found, squares = dict.fromkeys(found, 0), 0
    for seed in range(max(1, count // 20)):
        picture, number = random_squares((9, 12, 20)[seed % 3], 2000 + seed)
        squares += number
        for name in found:
            found[name] += len(found_by(name, picture)[0])
    print(f"found in {squares} squares with random bits, 9 to 20 px: {found}", flush=True)


def eight_of(side_px):
    """Return a sheet with eight of its markers; the others are painted over."""
    picture, truth = sheet_of(side_px, seed=1)
    for marker_id in list(truth)[8:]:
        (left, top), (right, bottom) = np.rint(truth[marker_id].min(axis=0)), np.rint(truth[marker_id].max(axis=0))
        margin = round(side_px / 4)
        picture[max(int(top) - margin, 0) : int(bottom) + margin, max(int(left) - margin, 0) : int(right) + margin] = (
            120
        )
    return picture, dict(list(truth.items())[:8])


def times():
    few, truth = eight_of(60.0)
    print(f"processor time, ms, least of 9 (picture with {len(truth)} markers of 60 px; clutter without)")
    for name in ("stock", *PRESETS):
        least = []
        for picture in (few, as_taken(clutter(7), 7)):
            spent = []
            for _ in range(9):
                start = time.thread_time()
                found_by(name, picture)
                spent.append(1000.0 * (time.thread_time() - start))
            least.append(min(spent))
        print(f"  {name:12s} {least[0]:7.1f} {least[1]:7.1f}", flush=True)


if __name__ == "__main__":
    cv2.setNumThreads(1)
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    words = int(sys.argv[2]) if len(sys.argv) > 2 else 10_000_000
    pictures = int(sys.argv[3]) if len(sys.argv) > 3 else 2000
    times()
    recall(trials)
    corrupted(min(words, 20_000))
    short_families(min(words, 200_000))
    false_pictures(pictures)
    false_words(words)
