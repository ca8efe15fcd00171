"""A small study with every difficulty in it, and a plain numpy twin of what a mount sees and what that tells."""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.imaging.detection import BORDER_INSET_PX
from fiducialkit.planning import kernels
from fiducialkit.planning.detectability import camera_tables, corner_kinds, coupling, error_kind
from fiducialkit.planning.study import Approach, BuildTolerance, FloorGrid, FloorPrior, Odometry, Study
from fiducialkit.scene.camera import Camera, CameraNoise
from fiducialkit.scene.field import Field, Marker, Obstacle
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.occlusion import hidden_points, upright_box
from fiducialkit.scene.robot import Mount, Rig, Robot, Structure, Tool
from fiducialkit.scene.transforms import field_from_robot_on_floor, parts


def small_study(**changes) -> Study:
    """Return four markers, a crate, three cameras of three lens models and a robot with an arm in two states."""
    brown = Camera(
        width_px=1280, height_px=800, fx_px=700.0, fy_px=705.0, cx_px=640.0, cy_px=395.0,
        distortion=(-0.2, 0.05, 0.001, -0.001, 0.0), noise=CameraNoise(detector="measured", corner_sd_px=0.2),
    )  # fmt: skip
    fisheye = Camera(
        width_px=1280, height_px=800, fx_px=500.0, fy_px=500.0, cx_px=640.0, cy_px=400.0,
        distortion=(0.05, -0.01, 0.003, -0.001), model="fisheye", noise=CameraNoise(detector="fitted"),
    )  # fmt: skip
    plain = Camera.from_field_of_view(640, 400, 80.0)  # small pictures: many markers are read now and then
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
            Mount(name="c", camera=plain, position=(-0.3, 0.0, 0.4), yaw_deg=-140.0),
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
    """Return robot poses spread over the floor."""
    rng = np.random.default_rng(seed)
    return np.column_stack([rng.uniform(0.5, 5.5, (count, 2)), rng.uniform(-np.pi, np.pi, count)])


def cross_matrix(vector) -> np.ndarray:
    """Return [v]x."""
    x, y, z = vector
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


class Sighting:
    """What one mount sees of one marker from one pose, in plain numpy; `probability` is 0 where it sees nothing."""

    def __init__(self, study, pose, mount, marker):
        self.study, self.mount, self.marker = study, mount, marker
        self.field_from_robot = field_from_robot_on_floor(pose[0], pose[1], math.degrees(pose[2]))
        self.corners_robot = self.field_from_robot.inv().apply(marker.corners_field)
        self.centre_robot = self.corners_robot.mean(axis=0)
        camera_from_robot = mount.robot_from_camera.inv()
        self.pixels, valid, by_pose, _ = mount.camera.project_with_jacobian(self.corners_robot, camera_from_robot)
        self.probability = self.sd_px = 0.0
        depth = camera_from_robot.apply(self.corners_robot)[:, 2]
        if valid.all() and (depth > 0.05).all() and mount.camera.in_picture(self.pixels, BORDER_INSET_PX).all():
            self._look()
        if self.probability:
            rotation, _ = parts(camera_from_robot)
            moving = np.array([np.hstack([-np.eye(3), cross_matrix(p)]) for p in self.corners_robot])
            self.rows = (by_pose[:, :, :3] @ rotation @ moving).reshape(8, 6)
            centred = (self.pixels - [mount.camera.cx_px, mount.camera.cy_px]).ravel()
            errors, mean = self._corner_errors()
            is_told = error_kind(mount.camera) == kernels.TOGETHER
            gain = self.rows.T @ (np.linalg.inv(errors) if is_told else np.eye(8) / self.sd_px**2)
            self.information, self.pull = gain @ self.rows, gain @ centred
            self.variation, self.mean = gain @ errors @ gain.T, gain @ mean

    def _corner_errors(self):
        """Return the covariance (8, 8) of the corners' errors and their mean (8,)."""
        if error_kind(self.mount.camera) == kernels.INDEPENDENT:
            return self.sd_px**2 * np.eye(8), np.zeros(8)
        lengths = np.linalg.norm(np.roll(self.pixels, -1, axis=0) - self.pixels, axis=1)
        pairs = np.array([lengths[0] + lengths[2], lengths[1] + lengths[3]])
        share = 1.0 / pairs / np.mean(1.0 / pairs) if error_kind(self.mount.camera) == kernels.TOGETHER else np.ones(2)
        corners = np.linalg.inv(np.array([ways(step.reshape(4, 2), self.pixels) for step in np.eye(8)]).T)
        sds = np.sqrt(np.outer(share, self.kinds[1:] ** 2).ravel())
        alike = np.eye(8)
        alike[[0, 7], [7, 0]], alike[[4, 3], [3, 4]] = -coupling(self.mount.camera), coupling(self.mount.camera)
        inwards = np.zeros(8)
        inwards[[1, 5]] = -self.kinds[0]
        return corners @ (np.outer(sds, sds) * alike) @ corners.T, corners @ inwards

    def _look(self):
        pupil_field = self.field_from_robot.apply(np.array(self.mount.position))
        to_camera = pupil_field - np.array(self.marker.position)
        cosine = to_camera @ parts(self.marker.field_from_marker)[0][:, 2] / np.linalg.norm(to_camera)
        if cosine < math.cos(math.radians(70.0)):
            return
        targets = np.vstack([self.marker.corners_field, self.marker.position])
        boxes = np.array([upright_box(o.corner_min, o.corner_max) for o in self.study.field.obstacles])
        if hidden_points(boxes, pupil_field, targets).any():
            return
        cells = self.study.field.family.cells(self.study.field.border_cells)
        tables = [*camera_tables(self.mount.camera, cells=cells), *corner_kinds(self.mount.camera, cells=cells)]
        self.sd_px, probability, *kinds = (
            bilinear(table, self.shorter_px(), math.degrees(math.acos(cosine))) for table in tables
        )
        self.kinds = np.array(kinds)
        self.probability = probability if probability >= 0.02 else 0.0

    def shorter_px(self) -> float:
        """Return the area over the longest side."""
        x, y = self.pixels.T
        area = 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
        return area / np.linalg.norm(self.pixels - np.roll(self.pixels, -1, axis=0), axis=1).max()

    def seen_in(self, state) -> bool:
        """Return whether the robot's own structure leaves the view free."""
        if not self.probability:
            return False
        points = np.vstack([self.corners_robot, self.centre_robot])
        return not hidden_points(self.study.robot.boxes(state), np.array(self.mount.position), points).any()


def ways(steps, pixels) -> np.ndarray:
    """Return shift, size, turn and taper of edges 0 and 2 and then 1 and 3, for steps (4, 2) of corners (4, 2)."""
    along = np.roll(pixels, -1, axis=0) - pixels
    outward = np.column_stack([along[:, 1], -along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
    first, last = (steps * outward).sum(axis=1), (np.roll(steps, -1, axis=0) * outward).sum(axis=1)
    middle, end = (first + last) / 2.0, (last - first) / 2.0
    both = [(middle[:2], middle[2:]), (end[:2], end[2:])]
    four = [both[0][0] - both[0][1], both[0][0] + both[0][1], both[1][0] + both[1][1], both[1][0] - both[1][1]]
    return np.array(four).T.ravel() / 2.0


def bilinear(table, width_px, facing_deg) -> float:
    """Return a table's value, straight in log width and in facing angle."""
    knots = 2.0 + np.arange(65) / 8.0
    by_facing = [np.interp(math.log2(width_px), knots, column) for column in table.T]
    return float(np.interp(facing_deg, np.arange(0.0, 71.0, 10.0), by_facing))


def spread_root(information, turning_point, sd_m, sd_rad) -> np.ndarray:
    """Return L T S^1/2 (6, 6) for a piece that turns about that point of the robot; times its transpose, a spread."""
    moving = np.block([[np.eye(3), cross_matrix(turning_point)], [np.zeros((3, 3)), np.eye(3)]])
    return information @ moving @ np.diag([sd_m] * 3 + [sd_rad] * 3)


def spread_roots(study, sightings) -> np.ndarray:
    """Return (6, P): times its own transpose, what unknown mounts, focal lengths and markers do to the information."""
    built = study.tolerance
    roots = []
    for mount in {s.mount.name: s.mount for s in sightings}.values():
        own = [s for s in sightings if s.mount is mount]
        summed = sum(s.information for s in own)
        roots.append(spread_root(summed, mount.position, built.mount_sd_m, math.radians(built.mount_sd_deg)))
        roots.append(built.focal_sd_percent / 100.0 * sum(s.pull for s in own)[:, None])
    for marker in {s.marker.marker_id: s.marker for s in sightings}.values():
        own = [s for s in sightings if s.marker is marker]
        summed = sum(s.information for s in own)
        roots.append(spread_root(summed, own[0].centre_robot, built.marker_sd_m, math.radians(built.marker_sd_deg)))
    return np.hstack(roots)
