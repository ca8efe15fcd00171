"""What is not determined is named, what fails is a status, and a wrong group is doubted and does not pull."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from adjustment_cases import board_points, bundle, pose
from scipy.spatial.transform import Rotation

from fiducialkit.scene.camera import Camera
from fiducialkit.solving.adjustment import adjust
from fiducialkit.solving.adjustment_poses import moved_poses
from fiducialkit.solving.adjustment_problem import Block, Measurements, Prior, Problem, Robust, Values
from fiducialkit.solving.adjustment_result import STATUSES
from fiducialkit.solving.adjustment_views import lens_block, view_measurements


def plane(points_xy, prior=None):
    """Fit z = a + b x + c y through points of unit sd."""
    points = np.asarray(points_xy, dtype=np.float64)
    slopes = np.column_stack([np.ones(len(points)), points])[:, None, :]

    def evaluate(values: Values):
        return slopes @ values.shared["plane"] - 1.0, None, slopes

    block = Block(name="plane", value=np.zeros(3), labels=("a_m", "b", "c"), prior=prior)
    kind = Measurements(name="heights", evaluate=evaluate, shared={"plane": None})
    return adjust(Problem(shared=[block], measurements=[kind]))


def test_a_plane_through_a_line_of_points_turns_about_it():
    # points on y = 2 x: a change b + 2 c = 0 is not seen, the height a is known
    found = plane([(0.0, 0.0), (1.0, 2.0), (2.0, 4.0), (3.0, 6.0)])
    assert found.status == "undetermined"
    (one,) = found.undetermined
    assert one.labels == ("plane.b", "plane.c")
    assert one.changes == pytest.approx((1.0, -0.5))
    assert found.message == "a combination of parameters is not determined: plane.b +1, plane.c -0.5"
    assert found.weakest < 5e-15
    covariance = found.covariance("plane")
    # a and its variance as in the line fit through x = 0, 1, 2, 3: 1/4 + 1.5^2 / 5
    assert covariance[0, 0] == pytest.approx(0.7)
    assert np.isnan(covariance[1:, :]).all()
    assert found.degrees_of_freedom == 2.0
    # a function that does not turn with it keeps its variance: the slope along the line
    along = found.covariance_of(lambda values: values.shared["plane"] @ [0.0, 1.0, 2.0])
    assert along[0, 0] == pytest.approx(1.0 / 5.0)
    assert np.isnan(found.covariance_of(lambda values: values.shared["plane"][1])).all()


def test_a_prior_determines_it():
    found = plane([(0.0, 0.0), (1.0, 2.0), (2.0, 4.0)], prior=Prior(sd=[np.inf, np.inf, 0.1]))
    assert found.status == "ok"
    assert found.undetermined == ()
    assert np.isfinite(found.covariance()).all()


def test_a_parameter_that_nothing_touches_is_named_alone():
    made = bundle(3)
    lens, markers, frames = made.blocks()
    blocks = [
        replace(lens, fixed=True),
        replace(markers, fixed=True),
        Block(name="delay", value=[0.0], labels=("t_s",)),
    ]
    found = adjust(Problem(shared=blocks, frames=frames, measurements=[made.measurements()]))
    assert found.status == "undetermined"
    assert [one.labels for one in found.undetermined] == [("delay.t_s",)]
    assert np.isnan(found.covariance("delay")).all()
    assert np.isfinite(found.covariance("lens", "marker")).all()
    assert np.isfinite(found.frame_covariance()).all()
    assert np.isnan(found.covariance_of(lambda values: values.shared["delay"])).all()


# a free network


def free_network(seed=3, noise_px=0.1, **changes):
    made = bundle(seed, noise_px=noise_px)
    lens, markers, frames = made.blocks(disturbed=0.01, seed=1)
    lens = replace(lens, value=made.lens, fixed=True)
    return made, Problem(
        shared=[lens, replace(markers, items=["4", "7", "12", "18"])],
        frames=frames,
        measurements=[made.measurements()],
        **changes,
    )


def distance(values: Values) -> float:
    places = values.shared["marker"][:, :, 3]
    return float(np.linalg.norm(places[1] - places[2]))


def field_seen_by_frame(values: Values) -> np.ndarray:
    """Return where marker 7 is in the frame's camera: no gauge changes it."""
    return values.frames[:, :3] @ values.shared["marker"][1][:, 3] + values.frames[:, 3]


def network_motions(markers: np.ndarray) -> np.ndarray:
    """Return how the local steps of all marker poses go with the six motions of the whole network, (6, 6 n)."""
    motions = np.zeros((6, len(markers), 6))
    motions[:3, :, :3] = np.eye(3)[:, None, :]
    for axis in range(3):
        motions[3 + axis, :, :3] = np.cross(np.eye(3)[axis], markers[:, :, 3])
        motions[3 + axis, :, 3 + axis] = 1.0
    return motions.reshape(6, -1)


def test_a_free_network_is_named_and_its_shape_is_known_all_the_same():
    _, problem = free_network()
    found = adjust(problem)
    assert found.status == "undetermined"
    assert len(found.undetermined) == 6
    assert {name.split(".")[0] for one in found.undetermined for name in one.labels} == {
        "marker[4]", "marker[7]", "marker[12]", "marker[18]",
    }  # fmt: skip
    assert all({"x_m", "y_m", "z_m"} & set(one.with_frames) for one in found.undetermined)
    assert found.message.startswith("combinations of parameters are not determined: marker[")
    assert "\n" not in found.message
    assert np.isnan(found.covariance("marker")).all()
    assert np.isnan(found.frame_covariance()).all()
    assert found.covariance("lens").tolist() == np.zeros((4, 4)).tolist()
    # the same problem, tied down in two ways: shapes agree, with their variances; places do not
    held = np.zeros((4, 6), dtype=bool)
    held[0] = True
    lens, markers = problem.shared
    tied = adjust(replace(problem, shared=[lens, replace(markers, fixed=held)]))
    inner = adjust(replace(problem, constraints={"marker": network_motions(markers.value)}))
    for other in (tied, inner):
        assert other.status == "ok"
        assert other.chi2 == pytest.approx(found.chi2, rel=1e-9)
        assert other.degrees_of_freedom == found.degrees_of_freedom
        assert distance(other.values) == pytest.approx(distance(found.values), abs=1e-8)
        assert other.covariance_of(distance) == pytest.approx(found.covariance_of(distance), rel=1e-5)
        expected = found.covariance_of(field_seen_by_frame, frame=2)
        assert other.covariance_of(field_seen_by_frame, frame=2) == pytest.approx(expected, rel=1e-4)
    assert np.sqrt(found.covariance_of(distance)[0, 0]) == pytest.approx(2e-4, rel=0.9)
    assert np.isnan(found.covariance_of(lambda values: values.shared["marker"][1][:, 3])).all()
    # inner constraints spread the error evenly: their trace is the smallest there is (Meissl 1962)
    assert np.trace(inner.covariance("marker")) < np.trace(tied.covariance("marker"))


def test_turning_the_whole_field_changes_nothing_but_the_values():
    _, problem = free_network()
    held = np.zeros((4, 6), dtype=bool)
    held[0] = True
    lens, markers = problem.shared
    markers = replace(markers, fixed=held)
    first = adjust(replace(problem, shared=[lens, markers]))
    turn = pose([0.3, -1.2, 0.7], [2.0, -3.0, 1.0])
    turned = np.concatenate(
        [turn[:, :3] @ markers.value[:, :, :3], turn[:, :3] @ markers.value[:, :, 3:] + turn[:, 3:]], axis=2
    )
    back = problem.frames.value[:, :, :3] @ turn[:, :3].T
    frames = np.concatenate([back, problem.frames.value[:, :, 3:] - back @ turn[:, 3:]], axis=2)
    second = adjust(
        replace(problem, shared=[lens, replace(markers, value=turned)], frames=replace(problem.frames, value=frames))
    )
    assert second.chi2 == pytest.approx(first.chi2, rel=1e-9)
    expected = turn[:, :3] @ first.values.shared["marker"][:, :, 3:] + turn[:, 3:]
    assert second.values.shared["marker"][:, :, 3:] == pytest.approx(expected, abs=1e-8)
    own = first.covariance("marker")[6:9, 6:9]
    assert second.covariance("marker")[6:9, 6:9] == pytest.approx(
        turn[:, :3] @ own @ turn[:, :3].T, rel=1e-4, abs=1e-12
    )


# a lens seen from boards that are all parallel (Zhang 2000, section 4: such views add no constraint)


def views_of_a_board(turns, places, camera, noise_px=0.0):
    board = board_points(7, 5, 0.03)
    poses = np.stack([pose(turn, place) for turn, place in zip(turns, places, strict=True)])
    pixels = np.stack([camera.project(board @ view[:, :3].T + view[:, 3])[0] for view in poses])
    pixels += noise_px * np.random.default_rng(2).normal(size=pixels.shape)
    count = len(poses)
    rng = np.random.default_rng(3)
    started = np.array(poses)
    started[:, :, 3] += 0.002 * rng.normal(size=(count, 3))
    kind = view_measurements(
        camera=camera,
        points_board=np.tile(board, (count, 1)),
        pixels_px=pixels.reshape(-1, 2),
        frame_of=np.repeat(np.arange(count), len(board)),
        sd_px=0.1,
    )
    frames = Block(name="view", value=started, manifold="pose")
    return Problem(shared=[lens_block(camera)], frames=frames, measurements=[kind])


PLACES = [(0.0, 0.0, 0.6), (0.1, 0.05, 0.8), (-0.1, 0.1, 0.5), (0.05, -0.1, 1.0), (-0.05, -0.02, 0.7)]


def test_boards_that_face_the_camera_leave_focal_length_and_distance_undetermined():
    camera = Camera(width_px=1280, height_px=800, fx_px=900.0, fy_px=900.0, cx_px=640.0, cy_px=400.0)
    found = adjust(views_of_a_board([(0.0, 0.0, 0.3 * k) for k in range(5)], PLACES, camera))
    assert found.status == "undetermined"
    assert {one.labels for one in found.undetermined} == {
        ("lens.fx_px", "lens.fy_px"),
        ("lens.cx_px",),
        ("lens.cy_px",),
    }
    focal = next(one for one in found.undetermined if "lens.fx_px" in one.labels)
    assert focal.changes == pytest.approx((1.0, 1.0), rel=1e-3)  # both focal lengths alike
    assert "z_m" in focal.with_frames
    assert "lens.fx_px +1, lens.fy_px +1 (with each frame's" in found.message
    assert np.isnan(found.covariance("lens")).all()
    ratio = found.covariance_of(lambda values: values.shared["lens"][0] / values.shared["lens"][1])
    assert 0.0 < ratio[0, 0] < 1e-4


def test_boards_that_are_parallel_but_tilted_leave_two_combinations():
    # one plane direction gives two constraints on four numbers (Zhang 2000, section 2.2)
    camera = Camera(width_px=1280, height_px=800, fx_px=900.0, fy_px=900.0, cx_px=640.0, cy_px=400.0)
    tilt = Rotation.from_rotvec([0.5, 0.2, 0.0])
    turns = [(tilt * Rotation.from_rotvec([0.0, 0.0, 0.3 * k])).as_rotvec() for k in range(5)]
    found = adjust(views_of_a_board(turns, PLACES, camera))
    assert found.status == "undetermined"
    assert len(found.undetermined) == 2
    assert all("z_m" in one.with_frames for one in found.undetermined)


def test_boards_tilted_in_several_ways_determine_the_lens():
    camera = Camera(width_px=1280, height_px=800, fx_px=900.0, fy_px=900.0, cx_px=640.0, cy_px=400.0)
    turns = [(0.5, 0.0, 0.0), (-0.5, 0.1, 0.2), (0.0, 0.5, 0.0), (0.1, -0.5, 0.0), (0.3, 0.3, 0.5)]
    found = adjust(views_of_a_board(turns, PLACES, camera))
    assert found.status == "ok"
    assert found.message == ""
    assert found.values.shared["lens"] == pytest.approx([900.0, 900.0, 640.0, 400.0], abs=1e-6)
    assert 1e-6 < found.weakest < 1.0


# robust groups


def test_a_moved_marker_view_is_named_and_does_not_pull():
    made = bundle(11, frames=8)
    lens, markers, frames = made.blocks(disturbed=0.01, seed=2)
    held = np.zeros((4, 6), dtype=bool)
    held[0] = True

    def fit(pixels, robust):
        made.pixels = pixels
        shared = [lens, replace(markers, fixed=held)]
        return adjust(Problem(shared=shared, frames=frames, measurements=[made.measurements()]), robust=robust)

    clean_pixels = made.pixels
    wrong = clean_pixels.copy()
    wrong[9] += np.array([14.0, -9.0])
    clean, plain = fit(clean_pixels, None), fit(wrong, None)
    robust = fit(wrong, Robust(kind="biweight", limit=4.0))
    assert robust.status == "ok"
    assert robust.doubted == ("marker 1 in frame 2",)
    table = robust.groups.set_index("group")
    assert table.loc["marker 1 in frame 2", "weight"] == 0.0
    assert table.loc["marker 1 in frame 2", "rms_sd"] > 30.0
    sd = np.sqrt(np.diag(clean.covariance("lens")))
    assert (np.abs(robust.values.shared["lens"] - clean.values.shared["lens"]) < 2.0 * sd).all()
    assert (np.abs(plain.values.shared["lens"] - clean.values.shared["lens"]) > 5.0 * sd).any()
    # it counts for nothing: as if it had never been seen, but for the few weights a little below one
    assert robust.degrees_of_freedom == pytest.approx(clean.degrees_of_freedom - 8, rel=0.2)


def test_huber_names_it_too():
    made = bundle(11, frames=8)
    lens, markers, frames = made.blocks(disturbed=0.01, seed=2)
    made.pixels[9] += np.array([14.0, -9.0])
    shared = [replace(lens, prior=Prior(sd=[5.0] * 4)), replace(markers, prior=Prior(sd=[0.02] * 6))]
    problem = Problem(shared=shared, frames=frames, measurements=[made.measurements()])
    found = adjust(problem, robust=Robust(kind="huber", limit=2.0))
    assert found.status == "ok"
    assert "marker 1 in frame 2" in found.doubted
    assert found.groups["weight"].idxmin() == 9


# frames with nothing in common


def poses_of_a_log(made, shift=0.01):
    lens, markers, frames = made.blocks()
    rng = np.random.default_rng(6)
    started = moved_poses(made.frames, shift * rng.normal(size=(len(made.frames), 6)))
    return Problem(
        shared=[replace(lens, fixed=True), replace(markers, fixed=True)],
        frames=replace(frames, value=started),
        measurements=[made.measurements()],
    )


def test_each_frame_of_a_log_is_what_it_is_alone():
    made = bundle(21, frames=12)
    together = adjust(poses_of_a_log(made, shift=0.05))
    assert together.status == "ok"
    assert set(together.frame_status) == {"ok"}
    for f in (0, 7):
        alone = bundle(21, frames=12)
        mine = alone.frame_of == f
        alone.frame_of, alone.marker_of = np.zeros(mine.sum(), dtype=int), alone.marker_of[mine]
        alone.pixels, alone.whitening, alone.frames = alone.pixels[mine], alone.whitening[mine], alone.frames[[f]]
        single = adjust(poses_of_a_log(alone))
        assert single.values.frames[0] == pytest.approx(together.values.frames[f], abs=1e-9)
        assert single.frame_covariance() == pytest.approx(together.frame_covariance([f]), rel=1e-6)


def test_what_is_held_costs_the_same_whether_others_are_free_or_not():
    made = bundle(21, frames=4)
    problem = poses_of_a_log(made)
    lens, markers = problem.shared
    believed = replace(lens, prior=Prior(mean=made.lens + 2.0, sd=[1.0] * 4))
    found, known = adjust(problem), adjust(replace(problem, shared=[believed, markers]))
    assert known.chi2 == pytest.approx(found.chi2 + 16.0)
    assert known.degrees_of_freedom == found.degrees_of_freedom
    assert not found.covariance().any()
    assert found.joint_covariance(2)[-6:, -6:] == pytest.approx(found.frame_covariance([2])[0])


def test_one_bad_frame_leaves_the_others_alone():
    made = bundle(21, frames=12)
    clean = adjust(poses_of_a_log(made))
    made.pixels[made.frame_of == 4, 2, 0] = np.nan
    found = adjust(poses_of_a_log(made))
    assert found.status == "ok"
    assert found.frame_status[4] == "not_finite"
    assert found.frame_status[:4] + found.frame_status[5:] == ("ok",) * 11
    assert found.message.startswith("1 of 12 frame items have no result: frame[4] not finite")
    others = np.arange(12) != 4
    assert found.values.frames[others] == pytest.approx(clean.values.frames[others], abs=1e-10)
    assert np.isfinite(found.frame_covariance(np.flatnonzero(others))).all()
    assert np.isnan(found.frame_covariance([4])).all()
    assert np.isfinite([found.chi2, found.degrees_of_freedom]).all()
    assert found.degrees_of_freedom == 11 * (4 * 8 - 6)


def test_frames_without_a_measurement_are_said():
    made = bundle(21, frames=3)
    mine = made.frame_of != 1
    made.frame_of, made.marker_of = made.frame_of[mine], made.marker_of[mine]
    made.pixels, made.whitening = made.pixels[mine], made.whitening[mine]
    found = adjust(poses_of_a_log(made))
    assert found.frame_status == ("ok", "undetermined", "ok")
    assert "frame[1] undetermined in x_m, y_m, z_m, turn_x_rad" in found.message
    assert np.isnan(found.frame_covariance([1])).all()


def test_a_frame_without_a_measurement_leaves_the_shared_parameters_alone():
    made = bundle(22, frames=6)
    lens, markers, frames = made.blocks()
    shared = [lens, replace(markers, fixed=True)]
    without = replace(frames, value=made.frames[:5])
    mine = made.frame_of < 5
    made.frame_of, made.marker_of = made.frame_of[mine], made.marker_of[mine]
    made.pixels, made.whitening = made.pixels[mine], made.whitening[mine]
    kind = made.measurements()
    expected = adjust(Problem(shared=shared, frames=without, measurements=[kind]))
    found = adjust(Problem(shared=shared, frames=frames, measurements=[kind]))
    assert found.status == "ok"
    assert found.frame_status == ("ok",) * 5 + ("undetermined",)
    assert found.message.startswith("1 of 6 frame items have no result: frame[5] undetermined in x_m")
    assert found.values.shared["lens"] == pytest.approx(expected.values.shared["lens"], abs=1e-8)
    assert found.covariance("lens") == pytest.approx(expected.covariance("lens"), rel=1e-7)
    assert found.degrees_of_freedom == expected.degrees_of_freedom


def test_a_frame_whose_points_lie_on_a_line_can_turn_about_it():
    # points along the board's x axis, in front of the camera: the turn about that axis moves none of them
    line = np.column_stack([np.linspace(-0.2, 0.2, 6), np.zeros(6), np.zeros(6)])
    camera = Camera(width_px=1280, height_px=800, fx_px=900.0, fy_px=900.0, cx_px=640.0, cy_px=400.0)
    view = pose([0.0, 0.4, 0.0], [0.0, 0.0, 1.0])
    pixels = camera.project(line @ view[:, :3].T + view[:, 3])[0]
    kind = view_measurements(camera=camera, points_board=line, pixels_px=pixels, frame_of=np.zeros(6, int), sd_px=0.1)
    frames = Block(name="view", value=view[None], manifold="pose")
    lens = lens_block(camera, fixed=True)
    found = adjust(Problem(shared=[lens], frames=frames, measurements=[kind]))
    assert found.status == "undetermined"
    assert found.frame_status == ("undetermined",)
    covariance = found.frame_covariance()[0]
    assert np.isfinite(covariance[:3, :3]).all()
    assert np.isnan(covariance[3, 3])
    assert np.isfinite(covariance[4, 4])
    depth = found.covariance_of(lambda values: values.frames[2, 3], frame=0)
    assert depth[0, 0] == pytest.approx(covariance[2, 2])


# what fails is a status


def test_a_model_without_a_value_at_the_start_is_a_status_that_names_the_group():
    made, problem = free_network()
    made.pixels[5, 1, 0] = np.nan
    found = adjust(problem)
    assert found.status == "not_finite"
    assert found.message == "no finite value where the fit starts: corners marker 1 in frame 1"
    assert set(found.frame_status) == {"not_finite"}


def test_a_model_that_ends_on_the_way_is_walked_around():
    # the root of x fails left of 0; full steps from 9 towards sqrt(x) = 0.1 would leave it
    def evaluate(values: Values):
        x = values.shared["x"][0]
        with np.errstate(invalid="ignore"):
            root = np.sqrt(x)
        return np.array([[root - 0.1]]), None, np.array([[[0.5 / root]]])

    block = Block(name="x", value=[9.0], labels=("x_m2",))
    found = adjust(
        Problem(shared=[block], measurements=[Measurements(name="root", evaluate=evaluate, shared={"x": None})])
    )
    assert found.status == "ok"
    assert found.values.shared["x"] == pytest.approx([0.01])


def test_running_out_of_iterations_is_a_status():
    _, problem = free_network()
    found = adjust(problem, max_iterations=1)
    assert found.status == "not_converged"
    assert found.message == "no minimum was reached in 1 iterations"
    assert found.status in STATUSES
    assert str(found).startswith("not_converged: chi2")


def test_data_without_noise_converge_and_are_not_said_to_be_odd():
    made = bundle(3, noise_px=1e-9)
    for disturbed in (0.0, 0.01):
        lens, markers, frames = made.blocks(disturbed=disturbed, seed=1)
        held = np.zeros((4, 6), dtype=bool)
        held[0] = True
        markers = replace(markers, fixed=held, value=np.concatenate([made.markers[:1], markers.value[1:]]))
        made_exact = replace(made, whitening=made.whitening * 1e-8)
        exact = made_exact.evaluate(Values({"lens": made.lens, "marker": made.markers}, made.frames))[0]
        made_exact.pixels = made.pixels + np.linalg.solve(made_exact.whitening, exact[:, :, None]).reshape(-1, 4, 2)
        found = adjust(Problem(shared=[lens, markers], frames=frames, measurements=[made_exact.measurements()]))
        assert found.status == "ok"
        assert found.values.shared["lens"] == pytest.approx(made.lens, abs=1e-7)
        assert found.values.shared["marker"] == pytest.approx(made.markers, abs=1e-9)
