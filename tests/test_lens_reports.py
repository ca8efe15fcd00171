"""Faults that people met when they calibrated lenses, each as a kind: one test a field report, named by its number.

The scenes are the reports' own.
"""

from __future__ import annotations

import time
from dataclasses import replace

import cv2
import numpy as np
import pytest
from lens_cases import good_poses, pose_at, random_poses, seen

from fiducialkit import Board, Camera, InputError
from fiducialkit.cli.main import main
from fiducialkit.files import read_csv
from fiducialkit.imaging.boards import BoardView, find_board
from fiducialkit.imaging.images import write_picture
from fiducialkit.imaging.rendering_boards import render_board
from fiducialkit.plots.lens_view import draw_board_view
from fiducialkit.plots.style import new_panels
from fiducialkit.scene.board_file import board_text
from fiducialkit.scene.transforms import rigid_transform
from fiducialkit.solving.intrinsics import calibrate_lens
from fiducialkit.solving.intrinsics_result import nine_places
from fiducialkit.solving.intrinsics_views import MOST_VIEWS

PLAIN = {"width_px": 1280, "height_px": 960, "cx_px": 639.5, "cy_px": 479.5}
CORNERS_9_BY_6 = Board(kind="chessboard", squares_across=10, squares_down=7, square_m=0.03)


def drawn(across, down, **others) -> tuple[Board, np.ndarray]:
    """Return a ChArUco board, and OpenCV's own drawing of it with a white margin."""
    board = Board(
        kind="charuco", squares_across=across, squares_down=down, square_m=0.04, marker_m=0.03, family="4X4_250",
        **others,
    )  # fmt: skip
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250)
    theirs = cv2.aruco.CharucoBoard((across, down), 0.04, 0.03, dictionary)
    theirs.setLegacyPattern(board.is_legacy)
    # a camera blurs: without it an edge between two pixels can be anywhere between them
    picture = theirs.generateImage((across * 80 + 80, down * 80 + 80), marginSize=40)
    return board, cv2.GaussianBlur(picture, (0, 0), 0.8)


def test_a4_what_is_found_can_be_drawn_at_once():
    """Report A4: corners found on a clean 7 x 5 board were refused by the same library's drawing."""
    board, picture = drawn(7, 5)
    for image, count in ((picture, 24), (np.full_like(picture, 200), 0)):
        view = find_board(image, board)
        assert len(view) == count
        _, (ax,) = new_panels(1, 1, 4.0, 3.0)
        shown = draw_board_view(view, image, ax)
        assert len(next(line for line in shown.lines if line.get_gid() == "points").get_xdata()) == count


@pytest.mark.parametrize("largest_tilt_deg", [0.01, 2.0])
def test_a21_boards_held_square_on_are_never_called_good(largest_tilt_deg):
    """Report A21: 12 views, 9 x 6 corners of 30 mm, noise .2 px, true fx 820; OpenCV says rms .27, fx 1195, sd .3."""
    camera = Camera(**PLAIN, fx_px=820.0, fy_px=820.0)
    rng = np.random.default_rng([21, int(100 * largest_tilt_deg)])
    poses = random_poses(camera, 12, rng, board=CORNERS_9_BY_6, distances=(0.5, 0.9), tilts=(0.0, largest_tilt_deg))
    found = calibrate_lens(seen(camera, poses, rng, board=CORNERS_9_BY_6, sd_px=0.2), model="brown")
    assert found.verdict == "take more"
    assert "square-on boards" in {fault.kind for fault in found.faults}
    # what is stated is not tiny: it holds the truth
    assert abs(found.camera.fx_px - 820.0) < 4.0 * found.sd["fx_px"]


def test_a21_the_same_boards_tilted_are_not_complained_of():
    camera = Camera(**PLAIN, fx_px=820.0, fy_px=820.0)
    rng = np.random.default_rng(2140)
    poses = random_poses(camera, 12, rng, board=CORNERS_9_BY_6, distances=(0.5, 0.9), tilts=(0.0, 40.0))
    found = calibrate_lens(seen(camera, poses, rng, board=CORNERS_9_BY_6, sd_px=0.2), model="brown")
    assert "square-on boards" not in {fault.kind for fault in found.faults}
    assert abs(found.camera.fx_px - 820.0) < 4.0 * found.sd["fx_px"] < 25.0


@pytest.mark.parametrize("seed", range(5))
def test_a22_more_coefficients_are_not_taken_for_a_lower_rms(seed):
    """Report A22: 15 views, true (820, 815, 640, 470), k1 -.2, k2 .06, noise .15; there cy went from 469 to 687."""
    camera = Camera(
        width_px=1280, height_px=960, fx_px=820.0, fy_px=815.0, cx_px=640.0, cy_px=470.0,
        distortion=(-0.2, 0.06, 0.0, 0.0),
    )  # fmt: skip
    rng = np.random.default_rng([22, seed])
    poses = good_poses(camera, 15, rng, board=CORNERS_9_BY_6)
    found = calibrate_lens(seen(camera, poses, rng, board=CORNERS_9_BY_6, sd_px=0.15))
    table = found.models.set_index(["model", "coefficients"])
    assert found.camera.model == "brown"
    assert table.loc[("rational", 8), "rms_px"] <= table.loc[("brown", 4), "rms_px"]
    assert not table.loc[("rational", 8), "is_chosen"]
    assert "without a real gain" in table.loc[("rational", 8), "message"] or found.camera.cy_px == pytest.approx(
        470.0, abs=1.0
    )
    assert abs(found.camera.cy_px - 470.0) < 4.0 * found.sd["cy_px"] < 8.0


def test_a23_a_view_whose_corners_lie_on_a_line_is_named_and_the_others_count():
    """Report A23: ten good views and one with six corners of one row, which ended the run without a name."""
    camera = Camera(**PLAIN, fx_px=820.0, fy_px=820.0)
    rng = np.random.default_rng(23)
    views = seen(camera, good_poses(camera, 11, rng, board=CORNERS_9_BY_6), rng, board=CORNERS_9_BY_6)
    row = views[4]
    views[4] = replace(
        row, name="one row.png", points_board=row.points_board[:6], points_px=row.points_px[:6],
        covariance_px2=row.covariance_px2[:6],
    )  # fmt: skip
    found = calibrate_lens(views, model="brown")
    table = found.views.set_index("view")
    assert table.loc["one row.png", "status"] == "collinear"
    assert "on one line" in table.loc["one row.png", "message"]
    assert len(found.used) == 10


def test_a24_many_frames_take_seconds_and_repeated_ones_are_passed_over():
    """Report A24: 150 views of 24 corners took OpenCV 72 s with its dense solver; frames of a video repeat."""
    camera, board = (
        Camera(**PLAIN, fx_px=820.0, fy_px=820.0),
        Board(kind="chessboard", squares_across=7, squares_down=5, square_m=0.03),
    )
    rng = np.random.default_rng(24)
    views = seen(camera, random_poses(camera, 150, rng, board=board), rng, board=board)
    again = [replace(view, name=f"next frame {number}") for number, view in enumerate(views[:50])]
    start = time.thread_time()
    found = calibrate_lens([*views, *again], model="brown")
    assert time.thread_time() - start < 10.0
    assert (found.views["status"] == "repeated").sum() >= 50
    assert not {view.name for view in again} & {view.name for view in found.used}


def test_a24_of_hundreds_of_views_those_that_differ_most_are_used():
    """Views 5 px of the board's outline apart all along, one far from all: that one is among those that are used."""
    camera = Camera(**PLAIN, fx_px=820.0, fy_px=820.0)
    rng = np.random.default_rng(2400)
    near = random_poses(camera, 3 * MOST_VIEWS // 2, rng, board=CORNERS_9_BY_6, distances=(1.4, 1.5))
    far = pose_at(camera, CORNERS_9_BY_6, [640.0, 480.0], 0.5, 30.0, rng)
    views = seen(camera, np.concatenate([near, far[None]]), rng, board=CORNERS_9_BY_6)
    found = calibrate_lens(views, model="brown")
    assert len(found.used) == MOST_VIEWS
    assert views[-1].name in {view.name for view in found.used}
    assert (found.views["status"] == "not needed").sum() == MOST_VIEWS // 2 + 1


def test_a28_a_board_of_the_old_pattern_is_read_and_said():
    """Report A28: an 8 x 6 board printed in the old pattern gave all its markers and no corners; and the other way."""
    for is_legacy in (True, False):
        printed, picture = drawn(8, 6, is_legacy=is_legacy)
        view = find_board(picture, replace(printed, is_legacy=not is_legacy))
        assert view.status == "ok"
        assert len(view) == 35
        assert view.board.is_legacy == is_legacy
        assert f"old_pattern should {'' if is_legacy else 'not '}be set" in view.message


def test_a28_swapped_rows_and_columns_are_read_and_said():
    printed, picture = drawn(8, 6)
    view = find_board(picture, replace(printed, squares_across=6, squares_down=8))
    assert (view.status, len(view)) == ("ok", 35)
    assert "rows and columns are swapped: the board has 8 squares across and 6 down" in view.message


def test_a28_with_an_odd_number_of_rows_both_patterns_are_one():
    printed, picture = drawn(7, 5, is_legacy=True)
    view = find_board(picture, replace(printed, is_legacy=False))
    assert (view.status, len(view), view.message) == ("ok", 24, "")


def test_a29_points_are_those_of_the_kind_of_board():
    """Report A29: marker corners given to a ChArUco board, and nothing at all, ended in an assertion.

    Here a view brings its own points: inner corners of a ChArUco board, marker corners of a grid; and what does not
    belong together is refused in one line.
    """
    charuco, picture = drawn(7, 5)
    assert len(find_board(picture, charuco).points_board) == 24
    grid = Board(kind="marker grid", squares_across=3, squares_down=2, square_m=0.05, marker_m=0.04, family="4X4_250")
    theirs = cv2.aruco.GridBoard((3, 2), 0.04, 0.01, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250))
    view = find_board(cv2.GaussianBlur(theirs.generateImage((600, 400), marginSize=20), (0, 0), 0.8), grid)
    assert len(view.points_board) == 24  # four of each of six markers
    blank = find_board(np.full((200, 300), 200, np.uint8), charuco)
    assert (blank.status, len(blank)) == ("no board", 0)
    with pytest.raises(InputError, match="points_px") as caught:
        BoardView(
            name="a", picture_size_px=(300, 200), points_board=charuco.points_board,
            points_px=charuco.marker_corners_board[:, :, :2].reshape(-1, 2), covariance_px2=np.zeros((24, 2, 2)),
        )  # fmt: skip
    assert "\n" not in str(caught.value)


def test_a30_a_board_that_cannot_be_is_refused_before_it_is_drawn(tmp_path, capsys):
    """Report A30: 40 x 40 squares with a family of 100, or a marker larger than its square, failed when drawn only."""
    with pytest.raises(InputError, match=r"marker_ids\[100\]: expected 0 to 99 for 4X4_100, found 100"):
        Board(kind="charuco", squares_across=40, squares_down=40, square_m=0.04, marker_m=0.03, family="4X4_100")
    with pytest.raises(InputError, match=r"marker_m: expected less than square_m, 0.03 m, found 0.04 m"):
        Board(kind="charuco", squares_across=5, squares_down=4, square_m=0.03, marker_m=0.04, family="4X4_100")
    words = ["print-board", "--out", str(tmp_path / "x"), "--across", "40", "--down", "40", "--family", "4X4_100"]
    assert main(words) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
    assert not (tmp_path / "x").exists()


@pytest.mark.parametrize("model", ["fisheye", "auto"])
def test_a31_a_fisheye_needs_no_flags(model):
    """Report A31: 15 views, f 400, D (.05, -.01, .003, -.001), noise .1; OpenCV's defaults give rms 153.9, f 607."""
    camera = Camera(**PLAIN, fx_px=400.0, fy_px=400.0, distortion=(0.05, -0.01, 0.003, -0.001), model="fisheye")
    rng = np.random.default_rng(31)
    poses = random_poses(camera, 15, rng, board=CORNERS_9_BY_6, distances=(0.12, 0.4))
    found = calibrate_lens(seen(camera, poses, rng, board=CORNERS_9_BY_6), model=model)
    assert found.rms_px == pytest.approx(0.1, rel=0.1)
    assert abs(found.camera.fx_px - 400.0) < 4.0 * found.sd["fx_px"] < 4.0
    places = nine_places(camera)
    foretold, _ = found.camera.project(np.column_stack([camera.unproject(places)[0], np.ones(9)]))
    assert np.abs(foretold - places).max() < 2.0


SMALL = Camera(
    width_px=640, height_px=480, fx_px=450.0, fy_px=450.0, cx_px=322.0, cy_px=238.0, distortion=(-0.1, 0.02, 0.0, 0.0)
)
CHESSBOARD = Board(kind="chessboard", squares_across=8, squares_down=6, square_m=0.03)


def with_orientation(content: bytes, orientation: int) -> bytes:
    """Return a JPEG with the tag that asks for a turned display (Exif 2.3, tag 0x0112), as phones write it."""
    tag = b"\x01\x12\x00\x03\x00\x00\x00\x01" + orientation.to_bytes(2, "big") + b"\x00\x00"
    body = b"Exif\x00\x00MM\x00\x2a\x00\x00\x00\x08\x00\x01" + tag + b"\x00\x00\x00\x00"
    return content[:2] + b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body + content[2:]


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """Return the list of views and status of one run over a folder with everything that A41 to A43 met."""
    folder = tmp_path_factory.mktemp("l'atelier de Zoé, caméra à droite")
    rng = np.random.default_rng(41)
    for number, pose in enumerate(good_poses(SMALL, 9, rng, board=CHESSBOARD)):
        image = render_board(CHESSBOARD, SMALL, rigid_transform(pose[:, :3], pose[:, 3]), seed=number).image
        write_picture(folder / f"vue {number}.png", image)
        if number == 8:
            jpeg = write_picture(folder / "turned.jpg", image).read_bytes()
            (folder / "vue 8.png").unlink()
            (folder / "turned.jpg").write_bytes(with_orientation(jpeg, 6))
            (folder / "half.jpg").write_bytes(jpeg[: len(jpeg) // 2])
    (folder / "empty.png").write_bytes(b"")
    (folder / "words.png").write_text("no picture", encoding="utf-8")
    board = folder / "planche à damier.toml"
    board.write_text(board_text(CHESSBOARD), encoding="utf-8")
    out = folder / "résultat"
    status = main(["calibrate-lens", str(folder), "--board", str(board), "--out", str(out)])
    return read_csv(out / "views.csv").set_index("view"), status, folder


def test_a41_a_tag_that_asks_for_a_turned_display_is_ignored(results):
    """Report A41: a picture of orientation 6 came out portrait; here it stays as the sensor took it, and counts."""
    table, _, _ = results
    assert table.loc["turned.jpg", "status"] == "ok"


def test_a42_half_a_jpeg_is_listed_as_damaged(results):
    """Report A42: the decoder gives the upper half and says nothing."""
    table, _, _ = results
    assert table.loc["half.jpg", "status"] == "damaged"
    assert "ends too early" in table.loc["half.jpg", "message"]


def test_a43_paths_with_accents_spaces_and_an_apostrophe_and_files_that_are_no_pictures(results, capsys):
    """Report A43: narrow file names gave None, and an error later; missing and empty files likewise."""
    table, status, folder = results
    assert status in (0, 1)
    assert (table["status"] == "ok").sum() == 9
    assert table.loc[["empty.png", "words.png"], "status"].eq("damaged").all()
    board = next(folder.glob("*.toml"))
    assert main(["calibrate-lens", str(folder / "missing.png"), "--board", str(board), "--out", str(folder / "x")]) == 2
    said = capsys.readouterr().err.strip()
    assert "missing.png" in said
    assert len(said.splitlines()) == 1
    assert not (folder / "x").exists()
