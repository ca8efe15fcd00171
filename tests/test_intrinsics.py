"""Lens calibration against OpenCV and simulated boards of known truth; the guide; the faults."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from lens_cases import BOARD, BROWN, FAULTS, FISHEYE, RATIONAL, faulty_set, good_poses, random_poses, seen

from fiducialkit.imaging.boards import find_board
from fiducialkit.imaging.rendering_boards import render_board
from fiducialkit.report.lens_page import render_page
from fiducialkit.scene.boards import Board
from fiducialkit.scene.transforms import rigid_transform
from fiducialkit.solving.capture_guide import first_guess, next_view
from fiducialkit.solving.intrinsics import calibrate_lens
from fiducialkit.solving.intrinsics_flips import mirrored_poses
from fiducialkit.solving.intrinsics_result import nine_places, projection_covariance

CAMERAS = {"brown": BROWN, "rational": RATIONAL, "fisheye": FISHEYE}


@pytest.fixture(scope="module")
def good():
    rng = np.random.default_rng(1)
    return calibrate_lens(seen(BROWN, good_poses(BROWN, 24, rng), rng))


def test_opencv_finds_the_same_lens():
    """A second implementation on the same corners; this one drops none of them, so that both see the same."""
    rng = np.random.default_rng(2)
    views = seen(BROWN, good_poses(BROWN, 12, rng), rng)
    found = calibrate_lens(views, model="brown", coefficients=5).camera
    points = [view.points_board.astype(np.float32) for view in views]
    _, matrix, distortion, _, _ = cv2.calibrateCamera(
        points, [view.points_px.astype(np.float32) for view in views], (1280, 800), None, None
    )
    assert [found.fx_px, found.fy_px] == pytest.approx([matrix[0, 0], matrix[1, 1]], abs=0.02)
    np.testing.assert_allclose(found.distortion, distortion.ravel(), atol=2e-3)


@pytest.mark.parametrize("name", CAMERAS)
def test_the_projection_is_as_sure_as_it_says(name):
    """Simulation, 20 views at .1 px: squared errors of the projection at nine places in units of their covariance.

    Each is chi-squared with 2 degrees of freedom; their mean over 9 places x 6 sets is 2, and between .8 and 4 in all
    but one of many thousand runs even were the nine places one.
    """
    camera, distances = CAMERAS[name], []
    places = nine_places(camera)
    ahead = np.column_stack([camera.unproject(places)[0], np.ones(9)])
    for trial in range(6):
        rng = np.random.default_rng([3, trial])
        found = calibrate_lens(seen(camera, good_poses(camera, 20, rng), rng), model=camera.model)
        pixels, _ = found.camera.project(ahead)
        spread = projection_covariance(found.camera, found.covariance, pixels)
        distances.append(np.einsum("ni,nij,nj->n", pixels - places, np.linalg.inv(spread), pixels - places))
        # the median: a single view that alone knows a corner of the picture may cost more
        assert found.views["held_out_px"].median() == pytest.approx(0.1, rel=0.15)
    assert 0.8 < np.mean(distances) < 4.0


def test_rendered_boards_through_the_whole_chain():
    board = Board(kind="charuco", squares_across=9, squares_down=7, square_m=0.03, marker_m=0.022, family="5X5_100")
    rng, views = np.random.default_rng(4), []
    for number, pose in enumerate(good_poses(BROWN, 12, rng, board=board)):
        taken = render_board(board, BROWN, rigid_transform(pose[:, :3], pose[:, 3]), seed=number)
        views.append(find_board(taken.image, board, name=f"picture {number}"))
    found = calibrate_lens(views, model="brown")
    assert abs(found.camera.fx_px - BROWN.fx_px) < 3.0 * found.sd["fx_px"] < 3.0
    assert found.rms_px < 0.05


def test_a_good_set_is_called_good(good):
    assert good.verdict == "good"
    assert good.widening == 1.0


@pytest.mark.parametrize("kind", FAULTS)
def test_each_fault_is_named(kind):
    """Seeded faults, two of three sets; how often each is named is measured by the benchmark."""
    is_named = []
    while max(is_named.count(True), is_named.count(False)) < 2:  # then the third set can change nothing
        views, told = faulty_set(kind, np.random.default_rng([5, len(is_named)]))
        is_named.append(kind in {fault.kind for fault in calibrate_lens(views, **told).faults})
    assert is_named.count(True) == 2


def test_the_guide_speaks_of_the_uncertainty_that_the_result_states(good):
    guide = next_view(BOARD, BROWN, good)
    # the guide holds a weak belief about any lens beside
    assert guide.sd_before_px == pytest.approx(good.projection["sd_px"].max(), rel=0.1)
    assert guide.sd_after_px < guide.sd_before_px


def test_the_guide_counts_what_views_that_disagree_cost():
    """Boards that bend in the hand: the sds are enlarged, and so is what the guide says."""
    rng = np.random.default_rng(6)
    views = seen(BROWN, good_poses(BROWN, 16, rng), rng)
    bent = []
    for view in views:
        away = (view.points_px - view.points_px.mean(axis=0)) / 400.0
        bent.append(replace(view, points_px=view.points_px + rng.normal(0.0, 1.5) * away**2))
    found = calibrate_lens(bent, model="brown")
    assert found.widening > 1.5
    guide = next_view(BOARD, BROWN, found)
    assert guide.sd_before_px == pytest.approx(found.projection["sd_px"].max(), rel=0.25)


def test_the_guide_begins_with_nothing_known():
    guide = next_view(BOARD, first_guess(1280, 800))
    assert guide.sd_after_px < guide.sd_before_px
    assert guide.words.startswith("hold the board in the")


def test_the_page_says_the_verdict_in_words(good):
    page = render_page(good, b"")
    assert "Good: use this camera. Views the lens was not found from" in page
    assert "color-scheme: light dark" in page


def test_too_few_views_are_said_in_one_line():
    rng = np.random.default_rng(7)
    with pytest.raises(ValueError, match=r"three|3"):
        calibrate_lens(seen(BROWN, good_poses(BROWN, 2, rng), rng))


@pytest.mark.parametrize("seed", [1, 2, 81])
def test_boards_far_away_do_not_stay_turned_the_wrong_way_round(seed):
    """A flat board at 2.5 m looks almost the same mirrored about the line of sight; no view here is a bad one."""
    rng = np.random.default_rng(seed)
    found = calibrate_lens(seen(BROWN, random_poses(BROWN, 40, rng), rng), model="brown")
    assert len(found.used) == 40
    assert found.rms_px == pytest.approx(0.098, abs=0.003)  # .1 px less what 249 parameters take of 5,600 numbers


def test_the_other_pose_of_a_board_mirrors_its_normal_about_the_line_of_sight():
    poses, middles = good_poses(BROWN, 6, np.random.default_rng(8)), np.tile([0.1, 0.05, 0.0], (6, 1))
    other = mirrored_poses(poses, middles)
    places = np.einsum("nij,nj->ni", poses[:, :, :3], middles) + poses[:, :, 3]
    sight = places / np.linalg.norm(places, axis=1, keepdims=True)
    normal, mirrored = poses[:, :, 2], other[:, :, 2]
    along = np.sum(normal * sight, axis=1, keepdims=True)
    np.testing.assert_allclose(mirrored, 2.0 * along * sight - normal, atol=1e-12)
    np.testing.assert_allclose(np.einsum("nij,nj->ni", other[:, :, :3], middles) + other[:, :, 3], places, atol=1e-12)
    np.testing.assert_allclose(mirrored_poses(other, middles), poses, atol=1e-12)


@pytest.mark.parametrize("count", [6, 10, 20])
def test_few_views_that_agree_are_not_taken_for_views_that_disagree(count):
    """Median over 8 sets of the bootstrap's ratio: 1 whatever the number of views; each scatters by some .25."""
    ratios = []
    for trial in range(8):
        rng = np.random.default_rng([9, count, trial])
        ratios.append(calibrate_lens(seen(BROWN, good_poses(BROWN, count, rng), rng), model="brown").bootstrap_ratio)
    assert 0.7 < np.median(ratios) < 1.35


def test_a_bent_board_is_found_out_and_its_bend_measured():
    """Edges of the board 1.5 mm off its plane: named, and found within 4 sd when it is let be bent."""
    rng = np.random.default_rng(10)
    poses, points = good_poses(BROWN, 20, rng), BOARD.points_board
    middle = (points.max(axis=0) + points.min(axis=0)) / 2.0
    half = np.ptp(points[:, 0]) / 2.0
    bent = points + [0.0, 0.0, 0.0015] * ((points - middle)[:, :1] / half) ** 2
    views = []
    for view, pose in zip(seen(BROWN, poses, rng), poses, strict=True):
        pixels, _ = BROWN.project(bent @ pose[:, :3].T + pose[:, 3])
        views.append(replace(view, points_px=pixels + rng.normal(0.0, 0.1, pixels.shape)))
    flat = calibrate_lens(views, model="brown")
    freed = calibrate_lens(views, model="brown", with_bending=True)
    assert "bent board" in {fault.kind for fault in flat.faults}
    along_x, twisted, along_y = freed.fit.bending_m
    assert abs(along_x - 0.0015) < 4.0 * freed.fit.bending_sd_m[0] < 0.0002
    assert np.abs([twisted, along_y]).max() < 0.0002
    assert freed.rms_px < 0.105 < flat.rms_px
    assert abs(freed.camera.fx_px - BROWN.fx_px) < 4.0 * freed.sd["fx_px"]


def test_a_lens_that_needs_the_rational_model_gets_it_and_the_page_says_what_its_numbers_are_worth():
    rng = np.random.default_rng(11)
    found = calibrate_lens(seen(RATIONAL, good_poses(RATIONAL, 24, rng), rng))
    assert found.camera.model == "rational"
    assert found.held_out_px == pytest.approx(0.1, rel=0.1)
    page = " ".join(render_page(found, b"").split())
    assert "numbers of the rational model are not known one by one" in page


def test_few_views_never_end_in_an_error():
    """Three to seven views of the richest model: nothing is known of most of its numbers, which is a verdict."""
    for count in range(3, 8):
        rng = np.random.default_rng([12, count])
        found = calibrate_lens(seen(RATIONAL, good_poses(RATIONAL, count, rng), rng), model="rational")
        assert found.verdict == "take more"
        assert np.isfinite(found.covariance).all()
