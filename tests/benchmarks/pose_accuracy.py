"""How true the poses' uncertainty is: errors against their bound, flips, regions, wrong markers.

Run: python tests/benchmarks/pose_accuracy.py [trials a case, 20000]
Seeds were fixed before anything was looked at. Corners with known noise; the from-pixels figures are not here.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
import sys
from pathlib import Path

import numpy as np
from scipy.stats import chi2

sys.path.append(str(Path(__file__).parents[1]))

from pose_cases import (
    AHEAD,
    BACK_MOUNT,
    CAMERA,
    EIGHT,
    FIELD,
    LENSES,
    LEVEL,
    MOUNT,
    SIDE_CAMERA,
    SIDE_MOUNT,
    TRUE,
    layout,
    log_errors,
    pixels,
    simulated,
    tilted_looks,
    upright_ahead,
)
from scipy.spatial.transform import Rotation

from fiducialkit.scene.transforms import field_from_robot_on_floor, rigid_transform, robot_from_camera_angles
from fiducialkit.solving.pose_log import LogSightings, solve_poses
from fiducialkit.solving.priors import Prior
from fiducialkit.solving.uncertainty import expected_pose

FRONT = (CAMERA, MOUNT)
CASES = {
    "1 marker": [(*FRONT, [2])],
    "2 markers": [(*FRONT, [1, 2])],
    "4 markers": [(*FRONT, [1, 2, 3, 4])],
    "8 markers": [(*FRONT, EIGHT)],
    "2 cameras": [(*FRONT, [1, 2]), (SIDE_CAMERA, SIDE_MOUNT, [5, 6])],
    "3 cameras": [(*FRONT, [1, 2]), (SIDE_CAMERA, SIDE_MOUNT, [5, 6]), (CAMERA, BACK_MOUNT, [3, 4])],
}


def rms_over_bound(trials):
    """Bar 1: rms error over the Cramer-Rao bound, D / 2 > 3."""
    print("rms / bound: x y z, rotation vector; mean squared sigmas (6)")
    rng = np.random.default_rng(101)
    for name, views in CASES.items():
        expected = expected_pose(
            TRUE, FIELD, [v[0] for v in views], robot_from_camera=[v[1] for v in views],
            covariance_px2=0.04, marker_ids=[i for v in views for i in v[2]],
        )  # fmt: skip
        log = simulated(TRUE, views, trials, rng)
        errors = log_errors(log, TRUE)
        # the bound of exactly these sightings: of the noise-free log
        clean = simulated(TRUE, views, 1, _Still(), sd_px=0.2)
        ratio = np.sqrt((errors**2).mean(axis=0) / np.diag(clean.covariance[0]))
        nees = np.einsum("ni,nij,nj->n", errors, np.linalg.inv(log.covariance), errors).mean()
        print(f"  {name}: D/2 {expected.separation / 2:.1f}  {np.round(ratio, 3)}  {nees:.3f}")


class _Still:
    """Stands for a generator whose noise is none."""

    def normal(self, scale, size):
        return np.zeros(size) * scale


def nees_bins(trials):
    """Bar 1: mean squared sigmas over distance x tilt, one marker, D / 2 > 3, one family-wise 99.9 % interval."""
    rng = np.random.default_rng(102)
    bins = [(d, t) for d in (0.6, 0.8, 1.0, 1.3) for t in (25.0, 35.0, 45.0, 55.0)]
    low, high = chi2.ppf([0.0005 / len(bins), 1.0 - 0.0005 / len(bins)], 6 * trials) / trials
    inside, values = 0, []
    for distance, tilt in bins:
        field = upright_ahead(distance, tilt)
        log = simulated(AHEAD, [(CAMERA, LEVEL, [7])], trials, rng, field=field)
        errors = log_errors(log, AHEAD)
        nees = np.einsum("ni,nij,nj->n", errors, np.linalg.inv(log.covariance), errors).mean()
        values.append(nees)
        inside += low < nees < high
    print(f"NEES in {len(bins)} bins: {np.round(values, 3)}; {inside} inside {low:.3f} to {high:.3f}")


def regions(trials):
    """Bar 1, where the linear covariance fails: share held by the 95 % region, one marker, 0.3 px."""
    rng = np.random.default_rng(103)
    print("share held by the reported 95 % region; kinds of covariance")
    for distance in (2.0, 4.0, 6.0):
        for least, most in ((0, 20), (0, 5), (5, 10), (10, 20), (20, 30), (30, 45)):
            log, rotations, positions = tilted_looks(distance, least, most, trials, rng)
            held = log.holds(rotations, positions).mean()
            kinds = log.table.covariance_kind.value_counts(normalize=True).round(2).to_dict()
            print(f"  {distance} m, {least}-{most} deg: {held:.4f}  {kinds}")


def flips_before(trials):
    """Bar 2: predicted against observed share of flips; four lenses, up to 45 degrees off axis."""
    rng = np.random.default_rng(104)
    worst, count = 0.0, 0
    for camera in LENSES.values():
        for off in (0.0, 25.0, 45.0):
            for distance, tilt in ((3.0, 20.0), (4.0, 25.0), (3.0, 35.0)):
                field = upright_ahead(distance, tilt)
                mount = robot_from_camera_angles([0.0, 0.0, 0.6], off, 0.0, 0.0)
                expected = expected_pose(AHEAD, field, camera, robot_from_camera=mount, covariance_px2=0.09)
                log = simulated(AHEAD, [(camera, mount, [7])], trials, rng, sd_px=0.3, field=field)
                flipped = np.linalg.norm(log_errors(log, AHEAD)[:, 3:], axis=1) > math.radians(tilt)
                worst = max(worst, abs(flipped.mean() - expected.flip_probability))
                count += 1
    print(f"flips predicted: {count} cases, worst difference {worst:.4f}")


def flips_after(trials):
    """Bar 2: reliability of flip_probability, tilts evenly spread over the sphere up to 50 degrees."""
    rng = np.random.default_rng(105)
    told, wrong = [], []
    for distance in (2.0, 3.0, 4.0, 6.0):
        log, rotations, _ = tilted_looks(distance, 0.0, 50.0, trials, rng)
        told.append(log.table.flip_probability.to_numpy())
        wrong.append(nearer_alternative(log, rotations))
    told, wrong = np.concatenate(told), np.concatenate(wrong)
    edges = [0.0, 0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.501]
    print("reliability of flip_probability: told, observed, count, sigmas")
    for low, high in itertools.pairwise(edges):
        own = (told >= low) & (told < high)
        sd = math.sqrt(max((told[own] * (1.0 - told[own])).sum(), 1e-12))
        print(
            f"  {told[own].mean():.4f} {wrong[own].mean():.4f} {own.sum()} "
            f"{(wrong[own].sum() - told[own].sum()) / sd:+.1f}"
        )


def nearer_alternative(log, rotations):
    """Return where the second pose is nearer to the true rotation than the first."""
    distance = []
    for which in ("robot", "alternative"):
        w, x, y, z = (log.table[f"{which}_q{part}"].to_numpy() for part in "wxyz")
        trace = np.zeros(len(w))
        rows = (
            (1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)),
            (2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)),
            (2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)),
        )
        for i in range(3):
            for j in range(3):
                trace += rows[i][j] * rotations[:, i, j]
        distance.append(trace)
    return np.nan_to_num(distance[1], nan=-9.0) > distance[0]


def priors(trials):
    """Bar 2: what a 2-degree heading does for a marker turned about the vertical, and the floor for one tilted."""
    rng = np.random.default_rng(106)
    print("wrong branch: without, with what is known")
    for turned in (6.0, 8.0, 12.0):
        field = upright_ahead(4.0, turned)
        views = [(CAMERA, LEVEL, [7])]
        without = simulated(AHEAD, views, trials, rng, sd_px=0.3, field=field)
        heading = rng.normal(scale=math.radians(2.0), size=trials)
        told = simulated(
            AHEAD, views, trials, rng, sd_px=0.3, field=field, prior=Prior(heading=(heading, math.radians(2.0)))
        )
        shares = _mirrored_shares(without, told, 5, turned)
        print(f"  turned {turned} deg, heading known to 2 deg: {shares[0]:.3f} -> {shares[1]:.5f}")
    field = layout((7, 5.0, 3.0, 0.6, 180.0, 12.0, 0.0), size_m=0.165)
    views = [(CAMERA, LEVEL, [7])]
    without = simulated(AHEAD, views, trials, rng, sd_px=0.3, field=field)
    told = simulated(AHEAD, views, trials, rng, sd_px=0.3, field=field, prior=Prior(on_floor=True))
    shares = _mirrored_shares(without, told, 4, 12.0)
    print(f"  tilted 12 deg, on the floor: {shares[0]:.3f} -> {shares[1]:.5f}")


def _mirrored_shares(without, told, axis, tilt_deg):
    """Return the shares of poses that are nearer to the mirrored one, twice the tilt away, than to the true one.

    The mirrored pose lies to one side: where the poses gather that nothing is known of.
    """
    errors = [log_errors(log, AHEAD)[:, axis] for log in (without, told)]
    side = np.sign(np.median(errors[0][np.abs(errors[0]) > 1.5 * math.radians(tilt_deg)]))
    return [(side * error > math.radians(tilt_deg)).mean() for error in errors]


def wrong_markers(trials):
    """Bar 4: one of 4 to 8 markers misplaced by 0.3 m in any direction, or bearing another marker's id."""
    rng = np.random.default_rng(107)
    for kind in ("misplaced", "wrong id"):
        named, broken, count = 0, 0, 0
        clean_squares, left_squares, without_squares = [], [], []
        for number in (4, 6, 8):
            for _ in range(max(trials // 200, 1)):
                case = _wrong_case(kind, number, rng)
                named += case[0]
                count += case[1]
                clean_squares.append(case[2])
                left_squares.append(case[3])
                without_squares.append(case[4])
                broken += case[5]
        clean, left, without = (np.sqrt(np.mean(s)) for s in (clean_squares, left_squares, without_squares))
        print(f"{kind}: {count} frames, named and rejected {named / count:.4f}; not finite or behind {broken}")
        print(f"  position rms over that without the wrong one {left / without:.3f}, of all right {left / clean:.3f}")


def _wrong_case(kind, number, rng, looks=10):
    """Return (rejected, looks, mean squared errors clean, with the wrong one, without it; broken poses)."""
    true = field_from_robot_on_floor(rng.uniform(2.2, 4.0), rng.uniform(3.0, 3.6), rng.uniform(-4.0, 8.0))
    ids = rng.permutation(EIGHT)[:number].tolist()
    views = [(CAMERA, MOUNT, [i for i in ids if _whole(true, i)])]
    ids = views[0][2]
    if len(ids) < 4:
        return _wrong_case(kind, number, rng, looks)
    culprit = ids[0]
    corners = np.array([pixels(true * MOUNT, CAMERA, FIELD, i) for i in ids])
    corners = corners + rng.normal(scale=0.2, size=(looks, len(ids), 4, 2))
    if kind == "misplaced":
        direction = rng.normal(size=3)
        told, seen_as = _moved(culprit, 0.3 * direction / np.linalg.norm(direction)), culprit
    else:
        told, seen_as = FIELD, int(rng.choice([i for i in FIELD.marker_ids.tolist() if i not in ids]))
    clean, rest = _log(ids, corners, FIELD), _log(ids[1:], corners[:, 1:], FIELD)
    log = _log([seen_as, *ids[1:]], corners, told)
    hit = set(log.rejected.loc[log.rejected.marker_id == seen_as, "frame"])
    only = set(log.rejected.loc[log.rejected.marker_id != seen_as, "frame"])
    errors = [log_errors(each, true)[:, :3] for each in (clean, log, rest)]
    squares = [float(np.nanmean((each**2).sum(axis=1))) for each in errors]
    return len(hit - only), looks, *squares, _broken(log, told, [seen_as, *ids[1:]])


def _broken(log, field, seen_ids):
    """Return how many poses are not finite, or have a marker they rest on behind the camera."""
    there = log.table.status.isin(["ok", "ambiguous", "inconsistent"]).to_numpy()
    numbers = np.concatenate([log_errors(log, TRUE), log.covariance.reshape(-1, 36)], axis=1)
    count = int((~np.isfinite(numbers[there])).any(axis=1).sum())
    for frame in np.flatnonzero(there).tolist():
        row = log.table.iloc[frame]
        turn = Rotation.from_quat([row[f"robot_q{part}"] for part in "wxyz"], scalar_first=True)
        field_from_camera = rigid_transform(turn, [row[f"robot_{axis}_m"] for axis in "xyz"]) * MOUNT
        left_out = set(log.rejected.loc[log.rejected.frame == frame, "marker_id"])
        ids = [i for i in seen_ids if i not in left_out]
        depths = [field_from_camera.inv().apply(field.marker(i).corners_field)[:, 2].min() for i in ids]
        count += min(depths) <= 0.0
    return count


def _whole(true, marker_id):
    camera_from_field = (true * MOUNT).inv()
    found, valid = CAMERA.project(camera_from_field.apply(FIELD.marker(marker_id).corners_field))
    return bool(valid.all() and CAMERA.in_picture(found).all())


def _moved(marker_id, shift):
    markers = tuple(
        dataclasses.replace(m, position=tuple(np.array(m.position) + shift)) if m.marker_id == marker_id else m
        for m in FIELD.markers
    )
    return dataclasses.replace(FIELD, markers=markers)


def _log(ids, corners, field):
    looks = len(corners)
    seen = LogSightings(
        frame=np.repeat(np.arange(looks), len(ids)), marker_id=np.tile(ids, looks),
        corners_px=corners.reshape(-1, 4, 2), covariance_px2=0.04,
    )  # fmt: skip
    return solve_poses(seen, field, CAMERA, robot_from_camera=MOUNT)


def main():
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 20000
    wrong_markers(trials)
    rms_over_bound(trials)
    nees_bins(trials)
    priors(trials)
    flips_before(trials)
    flips_after(trials // 4)
    regions(trials // 4)


if __name__ == "__main__":
    main()
