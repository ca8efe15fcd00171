"""Whether the markers have the size that the layout states: printed with "fit to page" they have not.

One marker alone tells nothing (a smaller one nearer looks the same); two markers at known places do, since the distance
between them does not shrink with the print.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from scipy.optimize import minimize_scalar
from scipy.spatial.transform import RigidTransform

from fiducialkit.imaging.observations import MarkerObservations
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field
from fiducialkit.solving.pose import solve_pose

_RANGE = (0.7, 1.4)
_WORTH_SAYING = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkerScale:
    """The size of the markers as seen, over the size stated.

    `status` is "ok" or "not_observable" (no picture with two markers of the field); `scale` and `scale_sd` are NaN then.
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

    best = float(minimize_scalar(lambda s: misfit(s)[0], bounds=_RANGE, method="bounded", options={"xatol": 1e-6}).x)
    step = 1e-3
    low, (middle, freedom), high = misfit(best - step)[0], misfit(best), misfit(best + step)[0]
    curvature = max((low + high - 2.0 * middle) / step**2, 1e-300)
    inflation = max(1.0, middle / max(freedom - 1, 1))
    sd = math.sqrt(2.0 * inflation / curvature)
    message = ""
    if abs(best - 1.0) > max(_WORTH_SAYING, 3.0 * sd):
        message = (
            f"the markers look {100.0 * best:.1f} % (+- {100.0 * sd:.1f}) of their stated size; "
            "measure the black square of a printed one"
        )
    return MarkerScale(status="ok", message=message, scale=best, scale_sd=sd, pictures_used=len(useful))


def _known(seen: MarkerObservations, field: Field) -> int:
    return len(set(seen.marker_id.tolist()) & set(field.marker_ids.tolist()))


def _scaled(field: Field, scale: float) -> Field:
    markers = tuple(replace(marker, size_m=marker.size_m * scale) for marker in field.markers)
    return replace(field, markers=markers)
