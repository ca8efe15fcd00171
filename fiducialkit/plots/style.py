"""How drawings look: one palette, one set of sizes, figures without windows or global state."""

from __future__ import annotations

import math
import struct
import warnings
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.markers import TICKDOWN, TICKLEFT
from matplotlib.ticker import NullLocator

from fiducialkit.arrays import ByteArray

INK = "#22303c"
SOFT = "#6b7884"
FAINT = "#dde3e8"
WARNING = "#b3261e"
SHARES = "viridis"  # even in lightness and readable with any colour vision
# Neighbours differ in lightness as well as hue, so that they stay apart in grey and for colour-blind readers.
LINE_COLOURS = ("#0b4f8a", "#e08214", "#2f9e77", "#7b2d68", "#d0c81e", "#14181c", "#7cc4f0", "#a0603a")
LINE_DASHES: tuple[tuple[int, tuple[float, ...]], ...] = (
    (0, ()),
    (0, (6, 2)),
    (0, (2, 1.5)),
    (0, (7, 2, 1.5, 2)),
    (0, (4, 1.5)),
    (0, (1, 1.5)),
    (0, (9, 2, 3, 2)),
    (0, (3, 2, 1, 2)),
)
LARGEST_LINE_COUNT = len(LINE_COLOURS)
TITLE_PT, LABEL_PT, TICK_PT, SMALL_PT = 11.0, 9.5, 8.5, 7.5
DOTS_PER_INCH = 130
PAGE_WIDTH_IN = 10.0
_PACKING = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Margins:
    """Free space round a figure's panels, and between them across and down. [in]"""

    left: float
    right: float
    bottom: float
    top: float
    across: float = 0.0
    down: float = 0.0


def plain(text: str) -> str:
    """Return a name as matplotlib shows it letter by letter: no formulas, no hidden legend entries, one line."""
    text = " ".join(str(text).split()).replace("$", r"\$")
    return f" {text}" if text.startswith("_") else text


def short(text: str, letters: int) -> str:
    """Return a name as `plain` does, cut to a number of letters where two dots show the cut."""
    text = " ".join(str(text).split())
    return plain(text if len(text) <= letters else text[: letters - 2] + "..")


def whole_percent(share: float) -> str:
    """Return whole per cent; what is not quite sure does not read 100, what is not quite hopeless not 0."""
    if math.isnan(share):
        return "-"
    if 0.995 <= share < 1.0:
        return ">99"
    return "<1" if 0.0 < share < 0.005 else f"{100 * share:.0f}"


def new_figure(width_in: float, height_in: float, *, fitted: bool = True) -> Figure:
    """Return an empty figure that belongs to no window; `fitted` round labels as it is drawn, or placed by hand."""
    layout: Any = "constrained" if fitted else None
    figure = Figure(figsize=(width_in, height_in), dpi=DOTS_PER_INCH, layout=layout, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def new_panels(
    rows: int, columns: int, width_in: float, height_in: float, *, margins: Margins | None = None
) -> tuple[Figure, list[Axes]]:
    """Return a figure and its panels, row by row.

    With `margins` the panels stand where these say. Without, they are fitted round their labels as the figure is drawn,
    which costs as much as drawing it twice.
    """
    figure = new_figure(width_in, height_in, fitted=margins is None)
    if margins is not None:
        place_panels(figure, rows, columns, margins)
    grid = figure.subplots(rows, columns, squeeze=False)
    return figure, [ax for row in np.asarray(grid) for ax in row]


def place_panels(figure: Figure, rows: int, columns: int, margins: Margins) -> None:
    """Leave the figure's margins, and gaps between its panels, free."""
    width, height = figure.get_size_inches()
    wide = (width - margins.left - margins.right - (columns - 1) * margins.across) / columns
    high = (height - margins.top - margins.bottom - (rows - 1) * margins.down) / rows
    figure.subplots_adjust(
        left=margins.left / width,
        right=1.0 - margins.right / width,
        bottom=margins.bottom / height,
        top=1.0 - margins.top / height,
        wspace=margins.across / wide,
        hspace=margins.down / high,
    )


def text_width_in(figure: Figure, texts: Sequence[str], size_pt: float) -> float:
    """Return the width of the longest of some texts. [in]"""
    renderer: Any = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]
    font = FontProperties(size=size_pt)
    widths = [renderer.get_text_width_height_descent(text, font, False)[0] for text in texts]
    return max(widths, default=0.0) / figure.dpi


def dressed(ax: Axes, *, title: str = "", x_label: str = "", y_label: str = "") -> Axes:
    """Return `ax` with its labels and quiet frame."""
    # a stated height: matplotlib would measure every label of the panel to find it
    ax.set_title(plain(title), fontsize=TITLE_PT, color=INK, loc="left", y=1.0)
    ax.set_xlabel(x_label, fontsize=LABEL_PT, color=INK)
    ax.set_ylabel(y_label, fontsize=LABEL_PT, color=INK)
    ax.tick_params(labelsize=TICK_PT, colors=SOFT, labelcolor=INK, length=3)
    for side, spine in ax.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set_color(SOFT)
    return ax


def bare_axis(ax: Axes, name: Literal["x", "y"]) -> None:
    """Leave out an axis' numbers: its marks and grid lines become one line each, to be called when limits are set.

    Every tick of matplotlib's own is five objects, whether it is labelled or not, and costs a millisecond.
    """
    axis = ax.xaxis if name == "x" else ax.yaxis
    ax.apply_aspect()  # how many ticks have room hangs on the panel's size
    low, high = sorted(axis.get_view_interval())
    places = np.asarray(axis.get_majorticklocs(), dtype=np.float64)
    places = places[(places >= low) & (places <= high)]
    has_grid = bool(axis.get_major_ticks(1)[0].gridline.get_visible())
    axis.set_major_locator(NullLocator())
    ends, across = (0.0, 1.0), ax.get_xaxis_transform() if name == "x" else ax.get_yaxis_transform()
    marker = TICKDOWN if name == "x" else TICKLEFT
    start = np.zeros(len(places))
    ax.plot(
        *((places, start) if name == "x" else (start, places)), linestyle="none", marker=marker, markersize=3.0,
        markeredgewidth=0.8, color=SOFT, transform=across, clip_on=False, zorder=1.5, scalex=False, scaley=False,
    )  # fmt: skip
    if has_grid:
        along = np.repeat(places, 3)
        along[2::3] = np.nan
        line = np.tile([*ends, np.nan], len(places))
        ax.plot(
            *((along, line) if name == "x" else (line, along)), color=FAINT, linewidth=0.6, transform=across,
            zorder=1.5, scalex=False, scaley=False,
        )  # fmt: skip


def png_bytes(figure: Figure) -> bytes:
    """Return the figure as PNG. A letter the font lacks becomes a box, silently."""
    # straight from the canvas: `savefig` would draw everything once more before
    canvas: Any = FigureCanvasAgg(figure)
    with quiet_about_letters():
        canvas.draw()
    return png_of_pixels(np.asarray(canvas.buffer_rgba()), figure.dpi)


@contextmanager
def quiet_about_letters() -> Iterator[None]:
    """Let a letter that the font lacks become a box without a word."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        yield


def png_of_pixels(pixels: ByteArray, dots_per_inch: float) -> bytes:
    """Return opaque pixels (h, w, 3 or more: red, green, blue) as PNG.

    Every row is stored as it is ("filter type" 0): drawings are flat areas with sharp edges, which are packed best so,
    and three times as fast as after trying the five ways of storing each row.

    References
    ----------
    Portable Network Graphics (PNG) Specification, third edition, W3C 2025.
    """
    height, width = pixels.shape[:2]
    rows = np.zeros((height, 1 + 3 * width), dtype=np.uint8)
    for channel in range(3):
        rows[:, 1 + channel :: 3] = pixels[:, :, channel]
    per_metre = round(dots_per_inch / 0.0254)
    chunks = (
        (b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)),  # eight bits each of red, green, blue
        (b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1)),
        (b"IDAT", zlib.compress(rows.tobytes(), _PACKING)),
        (b"IEND", b""),
    )
    framed = (
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data)) for name, data in chunks
    )
    return b"\x89PNG\r\n\x1a\n" + b"".join(framed)
