"""Rigs as sums over their mounts: how well each fixes the pose, mixed over what is seen and what is not.

Cases and `work` as in `planning.gain_kernels`. Derived here; the numpy twin is in ``tests/planning_cases.py``.
"""

from __future__ import annotations

import math

from fiducialkit.compiled import kernel
from fiducialkit.planning.gain_kernels import (
    ADDED,
    CASES,
    EXTRA,
    HERE,
    MOST_MIXED,
    NOISE,
    SHARE,
    TOTAL,
    VARIED,
    WORK_ROWS,
    push,
    solve_lanes,
    square_marker,
    square_mount,
    vary_lanes,
)
from fiducialkit.planning.information_kernels import RANDOM, SYMMETRIC

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
            square_mount(span, pupils[at, 0], pupils[at, 1], pupils[at, 2], mount_m, mount_rad, focal, work)
        at = k
        push(span, here, k, q, kept, 0.0, 1.0, work)
        is_first = True
        for other in range(count):
            if other != e and listed[other, _MARKER] == m and listed[other, _ROW] >= 0:
                is_first &= e < other
                if is_first:
                    push(span, listed[other, _ROW], listed[other, _MOUNT], listed[other, _NUMBER], kept, 1.0, 0.0, work)
        if is_first:
            dx, dy = centres[m, 0] - place[0], centres[m, 1] - place[1]
            square_marker(
                span, place[2] * dx + place[3] * dy, place[2] * dy - place[3] * dx, centres[m, 2], marker_m,
                marker_rad, work,
            )  # fmt: skip
    if at >= 0:
        square_mount(span, pupils[at, 0], pupils[at, 1], pupils[at, 2], mount_m, mount_rad, focal, work)


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
                    solve_lanes(span, work)
                    if has_pull:
                        vary_lanes(span, work)
                    for c in range(6 * CASES):
                        work[EXTRA * CASES + c] = 0.0
                    _add_pieces(span, count, listed, place, considered, pupils, centres, kept, work)
                    _mix_cases(span, work, result)
                for c in range(15):
                    results[n, state, r, c] = result[c]
