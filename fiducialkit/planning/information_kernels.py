"""What sightings tell: information, and what stays unknown for a whole drive, summed by mount, pose and state.

Everything is in the robot's own axes at its origin: a small error is a translation ``d`` and a rotation vector ``w``,
in this order, and moves what the camera looks at by ``-d - w x p``. A symmetric 6 x 6 matrix is stored as its 21
numbers of the lower half, row by row. Sums stand in rows, one for each set of markers seen from a pose in some states;
rows lie in blocks of `LANES`, one number of each row side by side: ``sums[row // LANES, column, row % LANES]``. Derived
here; the numpy twin is in ``tests/planning_cases.py``.
"""

from __future__ import annotations

from fiducialkit.compiled import kernel
from fiducialkit.planning.edge_kernels import PULL, tell_edges, tell_errors
from fiducialkit.planning.sight_kernels import (
    BENT_X,
    BENT_Y,
    LANES,
    NEARNESS,
    NOISE_COLUMNS,
    POINT,
    TANGENT_X,
    TANGENT_Y,
    WEIGHT,
    WORD_BITS,
    XX,
    XY,
    YY,
    project_lanes,
)

# columns of what a sighting tells, which add up: information, pull of a relative focal error; where corners of some
# mount are pulled inwards, the covariance of the weighted errors and their mean; what an unknown marker does
FOCAL, RANDOM, MEAN, BY_MARKER, COLUMNS = 21, 27, 48, 54, 75
SYMMETRIC = 21
# columns of what is kept of a single sighting: all but the last of these, corners [px]
PIXELS, KEPT = 54, 62


@kernel(allocates=False, reorders_sums=True)
def _tell_lanes(place, lens, work, told):
    """Fill columns 0 to 26 of `told`: weight g g' summed over the eight rows g = d(pixel)/d(d, w), and their pull."""
    t00, t01, t02 = place[0], place[1], place[2]
    t10, t11, t12 = place[3], place[4], place[5]
    t20, t21, t22 = place[6], place[7], place[8]
    fx, fy = lens[0], lens[1]
    for i in range(LANES):
        i00 = i10 = i11 = i20 = i21 = i22 = i30 = i31 = i32 = i33 = 0.0
        i40 = i41 = i42 = i43 = i44 = i50 = i51 = i52 = i53 = i54 = i55 = 0.0
        f0 = f1 = f2 = f3 = f4 = f5 = 0.0
        for j in range(4):
            px, py = work[(POINT + 3 * j) * LANES + i], work[(POINT + 3 * j + 1) * LANES + i]
            pz = work[(POINT + 3 * j + 2) * LANES + i]
            a, b = work[(TANGENT_X + j) * LANES + i], work[(TANGENT_Y + j) * LANES + i]
            nearness = work[(NEARNESS + j) * LANES + i]
            cross = work[(XY + j) * LANES + i]
            for half in range(2):
                if half == 0:
                    gx, gy = fx * nearness * work[(XX + j) * LANES + i], fx * nearness * cross
                    pull = fx * work[(BENT_X + j) * LANES + i]
                else:
                    gx, gy = fy * nearness * cross, fy * nearness * work[(YY + j) * LANES + i]
                    pull = fy * work[(BENT_Y + j) * LANES + i]
                gz = -(gx * a + gy * b)
                g0 = -(gx * t00 + gy * t10 + gz * t20)
                g1 = -(gx * t01 + gy * t11 + gz * t21)
                g2 = -(gx * t02 + gy * t12 + gz * t22)
                g3 = g2 * py - g1 * pz
                g4 = g0 * pz - g2 * px
                g5 = g1 * px - g0 * py
                i00 += g0 * g0
                i10 += g1 * g0
                i11 += g1 * g1
                i20 += g2 * g0
                i21 += g2 * g1
                i22 += g2 * g2
                i30 += g3 * g0
                i31 += g3 * g1
                i32 += g3 * g2
                i33 += g3 * g3
                i40 += g4 * g0
                i41 += g4 * g1
                i42 += g4 * g2
                i43 += g4 * g3
                i44 += g4 * g4
                i50 += g5 * g0
                i51 += g5 * g1
                i52 += g5 * g2
                i53 += g5 * g3
                i54 += g5 * g4
                i55 += g5 * g5
                f0 += g0 * pull
                f1 += g1 * pull
                f2 += g2 * pull
                f3 += g3 * pull
                f4 += g4 * pull
                f5 += g5 * pull
        weight = work[WEIGHT * LANES + i]
        told[0 * LANES + i] = weight * i00
        told[1 * LANES + i] = weight * i10
        told[2 * LANES + i] = weight * i11
        told[3 * LANES + i] = weight * i20
        told[4 * LANES + i] = weight * i21
        told[5 * LANES + i] = weight * i22
        told[6 * LANES + i] = weight * i30
        told[7 * LANES + i] = weight * i31
        told[8 * LANES + i] = weight * i32
        told[9 * LANES + i] = weight * i33
        told[10 * LANES + i] = weight * i40
        told[11 * LANES + i] = weight * i41
        told[12 * LANES + i] = weight * i42
        told[13 * LANES + i] = weight * i43
        told[14 * LANES + i] = weight * i44
        told[15 * LANES + i] = weight * i50
        told[16 * LANES + i] = weight * i51
        told[17 * LANES + i] = weight * i52
        told[18 * LANES + i] = weight * i53
        told[19 * LANES + i] = weight * i54
        told[20 * LANES + i] = weight * i55
        told[21 * LANES + i] = weight * f0
        told[22 * LANES + i] = weight * f1
        told[23 * LANES + i] = weight * f2
        told[24 * LANES + i] = weight * f3
        told[25 * LANES + i] = weight * f4
        told[26 * LANES + i] = weight * f5


@kernel(allocates=False, reorders_sums=True)
def spread_lanes(source, centre, sd_m, sd_rad, out):
    """Write L T S T' L' of every lane to 21 columns of `out`: what an unknown shift and turn of one piece does.

    L is the information that came through the piece, 21 columns of `source`; T moves the piece's turning point, three
    columns of `centre`, to the robot's origin; S holds the variances.
    """
    m2, r2 = sd_m * sd_m, sd_rad * sd_rad
    for i in range(LANES):
        ax, ay, az = centre[i], centre[LANES + i], centre[2 * LANES + i]
        l00 = source[0 * LANES + i]
        l10 = source[1 * LANES + i]
        l11 = source[2 * LANES + i]
        l20 = source[3 * LANES + i]
        l21 = source[4 * LANES + i]
        l22 = source[5 * LANES + i]
        l30 = source[6 * LANES + i]
        l31 = source[7 * LANES + i]
        l32 = source[8 * LANES + i]
        l33 = source[9 * LANES + i]
        l40 = source[10 * LANES + i]
        l41 = source[11 * LANES + i]
        l42 = source[12 * LANES + i]
        l43 = source[13 * LANES + i]
        l44 = source[14 * LANES + i]
        l50 = source[15 * LANES + i]
        l51 = source[16 * LANES + i]
        l52 = source[17 * LANES + i]
        l53 = source[18 * LANES + i]
        l54 = source[19 * LANES + i]
        l55 = source[20 * LANES + i]
        x0 = l30 + l10 * az - l20 * ay
        y0 = l40 + l20 * ax - l00 * az
        z0 = l50 + l00 * ay - l10 * ax
        x1 = l31 + l11 * az - l21 * ay
        y1 = l41 + l21 * ax - l10 * az
        z1 = l51 + l10 * ay - l11 * ax
        x2 = l32 + l21 * az - l22 * ay
        y2 = l42 + l22 * ax - l20 * az
        z2 = l52 + l20 * ay - l21 * ax
        x3 = l33 + l31 * az - l32 * ay
        y3 = l43 + l32 * ax - l30 * az
        z3 = l53 + l30 * ay - l31 * ax
        x4 = l43 + l41 * az - l42 * ay
        y4 = l44 + l42 * ax - l40 * az
        z4 = l54 + l40 * ay - l41 * ax
        x5 = l53 + l51 * az - l52 * ay
        y5 = l54 + l52 * ax - l50 * az
        z5 = l55 + l50 * ay - l51 * ax
        out[0 * LANES + i] = m2 * (l00 * l00 + l10 * l10 + l20 * l20) + r2 * (x0 * x0 + y0 * y0 + z0 * z0)
        out[1 * LANES + i] = m2 * (l10 * l00 + l11 * l10 + l21 * l20) + r2 * (x1 * x0 + y1 * y0 + z1 * z0)
        out[2 * LANES + i] = m2 * (l10 * l10 + l11 * l11 + l21 * l21) + r2 * (x1 * x1 + y1 * y1 + z1 * z1)
        out[3 * LANES + i] = m2 * (l20 * l00 + l21 * l10 + l22 * l20) + r2 * (x2 * x0 + y2 * y0 + z2 * z0)
        out[4 * LANES + i] = m2 * (l20 * l10 + l21 * l11 + l22 * l21) + r2 * (x2 * x1 + y2 * y1 + z2 * z1)
        out[5 * LANES + i] = m2 * (l20 * l20 + l21 * l21 + l22 * l22) + r2 * (x2 * x2 + y2 * y2 + z2 * z2)
        out[6 * LANES + i] = m2 * (l30 * l00 + l31 * l10 + l32 * l20) + r2 * (x3 * x0 + y3 * y0 + z3 * z0)
        out[7 * LANES + i] = m2 * (l30 * l10 + l31 * l11 + l32 * l21) + r2 * (x3 * x1 + y3 * y1 + z3 * z1)
        out[8 * LANES + i] = m2 * (l30 * l20 + l31 * l21 + l32 * l22) + r2 * (x3 * x2 + y3 * y2 + z3 * z2)
        out[9 * LANES + i] = m2 * (l30 * l30 + l31 * l31 + l32 * l32) + r2 * (x3 * x3 + y3 * y3 + z3 * z3)
        out[10 * LANES + i] = m2 * (l40 * l00 + l41 * l10 + l42 * l20) + r2 * (x4 * x0 + y4 * y0 + z4 * z0)
        out[11 * LANES + i] = m2 * (l40 * l10 + l41 * l11 + l42 * l21) + r2 * (x4 * x1 + y4 * y1 + z4 * z1)
        out[12 * LANES + i] = m2 * (l40 * l20 + l41 * l21 + l42 * l22) + r2 * (x4 * x2 + y4 * y2 + z4 * z2)
        out[13 * LANES + i] = m2 * (l40 * l30 + l41 * l31 + l42 * l32) + r2 * (x4 * x3 + y4 * y3 + z4 * z3)
        out[14 * LANES + i] = m2 * (l40 * l40 + l41 * l41 + l42 * l42) + r2 * (x4 * x4 + y4 * y4 + z4 * z4)
        out[15 * LANES + i] = m2 * (l50 * l00 + l51 * l10 + l52 * l20) + r2 * (x5 * x0 + y5 * y0 + z5 * z0)
        out[16 * LANES + i] = m2 * (l50 * l10 + l51 * l11 + l52 * l21) + r2 * (x5 * x1 + y5 * y1 + z5 * z1)
        out[17 * LANES + i] = m2 * (l50 * l20 + l51 * l21 + l52 * l22) + r2 * (x5 * x2 + y5 * y2 + z5 * z2)
        out[18 * LANES + i] = m2 * (l50 * l30 + l51 * l31 + l52 * l32) + r2 * (x5 * x3 + y5 * y3 + z5 * z3)
        out[19 * LANES + i] = m2 * (l50 * l40 + l51 * l41 + l52 * l42) + r2 * (x5 * x4 + y5 * y4 + z5 * z4)
        out[20 * LANES + i] = m2 * (l50 * l50 + l51 * l51 + l52 * l52) + r2 * (x5 * x5 + y5 * y5 + z5 * z5)


@kernel(allocates=False)
def rows_of_poses(
    pose_count, state_count, sure_from, count, sighting_pose, sighting_marker, sighting_states, sighting_probability,
    start, row_of, is_uncertain, seen,
):  # fmt: skip
    """Return how many rows the sums of one mount need, and say which: poses and states that see alike share one.

    Filled: start (N + 1,): the sightings of pose n are start[n] to start[n + 1]; row_of (N, S): -1 where nothing is
    seen; is_uncertain (N,): a sighting has a probability below `sure_from`; seen (N * S, W): the others, as bits.
    """
    end = 0
    rows = 0
    for n in range(pose_count):
        start[n] = end
        uncertain = False
        for state in range(n * state_count, (n + 1) * state_count):
            for w in range(seen.shape[1]):
                seen[state, w] = 0
        while end < count and sighting_pose[end] == n:
            if sighting_probability[end] < sure_from:
                uncertain = True
            else:
                word, bit = sighting_marker[end] // WORD_BITS, 1 << (sighting_marker[end] % WORD_BITS)
                for state in range(state_count):
                    if sighting_states[end] >> state & 1:
                        seen[n * state_count + state, word] |= bit
            end += 1
        is_uncertain[n] = uncertain
        for state in range(state_count):
            row_of[n, state] = -1
            is_blank = True
            twin = -1
            for q in range(start[n], end):
                if sighting_states[q] >> state & 1:
                    is_blank = False
            if is_blank:
                continue
            for earlier in range(state):
                is_same = True
                for q in range(start[n], end):
                    if (sighting_states[q] >> state ^ sighting_states[q] >> earlier) & 1:
                        is_same = False
                if is_same:
                    twin = earlier
                    break
            if twin >= 0:
                row_of[n, state] = row_of[n, twin]
            else:
                row_of[n, state] = rows
                rows += 1
    start[pose_count] = end
    return rows


@kernel(allocates=False)
def _begin_lanes(lanes, first, sighting_noise, work):
    """Fill WEIGHT and the rows from PULL on."""
    for i in range(lanes):
        work[WEIGHT * LANES + i] = sighting_noise[first + i, 0]
        for c in range(1, NOISE_COLUMNS):
            work[(PULL + c - 1) * LANES + i] = sighting_noise[first + i, c]


@kernel(allocates=False)
def _keep_lanes(lanes, first, columns, keeps_pixels, lens, work, told, kept):
    """Fill the rows of `kept` of some sightings: columns of `told`, and corners."""
    for i in range(lanes):
        for c in range(columns):
            kept[first + i, c] = told[c * LANES + i]
    if keeps_pixels:
        for i in range(lanes):
            for j in range(4):
                kept[first + i, PIXELS + 2 * j] = lens[0] * work[(BENT_X + j) * LANES + i] + lens[2]
                kept[first + i, PIXELS + 2 * j + 1] = lens[1] * work[(BENT_Y + j) * LANES + i] + lens[3]


@kernel(allocates=False)
def tell_independent(
    poses, place, model, lens, is_plain, _coupling, marks, keeps_pixels, count, sighting_pose, sighting_marker,
    sighting_noise, work, _edges, told, kept,
):  # fmt: skip
    """Fill `kept` (count, 62) up to RANDOM, and from PIXELS on if asked: corners that err independently.

    Parameters
    ----------
    poses, place, model, lens, marks, sighting_*: as `sight_kernels.screen_candidates`. coupling: how ways of edges to
    err hang together. Scratch: work (85 * LANES,), edges (58 * LANES,), told (75 * LANES,).
    """
    for first in range(0, count, LANES):
        lanes = min(LANES, count - first)
        project_lanes(poses, place, model, lens, is_plain, marks, lanes, first, sighting_pose, sighting_marker, work)
        _begin_lanes(lanes, first, sighting_noise, work)
        _tell_lanes(place, lens, work, told)
        _keep_lanes(lanes, first, RANDOM, keeps_pixels, lens, work, told, kept)


@kernel(allocates=False)
def tell_together(
    poses, place, model, lens, is_plain, coupling, marks, keeps_pixels, count, sighting_pose, sighting_marker,
    sighting_noise, work, edges, told, kept,
):  # fmt: skip
    """Do what `tell_independent` does for corners that err along edges, in a solver that is told so."""
    for first in range(0, count, LANES):
        lanes = min(LANES, count - first)
        project_lanes(poses, place, model, lens, is_plain, marks, lanes, first, sighting_pose, sighting_marker, work)
        _begin_lanes(lanes, first, sighting_noise, work)
        tell_edges(place, lens, coupling, work, edges, told)
        _keep_lanes(lanes, first, RANDOM, keeps_pixels, lens, work, told, kept)


@kernel(allocates=False)
def tell_pulled(
    poses, place, model, lens, is_plain, coupling, marks, keeps_pixels, count, sighting_pose, sighting_marker,
    sighting_noise, work, edges, told, kept,
):  # fmt: skip
    """Do what `tell_independent` does, up to BY_MARKER: corners that are pulled inwards and err along edges.

    The solver takes them for independent.
    """
    for first in range(0, count, LANES):
        lanes = min(LANES, count - first)
        project_lanes(poses, place, model, lens, is_plain, marks, lanes, first, sighting_pose, sighting_marker, work)
        _begin_lanes(lanes, first, sighting_noise, work)
        _tell_lanes(place, lens, work, told)
        tell_errors(place, lens, coupling, work, edges, told[RANDOM * LANES :])
        _keep_lanes(lanes, first, BY_MARKER, keeps_pixels, lens, work, told, kept)


@kernel(allocates=False, reorders_sums=True)
def _add_square(source, variance, out):
    """Add variance f f' of six columns of `source` to 21 columns of `out`."""
    for r in range(6):
        for c in range(r + 1):
            place = (r * (r + 1) // 2 + c) * LANES
            for i in range(LANES):
                out[place + i] += variance * source[r * LANES + i] * source[c * LANES + i]


@kernel(allocates=False)
def _centre_lanes(poses, marks, lanes, first, sighting_pose, sighting_marker, centre):
    """Fill the centres of markers in robot, three rows."""
    for i in range(lanes):
        n, m = sighting_pose[first + i], sighting_marker[first + i]
        dx, dy = marks[0, m] - poses[n, 0], marks[1, m] - poses[n, 1]
        centre[i] = poses[n, 2] * dx + poses[n, 3] * dy
        centre[LANES + i] = poses[n, 2] * dy - poses[n, 3] * dx
        centre[2 * LANES + i] = marks[2, m]


@kernel(allocates=False, reorders_sums=True)
def sum_sightings(
    poses, place, has_pull, marks, considered, state_count, sure_from, count, sighting_pose, sighting_marker,
    sighting_states, sighting_probability, row_count, row_of, kept, centre, told, sums, spread,
):  # fmt: skip
    """Fill what one mount's sightings of a probability of `sure_from` or more tell together, by row.

    Parameters
    ----------
    poses, place, marks, sighting_*: as `sight_kernels.screen_candidates`. has_pull: the columns from RANDOM on count.
    considered (5,): sds of mount [m, rad], marker [m, rad], relative focal length. row_of (N, S): of `rows_of_poses`.
    kept (count, 62). Scratch: centre (3 * LANES,), told (75 * LANES,). Filled: sums (blocks * 75 * LANES,), spread
    (blocks * 21 * LANES,).
    """
    blocks = (row_count + LANES - 1) // LANES
    for c in range(blocks * COLUMNS * LANES):
        sums[c] = 0.0
    telling = BY_MARKER if has_pull else RANDOM
    for first in range(0, count, LANES):
        lanes = min(LANES, count - first)
        _centre_lanes(poses, marks, lanes, first, sighting_pose, sighting_marker, centre)
        for i in range(lanes):
            for c in range(telling):
                told[c * LANES + i] = kept[first + i, c]
        spread_lanes(told, centre, considered[2], considered[3], told[BY_MARKER * LANES :])
        for i in range(lanes):
            q = first + i
            if sighting_probability[q] < sure_from:
                continue
            before = -1
            for state in range(state_count):
                row = row_of[sighting_pose[q], state]
                # rows rise with the state, those shared with an earlier one apart
                if sighting_states[q] >> state & 1 and row > before:
                    before = row
                    base = row // LANES * COLUMNS * LANES + row % LANES
                    for c in range(telling):
                        sums[base + c * LANES] += told[c * LANES + i]
                    for c in range(BY_MARKER, COLUMNS):
                        sums[base + c * LANES] += told[c * LANES + i]
    for c in range(3):
        for i in range(LANES):
            centre[c * LANES + i] = place[12 + c]
    for block in range(blocks):
        added, out = sums[block * COLUMNS * LANES :], spread[block * SYMMETRIC * LANES :]
        spread_lanes(added, centre, considered[0], considered[1], out)
        for i in range(SYMMETRIC * LANES):
            out[i] += added[BY_MARKER * LANES + i]
        _add_square(added[FOCAL * LANES :], considered[4] * considered[4], out)
        if has_pull:
            for i in range(SYMMETRIC * LANES):
                out[i] += added[RANDOM * LANES + i] - added[i]
            _add_square(added[MEAN * LANES :], 1.0, out)
