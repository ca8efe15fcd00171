"""Whether two rigs differ at all, or only on the nodes that this study happens to have.

The rigs are compared case by case: at each node and side, the mean chance to score over the mechanism states. The
gain is the mean of these differences. Its interval answers: were the nodes and sides drawn anew from ones like these,
between what would the gain lie in 95 of 100 draws? An interval that holds 0 says that the rank may be the nodes'
doing. It says nothing about how right the predictions themselves are.

References
----------
Efron and Tibshirani, "An Introduction to the Bootstrap", 1993: percentile interval of a paired mean; sign test:
binomial with one half, ties left out (both from memory; checked against hand-worked cases in the tests).
"""

from __future__ import annotations

from math import comb

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray
from fiducialkit.planning.mount_tables import DIFFERENCES

DRAWS, SEED = 4000, 20261
FEWEST = 5  # nodes and sides below which drawing them anew tells nothing
EQUAL = 1e-6  # chances closer than this count as the same


def rig_differences(by_node: pd.DataFrame, rigs: list[str]) -> pd.DataFrame:
    """Return table `DIFFERENCES` of all pairs of `rigs`, given best first, from a table `BY_NODE`."""
    chance = by_node.pivot_table("chance_to_score", "rig", ["node", "side"], aggfunc="mean")
    values = chance.loc[rigs].to_numpy(dtype=np.float64)
    rows = []
    for first, rig in enumerate(rigs):
        for second in range(first + 1, len(rigs)):
            rows.append({"rig": rig, "other": rigs[second]} | _difference(values[first] - values[second]))
    return DIFFERENCES.checked(pd.DataFrame(rows, columns=DIFFERENCES.names))


def _difference(gains: FloatArray) -> dict[str, float]:
    low, high = mean_interval(gains)
    better, worse = int((gains > EQUAL).sum()), int((gains < -EQUAL).sum())
    return {
        "gain": float(gains.mean()),
        "gain_low": low,
        "gain_high": high,
        "better": better,
        "worse": worse,
        "sign_p": sign_test(better, worse),
    }


def mean_interval(gains: FloatArray) -> tuple[float, float]:
    """Return the 95 % bootstrap interval of a mean, (NaN, NaN) below five values; the same on every call."""
    if len(gains) < FEWEST:
        return float("nan"), float("nan")
    drawn = np.random.default_rng(SEED).integers(0, len(gains), (DRAWS, len(gains)))
    low, high = np.quantile(gains[drawn].mean(axis=1), [0.025, 0.975])
    return float(low), float(high)


def sign_test(better: int, worse: int) -> float:
    """Return the exact two-sided chance of so uneven a split of fair coins; 1 where there is nothing to split."""
    count, few = better + worse, min(better, worse)
    return min(1.0, 2.0 * sum(comb(count, k) for k in range(few + 1)) / 2.0**count)
