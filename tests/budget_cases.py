"""Brute force for the error budget: every source drawn, the true corners projected, the pose solved from them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from fiducialkit.planning.corner_errors import corner_errors
from fiducialkit.planning.picture_model import picture_model, rig_gains
from fiducialkit.planning.study import BuildTolerance, Study
from fiducialkit.scene.robot import Rig
from fiducialkit.scene.transforms import parts, rigid_transform
from fiducialkit.solving.pose_log import LogSightings, solve_poses
from fiducialkit.solving.priors import Prior

DRAWN = {
    "corner noise": "noise",
    "corner pull": "pull",
    "lens calibration": "lens",
    "mount calibration": "mount",
    "field layout": "layout",
    "stand on the floor": "stand",
    "time offset": "time",
    "rolling shutter": "rows",
}
EXACT = BuildTolerance(
    mount_sd_m=0.0, mount_sd_deg=0.0, marker_sd_m=0.0, marker_sd_deg=0.0, focal_sd_percent=0.0, time_sd_s=0.0
)


@dataclass(frozen=True)
class Case:
    """One picture of one rig: where it is taken, how fast the robot moves, and what is seen in it."""

    study: Study
    rig: Rig
    pose: np.ndarray  # x, y, heading
    state: int
    motion: tuple[float, float]  # forward m/s, turn rad/s

    def sightings(self):
        """Return (mount, its number in the rig, marker numbers, corner errors) a mount, as the budget counts them."""
        model = picture_model(self.study, self.pose[None])
        found = []
        for k, mount in enumerate(model.mounts):
            if mount.name in self.rig.mounts:
                seen = np.flatnonzero(model.is_seen[0, self.state, k])
                found.append((mount, self.rig.mounts.index(mount.name), seen, self._errors(mount, seen)))
        return found

    def _errors(self, mount, seen):
        field = self.study.field
        robot = rigid_transform(turn_z(self.pose[2]), np.append(self.pose[:2], 0.0), "robot")
        camera_from_field = (robot * mount.robot_from_camera).inv()
        corners = np.array([camera_from_field.apply(each) for each in field.corners_field[seen]]).reshape(-1, 4, 3)
        normals = np.cross(corners[:, 0] - corners[:, 3], corners[:, 1] - corners[:, 0])
        centres = corners.mean(axis=1)
        cosines = np.abs((normals * centres).sum(axis=1)) / np.linalg.norm(normals, axis=1)
        facing = np.degrees(np.arccos(cosines / np.linalg.norm(centres, axis=1)))
        pixels = mount.camera.project(corners.reshape(-1, 3))[0].reshape(-1, 4, 2)
        return corner_errors(mount.camera, field.family.cells(field.border_cells), pixels, facing)


def turn_z(angle):
    return np.array(
        [[math.cos(angle), -math.sin(angle), 0.0], [math.sin(angle), math.cos(angle), 0.0], [0.0, 0.0, 1.0]]
    )


def small_turns(rng, trials, sd_deg):
    return Rotation.from_rotvec(rng.normal(0.0, math.radians(sd_deg), (trials, 3)) if sd_deg else np.zeros((trials, 3)))


def arc(motion, times):
    """Return how far the robot is along, aside and turned after the times, driving an arc."""
    speed, rate = motion
    turn = rate * times
    return (
        speed * times * np.sinc(turn / math.pi),
        speed * times * np.sin(turn / 2) * np.sinc(turn / (2 * math.pi)),
        turn,
    )


def brute_force(case: Case, trials: int, rng: np.random.Generator, noise_rng=None, **draws):
    """Return errors (trials, 3) of along, across, heading of solved poses, everything in `draws` drawn anew.

    Corner noise comes from `noise_rng`, so that a second call with an equal `rng` has the same other errors.

    draws: noise, pull (or how many times), stand, lens, mount, layout, time, rows: whether that source is there.
    """
    study, built = case.study, case.study.tolerance
    on = {
        name: draws.get(name, False) for name in ("noise", "pull", "stand", "lens", "mount", "layout", "time", "rows")
    }
    prior = study.prior
    base = turn_z(case.pose[2])
    stand = small_turns(rng, trials, prior.level_sd_deg if on["stand"] else 0.0).as_rotvec()
    stand[:, 2] = 0.0
    robot_rotation = base @ Rotation.from_rotvec(stand).as_matrix()
    robot_place = np.zeros((trials, 3))
    robot_place[:, :2] = case.pose[:2]
    robot_place[:, 2] = rng.normal(0.0, prior.height_sd_m, trials) if on["stand"] else 0.0
    late = rng.normal(0.0, built.time_sd_s, trials) if on["time"] else np.zeros(trials)
    layout = _displaced_layout(study, trials, rng, on["layout"])
    frame, marker, camera, pixels, variance = [], [], [], [], []
    for mount, number, seen, errors in case.sightings():
        rotation_rc, pupil = parts(mount.robot_from_camera)
        turned = small_turns(rng, trials, built.mount_sd_deg if on["mount"] else 0.0).as_matrix() @ rotation_rc
        moved = pupil + rng.normal(0.0, built.mount_sd_m if on["mount"] else 0.0, (trials, 3))
        focal = rng.normal(0.0, 0.01 * built.focal_sd_percent, trials) if on["lens"] else np.zeros(trials)
        for m, weights, spread, mean in zip(seen, errors.weights, errors.covariance, errors.mean, strict=True):
            shown = _pictured(
                mount.camera, layout[:, m], (robot_rotation, robot_place), (turned, moved), focal,
                (case.motion, late, on["rows"]),
            )  # fmt: skip
            if on["noise"]:
                drawn = (noise_rng or rng).standard_normal((trials, 8)) @ np.linalg.cholesky(spread).T
                shown = shown + drawn.reshape(-1, 4, 2)
            if on["pull"]:
                shown = shown + on["pull"] * mean.reshape(4, 2)
            frame.append(np.arange(trials))
            marker.append(np.full(trials, study.field.marker_ids[m]))
            camera.append(np.full(trials, number))
            pixels.append(shown)
            variance.append(np.broadcast_to(np.linalg.inv(weights), (trials, 8, 8)))
    frame = np.concatenate(frame)
    order = np.argsort(frame, kind="stable")
    mounts = [study.robot.mount(name) for name in case.rig.mounts]
    gyro = None
    if prior.heading_sd_deg:
        gyro = (np.full(trials, case.pose[2]), math.radians(prior.heading_sd_deg))
    log = solve_poses(
        LogSightings(
            frame=frame[order], marker_id=np.concatenate(marker)[order], camera=np.concatenate(camera)[order],
            corners_px=np.concatenate(pixels)[order], covariance_px2=np.concatenate(variance)[order],
        ),
        study.field, [mount.camera for mount in mounts], robot_from_camera=[m.robot_from_camera for m in mounts],
        prior=Prior(on_floor=True, height_sd_m=prior.height_sd_m, level_sd_deg=prior.level_sd_deg, heading=gyro),
        workers=1,
    )  # fmt: skip
    table = log.table
    shift = table[["robot_x_m", "robot_y_m"]].to_numpy() - case.pose[:2]
    turn = np.radians(table["robot_heading_deg"].to_numpy()) - np.arctan2(
        robot_rotation[:, 1, 0], robot_rotation[:, 0, 0]
    )
    along_across = shift @ base[:2, :2]
    return np.column_stack([along_across, (turn + math.pi) % (2.0 * math.pi) - math.pi]), log


def _displaced_layout(study, trials, rng, drawn):
    built, corners = study.tolerance, study.field.corners_field
    layout = np.repeat(corners[None], trials, axis=0)
    if drawn:
        for m in range(len(corners)):
            centre = corners[m].mean(axis=0)
            turn = small_turns(rng, trials, built.marker_sd_deg).as_matrix()
            shift = rng.normal(0.0, built.marker_sd_m, (trials, 1, 3))
            layout[:, m] = centre + (corners[m] - centre) @ np.swapaxes(turn, 1, 2) + shift
    return layout


def _pictured(camera, corners, robot, mount, focal, timing):
    """Return the pixels (trials, 4, 2) of one marker's corners (trials, 4, 3) in one camera."""
    motion, late, by_rows = timing
    times = np.repeat(late[:, None], 4, axis=1)
    for _ in range(6 if by_rows and camera.timing.row_time_s else 1):
        along, across, turn = arc(motion, times)
        cosine, sine = np.cos(turn), np.sin(turn)
        points = np.einsum("tji,tcj->tci", robot[0], corners - robot[1][:, None])  # in the robot as it was meant
        x, y = points[..., 0] - along, points[..., 1] - across
        points = np.stack([cosine * x + sine * y, cosine * y - sine * x, points[..., 2]], axis=-1)
        points = np.einsum("tji,tcj->tci", mount[0], points - mount[1][:, None])
        pixels, _ = camera.project(points.reshape(-1, 3))
        middle = np.array([camera.cx_px, camera.cy_px])
        pixels = middle + (pixels.reshape(-1, 4, 2) - middle) * (1.0 + focal[:, None, None])
        times = late[:, None] + (pixels[..., 1] - 0.5 * (camera.height_px - 1)) * camera.timing.row_time_s
    return pixels


def predicted(case: Case):
    """Return the variances of along, across, heading by source, as the budget has them."""
    model = picture_model(case.study, case.pose[None])
    gains = rig_gains(model, case.rig, [0], [case.state], np.array([case.motion]))
    found = {name: np.diag(gain[0] @ gain[0].T) for name, gain in gains.constant.items()}
    return found | {"corner noise": np.diag(gains.noise[0])}


def measured(case: Case, trials: int, rng: np.random.Generator):
    """Return the mean squares of along, across, heading by source, each drawn alone, and of all together.

    The pull of corners has a sign of its own, and so has what a rolling shutter does: they can add up or cancel. The
    budget takes all sources for independent, so here the pull is turned round in half of the trials. The third number
    is the mean squares without that.
    """
    alone = {}
    for source, draw in DRAWN.items():
        error, _ = brute_force(case, 2 if draw in ("rows", "pull") else trials, rng, **{draw: True})
        alone[source] = (error**2).mean(axis=0)
    everything = dict.fromkeys(DRAWN.values(), True)
    as_pulled, _ = brute_force(case, trials // 2, rng, **everything)
    as_pushed, _ = brute_force(case, trials // 2, rng, **(everything | {"pull": -1.0}))
    both = np.concatenate([as_pulled, as_pushed])
    return alone, (both**2).mean(axis=0), (as_pulled**2).mean(axis=0)


def near_node(study: Study, rig: str, node: str, distance_m: float, **others) -> Case:
    """Return the picture a rig takes of its way to a node, with its front."""
    place = next(each for each in study.field.nodes if each.name == node)
    heading = math.radians(place.heading_deg)
    x, y = place.position[0] - distance_m * math.cos(heading), place.position[1] - distance_m * math.sin(heading)
    return Case(study, study.robot.rig(rig), np.array([x, y, heading]), **others)


def with_rolling_shutter(study: Study, row_time_s: float) -> Study:
    mounts = tuple(
        replace(m, camera=replace(m.camera, timing=replace(m.camera.timing, row_time_s=row_time_s)))
        for m in study.robot.mounts
    )
    return replace(study, robot=replace(study.robot, mounts=mounts))


def with_tolerance(study: Study, **changes: float) -> Study:
    return replace(study, tolerance=replace(study.tolerance, **changes))
