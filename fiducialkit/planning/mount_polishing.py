"""A rig moved and turned freely inside its boxes, from the best grid points on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize

from fiducialkit.arrays import FloatArray
from fiducialkit.planning.mount_boxes import Candidate, MountRoom, may_stand_together, place_fault
from fiducialkit.planning.rig_enumeration import ScoredRig, exact_score
from fiducialkit.planning.rig_sums import WORST_NODE, CaseParts, case_parts, rig_sums
from fiducialkit.planning.study import Study
from fiducialkit.scene.robot import Mount

_EVALUATIONS_A_CAMERA = 60
_MEAN_WEIGHT = 0.1  # between steps of the worst chance the mean leads the way
_FIRST_STEP = 0.2  # of a box's width
_FORBIDDEN = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Polished:
    """Mounts after polishing, with their chances by the sums of information."""

    mounts: tuple[Mount, ...]
    scored: ScoredRig


def evaluations_of(cameras: int) -> int:
    """Return how many rigs are tried at most while one of so many cameras is polished."""
    return 1 + _EVALUATIONS_A_CAMERA * cameras


def polished(
    study: Study,
    room: MountRoom,
    rig: Sequence[Candidate],
    *,
    objective: str = WORST_NODE,
    progress: Callable[[int], object] | None = None,
) -> Polished:
    """Return the best rig on a simplex search over position, yaw, tilt and roll from the rig on; never a worse one.

    References
    ----------
    Nelder and Mead, Computer Journal 7 (1965) 308-313, as scipy has it, with bounds.
    """
    limits = np.array([candidate.box.limits for candidate in rig]).reshape(-1, 2)
    start = np.concatenate([_numbers(candidate.mount) for candidate in rig])
    free = np.flatnonzero(limits[:, 1] - limits[:, 0] > 1e-9)
    width = (limits[:, 1] - limits[:, 0])[free]
    cases = case_parts(study, objective)
    by_worst, by_mean = (1.0, _MEAN_WEIGHT) if objective == WORST_NODE else (0.0, 1.0)
    origin_mounts = tuple(each.mount for each in rig)
    best = Polished(mounts=origin_mounts, scored=_scored(study, origin_mounts, cases))
    tried = 1

    def loss(scaled: FloatArray) -> float:
        nonlocal best, tried
        tried += 1
        if progress is not None:
            progress(1)
        numbers = start.copy()
        numbers[free] = limits[free, 0] + np.clip(scaled, 0.0, 1.0) * width
        mounts = [_moved(each.mount, part) for each, part in zip(rig, numbers.reshape(-1, 6), strict=True)]
        if not _is_allowed(study, room, mounts):
            return _FORBIDDEN
        scored = _scored(study, mounts, cases)
        if scored.score > best.scored.score:
            best = Polished(mounts=tuple(mounts), scored=scored)
        return -(by_worst * scored.worst_chance + by_mean * scored.benefit)

    if free.size:
        origin = (start[free] - limits[free, 0]) / width
        corners = np.vstack([origin, origin + np.diag(np.where(origin < 0.5, _FIRST_STEP, -_FIRST_STEP))])
        most = evaluations_of(len(rig)) - 1
        minimize(
            loss, origin, method="Nelder-Mead", bounds=[(0.0, 1.0)] * len(origin),
            options={"initial_simplex": corners, "maxfev": most, "xatol": 1e-3, "fatol": 1e-6, "adaptive": True},
        )  # fmt: skip
    if progress is not None:
        progress(max(0, evaluations_of(len(rig)) - tried + 1))
    return best


def _numbers(mount: Mount) -> FloatArray:
    return np.array([*mount.position, mount.yaw_deg, mount.tilt_deg, mount.roll_deg])


def _moved(mount: Mount, numbers: FloatArray) -> Mount:
    x, y, z, yaw, tilt, roll = (float(value) for value in numbers)
    return replace(mount, position=(x, y, z), yaw_deg=yaw, tilt_deg=tilt, roll_deg=roll)


def _is_allowed(study: Study, room: MountRoom, mounts: Sequence[Mount]) -> bool:
    apart = may_stand_together(mounts, room.apart_m) | np.eye(len(mounts), dtype=np.bool_)
    return bool(apart.all()) and not any(place_fault(study.robot, room, mount.position) for mount in mounts)


def _scored(study: Study, mounts: Sequence[Mount], cases: tuple[CaseParts, FloatArray]) -> ScoredRig:
    # a rig of so few mounts gains nothing from threads
    found = exact_score(rig_sums(study, mounts, cases=cases, workers=1), tuple(range(len(mounts))))
    return found if found is not None else ScoredRig(rig=(), worst_chance=0.0, benefit=0.0, score=0.0)
