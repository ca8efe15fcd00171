"""A detector that others wrote (`pyapriltags`, BSD), run in a process of its own: it may crash as it ends.

Run as a script it reads a picture (an .npy array) and writes what it found as one line of JSON.
"""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

import numpy as np

IS_THERE = find_spec("pyapriltags") is not None
WHY_NOT = "pyapriltags is not installed (it has no wheel for this machine)"


@dataclass(frozen=True)
class Found:
    """One marker: its corners clockwise from the upright top left, pixel centres at whole numbers."""

    family: str
    marker_id: int
    corners_px: np.ndarray
    wrong_bits: int


def detect_independently(picture: np.ndarray, folder: Path, families: str = "tag36h11") -> list[Found]:
    """Return what the other detector finds in an 8-bit grey picture; `folder` is for the picture on its way."""
    path = folder / "picture.npy"
    np.save(path, picture)
    # only what it printed counts: the exit status may be that of a crash after the work
    done = subprocess.run([sys.executable, __file__, str(path), families], capture_output=True, text=True, timeout=120)
    lines = [line for line in done.stdout.splitlines() if line.startswith("[")]
    assert lines, done.stderr
    # listed from the bottom left counter-clockwise, with (0, 0) at the outer corner of the first pixel
    return [
        Found(family, marker_id, np.array(corners)[::-1] - 0.5, wrong_bits)
        for family, marker_id, corners, wrong_bits in json.loads(lines[-1])
    ]


def main() -> None:
    import pyapriltags

    detector = pyapriltags.Detector(families=sys.argv[2], quad_decimate=1.0)
    found = detector.detect(np.load(sys.argv[1]))
    rows = [[each.tag_family.decode(), each.tag_id, each.corners.tolist(), each.hamming] for each in found]
    print(json.dumps(rows), flush=True)


if __name__ == "__main__":
    main()
