"""`fiducialkit budget`: what it writes and prints, its picture and page, and that mistakes are one line."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

import fiducialkit
from fiducialkit import files
from fiducialkit.cli.main import main
from fiducialkit.planning.budget_words import PICTURES, rests_on
from fiducialkit.planning.picture_model import SOURCES
from fiducialkit.planning.verdict import CAUTION
from fiducialkit.plots.budget_view import draw_budget, worst_states
from fiducialkit.report.budget_page import render_page

SAMPLE = Path(__file__).parents[1] / "sample_data"
RIG = "two low, turned out"


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("\u00e9tude du four")
    for path in SAMPLE.glob("*.toml"):
        shutil.copy(path, folder)
    out = folder / "the budget"
    status = main(["budget", str(folder / "study.toml"), "--out", str(out), "--rig", RIG, "--rig", "one high"])
    return status, out


@pytest.fixture(scope="module")
def budget():
    return fiducialkit.error_budget(fiducialkit.load_study(SAMPLE / "study.toml"), rigs=[RIG, "one high"])


def test_files_are_written_and_read_back(run, budget):
    status, out = run
    assert status == 0
    names = ["budget.html", "budget_by_rig.csv", "budget_cases.csv", "budget_shares.csv", "shares.png"]
    assert sorted(path.name for path in out.iterdir()) == names
    pd.testing.assert_frame_equal(
        files.read_csv(out / "budget_shares.csv"), budget.shares, check_dtype=False, rtol=1e-8
    )
    assert (out / "shares.png").read_bytes().startswith(b"\x89PNG")


def test_console_shows_shares_and_the_sentence(capsys, tmp_path):
    assert main(["budget", str(SAMPLE / "study.toml"), "--out", str(tmp_path), "--rig", RIG, "--picture", "last"]) == 0
    printed = capsys.readouterr().out
    assert printed.isascii()
    assert all(source in printed for source in SOURCES)
    assert re.search(
        r"'two low, turned out': the largest is [a-z ]+ \(\d+ % on\s+average\); halving it brings", printed
    )
    assert str(tmp_path / "budget.html") in printed


def test_page_is_whole_and_needs_nothing_from_elsewhere(run, budget):
    text = (run[1] / "budget.html").read_text(encoding="utf-8")
    assert not re.search(r"url\(|@import|https?://|<script", text)
    assert text.count("data:image/png;base64,") == 1
    plain = text.replace("\u00a0", " ").replace("&#39;", "'")
    assert all(sentence in plain for sentence in budget.sentences)
    assert plain.count(CAUTION) == 1
    assert "sees no marker" in plain  # one high, on some approaches


def test_names_cannot_become_markup(budget):
    study = replace(budget.study, name="<script>alert(1)</script>")
    assert "<script>" not in render_page(replace(budget, study=study), b"")


def test_stacks_are_the_shares(budget):
    ax = draw_budget(budget.cases, budget.shares, Figure().add_subplot(), rig="one high", sources=SOURCES)
    rows = worst_states(budget.cases[budget.cases["rig"] == "one high"])
    heights = {s: [p.get_height() for p in ax.patches if p.get_gid() == f"share {s}"] for s in SOURCES}
    keyed = budget.shares[budget.shares["rig"] == "one high"].set_index(["node", "side", "state", "source"])["share"]
    for place, (_, row) in enumerate(rows.iterrows()):
        for source in SOURCES:
            share = np.nan_to_num(keyed[(row["node"], row["side"], row["state"], source)])
            assert heights[source][place] == pytest.approx(100.0 * share)
    tops = np.sum([heights[source] for source in SOURCES], axis=0)
    assert {round(float(top), 6) for top in tops} == {0.0, 100.0}
    words = [text.get_text() for text in ax.texts]
    assert words.count("sees\nnone") == int((rows["markers"] == 0).sum()) > 0
    assert ax.get_ylabel() == "share [%]"


def test_stacks_stand_in_the_order_of_the_nodes_whichever_state_is_worst(budget):
    """The panels of all rigs share one row of names, so a table sorted by state must not move a stack."""
    states = list(budget.study.states)
    by_state = budget.cases.sort_values("state", key=lambda state: state.map(states.index), kind="stable")
    rows = worst_states(by_state.reset_index(drop=True))
    for rig in dict.fromkeys(budget.cases["rig"]):
        cases = budget.cases[budget.cases["rig"] == rig]
        mine = rows[rows["rig"] == rig]
        names = cases[["node", "side"]].drop_duplicates()
        assert mine[["node", "side"]].to_numpy().tolist() == names.to_numpy().tolist()
        least = cases.groupby(["node", "side"], sort=False)["chance_to_score"].min()
        assert mine["chance_to_score"].tolist() == least.tolist()
    assert rows.groupby("rig")["state"].nunique().max() > 1


def test_what_the_numbers_rest_on_fits_the_picture_that_counts(budget):
    said = {picture: " ".join(rests_on(budget.study, picture)) for picture in PICTURES}
    assert all("corner pull" in text and "driven on to the node" not in text for text in said.values())
    assert {picture for picture, text in said.items() if "the last taken at the node" in text} == {"filter"}


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--rig", "two green"], "rigs: expected names among .* found 'two green'"),
        (["--picture", "first"], "picture: expected 'best', 'last' or 'filter', found 'first'"),
        (["--speed", "-1"], "'--speed'"),
    ],
)
def test_mistakes_are_one_line_and_leave_nothing(options, message, capsys, tmp_path):
    assert main(["budget", str(SAMPLE / "study.toml"), "--out", str(tmp_path / "out"), *options]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1 and re.search(message, lines[0])
    assert not (tmp_path / "out").exists()


def test_a_study_that_sees_nothing_ends_with_status_1(capsys, tmp_path):
    for path in SAMPLE.glob("*.toml"):
        shutil.copy(path, tmp_path)
    robot = (tmp_path / "robot.toml").read_text(encoding="utf-8")
    (tmp_path / "robot.toml").write_text(re.sub(r"tilt_deg = .*", "tilt_deg = 85.0", robot), encoding="utf-8")
    study = (tmp_path / "study.toml").read_text(encoding="utf-8")
    study = study.replace("rigs = []", 'rigs = ["one high"]')
    (tmp_path / "study.toml").write_text(study, encoding="utf-8")
    assert main(["budget", str(tmp_path / "study.toml"), "--out", str(tmp_path / "out")]) == 1
    assert "No rig sees a marker" in capsys.readouterr().out
