"""What one moment's pictures say about the robot's pose."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import RigidTransform

from fiducialkit.arrays import FloatArray
from fiducialkit.errors import NoPoseError
from fiducialkit.scene.transforms import heading_rad, parts, rigid_transform
from fiducialkit.solving.region_kernels import holds_each

STATUSES = ("ok", "ambiguous", "inconsistent", "no_markers", "no_known_markers", "not_converged")
COVARIANCE_KINDS = ("linear", "second_order", "sampled")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PoseEstimate:
    """One pose with its covariance and its probability among those that fit.

    Attributes
    ----------
    rotation : ndarray, shape (3, 3)
        Of field_from_robot.
    position : ndarray, shape (3,)
        Of the robot's origin in field. [m]
    covariance : ndarray, shape (6, 6)
        Of (x, y, z of the robot's origin in field, then a rotation vector in field). [m, rad]
    seen_covariance : ndarray, shape (6, 6)
        Of (the markers' middle in robot axes, then a rotation vector in field), where the posterior bends least.
        [m, rad]
    probability : float
        Posterior, among all poses that fit, priors included.
    chi2 : float
        Weighted sum of squared residuals.
    """

    rotation: FloatArray
    position: FloatArray
    covariance: FloatArray
    seen_covariance: FloatArray
    probability: float
    chi2: float
    _made: list[RigidTransform] = field(init=False, repr=False, default_factory=list)

    def __post_init__(self) -> None:
        for array in (self.rotation, self.position, self.covariance, self.seen_covariance):
            array.flags.writeable = False

    @property
    def field_from_robot(self) -> RigidTransform:
        """The pose as a transform; made when first asked for, since that takes longer than the whole solution."""
        if not self._made:
            self._made.append(rigid_transform(self.rotation, self.position, "robot pose"))
        return self._made[0]


_NO_POSE = PoseEstimate(
    rotation=np.full((3, 3), math.nan),
    position=np.full(3, math.nan),
    covariance=np.full((6, 6), math.nan),
    seen_covariance=np.full((6, 6), math.nan),
    probability=0.0,
    chi2=math.nan,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkerResidual:
    """How one marker lies to the pose.

    `sigmas` is how far it lies from where everything else puts it, per coordinate: the root of an eighth of the squared
    residual weighted with its own and that prediction's covariance. Infinite where it would lie behind the camera.
    """

    marker_id: int
    camera: int
    is_used: bool
    rms_px: float
    sigmas: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PoseSolution:
    """What one moment's pictures say about the robot's pose.

    Attributes
    ----------
    status : str
        "ok"; "ambiguous": another pose has more than 5 %; "inconsistent": a pose exists but the corners lie far
        from it, or every marker is mirrored; "no_markers"; "no_known_markers": none that is on the field and whole;
        "not_converged". The first three hold a pose.
    message : str
        One sentence; empty where nothing is odd.
    estimate : PoseEstimate or None
        The most probable pose.
    alternative : PoseEstimate or None
        The next pose that fits the corners.
    markers_used : tuple of int
    markers_rejected : tuple of (int, str)
        Id and reason.
    residuals : tuple of MarkerResidual
        Of every marker that was tried, used or not.
    rms_px : float
        Reprojection error of the markers used, rms per coordinate.
    degrees_of_freedom : int
        Coordinates plus priors, less six.
    covariance_kind : str
        "linear": the inverse of the information matrix; "second_order": with what the arm from the markers to the robot
        adds as it turns; "sampled": both would be wrong here (nearly face-on, small), so the covariance is the second
        moment of the posterior about the pose.
    markers_middle : ndarray, shape (3,), or None
        Middle of the markers used, in field. [m]
    region_95 : float
        Squared distance up to which poses belong to the 95 % region (`holds`); 12.59 for one Gaussian.
    """

    status: str
    message: str
    estimate: PoseEstimate | None = None
    alternative: PoseEstimate | None = None
    markers_used: tuple[int, ...] = ()
    markers_rejected: tuple[tuple[int, str], ...] = ()
    residuals: tuple[MarkerResidual, ...] = ()
    rms_px: float = math.nan
    degrees_of_freedom: int = 0
    covariance_kind: str = "linear"
    region_95: float = math.nan
    markers_middle: FloatArray | None = None

    def _pose(self) -> PoseEstimate:
        if self.estimate is None:
            raise NoPoseError(f"no pose: {self.message or self.status}")
        return self.estimate

    @property
    def field_from_robot(self) -> RigidTransform:
        """The most probable pose; reading it from a result that has none raises NoPoseError."""
        return self._pose().field_from_robot

    @property
    def covariance(self) -> FloatArray:
        """Of the most probable pose: (6, 6), x y z in field, then a rotation vector in field. [m, rad]"""
        return self._pose().covariance

    @property
    def flip_probability(self) -> float:
        """Probability that the pose is not the right one of those that fit."""
        return 1.0 - self._pose().probability

    @property
    def rms_point_px(self) -> float:
        """Reprojection error, rms per point: sqrt(2) times `rms_px`."""
        return math.sqrt(2.0) * self.rms_px

    def holds(self, field_from_robot: RigidTransform) -> bool:
        """Return whether a pose lies in the 95 % region, which goes round both poses where two fit.

        Distances are measured where the picture measures: d is the change of the markers' middle in robot axes, then
        of the rotation vector, and C its covariance, `seen_covariance`. With p a pose's probability the region is where
        the least of ``d' C^-1 d + 2 ln(p1 / p) + ln(det C / det C1)`` over both poses is below `region_95`.
        """
        both = [each for each in (self._pose(), self.alternative) if each is not None]
        both = both if len(both) > 1 else [both[0], _NO_POSE]
        result = (
            np.array([[each.rotation for each in both]]),
            np.array([[each.position for each in both]]),
            np.array([[each.seen_covariance for each in both]]),
            np.array([[each.probability for each in both]]),
            np.array([self.markers_middle], dtype=np.float64),
            np.array([self.region_95]),
        )
        rotation, position = parts(field_from_robot)
        held = np.empty(1, dtype=np.bool_)
        holds_each(rotation[None].copy(), position[None].copy(), result, held)
        return bool(held[0])

    def __str__(self) -> str:
        if self.estimate is None:
            return f"{self.status}: {self.message}"
        x, y, z = self.estimate.position
        heading = math.degrees(heading_rad(self.field_from_robot))
        sd = np.sqrt(np.diag(self.covariance))
        text = f"{self.status}: x {x:.3f} +- {sd[0]:.3f}, y {y:.3f} +- {sd[1]:.3f}, z {z:.3f} +- {sd[2]:.3f} m, "
        text += f"heading {heading:.2f} +- {math.degrees(sd[5]):.2f} deg, {len(self.markers_used)} markers"
        return f"{text}; {self.message}" if self.message else text
