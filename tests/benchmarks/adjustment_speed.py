"""How long adjustments take: lens calibrations against OpenCV's on the same corners, a field survey, a log of poses.

Ratios are of the least of several repeats, taken in turns in one run; each calibration starts from OpenCV's own guess
of lens and poses, whose time is counted.

Run: python tests/benchmarks/adjustment_speed.py
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from adjustment_cases import board_points, board_views, bundle

from fiducialkit.scene.camera import Camera
from fiducialkit.solving.adjustment import adjust
from fiducialkit.solving.adjustment_problem import Block, Problem
from fiducialkit.solving.adjustment_views import lens_block, view_measurements

LENS = Camera(
    width_px=1280, height_px=800, fx_px=900.0, fy_px=905.0, cx_px=645.0, cy_px=395.0,
    distortion=(-0.25, 0.08, 0.0005, -0.0007, 0.01),
)  # fmt: skip
SIZE = (LENS.width_px, LENS.height_px)
REPEATS = 5


def theirs(board, pixels):
    return cv2.calibrateCamera([board] * len(pixels), list(pixels), SIZE, None, None)


def ours(board, pixels):
    matrix = cv2.initCameraMatrix2D([board] * len(pixels), list(pixels), SIZE)
    poses = []
    for seen in pixels:
        _, rvec, tvec = cv2.solvePnP(board, seen, matrix, None, flags=cv2.SOLVEPNP_IPPE)
        poses.append(np.column_stack([cv2.Rodrigues(rvec)[0], tvec]))
    started = replace(
        LENS, fx_px=matrix[0, 0], fy_px=matrix[1, 1], cx_px=matrix[0, 2], cy_px=matrix[1, 2], distortion=(0.0,) * 5
    )
    count = len(pixels)
    kind = view_measurements(
        camera=started,
        points_board=np.tile(board, (count, 1)),
        pixels_px=pixels.reshape(-1, 2),
        frame_of=np.repeat(np.arange(count), len(board)),
        sd_px=0.1,
    )
    frames = Block(name="view", value=np.stack(poses), manifold="pose")
    return adjust(Problem(shared=[lens_block(started)], frames=frames, measurements=[kind]))


def calibrations():
    print("lens, brown, 9 numbers; milliseconds")
    for views, columns, rows in ((20, 9, 6), (40, 9, 6), (40, 11, 9), (150, 9, 6), (150, 11, 9)):
        rng = np.random.default_rng(1)
        board = board_points(columns, rows, 0.03).astype(np.float32)
        _, pixels = board_views(LENS, board.astype(np.float64), views, rng)
        pixels = (pixels + rng.normal(0.0, 0.1, pixels.shape)).astype(np.float32)
        times = {theirs: [], ours: []}
        for _ in range(REPEATS):
            for work, taken in times.items():
                start = time.perf_counter()
                result = work(board, pixels)
                taken.append(1e3 * (time.perf_counter() - start))
                if work is theirs:
                    focal = result[1][0, 0]
        apart = abs(result.values.shared["lens"][0] - focal)
        least = {work: min(taken) for work, taken in times.items()}
        print(
            f"  {views:3d} views x {len(board):2d} corners: OpenCV {least[theirs]:6.1f}, this {least[ours]:6.1f}, "
            f"ratio {least[ours] / least[theirs]:.2f}; focal {apart:.1e} px apart, {result.iterations} iterations"
        )


def timed(name: str, problem: Problem):
    """Print how long a problem takes, without the caller's own evaluation, and what memory it needs at most."""
    (kind,) = problem.measurements
    spent = [0.0]

    def evaluate(values):
        start = time.perf_counter()
        rows = kind.evaluate(values)
        spent[0] += time.perf_counter() - start
        return rows

    watched = replace(problem, measurements=[replace(kind, evaluate=evaluate)])
    adjust(watched)
    spent[0] = 0.0
    start = time.perf_counter()
    found = adjust(watched)
    total = time.perf_counter() - start
    tracemalloc.start()
    adjust(problem)
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    print(
        f"  {name}: {found.status}, {found.iterations} iterations, {total:.2f} s, of which {spent[0]:.2f} s "
        f"the caller's plain numpy; at most {peak:.0f} MB"
    )


def main():
    calibrations()
    made = bundle(2, frames=3000)
    lens, markers, frames = made.blocks(disturbed=0.005)
    held = np.zeros((len(made.markers), 6), dtype=bool)
    held[0] = True
    markers = replace(markers, value=np.concatenate([made.markers[:1], markers.value[1:]]), fixed=held)
    kind = made.measurements(group_names=None)
    print("bundles, four markers a frame")
    timed("survey, lens and marker poses shared, 3,000 frames", Problem(
        shared=[lens, markers], frames=frames, measurements=[kind],
    ))  # fmt: skip
    shared = [replace(lens, value=made.lens, fixed=True), replace(markers, value=made.markers, fixed=True)]
    timed("poses of a log, nothing shared, 3,000 frames", Problem(shared=shared, frames=frames, measurements=[kind]))


if __name__ == "__main__":
    main()
