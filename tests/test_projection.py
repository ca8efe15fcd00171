"""The lens models against hand-worked values, OpenCV, finite differences and a plain numpy twin."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from fiducialkit import Camera
from fiducialkit.scene.projection import PARAMETERS, valid_radius
from fiducialkit.scene.transforms import rigid_transform, skew

SIZE = {"width_px": 1280, "height_px": 960}
PINHOLE = {"fx_px": 800.0, "fy_px": 790.0, "cx_px": 645.5, "cy_px": 470.25}
LENSES = {
    "brown 0": ("brown", ()),
    "brown 4": ("brown", (-0.28, 0.09, 0.0012, -0.0007)),
    "brown 5": ("brown", (-0.31, 0.12, 0.0011, 0.0008, -0.021)),
    "rational 8": ("rational", (0.6, -0.25, 0.0006, -0.0009, 0.03, 0.95, -0.18, 0.04)),
    "fisheye 4": ("fisheye", (0.05, -0.011, 0.0031, -0.0012)),
}


def lens(name: str) -> Camera:
    model, distortion = LENSES[name]
    return Camera(**SIZE, **PINHOLE, model=model, distortion=distortion)


def straight(**others: object) -> Camera:
    """The common scene of the checks: 1280x960, f = 800, axis in the middle, no distortion unless given."""
    return Camera(**SIZE, fx_px=800.0, fy_px=800.0, cx_px=639.5, cy_px=479.5, **others)


def twin(camera: Camera, points: np.ndarray) -> np.ndarray:
    """The formulas of the module's head in plain numpy, written a second time."""
    x, y = points[:, 0] / points[:, 2], points[:, 1] / points[:, 2]
    r = np.hypot(x, y)
    if camera.model == "fisheye":
        theta = np.arctan(r)
        bent = theta + sum(k * theta ** (2 * i + 3) for i, k in enumerate(camera.distortion))
        scale = np.divide(bent, r, out=np.ones_like(r), where=r > 0)
        x2, y2 = x * scale, y * scale
    else:
        k1, k2, p1, p2, k3, k4, k5, k6 = (*camera.distortion, *[0.0] * 8)[:8]
        radial = (1 + k1 * r**2 + k2 * r**4 + k3 * r**6) / (1 + k4 * r**2 + k5 * r**4 + k6 * r**6)
        x2 = x * radial + 2 * p1 * x * y + p2 * (r**2 + 2 * x**2)
        y2 = y * radial + p1 * (r**2 + 2 * y**2) + 2 * p2 * x * y
    return np.column_stack([camera.fx_px * x2 + camera.cx_px, camera.fy_px * y2 + camera.cy_px])


def points_in_front(camera: Camera, count: int, seed: int) -> np.ndarray:
    """Points whose directions fill the valid disc (up to 75 degrees), at 0.2 to 8 m."""
    rng = np.random.default_rng(seed)
    reach = min(camera.valid_radius, math.tan(math.radians(75.0))) * (1 - 1e-6)
    r, angle, depth = reach * np.sqrt(rng.random(count)), 2 * np.pi * rng.random(count), rng.uniform(0.2, 8.0, count)
    return np.column_stack([r * np.cos(angle) * depth, r * np.sin(angle) * depth, depth])


def opencv_projection(
    camera: Camera, points: np.ndarray, rvec: np.ndarray, tvec: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return pixels, d/d(rvec, tvec) (N, 2, 6) and d/d(fx, fy, cx, cy, distortion) from OpenCV."""
    matrix = np.array([[camera.fx_px, 0, camera.cx_px], [0, camera.fy_px, camera.cy_px], [0, 0, 1.0]])
    count, coefficients = len(points), len(camera.distortion)
    if camera.model == "fisheye":
        pixels, jacobian = cv2.fisheye.projectPoints(
            points.reshape(1, -1, 3), rvec, tvec, matrix, np.array(camera.distortion)
        )
        jacobian = np.asarray(jacobian).reshape(count, 2, -1)
        return np.asarray(pixels).reshape(-1, 2), jacobian[:, :, 8:14], jacobian[:, :, :8]
    distortion = np.array(camera.distortion) if coefficients else None
    pixels, jacobian = cv2.projectPoints(points, rvec, tvec, matrix, distortion)
    jacobian = np.asarray(jacobian).reshape(count, 2, -1)
    return np.asarray(pixels).reshape(-1, 2), jacobian[:, :, :6], jacobian[:, :, 6 : 10 + coefficients]


def left_jacobian(vector: np.ndarray) -> np.ndarray:
    """Left Jacobian of SO(3): exp(v + d) = exp(J d) exp(v) for small d."""
    angle = float(np.linalg.norm(vector))
    cross = skew(vector)
    first, second = (1 - math.cos(angle)) / angle**2, (angle - math.sin(angle)) / angle**3
    return np.eye(3) + first * cross + second * cross @ cross


# hand-worked


@pytest.mark.parametrize("name", LENSES)
def test_a_point_on_the_axis_lands_on_the_principal_point(name: str) -> None:
    pixels, valid = lens(name).project([[0.0, 0.0, 2.0]])
    assert valid.all()
    assert pixels[0] == pytest.approx([645.5, 470.25], abs=1e-12)


def test_pinhole_at_45_degrees_lands_one_focal_length_away() -> None:
    pixels, _ = straight().project([[3.0, 0.0, 3.0], [0.0, -0.5, 0.5]])
    assert pixels == pytest.approx(np.array([[639.5 + 800.0, 479.5], [639.5, 479.5 - 800.0]]))


def test_fisheye_without_coefficients_is_equidistant() -> None:
    # at 45 degrees r = f pi / 4; at 60 degrees (tan = sqrt 3) r = f pi / 3
    pixels, _ = straight(model="fisheye", distortion=(0, 0, 0, 0)).project([[1.0, 0.0, 1.0], [0.0, 3**0.5, 1.0]])
    expected = np.array([[639.5 + 200.0 * math.pi, 479.5], [639.5, 479.5 + 800.0 * math.pi / 3]])
    assert pixels == pytest.approx(expected)


def test_k1_only_worked_by_hand() -> None:
    # x = 0.5, y = 0: r^2 = 0.25, factor 1 - 0.2 * 0.25 = 0.95, x' = 0.475, u = 639.5 + 380
    # x = 0.3, y = 0.4: r^2 = 0.25, u = 639.5 + 800 * 0.285, v = 479.5 + 800 * 0.38
    pixels, _ = straight(distortion=(-0.2, 0, 0, 0)).project([[0.5, 0.0, 1.0], [0.6, 0.8, 2.0]])
    assert pixels == pytest.approx(np.array([[1019.5, 479.5], [867.5, 783.5]]))


def test_decentring_worked_by_hand() -> None:
    # x = 0.5, y = 0.25, r^2 = 0.3125, p1 = 0.01, p2 = 0.02
    # dx = 2 p1 x y + p2 (r^2 + 2 x^2) = 0.0025 + 0.02 * 0.8125 = 0.01875
    # dy = p1 (r^2 + 2 y^2) + 2 p2 x y = 0.01 * 0.4375 + 0.005 = 0.009375
    pixels, _ = straight(distortion=(0, 0, 0.01, 0.02)).project([[0.5, 0.25, 1.0]])
    assert pixels[0] == pytest.approx([639.5 + 800 * 0.51875, 479.5 + 800 * 0.259375])


# second implementations


@pytest.mark.parametrize("name", LENSES)
def test_projection_agrees_with_its_numpy_twin(name: str) -> None:
    camera = lens(name)
    points = points_in_front(camera, 5000, seed=1)
    pixels, valid = camera.project(points)
    assert valid.all()
    assert pixels == pytest.approx(twin(camera, points), abs=1e-9)


@pytest.mark.parametrize("name", LENSES)
def test_projection_and_jacobians_agree_with_opencv(name: str) -> None:
    # source: cv2.projectPoints and cv2.fisheye.projectPoints of the installed OpenCV
    camera = lens(name)
    rng = np.random.default_rng(2)
    for _ in range(10):
        rvec, tvec = rng.normal(size=3), rng.normal(size=3)
        rotation = Rotation.from_rotvec(rvec)
        points = rotation.inv().apply(points_in_front(camera, 100, seed=int(rng.integers(1 << 30))) - tvec)
        cv_pixels, cv_pose, cv_intrinsics = opencv_projection(camera, points, rvec, tvec)
        camera_from_points = rigid_transform(rotation, tvec)
        pixels, valid, by_pose, by_intrinsics = camera.project_with_jacobian(points, camera_from_points)
        assert valid.all()
        assert pixels == pytest.approx(cv_pixels, abs=1e-7)
        # ours: p -> p + w x p + t about the camera's origin, OpenCV's: rvec -> rvec + d turns about the points' origin
        by_rvec = (by_pose[:, :, 3:] + by_pose[:, :, :3] @ skew(tvec)) @ left_jacobian(rvec)
        assert by_rvec == pytest.approx(cv_pose[:, :, :3], rel=1e-6, abs=1e-4)
        assert by_pose[:, :, :3] == pytest.approx(cv_pose[:, :, 3:], rel=1e-6, abs=1e-4)
        assert by_intrinsics.shape == cv_intrinsics.shape
        assert by_intrinsics == pytest.approx(cv_intrinsics, rel=1e-7, abs=1e-6)


@pytest.mark.parametrize("name", LENSES)
def test_pose_jacobian_agrees_with_finite_differences(name: str) -> None:
    camera = lens(name)
    points = points_in_front(camera, 200, seed=3)
    points = points[np.hypot(points[:, 0], points[:, 1]) < 0.95 * camera.valid_radius * points[:, 2]]
    by_pose = camera.project_with_jacobian(points)[2]
    step = 1e-6
    for k in range(6):
        change = np.zeros(6)
        change[k] = step
        moved = [
            twin(camera, Rotation.from_rotvec(sign * change[3:]).apply(points) + sign * change[:3]) for sign in (1, -1)
        ]
        numeric = (moved[0] - moved[1]) / (2 * step)
        assert by_pose[:, :, k] == pytest.approx(numeric, rel=1e-5, abs=1e-3)


@pytest.mark.parametrize("name", LENSES)
def test_intrinsics_jacobian_agrees_with_finite_differences(name: str) -> None:
    camera = lens(name)
    points = points_in_front(camera, 200, seed=4)
    by_intrinsics = camera.project_with_jacobian(points)[3]
    names = ("fx_px", "fy_px", "cx_px", "cy_px")
    values = {key: getattr(camera, key) for key in names}
    columns = [*names, *range(len(camera.distortion))]
    assert by_intrinsics.shape == (200, 2, len(columns))
    for column, key in enumerate(columns):
        step = 1e-3 if isinstance(key, str) else 1e-6
        moved = []
        for sign in (1, -1):
            changed, distortion = dict(values), list(camera.distortion)
            if isinstance(key, str):
                changed[key] += sign * step
            else:
                distortion[key] += sign * step
            moved.append(twin(Camera(**SIZE, **changed, model=camera.model, distortion=distortion), points))
        numeric = (moved[0] - moved[1]) / (2 * step)
        assert by_intrinsics[:, :, column] == pytest.approx(numeric, rel=1e-5, abs=1e-4)


@pytest.mark.parametrize("name", LENSES)
def test_the_bend_is_a_gradient_so_its_jacobian_is_symmetric(name: str) -> None:
    # what the one-to-one argument of valid_radius rests on, seen from outside: with fx = fy, du/dy = dv/dx at z = 1
    model, distortion = LENSES[name]
    camera = straight(model=model, distortion=distortion)
    points = points_in_front(camera, 500, seed=5)
    by_point = camera.project_with_jacobian(points / points[:, 2:])[2][:, :, :3]
    assert by_point[:, 0, 1] == pytest.approx(by_point[:, 1, 0], abs=1e-9)


# what never projects


def test_a_point_behind_the_camera_never_projects() -> None:
    # A20: stock projection puts (0.1, 0.1, -2) at pixel (599.5, 439.5), inside the picture
    by_opencv, _ = cv2.projectPoints(
        np.array([[0.1, 0.1, -2.0]]),
        np.zeros(3),
        np.zeros(3),
        np.array([[800, 0, 639.5], [0, 800, 479.5], [0, 0, 1]]),
        None,
    )
    assert by_opencv.ravel() == pytest.approx([599.5, 439.5])
    for name in LENSES:
        pixels, valid, by_pose, by_intrinsics = lens(name).project_with_jacobian([[0.1, 0.1, -2.0], [0.1, 0.1, 0.0]])
        assert not valid.any()
        assert np.isnan(pixels).all()
        assert np.isnan(by_pose).all()
        assert np.isnan(by_intrinsics).all()


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    name=st.sampled_from(sorted(LENSES)),
    x=st.floats(-50, 50),
    y=st.floats(-50, 50),
    z=st.floats(-50, 50),
)
def test_only_points_in_front_and_inside_the_valid_radius_project(name: str, x: float, y: float, z: float) -> None:
    camera = lens(name)
    pixels, valid = camera.project([[x, y, z]])
    if z <= 0.0 or math.hypot(x, y) > camera.valid_radius * z * (1 + 1e-9):
        assert not valid[0]
        assert np.isnan(pixels[0]).all()
    elif z > 1e-3 and math.hypot(x, y) < camera.valid_radius * z * (1 - 1e-9):
        assert valid[0]
        assert np.isfinite(pixels[0]).all()


# the valid radius


@pytest.mark.parametrize("k1", [-0.05, -0.2, -0.35, -1.2])
def test_valid_radius_of_k1_alone_has_a_closed_form(k1: float) -> None:
    # d/dr (r + k1 r^3) = 0 at r = 1 / sqrt(-3 k1)
    assert straight(distortion=(k1, 0, 0, 0)).valid_radius == pytest.approx(1 / math.sqrt(-3 * k1), rel=1e-7)


def test_valid_radius_of_a_fisheye_has_a_closed_form() -> None:
    # d/dt (t + k1 t^3) = 0 at t = 1 / sqrt(-3 k1); k1 = -1/3 gives 1 rad
    camera = straight(model="fisheye", distortion=(-1 / 3, 0, 0, 0))
    assert camera.valid_radius == pytest.approx(math.tan(1.0), rel=1e-6)
    assert camera.valid_angle_deg == pytest.approx(math.degrees(1.0), rel=1e-7)


def test_valid_radius_of_decentring_alone_worked_by_hand() -> None:
    # p2 alone: x' = x + p2 (r^2 + 2 x^2) along y = 0 is x + 3 p2 x^2, whose slope 1 + 6 p2 x vanishes at -1 / (6 p2);
    # with q = p2 r the determinant (1 + 6qc)(1 + 2qc) - 4 q^2 s^2 is least on that line as long as q < 1/4
    assert straight(distortion=(0, 0, 0, 0.05)).valid_radius == pytest.approx(1 / 0.3, rel=1e-6)
    assert straight(distortion=(0, 0, 0.05, 0)).valid_radius == pytest.approx(1 / 0.3, rel=1e-6)
    assert straight(distortion=(0, 0, 0.03, 0.04)).valid_radius == pytest.approx(1 / 0.3, rel=1e-6)


@pytest.mark.parametrize(
    "distortion",
    [
        (-0.35, 0.12, 0.001, 0.001, -0.02),
        (-0.35, 0.12, 0.02, -0.03, -0.02),
        (-0.3, 0.0, 0.05, 0.05),
        (-0.9, 0.2, 0.0, 0.12),
        (0.2, -0.5, 0.03, 0.0, 0.1),
        (0.6, -0.25, 0.006, -0.009, 0.03, 0.95, -0.18, 0.04),
        (-0.2, 0.01, 0.0, 0.01, 0.0, -0.4, 0.0, 0.0),
    ],
)
def test_valid_radius_is_where_the_determinant_first_vanishes(distortion: tuple[float, ...]) -> None:
    model = "rational" if len(distortion) == 8 else "brown"
    camera = straight(model=model, distortion=distortion)
    r = np.linspace(1e-3, min(1.1 * camera.valid_radius, 20.0), 4000)
    # at most 1.5 degrees beside the worst direction: the fold is farther out there by .0003 of its swing
    angle = np.linspace(0.0, 2 * np.pi, 121)
    x, y = np.outer(r, np.cos(angle)).ravel(), np.outer(r, np.sin(angle)).ravel()

    def bent(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return twin(camera, np.column_stack([x, y, np.ones_like(x)])) / 800.0

    h = 1e-5
    by_x, by_y = (bent(x + h, y) - bent(x - h, y)) / (2 * h), (bent(x, y + h) - bent(x, y - h)) / (2 * h)
    determinant = (by_x[:, 0] * by_y[:, 1] - by_x[:, 1] * by_y[:, 0]).reshape(len(r), -1)
    folded = (determinant <= 0.0).any(axis=1)
    if math.isfinite(camera.valid_radius) and camera.valid_radius < 18.0:
        first = r[np.flatnonzero(folded)[0]]
        assert camera.valid_radius == pytest.approx(first, abs=3 * (r[1] - r[0]))
    assert not folded[r < camera.valid_radius - 2 * (r[1] - r[0])].any()


def test_with_decentring_the_radial_fold_alone_would_let_two_directions_share_a_pixel() -> None:
    # why the radius is cut back: beyond it, yet inside the fold of the radial curve, lies a pair with one pixel
    radial_only = straight(distortion=(-0.35, 0.12, 0, 0, -0.02)).valid_radius
    camera = straight(distortion=(-0.35, 0.12, 0.0, 0.02, -0.02))
    assert camera.valid_radius < radial_only - 0.05
    x = -np.linspace(0.0, radial_only, 2001)
    u = twin(camera, np.column_stack([x, 0 * x, 1 + 0 * x]))[:, 0]
    turning = int(np.argmin(u))
    assert 0 < turning < 2000
    assert -x[turning] == pytest.approx(camera.valid_radius, abs=2e-3)


def test_without_distortion_every_direction_in_front_is_valid() -> None:
    assert math.isinf(straight().valid_radius)
    assert straight().project([[1e5, 0.0, 1.0]])[1].all()
    # a barrel too weak to fold within 89.9 degrees is still held to that angle, where it was looked at
    assert straight(distortion=(-1e-8, 0, 0, 0)).valid_angle_deg == pytest.approx(89.9)


def test_a_lens_whose_denominator_vanishes_is_valid_up_to_the_pole_at_most() -> None:
    # k4 = -1: the denominator 1 - r^2 is zero at r = 1
    camera = straight(model="rational", distortion=(0, 0, 0, 0, 0, -1.0, 0, 0))
    assert camera.valid_radius <= 1.0
    assert camera.valid_radius == pytest.approx(1.0, abs=1e-3)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    k=st.tuples(*[st.floats(-0.5, 0.5)] * 3),
    p=st.tuples(*[st.floats(-0.03, 0.03)] * 2),
    angle=st.floats(0, 2 * math.pi),
)
def test_along_every_ray_the_bent_direction_moves_on_up_to_the_valid_radius(
    k: tuple[float, ...], p: tuple[float, ...], angle: float
) -> None:
    # positive definite Jacobian: the component along the ray rises strictly
    row = np.zeros(PARAMETERS)
    row[:4] = 800.0, 800.0, 639.5, 479.5
    row[5:10] = k[0], k[1], p[0], p[1], k[2]
    reach = min(valid_radius(0, row), 5.0) * 0.9999
    r = np.linspace(0.0, reach, 200)
    direction = np.array([math.cos(angle), math.sin(angle)])
    camera = straight(distortion=(k[0], k[1], p[0], p[1], k[2]))
    pixels, valid = camera.project(np.column_stack([np.outer(r, direction), np.ones_like(r)]))
    assert valid.all()
    assert (np.diff((pixels - [639.5, 479.5]) @ direction) > 0.0).all()


# unprojection


@pytest.mark.parametrize("name", LENSES)
def test_unprojection_round_trip_over_the_whole_picture(name: str) -> None:
    camera = lens(name)
    u, v = np.meshgrid(np.linspace(0, 1279, 161), np.linspace(0, 959, 121))
    pixels = np.column_stack([u.ravel(), v.ravel()])
    directions, found = camera.unproject(pixels)
    assert found.mean() > 0.9
    back, valid = camera.project(np.column_stack([directions[found], np.ones(found.sum())]))
    assert valid.all()
    assert back == pytest.approx(pixels[found], abs=1e-6)
    assert np.isnan(directions[~found]).all()


@pytest.mark.parametrize(
    "distortion",
    [*(d for m, d in LENSES.values() if m == "brown"), (-0.35, 0.12, 0.02, -0.03, -0.02), (-0.3, 0, 0.05, 0.05)],
)
def test_every_direction_inside_the_valid_radius_is_found_again(distortion: tuple[float, ...]) -> None:
    camera = straight(distortion=distortion)
    points = points_in_front(camera, 20000, seed=6)
    points /= points[:, 2:]
    pixels, valid = camera.project(points)
    directions, found = camera.unproject(pixels)
    assert valid.all()
    assert found.all()
    # at the fold the pixel's error is magnified without bound: 1e-6 of the radius away from it, by some 1e3
    assert np.abs(directions - points[:, :2]).max() < 1e-9


@pytest.mark.parametrize("name", ["rational 8", "fisheye 4"])
def test_wide_lenses_find_their_directions_again(name: str) -> None:
    camera = lens(name)
    points = points_in_front(camera, 20000, seed=7)
    directions, found = camera.unproject(camera.project(points)[0])
    assert found.all()
    assert np.abs(directions - points[:, :2] / points[:, 2:]).max() < 1e-9


def test_fisheye_is_found_again_up_to_the_edge_of_the_half_space() -> None:
    camera = straight(model="fisheye", distortion=(0.02, -0.004, 0.0, 0.0))
    angle = np.radians(np.linspace(1.0, 89.8, 400))
    points = np.column_stack([np.sin(angle) * 0.6, np.sin(angle) * 0.8, np.cos(angle)])
    directions, found = camera.unproject(camera.project(points)[0])
    assert found.all()
    assert np.arctan(np.hypot(*directions.T)) == pytest.approx(angle, abs=1e-9)


def test_pixels_beyond_the_fold_are_flagged_not_invented() -> None:
    # A26: the stock inverse is off by 162 px and 26 670 px at these two pixels, without an error
    camera = straight(distortion=(-0.35, 0.12, 0.001, 0.001, -0.02))
    corners = np.array([[0.0, 0.0], [1279.0, 959.0]])
    matrix = np.array([[800.0, 0, 639.5], [0, 800.0, 479.5], [0, 0, 1]])
    stock = cv2.undistortPoints(corners.reshape(-1, 1, 2), matrix, np.array(camera.distortion)).reshape(-1, 2)
    back, _ = cv2.projectPoints(
        np.column_stack([stock, np.ones(2)]), np.zeros(3), np.zeros(3), matrix, np.array(camera.distortion)
    )
    assert (np.linalg.norm(back.reshape(-1, 2) - corners, axis=1) > 100.0).all()
    directions, found = camera.unproject(corners)
    assert not found.any()
    assert np.isnan(directions).all()


def test_just_inside_and_just_outside_the_fold() -> None:
    # k1 = -0.25: fold at r = 1 / sqrt(0.75), where r' = 2/3 r, so 800 * 0.7698 = 615.84 px from the axis
    camera = straight(distortion=(-0.25, 0, 0, 0))
    fold_px = 800.0 * (2.0 / 3.0) / math.sqrt(0.75)
    for angle in np.radians([0.0, 37.0, 145.0, 290.0]):
        outward = np.array([math.cos(angle), math.sin(angle)])
        pixels = np.array([639.5, 479.5]) + np.outer([fold_px - 0.01, fold_px + 0.01], outward)
        directions, found = camera.unproject(pixels)
        assert found.tolist() == [True, False]
        back = camera.project([[*directions[0], 1.0]])[0]
        assert back[0] == pytest.approx(pixels[0], abs=1e-6)


def test_a_pixel_that_is_not_a_number_is_flagged() -> None:
    for name in LENSES:
        directions, found = lens(name).unproject([[math.nan, 3.0], [math.inf, 3.0], [645.5, 470.25]])
        assert found.tolist() == [False, False, True]
        assert np.isnan(directions[:2]).all()
        assert directions[2].tolist() == [0.0, 0.0]


@settings(max_examples=100, deadline=None, derandomize=True)
@given(
    name=st.sampled_from(sorted(LENSES)),
    u=st.floats(-3000, 4000),
    v=st.floats(-3000, 4000),
)
def test_whatever_is_found_projects_back_onto_its_pixel(name: str, u: float, v: float) -> None:
    camera = lens(name)
    directions, found = camera.unproject([[u, v]])
    if found[0]:
        back, valid = camera.project([[*directions[0], 1.0]])
        assert valid[0]
        assert back[0] == pytest.approx([u, v], abs=1e-6)
    else:
        assert np.isnan(directions).all()
