"""Rigs as sums over their candidate mounts: bounds of the chance to score of very many rigs.

What a candidate tells from the rows (poses) of one case (node, side, mechanism state) is a block of 42 x LANES
numbers: information and spread as `planning.mount_information` has them, one column a row. Blocks lie in a flat array;
the first holds nothing but zeros. For a rig the blocks are added; at the tool point the covariance T of along, across
and heading, counted in the node's tolerances, then bounds the chance that all three are below 1 from both sides: by the
product of the marginal chances from below (Sidak's inequality), and from above by the product of P(heading), P(across |
heading at its mean) and P(along | both at their means), since a centred Gaussian fills a symmetric interval best. Both
are exact without correlation. The case's chance is that of its best row. The numpy twin is in
``tests/test_mount_search.py``.

References
----------
Sidak, Z., J. Am. Stat. Assoc. 62 (1967) 626-633. The upper bound is derived here.
Abramowitz and Stegun, Handbook of Mathematical Functions, 7.1.28: erf within 3e-7.
"""

from __future__ import annotations

import math

from fiducialkit.compiled import kernel

LANES = 32
SYMMETRIC = 21
BLOCK = 2 * SYMMETRIC * LANES
# rows of the work array after the 42 sums: lever ahead and added covariance, which belong to the case; then what is
# found, the covariance in tolerances and the upper bound
LEVER, ADDED, TERM_ROWS = 42, 43, 7
T00, T10, T11, T20, T21, T22, UPPER = 49, 50, 51, 52, 53, 54, 55
FOUND_ROWS, WORK_ROWS = 7, 56
SLACK = 2e-6  # more than the polynomials' error in a product of three
_LEAST_SHARE = 1e-13  # as for a single pose: of a diagonal element, once the others have explained their part
STEPS = 100.0  # of the worst chance: less than one step of difference decides nothing
ROUNDING = 1e-9  # more than sums in different orders differ by: a score from above stays above


@kernel(is_inlined=True, allocates=False)
def _rest_of(weight):
    """Return p of the chance 1 - 1/p that a centred Gaussian of variance 1 / weight stays within -1 and 1."""
    limited = weight if weight < 50.0 else 50.0
    x = math.sqrt(0.5 * (limited if limited > 0.0 else 50.0))
    p = 0.0000430638
    p = p * x + 0.0002765672
    p = p * x + 0.0001520143
    p = p * x + 0.0092705272
    p = p * x + 0.0422820123
    p = p * x + 0.0705230784
    p = p * x + 1.0
    p = p * p
    p = p * p
    p = p * p
    return p * p


@kernel(allocates=False, reorders_sums=True)
def judge_lanes(tool, first, work):
    """Fill the rows of `work` from `T00` on; tool[first:]: lever aside, one over each tolerance."""
    aside, per_along, per_across, per_heading = tool[first], tool[first + 1], tool[first + 2], tool[first + 3]
    for i in range(LANES):
        p00, p10, p11 = work[5 * LANES + i], work[8 * LANES + i], work[9 * LANES + i]
        p20, p21, p22 = work[12 * LANES + i], work[13 * LANES + i], work[14 * LANES + i]
        over0 = 1.0 / p00
        l10, l20 = p10 * over0, p20 * over0
        d1 = p11 - l10 * p10
        over1 = 1.0 / d1
        l21 = (p21 - l20 * p10) * over1
        d2 = p22 - l20 * p20 - l21 * l21 * d1
        over2 = 1.0 / d2
        is_known = (p00 > 0.0) & (d1 > _LEAST_SHARE * p11) & (d2 > _LEAST_SHARE * p22)
        # height and tilt explained by along (a), across (b), heading (c)
        r0, r1, r2 = work[3 * LANES + i], work[6 * LANES + i], work[10 * LANES + i]
        y1 = r1 - l10 * r0
        a2 = (r2 - l20 * r0 - l21 * y1) * over2
        a1 = y1 * over1 - l21 * a2
        a0 = r0 * over0 - l10 * a1 - l20 * a2
        q0, q1, q2 = work[4 * LANES + i], work[7 * LANES + i], work[11 * LANES + i]
        y1 = q1 - l10 * q0
        b2 = (q2 - l20 * q0 - l21 * y1) * over2
        b1 = y1 * over1 - l21 * b2
        b0 = q0 * over0 - l10 * b1 - l20 * b2
        h0, h1, h2 = work[17 * LANES + i], work[18 * LANES + i], work[19 * LANES + i]
        y1 = h1 - l10 * h0
        c2 = (h2 - l20 * h0 - l21 * y1) * over2
        c1 = y1 * over1 - l21 * c2
        c0 = h0 * over0 - l10 * c1 - l20 * c2
        m00, m11, m22 = work[i], work[2 * LANES + i], work[20 * LANES + i]
        s00 = m00 - (a0 * r0 + a1 * r1 + a2 * r2)
        s10 = work[1 * LANES + i] - (b0 * r0 + b1 * r1 + b2 * r2)
        s11 = m11 - (b0 * q0 + b1 * q1 + b2 * q2)
        s20 = work[15 * LANES + i] - (c0 * r0 + c1 * r1 + c2 * r2)
        s21 = work[16 * LANES + i] - (c0 * q0 + c1 * q1 + c2 * q2)
        s22 = m22 - (c0 * h0 + c1 * h1 + c2 * h2)
        over0 = 1.0 / s00
        l10, l20 = s10 * over0, s20 * over0
        d1 = s11 - l10 * s10
        over1 = 1.0 / d1
        l21 = (s21 - l20 * s10) * over1
        d2 = s22 - l20 * s20 - l21 * l21 * d1
        v22 = 1.0 / d2
        is_known = is_known & (s00 > _LEAST_SHARE * m00) & (d1 > _LEAST_SHARE * m11) & (d2 > _LEAST_SHARE * m22)
        up = l21 * l10 - l20
        v21 = -l21 * v22
        v20 = up * v22
        v11 = over1 - l21 * v21
        v10 = -l10 * over1 - l21 * v20
        v00 = over0 + l10 * l10 * over1 + up * v20
        # what stays unknown for a drive, height and tilt eliminated: e' S e with e = (unit vector, -a), ...
        n00, n10, n11 = work[26 * LANES + i], work[29 * LANES + i], work[30 * LANES + i]
        n20, n21, n22 = work[33 * LANES + i], work[34 * LANES + i], work[35 * LANES + i]
        r0, r1, r2 = work[24 * LANES + i], work[27 * LANES + i], work[31 * LANES + i]
        q0, q1, q2 = work[25 * LANES + i], work[28 * LANES + i], work[32 * LANES + i]
        h0, h1, h2 = work[38 * LANES + i], work[39 * LANES + i], work[40 * LANES + i]
        u0 = n00 * a0 + n10 * a1 + n20 * a2 - r0
        u1 = n10 * a0 + n11 * a1 + n21 * a2 - r1
        u2 = n20 * a0 + n21 * a1 + n22 * a2 - r2
        e00 = work[21 * LANES + i] - (a0 * r0 + a1 * r1 + a2 * r2) + a0 * u0 + a1 * u1 + a2 * u2
        e10 = work[22 * LANES + i] - (a0 * q0 + a1 * q1 + a2 * q2) + b0 * u0 + b1 * u1 + b2 * u2
        e20 = work[36 * LANES + i] - (a0 * h0 + a1 * h1 + a2 * h2) + c0 * u0 + c1 * u1 + c2 * u2
        u0 = n00 * b0 + n10 * b1 + n20 * b2 - q0
        u1 = n10 * b0 + n11 * b1 + n21 * b2 - q1
        u2 = n20 * b0 + n21 * b1 + n22 * b2 - q2
        e11 = work[23 * LANES + i] - (b0 * q0 + b1 * q1 + b2 * q2) + b0 * u0 + b1 * u1 + b2 * u2
        e21 = work[37 * LANES + i] - (b0 * h0 + b1 * h1 + b2 * h2) + c0 * u0 + c1 * u1 + c2 * u2
        u0 = n00 * c0 + n10 * c1 + n20 * c2 - h0
        u1 = n10 * c0 + n11 * c1 + n21 * c2 - h1
        u2 = n20 * c0 + n21 * c1 + n22 * c2 - h2
        e22 = work[41 * LANES + i] - (c0 * h0 + c1 * h1 + c2 * h2) + c0 * u0 + c1 * u1 + c2 * u2
        # V + V E V
        f00 = v00 * e00 + v10 * e10 + v20 * e20
        f01 = v00 * e10 + v10 * e11 + v20 * e21
        f02 = v00 * e20 + v10 * e21 + v20 * e22
        f10 = v10 * e00 + v11 * e10 + v21 * e20
        f11 = v10 * e10 + v11 * e11 + v21 * e21
        f12 = v10 * e20 + v11 * e21 + v21 * e22
        f20 = v20 * e00 + v21 * e10 + v22 * e20
        f21 = v20 * e10 + v21 * e11 + v22 * e21
        f22 = v20 * e20 + v21 * e21 + v22 * e22
        along = v00 + f00 * v00 + f01 * v10 + f02 * v20
        mixed = v10 + f10 * v00 + f11 * v10 + f12 * v20
        across = v11 + f10 * v10 + f11 * v11 + f12 * v21
        along_turn = v20 + f20 * v00 + f21 * v10 + f22 * v20
        across_turn = v21 + f20 * v10 + f21 * v11 + f22 * v21
        heading = v22 + f20 * v20 + f21 * v21 + f22 * v22
        # at the tool point, after the blind stretch, in tolerances
        ahead = work[LEVER * LANES + i]
        t00 = (along - 2.0 * aside * along_turn + aside * aside * heading) * per_along * per_along
        t10 = (mixed + ahead * along_turn - aside * across_turn - aside * ahead * heading) * per_along * per_across
        t11 = (across + 2.0 * ahead * across_turn + ahead * ahead * heading) * per_across * per_across
        t20 = (along_turn - aside * heading) * per_along * per_heading
        t21 = (across_turn + ahead * heading) * per_across * per_heading
        t22 = heading * per_heading * per_heading
        t00 += work[ADDED * LANES + i]
        t10 += work[(ADDED + 1) * LANES + i]
        t11 += work[(ADDED + 2) * LANES + i]
        t20 += work[(ADDED + 3) * LANES + i]
        t21 += work[(ADDED + 4) * LANES + i]
        t22 += work[(ADDED + 5) * LANES + i]
        work[T00 * LANES + i], work[T10 * LANES + i], work[T11 * LANES + i] = t00, t10, t11
        work[T20 * LANES + i], work[T21 * LANES + i], work[T22 * LANES + i] = t20, t21, t22
        over0 = 1.0 / t22
        d1 = t11 - t21 * t21 * over0
        cross = t10 - t20 * t21 * over0
        over1 = 1.0 / d1
        d2 = t00 - t20 * t20 * over0 - cross * cross * over1
        p2, p1, p0 = _rest_of(over0), _rest_of(over1), _rest_of(1.0 / d2)
        upper = (p2 - 1.0) * (p1 - 1.0) * (p0 - 1.0) / (p2 * p1 * p0) + SLACK
        work[UPPER * LANES + i] = upper if is_known else 0.0


@kernel(allocates=False)
def judge_part(tool, part, work):
    """Return (upper, lower) bound of the chance of a part's best row, from sums and terms in `work`."""
    judge_lanes(tool, 4 * part, work)
    best, row = 0.0, -1
    for i in range(LANES):
        if work[UPPER * LANES + i] > best:
            best, row = work[UPPER * LANES + i], i
    if row < 0:
        return 0.0, 0.0
    p0, p1 = _rest_of(1.0 / work[T00 * LANES + row]), _rest_of(1.0 / work[T11 * LANES + row])
    p2 = _rest_of(1.0 / work[T22 * LANES + row])
    return min(best, 1.0), max((p0 - 1.0) * (p1 - 1.0) * (p2 - 1.0) / (p0 * p1 * p2) - SLACK, 0.0)


@kernel(allocates=False)
def judge_rigs(rigs, blocks, block_of, prior, terms, tool, work, chance, covariance):
    """Fill chance (R, Q, 2), the bounds from above and below, and covariance (R, Q, 7, LANES) of rigs (R, n).

    block_of (K, Q). prior (BLOCK,): what is known without cameras, as a block. The last row of `covariance` is the
    upper bound. terms (Q, 7, LANES), flat: lever ahead and added covariance of each row. tool (Q, 4), flat: lever
    aside, and one over each tolerance. Scratch: work (56 * LANES,).
    """
    for r in range(rigs.shape[0]):
        for part in range(block_of.shape[1]):
            for i in range(BLOCK):
                work[i] = prior[i]
            for i in range(TERM_ROWS * LANES):
                work[LEVER * LANES + i] = terms[part * TERM_ROWS * LANES + i]
            for k in range(rigs.shape[1]):
                block = block_of[rigs[r, k], part]
                for i in range(BLOCK):
                    work[i] += blocks[block * BLOCK + i]
            chance[r, part, 0], chance[r, part, 1] = judge_part(tool, part, work)
            for c in range(FOUND_ROWS):
                for i in range(LANES):
                    covariance[r, part, c, i] = work[(T00 + c) * LANES + i]


@kernel(allocates=False)
def _score(worst, total, whole, steps):
    """Return what rigs are ranked by: whole steps of the worst chance (none: 0), then the mean."""
    return 2.0 * math.floor(steps * worst + 0.5) + total / whole


@kernel(allocates=False)
def _lay_base(prefixes, p, part, first_state, blocks, block_of, prior, base, is_same, is_blank):
    """Add up a prefix in base[p] and note whether it is blank, and in which earlier states it is the same."""
    size = prefixes.shape[1]
    is_blank[p] = True
    for n in range(size):
        if block_of[prefixes[p, n], part] > 0:
            is_blank[p] = False
    for t in range(first_state, part):
        is_same[p, t - first_state] = True
        for n in range(size):
            if block_of[prefixes[p, n], part] != block_of[prefixes[p, n], t]:
                is_same[p, t - first_state] = False
    start = p * BLOCK
    for i in range(BLOCK):
        base[start + i] = prior[i]
    for n in range(size):
        block = block_of[prefixes[p, n], part] * BLOCK
        for i in range(BLOCK):
            base[start + i] += blocks[block + i]


@kernel(allocates=False)
def _any_of(alive, p):
    """Return whether any rig that begins with prefix p is still alive."""
    k = 0
    while k < alive.shape[1] and not alive[p, k]:
        k += 1
    return k < alive.shape[1]


@kernel(allocates=False)
def extend_rigs(
    prefixes, base_blocks, base_block_of, blocks, block_of, alone, allowed, prior, terms, tool, group, counts,
    sections, steps, threshold, work, base, base_chance, is_same, is_blank, kept, case_chance, alive, worst, total,
    scores,
):  # fmt: skip
    """Fill scores (P, K, 2): bounds from above and below of each prefix (P, n) with one candidate more; -1 if given up.

    Only candidates beyond the prefix's last one, allowed beside each of it, are tried. A rig is given up once its upper
    bound falls below `threshold`. A part whose blocks are those of an earlier mechanism state is not judged twice.

    Parameters
    ----------
    base_blocks, base_block_of : of the prefixes. blocks, block_of (K, Q) : of what is added. alone (K, Q, 2): bounds of
    the added candidate alone. allowed (K, K). prior (BLOCK,). terms, tool: see `judge_rigs`. group (Q,): the first part
    of the same node and side; a group's parts follow each other, state by state, each of `sections` parts. counts (Q,):
    what the case that ends with this part counts in the mean, 0 where none ends. steps: of the worst chance in the
    score, `STEPS`, or 0 where the mean alone ranks. Scratch: work, base (P * BLOCK,), base_chance (P, 2), is_same (P,
    S), is_blank (P,), kept (P, K, S, 2), case_chance (P, K, 2), alive (P, K), worst, total (P, K, 2).
    """
    whole = 0.0
    for part in range(block_of.shape[1]):
        whole += counts[part]
    for p in range(prefixes.shape[0]):
        for k in range(block_of.shape[0]):
            alive[p, k] = k > prefixes[p, prefixes.shape[1] - 1]
            for n in range(prefixes.shape[1]):
                alive[p, k] &= allowed[prefixes[p, n], k]
            for b in range(2):
                worst[p, k, b], total[p, k, b], case_chance[p, k, b] = 1.0, 0.0, 0.0
    done = 0.0
    for part in range(block_of.shape[1]):
        first = group[part]
        done += counts[part]
        for i in range(TERM_ROWS * LANES):
            work[LEVER * LANES + i] = terms[part * TERM_ROWS * LANES + i]
        for p in range(prefixes.shape[0]):
            if not _any_of(alive, p):
                continue
            _lay_base(prefixes, p, part, first, base_blocks, base_block_of, prior, base, is_same, is_blank)
            base_chance[p, 0], base_chance[p, 1] = 0.0, 0.0
            if not is_blank[p]:
                for i in range(BLOCK):
                    work[i] = base[p * BLOCK + i]
                base_chance[p, 0], base_chance[p, 1] = judge_part(tool, part, work)
        for k in range(block_of.shape[0]):
            block = block_of[k, part]
            for p in range(prefixes.shape[0]):
                if not alive[p, k]:
                    continue
                upper, lower = base_chance[p, 0], base_chance[p, 1]
                if block > 0 and is_blank[p]:
                    upper, lower = alone[k, part, 0], alone[k, part, 1]
                elif block > 0:
                    twin = -1
                    for t in range(first + (part - first) % sections, part, sections):
                        if is_same[p, t - first] and block_of[k, t] == block:
                            twin = t - first
                    if twin >= 0:
                        upper, lower = kept[p, k, twin, 0], kept[p, k, twin, 1]
                    else:
                        for i in range(BLOCK):
                            work[i] = base[p * BLOCK + i] + blocks[block * BLOCK + i]
                        upper, lower = judge_part(tool, part, work)
                kept[p, k, part - first, 0], kept[p, k, part - first, 1] = upper, lower
                case_chance[p, k, 0] = max(case_chance[p, k, 0], upper)
                case_chance[p, k, 1] = max(case_chance[p, k, 1], lower)
                if counts[part] > 0.0:
                    for b in range(2):
                        worst[p, k, b] = min(worst[p, k, b], case_chance[p, k, b])
                        total[p, k, b] += counts[part] * case_chance[p, k, b]
                        case_chance[p, k, b] = 0.0
                    most = _score(worst[p, k, 0], total[p, k, 0] + whole - done, whole, steps)
                    alive[p, k] = most + ROUNDING >= threshold
    for p in range(prefixes.shape[0]):
        for k in range(block_of.shape[0]):
            for b in range(2):
                scores[p, k, b] = -1.0
                if alive[p, k]:
                    scores[p, k, b] = _score(worst[p, k, b], total[p, k, b], whole, steps) + (1 - 2 * b) * ROUNDING
