"""What the fit does with pictures that its model does not foresee: covered, sharpened, resampled, clipped, compressed.

Run: python tests/benchmarks/corner_hardship.py [trials]

Each condition: share of markers whose fit was kept, rms error per axis of those beside OpenCV's on the same ones, the
stated sd over the realised, and the share of corners that came out farther off than OpenCV's had been. Seeds are
fixed here.
"""

from __future__ import annotations

import sys

import cv2
import numpy as np
from corner_accuracy import FAMILY, shot

from fiducialkit.imaging.detection import DetectorSettings, detect_markers
from fiducialkit.imaging.refinement import fit_marker

USUAL = (40, 20, 0.7, 150, 2)
LIGHT = {"light_gradient": (0.80, 0.0), "tone": "srgb", "jpeg_quality": 85}


def covered(rng, trial):
    """Return the picture with a tenth of the marker under a square patch at the edge of the marker."""
    truth, picture = trial.truth, trial.picture.copy()
    side = np.linalg.norm(truth - np.roll(truth, 1, axis=0), axis=1).mean()
    k = int(rng.integers(4))
    along = rng.uniform(0.25, 0.75)
    edge = truth[k] + along * (truth[(k + 1) % 4] - truth[k])
    place = edge + 0.15 * (truth.mean(axis=0) - edge)
    half = 0.5 * np.sqrt(0.1) * side
    turned = cv2.boxPoints((tuple(place), (2 * half, 2 * half), rng.uniform(0, 90)))
    mask = np.zeros_like(picture)
    cv2.fillPoly(mask, [np.rint(turned * 16).astype(np.int32)], 255, shift=4)
    grey = int(rng.integers(60, 200))
    picture[mask > 0] = np.clip(grey + rng.normal(0, 2, (mask > 0).sum()), 0, 255)
    return picture


def sharpened(picture, amount, sd_px):
    soft = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), sd_px)
    return np.clip(np.rint((1 + amount) * picture - amount * soft), 0, 255).astype(np.uint8)


def halved(picture, truth, how):
    height, width = picture.shape[0] // 2, picture.shape[1] // 2
    small = cv2.resize(picture[: 2 * height, : 2 * width], (width, height), interpolation=how)
    return small, truth / 2.0 if how == cv2.INTER_NEAREST else (truth + 0.5) / 2.0 - 0.5


def smeared(picture, length_px):
    """Return the picture moved along its rows by that much while it was taken, its noise afterwards."""
    steps = np.linspace(-0.5, 0.5, 15) * length_px
    moved = [
        cv2.warpAffine(
            picture.astype(np.float32),
            np.float32([[1, 0, s], [0, 1, 0]]),
            picture.shape[::-1],
            flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for s in steps
    ]
    return noisy(np.mean(moved, axis=0))


def disc(picture, radius_px):
    x, y = np.meshgrid(np.arange(-8, 9) / 4.0, np.arange(-8, 9) / 4.0)
    fine = (np.hypot(x, y) <= radius_px).astype(np.float32)
    kernel = cv2.resize(fine, (5, 5), interpolation=cv2.INTER_AREA)
    return noisy(cv2.filter2D(picture.astype(np.float32), -1, kernel / kernel.sum(), borderType=cv2.BORDER_REPLICATE))


def noisy(picture):
    """Return grey levels as a picture with noise of 2 grey levels; the blur took away what there was."""
    return np.clip(np.rint(picture + np.random.default_rng(5).normal(0, 2, picture.shape)), 0, 255).astype(np.uint8)


def jpeg(picture, quality):
    return cv2.imdecode(cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_GRAYSCALE)


def cases():
    """Yield name, and a function from a random generator to (picture, true corners, id)."""

    def plain(condition=USUAL, **settings):
        return lambda rng: shot(rng, condition, **settings)

    def changed(make, change):
        def case(rng):
            trial = make(rng)
            result = change(rng, trial)
            picture, truth = result if isinstance(result, tuple) else (result, trial.truth)
            return picture, truth, trial.marker_id

        return case

    same = lambda make: changed(make, lambda rng, t: t.picture)  # noqa: E731
    yield "as the model", same(plain())
    yield "light 30 %, sRGB, JPEG 85", same(plain(**LIGHT))
    yield "the same, a tenth covered", changed(plain(**LIGHT), covered)
    yield "whites clipped", same(plain((40, 20, 0.7, 260, 2)))
    yield "JPEG 60", changed(plain(), lambda rng, t: jpeg(t.picture, 60))
    yield "sharpened 0.6", changed(plain(), lambda rng, t: sharpened(t.picture, 0.6, 1.0))
    yield "sharpened 1.2, JPEG 85", changed(plain(), lambda rng, t: jpeg(sharpened(t.picture, 1.2, 1.5), 85))
    twice = (80, 20, 0.7, 150, 2)
    yield "halved by area", changed(plain(twice), lambda rng, t: halved(t.picture, t.truth, cv2.INTER_AREA))
    yield "halved by Lanczos", changed(plain(twice), lambda rng, t: halved(t.picture, t.truth, cv2.INTER_LANCZOS4))
    yield "halved by nearest", changed(plain(twice), lambda rng, t: halved(t.picture, t.truth, cv2.INTER_NEAREST))
    yield "margin of half a cell", same(plain(margin_cells=0.5))
    yield "no noise, no blur to speak of", same(plain((40, 20, 0.2, 150, 0)))
    yield "dim: contrast 15, noise 2", same(plain((60, 20, 0.7, 15, 2)))
    yield "smeared by 1.5 px", changed(plain(), lambda rng, t: smeared(t.picture, 1.5))
    yield "out of focus: disc of 2 px", changed(plain(), lambda rng, t: disc(t.picture, 2.0))
    yield "blur 2.5 px", same(plain((60, 20, 2.5, 150, 2)))


def measure(case, trials, seed):
    rng = np.random.default_rng(seed)
    errors, stock, stated, kept, seen_count = [], [], [], 0, 0
    for _ in range(trials):
        picture, truth, marker_id = case(rng)
        seen = detect_markers(picture, FAMILY, preset=DetectorSettings(refinement="subpixel"))
        start = seen.corners_px[0] if seen.marker_id.tolist() == [marker_id] else None
        if start is None:
            start = truth + rng.normal(scale=0.2, size=(4, 2))
        else:
            seen_count += 1
        fit = fit_marker(picture, start, FAMILY.artwork(marker_id))
        if fit.covariance_px2 is None:
            continue
        kept += 1
        errors.append(fit.corners_px - truth)
        stock.append(start - truth)
        stated.append(np.trace(fit.covariance_px2) / 8.0)
    errors, stock = np.array(errors).reshape(-1, 4, 2), np.array(stock).reshape(-1, 4, 2)
    rms, rms_stock = (float(np.sqrt((e**2).mean())) if len(e) else np.nan for e in (errors, stock))
    worse = (np.linalg.norm(errors, axis=2) > np.linalg.norm(stock, axis=2)).mean() if kept else np.nan
    return (
        kept / trials,
        rms,
        rms_stock,
        float(np.sqrt(np.mean(stated))) / rms if kept else np.nan,
        worse,
        np.abs(errors).max() if kept else np.nan,
    )


def main():
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print(f"{'40 px, 20 degrees':32s}  kept   rms px  OpenCV px  stated/real  worse   worst px")
    for number, (name, case) in enumerate(cases()):
        kept, rms, stock, ratio, worse, worst = measure(case, trials, 3000 + number)
        print(
            f"{name:32s} {100 * kept:5.1f} {rms:8.4f} {stock:10.3f} {ratio:12.2f} {100 * worse:6.1f} {worst:10.3f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
