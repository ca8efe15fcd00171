"""The mount card: figures by hand, drawings that show them, a page that is whole and safe."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

import fiducialkit
from fiducialkit.errors import InputError
from fiducialkit.plots.mount_card import draw_place_from_above, draw_place_from_side, draw_tilt, looks_in_words
from fiducialkit.report.mount_card import (
    CAUTION,
    aim_in_words,
    aim_point,
    card_rows,
    inclinometer_deg,
    render_card,
    rolled_in_words,
    turned_in_words,
    write_mount_card,
)

SAMPLE = Path(__file__).parents[1] / "sample_data"
RIG = "two low, turned out"


@pytest.fixture(scope="module")
def study():
    found = fiducialkit.load_study(SAMPLE / "study.toml")
    return replace(found, states=("arm stowed",), field=replace(found.field, nodes=found.field.nodes[:2]))


@pytest.fixture
def mount(study):
    return study.robot.mount("low front, out")


def tolerances_of(study):
    rows = [
        (name, axis, "mm" if axis in ("forward", "left", "up") else "degrees", value, 0.9)
        for name in study.robot.rig(RIG).mounts
        for axis, value in (
            ("forward", 12.34),
            ("left", 5.2),
            ("up", math.inf),
            ("yaw", 0.7),
            ("tilt", math.inf),
            ("roll", 1),
        )
    ]
    return pd.DataFrame(rows, columns=["mount", "axis", "unit", "tolerance", "worst_chance"])


def test_rows_by_hand(study, mount):
    """The sample mount at (0.28, 0.28, 0.35) on 0.8 by 0.7 m, turned 30 degrees to the left, looking up 4 degrees."""
    rows = card_rows(study.robot, mount, tolerances_of(study)[lambda t: t["mount"] == mount.name])
    assert rows == [
        ("lens, along", "280 mm in front of the robot's middle; 120 mm inside the front edge", "+-12 mm"),
        ("lens, across", "280 mm left of the robot's middle; 70 mm inside the left edge", "+-5.2 mm"),
        ("lens, height", "350 mm above the floor", "over 50 mm"),
        ("turned", "30 degrees from straight ahead, towards the robot's left", "+-0.7 degrees"),
        ("tilted", "looks up 4 degrees; phone along the camera reads 4.0 degrees", "over 5 degrees"),
        ("rolled", "upright; phone across the camera reads 0.0 degrees", "+-1 degrees"),
    ]


def test_phone_reads_the_slopes_of_the_body(mount):
    assert inclinometer_deg(replace(mount, tilt_deg=5.0, roll_deg=0.0)) == pytest.approx((5.0, 0.0))
    # level and rolled clockwise seen from behind: the right end goes down by the roll
    assert inclinometer_deg(replace(mount, tilt_deg=0.0, roll_deg=8.0)) == pytest.approx((0.0, -8.0))
    # a roll about a view that looks up slopes less across: sin = sin(roll) cos(tilt)
    along, across = inclinometer_deg(replace(mount, tilt_deg=30.0, roll_deg=10.0))
    assert along == pytest.approx(30.0)
    assert across == pytest.approx(-math.degrees(math.asin(math.sin(math.radians(10)) * math.cos(math.radians(30)))))


@pytest.mark.parametrize(
    ("yaw_deg", "words"),
    [
        (0.0, "straight ahead"),
        (360.0, "straight ahead"),
        (-30.0, "30 degrees from straight ahead, towards the robot's right"),
        (180.0, "straight back"),
        (210.0, "30 degrees from straight back, towards the robot's right"),  # (-cos 30, -sin 30): back and right
        (150.0, "30 degrees from straight back, towards the robot's left"),
    ],
)
def test_turn_in_words(mount, yaw_deg, words):
    assert turned_in_words(replace(mount, yaw_deg=yaw_deg)) == words


def test_tilt_and_roll_in_words(mount):
    assert looks_in_words(replace(mount, tilt_deg=5.0)) == "looks up 5 degrees"
    assert looks_in_words(replace(mount, tilt_deg=-2.5)) == "looks down 2.5 degrees"
    assert looks_in_words(replace(mount, tilt_deg=0.0)) == "looks level"
    assert rolled_in_words(replace(mount, roll_deg=3.0)).startswith("3 degrees clockwise")
    assert rolled_in_words(replace(mount, roll_deg=-3.0)).startswith("3 degrees counter-clockwise")


@pytest.mark.parametrize("tilt_deg", [4.0, -15.0, 70.0])
def test_the_mark_is_seen_in_the_middle(mount, tilt_deg):
    """Round trip: the camera projects the mark onto its principal point, whatever its roll."""
    turned = replace(mount, tilt_deg=tilt_deg, roll_deg=12.0)
    point = np.array([aim_point(turned)])
    pixels, valid = turned.camera.project(turned.robot_from_camera.inv().apply(point))
    assert valid.all()
    np.testing.assert_allclose(pixels[0], (turned.camera.cx_px, turned.camera.cy_px), atol=1e-6)
    if abs(tilt_deg) < 60.0:
        assert math.dist(point[0, :2], turned.position[:2]) == pytest.approx(2.0)


def test_a_view_into_the_floor_has_no_mark(mount):
    assert "looks down to the floor" in aim_in_words(replace(mount, tilt_deg=-40.0))
    assert "pixel (640, 400) of 1280 x 800" in aim_in_words(mount)


def test_drawings_show_the_figures(study, mount):
    above, side, tilt = (Figure().add_subplot() for _ in range(3))
    draw_place_from_above(study.robot, mount, above)
    draw_place_from_side(study.robot, mount, side)
    draw_tilt(mount, tilt)
    assert {text.get_text() for text in above.texts} >= {"120 mm", "70 mm", "30 deg", "front"}
    assert {text.get_text() for text in side.texts} >= {"350 mm", "120 mm"}
    assert {text.get_text() for text in tilt.texts} >= {"looks up 4 degrees", "phone reads 4.0 deg"}
    lens = next(line for line in above.lines if line.get_gid() == "lens")
    assert (lens.get_xdata()[0], lens.get_ydata()[0]) == (0.28, 0.28)
    body = next(patch for patch in tilt.patches if patch.get_gid() == "body").get_xy()
    slope = math.degrees(math.atan2(*(body[1] - body[0])[::-1]))
    assert slope == pytest.approx(4.0)


def test_card_is_written_whole(study, tmp_path):
    folder = tmp_path / "\u00e9tabli du robot"
    paths = write_mount_card(study, RIG, folder)
    names = [path.name for path in paths]
    stem = "mount_card_two_low_turned_out"
    assert names == [f"{stem}_1.png", f"{stem}_2.png", f"{stem}.html"]
    text = paths[-1].read_text(encoding="utf-8")
    assert not re.search(r"url\(|@import|https?://|<script", text)
    assert text.count("data:image/png;base64,") == 2
    plain = text.replace("\u00a0", " ").replace("&#39;", "'")
    assert plain.count(CAUTION) == 1
    for name in study.robot.rig(RIG).mounts:
        assert name in plain
    assert len(re.findall(r"\+-[\d.]+ (mm|degrees)", plain)) >= 4  # tolerances from the sensitivity


def test_names_cannot_become_markup(study):
    robot = replace(study.robot, name="<script>alert(1)</script>")
    page = render_card(replace(study, robot=robot), RIG, tolerances_of(study), [b"", b""], fall=0.05)
    assert "<script>" not in page


def test_an_unknown_rig_is_refused_and_leaves_nothing(study, tmp_path):
    with pytest.raises(InputError, match=r"rig: expected one of .* found 'two green'"):
        write_mount_card(study, "two green", tmp_path / "out")
    assert not (tmp_path / "out").exists()
