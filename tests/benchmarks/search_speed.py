"""How fast rigs are tried as sums: 80,000 pairs of 400 candidates over 600 poses, and a loop in numpy beside it.

Dense: every candidate tells something from every pose, nothing is given up or looked up. Sample: the sample study with
its boxes, where most of it is, by both objectives; four cameras of every fourth candidate. Times are processor time of
one thread, least of several runs where dense, halved for two cores where said.

Run: python tests/benchmarks/search_speed.py
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

import fiducialkit
from fiducialkit.planning import rig_sums, search_kernels
from fiducialkit.planning.mount_boxes import candidate_mounts, load_room, may_stand_together
from fiducialkit.planning.mount_information import full_matrix
from fiducialkit.planning.rig_enumeration import TILE, Enumeration, best_rigs

SAMPLE = Path(__file__).parents[2] / "sample_data"
SEED, CANDIDATES, POSES = 20261125, 400, 600
LANES = search_kernels.LANES


def dense_blocks(candidates, parts):
    """Return made-up blocks (B, 42, LANES), all of full rank, the first of zeros."""
    rng = np.random.default_rng(SEED)
    rows, columns = np.tril_indices(6)
    blocks = np.zeros((1 + candidates * parts, 42, LANES))
    for part in range(parts):
        of_part = slice(1 + part * candidates, 1 + (part + 1) * candidates)
        for first, size, scale in ((0, 8, 300.0), (21, 5, 100.0)):
            one = scale * rng.normal(size=(candidates, LANES, size, 6))
            square = np.swapaxes(one, 2, 3) @ one
            blocks[of_part, first : first + 21] = square[..., rows, columns].transpose(0, 2, 1)
    return blocks, 1 + np.arange(candidates * parts).reshape(parts, candidates).T.copy()


def dense_case(candidates):
    """Return the arguments of the kernel for one case of just enough parts."""
    parts = -(-POSES // LANES)
    blocks, block_of = dense_blocks(candidates, parts)
    prior = np.zeros((42, LANES))
    prior[[5, 9, 14]] = 1e4
    terms = np.zeros((parts, 7, LANES))
    terms[:, 0], terms[:, [1, 3, 6]] = 0.5, 0.001
    tool = np.tile([0.1, 50.0, 50.0, 40.0], (parts, 1))
    return blocks, block_of, prior, terms, tool


def time_pairs(case, prefixes):
    """Return the least processor time of trying every pair that begins with one of the prefixes."""
    blocks, block_of, prior, terms, tool = case
    count, parts = block_of.shape
    flat, size = blocks.reshape(-1), len(prefixes)
    scratch = (
        np.empty(search_kernels.WORK_ROWS * LANES), np.empty(size * search_kernels.BLOCK), np.empty((size, 2)),
        np.empty((size, 1), dtype=bool), np.empty(size, dtype=bool), np.empty((size, count, 1, 2)),
        np.empty((size, count, 2)), np.empty((size, count), dtype=bool), np.empty((size, count, 2)),
        np.empty((size, count, 2)), np.empty((size, count, 2)),
    )  # fmt: skip
    times = []
    for _ in range(4):
        start = time.thread_time()
        search_kernels.extend_rigs(
            prefixes[:, None], flat, block_of, flat, block_of, np.zeros((count, parts, 2)),
            np.ones((count, count), dtype=bool), prior.reshape(-1), terms.reshape(-1), tool.reshape(-1),
            np.arange(parts), np.ones(parts), 1, search_kernels.STEPS, -1.0, *scratch,
        )  # fmt: skip
        times.append(time.thread_time() - start)
    return min(times)


def numpy_loop(case, pairs):
    """Do the same in numpy, a pair at a time over all its poses; return the seconds a pair."""
    blocks, block_of, prior, terms, tool = case
    by_row = blocks.transpose(0, 2, 1)
    start = time.thread_time()
    for i, j in pairs:
        told = (by_row[block_of[i]] + by_row[block_of[j]]).reshape(-1, 42)
        inverse = np.linalg.inv(full_matrix(told[:, :21] + prior[:21, 0]))
        covariance = inverse + inverse @ full_matrix(told[:, 21:]) @ inverse
        covariance = covariance[:, [0, 1, 5]][:, :, [0, 1, 5]]
        lever = np.array([[1.0, 0.0, -tool[0, 0]], [0.0, 1.0, terms[0, 0, 0]], [0.0, 0.0, 1.0]])
        at_tool = lever @ covariance @ lever.T * np.outer(tool[0, 1:], tool[0, 1:]) + 0.001 * np.eye(3)
        np.diagonal(np.linalg.cholesky(at_tool[:, ::-1, ::-1]), axis1=1, axis2=2).max()
    return (time.thread_time() - start) / len(pairs)


def dense(candidates=CANDIDATES):
    case = dense_case(candidates)
    first = np.arange(0, candidates, candidates // TILE)[:TILE]  # early and late ones: half of all pairs, on the mean
    seconds = time_pairs(case, first)
    pairs = sum(candidates - 1 - int(k) for k in first)
    whole = seconds * 0.5 * candidates * (candidates - 1) / pairs
    loop = numpy_loop(case, [(0, k) for k in range(1, 31)])
    rate = pairs / seconds * POSES / 1e6
    print(
        f"dense: {candidates * (candidates - 1) // 2} pairs of {candidates} candidates over {POSES} poses: "
        f"{whole:.2f} s of one core, {whole / 2:.2f} s on two; {rate:.1f} million (pair, pose) a second and core; "
        f"{loop * pairs / seconds:.0f} times a loop in numpy"
    )


def sample(objective, cameras, every=1):
    study = fiducialkit.load_study(SAMPLE / "study.toml")
    room = load_room(SAMPLE / "search.toml")
    mounts = [each.mount for each in candidate_mounts(study.robot, room)[0]][::every]
    cases = rig_sums.case_parts(study, objective)
    start = time.process_time()
    sums = rig_sums.rig_sums(study, mounts, cases=cases, workers=1)
    stored = time.process_time() - start
    rows = int((sums.parts.rows >= 0).sum())
    print(
        f"sample, {objective}: {len(mounts)} candidates, {rows} (pose, state): stored in {stored:.2f} s,",
        end=" ",
    )
    print(f"{sums.blocks.nbytes / 1e6:.0f} MB")
    plan = Enumeration(sums=sums, allowed=may_stand_together(mounts, room.apart_m), kept=12, workers=1)
    found = []
    for size in range(1, cameras + 1):
        start = time.process_time()
        found = best_rigs(plan, size, found)
        print(f"  the best rigs of {size}: {time.process_time() - start:.2f} s of processor time")


if __name__ == "__main__":
    dense()
    for objective in rig_sums.OBJECTIVES:
        sample(objective, 3)
        sample(objective, 4, every=4)
