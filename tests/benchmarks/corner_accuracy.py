"""How far the fitted corners are from their bound, and from OpenCV's, on exactly rendered markers.

Run: python tests/benchmarks/corner_accuracy.py [trials]

Each condition: rms error per axis over the Cramer-Rao bound of the fit's own model (all known cells; unknown levels,
gradient, blur and tone), the bias, (error' C^-1 error) / 8, OpenCV's sub-pixel rms on the same pictures, and the time
of one fit. The bias is that of each corner outwards and round the marker, rms over the eight, less what as many trials
would show by chance; its bar is .01 px or a tenth of the bound, whichever is larger. Seeds are fixed here.
"""

from __future__ import annotations

import math
import sys
import time
from dataclasses import dataclass

import numpy as np

from fiducialkit.imaging.corner_bound import corner_bound_px2
from fiducialkit.imaging.detection import DetectorSettings, detect_markers
from fiducialkit.imaging.noise import PixelNoise
from fiducialkit.imaging.refinement import fit_marker
from fiducialkit.imaging.rendering import render
from fiducialkit.imaging.rendering_settings import RenderSettings
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field, Marker
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.transforms import robot_from_camera_angles

FAMILY = marker_family("36h11")
# side px, tilt deg, blur px, contrast, noise
CONDITIONS = [
    (16, 0, 0.7, 150, 2), (24, 0, 0.7, 150, 2), (48, 0, 0.7, 150, 2), (96, 0, 0.7, 150, 2), (150, 0, 0.7, 150, 2),
    (16, 0, 0.5, 180, 1), (24, 30, 0.5, 180, 1), (48, 60, 0.5, 180, 1), (96, 40, 0.5, 180, 1),
    (24, 30, 0.7, 150, 2), (36, 45, 0.7, 150, 2), (48, 60, 0.7, 150, 2), (96, 60, 0.7, 150, 2), (150, 45, 0.7, 150, 2),
    (24, 0, 1.0, 100, 3), (36, 30, 1.0, 100, 3), (60, 60, 1.0, 100, 3), (24, 0, 1.5, 60, 4), (36, 30, 1.5, 60, 4),
    (60, 45, 1.5, 40, 5), (120, 60, 1.5, 40, 5), (30, 15, 0.7, 40, 5), (48, 30, 1.0, 40, 3), (100, 20, 1.2, 180, 2),
]  # fmt: skip


@dataclass
class Trial:
    picture: np.ndarray
    truth: np.ndarray
    marker_id: int


def shot(rng, condition, **settings) -> Trial:
    """Render one marker of random id, roll and direction of tilt, near the middle of a picture, off the pixel grid."""
    side, tilt_deg, blur_px, contrast, noise = condition
    size = int(side * 1.7 + 40)
    centre = (size - 1) / 2.0
    camera = Camera(width_px=size, height_px=size, fx_px=800.0, fy_px=800.0, cx_px=centre, cy_px=centre)
    direction = rng.uniform(0.0, 2.0 * math.pi)
    marker_id = int(rng.integers(FAMILY.size))
    marker = Marker(
        marker_id=marker_id, position=(2.0, 10.0, 5.0), facing_deg=tilt_deg * math.cos(direction),
        tilt_deg=tilt_deg * math.sin(direction), roll_deg=rng.uniform(-180.0, 180.0), size_m=0.15,
    )  # fmt: skip
    field = Field(name="one", size=(20.0, 20.0), family=FAMILY, markers=(marker,))
    distance = 800.0 * 0.15 / side
    offset = rng.uniform(-1.0, 1.0, 2) * distance / 800.0
    pose = robot_from_camera_angles([2.0 + distance, 10.0 + offset[0], 5.0 + offset[1]], 180.0, 0.0, 0.0)
    light = contrast / 0.8
    chosen = {"blur_px": blur_px, "light_grey": light, "noise": PixelNoise(read_sd_grey=float(noise))} | settings
    taken = render(field, camera, pose, settings=RenderSettings(**chosen), seed=int(rng.integers(2**31)))
    return Trial(taken.image, taken.corners_px[0], marker_id)


def bound_sd(truth, artwork, condition) -> float:
    """Return the Cramer-Rao bound of a corner coordinate, rms over the eight."""
    _, _, blur_px, contrast, noise = condition
    bound = corner_bound_px2(
        truth, artwork, black_grey=0.0625 * contrast, white_grey=1.0625 * contrast, grey_sd=noise, blur_px=blur_px
    )
    return float(np.sqrt(np.trace(bound) / 8.0))


def in_marker(error_px, corners_px):
    """Return each corner's error outwards from the marker's middle and round it, (4, 2)."""
    outwards = corners_px - corners_px.mean(axis=0)
    outwards /= np.linalg.norm(outwards, axis=1, keepdims=True)
    across = outwards[:, ::-1] * [-1.0, 1.0]
    return np.column_stack([(error_px * outwards).sum(axis=1), (error_px * across).sum(axis=1)])


def measure(condition, trials, seed):
    rng = np.random.default_rng(seed)
    errors, turned, spread, bounds, stock, seconds, failed = [], [], [], [], [], 0.0, 0
    for _ in range(trials):
        trial = shot(rng, condition)
        artwork = FAMILY.artwork(trial.marker_id)
        bounds.append(bound_sd(trial.truth, artwork, condition))
        start = trial.truth + rng.normal(scale=0.2, size=(4, 2))
        begin = time.thread_time()
        fit = fit_marker(trial.picture, start, artwork)
        seconds += time.thread_time() - begin
        if fit.covariance_px2 is None:
            failed += 1
            continue
        error = (fit.corners_px - trial.truth).ravel()
        errors.append(error)
        turned.append(in_marker(fit.corners_px - trial.truth, trial.truth))
        spread.append(error @ np.linalg.solve(fit.covariance_px2, error) / 8.0)
        seen = detect_markers(trial.picture, FAMILY, preset=DetectorSettings(refinement="subpixel"))
        if seen.marker_id.tolist() == [trial.marker_id]:
            stock.append((seen.corners_px[0] - trial.truth).ravel())
    errors = np.array(errors)
    rms, bound = float(np.sqrt((errors**2).mean())), float(np.sqrt(np.mean(np.square(bounds))))
    mean, by_chance = np.mean(turned, axis=0), np.var(turned, axis=0) / len(turned)
    bias = math.sqrt(max(float((mean**2 - by_chance).mean()), 0.0))
    stock_rms = float(np.sqrt(np.mean(np.square(stock)))) if stock else math.nan
    return rms, bound, bias, float(np.mean(spread)), stock_rms, 1e3 * seconds / trials, failed


def main():
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    measure(CONDITIONS[1], 2, 0)
    print("side tilt blur contrast noise |   rms px  bound px  ratio |  bias px  NEES/8 | OpenCV   times | ms, failed")
    ratios, nees, excess = [], [], []
    for number, condition in enumerate(CONDITIONS):
        rms, bound, bias, spread, stock, ms, failed = measure(condition, trials, 1000 + number)
        ratios.append(rms / bound)
        nees.append(spread)
        excess.append(bias / max(0.01, 0.1 * bound))
        print(
            "{:4d} {:4d} {:4.1f} {:8d} {:5d} |".format(*condition)
            + f" {rms:8.4f}  {bound:8.4f}  {rms / bound:5.2f} | {bias:8.4f}  {spread:6.2f} |"
            + f" {stock:9.3f} {stock / rms:6.1f} | {ms:5.1f} {failed:3d}"
        )
    print(f"rms / bound: median {np.median(ratios):.2f}, worst {max(ratios):.2f}")
    print(f"bias over its bar: worst {max(excess):.2f}")
    print(f"NEES/8: median {np.median(nees):.2f}, from {min(nees):.2f} to {max(nees):.2f}")


if __name__ == "__main__":
    main()
