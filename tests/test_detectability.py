"""What is assumed of the detector on the robot: hand-worked values and what every prediction must say."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fiducialkit.errors import InputError
from fiducialkit.planning.detectability import (
    TABLE_FACING_DEG,
    TABLE_WIDTHS_PX,
    at_places,
    camera_tables,
    corner_kinds,
    detector_in_words,
    limits,
    smallest_cell_px,
)
from fiducialkit.planning.detector_tables import KINDS, measured_table, provenance
from fiducialkit.scene.camera import Camera, CameraNoise


def camera(**noise) -> Camera:
    return Camera.from_field_of_view(1280, 800, 75.0, noise=CameraNoise(**noise))


def straight_edge_sd_px(camera, width_px):
    """Return the bound of a corner of two edges L long: v = 2 sqrt(pi) blur noise^2 / contrast^2, 2 sqrt(v / L).

    Cramer-Rao, derived for this project; the blur includes the pixel's own.
    """
    noise = camera.noise
    blur_px = math.sqrt(noise.blur_px**2 + 1.0 / 12.0)
    return 2.0 * np.sqrt(2.0 * math.sqrt(math.pi) * blur_px * noise.grey_sd**2 / noise.contrast_grey**2 / width_px)


def test_stock_is_the_default():
    assert camera().noise.detector == "stock"
    np.testing.assert_array_equal(camera_tables(camera(), cells=8), camera_tables(camera(detector="stock"), cells=8))


def test_measured_is_what_the_user_says():
    mine = camera(detector="measured", corner_sd_px=0.31, smallest_cell_px=3.5)
    assert (camera_tables(mine, cells=8)[0] == 0.31).all()
    assert smallest_cell_px(mine) == 3.5
    assert limits(mine)[0] == 3.5


def test_words_name_the_detector_its_errors_and_the_smallest_cell():
    rows = measured_table()
    for name, first in (("stock", "stock OpenCV"), ("fitted", "fitted corners")):
        words = detector_in_words(camera(detector=name))
        assert words.startswith(first)
        here = rows[(rows["detector"] == name) & (rows["factor"] == "grid") & (rows["facing_deg"] == 20)]
        error = here[here["width_px"] == 24]["corner_sd_px"].iloc[0]
        assert f"{error:.2g} at 24 px" in words
    assert "measured by you" in detector_in_words(camera(detector="measured", corner_sd_px=0.2))
    assert all("cells from" in detector_in_words(c) for c in (camera(), camera(detector="fitted")))


def test_smallest_cell_is_where_half_are_read():
    """Stock OpenCV reads half of 36h11 near 14 px of side (published recall curve of this project: 51 % at 14 px)."""
    assert 8.0 * smallest_cell_px(camera()) == pytest.approx(14.0, abs=1.0)
    assert smallest_cell_px(camera(detector="fitted")) < 0.7 * smallest_cell_px(camera())
    assert smallest_cell_px(camera(blur_px=1.4)) > 1.3 * smallest_cell_px(camera())


def test_camera_tables_are_what_was_measured_where_it_was_measured():
    """The rows of the packaged table, at the condition of its grid and widths 2^(k / 8) that were measured."""
    rows = measured_table()
    for name in ("stock", "fitted"):
        sd, chance = camera_tables(camera(detector=name), cells=8)
        assert sd.shape == chance.shape == (len(TABLE_WIDTHS_PX), len(TABLE_FACING_DEG)) == (65, 8)
        grid = rows[(rows["detector"] == name) & (rows["factor"] == "grid")]
        for k, column, facing in ((8, 0, 0), (16, 0, 0), (16, 2, 20), (16, 4, 40), (24, 7, 70), (16, 7, 70)):
            row = grid[(grid["width_px"] == 2.0 ** (2 + k / 8)) & (grid["facing_deg"] == facing)].iloc[0]
            assert chance[k, column] == pytest.approx(row["found"] / row["trials"])
            if row["found"] > 50:
                assert sd[k, column] == pytest.approx(row["corner_sd_px"])
                of_edges = corner_kinds(camera(detector=name), cells=8)[:, k, column]
                assert of_edges[0] == pytest.approx(row["pull_px"] if name == "stock" else 0.0)
                assert of_edges[1:] == pytest.approx(row[list(KINDS)].to_numpy(dtype=float))


@pytest.mark.parametrize("name", ["stock", "fitted"])
def test_camera_tables_behave_as_physics_says(name):
    """Larger is never read worse; noise, blur and smear cost, contrast helps; nothing is read at 4 px."""
    sd, chance = camera_tables(camera(detector=name), cells=8)
    assert (np.diff(chance, axis=0) > -0.03).all()  # shares of 400 trials: sd up to .025
    assert (chance[0] == 0.0).all()
    assert (chance[40:] > 0.98).all()  # from 128 px on
    assert np.isfinite(sd).all()
    assert (sd > 0.0).all()
    for worse in ({"grey_sd": 6.0}, {"blur_px": 1.4}, {"contrast_grey": 60.0}):
        worse_sd, worse_chance = camera_tables(camera(detector=name, **worse), cells=8)
        assert np.median(worse_sd / sd) > 1.05
        assert worse_chance.mean() <= chance.mean()
    smeared_sd, smeared_chance = camera_tables(camera(detector=name), cells=8, smear_px=5.0)
    assert np.median(smeared_sd / sd) > 1.2
    assert smeared_chance.mean() < chance.mean()


def test_fitted_noise_is_near_the_bound_of_two_edges():
    """The straight-edge bound against the measured table: the inner cells help, the blur's unknown sd costs."""
    own = camera(detector="fitted")
    sd, _ = camera_tables(own, cells=8)
    bound = straight_edge_sd_px(own, TABLE_WIDTHS_PX[16:41])
    assert (np.abs(np.log(sd[16:41, 0] / bound)) < math.log(1.5)).all()
    # beyond the widths measured the law of the straight edge goes on: four times the width, half the sd
    assert sd[64, 0] == pytest.approx(0.5 * sd[48, 0])


def test_other_families_are_read_at_the_same_size_of_a_cell():
    own = camera(detector="stock")
    assert camera_tables(own, cells=4)[1][0:50] == pytest.approx(camera_tables(own, cells=8)[1][8:58])


def test_measured_is_a_step_at_the_cell_that_is_read():
    own = camera(detector="measured", corner_sd_px=0.31, smallest_cell_px=4.0)
    sd, chance = camera_tables(own, cells=8)
    assert (sd == 0.31).all()
    assert (chance == (TABLE_WIDTHS_PX >= 32.0)[:, None]).all()
    assert (corner_kinds(own, cells=8)[0] == 0.0).all()
    assert (corner_kinds(own, cells=8)[1:] == 0.155).all()


def test_stock_pulls_corners_inwards_and_fitted_does_not():
    """Stock sub-pixel corners are biased by 0.1 to 0.5 px (measured for this project before the table was)."""
    (pull, *_), (sd, _) = corner_kinds(camera(), cells=8), camera_tables(camera(), cells=8)
    assert (pull[16:41, 0] > 0.08).all()
    assert (pull[:, 0] < sd[:, 0]).all()
    assert (corner_kinds(camera(detector="fitted"), cells=8)[0] == 0.0).all()
    fitted = measured_table()
    fitted = fitted[(fitted["detector"] == "fitted") & (fitted["factor"] == "grid") & (fitted["width_px"] >= 16)]
    assert (fitted["pull_px"].abs() < 0.2 * fitted["corner_sd_px"]).all()


def test_ways_of_edges_add_up_to_the_corners():
    """Square on, a corner's step across an edge is the sum of the edge's four: rms^2 = pull^2 + their squares."""
    rows = measured_table()
    rows = rows[(rows["factor"] == "grid") & (rows["facing_deg"] == 0) & rows["corner_sd_px"].notna()]
    assert len(rows) > 20
    whole = np.sqrt((rows[["pull_px", *KINDS]] ** 2).sum(axis=1))
    assert whole.to_numpy() == pytest.approx(rows["corner_sd_px"].to_numpy(), rel=0.01)


def test_fitted_edges_are_moved_less_than_turned():
    """Physics: of a straight edge fitted to even noise the ends are known sqrt 3 times worse than the middle."""
    _, shift, size, turn, taper = corner_kinds(camera(detector="fitted"), cells=8)[:, 16:41, 0].mean(axis=1)
    assert 1.2 < turn / shift < math.sqrt(3.0)
    assert 1.2 < taper / size < math.sqrt(3.0)


def test_table_says_where_it_comes_from():
    text = provenance()
    for word in ("command: python tests/benchmarks/detector_tables.py", "date:", "OpenCV"):
        assert word in text


@pytest.mark.parametrize("wrong", [{"cells": 0}, {"cells": "8"}, {"cells": 8, "smear_px": -1.0}])
def test_no_such_tables(wrong):
    with pytest.raises(InputError, match=next(reversed(wrong))):
        camera_tables(camera(), **wrong)


def test_places_between_the_knots_lie_on_straight_lines():
    """Hand-worked: half way in log width and in the angle between four knots is their mean; ends go on level."""
    table = camera_tables(camera(), cells=8)[0]
    middle = at_places(table, np.array([2.0 ** (2.0 + 20.5 / 8.0)]), np.array([25.0]))
    assert middle[0] == pytest.approx(table[20:22, 2:4].mean())
    ends = at_places(table, np.array([1.0, 5000.0]), np.array([0.0, 90.0]))
    assert ends.tolist() == [table[0, 0], table[-1, -1]]
