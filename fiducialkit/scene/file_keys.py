"""What the files people write share: strict keys, lengths with a unit, errors with a place."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

import pydantic

from fiducialkit.errors import FileFormatError, InputError

T = TypeVar("T")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")


def _of_one_line(text: str) -> str:
    if _CONTROL.search(text):
        # often a Windows path in double quotes: TOML reads the beginning of "\field.toml" as a form feed
        hint = "" if "\n" in text else "; write / between folders"
        raise ValueError(f"expected text without control characters, found {text!r}{hint}")
    return text


METRES = {"m": 1.0, "mm": 0.001, "in": 0.0254}
LengthUnit = Literal["m", "mm", "in"]
# a TOML true is no number and a "1.2" in quotes is text: both are refused instead of converted
Number = Annotated[float, pydantic.Strict(), pydantic.Field(allow_inf_nan=False)]
Whole = Annotated[int, pydantic.Strict()]
Text = Annotated[
    str, pydantic.Strict(), pydantic.StringConstraints(min_length=1), pydantic.AfterValidator(_of_one_line)
]
Point = tuple[Number, Number, Number]
_TELLING_KEYS = {
    "field": ("marker", "marker_size", "node"),
    "robot": ("mount", "footprint", "rig"),
    "camera": ("width_px", "fx_px", "horizontal_fov_deg"),
    "study": ("field", "robot", "approach"),
}


class StrictKeys(pydantic.BaseModel):
    """Keys that are all known: a mistyped one is refused, never ignored."""

    model_config = pydantic.ConfigDict(extra="forbid", allow_inf_nan=False)


def kind_of(data: dict[str, Any]) -> str | None:
    """Return which kind of file these keys belong to: field, robot, camera, study; None if it cannot be told."""
    score = {kind: sum(key in data for key in keys) for kind, keys in _TELLING_KEYS.items()}
    best = max(score, key=lambda kind: score[kind])
    return best if score[best] else None


def expect_kind(data: Any, kind: str, path: Path) -> None:
    """Raise FileFormatError if the file is plainly of another kind."""
    found = kind_of(data) if isinstance(data, dict) else None
    if found not in (None, kind):
        raise FileFormatError(path, "", f"expected a {kind} file, found what looks like a {found} file")


def named_file(path: Path, where: str, name: str) -> Path:
    """Return the file that the key `where` of the file `path` names, relative to it; refuse one that is not there."""
    named = path.parent / name.replace("\\", "/")  # a file written on Windows
    if not named.is_file():
        found = "a folder" if named.is_dir() else "none"
        raise FileFormatError(path, where, f"expected a file beside this one, found {found} at '{name}'")
    return named


def scaled(values: tuple[float, ...], metres: float) -> tuple[Any, ...]:
    """Return lengths in metres."""
    return tuple(value * metres for value in values)


def built(make: Callable[[], T], path: Path) -> T:
    """Return what `make` gives; an InputError "where: message" becomes a FileFormatError with the file before it."""
    try:
        return make()
    except FileFormatError:
        raise
    except InputError as error:
        where, _, message = str(error).partition(": ")
        raise FileFormatError(path, where, message) from None
