"""print-board and calibrate-lens as somebody types them."""

from __future__ import annotations

import re
import zlib

import cv2
import numpy as np
import pytest
from lens_cases import BROWN, good_poses

import fiducialkit
from fiducialkit.cli.main import main
from fiducialkit.imaging.rendering_boards import render_board
from fiducialkit.scene.board_file import load_board
from fiducialkit.scene.transforms import rigid_transform


def run(*words) -> int:
    return main([str(word) for word in words])


@pytest.fixture(scope="module")
def sheet(tmp_path_factory):
    folder = tmp_path_factory.mktemp("an accented é folder") / "board"
    assert run("print-board", "--out", folder, "--formats", "pdf,svg,png", "--across", 9, "--down", 7) == 0
    return folder


def test_the_svg_is_at_true_scale(sheet):
    """By hand: A4 across is 297 x 210 mm, and the ruler is 100 mm long in the drawing's own millimetres."""
    text = (sheet / "board.svg").read_text(encoding="utf-8")
    assert re.search(r'width="297(\.0+)?mm"', text)
    assert re.search(r'height="210(\.0+)?mm"', text)


def test_the_png_is_at_true_scale(sheet):
    """The first row of black squares, measured in the picture at 300 dots per inch."""
    picture = cv2.imdecode(np.fromfile(sheet / "board.png", np.uint8), cv2.IMREAD_GRAYSCALE)
    square_mm = 1000.0 * load_board(sheet / "board.toml").square_m
    rows, columns = np.nonzero(picture < 128)
    row = rows.min() + int(0.5 * square_mm * 300 / 25.4)
    black = picture[row] < 128
    first = int(black.argmax())
    length_px = int((~black[first:]).argmax())
    assert length_px * 25.4 / 300 == pytest.approx(square_mm, abs=0.1)
    assert columns.min() > 0


def test_the_pdf_s_page_has_its_size(sheet):
    content = (sheet / "board.pdf").read_bytes()
    assert content.startswith(b"%PDF-")
    texts = [content]
    for found in re.finditer(rb"stream\r?\n(.*?)endstream", content, re.DOTALL):
        try:
            texts.append(zlib.decompress(found.group(1)))
        except zlib.error:
            continue
    box = re.search(rb"/MediaBox\s*\[\s*0\s+0\s+([0-9.]+)\s+([0-9.]+)", b"\n".join(texts))
    assert [float(value) for value in box.groups()] == pytest.approx([297 / 25.4 * 72, 210 / 25.4 * 72], abs=0.1)


@pytest.fixture(scope="module")
def pictures(sheet, tmp_path_factory):
    folder, board, rng = tmp_path_factory.mktemp("pictures"), load_board(sheet / "board.toml"), np.random.default_rng(8)
    for number, pose in enumerate(good_poses(BROWN, 12, rng, board=board)):
        taken = render_board(board, BROWN, rigid_transform(pose[:, :3], pose[:, 3]), seed=number)
        cv2.imwrite(str(folder / f"{number:02d}.png"), taken.image)
    return folder


def test_pictures_become_a_camera_that_other_commands_read(sheet, pictures, tmp_path, capsys):
    out = tmp_path / "lens"
    assert run("calibrate-lens", pictures, "--board", sheet / "board.toml", "--out", out) in (0, 1)
    assert capsys.readouterr().out.isascii()
    camera = fiducialkit.load_camera(out / "camera.json")
    assert camera.fx_px == pytest.approx(BROWN.fx_px, rel=0.005)
    assert {"calibration.html", "calibration.png", "camera.yml", "views.csv", "projection.csv"} <= {
        path.name for path in out.iterdir()
    }
    stored = cv2.FileStorage(str(out / "camera.yml"), cv2.FILE_STORAGE_READ)
    assert stored.getNode("camera_matrix").mat()[0, 0] == pytest.approx(camera.fx_px, abs=1e-6)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("print-board", "--out", "OUT", "--across", "1"), "across"),
        (("print-board", "--out", "OUT", "--paper", "B9"), "paper"),
        (("calibrate-lens", "NOWHERE", "--board", "BOARD", "--out", "OUT"), "NOWHERE"),
        (("calibrate-lens", "PICTURES", "--board", "BOARD", "--out", "OUT", "--model", "round"), "model"),
        (("calibrate-lens", "PICTURES", "--out", "OUT"), "board"),
    ],
)
def test_a_mistake_is_one_line_and_leaves_nothing(words, expected, sheet, pictures, tmp_path, capsys):
    places = {"OUT": tmp_path / "out", "BOARD": sheet / "board.toml", "PICTURES": pictures}
    assert run(*(places.get(word, word) for word in words)) == 2
    said = capsys.readouterr().err
    assert expected in said
    assert len(said.strip().splitlines()) == 1
    assert not (tmp_path / "out").exists()
