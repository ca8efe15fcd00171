"""The compiled heart of mount planning: what every rig sees from every robot pose, and how well that fixes the pose.

One robot pose at a time: every (mount, marker) pair is tested and, where seen, its Fisher information is kept; a rig is
the sum over its mounts. All of it is in the robot's own axes at its origin: a small error is a translation ``d`` and a
rotation vector ``w``, so along, across and heading are components 0, 1 and 5. Derived here; the numpy twin is in
``tests/test_planning_kernels.py``.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.scene.occlusion import is_hidden
from fiducialkit.scene.projection import project_point, project_point_jacobian

# corner sd is tabulated at widths of 2^(k/8) px from 4 px up, and interpolated in log width
SD_TABLE_FIRST_LOG2 = 2.0
SD_TABLE_PER_OCTAVE = 8
SD_TABLE_LENGTH = 65
_NEAREST_DEPTH_M = 0.05


@kernel
def corner_sd(table, width_px):
    """Return the corner sd for the shorter way across a marker, from a table over its log2."""
    place = (math.log2(width_px) - SD_TABLE_FIRST_LOG2) * SD_TABLE_PER_OCTAVE
    if place <= 0.0:
        return table[0]
    index = int(place)
    if index >= SD_TABLE_LENGTH - 1:
        return table[SD_TABLE_LENGTH - 1]
    share = place - index
    return (1.0 - share) * table[index] + share * table[index + 1]


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
def _is_readable(pixels, width, height, inset, smallest_cell, cells):
    """Return whether the corners lie inside the picture and the marker's cells are large enough both ways."""
    for k in range(4):
        u, v = pixels[2 * k], pixels[2 * k + 1]
        if not (inset <= u <= width - 1 - inset and inset <= v <= height - 1 - inset):
            return False
    area, longest, _ = _quadrilateral(pixels)
    return area > 0.0 and area >= smallest_cell * cells * longest


@kernel
def _add_information(rows, weight, information):
    for i in range(6):
        for j in range(i + 1):
            total = 0.0
            for k in range(8):
                total += rows[k, i] * rows[k, j]
            information[i, j] = weight * total
            information[j, i] = weight * total


@kernel
def _add_considered(gain, information, ax, ay, az, sd_m, sd_rad, covariance):
    """Add what an unknown shift and turn of one camera or marker does: gain L T S T' L' gain'.

    `gain` (3, 6) are the wanted rows of the solution's covariance, L the information that came through the piece,
    and T moves the piece's own turning point (ax, ay, az) to the robot's origin.
    """
    moved = np.empty((3, 6))
    for i in range(3):
        for j in range(6):
            total = 0.0
            for k in range(6):
                total += gain[i, k] * information[k, j]
            moved[i, j] = total
        # columns 3..5 after T = [[1, [a]x], [0, 1]]
        bx, by, bz = moved[i, 0], moved[i, 1], moved[i, 2]
        moved[i, 3] += by * az - bz * ay
        moved[i, 4] += bz * ax - bx * az
        moved[i, 5] += bx * ay - by * ax
    for i in range(3):
        for j in range(3):
            shift = moved[i, 0] * moved[j, 0] + moved[i, 1] * moved[j, 1] + moved[i, 2] * moved[j, 2]
            turn = moved[i, 3] * moved[j, 3] + moved[i, 4] * moved[j, 4] + moved[i, 5] * moved[j, 5]
            covariance[i, j] += sd_m * sd_m * shift + sd_rad * sd_rad * turn


@kernel
def _mirrored_separation(
    seen, rig, state, models, parameters, rotations, offsets, pupils, corners, normals, pixels, weights, prior, scratch
):
    """Return D, how many sigmas apart the mirrored pose's picture is, and infinity where there is no such pose.

    The normal of the largest marker is reflected about the line of sight to the centre of all that its camera sees;
    the corner residuals of that pose, after one linearised step, give D^2 = r' C^-1 r. The wrong one of the two poses
    is then taken with probability Q(D / 2).

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
    turn, information, gradient, rows, lower, inverse = scratch
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
                for half in range(2):
                    residual = (u if half == 0 else v) - pixels[k, m, 2 * j + half]
                    total += weights[k, m] * residual * residual
                    row = rows[2 * j + half]
                    for a in range(6):
                        gradient[a] += weights[k, m] * residual * row[a]
                        for b in range(a + 1):
                            information[a, b] += weights[k, m] * row[a] * row[b]
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
def _look(
    pose, k, m, models, parameters, rotations, offsets, pupils, sizes, limits, corners_field, centres_field,
    normals_field, cells, obstacles, structures, first_box, box_count, corners, pixels, rows,
):  # fmt: skip
    """Return in which mechanism states mount k sees marker m from the pose, as bits, filling its pixels and rows."""
    cosine, sine = math.cos(pose[2]), math.sin(pose[2])
    # camera_from_robot: the pupil in field, and the marker in robot
    cam_x = pose[0] + cosine * pupils[k, 0] - sine * pupils[k, 1]
    cam_y = pose[1] + sine * pupils[k, 0] + cosine * pupils[k, 1]
    cam_z = pupils[k, 2]
    dx = cam_x - centres_field[m, 0]
    dy = cam_y - centres_field[m, 1]
    dz = cam_z - centres_field[m, 2]
    facing = dx * normals_field[m, 0] + dy * normals_field[m, 1] + dz * normals_field[m, 2]
    if facing <= 0.0 or facing * facing < limits[k, 1] * limits[k, 1] * (dx * dx + dy * dy + dz * dz):
        return 0
    depth = rotations[k, 2, 0] * corners[m, 4, 0] + rotations[k, 2, 1] * corners[m, 4, 1]
    depth += rotations[k, 2, 2] * corners[m, 4, 2] + offsets[k, 2]
    if depth < _NEAREST_DEPTH_M:
        return 0
    ok, u, v = project_point(
        models[k], parameters[k],
        rotations[k, 0, 0] * corners[m, 4, 0] + rotations[k, 0, 1] * corners[m, 4, 1]
        + rotations[k, 0, 2] * corners[m, 4, 2] + offsets[k, 0],
        rotations[k, 1, 0] * corners[m, 4, 0] + rotations[k, 1, 1] * corners[m, 4, 1]
        + rotations[k, 1, 2] * corners[m, 4, 2] + offsets[k, 1],
        depth,
    )  # fmt: skip
    if not (ok and 0.0 <= u <= sizes[k, 0] - 1.0 and 0.0 <= v <= sizes[k, 1] - 1.0):
        return 0
    for j in range(4):
        x, y, z = corners[m, j, 0], corners[m, j, 1], corners[m, j, 2]
        ok, u, v = _corner_rows(
            models[k], parameters[k], rotations[k], offsets[k], x, y, z, x, y, z, rows, 2 * j
        )  # fmt: skip
        if not ok:
            return 0
        pixels[2 * j] = u
        pixels[2 * j + 1] = v
    if not _is_readable(pixels, sizes[k, 0], sizes[k, 1], limits[k, 2], limits[k, 0], cells):
        return 0
    for j in range(5):
        ex, ey, ez = centres_field[m, 0], centres_field[m, 1], centres_field[m, 2]
        if j < 4:
            ex, ey, ez = corners_field[m, j, 0], corners_field[m, j, 1], corners_field[m, j, 2]
        if is_hidden(obstacles, 0, obstacles.shape[0], cam_x, cam_y, cam_z, ex, ey, ez):
            return 0
    bits = 0
    for state in range(first_box.shape[0]):
        hidden = False
        for j in range(5):
            if is_hidden(
                structures, first_box[state], box_count[state], pupils[k, 0], pupils[k, 1], pupils[k, 2],
                corners[m, j, 0], corners[m, j, 1], corners[m, j, 2],
            ):  # fmt: skip
                hidden = True
                break
        if not hidden:
            bits |= 1 << state
    return bits


@kernel
def evaluate_rigs(
    poses, models, parameters, rotations, offsets, pupils, sizes, limits, sd_tables, corners_field, centres_field,
    normals_field, cells, obstacles, structures, first_box, box_count, rigs, prior, considered,
    with_separation, markers_seen, noise_covariance, covariance, separation,
):  # fmt: skip
    """Fill, for each (pose, state, rig): distinct markers seen, covariances (3, 3), separation D of the mirrored pose.

    Parameters
    ----------
    poses (N, 3): x, y, heading. rotations, offsets (K, ...): camera_from_robot. pupils (K, 3): in robot.
    sizes (K, 2): picture. limits (K, 3): smallest px a cell, cosine of the largest facing angle, inset px.
    corners_field (M, 4, 3), centres_field, normals_field (M, 3); obstacles (O, 15) in field.
    structures (S, 15) in robot, those of a state from first_box, box_count. rigs (R, K): membership.
    prior (6,): inverse variances; considered (5,): sds of mount [m, rad], marker [m, rad] and relative focal length.
    Covariances are of along, across, heading in robot axes; `noise_covariance` from corner noise and prior alone,
    `covariance` with what stays the same for a whole drive. NaN where no marker is seen; `separation` too where
    `with_separation` is false, which saves about a third of the time.
    """
    mount_count, marker_count = models.shape[0], corners_field.shape[0]
    rig_count, state_count = rigs.shape[0], first_box.shape[0]
    seen = np.zeros((mount_count, marker_count), dtype=np.int64)
    pixels = np.empty((mount_count, marker_count, 8))
    rows = np.empty((8, 6))
    information = np.empty((mount_count, marker_count, 6, 6))
    focal = np.empty((mount_count, marker_count, 6))
    weights = np.empty((mount_count, marker_count))
    corners = np.empty((marker_count, 5, 3))
    normals = np.empty((marker_count, 3))
    total, lower, inverse, piece = np.empty((6, 6)), np.empty((6, 6)), np.empty((6, 6)), np.empty((6, 6))
    gain = np.empty((3, 6))
    scratch = (
        np.empty((3, 3)), np.empty((6, 6)), np.empty(6), np.empty((8, 6)), np.empty((6, 6)), np.empty((6, 6)),
    )  # fmt: skip
    wanted = (0, 1, 5)
    for n in range(poses.shape[0]):
        cosine, sine = math.cos(poses[n, 2]), math.sin(poses[n, 2])
        for m in range(marker_count):
            normals[m, 0] = cosine * normals_field[m, 0] + sine * normals_field[m, 1]
            normals[m, 1] = cosine * normals_field[m, 1] - sine * normals_field[m, 0]
            normals[m, 2] = normals_field[m, 2]
            for j in range(5):
                x, y, z = centres_field[m, 0], centres_field[m, 1], centres_field[m, 2]
                if j < 4:
                    x, y, z = corners_field[m, j, 0], corners_field[m, j, 1], corners_field[m, j, 2]
                x -= poses[n, 0]
                y -= poses[n, 1]
                corners[m, j, 0] = cosine * x + sine * y
                corners[m, j, 1] = cosine * y - sine * x
                corners[m, j, 2] = z
        for k in range(mount_count):
            for m in range(marker_count):
                seen[k, m] = _look(
                    poses[n], k, m, models, parameters, rotations, offsets, pupils, sizes, limits, corners_field,
                    centres_field, normals_field, cells, obstacles, structures, first_box, box_count, corners,
                    pixels[k, m], rows,
                )  # fmt: skip
                if seen[k, m] == 0:
                    continue
                area, longest, _ = _quadrilateral(pixels[k, m])
                sd = corner_sd(sd_tables[k], area / longest)
                weights[k, m] = 1.0 / (sd * sd)
                _add_information(rows, weights[k, m], information[k, m])
                for a in range(6):
                    value = 0.0
                    for j in range(4):
                        value += rows[2 * j, a] * (pixels[k, m, 2 * j] - parameters[k, 2])
                        value += rows[2 * j + 1, a] * (pixels[k, m, 2 * j + 1] - parameters[k, 3])
                    focal[k, m, a] = weights[k, m] * value
        for r in range(rig_count):
            rig = rigs[r]
            for state in range(state_count):
                twin = -1
                for earlier in range(state):
                    same = True
                    for k in range(mount_count):
                        if rig[k]:
                            for m in range(marker_count):
                                if (seen[k, m] >> state & 1) != (seen[k, m] >> earlier & 1):
                                    same = False
                    if same:
                        twin = earlier
                        break
                if twin >= 0:
                    markers_seen[n, state, r] = markers_seen[n, twin, r]
                    noise_covariance[n, state, r] = noise_covariance[n, twin, r]
                    covariance[n, state, r] = covariance[n, twin, r]
                    separation[n, state, r] = separation[n, twin, r]
                    continue
                count = 0
                total[:, :] = 0.0
                for a in range(6):
                    total[a, a] = prior[a]
                for m in range(marker_count):
                    found = False
                    for k in range(mount_count):
                        if rig[k] and seen[k, m] >> state & 1:
                            found = True
                            total += information[k, m]
                    if found:
                        count += 1
                markers_seen[n, state, r] = count
                if count == 0 or not _inverse(total, lower, inverse):
                    noise_covariance[n, state, r] = math.nan
                    covariance[n, state, r] = math.nan
                    separation[n, state, r] = math.nan
                    continue
                for i in range(3):
                    for j in range(3):
                        noise_covariance[n, state, r, i, j] = inverse[wanted[i], wanted[j]]
                    gain[i] = inverse[wanted[i]]
                result = covariance[n, state, r]
                result[:, :] = noise_covariance[n, state, r]
                for k in range(mount_count):
                    if not rig[k]:
                        continue
                    piece[:, :] = 0.0
                    found = False
                    by_focal = np.zeros(3)
                    for m in range(marker_count):
                        if seen[k, m] >> state & 1:
                            found = True
                            piece += information[k, m]
                            for i in range(3):
                                for a in range(6):
                                    by_focal[i] += gain[i, a] * focal[k, m, a]
                    if found:
                        _add_considered(
                            gain, piece, pupils[k, 0], pupils[k, 1], pupils[k, 2], considered[0], considered[1], result
                        )
                        for i in range(3):
                            for j in range(3):
                                result[i, j] += considered[4] * considered[4] * by_focal[i] * by_focal[j]
                for m in range(marker_count):
                    piece[:, :] = 0.0
                    found = False
                    for k in range(mount_count):
                        if rig[k] and seen[k, m] >> state & 1:
                            found = True
                            piece += information[k, m]
                    if found:
                        _add_considered(
                            gain, piece, corners[m, 4, 0], corners[m, 4, 1], corners[m, 4, 2], considered[2],
                            considered[3], result,
                        )  # fmt: skip
                if not with_separation:
                    separation[n, state, r] = math.nan
                    continue
                separation[n, state, r] = _mirrored_separation(
                    seen, rig, state, models, parameters, rotations, offsets, pupils, corners, normals, pixels,
                    weights, prior, scratch,
                )  # fmt: skip
