"""What a lens calibration gives: the camera, how sure it is over the picture, and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray, checked_array
from fiducialkit.errors import InputError
from fiducialkit.imaging.boards import BoardView
from fiducialkit.scene.camera import Camera
from fiducialkit.solving.intrinsics_fit import LensFit
from fiducialkit.tables import Column, Table

VERDICTS = ("good", "usable", "take more")
DISAGREEING_RATIO = 1.5  # times the stated sd: with 20 views of equal noise the bootstrap stays below
DISTANCES_M = (1.0, 2.0, 4.0, 8.0)
VIEWS = Table(
    "calibration_views",
    (
        Column("view", "text", "name of the picture"),
        Column("status", "text", "ok, or why it does not count"),
        Column("corners", "int", "corners of the board seen"),
        Column("rms_px", "float", "residuals per coordinate"),
        Column("held_out_px", "float", "residuals per coordinate through the lens found from all other views"),
        Column("distance_m", "float", "along the view to the middle of the seen corners"),
        Column("tilt_deg", "float", "of the board against the picture's plane"),
        Column("blur_px", "float", "sd of the edges, optics and pixel area together"),
        Column("message", "text", "what is odd"),
    ),
)
MODELS = Table(
    "calibration_models",
    (
        Column("model", "text", "brown, rational, fisheye"),
        Column("coefficients", "int", "of the distortion"),
        Column("rms_px", "float", "residuals per coordinate"),
        Column("held_out_px", "float", "residuals per coordinate of views the lens was not found from"),
        Column("is_chosen", "bool", "whether it is the one given"),
        Column("message", "text", "why not, or why"),
    ),
)
PROJECTION = Table(
    "projection_uncertainty",
    (
        Column("x_px", "float", "place in the picture"),
        Column("y_px", "float", "place in the picture"),
        Column("sd_px", "float", "sd of where a direction is seen, along its worst axis"),
        Column("sd_x_px", "float", "along x"),
        Column("sd_y_px", "float", "along y"),
        *(Column(f"sideways_{d:g}m_m", "float", f"sd of a place {d:g} m away, across the view") for d in DISTANCES_M),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """Something wrong with a set of pictures.

    Attributes
    ----------
    kind : str
        One of a closed set, see `solving.intrinsics_verdict`.
    is_serious : bool
        Whether the camera should not be used before it is dealt with.
    text : str
        What was found.
    advice : str
        What to do.
    """

    kind: str
    is_serious: bool
    text: str
    advice: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensCalibration:
    """A calibrated lens.

    Attributes
    ----------
    camera : Camera
    labels : tuple of str
        Of the rows and columns of `covariance`: the numbers of the lens.
    covariance : ndarray, shape (p, p)
        Scaled by the residuals, and by `bootstrap_ratio` squared where that is above 1.5: then views disagree by more
        than their corners' noise, as with a board that bends in the hand. Rows of numbers that were held are
        0. The numbers of the rational model are not known
        one by one, only what follows from all of them is: use `projection_covariance`.
    verdict : {"good", "usable", "take more"}
    faults : tuple of Fault
    held_out_px : float
        Rms per coordinate of views the lens was not found from: the number to look at first. [px]
    rms_px : float
        Rms per coordinate of the residuals. [px]
    noise_px : float
        Sd of a corner that the residuals show. [px]
    bootstrap_ratio : float
        Sd of projections when views are drawn again at random, over what views that agree would give: about 1, and
        above 1.5 where views disagree by more than their noise. NaN with fewer than 6 views.
    views, models : DataFrame
        `VIEWS` and `MODELS`.
    projection : DataFrame
        `PROJECTION` at nine places of the picture.
    used : tuple of BoardView
    fit : LensFit
    """

    camera: Camera
    labels: tuple[str, ...]
    covariance: FloatArray
    verdict: str
    faults: tuple[Fault, ...]
    held_out_px: float
    rms_px: float
    noise_px: float
    bootstrap_ratio: float
    views: pd.DataFrame
    models: pd.DataFrame
    projection: pd.DataFrame
    used: tuple[BoardView, ...] = field(repr=False)
    fit: LensFit = field(repr=False)

    def projection_covariance(self, pixels: Any) -> FloatArray:
        """Return the covariance (N, 2, 2) of where directions are seen that are now seen at these pixels. [px^2]

        NaN where the lens sees nothing.
        """
        return projection_covariance(self.camera, self.covariance, pixels)

    @property
    def widening(self) -> float:
        """How many times the sds were enlarged because the views disagree by more than their corners' noise."""
        return widening(self.bootstrap_ratio)

    @property
    def sd(self) -> dict[str, float]:
        """Standard deviation of each number of the lens by its label."""
        return dict(zip(self.labels, np.sqrt(np.maximum(np.diag(self.covariance), 0.0)).tolist(), strict=True))

    @property
    def advice(self) -> tuple[str, ...]:
        """What to do, most serious first."""
        return tuple(fault.advice for fault in sorted(self.faults, key=lambda fault: not fault.is_serious))

    def __str__(self) -> str:
        used, worst = len(self.used), float(self.projection["sd_px"].max())
        return (
            f"{self.verdict}: held-out error {self.held_out_px:.3f} px, {used} views, {self.camera.model} lens, "
            f"focal {self.camera.fx_px:.2f} (sd {self.sd['fx_px']:.2f}) px, worst place of the picture {worst:.3f} px"
        )


def nine_places(camera: Camera) -> FloatArray:
    """Return the middle of the picture, and the corners and the middles of the sides a tenth from its edges, (9, 2)."""
    x, y = (np.array([0.1, 0.5, 0.9]) * (n - 1) for n in (camera.width_px, camera.height_px))
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def widening(bootstrap_ratio: float) -> float:
    """Return how many times the stated sds must be enlarged where a bootstrap over views shows so much of them."""
    return bootstrap_ratio if bootstrap_ratio > DISAGREEING_RATIO else 1.0


def projection_covariance(camera: Camera, covariance: FloatArray, pixels: Any) -> FloatArray:
    """Return the covariance (N, 2, 2) of the projection of the directions that a camera sees at pixels. [px^2]

    Parameters
    ----------
    camera : Camera
    covariance : array_like, shape (p, p)
        Of focal lengths, principal point and distortion coefficients.
    pixels : array_like, shape (N, 2)

    Notes
    -----
    ``J C J'`` with J the derivative of the projection by the lens, the direction held in the camera's frame.
    """
    slopes = lens_slopes(camera, pixels)
    spread = checked_array("covariance", covariance, (slopes.shape[2], slopes.shape[2]))
    return np.asarray(slopes @ spread @ np.swapaxes(slopes, 1, 2))


def lens_slopes(camera: Camera, pixels: Any) -> FloatArray:
    """Return how the projection moves with the numbers of the lens, (N, 2, p); NaN where the lens sees nothing."""
    places = checked_array("pixels", pixels, (None, 2))
    directions, found = camera.unproject(places)
    ahead = np.column_stack([np.where(found[:, None], directions, 0.0), np.ones(len(places))])
    _, valid, _, by_lens = camera.project_with_jacobian(ahead)
    slopes = np.array(by_lens[:, :, : 4 + len(camera.distortion)])
    slopes[~(found & valid)] = np.nan
    return slopes


def projection_table(camera: Camera, covariance: FloatArray, pixels: Any) -> pd.DataFrame:
    """Return `PROJECTION` at pixels: what the lens's uncertainty means in the picture and at a distance."""
    places = checked_array("pixels", pixels, (None, 2))
    spread = projection_covariance(camera, covariance, places)
    unknown = np.asarray(~np.isfinite(spread).all(axis=(1, 2)))
    safe = np.where(unknown[:, None, None], 0.0, spread)
    sd = np.sqrt(np.maximum(np.linalg.eigvalsh(safe)[:, 1], 0.0))
    sd[unknown] = np.nan
    table = {"x_px": places[:, 0], "y_px": places[:, 1], "sd_px": sd}
    table |= {f"sd_{axis}_px": np.sqrt(spread[:, k, k]) for k, axis in enumerate("xy")}
    per_metre = _sideways(camera, spread, places)
    return PROJECTION.checked(pd.DataFrame(table | {f"sideways_{d:g}m_m": d * per_metre for d in DISTANCES_M}))


def _sideways(camera: Camera, spread: FloatArray, places: FloatArray) -> FloatArray:
    """Return the sd of a place across the view for each metre of distance along the view, its worst axis. [m/m]"""
    directions, found = camera.unproject(places)
    ahead = np.column_stack([np.where(found[:, None], directions, 0.0), np.ones(len(places))])
    _, _, by_pose, _ = camera.project_with_jacobian(ahead)
    back = np.linalg.inv(
        by_pose[:, :, :2]
    )  # at one metre: a step of the point across the view by a step in the picture
    moved = back @ np.where(np.isfinite(spread), spread, 0.0) @ np.swapaxes(back, 1, 2)
    result = np.sqrt(np.maximum(np.linalg.eigvalsh(moved)[:, 1], 0.0))
    result[~found | ~np.isfinite(spread).all(axis=(1, 2))] = np.nan
    return np.asarray(result)


def checked_verdict(verdict: str) -> str:
    """Return the verdict if it is one."""
    if verdict not in VERDICTS:
        raise InputError(f"verdict: expected one of {', '.join(VERDICTS)}, found {verdict!r}")
    return verdict
