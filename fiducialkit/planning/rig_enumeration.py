"""Every rig of some candidates tried: the best ones, and none better lost.

Rigs are ranked by a score: whole per cents of the worst case's chance to score, then the mean chance, each node with
the study's weight, their benefit; or by the benefit alone (`CaseParts.score`). The kernel gives every rig a score from
above and one from below. A rig whose upper score falls short of a score that `kept` other rigs reach for certain cannot
be among the best `kept` and is given up. Those left are integrated in the order of their upper scores, case by case,
hardest first, until no upper score reaches the worst of the best `kept` exact ones.
Both steps keep every rig that could be among the best, so the outcome is that of integrating every rig (a test does).
Beyond three cameras a pair of candidates is given up together with all rigs that contain it and later candidates only,
once the pair with all of these added (`rig_sums.sharpest`) stays below.
"""

from __future__ import annotations

import io
import math
import zipfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import joblib
import numpy as np

from fiducialkit import files
from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.errors import FileFormatError, InputError
from fiducialkit.planning import search_kernels
from fiducialkit.planning.rig_sums import ExactChances, RigSums, all_left, arranged, case_bounds, rig_bounds, sharpest

TILE = 8  # prefixes worked on together, so that a candidate's blocks are fetched once for all of them
MOST_CAMERAS = 4
MOST_FOR_FOUR = 250
_SEEDS = 8
_DRAWN = 300
_FIRST_CASES = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoredRig:
    """A rig of candidates with its worst chance to score, its benefit, and the score of both that ranks it."""

    rig: tuple[int, ...]
    worst_chance: float
    benefit: float
    score: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Enumeration:
    """How rigs are tried.

    Attributes
    ----------
    sums : RigSums
    allowed : ndarray of bool, shape (K, K)
        Which candidates may stand together.
    kept : int
        How many of the best rigs are wanted.
    workers : int or None
        Threads; the result does not depend on them.
    folder : Path or None
        Where finished pieces are kept.
    stamp : str
        What tells this search from others.
    progress : callable or None
        Called with nothing when a piece is finished; what it raises stops the search.
    """

    sums: RigSums
    allowed: BoolArray
    kept: int
    workers: int | None = 1
    folder: Path | None = None
    stamp: str = ""
    progress: Callable[[], object] | None = None


def pieces_of(cameras: int, candidates: int) -> int:
    """Return into how many pieces the search for rigs of so many cameras is cut."""
    return 0 if cameras == 1 else math.ceil(candidates / TILE) if cameras == 2 else candidates


def best_rigs(plan: Enumeration, cameras: int, fewer: list[ScoredRig]) -> list[ScoredRig]:
    """Return the best `kept` rigs of so many cameras, best first; `fewer` are the best with one camera less.

    Raises
    ------
    InputError
        If there are more cameras or candidates than can be tried.
    """
    count = len(plan.allowed)
    if cameras > MOST_CAMERAS:
        raise InputError(f"cameras: expected 1 to {MOST_CAMERAS}, found {cameras}")
    if cameras == MOST_CAMERAS and count > MOST_FOR_FOUR:
        raise InputError(
            f"cameras: expected at most {MOST_FOR_FOUR} candidates for {cameras} cameras, found {count}; widen spacing "
            "or steps"
        )
    if cameras == 1:
        return _integrated(plan, np.arange(count)[:, None], _scores(plan.sums, plan.sums.alone)[:, 0])
    threshold = _reached(plan, cameras, fewer)
    sums = plan.sums if count < cameras else arranged(plan.sums, _telling_order(plan.sums, cameras, threshold))
    rigs, upper = _all_pieces(replace(plan, sums=sums), cameras, threshold)
    return _integrated(plan, rigs, upper)


def _scores(sums: RigSums, bounds: FloatArray) -> FloatArray:
    """Return scores from above and below (R, 2) from bounds (R, Q, 2)."""
    by_case = case_bounds(sums.parts, bounds)
    worst = np.minimum(by_case.min(axis=1), 1.0)
    slack = search_kernels.ROUNDING * np.array([1.0, -1.0])
    return sums.parts.score(worst, sums.parts.benefit(by_case.swapaxes(1, 2))) + slack


def _reached(plan: Enumeration, cameras: int, fewer: list[ScoredRig]) -> float:
    """Return a score that at least `kept` rigs reach for certain: the best smaller rigs, each with any one more."""
    tried = {
        tuple(sorted((*each.rig, k)))
        for each in fewer[:_SEEDS]
        for k in range(len(plan.allowed))
        if plan.allowed[list(each.rig), k].all()
    }
    if cameras == MOST_CAMERAS and tried:  # one camera exchanged: pays where there is very much to give up
        best = _lowest(plan, cameras, tried)[0][: plan.kept]
        tried |= {
            tuple(sorted((*rig[:place], k, *rig[place + 1 :])))
            for rig in best.tolist()
            for place in range(cameras)
            for k in range(len(plan.allowed))
            if plan.allowed[[*rig[:place], *rig[place + 1 :]], k].all()
        }
    return float(_lowest(plan, cameras, tried)[1][plan.kept - 1]) if len(tried) >= plan.kept else -1.0


def _lowest(plan: Enumeration, cameras: int, tried: set[tuple[int, ...]]) -> tuple[IntArray, FloatArray]:
    """Return the rigs and their scores from below, best first."""
    rigs = np.array(sorted(tried), dtype=np.int64).reshape(-1, cameras)
    scores = _scores(plan.sums, rig_bounds(plan.sums, rigs))[:, 1]
    order = np.argsort(-scores, kind="stable")
    return rigs[order], scores[order]


def _telling_order(sums: RigSums, cameras: int, threshold: float) -> IntArray:
    """Return the groups (node and side) in the order in which drawn rigs are given up soonest, the greedy way."""
    rng = np.random.default_rng(cameras)
    rigs = np.array([rng.permutation(len(sums.block_of))[:cameras] for _ in range(_DRAWN)])
    upper = case_bounds(sums.parts, rig_bounds(sums, rigs))[..., 0]
    groups = np.arange(len(sums.parts.cases)) // sums.parts.states
    left, known, order = np.ones(_DRAWN, dtype=np.bool_), np.ones_like(upper), list[int]()
    while len(order) <= groups[-1]:
        tried: dict[int, FloatArray] = {}
        for group in set(range(groups[-1] + 1)).difference(order):
            chance = np.where(groups == group, upper, known)
            tried[group] = sums.parts.score(np.minimum(chance.min(axis=1), 1.0), sums.parts.benefit(chance))
        # among equal ones that which lowers the scores most
        loss = {group: ((found < threshold) & left).sum() - 1e-3 * found.mean() for group, found in tried.items()}
        best = max(sorted(loss), key=loss.__getitem__)
        order.append(best)
        left &= tried[best] >= threshold
        known = np.where(groups == best, upper, known)
    return np.array(order)


def _all_pieces(plan: Enumeration, cameras: int, threshold: float) -> tuple[IntArray, FloatArray]:
    left = sharp = None
    if cameras == MOST_CAMERAS:
        sharp = sharpest(plan.sums)
        left = all_left(sharp)

    def run(piece: int) -> tuple[IntArray, FloatArray]:
        path = None if plan.folder is None else plan.folder / f"rigs_of_{cameras}_{piece:05d}.npz"
        found = None if path is None else _read_piece(path, plan.stamp)
        if found is None:
            found = _piece(plan, cameras, threshold, piece, (sharp, left))
            if path is not None:
                _write_piece(path, plan.stamp, found)
        return found

    rigs, upper = [np.empty((0, cameras), dtype=np.int64)], [np.empty(0)]
    pool = ThreadPoolExecutor(plan.workers)
    try:
        for some, of_some in pool.map(run, range(pieces_of(cameras, len(plan.allowed)))):
            rigs.append(some)
            upper.append(of_some)
            if plan.progress is not None:
                plan.progress()
    finally:
        pool.shutdown(cancel_futures=True)
    return np.concatenate(rigs), np.concatenate(upper)


def _piece(
    plan: Enumeration, cameras: int, threshold: float, piece: int, bounding: tuple[RigSums | None, RigSums | None]
) -> tuple[IntArray, FloatArray]:
    """Return the rigs of a piece that may be among the best, and their upper scores."""
    rigs: list[IntArray] = []
    scores: list[FloatArray] = []
    for prefixes in _tiles(plan, cameras, threshold, piece, bounding):
        found = _extended(plan.sums, plan.sums, plan.allowed, prefixes, threshold)
        p, k = np.nonzero(found[..., 0] >= 0.0)
        rigs.append(np.column_stack([prefixes[p], k]))
        scores.append(found[p, k])
    if not rigs:
        return np.empty((0, cameras), dtype=np.int64), np.empty(0)
    all_rigs, all_scores = np.concatenate(rigs), np.concatenate(scores)
    if len(all_rigs) > plan.kept:
        threshold = max(threshold, float(np.sort(all_scores[:, 1])[-plan.kept]))
    good = all_scores[:, 0] >= threshold
    return all_rigs[good], all_scores[good, 0]


def _tiles(
    plan: Enumeration, cameras: int, threshold: float, piece: int, bounding: tuple[RigSums | None, RigSums | None]
) -> Iterator[IntArray]:
    """Yield the prefixes of a piece, some at a time, all but the last candidate of each rig."""
    count = len(plan.allowed)
    if cameras == 2:
        yield np.arange(piece * TILE, min((piece + 1) * TILE, count))[:, None]
        return
    prefixes = np.array([[piece, k] for k in range(piece + 1, count) if plan.allowed[piece, k]], dtype=np.int64)
    prefixes = prefixes.reshape(-1, 2)
    sharp, left = bounding
    if sharp is not None and left is not None:
        free = np.ones_like(plan.allowed)
        first = _extended(sharp, left, free, np.array([[piece]]), threshold)[0, :, 0] >= 0.0
        prefixes = prefixes[first[prefixes[:, 1]]]
        # with three of them there is one left to add: trying it costs less than a bound on all at once
        later = np.arange(count) > prefixes[:, 1:]
        p, k = np.nonzero(plan.allowed[prefixes[:, 0]] & plan.allowed[prefixes[:, 1]] & later)
        prefixes = np.column_stack([prefixes[p], k])
    for start in range(0, len(prefixes), TILE):
        yield np.ascontiguousarray(prefixes[start : start + TILE])


def _extended(base: RigSums, added: RigSums, allowed: BoolArray, prefixes: IntArray, threshold: float) -> FloatArray:
    """Return scores (P, K, 2) of each prefix with each later candidate, -1 where given up."""
    parts, count, size = base.parts, len(allowed), len(prefixes)
    states = int((np.arange(len(parts.group)) - parts.group).max()) + 1
    scores = np.empty((size, count, 2))
    search_kernels.extend_rigs(
        prefixes, base.blocks, base.block_of, added.blocks, added.block_of, added.alone, allowed, base.prior,
        parts.terms.reshape(-1), parts.tool.reshape(-1), parts.group, parts.counts_by_part(), parts.sections,
        parts.steps, threshold, np.empty(search_kernels.WORK_ROWS * search_kernels.LANES),
        np.empty(size * search_kernels.BLOCK),
        np.empty((size, 2)), np.empty((size, states), dtype=np.bool_), np.empty(size, dtype=np.bool_),
        np.empty((size, count, states, 2)), np.empty((size, count, 2)), np.empty((size, count), dtype=np.bool_),
        np.empty((size, count, 2)), np.empty((size, count, 2)), scores,
    )  # fmt: skip
    return scores


def _integrated(plan: Enumeration, rigs: IntArray, upper: FloatArray) -> list[ScoredRig]:
    """Return the best `kept` rigs by their exact chances; equal ones in the order of their candidates."""
    best: list[ScoredRig] = []
    for number in np.lexsort([*rigs.T[::-1], -upper]):
        least = best[plan.kept - 1].score if len(best) >= plan.kept else -1.0
        if upper[number] < least:
            break
        found = exact_score(plan.sums, tuple(int(k) for k in rigs[number]), least)
        if found is not None:
            best = sorted([*best, found], key=lambda each: (-each.score, each.rig))[: plan.kept]
    return best


def exact_score(sums: RigSums, rig: tuple[int, ...], least: float = -1.0) -> ScoredRig | None:
    """Return the rig's exact worst and mean chance, or None once it is certain to score less than `least`."""
    chances = ExactChances(sums, rig)
    known = chances.upper.copy()
    order = np.argsort(known, kind="stable")
    for cases in (*np.split(order[:_FIRST_CASES], min(_FIRST_CASES, len(order))), order[_FIRST_CASES:]):
        if cases.size:
            known[cases] = chances.of(cases)
        worst, benefit = known.min(), sums.parts.benefit(known)
        score = float(sums.parts.score(worst, benefit))
        if score < least:
            return None
    return ScoredRig(rig=rig, worst_chance=float(worst), benefit=float(benefit), score=score)


def _write_piece(path: Path, stamp: str, found: tuple[IntArray, FloatArray]) -> None:
    stream = io.BytesIO()
    np.savez(stream, stamp=np.array(stamp), rigs=found[0], upper=found[1])
    files.write_bytes(path, stream.getvalue())


def _read_piece(path: Path, stamp: str) -> tuple[IntArray, FloatArray] | None:
    """Return a finished piece, None if there is none.

    Raises
    ------
    FileFormatError
        If the file is none, or a piece of another search.
    """
    if not path.exists():
        return None
    try:
        with np.load(io.BytesIO(files.read_bytes(path)), allow_pickle=False) as content:
            whose, rigs, upper = str(content["stamp"]), content["rigs"], content["upper"]
    except (ValueError, KeyError, OSError, EOFError, zipfile.BadZipFile):
        raise FileFormatError(path, "", "expected a finished piece of a search, found something else") from None
    if whose != stamp:
        raise FileFormatError(
            path, "", "expected a piece of this very search, found one of another; remove it or choose another folder"
        )
    return rigs, upper


def stamp_of(*things: object) -> str:
    """Return what tells a search from others: a digest of everything its result depends on."""
    return str(joblib.hash(things))[:16]
