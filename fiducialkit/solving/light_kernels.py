"""Compiled light cost of a pose: one weight a marker in the place of its covariance. Tuples as in `search_kernels`."""

from __future__ import annotations

import math

from fiducialkit.compiled import kernel
from fiducialkit.scene.projection import project_point, project_point_jacobian
from fiducialkit.solving.kernels import add_prior


@kernel
def _add_corner(sums, weight, g, h, dx, dy, dz, ru, rv):
    """Add one corner to the sums (27,): translation block, mixed block, rotation block, gradient.

    `g` and `h` are the derivatives of u and v by the corner in field, d the corner from the robot's origin: a step
    moves it by ``-dp - w x d``, so with H = g g' + h h' the information's blocks are H, H [d]x' and [d]x H [d]x'.
    """
    gx, gy, gz = g
    hx, hy, hz = h
    xx, xy, xz = weight * (gx * gx + hx * hx), weight * (gx * gy + hx * hy), weight * (gx * gz + hx * hz)
    yy, yz, zz = weight * (gy * gy + hy * hy), weight * (gy * gz + hy * hz), weight * (gz * gz + hz * hz)
    bx, by, bz = weight * (gx * ru + hx * rv), weight * (gy * ru + hy * rv), weight * (gz * ru + hz * rv)
    # row i of the mixed block is d x (row i of H)
    a00, a01, a02 = dy * xz - dz * xy, dz * xx - dx * xz, dx * xy - dy * xx
    a10, a11, a12 = dy * yz - dz * yy, dz * xy - dx * yz, dx * yy - dy * xy
    a20, a21, a22 = dy * zz - dz * yz, dz * xz - dx * zz, dx * yz - dy * xz
    sums[0] += xx
    sums[1] += xy
    sums[2] += xz
    sums[3] += yy
    sums[4] += yz
    sums[5] += zz
    sums[6] += a00
    sums[7] += a01
    sums[8] += a02
    sums[9] += a10
    sums[10] += a11
    sums[11] += a12
    sums[12] += a20
    sums[13] += a21
    sums[14] += a22
    sums[15] += dy * a20 - dz * a10
    sums[16] += dy * a21 - dz * a11
    sums[17] += dy * a22 - dz * a12
    sums[18] += dz * a01 - dx * a21
    sums[19] += dz * a02 - dx * a22
    sums[20] += dx * a12 - dy * a02
    sums[21] -= bx
    sums[22] -= by
    sums[23] -= bz
    sums[24] -= dy * bz - dz * by
    sums[25] -= dz * bx - dx * bz
    sums[26] -= dx * by - dy * bx
    return weight * (ru * ru + rv * rv)


@kernel
def _add_marker(sums, m, seen, rig, r, position, weight):
    """Add one marker's four corners to the sums; return its chi squared, infinity where a corner does not project."""
    corners, pixels, camera_of = seen
    models, parameters, q, offsets = rig
    k = camera_of[m]
    model, lens = models[k], parameters[k]
    c00 = q[k, 0, 0] * r[0, 0] + q[k, 0, 1] * r[0, 1] + q[k, 0, 2] * r[0, 2]
    c01 = q[k, 0, 0] * r[1, 0] + q[k, 0, 1] * r[1, 1] + q[k, 0, 2] * r[1, 2]
    c02 = q[k, 0, 0] * r[2, 0] + q[k, 0, 1] * r[2, 1] + q[k, 0, 2] * r[2, 2]
    c10 = q[k, 1, 0] * r[0, 0] + q[k, 1, 1] * r[0, 1] + q[k, 1, 2] * r[0, 2]
    c11 = q[k, 1, 0] * r[1, 0] + q[k, 1, 1] * r[1, 1] + q[k, 1, 2] * r[1, 2]
    c12 = q[k, 1, 0] * r[2, 0] + q[k, 1, 1] * r[2, 1] + q[k, 1, 2] * r[2, 2]
    c20 = q[k, 2, 0] * r[0, 0] + q[k, 2, 1] * r[0, 1] + q[k, 2, 2] * r[0, 2]
    c21 = q[k, 2, 0] * r[1, 0] + q[k, 2, 1] * r[1, 1] + q[k, 2, 2] * r[1, 2]
    c22 = q[k, 2, 0] * r[2, 0] + q[k, 2, 1] * r[2, 1] + q[k, 2, 2] * r[2, 2]
    chi2 = 0.0
    ox, oy, oz = offsets[k, 0], offsets[k, 1], offsets[k, 2]
    for n in range(4):
        dx, dy, dz = corners[m, n, 0] - position[0], corners[m, n, 1] - position[1], corners[m, n, 2] - position[2]
        ok, u, v, ux, uy, uz, vx, vy, vz = project_point_jacobian(
            model,
            lens,
            c00 * dx + c01 * dy + c02 * dz + ox,
            c10 * dx + c11 * dy + c12 * dz + oy,
            c20 * dx + c21 * dy + c22 * dz + oz,
        )
        if not ok:
            return math.inf
        g = (ux * c00 + uy * c10 + uz * c20, ux * c01 + uy * c11 + uz * c21, ux * c02 + uy * c12 + uz * c22)
        h = (vx * c00 + vy * c10 + vz * c20, vx * c01 + vy * c11 + vz * c21, vx * c02 + vy * c12 + vz * c22)
        chi2 += _add_corner(sums, weight, g, h, dx, dy, dz, u - pixels[m, n, 0], v - pixels[m, n, 1])
    return chi2


@kernel
def light_equations(seen, rig, weights, prior, rotation, position, information, gradient, work):
    """As `normal_equations`, with one weight a marker in the place of its covariance."""
    sums, row = work
    information[:, :] = 0.0
    gradient[:] = 0.0
    sums[:] = 0.0
    chi2 = add_prior(rotation, position, prior, information, gradient, row)
    for m in range(weights.shape[0]):
        if weights[m] == 0.0:
            continue
        chi2 += _add_marker(sums, m, seen, rig, rotation, position, weights[m])
        if not chi2 < math.inf:
            return math.inf
    n = 0
    for first, last in ((0, 3), (3, 6)):
        n = 0 if first == 0 else 15
        for i in range(first, last):
            gradient[i] += sums[21 + i]
            for j in range(i, last):
                information[j, i] += sums[n]
                n += 1
    for i in range(3):
        for j in range(3):
            information[3 + j, i] += sums[6 + 3 * i + j]
    for i in range(6):
        for j in range(i):
            information[j, i] = information[i, j]
    return chi2


@kernel
def light_chi2(seen, rig, weights, rotation, position):
    """Return the light cost of the corners alone."""
    corners, pixels, camera_of = seen
    models, parameters, camera_rotations, camera_offsets = rig
    q, r = camera_rotations, rotation
    chi2 = 0.0
    for m in range(weights.shape[0]):
        if weights[m] == 0.0:
            continue
        k = camera_of[m]
        lens = parameters[k]
        for n in range(4):
            dx, dy, dz = corners[m, n, 0] - position[0], corners[m, n, 1] - position[1], corners[m, n, 2] - position[2]
            ax = r[0, 0] * dx + r[1, 0] * dy + r[2, 0] * dz
            ay = r[0, 1] * dx + r[1, 1] * dy + r[2, 1] * dz
            az = r[0, 2] * dx + r[1, 2] * dy + r[2, 2] * dz
            ok, u, v = project_point(
                models[k],
                lens,
                q[k, 0, 0] * ax + q[k, 0, 1] * ay + q[k, 0, 2] * az + camera_offsets[k, 0],
                q[k, 1, 0] * ax + q[k, 1, 1] * ay + q[k, 1, 2] * az + camera_offsets[k, 1],
                q[k, 2, 0] * ax + q[k, 2, 1] * ay + q[k, 2, 2] * az + camera_offsets[k, 2],
            )
            if not ok:
                return math.inf
            u -= pixels[m, n, 0]
            v -= pixels[m, n, 1]
            chi2 += weights[m] * (u * u + v * v)
    return chi2
