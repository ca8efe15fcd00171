"""Compiled weighted least squares for one robot pose.

The pose is field_from_robot, a rotation matrix and a position; a step is a small translation and a small rotation
vector, both in field: ``p -> p + dp``, ``R -> exp(w) R``. Residuals of a marker are its eight corner coordinates times
a whitening matrix W with ``W' W = inverse(covariance)``. Derivatives: derived here.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.scene.projection import project_point_jacobian, square_to_quadrilateral
from fiducialkit.small_matrices import cholesky, solve_cholesky

# prior row: x, y, z means; their inverse variances; level inverse variance; heading mean; heading inverse variance
PRIOR = 9
CONVERGED, NOT_CONVERGED, IMPOSSIBLE = 0, 1, 2
_MAX_ITERATIONS = 100
_LEAST_SHARE = 1e-14  # of metres and radians together, left unscaled


@kernel
def cholesky_solve(matrix, vector, lower, solution):
    """Solve the positive definite n x n system; return False if it is not positive definite."""
    if not cholesky(matrix, 0.0, lower, _LEAST_SHARE):
        return False
    solution[:] = vector
    solve_cholesky(lower, solution)
    return True


@kernel
def rotation_of(wx, wy, wz, out):
    """Write exp of the rotation vector as a matrix (Rodrigues)."""
    angle2 = wx * wx + wy * wy + wz * wz
    angle = math.sqrt(angle2)
    if angle < 1e-6:
        a = 1.0 - angle2 / 6.0
        b = 0.5 - angle2 / 24.0
    else:
        a = math.sin(angle) / angle
        b = (1.0 - math.cos(angle)) / angle2
    out[0, 0] = 1.0 - b * (wy * wy + wz * wz)
    out[1, 1] = 1.0 - b * (wx * wx + wz * wz)
    out[2, 2] = 1.0 - b * (wx * wx + wy * wy)
    out[0, 1] = b * wx * wy - a * wz
    out[1, 0] = b * wx * wy + a * wz
    out[0, 2] = b * wx * wz + a * wy
    out[2, 0] = b * wx * wz - a * wy
    out[1, 2] = b * wy * wz - a * wx
    out[2, 1] = b * wy * wz + a * wx


@kernel
def add_scalar(residual, weight, row, information, gradient):
    """Add one residual with its derivative row; return its share of chi squared."""
    for i in range(6):
        gradient[i] += weight * residual * row[i]
        for j in range(i + 1):
            information[i, j] += weight * row[i] * row[j]
    return weight * residual * residual


@kernel
def add_prior(rotation, position, prior, information, gradient, row):
    """Add what is known beforehand: position, level, heading; return its chi squared."""
    chi2 = 0.0
    for k in range(3):
        if prior[3 + k] > 0.0:
            row[:] = 0.0
            row[k] = 1.0
            chi2 += add_scalar(position[k] - prior[k], prior[3 + k], row, information, gradient)
    if prior[6] > 0.0:
        # tilt vector of the robot's up axis u: angle times axis of the turn from the vertical to u
        ux, uy, uz = rotation[0, 2], rotation[1, 2], rotation[2, 2]
        sine = math.sqrt(ux * ux + uy * uy)
        angle = math.atan2(sine, uz)
        row[:] = 0.0
        if sine < 1e-9 and uz < 0.0:
            # exactly upside down the axis is free: any one will do, but the angle counts
            row[3] = 1.0
            chi2 += add_scalar(angle, prior[6], row, information, gradient)
        else:
            scale = angle / sine if sine > 1e-9 else 1.0
            bend = (sine - angle * uz) / (sine * sine * sine) if sine > 1e-4 else 1.0 / 3.0  # d(scale)/d(angle) / sine
            row[3], row[4], row[5] = scale * uz + bend * uy * uy, -bend * ux * uy, -scale * ux
            chi2 += add_scalar(-scale * uy, prior[6], row, information, gradient)
            row[3], row[4], row[5] = -bend * ux * uy, scale * uz + bend * ux * ux, -scale * uy
            chi2 += add_scalar(scale * ux, prior[6], row, information, gradient)
    if prior[8] > 0.0:
        fx, fy, fz = rotation[0, 0], rotation[1, 0], rotation[2, 0]
        flat2 = max(fx * fx + fy * fy, 1e-9)
        turn = math.atan2(fy, fx) - prior[7]
        turn -= 2.0 * math.pi * math.floor(turn / (2.0 * math.pi) + 0.5)
        row[:] = 0.0
        row[3], row[4], row[5] = -fx * fz / flat2, -fy * fz / flat2, 1.0
        chi2 += add_scalar(turn, prior[8], row, information, gradient)
    return chi2


@kernel
def marker_rows(corners, pixels, model, parameters, camera_rotation, camera_offset, rotation, position, residual, rows):
    """Write residual (8,) and derivative rows (8, 6) of one marker; return False if a corner does not project."""
    # camera_from_field = camera_from_robot * robot_from_field, so d(camera)/d(step) = C [-I, [d]x], C = Rc R'
    q, r = camera_rotation, rotation
    c00 = q[0, 0] * r[0, 0] + q[0, 1] * r[0, 1] + q[0, 2] * r[0, 2]
    c01 = q[0, 0] * r[1, 0] + q[0, 1] * r[1, 1] + q[0, 2] * r[1, 2]
    c02 = q[0, 0] * r[2, 0] + q[0, 1] * r[2, 1] + q[0, 2] * r[2, 2]
    c10 = q[1, 0] * r[0, 0] + q[1, 1] * r[0, 1] + q[1, 2] * r[0, 2]
    c11 = q[1, 0] * r[1, 0] + q[1, 1] * r[1, 1] + q[1, 2] * r[1, 2]
    c12 = q[1, 0] * r[2, 0] + q[1, 1] * r[2, 1] + q[1, 2] * r[2, 2]
    c20 = q[2, 0] * r[0, 0] + q[2, 1] * r[0, 1] + q[2, 2] * r[0, 2]
    c21 = q[2, 0] * r[1, 0] + q[2, 1] * r[1, 1] + q[2, 2] * r[1, 2]
    c22 = q[2, 0] * r[2, 0] + q[2, 1] * r[2, 1] + q[2, 2] * r[2, 2]
    for k in range(4):
        dx = corners[k, 0] - position[0]
        dy = corners[k, 1] - position[1]
        dz = corners[k, 2] - position[2]
        x = c00 * dx + c01 * dy + c02 * dz + camera_offset[0]
        y = c10 * dx + c11 * dy + c12 * dz + camera_offset[1]
        z = c20 * dx + c21 * dy + c22 * dz + camera_offset[2]
        ok, u, v, ux, uy, uz, vx, vy, vz = project_point_jacobian(model, parameters, x, y, z)
        if not ok:
            return False
        residual[2 * k] = u - pixels[k, 0]
        residual[2 * k + 1] = v - pixels[k, 1]
        for half in range(2):
            gx, gy, gz = (ux, uy, uz) if half == 0 else (vx, vy, vz)
            a = gx * c00 + gy * c10 + gz * c20
            b = gx * c01 + gy * c11 + gz * c21
            e = gx * c02 + gy * c12 + gz * c22
            row = rows[2 * k + half]
            row[0], row[1], row[2] = -a, -b, -e
            row[3] = b * dz - e * dy
            row[4] = e * dx - a * dz
            row[5] = a * dy - b * dx
    return True


@kernel
def normal_equations(
    corners, pixels, whitening, camera_of, models, parameters, camera_rotations, camera_offsets, prior, rotation,
    position, information, gradient,
):  # fmt: skip
    """Fill the information matrix (6, 6) and gradient (6,) at a pose; return chi squared, infinity where impossible.

    A marker whose whitening is zero takes no part, and need not project.
    """
    information[:, :] = 0.0
    gradient[:] = 0.0
    residual = np.empty(8)
    rows = np.empty((8, 6))
    row = np.empty(6)
    chi2 = add_prior(rotation, position, prior, information, gradient, row)
    for m in range(corners.shape[0]):
        if whitening[m, 0, 0] == 0.0:
            continue
        camera = camera_of[m]
        if not marker_rows(
            corners[m], pixels[m], models[camera], parameters[camera], camera_rotations[camera],
            camera_offsets[camera], rotation, position, residual, rows,
        ):  # fmt: skip
            return math.inf
        for i in range(8):
            value = 0.0
            row[:] = 0.0
            for j in range(8):
                weight = whitening[m, i, j]
                if weight != 0.0:
                    value += weight * residual[j]
                    for k in range(6):
                        row[k] += weight * rows[j, k]
            chi2 += add_scalar(value, 1.0, row, information, gradient)
    for i in range(6):
        for j in range(i):
            information[j, i] = information[i, j]
    return chi2


@kernel
def refine_pose(
    corners, pixels, whitening, camera_of, models, parameters, camera_rotations, camera_offsets, prior, rotation,
    position, information,
):  # fmt: skip
    """Run Levenberg-Marquardt from the pose in `rotation`, `position`, which end at the minimum.

    Returns (status, chi squared); `information` is left as it is at the minimum.

    References
    ----------
    Marquardt, SIAM J. Appl. Math. 11 (1963) 431-441; damping by the diagonal.
    """
    gradient = np.empty(6)
    trial_information = np.empty((6, 6))
    trial_gradient = np.empty(6)
    damped = np.empty((6, 6))
    lower = np.empty((6, 6))
    step = np.empty(6)
    turn = np.empty((3, 3))
    trial_rotation = np.empty((3, 3))
    trial_position = np.empty(3)
    chi2 = normal_equations(
        corners, pixels, whitening, camera_of, models, parameters, camera_rotations, camera_offsets, prior,
        rotation, position, information, gradient,
    )  # fmt: skip
    if not chi2 < math.inf:
        return IMPOSSIBLE, chi2
    damping = 1e-4
    decrement = math.inf
    for _ in range(_MAX_ITERATIONS):
        damped[:, :] = information
        for i in range(6):
            damped[i, i] += damping * information[i, i]
        if not cholesky_solve(damped, gradient, lower, step):
            damping = max(10.0 * damping, 1e-8)
            if damping > 1e12:
                return NOT_CONVERGED, chi2
            continue
        decrement = 0.0
        for i in range(6):
            decrement += step[i] * gradient[i]
        rotation_of(-step[3], -step[4], -step[5], turn)
        for i in range(3):
            trial_position[i] = position[i] - step[i]
            for j in range(3):
                trial_rotation[i, j] = (
                    turn[i, 0] * rotation[0, j] + turn[i, 1] * rotation[1, j] + turn[i, 2] * rotation[2, j]
                )
        trial = normal_equations(
            corners, pixels, whitening, camera_of, models, parameters, camera_rotations, camera_offsets, prior,
            trial_rotation, trial_position, trial_information, trial_gradient,
        )  # fmt: skip
        if trial <= chi2:
            rotation[:, :] = trial_rotation
            position[:] = trial_position
            information[:, :] = trial_information
            gradient[:] = trial_gradient
            chi2 = trial
            damping = max(damping / 10.0, 1e-12)
            # what a step leaves is some 1e-4 of its gain, or less
            if decrement < 1e-11 * (1.0 + 1e-3 * chi2):
                return CONVERGED, chi2
        else:
            # the predicted gain is below what rounding of chi squared can show: this is the minimum
            if decrement < 1e-12 * (1.0 + chi2):
                return CONVERGED, chi2
            damping *= 10.0
            if damping > 1e12:
                # no step, however small, lowers chi squared: at tiny variances its rounding is above the limit
                return (CONVERGED if trial < math.inf else NOT_CONVERGED), chi2
    # rounding can keep the last steps from ever getting smaller; a hundredth of a variance is no distance
    return (CONVERGED if decrement < 0.01 else NOT_CONVERGED), chi2


@kernel
def planar_poses(directions, size, rotations, translations):
    """Write the two closed-form poses (2, 3, 3), (2, 3) of a square from its undistorted corners; False if degenerate.

    The perspective's value and slope at the square's centre fix the pose up to the sign of the slant.

    Parameters
    ----------
    directions (4, 2): undistorted (x, y) of (x, y, 1), clockwise from the upright square's top left. size: side.

    References
    ----------
    Collins and Bartoli, "Infinitesimal plane-based pose estimation", Int. J. Computer Vision 109 (2014) 252-286,
    section 4 and appendix.
    """
    unit = np.empty((3, 3))
    square_to_quadrilateral(directions.ravel(), unit)
    third = 0.5 * (unit[2, 0] + unit[2, 1]) + 1.0
    vx = (0.5 * (unit[0, 0] + unit[0, 1]) + unit[0, 2]) / third
    vy = (0.5 * (unit[1, 0] + unit[1, 1]) + unit[1, 2]) / third
    scale = 1.0 / (size * third)
    # d(direction)/d(marker x, y) at the centre: marker x runs with the square's first side, y against its second
    jxx, jxy = (unit[0, 0] - vx * unit[2, 0]) * scale, -(unit[0, 1] - vx * unit[2, 1]) * scale
    jyx, jyy = (unit[1, 0] - vy * unit[2, 0]) * scale, -(unit[1, 1] - vy * unit[2, 1]) * scale
    if not abs(jxx * jyy - jxy * jyx) > 1e-18:
        return False
    # the rotation that takes the optical axis to the line of sight
    length = math.sqrt(vx * vx + vy * vy)
    s = math.sqrt(1.0 + length * length)
    sight = np.eye(3)
    if length > 1e-12:
        kx, ky = vx / length, vy / length
        cosine, sine = 1.0 / s, length / s
        sight[0, 0] = 1.0 - (1.0 - cosine) * kx * kx
        sight[0, 1] = sight[1, 0] = -(1.0 - cosine) * kx * ky
        sight[1, 1] = 1.0 - (1.0 - cosine) * ky * ky
        sight[0, 2], sight[1, 2], sight[2, 0], sight[2, 1] = sine * kx, sine * ky, -sine * kx, -sine * ky
        sight[2, 2] = cosine
    bxx, bxy = sight[0, 0] - vx * sight[2, 0], sight[0, 1] - vx * sight[2, 1]
    byx, byy = sight[1, 0] - vy * sight[2, 0], sight[1, 1] - vy * sight[2, 1]
    determinant = bxx * byy - bxy * byx
    axx, axy = (byy * jxx - bxy * jyx) / determinant, (byy * jxy - bxy * jyy) / determinant
    ayx, ayy = (bxx * jyx - byx * jxx) / determinant, (bxx * jyy - byx * jxy) / determinant
    half = 0.5 * (axx * axx + axy * axy + ayx * ayx + ayy * ayy)
    area = axx * ayy - axy * ayx
    largest = math.sqrt(half + math.sqrt(max(half * half - area * area, 0.0)))  # singular value: 1 / distance
    axx, axy, ayx, ayy = axx / largest, axy / largest, ayx / largest, ayy / largest
    slant_x = math.sqrt(max(1.0 - axx * axx - ayx * ayx, 0.0))
    slant_y = math.sqrt(max(1.0 - axy * axy - ayy * ayy, 0.0))
    if -(axx * axy + ayx * ayy) < 0.0:
        slant_y = -slant_y
    local = np.empty((3, 3))
    for which in range(2):
        sign = 1.0 - 2.0 * which
        local[0, 0], local[0, 1], local[1, 0], local[1, 1] = axx, axy, ayx, ayy
        local[2, 0], local[2, 1] = sign * slant_x, sign * slant_y
        local[0, 2] = local[1, 0] * local[2, 1] - local[2, 0] * local[1, 1]
        local[1, 2] = local[2, 0] * local[0, 1] - local[0, 0] * local[2, 1]
        local[2, 2] = local[0, 0] * local[1, 1] - local[1, 0] * local[0, 1]
        for i in range(3):
            for j in range(3):
                rotations[which, i, j] = (
                    sight[i, 0] * local[0, j] + sight[i, 1] * local[1, j] + sight[i, 2] * local[2, j]
                )
        _translation(directions, size, rotations[which], translations[which])
    return True


@kernel
def _translation(directions, size, rotation, translation):
    """Write the least-squares position of a square of known rotation: each corner must lie on its line of sight."""
    normal = np.zeros((3, 3))
    right = np.zeros(3)
    lower = np.empty((3, 3))
    for k in range(4):
        x = size * (0.5 if k == 1 or k == 2 else -0.5)
        y = size * (0.5 if k < 2 else -0.5)
        px = rotation[0, 0] * x + rotation[0, 1] * y
        py = rotation[1, 0] * x + rotation[1, 1] * y
        pz = rotation[2, 0] * x + rotation[2, 1] * y
        u, v = directions[k, 0], directions[k, 1]
        first, second = u * pz - px, v * pz - py
        normal[0, 0] += 1.0
        normal[1, 1] += 1.0
        normal[2, 0] -= u
        normal[2, 1] -= v
        normal[2, 2] += u * u + v * v
        right[0] += first
        right[1] += second
        right[2] -= u * first + v * second
    normal[0, 2], normal[1, 2] = normal[2, 0], normal[2, 1]
    if not cholesky_solve(normal, right, lower, translation):
        translation[:] = math.nan
