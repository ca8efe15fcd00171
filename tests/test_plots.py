"""Drawings: labels, units and the data drawn; never pixels.

Worked values are those of `scene_cases`: a camera of 75 degrees across on 1280 x 800 px, errors of 1 cm per metre.
"""

import math
import subprocess
import sys

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.patches import Polygon
from scene_cases import RIGS, approach_table, maps_table, node_table, small_field, small_robot

from fiducialkit import Camera, InputError
from fiducialkit.plots import sheets, style
from fiducialkit.plots.camera_view import camera_legend, draw_camera
from fiducialkit.plots.coverage_view import add_share_scale, draw_coverage, worst_state_grid
from fiducialkit.plots.field_view import draw_field, field_legend, outline
from fiducialkit.plots.node_view import (
    blind_stretches,
    draw_chance_matrix,
    draw_error_near_node,
    error_limits_cm,
    worst_along_approach,
    worst_chances,
)
from fiducialkit.plots.robot_view import draw_robot, mount_in_words, robot_legend, view_angles_deg
from fiducialkit.scene.robot import Mount

FOLDED = Camera(
    width_px=1280,
    height_px=800,
    fx_px=600,
    fy_px=600,
    cx_px=639.5,
    cy_px=399.5,
    distortion=(-0.35, 0.12, 0.001, 0.001, -0.02),
)


def new_ax() -> Axes:
    return style.new_figure(6, 4).add_subplot()


def drawn(ax: Axes, gid: str) -> list:
    """Return what was drawn under that name, in drawing order."""
    return [artist for artist in ax.get_children() if artist.get_gid() == gid]


def test_no_window_library_is_loaded_and_no_global_figure_kept():
    code = (
        "import sys; from fiducialkit.plots import sheets; from fiducialkit.scene.camera import Camera;"
        "sheets.camera_sheet(Camera.from_field_of_view(640, 480, 60.0)); assert 'matplotlib.pyplot' not in sys.modules"
    )
    subprocess.run([sys.executable, "-W", "error", "-c", code], check=True)


# --- field ---------------------------------------------------------------------------------------------------------


def test_field_shows_every_marker_with_its_id_at_its_place():
    field = small_field()
    ax = draw_field(field, new_ax())
    assert ax.get_xlabel() == "field x [m]" and ax.get_ylabel() == "field y [m]"
    assert ax.get_title(loc="left") == "Caf\u00e9 hall"
    middles = np.array([line.get_xydata().mean(axis=0) for line in drawn(ax, "marker")])
    np.testing.assert_allclose(middles, [m.position[:2] for m in field.markers], atol=1e-12)
    assert [text.get_text() for text in drawn(ax, "marker id")] == ["4", "7", "11", "12"]


def test_marker_lines_lie_along_the_face_and_arrows_point_where_it_looks():
    field = small_field()
    ax = draw_field(field, new_ax())
    for marker, line, arrow in zip(field.markers, drawn(ax, "marker"), drawn(ax, "facing"), strict=True):
        (x0, y0), (x1, y1) = line.get_xydata()
        facing = math.radians(marker.facing_deg)
        out = np.array([math.cos(facing), math.sin(facing)])
        assert abs(np.dot([x1 - x0, y1 - y0], out)) < 1e-12
        points = np.array(arrow.xy) - np.array(arrow.xyann)
        assert np.dot(points, out) > 0.0
        np.testing.assert_allclose(points / np.linalg.norm(points), out, atol=1e-12)


def test_marker_ids_stand_behind_the_face_off_the_floor():
    ax = draw_field(small_field(), new_ax())
    places = {text.get_text(): text.get_position() for text in drawn(ax, "marker id")}
    assert places["4"][0] < 0.0 and places["7"][0] > 6.0 and places["11"][1] > 4.0 and places["12"][1] < 0.0


def test_node_outline_is_the_robots_footprint_turned_by_the_heading():
    # worked by hand: 0.8 x 0.6 at (1, 2), heading 90 degrees: length along y
    corners = outline((0.8, 0.6), (1.0, 2.0), 90.0)
    np.testing.assert_allclose(corners, [[0.7, 2.4], [0.7, 1.6], [1.3, 1.6], [1.3, 2.4]], atol=1e-12)
    ax = draw_field(small_field(), new_ax(), footprint=(0.8, 0.6))
    first = drawn(ax, "node")[0].get_xy()[:4]
    np.testing.assert_allclose(first, outline((0.8, 0.6), (0.75, 1.2), 180.0))
    assert [text.get_text() for text in drawn(ax, "node name")] == ["oven 1", "shelf"]
    arrow = drawn(ax, "heading")[0]
    np.testing.assert_allclose(arrow.xy, (0.35, 1.2), atol=1e-12)  # to the middle of the robot's front


def test_obstacles_are_hatched_and_the_legend_says_what_is_what():
    ax = draw_field(small_field(), new_ax())
    (box,) = drawn(ax, "obstacle")
    assert box.get_hatch() and (box.get_x(), box.get_y()) == (3.6, 1.4)
    _, texts = field_legend(small_field(), (0.8, 0.7))
    assert any("id" in text for text in texts) and any("front" in text for text in texts)


def test_names_are_shown_letter_by_letter():
    assert style.plain("a$b$c") == r"a\$b\$c"  # matplotlib would set this as a formula
    assert not style.plain("_hidden").startswith("_")
    assert "\n" not in style.plain("two\nlines")
    assert style.short("a rather long name", 10) == "a rather.."
    assert style.short("just right", 10) == "just right"


# --- robot ---------------------------------------------------------------------------------------------------------


def test_view_from_above_spans_the_cameras_horizontal_field_of_view():
    # level camera, 75 degrees across: the wedge's edges enclose 75 degrees in the floor plane
    camera = Camera.from_field_of_view(1280, 800, 75.0)
    assert view_angles_deg(camera) == pytest.approx((75.0, 51.25), abs=0.01)  # 2 atan(800 / (2 f)), f = 834.06
    ax = draw_robot(small_robot(), new_ax(), view="above", mounts=["low left"])
    (wedge,) = drawn(ax, "view low left")
    pupil, tips = wedge.get_xy()[0], wedge.get_xy()[1:-1]
    np.testing.assert_allclose(pupil, (0.25, 0.30))
    bearings = np.degrees(np.arctan2(*(tips - pupil)[:, ::-1].T))
    # a level view would span 25 - 37.5 to 25 + 37.5; raised by 5 degrees, tan grows by 1 / cos(5 deg)
    half = math.degrees(math.atan(math.tan(math.radians(37.5)) / math.cos(math.radians(5.0))))
    assert bearings.max() == pytest.approx(25.0 + half, abs=1e-6)
    assert bearings.min() == pytest.approx(25.0 - half, abs=1e-6)


def test_view_from_the_side_is_raised_by_the_tilt():
    ax = draw_robot(small_robot(), new_ax(), view="side", mounts=["high"])
    (wedge,) = drawn(ax, "view high")
    pupil, tips = wedge.get_xy()[0], wedge.get_xy()[1:-1]
    heights = np.degrees(np.arctan2(tips[:, 1] - pupil[1], tips[:, 0] - pupil[0]))
    half = view_angles_deg(small_robot().mounts[2].camera)[1] / 2
    assert heights.max() == pytest.approx(-10.0 + half, abs=1e-6)  # looks down 10 degrees
    assert heights.min() == pytest.approx(-10.0 - half, abs=1e-6)


def test_a_camera_turned_on_its_side_shows_its_wide_angle_from_the_side():
    camera = Camera.from_field_of_view(1280, 800, 75.0)
    mount = Mount(name="portrait", camera=camera, position=(0.0, 0.0, 0.5), roll_deg=90.0)
    robot = type(small_robot())(name="one", footprint=(0.8, 0.7), mounts=(mount,))
    spans = {}
    for view in ("side", "above"):
        (wedge,) = drawn(draw_robot(robot, new_ax(), view=view), "view portrait")
        offsets = wedge.get_xy()[1:-1] - wedge.get_xy()[0]
        spans[view] = np.ptp(np.degrees(np.arctan2(offsets[:, 1], offsets[:, 0])))
    assert spans["side"] == pytest.approx(75.0, abs=1e-6)
    assert spans["above"] == pytest.approx(51.25, abs=0.01)


def test_structure_is_drawn_for_each_state_and_raised_where_it_says_so():
    ax = draw_robot(small_robot(), new_ax(), view="side")
    (raised,) = drawn(ax, "structure arm raised")
    assert isinstance(raised, Polygon)
    # worked by hand: far top corner (0.9, 0.05) from the pivot (0, 0.35), turned up by 60 degrees
    top = 0.35 + 0.9 * math.sin(math.radians(60)) + 0.05 * math.cos(math.radians(60))
    assert raised.get_xy()[:, 1].max() == pytest.approx(top)
    (down,) = drawn(ax, "structure arm down")
    assert down.get_xy()[:, 1].max() == pytest.approx(0.4)
    assert down.get_hatch() != raised.get_hatch()
    assert len(drawn(ax, "tool")) == 2


def test_views_carry_their_axes_and_refuse_another_name():
    side = draw_robot(small_robot(), new_ax(), view="side")
    above = draw_robot(small_robot(), new_ax(), view="above")
    assert (side.get_xlabel(), side.get_ylabel()) == ("robot x, forward [m]", "robot z, up [m]")
    assert above.get_ylabel() == "robot y, left [m]"
    with pytest.raises(InputError, match="view: expected side or above, found 'top'"):
        draw_robot(small_robot(), new_ax(), view="top")


@pytest.mark.parametrize(
    ("yaw", "tilt", "roll", "words"),
    [
        (25.0, 5.0, 0.0, "0.45 m high, looks up 5 deg, turned 25 deg left, sees 75 x 51 deg"),
        (-25.0, -12.5, 0.0, "0.45 m high, looks down 12.5 deg, turned 25 deg right, sees 75 x 51 deg"),
        (0.0, 0.0, 90.0, "0.45 m high, looks level, straight ahead, sees 75 x 51 deg, rolled 90 deg"),
        (180.0, 0.0, 0.0, "0.45 m high, looks level, straight back, sees 75 x 51 deg"),
        (350.0, 0.0, 0.0, "0.45 m high, looks level, turned 10 deg right, sees 75 x 51 deg"),
    ],
)
def test_a_mount_in_words(yaw, tilt, roll, words):
    camera = Camera.from_field_of_view(1280, 800, 75.0)
    mount = Mount(name="m", camera=camera, position=(0.2, 0, 0.45), yaw_deg=yaw, tilt_deg=tilt, roll_deg=roll)
    assert mount_in_words(mount) == words


def test_robot_legend_names_cameras_states_and_tools():
    _, texts = robot_legend(small_robot(), ["high"])
    assert texts[0].startswith("high: 1.00 m high, looks down 10 deg")
    assert texts[1:] == [
        "structure that never moves",
        "hides the view: arm down",
        "hides the view: arm raised",
        "where it scores: front, back",
    ]


# --- camera --------------------------------------------------------------------------------------------------------


def test_grid_lines_stand_where_the_pinhole_puts_them():
    camera = Camera.from_field_of_view(1280, 800, 75.0)
    ax = draw_camera(camera, new_ax())
    lines = [line.get_xydata() for line in drawn(ax, "grid line")]
    focal = 640.0 / math.tan(math.radians(37.5))
    vertical = sorted({round(float(xy[0, 0]), 6) for xy in lines if np.ptp(xy[:, 0]) < 1e-9})
    wanted = [639.5 + focal * math.tan(math.radians(angle)) for angle in range(-80, 81, 10)]
    np.testing.assert_allclose(vertical, wanted, atol=1e-5)
    assert not drawn(ax, "invalid")
    assert "sees 75.0 deg across and 51.2 deg down" in ax.get_title(loc="left")
    assert ax.get_ylim()[0] > ax.get_ylim()[1]  # rows grow downwards, as in the picture


def test_the_part_where_the_lens_model_fails_is_marked():
    ax = draw_camera(FOLDED, new_ax())
    assert len(drawn(ax, "invalid")) == 1
    _, texts = camera_legend(FOLDED)
    _, found = FOLDED.unproject([[0.0, 0.0]])
    assert not found[0]
    assert any("not valid" in text for text in texts)
    assert any(f"valid to {FOLDED.valid_angle_deg:.1f} deg" in text for text in texts)


# --- coverage ------------------------------------------------------------------------------------------------------


def test_coverage_is_the_worst_state_on_one_scale():
    field, maps = small_field(), maps_table()
    ax = draw_coverage(maps, new_ax(), rig=RIGS[1], field=field)
    (mesh,) = drawn(ax, "coverage")
    x, y, grid = worst_state_grid(maps, RIGS[1], "share_1")
    np.testing.assert_allclose(np.asarray(mesh.get_array()).reshape(len(y), len(x)), grid)
    # worked by hand: x / 6, half of it for this rig, times 0.8 with the arm raised
    np.testing.assert_allclose(grid, np.broadcast_to(x / 6 * 0.5 * 0.8, grid.shape))
    assert mesh.get_clim() == (0.0, 1.0)
    (markers,), (nodes,) = drawn(ax, "marker"), drawn(ax, "node")
    assert np.isfinite(markers.get_xydata()).all(axis=1).sum() == 2 * 4 and len(nodes.get_xydata()) == 2
    assert ax.get_title(loc="left") == f"{RIGS[1]}\nfloor average 20 %"


def test_coverage_scale_says_what_it_shows():
    figure, axes = style.new_panels(1, 2, 8, 3)
    for ax, rig in zip(axes, RIGS, strict=True):
        draw_coverage(maps_table(), ax, rig=rig, column="share_2")
    add_share_scale(figure, axes, "share_2")
    assert figure.axes[-1].get_ylabel() == "share of headings that see two markers [1]"


def test_places_where_the_robot_cannot_stand_stay_empty():
    maps = maps_table()
    maps.loc[maps["robot_x_m"] == 0.25, "share_1"] = np.nan
    _, _, grid = worst_state_grid(maps, RIGS[0], "share_1")
    assert np.isnan(grid[:, 0]).all() and np.isfinite(grid[:, 1:]).all()


def test_coverage_refuses_what_it_cannot_draw():
    with pytest.raises(InputError, match="column: expected one of share_1, share_2"):
        draw_coverage(maps_table(), new_ax(), rig=RIGS[0], column="position_95_m")
    with pytest.raises(InputError, match="rig: expected one of the map's rigs, found 'third'"):
        draw_coverage(maps_table(), new_ax(), rig="third")


# --- near the nodes ------------------------------------------------------------------------------------------------


def one_node():
    table = approach_table()
    return table[(table["node"] == "oven 1") & (table["side"] == "front")]


def test_error_lines_carry_centimetres_and_gaps_where_blind():
    ax = draw_error_near_node(one_node(), new_ax(), rigs=RIGS, limits_cm=(0.4, 6.0), tolerance_m=0.02)
    (low,) = drawn(ax, f"error {RIGS[0]}")
    np.testing.assert_allclose(low.get_ydata(), 0.5 + 1.0 * low.get_xdata())  # 5 mm plus 1 cm per metre
    (high,) = drawn(ax, f"error {RIGS[1]}")
    assert np.isnan(high.get_ydata()[high.get_xdata() < 0.55]).all()
    assert np.isfinite(high.get_ydata()[high.get_xdata() > 0.55]).all()
    assert ax.get_xlabel() == "distance to the node [m]" and ax.get_ylabel() == "95 % position error [cm]"
    assert ax.get_xlim() == (1.5, 0.0)  # the robot drives to the right
    assert drawn(ax, "tolerance")[0].get_ydata()[0] == pytest.approx(2.0)


def test_blind_stretch_is_a_bar_of_its_length():
    ax = draw_error_near_node(one_node(), new_ax(), rigs=RIGS, limits_cm=(0.4, 6.0))
    assert not drawn(ax, f"blind {RIGS[0]}")
    (bar,) = drawn(ax, f"blind {RIGS[1]}")
    ends = bar.get_xdata()
    np.testing.assert_allclose(
        sorted(ends[np.isfinite(ends)]), (0.0, 0.55)
    )  # seen again at 0.6: half a step beyond 0.5


def test_blind_stretches_by_hand():
    distance = np.array([0.0, 0.1, 0.2, 0.3, 0.4])
    error = np.array([1.0, np.nan, np.nan, 1.0, np.nan])
    assert blind_stretches(distance, error) == [pytest.approx((0.05, 0.25)), pytest.approx((0.35, 0.4))]
    assert blind_stretches(distance, np.full(5, np.nan)) == [(0.0, 0.4)]
    assert blind_stretches(distance, np.ones(5)) == []


def test_one_blind_state_makes_the_place_blind():
    worst = worst_along_approach(one_node())
    high = worst[worst["rig"] == RIGS[1]].set_index("distance_m")["position_95_m"]
    assert np.isnan(high.loc[0.0])  # the arm hides it in one of two states
    assert high.loc[1.5] == pytest.approx(0.04)


def test_limits_hold_every_error_and_survive_a_table_without_any():
    low, high = error_limits_cm(approach_table())
    assert low < 0.5 and high > 4.0
    blind = approach_table().assign(position_95_m=np.nan)
    low, high = error_limits_cm(blind)
    assert 0.0 < low < high
    ax = draw_error_near_node(blind, new_ax(), rigs=RIGS, limits_cm=(low, high))
    assert len(drawn(ax, f"blind {RIGS[0]}")) == 1


def test_chance_matrix_shows_the_worst_state():
    cases, chances = worst_chances(node_table(), RIGS)
    assert cases == [("oven 1", "front"), ("oven 1", "back"), ("shelf", "front"), ("shelf", "back")]
    np.testing.assert_allclose(chances, [[0.8] * 4, [0.0] * 4])
    ax = draw_chance_matrix(node_table(), new_ax(), rigs=RIGS)
    assert [text.get_text() for text in drawn(ax, "percent")] == ["80"] * 4 + ["0"] * 4
    assert [label.get_text() for label in ax.get_yticklabels()] == list(RIGS)
    assert ax.get_xticklabels()[1].get_text() == "oven 1, back"
    assert ax.images[0].get_clim() == (0.0, 1.0)


# --- sheets --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "draw",
    [
        lambda: sheets.field_sheet(small_field(), (0.8, 0.7)),
        lambda: sheets.robot_sheet(small_robot(), title="r$1$"),
        lambda: sheets.camera_sheet(FOLDED),
        lambda: sheets.coverage_sheet(maps_table(), RIGS, small_field(), "share_1"),
        lambda: sheets.error_sheet(approach_table(), RIGS, small_field()),
        lambda: sheets.chance_sheet(node_table(), RIGS),
    ],
    ids=["field", "robot", "camera", "coverage", "error", "chance"],
)
def test_sheets_are_png_of_page_width(draw):
    png = draw()
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    width, height = (int.from_bytes(png[start : start + 4], "big") for start in (16, 20))  # PNG, section 11.2.2
    assert width == style.PAGE_WIDTH_IN * style.DOTS_PER_INCH and 300 < height < 3000


def test_a_sheet_is_the_same_every_time():
    assert sheets.chance_sheet(node_table(), RIGS) == sheets.chance_sheet(node_table(), RIGS)


# Machado, Oliveira and Fernandes, IEEE TVCG 15(6), 2009, table 1, severity 1.0, in linear RGB; from memory.
DEUTAN = [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
PROTAN = [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]


@pytest.mark.parametrize("seen_as", [np.eye(3), DEUTAN, PROTAN], ids=["all cones", "deutan", "protan"])
def test_line_colours_stay_apart_for_colour_blind_readers(seen_as):
    colours = np.array([to_rgb(colour) for colour in style.LINE_COLOURS])
    linear = np.where(colours <= 0.04045, colours / 12.92, ((colours + 0.055) / 1.055) ** 2.4)
    seen = np.clip(linear @ np.transpose(seen_as), 0.0, 1.0) ** (1 / 2.4)
    for i in range(len(seen)):
        for j in range(i):
            # 0.12 of the full range in one channel, about 30 of 255 grey levels: chosen here
            assert np.abs(seen[i] - seen[j]).max() > 0.12, (style.LINE_COLOURS[i], style.LINE_COLOURS[j])
    assert len(set(style.LINE_DASHES)) == len(style.LINE_COLOURS)  # and the dashes tell them apart without colour
