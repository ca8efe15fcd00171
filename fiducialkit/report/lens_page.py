"""The page of a lens calibration, its tables, and the camera files for this and for other programs."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd

from fiducialkit import __version__, files
from fiducialkit.plots.lens_view import lens_sheet, next_view_sheet
from fiducialkit.report.page import picture_address, rendered
from fiducialkit.scene.boards import Board
from fiducialkit.scene.camera_file import write_camera_json, write_camera_yaml
from fiducialkit.solving.capture_guide import NextView
from fiducialkit.solving.intrinsics_result import LensCalibration

PAGE_NAME, CAMERA_NAME = "calibration.html", "camera.json"


def write_lens_page(
    calibration: LensCalibration,
    folder: str | Path,
    *,
    board: Board | None = None,
    next_view: NextView | None = None,
    provenance: Mapping[str, Any] | None = None,
) -> list[Path]:
    """Write camera.json, camera.yml, tables, the sheet as PNG and the page, and return their paths, the page last.

    Everything is made in memory before the first file is written.

    Parameters
    ----------
    calibration : LensCalibration
    folder : str or Path
    board : Board, optional
        For the picture of the next view.
    next_view : NextView, optional
    provenance : mapping, optional
        What else belongs beside the camera: where the pictures came from, which board. Anything JSON can hold.
    """
    pictures = {"calibration.png": lens_sheet(calibration, next_view, board)}
    if next_view is not None and board is not None:
        pictures["next_view.png"] = next_view_sheet(next_view, board, calibration.camera)
    page = render_page(calibration, pictures["calibration.png"], next_view)
    document = calibration_document(calibration, provenance or {})
    out = files.new_folder(folder)
    written = [
        write_camera_json(out / CAMERA_NAME, calibration.camera, document),
        write_camera_yaml(out / "camera.yml", calibration.camera),
        files.write_csv(out / "views.csv", calibration.views),
        files.write_csv(out / "models.csv", calibration.models),
        files.write_csv(out / "projection.csv", calibration.projection),
    ]
    written += [files.write_bytes(out / name, content) for name, content in pictures.items()]
    return [*written, files.write_text(out / PAGE_NAME, page)]


def calibration_document(calibration: LensCalibration, provenance: Mapping[str, Any]) -> dict[str, Any]:
    """Return what stands beside the camera in its file, as JSON can hold it."""
    return {
        "verdict": calibration.verdict,
        "faults": [{"kind": fault.kind, "text": fault.text, "advice": fault.advice} for fault in calibration.faults],
        "held_out_px": calibration.held_out_px,
        "rms_px": calibration.rms_px,
        "corner_noise_px": calibration.noise_px,
        "edge_blur_px": _edge_blur(calibration),
        "bootstrap_ratio": _plain(calibration.bootstrap_ratio),
        "views_used": len(calibration.used),
        "labels": list(calibration.labels),
        "covariance": calibration.covariance.tolist(),
        "date": datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%d %H:%M UTC"),
        "versions": {"fiducialkit": __version__, "opencv": cv2.__version__, "numpy": np.__version__},
        **provenance,
    }


def _edge_blur(calibration: LensCalibration) -> float | None:
    """Return the sd of the edges in the median view, optics and pixel area together; None if not known. [px]"""
    known = [view.blur_px for view in calibration.used if math.isfinite(view.blur_px)]
    return float(np.median(known)) if known else None


def _plain(value: float) -> float | None:
    return value if math.isfinite(value) else None


def render_page(calibration: LensCalibration, sheet: bytes, next_view: NextView | None = None) -> str:
    """Return the page as one HTML text with its picture inside; it needs no other file and no network."""
    sd = calibration.sd
    camera = calibration.camera
    values = [camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px, *camera.distortion]
    return rendered(
        "lens.html",
        {"number": _number},
        calibration=calibration,
        camera=camera,
        numbers=[(label, value, sd[label]) for label, value in zip(calibration.labels, values, strict=True)],
        faults=sorted(calibration.faults, key=lambda fault: not fault.is_serious),
        views=_records(calibration.views),
        models=_records(calibration.models),
        places=_records(calibration.projection),
        sheet=picture_address(sheet),
        next_view=next_view,
        version=__version__,
    )


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def _number(value: float, digits: int = 3) -> str:
    """Return a number with so many digits that matter; a dash where there is none."""
    if not math.isfinite(value):
        return "-"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value)))) if value else 0
    return f"{value:.{min(places, 9)}f}"
