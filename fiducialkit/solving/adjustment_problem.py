"""What is adjusted, declared: parameters with their priors, and measurements with their derivatives.

A pose is an array (3, 4), rotation and position side by side, of any frame in any other; its local step is a small
translation, then a small rotation vector, both in the frame it leads to: ``p -> p + dp``, ``R -> exp(w) R``. Every
derivative, prior covariance and resulting covariance of a pose is by that step.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from fiducialkit.arrays import BoolArray, FloatArray, IntArray, checked_array
from fiducialkit.errors import InputError
from fiducialkit.solving.adjustment_poses import inverse_left_jacobian, moved_poses, rotation_vectors

POSE_LABELS = ("x_m", "y_m", "z_m", "turn_x_rad", "turn_y_rad", "turn_z_rad")
Linearised = tuple[FloatArray, FloatArray | None, FloatArray | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What is known of a block beforehand, each of its items for itself.

    Attributes
    ----------
    mean : array_like, optional
        Shaped like the block's value; the value itself if None.
    sd : array_like, optional
        Of each parameter, shape (q,) or (n, q); infinity where nothing is known.
    covariance : array_like, optional
        Instead of `sd`: shape (q, q) or (n, q, q), positive definite. Of a pose: by its local step.
    """

    mean: Any = None
    sd: Any = None
    covariance: Any = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Parameters of one kind: one lens, the poses of all markers, the pose of every frame.

    Attributes
    ----------
    name : str
    value : array_like
        Where to start. One item: shape (q,), or (3, 4) for a pose; n items: (n, q) or (n, 3, 4).
    labels : sequence of str
        Name and unit of the q parameters of an item; known for a pose.
    manifold : {"flat", "pose"}
        Flat parameters step by addition, poses as the module says.
    prior : Prior, optional
    fixed : array_like of bool
        Which parameters are held, shape (), (q,) or (n, q). Of a pose: which local steps.
    items : sequence of str, optional
        Names of the n items for messages; their numbers if None.
    is_single : bool
        Whether the value is that of one item, without an axis for items.
    count : int
        Number of items.
    held : ndarray of bool, shape (n, q)
        `fixed`, spelled out.
    """

    name: str
    value: Any
    labels: Sequence[str] = ()
    manifold: Literal["flat", "pose"] = "flat"
    prior: Prior | None = None
    fixed: Any = False
    items: Sequence[str] | None = None
    is_single: bool = field(init=False)
    count: int = field(init=False)
    held: BoolArray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        if self.manifold not in ("flat", "pose"):
            raise InputError(f"block {self.name}: manifold: expected flat or pose, found {self.manifold!r}")
        if self.manifold == "pose" and not self.labels:
            object.__setattr__(self, "labels", POSE_LABELS)
        object.__setattr__(self, "labels", tuple(self.labels))
        item = (3, 4) if self.manifold == "pose" else (len(self.labels),)
        value = np.asarray(self.value)
        single = value.ndim == len(item)
        value = checked_array(f"block {self.name}: value", value, item if single else (None, *item))
        object.__setattr__(self, "value", value)
        object.__setattr__(self, "is_single", single)
        object.__setattr__(self, "count", 1 if single else len(value))
        self._check()

    def _check(self) -> None:
        if self.manifold == "pose":
            if len(self.labels) != 6:
                raise InputError(f"block {self.name}: labels: expected 6 for a pose, found {len(self.labels)}")
            rotation = self.stacked(self.value)[:, :, :3]
            error = np.abs(rotation @ rotation.transpose(0, 2, 1) - np.eye(3)).max(initial=0.0)
            if error > 1e-6 or (np.linalg.det(rotation) < 0.0).any():
                raise InputError(
                    f"block {self.name}: expected rotations, found a matrix that is none (off {error:.2g})"
                )
        if self.items is not None and len(self.items) != self.count:
            raise InputError(f"block {self.name}: items: expected {self.count} names, found {len(self.items)}")
        try:
            held = np.array(np.broadcast_to(np.asarray(self.fixed, dtype=np.bool_), (self.count, self.size)))
        except ValueError:
            expected = f"({self.size},) or ({self.count}, {self.size})"
            raise InputError(
                f"block {self.name}: fixed: expected shape {expected}, found {np.shape(self.fixed)}"
            ) from None
        object.__setattr__(self, "held", held)

    @property
    def size(self) -> int:
        """Parameters of one item."""
        return len(self.labels)

    @property
    def dimension(self) -> int:
        """Parameters of all items."""
        return self.count * self.size

    @property
    def full_labels(self) -> list[str]:
        """Every parameter's name: ``lens.fx_px``, ``marker[7].x_m``."""
        if self.is_single:
            return [f"{self.name}.{label}" for label in self.labels]
        return [f"{self.item_name(i)}.{label}" for i in range(self.count) for label in self.labels]

    def item_name(self, item: int) -> str:
        """Return what an item is called: ``marker[7]``."""
        if self.is_single:
            return self.name
        return f"{self.name}[{item if self.items is None else self.items[item]}]"

    def stacked(self, value: FloatArray) -> FloatArray:
        """Return a value with the axis of its items: (n, q) or (n, 3, 4)."""
        return value[None] if self.is_single else value

    def moved(self, value: FloatArray, step: FloatArray) -> FloatArray:
        """Return the value after a local step of `dimension` numbers."""
        if self.manifold == "flat":
            return value + np.reshape(step, value.shape)
        return moved_poses(self.stacked(value), np.reshape(step, (-1, 6))).reshape(value.shape)

    def deviation(self, value: FloatArray, mean: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the local step from mean to value, (n, q), and its derivative by a step of the value, (n, q, q)."""
        value, mean = self.stacked(value), self.stacked(mean)
        slope = np.broadcast_to(np.eye(self.size), (self.count, self.size, self.size)).copy()
        if self.manifold == "flat":
            return value - mean, slope
        turn = rotation_vectors(value[:, :, :3] @ mean[:, :, :3].transpose(0, 2, 1))
        slope[:, 3:, 3:] = inverse_left_jacobian(turn)
        return np.concatenate([value[:, :, 3] - mean[:, :, 3], turn], axis=1), slope


@dataclass(frozen=True, slots=True)
class Values:
    """Values of all parameters, shaped as they were declared: `shared` by block name, `frames` or None."""

    shared: Mapping[str, FloatArray]
    frames: FloatArray | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurements:
    """N measurements of one kind: m numbers each, correlated inside a measurement, independent between them.

    Attributes
    ----------
    name : str
    evaluate : callable
        ``evaluate(values)`` gives (residuals, by_frame, by_shared): whitened residuals (N, m), predicted less measured
        over their sd, and their derivatives by the local steps of the measurement's frame (N, m, q) and of the shared
        parameters it touches (N, m, k); None for what it has not. A model that fails there gives NaN.
    frame_of : array_like of int, shape (N,), optional
        The frame each belongs to; None if they belong to none.
    shared : mapping
        Which shared parameters they touch, in the order of `by_shared`: block name to the item each measurement
        touches, shape (N,), or to None for the whole block.
    group_of : array_like of int, shape (N,), optional
        Measurements that are believed or doubted together: a marker in a picture, a view of a board. Each is its own
        group if None.
    group_names : sequence of str, optional
        Names of the groups for messages and the table of residuals.
    """

    name: str
    evaluate: Callable[[Values], Linearised]
    frame_of: Any = None
    shared: Mapping[str, Any] = field(default_factory=dict)
    group_of: Any = None
    group_names: Sequence[str] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Robust:
    """How little a group that does not fit may count.

    With u the rms of a group's whitened residuals over `scale`, weights are, for "huber", 1 up to `limit` and limit / u
    beyond; for "biweight", 1 up to u = 1, what stated sds lead to expect, then (1 - (u^2 - 1) / (limit^2 - 1))^2, and 0
    from `limit` on. A biweight fit starts from a Huber fit and narrows its limit step by step.

    References
    ----------
    Huber, Ann. Math. Statist. 35 (1964) 73-101; Beaton and Tukey, Technometrics 16 (1974) 147-185. The rms of a
    group in place of a single residual, and the full weight up to 1: our choice, so that whole groups are judged and
    good ones count fully, however many numbers they hold.
    """

    kind: Literal["huber", "biweight"] = "huber"
    limit: float = 2.0
    scale: float = 1.0

    def __post_init__(self) -> None:
        if self.kind not in ("huber", "biweight"):
            raise InputError(f"robust: kind: expected huber or biweight, found {self.kind!r}")
        for name in ("limit", "scale"):
            value = getattr(self, name)
            least = 1.0 if (name, self.kind) == ("limit", "biweight") else 0.0
            if not least < value < np.inf:
                raise InputError(f"robust: {name}: expected a number above {least:g}, found {value}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """A whole adjustment, checked.

    Attributes
    ----------
    measurements : sequence of Measurements
    shared : sequence of Block
        Parameters that many measurements touch; solved together.
    frames : Block, optional
        Parameters of the frames, one item a frame, which only that frame's measurements touch; eliminated.
    constraints : mapping
        Block name to a matrix (c, dimension): ``matrix @ step = 0`` for every step of that shared block, to hold what
        no measurement tells, such as where the whole network lies.
    """

    measurements: Sequence[Measurements]
    shared: Sequence[Block] = ()
    frames: Block | None = None
    constraints: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        names = [block.name for block in self.shared]
        if len(set(names)) < len(names):
            raise InputError(f"shared: expected each block name once, found {names}")
        if not self.measurements:
            raise InputError("measurements: expected at least one kind, found none")
        if self.frames is None and not self.shared:
            raise InputError("problem: expected frames or shared parameters, found neither")
        if self.frames is not None and self.frames.is_single:
            raise InputError("frames: expected a value with one item a frame, found a single item")
        if self.frames is not None and self.frames.count == 0:
            raise InputError("frames: expected at least one, found none")
        for name in self.constraints:
            self.block(name)

    def block(self, name: str) -> Block:
        """Return a shared block by its name."""
        for block in self.shared:
            if block.name == name:
                return block
        raise InputError(f"shared: expected one of {[block.name for block in self.shared]}, found {name!r}")

    def columns_of(self, name: str) -> slice:
        """Return where a shared block's parameters stand in the vector of all shared ones."""
        start = 0
        for block in self.shared:
            if block.name == name:
                return slice(start, start + block.dimension)
            start += block.dimension
        raise InputError(f"shared: expected one of {[block.name for block in self.shared]}, found {name!r}")

    @property
    def shared_labels(self) -> list[str]:
        """Names of all shared parameters in their order."""
        return [label for block in self.shared for label in block.full_labels]

    @property
    def start(self) -> Values:
        """The values the blocks were declared with."""
        shared = {block.name: block.value for block in self.shared}
        return Values(shared, None if self.frames is None else self.frames.value)

    def moved(self, values: Values, shared_step: FloatArray, frame_steps: FloatArray) -> Values:
        """Return the values after local steps of the shared parameters (p,) and of the frames (F, q)."""
        shared = {
            block.name: block.moved(values.shared[block.name], shared_step[self.columns_of(block.name)])
            for block in self.shared
        }
        if self.frames is None or values.frames is None:
            return Values(shared)
        return Values(shared, self.frames.moved(values.frames, frame_steps))


@dataclass(frozen=True, slots=True)
class Layout:
    """The fixed indices of one kind of measurement, checked and spelled out."""

    frame_of: IntArray
    has_frame: bool
    columns: IntArray
    group_of: IntArray
    groups: int
    group_names: tuple[str, ...] | None


def laid_out(problem: Problem, kind: Measurements, count: int) -> Layout:
    """Return the indices of `count` measurements, or raise InputError where one does not fit the problem."""
    where = f"measurements {kind.name}"
    has_frame = kind.frame_of is not None
    if has_frame and problem.frames is None:
        raise InputError(f"{where}: frame_of: expected a problem with frames, found one without")
    limit = problem.frames.count if problem.frames is not None else 1
    frame_of = (
        _indices(f"{where}: frame_of", kind.frame_of, count, limit) if has_frame else np.zeros(count, dtype=np.int64)
    )
    columns = [_item_columns(problem, kind, name, item, count) for name, item in kind.shared.items()]
    stacked = np.concatenate(columns, axis=1) if columns else np.zeros((count, 0), dtype=np.int64)
    if kind.group_of is None:
        group_of = np.arange(count, dtype=np.int64)
    else:
        group_of = _indices(f"{where}: group_of", kind.group_of, count, None)
    groups = int(group_of.max(initial=-1)) + 1
    names = None if kind.group_names is None else tuple(kind.group_names)
    if names is not None and len(names) < groups:
        raise InputError(f"{where}: group_names: expected {groups}, found {len(names)}")
    return Layout(frame_of, has_frame, stacked, group_of, max(groups, len(names or ())), names)


def _item_columns(problem: Problem, kind: Measurements, name: str, item: Any, count: int) -> IntArray:
    block, start = problem.block(name), problem.columns_of(name).start
    if item is None:
        return np.broadcast_to(start + np.arange(block.dimension), (count, block.dimension)).astype(np.int64)
    index = _indices(f"measurements {kind.name}: shared {name}", item, count, block.count)
    return np.asarray(start + index[:, None] * block.size + np.arange(block.size), dtype=np.int64)


def _indices(name: str, value: Any, count: int, limit: int | None) -> IntArray:
    array = np.asarray(value)
    if array.shape != (count,) or array.dtype.kind not in "iu":
        raise InputError(f"{name}: expected {count} whole numbers, found shape {array.shape} of {array.dtype}")
    highest = np.inf if limit is None else limit - 1
    if count and not (array.min() >= 0 and array.max() <= highest):
        raise InputError(f"{name}: expected 0 to {highest}, found {array.min()} to {array.max()}")
    return np.ascontiguousarray(array, dtype=np.int64)


def priors_of(block: Block) -> tuple[FloatArray, FloatArray] | None:
    """Return (mean, information (n, q, q)) of a block's prior, or None."""
    prior = block.prior
    if prior is None:
        return None
    where = f"block {block.name}: prior"
    if (prior.sd is None) == (prior.covariance is None):
        raise InputError(f"{where}: expected either sd or covariance, found {'none' if prior.sd is None else 'both'}")
    mean = block.value if prior.mean is None else checked_array(f"{where}: mean", prior.mean, block.value.shape)
    n, q = block.count, block.size
    if prior.sd is not None:
        sd = checked_array(f"{where}: sd", prior.sd, finite=False)
        if sd.shape not in ((q,), (n, q)) or not (sd > 0.0).all():
            raise InputError(f"{where}: sd: expected ({q},) or ({n}, {q}) numbers above 0, found shape {sd.shape}")
        return mean, np.broadcast_to(1.0 / sd**2, (n, q))[:, :, None] * np.eye(q)
    covariance = checked_array(f"{where}: covariance", prior.covariance)
    if covariance.shape not in ((q, q), (n, q, q)):
        raise InputError(f"{where}: covariance: expected ({q}, {q}) or ({n}, {q}, {q}), found shape {covariance.shape}")
    scale = np.sqrt(np.abs(np.diagonal(covariance, axis1=-2, axis2=-1)))
    scale = np.where(scale > 0.0, scale, 1.0)
    scales = scale[..., :, None] * scale[..., None, :]
    if not (np.linalg.eigvalsh(covariance / scales) > 1e-14).all():
        raise InputError(f"{where}: covariance: expected a positive definite matrix, found one that is not")
    information = np.linalg.inv(covariance / scales) / scales
    return mean, np.broadcast_to(information, (n, q, q)).copy()
