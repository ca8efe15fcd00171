"""The field: where the markers, the scoring nodes and the obstacles are."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy.spatial.transform import RigidTransform

from fiducialkit import tables
from fiducialkit.arrays import FloatArray, IntArray
from fiducialkit.errors import InputError
from fiducialkit.scene.markers import MarkerFamily, checked_border, corners_of_square
from fiducialkit.scene.transforms import field_from_marker_angles, parts

LARGEST_FLOOR_M = 60.0
SMALLEST_FLOOR_M = 1.0
MARKER_SIZE_RANGE_M = (0.01, 1.0)
OUTSIDE_ALLOWED_M = 1.0
HEIGHT_RANGE_M = (-0.01, 10.0)
_EDGE_TOLERANCE_M = 1e-6
_marker_pose = lru_cache(maxsize=4096)(field_from_marker_angles)  # half a millisecond each, asked for again and again

MARKERS = tables.Table(
    "markers",
    (
        tables.Column("marker_id", "int", "id within the family"),
        tables.Column("marker_x_m", "float", "centre of the black square in field"),
        tables.Column("marker_y_m", "float", "centre of the black square in field"),
        tables.Column("marker_z_m", "float", "centre of the black square in field"),
        tables.Column("facing_deg", "float", "heading of the printed face, counter-clockwise from the field's x"),
        tables.Column("tilt_deg", "float", "face raised above the horizontal"),
        tables.Column("roll_deg", "float", "turned counter-clockwise, seen by somebody facing it"),
        tables.Column("size_m", "float", "side of the black square"),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """One marker at its place in field. Lengths in metres, angles in degrees as people write them."""

    marker_id: int
    position: tuple[float, float, float]
    facing_deg: float = 0.0
    tilt_deg: float = 0.0
    roll_deg: float = 0.0
    size_m: float

    @property
    def field_from_marker(self) -> RigidTransform:
        """Pose of the marker in field."""
        return _marker_pose(tuple(self.position), self.facing_deg, self.tilt_deg, self.roll_deg)

    @property
    def corners_field(self) -> FloatArray:
        """Corners in field, (4, 3), clockwise from the upright top left. [m]"""
        rotation, translation = parts(self.field_from_marker)
        return corners_of_square(self.size_m) @ rotation.T + translation


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """A scoring node: where the robot's origin stands when it scores with its front, and how exactly.

    Tolerances hold at the tool point, along and across the node's heading. [m, deg]
    """

    name: str
    position: tuple[float, float]
    heading_deg: float
    tolerance_along_m: float
    tolerance_across_m: float
    tolerance_heading_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """An upright box that hides markers, in field. [m]"""

    name: str
    corner_min: tuple[float, float, float]
    corner_max: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """A checked field layout. All lengths in metres, whatever the file's unit was.

    Raises
    ------
    InputError
        At construction, naming the entry and the reason: repeated ids or names, positions out of range, a marker
        at the floor's edge whose face looks away from it, a tolerance that is not above zero.
    """

    name: str
    size: tuple[float, float]
    family: MarkerFamily
    markers: tuple[Marker, ...]
    nodes: tuple[Node, ...] = ()
    obstacles: tuple[Obstacle, ...] = ()
    border_cells: int = 1
    marker_ids: IntArray = field(init=False, repr=False, compare=False)
    corners_field: FloatArray = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        check_field(self)
        ids = np.array([marker.marker_id for marker in self.markers], dtype=np.int64)
        corners = np.array([marker.corners_field for marker in self.markers]).reshape(-1, 4, 3)
        ids.flags.writeable = False
        corners.flags.writeable = False
        object.__setattr__(self, "marker_ids", ids)
        object.__setattr__(self, "corners_field", corners)

    def marker(self, marker_id: int) -> Marker:
        """Return the marker of that id."""
        for marker in self.markers:
            if marker.marker_id == marker_id:
                return marker
        raise InputError(f"marker id: field '{self.name}' has no marker {marker_id}")

    def marker_table(self) -> pd.DataFrame:
        """Return the table `MARKERS`, one row a marker."""
        rows = [(m.marker_id, *m.position, m.facing_deg, m.tilt_deg, m.roll_deg, m.size_m) for m in self.markers]
        return MARKERS.checked(pd.DataFrame(rows, columns=MARKERS.names))


def check_field(layout: Field) -> None:
    """Raise InputError with ``<entry>: <reason>`` for the first thing that cannot be."""
    checked_border(layout.border_cells)
    for axis, length in zip("xy", layout.size, strict=True):
        if not SMALLEST_FLOOR_M <= length <= LARGEST_FLOOR_M:
            raise InputError(
                f"size: expected {SMALLEST_FLOOR_M:g} to {LARGEST_FLOOR_M:g} m along {axis}, "
                f"found {length:.4g} m; is length_unit right?"
            )
    _check_repeats(layout)
    _check_radians([marker.facing_deg for marker in layout.markers])
    for number, marker in enumerate(layout.markers):
        _check_marker(f"marker[{number}]", marker, layout)
    for number, node in enumerate(layout.nodes):
        _check_node(f"node[{number}]", node, layout)
    for number, obstacle in enumerate(layout.obstacles):
        check_box(f"obstacle[{number}]", obstacle.corner_min, obstacle.corner_max)


def _check_repeats(layout: Field) -> None:
    seen: dict[int, int] = {}
    for number, marker in enumerate(layout.markers):
        if marker.marker_id in seen:
            first = layout.markers[seen[marker.marker_id]]
            raise InputError(
                f"marker[{number}].id: expected each id once, found {marker.marker_id} "
                f"at {_place(first.position)} and at {_place(marker.position)}"
            )
        seen[marker.marker_id] = number
    names: set[str] = set()
    for number, node in enumerate(layout.nodes):
        if node.name in names:
            raise InputError(f"node[{number}].name: expected each name once, found '{node.name}' twice")
        names.add(node.name)


def _place(position: tuple[float, ...]) -> str:
    return "(" + ", ".join(f"{value:.4g}" for value in position) + ") m"


def _check_marker(where: str, marker: Marker, layout: Field) -> None:
    if not 0 <= marker.marker_id < layout.family.size:
        last = layout.family.size - 1
        raise InputError(f"{where}.id: expected 0 to {last} for {layout.family.name}, found {marker.marker_id}")
    smallest, largest = MARKER_SIZE_RANGE_M
    if not smallest <= marker.size_m <= largest:
        raise InputError(
            f"{where}.size: expected {smallest:g} to {largest:g} m, found {marker.size_m:.4g} m; is length_unit right?"
        )
    for axis, value, length in zip("xy", marker.position[:2], layout.size, strict=True):
        if not -OUTSIDE_ALLOWED_M <= value <= length + OUTSIDE_ALLOWED_M:
            raise InputError(
                f"{where}.position: expected {axis} within {OUTSIDE_ALLOWED_M:g} m of the floor, 0 to {length:.4g} m, "
                f"found {value:.4g} m"
            )
    if not HEIGHT_RANGE_M[0] <= marker.position[2] <= HEIGHT_RANGE_M[1]:
        raise InputError(
            f"{where}.position: expected a height of 0 to {HEIGHT_RANGE_M[1]:g} m, found {marker.position[2]:.4g} m"
        )
    for name in ("facing_deg", "tilt_deg", "roll_deg"):
        value = getattr(marker, name)
        limit = 90.0 if name == "tilt_deg" else 360.0
        if not abs(value) <= limit:
            raise InputError(f"{where}.{name}: expected -{limit:g} to {limit:g} degrees, found {value:.4g}")
    _check_looks_inward(where, marker, layout)


def _check_looks_inward(where: str, marker: Marker, layout: Field) -> None:
    out_field = parts(marker.field_from_marker)[0][:, 2]
    for axis, length in enumerate(layout.size):
        value = marker.position[axis]
        outward = -1.0 if value <= _EDGE_TOLERANCE_M else 1.0 if value >= length - _EDGE_TOLERANCE_M else 0.0
        if outward * out_field[axis] > 1e-6:
            raise InputError(
                f"{where}.facing_deg: marker {marker.marker_id} stands at the edge {'xy'[axis]} = {value:.4g} m "
                f"and faces {marker.facing_deg:g} degrees, away from the floor"
            )


def _check_radians(facings_deg: list[float]) -> None:
    """Refuse two angles or more that are all multiples of 15 degrees written in radians; one may be chance."""
    turned = [value for value in facings_deg if value != 0.0]
    step = math.pi / 12.0
    if len(turned) >= 2 and all(
        abs(value) <= 2.0 * math.pi + 1e-3
        and abs(value / step - round(value / step)) * step < 2e-4 + 2e-4 * abs(value)
        and value != round(value)
        for value in turned
    ):
        raise InputError(
            f"marker.facing_deg: expected degrees, found {turned[0]:g} and the like, which looks like radians"
        )


def _check_node(where: str, node: Node, layout: Field) -> None:
    for axis, value, length in zip("xy", node.position, layout.size, strict=True):
        if not 0.0 <= value <= length:
            raise InputError(
                f"{where}.position: expected {axis} on the floor, 0 to {length:.4g} m, found {value:.4g} m"
            )
    if not abs(node.heading_deg) <= 360.0:
        raise InputError(f"{where}.heading_deg: expected -360 to 360 degrees, found {node.heading_deg:.4g}")
    for key, value, largest in (
        ("tolerance_along", node.tolerance_along_m, 2.0),
        ("tolerance_across", node.tolerance_across_m, 2.0),
        ("tolerance_heading_deg", node.tolerance_heading_deg, 180.0),
    ):
        if not 0.0 < value <= largest:
            raise InputError(f"{where}.{key}: expected above 0 and up to {largest:g}, found {value:.4g}")


def check_box(where: str, corner_min: tuple[float, ...], corner_max: tuple[float, ...]) -> None:
    """Raise InputError unless every coordinate of corner_min is below that of corner_max and in range."""
    for axis, low, high in zip("xyz", corner_min, corner_max, strict=True):
        if not low < high:
            raise InputError(
                f"{where}.corner_min: expected {axis} below that of corner_max, found {low:.4g} and {high:.4g} m"
            )
        if max(abs(low), abs(high)) > LARGEST_FLOOR_M:
            raise InputError(
                f"{where}: expected {axis} within {LARGEST_FLOOR_M:g} m, found {low:.4g} to {high:.4g} m; "
                "is length_unit right?"
            )
