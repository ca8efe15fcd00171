"""Why nothing was found in a picture, by evidence, the surest first."""

from __future__ import annotations

import numpy as np
from scipy.special import pdtrc

from fiducialkit.arrays import ByteArray, FloatArray
from fiducialkit.imaging.codes_without_margin import squares_round_codes
from fiducialkit.imaging.decoding import chance_of_random_square, decode_squares
from fiducialkit.imaging.detector_settings import DetectorSettings
from fiducialkit.imaging.sharpness import edge_blur_px, grey_range
from fiducialkit.imaging.squares import find_squares, noise_sd_grey, squares_at_edges, widths_px
from fiducialkit.scene.markers import MarkerFamily, family_names, marker_family

_SURE = 1e-3  # chance left to random squares
_BORDERS = (1, 2, 3, 4)
_MOST_SQUARES = 300  # largest first; enough for evidence, and time stays bounded
_LIKE_A_MARKER_BITS = 1.5
_READABLE_CELL_PX = 1.15
_TOLD_BY_ONE = 1e-6
_BLURRED_PX = 2.0
_BITS_WITHOUT_MARGIN = 2
_FAINT_GREY = 25.0
_DARK_GREY = 40.0


def why_nothing(
    grey: ByteArray, squares_px: FloatArray, family: MarkerFamily, border_cells: int, settings: DetectorSettings
) -> str:
    """Return why a picture shows no marker, as far as that can be told; nothing of it is ever used as a marker.

    A reading counts as evidence where random squares, as many as look like markers here, would give as many with a
    chance below 0.1 %. In this order: mirrored, white on black, another family, another border, no white margin; then
    what the picture and the squares look like: blurred, too small, dark or faint.

    Parameters
    ----------
    grey : ndarray of uint8, shape (h, w)
    squares_px : ndarray, shape (N, 4, 2)
        What `find_squares` gave.
    family : MarkerFamily
    border_cells : int
    settings : DetectorSettings
    """
    squares_px = squares_px[np.argsort(-widths_px(squares_px))[:_MOST_SQUARES]]
    return (
        _turned_about(grey, family, border_cells, settings)
        or _another_family(grey, squares_px, family, border_cells)
        or _another_border(grey, squares_px, family, border_cells)
        or _no_margin(grey, family, border_cells, settings)
        or _squares_and_picture(grey, squares_px, family, border_cells)
    )


def _turned_about(grey: ByteArray, family: MarkerFamily, border_cells: int, settings: DetectorSettings) -> str:
    flipped = np.ascontiguousarray(grey[:, ::-1])
    if _is_read(flipped, find_squares(flipped, settings), family, border_cells):
        return f"the picture is mirrored: turned about left to right it shows markers of {family.name}"
    inverted = np.subtract(255, grey, dtype=np.uint8)
    if _is_read(inverted, find_squares(inverted, settings), family, border_cells):
        return f"the markers are white on black: with grey levels reversed they are {family.name}"
    return ""


def _is_read(grey: ByteArray, squares_px: FloatArray, family: MarkerFamily, border_cells: int) -> bool:
    return _chance(grey, squares_px, family, border_cells)[0] < _SURE


def _chance(
    grey: ByteArray, squares_px: FloatArray, family: MarkerFamily, border_cells: int, bits: int | None = None
) -> tuple[float, int]:
    """Return how probably random squares would be read as often as these, 1 if none is read, and how many are."""
    bits = min(1, family.correction_bits) if bits is None else bits
    at_edges = squares_at_edges(grey, squares_px[:_MOST_SQUARES], family.cells(border_cells))
    readings = decode_squares(
        grey, at_edges, family, border_cells=border_cells, bits=bits, most_own_bits=_LIKE_A_MARKER_BITS
    )
    count = int(readings.is_read.sum())
    tried = int((readings.own_bits <= _LIKE_A_MARKER_BITS).sum())
    expected = tried * chance_of_random_square(family, bits)
    return chance_of_at_least(count, expected), count


def chance_of_at_least(count: int, expected: float) -> float:
    """Return the chance of that many or more where so many are expected, independent of each other (Poisson)."""
    # scipy.stats has it too, and takes half a second to import
    return float(pdtrc(count - 1, expected)) if count > 0 else 1.0


def _another_family(grey: ByteArray, squares_px: FloatArray, family: MarkerFamily, border_cells: int) -> str:
    """Return the family that reads most of the squares; of several, the smallest, whose ids the others share."""
    best, most = "", (0, 0)
    for name in family_names():
        other = marker_family(name)
        if other == family:
            continue
        chance, count = _chance(grey, squares_px, other, border_cells, bits=0)
        # among so many families one square alone tells only where codes are long: clutter is less random than dice
        is_told = count > 1 or chance_of_random_square(other, 0) < _TOLD_BY_ONE
        if is_told and chance < _SURE and (count, -other.size) > most:
            best, most = name, (count, -other.size)
    return f"the markers are of another family: {best} ({most[0]} read)" if best else ""


def _another_border(grey: ByteArray, squares_px: FloatArray, family: MarkerFamily, border_cells: int) -> str:
    for cells in _BORDERS:
        if cells != border_cells and _is_read(grey, squares_px, family, cells):
            wide = "1 cell" if cells == 1 else f"{cells} cells"
            return f"the markers of {family.name} have a black border of {wide}, not of {border_cells}"
    return ""


def _no_margin(grey: ByteArray, family: MarkerFamily, border_cells: int, settings: DetectorSettings) -> str:
    squares = squares_round_codes(grey, family.code_cells, border_cells, settings.smallest_side_px)
    bits = min(_BITS_WITHOUT_MARGIN, family.correction_bits)
    readings = decode_squares(grey, squares, family, border_cells=border_cells, bits=bits)
    expected = len(squares) * chance_of_random_square(family, bits)
    count = int(readings.is_read.sum())
    if chance_of_at_least(count, expected) < _SURE:
        return f"markers of {family.name} stand on black without a white margin: they need one of a cell or more"
    return ""


def _squares_and_picture(grey: ByteArray, squares_px: FloatArray, family: MarkerFamily, border_cells: int) -> str:
    cells = family.cells(border_cells)
    at_edges = squares_at_edges(grey, squares_px, cells)
    widths = widths_px(at_edges)
    low, high = grey_range(grey)
    blur = np.nanmax([*edge_blur_px(grey, noise_sd_grey(grey)), 0.0])
    count = len(widths)
    said = f"squares found ({count}), but none carries a code of {family.name}" if count else "no square found"
    if blur > _BLURRED_PX:
        return f"{said}: the picture is blurred, its sharpest edges over an sd of {blur:.1f} px"
    if count and widths.max() < _READABLE_CELL_PX * cells:
        return f"{said}: the largest is {widths.max():.0f} px, and a marker needs about {_READABLE_CELL_PX * cells:.0f}"
    if high - low < _FAINT_GREY:
        dark = "dark" if high < _DARK_GREY else "faint"
        return f"{said}: the picture is {dark}, with grey levels from {low:.0f} to {high:.0f}"
    return said
