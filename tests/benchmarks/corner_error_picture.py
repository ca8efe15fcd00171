"""Corner error against marker size: OpenCV's sub-pixel step, an independent detector, this toolkit, and the bound.

Run: python tests/benchmarks/corner_error_picture.py [trials]

Prints the table and draws corner_error.png beside this file. Markers of 36h11 at random places, turns and tilts up to
15 degrees, contrast 150 grey levels, optical blur 0.7 px, noise 2 grey levels; rms per axis over the markers found.
OpenCV has a window of three quarters of a cell, the best for it over these sizes of 0.3 (its default) to 1.5 cells. The
independent detector puts the origin half a pixel elsewhere, which `independent_detector` rights: the mean errors tell.
Seeds are fixed here.
"""

from __future__ import annotations

import math
import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np
from corner_accuracy import FAMILY, bound_sd, shot

from fiducialkit import detect_markers
from fiducialkit.plots import style

sys.path.insert(0, str(Path(__file__).parents[1]))
import independent_detector

SIDES_PX = (12, 16, 24, 32, 48, 64, 96, 128)
LARGEST_TILT_DEG = 15.0
BLUR_PX, CONTRAST_GREY, NOISE_GREY = 0.7, 150, 2
SEED = 5200
PER_SHEET = 25  # pictures laid side by side for one call of the independent detector
LEAST_FOUND = 0.25  # share below which nothing is drawn
# key, label, colour, shape of the points, line
LINES = (
    ("opencv", "OpenCV, sub-pixel, best window", style.LINE_COLOURS[3], "s", "-"),
    ("independent", "independent detector library", style.LINE_COLOURS[1], "^", "-"),
    ("toolkit", 'fiducialkit, preset "full range"', style.LINE_COLOURS[0], "o", "-"),
    ("bound", "Cramer-Rao bound of an unbiased method", style.SOFT, "", "--"),
)


def opencv_corners(picture, marker_id):
    """Return the corners that OpenCV finds of that marker, or None."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.relativeCornerRefinmentWinSize = 0.75
    corners, ids, _ = cv2.aruco.ArucoDetector(FAMILY.opencv_dictionary, parameters).detectMarkers(picture)
    for found, number in zip(corners, np.ravel(ids), strict=True):
        if number == marker_id:
            return FAMILY.upright_corners(np.array(found, dtype=np.float64).reshape(4, 2))
    return None


def toolkit_corners(picture, marker_id):
    seen = detect_markers(picture, FAMILY, preset="full range")
    at = np.flatnonzero(seen.marker_id == marker_id)
    return seen.corners_px[at[0]] if len(at) else None


def independent_corners(trials, folder):
    """Return for each trial the corners that the independent detector finds, or None."""
    found = []
    for start in range(0, len(trials), PER_SHEET):
        part = trials[start : start + PER_SHEET]
        across = math.ceil(math.sqrt(len(part)))
        side = len(part[0].picture)
        sheet = np.full((side * across, side * across), int(np.median(part[0].picture[0])), dtype=np.uint8)
        for number, trial in enumerate(part):
            row, column = divmod(number, across)
            sheet[row * side : (row + 1) * side, column * side : (column + 1) * side] = trial.picture
        seen = independent_detector.detect_independently(sheet, folder)
        for number, trial in enumerate(part):
            row, column = divmod(number, across)
            first = np.array([column * side, row * side], dtype=float)
            corners = [each.corners_px - first for each in seen if each.marker_id == trial.marker_id]
            inside = [each for each in corners if (each > -0.5).all() and (each < side).all()]
            found.append(inside[0] if inside else None)
    return found


def measure(side, trials, seed, folder):
    """Return {method: (rms px, share found, mean error x, y)} at one size."""
    rng = np.random.default_rng(seed)
    taken, bounds = [], []
    for _ in range(trials):
        condition = (side, rng.uniform(0.0, LARGEST_TILT_DEG), BLUR_PX, CONTRAST_GREY, NOISE_GREY)
        taken.append(shot(rng, condition))
        bounds.append(bound_sd(taken[-1].truth, FAMILY.artwork(taken[-1].marker_id), condition))
    results = {"bound": (float(np.sqrt(np.mean(np.square(bounds)))), 1.0, 0.0, 0.0)}
    corners = {
        "opencv": [opencv_corners(each.picture, each.marker_id) for each in taken],
        "toolkit": [toolkit_corners(each.picture, each.marker_id) for each in taken],
    }
    if independent_detector.IS_THERE:
        corners["independent"] = independent_corners(taken, folder)
    for method, found in corners.items():
        errors = [seen - each.truth for seen, each in zip(found, taken, strict=True) if seen is not None]
        share = len(errors) / trials
        if errors:
            all_errors = np.concatenate(errors)
            results[method] = (float(np.sqrt((all_errors**2).mean())), share, *all_errors.mean(axis=0).tolist())
        else:
            results[method] = (math.nan, 0.0, math.nan, math.nan)
    return results


def draw(rows, path):
    """Draw the errors of {side: results} and write the PNG."""
    figure = style.new_figure(7.2, 4.6)
    ax = style.dressed(
        figure.add_subplot(),
        title="How far off a marker's corners are found",
        x_label="side of the marker in the picture [px]",
        y_label="corner error, rms per axis [px]",
    )
    for key, label, colour, shape, line in LINES:
        sides = [side for side in rows if key in rows[side] and rows[side][key][1] >= LEAST_FOUND]
        values = [rows[side][key][0] for side in sides]
        width = 2.8 if key == "toolkit" else 1.8
        ax.plot(sides, values, color=colour, marker=shape, markersize=6, linestyle=line, linewidth=width, label=label)
    ax.set(xscale="log", yscale="log", ylim=(0.002, 1.0))
    ax.set_xticks(list(rows), [str(side) for side in rows])
    ticks = [0.003, 0.01, 0.03, 0.1, 0.3, 1.0]
    ax.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
    ax.minorticks_off()
    ax.grid(visible=True, color=style.FAINT)
    ax.set_axisbelow(True)
    ax.legend(loc="upper right", fontsize=style.LABEL_PT, labelcolor=style.INK, framealpha=0.9, edgecolor="none")
    path.write_bytes(style.png_bytes(figure))


def main():
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    print(f"rms corner error per axis, px (share of {trials} markers found); mean error x, y of each in brackets")
    keys = [key for key, *_ in LINES if key != "independent" or independent_detector.IS_THERE]
    if not independent_detector.IS_THERE:
        print(independent_detector.WHY_NOT)
    print("side |" + "|".join(f"{key:^31s}" for key in keys) + "| toolkit / bound, best other / toolkit")
    rows = {}
    with tempfile.TemporaryDirectory() as folder:
        for number, side in enumerate(SIDES_PX):
            rows[side] = measure(side, trials, SEED + number, Path(folder))
            cells = []
            for key in keys:
                rms, share, x, y = rows[side][key]
                cells.append(f" {rms:7.4f} ({100 * share:3.0f} %) [{x:6.3f} {y:6.3f}] ")
            fitted = rows[side]["toolkit"][0]
            others = [rows[side][key][0] for key in keys if key in ("opencv", "independent")]
            ratio = np.nanmin(others) / fitted if np.isfinite(others).any() else math.nan
            print(
                f"{side:4d} |" + "|".join(cells) + f"| {fitted / rows[side]['bound'][0]:5.2f} {ratio:6.1f}", flush=True
            )
    draw(rows, Path(__file__).with_name("corner_error.png"))


if __name__ == "__main__":
    main()
