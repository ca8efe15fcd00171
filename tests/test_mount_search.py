"""The search for mounts: sums and bounds against plain numpy, the best rigs against brute force, stop and resume."""

from __future__ import annotations

import functools
import itertools
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from planning_cases import small_study
from scipy.special import erf
from scipy.stats import multivariate_normal

import fiducialkit
from fiducialkit.errors import FileFormatError, InputError
from fiducialkit.planning import rig_enumeration, rig_sums
from fiducialkit.planning.arrival import chance_to_score, driven_blind
from fiducialkit.planning.coverage import approach_poses
from fiducialkit.planning.mount_boxes import (
    MountBox,
    MountRoom,
    candidate_mounts,
    default_room,
    load_room,
    may_stand_together,
)
from fiducialkit.planning.mount_information import full_matrix, mount_information
from fiducialkit.planning.mount_polishing import polished
from fiducialkit.planning.rig_enumeration import Enumeration, best_rigs, exact_score
from fiducialkit.planning.search_judgement import case_chances, contest
from fiducialkit.planning.study import Approach
from fiducialkit.scene.field import Node
from fiducialkit.scene.robot import Tool

SAMPLE = Path(__file__).parents[1] / "sample_data"
RNG_SEED = 20261125


def small_search_study(**changes):
    """Return the planning study with two nodes that see markers, a gyro, and a tool at each end."""
    study = small_study(**changes)
    nodes = (
        Node(name="west", position=(1.0, 3.4), heading_deg=180.0, tolerance_along_m=0.03, tolerance_across_m=0.02,
             tolerance_heading_deg=1.5),
        Node(name="north", position=(3.1, 4.8), heading_deg=90.0, tolerance_along_m=0.02, tolerance_across_m=0.02,
             tolerance_heading_deg=1.0),
    )  # fmt: skip
    tools = (*study.robot.tools, Tool(side="back", position=(-0.3, 0.1, 0.4)))
    study = replace(study, robot=replace(study.robot, tools=tools))
    return replace(study, field=replace(study.field, nodes=nodes), approach=Approach(distance_m=1.0))


def small_room(study, yaw_step=45.0):
    """Return two boxes, one at the front and one at the back, of two lenses."""
    brown, fisheye = study.robot.mounts[0].camera, study.robot.mounts[1].camera
    front = MountBox(name="front", camera=brown, corner_min=(0.2, -0.2, 0.5), corner_max=(0.2, 0.2, 0.5),
                     yaw_deg=(-45.0, 45.0, yaw_step), spacing_m=0.4)  # fmt: skip
    back = MountBox(name="back", camera=fisheye, corner_min=(-0.2, -0.1, 0.8), corner_max=(-0.2, 0.1, 0.8),
                    yaw_deg=(90.0, 270.0, 2.0 * yaw_step), spacing_m=0.2)  # fmt: skip
    return MountRoom(boxes=(front, back), overhang_m=0.02)


@pytest.fixture(scope="module")
def case():
    study = small_search_study()
    room = small_room(study)
    candidates, _ = candidate_mounts(study.robot, room)
    mounts = [each.mount for each in candidates]
    return study, room, candidates, mounts, rig_sums.rig_sums(study, mounts)


def plain_chances(study, mounts, rigs):
    """Return (R, C) the chance of every case from sums of information, in plain numpy, by node, side and state."""
    labels, poses = approach_poses(study)
    told = mount_information(study, mounts, poses)
    chances = []
    for rig in rigs:
        information = full_matrix(told.information[list(rig)].sum(axis=0))
        seen = np.einsum("nsii->ns", information) > 0.0
        spread = full_matrix(told.spread[list(rig)].sum(axis=0))
        total = np.where(seen[..., None, None], information + np.diag(told.prior), np.eye(6))
        scale = 1.0 / np.sqrt(np.einsum("nsii->nsi", total))
        scale = scale[..., :, None] * scale[..., None, :]
        inverse = np.linalg.inv(total * scale) * scale
        covariance = (inverse + inverse @ spread @ inverse)[..., [0, 1, 5], :][..., [0, 1, 5]]
        row = {}
        for node in study.field.nodes:
            for side in study.sides:
                index = np.flatnonzero((labels["node"] == node.name) & (labels["side"] == side))
                forward = 1.0 if side == "front" else -1.0
                blind = np.broadcast_to(forward * labels["distance_m"].to_numpy()[index][:, None], seen[index].shape)
                carried = driven_blind(covariance[index], blind, study.approach.speed_m_per_s, study.odometry)
                chance = chance_to_score(carried, np.zeros(blind.shape), node, study.tool(side))
                best = np.where(seen[index], chance, 0.0).max(axis=0)
                row |= {(node.name, side, state): best[s] for s, state in enumerate(study.states)}
        chances.append(row)
    return chances


def all_rigs(allowed, size):
    return [
        rig
        for rig in itertools.combinations(range(len(allowed)), size)
        if all(allowed[a, b] for a, b in itertools.combinations(rig, 2))
    ]


def score(row, study, objective):
    """Return a rig's score from its chances by case: by hand, without `CaseParts`."""
    weights = [study.weight(node) for node, _, _ in row]
    benefit = sum(weight * value for weight, value in zip(weights, row.values(), strict=True)) / sum(weights)
    return benefit + (2.0 * math.floor(100.0 * min(row.values()) + 0.5) if objective == "worst node" else 0.0)


def ordered(scored):
    return sorted(scored, key=lambda each: (-each[0], each[1]))


def test_exact_chances_are_those_of_plain_numpy(case):
    study, _, _, mounts, sums = case
    rigs = [(0,), (1, 7), (0, 3, 8), (2, 4, 6, 9)]
    plain = plain_chances(study, mounts, rigs)
    for rig, row in zip(rigs, plain, strict=True):
        found = rig_sums.ExactChances(sums, rig).of(np.arange(len(sums.parts.cases)))
        # one far marker leaves matrices that an inverse and an elimination solve alike to some 1e-6 of a chance only
        np.testing.assert_allclose(found, [row[each] for each in sums.parts.cases], atol=3e-6)
    assert {round(value, 1) for row in plain for value in row.values()} >= {0.0, 0.9}  # some hopeless, some good


def test_bounds_hold_the_exact_chance_between_them(case):
    *_, mounts, sums = case
    rigs = np.array(list(itertools.combinations(range(len(mounts)), 2)))
    bounds = rig_sums.case_bounds(sums.parts, rig_sums.rig_bounds(sums, rigs))
    cases = np.arange(len(sums.parts.cases))
    exact = np.array([rig_sums.ExactChances(sums, rig).of(cases) for rig in rigs])
    assert (bounds[..., 1] <= exact).all() and (exact <= bounds[..., 0]).all()
    assert (bounds[..., 0] - bounds[..., 1]).max() > 1e-3  # there is something between them to be wrong about


def test_bounds_by_hand():
    """Derived here: the product of marginals and that of conditionals, against an independent integral."""
    covariance = np.array([[0.3, 0.1, 0.12], [0.1, 0.4, 0.15], [0.12, 0.15, 0.35]])
    inside = multivariate_normal(cov=covariance)
    exact = inside.cdf(np.ones(3), lower_limit=-np.ones(3), rng=np.random.default_rng(RNG_SEED))
    marginal = np.prod(erf(1.0 / np.sqrt(2.0 * np.diag(covariance))))
    factor = np.linalg.cholesky(covariance[::-1, ::-1])  # heading first, then across, then along
    conditional = np.prod(erf(1.0 / (np.sqrt(2.0) * np.diag(factor))))
    assert marginal < exact - 1e-3 < exact + 1e-3 < conditional


def test_no_weighing_and_no_fewer_mounts_beat_the_sharpest_sums(case):
    """Gauss and Markov: the bound behind branch and bound holds for every rig and every rig within it."""
    *_, mounts, sums = case
    sharp = rig_sums.sharpest(sums)
    sets = list(itertools.combinations(range(len(mounts)), 3))[::7]
    upper = rig_sums.case_bounds(sums.parts, rig_sums.rig_bounds(sharp, np.array(sets)))[..., 0]
    cases = np.arange(len(sums.parts.cases))
    for rig, bound in zip(sets, upper, strict=True):
        for size in (1, 2, 3):
            for part in itertools.combinations(rig, size):
                assert (rig_sums.ExactChances(sums, part).of(cases) <= bound + 1e-9).all()


WEIGHTS = (("west", 5.0), ("north", 0.7))


@pytest.fixture(scope="module")
def plain_rows(case):
    """Return what gives, for a number of cameras, every rig with its chances by plain numpy: no weight enters them."""
    study, room, _, mounts, _ = case
    allowed = may_stand_together(mounts, room.apart_m)

    @functools.cache
    def rows(cameras):
        rigs = all_rigs(allowed, cameras)
        return list(zip(plain_chances(study, mounts, rigs), rigs, strict=True))

    return rows


@pytest.mark.parametrize("cameras", [1, 2, 3, 4])
@pytest.mark.parametrize("kept", [1, 7])
@pytest.mark.parametrize(("objective", "weights"), [("worst node", ()), ("worst node", WEIGHTS),
                                                    ("weighted mean", ()), ("weighted mean", WEIGHTS)])  # fmt: skip
def test_best_rigs_are_those_of_brute_force(case, plain_rows, cameras, kept, objective, weights):
    study, room, _, mounts, _ = case
    study = replace(study, weights=weights)
    sums = rig_sums.rig_sums(study, mounts, cases=rig_sums.case_parts(study, objective))
    allowed = may_stand_together(mounts, room.apart_m)
    plain = [(score(row, study, objective), rig) for row, rig in plain_rows(cameras)]
    plan = Enumeration(sums=sums, allowed=allowed, kept=kept, workers=2)
    fewer = []
    for size in range(1, cameras + 1):
        fewer = best_rigs(plan, size, fewer)
    expected = ordered(plain)[:kept]
    assert [each.rig for each in fewer] == [rig for _, rig in expected]
    np.testing.assert_allclose([each.score for each in fewer], [value for value, _ in expected], atol=3e-6)
    assert len(plain) > 20 or cameras == 1


def test_a_case_longer_than_the_kernel_is_wide():
    """The approach is cut into several parts; brute force takes it whole."""
    study = replace(small_search_study(), approach=Approach(distance_m=2.2))
    room = small_room(study, yaw_step=90.0)
    mounts = [each.mount for each in candidate_mounts(study.robot, room)[0]]
    sums = rig_sums.rig_sums(study, mounts)
    assert sums.parts.sections == 2
    rigs = all_rigs(may_stand_together(mounts, room.apart_m), 2)
    plain = [score(row, study, "worst node") for row in plain_chances(study, mounts, rigs)]
    found = [exact_score(sums, rig).score for rig in rigs]
    np.testing.assert_allclose(found, plain, atol=1e-6)


def test_a_mount_alone_is_a_rig_of_one(case):
    *_, sums = case
    assert [exact_score(sums, (k,)).score for k in range(3)] == [exact_score(sums, (k, k)[:1]).score for k in range(3)]
    blank = np.flatnonzero((sums.block_of == 0).all(axis=0))
    assert (sums.alone[sums.block_of == 0] == 0.0).all() and blank.size < sums.block_of.shape[1]


def test_objectives_and_weights_choose_differently(case):
    """Or the tests above could not tell them apart. Weights count by their ratios; a heavy node decides alone."""
    study, room, _, mounts, _ = case
    allowed = may_stand_together(mounts, room.apart_m)

    def best(objective, *weights):
        weighted = replace(study, weights=tuple(zip(("west", "north"), weights, strict=False)))
        sums = rig_sums.rig_sums(weighted, mounts, cases=rig_sums.case_parts(weighted, objective))
        plan = Enumeration(sums=sums, allowed=allowed, kept=len(all_rigs(allowed, 2)))
        return {each.rig: each for each in best_rigs(plan, 2, best_rigs(plan, 1, []))}

    plain, mean = best("worst node"), best("weighted mean")
    west, scaled = best("weighted mean", 9.0, 1.0), best("weighted mean", 0.9, 0.1)
    assert list(plain) != list(mean) != list(west)
    assert list(scaled) == list(west)
    only = best("weighted mean", 1e6, 1.0)
    assert max(mean.values(), key=lambda each: each.worst_chance).worst_chance == pytest.approx(
        max(plain.values(), key=lambda each: each.worst_chance).worst_chance
    )
    chances = plain_chances(study, mounts, list(only))
    for (rig, each), row in list(zip(only.items(), chances, strict=True))[:20]:
        at_west = [value for (node, _, _), value in row.items() if node == "west"]
        assert each.benefit == pytest.approx(np.mean(at_west), abs=1e-5), rig
        assert each.score == each.benefit


@pytest.mark.parametrize("objective", ["worst node", "weighted mean"])
def test_the_best_four_of_more_candidates_are_those_of_all(case, objective):
    """Nothing that pairs, orders and exchanges of cameras give up belongs to the best: every rig of four integrated."""
    study, room, *_ = case
    study = replace(study, weights=WEIGHTS)
    mounts = [each.mount for each in candidate_mounts(study.robot, small_room(study, yaw_step=20.0))[0]]
    sums = rig_sums.rig_sums(study, mounts, cases=rig_sums.case_parts(study, objective))
    allowed = may_stand_together(mounts, room.apart_m)
    rigs = all_rigs(allowed, 4)
    assert len(rigs) > 600
    exact = [exact_score(sums, rig) for rig in rigs]
    expected = sorted(exact, key=lambda each: (-each.score, each.rig))[:5]
    plan = Enumeration(sums=sums, allowed=allowed, kept=5, workers=2)
    found = []
    for size in (1, 2, 3, 4):
        found = best_rigs(plan, size, found)
    assert [each.rig for each in found] == [each.rig for each in expected]
    np.testing.assert_allclose([each.score for each in found], [each.score for each in expected], rtol=1e-12)


def test_a_search_by_the_weighted_mean(case):
    study = replace(case[0], weights=WEIGHTS)
    found = fiducialkit.search_mounts(study, boxes=case[1], objective="weighted mean", polish=1, workers=1)
    assert found.objective == "weighted mean"
    assert (np.diff(found.table["benefit"].round(3)) <= 1e-12).all()
    assert "best rig found by its weighted mean: its mean case, nodes weighted as the study says," in found.verdict
    again = replace(found.study, robot=found.robot, rigs=found.robot.rigs)
    compared = fiducialkit.compare_mounts(again).table.set_index("rig")
    ours = found.table.set_index("rig").loc[compared.index]
    for column in ("benefit", "mean_chance", "cost"):
        np.testing.assert_allclose(ours[column], compared[column], atol=2e-9)
    assert (ours["benefit"] - ours["mean_chance"]).abs().max() > 1e-3
    best, own = (found.table.set_index("rig").loc[name] for name in (found.contest.found, found.contest.hand_made))
    assert found.contest.mean_gain == pytest.approx(best["benefit"] - own["benefit"], abs=1e-9)
    by_worst = fiducialkit.search_mounts(study, boxes=case[1], polish=1, workers=1)
    assert by_worst.table["benefit"].max() <= found.table["benefit"].max() + 1e-3
    with pytest.raises(InputError, match="objective: expected 'worst node' or 'weighted mean', found 'best'"):
        fiducialkit.search_mounts(study, boxes=case[1], objective="best")


def test_what_cameras_cost_follows_them(case):
    study, room, *_ = case
    first, second, *others = study.robot.mounts
    priced = (replace(first, cost=7.0), replace(second, cost=2.5), *others)
    robot = replace(study.robot, mounts=priced)
    front, back = room.boxes
    costs = {each.box.name: each.mount.cost for each in candidate_mounts(robot, room)[0]}
    assert costs == {"front": 7.0, "back": 2.5}  # of the same cameras
    own = replace(room, boxes=(replace(front, cost=4.0), replace(back, camera=replace(back.camera, name="new"))))
    assert {each.mount.cost for each in candidate_mounts(robot, own)[0]} == {4.0, 1.0}
    found = fiducialkit.search_mounts(replace(study, robot=robot), boxes=own, polish=1, workers=1)
    for rig, cost in found.table.set_index("rig")["cost"].items():
        mounts = next((each.mounts for each in found.rigs if each.rig.name == rig), None)
        mounts = mounts or [found.robot.mount(name) for name in found.robot.rig(rig).mounts]
        assert cost == sum(mount.cost for mount in mounts)
    assert {mount.cost for each in found.rigs for mount in each.mounts} == {4.0, 1.0}
    with pytest.raises(InputError, match="cost: expected 0 to"):
        replace(front, cost=-1.0)


@pytest.fixture(scope="module")
def found(case):
    return fiducialkit.search_mounts(case[0], boxes=case[1], cameras=2, polish=1, workers=1)


def test_polishing_never_loses(case):
    study, room, candidates, _, sums = case
    rig = (1, 8)
    after = polished(study, room, [candidates[k] for k in rig])
    assert after.scored.score >= exact_score(sums, rig).score
    for mount, k in zip(after.mounts, rig, strict=True):
        for value, (low, high) in zip(mount.position, candidates[k].box.limits, strict=False):
            assert low - 1e-12 <= value <= high + 1e-12


def test_result_is_whole(case, found):
    study = case[0]
    assert sorted(found.table["rank"]) == list(range(1, len(found.table) + 1))
    assert set(found.table.loc[found.table["is_hand_made"], "rig"]) == {rig.name for rig in study.rigs}
    assert found.best.rig.name == found.table.loc[~found.table["is_hand_made"], "rig"].iloc[0]
    assert {len(each.mounts) for each in found.rigs} == {1, 2}
    assert found.robot.rig(found.best.rig.name).mounts == found.best.rig.mounts
    assert found.verdict.isascii() and found.best.rig.name in found.verdict
    assert len(found.candidates) == len(case[2])


def test_full_prediction_is_that_of_the_comparison(found):
    """The table's chances are those that `compare_mounts` gives the same rigs."""
    study = replace(found.study, robot=found.robot, rigs=found.robot.rigs)
    compared = fiducialkit.compare_mounts(study).table.set_index("rig")
    ours = found.table.set_index("rig").loc[compared.index]
    for column in ("worst_chance", "mean_chance", "position_95_m"):
        np.testing.assert_allclose(ours[column], compared[column], atol=2e-9)


def test_same_on_any_number_of_workers_and_after_a_stop(case, found, tmp_path):
    folder = tmp_path / "halt \u00e9"

    def stop(done, _):
        if list(folder.glob("*.npz")):
            raise KeyboardInterrupt

    settings = {"boxes": case[1], "cameras": 2, "polish": 1, "resume": folder}
    with pytest.raises(KeyboardInterrupt):
        fiducialkit.search_mounts(case[0], workers=1, progress=stop, **settings)
    assert list(folder.glob("rigs_of_2_*.npz"))
    steps = []
    again = fiducialkit.search_mounts(case[0], workers=3, progress=lambda *s: steps.append(s), **settings)
    assert again.table.equals(found.table)
    assert again.best == found.best
    assert again.contest.draws.equals(found.contest.draws)
    assert steps[-1][0] == steps[-1][1] and steps == sorted(steps)


def test_pieces_of_another_search_are_refused(case, tmp_path):
    _, room, _, mounts, sums = case
    plan = Enumeration(sums=sums, allowed=may_stand_together(mounts, room.apart_m), kept=2, folder=tmp_path, stamp="a")
    best_rigs(plan, 2, best_rigs(plan, 1, []))
    with pytest.raises(FileFormatError, match="expected a piece of this very search"):
        best_rigs(replace(plan, stamp="b"), 2, best_rigs(plan, 1, []))
    next(tmp_path.glob("*.npz")).write_bytes(b"no archive")
    with pytest.raises(FileFormatError, match="expected a finished piece of a search, found something else"):
        best_rigs(plan, 2, best_rigs(plan, 1, []))


def test_gains_change_sign_with_the_sides(case):
    study = case[0]
    duel = contest(study, "all", "ab", seed=1, draws=3)
    turned = contest(study, "ab", "all", seed=1, draws=3)
    assert duel.gain == -turned.gain and duel.low == pytest.approx(-turned.high)
    labels, poses = approach_poses(study)
    chance = case_chances(study, labels, poses).chance
    rigs = [rig.name for rig in study.rigs]
    worst = chance.min(axis=0)
    assert duel.gain == pytest.approx(worst[rigs.index("all")] - worst[rigs.index("ab")])


def test_places_inside_the_robot_or_off_it_are_refused(case):
    study = case[0]
    camera = study.robot.mounts[0].camera
    # the mast fills -0.05 to 0.05 in x and y: of the points at -0.2, 0.0 and 0.2 the middle one is forbidden
    box = MountBox(name="row", camera=camera, corner_min=(0.0, -0.2, 0.5), corner_max=(0.0, 0.2, 0.5),
                   yaw_deg=(0.0, 0.0, 1.0), spacing_m=0.2)  # fmt: skip
    left, refused = candidate_mounts(study.robot, MountRoom(boxes=(box,)))
    assert [each.mount.position[1] for each in left] == [-0.2, 0.2] and refused == 1
    inside = replace(box, corner_min=(0.0, 0.0, 0.5), corner_max=(0.0, 0.0, 0.5))
    with pytest.raises(InputError, match=r"box\[1\]: .* lies in structure\[0\] \(state 'always'\)"):
        candidate_mounts(study.robot, MountRoom(boxes=(box, inside)))
    outside = replace(box, corner_min=(0.4, 0.0, 0.9), corner_max=(0.4, 0.0, 0.9))  # above the raised arm
    with pytest.raises(InputError, match=r"lies more than 0\.02 m outside the footprint"):
        candidate_mounts(study.robot, MountRoom(boxes=(outside,), overhang_m=0.02))
    assert len(candidate_mounts(study.robot, MountRoom(boxes=(outside,), overhang_m=0.06))[0]) == 1


def test_grid_by_hand(case):
    camera = case[0].robot.mounts[0].camera
    box = MountBox(name="b", camera=camera, corner_min=(0.2, 0.1, 0.5), corner_max=(0.3, 0.1, 0.75),
                   yaw_deg=(0.0, 360.0, 90.0), tilt_deg=(-5.0, 6.0, 5.0), spacing_m=0.1)  # fmt: skip
    mounts = [each.mount for each in candidate_mounts(case[0].robot, MountRoom(boxes=(box,)))[0]]
    assert sorted({m.yaw_deg for m in mounts}) == [0.0, 90.0, 180.0, 270.0]  # a whole turn is no turn
    assert sorted({m.tilt_deg for m in mounts}) == [-5.0, 0.0, 5.0]
    assert sorted({round(m.position[2], 6) for m in mounts}) == pytest.approx([0.5, 0.583333, 0.666667, 0.75], abs=1e-6)
    assert len(mounts) == 2 * 1 * 4 * 4 * 3


def test_cameras_need_room_beside_each_other(case):
    mounts = case[3]
    allowed = may_stand_together(mounts, 0.25)
    for a, b in itertools.product(range(len(mounts)), repeat=2):
        assert allowed[a, b] == (math.dist(mounts[a].position, mounts[b].position) >= 0.25)


def test_default_boxes_fit_the_sample_robot():
    study = fiducialkit.load_study(SAMPLE / "study.toml")
    candidates, refused = candidate_mounts(study.robot, default_room(study))
    assert len({each.box.name for each in candidates}) == 4
    assert 400 <= len(candidates) <= rig_enumeration.MOST_FOR_FOUR * 6 and refused == 0


SEARCH_FILE = """
length_unit = "mm"
overhang = 20
[[box]]
name = "front"
camera = "camera_standard.toml"
corner_min = [300, -300, 200]
corner_max = [360, 300, 400]
yaw_deg = [-40, 40, 20]
spacing = 200
"""


def test_boxes_on_file_are_in_metres(tmp_path):
    (tmp_path / "camera_standard.toml").write_bytes((SAMPLE / "camera_standard.toml").read_bytes())
    (tmp_path / "search.toml").write_text(SEARCH_FILE, encoding="utf-8")
    room = load_room(tmp_path / "search.toml")
    assert room.overhang_m == pytest.approx(0.02)
    assert room.boxes[0].corner_max == pytest.approx((0.36, 0.3, 0.4))
    assert room.boxes[0].spacing_m == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("corner_min = [300", "corner_min = [400", r"box\[0\]\.corner_min: expected at most corner_max"),
        ("[-40, 40, 20]", "[40, -40, 20]", r"box\[0\]\.yaw_deg: expected \[low, high, step\]"),
        ("[-40, 40, 20]", "[-40, 40, 0]", r"box\[0\]\.yaw_deg: expected \[low, high, step\]"),
        ("spacing = 200", "spacing = 0", r"box\[0\]\.spacing: expected 0\.005 to 3 m"),
        ("camera_standard.toml", "none.toml", r"box\[0\]\.camera: expected a file beside this one"),
        ("overhang = 20", "overhang = -20", "overhang: expected 0 to 1 m"),
        ("spacing = 200", "cost = -3", r"box\[0\]\.cost: expected 0 to 1e\+09, found -3"),
        ("yaw_deg", "yaw", r"box\[0\]\.yaw: unknown key"),
    ],
)
def test_mistakes_in_the_file_name_their_place(tmp_path, old, new, message):
    (tmp_path / "camera_standard.toml").write_bytes((SAMPLE / "camera_standard.toml").read_bytes())
    (tmp_path / "search.toml").write_text(SEARCH_FILE.replace(old, new), encoding="utf-8")
    with pytest.raises(FileFormatError, match=message):
        load_room(tmp_path / "search.toml")


def test_what_cannot_be_searched_is_refused(case):
    study, room, *_ = case
    for cameras in (0, 5, True, 2.0):
        with pytest.raises(InputError, match="cameras: expected a whole number from 1 to 4"):
            fiducialkit.search_mounts(study, boxes=room, cameras=cameras)
    with pytest.raises(InputError, match="expected room for 2 cameras apart from each other"):
        fiducialkit.search_mounts(study, boxes=replace(room, boxes=room.boxes[:1], apart_m=1.0), cameras=2)
    with pytest.raises(InputError, match="expected at least one box"):
        fiducialkit.search_mounts(study, boxes=[])
    bare = replace(study, field=replace(study.field, nodes=()))
    with pytest.raises(InputError, match="at least one marker and one node"):
        fiducialkit.search_mounts(bare, boxes=room)


def test_on_the_sample_robot_it_beats_the_best_hand_made_rig():
    """The sample's boxes on a coarse grid; the draws' seed was fixed before looking."""
    study = fiducialkit.load_study(SAMPLE / "study.toml")
    room = load_room(SAMPLE / "search.toml")
    coarse = tuple(replace(box, spacing_m=0.3, tilt_deg=(5.0, 5.0, 1.0)) for box in room.boxes)
    found = fiducialkit.search_mounts(study, boxes=replace(room, boxes=coarse), cameras=2, polish=1, seed=RNG_SEED)
    own = found.table[found.table["is_hand_made"] & (found.table["cameras"] <= 2)].iloc[0]
    best = found.table[~found.table["is_hand_made"]].iloc[0]
    duel = found.contest
    assert duel.hand_made == own["rig"] and duel.found == best["rig"] == found.best.rig.name
    assert best["rank"] < own["rank"]
    assert duel.gain == pytest.approx(best["worst_chance"] - own["worst_chance"], abs=1e-9) and duel.gain > 0.0
    assert 0.0 < duel.mean_low < duel.mean_high and duel.low < duel.high
    assert f"{100 * duel.low:.2f} and {100 * duel.high:.2f} points in 95 % of {len(duel.draws)} draws" in found.verdict
