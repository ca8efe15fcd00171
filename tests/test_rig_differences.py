"""Whether two rigs differ: hand-worked splits, limits, symmetry, and what the interval holds in repeated studies."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fiducialkit.planning.rig_differences import mean_interval, rig_differences, sign_test


def cases(**chances):
    """Return what counts of BY_NODE: one chance a node for each rig, the same in two states."""
    rows = [
        {"rig": rig, "node": f"node {n}", "side": "front", "state": state, "chance_to_score": value}
        for rig, values in chances.items()
        for n, value in enumerate(values)
        for state in ("arm down", "arm raised")
    ]
    return pd.DataFrame(rows)


@pytest.mark.parametrize(
    ("better", "worse", "chance"),
    # worked by hand: 2 / 2^6, 2 (1 + 6) / 2^6, 2 (1 + 8) / 2^8, and even splits that say nothing
    [(6, 0, 0.03125), (5, 1, 0.21875), (1, 7, 0.0703125), (3, 3, 1.0), (0, 0, 1.0)],
)
def test_sign_test_by_hand(better, worse, chance):
    assert sign_test(better, worse) == pytest.approx(chance, abs=1e-15)


def test_gain_by_hand_and_turned_round():
    table = cases(a=[0.9, 0.8, 0.7, 0.9, 0.9, 0.5], b=[0.8, 0.8, 0.8, 0.6, 0.7, 0.5])
    row, back = rig_differences(table, ["a", "b"]).iloc[0], rig_differences(table, ["b", "a"]).iloc[0]
    assert row["gain"] == pytest.approx(0.5 / 6)  # (.1 + 0 - .1 + .3 + .2 + 0) / 6
    assert (row["better"], row["worse"]) == (3, 1) == (back["worse"], back["better"])
    assert row["gain_low"] < 0.0 < row["gain_high"]
    assert [back["gain_low"], back["gain_high"]] == pytest.approx([-row["gain_high"], -row["gain_low"]])


def test_a_gain_that_is_the_same_everywhere_has_no_width():
    row = rig_differences(cases(a=[0.9, 0.7, 0.5, 0.3, 0.2], b=[0.8, 0.6, 0.4, 0.2, 0.1]), ["a", "b"]).iloc[0]
    assert [row["gain_low"], row["gain"], row["gain_high"]] == pytest.approx([0.1] * 3)


def test_too_few_nodes_say_nothing():
    assert rig_differences(cases(a=[0.9] * 4, b=[0.1] * 4), ["a", "b"])["gain_low"].isna().all()


def test_the_interval_holds_the_true_gain_about_as_often_as_it_says():
    """Simulation with known truth: 400 studies of 14 nodes and sides; a percentile interval of so few holds 90-95 %."""
    rng = np.random.default_rng(7)
    held = 0
    for gains in rng.normal(0.03, 0.1, (400, 14)):
        low, high = mean_interval(gains)
        held += low <= 0.03 <= high
    # of 400 at 92 % the sd is 5.4: within three of it either way
    assert 352 <= held <= 392
