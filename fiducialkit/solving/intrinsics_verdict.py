"""The verdict on a lens calibration in words: what is wrong with the pictures, and what to do about it.

Every limit below is a choice of this project, marked so; `tests/benchmarks/lens_calibration.py` measures how often each
fault is named when it is there and how often a good set is called good.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray
from fiducialkit.imaging.boards import BoardView
from fiducialkit.scene.camera import Camera
from fiducialkit.solving.intrinsics_agreement import Agreement
from fiducialkit.solving.intrinsics_result import Fault

# kinds of faults, a closed set
KINDS = (
    "too few views", "square-on boards", "one distance", "empty corners", "not sure enough", "lens changed",
    "several cameras", "lens keeps changing", "mirrored", "other sizes", "cropped", "squeezed", "wrong square size",
    "lens folds over", "model does not fit", "views left out", "bent board",
)  # fmt: skip
FEWEST_VIEWS = 8
_TILTED_DEG, _FEWEST_TILTED, _TILTED_SHARE = 12.0, 4, 0.2
_DISTANCE_RATIO = 1.25  # of the ninth tenth to the first
_CORNER_SHARE = 0.25  # of width and of height: what counts as a corner of the picture
_GOOD_SD_SHARE, _USABLE_SD_SHARE = 0.0008, 0.0032  # of the picture's width: 1 px and 4 px of 1280
_OFF_CENTRE_SHARE = 0.06  # of the picture's width
_SQUEEZED_SHARE = 0.015
_LEAST_SIGMA = 4.0
_HELD_OUT_SHARE = 0.0012  # of the picture's width: 1.5 px of 1280
_SIZE_SHARE = 0.01
_LEFT_OUT_SHARE = 0.15
_BENDING_SIGMA, _LEAST_BENDING_M = 6.0, 0.0002


def distances_and_tilts(views: Sequence[BoardView], poses: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the distance along the view to the middle of each view's corners [m], and the board's tilt [deg]."""
    middles = np.stack([view.points_board.mean(axis=0) for view in views])
    distance = np.einsum("nj,nj->n", poses[:, 2, :3], middles) + poses[:, 2, 3]
    tilt = np.degrees(np.arccos(np.clip(np.abs(poses[:, 2, 2]), 0.0, 1.0)))
    return distance, tilt


def set_faults(views: Sequence[BoardView], poses: FloatArray, size_px: tuple[int, int]) -> list[Fault]:
    """Return what is wrong with where the boards were held."""
    faults = []
    distance, tilt = distances_and_tilts(views, poses)
    if len(views) < FEWEST_VIEWS:
        faults.append(
            Fault(
                kind="too few views", is_serious=True, text=f"only {len(views)} views can be used",
                advice=f"take at least {FEWEST_VIEWS}, better 15 to 25, each with the board held differently",
            )
        )  # fmt: skip
    tilted = int((tilt > _TILTED_DEG).sum())
    if tilted < max(_FEWEST_TILTED, _TILTED_SHARE * len(views)):
        faults.append(
            Fault(
                kind="square-on boards", is_serious=True,
                text=f"the board is held nearly square-on: only {tilted} of {len(views)} views are tilted by more than "
                f"{_TILTED_DEG:g} degrees, so focal length and distance cannot be told apart",
                advice="tilt the board by 20 to 45 degrees, to the left, to the right, up and down",
            )
        )  # fmt: skip
    low, high = np.quantile(distance, [0.1, 0.9])
    if high < _DISTANCE_RATIO * low:
        faults.append(
            Fault(
                kind="one distance", is_serious=True,
                text=f"all boards are at about one distance, {np.median(distance):.2f} m",
                advice="take views from near, where the board fills the picture, and from twice as far",
            )
        )  # fmt: skip
    empty = empty_corners(views, size_px)
    if empty:
        faults.append(
            Fault(
                kind="empty corners", is_serious=True,
                text=f"no corner of the board was ever seen in the {' and '.join(empty)} of the picture",
                advice=f"hold the board so that it reaches into the {' and '.join(empty)}",
            )
        )  # fmt: skip
    return faults


def empty_corners(views: Sequence[BoardView], size_px: tuple[int, int]) -> list[str]:
    """Return which corners of the picture, a quarter of its width and height, no board ever reached."""
    x, y = np.concatenate([view.points_px for view in views]).T
    sides = {
        "left": x < _CORNER_SHARE * size_px[0], "right": x > (1.0 - _CORNER_SHARE) * size_px[0],
        "top": y < _CORNER_SHARE * size_px[1], "bottom": y > (1.0 - _CORNER_SHARE) * size_px[1],
    }  # fmt: skip
    return [f"{v} {h}" for v in ("top", "bottom") for h in ("left", "right") if not (sides[v] & sides[h]).any()]


def lens_faults(camera: Camera, sd: Mapping[str, float], projection: pd.DataFrame, held_out_px: float) -> list[Fault]:
    """Return what is odd about the lens that was found."""
    faults = []
    worst = float(projection["sd_px"].max()) if projection["sd_px"].notna().all() else np.inf
    if worst > _GOOD_SD_SHARE * camera.width_px:
        place = projection.iloc[int(projection["sd_px"].fillna(np.inf).argmax())]
        faults.append(
            Fault(
                kind="not sure enough", is_serious=worst > _USABLE_SD_SHARE * camera.width_px,
                text=f"near ({place.x_px:.0f}, {place.y_px:.0f}) px the lens is known to {worst:.2g} px (sd) only",
                advice="take more views where the map of uncertainty is dark; the guide shows the next one",
            )
        )  # fmt: skip
    if not camera.unproject(_picture_corners(camera))[1].all():
        faults.append(
            Fault(
                kind="lens folds over", is_serious=False,
                text=f"the lens model folds over inside the picture, {camera.valid_angle_deg:.0f} degrees from the "
                "axis: nothing can be told of what is seen beyond",
                advice="take views that reach into the corners of the picture, or choose the fisheye model",
            )
        )  # fmt: skip
    faults += _shape_faults(camera, sd)
    if held_out_px > _HELD_OUT_SHARE * camera.width_px:
        faults.append(
            Fault(
                kind="model does not fit", is_serious=True,
                text=f"views the lens was not found from are off by {held_out_px:.2g} px",
                advice="look for a bent board, moving hands or a wrong board description; use a stiff flat board",
            )
        )  # fmt: skip
    return faults


def _picture_corners(camera: Camera) -> FloatArray:
    x, y = camera.width_px - 1.0, camera.height_px - 1.0
    return np.array([[0.0, 0.0], [x, 0.0], [x, y], [0.0, y]])


def _shape_faults(camera: Camera, sd: Mapping[str, float]) -> list[Fault]:
    faults = []
    middle = ((camera.width_px - 1) / 2.0, (camera.height_px - 1) / 2.0)
    off = np.array([camera.cx_px - middle[0], camera.cy_px - middle[1]])
    sure = np.abs(off) > _LEAST_SIGMA * np.array([sd["cx_px"], sd["cy_px"]])
    if (sure & (np.abs(off) > _OFF_CENTRE_SHARE * camera.width_px)).any():
        faults.append(
            Fault(
                kind="cropped", is_serious=False,
                text=f"the optical axis meets the picture ({off[0]:+.0f}, {off[1]:+.0f}) px from its middle: the "
                "pictures look cropped",
                advice="use whole pictures as the camera gives them; if the robot uses the same crop, all is well",
            )
        )  # fmt: skip
    ratio = camera.fx_px / camera.fy_px - 1.0
    if abs(ratio) > max(_SQUEEZED_SHARE, _LEAST_SIGMA * float(np.hypot(sd["fx_px"], sd["fy_px"])) / camera.fy_px):
        faults.append(
            Fault(
                kind="squeezed", is_serious=False,
                text=f"the pixels are not square, {100.0 * ratio:+.1f} %: the pictures were resized without keeping "
                "their shape, or the board was printed with different scales across and down",
                advice="use pictures as the camera gives them; measure the board both ways",
            )
        )  # fmt: skip
    return faults


def agreement_faults(found: Agreement, names: Sequence[str]) -> list[Fault]:
    """Return what the views say about whether the lens stayed the same."""
    percent = 100.0 * abs(found.focal_change)
    if found.kind == "changed once":
        before, after = names[found.first_after - 1], names[found.first_after]
        return [
            Fault(
                kind="lens changed", is_serious=True,
                text=f"the views up to {before} and those from {after} on disagree about the lens (focal length "
                f"{percent:.1f} % apart): focus or zoom was moved between them",
                advice="fix focus and zoom, switch autofocus off, and take all views again",
            )
        ]  # fmt: skip
    if found.kind == "two lenses":
        second = [name for name, is_second in zip(names, found.is_second, strict=True) if is_second]
        return [
            Fault(
                kind="several cameras", is_serious=True,
                text=f"two groups of views disagree about the lens (focal length {percent:.1f} % apart); one group: "
                f"{', '.join(second[:4])}{' ...' if len(second) > 4 else ''}",
                advice="calibrate each camera from its own pictures only",
            )
        ]  # fmt: skip
    if found.kind == "keeps changing":
        return [
            Fault(
                kind="lens keeps changing", is_serious=True,
                text=f"the focal length changes from view to view by {percent:.1f} % (sd): autofocus is on, or the "
                "lens is loose",
                advice="switch autofocus off, fix the lens, and take all views again",
            )
        ]  # fmt: skip
    return []


def picture_faults(views: Sequence[BoardView], size_px: tuple[int, int]) -> list[Fault]:
    """Return what the pictures that could not be used tell of the set."""
    faults = []
    mirrored = [view.name for view in views if view.status == "mirrored"]
    if mirrored:
        faults.append(
            Fault(
                kind="mirrored", is_serious=False, text=f"mirrored pictures: {_some(mirrored)}",
                advice="switch the camera's mirroring off and take these views again",
            )
        )  # fmt: skip
    others = [view for view in views if view.status == "other size"]
    if others:
        text = "; ".join(f"{view.name}: {view.message}" for view in others[:3])
        faults.append(
            Fault(
                kind="other sizes", is_serious=False, text=text + (" ..." if len(others) > 3 else ""),
                advice=f"use only whole pictures of {size_px[0]} x {size_px[1]} px, as the camera gives them",
            )
        )  # fmt: skip
    return faults


def left_out_fault(left_out: Sequence[str], count: int) -> list[Fault]:
    """Return a fault if many views do not fit; a few are only listed."""
    if len(left_out) <= max(1.0, _LEFT_OUT_SHARE * count):
        return []
    return [
        Fault(
            kind="views left out", is_serious=False,
            text=f"{len(left_out)} of {count} views do not fit the others: {_some(left_out)}",
            advice="look at these pictures: moved, bent board, another camera?",
        )
    ]  # fmt: skip


def bending_faults(bending_m: FloatArray, sd_m: FloatArray) -> list[Fault]:
    """Return whether the board is bent, from how far its corners stand off its flat. [m]"""
    sure = np.abs(bending_m) > _BENDING_SIGMA * sd_m
    most = float(np.abs(bending_m).max())
    if not sure.any() or most < _LEAST_BENDING_M:
        return []
    return [
        Fault(
            kind="bent board",
            is_serious=False,
            text=f"the board is bent: its edges stand off by {1000.0 * most:.2g} mm",
            advice="let the bending be found as well (--bent), or glue the board on something stiffer",
        )
    ]  # fmt: skip


def size_faults(names: Sequence[str], distances: FloatArray, known_m: Mapping[str, float]) -> list[Fault]:
    """Return whether distances measured with a tape speak for another size of the squares.

    Parameters
    ----------
    names : sequence of str
        Of the views.
    distances : ndarray, shape (F,)
        From the lens to the middle of the board as the calibration has it. [m]
    known_m : mapping
        View to measured distance. [m]
    """
    place = {name: number for number, name in enumerate(names)}
    ratios = [known / distances[place[name]] for name, known in known_m.items() if name in place]
    if not ratios:
        return []
    scale = float(np.median(ratios))
    if abs(scale - 1.0) <= _SIZE_SHARE:
        return []
    return [
        Fault(
            kind="wrong square size", is_serious=True,
            text=f"measured distances are {scale:.3f} times those of the calibration: the board's squares are not as "
            "large as stated",
            advice="measure the printed ruler and give its length (ruler_measured); the lens itself is not affected, "
            "all distances are",
        )
    ]  # fmt: skip


def verdict_of(faults: Sequence[Fault]) -> str:
    """Return "good" without faults, "take more" with a serious one, else "usable"."""
    if any(fault.is_serious for fault in faults):
        return "take more"
    return "usable" if faults else "good"


def _some(names: Sequence[str]) -> str:
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")
