"""The mount explorer: what one mount sees and why not, the sheet of two rigs, the notebook that `explore` writes."""

from __future__ import annotations

import dataclasses
import json
import math
import shutil
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

import fiducialkit
from fiducialkit.cli.main import main
from fiducialkit.errors import InputError
from fiducialkit.planning.prediction import predict
from fiducialkit.planning.sightings import (
    BY_ITSELF,
    HIDDEN,
    OUT_OF_PICTURE,
    SEEN,
    SIGHTINGS,
    TOO_SMALL,
    TURNED,
    sightings,
)
from fiducialkit.report.explorer_drawing import camera_picture, floor_map
from fiducialkit.report.mount_explorer import CHANGED, ExplorerSheet, MountChange
from fiducialkit.scene.field import Field, Marker, Obstacle
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.robot import Mount, Rig, Robot, Structure

SAMPLE = Path(__file__).parents[1] / "sample_data"
POSE = np.array([1.6, 1.5, 3.0])


@pytest.fixture(scope="module")
def study():
    return fiducialkit.load_study(SAMPLE / "study.toml")


def small_study(position, facing_deg, *, obstacle=None, structure=None):
    """One marker, one camera at 0.5 m height on the origin of a robot that stands at (2, 3), looking along x."""
    camera = fiducialkit.Camera(width_px=1280, height_px=800, fx_px=800, fy_px=800, cx_px=639.5, cy_px=399.5)
    mount = Mount(name="eye", camera=camera, position=(0.0, 0.0, 0.5))
    boxes = () if structure is None else (Structure(state="up", corner_min=structure[0], corner_max=structure[1]),)
    field = Field(
        name="yard", size=(14.0, 6.0), family=marker_family("36h11"),
        markers=(Marker(marker_id=5, position=position, facing_deg=facing_deg, size_m=0.16),),
        obstacles=() if obstacle is None else (Obstacle(name="box", corner_min=obstacle[0], corner_max=obstacle[1]),),
    )  # fmt: skip
    robot = Robot(
        name="cart", footprint=(0.8, 0.7), mounts=(mount,), rigs=(Rig(name="one", mounts=("eye",)),), structures=boxes
    )
    return fiducialkit.Study(name="small", field=field, robot=robot), mount


@pytest.mark.parametrize(
    ("position", "facing_deg", "boxes", "status"),
    [
        ((5.0, 3.0, 0.5), 180.0, {}, SEEN),
        ((5.0, 3.0, 0.5), 90.0, {}, TURNED),
        ((5.0, 3.0, 0.5), 180.0 - 71.0, {}, TURNED),
        ((5.0, 5.9, 0.5), 225.0, {}, OUT_OF_PICTURE),  # 44 degrees off, the picture reaches 38.6
        ((1.0, 3.0, 0.5), 0.0, {}, OUT_OF_PICTURE),  # behind
        ((13.7, 3.0, 0.5), 180.0, {}, TOO_SMALL),  # 800 * .16 / 11.7 = 11 px; stock reads half of those of 14 px
        ((5.0, 3.0, 0.5), 180.0, {"obstacle": ((3.0, 2.5, 0.0), (3.2, 3.5, 0.9))}, HIDDEN),
        ((5.0, 3.0, 0.5), 180.0, {"obstacle": ((3.0, 2.5, 0.0), (3.2, 3.5, 0.3))}, SEEN),
        ((5.0, 3.0, 0.5), 180.0, {"structure": ((0.2, -0.1, 0.3), (0.3, 0.1, 0.8))}, BY_ITSELF),
    ],
)
def test_one_marker_by_hand(position, facing_deg, boxes, status):
    small, mount = small_study(position, facing_deg, **boxes)
    table = sightings(small, mount, [2.0, 3.0, 0.0], "up" if "structure" in boxes else "always")
    SIGHTINGS.checked(table)
    assert table.status.tolist() == [status]
    if position == (5.0, 3.0, 0.5) and status == SEEN:
        assert table.distance_m[0] == pytest.approx(3.0)
        assert table.facing_deg[0] == pytest.approx(0.0, abs=1e-6)
        assert table.width_px[0] == pytest.approx(800.0 * 0.16 / 3.0)


def test_counts_are_those_of_the_compiled_prediction(study):
    """Second implementation: the kernel that compares rigs counts the same markers."""
    rng = np.random.default_rng(31)
    poses = np.column_stack([rng.uniform(0.6, 10.4, 60), rng.uniform(0.6, 5.8, 60), rng.uniform(-3.1, 3.1, 60)])
    seen = predict(study, poses)
    for i in range(0, 60, 3):
        for s, state in enumerate(study.states):
            for r, rig in enumerate(study.rigs):
                missed = np.ones(len(study.field.markers))
                for name in rig.mounts:
                    missed *= 1.0 - sightings(study, study.robot.mount(name), poses[i], state).chance.to_numpy()
                assert np.count_nonzero(1.0 - missed >= 0.5) == seen.markers[i, s, r]
                # the kernel takes chances above .98 for certain
                assert 1.0 - missed.prod() == pytest.approx(seen.chance_1[i, s, r], abs=0.02)


def test_drawings_are_whole_svg_and_show_what_is_seen(study):
    mount = study.robot.mount(study.rigs[0].mounts[0])
    table = sightings(study, mount, POSE, study.states[0])
    picture = ElementTree.fromstring(camera_picture(study, mount, POSE, study.states[0], table))
    shown = [text.text for text in picture.iter("{http://www.w3.org/2000/svg}text")]
    assert set(table.loc[table.status == SEEN, "marker_id"].astype(str)) <= set(shown)
    floor = ElementTree.fromstring(floor_map(study, [mount], POSE, {mount.name: table}))
    lines = [
        line for line in floor.iter("{http://www.w3.org/2000/svg}line") if line.get("stroke-width") == "1.2"
    ]  # fmt: skip
    assert len(lines) == (table.status == SEEN).sum()


def test_an_unchanged_mount_gives_the_same_errors_twice(study):
    sheet = ExplorerSheet(study, study.rigs[1].name)
    table = sheet.at_nodes(MountChange(), study.states[0])
    own, twin = (table[table.rig == name].drop(columns="rig").reset_index(drop=True) for name in (sheet.rig, CHANGED))
    assert len(own) == len(study.field.nodes) * len(study.sides)
    pd.testing.assert_frame_equal(own, twin, rtol=1e-9)  # the sums run in another order


def test_a_change_reaches_the_camera_and_nothing_else(study):
    sheet = ExplorerSheet(study, study.rigs[1].name)
    change = MountChange(yaw_deg=77.0, horizontal_fov_deg=90.0)
    changed = sheet.with_change(change)
    moved = changed.robot.mount(CHANGED)
    assert moved.yaw_deg == 77.0
    assert moved.camera.fx_px == pytest.approx(0.5 * moved.camera.width_px)  # hand-worked: tan 45 deg is 1
    before = study.robot.mount(sheet.mount)
    assert changed.robot.mount(sheet.mount) == before
    assert dataclasses.replace(moved, name=before.name, yaw_deg=before.yaw_deg, camera=before.camera) == before


def test_the_sheet_holds_both_rigs_and_every_node(study):
    sheet = ExplorerSheet(study, study.rigs[1].name)
    html = sheet.html(MountChange(tilt_deg=10.0), POSE, study.states[1])
    root = ElementTree.fromstring(html.replace("<br>", "<br/>"))
    assert len(list(root.iter("{http://www.w3.org/2000/svg}svg"))) == 4
    for node in study.field.nodes:
        assert html.count(f"<td>{node.name}, ") == 2 * len(study.sides)
    assert math.isfinite(len(html))


def test_a_mount_of_another_rig_is_refused(study):
    with pytest.raises(InputError, match="mount: expected one of"):
        ExplorerSheet(study, study.rigs[0].name, "no such mount")


def test_the_command_writes_a_notebook_that_opens_the_study(tmp_path, capsys):
    folder = tmp_path / "étude"
    folder.mkdir()
    for path in SAMPLE.glob("*.toml"):
        shutil.copy(path, folder)
    assert main(["explore", str(folder / "study.toml"), "--out", str(tmp_path / "out")]) == 0
    written = json.loads((tmp_path / "out" / "explore.ipynb").read_text(encoding="utf-8"))
    assert written["nbformat"] == 4
    code = "".join(written["cells"][1]["source"])
    compile(code, "cell", "exec")
    assert "study.toml" in code
    assert capsys.readouterr().out.isascii() or "étude" in str(tmp_path)
    assert main(["explore", str(folder / "study.toml"), "--out", str(tmp_path / "x"), "--rig", "none"]) == 2
    assert not (tmp_path / "x").exists()
