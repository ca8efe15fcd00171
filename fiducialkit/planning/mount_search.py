"""The search for camera mounts: which places and directions serve the scoring nodes best."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray
from fiducialkit.errors import InputError
from fiducialkit.planning.mount_boxes import (
    Candidate,
    MountBox,
    MountRoom,
    candidate_mounts,
    default_room,
    may_stand_together,
)
from fiducialkit.planning.mount_polishing import Polished, evaluations_of, polished
from fiducialkit.planning.rig_enumeration import MOST_CAMERAS, Enumeration, ScoredRig, best_rigs, pieces_of, stamp_of
from fiducialkit.planning.rig_sums import OBJECTIVES, WORST_NODE, case_parts, rig_sums
from fiducialkit.planning.search_judgement import (
    BEST_RIGS,
    DRAWS,
    HAND_MADE,
    Contest,
    contest,
    judged_rigs,
    verdict_in_words,
)
from fiducialkit.planning.study import Study
from fiducialkit.scene.robot import Mount, Rig, Robot
from fiducialkit.tables import Column, Table

KEPT = 12  # rigs of each number of cameras that are judged in full

CANDIDATES = Table(
    "candidates",
    (
        Column("candidate", "int", "number, counted from 0"),
        Column("box", "text", "name of the box"),
        Column("mount_x_m", "float", "entrance pupil in robot"),
        Column("mount_y_m", "float", "entrance pupil in robot"),
        Column("mount_z_m", "float", "entrance pupil in robot"),
        Column("yaw_deg", "float", "view turned counter-clockwise from the robot's forward"),
        Column("tilt_deg", "float", "view raised above the horizontal"),
        Column("roll_deg", "float", "camera turned clockwise, seen from behind it"),
        Column("alone_worst_chance", "float", "at most this chance to score in the worst case, as the only camera"),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundRig:
    """A rig and its mounts."""

    rig: Rig
    mounts: tuple[Mount, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MountSearch:
    """What a search found.

    Attributes
    ----------
    study : Study
    room : MountRoom
    objective : str
        What rigs are ranked by, one of `rig_sums.OBJECTIVES`.
    table : DataFrame `search_judgement.BEST_RIGS`
        The best rigs of every number of cameras and the hand-made ones, best first.
    candidates : DataFrame `CANDIDATES`
    refused : int
        Grid points in the boxes where the robot itself leaves no room.
    rigs : tuple of FoundRig
        The rigs of the table that were found, in its order.
    best : FoundRig
        The best found rig.
    robot : Robot
        The study's robot with, for every number of cameras, the mounts and the rig found best.
    contest : Contest or None
        The best found rig against the best hand-made one of no more cameras; None if there is none.
    verdict : str
    """

    study: Study
    room: MountRoom
    objective: str
    table: pd.DataFrame
    candidates: pd.DataFrame
    refused: int
    rigs: tuple[FoundRig, ...]
    best: FoundRig
    robot: Robot
    contest: Contest | None
    verdict: str

    def __str__(self) -> str:
        return self.verdict


def search_mounts(
    study: Study,
    *,
    boxes: Sequence[MountBox] | MountRoom | None = None,
    cameras: int = 2,
    objective: str = WORST_NODE,
    polish: int = 2,
    seed: int = 0,
    workers: int | None = None,
    resume: str | Path | None = None,
    progress: Callable[[int, int], object] | None = None,
) -> MountSearch:
    """Return the best rigs of up to `cameras` cameras that stand in boxes on the robot.

    What every candidate mount tells from every pose on the way to every node is computed once, and every rig of up to
    three candidates is tried as a sum (`rig_enumeration` says why none better is lost; four cameras by branch and
    bound). The best `polish` rigs of the largest number are then moved and turned freely inside their boxes, and the
    best of all are predicted in full, with mirrored poses and with markers that two cameras share, beside the robot's
    hand-made rigs. Rigs are ranked by the chance to score in the worst case (node, side, mechanism state) in whole per
    cents, then the benefit (the mean chance, each node with the study's weight), then the error, as `compare_mounts`
    does; or by the benefit alone, where one bad case may be made up for by the others. What the cameras cost stands
    beside the benefit and decides nothing.

    Parameters
    ----------
    study : Study
    boxes : sequence of MountBox, or MountRoom, optional
        Where cameras may go; a box at each corner of the footprint if None (`mount_boxes.default_room`).
    cameras : int
        1 to 4; all smaller numbers are searched as well.
    objective : {"worst node", "weighted mean"}
        What rigs are ranked by: the worst case's chance, then the benefit; or the benefit in tenths of a per cent, then
        the error.
    polish : int
        How many rigs are polished.
    seed : int
        Of the draws behind the interval; the search itself draws nothing.
    workers : int, optional
        Threads, a thread a processor if None. The result does not depend on them.
    resume : str or Path, optional
        A folder in which finished pieces are kept: a search that was stopped goes on there.
    progress : callable, optional
        Called with (done, all); what it raises stops the search.

    Raises
    ------
    InputError
        If there is nothing to score at, no room for a camera, or more to try than can be.
    FileFormatError
        If the folder holds pieces of another search.
    """
    _check(study, cameras, polish, objective)
    room = (
        default_room(study)
        if boxes is None
        else boxes
        if isinstance(boxes, MountRoom)
        else MountRoom(boxes=tuple(boxes))
    )
    candidates, refused = candidate_mounts(study.robot, room)
    tick = _Ticker(progress, len(candidates), cameras, polish)
    mounts = [candidate.mount for candidate in candidates]
    sums = rig_sums(study, mounts, cases=case_parts(study, objective), workers=workers, progress=tick.set)
    plan = Enumeration(
        sums=sums,
        allowed=may_stand_together(mounts, room.apart_m),
        kept=KEPT,
        workers=workers,
        folder=None if resume is None else Path(resume),
        stamp=stamp_of(study, room, KEPT, objective),
        progress=tick,
    )
    by_size: list[list[ScoredRig]] = []
    for size in range(1, cameras + 1):
        by_size.append(best_rigs(plan, size, by_size[-1] if by_size else []))
    if not by_size[-1]:
        raise InputError(f"cameras: expected room for {cameras} cameras apart from each other, found none in the boxes")
    best = [tuple(candidates[k] for k in each.rig) for each in by_size[-1][:polish]]
    after = [polished(study, room, rig, objective=objective, progress=tick) for rig in best]
    trial = _Trial(
        study=study,
        room=room,
        objective=objective,
        candidates=_candidate_table(candidates, sums.alone),
        refused=refused,
        seed=seed,
    )
    return _result(trial, _named(by_size, candidates, after))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Trial:
    """What was searched, and how."""

    study: Study
    room: MountRoom
    objective: str
    candidates: pd.DataFrame
    refused: int
    seed: int


def _check(study: Study, cameras: int, polish: int, objective: str) -> None:
    if objective not in OBJECTIVES:
        known = " or ".join(f"'{each}'" for each in OBJECTIVES)
        raise InputError(f"objective: expected {known}, found {objective!r}")
    if not study.field.markers or not study.field.nodes:
        raise InputError("field: expected at least one marker and one node to search mounts for, found none")
    for name, value, low, high in (("cameras", cameras, 1, MOST_CAMERAS), ("polish", polish, 0, KEPT)):
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise InputError(f"{name}: expected a whole number from {low} to {high}, found {value!r}")


class _Ticker:
    """Progress over the whole search: candidates, pieces, evaluations."""

    def __init__(
        self, progress: Callable[[int, int], object] | None, candidates: int, cameras: int, polish: int
    ) -> None:
        self._progress, self._done = progress, 0
        pieces = sum(pieces_of(size, candidates) for size in range(2, cameras + 1))
        self._all = candidates + pieces + polish * evaluations_of(cameras)

    def __call__(self, steps: int = 1) -> None:
        self._done += steps
        if self._progress is not None:
            self._progress(min(self._done, self._all), self._all)

    def set(self, done: int, _: int) -> None:
        """Say how many candidates are looked at."""
        self(done - self._done)


def _named(
    by_size: list[list[ScoredRig]], candidates: Sequence[Candidate], after: Sequence[Polished]
) -> list[FoundRig]:
    """Return all rigs to be judged in full, polished ones first, under names of their own."""
    found = [
        _found(f"{len(each.mounts)} found, polished {number}", each.mounts)
        for number, each in enumerate(after, start=1)
    ]
    for best in by_size:
        for number, each in enumerate(best, start=1):
            mounts = tuple(candidates[k].mount for k in each.rig)
            found.append(_found(f"{len(mounts)} found, grid {number}", mounts))
    return found


def _found(name: str, mounts: tuple[Mount, ...]) -> FoundRig:
    named = tuple(replace(mount, name=f"{name}, camera {number}") for number, mount in enumerate(mounts, start=1))
    return FoundRig(rig=Rig(name=name, mounts=tuple(mount.name for mount in named)), mounts=named)


def _result(tried: _Trial, found: list[FoundRig]) -> MountSearch:
    study, objective = tried.study, tried.objective
    taken = {rig.name for rig in study.robot.rigs} | {mount.name for mount in study.robot.mounts}
    clash = taken & {name for each in found for name in (each.rig.name, *each.rig.mounts)}
    if clash:
        raise InputError(f"robot: expected no rig or mount of the name '{min(clash)}', which the search itself gives")
    trial = with_rigs(study, found)
    table = judged_rigs(trial, [each.rig.name for each in found], objective=objective)
    by_name = {each.rig.name: each for each in found}
    rigs = tuple(by_name[name] for name in table.loc[~table[HAND_MADE], "rig"])
    first = table.drop_duplicates(["cameras", HAND_MADE])
    firsts = [by_name[name] for name in first.loc[~first[HAND_MADE], "rig"]]
    against = table[table[HAND_MADE] & (table["cameras"] <= len(rigs[0].mounts))]
    duel = None
    if len(against):
        duel = contest(trial, rigs[0].rig.name, str(against.iloc[0]["rig"]), seed=tried.seed, draws=DRAWS)
    return MountSearch(
        study=study,
        room=tried.room,
        objective=objective,
        table=BEST_RIGS.checked(table),
        candidates=tried.candidates,
        refused=tried.refused,
        rigs=rigs,
        best=rigs[0],
        robot=with_rigs(study, sorted(firsts, key=lambda each: len(each.mounts))).robot,
        contest=duel,
        verdict=verdict_in_words(table, duel, objective=objective, is_weighted=bool(study.weights)),
    )


def with_rigs(study: Study, found: Sequence[FoundRig]) -> Study:
    """Return the study with these rigs and their mounts beside its own."""
    rigs = tuple(each.rig for each in found)
    robot = replace(
        study.robot,
        mounts=(*study.robot.mounts, *(mount for each in found for mount in each.mounts)),
        rigs=(*study.robot.rigs, *rigs),
    )
    return replace(study, robot=robot, rigs=(*study.rigs, *rigs))


def _candidate_table(candidates: Sequence[Candidate], alone: FloatArray) -> pd.DataFrame:
    mounts = [candidate.mount for candidate in candidates]
    positions = np.array([mount.position for mount in mounts])
    return CANDIDATES.checked(
        pd.DataFrame(
            {
                "candidate": np.arange(len(mounts)),
                "box": [candidate.box.name for candidate in candidates],
                "mount_x_m": positions[:, 0],
                "mount_y_m": positions[:, 1],
                "mount_z_m": positions[:, 2],
                "yaw_deg": [mount.yaw_deg for mount in mounts],
                "tilt_deg": [mount.tilt_deg for mount in mounts],
                "roll_deg": [mount.roll_deg for mount in mounts],
                "alone_worst_chance": alone[..., 0].min(axis=1),
            }
        )
    )
