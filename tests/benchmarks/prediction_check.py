"""Predictions against rendered pixels: coverage, errors by distance and flips, both detectors, three rigs.

Run: python tests/benchmarks/prediction_check.py [poses, 2000] [--workers 2] [--kept FILE] [--poses CSV] [--cluster]

Each pose's pictures, before an even wall, are read by both detectors and solved; the outcome stands beside what
`planning.prediction.predict` says, and beside a second, slower model in numpy with the corner errors as they were
measured: the two corners of an edge err together, and OpenCV's corners lie inside by about the same in every picture.
Bars: coverage within 2 percentage points, errors within 10 % per distance, flips within binomial scatter. Seeds are
fixed here. --poses keeps the outcomes as a table, and reads them instead of rendering where the file is there.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

import fiducialkit
from fiducialkit import RenderSettings
from fiducialkit.imaging.squares import widths_px
from fiducialkit.planning import rendered_check
from fiducialkit.planning.detectability import (
    TABLE_FACING_DEG,
    TABLE_WIDTHS_PX,
    camera_tables,
    corner_pull_table,
    edge_ratios,
    limits,
)
from fiducialkit.scene.occlusion import hidden_points, upright_box
from fiducialkit.scene.robot import Rig
from fiducialkit.scene.transforms import field_from_robot_on_floor, parts

SAMPLE = Path(__file__).parents[2] / "sample_data" / "study.toml"
SEED = 20
RIGS = (
    Rig(name="one high", mounts=("high front",)),
    Rig(name="high and low", mounts=("high front", "low front, out")),
    Rig(name="one wide", mounts=("wide front",)),
)
DETECTORS = ("fitted", "stock")
WANTED = (0, 1, 5)
NAMES = ("along", "across", "heading")


def sample_study():
    study = fiducialkit.load_study(SAMPLE)
    return replace(study, robot=replace(study.robot, rigs=RIGS), rigs=RIGS)


def with_detector(study, name):
    mounts = tuple(
        replace(m, camera=replace(m.camera, noise=replace(m.camera.noise, detector=name))) for m in study.robot.mounts
    )
    return replace(study, robot=replace(study.robot, mounts=mounts))


class Mount:
    """One mount with its detector's tables."""

    def __init__(self, study, name):
        self.study, self.mount = study, study.robot.mount(name)
        self.camera = self.mount.camera
        cells = study.field.family.cells(study.field.border_cells)
        self.sd, self.chance = camera_tables(self.camera, cells=cells)
        self.pull = corner_pull_table(self.camera, cells=cells)
        self.middle, self.ends = edge_ratios(self.camera)
        if self.camera.noise.detector == "fitted":
            self.sd = self.sd / self.middle  # back to the rms error
        self.camera_from_robot = self.mount.robot_from_camera.inv()
        boxes = [upright_box(o.corner_min, o.corner_max) for o in study.field.obstacles]
        self.obstacles = np.array(boxes, dtype=np.float64).reshape(-1, 15)
        self.pupil = np.array(self.mount.position, dtype=np.float64)
        self.smallest = limits(self.camera)

    def at(self, table, width, facing):
        rows = [np.interp(facing, TABLE_FACING_DEG, row) for row in table]
        return float(np.interp(math.log(width), np.log(TABLE_WIDTHS_PX), rows))

    def sightings(self, pose, state):
        """Yield each marker in view by number with its pixels (4, 2), rows (4, 2, 6), sd, chance and pull."""
        rotation, position = parts(field_from_robot_on_floor(pose[0], pose[1], math.degrees(pose[2])))
        turn, offset = parts(self.camera_from_robot)
        for marker, corners_field in enumerate(self.study.field.corners_field):
            corners = (corners_field - position) @ rotation
            centre = corners.mean(axis=0)
            normal = np.cross(corners[1] - corners[0], corners[0] - corners[3])
            sight = self.pupil - centre
            cosine = sight @ normal / np.linalg.norm(sight) / np.linalg.norm(normal)
            if cosine < self.smallest[1] or ((corners @ turn.T + offset)[:, 2] < 0.05).any():
                continue
            pixels, valid, by_pose, _ = self.camera.project_with_jacobian(corners, self.camera_from_robot)
            if not (valid.all() and self.camera.in_picture(pixels, self.smallest[2]).all()):
                continue
            points = np.vstack([corners, centre])
            if hidden_points(self.study.robot.boxes(state), self.pupil, points).any():
                continue
            ends = points @ rotation.T + position
            if hidden_points(self.obstacles, rotation @ self.pupil + position, ends).any():
                continue
            width, facing = float(widths_px(pixels[None])[0]), math.degrees(math.acos(min(1.0, cosine)))
            by_point = by_pose[:, :, :3] @ turn
            levers = np.cross(np.eye(3)[None], corners[:, None])  # rows e_i x p, so that -d - w x p
            rows = np.concatenate([-by_point, -np.einsum("cij,ckj->cik", by_point, levers)], axis=2)
            found = [self.at(each, width, facing) for each in (self.sd, self.chance, self.pull)]
            yield marker, (pixels, rows, *found)


def by_edges(pixels):
    """Return the matrix (8, 8) from corner errors to four middles of edges, outwards, and four differences of ends."""
    along = np.roll(pixels, -1, axis=0) - pixels
    outward = np.column_stack([along[:, 1], -along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
    matrix = np.zeros((8, 8))
    for k in range(4):
        for corner, sign in ((k, -1.0), ((k + 1) % 4, 1.0)):
            matrix[k, 2 * corner : 2 * corner + 2] += outward[k] / 2.0
            matrix[4 + k, 2 * corner : 2 * corner + 2] += sign * outward[k]
    return matrix


def weighed(sighting, mount, detector):
    """Return what one sighting adds: information, spread of its weighted errors, and their mean."""
    pixels, rows, sd, _, pull = sighting
    rows = rows.reshape(8, 6)
    random = math.sqrt(max(sd**2 - pull**2, 1e-12)) if detector == "stock" else sd
    spread = np.repeat([(mount.middle * random) ** 2 / 2.0, (mount.ends * random) ** 2 * 2.0], 4)
    edges = by_edges(pixels)
    if detector == "fitted":  # the solver is given the whole covariance
        turned = edges @ rows
        information = turned.T @ (turned / spread[:, None])
        return information, information, np.zeros(6)
    back = np.linalg.inv(edges)
    weights = rows.T / sd**2
    covariance = back @ (spread[:, None] * back.T)
    inward = back @ np.concatenate([np.full(4, -pull), np.zeros(4)])
    return rows.T @ rows / sd**2, weights @ covariance @ weights.T, weights @ inward


def second_model(study, mounts, pose, state, rig, detector):
    """Return (covariance (3, 3) of along, across, heading, chance that a marker is read, markers likely read)."""
    prior = study.prior
    level = math.radians(prior.level_sd_deg) ** -2
    information = np.diag([0.0, 0.0, prior.height_sd_m**-2, level, level, 0.0])
    spread, mean, none_read, likely = information.copy(), np.zeros(6), 1.0, set()
    for name in rig.mounts:
        for marker, sighting in mounts[name].sightings(pose, state):
            none_read *= 1.0 - sighting[3]
            if sighting[3] < 0.5:
                continue
            likely.add(marker)
            parts_ = weighed(sighting, mounts[name], detector)
            information, spread, mean = information + parts_[0], spread + parts_[1], mean + parts_[2]
    if not likely:
        return np.full((3, 3), math.nan), 1.0 - none_read, 0
    gain = np.linalg.inv(information)
    covariance = gain @ (spread + np.outer(mean, mean)) @ gain
    return covariance[np.ix_(WANTED, WANTED)], 1.0 - none_read, len(likely)


def with_second_model(study, poses):
    """Return the checked poses with that model's predictions in place of the others."""
    poses = poses.copy()
    for detector in DETECTORS:
        own = with_detector(study, detector)
        mounts = {name: Mount(own, name) for name in {n for rig in RIGS for n in rig.mounts}}
        for index, row in poses[poses["detector"] == detector].iterrows():
            pose = (row["robot_x_m"], row["robot_y_m"], math.radians(row["robot_heading_deg"]))
            rig = next(rig for rig in RIGS if rig.name == row["rig"])
            covariance, chance, likely = second_model(own, mounts, pose, row["state"], rig, detector)
            sd = np.sqrt(np.diag(covariance))
            poses.loc[index, ["along_sd_m", "across_sd_m", "heading_sd_deg", "chance_seen", "markers_predicted"]] = (
                sd[0], sd[1], math.degrees(sd[2]), chance, likely,
            )  # fmt: skip
    return poses


def shown(title, check):
    print(f"\n{title}")
    for row in check.coverage.to_dict("records"):
        off = 100.0 * (row["share_predicted"] - row["share_seen"])
        print(
            f"  {row['rig']:14s} {row['detector']:7s} coverage {100 * row['share_seen']:5.1f} %, predicted {off:+5.1f}"
            f" points  {'ok ' if abs(off) <= 2.0 else 'OFF'}   flips {row['flips']}, predicted "
            f"{row['flips_predicted']:.1f} ({row['flips_low']:.1f} to {row['flips_high']:.1f})"
        )
    inside = beyond = 0
    for row in check.table.to_dict("records"):
        cells = []
        for name in NAMES:
            ratio = row[f"{name}_ratio"]
            is_ok = abs(ratio - 1.0) <= 0.1
            inside += is_ok and row["as_predicted"] >= 30
            beyond += abs(ratio - 1.0) > 0.1 + 2.6 * row["ratio_sd"] and row["as_predicted"] >= 30
            cells.append(f"{name} {ratio:5.2f}{' ' if is_ok else '*'}")
        print(
            f"  {row['rig']:14s} {row['detector']:7s} {row['from_m']:3.1f} to {row['to_m']:3.1f} m "
            f"{row['as_predicted']:4d} of {row['poses']:4d} poses  {'  '.join(cells)} +-{row['ratio_sd']:.2f}"
            f"  far off {row['far_off']}"
        )
    print(
        f"  ratios within 10 %: {inside}; beyond it by more than chance (2.6 sd): {beyond} (cells of 30 poses or more)"
    )


def cluster_speed(study, count):
    """Print how much sooner two worker processes of a local dask cluster are done than this process, caches warm."""
    from dask.distributed import LocalCluster

    def timed(**how):
        start = time.perf_counter()
        found = rendered_check.rendered_check(study, count, settings=RenderSettings(), seed=SEED, **how)
        return time.perf_counter() - start, found

    rendered_check.rendered_check(study, 8, settings=RenderSettings(), seed=1)
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as cluster:
        address = cluster.scheduler_address
        rendered_check.rendered_check(study, 32, settings=RenderSettings(), seed=1, scheduler=address)
        pairs = [(timed(), timed(scheduler=address)) for _ in range(3)]
    same = all(alone[1].poses.equals(shared[1].poses) for alone, shared in pairs)
    ratios = sorted(alone[0] / shared[0] for alone, shared in pairs)
    told = f"{ratios[1]:.2f} times as fast as one process ({ratios[0]:.2f} to {ratios[2]:.2f} in three runs)"
    print(f"{count} poses, two workers of a local cluster: {told}; tables {'the same' if same else 'DIFFER'}")


def main():
    options = argparse.ArgumentParser()
    options.add_argument("count", nargs="?", type=int, default=2000)
    options.add_argument("--workers", type=int, default=2)
    options.add_argument("--kept", type=Path, default=None)
    options.add_argument("--poses", type=Path, default=None)
    options.add_argument("--cluster", action="store_true", help="only the speed of two workers of a local cluster")
    chosen = options.parse_args()
    study = sample_study()
    if chosen.cluster:
        cluster_speed(study, min(chosen.count, 160))
        return
    if chosen.poses is not None and chosen.poses.exists():
        poses = rendered_check.CHECKED_POSES.checked(pd.read_csv(chosen.poses))
        check = rendered_check.summary(study, rendered_check.predicted_anew(study, poses), SEED)
    else:
        start = time.perf_counter()
        check = rendered_check.rendered_check(
            study, chosen.count, detectors=DETECTORS, settings=RenderSettings(), seed=SEED, workers=chosen.workers,
            kept_in=chosen.kept, progress=lambda done, total: print(f"\r{done}/{total} ", end="", file=sys.stderr),
        )  # fmt: skip
        print(f"{chosen.count} poses, 3 cameras, {time.perf_counter() - start:.0f} s on {chosen.workers} workers")
        if chosen.poses is not None:
            check.poses.to_csv(chosen.poses, index=False)
    print(check)
    shown("planning.prediction.predict", check)
    both = rendered_check.summary(study, with_second_model(study, check.poses), SEED)
    shown("second model: errors along edges, inward pull", both)


if __name__ == "__main__":
    main()
