"""`fiducialkit calibrate-lens`: from pictures of a board to a camera file, a verdict and the next picture to take."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from fiducialkit.imaging.boards import BoardView
    from fiducialkit.scene.boards import Board
    from fiducialkit.solving.intrinsics_result import LensCalibration

_POLL_S = 0.5


def calibrate_lens(
    inputs: Annotated[
        list[Path], typer.Argument(metavar="INPUT", help="Pictures, folders, videos, or one table of corners (CSV).")
    ],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the camera file, tables and the page go.")],
    board: Annotated[Path | None, typer.Option(metavar="BOARD", help="The board file that print-board wrote.")] = None,
    model: Annotated[str, typer.Option(help="Lens model: auto, brown, rational, fisheye.")] = "auto",
    name: Annotated[str | None, typer.Option(help="Which physical camera it is.  [default: name of --out]")] = None,
    size: Annotated[
        str | None, typer.Option(metavar="WxH", help="Size of the pictures behind a table of corners.")
    ] = None,
    distance: Annotated[
        list[str] | None,
        typer.Option(metavar="VIEW=METRES", help="From the lens to the board's middle, by tape; checks its size."),
    ] = None,
    bent: Annotated[bool, typer.Option("--bent", help="Let the board be bent, and find how much.")] = False,
    watch: Annotated[
        bool, typer.Option("--watch", help="Go on looking for new pictures and say where to hold the board next.")
    ] = False,
    until: Annotated[
        int | None, typer.Option(metavar="VIEWS", help="With --watch: stop when so many views can be used.")
    ] = None,
) -> None:
    """Calibrate a lens from pictures of a board; say how good it is.

    Writes camera.json, camera.yml, tables and a page. Exit status 1 if more pictures are needed.
    """
    from fiducialkit.cli.board_views import read_views
    from fiducialkit.cli.console import checked_folder
    from fiducialkit.errors import InputError
    from fiducialkit.scene.board_file import load_board

    checked_folder(out)
    known = _distances(distance or [])
    plan = load_board(board) if board else None
    settings: dict[str, str | bool] = {"model": model, "name": name or out.absolute().name, "bent": bent}
    if watch:
        if plan is None or len(inputs) != 1 or not inputs[0].is_dir():
            raise InputError("--watch: expected one folder of pictures and --board")
        status = _watch(inputs[0], plan, out, settings, known, until)
        raise typer.Exit(status)
    views = read_views(inputs, plan, size=size)
    status = _calibrate(views, plan, out, settings, known, inputs)
    if status:
        raise typer.Exit(status)


def _distances(texts: list[str]) -> dict[str, float]:
    from fiducialkit.errors import InputError

    known = {}
    for text in texts:
        view, _, length = text.rpartition("=")
        try:
            metres = float(length)
        except ValueError:
            metres = -1.0
        if not view or not 0.01 < metres < 100.0:
            raise InputError(f"--distance: expected VIEW=METRES like frame7.png=1.25, found '{text}'")
        known[view] = metres
    return known


def _calibrate(
    views: list[BoardView],
    board: Board | None,
    out: Path,
    settings: dict[str, str | bool],
    known: dict[str, float],
    inputs: list[Path],
) -> int:
    from fiducialkit.cli.board_views import read_views
    from fiducialkit.cli.console import say
    from fiducialkit.report.lens_page import write_lens_page
    from fiducialkit.solving.capture_guide import next_view

    if sum(view.status == "ok" for view in views) < 3:
        return _refused(views, out)
    found = _solved(views, settings, known)
    if board is not None and board.kind == "marker grid" and any(view.board for view in found.used):
        # markers are fitted once more with the edges that this lens bends
        found = _solved(read_views(inputs, board, camera=found.camera), settings, known)
    plan = next((view.board for view in found.used if view.board), board)
    guide = None if plan is None else next_view(plan, found.camera, found)
    written = write_lens_page(found, out, board=plan, next_view=guide, provenance=_provenance(inputs, plan))
    _report(found)
    if guide is not None and found.verdict != "good":
        say(f"Next view: {guide.words}.", indent="  ")
    print(f"Camera file: {written[0]}; page: {written[-1]}")
    return 1 if found.verdict == "take more" else 0


def _solved(views: list[BoardView], settings: dict[str, str | bool], known: dict[str, float]) -> LensCalibration:
    from fiducialkit.solving.intrinsics import calibrate_lens as solve

    return solve(
        views, model=str(settings["model"]), name=str(settings["name"]), known_distances_m=known,
        with_bending=bool(settings["bent"]),
    )  # fmt: skip


def _provenance(inputs: list[Path], board: Board | None) -> dict[str, object]:
    from fiducialkit.scene.board_file import board_text

    described: dict[str, object] = {"pictures": [path.name for path in inputs]}
    if board is not None:
        described["board"] = board_text(board)
    return described


def _refused(views: list[BoardView], out: Path) -> int:
    """Say why no calibration was possible, and list the pictures."""
    import pandas as pd

    from fiducialkit import files
    from fiducialkit.cli.console import say
    from fiducialkit.solving.intrinsics_result import VIEWS

    rows = [[v.name, v.status, len(v), *[float("nan")] * 4, v.blur_px, v.message] for v in views]
    table = VIEWS.checked(pd.DataFrame(rows, columns=VIEWS.names))
    path = files.write_csv(files.new_folder(out) / "views.csv", table)
    usable = int((table["status"] == "ok").sum())
    print(f"No calibration: expected at least 3 views that can be used, found {usable} of {len(views)}; list: {path}")
    for row in table[table["status"] != "ok"].head(12).itertuples():
        say(f"{row.view}: {row.status}: {row.message}", indent="  ")
    return 1


def _report(found: LensCalibration) -> None:
    from fiducialkit.cli.console import say

    camera, sd = found.camera, found.sd
    worst = float(found.projection["sd_px"].max())
    print(f"{found.verdict.upper()}: held-out error {found.held_out_px:.3f} px (rms per coordinate)")
    say(
        f"{camera.model} lens, focal {camera.fx_px:.2f} x {camera.fy_px:.2f} px (sd {sd['fx_px']:.2f}), axis "
        f"({camera.cx_px:.2f}, {camera.cy_px:.2f}) px, sure to {worst:.3f} px at the worst of nine places; "
        f"{len(found.used)} of {len(found.views)} views used"
    )
    for fault in sorted(found.faults, key=lambda each: not each.is_serious):
        say(f"- {fault.kind}: {fault.text}. {fault.advice[0].upper()}{fault.advice[1:]}.", indent="  ")
    odd = found.views[(found.views["status"] != "ok") | (found.views["message"] != "")]
    for row in odd.head(12).itertuples():
        say(f"  {row.view}: {row.status}{': ' if row.message else ''}{row.message}", indent="    ")


def _watch(
    folder: Path,
    board: Board,
    out: Path,
    settings: dict[str, str | bool],
    known: dict[str, float],
    until: int | None,
) -> int:
    """Look at each new picture of a folder, say what the next one should show, and calibrate in the end.

    The end is so many views that can be used, or Ctrl-C.
    """
    from fiducialkit.cli.console import say

    say(f"Waiting for pictures in {folder}; {_how_it_ends(until)}.")
    seen: dict[str, BoardView] = {}
    stamps: dict[str, tuple[int, int]] = {}
    try:
        while until is None or sum(view.status == "ok" for view in seen.values()) < until:
            if _look_again(folder, board, seen, stamps):
                _say_next(list(seen.values()), board, out, settings)
            time.sleep(_POLL_S)
    except KeyboardInterrupt:
        print()
    return _calibrate(list(seen.values()), board, out, settings, known, [folder])


def _how_it_ends(until: int | None) -> str:
    return "Ctrl-C ends it" if until is None else f"{until} that can be used, or Ctrl-C, end it"


def _look_again(folder: Path, board: Board, seen: dict[str, BoardView], stamps: dict[str, tuple[int, int]]) -> bool:
    """Look at pictures that are new or were written anew, once they have stopped growing; return whether any was."""
    from fiducialkit.cli.board_views import view_of_picture
    from fiducialkit.cli.console import say
    from fiducialkit.cli.pictures import Picture
    from fiducialkit.imaging.images import PICTURE_SUFFIXES

    is_fresh = False
    for path in sorted(folder.iterdir()):
        if path.suffix.lower() not in PICTURE_SUFFIXES:
            continue
        try:
            now = path.stat()
        except OSError:  # taken away meanwhile
            continue
        stamp = (now.st_size, now.st_mtime_ns)
        if stamps.get(path.name) != stamp:
            stamps[path.name] = stamp
            seen.pop(path.name, None)
        elif path.name not in seen and now.st_size:
            view = seen[path.name] = view_of_picture(Picture(path, path.name, False), board)
            is_fresh = True
            say(f"{view.name}: {view.status}, {len(view)} corners{'; ' if view.message else ''}{view.message}")
    return is_fresh


def _say_next(views: list[BoardView], board: Board, out: Path, settings: dict[str, str | bool]) -> None:
    from fiducialkit import files
    from fiducialkit.cli.console import say
    from fiducialkit.errors import InputError
    from fiducialkit.plots.lens_view import next_view_sheet
    from fiducialkit.solving.capture_guide import first_guess, next_view

    good = [view for view in views if view.status == "ok"]
    if not good:
        return
    try:
        found = _solved(views, settings, {}) if len(good) >= 4 else None
    except InputError:
        found = None  # too few views differ from each other as yet
    camera = first_guess(*good[0].picture_size_px) if found is None else found.camera
    plan = good[-1].board or board
    guide = next_view(plan, camera, found)
    files.write_bytes(files.new_folder(out) / "next_view.png", next_view_sheet(guide, plan, camera))
    state = "" if found is None else f"{found.verdict}, held-out error {found.held_out_px:.3f} px. "
    say(f"  {state}Next: {guide.words} (picture: {out / 'next_view.png'})", indent="  ")
