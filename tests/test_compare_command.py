"""`fiducialkit compare` with a mount card and with rendered pictures: what it writes and prints, one-line mistakes."""

from __future__ import annotations

import importlib.util

import pytest
from scene_cases import RIGS, hand_made_comparison
from test_cli import CAMERA, FIELD, ROBOT, STUDY, mistake, run

import fiducialkit
from fiducialkit import files
from fiducialkit.cli import compare
from fiducialkit.planning.rendered_check import rendered_check
from fiducialkit.planning.rendered_tables import COVERAGE, RENDERED_CHECK
from fiducialkit.plots.rendered_view import RATIOS
from fiducialkit.report.comparison_page import comparison_pictures, render_page


@pytest.fixture
def hall(tmp_path):
    folder = tmp_path / "caf\u00e9 hall"
    for name, text in (("field", FIELD), ("camera", CAMERA), ("robot", ROBOT), ("study", STUDY)):
        files.write_text(folder / f"{name}.toml", text)
    return folder


def test_a_card_is_written_beside_the_page(capsys, hall):
    out = hall / "r\u00e9sultats"
    assert run("compare", hall / "study.toml", "--out", out, "--card", "one high", "--card", "one low") == 0
    printed = capsys.readouterr().out
    for name in ("one_high", "one_low"):
        page = out / f"mount_card_{name}.html"
        assert page.is_file() and f"Mount card to print: {page}" in printed
        assert (out / f"mount_card_{name}_1.png").read_bytes().startswith(b"\x89PNG")


def test_rendered_poses_give_the_sentence_the_tables_and_the_picture(capsys, hall):
    """The tables are those of the public function on the same study: the command adds nothing of its own."""
    out = hall / "out"
    assert run("compare", hall / "study.toml", "--out", out, "--rendered", 6, "--workers", 1) == 0
    printed = " ".join(capsys.readouterr().out.split())
    again = rendered_check(fiducialkit.load_study(hall / "study.toml"), 6)
    assert again.sentence in printed
    written = files.read_csv(out / "rendered_coverage.csv")
    assert list(written) == COVERAGE.names
    assert written["share_seen"].tolist() == pytest.approx(again.coverage["share_seen"].tolist())
    assert list(files.read_csv(out / "rendered_check.csv")) == RENDERED_CHECK.names
    assert (out / "rendered_check.png").read_bytes().startswith(b"\x89PNG")
    assert "Held against rendered pictures" in (out / "comparison.html").read_text(encoding="utf-8")
    assert not (out / compare.PIECES_NAME).exists()


def test_a_stopped_rendering_goes_on_where_it_was(capsys, hall, monkeypatch):
    out, pieces = hall / "out", hall / "out" / compare.PIECES_NAME
    shown = []

    def stop(text):
        shown.append(text)
        if ": 1 of 2" in text:
            raise KeyboardInterrupt

    words = ("compare", hall / "study.toml", "--out", out, "--rendered", 9, "--workers", 1)
    monkeypatch.setattr(compare, "_watch", stop)
    assert run(*words) == 130
    assert [path.name for path in out.iterdir()] == [pieces.name]
    monkeypatch.setattr(compare, "_watch", shown.append)
    shown.clear()
    assert run(*words) == 0
    assert any(": 1 of 2" in text for text in shown) and not any(": 0 of 2" in text for text in shown)
    assert not pieces.exists() and (out / "rendered_check.csv").is_file()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--card", "one lwo"], ["--card", "'one low', 'one high'", "'one lwo'"]),
        (["--scheduler", "tcp://10.0.0.5:8786"], ["--scheduler", "--rendered", "tcp://10.0.0.5:8786"]),
        (["--rendered", "0"], ["--rendered", "from 1 up, found 0"]),
        (["--workers", "-2"], ["--workers", "from 1 up, found -2"]),
    ],
)
def test_mistakes_are_one_line_and_write_nothing(capsys, hall, words, said):
    line = mistake(capsys, "compare", hall / "study.toml", "--out", hall / "out", *words)
    assert all(each in line for each in said), line
    assert not (hall / "out").exists()


def test_a_scheduler_that_does_not_answer_is_one_line(capsys, hall):
    """Without the package for clusters the line says so; with it, who did not answer."""
    line = mistake(
        capsys, "compare", hall / "study.toml", "--out", hall / "out", "--rendered", "4", "--scheduler", "nowhere"
    )
    has_package = importlib.util.find_spec("distributed") is not None
    assert "scheduler: expected" in line
    assert ("nowhere" if has_package else "fiducialkit[cluster]") in line
    assert not (hall / "out").exists()


def test_page_without_rendered_pictures_does_not_speak_of_them():
    comparison = hand_made_comparison()
    page = render_page(comparison, comparison_pictures(comparison))
    assert "Held against rendered pictures" not in page and RIGS[0] in page
    assert set(RATIOS) <= set(RENDERED_CHECK.names)
