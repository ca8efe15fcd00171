"""The compiled least squares against a plain numpy twin and against differences of the cost."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fiducialkit import Camera
from fiducialkit.scene.markers import corners_of_square
from fiducialkit.scene.transforms import parts, rigid_transform, robot_from_camera_angles
from fiducialkit.solving import kernels

LENSES = {
    "pinhole": Camera(width_px=1280, height_px=800, fx_px=830.0, fy_px=820.0, cx_px=641.0, cy_px=396.0),
    "brown": Camera(
        width_px=1280, height_px=800, fx_px=830.0, fy_px=820.0, cx_px=641.0, cy_px=396.0,
        distortion=(-0.12, 0.04, 0.001, -0.002, -0.006),
    ),
    "rational": Camera(
        width_px=1280, height_px=800, fx_px=700.0, fy_px=705.0, cx_px=630.0, cy_px=410.0, model="rational",
        distortion=(0.4, 0.05, 0.0007, -0.0004, 0.002, 0.7, 0.12, 0.01),
    ),
    "fisheye": Camera(
        width_px=1280, height_px=800, fx_px=420.0, fy_px=421.0, cx_px=645.0, cy_px=402.0, model="fisheye",
        distortion=(0.03, -0.008, 0.002, -0.0005),
    ),
}  # fmt: skip
MOUNTS = (
    robot_from_camera_angles([0.25, 0.2, 0.4], 20.0, 5.0, 3.0),
    robot_from_camera_angles([0.2, -0.25, 0.45], -25.0, 10.0, -4.0),
)
NO_PRIOR = np.zeros(kernels.PRIOR)


class Problem:
    """Arrays for the kernel: three markers ahead of a robot near (2, 1), seen by two cameras, with ragged noise."""

    def __init__(self, cameras, prior, tilt_deg=0.0, heading_deg=10.0):
        rng = np.random.default_rng(7)
        turn = Rotation.from_euler("zyx", [heading_deg, tilt_deg, 0.6 * tilt_deg], degrees=True).as_matrix()
        self.rotation, self.position = turn, np.array([2.0, 1.0, 0.02])
        self.prior = np.array(prior, dtype=np.float64)
        self.cameras = cameras
        ahead = [
            (camera, robot_from_camera)
            for camera, robot_from_camera in zip(cameras, MOUNTS[: len(cameras)], strict=True)
        ]
        corners, pixels, self.camera_of = [], [], []
        for index, (camera, robot_from_camera) in enumerate(ahead):
            for shift in (-0.3, 0.1, 0.45):
                facing = Rotation.from_euler("xyz", [180.0 + 25.0 * shift, 40.0 * shift - 15.0, 30.0], degrees=True)
                camera_from_marker = rigid_transform(facing, [shift, 0.2 - 0.5 * shift, 1.6 + shift])
                points = camera_from_marker.apply(corners_of_square(0.17))
                projected, valid = camera.project(points)
                assert valid.all()
                corners.append(robot_from_camera.apply(points) @ turn.T + self.position)
                pixels.append(projected + rng.normal(scale=2.0, size=(4, 2)))
                self.camera_of.append(index)
        self.corners, self.pixels = np.array(corners), np.array(pixels)
        root = rng.normal(size=(len(corners), 8, 8)) + 4.0 * np.eye(8)
        self.covariance = root @ root.transpose(0, 2, 1) / 16.0
        self.whitening = np.linalg.inv(np.linalg.cholesky(self.covariance))
        inverses = [parts(mount.inv()) for mount in MOUNTS[: len(cameras)]]
        self.camera_rotations = np.array([r for r, _ in inverses])
        self.camera_offsets = np.array([t for _, t in inverses])

    def arrays(self):
        return (
            self.corners, self.pixels, self.whitening, np.array(self.camera_of),
            np.array([c.model_number for c in self.cameras]), np.array([c.parameters for c in self.cameras]),
            self.camera_rotations, self.camera_offsets, self.prior,
        )  # fmt: skip

    def kernel(self):
        information, gradient = np.empty((6, 6)), np.empty(6)
        chi2 = kernels.normal_equations(*self.arrays(), self.rotation, self.position, information, gradient)
        return chi2, information, gradient

    def residuals(self, step):
        """Whitened residuals after a step (dp, w): the numpy twin, one marker at a time, then the priors."""
        rotation = Rotation.from_rotvec(step[3:]).as_matrix() @ self.rotation
        position = self.position + step[:3]
        rows = []
        for m, camera_index in enumerate(self.camera_of):
            corners_robot = (self.corners[m] - position) @ rotation
            turn, offset = self.camera_rotations[camera_index], self.camera_offsets[camera_index]
            projected, _ = self.cameras[camera_index].project(corners_robot @ turn.T + offset)
            difference = (projected - self.pixels[m]).ravel()
            rows.append(np.linalg.solve(np.linalg.cholesky(self.covariance[m]), difference))
        rows.append(np.sqrt(self.prior[3:6]) * (position - self.prior[:3]))
        up = rotation[:, 2]
        across = np.cross([0.0, 0.0, 1.0], up)
        sine = float(np.linalg.norm(across))
        axis = across / sine if sine > 1e-12 else np.zeros(3)
        rows.append(math.sqrt(self.prior[6]) * (math.atan2(sine, up[2]) * axis)[:2])
        turned = math.atan2(rotation[1, 0], rotation[0, 0]) - self.prior[7]
        rows.append([math.sqrt(self.prior[8]) * math.atan2(math.sin(turned), math.cos(turned))])
        return np.concatenate(rows)

    def differences(self, size=1e-6):
        """Return chi squared, J'J and J'r with J by central differences of the twin."""
        residual = self.residuals(np.zeros(6))
        steps = size * np.eye(6)
        jacobian = np.array([(self.residuals(s) - self.residuals(-s)) / (2.0 * size) for s in steps]).T
        return residual @ residual, jacobian.T @ jacobian, jacobian.T @ residual


def check(problem):
    chi2, information, gradient = problem.kernel()
    twin_chi2, twin_information, twin_gradient = problem.differences()
    assert chi2 == pytest.approx(twin_chi2, rel=1e-11)
    scale = np.sqrt(np.diag(twin_information))
    np.testing.assert_allclose(
        information / np.outer(scale, scale), twin_information / np.outer(scale, scale), atol=2e-8
    )
    np.testing.assert_allclose(gradient / scale, twin_gradient / scale, atol=2e-8 * math.sqrt(twin_chi2))
    assert (information == information.T).all()


@pytest.mark.parametrize("lens", sorted(LENSES))
def test_information_and_gradient_of_every_lens_equal_the_twin(lens):
    check(Problem([LENSES[lens]], NO_PRIOR, tilt_deg=8.0))


def test_two_different_cameras_add_up():
    both = Problem([LENSES["brown"], LENSES["fisheye"]], NO_PRIOR, tilt_deg=-5.0)
    check(both)
    # and chi squared is the sum of what each camera gives alone
    kept = np.array(both.camera_of) == 0
    whole = both.kernel()[0]
    shares = []
    for keep in (kept, ~kept):
        part = Problem([LENSES["brown"], LENSES["fisheye"]], NO_PRIOR, tilt_deg=-5.0)
        part.corners, part.pixels = part.corners[keep], part.pixels[keep]
        part.whitening, part.camera_of = part.whitening[keep], np.array(part.camera_of)[keep]
        shares.append(part.kernel()[0])
    assert whole == pytest.approx(sum(shares), rel=1e-12)


PRIORS = {
    "position": [1.9, 1.2, 0.0, 50.0, 80.0, 1e4, 0.0, 0.0, 0.0],
    "level": [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 3e6, 0.0, 0.0],
    "heading": [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.3, 2e6],
    "all": [1.9, 1.2, 0.0, 50.0, 80.0, 1e4, 3e4, 0.3, 2e4],
}


@pytest.mark.parametrize("tilt_deg", [0.0, 0.001, 3.0, 40.0, 110.0])
@pytest.mark.parametrize("kind", sorted(PRIORS))
def test_priors_equal_the_twin_for_level_and_tilted_robots(kind, tilt_deg):
    problem = Problem([LENSES["pinhole"]], PRIORS[kind], tilt_deg=tilt_deg)
    if tilt_deg == 0.0:  # the twin's axis is undefined there; an unsmooth point for differences only
        problem.rotation = Rotation.from_rotvec([1e-7, -2e-7, 0.0]).as_matrix() @ problem.rotation
    check(problem)


@pytest.mark.parametrize(("heading_deg", "prior_deg"), [(179.9, -179.8), (-179.9, 179.8), (180.0, 179.99)])
def test_heading_prior_wraps_at_180_degrees(heading_deg, prior_deg):
    prior = np.zeros(kernels.PRIOR)
    prior[7], prior[8] = math.radians(prior_deg), 1e4
    problem = Problem([LENSES["pinhole"]], prior, heading_deg=heading_deg)
    check(problem)
    free = Problem([LENSES["pinhole"]], NO_PRIOR, heading_deg=heading_deg)
    turn_deg = (heading_deg - prior_deg + 180.0) % 360.0 - 180.0
    assert problem.kernel()[0] - free.kernel()[0] == pytest.approx(1e4 * math.radians(turn_deg) ** 2, rel=1e-6)


def test_level_prior_charges_a_robot_that_is_exactly_upside_down():
    # by hand: half a turn is pi, so chi squared is pi^2 / sd^2
    prior = np.zeros(kernels.PRIOR)
    prior[6] = 4.0
    problem = Problem([LENSES["pinhole"]], prior)
    problem.corners = problem.corners[:0]
    problem.pixels, problem.whitening, problem.camera_of = problem.pixels[:0], problem.whitening[:0], []
    for heading in (0.0, 0.7):
        flip = np.diag([1.0, -1.0, -1.0])
        problem.rotation = Rotation.from_euler("z", heading).as_matrix() @ flip
        problem.camera_of = np.zeros(0, dtype=np.int64)
        chi2, _, gradient = problem.kernel()
        assert chi2 == pytest.approx(4.0 * math.pi**2, rel=1e-12)
        assert np.linalg.norm(gradient) > 0.0  # and there is a way down


def test_chi_squared_is_infinite_where_a_corner_is_behind_the_camera():
    problem = Problem([LENSES["pinhole"]], NO_PRIOR)
    problem.rotation = Rotation.from_euler("z", 180.0, degrees=True).as_matrix() @ problem.rotation
    assert problem.kernel()[0] == math.inf


def test_refinement_reports_a_start_that_sees_nothing_as_impossible():
    problem = Problem([LENSES["pinhole"]], NO_PRIOR)
    rotation = Rotation.from_euler("z", 180.0, degrees=True).as_matrix() @ problem.rotation
    status, chi2 = kernels.refine_pose(*problem.arrays(), rotation, problem.position.copy(), np.empty((6, 6)))
    assert (status, chi2) == (kernels.IMPOSSIBLE, math.inf)


@pytest.mark.parametrize("lens", sorted(LENSES))
def test_refinement_ends_where_the_gradient_vanishes(lens):
    problem = Problem([LENSES[lens]], PRIORS["all"], tilt_deg=2.0)
    start_chi2 = problem.kernel()[0]
    rotation = Rotation.from_rotvec([0.05, -0.04, 0.06]).as_matrix() @ problem.rotation
    position = problem.position + np.array([0.1, -0.1, 0.05])
    information = np.empty((6, 6))
    status, chi2 = kernels.refine_pose(*problem.arrays(), rotation, position, information)
    assert status == kernels.CONVERGED
    problem.rotation, problem.position = rotation, position
    assert np.abs(rotation @ rotation.T - np.eye(3)).max() < 1e-12
    at_end, information_at_end, gradient = problem.kernel()
    assert at_end == pytest.approx(chi2, rel=1e-12) and at_end < start_chi2
    np.testing.assert_allclose(information, information_at_end, rtol=1e-9, atol=1e-6)
    # the step still left, in standard deviations
    assert gradient @ np.linalg.solve(information, gradient) < 1e-10


@pytest.mark.parametrize(
    "vector", [[0.0, 0.0, 0.0], [1e-9, -2e-9, 3e-9], [1e-5, 0.0, 0.0], [0.3, -0.2, 0.9], [0.0, 3.1, 0.3]]
)
def test_rotation_vector_against_scipy(vector):
    out = np.empty((3, 3))
    kernels.rotation_of(*vector, out)
    np.testing.assert_allclose(out, Rotation.from_rotvec(vector).as_matrix(), atol=1e-15)


def test_cholesky_solves_and_refuses():
    root = np.random.default_rng(3).normal(size=(6, 6))
    matrix, vector = root @ root.T + np.eye(6), np.arange(6.0)
    solution = np.empty(6)
    assert kernels.cholesky_solve(matrix, vector, np.zeros((6, 6)), solution)
    np.testing.assert_allclose(matrix @ solution, vector, atol=1e-12)
    for bad in (
        np.diag([1.0, 1.0, 0.0, 1.0, 1.0, 1.0]),
        np.diag([1.0, -1.0, 1.0, 1.0, 1.0, 1.0]),
        np.full((6, 6), np.nan),
    ):
        assert not kernels.cholesky_solve(bad, vector, np.zeros((6, 6)), solution)
