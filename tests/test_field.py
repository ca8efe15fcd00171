"""The field: corners worked out by hand, and what cannot be."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from fiducialkit import InputError
from fiducialkit.scene.field import MARKERS, Field, Marker, Node, Obstacle
from fiducialkit.scene.markers import marker_family

FAMILY = marker_family("36h11")
MARKER = Marker(marker_id=4, position=(0.0, 1.2, 0.45), facing_deg=0.0, size_m=0.2)
NODE = Node(
    name="oven",
    position=(0.75, 1.2),
    heading_deg=180.0,
    tolerance_along_m=0.04,
    tolerance_across_m=0.02,
    tolerance_heading_deg=2.0,
)
TABLE = Obstacle(name="table", corner_min=(2.0, 2.0, 0.0), corner_max=(3.0, 3.0, 0.9))
HALL = Field(name="hall", size=(6.0, 4.0), family=FAMILY, markers=(MARKER,), nodes=(NODE,), obstacles=(TABLE,))


def hall_with(*markers: Marker) -> Field:
    return replace(HALL, markers=markers)


# Hand-worked: a marker of 0.2 m, so half a side is 0.1. Corners clockwise from the upright top left, as somebody who
# looks at the printed face sees them. Facing +x (0 degrees) that person looks along -x and has +y on the right.
@pytest.mark.parametrize(
    ("marker", "corners"),
    [
        (
            Marker(marker_id=1, position=(0.0, 1.0, 0.5), facing_deg=0.0, size_m=0.2),
            [(0.0, 0.9, 0.6), (0.0, 1.1, 0.6), (0.0, 1.1, 0.4), (0.0, 0.9, 0.4)],
        ),
        (
            Marker(marker_id=1, position=(2.0, 0.0, 0.5), facing_deg=90.0, size_m=0.2),
            [(2.1, 0.0, 0.6), (1.9, 0.0, 0.6), (1.9, 0.0, 0.4), (2.1, 0.0, 0.4)],
        ),
        (
            Marker(marker_id=1, position=(6.0, 1.0, 0.5), facing_deg=180.0, size_m=0.2),
            [(6.0, 1.1, 0.6), (6.0, 0.9, 0.6), (6.0, 0.9, 0.4), (6.0, 1.1, 0.4)],
        ),
        (  # lying on the floor, face up: what was its top points away from the way it faces
            Marker(marker_id=1, position=(2.0, 2.0, 0.0), facing_deg=0.0, tilt_deg=90.0, size_m=0.2),
            [(1.9, 1.9, 0.0), (1.9, 2.1, 0.0), (2.1, 2.1, 0.0), (2.1, 1.9, 0.0)],
        ),
        (  # raised 30 degrees: the upper edge goes back by 0.1 sin 30, and stands 0.1 cos 30 above the middle
            Marker(marker_id=1, position=(2.0, 2.0, 0.5), facing_deg=0.0, tilt_deg=30.0, size_m=0.2),
            [
                (1.95, 1.9, 0.5 + 0.1 * math.sqrt(0.75)),
                (1.95, 2.1, 0.5 + 0.1 * math.sqrt(0.75)),
                (2.05, 2.1, 0.5 - 0.1 * math.sqrt(0.75)),
                (2.05, 1.9, 0.5 - 0.1 * math.sqrt(0.75)),
            ],
        ),
        (  # a quarter turn counter-clockwise takes the top left corner to the bottom left
            Marker(marker_id=1, position=(0.0, 1.0, 0.5), facing_deg=0.0, roll_deg=90.0, size_m=0.2),
            [(0.0, 0.9, 0.4), (0.0, 0.9, 0.6), (0.0, 1.1, 0.6), (0.0, 1.1, 0.4)],
        ),
    ],
    ids=["facing 0", "facing 90", "facing 180", "face up", "raised 30", "rolled 90"],
)
def test_corners_worked_out_by_hand(marker, corners):
    assert marker.corners_field == pytest.approx(np.array(corners), abs=1e-12)
    field = hall_with(marker)
    assert field.corners_field.shape == (1, 4, 3) and field.corners_field[0] == pytest.approx(np.array(corners))


@pytest.mark.parametrize(("tilt", "roll"), [(0.0, 0.0), (35.0, 20.0), (-50.0, 200.0)])
def test_corners_are_a_square_of_the_size_with_the_face_outwards(tilt, roll):
    marker = Marker(marker_id=1, position=(2.0, 1.0, 0.5), facing_deg=40.0, tilt_deg=tilt, roll_deg=roll, size_m=0.2)
    corners = marker.corners_field
    sides = np.roll(corners, -1, axis=0) - corners
    assert np.linalg.norm(sides, axis=1) == pytest.approx(np.full(4, 0.2))
    assert np.linalg.norm(corners[2] - corners[0]) == pytest.approx(0.2 * math.sqrt(2.0))
    # clockwise for the looker: the turn from one side to the next is about the direction into the face
    into = np.cross(sides[0], sides[1]) / 0.04
    expected = [math.cos(math.radians(40)) * math.cos(math.radians(tilt)), math.sin(math.radians(tilt))]
    assert [-into[0], -into[2]] == pytest.approx(expected)


def test_the_table_and_the_marker_by_its_id():
    table = HALL.marker_table()
    assert table.columns.tolist() == MARKERS.names
    assert table.iloc[0].tolist() == [4, 0.0, 1.2, 0.45, 0.0, 0.0, 0.0, 0.2]
    assert HALL.marker(4) is MARKER
    with pytest.raises(InputError, match="has no marker 5"):
        HALL.marker(5)
    with pytest.raises(ValueError, match="read-only"):
        HALL.corners_field[0, 0, 0] = 1.0


def test_a_field_without_markers_is_a_field():
    assert hall_with().corners_field.shape == (0, 4, 3) and len(hall_with().marker_table()) == 0


def test_repeated_ids_are_refused_with_both_places():
    # field report A37: a board accepts the same id twice
    with pytest.raises(InputError) as caught:
        hall_with(MARKER, replace(MARKER, marker_id=7), replace(MARKER, position=(0.0, 2.5, 0.45)))
    assert str(caught.value) == (
        "marker[2].id: expected each id once, found 4 at (0, 1.2, 0.45) m and at (0, 2.5, 0.45) m"
    )


@pytest.mark.parametrize(
    ("change", "where", "reason"),
    [
        ({"marker_id": 587}, "marker[0].id", "expected 0 to 586 for"),
        ({"marker_id": -1}, "marker[0].id", "found -1"),
        ({"size_m": 6.5}, "marker[0].size", "found 6.5 m; is length_unit right?"),  # A36: inches read as metres
        ({"size_m": 0.00015}, "marker[0].size", "is length_unit right?"),
        ({"position": (48.0, 1.2, 0.45)}, "marker[0].position", "expected x within 1 m of the floor"),
        ({"position": (-1.001, 1.2, 0.45)}, "marker[0].position", "found -1.001 m"),
        ({"position": (0.0, 5.001, 0.45)}, "marker[0].position", "expected y within 1 m"),
        ({"position": (0.0, 1.2, 45.0)}, "marker[0].position", "expected a height of 0 to 10 m, found 45 m"),
        ({"position": (0.0, 1.2, -0.2)}, "marker[0].position", "expected a height"),
        ({"position": (0.0, 1.2, math.nan)}, "marker[0].position", "expected a height"),
        ({"facing_deg": 361.0}, "marker[0].facing_deg", "found 361"),
        ({"facing_deg": math.nan}, "marker[0].facing_deg", "found nan"),
        ({"tilt_deg": 91.0}, "marker[0].tilt_deg", "expected -90 to 90 degrees, found 91"),
        ({"roll_deg": -400.0}, "marker[0].roll_deg", "found -400"),
        ({"facing_deg": 180.0}, "marker[0].facing_deg", "marker 4 stands at the edge x = 0 m and faces 180 degrees"),
        ({"position": (6.0, 1.2, 0.4)}, "marker[0].facing_deg", "at the edge x = 6 m and faces 0 degrees"),
        ({"position": (2.0, 0.0, 0.4), "facing_deg": -90.0}, "marker[0].facing_deg", "away from the floor"),
        ({"position": (2.0, 4.5, 0.4), "facing_deg": 45.0}, "marker[0].facing_deg", "at the edge y = 4.5 m"),
    ],
)
def test_markers_that_cannot_be(change, where, reason):
    with pytest.raises(InputError) as caught:
        hall_with(replace(MARKER, **change))
    assert str(caught.value).startswith(f"{where}: ") and reason in str(caught.value)


@pytest.mark.parametrize(
    "change",
    [
        {"position": (-1.0, 1.2, 0.4)},
        {"position": (2.0, 0.0, 0.4), "facing_deg": 0.0},  # along the wall, as on a pillar's side
        {"position": (0.01, 1.2, 0.4), "facing_deg": 180.0},  # on a post 1 cm inside
        {"position": (0.0, 1.2, 0.4), "facing_deg": 0.0, "tilt_deg": -90.0},
        {"facing_deg": -360.0},
        {"position": (2.0, 2.0, 0.0), "tilt_deg": 90.0},
    ],
)
def test_markers_at_the_limit_of_what_can_be(change):
    assert len(hall_with(replace(MARKER, **change)).markers) == 1


def test_angles_in_radians_are_noticed():
    # field report A36: every facing a multiple of 15 degrees, written in radians
    facings = [0.0, math.pi / 2, -math.pi / 2, math.pi]
    places = [(0.0, 1.0, 0.4), (2.0, 0.0, 0.4), (2.0, 4.0, 0.4), (6.0, 1.0, 0.4)]
    markers = [
        Marker(marker_id=n, position=place, facing_deg=facing, size_m=0.2)
        for n, (place, facing) in enumerate(zip(places, facings, strict=True))
    ]
    # the facings, read as degrees, all look along x: put the markers where no edge complains first
    inside = [replace(m, position=(2.0, 2.0, 0.4)) for m in markers]
    with pytest.raises(InputError, match=r"expected degrees, found 1\.5708 and the like, which looks like radians"):
        hall_with(*inside)
    assert len(hall_with(*[replace(m, facing_deg=math.degrees(m.facing_deg)) for m in markers]).markers) == 4
    assert len(hall_with(replace(MARKER, facing_deg=2.0)).markers) == 1  # two degrees off square is no radian


@pytest.mark.parametrize(
    ("change", "where", "reason"),
    [
        ({"position": (-0.1, 1.0)}, "node[0].position", "expected x on the floor, 0 to 6 m, found -0.1 m"),
        ({"position": (1.0, 4.1)}, "node[0].position", "expected y on the floor"),
        ({"position": (math.nan, 1.0)}, "node[0].position", "found nan"),
        ({"heading_deg": 400.0}, "node[0].heading_deg", "found 400"),
        ({"tolerance_along_m": 0.0}, "node[0].tolerance_along", "expected above 0"),
        ({"tolerance_across_m": -0.1}, "node[0].tolerance_across", "found -0.1"),
        ({"tolerance_across_m": 40.0}, "node[0].tolerance_across", "up to 2, found 40"),
        ({"tolerance_heading_deg": 181.0}, "node[0].tolerance_heading_deg", "up to 180"),
    ],
)
def test_nodes_that_cannot_be(change, where, reason):
    with pytest.raises(InputError) as caught:
        replace(HALL, nodes=(replace(NODE, **change),))
    assert str(caught.value).startswith(f"{where}: ") and reason in str(caught.value)


def test_nodes_of_one_name_are_refused():
    with pytest.raises(InputError, match=r"node\[1\].name: expected each name once, found 'oven' twice"):
        replace(HALL, nodes=(NODE, replace(NODE, position=(0.75, 2.5))))


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"size": (433.0, 4.0)}, "size: expected 1 to 60 m along x, found 433 m; is length_unit right?"),
        ({"size": (6.0, 0.5)}, "size: expected 1 to 60 m along y, found 0.5 m"),
        ({"size": (math.nan, 4.0)}, "size: expected 1 to 60 m along x, found nan"),
        ({"border_cells": 0}, "border_cells: expected a whole number from 1 to 4, found 0"),
        (
            {"obstacles": (replace(TABLE, corner_max=(3.0, 2.0, 0.9)),)},
            "obstacle[0].corner_min: expected y below that of corner_max, found 2 and 2 m",
        ),
        (
            {"obstacles": (TABLE, replace(TABLE, corner_max=(300.0, 3.0, 0.9)))},
            "obstacle[1]: expected x within 60 m, found 2 to 300 m; is length_unit right?",
        ),
    ],
)
def test_fields_that_cannot_be(change, reason):
    with pytest.raises(InputError) as caught:
        replace(HALL, **change)
    assert str(caught.value).startswith(reason)
