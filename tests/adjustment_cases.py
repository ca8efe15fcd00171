"""Small adjustments with known truth, written plainly in numpy, for the tests of the solver."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from fiducialkit.scene.camera import Camera
from fiducialkit.solving.adjustment_poses import moved_poses
from fiducialkit.solving.adjustment_problem import Block, Measurements, Values

CORNERS_MARKER = 0.1 * np.array([[-1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [1.0, -1.0, 0.0], [-1.0, -1.0, 0.0]])
PINHOLE = ("fx_px", "fy_px", "cx_px", "cy_px")


def skews(vectors: np.ndarray) -> np.ndarray:
    return np.cross(np.eye(3), vectors[..., None, :]).swapaxes(-1, -2) * -1.0


def pose(rotation_vector, position) -> np.ndarray:
    return np.column_stack([Rotation.from_rotvec(rotation_vector).as_matrix(), position])


@dataclass
class Bundle:
    """Markers at shared poses, seen through a shared pinhole by frames that each have a pose: camera_from_field."""

    lens: np.ndarray
    markers: np.ndarray
    frames: np.ndarray
    frame_of: np.ndarray
    marker_of: np.ndarray
    pixels: np.ndarray
    whitening: np.ndarray

    def evaluate(self, values: Values):
        frames, markers = values.frames[self.frame_of], values.shared["marker"][self.marker_of]
        lens = values.shared["lens"]
        turned = np.einsum("nij,cj->nci", markers[:, :, :3], CORNERS_MARKER)
        field = turned + markers[:, None, :, 3]
        about = np.einsum("nij,ncj->nci", frames[:, :, :3], field)
        camera = about + frames[:, None, :, 3]
        x, y, z = np.moveaxis(camera, 2, 0)
        zero, one = np.zeros_like(x), np.ones_like(x)
        by_camera = np.stack(
            [
                np.stack([lens[0] / z, zero, -lens[0] * x / z**2], axis=2),
                np.stack([zero, lens[1] / z, -lens[1] * y / z**2], axis=2),
            ],
            axis=2,
        )
        pixels = np.stack([lens[0] * x / z + lens[2], lens[1] * y / z + lens[3]], axis=2)
        by_lens = np.stack(
            [np.stack([x / z, zero, one, zero], axis=2), np.stack([zero, y / z, zero, one], axis=2)], axis=2
        )
        by_frame = np.concatenate([by_camera, -by_camera @ skews(about)], axis=3)
        by_field = by_camera @ frames[:, None, :, :3]
        by_marker = np.concatenate([by_field, -by_field @ skews(turned)], axis=3)
        count = len(self.frame_of)
        return (
            np.einsum("nij,nj->ni", self.whitening, (pixels - self.pixels).reshape(count, 8)),
            self.whitening @ by_frame.reshape(count, 8, 6),
            self.whitening @ np.concatenate([by_lens, by_marker], axis=3).reshape(count, 8, 10),
        )

    def measurements(self, **changes) -> Measurements:
        shared = {"lens": None, "marker": self.marker_of}
        names = [f"marker {m} in frame {f}" for m, f in zip(self.marker_of, self.frame_of, strict=True)]
        settings = {"name": "corners", "frame_of": self.frame_of, "shared": shared, "group_names": names} | changes
        return Measurements(evaluate=self.evaluate, **settings)

    def blocks(self, disturbed: float = 0.0, seed: int = 0) -> tuple[Block, Block, Block]:
        """Return lens, markers and frames, started about `disturbed` (m, rad, 100 px) off the truth."""
        rng = np.random.default_rng(seed)
        lens = Block(name="lens", value=self.lens + 100.0 * disturbed * rng.normal(size=4), labels=PINHOLE)
        markers = moved_poses(self.markers, disturbed * rng.normal(size=(len(self.markers), 6)))
        frames = moved_poses(self.frames, disturbed * rng.normal(size=(len(self.frames), 6)))
        return (
            lens,
            Block(name="marker", value=markers, manifold="pose"),
            Block(name="frame", value=frames, manifold="pose"),
        )


def bundle(seed: int, frames: int = 5, noise_px: float = 0.1) -> Bundle:
    """Return four markers round a corner of a hall, seen by cameras in front of them; correlated corner noise."""
    rng = np.random.default_rng(seed)
    places = [((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)), ((0.1, 0.2, 0.0), (0.5, 0.1, 0.1))]
    places += [((0.0, -0.6, 0.2), (-0.5, 0.0, 0.2)), ((0.4, 0.1, -0.3), (0.1, 0.5, -0.1))]
    markers = np.stack([pose(turn, place) for turn, place in places])
    views = []
    for _ in range(frames):
        # the camera looks back at the markers from 1.5-2.5 m: half a turn about x, then a bit of everything
        turn = Rotation.from_rotvec(rng.uniform(-0.5, 0.5, 3)) * Rotation.from_rotvec([np.pi, 0.0, 0.0])
        views.append(np.column_stack([turn.as_matrix(), [*rng.uniform(-0.2, 0.2, 2), rng.uniform(1.5, 2.5)]]))
    frame_of = np.repeat(np.arange(frames), len(markers))
    marker_of = np.tile(np.arange(len(markers)), frames)
    root = noise_px * (np.eye(8) + 0.3 * np.tril(rng.normal(size=(len(frame_of), 8, 8)), -1))
    made = Bundle(
        lens=np.array([800.0, 810.0, 640.0, 400.0]),
        markers=markers,
        frames=np.stack(views),
        frame_of=frame_of,
        marker_of=marker_of,
        pixels=np.zeros((len(frame_of), 4, 2)),
        whitening=np.tile(np.eye(8), (len(frame_of), 1, 1)),
    )
    true = Values({"lens": made.lens, "marker": made.markers}, made.frames)
    made.pixels = made.evaluate(true)[0].reshape(-1, 4, 2)
    made.pixels += np.einsum("nij,nj->ni", root, rng.normal(size=(len(frame_of), 8))).reshape(-1, 4, 2)
    made.whitening = np.linalg.inv(root)
    return made


def board_points(columns: int, rows: int, step_m: float) -> np.ndarray:
    """Return the corners of a board about its middle."""
    x, y = np.meshgrid(np.arange(columns) * step_m, np.arange(rows) * step_m)
    points = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    return points - points.mean(axis=0)


def board_views(camera: Camera, board: np.ndarray, count: int, rng, tilt_deg: float = 40.0):
    """Return poses (F, 3, 4) and exact pixels (F, P, 2) of boards that lie wholly in the picture."""
    poses, pixels = [], []
    while len(poses) < count:
        axis = rng.normal(size=2)
        tilt = np.radians(rng.uniform(0.0, tilt_deg)) * axis / np.linalg.norm(axis)
        turn = Rotation.from_rotvec([*tilt, 0.0]) * Rotation.from_rotvec([0.0, 0.0, rng.uniform(-0.5, 0.5)])
        depth = rng.uniform(0.35, 1.0)
        view = np.column_stack([turn.as_matrix(), depth * np.array([*rng.uniform(-0.45, 0.45, 2), 1.0])])
        seen, valid = camera.project(board @ view[:, :3].T + view[:, 3])
        if valid.all() and camera.in_picture(seen).all():
            poses.append(view)
            pixels.append(seen)
    return np.stack(poses), np.stack(pixels)
