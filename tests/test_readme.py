"""What the README shows works: its Python runs, its commands are known, its files exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from fiducialkit.cli.main import main

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_python_example_runs_as_it_stands(monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    (block,) = re.findall(r"```python\n(.*?)```", README, flags=re.DOTALL)
    names: dict[str, object] = {}
    exec(compile(block, "README.md", "exec"), names)
    assert capsys.readouterr().out.startswith("ok: x ")


@pytest.mark.parametrize("command", sorted(set(re.findall(r"^fiducialkit ([a-z-]+)", README, flags=re.MULTILINE))))
def test_commands_shown_exist(command, capsys):
    assert main([command, "--help"]) in (0, None)
    assert "Usage" in capsys.readouterr().out


def test_files_named_exist():
    named = set(re.findall(r"sample_data/(?:[\w/ ]+\.(?:toml|png)|pictures)", README))
    assert len(named) >= 4
    assert all((ROOT / name).exists() for name in named)


def test_set_up_is_marked_for_those_who_run_it():
    for name in ("main job", "tests"):
        assert re.search(rf"^<!-- command: {name} -->\n```sh\n.+\n```$", README, flags=re.MULTILINE)
