"""Marker families against the published table, their artwork, their names and their files."""

from __future__ import annotations

import dataclasses
import pickle
import re
from pathlib import Path

import cv2
import numpy as np
import pytest

from fiducialkit import FileFormatError, InputError, draw_marker
from fiducialkit.scene.markers import MarkerFamily, corners_of_square, family_names, marker_family, minimum_distance

TABLE = Path(__file__).parent / "reference" / "tag36h11_codes.csv"  # the source stands in its header


def published_codes() -> np.ndarray:
    text = TABLE.read_text(encoding="utf-8")
    rows = [int(n) for n in re.search(r"^# bit_row: (.*)$", text, re.MULTILINE).group(1).split()]
    columns = [int(n) for n in re.search(r"^# bit_column: (.*)$", text, re.MULTILINE).group(1).split()]
    words = re.findall(r"^(\d+),([0-9a-f]{9})$", text, re.MULTILINE)
    assert [int(number) for number, _ in words] == list(range(587))
    codes = np.zeros((587, 6, 6), dtype=bool)
    for code, (_, word) in zip(codes, words, strict=True):
        for row, column, bit in zip(rows, columns, f"{int(word, 16):036b}", strict=True):
            code[row - 1, column - 1] = bit == "1"
    return codes


def opencv_artwork(name: str, marker_id: int, cells: int) -> np.ndarray:
    """Return what OpenCV itself would print, one pixel a cell."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{name}"))
    return cv2.aruco.generateImageMarker(dictionary, marker_id, cells) > 127


def test_36h11_is_the_published_table():
    """Olson 2011; every one of the 587 codes, upright."""
    np.testing.assert_array_equal(marker_family("36h11").codes, published_codes())


def test_opencv_prints_every_36h11_code_turned_by_180_degrees():
    """Olson 2011 against OpenCV's own drawing: the trap that `upright_corners` undoes."""
    for marker_id, code in enumerate(published_codes()):
        printed = opencv_artwork("APRILTAG_36h11", marker_id, 8)[1:7, 1:7]
        np.testing.assert_array_equal(printed, code[::-1, ::-1])
        assert not np.array_equal(printed, code)


def test_smallest_distance_of_36h11_is_eleven():
    """Olson 2011: no two codes, in any of the four turns, differ in fewer than 11 bits; counted here bit by bit."""
    codes = published_codes()
    words = np.packbits(codes.reshape(587, 36), axis=1)
    ones = np.array([bin(byte).count("1") for byte in range(256)])
    smallest = 36
    for turns in range(4):
        turned = np.packbits(np.rot90(codes, turns, axes=(1, 2)).reshape(587, 36), axis=1)
        distance = ones[words[:, None, :] ^ turned[None, :, :]].sum(axis=2)
        if turns == 0:
            np.fill_diagonal(distance, 36)
        smallest = min(smallest, int(distance.min()))
    assert smallest == 11 == minimum_distance(codes)
    assert marker_family("36h11").correction_bits == 5  # (11 - 1) / 2


@pytest.mark.parametrize(
    ("name", "most"), [("16h5", 2), ("25h9", 4), ("36h10", 4), ("4X4_50", 1), ("4X4_1000", 0), ("ARUCO_ORIGINAL", 0)]
)
def test_forgiven_bits_keep_the_nearest_code_unique(name, most):
    """A family called NhD has distance D, so (D - 1) / 2 wrong bits have one nearest code; 4X4_50 by its distance of 4.

    Two codes of ARUCO_ORIGINAL and of 4X4_1000 are so near that one wrong bit has no single answer.
    """
    assert marker_family(name).correction_bits == most
    distance = minimum_distance(marker_family(name).codes)
    assert max(0, (distance - 1) // 2) == most
    named = re.search(r"h(\d+)$", name)
    assert named is None or distance == int(named.group(1))


def test_distance_of_codes_by_hand():
    plain = np.zeros((3, 3), dtype=bool)
    corner, edge, middle = plain.copy(), plain.copy(), plain.copy()
    corner[0, 0] = edge[0, 1] = middle[1, 1] = True
    assert minimum_distance(np.array([corner, edge])) == 2
    assert minimum_distance(np.array([corner, corner[::-1]])) == 0  # the same code, turned
    assert minimum_distance(np.array([edge])) == 2  # to its own turned copies
    assert minimum_distance(np.array([middle])) == 0  # has no orientation
    assert minimum_distance(np.array([corner | edge, edge])) == 1


@pytest.mark.parametrize("name", family_names())
def test_artwork_is_opencv_s_own_turned_only_where_it_says_so(name):
    family = marker_family(name)
    for marker_id in (0, family.size // 2, family.size - 1):
        printed = opencv_artwork(name, marker_id, family.cells())
        expected = printed[::-1, ::-1] if family.is_turned_in_opencv else printed
        np.testing.assert_array_equal(family.artwork(marker_id), expected)


def test_own_dictionary_is_bit_for_bit_opencv_s():
    for name in ("APRILTAG_36h11", "APRILTAG_16h5", "6X6_250"):
        own = marker_family(name).opencv_dictionary
        theirs = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{name}"))
        np.testing.assert_array_equal(own.bytesList, theirs.bytesList)
        assert own.markerSize == theirs.markerSize


def test_upright_corners_turn_those_of_turned_families_only():
    corners = np.arange(16.0).reshape(2, 4, 2)
    before = corners.copy()
    np.testing.assert_array_equal(marker_family("36h11").upright_corners(corners), corners[:, [2, 3, 0, 1]])
    same = marker_family("6X6_250").upright_corners(corners)
    np.testing.assert_array_equal(same, corners)
    same += 1.0
    np.testing.assert_array_equal(corners, before)


def test_corners_of_a_square_run_clockwise_for_somebody_facing_it():
    expected = [[-0.1, 0.1, 0.0], [0.1, 0.1, 0.0], [0.1, -0.1, 0.0], [-0.1, -0.1, 0.0]]
    np.testing.assert_allclose(corners_of_square(0.2), expected)


def test_drawn_marker_by_hand():
    """Marker 0 of 36h11 (published code d7e00984b): margin, border and cells where they belong."""
    code = published_codes()[0]
    drawn = draw_marker("36h11", 0, cell_px=3, margin_cells=2)
    assert drawn.dtype == np.uint8
    assert drawn.shape == (36, 36)
    assert (drawn[:6] == 255).all()
    assert (drawn[6:9, 6:30] == 0).all()
    np.testing.assert_array_equal(drawn[9:27:3, 9:27:3] == 255, code)
    np.testing.assert_array_equal(drawn[11:27:3, 11:27:3] == 255, code)
    assert draw_marker("36h11", 0, 3, 0).shape == (24, 24)
    two = draw_marker("36h11", 0, 1, 1, border_cells=2)
    assert two.shape == (12, 12)
    np.testing.assert_array_equal(two[3:9, 3:9] == 255, code)
    assert (two[1:3, 1:11] == 0).all()


@pytest.mark.parametrize("name", ["36h11", "36H11", "APRILTAG_36h11", "DICT_APRILTAG_36h11", "dict_apriltag_36H11"])
def test_names_of_the_published_family(name):
    assert marker_family(name) == marker_family("APRILTAG_36h11")
    assert marker_family(marker_family(name)) is marker_family(name)


def test_each_family_is_listed_once():
    names = [name.casefold() for name in family_names()]
    assert len(set(names)) == len(names)
    assert {"apriltag_36h11", "6x6_250", "4x4_50"} <= set(names)


@pytest.mark.parametrize("name", ["36h12", "", "tag", 6, None, 36.11])
def test_unknown_family_is_refused_by_what_was_found(name):
    with pytest.raises(InputError, match="family: expected") as caught:
        marker_family(name)
    assert repr(name) in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("marker_id", [-1, 587, 1.5, "3", None, True, float("nan")])
def test_marker_the_family_does_not_have_is_refused(marker_id):
    with pytest.raises(InputError, match=r"marker id: expected a whole number, 0 to 586 for APRILTAG_36h11"):
        draw_marker("36h11", marker_id)


@pytest.mark.parametrize(
    ("name", "value"),
    [(n, v) for n in ("cell_px", "margin_cells", "border_cells") for v in (-1, 1.5, "2", None, True, 10**6)]
    + [("cell_px", 0), ("border_cells", 0), ("border_cells", 5), ("cell_px", float("inf"))],
)
def test_sizes_that_cannot_be_drawn_are_refused(name, value):
    with pytest.raises(InputError, match=f"^{name}: expected a whole number"):
        draw_marker("36h11", 0, **{name: value})


def test_families_compare_by_content():
    family = marker_family("4X4_50")
    same = MarkerFamily(family.name, family.codes.copy(), family.correction_bits, family.is_turned_in_opencv)
    other = dataclasses.replace(family, codes=family.codes[:, ::-1])
    assert same == family
    assert hash(same) == hash(family)
    assert other != family
    assert family != "4X4_50"
    with pytest.raises(ValueError, match="read-only"):
        family.codes[0, 0, 0] = True


def write_family(path: Path, codes: list[str], size: int = 3, count: int | None = None) -> Path:
    lines = ["%YAML:1.0", "---", f"nmarkers: {len(codes) if count is None else count}", f"markersize: {size}"]
    lines += [f'marker_{number}: "{bits}"' for number, bits in enumerate(codes)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_family_of_a_file(tmp_path):
    path = write_family(tmp_path / "stücke für uns.yml", ["110000000", "000010011"])
    family = marker_family(path)
    assert (family.name, family.size, family.code_cells) == ("stücke für uns", 2, 3)
    np.testing.assert_array_equal(family.codes[0], [[True, True, False], [False] * 3, [False] * 3])
    np.testing.assert_array_equal(family.codes[1], [[False] * 3, [False, True, False], [False, True, True]])
    assert marker_family("stücke für uns.yml", folder=tmp_path) == family
    assert not family.is_turned_in_opencv


def test_edited_family_file_is_read_anew(tmp_path):
    path = write_family(tmp_path / "own.yml", ["110000000"])
    before = marker_family(path)
    write_family(path, ["110000001"])
    assert marker_family(path).codes[0, 2, 2]
    assert not before.codes[0, 2, 2]


def test_family_file_as_opencv_writes_it(tmp_path):
    path = tmp_path / "own.yml"
    storage = cv2.FileStorage(str(path), cv2.FILE_STORAGE_WRITE)
    cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50).writeDictionary(storage, "")
    storage.release()
    np.testing.assert_array_equal(marker_family(path).codes, marker_family("5X5_50").codes)


@pytest.mark.parametrize(
    ("codes", "size", "count", "where"),
    [
        (["110000000"], 3, 2, "marker_1"),
        (["11000000"], 3, 1, "marker_0"),
        (["110000002"], 3, 1, "marker_0"),
        (["110000000"], 2, 1, "markersize"),
        (["110000000"], 3, 0, "nmarkers"),
        (["110000000"], 3, 10**9, "nmarkers"),
        (["110000000"], "three", 1, "markersize"),
    ],
)
def test_damaged_family_file_is_refused_with_the_place(tmp_path, codes, size, count, where):
    path = write_family(tmp_path / "own.yml", codes, size, count)
    with pytest.raises(FileFormatError) as caught:
        marker_family(path)
    assert str(path.resolve()) in str(caught.value)
    assert where in caught.value.where
    assert "\n" not in str(caught.value)


def test_missing_family_file_is_refused(tmp_path):
    with pytest.raises(FileFormatError, match="none of that name"):
        marker_family(tmp_path / "none.yml")


def test_a_family_can_be_sent_to_another_process_after_it_was_used():
    family = marker_family("36h11")
    assert family.opencv_dictionary is not None
    again = pickle.loads(pickle.dumps(family))
    assert again == family
    assert again.opencv_dictionary.bytesList.tobytes() == family.opencv_dictionary.bytesList.tobytes()
