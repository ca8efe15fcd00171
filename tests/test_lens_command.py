"""print-board and calibrate-lens as somebody types them."""

from __future__ import annotations

import json
import re
import shutil
import threading
import time
import zlib

import cv2
import numpy as np
import pytest
from lens_cases import BROWN, good_poses, seen

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


@pytest.fixture(scope="module")
def calibrated(sheet, pictures, tmp_path_factory):
    out = tmp_path_factory.mktemp("lens") / "left camera"
    assert run("calibrate-lens", pictures, "--board", sheet / "board.toml", "--out", out) in (0, 1)
    return out


def test_pictures_become_a_camera_that_other_commands_read(calibrated):
    camera = fiducialkit.load_camera(calibrated / "camera.json")
    assert camera.fx_px == pytest.approx(BROWN.fx_px, rel=0.005)
    assert {"calibration.html", "calibration.png", "camera.yml", "views.csv", "models.csv", "projection.csv"} <= {
        path.name for path in calibrated.iterdir()
    }


def test_the_camera_file_holds_all_that_is_known(calibrated):
    """Parameters, covariance, size, model, noise, which camera, date, origin, versions; no place of this machine."""
    text = (calibrated / "camera.json").read_text(encoding="utf-8")
    document = json.loads(text)
    camera, known = document["camera"], document["calibration"]
    assert (camera["name"], camera["width_px"], camera["height_px"]) == ("left camera", 1280, 800)
    assert camera["model"] == "brown"
    assert {"fx_px", "fy_px", "cx_px", "cy_px", "distortion", "noise", "timing"} <= set(camera)
    covariance = np.array(known["covariance"])
    assert covariance.shape == (len(known["labels"]),) * 2
    assert (np.linalg.eigvalsh(covariance) > -1e-9).all()
    assert 0.0 < known["corner_noise_px"] < 0.1
    assert known["edge_blur_px"] == pytest.approx(np.hypot(0.7, np.sqrt(1 / 12)), abs=0.05)
    assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d UTC", known["date"])
    assert {"fiducialkit", "opencv", "numpy"} <= set(known["versions"])
    assert known["verdict"] in ("good", "usable", "take more")
    assert "squares_across = 9" in known["board"]
    assert str(calibrated.parent) not in text


def test_opencv_reads_the_camera_file_and_projects_alike(calibrated):
    """A point through cv2.projectPoints with the numbers of camera.yml, and through the camera of camera.json."""
    stored = cv2.FileStorage(str(calibrated / "camera.yml"), cv2.FILE_STORAGE_READ)
    matrix, bending = stored.getNode("camera_matrix").mat(), stored.getNode("distortion_coefficients").mat()
    assert (stored.getNode("image_width").real(), stored.getNode("image_height").real()) == (1280, 800)
    points = np.array([[0.1, 0.2, 1.0], [-0.4, 0.1, 1.2], [0.0, 0.0, 0.5]])
    theirs, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, bending)
    ours, _ = fiducialkit.load_camera(calibrated / "camera.json").project(points)
    np.testing.assert_allclose(ours, theirs.reshape(-1, 2), atol=1e-9)


def test_the_page_stands_alone(calibrated):
    page = (calibrated / "calibration.html").read_text(encoding="utf-8")
    assert "data:image/png;base64," in page
    assert not re.search(r'(?:src|href)="(?!data:)', page)
    assert "The next view that would help most" in page


def test_a_watched_folder_is_calibrated_when_there_are_enough_pictures(sheet, pictures, tmp_path, capsys):
    """Pictures arrive one by one, the first in two pieces; after each the next is asked for, and eight are enough."""
    folder, out, names = tmp_path / "camera roll", tmp_path / "lens", sorted(pictures.glob("*.png"))[:9]
    folder.mkdir()
    whole = names[0].read_bytes()
    (folder / names[0].name).write_bytes(whole[: len(whole) // 2])

    def take():
        time.sleep(1.5)
        (folder / names[0].name).write_bytes(whole)
        for path in names[1:]:
            shutil.copy(path, folder)
            time.sleep(0.05)

    camera = threading.Thread(target=take, daemon=True)
    camera.start()
    words = ("calibrate-lens", folder, "--watch", "--until", 8, "--board", sheet / "board.toml", "--out", out)
    assert run(*words) in (0, 1)
    camera.join(timeout=30)
    said = capsys.readouterr().out
    assert said.isascii()
    assert f"{names[0].name}: damaged" in said  # half of it was there at first
    assert f"{names[0].name}: ok" in said
    assert "Next: hold the board in the" in said
    assert (out / "next_view.png").is_file()
    assert fiducialkit.load_camera(out / "camera.json").fx_px == pytest.approx(BROWN.fx_px, rel=0.02)


def test_watching_ends_with_what_there_is_when_it_is_stopped(sheet, pictures, tmp_path, capsys, monkeypatch):
    """Ctrl-C, as the third look at the folder meets it."""
    looks = []

    def sleep(_):
        looks.append(None)
        if len(looks) == 3:
            raise KeyboardInterrupt

    monkeypatch.setattr("fiducialkit.cli.calibrate_lens.time.sleep", sleep)
    out = tmp_path / "lens"
    assert run("calibrate-lens", pictures, "--watch", "--board", sheet / "board.toml", "--out", out) in (0, 1)
    assert "Waiting for pictures in" in capsys.readouterr().out
    assert (out / "camera.json").is_file()


def test_too_few_pictures_are_listed_with_their_reasons(sheet, pictures, tmp_path, capsys):
    folder = tmp_path / "few"
    folder.mkdir()
    shutil.copy(sorted(pictures.glob("*.png"))[0], folder)
    cv2.imwrite(str(folder / "wall.png"), np.full((800, 1280), 180, np.uint8))
    assert run("calibrate-lens", folder, "--board", sheet / "board.toml", "--out", tmp_path / "out") == 1
    said = capsys.readouterr().out
    assert "No calibration: expected at least 3 views that can be used, found 1 of 2" in said
    assert "wall.png: no board" in said
    assert not (tmp_path / "out" / "camera.json").exists()


@pytest.fixture(scope="module")
def corner_table(tmp_path_factory):
    """Write 12 views of a chessboard as a table of another program: millimetres, the board's y running up."""
    rng, rows = np.random.default_rng(13), ["view;x_px;y_px;board_x_mm;board_y_mm"]
    for view in seen(BROWN, good_poses(BROWN, 12, rng), rng):
        for (x, y), (u, v, _) in zip(view.points_px, 1000.0 * view.points_board, strict=True):
            rows.append(f"{view.name};{x:.3f};{y:.3f};{u:.1f};{-v:.1f}".replace(".", ","))
    path = tmp_path_factory.mktemp("table") / "corners.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_a_table_of_corners_becomes_a_camera(corner_table, tmp_path):
    out = tmp_path / "lens"
    assert run("calibrate-lens", corner_table, "--size", "1280x800", "--out", out, "--model", "brown") in (0, 1)
    assert fiducialkit.load_camera(out / "camera.json").fx_px == pytest.approx(BROWN.fx_px, rel=0.005)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ((), "--size: expected the size of the pictures"),
        (("--size", "big"), "--size: expected width and height"),
        (("--size", "1280x800", "--distance", "view 99=1.5"), "expected names of the views, found 'view 99'"),
        (("--size", "1280x800", "--distance", "far"), "--distance: expected VIEW=METRES"),
    ],
)
def test_a_mistake_about_a_table_is_one_line(words, expected, corner_table, tmp_path, capsys):
    assert run("calibrate-lens", corner_table, "--out", tmp_path / "out", *words) == 2
    said = capsys.readouterr().err
    assert expected in said
    assert len(said.strip().splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_a_video_is_taken_frame_by_frame(sheet, pictures, tmp_path):
    path = tmp_path / "board.avi"
    video = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), 5.0, (1280, 800), False)
    for picture in sorted(pictures.glob("*.png")):
        video.write(cv2.imread(str(picture), cv2.IMREAD_GRAYSCALE))
    video.release()
    out = tmp_path / "lens"
    assert run("calibrate-lens", path, "--board", sheet / "board.toml", "--out", out, "--model", "brown") in (0, 1)
    assert fiducialkit.load_camera(out / "camera.json").fx_px == pytest.approx(BROWN.fx_px, rel=0.005)


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
