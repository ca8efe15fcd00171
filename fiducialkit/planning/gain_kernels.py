"""What a rig makes of its sightings, case by case: rows of the covariance, and what errors do through them.

Matrices as in `planning.information_kernels`. The cases of what may be seen of a rig from a pose stand side by side:
rows of `CASES` numbers in one array `work`, so that the processor works on several at once. Derived here; the numpy
twin is in ``tests/planning_cases.py``.
"""

from __future__ import annotations

from fiducialkit.compiled import kernel
from fiducialkit.planning.information_kernels import SYMMETRIC

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


@kernel(allocates=False, reorders_sums=True)
def solve_lanes(span, work):
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
def vary_lanes(span, work):
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
    """Do what `push` says for case i of one block and one column (a0 to a5) of what the sighting tells."""
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
def push(span, here, k, q, kept, keeps, by_mount, work):
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
def square_marker(span, ax, ay, az, var_m, var_rad, work):
    """Add what an unknown marker does."""
    _square(span, PIECE, ax, ay, az, var_m, var_rad, work)


@kernel(allocates=False, reorders_sums=True)
def square_mount(span, ax, ay, az, var_m, var_rad, var_focal, work):
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
