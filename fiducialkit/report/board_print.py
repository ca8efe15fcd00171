"""A calibration board on paper at true scale: PDF, SVG and PNG of one layout in millimetres.

The layout is a list of black rectangles and texts with its origin at the sheet's top left, y down. Beside the pattern
stand a ruler of stated length, a place to write its measured length, and what to do with the sheet. The PDF is written
here, operator by operator (ISO 32000-1, sections 8.4-8.5 and 9.6), so that no library rounds or scales it.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from typing import Literal
from xml.sax.saxutils import escape

import cv2
import numpy as np

from fiducialkit.arrays import ByteArray, FloatArray
from fiducialkit.errors import InputError
from fiducialkit.scene.boards import Board
from fiducialkit.scene.markers import MarkerFamily

MM = 1000.0
POINTS_PER_MM = 72.0 / 25.4
# ISO 216 and ANSI/ASME Y14.1 sizes, width by height
PAPERS_MM = {
    "A5": (148.0, 210.0), "A4": (210.0, 297.0), "A3": (297.0, 420.0), "A2": (420.0, 594.0), "A1": (594.0, 841.0),
    "A0": (841.0, 1189.0), "Letter": (215.9, 279.4), "Legal": (215.9, 355.6), "Tabloid": (279.4, 431.8),
}  # fmt: skip
EDGE_MM = 5.0  # most printers leave so much of each edge white
_FOOT_MM = 24.0  # below the pattern: ruler and words
_RULER_MM = 100.0
_LARGEST_MM = 5000.0
_TEXT_MM = 2.9
ADVICE = (
    "Print at 100 % ('actual size'), not 'fit to page'. Measure the ruler, note its length here and in the board file.",
    "Glue the sheet flat on something stiff (glass, aluminium, thick foam board), no bubbles; keep the white margin.",
)


@dataclass(frozen=True, slots=True)
class Text:
    """Words at the left end of their base line. [mm]"""

    x: float
    y: float
    size: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """What is printed.

    Attributes
    ----------
    width, height : float
        Of the paper. [mm]
    rectangles : ndarray, shape (N, 4)
        Black: left, top, width, height. [mm]
    texts : tuple of Text
    ruler_mm : float
        Stated length of the ruler.
    origin_mm : (float, float)
        Where the board's origin, the top left corner of its pattern, is on the paper.
    """

    width: float
    height: float
    rectangles: FloatArray
    texts: tuple[Text, ...]
    ruler_mm: float
    origin_mm: tuple[float, float]


def paper_size(paper: str) -> tuple[float, float]:
    """Return width and height of a paper by its name, upright, or of one given like ``300x200`` in mm, as given."""
    named = {name.casefold(): size for name, size in PAPERS_MM.items()}
    if paper.casefold() in named:
        return named[paper.casefold()]
    across, _, down = paper.lower().partition("x")
    try:
        size = (float(across), float(down))
    except ValueError:
        size = (0.0, 0.0)
    if not all(20.0 <= each <= _LARGEST_MM for each in size):
        raise InputError(f"paper: expected {', '.join(PAPERS_MM)} or a size in mm like 300x200, found '{paper}'")
    return size


def board_sheet(board: Board, paper: str = "A4") -> Sheet:
    """Return the layout of a board on a paper, turned to lie if it fits only so.

    Raises
    ------
    InputError
        If the board does not fit, naming the largest square that would.
    """
    width, height = _fitting(board, paper)
    pattern = np.array(board.size_m) * MM
    left = (width - pattern[0]) / 2.0
    margin = float(board.margin_m or 0.0) * MM
    top = EDGE_MM + margin + (height - 2 * EDGE_MM - _FOOT_MM - 2 * margin - pattern[1]) / 2.0
    ruler_mm = float(min(_RULER_MM, 10.0 * np.floor((width - 2 * EDGE_MM - 4.0) / 10.0)))
    rectangles = [_pattern(board, left, top), _ruler(ruler_mm, EDGE_MM + 2.0, height - EDGE_MM - 17.0)]
    texts = _words(board, ruler_mm, (width, height))
    return Sheet(
        width=width, height=height, rectangles=np.concatenate(rectangles), texts=tuple(texts), ruler_mm=ruler_mm,
        origin_mm=(left, top),
    )  # fmt: skip


def _fitting(board: Board, paper: str) -> tuple[float, float]:
    """Return width and height of the paper the way round that the board fits."""
    size = paper_size(paper)
    margin = float(board.margin_m or 0.0) * MM
    needed = np.array(board.size_m) * MM + 2.0 * margin + [2 * EDGE_MM, 2 * EDGE_MM + _FOOT_MM]
    for width, height in (size, size[::-1]):
        if needed[0] <= width + 1e-9 and needed[1] <= height + 1e-9:
            return width, height
    taken = (2 * EDGE_MM, 2 * EDGE_MM + _FOOT_MM)
    share = max(
        min((w - taken[0]) / (needed[0] - taken[0]), (h - taken[1]) / (needed[1] - taken[1]))
        for w, h in (size, size[::-1])
    )  # fmt: skip
    square = board.square_m * MM * max(share, 0.0)
    raise InputError(
        f"paper: expected room for {needed[0]:.0f} x {needed[1]:.0f} mm (pattern, white margin, ruler), found {paper}; "
        f"squares of {np.floor(square * 10.0) / 10.0:.1f} mm would fit, or a larger paper"
    )


def _pattern(board: Board, left: float, top: float) -> FloatArray:
    """Return the black parts of the pattern, runs of cells in a row joined. [mm]"""
    white, x_edges, y_edges = board.artwork()
    x, y = x_edges * MM + left, y_edges * MM + top
    found = []
    for row, cells in enumerate(white):
        edges = np.flatnonzero(np.diff(np.concatenate([[True], cells, [True]]).astype(np.int8)))
        for start, stop in edges.reshape(-1, 2):
            found.append([x[start], y[row], x[stop] - x[start], y[row + 1] - y[row]])
    return _joined(np.array(found).reshape(-1, 4))


def _joined(rectangles: FloatArray) -> FloatArray:
    """Return rectangles with those joined that stand exactly below each other: no hairlines between rows."""
    joined: list[list[float]] = []
    last: dict[tuple[float, float], int] = {}
    for x, y, w, h in rectangles.tolist():
        key = (round(x, 6), round(w, 6))
        above = last.get(key)
        if above is not None and abs(joined[above][1] + joined[above][3] - y) < 1e-6:
            joined[above][3] = y + h - joined[above][1]
        else:
            last[key] = len(joined)
            joined.append([x, y, w, h])
    return np.array(joined).reshape(-1, 4)


def _ruler(length: float, x: float, y: float) -> FloatArray:
    """Return a ruler whose outer edges of the first and last mark are `length` apart. [mm]"""
    thin = 0.2
    marks = [[x, y - thin, length, thin]]
    for at in np.arange(0.0, length + 0.5):
        tall = 5.0 if at % 10 == 0 else 3.5 if at % 5 == 0 else 2.0
        left = x + at - thin * at / length  # the last mark ends where the ruler ends
        marks.append([left, y - tall, thin, tall])
    return np.array(marks)


def _words(board: Board, ruler_mm: float, paper: tuple[float, float]) -> list[Text]:
    x, y = EDGE_MM + 2.0, paper[1] - EDGE_MM - 13.0
    unit = _TEXT_MM
    texts = [
        Text(x, y, unit, f"0 ... {ruler_mm:g} mm between the outer ends of this ruler.   Measured: ____________ mm")
    ]
    texts += [
        Text(x, y + (1 + k) * 1.35 * unit, unit * _shrunk(line, unit, paper), line) for k, line in enumerate(ADVICE)
    ]
    described = describe(board)
    texts.append(Text(x, y + 3 * 1.35 * unit, unit * _shrunk(described, unit, paper), described))
    return texts


def _shrunk(line: str, size: float, paper: tuple[float, float]) -> float:
    """Return the factor that keeps a line inside the paper; a letter is about half as wide as its size."""
    return min(1.0, (paper[0] - 2 * EDGE_MM - 4.0) / (0.5 * size * len(line)))


def describe(board: Board) -> str:
    """Return what the board is in one line, with everything a program needs to know."""
    text = f"{board.kind}, {board.squares_across} x {board.squares_down}, "
    text += f"{'step' if board.kind == 'marker grid' else 'square'} {board.square_m * MM:g} mm"
    if isinstance(board.family, MarkerFamily):
        first, last = board.marker_ids[0], board.marker_ids[-1]
        text += f", marker {float(board.marker_m or 0.0) * MM:g} mm, {board.family.name}, ids {first} to {last}"
    return text + (", old pattern" if board.is_legacy else "")


def sheet_pdf(sheet: Sheet) -> bytes:
    """Return the sheet as a PDF of one page of exactly its size."""
    k = POINTS_PER_MM
    lines = ["0 g"]
    for x, y, w, h in sheet.rectangles.tolist():
        lines.append(f"{x * k:.5f} {(sheet.height - y - h) * k:.5f} {w * k:.5f} {h * k:.5f} re")
    lines.append("f")
    for text in sheet.texts:
        words = text.words.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")
        place = f"{text.x * k:.4f} {(sheet.height - text.y) * k:.4f} Td"
        lines.append(f"BT /F1 {text.size * k:.3f} Tf {place} ({words}) Tj ET")
    content = zlib.compress("\n".join(lines).encode("latin-1", "replace"))
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {sheet.width * k:.5f} {sheet.height * k:.5f}] /Contents 4 0 R "
        "/Resources << /Font << /F1 5 0 R >> >> >>".encode(),
        f"<< /Length {len(content)} /Filter /FlateDecode >>\nstream\n".encode() + content + b"\nendstream",
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>",
    ]
    return _pdf_file(objects)


def _pdf_file(objects: list[bytes]) -> bytes:
    """Return numbered objects with header, table of places and trailer."""
    body, places = b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", []
    for number, content in enumerate(objects, start=1):
        places.append(len(body))
        body += f"{number} 0 obj\n".encode() + content + b"\nendobj\n"
    table = f"xref\n0 {len(objects) + 1}\n0000000000 65535 f \n" + "".join(f"{at:010d} 00000 n \n" for at in places)
    trailer = f"trailer\n<< /Size {len(objects) + 1} /Root 1 0 R >>\nstartxref\n{len(body)}\n%%EOF\n"
    return body + table.encode() + trailer.encode()


def sheet_svg(sheet: Sheet) -> str:
    """Return the sheet as SVG whose user unit is the millimetre."""
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{sheet.width:g}mm" height="{sheet.height:g}mm" '
        f'viewBox="0 0 {sheet.width:g} {sheet.height:g}">',
        f'<rect width="{sheet.width:g}" height="{sheet.height:g}" fill="#ffffff"/>',
    ]
    path = "".join(f"M{x:.5f} {y:.5f}h{w:.5f}v{h:.5f}h{-w:.5f}z" for x, y, w, h in sheet.rectangles.tolist())
    parts.append(f'<path d="{path}" fill="#000000" shape-rendering="crispEdges"/>')
    for text in sheet.texts:
        parts.append(
            f'<text x="{text.x:.3f}" y="{text.y:.3f}" font-family="Helvetica, Arial, sans-serif" '
            f'font-size="{text.size:.3f}">{escape(text.words)}</text>'
        )
    return "\n".join([*parts, "</svg>"]) + "\n"


def sheet_pixels(sheet: Sheet, dots_per_inch: float) -> ByteArray:
    """Return the rectangles of the sheet as grey (h, w): a pixel has the share of it that is white. No words."""
    k = dots_per_inch / 25.4
    width, height = round(sheet.width * k), round(sheet.height * k)
    black = np.zeros((height, width))
    for x, y, w, h in (sheet.rectangles * k).tolist():
        across, down = _overlap(x, x + w, width), _overlap(y, y + h, height)
        (i0, i1), (j0, j1) = _reach(down), _reach(across)
        black[i0:i1, j0:j1] += down[i0:i1, None] * across[None, j0:j1]
    return np.asarray(np.rint(255.0 * (1.0 - np.minimum(black, 1.0))), dtype=np.uint8)


def _overlap(start: float, stop: float, count: int) -> FloatArray:
    """Return how much of each pixel lies between two places."""
    edges = np.arange(count)
    return np.asarray(np.clip(np.minimum(edges + 1.0, stop) - np.maximum(edges, start), 0.0, 1.0))


def _reach(overlap: FloatArray) -> tuple[int, int]:
    inside = np.flatnonzero(overlap)
    return (int(inside[0]), int(inside[-1]) + 1) if len(inside) else (0, 0)


def sheet_png(sheet: Sheet, dots_per_inch: float = 300.0) -> bytes:
    """Return the sheet as grey PNG that states its resolution (PNG specification, chunk pHYs), words drawn in."""
    grey = _with_words(sheet_pixels(sheet, dots_per_inch), sheet, dots_per_inch)
    raw = np.concatenate([np.zeros((len(grey), 1), dtype=np.uint8), grey], axis=1).tobytes()
    per_metre = round(dots_per_inch / 0.0254)
    chunks = (
        (b"IHDR", struct.pack(">IIBBBBB", grey.shape[1], grey.shape[0], 8, 0, 0, 0, 0)),
        (b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1)),
        (b"IDAT", zlib.compress(raw, 6)),
        (b"IEND", b""),
    )
    content = b"\x89PNG\r\n\x1a\n"
    for kind, data in chunks:
        content += struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
    return content


def _with_words(grey: ByteArray, sheet: Sheet, dots_per_inch: float) -> ByteArray:
    k = dots_per_inch / 25.4
    canvas = np.ascontiguousarray(grey)
    for text in sheet.texts:
        scale = text.size * k / 30.0
        width, _ = cv2.getTextSize(text.words, cv2.FONT_HERSHEY_SIMPLEX, scale, 1)[0]
        scale *= min(1.0, (sheet.width - text.x - EDGE_MM) * k / max(width, 1))
        place = (round(text.x * k), round(text.y * k))
        cv2.putText(canvas, text.words, place, cv2.FONT_HERSHEY_SIMPLEX, scale, 0, max(1, round(k / 8)), cv2.LINE_AA)
    return canvas


Format = Literal["pdf", "svg", "png"]


def sheet_bytes(sheet: Sheet, form: str, dots_per_inch: float = 300.0) -> bytes:
    """Return the sheet in a format: pdf, svg or png."""
    if form == "pdf":
        return sheet_pdf(sheet)
    if form == "svg":
        return sheet_svg(sheet).encode("utf-8")
    if form == "png":
        if not 50.0 <= dots_per_inch <= 2400.0:
            raise InputError(f"dots_per_inch: expected 50 to 2400, found {dots_per_inch:g}")
        return sheet_png(sheet, dots_per_inch)
    raise InputError(f"format: expected pdf, svg or png, found '{form}'")
