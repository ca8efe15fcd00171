"""Rigs as sums over their mounts: how well each fixes the pose, mixed over what is seen and what is not.

Matrices as in `planning.information_kernels`. Derived here; the numpy twin is in ``tests/planning_cases.py``.
"""

from __future__ import annotations

import math

from fiducialkit.compiled import kernel
from fiducialkit.planning.information_kernels import BY_MARKER, FOCAL, SYMMETRIC

MOST_MIXED = 3  # sightings of a rig that are each taken as seen and as not seen; the others are rounded
_LEAST_SHARE = 1e-13  # of a diagonal element that must be left once the others have explained their part


@kernel(is_inlined=True, allocates=False)
def _at(r, s):
    return r * (r + 1) // 2 + s if s <= r else s * (s + 1) // 2 + r


@kernel(allocates=False)
def solve_pose(total, gain, noise):
    """Write rows 0, 1, 5 of the inverse of a 6 x 6 matrix (its 21 numbers) to gain (18,), and their own six to `noise`.

    Unknowns 2, 3, 4 (height and tilt) are eliminated first; both 3 x 3 blocks by L D L'. False if singular.
    """
    p00, p10, p11, p20, p21, p22 = total[5], total[8], total[9], total[12], total[13], total[14]
    l10, l20 = p10 / p00, p20 / p00
    d1 = p11 - l10 * p10
    l21 = (p21 - l20 * p10) / d1
    d2 = p22 - l20 * p20 - l21 * l21 * d1
    if not (p00 > 0.0 and d1 > _LEAST_SHARE * p11 and d2 > _LEAST_SHARE * p22):
        return False
    # X = R P^-1, row by row: solve P x = r
    for w in range(3):
        r0 = total[3] if w == 0 else total[4] if w == 1 else total[17]
        r1 = total[6] if w == 0 else total[7] if w == 1 else total[18]
        r2 = total[10] if w == 0 else total[11] if w == 1 else total[19]
        y1 = r1 - l10 * r0
        y2 = r2 - l20 * r0 - l21 * y1
        x2 = y2 / d2
        x1 = y1 / d1 - l21 * x2
        x0 = r0 / p00 - l10 * x1 - l20 * x2
        gain[6 * w + 2], gain[6 * w + 3], gain[6 * w + 4] = x0, x1, x2
    a0, a1, a2 = gain[2], gain[3], gain[4]
    b0, b1, b2 = gain[8], gain[9], gain[10]
    c0, c1, c2 = gain[14], gain[15], gain[16]
    s00 = total[0] - (a0 * total[3] + a1 * total[6] + a2 * total[10])
    s10 = total[1] - (b0 * total[3] + b1 * total[6] + b2 * total[10])
    s11 = total[2] - (b0 * total[4] + b1 * total[7] + b2 * total[11])
    s20 = total[15] - (c0 * total[3] + c1 * total[6] + c2 * total[10])
    s21 = total[16] - (c0 * total[4] + c1 * total[7] + c2 * total[11])
    s22 = total[20] - (c0 * total[17] + c1 * total[18] + c2 * total[19])
    l10, l20 = s10 / s00, s20 / s00
    d1 = s11 - l10 * s10
    l21 = (s21 - l20 * s10) / d1
    d2 = s22 - l20 * s20 - l21 * l21 * d1
    if not (s00 > _LEAST_SHARE * total[0] and d1 > _LEAST_SHARE * total[2] and d2 > _LEAST_SHARE * total[20]):
        return False
    # inverse of L D L'
    m20 = l21 * l10 - l20
    i22 = 1.0 / d2
    i21 = -l21 * i22
    i20 = m20 * i22
    i11 = 1.0 / d1 - l21 * i21
    i10 = -l10 / d1 - l21 * i20
    i00 = 1.0 / s00 + l10 * l10 / d1 + m20 * i20
    noise[0], noise[1], noise[2], noise[3], noise[4], noise[5] = i00, i10, i11, i20, i21, i22
    for w in range(3):
        u = i00 if w == 0 else i10 if w == 1 else i20
        v = i10 if w == 0 else i11 if w == 1 else i21
        t = i20 if w == 0 else i21 if w == 1 else i22
        gain[6 * w], gain[6 * w + 1], gain[6 * w + 5] = u, v, t
        gain[6 * w + 2] = -(u * a0 + v * b0 + t * c0)
        gain[6 * w + 3] = -(u * a1 + v * b1 + t * c1)
        gain[6 * w + 4] = -(u * a2 + v * b2 + t * c2)
    return True


@kernel(allocates=False, reorders_sums=True)
def _add_piece(gain, told, ax, ay, az, var_m, var_rad, moved, share, result):
    """Add to result[9:15] ``share * G L T S T' L' G'``: what an unknown shift and turn of one piece does to the pose.

    G (its 18 numbers) are three rows of the pose's covariance, L (21) the information that came through the piece, T
    moves its turning point (ax, ay, az) to the robot's origin, S holds the variances. Formed from the left: G L is of
    the order of one, while L S L' would lose digits that G cannot bring back. moved (18,): scratch.
    """
    for w in range(3):
        g0, g1, g2 = gain[6 * w], gain[6 * w + 1], gain[6 * w + 2]
        g3, g4, g5 = gain[6 * w + 3], gain[6 * w + 4], gain[6 * w + 5]
        bx = g0 * told[0] + g1 * told[1] + g2 * told[3] + g3 * told[6] + g4 * told[10] + g5 * told[15]
        by = g0 * told[1] + g1 * told[2] + g2 * told[4] + g3 * told[7] + g4 * told[11] + g5 * told[16]
        bz = g0 * told[3] + g1 * told[4] + g2 * told[5] + g3 * told[8] + g4 * told[12] + g5 * told[17]
        x = g0 * told[6] + g1 * told[7] + g2 * told[8] + g3 * told[9] + g4 * told[13] + g5 * told[18]
        y = g0 * told[10] + g1 * told[11] + g2 * told[12] + g3 * told[13] + g4 * told[14] + g5 * told[19]
        z = g0 * told[15] + g1 * told[16] + g2 * told[17] + g3 * told[18] + g4 * told[19] + g5 * told[20]
        moved[6 * w], moved[6 * w + 1], moved[6 * w + 2] = bx, by, bz
        moved[6 * w + 3] = x + by * az - bz * ay
        moved[6 * w + 4] = y + bz * ax - bx * az
        moved[6 * w + 5] = z + bx * ay - by * ax
    for w in range(3):
        for v in range(w + 1):
            a, b = 6 * w, 6 * v
            shift = moved[a] * moved[b] + moved[a + 1] * moved[b + 1] + moved[a + 2] * moved[b + 2]
            turn = moved[a + 3] * moved[b + 3] + moved[a + 4] * moved[b + 4] + moved[a + 5] * moved[b + 5]
            result[9 + _at(w, v)] += share * (var_m * shift + var_rad * turn)


@kernel(allocates=False)
def _add_focal(gain, told, variance, share, result):
    """Add to result[9:15] what an unknown relative focal length does, its pull in told[21:27]."""
    for w in range(3):
        for v in range(w + 1):
            by_w = by_v = 0.0
            for c in range(6):
                by_w += gain[6 * w + c] * told[FOCAL + c]
                by_v += gain[6 * v + c] * told[FOCAL + c]
            result[9 + _at(w, v)] += share * variance * by_w * by_v


@kernel(allocates=False)
def _count_markers(n, state, rig, start, markers, states, probability, sure_from, missed, result):
    """Write the distinct markers more likely seen than not, and the chances to see one and two; see `evaluate_rigs`."""
    for m in range(missed.shape[0]):
        missed[m] = 1.0
    for k in range(rig.shape[1]):
        if rig[0, k]:
            for q in range(start[k, n], start[k, n + 1]):
                if states[k, q] >> state & 1:
                    m = markers[k, q]
                    missed[m] *= 0.0 if probability[k, q] >= sure_from else 1.0 - probability[k, q]
    none, one = 1.0, 0.0
    likely = 0
    for m in range(missed.shape[0]):
        if missed[m] <= 0.5:
            likely += 1
        one = one * missed[m] + none * (1.0 - missed[m])
        none *= missed[m]
    result[0], result[1], result[2] = likely, 1.0 - none, max(0.0, 1.0 - none - one)


@kernel(allocates=False)
def _pick_uncertain(n, state, rig, start, states, probability, sure_from, included, picked):
    """Round every sighting into included (K, M); return how many of the least certain were put into picked (3, 2)."""
    count = 0
    for k in range(rig.shape[1]):
        if not rig[0, k]:
            continue
        first = start[k, n]
        for q in range(first, start[k, n + 1]):
            included[k, q - first] = states[k, q] >> state & 1 == 1 and probability[k, q] >= 0.5
            if not states[k, q] >> state & 1 or probability[k, q] >= sure_from:
                continue
            doubt = abs(probability[k, q] - 0.5)
            place = count
            while place > 0 and abs(probability[picked[place - 1, 0], picked[place - 1, 1]] - 0.5) > doubt:
                place -= 1
            if place < MOST_MIXED:
                for other in range(min(count, MOST_MIXED - 1), place, -1):
                    picked[other, 0], picked[other, 1] = picked[other - 1, 0], picked[other - 1, 1]
                picked[place, 0], picked[place, 1] = k, q
                count = min(count + 1, MOST_MIXED)
    return count


@kernel(allocates=False)
def _sum_included(n, rig, prior, start, kept, included, total):
    """Fill total (21,) with the prior and the information of the included sightings; return how many there are."""
    for c in range(SYMMETRIC):
        total[c] = 0.0
    for a in range(6):
        total[_at(a, a)] = prior[a]
    count = 0
    for k in range(rig.shape[1]):
        if rig[0, k]:
            first = start[k, n]
            for q in range(first, start[k, n + 1]):
                if included[k, q - first]:
                    count += 1
                    for c in range(SYMMETRIC):
                        total[c] += kept[k, q, c]
    return count


@kernel(allocates=False)
def _add_pieces(
    n, rig, place, considered, pupils, centres, start, kept, markers, included, gain, told, moved, share, result
):  # fmt: skip
    """Add to result[9:15] what every mount with its focal length, and every marker, does to the pose, each once."""
    mount_m, mount_rad = considered[0] * considered[0], considered[1] * considered[1]
    marker_m, marker_rad = considered[2] * considered[2], considered[3] * considered[3]
    for k in range(rig.shape[1]):
        first, end = start[k, n], start[k, n + 1]
        if not rig[0, k] or first == end:
            continue
        for c in range(BY_MARKER):
            told[c] = 0.0
        for q in range(first, end):
            if included[k, q - first]:
                for c in range(BY_MARKER):
                    told[c] += kept[k, q, c]
        _add_piece(gain, told, pupils[k, 0], pupils[k, 1], pupils[k, 2], mount_m, mount_rad, moved, share, result)
        _add_focal(gain, told, considered[4] * considered[4], share, result)
        for q in range(first, end):
            if not included[k, q - first]:
                continue
            m = markers[k, q]
            for c in range(SYMMETRIC):
                told[c] = kept[k, q, c]
            is_first = True
            for other in range(rig.shape[1]):
                if other == k or not rig[0, other]:
                    continue
                for p in range(start[other, n], start[other, n + 1]):
                    if markers[other, p] == m and included[other, p - start[other, n]]:
                        is_first &= k < other
                        for c in range(SYMMETRIC):
                            told[c] += kept[other, p, c]
            if is_first:
                dx, dy = centres[m, 0] - place[0], centres[m, 1] - place[1]
                _add_piece(
                    gain, told, place[2] * dx + place[3] * dy, place[2] * dy - place[3] * dx, centres[m, 2], marker_m,
                    marker_rad, moved, share, result,
                )  # fmt: skip


@kernel(allocates=False)
def _mix_cases(
    n, state, rig, place, prior, considered, pupils, centres, sure_from, start, kept, markers, states, probability,
    included, picked, total, told, moved, gain, noise, result,
):  # fmt: skip
    """Add to result[3:15] the mean of a rig's covariances over what may be seen."""
    count = _pick_uncertain(n, state, rig, start, states, probability, sure_from, included, picked)
    all_shares = 0.0
    for case in range(1 << count):
        share = 1.0
        for p in range(count):
            k, q = picked[p, 0], picked[p, 1]
            is_seen = case >> p & 1 == 1
            included[k, q - start[k, n]] = is_seen
            share *= probability[k, q] if is_seen else 1.0 - probability[k, q]
        if _sum_included(n, rig, prior, start, kept, included, total) > 0 and solve_pose(total, gain, noise):
            all_shares += share
            for c in range(6):
                result[3 + c] += share * noise[c]
                result[9 + c] += share * noise[c]
            _add_pieces(
                n, rig, place, considered, pupils, centres, start, kept, markers, included, gain, told, moved, share,
                result,
            )  # fmt: skip
    for c in range(3, 15):
        result[c] = result[c] / all_shares if all_shares > 0.0 else math.nan


@kernel(allocates=False)
def evaluate_rigs(
    poses, rigs, prior, considered, pupils, centres, sure_from, row_of, start, kept, markers, states, probability,
    missed, included, picked, rig, place, total, told, moved, gain, noise, result, results,
):  # fmt: skip
    """Fill results (N, S, R, 15): markers, chance of one and of two, and two covariances of along, across, heading.

    Markers are the distinct ones more likely seen than not. A sighting of a probability of `sure_from` or more is taken
    as sure, others as independent. Covariances, by their six numbers, are from corner noise and the prior alone, and
    with mount, marker and focal errors. The at most `MOST_MIXED` least certain sightings are each taken as seen and as
    not seen, the others rounded; a covariance is the mean over these cases, given that something is seen. NaN where
    nothing is.

    Parameters
    ----------
    poses (N, 4): x, y, cosine and sine of the heading. rigs (R, K): membership. prior (6,): inverse variances.
    considered (5,): sds of mount [m, rad], marker [m, rad], relative focal length. pupils (K, 3) in robot, centres
    (M, 3) in field. row_of (K, N, S), start (K, N + 1), kept (K, ., 35), markers, states, probability (K, .): as
    `mount_information.look` fills them. Scratch: missed (M,), included (K, M), picked (3, 2), rig (1, K), place (4,),
    total (21,), told (27,), moved, gain (18,), noise (6,), result (15,).
    """
    state_count = row_of.shape[2]
    for n in range(poses.shape[0]):
        for c in range(4):
            place[c] = poses[n, c]
        for r in range(rigs.shape[0]):
            for k in range(rigs.shape[1]):
                rig[0, k] = rigs[r, k]
            for state in range(state_count):
                twin = -1
                for earlier in range(state):
                    is_same = True
                    for k in range(rigs.shape[1]):
                        if rig[0, k] and row_of[k, n, state] != row_of[k, n, earlier]:
                            is_same = False
                    if is_same:
                        twin = earlier
                        break
                if twin >= 0:
                    for c in range(15):
                        results[n, state, r, c] = results[n, twin, r, c]
                    continue
                is_blank = True
                for k in range(rigs.shape[1]):
                    is_blank &= not rig[0, k] or row_of[k, n, state] < 0
                for c in range(15):
                    result[c] = 0.0 if c < 3 or not is_blank else math.nan
                if not is_blank:
                    _count_markers(n, state, rig, start, markers, states, probability, sure_from, missed, result)
                    _mix_cases(
                        n, state, rig, place, prior, considered, pupils, centres, sure_from, start, kept, markers,
                        states, probability, included, picked, total, told, moved, gain, noise, result,
                    )  # fmt: skip
                for c in range(15):
                    results[n, state, r, c] = result[c]
