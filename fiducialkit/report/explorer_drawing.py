"""Drawings of the mount explorer as SVG text: what a camera would see, the floor with robot and sight lines.

Written as text rather than drawn by the plotting library because a slider's move must be answered at once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray
from fiducialkit.planning.coverage import footprint_corners
from fiducialkit.planning.sightings import (
    BY_ITSELF,
    HIDDEN,
    OUT_OF_PICTURE,
    SEEN,
    TOO_SMALL,
    corners_in_picture,
)
from fiducialkit.planning.study import Study
from fiducialkit.plots.style import FAINT, INK, LINE_COLOURS, SOFT, WARNING
from fiducialkit.scene.robot import Mount
from fiducialkit.scene.transforms import field_from_robot_on_floor

_LOOKS = {
    SEEN: f'fill="{LINE_COLOURS[2]}" fill-opacity="0.35" stroke="{LINE_COLOURS[2]}"',
    TOO_SMALL: f'fill="none" stroke="{LINE_COLOURS[1]}"',
    HIDDEN: f'fill="none" stroke="{WARNING}" stroke-dasharray="4 3"',
    BY_ITSELF: f'fill="none" stroke="{WARNING}" stroke-dasharray="4 3"',
    OUT_OF_PICTURE: f'fill="none" stroke="{SOFT}" stroke-dasharray="1 3"',
}
_EDGES = ((0, 1), (1, 3), (3, 2), (2, 0), (4, 5), (5, 7), (7, 6), (6, 4), (0, 4), (1, 5), (2, 6), (3, 7))
_ALONG = np.linspace(0.0, 1.0, 13)[:, None]


def camera_picture(
    study: Study, mount: Mount, pose: FloatArray, state: str, seen: pd.DataFrame, *, width: int = 420
) -> str:
    """Return the picture the camera would take, markers outlined by status, boxes by their edges.

    Parameters
    ----------
    study : Study
    mount : Mount
    pose : ndarray, shape (3,)
        x [m], y [m], heading [rad].
    state : str
    seen : DataFrame `planning.sightings.SIGHTINGS`
        Of this mount from this pose.
    width : int
        Of the drawing.
    """
    camera = mount.camera
    scale = width / camera.width_px
    height = round(camera.height_px * scale)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" viewBox="0 0 {width} {height}">',
        f'<rect width="{width}" height="{height}" fill="#f7f9fa" stroke="{INK}"/>',
    ]
    parts += [_line(line, scale, SOFT) for line in _boxes_in_picture(study, mount, pose, None)]
    parts += [_line(line, scale, WARNING) for line in _boxes_in_picture(study, mount, pose, state)]
    pixels = corners_in_picture(study, mount, pose)
    for corners, marker_id, status in zip(pixels, seen["marker_id"], seen["status"], strict=True):
        if status in _LOOKS and np.isfinite(corners).all():
            points = " ".join(f"{scale * x:.1f},{scale * y:.1f}" for x, y in corners)
            middle = scale * corners.mean(axis=0)
            parts.append(f'<polygon points="{points}" stroke-width="1.6" {_LOOKS[status]}/>')
            parts.append(_text(middle[0], middle[1] + 4, str(marker_id)))
    return "".join([*parts, "</svg>"])


def floor_map(
    study: Study, mounts: Iterable[Mount], pose: FloatArray, seen: dict[str, pd.DataFrame], *, width: int = 420
) -> str:
    """Return the floor from above: markers, nodes, obstacles, the robot, and a line to every marker a mount sees."""
    scale = width / (study.field.size[0] + 0.6)
    height = round((study.field.size[1] + 0.6) * scale)

    def at(point: Iterable[float]) -> tuple[float, float]:
        x, y = tuple(point)[:2]
        return scale * (x + 0.3), height - scale * (y + 0.3)

    corner = at((0.0, study.field.size[1]))
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" viewBox="0 0 {width} {height}">',
        f'<rect x="{corner[0]:.1f}" y="{corner[1]:.1f}" width="{scale * study.field.size[0]:.1f}" '
        f'height="{scale * study.field.size[1]:.1f}" fill="white" stroke="{SOFT}"/>',
    ]
    for obstacle in study.field.obstacles:
        x, y = at((obstacle.corner_min[0], obstacle.corner_max[1]))
        across, up = (scale * (obstacle.corner_max[i] - obstacle.corner_min[i]) for i in range(2))
        parts.append(f'<rect x="{x:.1f}" y="{y:.1f}" width="{across:.1f}" height="{up:.1f}" fill="{FAINT}"/>')
    parts += [_node(at(node.position), node.name) for node in study.field.nodes]
    parts += _sight_lines(study, mounts, pose, seen, at)
    for corners in study.field.corners_field:
        a, b = at(corners[0]), at(corners[1])
        parts.append(
            f'<line x1="{a[0]:.1f}" y1="{a[1]:.1f}" x2="{b[0]:.1f}" y2="{b[1]:.1f}" stroke="{INK}" stroke-width="4"/>'
        )
    outline = " ".join("{:.1f},{:.1f}".format(*at(c)) for c in footprint_corners(study.robot.footprint, pose[None])[0])
    parts.append(f'<polygon points="{outline}" fill="{FAINT}" fill-opacity="0.7" stroke="{INK}"/>')
    nose = at(pose[:2] + 0.5 * study.robot.footprint[0] * np.array([math.cos(pose[2]), math.sin(pose[2])]))
    parts.append(f'<circle cx="{nose[0]:.1f}" cy="{nose[1]:.1f}" r="4" fill="{INK}"/>')
    return "".join([*parts, "</svg>"])


def _sight_lines(
    study: Study,
    mounts: Iterable[Mount],
    pose: FloatArray,
    seen: dict[str, pd.DataFrame],
    at: Callable[[Iterable[float]], tuple[float, float]],
) -> list[str]:
    parts = []
    field_from_robot = field_from_robot_on_floor(float(pose[0]), float(pose[1]), math.degrees(float(pose[2])))
    for number, mount in enumerate(mounts):
        colour = LINE_COLOURS[number % len(LINE_COLOURS)]
        start = at(field_from_robot.apply(mount.position))
        rows = seen[mount.name]
        for marker_id in rows.loc[rows.status == SEEN, "marker_id"]:
            end = at(study.field.marker(int(marker_id)).position)
            parts.append(
                f'<line x1="{start[0]:.1f}" y1="{start[1]:.1f}" x2="{end[0]:.1f}" y2="{end[1]:.1f}" '
                f'stroke="{colour}" stroke-width="1.2"/>'
            )
        parts.append(f'<circle cx="{start[0]:.1f}" cy="{start[1]:.1f}" r="3" fill="{colour}"/>')
    return parts


def _boxes_in_picture(study: Study, mount: Mount, pose: FloatArray, state: str | None) -> list[FloatArray]:
    """Return the edges of the field's boxes, or of the robot's in a state, as lines of pixels; NaN are gaps."""
    camera_from_robot = mount.robot_from_camera.inv()
    if state is None:
        field_from_robot = field_from_robot_on_floor(float(pose[0]), float(pose[1]), math.degrees(float(pose[2])))
        into_camera = camera_from_robot * field_from_robot.inv()
        boxes = [_corners_between(o.corner_min, o.corner_max) for o in study.field.obstacles]
    else:
        into_camera = camera_from_robot
        boxes = [_corners_of_row(row) for row in study.robot.boxes(state)]
    lines = []
    for corners in boxes:
        for a, b in _EDGES:
            points = into_camera.apply(corners[a] + _ALONG * (corners[b] - corners[a]))
            pixels, valid = mount.camera.project(points)
            pixels[~valid | (points[:, 2] < 0.02)] = math.nan
            lines.append(pixels)
    return lines


def _corners_between(low: tuple[float, ...], high: tuple[float, ...]) -> FloatArray:
    return np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])


def _corners_of_row(row: FloatArray) -> FloatArray:
    signs = np.array([[x, y, z] for x in (-1.0, 1.0) for y in (-1.0, 1.0) for z in (-1.0, 1.0)])
    return np.asarray(row[:3] + (signs * row[12:15]) @ row[3:12].reshape(3, 3))


def _line(pixels: FloatArray, scale: float, colour: str) -> str:
    """Return a line of pixels as SVG, broken where they are NaN or far outside."""
    drawn = scale * pixels
    fits = np.isfinite(drawn).all(axis=1) & (np.abs(drawn) < 5000.0).all(axis=1)
    commands, is_down = [], False
    for (x, y), fit in zip(drawn, np.atleast_1d(fits), strict=True):
        if fit:
            commands.append(f"{'L' if is_down else 'M'}{x:.1f} {y:.1f}")
        is_down = bool(fit)
    return f'<path d="{" ".join(commands)}" fill="none" stroke="{colour}" stroke-width="1"/>' if commands else ""


def _node(place: tuple[float, float], name: str) -> str:
    cross = f'<circle cx="{place[0]:.1f}" cy="{place[1]:.1f}" r="3.5" fill="none" stroke="{LINE_COLOURS[0]}"/>'
    return f"{cross}<title>{_escaped(name)}</title>"


def _text(x: float, y: float, words: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="11" text-anchor="middle" fill="{INK}">{_escaped(words)}</text>'


def _escaped(words: str) -> str:
    return words.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
