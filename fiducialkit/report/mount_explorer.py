"""The mount explorer: move a camera, its lens, the mechanism and the robot, and see at once what that does.

`ExplorerSheet` holds no widgets and can be tested and timed alone; `explore` puts sliders round it in a notebook.
"""

from __future__ import annotations

import dataclasses
import html
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray
from fiducialkit.errors import InputError
from fiducialkit.planning.arrival import chance_to_score, tool_covariance
from fiducialkit.planning.prediction import predict
from fiducialkit.planning.sightings import SEEN, sightings
from fiducialkit.planning.study import Study
from fiducialkit.plots.style import whole_percent
from fiducialkit.report.explorer_drawing import camera_picture, floor_map
from fiducialkit.scene.robot import Mount, Rig

CHANGED = "changed"


@dataclass(frozen=True, slots=True, kw_only=True)
class MountChange:
    """What the sliders say of one mount; None leaves it as the robot file has it.

    A `horizontal_fov_deg` puts a lens without distortion of that width of view on the camera.
    """

    position: tuple[float, float, float] | None = None
    yaw_deg: float | None = None
    tilt_deg: float | None = None
    roll_deg: float | None = None
    horizontal_fov_deg: float | None = None

    def applied(self, mount: Mount) -> Mount:
        """Return the mount with the change."""
        given = {
            name: value
            for name in ("position", "yaw_deg", "tilt_deg", "roll_deg")
            if (value := getattr(self, name)) is not None
        }
        camera = mount.camera
        if self.horizontal_fov_deg is not None:
            focal_px = 0.5 * camera.width_px / math.tan(math.radians(0.5 * self.horizontal_fov_deg))
            camera = dataclasses.replace(camera, fx_px=focal_px, fy_px=focal_px, distortion=(), model="brown")
        return dataclasses.replace(mount, camera=camera, **given)


class ExplorerSheet:
    """Two rigs side by side: the second is the first with one of its mounts changed.

    Parameters
    ----------
    study : Study
    rig : str
        The rig of the robot file that is looked at.
    mount : str, optional
        The mount that is changed; the rig's first if None.
    """

    def __init__(self, study: Study, rig: str, mount: str | None = None) -> None:
        names = study.robot.rig(rig).mounts
        if mount is not None and mount not in names:
            raise InputError(f"mount: expected one of {', '.join(names)}, found '{mount}'")
        self.study, self.rig, self.mount = study, rig, mount or names[0]

    def with_change(self, change: MountChange) -> Study:
        """Return the study of the rig and its changed twin."""
        robot = self.study.robot
        old = robot.rig(self.rig)
        moved = dataclasses.replace(change.applied(robot.mount(self.mount)), name=CHANGED)
        twin = Rig(name=CHANGED, mounts=tuple(CHANGED if name == self.mount else name for name in old.mounts))
        both = dataclasses.replace(robot, mounts=(*robot.mounts, moved), rigs=(old, twin))
        return dataclasses.replace(self.study, robot=both, rigs=(old, twin))

    def at_nodes(self, change: MountChange, state: str) -> pd.DataFrame:
        """Return rig, node, side, markers, sds at the tool point and chance to score, from one picture at the node."""
        study = dataclasses.replace(self.with_change(change), states=(state,))
        cases = [(node, side) for node in study.field.nodes for side in study.sides]
        poses = np.array([_node_pose(node, side) for node, side in cases])
        seen = predict(study, poses)
        rows = []
        for r, rig in enumerate(study.rigs):
            for i, (node, side) in enumerate(cases):
                covariance, flip = seen.covariance[i, 0, r], seen.flip_probability[i, 0, r]
                tool = study.tool(side)
                along, across, heading = np.sqrt(np.diag(tool_covariance(covariance[None], tool)[0]))
                chance = float(np.nan_to_num(chance_to_score(covariance[None], np.array([flip]), node, tool))[0])
                rows.append(
                    {
                        "rig": rig.name, "node": node.name, "side": side, "markers": int(seen.markers[i, 0, r]),
                        "along_sd_mm": 1e3 * along, "across_sd_mm": 1e3 * across,
                        "heading_sd_deg": math.degrees(heading), "chance_to_score": chance,
                    }
                )  # fmt: skip
        return pd.DataFrame(rows)

    def html(self, change: MountChange, pose: Any, state: str, *, width: int = 420) -> str:
        """Return the whole sheet: pictures, floor maps and errors at the nodes of both rigs.

        Parameters
        ----------
        change : MountChange
        pose : array_like, shape (3,)
            x [m], y [m], heading [rad] of the robot.
        state : str
            Mechanism state.
        width : int
            Of each drawing.
        """
        place = np.asarray(pose, dtype=np.float64)
        study = self.with_change(change)
        nodes = self.at_nodes(change, state)
        columns = []
        for rig in study.rigs:
            mounts = [study.robot.mount(name) for name in rig.mounts]
            seen = {mount.name: sightings(study, mount, place, state) for mount in mounts}
            shown = study.robot.mount(CHANGED if rig.name == CHANGED else self.mount)
            columns.append(
                f"<td style='vertical-align:top;padding:4px 10px'><b>{_title(rig.name, self.mount)}</b><br>"
                + camera_picture(study, shown, place, state, seen[shown.name], width=width)
                + f"<br>{_counted(seen)}<br>"
                + floor_map(study, mounts, place, seen, width=width)
                + _node_table(nodes[nodes.rig == rig.name])
                + "</td>"
            )
        return f"<table><tr>{''.join(columns)}</tr></table>"


def _node_pose(node: Any, side: str) -> FloatArray:
    heading = math.radians(node.heading_deg) + (math.pi if side == "back" else 0.0)
    return np.array([*node.position, heading])


def _title(rig: str, mount: str) -> str:
    return f"with '{mount}' changed" if rig == CHANGED else f"{rig}, as in the robot file"


def _counted(seen: dict[str, pd.DataFrame]) -> str:
    words = [f"{name}: {(rows.status == SEEN).sum()}" for name, rows in seen.items()]
    return f"<small>markers seen by {', '.join(words)}</small>"


def _node_table(rows: pd.DataFrame) -> str:
    cells = "".join(
        f"<tr><td>{row['node']}, {row['side']}</td><td>{row['markers']}</td><td>{_number(row['along_sd_mm'], 1)}</td>"
        f"<td>{_number(row['across_sd_mm'], 1)}</td><td>{_number(row['heading_sd_deg'], 2)}</td>"
        f"<td>{html.escape(whole_percent(row['chance_to_score']))} %</td></tr>"
        for row in rows.to_dict("records")
    )
    head = "".join(
        f"<th>{name}</th>" for name in ("at the node", "markers", "along mm", "across mm", "heading deg", "chance")
    )
    return f"<table style='font-size:85%'><tr>{head}</tr>{cells}</table>"


def _number(value: float, digits: int) -> str:
    return "-" if math.isnan(value) else f"{value:.{digits}f}"


def explore(study: Study, rig: str, mount: str | None = None) -> Any:
    """Return the explorer as a notebook widget: sliders, and the sheet they change.

    Needs the extra ``notebooks``.

    Raises
    ------
    InputError
        If the rig or mount is not the robot's, or ipywidgets is missing.
    """
    try:
        import ipywidgets
    except ImportError:
        raise InputError('explore: expected ipywidgets; install it with  pip install ".[notebooks]"') from None
    sheet = ExplorerSheet(study, rig, mount)
    start = study.robot.mount(sheet.mount)
    sliders = _sliders(ipywidgets, study, start)
    picture = ipywidgets.HTML()

    def refresh(_: Any = None) -> None:
        value = {name: slider.value for name, slider in sliders.items()}
        fov_deg = value["lens"] if value["lens"] != _fov_deg(start) else None
        change = MountChange(
            position=(value["forward"], value["left"], value["up"]), yaw_deg=value["yaw"], tilt_deg=value["tilt"],
            roll_deg=value["roll"], horizontal_fov_deg=fov_deg,
        )  # fmt: skip
        pose = (value["robot x"], value["robot y"], math.radians(value["robot heading"]))
        picture.value = sheet.html(change, pose, value["state"])

    for slider in sliders.values():
        slider.observe(refresh, names="value")
    refresh()
    return ipywidgets.HBox([ipywidgets.VBox(list(sliders.values())), picture])


def _fov_deg(mount: Mount) -> float:
    return round(math.degrees(2.0 * math.atan(0.5 * mount.camera.width_px / mount.camera.fx_px)), 1)


def _sliders(ipywidgets: Any, study: Study, start: Mount) -> dict[str, Any]:
    half, (across, up) = 0.5 * max(study.robot.footprint), study.field.size
    node = study.field.nodes[0] if study.field.nodes else None
    ranges = {
        "forward": (-half, half, 0.01, start.position[0]),
        "left": (-half, half, 0.01, start.position[1]),
        "up": (0.05, 1.8, 0.01, start.position[2]),
        "yaw": (-180.0, 180.0, 1.0, start.yaw_deg),
        "tilt": (-60.0, 60.0, 1.0, start.tilt_deg),
        "roll": (-90.0, 90.0, 1.0, start.roll_deg),
        "lens": (30.0, 140.0, 0.1, _fov_deg(start)),
        "robot x": (0.0, across, 0.05, node.position[0] + 0.8 if node else 0.5 * across),
        "robot y": (0.0, up, 0.05, node.position[1] if node else 0.5 * up),
        "robot heading": (-180.0, 180.0, 1.0, node.heading_deg if node else 0.0),
    }
    sliders: dict[str, Any] = {
        name: ipywidgets.FloatSlider(
            min=low, max=high, step=step, value=min(max(value, low), high), description=name, continuous_update=True
        )
        for name, (low, high, step, value) in ranges.items()
    }
    sliders["state"] = ipywidgets.Dropdown(options=list(study.states), description="mechanism")
    return sliders
