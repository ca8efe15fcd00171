"""Observations: shapes in and out, the table and back, what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from fiducialkit import InputError, MarkerObservations

CORNERS = np.arange(16.0).reshape(2, 4, 2)


def observations(**changes):
    values = {"marker_id": [7, 4], "corners_px": CORNERS, "covariance_px2": 0.04} | changes
    return MarkerObservations(**values)


def test_a_number_is_the_variance_of_every_coordinate():
    seen = observations()
    assert len(seen) == 2
    np.testing.assert_array_equal(seen.covariance_px2, np.broadcast_to(0.04 * np.eye(8), (2, 8, 8)))
    np.testing.assert_array_equal(seen.quality, [1.0, 1.0])
    assert seen.notes == ("", "")


def test_both_output_families_of_opencv_are_taken():
    """Ids (N, 1) and corners as a tuple of (1, 4, 2), or ids (N,) and one array: field report of the lost axis."""
    old = observations(marker_id=[[7], [4]], corners_px=tuple(CORNERS.astype(np.float32)[:, None]))
    np.testing.assert_array_equal(old.marker_id, [7, 4])
    np.testing.assert_array_equal(old.corners_px, CORNERS)


@pytest.mark.parametrize("nothing", [[], (), np.empty(0), np.empty((0, 4, 2))])
def test_nothing_seen(nothing):
    seen = observations(marker_id=[], corners_px=nothing, message="no square found")
    assert (len(seen), seen.marker_id.shape, seen.corners_px.shape) == (0, (0,), (0, 4, 2))
    assert seen.covariance_px2.shape == (0, 8, 8)
    assert list(seen.to_table().columns)[:2] == ["marker_id", "corner_0_x_px"]
    assert len(MarkerObservations.from_table(seen.to_table())) == 0


def test_table_and_back_keeps_everything(rng):
    half = rng.normal(size=(2, 8, 8))
    seen = observations(
        covariance_px2=half @ half.transpose(0, 2, 1),
        quality=[1.0, 35 / 36],
        notes=("", "odd"),
        picture_size_px=(64, 48),
    )
    table = seen.to_table()
    assert table.loc[1, "corner_2_y_px"] == 13.0  # second marker, third corner, by hand
    assert table.loc[0, "corner_covariance_03"] == seen.covariance_px2[0, 3, 0]
    back = MarkerObservations.from_table(table, picture_size_px=(64, 48))
    for name in ("marker_id", "corners_px", "covariance_px2", "quality"):
        np.testing.assert_array_equal(getattr(back, name), getattr(seen, name))
    assert (back.notes, back.picture_size_px) == (seen.notes, seen.picture_size_px)


def test_arrays_are_copies_and_read_only():
    corners = CORNERS.copy()
    seen = observations(corners_px=corners)
    corners[:] = -1.0
    np.testing.assert_array_equal(seen.corners_px, CORNERS)
    for name in ("marker_id", "corners_px", "covariance_px2", "quality"):
        with pytest.raises(ValueError, match="read-only"):
            getattr(seen, name)[...] = 0


def test_selected_by_mask_and_by_index():
    seen = observations(quality=[0.9, 1.0], notes=("a", "b"), picture_size_px=(64, 48), message="m")
    for keep in ([False, True], [1]):
        one = seen.selected(keep)
        assert (one.marker_id.tolist(), one.notes, one.quality.tolist()) == ([4], ("b",), [1.0])
        np.testing.assert_array_equal(one.corners_px, CORNERS[1:])
        assert (one.picture_size_px, one.message) == ((64, 48), "m")


def test_lost_corner_is_kept_for_the_solver_to_count():
    corners = CORNERS.copy()
    corners[0, 1] = np.nan
    assert np.isnan(observations(corners_px=corners).corners_px[0, 1]).all()


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"corners_px": CORNERS[:1]}, r"^corners_px: expected shape \(2, 4, 2\) for 2 ids, found \(1, 4, 2\)"),
        ({"corners_px": CORNERS[:, :3]}, r"^corners_px: expected shape"),
        ({"corners_px": CORNERS.transpose(0, 2, 1)}, r"^corners_px: expected shape"),
        ({"corners_px": "none"}, r"^corners_px: expected"),
        ({"marker_id": [7.5, 4]}, r"^marker_id: expected whole numbers"),
        ({"marker_id": [True, False]}, r"^marker_id: expected whole numbers"),
        ({"marker_id": ["7", "4"]}, r"^marker_id: expected whole numbers"),
        ({"marker_id": [-1, 4]}, r"^marker_id: expected whole numbers, 0 or more"),
        ({"covariance_px2": np.eye(4)}, r"^covariance_px2: expected shape \(2, 8, 8\)"),
        ({"covariance_px2": np.nan}, r"^covariance_px2: expected finite"),
        ({"covariance_px2": -0.04}, r"^covariance_px2: expected variances above 0"),
        ({"covariance_px2": 0.0}, r"^covariance_px2: expected variances above 0"),
        ({"quality": [1.0]}, r"^quality: expected shape \(2,\)"),
        ({"quality": [1.0, 1.1]}, r"^quality: expected 0 to 1"),
        ({"notes": ("a",)}, r"^notes: expected 2, found 1"),
        ({"picture_size_px": (0, 48)}, r"^picture_size_px: expected"),
    ],
)
def test_what_does_not_fit_is_refused(changes, reason):
    with pytest.raises(InputError, match=reason) as caught:
        observations(**changes)
    assert "\n" not in str(caught.value)
