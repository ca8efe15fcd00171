"""How drawings look: one palette, one set of sizes, figures without windows or global state."""

from __future__ import annotations

import io
import warnings

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

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


def plain(text: str) -> str:
    """Return a name as matplotlib shows it letter by letter: no formulas, no hidden legend entries, one line."""
    text = " ".join(str(text).split()).replace("$", r"\$")
    return f" {text}" if text.startswith("_") else text


def short(text: str, letters: int) -> str:
    """Return a name as `plain` does, cut to a number of letters where two dots show the cut."""
    text = " ".join(str(text).split())
    return plain(text if len(text) <= letters else text[: letters - 2] + "..")


def new_figure(width_in: float, height_in: float) -> Figure:
    """Return an empty figure that belongs to no window."""
    figure = Figure(figsize=(width_in, height_in), dpi=DOTS_PER_INCH, layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def new_panels(rows: int, columns: int, width_in: float, height_in: float) -> tuple[Figure, list[Axes]]:
    """Return a figure and its panels, row by row."""
    figure = new_figure(width_in, height_in)
    grid = figure.subplots(rows, columns, squeeze=False)
    return figure, [ax for row in np.asarray(grid) for ax in row]


def dressed(ax: Axes, *, title: str = "", x_label: str = "", y_label: str = "") -> Axes:
    """Return `ax` with its labels and quiet frame."""
    ax.set_title(plain(title), fontsize=TITLE_PT, color=INK, loc="left")
    ax.set_xlabel(x_label, fontsize=LABEL_PT, color=INK)
    ax.set_ylabel(y_label, fontsize=LABEL_PT, color=INK)
    ax.tick_params(labelsize=TICK_PT, colors=SOFT, labelcolor=INK, length=3)
    for side, spine in ax.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set_color(SOFT)
    return ax


def png_bytes(figure: Figure) -> bytes:
    """Return the figure as PNG. A letter the font lacks becomes a box, silently."""
    stream = io.BytesIO()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        # straight from the canvas: `savefig` would draw everything once more before
        FigureCanvasAgg(figure).print_png(stream, metadata={"Software": None})  # type: ignore[no-untyped-call]
    return stream.getvalue()
