"""One lens model fitted to views of a board, and what each view says about the lens once its pose is taken out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.errors import InputError
from fiducialkit.imaging.boards import BoardView
from fiducialkit.scene.camera import Camera
from fiducialkit.solving.adjustment import adjust
from fiducialkit.solving.adjustment_problem import Block, Linearised, Measurements, Prior, Problem, Robust, Values
from fiducialkit.solving.adjustment_result import Adjustment
from fiducialkit.solving.adjustment_views import LENS_LABELS, adjusted_camera, lens_block, view_measurements

_BENDING = ("bend_xx_m", "bend_xy_m", "bend_yy_m")
_FEWEST_VIEWS = 3
_LEAST_EIGENVALUE = 1e-13  # of the largest, of information scaled to a unit diagonal: below it is rounding
_INDISPENSABLE = 3.0  # times its residuals: the held-out error of a view that the others cannot do without


@dataclass(frozen=True, slots=True, kw_only=True)
class Sights:
    """All corners of all views in one row of arrays.

    Attributes
    ----------
    points_board : ndarray, shape (N, 3)
    pixels_px : ndarray, shape (N, 2)
    covariance_px2 : ndarray, shape (N, 2, 2)
    view_of : ndarray of int, shape (N,)
    names : tuple of str
        Of the views.
    """

    points_board: FloatArray
    pixels_px: FloatArray
    covariance_px2: FloatArray
    view_of: IntArray
    names: tuple[str, ...]

    @property
    def counts(self) -> IntArray:
        """Corners of each view."""
        return np.bincount(self.view_of, minlength=len(self.names)).astype(np.int64)


def sights_of(views: Sequence[BoardView], extra_sd_px: float = 0.0) -> Sights:
    """Return the corners of views in one row, `extra_sd_px` added to each corner's own sd."""
    view_of = np.repeat(np.arange(len(views)), [len(view) for view in views])
    return Sights(
        points_board=np.concatenate([view.points_board for view in views]),
        pixels_px=np.concatenate([view.points_px for view in views]),
        covariance_px2=np.concatenate([view.covariance_px2 for view in views]) + extra_sd_px**2 * np.eye(2),
        view_of=view_of,
        names=tuple(view.name for view in views),
    )


def sights_of_some(sights: Sights, chosen: IntArray) -> Sights:
    """Return the corners of some of the views, numbered anew; `chosen` rises."""
    keep = np.isin(sights.view_of, chosen)
    return Sights(
        points_board=sights.points_board[keep], pixels_px=sights.pixels_px[keep],
        covariance_px2=sights.covariance_px2[keep], view_of=np.searchsorted(chosen, sights.view_of[keep]),
        names=tuple(sights.names[int(k)] for k in chosen),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ViewInformation:
    """What each view tells of the lens once its own pose has been adjusted: cost, gradient, information.

    The cost of a view near the fit is ``cost + 2 step' gradient + step' information step``.

    Attributes
    ----------
    cost : ndarray, shape (F,)
    gradient : ndarray, shape (F, p)
    information : ndarray, shape (F, p, p)
    freedom : ndarray, shape (F,)
        Numbers measured less the six of the pose.
    """

    cost: FloatArray
    gradient: FloatArray
    information: FloatArray
    freedom: FloatArray

    def selected(self, keep: BoolArray) -> ViewInformation:
        """Return it for some of the views."""
        return ViewInformation(
            cost=self.cost[keep], gradient=self.gradient[keep], information=self.information[keep],
            freedom=self.freedom[keep],
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class LensFit:
    """A fitted lens.

    Attributes
    ----------
    camera : Camera
    labels : tuple of str
        Names of the adjusted numbers, held ones included.
    poses : ndarray, shape (F, 3, 4)
        camera_from_board.
    adjustment : Adjustment
    weighted, plain : ViewInformation
        By the corners' covariances, and with every corner counted alike in px.
    residuals_px : ndarray, shape (N, 2)
        Predicted less seen.
    is_free : ndarray of bool, shape (p,)
    skew_px : float
        Zero unless it was fitted.
    bending_m : ndarray, shape (3,)
        How far the board's corners stand off its plane: along x^2, xy, y^2. Zero unless it was fitted. [m]
    bending_sd_m : ndarray, shape (3,)
    """

    camera: Camera
    labels: tuple[str, ...]
    poses: FloatArray
    adjustment: Adjustment = field(repr=False)
    weighted: ViewInformation = field(repr=False)
    plain: ViewInformation = field(repr=False)
    residuals_px: FloatArray = field(repr=False)
    is_free: BoolArray
    skew_px: float = 0.0
    bending_m: FloatArray = field(default_factory=lambda: np.zeros(3))
    bending_sd_m: FloatArray = field(default_factory=lambda: np.zeros(3))

    @property
    def coefficients(self) -> int | None:
        """Number of coefficients to ask for so that the same are found again; None for all that the model has."""
        return int(self.is_free[4:].sum()) if self.camera.model == "brown" else None

    @property
    def view_rms_px(self) -> FloatArray:
        """Rms of each view's residuals per degree of freedom, (F,). [px]"""
        return np.sqrt(np.maximum(self.plain.cost, 0.0) / np.maximum(self.plain.freedom, 1.0))

    @property
    def variance(self) -> float:
        """Residual variance, in units of the stated one."""
        return float(self.adjustment.residual_variance)

    @property
    def rms_px(self) -> float:
        """Rms of the residuals per coordinate. [px]"""
        return float(np.sqrt(np.mean(self.residuals_px**2)))

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the lens (p, p), scaled by the residuals; zero where held.

        A combination of numbers that the views do not tell, as the rational model has, gets a variance that is very
        large and finite: what follows from all the numbers together is then known where the views tell it.
        """
        stated = self.adjustment.covariance("lens", is_scaled=True)
        return stated if np.isfinite(stated).all() else self._floored_covariance()

    def _floored_covariance(self) -> FloatArray:
        total = self.weighted.information.sum(axis=0)[np.ix_(self.is_free, self.is_free)]
        scale = 1.0 / np.sqrt(np.maximum(np.diag(total), 1e-300))
        values, vectors = np.linalg.eigh(total * scale[:, None] * scale)
        even = (vectors / np.maximum(values, _LEAST_EIGENVALUE * values.max())) @ vectors.T
        covariance = np.zeros((len(self.is_free), len(self.is_free)))
        covariance[np.ix_(self.is_free, self.is_free)] = even * scale[:, None] * scale * self.variance
        return covariance


def fit_lens(
    sights: Sights,
    camera: Camera,
    poses: FloatArray,
    *,
    coefficients: int | None = None,
    robust: Robust | None = None,
    with_skew: bool = False,
    with_bending: bool = False,
    coefficient_sd: float | None = None,
    max_iterations: int = 80,
) -> LensFit:
    """Return the lens and the poses that fit the corners best.

    Parameters
    ----------
    sights : Sights
    camera : Camera
        Where to start; gives the model and the number of distortion coefficients.
    poses : ndarray, shape (F, 3, 4)
        camera_from_board, where to start.
    coefficients : int, optional
        For the brown model: 2 holds the decentring at 0, so that only k1 and k2 are found.
    robust : Robust, optional
        Whole views are judged.
    with_skew : bool
        Whether the picture's axes may stand at another angle than a right one; for old cameras with tubes or analogue
        signals only. It is no part of `Camera`.
    with_bending : bool
        Whether the board may be bent: a surface of second order in x and y over its flat.
    coefficient_sd : float, optional
        Believe beforehand that each distortion coefficient lies about 0 within so much.
    """
    if len(sights.names) < _FEWEST_VIEWS:
        raise InputError(f"views: expected at least {_FEWEST_VIEWS} that can be used, found {len(sights.names)}")
    is_free = np.ones(4 + len(camera.distortion), dtype=np.bool_)
    if coefficients is not None and coefficients < 4:
        is_free[4 + coefficients :] = False
    blocks = [lens_block(camera, prior=_belief(camera, coefficient_sd), fixed=~is_free)]
    if with_bending:
        blocks.append(Block(name="bending", value=np.zeros(3), labels=_BENDING))
    if with_skew:
        blocks.append(Block(name="skew", value=[0.0], labels=("skew_px",)))
    kind = _measured(sights, camera, sights.covariance_px2, (with_skew, with_bending))
    frames = Block(name="view", value=poses, manifold="pose")
    problem = Problem(shared=blocks, frames=frames, measurements=[kind])
    found = adjust(problem, robust=robust, max_iterations=max_iterations)
    return _fit_of(found, sights, camera, is_free, (with_skew, with_bending))


def _belief(camera: Camera, coefficient_sd: float | None) -> Prior | None:
    """Return that distortion coefficients lie about 0, and that nothing is known of the rest of a lens."""
    if coefficient_sd is None:
        return None
    count = len(camera.distortion)
    mean = np.array([camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px, *[0.0] * count])
    return Prior(mean=mean, sd=np.array([*[np.inf] * 4, *[coefficient_sd] * count]))


def fit_poses(sights: Sights, camera: Camera, poses: FloatArray, *, max_iterations: int = 30) -> Adjustment:
    """Return the poses of views through a lens that is held; each view has its own status and its own sums."""
    kind = _measured(sights, camera, sights.covariance_px2, (False, False))
    frames = Block(name="view", value=poses, manifold="pose")
    held = lens_block(camera, fixed=True)
    return adjust(Problem(shared=[held], frames=frames, measurements=[kind]), max_iterations=max_iterations)


def _fit_of(
    found: Adjustment, sights: Sights, camera: Camera, is_free: BoolArray, extras: tuple[bool, bool]
) -> LensFit:
    values, lens = found.values, found.values.shared["lens"]
    if values.frames is None:
        raise InputError("views: expected some, found none")
    width = len(lens)
    weighted = found.problem.measurements[0].evaluate(values)
    alike = _measured(sights, camera, np.tile(np.eye(2), (len(sights.view_of), 1, 1)), extras).evaluate(values)
    return LensFit(
        camera=adjusted_camera(camera, lens),
        labels=LENS_LABELS[camera.model][:width],
        poses=values.frames,
        adjustment=found,
        weighted=view_information(weighted, sights, width, is_free),
        plain=view_information(alike, sights, width, is_free),
        residuals_px=alike[0],
        is_free=is_free,
        skew_px=float(values.shared["skew"][0]) if extras[0] else 0.0,
        bending_m=values.shared["bending"] if extras[1] else np.zeros(3),
        bending_sd_m=_sd(found, "bending") if extras[1] else np.zeros(3),
    )


def _sd(found: Adjustment, name: str) -> FloatArray:
    return np.asarray(np.sqrt(np.diag(found.covariance(name, is_scaled=True))))


def _measured(sights: Sights, camera: Camera, covariance: FloatArray, extras: tuple[bool, bool]) -> Measurements:
    bending = ("bending", _bending_shapes(sights.points_board)) if extras[1] else None
    kind = view_measurements(
        camera=camera, points_board=sights.points_board, pixels_px=sights.pixels_px, frame_of=sights.view_of,
        covariance_px2=covariance, bending=bending, group_names=sights.names,
    )  # fmt: skip
    return _with_skew(kind, sights, covariance) if extras[0] else kind


def _bending_shapes(points: FloatArray) -> FloatArray:
    """Return how far each point is moved off the board by each of three numbers, (N, 3, 3)."""
    middle = (points.max(axis=0) + points.min(axis=0)) / 2.0
    x, y = ((points - middle) / max(float(np.ptp(points[:, :2], axis=0).max()) / 2.0, 1e-9))[:, :2].T
    shapes = np.zeros((len(points), 3, 3))
    shapes[:, 2] = np.stack([x * x, x * y, y * y], axis=1)
    return shapes


def _with_skew(kind: Measurements, sights: Sights, covariance: FloatArray) -> Measurements:
    """Return the measurements with ``u + skew (v - cy) / fy`` in place of u."""
    whitening = np.linalg.inv(np.linalg.cholesky(covariance))
    undo = np.linalg.inv(whitening)

    def evaluate(values: Values) -> Linearised:
        residuals, by_pose, by_lens = kind.evaluate(values)
        fy, cy, skew = values.shared["lens"][1], values.shared["lens"][3], values.shared["skew"][0]
        plain = np.einsum("nij,nj->ni", undo, residuals)
        if by_pose is None or by_lens is None:
            return residuals, by_pose, by_lens
        lift = (plain[:, 1] + sights.pixels_px[:, 1] - cy) / fy
        shear = np.array([[1.0, skew / fy], [0.0, 1.0]])
        plain[:, 0] += skew * lift
        slope = shear @ (undo @ by_lens)
        slope[:, 0, 3] -= skew / fy
        slope[:, 0, 1] -= skew * lift / fy
        by_skew = np.stack([lift, np.zeros_like(lift)], axis=1)[:, :, None]
        return (
            np.einsum("nij,nj->ni", whitening, plain),
            whitening @ (shear @ (undo @ by_pose)),
            whitening @ np.concatenate([slope, by_skew], axis=2),
        )

    return replace(kind, evaluate=evaluate, shared={**kind.shared, "skew": None})


def view_information(rows: Linearised, sights: Sights, width: int, is_free: BoolArray) -> ViewInformation:
    """Return what linearised views tell of the first `width` shared parameters, their poses taken out."""
    residuals, by_pose, by_lens = rows
    if by_pose is None or by_lens is None:
        raise InputError("rows: expected derivatives by pose and lens, found none")
    count, view_of = len(sights.names), sights.view_of
    slopes = by_lens[:, :, :width] * is_free
    rows_all = np.concatenate([by_pose, slopes, residuals[:, :, None]], axis=2)
    size = rows_all.shape[2]
    sums = np.zeros((count, size, size))
    starts = np.flatnonzero(np.diff(view_of, prepend=-1))
    products = np.einsum("nki,nkj->nij", rows_all, rows_all, optimize=True)
    sums[view_of[starts]] = np.add.reduceat(products, starts, axis=0)
    gain = np.linalg.solve(sums[:, :6, :6], sums[:, :6, 6:])
    reduced = sums[:, 6:, 6:] - np.swapaxes(sums[:, :6, 6:], 1, 2) @ gain
    return ViewInformation(
        cost=reduced[:, width, width],
        gradient=reduced[:, :width, width],
        information=reduced[:, :width, :width],
        freedom=np.asarray(2.0 * sights.counts - 6.0, dtype=np.float64),
    )


def held_out(fit: LensFit) -> FloatArray:
    """Return each view's rms per coordinate if the lens is found from all the others, its pose from itself. [px]

    To first order: without view i the lens moves by ``(H - H_i)^-1 g_i``, and the residuals of that view with it. A
    view the others cannot do without gives infinity.
    """
    free = fit.is_free
    weighted, plain = fit.weighted, fit.plain
    scale = 1.0 / np.sqrt(np.maximum(np.diag(weighted.information.sum(axis=0))[free], 1e-300))
    information = weighted.information[:, free][:, :, free] * scale[:, None] * scale
    gradient = weighted.gradient[:, free] * scale
    total = information.sum(axis=0)
    errors = np.empty(len(gradient))
    for i, (own, slope) in enumerate(zip(information, gradient, strict=True)):
        try:
            step = np.linalg.solve(total - own, slope) * scale
        except np.linalg.LinAlgError:
            errors[i] = np.inf
            continue
        moved = plain.cost[i] + 2.0 * step @ plain.gradient[i, free]
        moved += step @ plain.information[i][np.ix_(free, free)] @ step
        errors[i] = np.sqrt(max(moved, 0.0) / max(plain.freedom[i], 1.0))
    return errors


def is_indispensable(fit: LensFit, errors: FloatArray) -> BoolArray:
    """Return which views the others cannot do without: foretold several times worse than they are fitted, (F,)."""
    return np.asarray(errors > _most_counted(fit))


def pooled_rms(fit: LensFit, errors: FloatArray) -> float:
    """Return the rms of several views' held-out rms, each by its degrees of freedom. [px]

    A view without which a part of the picture is not known is off by any amount, and alone would decide which model
    is taken; it counts with three times its own residuals.
    """
    kept = np.minimum(errors, _most_counted(fit))
    return float(np.sqrt(np.sum(kept**2 * fit.plain.freedom) / max(np.sum(fit.plain.freedom), 1.0)))


def _most_counted(fit: LensFit) -> FloatArray:
    own = fit.view_rms_px
    return np.asarray(_INDISPENSABLE * np.maximum(own, np.median(own)))
