"""Fields on file."""

from __future__ import annotations

from pathlib import Path

from fiducialkit.errors import FileFormatError
from fiducialkit.files import read_toml, validated
from fiducialkit.scene.field import Field, Marker, Node, Obstacle
from fiducialkit.scene.file_keys import (
    METRES,
    LengthUnit,
    Number,
    Point,
    StrictKeys,
    Text,
    Whole,
    built,
    expect_kind,
    scaled,
)
from fiducialkit.scene.markers import marker_family


class _MarkerKeys(StrictKeys):
    id: Whole
    position: Point
    facing_deg: Number
    tilt_deg: Number = 0.0
    roll_deg: Number = 0.0
    size: Number | None = None


class _NodeKeys(StrictKeys):
    name: Text
    position: tuple[Number, Number]
    heading_deg: Number
    tolerance_along: Number
    tolerance_across: Number
    tolerance_heading_deg: Number


class _ObstacleKeys(StrictKeys):
    name: Text
    corner_min: Point
    corner_max: Point


class FieldKeys(StrictKeys):
    """The keys of field.toml."""

    name: Text
    length_unit: LengthUnit
    size: tuple[Number, Number]
    family: Text
    marker_size: Number | None = None
    border_cells: Whole = 1
    marker: list[_MarkerKeys] = []
    node: list[_NodeKeys] = []
    obstacle: list[_ObstacleKeys] = []


def load_field(path: str | Path) -> Field:
    """Return the field of a TOML file, all lengths in metres.

    Raises
    ------
    FileFormatError
        One line naming the file, the field, what was expected and what was found.
    """
    path = Path(path)
    data = read_toml(path)
    expect_kind(data, "field", path)
    keys = validated(FieldKeys, data, path)
    return built(lambda: _field(keys, path), path)


def _field(keys: FieldKeys, path: Path) -> Field:
    metres = METRES[keys.length_unit]
    return Field(
        name=keys.name,
        size=scaled(keys.size, metres),
        family=marker_family(keys.family, path.parent),
        markers=tuple(_marker(number, keys, path) for number in range(len(keys.marker))),
        nodes=tuple(
            Node(
                name=node.name,
                position=scaled(node.position, metres),
                heading_deg=node.heading_deg,
                tolerance_along_m=node.tolerance_along * metres,
                tolerance_across_m=node.tolerance_across * metres,
                tolerance_heading_deg=node.tolerance_heading_deg,
            )
            for node in keys.node
        ),
        obstacles=tuple(
            Obstacle(
                name=each.name, corner_min=scaled(each.corner_min, metres), corner_max=scaled(each.corner_max, metres)
            )
            for each in keys.obstacle
        ),
        border_cells=keys.border_cells,
    )


def _marker(number: int, keys: FieldKeys, path: Path) -> Marker:
    entry, metres = keys.marker[number], METRES[keys.length_unit]
    size = keys.marker_size if entry.size is None else entry.size
    if size is None:
        where = f"marker[{number}].size"
        raise FileFormatError(path, where, "expected marker_size for all or a size for this one, found neither")
    return Marker(
        marker_id=entry.id,
        position=scaled(entry.position, metres),
        facing_deg=entry.facing_deg,
        tilt_deg=entry.tilt_deg,
        roll_deg=entry.roll_deg,
        size_m=size * metres,
    )
