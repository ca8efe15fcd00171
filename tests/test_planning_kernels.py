"""The compiled predictions against a plain numpy twin, Monte Carlo with the solver, and closed forms."""

from __future__ import annotations

import itertools
import math
import os
from dataclasses import replace

import numpy as np
import pytest
from planning_cases import Sighting, random_poses, small_study, spread_roots
from scipy.spatial.transform import Rotation
from scipy.special import ndtr

from fiducialkit.planning.prediction import predict
from fiducialkit.planning.scenery import prior_weights
from fiducialkit.planning.study import Approach, BuildTolerance, FloorGrid, FloorPrior, Odometry, Study
from fiducialkit.scene.camera import Camera, CameraNoise
from fiducialkit.scene.field import Field, Marker
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.robot import Mount, Rig, Robot
from fiducialkit.scene.transforms import field_from_robot_on_floor
from fiducialkit.solving.planar import solve_marker

WANTED = np.ix_([0, 1, 5], [0, 1, 5])


def twin_chances(sightings) -> tuple[int, float, float]:
    """Return the likely markers and the chances of one and two, by listing every outcome."""
    missed: dict[int, float] = {}
    for each in sightings:
        sure = 1.0 if each.probability >= 0.98 else each.probability
        missed[each.marker.marker_id] = missed.get(each.marker.marker_id, 1.0) * (1.0 - sure)
    at_least = [0.0, 0.0]
    for outcome in itertools.product((False, True), repeat=len(missed)):
        chance = math.prod(1.0 - miss if seen else miss for seen, miss in zip(outcome, missed.values(), strict=True))
        for least in (1, 2):
            at_least[least - 1] += chance * (sum(outcome) >= least)
    return sum(miss <= 0.5 for miss in missed.values()), at_least[0], at_least[1]


def twin_covariances(study, sightings) -> tuple[np.ndarray, np.ndarray]:
    """Return both covariances as the mean over what is seen of the least certain three."""
    uncertain = sorted((s for s in sightings if s.probability < 0.98), key=lambda s: abs(s.probability - 0.5))[:3]
    fixed = [s for s in sightings if s not in uncertain and s.probability >= 0.5]
    noise, total, shares = np.zeros((3, 3)), np.zeros((3, 3)), 0.0
    for outcome in itertools.product((False, True), repeat=len(uncertain)):
        seen = fixed + [s for s, is_seen in zip(uncertain, outcome, strict=True) if is_seen]
        share = math.prod(
            s.probability if is_seen else 1.0 - s.probability for s, is_seen in zip(uncertain, outcome, strict=True)
        )
        if not seen:
            continue
        information = np.diag(prior_weights(study)) + sum(s.information for s in seen)
        scale = 1.0 / np.sqrt(np.diag(information))
        inverse = np.linalg.inv(information * np.outer(scale, scale)) * np.outer(scale, scale)
        shares += share
        varied = np.diag(prior_weights(study)) + sum(s.variation for s in seen)
        mean = inverse @ sum(s.mean for s in seen)
        moment = inverse @ varied @ inverse + np.outer(mean, mean)
        noise += share * moment[WANTED]
        reach = inverse @ spread_roots(study, seen)
        total += share * (moment + reach @ reach.T)[WANTED]
    return noise / shares, total / shares


def close(found, expected):
    """Compare to 3e-9 of what the diagonal allows: the last digits of corners, 1e-12 of the sums, are worth so much."""
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    np.testing.assert_allclose(found / scale, expected / scale, rtol=0.0, atol=3e-9)


def test_kernel_equals_numpy_twin():
    study = small_study()
    poses = random_poses(150, seed=5)
    prediction = predict(study, poses)
    assert {0, 1, 2, 3} <= set(prediction.markers.ravel().tolist()), "the poses should span none to several"
    assert (prediction.markers[:, 0] != prediction.markers[:, 1]).any(), "the raised arm should hide something"
    mixed = shared = 0
    for n, pose in enumerate(poses):
        looks = [Sighting(study, pose, mount, marker) for mount in study.robot.mounts for marker in study.field.markers]
        for (s, state), (r, rig) in itertools.product(enumerate(study.states), enumerate(study.rigs)):
            own = [look for look in looks if look.mount.name in rig.mounts and look.seen_in(state)]
            place = (n, s, r)
            markers, one, two = twin_chances(own)
            assert prediction.markers[place] == markers
            assert prediction.chance_1[place] == pytest.approx(one, abs=1e-12)
            assert prediction.chance_2[place] == pytest.approx(two, abs=1e-12)
            if markers == 0:
                assert np.isnan(prediction.covariance[place]).all()
                continue
            mixed += any(look.probability < 0.98 for look in own)
            shared += len({look.marker.marker_id for look in own}) < len(own)
            noise, total = twin_covariances(study, own)
            close(prediction.noise_covariance[place], noise)
            close(prediction.covariance[place], total)
    assert mixed > 20 and shared > 20, "the poses should show uncertain sightings and markers that two mounts see"


def test_workers_do_not_change_the_result():
    study = small_study()
    poses = random_poses(1500, seed=6)
    one, three = predict(study, poses, workers=1), predict(study, poses, workers=3)
    np.testing.assert_array_equal(one.covariance, three.covariance)
    np.testing.assert_array_equal(one.flip_probability, three.flip_probability)


def test_unseen_is_not_a_number_and_a_sum_of_mounts_never_knows_less():
    study = small_study()
    # a solver that knows how its corners err; with pulled ones a second camera can do harm
    told = replace(study.robot.mounts[2], camera=study.robot.mounts[0].camera)
    study = replace(study, robot=replace(study.robot, mounts=(*study.robot.mounts[:2], told)))
    prediction = predict(study, random_poses(400, seed=7))
    none = prediction.markers == 0
    assert np.isnan(prediction.covariance[none]).all()
    assert np.isfinite(prediction.covariance[~none]).all()
    # rig "all" contains rig "ab" contains rig "b": its noise covariance is smaller in every direction
    both = ~none[:, :, 0] & ~none[:, :, 2]
    difference = prediction.noise_covariance[:, :, 0][both] - prediction.noise_covariance[:, :, 2][both]
    assert np.linalg.eigvalsh(difference).min() > -1e-12


@pytest.mark.statistics
@pytest.mark.parametrize("heading_sd_deg", [0.0, 5.0])
def test_flip_probability_against_solved_marker(heading_sd_deg):
    """Simulation with known truth: how often the mirrored pose of a lone marker fits better than the right one."""
    sd_px = 0.3
    camera = Camera.from_field_of_view(1280, 800, 75.0, noise=CameraNoise(detector="measured", corner_sd_px=sd_px))
    marker = Marker(marker_id=0, position=(0.0, 4.0, 0.5), facing_deg=0.0, size_m=0.15)
    field = Field(name="one", size=(8.0, 8.0), family=marker_family("36h11"), markers=(marker,))
    mount = Mount(name="m", camera=camera, position=(0.0, 0.0, 0.5))
    robot = Robot(name="r", footprint=(0.5, 0.5), mounts=(mount,), rigs=(Rig(name="m", mounts=("m",)),))
    free = FloorPrior(height_sd_m=1e3, level_sd_deg=1e5, heading_sd_deg=heading_sd_deg)
    study = Study(
        name="flip", field=field, robot=robot, rigs=robot.rigs, states=robot.states, approach=Approach(),
        floor=FloorGrid(), prior=free, tolerance=BuildTolerance(), odometry=Odometry(),
    )  # fmt: skip
    rng = np.random.default_rng(17)
    trials = 1500 if os.environ.get("FIDUCIALKIT_FULL") else 300
    worst = 0.0
    for distance, bearing_deg, off_axis_deg in (
        (3.0, 15.0, 0.0),
        (3.0, 25.0, 15.0),
        (4.0, 30.0, -20.0),
        (3.5, 20.0, 30.0),
    ):
        bearing = math.radians(bearing_deg)
        place = (distance * math.cos(bearing), 4.0 + distance * math.sin(bearing))
        heading = math.pi + bearing + math.radians(off_axis_deg)
        predicted = float(predict(study, np.array([[*place, heading]])).flip_probability[0, 0, 0])
        truth = field_from_robot_on_floor(*place, math.degrees(heading)) * mount.robot_from_camera
        pixels, _ = camera.project(truth.inv().apply(marker.corners_field))
        flips = 0
        for _ in range(trials):
            solutions = solve_marker(pixels + sd_px * rng.standard_normal((4, 2)), 0.15, camera, sd_px**2).solutions
            costs, turns = [], []
            for solution in solutions:
                robot_pose = (
                    marker.field_from_marker * solution.camera_from_marker.inv() * mount.robot_from_camera.inv()
                )
                turn = (robot_pose.rotation * Rotation.from_euler("z", -heading)).as_rotvec()
                # a gyro that reads the true heading with its own noise of the stated sd
                costs.append((solution.chi2, turn))
                turns.append(turn[2])
            if len(costs) == 2:
                gyro = rng.normal(0.0, math.radians(heading_sd_deg)) if heading_sd_deg else 0.0
                weight = math.radians(heading_sd_deg) ** -2 if heading_sd_deg else 0.0
                totals = [chi2 + weight * (turn[2] - gyro) ** 2 for chi2, turn in costs]
                flips += int(np.argmin(np.abs(turns)) != np.argmin(totals))
        worst = max(worst, abs(predicted - flips / trials))
    # binomial sd, at most .5 / sqrt(trials); four cases, 3.5 sd. Adding the gyro's cost without solving again is exact
    # only while the corners alone know the heading better than the gyro, as here.
    assert worst < 3.5 * 0.5 / math.sqrt(trials)


def test_closed_form_of_the_flip_on_the_axis():
    """D = s (w / Z) sin(t) sqrt(cos^2 2p + cos^2 t sin^2 2p) / sigma, derived for this project; here p = 0."""
    camera = Camera.from_field_of_view(1280, 800, 60.0, noise=CameraNoise(detector="measured", corner_sd_px=0.3))
    marker = Marker(marker_id=0, position=(0.0, 4.0, 0.5), facing_deg=0.0, size_m=0.15)
    field = Field(name="one", size=(8.0, 8.0), family=marker_family("36h11"), markers=(marker,))
    robot = Robot(
        name="r", footprint=(0.5, 0.5), mounts=(Mount(name="m", camera=camera, position=(0.0, 0.0, 0.5)),),
        rigs=(Rig(name="m", mounts=("m",)),),
    )  # fmt: skip
    study = Study(
        name="flip", field=field, robot=robot, rigs=robot.rigs, states=robot.states, approach=Approach(),
        floor=FloorGrid(), prior=FloorPrior(height_sd_m=1e3, level_sd_deg=1e5), tolerance=BuildTolerance(),
        odometry=Odometry(),
    )  # fmt: skip
    for distance, tilt_deg in ((4.0, 20.0), (4.0, 30.0), (3.0, 40.0)):
        tilt = math.radians(tilt_deg)
        pose = np.array([[distance * math.cos(tilt), 4.0 + distance * math.sin(tilt), math.pi + tilt]])
        side = camera.fx_px * 0.15 / distance
        expected = ndtr(-0.5 * side * 0.15 / distance * math.sin(tilt) / 0.3)
        found = float(predict(study, pose).flip_probability[0, 0, 0])
        assert found == pytest.approx(expected, abs=0.01)
