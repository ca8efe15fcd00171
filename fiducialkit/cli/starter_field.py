"""The text of a starter's field file, and the example room."""

from __future__ import annotations

import json
from collections.abc import Sequence
from string import Template
from typing import Any

from fiducialkit.scene.field import Field, Marker, Node, Obstacle
from fiducialkit.scene.file_keys import METRES
from fiducialkit.scene.markers import MarkerFamily

_EXAMPLE_SIZE_M = 0.15
_EXAMPLE_IDS = (1, 5, 9, 14, 20, 26)
_EXAMPLE_PLACES = (
    ((0.0, 1.0, 0.4), 0.0),
    ((0.0, 3.0, 0.4), 0.0),
    ((3.0, 0.0, 0.4), 90.0),
    ((3.2, 4.0, 0.4), -90.0),
    ((6.0, 1.3, 0.4), 180.0),
    ((6.0, 2.9, 0.4), 180.0),
)
_NODE_NOTE = """
# EXAMPLES TO EDIT: these stand 1 m before some of your markers; put in the places where your robot scores."""
_TABLE = Obstacle(name="table", corner_min=(1.0, 1.0, 0.0), corner_max=(2.0, 1.5, 0.8))


def example_field(family: MarkerFamily, size_m: float | None, *, in_inches: bool = False) -> Field:
    """Return a small room with six markers, two nodes and a crate; its lengths are whole inches if so wanted."""

    def length(metres: float) -> float:
        return round(metres / METRES["in"]) * METRES["in"] if in_inches else metres

    def place(*metres: float) -> tuple[Any, ...]:
        return tuple(length(each) for each in metres)

    ids = _EXAMPLE_IDS if family.size > max(_EXAMPLE_IDS) else range(min(family.size, len(_EXAMPLE_IDS)))
    tolerances = {"tolerance_along_m": length(0.03), "tolerance_across_m": length(0.02), "tolerance_heading_deg": 2.0}
    return Field(
        name="Practice room",
        size=place(6.0, 4.0),
        family=family,
        markers=tuple(
            Marker(
                marker_id=number,
                position=place(*position),
                facing_deg=facing_deg,
                size_m=size_m or length(_EXAMPLE_SIZE_M),
            )
            for number, (position, facing_deg) in zip(ids, _EXAMPLE_PLACES, strict=False)
        ),
        nodes=(
            Node(name="shelf", position=place(0.7, 2.0), heading_deg=180.0, **tolerances),
            Node(name="bench", position=place(5.3, 2.1), heading_deg=0.0, **tolerances),
        ),
        obstacles=(Obstacle(name="crate", corner_min=place(2.6, 1.6, 0.0), corner_max=place(3.3, 2.3, 0.6)),),
    )


def field_text(field: Field, template: str, *, length_unit: str, family: str, is_example: bool) -> str:
    """Return the commented field file of that field, its lengths in that unit.

    Parameters
    ----------
    field : Field
    template : str
        The file's frame with its comments.
    length_unit : str
    family : str
        As the file shall name it.
    is_example : bool
        Whether floor and nodes belong to the example; otherwise they are marked as guesses.
    """
    metres = METRES[length_unit]
    sizes = [marker.size_m for marker in field.markers]
    usual_m = max(sizes, key=sizes.count)
    return Template(template).substitute(
        name=_quoted(field.name),
        length_unit=length_unit,
        size=_list(field.size, metres),
        size_note="" if is_example else " GUESSED FROM THE MARKERS: put in the real one.",
        family=_quoted(family),
        marker_size=_number(usual_m / metres),
        markers="\n".join(_marker(marker, metres, usual_m) for marker in field.markers),
        node_note="" if is_example else _NODE_NOTE,
        nodes="\n".join(_node(node, metres) for node in field.nodes),
        obstacles="".join(_obstacle(each, metres) for each in field.obstacles) or _commented(_obstacle(_TABLE, metres)),
    )


def _marker(marker: Marker, metres: float, usual_m: float) -> str:
    lines = [
        "[[marker]]",
        f"id = {marker.marker_id}",
        f"position = {_list(marker.position, metres)}",
        f"facing_deg = {_number(marker.facing_deg)}",
    ]
    lines += [f"{key} = {_number(getattr(marker, key))}" for key in ("tilt_deg", "roll_deg") if getattr(marker, key)]
    if marker.size_m != usual_m:
        lines.append(f"size = {_number(marker.size_m / metres)}")
    return "\n".join(lines) + "\n"


def _node(node: Node, metres: float) -> str:
    lines = (
        "[[node]]",
        f"name = {_quoted(node.name)}",
        f"position = {_list(node.position, metres)}",
        f"heading_deg = {_number(node.heading_deg)}",
        f"tolerance_along = {_number(node.tolerance_along_m / metres)}",
        f"tolerance_across = {_number(node.tolerance_across_m / metres)}",
        f"tolerance_heading_deg = {_number(node.tolerance_heading_deg)}",
    )
    return "\n".join(lines) + "\n"


def _obstacle(obstacle: Obstacle, metres: float) -> str:
    lines = (
        "",
        "[[obstacle]]",
        f"name = {_quoted(obstacle.name)}",
        f"corner_min = {_list(obstacle.corner_min, metres)}",
        f"corner_max = {_list(obstacle.corner_max, metres)}",
    )
    return "\n".join(lines) + "\n"


def _commented(text: str) -> str:
    return "".join(f"# {line}".rstrip() + "\n" for line in text.splitlines())


def _number(value: float) -> str:
    text = f"{value:.12g}"  # as typed: the factor to metres and back leaves its rounding in the last digits
    return text if set(text) & set(".e") else f"{text}.0"


def _list(values: Sequence[float], metres: float) -> str:
    return "[" + ", ".join(_number(value / metres) for value in values) + "]"


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)  # TOML's basic strings escape as JSON's do
