"""What the tests of the renderer share: lenses, a corner of a hall, settings without noise."""

from __future__ import annotations

import numpy as np

from fiducialkit.imaging.backgrounds import Background
from fiducialkit.imaging.noise import PixelNoise
from fiducialkit.imaging.rendering_bodies import panel
from fiducialkit.imaging.rendering_settings import RenderSettings
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.field import Field, Marker, Obstacle
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.robot import Structure
from fiducialkit.scene.transforms import (
    field_from_robot_on_floor,
    rigid_transform,
    robot_from_camera_angles,
)

FAMILY = marker_family("36h11")

QUIET = PixelNoise(read_sd_grey=0.0)

# contrast 150 grey levels between white and black
SHARP = RenderSettings(blur_px=0.0, noise=QUIET, light_grey=187.5)

LENSES = {
    "pinhole": ("brown", ()),
    "brown": ("brown", (-0.25, 0.08, 0.002, -0.003, -0.01)),
    "rational": ("rational", (0.3, -0.1, 0.001, 0.0005, 0.02, 0.5, -0.05, 0.01)),
    "fisheye": ("fisheye", (-0.02, 0.01, -0.003, 0.0005)),
}


def small_camera(lens="pinhole", **others):
    model, distortion = LENSES[lens]
    numbers = {"width_px": 44, "height_px": 33, "fx_px": 26.0, "fy_px": 26.4, "cx_px": 21.3, "cy_px": 16.9}
    return Camera(**numbers, model=model, distortion=distortion, **others)


def corner_of_a_hall():
    """Markers at several turns, one behind another, one on a box, one partly behind a box, one box before another."""
    markers = (
        Marker(marker_id=5, position=(0.01, 2.0, 1.0), facing_deg=20.0, tilt_deg=10.0, roll_deg=13.0, size_m=0.5),
        Marker(marker_id=9, position=(0.5, 2.75, 0.75), facing_deg=-30.0, roll_deg=40.0, size_m=0.35),
        Marker(marker_id=12, position=(0.5, 1.2, 0.75), facing_deg=35.0, roll_deg=-7.0, size_m=0.35),
        Marker(marker_id=30, position=(0.65, 2.2, 1.1), facing_deg=5.0, size_m=0.15),
        Marker(marker_id=31, position=(0.6, 1.62, 0.5), facing_deg=0.0, size_m=0.16),
        Marker(marker_id=32, position=(0.9, 2.0, 1.4), facing_deg=180.0, size_m=0.2),
    )
    boxes = (
        Obstacle(name="table", corner_min=(0.3, 1.5, 0.0), corner_max=(0.6, 1.75, 0.72)),
        Obstacle(name="post", corner_min=(0.7, 2.42, 0.0), corner_max=(0.78, 2.5, 0.8)),
        Obstacle(name="shelf", corner_min=(0.1, 2.3, 0.0), corner_max=(0.4, 2.6, 0.7)),
    )
    return Field(name="corner", size=(4.0, 4.0), family=FAMILY, markers=markers, obstacles=boxes)


MOUNT = robot_from_camera_angles((0.0, 0.0, 0.9), 0.0, 4.0, 6.0)

POSE = field_from_robot_on_floor(1.3, 2.02, 183.0) * MOUNT

ARM = Structure(state="arm out", corner_min=(0.1, -0.3, 0.62), corner_max=(0.4, -0.1, 0.7), raised_deg=0.0)


def one_marker(size_m=0.4, place=(0.0, 2.0, 1.0), **angles):
    marker = Marker(marker_id=7, position=place, size_m=size_m, **angles)
    return Field(name="one", size=(4.0, 4.0), family=FAMILY, markers=(marker,))


def facing(distance_m, x_m=0.0, y_m=0.0):
    """Return camera_from_marker of an upright marker seen face-on, right and down of the axis."""
    return rigid_transform(np.diag([1.0, -1.0, -1.0]), [x_m, y_m, distance_m])


def white_panel(left, right, top, bottom, depth=1.0):
    """Return a panel of reflectance 1 that fills these bounds of the plane z = depth (camera x, y)."""
    edges = np.array([left, right]), np.array([-top, -bottom])
    return panel(np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, depth]), np.ones((1, 1)), *edges)


BLANK = RenderSettings(blur_px=0.0, noise=QUIET, light_grey=1.0, background=Background(reflectance=0.0))
