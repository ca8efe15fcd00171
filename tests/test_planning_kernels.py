"""The compiled predictions against a plain numpy twin, Monte Carlo with the solver, and closed forms."""

from __future__ import annotations

import math
import os

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.special import ndtr

from fiducialkit.planning import kernels
from fiducialkit.planning.detectability import corner_sd_table, limits
from fiducialkit.planning.prediction import predict
from fiducialkit.planning.study import Approach, BuildTolerance, FloorGrid, FloorPrior, Odometry, Study
from fiducialkit.scene.camera import Camera, CameraNoise
from fiducialkit.scene.field import Field, Marker, Obstacle
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.occlusion import hidden_points, upright_box
from fiducialkit.scene.robot import Mount, Rig, Robot, Structure, Tool
from fiducialkit.scene.transforms import field_from_robot_on_floor, parts
from fiducialkit.solving.planar import solve_marker

WANTED = [0, 1, 5]


def small_study(**changes) -> Study:
    brown = Camera(
        width_px=1280, height_px=800, fx_px=700.0, fy_px=705.0, cx_px=640.0, cy_px=395.0,
        distortion=(-0.2, 0.05, 0.001, -0.001, 0.0), noise=CameraNoise(detector="measured", corner_sd_px=0.2),
    )  # fmt: skip
    fisheye = Camera(
        width_px=1280, height_px=800, fx_px=500.0, fy_px=500.0, cx_px=640.0, cy_px=400.0,
        distortion=(0.05, -0.01, 0.003, -0.001), model="fisheye", noise=CameraNoise(detector="fitted"),
    )  # fmt: skip
    markers = (
        Marker(marker_id=1, position=(0.0, 2.0, 0.5), facing_deg=0.0, size_m=0.15),
        Marker(marker_id=2, position=(0.0, 3.5, 0.8), facing_deg=10.0, tilt_deg=-5.0, roll_deg=3.0, size_m=0.2),
        Marker(marker_id=3, position=(3.0, 6.0, 0.4), facing_deg=-90.0, size_m=0.15),
        Marker(marker_id=4, position=(6.0, 3.0, 1.2), facing_deg=180.0, tilt_deg=-20.0, size_m=0.15),
    )
    field = Field(
        name="twin", size=(6.0, 6.0), family=marker_family("36h11"), markers=markers,
        obstacles=(Obstacle(name="crate", corner_min=(1.0, 2.4, 0.0), corner_max=(1.6, 3.0, 0.7)),),
    )  # fmt: skip
    robot = Robot(
        name="twin", footprint=(0.7, 0.6),
        mounts=(
            Mount(name="a", camera=brown, position=(0.2, 0.2, 0.5), yaw_deg=20.0, tilt_deg=4.0, roll_deg=2.0),
            Mount(name="b", camera=fisheye, position=(-0.1, -0.2, 0.9), yaw_deg=-60.0, tilt_deg=-10.0),
            Mount(name="c", camera=brown, position=(-0.3, 0.0, 0.4), yaw_deg=180.0),
        ),
        rigs=(Rig(name="ab", mounts=("a", "b")), Rig(name="b", mounts=("b",)), Rig(name="all", mounts=("a", "b", "c"))),
        structures=(
            Structure(state="always", corner_min=(-0.05, -0.05, 0.0), corner_max=(0.05, 0.05, 1.1)),
            Structure(state="up", corner_min=(0.25, -0.3, 0.3), corner_max=(0.5, 0.3, 0.4), raised_deg=40.0,
                      pivot=(0.25, 0.0, 0.3)),
        ),
        tools=(Tool(side="front", position=(0.4, 0.0, 0.5)),),
    )  # fmt: skip
    settings = {
        "prior": FloorPrior(height_sd_m=0.01, level_sd_deg=0.5, heading_sd_deg=3.0),
        "tolerance": BuildTolerance(),
    } | changes
    return Study(
        name="twin", field=field, robot=robot, rigs=robot.rigs, states=("up", "always"), approach=Approach(),
        floor=FloorGrid(), odometry=Odometry(), **settings,
    )  # fmt: skip


def random_poses(count: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.column_stack([rng.uniform(0.5, 5.5, (count, 2)), rng.uniform(-np.pi, np.pi, count)])


def moved(points: np.ndarray, change: np.ndarray, about: np.ndarray) -> np.ndarray:
    """Shift points by change[:3] and turn them by the rotation vector change[3:] about a point."""
    return about + Rotation.from_rotvec(change[3:]).apply(points - about) + change[:3]


class Twin:
    """What one mount sees of one marker from one pose, with derivatives by central differences of the projection."""

    def __init__(self, study, pose, mount, marker, state):
        self.mount, self.marker, self.pose = mount, marker, pose
        self.field_from_robot = field_from_robot_on_floor(pose[0], pose[1], math.degrees(pose[2]))
        self.corners_robot = self.field_from_robot.inv().apply(marker.corners_field)
        self.centre_robot = self.corners_robot.mean(axis=0)
        self.pixels, valid = self.pixels_after()
        self.seen = bool(valid.all()) and self._passes(study, state)

    def pixels_after(self, robot=None, mount=None, marker=None, focal=0.0):
        """Project with the robot, the mount or the marker moved by a small change."""
        points = self.corners_robot
        if marker is not None:
            points = moved(points, marker, self.centre_robot)
        if robot is not None:  # the robot moves: the world moves the other way in its axes
            points = Rotation.from_rotvec(-robot[3:]).apply(points - robot[:3])
        if mount is not None:
            pupil = np.array(self.mount.position)
            points = pupil + Rotation.from_rotvec(-mount[3:]).apply(points - mount[:3] - pupil)
        pixels, valid = self.mount.camera.project(self.mount.robot_from_camera.inv().apply(points))
        centre = np.array([self.mount.camera.cx_px, self.mount.camera.cy_px])
        return centre + (1.0 + focal) * (pixels - centre), valid

    def derivative(self, **which):
        ((name, size),) = which.items()
        columns = []
        for i in range(size):
            change = np.zeros(size)
            change[i] = 1e-6
            ahead, behind = (
                self.pixels_after(**{name: sign * (change if size > 1 else change[0])})[0] for sign in (1.0, -1.0)
            )
            columns.append((ahead - behind).ravel() / 2e-6)
        return np.column_stack(columns)

    def _passes(self, study, state):
        camera = self.mount.camera
        smallest_cell, facing, inset = limits(camera)
        pupil_field = self.field_from_robot.apply(np.array(self.mount.position))
        to_camera = pupil_field - np.array(self.marker.position)
        normal = parts(self.marker.field_from_marker)[0][:, 2]
        if to_camera @ normal < facing * np.linalg.norm(to_camera):
            return False
        sides = np.linalg.norm(self.pixels - np.roll(self.pixels, -1, axis=0), axis=1)
        if not camera.in_picture(self.pixels, inset).all():
            return False
        if self.area() / sides.max() < smallest_cell * study.field.family.cells(study.field.border_cells):
            return False
        targets = np.vstack([self.marker.corners_field, self.marker.position])
        boxes = np.array([upright_box(o.corner_min, o.corner_max) for o in study.field.obstacles])
        if hidden_points(boxes, pupil_field, targets).any():
            return False
        targets_robot = self.field_from_robot.inv().apply(targets)
        return not hidden_points(study.robot.boxes(state), np.array(self.mount.position), targets_robot).any()

    def area(self):
        x, y = self.pixels.T
        return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))

    def sd(self):
        # the kernel interpolates in a table, whose own accuracy test_detectability.py checks
        knots = kernels.SD_TABLE_FIRST_LOG2 + np.arange(kernels.SD_TABLE_LENGTH) / kernels.SD_TABLE_PER_OCTAVE
        longest = np.linalg.norm(self.pixels - np.roll(self.pixels, -1, axis=0), axis=1).max()
        return np.interp(math.log2(self.area() / longest), knots, corner_sd_table(self.mount.camera))


def twin_case(study, pose, rig, state):
    """Return (distinct markers, noise covariance, total covariance) by stacking every observation and error source."""
    looks = [
        look
        for name in rig.mounts
        for marker in study.field.markers
        if (look := Twin(study, pose, study.robot.mount(name), marker, state)).seen
    ]
    if not looks:
        return 0, np.full((3, 3), np.nan), np.full((3, 3), np.nan)
    rows = np.vstack([look.derivative(robot=6) for look in looks])
    weights = np.concatenate([np.full(8, look.sd() ** -2) for look in looks])
    prior = study.prior
    level, heading = math.radians(prior.level_sd_deg) ** -2, math.radians(prior.heading_sd_deg) ** -2
    information = rows.T @ (weights[:, None] * rows) + np.diag([0, 0, prior.height_sd_m**-2, level, level, heading])
    noise = np.linalg.inv(information)
    built = study.tolerance
    gain = noise @ rows.T * weights
    total = noise.copy()
    for kind, key, sd_m, sd_deg in (
        ("mount", lambda look: look.mount.name, built.mount_sd_m, built.mount_sd_deg),
        ("marker", lambda look: look.marker.marker_id, built.marker_sd_m, built.marker_sd_deg),
    ):
        variances = np.array([sd_m**2] * 3 + [math.radians(sd_deg) ** 2] * 3)
        for piece in {key(look) for look in looks}:
            source = np.vstack([look.derivative(**{kind: 6}) * (key(look) == piece) for look in looks])
            total += gain @ source @ np.diag(variances) @ source.T @ gain.T
    for name in {look.mount.name for look in looks}:
        source = np.vstack([look.derivative(focal=1) * (look.mount.name == name) for look in looks])
        total += (built.focal_sd_percent / 100.0) ** 2 * gain @ source @ source.T @ gain.T
    return len({look.marker.marker_id for look in looks}), noise[np.ix_(WANTED, WANTED)], total[np.ix_(WANTED, WANTED)]


def test_kernel_equals_numpy_twin():
    study = small_study()
    poses = random_poses(60, seed=5)
    prediction = predict(study, poses)
    assert {0, 1, 2, 3} <= set(prediction.markers.ravel().tolist()), "the poses should span none to several"
    assert (prediction.markers[:, 0] != prediction.markers[:, 1]).any(), "the raised arm should hide something"
    for n, pose in enumerate(poses):
        for s, state in enumerate(study.states):
            for r, rig in enumerate(study.rigs):
                count, noise, total = twin_case(study, pose, rig, state)
                assert prediction.markers[n, s, r] == count
                # central differences of 1e-6 keep about six digits
                np.testing.assert_allclose(prediction.noise_covariance[n, s, r], noise, rtol=2e-4, atol=1e-12)
                np.testing.assert_allclose(prediction.covariance[n, s, r], total, rtol=2e-4, atol=1e-12)


def test_workers_do_not_change_the_result():
    study = small_study()
    poses = random_poses(1500, seed=6)
    one, three = predict(study, poses, workers=1), predict(study, poses, workers=3)
    np.testing.assert_array_equal(one.covariance, three.covariance)
    np.testing.assert_array_equal(one.flip_probability, three.flip_probability)


def test_unseen_is_not_a_number_and_a_sum_of_mounts_never_knows_less():
    study = small_study()
    prediction = predict(study, random_poses(400, seed=7))
    none = prediction.markers == 0
    assert np.isnan(prediction.covariance[none]).all()
    assert np.isfinite(prediction.covariance[~none]).all()
    # rig "all" contains rig "ab" contains rig "b": its noise covariance is smaller in every direction
    both = ~none[:, :, 0] & ~none[:, :, 2]
    difference = prediction.noise_covariance[:, :, 0][both] - prediction.noise_covariance[:, :, 2][both]
    assert np.linalg.eigvalsh(difference).min() > -1e-12


@pytest.mark.statistics
@pytest.mark.parametrize("heading_sd_deg", [0.0, 5.0])
def test_flip_probability_against_solved_marker(heading_sd_deg):
    """Simulation with known truth: how often the mirrored pose of a lone marker fits better than the right one."""
    sd_px = 0.3
    camera = Camera.from_field_of_view(1280, 800, 75.0, noise=CameraNoise(detector="measured", corner_sd_px=sd_px))
    marker = Marker(marker_id=0, position=(0.0, 4.0, 0.5), facing_deg=0.0, size_m=0.15)
    field = Field(name="one", size=(8.0, 8.0), family=marker_family("36h11"), markers=(marker,))
    mount = Mount(name="m", camera=camera, position=(0.0, 0.0, 0.5))
    robot = Robot(name="r", footprint=(0.5, 0.5), mounts=(mount,), rigs=(Rig(name="m", mounts=("m",)),))
    free = FloorPrior(height_sd_m=1e3, level_sd_deg=1e5, heading_sd_deg=heading_sd_deg)
    study = Study(
        name="flip", field=field, robot=robot, rigs=robot.rigs, states=robot.states, approach=Approach(),
        floor=FloorGrid(), prior=free, tolerance=BuildTolerance(), odometry=Odometry(),
    )  # fmt: skip
    rng = np.random.default_rng(17)
    trials = 1500 if os.environ.get("FIDUCIALKIT_FULL") else 300
    worst = 0.0
    for distance, bearing_deg, off_axis_deg in (
        (3.0, 15.0, 0.0),
        (3.0, 25.0, 15.0),
        (4.0, 30.0, -20.0),
        (3.5, 20.0, 30.0),
    ):
        bearing = math.radians(bearing_deg)
        place = (distance * math.cos(bearing), 4.0 + distance * math.sin(bearing))
        heading = math.pi + bearing + math.radians(off_axis_deg)
        predicted = float(predict(study, np.array([[*place, heading]])).flip_probability[0, 0, 0])
        truth = field_from_robot_on_floor(*place, math.degrees(heading)) * mount.robot_from_camera
        pixels, _ = camera.project(truth.inv().apply(marker.corners_field))
        flips = 0
        for _ in range(trials):
            solutions = solve_marker(pixels + sd_px * rng.standard_normal((4, 2)), 0.15, camera, sd_px**2).solutions
            costs, turns = [], []
            for solution in solutions:
                robot_pose = (
                    marker.field_from_marker * solution.camera_from_marker.inv() * mount.robot_from_camera.inv()
                )
                turn = (robot_pose.rotation * Rotation.from_euler("z", -heading)).as_rotvec()
                # a gyro that reads the true heading with its own noise of the stated sd
                costs.append((solution.chi2, turn))
                turns.append(turn[2])
            if len(costs) == 2:
                gyro = rng.normal(0.0, math.radians(heading_sd_deg)) if heading_sd_deg else 0.0
                weight = math.radians(heading_sd_deg) ** -2 if heading_sd_deg else 0.0
                totals = [chi2 + weight * (turn[2] - gyro) ** 2 for chi2, turn in costs]
                flips += int(np.argmin(np.abs(turns)) != np.argmin(totals))
        worst = max(worst, abs(predicted - flips / trials))
    # binomial sd, at most .5 / sqrt(trials); four cases, 3.5 sd. Adding the gyro's cost without solving again is exact
    # only while the corners alone know the heading better than the gyro, as here.
    assert worst < 3.5 * 0.5 / math.sqrt(trials)


def test_closed_form_of_the_flip_on_the_axis():
    """D = s (w / Z) sin(t) sqrt(cos^2 2p + cos^2 t sin^2 2p) / sigma, derived for this project; here p = 0."""
    camera = Camera.from_field_of_view(1280, 800, 60.0, noise=CameraNoise(detector="measured", corner_sd_px=0.3))
    marker = Marker(marker_id=0, position=(0.0, 4.0, 0.5), facing_deg=0.0, size_m=0.15)
    field = Field(name="one", size=(8.0, 8.0), family=marker_family("36h11"), markers=(marker,))
    robot = Robot(
        name="r", footprint=(0.5, 0.5), mounts=(Mount(name="m", camera=camera, position=(0.0, 0.0, 0.5)),),
        rigs=(Rig(name="m", mounts=("m",)),),
    )  # fmt: skip
    study = Study(
        name="flip", field=field, robot=robot, rigs=robot.rigs, states=robot.states, approach=Approach(),
        floor=FloorGrid(), prior=FloorPrior(height_sd_m=1e3, level_sd_deg=1e5), tolerance=BuildTolerance(),
        odometry=Odometry(),
    )  # fmt: skip
    for distance, tilt_deg in ((4.0, 20.0), (4.0, 30.0), (3.0, 40.0)):
        tilt = math.radians(tilt_deg)
        pose = np.array([[distance * math.cos(tilt), 4.0 + distance * math.sin(tilt), math.pi + tilt]])
        side = camera.fx_px * 0.15 / distance
        expected = ndtr(-0.5 * side * 0.15 / distance * math.sin(tilt) / 0.3)
        found = float(predict(study, pose).flip_probability[0, 0, 0])
        assert found == pytest.approx(expected, abs=0.01)
