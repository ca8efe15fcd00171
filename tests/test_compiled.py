"""The cache of compiled kernels: edits are noticed, and nothing breaks where it cannot be kept."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import numba
import pytest

import fiducialkit
from fiducialkit.compiled import cache_folder, kernel

PACKAGE = Path(fiducialkit.__file__).parent
CALLEE = "from fiducialkit.compiled import kernel\n\n\n@kernel\ndef step(x):\n    return x + {step}\n"
CALLER = (
    "from fiducialkit.compiled import kernel\nfrom fiducialkit.callee import step\n\n\n"
    "@kernel\ndef twice(x):\n    return step(step(x))\n"
)
RUN = (
    "import sys; sys.path.insert(0, sys.argv[1])\n"
    "from fiducialkit.caller import twice\nfrom fiducialkit import compiled\n"
    "print(twice(10), compiled.__file__)\n"
)
WHERE = (
    "import sys; sys.path.insert(0, sys.argv[1])\n"
    "from pathlib import Path\nfrom fiducialkit.compiled import cache_folder\n"
    "print(cache_folder([Path(sys.argv[2])]).name)\n"
)


@pytest.fixture
def small_package(tmp_path: Path) -> Path:
    """A folder with a package of two kernel files round the real `compiled`, the caller in another file."""
    folder = tmp_path / "with space é" / "fiducialkit"
    folder.mkdir(parents=True)
    for name in ("__init__.py", "compiled.py"):
        shutil.copy(PACKAGE / name, folder / name)
    (folder / "callee.py").write_text(CALLEE.format(step=1), encoding="utf-8")
    (folder / "caller.py").write_text(CALLER, encoding="utf-8")
    (folder / "plain.py").write_text("NUMBER = 1\n", encoding="utf-8")
    return folder


def started(root: Path, code: str, *arguments: str, home: Path | None = None) -> subprocess.Popen[str]:
    environment = os.environ | {"PYTHONWARNINGS": "error"}
    environment.pop("NUMBA_CACHE_DIR", None)
    if home is not None:
        environment |= {"XDG_CACHE_HOME": str(home), "LOCALAPPDATA": str(home)}
    return subprocess.Popen(
        [sys.executable, "-c", code, str(root), *arguments],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )


def answer(process: subprocess.Popen[str]) -> str:
    output, errors = process.communicate(timeout=120)
    assert process.returncode == 0, errors
    return output.strip()


def run(folder: Path, code: str = RUN, *arguments: str, home: Path | None = None) -> str:
    return answer(started(folder.parent, code, *arguments, home=home))


def test_an_edited_callee_in_another_file_is_noticed(small_package: Path) -> None:
    # numba's own cache looks at the caller's file only and would answer 12 again
    assert run(small_package).split()[0] == "12"
    assert list(small_package.glob("__pycache__/kernels-*/**/*.nbi"))
    (small_package / "callee.py").write_text(CALLEE.format(step=5), encoding="utf-8")
    assert run(small_package).split()[0] == "20"


def test_the_folder_s_name_follows_the_kernels_sources_only(small_package: Path, tmp_path: Path) -> None:
    root = str(tmp_path / "cache")
    first = run(small_package, WHERE, root)
    (small_package / "plain.py").write_text("NUMBER = 2\n", encoding="utf-8")
    assert run(small_package, WHERE, root) == first
    (small_package / "callee.py").write_text(CALLEE.format(step=2), encoding="utf-8")
    assert run(small_package, WHERE, root) != first


def test_kernels_run_where_no_cache_can_be_written(small_package: Path, tmp_path: Path) -> None:
    # a file where the folder should be: that stops an administrator too, whom permissions do not
    (small_package / "__pycache__").write_text("no folder", encoding="utf-8")
    blocked = tmp_path / "blocked"
    blocked.write_text("no folder", encoding="utf-8")
    assert run(small_package, home=blocked).split()[0] == "12"


def test_the_user_s_cache_is_taken_where_the_package_cannot_be_written(small_package: Path, tmp_path: Path) -> None:
    (small_package / "__pycache__").write_text("no folder", encoding="utf-8")
    assert run(small_package, home=tmp_path / "home").split()[0] == "12"
    assert list((tmp_path / "home" / "fiducialkit").glob("kernels-*/**/*.nbi"))


def test_two_processes_at_once(small_package: Path) -> None:
    both = [started(small_package.parent, RUN) for _ in range(2)]
    assert [answer(process).split()[0] for process in both] == ["12", "12"]
    assert run(small_package).split()[0] == "12"


def test_a_zipped_package_runs_without_a_cache(small_package: Path, tmp_path: Path) -> None:
    # its edits could not be noticed, so nothing is kept
    archive = tmp_path / "package.zip"
    with zipfile.ZipFile(archive, "w") as zipped:
        for path in small_package.glob("*.py"):
            zipped.write(path, f"fiducialkit/{path.name}")
    result = answer(started(archive, RUN, home=tmp_path / "home"))
    assert result.startswith("12 ")
    assert "package.zip" in result
    assert not list(tmp_path.glob("home/**/*.nbi"))


def test_a_package_without_sources_runs_without_a_cache(small_package: Path, tmp_path: Path) -> None:
    compile_all = "import compileall, sys; compileall.compile_dir(sys.argv[1], legacy=True, quiet=1)"
    answer(started(small_package.parent, compile_all))
    for path in small_package.glob("*.py"):
        path.unlink()
    assert run(small_package, home=tmp_path / "home").startswith("12 ")


def test_no_writable_folder_gives_none_and_the_next_one_is_tried(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("no folder", encoding="utf-8")
    assert cache_folder([blocked]) is None
    assert cache_folder([]) is None
    found = cache_folder([blocked, tmp_path / "other"])
    assert found is not None
    assert found.parent == tmp_path / "other"
    assert list(found.iterdir()) == []


def test_a_refusal_while_writing_is_no_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError("read-only")

    monkeypatch.setattr(Path, "write_bytes", refuse)
    assert cache_folder([tmp_path / "cache"]) is None


def test_folders_of_old_kernels_are_cleared_away_when_a_new_one_is_made(tmp_path: Path) -> None:
    old, recent, foreign = tmp_path / "kernels-0000", tmp_path / "kernels-1111", tmp_path / "other"
    for folder in (old, recent, foreign):
        folder.mkdir()
    long_ago = time.time() - 40 * 24 * 3600
    for folder in (old, foreign):
        os.utime(folder, (long_ago, long_ago))
    assert cache_folder([tmp_path]) is not None
    assert not old.exists()
    assert recent.exists()
    assert foreign.exists()


def test_decorating_leaves_numba_s_own_setting_alone() -> None:
    before = numba.config.CACHE_DIR

    @kernel
    def square(x):
        return x * x

    assert square(3) == 9
    assert before == numba.config.CACHE_DIR
