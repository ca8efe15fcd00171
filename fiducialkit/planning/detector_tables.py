"""What two detectors were measured to read, and how exactly they place corners: the table beside this file.

Each detector was run on exactly rendered markers on a grid over width and facing angle, and on lines over noise,
contrast, blur and smear that leave everything else as it is on the grid. Between the measured conditions the corner sd
is multiplied by each line's ratio for "fitted" (what smear adds is added in squares instead), by the worst one for
"stock", and the width at which half of the markers are read by each line's factor.
`tests/benchmarks/detector_tables.py` measured it. Where all change at once (24 random points, 2026-11-25) the chance is
off by .07 rms for "fitted" and .03 for "stock", the sd by 4 and 13 % in the median, 10 and 30 % in nine of ten.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray, IntArray
from fiducialkit.tables import Column, Table

FILE_NAME = "measured_detectors.csv"
MEASURED = Table(
    "measured_detectors",
    (
        Column("detector", "text", "fitted (this toolkit's) or stock (OpenCV's, sub-pixel)"),
        Column("factor", "text", "grid, or what was changed: noise, contrast, blur, smear"),
        Column("level", "float", "its level [grey levels, grey levels, px, px]; 0 on the grid"),
        Column("width_px", "float", "shorter way across the black square of 8 cells"),
        Column("facing_deg", "float", "between the marker's normal and the line of sight"),
        Column("trials", "int", "markers shown"),
        Column("found", "int", "markers read where they are"),
        Column("corner_sd_px", "float", "rms error per axis of their corners, pull included"),
        Column("pull_px", "float", "how far the middles of the edges lie inside, on average"),
        Column("shift_sd_px", "float", "sd of the mean of two opposite edges across them: they move the same way"),
        Column("size_sd_px", "float", "sd of how far both lie out, the pull taken off"),
        Column("turn_sd_px", "float", "sd of how far both ends are turned the same way"),
        Column("taper_sd_px", "float", "sd of how far they are turned against each other"),
        Column(
            "coupling", "float", "correlation of a pair's shift with the taper of the other pair, which sign by pair"
        ),
    ),
)
KINDS = ("shift_sd_px", "size_sd_px", "turn_sd_px", "taper_sd_px")
CELLS = 8.0  # of the family that was measured
_USUAL = {"noise": 2.0, "contrast": 150.0, "blur": 0.7, "smear": 0.0}
_BY_RATIO = ("noise", "contrast")  # levels that are interpolated in their logarithm
_NOTHING_PX = 4.0  # of width: nothing is read
_FEWEST_FOUND, _FEWEST_COUPLED = 20, 100
_LEAST_PULL = 0.25  # of the sd: less is chance


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What a picture is like: noise and contrast in grey levels, sd of the blur and length of the smear in px."""

    grey_sd: float = _USUAL["noise"]
    contrast_grey: float = _USUAL["contrast"]
    blur_px: float = _USUAL["blur"]
    smear_px: float = _USUAL["smear"]

    def level(self, factor: str) -> float:
        """Return the level of one factor as the table names it."""
        levels = {
            "noise": self.grey_sd,
            "contrast": self.contrast_grey,
            "blur": self.blur_px,
            "smear": self.smear_px,
        }
        return levels[factor]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Line:
    """One factor's levels (L,), factors of the readable width (L,), and ratios of sd and pull by width (L, W)."""

    is_by_ratio: bool
    levels: FloatArray
    width_factor: FloatArray
    sd_ratio: FloatArray
    pull_ratio: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredDetector:
    """One detector's table.

    Attributes
    ----------
    name : str
    width_px : ndarray, shape (W,)
        Of markers of 8 cells, the shorter way across. [px]
    facing_deg : ndarray, shape (A,)
    share_read, sd_px, pull : ndarray, shape (W, A)
        On the grid; `sd_px` is the rms error per axis with the pull in it, `pull` the inward part as a share of it.
    kinds : ndarray, shape (4, W, A)
        Sds of what two opposite edges do together, as a share of `sd_px`: shift (both the same way), size (both
        outwards, the pull taken off), turn (their ends the same way) and taper (their ends against each other).
    coupling : float
        Correlation of the second pair's shift with the first pair's taper; of the first's shift with the second's taper
        it is the negative. Mean over the grid.
    lines : dict of str to _Line
    """

    name: str
    width_px: FloatArray
    facing_deg: FloatArray
    share_read: FloatArray
    sd_px: FloatArray
    pull: FloatArray
    kinds: FloatArray
    coupling: float
    lines: dict[str, _Line]

    def chance(self, conditions: Conditions, width_px: FloatArray, facing_deg: FloatArray) -> FloatArray:
        """Return the chance that a marker of 8 cells is read, for widths and angles that broadcast."""
        factor = np.prod([_at_level(line, line.width_factor, conditions.level(n)) for n, line in self.lines.items()])
        width = np.asarray(width_px, dtype=np.float64) / factor
        first = np.zeros((1, len(self.facing_deg)))
        known = np.concatenate([first, self.share_read])
        return _bilinear(np.append(_NOTHING_PX, self.width_px), self.facing_deg, known, width, facing_deg)

    def corner_sd_px(self, conditions: Conditions, width_px: FloatArray, facing_deg: FloatArray) -> FloatArray:
        """Return the rms error per axis of the corners of a marker of 8 cells. [px]

        Beyond the largest width measured, "fitted" goes on as the straight edge has it, with the root of the width.
        """
        width = np.asarray(width_px, dtype=np.float64)
        plain = np.exp(_bilinear(self.width_px, self.facing_deg, np.log(self.sd_px), width, facing_deg))
        ratios = {name: self._sd_ratio(name, conditions, width) for name in self.lines}
        if self.name != "fitted":
            # a corner that is off by most of a cell is not read: hardships do not multiply, the worst one counts
            every = np.stack(list(ratios.values()))
            return np.asarray(plain * np.maximum(every.max(axis=0), 1.0) * np.minimum(every, 1.0).prod(axis=0))
        smear = ratios.pop("smear")
        sd = plain * np.prod(list(ratios.values()), axis=0)
        # what smear adds to a fit is a misfit: it does not grow with the noise of the pixels
        sd = np.sqrt(sd**2 + plain**2 * np.maximum(smear**2 - 1.0, 0.0))
        return np.asarray(sd / np.sqrt(np.maximum(width / self.width_px[-1], 1.0)))

    def _sd_ratio(self, name: str, conditions: Conditions, width_px: FloatArray) -> FloatArray:
        line = self.lines[name]
        ratio = _at_level(line, np.log(line.sd_ratio), conditions.level(name))
        return np.asarray(np.exp(np.interp(np.log(width_px), np.log(self.width_px), ratio)))

    def pull_px(self, conditions: Conditions, width_px: FloatArray, facing_deg: FloatArray) -> FloatArray:
        """Return how far the edges of a marker of 8 cells are placed inside where they are, on average. [px]"""
        share = _bilinear(self.width_px, self.facing_deg, self.pull, np.asarray(width_px, dtype=np.float64), facing_deg)
        for name, line in self.lines.items():
            ratio = _at_level(line, line.pull_ratio, conditions.level(name))
            share *= np.interp(np.log(width_px), np.log(self.width_px), ratio)
        return np.asarray(share * self.corner_sd_px(conditions, width_px, facing_deg))

    def kinds_px(self, conditions: Conditions, width_px: FloatArray, facing_deg: FloatArray) -> FloatArray:
        """Return the sds of shift, size, turn and taper of a pair of opposite edges, shape (4, ...). [px]"""
        width = np.asarray(width_px, dtype=np.float64)
        shares = [_bilinear(self.width_px, self.facing_deg, kind, width, facing_deg) for kind in self.kinds]
        return np.stack(shares) * self.corner_sd_px(conditions, width, facing_deg)


@cache
def measured_detector(name: str) -> MeasuredDetector:
    """Return the table of "fitted" or "stock"."""
    rows = measured_table()
    rows = rows[rows["detector"] == name]
    grid = rows[rows["factor"] == "grid"]
    read = grid.assign(share=grid["found"] / grid["trials"])
    share, sd, pull, *kinds = (
        read.pivot_table(index="width_px", columns="facing_deg", values=value, dropna=False)
        for value in ("share", "corner_sd_px", "pull_px", *KINDS)
    )
    width, facing = share.index.to_numpy(dtype=np.float64), share.columns.to_numpy(dtype=np.float64)
    sd_px = _filled(sd.to_numpy())
    return MeasuredDetector(
        name=name,
        width_px=width,
        facing_deg=facing,
        share_read=share.to_numpy(dtype=np.float64),
        sd_px=sd_px,
        pull=_filled(pull.to_numpy()) / sd_px,
        kinds=np.stack([_filled(kind.to_numpy()) for kind in kinds]) / sd_px,
        coupling=float(grid["coupling"][grid["found"] >= _FEWEST_COUPLED].mean()),
        lines={factor: _line(rows, factor, width) for factor in _USUAL},
    )


def measured_table() -> pd.DataFrame:
    """Return the rows as measured, `MEASURED`."""
    text = resources.files("fiducialkit.planning").joinpath(FILE_NAME).read_text(encoding="utf-8")
    return MEASURED.checked(pd.read_csv(io.StringIO(text), comment="#"))


def provenance() -> str:
    """Return by what command, when and with which versions the table was measured."""
    text = resources.files("fiducialkit.planning").joinpath(FILE_NAME).read_text(encoding="utf-8")
    return "\n".join(line.removeprefix("# ") for line in text.splitlines() if line.startswith("#"))


def _line(rows: pd.DataFrame, factor: str, width_px: FloatArray) -> _Line:
    """Return one factor's line; its usual level stands on the grid, at the angle of the line."""
    changed = rows[rows["factor"] == factor]
    usual = rows[(rows["factor"] == "grid") & (rows["facing_deg"] == changed["facing_deg"].iloc[0])]
    levels = sorted({*changed["level"].tolist(), _USUAL[factor]})
    parts = [usual if level == _USUAL[factor] else changed[changed["level"] == level] for level in levels]
    half = np.array([_half_read_px(part) for part in parts])
    place = levels.index(_USUAL[factor])
    sd = np.array([_by_width(part, "corner_sd_px", width_px) for part in parts])
    pull = np.array([_by_width(part, "pull_px", width_px) for part in parts]) / sd
    is_pulled = np.abs(pull[place]) > _LEAST_PULL
    return _Line(
        is_by_ratio=factor in _BY_RATIO,
        levels=np.array(levels),
        width_factor=half / half[place],
        sd_ratio=_held(sd / sd[place]),
        pull_ratio=_held(np.clip(np.where(is_pulled, pull / np.where(is_pulled, pull[place], 1.0), 1.0), 0.0, 2.0)),
    )


def _half_read_px(part: pd.DataFrame) -> float:
    """Return the width at which half of the markers are read. [px]"""
    part = part.sort_values("width_px")
    share = np.maximum.accumulate(np.append(0.0, part["found"] / part["trials"]))
    width = np.log(np.append(_NOTHING_PX, part["width_px"]))
    above = int(np.argmax(share >= 0.5)) if (share >= 0.5).any() else len(share) - 1
    step = share[above] - share[above - 1]
    part_way = np.clip((0.5 - share[above - 1]) / step, 0.0, 1.0) if step > 0.0 else 1.0
    return float(np.exp(width[above - 1] + part_way * (width[above] - width[above - 1])))


def _by_width(part: pd.DataFrame, column: str, width_px: FloatArray) -> FloatArray:
    """Return the column at the widths, NaN where too few markers were found."""
    known = part[part["found"] >= _FEWEST_FOUND].set_index("width_px")[column]
    return np.asarray(known.reindex(width_px).to_numpy(dtype=np.float64))


def _held(values: FloatArray) -> FloatArray:
    """Return (L, W) with each gap closed from the nearest width that has a number, the larger first."""
    return np.asarray(pd.DataFrame(values).bfill(axis=1).ffill(axis=1).fillna(1.0).to_numpy(dtype=np.float64))


def _filled(values: FloatArray) -> FloatArray:
    """Return (W, A) with each gap closed by the next larger width that has a number."""
    return np.asarray(pd.DataFrame(values).bfill().ffill().to_numpy(dtype=np.float64))


def _at_level(line: _Line, values: FloatArray, level: float) -> FloatArray:
    """Return the line's values, (L,) or (L, W), between its levels; held at its ends."""
    levels = line.levels
    if line.is_by_ratio:
        levels, level = np.log(levels), float(np.log(level))
    index, share = _place(levels, np.array(level))
    return np.asarray((1.0 - share) * values[index] + share * values[index + 1])


def _bilinear(
    width_px: FloatArray, facing_deg: FloatArray, values: FloatArray, at_px: FloatArray, at_deg: FloatArray
) -> FloatArray:
    """Return values (W, A) between widths, in their logarithm, and angles; held at the ends."""
    widths, angles = np.broadcast_arrays(np.asarray(at_px, dtype=np.float64), np.asarray(at_deg, dtype=np.float64))
    row, down = _place(np.log(width_px), np.log(np.maximum(widths, 1e-3)))
    column, across = _place(facing_deg, angles)
    upper = (1.0 - across) * values[row, column] + across * values[row, column + 1]
    lower = (1.0 - across) * values[row + 1, column] + across * values[row + 1, column + 1]
    return np.asarray((1.0 - down) * upper + down * lower)


def _place(knots: FloatArray, at: FloatArray) -> tuple[IntArray, FloatArray]:
    index = np.asarray(np.clip(np.searchsorted(knots, at, side="right") - 1, 0, len(knots) - 2), dtype=np.int64)
    return index, np.clip((at - knots[index]) / (knots[index + 1] - knots[index]), 0.0, 1.0)
