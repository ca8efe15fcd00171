"""Rigs as sums over their mounts: how well each fixes the pose, mixed over what is seen and what is not.

Matrices as in `planning.information_kernels`. The cases of what may be seen of a rig from a pose stand side by side:
rows of `CASES` numbers in one array `work`, so that the processor works on several at once. Derived here; the numpy
twin is in ``tests/planning_cases.py``.
"""

from __future__ import annotations

import math

from fiducialkit.compiled import kernel
from fiducialkit.planning.information_kernels import RANDOM, SYMMETRIC

MOST_MIXED = 3  # sightings of a rig that are each taken as seen and as not seen; the others are rounded
CASES = 1 << MOST_MIXED
_LEAST_SHARE = 1e-13  # of a diagonal element that must be left once the others have explained their part

# rows of `work`, CASES numbers each: for each of along, across and heading a block that holds its row of the
# covariance and what that makes of the piece and of the mount at hand (six columns of information, one of pull)
GAIN, PIECE, MOVED, SEEN, BLOCK = 0, 6, 13, 20, 21
HERE = 3 * BLOCK  # 1 where the first, second, third uncertain sighting is seen, and a row of ones
SHARE = HERE + MOST_MIXED + 1
TOTAL = SHARE + 1
NOISE = TOTAL + SYMMETRIC  # six numbers of the covariance from corner noise
EXTRA = NOISE + 6  # and of what lasting errors add
# where corners are pulled inwards: covariance of the weighted errors less what the solver takes it for, and their mean
VARIED = EXTRA + 6
MEAN = VARIED + SYMMETRIC
WORK_ROWS = MEAN + 6
ADDED = 2 * SYMMETRIC + 6  # numbers of a case that are sums over its sightings
_ALWAYS = MOST_MIXED  # row of ones, counted from HERE
# columns of `listed`: mount, number of the sighting, marker, row of HERE or -1 where it is left out
_MOUNT, _NUMBER, _MARKER, _ROW = 0, 1, 2, 3


@kernel(allocates=False)
def _list_sightings(n, state, rig, start, markers, states, listed):
    """Fill `listed` with what a rig sees from pose n in a state; return how many there are."""
    count = 0
    for k in range(rig.shape[1]):
        if rig[0, k]:
            for q in range(start[k, n], start[k, n + 1]):
                if states[k, q] >> state & 1:
                    listed[count, _MOUNT], listed[count, _NUMBER], listed[count, _MARKER] = k, q, markers[k, q]
                    count += 1
    return count


@kernel(allocates=False)
def _count_markers(count, listed, probability, sure_from, missed, result):
    """Write the distinct markers more likely seen than not, and the chances to see one and two; see `evaluate_rigs`."""
    for e in range(count):
        missed[listed[e, _MARKER]] = 1.0
    for e in range(count):
        seen = probability[listed[e, _MOUNT], listed[e, _NUMBER]]
        missed[listed[e, _MARKER]] *= 0.0 if seen >= sure_from else 1.0 - seen
    none, one = 1.0, 0.0
    likely = 0
    for e in range(count):
        miss = missed[listed[e, _MARKER]]
        if miss >= 0.0:  # each marker once
            missed[listed[e, _MARKER]] = -1.0
            likely += miss <= 0.5
            one = one * miss + none * (1.0 - miss)
            none *= miss
    result[0], result[1], result[2] = likely, 1.0 - none, max(0.0, 1.0 - none - one)


@kernel(allocates=False)
def _pick_uncertain(count, listed, probability, sure_from, picked):
    """Say which sightings are seen in which case: round all but the least certain few; return how many those are."""
    picks = 0
    for e in range(count):
        seen = probability[listed[e, _MOUNT], listed[e, _NUMBER]]
        listed[e, _ROW] = _ALWAYS if seen >= 0.5 else -1
        if seen >= sure_from:
            continue
        doubt = abs(seen - 0.5)
        place = picks
        while place > 0:
            other = picked[place - 1]
            if abs(probability[listed[other, _MOUNT], listed[other, _NUMBER]] - 0.5) <= doubt:
                break
            place -= 1
        if place < MOST_MIXED:
            for later in range(min(picks, MOST_MIXED - 1), place, -1):
                picked[later] = picked[later - 1]
            picked[place] = e
            picks = min(picks + 1, MOST_MIXED)
    for p in range(picks):
        listed[picked[p], _ROW] = p
    return picks


@kernel(allocates=False, reorders_sums=True)
def _add_totals(picks, count, listed, prior, has_pull, kept, probability, picked, total, work):
    """Fill the rows TOTAL and SHARE: information with the prior, and the chance of each case, 0 where none is seen.

    With `has_pull` VARIED and MEAN too. A case with the uncertain sightings of `case` is that without the last of
    them, and this one more.
    """
    added = ADDED if has_pull else SYMMETRIC
    for c in range(added):
        total[c] = 0.0
    for a in range(6):
        total[a * (a + 3) // 2] = prior[a]
    fixed = 0
    for e in range(count):
        if listed[e, _ROW] == _ALWAYS:
            fixed += 1
            k, q = listed[e, _MOUNT], listed[e, _NUMBER]
            for c in range(SYMMETRIC):
                total[c] += kept[k, q, c]
            for c in range(SYMMETRIC, added):
                total[c] += kept[k, q, RANDOM - SYMMETRIC + c]
                if c < 2 * SYMMETRIC:
                    total[c] -= kept[k, q, c - SYMMETRIC]
    for i in range(CASES):
        work[SHARE * CASES + i] = 0.0
    work[SHARE * CASES] = 1.0
    for p in range(picks):
        k, q = listed[picked[p], _MOUNT], listed[picked[p], _NUMBER]
        seen = probability[k, q]
        for without in range(1 << p):
            case = without + (1 << p)
            share = work[SHARE * CASES + without]
            work[SHARE * CASES + without] = share * (1.0 - seen)
            work[SHARE * CASES + case] = share * seen
            for c in range(SYMMETRIC):
                total[ADDED * case + c] = total[ADDED * without + c] + kept[k, q, c]
            for c in range(SYMMETRIC, added):
                total[ADDED * case + c] = total[ADDED * without + c] + kept[k, q, RANDOM - SYMMETRIC + c]
                if c < 2 * SYMMETRIC:
                    total[ADDED * case + c] -= kept[k, q, c - SYMMETRIC]
    for case in range(1 << picks):
        for c in range(SYMMETRIC):
            work[(TOTAL + c) * CASES + case] = total[ADDED * case + c]
        for c in range(SYMMETRIC, added):
            work[(VARIED - SYMMETRIC + c) * CASES + case] = total[ADDED * case + c]
    if fixed == 0:
        work[SHARE * CASES] = 0.0


@kernel(allocates=False, reorders_sums=True)
def _solve_lanes(span, work):
    """Fill the rows GAIN with rows 0, 1, 5 of the inverse of TOTAL, and NOISE with their own six numbers.

    Unknowns 2, 3, 4 (height and tilt) are eliminated first; both 3 x 3 blocks by L D L'. Where the matrix is singular
    the share becomes 0, and so do the numbers.
    """
    for i in range(span):
        t00, t10, t11 = work[TOTAL * CASES + i], work[(TOTAL + 1) * CASES + i], work[(TOTAL + 2) * CASES + i]
        t20, t21, p00 = work[(TOTAL + 3) * CASES + i], work[(TOTAL + 4) * CASES + i], work[(TOTAL + 5) * CASES + i]
        t30, t31, p10 = work[(TOTAL + 6) * CASES + i], work[(TOTAL + 7) * CASES + i], work[(TOTAL + 8) * CASES + i]
        p11, t40, t41 = work[(TOTAL + 9) * CASES + i], work[(TOTAL + 10) * CASES + i], work[(TOTAL + 11) * CASES + i]
        p20, p21, p22 = work[(TOTAL + 12) * CASES + i], work[(TOTAL + 13) * CASES + i], work[(TOTAL + 14) * CASES + i]
        t50, t51, t52 = work[(TOTAL + 15) * CASES + i], work[(TOTAL + 16) * CASES + i], work[(TOTAL + 17) * CASES + i]
        t53, t54, t55 = work[(TOTAL + 18) * CASES + i], work[(TOTAL + 19) * CASES + i], work[(TOTAL + 20) * CASES + i]
        e0 = 1.0 / p00
        l10, l20 = p10 * e0, p20 * e0
        d1 = p11 - l10 * p10
        e1 = 1.0 / d1
        l21 = (p21 - l20 * p10) * e1
        d2 = p22 - l20 * p20 - l21 * l21 * d1
        e2 = 1.0 / d2
        is_good = (p00 > 0.0) & (d1 > _LEAST_SHARE * p11) & (d2 > _LEAST_SHARE * p22)
        # rows of R P^-1: solve P x = r
        y1, y2 = t30 - l10 * t20, t40 - l20 * t20
        y2 -= l21 * y1
        a2 = y2 * e2
        a1 = y1 * e1 - l21 * a2
        a0 = t20 * e0 - l10 * a1 - l20 * a2
        y1, y2 = t31 - l10 * t21, t41 - l20 * t21
        y2 -= l21 * y1
        b2 = y2 * e2
        b1 = y1 * e1 - l21 * b2
        b0 = t21 * e0 - l10 * b1 - l20 * b2
        y1, y2 = t53 - l10 * t52, t54 - l20 * t52
        y2 -= l21 * y1
        c2 = y2 * e2
        c1 = y1 * e1 - l21 * c2
        c0 = t52 * e0 - l10 * c1 - l20 * c2
        s00 = t00 - (a0 * t20 + a1 * t30 + a2 * t40)
        s10 = t10 - (b0 * t20 + b1 * t30 + b2 * t40)
        s11 = t11 - (b0 * t21 + b1 * t31 + b2 * t41)
        s20 = t50 - (c0 * t20 + c1 * t30 + c2 * t40)
        s21 = t51 - (c0 * t21 + c1 * t31 + c2 * t41)
        s22 = t55 - (c0 * t52 + c1 * t53 + c2 * t54)
        e0 = 1.0 / s00
        l10, l20 = s10 * e0, s20 * e0
        d1 = s11 - l10 * s10
        e1 = 1.0 / d1
        l21 = (s21 - l20 * s10) * e1
        d2 = s22 - l20 * s20 - l21 * l21 * d1
        is_good &= (s00 > _LEAST_SHARE * t00) & (d1 > _LEAST_SHARE * t11) & (d2 > _LEAST_SHARE * t55)
        # inverse of L D L'
        m20 = l21 * l10 - l20
        i22 = 1.0 / d2
        i21 = -l21 * i22
        i20 = m20 * i22
        i11 = e1 - l21 * i21
        i10 = -l10 * e1 - l21 * i20
        i00 = e0 + l10 * l10 * e1 + m20 * i20
        i00, i10, i11 = i00 if is_good else 0.0, i10 if is_good else 0.0, i11 if is_good else 0.0
        i20, i21, i22 = i20 if is_good else 0.0, i21 if is_good else 0.0, i22 if is_good else 0.0
        a0, a1, a2 = a0 if is_good else 0.0, a1 if is_good else 0.0, a2 if is_good else 0.0
        b0, b1, b2 = b0 if is_good else 0.0, b1 if is_good else 0.0, b2 if is_good else 0.0
        c0, c1, c2 = c0 if is_good else 0.0, c1 if is_good else 0.0, c2 if is_good else 0.0
        work[SHARE * CASES + i] = work[SHARE * CASES + i] if is_good else 0.0
        work[NOISE * CASES + i], work[(NOISE + 1) * CASES + i], work[(NOISE + 2) * CASES + i] = i00, i10, i11
        work[(NOISE + 3) * CASES + i], work[(NOISE + 4) * CASES + i], work[(NOISE + 5) * CASES + i] = i20, i21, i22
        work[GAIN * CASES + i], work[(GAIN + 1) * CASES + i] = i00, i10
        work[(GAIN + 2) * CASES + i] = -(i00 * a0 + i10 * b0 + i20 * c0)
        work[(GAIN + 3) * CASES + i] = -(i00 * a1 + i10 * b1 + i20 * c1)
        work[(GAIN + 4) * CASES + i] = -(i00 * a2 + i10 * b2 + i20 * c2)
        work[(GAIN + 5) * CASES + i] = i20
        work[(BLOCK + GAIN) * CASES + i], work[(BLOCK + GAIN + 1) * CASES + i] = i10, i11
        work[(BLOCK + GAIN + 2) * CASES + i] = -(i10 * a0 + i11 * b0 + i21 * c0)
        work[(BLOCK + GAIN + 3) * CASES + i] = -(i10 * a1 + i11 * b1 + i21 * c1)
        work[(BLOCK + GAIN + 4) * CASES + i] = -(i10 * a2 + i11 * b2 + i21 * c2)
        work[(BLOCK + GAIN + 5) * CASES + i] = i21
        work[(2 * BLOCK + GAIN) * CASES + i], work[(2 * BLOCK + GAIN + 1) * CASES + i] = i20, i21
        work[(2 * BLOCK + GAIN + 2) * CASES + i] = -(i20 * a0 + i21 * b0 + i22 * c0)
        work[(2 * BLOCK + GAIN + 3) * CASES + i] = -(i20 * a1 + i21 * b1 + i22 * c1)
        work[(2 * BLOCK + GAIN + 4) * CASES + i] = -(i20 * a2 + i21 * b2 + i22 * c2)
        work[(2 * BLOCK + GAIN + 5) * CASES + i] = i22


@kernel(is_inlined=True, allocates=False)
def _varied(i, work, block):
    """Return gain times VARIED, six numbers, and times MEAN, for case i and one of along, across, heading."""
    g0, g1 = work[(block + GAIN) * CASES + i], work[(block + GAIN + 1) * CASES + i]
    g2, g3 = work[(block + GAIN + 2) * CASES + i], work[(block + GAIN + 3) * CASES + i]
    g4, g5 = work[(block + GAIN + 4) * CASES + i], work[(block + GAIN + 5) * CASES + i]
    v00, v10, v11 = work[VARIED * CASES + i], work[(VARIED + 1) * CASES + i], work[(VARIED + 2) * CASES + i]
    v20, v21, v22 = work[(VARIED + 3) * CASES + i], work[(VARIED + 4) * CASES + i], work[(VARIED + 5) * CASES + i]
    v30, v31, v32 = work[(VARIED + 6) * CASES + i], work[(VARIED + 7) * CASES + i], work[(VARIED + 8) * CASES + i]
    v33, v40, v41 = work[(VARIED + 9) * CASES + i], work[(VARIED + 10) * CASES + i], work[(VARIED + 11) * CASES + i]
    v42, v43, v44 = work[(VARIED + 12) * CASES + i], work[(VARIED + 13) * CASES + i], work[(VARIED + 14) * CASES + i]
    v50, v51, v52 = work[(VARIED + 15) * CASES + i], work[(VARIED + 16) * CASES + i], work[(VARIED + 17) * CASES + i]
    v53, v54, v55 = work[(VARIED + 18) * CASES + i], work[(VARIED + 19) * CASES + i], work[(VARIED + 20) * CASES + i]
    return (
        g0 * v00 + g1 * v10 + g2 * v20 + g3 * v30 + g4 * v40 + g5 * v50,
        g0 * v10 + g1 * v11 + g2 * v21 + g3 * v31 + g4 * v41 + g5 * v51,
        g0 * v20 + g1 * v21 + g2 * v22 + g3 * v32 + g4 * v42 + g5 * v52,
        g0 * v30 + g1 * v31 + g2 * v32 + g3 * v33 + g4 * v43 + g5 * v53,
        g0 * v40 + g1 * v41 + g2 * v42 + g3 * v43 + g4 * v44 + g5 * v54,
        g0 * v50 + g1 * v51 + g2 * v52 + g3 * v53 + g4 * v54 + g5 * v55,
        g0 * work[MEAN * CASES + i]
        + g1 * work[(MEAN + 1) * CASES + i]
        + g2 * work[(MEAN + 2) * CASES + i]
        + g3 * work[(MEAN + 3) * CASES + i]
        + g4 * work[(MEAN + 4) * CASES + i]
        + g5 * work[(MEAN + 5) * CASES + i],
    )


@kernel(is_inlined=True, allocates=False)
def _against(i, work, block, y0, y1, y2, y3, y4, y5):
    """Return six numbers times the gain of one of along, across, heading."""
    return (
        y0 * work[(block + GAIN) * CASES + i]
        + y1 * work[(block + GAIN + 1) * CASES + i]
        + y2 * work[(block + GAIN + 2) * CASES + i]
        + y3 * work[(block + GAIN + 3) * CASES + i]
        + y4 * work[(block + GAIN + 4) * CASES + i]
        + y5 * work[(block + GAIN + 5) * CASES + i]
    )


@kernel(allocates=False, reorders_sums=True)
def _vary_lanes(span, work):
    """Add to NOISE what the rows VARIED and MEAN make of it: gain times both."""
    for i in range(span):
        y0, y1, y2, y3, y4, y5, along = _varied(i, work, 0)
        work[NOISE * CASES + i] += _against(i, work, 0, y0, y1, y2, y3, y4, y5) + along * along
        y0, y1, y2, y3, y4, y5, across = _varied(i, work, BLOCK)
        work[(NOISE + 1) * CASES + i] += _against(i, work, 0, y0, y1, y2, y3, y4, y5) + across * along
        work[(NOISE + 2) * CASES + i] += _against(i, work, BLOCK, y0, y1, y2, y3, y4, y5) + across * across
        y0, y1, y2, y3, y4, y5, heading = _varied(i, work, 2 * BLOCK)
        work[(NOISE + 3) * CASES + i] += _against(i, work, 0, y0, y1, y2, y3, y4, y5) + heading * along
        work[(NOISE + 4) * CASES + i] += _against(i, work, BLOCK, y0, y1, y2, y3, y4, y5) + heading * across
        work[(NOISE + 5) * CASES + i] += _against(i, work, 2 * BLOCK, y0, y1, y2, y3, y4, y5) + heading * heading


@kernel(is_inlined=True, allocates=False)
def _push_column(i, column, seen, keeps, by_mount, block, a0, a1, a2, a3, a4, a5):
    """Do what `_push` says for case i of one block and one column (a0 to a5) of what the sighting tells."""
    x = seen * (
        block[GAIN * CASES + i] * a0
        + block[(GAIN + 1) * CASES + i] * a1
        + block[(GAIN + 2) * CASES + i] * a2
        + block[(GAIN + 3) * CASES + i] * a3
        + block[(GAIN + 4) * CASES + i] * a4
        + block[(GAIN + 5) * CASES + i] * a5
    )
    block[(PIECE + column) * CASES + i] = keeps * block[(PIECE + column) * CASES + i] + x
    block[(MOVED + column) * CASES + i] += by_mount * x


@kernel(allocates=False, reorders_sums=True)
def _push(span, here, k, q, kept, keeps, by_mount, work):
    """Fill PIECE with gain times what a sighting tells, and add it to MOVED `by_mount` times.

    `here` is the sighting's row of HERE; `keeps` is 1 to add to what PIECE holds, 0 to begin anew.
    """
    for b in range(3):
        for i in range(span):
            work[(b * BLOCK + SEEN) * CASES + i] = work[(HERE + here) * CASES + i]
    l00, l10, l11, l20, l21 = kept[k, q, 0], kept[k, q, 1], kept[k, q, 2], kept[k, q, 3], kept[k, q, 4]
    l22, l30, l31, l32, l33 = kept[k, q, 5], kept[k, q, 6], kept[k, q, 7], kept[k, q, 8], kept[k, q, 9]
    l40, l41, l42, l43, l44 = kept[k, q, 10], kept[k, q, 11], kept[k, q, 12], kept[k, q, 13], kept[k, q, 14]
    l50, l51, l52, l53, l54 = kept[k, q, 15], kept[k, q, 16], kept[k, q, 17], kept[k, q, 18], kept[k, q, 19]
    l55 = kept[k, q, 20]
    f0, f1, f2 = kept[k, q, 21], kept[k, q, 22], kept[k, q, 23]
    f3, f4, f5 = kept[k, q, 24], kept[k, q, 25], kept[k, q, 26]
    for b in range(3):
        block = work[b * BLOCK * CASES :]
        for i in range(span):
            seen = block[SEEN * CASES + i]
            _push_column(i, 0, seen, keeps, by_mount, block, l00, l10, l20, l30, l40, l50)
            _push_column(i, 1, seen, keeps, by_mount, block, l10, l11, l21, l31, l41, l51)
            _push_column(i, 2, seen, keeps, by_mount, block, l20, l21, l22, l32, l42, l52)
            _push_column(i, 3, seen, keeps, by_mount, block, l30, l31, l32, l33, l43, l53)
            _push_column(i, 4, seen, keeps, by_mount, block, l40, l41, l42, l43, l44, l54)
            _push_column(i, 5, seen, keeps, by_mount, block, l50, l51, l52, l53, l54, l55)
            _push_column(i, 6, seen, keeps, by_mount, block, f0, f1, f2, f3, f4, f5)


@kernel(is_inlined=True, allocates=False)
def _square(span, rows, ax, ay, az, var_m, var_rad, work):
    """Add to the last six rows what an unknown shift and turn about (ax, ay, az) of one piece does.

    `rows` is PIECE or MOVED: gain times the information that came through the piece.
    """
    for i in range(span):
        u0, u1, u2 = work[rows * CASES + i], work[(rows + 1) * CASES + i], work[(rows + 2) * CASES + i]
        v0, v1, v2 = (
            work[(BLOCK + rows) * CASES + i],
            work[(BLOCK + rows + 1) * CASES + i],
            work[(BLOCK + rows + 2) * CASES + i],
        )
        w0, w1, w2 = (
            work[(2 * BLOCK + rows) * CASES + i],
            work[(2 * BLOCK + rows + 1) * CASES + i],
            work[(2 * BLOCK + rows + 2) * CASES + i],
        )
        u3 = work[(rows + 3) * CASES + i] + u1 * az - u2 * ay
        u4 = work[(rows + 4) * CASES + i] + u2 * ax - u0 * az
        u5 = work[(rows + 5) * CASES + i] + u0 * ay - u1 * ax
        v3 = work[(BLOCK + rows + 3) * CASES + i] + v1 * az - v2 * ay
        v4 = work[(BLOCK + rows + 4) * CASES + i] + v2 * ax - v0 * az
        v5 = work[(BLOCK + rows + 5) * CASES + i] + v0 * ay - v1 * ax
        w3 = work[(2 * BLOCK + rows + 3) * CASES + i] + w1 * az - w2 * ay
        w4 = work[(2 * BLOCK + rows + 4) * CASES + i] + w2 * ax - w0 * az
        w5 = work[(2 * BLOCK + rows + 5) * CASES + i] + w0 * ay - w1 * ax
        work[EXTRA * CASES + i] += var_m * (u0 * u0 + u1 * u1 + u2 * u2) + var_rad * (u3 * u3 + u4 * u4 + u5 * u5)
        work[(EXTRA + 1) * CASES + i] += var_m * (v0 * u0 + v1 * u1 + v2 * u2) + var_rad * (v3 * u3 + v4 * u4 + v5 * u5)
        work[(EXTRA + 2) * CASES + i] += var_m * (v0 * v0 + v1 * v1 + v2 * v2) + var_rad * (v3 * v3 + v4 * v4 + v5 * v5)
        work[(EXTRA + 3) * CASES + i] += var_m * (w0 * u0 + w1 * u1 + w2 * u2) + var_rad * (w3 * u3 + w4 * u4 + w5 * u5)
        work[(EXTRA + 4) * CASES + i] += var_m * (w0 * v0 + w1 * v1 + w2 * v2) + var_rad * (w3 * v3 + w4 * v4 + w5 * v5)
        work[(EXTRA + 5) * CASES + i] += var_m * (w0 * w0 + w1 * w1 + w2 * w2) + var_rad * (w3 * w3 + w4 * w4 + w5 * w5)


@kernel(allocates=False, reorders_sums=True)
def _square_marker(span, ax, ay, az, var_m, var_rad, work):
    """Add what an unknown marker does."""
    _square(span, PIECE, ax, ay, az, var_m, var_rad, work)


@kernel(allocates=False, reorders_sums=True)
def _square_mount(span, ax, ay, az, var_m, var_rad, var_focal, work):
    """Add what an unknown mount and its unknown relative focal length do, and clear MOVED for the next."""
    _square(span, MOVED, ax, ay, az, var_m, var_rad, work)
    for i in range(span):
        u, v = work[(MOVED + 6) * CASES + i], work[(BLOCK + MOVED + 6) * CASES + i]
        w = work[(2 * BLOCK + MOVED + 6) * CASES + i]
        work[EXTRA * CASES + i] += var_focal * u * u
        work[(EXTRA + 1) * CASES + i] += var_focal * v * u
        work[(EXTRA + 2) * CASES + i] += var_focal * v * v
        work[(EXTRA + 3) * CASES + i] += var_focal * w * u
        work[(EXTRA + 4) * CASES + i] += var_focal * w * v
        work[(EXTRA + 5) * CASES + i] += var_focal * w * w
    for b in range(3):
        for c in range(7 * CASES):
            work[(b * BLOCK + MOVED) * CASES + c] = 0.0


@kernel(allocates=False)
def _add_pieces(span, count, listed, place, considered, pupils, centres, kept, work):
    """Add to the last six rows what every mount with its focal length, and every marker, does, each once."""
    mount_m, mount_rad = considered[0] * considered[0], considered[1] * considered[1]
    marker_m, marker_rad = considered[2] * considered[2], considered[3] * considered[3]
    focal = considered[4] * considered[4]
    at = -1
    for e in range(count):
        k, q, m, here = listed[e, _MOUNT], listed[e, _NUMBER], listed[e, _MARKER], listed[e, _ROW]
        if here < 0:
            continue
        if at >= 0 and at != k:
            _square_mount(span, pupils[at, 0], pupils[at, 1], pupils[at, 2], mount_m, mount_rad, focal, work)
        at = k
        _push(span, here, k, q, kept, 0.0, 1.0, work)
        is_first = True
        for other in range(count):
            if other != e and listed[other, _MARKER] == m and listed[other, _ROW] >= 0:
                is_first &= e < other
                if is_first:
                    _push(
                        span, listed[other, _ROW], listed[other, _MOUNT], listed[other, _NUMBER], kept, 1.0, 0.0, work
                    )
        if is_first:
            dx, dy = centres[m, 0] - place[0], centres[m, 1] - place[1]
            _square_marker(
                span, place[2] * dx + place[3] * dy, place[2] * dy - place[3] * dx, centres[m, 2], marker_m,
                marker_rad, work,
            )  # fmt: skip
    if at >= 0:
        _square_mount(span, pupils[at, 0], pupils[at, 1], pupils[at, 2], mount_m, mount_rad, focal, work)


@kernel(allocates=False)
def _mix_cases(span, work, result):
    """Write result[3:15], the means of both covariances over the cases."""
    all_shares = 0.0
    for i in range(span):
        all_shares += work[SHARE * CASES + i]
    for c in range(6):
        noise = extra = 0.0
        for i in range(span):
            noise += work[SHARE * CASES + i] * work[(NOISE + c) * CASES + i]
            extra += work[SHARE * CASES + i] * work[(EXTRA + c) * CASES + i]
        result[3 + c] = noise / all_shares if all_shares > 0.0 else math.nan
        result[9 + c] = (noise + extra) / all_shares if all_shares > 0.0 else math.nan


@kernel(allocates=False)
def _clear(work):
    for c in range(WORK_ROWS * CASES):
        work[c] = 0.0
    for i in range(CASES):
        for p in range(MOST_MIXED):
            work[(HERE + p) * CASES + i] = i >> p & 1
        work[(HERE + _ALWAYS) * CASES + i] = 1.0


@kernel(allocates=False)
def evaluate_rigs(
    poses, rigs, prior, considered, has_pull, pupils, centres, sure_from, row_of, start, kept, markers, states,
    probability, missed, listed, picked, rig, place, total, work, result, results,
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
    considered (5,): sds of mount [m, rad], marker [m, rad], relative focal length. has_pull: the corners of some mount
    err otherwise than its solver weighs them. pupils (K, 3) in robot, centres (M, 3) in field. row_of (K, N, S), start
    (K, N + 1), kept (K, ., 62), markers, states, probability (K, .): as `mount_information.look` fills them. Scratch:
    missed (M,), listed (K * M, 4), picked (3,), rig (1, K), place (4,), total (ADDED * 8,), work (WORK_ROWS * 8,),
    result (15,).
    """
    _clear(work)
    for n in range(poses.shape[0]):
        for c in range(4):
            place[c] = poses[n, c]
        for r in range(rigs.shape[0]):
            for k in range(rigs.shape[1]):
                rig[0, k] = rigs[r, k]
            for state in range(row_of.shape[2]):
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
                count = _list_sightings(n, state, rig, start, markers, states, listed)
                for c in range(15):
                    result[c] = 0.0 if c < 3 else math.nan
                if count > 0:
                    _count_markers(count, listed, probability, sure_from, missed, result)
                    picks = _pick_uncertain(count, listed, probability, sure_from, picked)
                    span = CASES // 2 if picks < MOST_MIXED else CASES
                    _add_totals(picks, count, listed, prior, has_pull, kept, probability, picked, total, work)
                    _solve_lanes(span, work)
                    if has_pull:
                        _vary_lanes(span, work)
                    for c in range(6 * CASES):
                        work[EXTRA * CASES + c] = 0.0
                    _add_pieces(span, count, listed, place, considered, pupils, centres, kept, work)
                    _mix_cases(span, work, result)
                for c in range(15):
                    results[n, state, r, c] = result[c]
