"""What the detector is told, by name and unit, and the presets."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from fiducialkit.errors import InputError

REFINEMENTS = ("fitted", "subpixel", "edges")


@dataclass(frozen=True, slots=True, kw_only=True)
class DetectorSettings:
    """What the detector is told, by name and unit.

    Attributes
    ----------
    refinement : {"fitted", "subpixel", "edges"}
        How corners are placed: by a fit of the marker's whole pattern (`imaging.refinement`); by OpenCV's sub-pixel
        corners; or where the straight lines of the four edges meet.
    windows_px : tuple of int
        For faint, small and blurred squares: sides of the windows of the adaptive threshold; a pixel is dark that is
        dark by one of them. Odd, 3 or more. [px]
    darker_by_grey : float
        How much darker than the mean of its window a pixel must be to count as dark, and ... [grey levels]
    darker_by_noise_sd : float
        ... how much more, in sd of the picture's own noise.
    clear_windows_px : tuple of int
        For clear squares close to other things: sides of further windows, each looked through apart from all others.
        May be empty. [px]
    clear_by_grey : float
        How much darker a pixel must be there. [grey levels]
    smallest_side_px : float
        Squares with a shorter side are not looked at. [px]
    windows_cells : (float, float)
        For "subpixel": half sides of a larger and a smaller window, in cells of the marker at hand measured the
        shorter way across it. The larger is more exact, but one that reaches into the code or past the white margin
        finds another corner: where the two disagree by more than 0.3 px, the smaller counts.
    window_px : (int, int)
        For "subpixel": smallest and largest half side of those windows. [px]
    """

    refinement: str = "fitted"
    windows_px: tuple[int, ...] = (3, 9)
    darker_by_grey: float = 2.0
    darker_by_noise_sd: float = 0.8
    clear_windows_px: tuple[int, ...] = (3, 9)
    clear_by_grey: float = 7.0
    smallest_side_px: float = 4.0
    windows_cells: tuple[float, float] = (0.6, 0.3)
    window_px: tuple[int, int] = (2, 5)

    def __post_init__(self) -> None:
        if not isinstance(self.refinement, str) or self.refinement not in REFINEMENTS:
            raise InputError(f"refinement: expected {' or '.join(REFINEMENTS)} by name, found {self.refinement!r}")
        for name, sides in (("windows_px", self.windows_px), ("clear_windows_px", self.clear_windows_px)):
            if sides or name == "windows_px":
                _check_numbers(name, sides, least=3, is_whole=True)
            if not all(side % 2 for side in sides):
                raise InputError(f"{name}: expected odd numbers, found {sides}")
        _check_numbers("clear_by_grey", (self.clear_by_grey,), count=1, least=1)
        _check_numbers("darker_by_grey", (self.darker_by_grey,), count=1, least=1)
        _check_numbers("darker_by_noise_sd", (self.darker_by_noise_sd,), count=1, least=0)
        _check_numbers("smallest_side_px", (self.smallest_side_px,), count=1, least=4.0)
        _check_numbers("windows_cells", self.windows_cells, count=2, least=0.05)
        _check_numbers("window_px", self.window_px, count=2, least=1, is_whole=True)
        if self.windows_cells[1] > self.windows_cells[0]:
            raise InputError(f"windows_cells: expected the larger, then the smaller, found {self.windows_cells}")
        if self.window_px[0] > self.window_px[1]:
            raise InputError(f"window_px: expected the smaller, then the larger, found {self.window_px}")


def _check_numbers(name: str, values: Any, *, least: float, count: int | None = None, is_whole: bool = False) -> None:
    kind = int if is_whole else int | float
    fits = isinstance(values, tuple) and len(values) == (len(values) or 1 if count is None else count)
    if not fits or not all(isinstance(v, kind) and not isinstance(v, bool) and least <= v < math.inf for v in values):
        number = "whole number" if is_whole else "number"
        wanted = f"a {number}" if count == 1 else f"{'' if count is None else f'{count} '}{number}s"
        raise InputError(
            f"{name}: expected {wanted}, at least {least:g}, found {values[0] if count == 1 else values!r}"
        )


PRESETS = {
    "full range": DetectorSettings(),
    "quick look": DetectorSettings(refinement="edges", windows_px=(9,), clear_windows_px=(3,)),
}
DEFAULT_PRESET = "full range"


def checked_preset(preset: str | DetectorSettings) -> DetectorSettings:
    """Return the settings of that name."""
    if isinstance(preset, DetectorSettings):
        return preset
    if not isinstance(preset, str) or preset not in PRESETS:
        raise InputError(f"preset: expected {' or '.join(PRESETS)} by name, found {preset!r}")
    return PRESETS[preset]
