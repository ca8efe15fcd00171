"""Whether the markers have the size that the layout states: printed with "fit to page" they have not.

One marker alone tells nothing (a smaller one nearer looks the same); two markers at known places do, since the distance
between them does not shrink with the print.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.spatial.transform import RigidTransform

from fiducialkit.imaging.observations import MarkerObservations
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import MARKER_SIZE_RANGE_M, Field
from fiducialkit.solving.pose import solve_pose

_RANGE = (0.7, 1.4)
_WORTH_SAYING = 0.02  # corners that OpenCV pulls inwards make a small marker look up to 1.7 % smaller
_STEP = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkerScale:
    """The size of the markers as seen, over the size stated.

    `status` is "ok", "not_observable" (no picture with two markers of the field; `scale` and `scale_sd` are NaN then)
    or "out_of_range" (no minimum within 0.7 to 1.4, or within the sizes a field allows).
    """

    status: str
    message: str
    scale: float
    scale_sd: float
    pictures_used: int


def marker_scale(
    pictures: Sequence[MarkerObservations],
    field: Field,
    camera: Camera,
    *,
    robot_from_camera: RigidTransform | None = None,
) -> MarkerScale:
    """Return by what one factor all markers differ from their stated size, from pictures that show two or more.

    The sum of chi squared of all pictures, each with its own pose, is minimised over the factor; its curvature gives
    the standard deviation, enlarged by the residuals where these exceed the stated noise.
    """
    useful = [seen for seen in pictures if _known(seen, field) >= 2]
    if not useful:
        message = "no picture shows two markers of the field, so their printed size cannot be told"
        return MarkerScale(status="not_observable", message=message, scale=math.nan, scale_sd=math.nan, pictures_used=0)

    def misfit(scale: float) -> tuple[float, int]:
        scaled = _scaled(field, scale)
        solutions = [solve_pose(seen, scaled, camera, robot_from_camera=robot_from_camera) for seen in useful]
        fitting = [s for s in solutions if s.estimate is not None]
        return sum(s.estimate.chi2 for s in fitting if s.estimate), sum(s.degrees_of_freedom for s in fitting)

    low, high = _allowed(field)
    found = minimize_scalar(lambda s: misfit(s)[0], bounds=(low, high), method="bounded", options={"xatol": 1e-6})
    best = min(max(float(found.x), low + _STEP), high - _STEP)
    (below, _), (middle, freedom), (above, _) = misfit(best - _STEP), misfit(best), misfit(best + _STEP)
    curvature = (below + above - 2.0 * middle) / _STEP**2
    if abs(below - above) > curvature * _STEP**2 * 4.0 or not curvature > 0.0:
        message = f"no size between {100.0 * low:.0f} and {100.0 * high:.0f} % of the stated one fits the pictures best"
        return MarkerScale(
            status="out_of_range", message=message, scale=math.nan, scale_sd=math.nan, pictures_used=len(useful)
        )
    sd = math.sqrt(2.0 * max(1.0, middle / max(freedom - 1, 1)) / curvature)
    return MarkerScale(status="ok", message=_remark(best, sd), scale=best, scale_sd=sd, pictures_used=len(useful))


def _remark(scale: float, sd: float) -> str:
    if abs(scale - 1.0) <= max(_WORTH_SAYING, 3.0 * sd):
        return ""
    return (
        f"the markers look {100.0 * scale:.1f} % (+- {100.0 * sd:.1f}) of their stated size; "
        "measure the black square of a printed one"
    )


def _known(seen: MarkerObservations, field: Field) -> int:
    whole = np.isfinite(seen.corners_px).all(axis=(1, 2))
    return len(set(seen.marker_id[whole].tolist()) & set(field.marker_ids.tolist()))


def _allowed(field: Field) -> tuple[float, float]:
    """Return the range of the factor that keeps every marker within the sizes a field takes."""
    smallest, largest = MARKER_SIZE_RANGE_M
    sizes = [marker.size_m for marker in field.markers]
    return max(_RANGE[0], smallest / min(sizes)), min(_RANGE[1], largest / max(sizes))


def _scaled(field: Field, scale: float) -> Field:
    markers = tuple(replace(marker, size_m=marker.size_m * scale) for marker in field.markers)
    return replace(field, markers=markers)
