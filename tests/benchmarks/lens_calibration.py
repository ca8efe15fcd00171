"""What the lens calibration is worth: the figures behind its bars, each with known truth or against outside results.

Run: python tests/benchmarks/lens_calibration.py [part ...]
Parts: coverage, rendered, guide, time, memory, faults, corners; all if none is named. FIDUCIALKIT_FULL=1 for full size
(coverage then takes some 20 minutes of one core; FIDUCIALKIT_TRIALS sets its trials for each model).
Seeds are fixed here, before looking.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1]))

from lens_cases import (
    BOARD,
    BROWN,
    FAULTS,
    FISHEYE,
    RATIONAL,
    faulty_set,
    good_poses,
    random_poses,
    seen,
)

from fiducialkit.errors import InputError
from fiducialkit.imaging.boards import find_board
from fiducialkit.imaging.images import write_picture
from fiducialkit.imaging.rendering_boards import render_board
from fiducialkit.scene.board_file import board_text
from fiducialkit.scene.boards import Board
from fiducialkit.scene.transforms import rigid_transform
from fiducialkit.solving.capture_guide import first_guess, next_view
from fiducialkit.solving.intrinsics import calibrate_lens
from fiducialkit.solving.intrinsics_result import nine_places, projection_covariance

FULL = bool(os.environ.get("FIDUCIALKIT_FULL"))
RENDERED_BOARD = Board(
    kind="charuco", squares_across=9, squares_down=7, square_m=0.03, marker_m=0.022, family="5X5_100"
)
RENDERED_CAMERA = BROWN.scaled(640, 400)
CAMERAS = {"brown": BROWN, "rational": RATIONAL, "fisheye": FISHEYE}


def coverage(camera, trials: int, seed: int = 51):
    """Return how often 95 % intervals hold the truth: of the projection (9, 2), and of each number of the lens (p,)."""
    places = nine_places(camera)
    directions, _ = camera.unproject(places)
    ahead = np.column_stack([directions, np.ones(len(places))])
    truth = np.array([camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px, *camera.distortion])
    inside, numbers = np.zeros((9, 2)), np.zeros(len(truth))
    for trial in range(trials):
        rng = np.random.default_rng([seed, trial])
        found = calibrate_lens(seen(camera, good_poses(camera, 20, rng), rng), model=camera.model)
        pixels, is_seen = found.camera.project(ahead)
        pixels = np.where(is_seen[:, None], pixels, 0.0)  # a lens that sees nothing there does not hold the truth
        sd = np.sqrt(np.diagonal(projection_covariance(found.camera, found.covariance, pixels), axis1=1, axis2=2))
        inside += np.abs(pixels - places) < 1.959964 * sd
        lens = found.camera
        value = np.array([lens.fx_px, lens.fy_px, lens.cx_px, lens.cy_px, *lens.distortion])
        numbers += np.abs(value - truth) < 1.959964 * np.sqrt(np.diag(found.covariance))
    return inside / trials, numbers / trials


def family_wise(trials: int, checks: int, share: float = 0.95) -> tuple[float, float]:
    """Return the bounds that all of so many proportions keep with 99.9 % if each is truly `share`."""
    tail = 0.001 / checks / 2.0
    low, high = stats.binom.ppf([tail, 1.0 - tail], trials, share)
    return float(low / trials), float(high / trials)


def coverages():
    trials = int(os.environ.get("FIDUCIALKIT_TRIALS") or (2000 if FULL else 100))
    checks = 3 * 18 + 9 + 8
    low, high = family_wise(trials, checks)
    print(f"coverage of 95 % intervals, {trials} trials each, all {checks} should lie in {low:.3f} to {high:.3f}")
    for name, camera in CAMERAS.items():
        places, numbers = coverage(camera, trials)
        text = f"  {name}: projection {places.min():.3f} to {places.max():.3f}, mean {places.mean():.4f}"
        print(f"{text}; numbers {np.round(numbers, 3).tolist()}")


def rendered_set(seed: int, count: int = 12, board: Board = RENDERED_BOARD, camera=BROWN):
    """Return a calibration of rendered pictures through the whole chain."""
    rng = np.random.default_rng([61, seed])
    views = []
    for number, pose in enumerate(good_poses(camera, count, rng, board=board)):
        taken = render_board(board, camera, rigid_transform(pose[:, :3], pose[:, 3]), seed=1000 * seed + number)
        views.append(find_board(taken.image, board, name=f"picture {number}"))
    return calibrate_lens(views, model="brown")


def rendered():
    sets = 40 if FULL else 8
    off = []
    for seed in range(sets):
        found = rendered_set(seed)
        off.append((found.camera.fx_px - BROWN.fx_px) / found.sd["fx_px"])
    inside = int((np.abs(off) < 2.0).sum())
    print(f"rendered boards: focal within 2 of its own sd in {inside} of {sets} sets; rms {np.std(off):.2f} sd")
    print(f"  sd of the focal length {found.sd['fx_px']:.3f} px, corners {found.noise_px:.4f} px")


def guided_curve(camera, seed: int, count: int = 10):
    """Return the worst projected sd after each guided view, the board held 3 % and 3 degrees off what was asked."""
    rng = np.random.default_rng([71, seed])
    poses, curve, found = [], [], None
    while len(poses) < count:
        guide = next_view(BOARD, first_guess(camera.width_px, camera.height_px), found, distances_m=(0.5, 2.5))
        pose = _as_held(camera, guide, rng)
        if pose is None:
            continue
        poses.append(pose)
        views = seen(camera, np.stack(poses), np.random.default_rng([72, seed]))
        found = _solved(views) if len(views) >= 4 else None
        curve.append(_worst(found))
    return curve


def _as_held(camera, guide, rng):
    """Return the asked pose as a hand holds it before the true camera; None if the board is not wholly in view."""
    from scipy.spatial.transform import Rotation

    wanted = guide.camera_from_board
    turn = Rotation.from_rotvec(rng.normal(0.0, np.radians(3.0), 3)).as_matrix()
    middle = np.array([*np.divide(BOARD.size_m, 2.0), 0.0])
    centre, _ = camera.unproject(np.clip(guide.centre_px, 1.0, [camera.width_px - 2.0, camera.height_px - 2.0])[None])
    for _ in range(30):
        rotation = turn @ wanted[:, :3]
        place = (
            guide.distance_m * (1.0 + rng.normal(0.0, 0.03)) * np.array([*(centre[0] + rng.normal(0, 0.02, 2)), 1.0])
        )
        pose = np.column_stack([rotation, place - rotation @ middle])
        pixels, valid = camera.project(BOARD.points_board @ rotation.T + pose[:, 3])
        if valid.all() and camera.in_picture(pixels, 2.0).all():
            return pose
    return None


def _solved(views):
    try:
        return calibrate_lens(views, model="brown")
    except InputError:
        return None


def _worst(found) -> float:
    return float("nan") if found is None else float(found.projection["sd_px"].max())


def random_curve(camera, seed: int, count: int = 40, least: int = 5):
    """Return the worst projected sd after each of so many random views."""
    rng = np.random.default_rng([73, seed])
    views = seen(camera, random_poses(camera, count, rng), rng)
    return [_worst(_solved(views[:k])) if k >= least else float("nan") for k in range(1, count + 1)]


def guide():
    repeats = 20 if FULL else 4
    guided = np.array([guided_curve(BROWN, seed) for seed in range(repeats)])
    at_random = np.array([random_curve(BROWN, seed) for seed in range(repeats)])
    ours, theirs = np.median(guided[:, -1]), np.median(at_random[:, -1])
    print(
        f"guide, {repeats} repeats: 10 guided views {ours:.3f} px, 40 random views {theirs:.3f} px, "
        "medians at the worst place"
    )
    with np.errstate(all="ignore"):
        print("  guided after 4 ... 10:", np.round(np.nanmedian(guided[:, 3:], axis=0), 3).tolist())
        print("  random after 5, 10, 20, 40:", np.round(np.nanmedian(at_random[:, [4, 9, 19, 39]], axis=0), 3).tolist())
    if FULL:
        _draw_guide(guided, at_random, Path(__file__).with_name("guided_views.png"))


def _draw_guide(guided, at_random, path: Path):
    from fiducialkit.files import write_bytes
    from fiducialkit.plots.style import LINE_COLOURS, LINE_DASHES, dressed, new_panels, png_bytes

    figure, (ax,) = new_panels(1, 1, 7.0, 4.0)
    title = f"Views taken where the guide says, and at random (median of {len(guided)} sets)"
    dressed(ax, title=title, x_label="views taken", y_label="sd at the worst place [px]")
    for number, (name, curves) in enumerate((("guided", guided), ("random", at_random))):
        count = np.arange(1, curves.shape[1] + 1)
        known = np.isfinite(curves).all(axis=0)
        shown = curves[:, known]
        colour = LINE_COLOURS[number]
        ax.semilogy(count[known], np.median(shown, axis=0), label=name, color=colour, linestyle=LINE_DASHES[number])
        ax.fill_between(count[known], *np.quantile(shown, [0.25, 0.75], axis=0), color=colour, alpha=0.15, linewidth=0)
    ax.axhline(np.median(at_random[:, -1]), color="0.6", linewidth=0.8)
    ax.set(xlim=(0, 41))
    ax.legend(frameon=False)
    write_bytes(path, png_bytes(figure))


def timed(views):
    """Return seconds of processor time: this with one model, this with all models, OpenCV's."""
    board = [view.points_board.astype(np.float32) for view in views]
    pixels = [view.points_px.astype(np.float32) for view in views]
    works = (
        lambda: calibrate_lens(views, model="brown"),
        lambda: calibrate_lens(views),
        lambda: cv2.calibrateCamera(board, pixels, (1280, 800), None, None),
    )
    least = [np.inf] * 3
    for _ in range(5):
        for number, work in enumerate(works):
            start = time.process_time()
            work()
            least[number] = min(least[number], time.process_time() - start)
    return least


def times():
    for count in (40, 150):
        rng = np.random.default_rng(81)
        one, every, theirs = timed(seen(BROWN, random_poses(BROWN, count, rng), rng))
        print(
            f"time, {count} views x 70 corners: OpenCV {theirs:.3f} s; one model {one:.3f} s ({one / theirs:.2f} x), "
            f"all models compared {every:.3f} s ({every / theirs:.2f} x)"
        )


def memory():
    """Print the largest resident memory of processes that calibrate from 100 and from 2,000 pictures or views."""
    for count in (100, 2000):
        for kind in ("views", "pictures"):
            out = subprocess.run(
                [sys.executable, __file__, f"peak {kind}", str(count)], check=True, capture_output=True, text=True
            ).stdout
            print(f"  {count} {kind}: {out.strip()}")


def peak(kind: str, count: int):
    """Calibrate from so many views of a table, or pictures of a folder, and print time and largest memory."""
    import resource  # not on Windows

    rng = np.random.default_rng(82)
    if kind == "views":
        views = seen(BROWN, random_poses(BROWN, count, rng), rng)
        start = time.thread_time()
        calibrate_lens(views, model="brown")
        spent = time.thread_time() - start
    else:
        from fiducialkit.cli.main import main as command

        with tempfile.TemporaryDirectory() as folder:
            _write_pictures(Path(folder), count, rng)
            start = time.thread_time()
            command(["calibrate-lens", folder, "--board", f"{folder}/board.toml", "--out", f"{folder}/out"])
            spent = time.thread_time() - start
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(f"{spent:.1f} s of one core, at most {most:.0f} MB resident")


def _write_pictures(folder: Path, count: int, rng):
    """Write rendered pictures; of many, each is one of 40 moved by some pixels, as a new picture would be."""
    camera = RENDERED_CAMERA
    (folder / "board.toml").write_text(board_text(RENDERED_BOARD), encoding="utf-8")
    poses = good_poses(camera, 40, rng, board=RENDERED_BOARD)
    images = [
        render_board(RENDERED_BOARD, camera, rigid_transform(pose[:, :3], pose[:, 3]), seed=number).image
        for number, pose in enumerate(poses)
    ]
    for number in range(count):
        moved = np.roll(images[number % 40], (number // 40, -(number // 40)), axis=(0, 1))
        write_picture(folder / f"{number:04d}.png", moved)


def named(kind: str, sets: int, seed: int = 91) -> int:
    """Return in how many sets with that fault it is named."""
    count = 0
    for number in range(sets):
        views, told = faulty_set(kind, np.random.default_rng([seed, number]))
        found = calibrate_lens(views, **told)
        count += kind in {fault.kind for fault in found.faults}
    return count


def called_good(sets: int, seed: int = 92) -> int:
    """Return how many of so many good sets are called good."""
    count = 0
    for number in range(sets):
        rng = np.random.default_rng([seed, number])
        count += calibrate_lens(seen(BROWN, good_poses(BROWN, 24, rng), rng)).verdict == "good"
    return count


def faults():
    sets = 40 if FULL else 10
    print(f"good sets called good: {called_good(sets)} of {sets}")
    for kind in FAULTS:
        print(f"  {kind}: named in {named(kind, sets)} of {sets} sets")


def corners():
    """Print how far fitted corners are off on rendered boards, and OpenCV's refinement beside them."""
    print("corners on rendered boards: rms and mean per axis in px, rms of OpenCV's refinement (window 5)")
    for kind in ("chessboard", "charuco", "marker grid"):
        has_markers = kind != "chessboard"
        board = Board(
            kind=kind, squares_across=9, squares_down=7, square_m=0.03, marker_m=0.022 if has_markers else None,
            family="5X5_100" if has_markers else None,
        )  # fmt: skip
        ours, theirs = [], []
        rng = np.random.default_rng(95)
        for number, pose in enumerate(good_poses(BROWN, 12, rng, board=board)):
            taken = render_board(board, BROWN, rigid_transform(pose[:, :3], pose[:, 3]), seed=number)
            view = find_board(taken.image, board, camera=BROWN)
            index = [int(np.abs(board.points_board - p).sum(axis=1).argmin()) for p in view.points_board]
            ours.append(view.points_px - taken.points_px[index])
            start = (taken.points_px[index] + rng.uniform(-0.5, 0.5, (len(index), 2))).astype(np.float32)
            until = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 0.001)
            stock = cv2.cornerSubPix(taken.image, start.reshape(-1, 1, 2), (5, 5), (-1, -1), until).reshape(-1, 2)
            theirs.append(stock - taken.points_px[index])
        error, stock = np.concatenate(ours), np.concatenate(theirs)
        rms, mean = np.sqrt(np.mean(error**2)), np.round(error.mean(axis=0), 4).tolist()
        print(f"  {kind}: {rms:.4f}, mean {mean}; OpenCV {np.sqrt(np.mean(stock**2)):.4f}")


PARTS = {
    "coverage": coverages, "rendered": rendered, "guide": guide, "time": times, "memory": memory, "faults": faults,
    "corners": corners,
}  # fmt: skip


def main():
    if len(sys.argv) == 3 and sys.argv[1].startswith("peak "):
        peak(sys.argv[1].removeprefix("peak "), int(sys.argv[2]))
        return
    for name in sys.argv[1:] or PARTS:
        PARTS[name]()


if __name__ == "__main__":
    main()
