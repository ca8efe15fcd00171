"""What commands print: plain ASCII on stdout, progress on stderr and only for somebody who watches."""

from __future__ import annotations

import os
import re
import sys
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TypeVar

from fiducialkit.errors import InputError

WIDTH = 100
_UNIT = re.compile(r"(?<=\d) (?=%|(?:mm|cm|m|deg|degrees|px)\b)")
Item = TypeVar("Item")


def say(text: str = "", *, indent: str = "") -> None:
    """Print text wrapped to the console's width, units beside their numbers; `indent` goes before all but line 1."""
    if not text:
        print()
        return
    together = _UNIT.sub("\u00a0", text)  # which textwrap takes for a letter
    words = textwrap.fill(together, WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
    print(words.replace("\u00a0", " "))


def print_table(header: Sequence[str], rows: Sequence[Sequence[str]], *, left: Sequence[int] = ()) -> None:
    """Print aligned columns; those numbered in `left` are aligned to the left."""
    widths = [max(len(line[i]) for line in [header, *rows]) for i in range(len(header))]
    for line in [header, ["-" * width for width in widths], *rows]:
        cells = [c.ljust(w) if i in left else c.rjust(w) for i, (c, w) in enumerate(zip(line, widths, strict=True))]
        print("  ".join(cells).rstrip())


def shortened(text: str, width: int) -> str:
    """Return text cut to `width` letters, two dots showing the cut."""
    return text if len(text) <= width else text[: width - 2] + ".."


def progress(items: Sequence[Item], label: str) -> Iterator[Item]:
    """Yield the items, counting them on stderr where that is a terminal."""
    watched = sys.stderr.isatty()
    try:
        for number, item in enumerate(items, start=1):
            if watched:
                print(f"\r{label} {number} of {len(items)}", end="", file=sys.stderr, flush=True)
            yield item
    finally:
        if watched:
            print("\r" + " " * (len(label) + 24) + "\r", end="", file=sys.stderr, flush=True)


def checked_folder(path: Path) -> Path:
    """Return the output folder's path if it exists or can be made; make nothing yet.

    Raises
    ------
    InputError
        If it, or a folder it would stand in, is a file or may not be written to.
    """
    nearest = path.absolute()
    while not nearest.exists() and nearest != nearest.parent:
        nearest = nearest.parent
    if not nearest.is_dir():
        raise InputError(f"--out {path}: expected a folder for the results, found the file {nearest}")
    if not os.access(nearest, os.W_OK | os.X_OK):
        raise InputError(f"--out {path}: expected a folder that may be written to, found {nearest}")
    return path
