"""Detection on photographs and pictures that others made, against what they published.

All are named in SOURCES.md of the reference folder, which is not part of this project: the tutorial photographs of
OpenCV 4.6 (Apache-2.0), photographs of NASA Kennedy (CC BY-SA 2.0) with the corner lists of the apriltag library 3.4.5
(BSD-2-Clause), and two sets of Inria's ViSP data 3.5.0 (GPL-2). The published 36h11 corners put (0, 0) at the outer
corner of the first pixel and run from the bottom left, bottom right, top right to the top left.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fiducialkit import MarkerObservations, detect_markers
from fiducialkit.imaging.detection import DetectorSettings
from fiducialkit.imaging.images import find_pictures, read_picture

pytestmark = pytest.mark.reference

EDGE_TO_CENTRE_PX = 0.5
TUTORIAL = ("singlemarkersoriginal.jpg", "choriginal.jpg", "gboriginal.png")
KENNEDY = {  # markers listed; of these, how many must be found by a stock detector, most being 11 to 20 px large
    "33369213973_9d9bb4cc96_c": (12, 12),
    "34085369442_304b6bafd9_c": (25, 16),
    "34139872896_defdb2f8d9_c": (10, 9),
}


def upright(listed: list[list[float]]) -> np.ndarray:
    """Return published 36h11 corners clockwise from the top left, with pixel centres at whole numbers."""
    return np.array(listed).reshape(-1, 4, 2)[:, ::-1] - EDGE_TO_CENTRE_PX


def tutorial_expectation(folder: Path, name: str) -> tuple[str | Path, pd.DataFrame]:
    rows = pd.read_csv(folder / "aruco_photos" / "expected_corners.csv")
    rows = rows[rows["image"] == name]
    (dictionary,) = rows["dictionary"].unique()
    is_file = dictionary.endswith(".yml")
    return folder / "aruco_photos" / dictionary if is_file else dictionary, rows


@pytest.mark.parametrize("name", TUTORIAL)
@pytest.mark.parametrize(("refinement", "tolerance_px"), [("edges", 2.0), ("fitted", 2.0)])
def test_tutorial_photographs_give_the_published_ids_and_corners(reference_folder, name, refinement, tolerance_px):
    """OpenCV 4.6, test_aruco_tutorial.cpp: unrefined corners in whole pixels, tolerance 1 px there.

    Refined ones are farther from them, since unrefined corners are themselves up to 1 px off.
    """
    family, expected = tutorial_expectation(reference_folder, name)
    picture = read_picture(reference_folder / "aruco_photos" / name)
    found = detect_markers(picture, family, preset=DetectorSettings(refinement=refinement))
    assert sorted(found.marker_id.tolist()) == sorted(expected["id"].tolist())
    corners = expected.sort_values("id")[[f"{axis}{i}" for i in range(4) for axis in "xy"]].to_numpy()
    assert np.abs(found.corners_px - corners.reshape(-1, 4, 2)).max() <= tolerance_px
    if refinement == "edges":  # a fit of so large and unevenly lit a marker may fail, and says so
        assert set(found.notes) == {""}
        assert (found.quality >= 35 / 36).all()


def kennedy_list(path: Path) -> np.ndarray:
    numbers = [[float(n) for n in re.findall(r"\d+\.\d+", line)] for line in path.read_text().splitlines()]
    return upright([row for row in numbers if row])


def nearest(found: MarkerObservations, corners: np.ndarray) -> tuple[float, int, np.ndarray]:
    """Return the smallest distance over markers and turns, the turn, and the mean offset."""
    turned = np.stack([np.roll(found.corners_px, turn, axis=1) for turn in range(4)], axis=1) - corners
    distance = np.abs(turned).max(axis=(2, 3))
    index = np.unravel_index(distance.argmin(), distance.shape)
    return float(distance[index]), int(index[1]), turned[index].mean(axis=0)


@pytest.mark.parametrize("name", KENNEDY)
def test_photographs_of_cubes_agree_with_the_published_lists(reference_folder, name):
    """The lists are another detector's and not exhaustive; both are up to some px off on slanted markers of 11 px."""
    folder = reference_folder / "tag36h11_photos"
    listed = kennedy_list(folder / f"{name}.txt")
    count, least = KENNEDY[name]
    assert len(listed) == count
    found = detect_markers(read_picture(folder / f"{name}.jpg"))
    assert set(found.marker_id.tolist()) == {0}
    assert found.repeated_ids == {0: len(found)}
    matches = [match for match in (nearest(found, corners) for corners in listed) if match[0] < 4.0]
    assert len(matches) >= least
    assert {turn for _, turn, _ in matches} == {0}  # the same upright corner comes first
    assert np.median([distance for distance, _, _ in matches]) < 1.5
    # a wrong pixel convention shows as 0.5 px in x and y over all markers
    assert np.abs(np.mean([offset for _, _, offset in matches], axis=0)).max() < 0.3


def test_sheet_of_twelve_agrees_with_its_published_corners(reference_folder):
    """Published tolerance 0.5 px; some of both detectors' corners are half a pixel off on this noisy sheet."""
    folder = reference_folder / "tag36h11_sheet"
    text = (folder / "ground_truth_detection.txt").read_text()
    blocks = re.findall(r"id:_(\d+)\n((?:[\d.]+ [\d.]+\n){4})", text + "\n")
    assert [int(number) for number, _ in blocks] == list(range(8, 20))
    listed = upright([[float(n) for n in block.split()] for _, block in blocks])[:, :, ::-1]  # listed row, column
    found = detect_markers(read_picture(folder / "AprilTag.pgm"))
    assert found.marker_id.tolist() == list(range(8, 20))
    error = found.corners_px - listed
    assert np.abs(error).max() < 1.0
    assert np.sqrt((error**2).mean()) < 0.3
    assert np.abs(error.mean(axis=(0, 1))).max() < 0.2
    assert found.repeated_ids == {}


def test_rendered_picture_agrees_with_its_published_corners(reference_folder):
    """The publisher's stored corners of the 640x480 picture; ours within 0.5 px of them, on average within 0.2."""
    rows = pd.read_csv(Path(__file__).parent / "reference" / "rendered_scene.csv", comment="#")
    columns = [f"corner_{i}_{axis}_edge_px" for i in range(4) for axis in "xy"]
    listed = upright(rows[columns].to_numpy())
    found = detect_markers(read_picture(reference_folder / "tag36h11_rendered" / "tag36_11_640x480.png"))
    assert found.marker_id.tolist() == rows["marker_id"].tolist()
    error = found.corners_px - listed
    assert np.abs(error).max() < 1.0
    assert np.abs(error.mean(axis=(0, 1))).max() < 0.2


def test_every_picture_of_the_reference_is_read_and_searched(reference_folder):
    folders = [
        f for f in sorted(reference_folder.glob("*")) if f.name == "aruco_photos" or f.name.startswith("tag36h11")
    ]
    pictures = find_pictures(folders)
    assert len(pictures) >= 9
    for path in pictures:
        is_tutorial = path.parent.name == "aruco_photos"
        family = tutorial_expectation(reference_folder, path.name)[0] if is_tutorial else "36h11"
        for colour in (False, True):
            found = detect_markers(read_picture(path, colour=colour), family)
            assert len(found), path.name
            assert np.isfinite(found.corners_px).all()
            assert found.message == ""
