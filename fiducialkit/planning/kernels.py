"""How far apart the mirrored pose of a rig is, and what the detector's tables are laid out by.

All of it is in the robot's own axes at its origin: a small error is a translation ``d`` and a rotation vector ``w``, so
along, across and heading are components 0, 1 and 5. Derived here.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.scene.projection import project_point_jacobian

# corner sd is tabulated at widths of 2^(k/8) px from 4 px up, and interpolated in log width
SD_TABLE_FIRST_LOG2 = 2.0
SD_TABLE_PER_OCTAVE = 8
SD_TABLE_LENGTH = 65
# how the corners of a marker err: see `detectability.error_kind`
INDEPENDENT, TOGETHER, PULLED = 0, 1, 2


@kernel
def _inverse(matrix, lower, inverse):
    """Write the inverse of a positive definite 6 x 6 matrix; return False if it is not."""
    n = 6
    for i in range(n):
        for j in range(i + 1):
            total = matrix[i, j]
            for k in range(j):
                total -= lower[i, k] * lower[j, k]
            if i == j:
                if not total > 1e-13 * matrix[i, i]:
                    return False
                lower[i, i] = math.sqrt(total)
            else:
                lower[i, j] = total / lower[j, j]
    for i in range(n):  # lower becomes its own inverse, column by column
        lower[i, i] = 1.0 / lower[i, i]
        for j in range(i):
            total = 0.0
            for k in range(j, i):
                total -= lower[i, k] * lower[k, j]
            lower[i, j] = total * lower[i, i]
    for i in range(n):
        for j in range(i + 1):
            total = 0.0
            for k in range(i, n):
                total += lower[k, i] * lower[k, j]
            inverse[i, j] = total
            inverse[j, i] = total
    return True


@kernel
def _corner_rows(model, parameters, rotation, offset, x, y, z, ax, ay, az, rows, first):
    """Write d(u, v)/d(d, w) for the point (x, y, z) whose lever from the turning point is (ax, ay, az).

    The camera sees ``rotation @ point + offset`` and a small error moves the point by ``-d - w x lever``.
    """
    ok, u, v, ux, uy, uz, vx, vy, vz = project_point_jacobian(
        model,
        parameters,
        rotation[0, 0] * x + rotation[0, 1] * y + rotation[0, 2] * z + offset[0],
        rotation[1, 0] * x + rotation[1, 1] * y + rotation[1, 2] * z + offset[1],
        rotation[2, 0] * x + rotation[2, 1] * y + rotation[2, 2] * z + offset[2],
    )
    if not ok:
        return False, u, v
    for half in range(2):
        gx, gy, gz = (ux, uy, uz) if half == 0 else (vx, vy, vz)
        a = gx * rotation[0, 0] + gy * rotation[1, 0] + gz * rotation[2, 0]
        b = gx * rotation[0, 1] + gy * rotation[1, 1] + gz * rotation[2, 1]
        c = gx * rotation[0, 2] + gy * rotation[1, 2] + gz * rotation[2, 2]
        row = rows[first + half]
        row[0], row[1], row[2] = -a, -b, -c
        row[3] = b * az - c * ay
        row[4] = c * ax - a * az
        row[5] = a * ay - b * ax
    return True, u, v


@kernel
def _quadrilateral(pixels):
    """Return (area, longest side, mean side) of four corners. [px^2, px, px]"""
    area = 0.0
    longest = 0.0
    total = 0.0
    for k in range(4):
        j = (k + 1) % 4
        area += pixels[2 * k] * pixels[2 * j + 1] - pixels[2 * j] * pixels[2 * k + 1]
        side = math.hypot(pixels[2 * j] - pixels[2 * k], pixels[2 * j + 1] - pixels[2 * k + 1])
        longest = max(longest, side)
        total += side
    return 0.5 * area, longest, 0.25 * total


@kernel
def _mirrored_separation(
    seen, rig, state, models, kinds, couplings, parameters, rotations, offsets, pupils, corners, normals, pixels, noise,
    prior, scratch,
):  # fmt: skip
    """Return D, how many sigmas apart the mirrored pose's picture is, and infinity where there is no such pose.

    The normal of the largest marker is reflected about the line of sight to the centre of all that its camera sees;
    the corner residuals of that pose, after one linearised step, give D^2 = r' C^-1 r, the pull of corners left out.
    The wrong one of the two poses is then taken with probability Q(D / 2).

    References
    ----------
    Derived here; the two poses of a plane under weak perspective: Oberkampf, DeMenthon and Davis, Computer Vision
    and Image Understanding 63 (1996) 495-511.
    """
    mount_count, marker_count = seen.shape
    best_area = 0.0
    camera, main = -1, -1
    for k in range(mount_count):
        if rig[k]:
            for m in range(marker_count):
                if seen[k, m] >> state & 1:
                    area = _quadrilateral(pixels[k, m])[0]
                    if area > best_area:
                        best_area, camera, main = area, k, m
    cx = cy = cz = 0.0
    count = 0
    for m in range(marker_count):
        if seen[camera, m] >> state & 1:
            for j in range(4):
                cx += corners[m, j, 0]
                cy += corners[m, j, 1]
                cz += corners[m, j, 2]
            count += 4
    cx, cy, cz = cx / count, cy / count, cz / count
    reach2 = 0.0
    for k in range(mount_count):
        if rig[k]:
            for m in range(marker_count):
                if seen[k, m] >> state & 1:
                    for j in range(4):
                        dx, dy, dz = corners[m, j, 0] - cx, corners[m, j, 1] - cy, corners[m, j, 2] - cz
                        reach2 = max(reach2, dx * dx + dy * dy + dz * dz)
    sx, sy, sz = cx - pupils[camera, 0], cy - pupils[camera, 1], cz - pupils[camera, 2]
    distance = math.sqrt(sx * sx + sy * sy + sz * sz)
    sx, sy, sz = sx / distance, sy / distance, sz / distance
    nx, ny, nz = normals[main, 0], normals[main, 1], normals[main, 2]
    cosine = abs(sx * nx + sy * ny + sz * nz)
    # the second minimum exists only for a tilt above twice (side / distance); a square's side is reach * sqrt 2
    if math.acos(min(1.0, cosine)) < 2.0 * math.sqrt(2.0 * reach2) / distance:
        return math.inf
    turn, information, gradient, rows, lower, inverse, residuals, ways = scratch
    line = (sx, sy, sz)
    normal = (nx, ny, nz)
    dot = sx * nx + sy * ny + sz * nz
    for i in range(3):  # (I - 2 s s') (I - 2 n n')
        for j in range(3):
            turn[i, j] = (
                (1.0 if i == j else 0.0)
                - 2.0 * line[i] * line[j]
                - 2.0 * normal[i] * normal[j]
                + 4.0 * dot * line[i] * normal[j]
            )
    # the mirrored robot stands at p with orientation turn', in the true robot's axes
    px = cx - turn[0, 0] * cx - turn[1, 0] * cy - turn[2, 0] * cz
    py = cy - turn[0, 1] * cx - turn[1, 1] * cy - turn[2, 1] * cz
    pz = cz - turn[0, 2] * cx - turn[1, 2] * cy - turn[2, 2] * cz
    total = _prior_misfit(turn, pz, prior, information, gradient)
    moved = np.empty((3, 3))
    for k in range(mount_count):
        if not rig[k]:
            continue
        for i in range(3):
            for j in range(3):
                moved[i, j] = (
                    rotations[k, i, 0] * turn[0, j] + rotations[k, i, 1] * turn[1, j] + rotations[k, i, 2] * turn[2, j]
                )
        for m in range(marker_count):
            if not seen[k, m] >> state & 1:
                continue
            for j in range(4):
                dx, dy, dz = corners[m, j, 0] - px, corners[m, j, 1] - py, corners[m, j, 2] - pz
                ok, u, v = _corner_rows(
                    models[k], parameters[k], moved, offsets[k], dx, dy, dz, dx, dy, dz, rows, 2 * j
                )
                if not ok:
                    return math.inf
                residuals[2 * j] = u - pixels[k, m, 2 * j]
                residuals[2 * j + 1] = v - pixels[k, m, 2 * j + 1]
            _scaled(kinds[k], couplings[k], pixels[k, m], noise[k, m], rows, residuals, ways)
            for e in range(8):
                total += residuals[e] * residuals[e]
                for a in range(6):
                    gradient[a] += residuals[e] * rows[e, a]
                    for b in range(a + 1):
                        information[a, b] += rows[e, a] * rows[e, b]
    for a in range(6):
        for b in range(a):
            information[b, a] = information[a, b]
    if not _inverse(information, lower, inverse):
        return math.inf
    gain = 0.0
    for a in range(6):
        for b in range(6):
            gain += gradient[a] * inverse[a, b] * gradient[b]
    return math.sqrt(max(total - gain, 0.0))


@kernel
def _scaled(kind, coupling, pixels, noise, rows, residuals, ways):
    """Turn rows and residuals of a marker's eight coordinates into such of variance one, in place.

    `noise` is the weight of a coordinate, pull, and sds of shift, size, turn and taper; see `planning.edge_kernels`.
    """
    if kind == INDEPENDENT:
        root = math.sqrt(noise[0])
        for e in range(8):
            residuals[e] *= root
            for c in range(6):
                rows[e, c] *= root
        return
    lengths = [0.0, 0.0]
    for j in range(4):
        after, before = (j + 1) & 3, (j + 3) & 3
        bx, by = pixels[2 * after] - pixels[2 * j], pixels[2 * after + 1] - pixels[2 * j + 1]
        ex, ey = pixels[2 * j] - pixels[2 * before], pixels[2 * j + 1] - pixels[2 * before + 1]
        begun, ended = math.hypot(bx, by), math.hypot(ex, ey)
        lengths[j & 1] += begun
        begins, ends = (j & 1) * 4 + (j & 2), (1 - (j & 1)) * 4 + (3 if j == 0 or j == 3 else 1)
        for c in range(7):
            u, v = (rows[2 * j, c], rows[2 * j + 1, c]) if c < 6 else (residuals[2 * j], residuals[2 * j + 1])
            ways[begins, c] = (by * u - bx * v) / begun
            ways[ends, c] = (ey * u - ex * v) / ended
    for pair in range(2):
        share = 2.0 * lengths[1 - pair] / (lengths[0] + lengths[1]) if kind == TOGETHER else 1.0
        for c in range(7):
            h0, h1, h2, h3 = ways[4 * pair, c], ways[4 * pair + 1, c], ways[4 * pair + 2, c], ways[4 * pair + 3, c]
            for way in range(4):
                value = (
                    h0 + h1 - h2 - h3 if way == 0 else h0 + h1 + h2 + h3 if way == 1
                    else h1 - h0 + h3 - h2 if way == 2 else h1 - h0 - h3 + h2
                )  # fmt: skip
                ways[4 * pair + way, c] = value * 0.25 / (noise[2 + way] * math.sqrt(share))
    rest = 1.0 / math.sqrt(1.0 - coupling * coupling)
    for c in range(7):
        ways[0, c] = rest * (ways[0, c] + coupling * ways[7, c])
        ways[4, c] = rest * (ways[4, c] - coupling * ways[3, c])
        for way in range(8):
            if c < 6:
                rows[way, c] = ways[way, c]
            else:
                residuals[way] = ways[way, c]


@kernel
def _prior_misfit(turn, height, prior, information, gradient):
    """Begin the normal equations of the mirrored pose with what the prior says of it; return its chi squared.

    The mirrored robot's orientation is the transpose of `turn`; height, tilt of its up axis and heading are known
    with the inverse variances prior[2], prior[3], prior[5].
    """
    information[:, :] = 0.0
    gradient[:] = 0.0
    ux, uy, uz = turn[2, 0], turn[2, 1], turn[2, 2]
    sine = math.hypot(ux, uy)
    scale = math.atan2(sine, uz) / sine if sine > 1e-9 else 1.0
    tilt_x, tilt_y = -scale * uy, scale * ux
    heading = math.atan2(turn[0, 1], turn[0, 0])
    information[2, 2] = prior[2]
    information[3, 3] = prior[3]
    information[4, 4] = prior[4]
    information[5, 5] = prior[5]
    gradient[2] = prior[2] * height
    gradient[3] = prior[3] * tilt_x
    gradient[4] = prior[4] * tilt_y
    gradient[5] = prior[5] * heading
    return (
        prior[2] * height * height
        + prior[3] * tilt_x * tilt_x
        + prior[4] * tilt_y * tilt_y
        + prior[5] * heading * heading
    )


@kernel
def _to_robot(pose, corners_field, normals_field, corners, normals):
    """Fill corners (M, 4, 3) and normals (M, 3) in robot for a pose (x, y, cosine and sine of the heading)."""
    x, y, cosine, sine = pose[0], pose[1], pose[2], pose[3]
    for m in range(corners.shape[0]):
        normals[m, 0] = cosine * normals_field[m, 0] + sine * normals_field[m, 1]
        normals[m, 1] = cosine * normals_field[m, 1] - sine * normals_field[m, 0]
        normals[m, 2] = normals_field[m, 2]
        for j in range(4):
            dx, dy = corners_field[m, j, 0] - x, corners_field[m, j, 1] - y
            corners[m, j, 0] = cosine * dx + sine * dy
            corners[m, j, 1] = cosine * dy - sine * dx
            corners[m, j, 2] = corners_field[m, j, 2]


@kernel
def mirrored_separations(
    poses, models, kinds, couplings, parameters, rotations, offsets, pupils, corners_field, normals_field, rigs, prior,
    row_of, start, pixels_kept, markers, states, noise_kept, probability, separation,
):  # fmt: skip
    """Fill, for each (pose, state, rig), the separation D of the mirrored pose; NaN where no marker is likely seen.

    Parameters
    ----------
    poses (N, 4): x, y, cosine and sine of the heading. models, kinds (K,): of lenses and of corner errors, with
    their couplings (K,); parameters (K, .): lenses. rotations, offsets (K, ...):
    camera_from_robot. pupils (K, 3): in robot. corners_field (M, 4, 3), normals_field (M, 3). rigs (R, K): membership.
    prior (6,): inverse variances. row_of (K, N, S), start (K, N + 1), pixels_kept (K, ., 8), markers, states,
    probability (K, .), noise_kept (K, ., 6): the sightings, as `planning.mount_information` makes them.
    """
    mount_count, marker_count = models.shape[0], corners_field.shape[0]
    rig_count, state_count = rigs.shape[0], row_of.shape[2]
    seen = np.zeros((mount_count, marker_count), dtype=np.int64)
    pixels = np.empty((mount_count, marker_count, 8))
    noise = np.empty((mount_count, marker_count, noise_kept.shape[2]))
    corners, normals = np.empty((marker_count, 4, 3)), np.empty((marker_count, 3))
    scratch = (
        np.empty((3, 3)), np.empty((6, 6)), np.empty(6), np.empty((8, 6)), np.empty((6, 6)), np.empty((6, 6)),
        np.empty(8), np.empty((8, 7)),
    )  # fmt: skip
    for n in range(poses.shape[0]):
        _to_robot(poses[n], corners_field, normals_field, corners, normals)
        seen[:, :] = 0
        for k in range(mount_count):
            for q in range(start[k, n], start[k, n + 1]):
                if probability[k, q] >= 0.5:
                    m = markers[k, q]
                    seen[k, m] = states[k, q]
                    for c in range(noise.shape[2]):
                        noise[k, m, c] = noise_kept[k, q, c]
                    for c in range(8):
                        pixels[k, m, c] = pixels_kept[k, q, c]
        for r in range(rig_count):
            for state in range(state_count):
                twin = state
                for earlier in range(state):
                    is_same = True
                    for k in range(mount_count):
                        if rigs[r, k] and row_of[k, n, state] != row_of[k, n, earlier]:
                            is_same = False
                    if is_same:
                        twin = earlier
                        break
                if twin < state:
                    separation[n, state, r] = separation[n, twin, r]
                    continue
                is_seen = False
                for k in range(mount_count):
                    for m in range(marker_count):
                        is_seen |= rigs[r, k] and (seen[k, m] >> state & 1) == 1
                separation[n, state, r] = math.nan
                if is_seen:
                    separation[n, state, r] = _mirrored_separation(
                        seen, rigs[r], state, models, kinds, couplings, parameters, rotations, offsets, pupils, corners,
                        normals, pixels, noise, prior, scratch,
                    )  # fmt: skip
