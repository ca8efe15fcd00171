"""Predictions against rendered pixels: coverage, errors by distance and flips, both detectors, three rigs.

Run: python tests/benchmarks/prediction_check.py [poses, 2000] [--workers 2] [--kept FILE] [--poses CSV] [--cluster]

Each pose's pictures, before an even wall, are read by both detectors and solved; the outcome stands beside what
`planning.prediction.predict` says, and errors are compared where the very markers are read that are predicted. Bars:
coverage within 2 percentage points, errors within 10 % per distance, flips within binomial scatter. Seeds are fixed
here. --poses keeps the outcomes as a table, and reads them instead of rendering where the file is there.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import replace
from pathlib import Path

import pandas as pd

import fiducialkit
from fiducialkit import RenderSettings
from fiducialkit.planning import rendered_check, rendered_tables
from fiducialkit.scene.robot import Rig

SAMPLE = Path(__file__).parents[2] / "sample_data" / "study.toml"
SEED = 20
RIGS = (
    Rig(name="one high", mounts=("high front",)),
    Rig(name="high and low", mounts=("high front", "low front, out")),
    Rig(name="one wide", mounts=("wide front",)),
)
DETECTORS = ("fitted", "stock")
NAMES = ("along", "across", "heading")


def sample_study():
    study = fiducialkit.load_study(SAMPLE)
    return replace(study, robot=replace(study.robot, rigs=RIGS), rigs=RIGS)


def with_detector(study, name):
    mounts = tuple(
        replace(m, camera=replace(m.camera, noise=replace(m.camera.noise, detector=name))) for m in study.robot.mounts
    )
    return replace(study, robot=replace(study.robot, mounts=mounts))


def shown(check):
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
    """Print how much sooner two worker processes of a local dask cluster are done than this process, caches warm.

    By default dask's workers hand memory back at once, which costs a third of the time: here they keep it, as this
    process does.
    """
    import dask
    from dask.distributed import LocalCluster

    def timed(**how):
        start = time.perf_counter()
        found = rendered_check.rendered_check(study, count, settings=RenderSettings(), seed=SEED, **how)
        return time.perf_counter() - start, found

    rendered_check.rendered_check(study, 8, settings=RenderSettings(), seed=1)
    kept = {f"distributed.nanny.pre-spawn-environ.MALLOC_{name}_THRESHOLD_": 1 << 30 for name in ("TRIM", "MMAP")}
    with dask.config.set(kept), LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as cluster:
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
        poses = rendered_tables.CHECKED_POSES.checked(pd.read_csv(chosen.poses, keep_default_na=False, na_values=[""]))
        check = rendered_tables.summary(study, rendered_check.predicted_anew(study, poses), SEED)
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
    shown(check)


if __name__ == "__main__":
    main()
