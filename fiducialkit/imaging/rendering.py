"""Pictures of a field as a camera would take them, with the truth beside them.

Every pixel holds the exact area of each cell in it, through any lens (chords within 0.001 px); light, smear, blur,
vignetting, noise, tone curve and rounding follow in the order in which a camera adds them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from scipy.spatial.transform import RigidTransform

from fiducialkit.arrays import ByteArray, FloatArray, IntArray
from fiducialkit.errors import InputError
from fiducialkit.imaging.noise import stored_picture
from fiducialkit.imaging.rendering_bodies import (
    Body,
    Shape,
    are_hidden,
    backdrop,
    box_body,
    contains_eye,
    panel,
    shape_of,
    turned_box,
)
from fiducialkit.imaging.rendering_layers import laid_together, layers, vignetting
from fiducialkit.imaging.rendering_settings import Motion, RenderSettings, check_kind, check_pose
from fiducialkit.imaging.rendering_times import Shot, moments_of, placed, shot
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field
from fiducialkit.scene.markers import MarkerFamily, corners_of_square, marker_family
from fiducialkit.scene.occlusion import upright_box
from fiducialkit.scene.robot import ALWAYS, Robot
from fiducialkit.scene.transforms import parts, rigid_transform

WALL_HEIGHT_M = 1.3
_FLOOR, _WALLS = 0.42, (0.58, 0.5, 0.54, 0.62)  # reflectances of the "hall" background
_GRID = 24  # points along a marker's side that tell how much of it is seen


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RenderedPicture:
    """A picture and the truth about it.

    Attributes
    ----------
    image : ndarray of uint8, shape (height, width)
    marker_id : ndarray, shape (N,)
        Markers of which the picture shows any part.
    corners_px : ndarray, shape (N, 4, 2)
        True corners: through the lens, at the middle of the exposure, on a rolling shutter of the corner's own row.
        They may lie outside the picture or be hidden; NaN where a corner is behind the camera. [px]
    visible : ndarray, shape (N,)
        Share of the black square that lies in the picture and is hidden by nothing, from 24 x 24 points on it.
    camera_from_marker : tuple of RigidTransform
        True poses, at the middle of the exposure of the picture's middle row.
    linear : ndarray, shape (height, width)
        The picture before noise, tone curve and rounding. [linear grey levels]
    exposure_steps : int
        How many moments of the exposure were averaged.
    """

    image: ByteArray
    marker_id: IntArray
    corners_px: FloatArray
    visible: FloatArray
    camera_from_marker: tuple[RigidTransform, ...]
    linear: FloatArray = field(repr=False)
    exposure_steps: int = 1


def render(
    layout: Field,
    camera: Camera,
    field_from_camera: RigidTransform,
    *,
    settings: RenderSettings | None = None,
    seed: int = 0,
    robot: Robot | None = None,
    state: str | None = None,
    robot_from_camera: RigidTransform | None = None,
    velocity: Motion | None = None,
) -> RenderedPicture:
    """Return the picture that the camera takes of the field.

    Markers that face away are not drawn: nothing is known of their backs. Exposure and row time are those of
    `camera.timing`; the pose holds at the middle of the exposure of the picture's middle row.

    Parameters
    ----------
    layout : Field
    camera : Camera
    field_from_camera : RigidTransform
    settings : RenderSettings, optional
    seed : int
        Of noise and background; the same seed gives the same bytes.
    robot : Robot, optional
        Its structure is drawn, in `state`; needs `robot_from_camera`.
    state : str, optional
        Mechanism state; what is "always" there alone if None.
    robot_from_camera : RigidTransform, optional
        The mount; with it, `velocity` is the robot's, otherwise the camera's own.
    velocity : Motion, optional

    Raises
    ------
    InputError
        If the camera stands inside an obstacle, or the robot has no such state.
    """
    chosen = settings or RenderSettings()
    for name, value, kind in (
        ("layout", layout, Field),
        ("camera", camera, Camera),
        ("settings", chosen, RenderSettings),
    ):
        check_kind(name, value, kind)
    check_pose("field_from_camera", field_from_camera)
    check_kind("velocity", velocity, Motion, is_optional=True)
    _check_robot(robot, state, robot_from_camera)
    refuse_inside_obstacle(layout, field_from_camera)
    camera_from_field = field_from_camera.inv()
    bodies = _markers(layout, camera_from_field, chosen)
    bodies += _obstacles(layout, camera_from_field, chosen)
    if robot is not None and robot_from_camera is not None:
        camera_from_robot = robot_from_camera.inv()
        for box in robot.boxes(state or ALWAYS):
            turned = turned_box(box, camera_from_robot)
            bodies.append(box_body(turned, chosen.structure_reflectance, is_fixed_to_camera=True))
    if chosen.background.kind == "hall" and chosen.background.picture is None:
        bodies.append(_hall(layout, camera_from_field))
    twist = None if velocity is None else _camera_twist(velocity, robot_from_camera)
    return render_bodies(bodies, camera, chosen, seed=seed, twist=twist)


def _check_robot(robot: Any, state: Any, robot_from_camera: Any) -> None:
    check_kind("robot", robot, Robot, is_optional=True)
    if robot_from_camera is not None:
        check_pose("robot_from_camera", robot_from_camera)
    elif robot is not None:
        raise InputError("robot_from_camera: expected with robot, found none")
    if robot is None and state is not None:
        raise InputError("state: expected with robot, found no robot")
    if robot is not None and state not in (None, ALWAYS, *robot.states):
        raise InputError(f"state: expected one of {', '.join((ALWAYS, *robot.states))}, found {state!r}")


def marker_body(
    camera_from_marker: RigidTransform,
    family: MarkerFamily | str,
    marker_id: int,
    size_m: float,
    *,
    border_cells: int = 1,
    settings: RenderSettings | None = None,
) -> Body | None:
    """Return one marker with its white margin for `render_bodies`; None if it shows its back."""
    chosen = settings or RenderSettings()
    family = marker_family(family)
    return _marker_panel(*parts(camera_from_marker), (family, marker_id, border_cells), size_m, chosen)


def _marker_panel(
    rotation: FloatArray,
    centre: FloatArray,
    named: tuple[MarkerFamily, int, int],
    size_m: float,
    chosen: RenderSettings,
) -> Body | None:
    family, marker_id, border_cells = named
    art = family.artwork(marker_id, border_cells)
    cell, half = size_m / len(art), size_m / 2.0
    edges = np.asarray(-half + cell * np.arange(len(art) + 1), dtype=np.float64)
    if chosen.margin_cells > 0.0:
        art = np.pad(art, 1, constant_values=True)
        reach = half + chosen.margin_cells * cell
        edges = np.concatenate([np.array([-reach]), edges, np.array([reach])])
    levels = np.where(art, chosen.white_reflectance, chosen.black_reflectance)
    body = panel(rotation, centre, levels, edges, -edges)
    if body is None:
        return None
    square = corners_of_square(size_m) @ rotation.T + centre
    return replace(body, marker_id=int(marker_id), square=square)


def render_bodies(
    bodies: Sequence[Body],
    camera: Camera,
    settings: RenderSettings | None = None,
    *,
    seed: int = 0,
    twist: FloatArray | None = None,
) -> RenderedPicture:
    """Return the picture of panels and boxes given in the camera frame; `render` builds on it.

    Parameters
    ----------
    bodies : sequence of Body
        Of two that lie on each other, the first in the list is on top.
    camera : Camera
    settings : RenderSettings, optional
    seed : int
    twist : ndarray, shape (6,), optional
        The camera's velocity and turn rate in its own frame. [m/s, rad/s]
    """
    chosen = settings or RenderSettings()
    base, noise = np.random.SeedSequence(_checked_seed(seed)).spawn(2)
    depths = [1.0] if chosen.focus is None else _depths(bodies, chosen)
    taken = shot(camera, chosen, twist, depths)
    moments, steps = moments_of(taken, bodies)
    painted = layers(taken, bodies, moments)
    size = camera.width_px, camera.height_px
    background = chosen.background.reflectances(*size, np.random.default_rng(base))
    linear = laid_together(taken, painted, background)
    shading = vignetting(camera, chosen)
    if shading is not None:
        linear *= shading
    image = stored_picture(
        linear,
        chosen.tone,
        chosen.jpeg_quality,
        noise=chosen.pixel_noise(camera),
        seed=np.random.default_rng(noise),
    )
    return RenderedPicture(
        image=image,
        linear=linear,
        exposure_steps=steps,
        **_truth(taken, bodies),
    )


def _checked_seed(seed: Any) -> int:
    if not (isinstance(seed, int | np.integer) and not isinstance(seed, bool) and seed >= 0):
        raise InputError(f"seed: expected a whole number from 0 up, found {seed!r}")
    return int(seed)


def _depths(bodies: Sequence[Body], settings: RenderSettings) -> list[float]:
    depths = [float(settings.focus.background_m)] if settings.focus else []
    for body in bodies:
        outline = shape_of(body).outline
        if len(outline):
            depths += [max(float(outline[:, 2].min()), 0.05), max(float(outline[:, 2].max()), 0.05)]
    return depths


def _markers(layout: Field, camera_from_field: RigidTransform, settings: RenderSettings) -> list[Body]:
    rotation, translation = parts(camera_from_field)
    bodies = []
    for marker, corners_field in zip(layout.markers, layout.corners_field, strict=True):
        corners_camera = corners_field @ rotation.T + translation
        right, up = corners_camera[1] - corners_camera[0], corners_camera[0] - corners_camera[3]
        axes = np.column_stack([right, up, np.cross(right, up) / marker.size_m]) / marker.size_m
        named = (layout.family, marker.marker_id, layout.border_cells)
        bodies.append(_marker_panel(axes, corners_camera.mean(axis=0), named, marker.size_m, settings))
    return [body for body in bodies if body is not None]


def _obstacles(layout: Field, camera_from_field: RigidTransform, settings: RenderSettings) -> list[Body]:
    bodies = []
    for obstacle in layout.obstacles:
        box = turned_box(upright_box(obstacle.corner_min, obstacle.corner_max), camera_from_field)
        bodies.append(box_body(box, settings.obstacle_reflectance))
    return bodies


def refuse_inside_obstacle(layout: Field, field_from_camera: RigidTransform) -> None:
    """Raise InputError if the camera stands inside an obstacle of the field."""
    for obstacle in layout.obstacles:
        if contains_eye(turned_box(upright_box(obstacle.corner_min, obstacle.corner_max), field_from_camera.inv())):
            x_m, y_m, z_m = parts(field_from_camera)[1].tolist()
            place = f"({x_m:.4g}, {y_m:.4g}, {z_m:.4g}) m"
            raise InputError(
                f"field_from_camera: expected a camera in the open, found it inside the obstacle '{obstacle.name}' "
                f"at {place}"
            )


def _hall(layout: Field, camera_from_field: RigidTransform) -> Body:
    """Return floor and walls of the field, their faces inward."""
    length, width, up = layout.size[0], layout.size[1], WALL_HEIGHT_M
    floor = [[0, 0, 0], [0, width, 0], [length, width, 0], [length, 0, 0]]  # clockwise for somebody above it
    corners = [(0.0, 0.0), (0.0, width), (length, width), (length, 0.0)]
    quads = [floor]
    for k in range(4):
        (ax, ay), (bx, by) = corners[k], corners[(k + 1) % 4]
        quads.append([[ax, ay, up], [bx, by, up], [bx, by, 0], [ax, ay, 0]])
    rotation, translation = parts(camera_from_field)
    turned = np.array(quads, dtype=np.float64) @ rotation.T + translation
    return backdrop(turned, np.array([_FLOOR, *_WALLS]))


def _camera_twist(velocity: Motion, robot_from_camera: RigidTransform | None) -> FloatArray:
    """Return the camera's velocity and turn rate in its own frame, of a motion given in the robot's or its own."""
    linear, turn = np.split(velocity.twist(), 2)
    if robot_from_camera is None:
        return np.concatenate([linear, turn])
    rotation, arm_robot = parts(robot_from_camera)
    return np.concatenate([rotation.T @ (linear + np.cross(turn, arm_robot)), rotation.T @ turn])


def _truth(taken: Shot, bodies: Sequence[Body]) -> dict[str, Any]:
    """Return ids, corners, visible shares and poses of the markers that the picture shows."""
    shapes = [shape_of(body) for body in bodies]
    ids, corners, shares, poses = [], [], [], []
    for number, body in enumerate(bodies):
        if body.square is None or body.marker_id is None or body.rotation is None:
            continue
        share = _visible_share(taken, body.square, shapes, number)
        if share > 0.0:
            pixels, valid = placed(taken, body.square)
            pixels[~valid] = np.nan
            ids.append(body.marker_id)
            corners.append(pixels)
            shares.append(share)
            poses.append(rigid_transform(body.rotation, body.centre, "camera_from_marker"))
    return {
        "marker_id": np.array(ids, dtype=np.int64),
        "corners_px": np.array(corners, dtype=np.float64).reshape(-1, 4, 2),
        "visible": np.array(shares, dtype=np.float64),
        "camera_from_marker": tuple(poses),
    }


def _visible_share(taken: Shot, square: FloatArray, shapes: Sequence[Shape], number: int) -> float:
    at = (np.arange(_GRID) + 0.5) / _GRID
    across, down = np.meshgrid(at, at)
    first = square[0] + across.reshape(-1, 1) * (square[1] - square[0])
    points = np.ascontiguousarray(first + down.reshape(-1, 1) * (square[3] - square[0]))
    pixels, valid = placed(taken, points)
    seen = valid & taken.camera.in_picture(np.nan_to_num(pixels, nan=-1e9), -0.5)
    return float((seen & ~are_hidden(points, shapes, number)).mean()) if seen.any() else 0.0
