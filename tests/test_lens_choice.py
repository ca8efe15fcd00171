"""Lenses and sensors on the same mounts: hand-worked smear and skew, limits, and what is refused."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from matplotlib.figure import Figure
from scene_cases import small_field, small_robot

from fiducialkit import Focus
from fiducialkit.errors import InputError
from fiducialkit.planning.lens_choice import LENSES, compare_lenses
from fiducialkit.planning.study import Approach, Study
from fiducialkit.plots.lens_choice_view import draw_lens_choice
from fiducialkit.scene.camera import Camera, CameraNoise, CameraTiming
from fiducialkit.scene.field import Field, Marker, Node
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.robot import Mount, Rig, Robot

SPEED, EXPOSURE_S, FOCAL_PX = 2.0, 0.01, 800.0


def lens(name="usual", **changes):
    plain = {"width_px": 1280, "height_px": 800, "fx_px": FOCAL_PX, "fy_px": FOCAL_PX, "cx_px": 639.5, "cy_px": 399.5}
    return Camera(name=name, **(plain | changes))


def one_marker_ahead(offset_m=0.5):
    """Return a robot that drives along x at a marker `offset_m` beside its lens's axis: the node 2 m before it."""
    field = Field(
        name="lane",
        size=(8.0, 4.0),
        family=marker_family("36h11"),
        markers=(Marker(marker_id=3, position=(8.0, 2.0 + offset_m, 0.5), facing_deg=180.0, size_m=0.2),),
        nodes=(
            Node(
                name="end", position=(6.0, 2.0), heading_deg=0.0, tolerance_along_m=0.05, tolerance_across_m=0.05,
                tolerance_heading_deg=3.0,
            ),
        ),
    )  # fmt: skip
    robot = Robot(
        name="cart",
        footprint=(0.6, 0.6),
        mounts=(Mount(name="ahead", camera=lens(), position=(0.0, 0.0, 0.5)),),
        rigs=(Rig(name="one", mounts=("ahead",)),),
    )
    return Study(name="lane", field=field, robot=robot, approach=Approach(distance_m=1.0, speed_m_per_s=SPEED))


def test_smear_skew_and_reach_by_hand():
    """A marker at depth Z, x beside the axis, comes at v: its image runs at f x v / Z^2 px/s; nearest is the node."""
    camera = lens(timing=CameraTiming(exposure_s=EXPOSURE_S, row_time_s=2e-5), noise=CameraNoise(detector="fitted"))
    row = compare_lenses(one_marker_ahead(), [camera]).iloc[0]
    assert row["nearest_m"] == pytest.approx(math.hypot(2.0, 0.5))
    assert row["farthest_m"] == pytest.approx(math.hypot(3.0, 0.5))
    flow = FOCAL_PX * 0.5 * SPEED / 2.0**2
    assert row["largest_smear_px"] == pytest.approx(flow * EXPOSURE_S, rel=1e-3)
    tall = FOCAL_PX * 0.2 / 2.0
    assert row["skew_px"] == pytest.approx(flow * tall * 2e-5, rel=1e-2)
    assert row["usable_share"] == 1.0
    assert row["across_deg"] == pytest.approx(2.0 * math.degrees(math.atan(640.0 / FOCAL_PX)))


def test_turning_smears_by_the_focal_length():
    """Near the axis a turn of w moves the picture by f w px/s, whatever the distance; the marker is on the axis."""
    camera = lens(timing=CameraTiming(exposure_s=EXPOSURE_S), noise=CameraNoise(detector="fitted"))
    row = compare_lenses(one_marker_ahead(0.0), [camera], turn_deg_per_s=30.0).iloc[0]
    assert row["smear_px"] == pytest.approx(FOCAL_PX * math.radians(30.0) * EXPOSURE_S, rel=1e-2)


def test_depth_of_field_is_the_thin_lens():
    """In focus at 2.5 m: nearer and farther markers are blurred by a quarter of the circle of confusion."""
    focus = Focus(focal_length_mm=4.0, f_number=1.4, distance_m=2.5, pixel_pitch_um=5.0)
    camera = lens(noise=CameraNoise(detector="fitted"))
    row = compare_lenses(one_marker_ahead(), [camera], focus={"usual": focus}).iloc[0]
    # c = F^2 |1/Z - 1/D| / (N (1 - F / D)) over the pixel pitch, at Z = 2 and 3 m
    circles = [0.004**2 * abs(1 / z - 1 / 2.5) / (1.4 * (1 - 0.004 / 2.5)) / 5e-6 for z in (2.0, 3.0)]
    assert row["defocus_px"] == pytest.approx(max(circles) / 4.0)
    assert compare_lenses(one_marker_ahead(), [camera]).iloc[0]["defocus_px"] == 0.0


def test_a_long_exposure_costs_reach_and_so_does_a_wide_lens():
    """Stock reads from about 16 px: 0.2 m at 8 m are 20 px behind f 800, and 10 px behind f 400."""
    quick = lens("quick", timing=CameraTiming(exposure_s=0.0005))
    slow = lens("slow", timing=CameraTiming(exposure_s=0.03))
    wide = lens("wide", fx_px=400.0, fy_px=400.0, timing=CameraTiming(exposure_s=0.0005))
    study = replace(one_marker_ahead(), approach=Approach(distance_m=6.0, speed_m_per_s=SPEED))
    table = compare_lenses(study, [quick, slow, wide], turn_deg_per_s=20.0).set_index("camera")
    assert list(table.reset_index()[LENSES.names].columns) == LENSES.names
    assert table.loc["quick", "farthest_m"] > 7.5
    assert 4.0 < table.loc["wide", "farthest_m"] < 6.5
    assert table.loc["slow", "farthest_m"] < 6.5
    assert table.loc["wide", "smear_px"] == pytest.approx(0.5 * table.loc["quick", "smear_px"], rel=0.3)
    # the mounts' own cameras play no part
    other = replace(study, robot=replace(study.robot, mounts=tuple(
        replace(mount, camera=wide) for mount in study.robot.mounts
    )))  # fmt: skip
    assert compare_lenses(other, [quick]).equals(compare_lenses(study, [quick]))


def test_every_rig_and_node_has_a_row():
    study = Study(name="small", field=small_field(), robot=small_robot(), approach=Approach(distance_m=0.5))
    table = compare_lenses(study, [lens("one"), lens("other", fx_px=1000.0, fy_px=1000.0)])
    assert len(table) == 2 * len(study.rigs) * len(study.field.nodes)
    assert not table.duplicated(["camera", "rig", "node"]).any()
    assert table["chance_to_score"].between(0.0, 1.0).all()


def test_drawing_tells_every_case():
    quick, blind = lens("quick"), lens("blind", noise=CameraNoise(smallest_cell_px=500.0))
    table = compare_lenses(one_marker_ahead(), [quick, blind])
    ax = draw_lens_choice(table, Figure().subplots(), rig="one")
    texts = [text.get_text() for text in ax.texts if text.get_gid() == "chance"]
    assert len(texts) == 2
    assert texts[0].endswith("%")
    assert texts[1] == "no usable marker"
    assert ax.get_xlabel() == "distance from the lens [m]"
    with pytest.raises(InputError, match="rig: expected one of 'one', found 'two'"):
        draw_lens_choice(table, Figure().subplots(), rig="two")


@pytest.mark.parametrize(
    ("cameras", "others", "said"),
    [
        ([], {}, "cameras: expected at least one"),
        ([lens(), lens()], {}, "cameras: expected each name once, found 'usual' 2 times"),
        ([lens()], {"turn_deg_per_s": math.nan}, "turn_deg_per_s: expected"),
        (
            [lens()],
            {"focus": {"other": Focus(focal_length_mm=4.0, f_number=2.0, distance_m=2.0, pixel_pitch_um=5.0)}},
            "focus: expected names among 'usual', found 'other'",
        ),
        (
            [lens()],
            {"focus": {"usual": Focus(focal_length_mm=12.0, f_number=2.0, distance_m=2.0, pixel_pitch_um=5.0)}},
            "expected focal length over pixel pitch near the camera's 800 px, found 2400 px",
        ),
    ],
)
def test_no_such_comparison(cameras, others, said):
    with pytest.raises(InputError, match=said):
        compare_lenses(one_marker_ahead(), cameras, **others)
