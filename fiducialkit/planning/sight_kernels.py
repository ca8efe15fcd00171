"""What one mount sees from every robot pose: the screening half of a prediction.

One mount at a time, so that its lens stays at hand. `find_candidates` leaves out what looks away, lies outside the
picture or is too small; `screen_candidates` decides on the rest; `planning.information_kernels` then says what the
sightings tell. Loops over `LANES` keep one number of each candidate side by side, so that the processor works on
several at once. Derived here; the numpy twin is in ``tests/planning_cases.py``.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.compiled import kernel
from fiducialkit.planning.kernels import SD_TABLE_FIRST_LOG2, SD_TABLE_LENGTH, SD_TABLE_PER_OCTAVE
from fiducialkit.scene.occlusion import is_hidden
from fiducialkit.scene.projection import BROWN, FISHEYE, bend

# rows of the markers, one column a marker: centre, normal, half the diagonal, area, half edges to the right and up
MARKER_ROWS = 14
WORD_BITS = 62  # markers a word of a bit set holds
# columns of the detector's tables: corner sd, probability, pull, sds of shift, size, turn, taper; of a sighting's noise
# the weight of a corner first, then the pull and those sds
TABLE_COLUMNS, NOISE_COLUMNS = 7, 6
LEAST_PROBABILITY = 0.02  # below it a marker counts as not seen
FACING_STEP_DEG, FACING_COUNT = 10.0, 8
LANES = 32
_NEAREST_DEPTH_M = 0.05
# rows of `work`, LANES numbers each; those of corners come in fours, points corner by corner
ROBOT, CENTRE, RIGHT, UP = 0, 4, 7, 10  # as gathered
POINT, TANGENT_X, TANGENT_Y, NEARNESS = 13, 25, 29, 33
BENT_X, BENT_Y, XX, XY, YY = 37, 41, 45, 49, 53
CENTRE_ROBOT, SHORTER, WEIGHT, TURNED, CAMERA, BEHIND = 57, 60, 61, 62, 63, 66
WORK_ROWS = 67

# acos(x) = sqrt(2 (1 - x)) times a function of 1 - x that is smooth from 0 to 90 degrees: a polynomial of its own
_ACOS_DEGREE = 18


def _acos_coefficients() -> tuple[float, ...]:
    def smooth(t):
        return np.arccos(1.0 - t) / np.sqrt(2.0 * t)

    fit = np.polynomial.Chebyshev.interpolate(smooth, _ACOS_DEGREE, domain=[0.0, 1.0])
    return tuple(fit.convert(kind=np.polynomial.Polynomial).coef.tolist())


_ACOS = _acos_coefficients()
_bend_inside = kernel(is_inlined=True)(getattr(bend, "py_func", bend))  # one formula, put into the loop


@kernel(allocates=False, reorders_sums=True)
def find_candidates(poses, place, view, marks, passing, facing, candidate_pose, candidate_marker, candidate_facing):
    """Return how many (pose, marker) may be seen, and fill them in the order of the poses.

    Parameters
    ----------
    poses (N, 4): x, y, cosine and sine of the heading. place (15,): camera_from_robot rotation and offset, pupil in
    robot. view (12,): the picture's bounds in tangents (left, right, top, bottom), least size factor, squared cosine of
    the largest facing angle, inset, width, height [px], 1 for a lens without distortion, smallest width read [px].
    marks (14, M): markers in field. Scratch: passing, facing (M,). Filled: pose, marker and squared cosine of the
    facing angle of each candidate, at most N * M.
    """
    tx0, tx1, tx2 = place[0], place[1], place[2]
    ty0, ty1, ty2 = place[3], place[4], place[5]
    tz0, tz1, tz2 = place[6], place[7], place[8]
    left, right, top, bottom, least, steepest = view[0], view[1], view[2], view[3], view[4], view[5]
    count = 0
    for n in range(poses.shape[0]):
        cosine, sine = poses[n, 2], poses[n, 3]
        pupil_x = poses[n, 0] + cosine * place[12] - sine * place[13]
        pupil_y = poses[n, 1] + sine * place[12] + cosine * place[13]
        pupil_z = place[14]
        x0, x1 = tx0 * cosine - tx1 * sine, tx0 * sine + tx1 * cosine
        y0, y1 = ty0 * cosine - ty1 * sine, ty0 * sine + ty1 * cosine
        z0, z1 = tz0 * cosine - tz1 * sine, tz0 * sine + tz1 * cosine
        for m in range(marks.shape[1]):
            dx, dy, dz = marks[0, m] - pupil_x, marks[1, m] - pupil_y, marks[2, m] - pupil_z
            away = -(dx * marks[3, m] + dy * marks[4, m] + dz * marks[5, m])
            distance2 = dx * dx + dy * dy + dz * dz
            x = x0 * dx + x1 * dy + tx2 * dz
            y = y0 * dx + y1 * dy + ty2 * dz
            z = z0 * dx + z1 * dy + tz2 * dz
            nearest, farthest = z - marks[6, m], z + marks[6, m]
            near3 = nearest * nearest * nearest
            area = marks[7, m] * away
            # area in the picture over the longest side, both bounded: see `scenery.size_factor`
            passing[m] = (
                (away > 0.0)
                & (away * away >= steepest * distance2)
                & (z > _NEAREST_DEPTH_M)
                & (x >= left * z)
                & (x <= right * z)
                & (y >= top * z)
                & (y <= bottom * z)
                & (
                    (nearest <= 0.0)
                    | (
                        area * area * farthest * farthest * distance2
                        >= least * marks[7, m] * (distance2 + away * away) * near3 * near3
                    )
                )
            )
            facing[m] = away * away / distance2
        for m in range(marks.shape[1]):
            if passing[m]:
                candidate_pose[count] = n
                candidate_marker[count] = m
                candidate_facing[count] = facing[m]
                count += 1
    return count


@kernel(allocates=False, is_inlined=True)
def table_values(tables, shorter_px, facing_deg, columns, values):
    """Fill the first `columns` values, straight between knots in log width and in facing angle."""
    across = min(max((math.log2(shorter_px) - SD_TABLE_FIRST_LOG2) * SD_TABLE_PER_OCTAVE, 0.0), SD_TABLE_LENGTH - 1.0)
    turned = min(max(facing_deg / FACING_STEP_DEG, 0.0), FACING_COUNT - 1.0)
    i, j = min(int(across), SD_TABLE_LENGTH - 2), min(int(turned), FACING_COUNT - 2)
    a, b = across - i, turned - j
    w00, w10, w01, w11 = (1.0 - a) * (1.0 - b), a * (1.0 - b), (1.0 - a) * b, a * b
    for c in range(columns):
        values[c] = (
            w00 * tables[i, j, c]
            + w10 * tables[i + 1, j, c]
            + w01 * tables[i, j + 1, c]
            + w11 * tables[i + 1, j + 1, c]
        )


@kernel(allocates=False)
def clear_chance(start_z, end_z, floor_m, blocks_per_m, height_m):
    """Return the chance that no other robot stands in a sight line of `floor_m` over the floor; see `OtherRobots`."""
    low, high = min(start_z, end_z), max(start_z, end_z)
    share = 1.0 if high <= height_m else 0.0 if low >= height_m else (height_m - low) / (high - low)
    return math.exp(-blocks_per_m * floor_m * share)


@kernel(allocates=False, reorders_sums=True)
def project_lanes(poses, place, model, lens, is_plain, marks, lanes, first, pose_of, marker_of, work):
    """Fill the rows of `work` from `ROBOT` to `CENTRE_ROBOT`, for the `lanes` markers from number `first` on."""
    t00, t01, t02, tx = place[0], place[1], place[2], place[9]
    t10, t11, t12, ty = place[3], place[4], place[5], place[10]
    t20, t21, t22, tz = place[6], place[7], place[8], place[11]
    for i in range(lanes):
        n, m = pose_of[first + i], marker_of[first + i]
        for c in range(4):
            work[(ROBOT + c) * LANES + i] = poses[n, c]
        for c in range(3):
            work[(CENTRE + c) * LANES + i] = marks[c, m]
            work[(RIGHT + c) * LANES + i] = marks[8 + c, m]
            work[(UP + c) * LANES + i] = marks[11 + c, m]
    for i in range(LANES):
        cosine, sine = work[(ROBOT + 2) * LANES + i], work[(ROBOT + 3) * LANES + i]
        dx = work[CENTRE * LANES + i] - work[ROBOT * LANES + i]
        dy = work[(CENTRE + 1) * LANES + i] - work[(ROBOT + 1) * LANES + i]
        cx, cy, cz = cosine * dx + sine * dy, cosine * dy - sine * dx, work[(CENTRE + 2) * LANES + i]
        ex, ey, ez = work[RIGHT * LANES + i], work[(RIGHT + 1) * LANES + i], work[(RIGHT + 2) * LANES + i]
        ex, ey = cosine * ex + sine * ey, cosine * ey - sine * ex
        gx, gy, gz = work[UP * LANES + i], work[(UP + 1) * LANES + i], work[(UP + 2) * LANES + i]
        gx, gy = cosine * gx + sine * gy, cosine * gy - sine * gx
        work[CENTRE_ROBOT * LANES + i] = cx
        work[(CENTRE_ROBOT + 1) * LANES + i] = cy
        work[(CENTRE_ROBOT + 2) * LANES + i] = cz
        for j in range(4):
            across, along = (1.0 if j == 1 or j == 2 else -1.0), (1.0 if j < 2 else -1.0)
            px = cx + across * ex + along * gx
            py = cy + across * ey + along * gy
            pz = cz + across * ez + along * gz
            work[(POINT + 3 * j) * LANES + i] = px
            work[(POINT + 3 * j + 1) * LANES + i] = py
            work[(POINT + 3 * j + 2) * LANES + i] = pz
            depth = t20 * px + t21 * py + t22 * pz + tz
            # what lies behind gets a nearness of NaN and fails every comparison
            nearness = 1.0 / depth if depth > _NEAREST_DEPTH_M else math.nan
            work[(NEARNESS + j) * LANES + i] = nearness
            work[(TANGENT_X + j) * LANES + i] = (t00 * px + t01 * py + t02 * pz + tx) * nearness
            work[(TANGENT_Y + j) * LANES + i] = (t10 * px + t11 * py + t12 * pz + ty) * nearness
    if is_plain:
        for c in range(8 * LANES):
            work[BENT_X * LANES + c] = work[TANGENT_X * LANES + c]
        for c in range(4 * LANES):
            work[XX * LANES + c], work[XY * LANES + c], work[YY * LANES + c] = 1.0, 0.0, 1.0
    elif model == FISHEYE:
        for c in range(4 * LANES):
            a, b, xx, xy, _, yy = bend(model, lens, work[TANGENT_X * LANES + c], work[TANGENT_Y * LANES + c])
            work[BENT_X * LANES + c], work[BENT_Y * LANES + c] = a, b
            work[XX * LANES + c], work[XY * LANES + c], work[YY * LANES + c] = xx, xy, yy
    else:
        for c in range(4 * LANES):
            a, b, xx, xy, _, yy = _bend_inside(BROWN, lens, work[TANGENT_X * LANES + c], work[TANGENT_Y * LANES + c])
            work[BENT_X * LANES + c], work[BENT_Y * LANES + c] = a, b
            work[XX * LANES + c], work[XY * LANES + c], work[YY * LANES + c] = xx, xy, yy


@kernel(allocates=False, reorders_sums=True)
def _measure_lanes(lens, view, work):
    """Fill the row `SHORTER`: a marker's area over its longest side [px], 0 where it is not all in the picture.

    The row `TURNED` holds the squared cosine of the facing angle before, and the angle afterwards. [deg]
    """
    inset, last_u, last_v = view[6], view[7] - 1.0 - view[6], view[8] - 1.0 - view[6]
    smallest_px = view[10]
    fx, fy, cu, cv = lens[0], lens[1], lens[2], lens[3]
    valid2 = lens[4] * lens[4]
    for i in range(LANES):
        is_inside = True
        area = 0.0
        longest = 0.0
        for j in range(4):
            a, b = work[(TANGENT_X + j) * LANES + i], work[(TANGENT_Y + j) * LANES + i]
            u, v = fx * work[(BENT_X + j) * LANES + i] + cu, fy * work[(BENT_Y + j) * LANES + i] + cv
            k = (j + 1) & 3
            u_next, v_next = fx * work[(BENT_X + k) * LANES + i] + cu, fy * work[(BENT_Y + k) * LANES + i] + cv
            is_inside = (
                is_inside & (a * a + b * b < valid2) & (u >= inset) & (u <= last_u) & (v >= inset) & (v <= last_v)
            )
            area += u * v_next - u_next * v
            side2 = (u_next - u) * (u_next - u) + (v_next - v) * (v_next - v)
            longest = side2 if side2 > longest else longest
        shorter = 0.5 * area / math.sqrt(longest)
        work[SHORTER * LANES + i] = shorter if is_inside & (shorter >= smallest_px) else 0.0
    for i in range(LANES):
        cosine = math.sqrt(work[TURNED * LANES + i])
        away = 1.0 - cosine if cosine < 1.0 else 0.0
        value = 0.0
        for c in range(_ACOS_DEGREE, -1, -1):
            value = value * away + _ACOS[c]
        work[TURNED * LANES + i] = value * math.sqrt(2.0 * away) * (180.0 / math.pi)


@kernel(allocates=False, reorders_sums=True)
def _count_near_boxes(boxes, from_row, to_row, reach_row, work):
    """Add to the row `BEHIND` how many boxes a line to within `reach` of the marker's centre can meet.

    By the slab method on the boxes made larger by `reach`; from_row and to_row hold the line's ends.
    """
    for b in range(boxes.shape[0]):
        mx, my, mz = boxes[b, 0], boxes[b, 1], boxes[b, 2]
        n00, n01, n02 = boxes[b, 3], boxes[b, 4], boxes[b, 5]
        n10, n11, n12 = boxes[b, 6], boxes[b, 7], boxes[b, 8]
        n20, n21, n22 = boxes[b, 9], boxes[b, 10], boxes[b, 11]
        h0, h1, h2 = boxes[b, 12], boxes[b, 13], boxes[b, 14]
        for i in range(LANES):
            ax, ay, az = work[from_row * LANES + i], work[(from_row + 1) * LANES + i], work[(from_row + 2) * LANES + i]
            dx, dy, dz = work[to_row * LANES + i], work[(to_row + 1) * LANES + i], work[(to_row + 2) * LANES + i]
            dx, dy, dz = dx - ax, dy - ay, dz - az
            ax, ay, az = ax - mx, ay - my, az - mz
            reach = work[reach_row * LANES + i]
            s0, s1, s2 = n00 * ax + n01 * ay + n02 * az, n10 * ax + n11 * ay + n12 * az, n20 * ax + n21 * ay + n22 * az
            v0, v1, v2 = n00 * dx + n01 * dy + n02 * dz, n10 * dx + n11 * dy + n12 * dz, n20 * dx + n21 * dy + n22 * dz
            v0, v1, v2 = 1.0 / (v0 + 1e-300), 1.0 / (v1 + 1e-300), 1.0 / (v2 + 1e-300)
            p0, q0 = (-h0 - reach - s0) * v0, (h0 + reach - s0) * v0
            p1, q1 = (-h1 - reach - s1) * v1, (h1 + reach - s1) * v1
            p2, q2 = (-h2 - reach - s2) * v2, (h2 + reach - s2) * v2
            enter = max(max(min(p0, q0), min(p1, q1)), max(min(p2, q2), 0.0))
            leave = min(min(max(p0, q0), max(p1, q1)), min(max(p2, q2), 1.0))
            work[BEHIND * LANES + i] += 1.0 if enter <= leave else 0.0


@kernel(allocates=False)
def _hides_some(boxes, b, ax, ay, az, work, i, centre):
    """Return whether box b hides from a the centre, rows from `centre` on, or a corner of the marker in lane i."""
    cx, cy, cz = work[centre * LANES + i], work[(centre + 1) * LANES + i], work[(centre + 2) * LANES + i]
    if is_hidden(boxes, b, 1, ax, ay, az, cx, cy, cz):
        return True
    for j in range(4):
        if centre == CENTRE:
            across, along = (1.0 if j == 1 or j == 2 else -1.0), (1.0 if j < 2 else -1.0)
            x = cx + across * work[RIGHT * LANES + i] + along * work[UP * LANES + i]
            y = cy + across * work[(RIGHT + 1) * LANES + i] + along * work[(UP + 1) * LANES + i]
            z = cz + across * work[(RIGHT + 2) * LANES + i] + along * work[(UP + 2) * LANES + i]
        else:
            x, y = work[(POINT + 3 * j) * LANES + i], work[(POINT + 3 * j + 1) * LANES + i]
            z = work[(POINT + 3 * j + 2) * LANES + i]
        if is_hidden(boxes, b, 1, ax, ay, az, x, y, z):
            return True
    return False


@kernel(allocates=False, reorders_sums=True)
def screen_candidates(
    poses, place, model, lens, view, tables, marks, obstacles, structures, structure_states, every_state, others,
    candidate_count, candidate_pose, candidate_marker, candidate_facing, work, values, sighting_pose, sighting_marker,
    sighting_states, sighting_noise, sighting_probability,
):  # fmt: skip
    """Return how many candidates are seen in some mechanism state, and fill pose, marker, states, noise, probability.

    Parameters
    ----------
    poses, place, view, marks, candidate_pose, candidate_marker, candidate_facing: as `find_candidates`. model, lens: as
    `scene.projection`. tables (65, 8, 7 or 2): corner sd, probability and what makes up the sd. obstacles (O, 15) in
    field; structures (B, 15) in robot, those that can stand in this mount's view, structure_states (B,): bits of the
    states a box is there in. others (2,): sight lines blocked a metre of floor, height [m]. Scratch: work
    (67 * LANES,), values (7,). Noise (L, 6) is the weight of a corner, the pull and four sds. The outputs may be the
    arrays of the candidates: they are written behind what has been read.
    """
    pupil_x, pupil_y, pupil_z = place[12], place[13], place[14]
    count = 0
    for c in range(WORK_ROWS * LANES):
        work[c] = 1.0
    for first in range(0, candidate_count, LANES):
        lanes = min(LANES, candidate_count - first)
        project_lanes(
            poses, place, model, lens, view[9] > 0.0, marks, lanes, first, candidate_pose, candidate_marker, work
        )
        for i in range(lanes):
            work[TURNED * LANES + i] = candidate_facing[first + i]
            work[WEIGHT * LANES + i] = marks[6, candidate_marker[first + i]]
        for i in range(LANES):
            cosine, sine = work[(ROBOT + 2) * LANES + i], work[(ROBOT + 3) * LANES + i]
            work[CAMERA * LANES + i] = work[ROBOT * LANES + i] + cosine * pupil_x - sine * pupil_y
            work[(CAMERA + 1) * LANES + i] = work[(ROBOT + 1) * LANES + i] + sine * pupil_x + cosine * pupil_y
            work[(CAMERA + 2) * LANES + i] = pupil_z
            work[BEHIND * LANES + i] = 0.0
        _measure_lanes(lens, view, work)
        _count_near_boxes(obstacles, CAMERA, CENTRE, WEIGHT, work)
        for i in range(lanes):
            shorter = work[SHORTER * LANES + i]
            if not shorter > 0.0:
                continue
            n, m = candidate_pose[first + i], candidate_marker[first + i]
            table_values(tables, shorter, work[TURNED * LANES + i], tables.shape[2], values)
            probability = values[1]
            mx, my, mz = work[CENTRE * LANES + i], work[(CENTRE + 1) * LANES + i], work[(CENTRE + 2) * LANES + i]
            camera_x, camera_y = work[CAMERA * LANES + i], work[(CAMERA + 1) * LANES + i]
            if others[0] > 0.0:
                floor_m = math.hypot(mx - camera_x, my - camera_y)
                probability *= clear_chance(pupil_z, mz, floor_m, others[0], others[1])
            if not probability >= LEAST_PROBABILITY:
                continue
            if work[BEHIND * LANES + i] > 0.0:
                is_behind = False
                for b in range(obstacles.shape[0]):
                    if _hides_some(obstacles, b, camera_x, camera_y, pupil_z, work, i, CENTRE):
                        is_behind = True
                        break
                if is_behind:
                    continue
            states = every_state
            for b in range(structures.shape[0]):
                if states & structure_states[b] != 0 and _hides_some(
                    structures, b, pupil_x, pupil_y, pupil_z, work, i, CENTRE_ROBOT
                ):
                    states &= ~structure_states[b]
            if states == 0:
                continue
            sighting_pose[count] = n
            sighting_marker[count] = m
            sighting_states[count] = states
            sighting_noise[count, 0] = 1.0 / (values[0] * values[0])
            for c in range(1, NOISE_COLUMNS):
                sighting_noise[count, c] = values[c + 1]
            sighting_probability[count] = probability
            count += 1
    return count
