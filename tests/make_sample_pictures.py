"""Draw the pictures of `sample_data/pictures` and write their true poses beside them.

Run: python tests/make_sample_pictures.py

The hall is drawn in plain greys: floor, walls, the obstacles of the field, and the markers on them. The noise is
a third of a grey level, so that the files stay small; a real camera has several times that.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scenes import picture_of

import fiducialkit
from fiducialkit import files
from fiducialkit.imaging.images import write_picture
from fiducialkit.scene.transforms import field_from_robot_on_floor, parts

SAMPLE = Path(__file__).parents[1] / "sample_data"
MOUNT = "low front, out"
SEED = 711
GREY_SD = 0.3
WALL_HEIGHT_M = 1.3
FLOOR, DARK, WALLS, BOXES = 96.0, 58.0, (128.0, 112.0, 134.0, 118.0), (84.0, 76.0, 90.0, 104.0)
POSES = (  # time_s, x_m, y_m, heading_deg: one drive, from the middle of the hall up to oven 2
    (0.0, 4.35, 1.75, 158.0),
    (0.8, 3.3, 2.15, 163.0),
    (1.6, 2.25, 2.45, 174.0),
    (2.2, 1.45, 2.5, 179.0),
    (3.0, 0.76, 2.5, 180.0),
)


def hall(field, camera, field_from_camera) -> np.ndarray:
    """Return the grey levels of floor, walls and obstacles, one ray a pixel."""
    rotation, eye = parts(field_from_camera)
    u, v = np.meshgrid(np.arange(camera.width_px), np.arange(camera.height_px))
    directions, _ = camera.unproject(np.column_stack([u.ravel(), v.ravel()]))
    rays = np.column_stack([directions, np.ones(len(directions))]) @ rotation.T
    nearest, level = np.full(len(rays), np.inf), np.full(len(rays), DARK)
    planes = [(2, 0.0, FLOOR), (0, 0.0, WALLS[0]), (0, field.size[0], WALLS[1]), (1, 0.0, WALLS[2])]
    with np.errstate(divide="ignore", invalid="ignore"):
        for axis, place, grey in [*planes, (1, field.size[1], WALLS[3])]:
            depth = (place - eye[axis]) / rays[:, axis]
            is_low = eye[2] + depth * rays[:, 2] <= WALL_HEIGHT_M
            hit = (depth > 0.0) & (depth < nearest) & (is_low | (axis == 2))
            nearest[hit], level[hit] = depth[hit], grey
        for number, box in enumerate(field.obstacles):
            first, second = ((np.array(corner) - eye) / rays for corner in (box.corner_min, box.corner_max))
            enter, leave = np.minimum(first, second), np.maximum(first, second).min(axis=1)
            hit = (enter.max(axis=1) < leave) & (enter.max(axis=1) > 0.0) & (enter.max(axis=1) < nearest)
            side = enter.argmax(axis=1)[hit]
            nearest[hit], level[hit] = enter.max(axis=1)[hit], BOXES[number % len(BOXES)] + 12.0 * side
    return level.reshape(camera.height_px, camera.width_px)


def sample_pictures():
    """Yield time, file name, pose (x_m, y_m, heading_deg), picture and true corners of each."""
    field = fiducialkit.load_field(SAMPLE / "field.toml")
    mount = fiducialkit.load_robot(SAMPLE / "robot.toml").mount(MOUNT)
    for number, (time_s, x_m, y_m, heading_deg) in enumerate(POSES):
        field_from_camera = field_from_robot_on_floor(x_m, y_m, heading_deg) * mount.robot_from_camera
        background = hall(field, mount.camera, field_from_camera)
        picture, truth = picture_of(
            field, mount.camera, field_from_camera, background=background, grey_sd=GREY_SD, seed=SEED + number
        )
        yield time_s, f"drive {number + 1}.png", (x_m, y_m, heading_deg), picture, truth


def main(folder: Path) -> None:
    rows = []
    for time_s, name, pose, picture, truth in sample_pictures():
        path = write_picture(folder / name, picture)
        rows.append((time_s, name, *pose))
        print(f"{name}: markers {sorted(truth)}, {path.stat().st_size / 1000:.0f} kB")
    columns = ["time_s", "file", "robot_x_m", "robot_y_m", "robot_heading_deg"]
    files.write_csv(folder / "poses.csv", pd.DataFrame(rows, columns=columns))


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLE / "pictures")
