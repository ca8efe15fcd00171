"""What every candidate mount tells from the way to every node, stored once, and the chance to score of their sums."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fiducialkit.arrays import FloatArray, IntArray
from fiducialkit.planning import search_kernels
from fiducialkit.planning.arrival import chance_inside, driven_blind, tool_covariance
from fiducialkit.planning.coverage import approach_poses
from fiducialkit.planning.mount_information import full_matrix, mount_information
from fiducialkit.planning.scenery import prior_weights
from fiducialkit.planning.study import Study
from fiducialkit.scene.robot import Mount

WORST_NODE, WEIGHTED_MEAN = "worst node", "weighted mean"
OBJECTIVES = (WORST_NODE, WEIGHTED_MEAN)
LANES: int = search_kernels.LANES
_AT_ONCE = 16
_BOUND_SLACK = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseParts:
    """The cases (node, side, mechanism state) and the rows (poses) of each, cut into parts of `LANES`.

    Attributes
    ----------
    cases : tuple of (node, side, state), in the order of the parts
    rows : ndarray of int, shape (Q, LANES)
        Numbers of the poses, -1 where a part is not full.
    state, group : ndarray of int, shape (Q,)
        Number of the state; first part of the same node and side.
    counts : ndarray, shape (C,)
        What each case counts in the mean: the study's weight of its node.
    steps : float
        Of the worst chance in a rig's score; 0 where the mean alone ranks.
    sections : int
        Parts of a case.
    states : int
        Mechanism states, so cases of a node and side.
    terms, tool : ndarray, shape (Q, 7, LANES) and (Q, 4)
        As `search_kernels.judge_rigs` takes them.
    """

    cases: tuple[tuple[str, str, str], ...]
    rows: IntArray
    state: IntArray
    group: IntArray
    counts: FloatArray
    steps: float
    sections: int
    states: int
    terms: FloatArray
    tool: FloatArray

    def score(self, worst_chance: FloatArray, benefit: FloatArray) -> FloatArray:
        """Return what rigs are ranked by: whole per cents of the worst chance, if it counts at all, then the mean."""
        return np.asarray(2.0 * np.floor(self.steps * worst_chance + 0.5) + benefit)

    def benefit(self, chance: FloatArray) -> FloatArray:
        """Return the weighted mean of chances (..., C) of the cases."""
        return np.asarray((chance * self.counts).sum(axis=-1) / self.counts.sum())

    def counts_by_part(self) -> FloatArray:
        """Return what the case that ends with a part counts, (Q,); 0 where none ends."""
        counts = np.zeros((len(self.cases), self.sections))
        counts[:, -1] = self.counts
        return counts.ravel()


@dataclass(frozen=True, slots=True, kw_only=True)
class RigSums:
    """Blocks of information and spread of K candidates, to be added up; see `search_kernels`.

    Attributes
    ----------
    parts : CaseParts
    blocks : ndarray, flat
        Blocks of 42 * LANES numbers, the first of zeros.
    block_of : ndarray of int, shape (K, Q)
    alone : ndarray, shape (K, Q, 2)
        Bounds from above and below of each candidate alone.
    prior : ndarray, shape (42 * LANES,)
    """

    parts: CaseParts
    blocks: FloatArray
    block_of: IntArray
    alone: FloatArray
    prior: FloatArray


def case_parts(study: Study, objective: str = WORST_NODE) -> tuple[CaseParts, FloatArray]:
    """Return the parts and the poses (N, 3) that their rows number."""
    labels, poses = approach_poses(study)
    groups = labels.groupby(["node", "side"], sort=False).indices
    sections = math.ceil(max(len(index) for index in groups.values()) / LANES)
    nodes = {node.name: node for node in study.field.nodes}
    cases, rows, terms, tools = [], [], [], []
    for key, index in groups.items():
        name, side = named(key)
        node, tool = nodes[name], study.tool(side)
        limits = np.array([node.tolerance_along_m, node.tolerance_across_m, math.radians(node.tolerance_heading_deg)])
        # driving backwards a heading error carries the robot the other way: the stretch is below zero
        blind = labels["distance_m"].to_numpy()[index] * (1.0 if side == "front" else -1.0)
        added = driven_blind(np.zeros((len(index), 3, 3)), blind, study.approach.speed_m_per_s, study.odometry)
        added = tool_covariance(added, tool) / np.outer(limits, limits)
        six = added[:, [0, 1, 1, 2, 2, 2], [0, 0, 1, 0, 1, 2]]
        of_rows = np.column_stack([blind + tool.position[0], six])
        number, term = np.full(sections * LANES, -1), np.zeros((sections * LANES, 7))
        number[: len(index)], term[: len(index)] = index, of_rows
        for state in study.states:
            cases.append((name, side, state))
            rows.append(number.reshape(sections, LANES))
            terms.append(term.reshape(sections, LANES, 7).transpose(0, 2, 1))
            tools.append(np.tile([tool.position[1], *(1.0 / limits)], (sections, 1)))
    step, count = len(study.states) * sections, len(cases) * sections
    parts = CaseParts(
        cases=tuple(cases),
        rows=np.concatenate(rows),
        state=np.arange(count) // sections % len(study.states),
        group=np.arange(count) // step * step,
        counts=np.array([study.weight(name) for name, _, _ in cases]),
        steps=search_kernels.STEPS if objective == WORST_NODE else 0.0,
        sections=sections,
        states=len(study.states),
        terms=np.ascontiguousarray(np.concatenate(terms)),
        tool=np.concatenate(tools),
    )
    return parts, poses


def named(key: object) -> tuple[str, str]:
    """Return node and side from the key of a group of approach poses."""
    name, side = key if isinstance(key, tuple) else (key, "")
    return str(name), str(side)


def rig_sums(
    study: Study,
    mounts: Sequence[Mount],
    *,
    cases: tuple[CaseParts, FloatArray] | None = None,
    workers: int | None = None,
    progress: Callable[[int, int], object] | None = None,
) -> RigSums:
    """Return what these mounts tell on the way to every node of the study, ready to be added up.

    `cases` is what `case_parts` returned for this study, where somebody has it already.
    Blocks that tell nothing, or in one mechanism state what they tell in an earlier one, are stored once.
    """
    parts, poses = case_parts(study) if cases is None else cases
    kept: list[FloatArray] = [np.zeros((1, 42, LANES))]
    block_of = np.zeros((len(mounts), len(parts.state)), dtype=np.int64)
    count = 1
    for first in range(0, len(mounts), _AT_ONCE):
        found = mount_information(study, mounts[first : first + _AT_ONCE], poses, workers=workers)
        told = np.concatenate([found.information, found.spread], axis=3)
        count = _store(parts, told, block_of[first : first + _AT_ONCE], kept, count)
        if progress is not None:
            progress(min(first + _AT_ONCE, len(mounts)), len(mounts))
    blocks = np.concatenate(kept).reshape(-1)
    prior = np.zeros((42, LANES))
    diagonal = [r * (r + 1) // 2 + r for r in range(6)]
    prior[diagonal] = prior_weights(study)[:, None]
    sums = RigSums(parts=parts, blocks=blocks, block_of=block_of, alone=np.zeros((0, 0, 2)), prior=prior.reshape(-1))
    sums = replace(sums, alone=rig_bounds(sums, np.arange(len(mounts))[:, None]))
    # the nodes and sides first that most candidates fail at: bad rigs are given up sooner
    groups = sums.alone[..., 0].mean(axis=0).reshape(-1, parts.states * parts.sections).mean(axis=1)
    return arranged(sums, np.argsort(groups, kind="stable"))


def arranged(sums: RigSums, groups: IntArray) -> RigSums:
    """Return the sums with the groups of cases (node and side, all its states) in that order."""
    step = sums.parts.states * sums.parts.sections
    order = (groups[:, None] * step + np.arange(step)).ravel()
    by_case = order.reshape(-1, sums.parts.sections)[:, 0] // sums.parts.sections
    parts = replace(  # all groups are of one size, so state and group stay as they are
        sums.parts,
        counts=sums.parts.counts[by_case],
        cases=tuple(sums.parts.cases[case] for case in by_case),
        rows=sums.parts.rows[order],
        terms=np.ascontiguousarray(sums.parts.terms[order]),
        tool=np.ascontiguousarray(sums.parts.tool[order]),
    )
    return replace(
        sums, parts=parts, block_of=np.ascontiguousarray(sums.block_of[:, order]),
        alone=np.ascontiguousarray(sums.alone[:, order]),
    )  # fmt: skip


def _store(parts: CaseParts, told: FloatArray, block_of: IntArray, kept: list[FloatArray], count: int) -> int:
    """Add the blocks of some mounts to `kept`, fill their rows of `block_of` and return how many blocks there are."""
    stretch: dict[int, FloatArray] = {}
    for part, rows in enumerate(parts.rows):
        block = np.where(rows >= 0, told[:, rows, parts.state[part]].transpose(0, 2, 1), 0.0)
        stretch[part] = block
        is_new = (block[:, :21] != 0.0).any(axis=(1, 2))
        earlier = range(parts.group[part] + (part - parts.group[part]) % parts.sections, part, parts.sections)
        for twin in earlier:
            is_same = is_new & (block == stretch[twin]).all(axis=(1, 2))
            block_of[is_same, part] = block_of[is_same, twin]
            is_new &= ~is_same
        block_of[is_new, part] = count + np.arange(int(is_new.sum()))
        kept.append(block[is_new])
        count += int(is_new.sum())
    return count


def rig_bounds(sums: RigSums, rigs: IntArray) -> FloatArray:
    """Return bounds from above and below (R, Q, 2) of the chance to score of rigs (R, n), part by part."""
    return np.concatenate([_judged(sums, rigs[first : first + 64])[0] for first in range(0, max(len(rigs), 1), 64)])


def _judged(sums: RigSums, rigs: IntArray) -> tuple[FloatArray, FloatArray]:
    parts = sums.parts
    shape = (len(rigs), len(parts.state))
    chance, covariance = np.empty((*shape, 2)), np.empty((*shape, search_kernels.FOUND_ROWS, LANES))
    search_kernels.judge_rigs(
        np.ascontiguousarray(rigs), sums.blocks, sums.block_of, sums.prior, parts.terms.reshape(-1),
        parts.tool.reshape(-1), np.empty(search_kernels.WORK_ROWS * LANES), chance, covariance,
    )  # fmt: skip
    return chance, covariance


def case_bounds(parts: CaseParts, bounds: FloatArray) -> FloatArray:
    """Return (R, C, 2) the bounds by case from those by part (R, Q, 2): that of the best part."""
    by_case = bounds.reshape(len(bounds), len(parts.cases), parts.sections, 2)
    return np.asarray(by_case.max(axis=2))


class ExactChances:
    """The chance to score of one rig, case by case as it is asked for: every row that may be the best is integrated.

    Attributes
    ----------
    upper : ndarray, shape (C,)
        Bounds from above.
    """

    def __init__(self, sums: RigSums, rig: Sequence[int]) -> None:
        chance, covariance = _judged(sums, np.array([rig], dtype=np.int64))
        parts = sums.parts
        bounds = case_bounds(parts, chance)[0]
        self.upper, self._least = bounds[:, 0], bounds[:, 1]
        rows = covariance[0].reshape(len(parts.cases), parts.sections, search_kernels.FOUND_ROWS, LANES)
        self._rows = rows.transpose(0, 1, 3, 2).reshape(len(parts.cases), -1, search_kernels.FOUND_ROWS)

    def of(self, cases: IntArray) -> FloatArray:
        """Return the chances of these cases, (n,)."""
        rows = self._rows[cases]
        at, row = np.nonzero((rows[..., 6] > 0.0) & (rows[..., 6] >= self._least[cases][:, None]))
        matrix = rows[at, row][:, [0, 1, 3, 1, 2, 4, 3, 4, 5]].reshape(-1, 3, 3)
        found = np.zeros(len(cases))
        np.maximum.at(found, at, chance_inside(matrix, (1.0, 1.0, 1.0)))
        return found


def sharpest(sums: RigSums) -> RigSums:
    """Return blocks that add up to more than any rig can tell, for bounds on rigs not yet complete.

    A mount tells b = I x + e, its noise and its lasting errors e of covariance I + S. Whoever weighs all mounts in the
    best way has the information sum of J = I (I + S)^-1 I, and no other weights, and no fewer mounts, do better (Gauss,
    Markov). The estimator of the sums weighs by I, so its covariance is never below the inverse of prior and sum of J.
    """
    blocks = sums.blocks.reshape(-1, 42, LANES).transpose(0, 2, 1)
    told = (blocks[..., :21] != 0.0).any(axis=2)
    information, spread = full_matrix(blocks[..., :21][told]), full_matrix(blocks[..., 21:][told])
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(information, axis1=1, axis2=2), 1e-300))
    scaled = information * scale[:, :, None] * scale[:, None, :]
    both = (information + spread) * scale[:, :, None] * scale[:, None, :]
    best = scaled @ np.linalg.solve(both + 1e-12 * np.eye(6), scaled)
    best = 0.5 * (best + best.transpose(0, 2, 1)) + _BOUND_SLACK * scaled
    best = best / (scale[:, :, None] * scale[:, None, :])
    sharp = np.zeros_like(blocks)
    rows, columns = np.tril_indices(6)
    sharp[told, :21] = best[:, rows, columns]
    flat = np.ascontiguousarray(sharp.transpose(0, 2, 1)).reshape(-1)
    return replace(sums, blocks=flat)


def all_left(sums: RigSums) -> RigSums:
    """Return for each candidate the sum of its blocks and those of all candidates after it."""
    candidates, parts = sums.block_of.shape
    blocks = sums.blocks.reshape(-1, 42 * LANES)
    added = np.zeros((1 + candidates * parts, 42 * LANES))
    block_of = 1 + np.arange(candidates * parts).reshape(candidates, parts)
    running = np.zeros((parts, 42 * LANES))
    for k in range(candidates - 1, -1, -1):
        running += blocks[sums.block_of[k]]
        added[block_of[k]] = running
    left = replace(sums, blocks=added.reshape(-1), block_of=block_of)
    return replace(left, alone=rig_bounds(left, np.arange(candidates)[:, None]))
