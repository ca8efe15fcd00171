"""The whole way from pixels: render, detect, solve, and see whether the stated uncertainty is true.

Run: python tests/benchmarks/pose_from_pixels.py [poses, 400]
Robots at random places of the sample field; every camera of the sample robot's rigs takes its turn, alone and in pairs.
The seed was fixed before anything was looked at.
"""

from __future__ import annotations

import dataclasses
import itertools
import sys
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from fiducialkit import detect_markers, load_study, render, solve_pose
from fiducialkit.errors import InputError
from fiducialkit.imaging.backgrounds import Background
from fiducialkit.imaging.rendering_settings import RenderSettings
from fiducialkit.scene.transforms import field_from_robot_on_floor, parts

STUDY = load_study(Path(__file__).parents[2] / "sample_data" / "study.toml")
AXES = ("x", "y", "z", "turn x", "turn y", "heading")


def looks(count, seed):
    """Return one row a pose that sees a marker: rig, flags, errors (6) and sigmas (6)."""
    rng = np.random.default_rng(seed)
    rows = []
    rigs = itertools.cycle(STUDY.rigs)
    while len(rows) < count:
        row = look(next(rigs), rng, seed + len(rows))
        if row is not None:
            rows.append(row)
    return rows


def look(rig, rng, seed):
    """Render, detect and solve at one random place; None where the robot cannot stand or nothing is seen."""
    width, height = STUDY.field.size
    true = field_from_robot_on_floor(
        rng.uniform(0.6, width - 0.6), rng.uniform(0.6, height - 0.6), rng.uniform(-180.0, 180.0)
    )
    seen, cameras, mounts = [], [], []
    for name in rig.mounts:
        mount = STUDY.robot.mount(name)
        camera = dataclasses.replace(mount.camera, timing=dataclasses.replace(mount.camera.timing, exposure_s=0.0))
        try:
            picture = render(
                STUDY.field, camera, true * mount.robot_from_camera, seed=seed,
                settings=RenderSettings(background=Background(kind="hall")),
            )  # fmt: skip
        except InputError:  # inside an obstacle
            return None
        seen.append(detect_markers(picture.image, family=STUDY.field.family.name, camera=camera))
        cameras.append(camera)
        mounts.append(mount.robot_from_camera)
    solution = solve_pose(seen, STUDY.field, cameras, robot_from_camera=mounts)
    if solution.estimate is None:
        return None
    return {
        "rig": rig.name,
        "markers": len(solution.markers_used),
        "status": solution.status,
        "kind": solution.covariance_kind,
        "flip": solution.flip_probability,
        "rejected": len(solution.markers_rejected),
        "held": solution.holds(true),
        "error": error(solution, true),
        "covariance": solution.covariance,
    }


def error(solution, true):
    rotation, position = parts(solution.field_from_robot)
    turn = Rotation.from_matrix(rotation @ parts(true)[0].T).as_rotvec()
    return np.concatenate([position - parts(true)[1], turn])


def tell(rows):
    """Print predicted against realised, for all and by number of markers; NEES where the covariance is linear."""
    errors, covariances = (np.array([row[name] for row in rows]) for name in ("error", "covariance"))
    markers = np.array([row["markers"] for row in rows])
    linear = np.array([row["kind"] == "linear" and row["flip"] < 1e-3 for row in rows])
    groups = {"1 marker": markers == 1, "2 markers": markers == 2, "3 or more": markers > 2, "all": markers > 0}
    print(f"rms of error over stated sd ({', '.join(AXES)}); mean squared sigmas; family-wise 99.9 % interval")
    for name, own in groups.items():
        e, c = errors[own & linear], covariances[own & linear]
        ratio = np.sqrt((e**2 / np.diagonal(c, axis1=1, axis2=2)).mean(axis=0))
        nees = np.einsum("ni,nij,nj->n", e, np.linalg.inv(c), e).mean()
        low, high = chi2.ppf([0.0005 / len(groups), 1.0 - 0.0005 / len(groups)], 6 * len(e)) / len(e)
        print(f"  {name}: {len(e)} poses  {np.round(ratio, 2)}  {nees:.2f}  {low:.2f} to {high:.2f}")
    held = np.mean([row["held"] for row in rows])
    median_mm = 1e3 * np.median(np.linalg.norm(errors[:, :2], axis=1))
    print(f"  held by the 95 % region: {held:.3f} of {len(rows)}; not linear or two poses: {(~linear).sum()}")
    print(f"  median error on the floor {median_mm:.2f} mm, heading {np.degrees(np.median(abs(errors[:, 5]))):.4f} deg")
    print(f"  rejected markers: {sum(row['rejected'] for row in rows)}")


if __name__ == "__main__":
    tell(looks(int(sys.argv[1]) if len(sys.argv) > 1 else 400, 4242))
