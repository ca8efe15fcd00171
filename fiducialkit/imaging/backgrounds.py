"""What stands behind markers and boxes: even, textured, cluttered, a hall of floor and walls, or a picture given."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np

from fiducialkit.arrays import FloatArray, checked_array
from fiducialkit.errors import InputError

Kind = Literal["plain", "textured", "cluttered", "hall"]
KINDS = ("plain", "textured", "cluttered", "hall")
_SHIFT = 4  # OpenCV draws to 1/16 pixel


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Background:
    """The background's reflectance. It is painted in the picture: it does not move, smear or hide anything.

    Attributes
    ----------
    kind : {"plain", "textured", "cluttered", "hall"}
        "textured": smooth random patches of all sizes. "cluttered": polygons, lines and squares with cells that are
        markers of no family, on top of that. "hall": floor and four walls of the field as real surfaces, which do move
        and smear; above the walls it is plain.
    reflectance : float
        Mean, 0 to 1.
    contrast : float
        Spread of the texture, largest to smallest.
    clutter : int
        How many things lie about in a picture of 1280 x 720 px; others get as many per area.
    picture : ndarray, shape (h, w), optional
        Reflectances of your own, of the camera's size, in place of all that.
    """

    kind: Kind = "plain"
    reflectance: float = 0.45
    contrast: float = 0.3
    clutter: int = 120
    picture: FloatArray | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise InputError(f"background.kind: expected one of {', '.join(KINDS)}, found {self.kind!r}")
        for name in ("reflectance", "contrast"):
            value = getattr(self, name)
            if not 0.0 <= checked_array(f"background.{name}", value, (), finite=False) <= 1.0:
                raise InputError(f"background.{name}: expected 0 to 1, found {value!r}")
        if not 0 <= checked_array("background.clutter", self.clutter, (), finite=False) <= 100_000:
            raise InputError(f"background.clutter: expected 0 to 100000, found {self.clutter!r}")

    def reflectances(self, width_px: int, height_px: int, seed: int | np.random.Generator = 0) -> FloatArray:
        """Return the picture of reflectances, (height, width); the same seed gives the same one.

        An even background is one number seen as a picture, so it cannot be written to.
        """
        shape = (height_px, width_px)
        if self.picture is not None:
            given = checked_array("background.picture", self.picture, shape)
            if given.min() < 0.0 or given.max() > 1.0:
                raise InputError(
                    f"background.picture: expected reflectances from 0 to 1, found {given.min():g} to {given.max():g}"
                )
            return given
        if self.kind in ("plain", "hall"):
            return np.broadcast_to(np.float64(self.reflectance), shape)
        rng = np.random.default_rng(seed)
        picture = self._texture(shape, rng)
        if self.kind == "cluttered":
            self._lay_clutter(picture, rng)
        return np.asarray(np.clip(picture, 0.0, 1.0), dtype=np.float64)

    def _texture(self, shape: tuple[int, int], rng: np.random.Generator) -> Any:
        """Return smooth noise: random grids of 160, 80, ... 10 px, each half as strong as the one before."""
        height, width = shape
        total = np.zeros(shape, dtype=np.float32)
        for octave in range(5):
            step = 160 >> octave
            grid = rng.uniform(-1.0, 1.0, (height // step + 3, width // step + 3)).astype(np.float32)
            size = (grid.shape[1] * step, grid.shape[0] * step)
            fine = cv2.resize(grid, size, interpolation=cv2.INTER_CUBIC)
            total += np.float32(0.5**octave) * fine[step : step + height, step : step + width]
        spread = float(np.ptp(total)) or 1.0
        return self.reflectance + (self.contrast / spread) * total

    def _lay_clutter(self, picture: Any, rng: np.random.Generator) -> None:
        height, width = picture.shape
        count = round(self.clutter * height * width / (1280 * 720))
        for kind in rng.integers(0, 4, count):
            middle = rng.uniform(0.0, 1.0, 2) * (width, height)
            size = float(np.exp(rng.uniform(np.log(6.0), np.log(90.0))))
            if kind == 0:
                _draw_line(picture, middle, size, rng)
            elif kind == 1:
                _draw_polygon(picture, middle, size, rng)
            else:
                _draw_false_marker(picture, middle, size, rng)


def _fixed(points: Any) -> Any:
    return np.round(points * 2**_SHIFT).astype(np.int32).reshape(1, -1, 2)


def _draw_line(picture: Any, middle: Any, size: float, rng: np.random.Generator) -> None:
    ends = middle + np.outer([-1.0, 1.0], rng.normal(0.0, 2.0 * size, 2))
    grey = rng.uniform(0.0, 0.9)
    cv2.polylines(picture, _fixed(ends), False, grey, int(rng.integers(1, 6)), cv2.LINE_8, _SHIFT)


def _draw_polygon(picture: Any, middle: Any, size: float, rng: np.random.Generator) -> None:
    angles = np.sort(rng.uniform(0.0, 2.0 * np.pi, int(rng.integers(3, 7))))
    radii = size * rng.uniform(0.4, 1.0, angles.size)
    points = middle + radii[:, None] * np.column_stack([np.cos(angles), np.sin(angles)])
    cv2.fillPoly(picture, _fixed(points), rng.uniform(0.0, 0.9), cv2.LINE_8, _SHIFT)


def _draw_false_marker(picture: Any, middle: Any, size: float, rng: np.random.Generator) -> None:
    """Draw a dark square with a white margin whose 3 x 3 cells, or whose inside, are those of no family."""
    cells = int(rng.choice([1, 3]))
    art = np.zeros((cells + 2, cells + 2))
    art[1:-1, 1:-1] = rng.integers(0, 2, (cells, cells)) if cells > 1 else rng.uniform(0.0, 0.8)
    art = np.pad(art, 1, constant_values=1.0)
    angle = rng.uniform(0.0, 2.0 * np.pi)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]) @ np.diag(
        [1, rng.uniform(0.4, 1)]
    )
    dark, light = sorted(rng.uniform(0.0, 0.9, 2))
    for row, column in np.ndindex(art.shape):
        corners = np.array([[column, row], [column + 1, row], [column + 1, row + 1], [column, row + 1]], dtype=float)
        points = middle + (corners / len(art) - 0.5) * size @ turn.T
        cv2.fillPoly(picture, _fixed(points), float(light if art[row, column] else dark), cv2.LINE_8, _SHIFT)
