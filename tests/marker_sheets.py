"""Pictures full of markers, for counting what is found; and pictures full of everything but markers."""

from __future__ import annotations

import math

import cv2
import numpy as np
from scenes import picture_of

from fiducialkit import Camera
from fiducialkit.scene.field import Marker
from fiducialkit.scene.transforms import robot_from_camera_angles

# a long lens, so that a marker at the picture's edge is seen as the one in its middle
SHEET = Camera(width_px=1280, height_px=720, fx_px=4000, fy_px=4000, cx_px=639.5, cy_px=359.5)
AHEAD = robot_from_camera_angles([0.0, 0.0, 0.0], 0.0, 0.0, 0.0)


def sheet_of(side_px, *, seed, tilt_deg=0.0, camera=SHEET, **noise):
    """Return a picture of markers of that side face-on, tilted about random axes and turned at random, and its truth.

    Ids are distinct; centres fall anywhere on the pixel grid.
    """
    rng = np.random.default_rng(seed)
    pitch = max(4.0 * side_px, 60.0)
    columns, rows = int(camera.width_px // pitch), int(camera.height_px // pitch)
    depth = camera.fx_px * 0.15 / side_px
    markers = []
    for i, marker_id in enumerate(rng.permutation(587)[: columns * rows].tolist()):
        u, v = (np.array([i % columns, i // columns]) + 0.5) * pitch + rng.uniform(-0.5, 0.5, 2)
        axis, tilt = rng.uniform(0.0, 2.0 * math.pi), math.radians(tilt_deg)
        normal = [-math.cos(tilt), math.sin(tilt) * math.cos(axis), math.sin(tilt) * math.sin(axis)]
        markers.append(
            Marker(
                marker_id=marker_id,
                position=(depth, (camera.cx_px - u) / camera.fx_px * depth, (camera.cy_px - v) / camera.fy_px * depth),
                facing_deg=math.degrees(math.atan2(normal[1], normal[0])),
                tilt_deg=math.degrees(math.asin(normal[2])),
                roll_deg=rng.uniform(0.0, 360.0),
                size_m=0.15,
            )
        )
    return picture_of(markers, camera, AHEAD, seed=seed, **noise)


def count_right(marker_ids, corners_px, truth, within_px=1.5):
    """Return how many markers were found where they are (each once), and how many rows are wrong."""
    right = {
        marker_id
        for marker_id, corners in zip(marker_ids, corners_px, strict=True)
        if marker_id in truth and np.abs(corners - truth[marker_id]).max() < within_px
    }
    return len(right), sum(marker_id not in truth for marker_id in marker_ids)


def clutter(seed, width_px=1280, height_px=720, boxes=250):
    """Return patches of light and `boxes` rectangles of any size, turn and grey, as an array of grey levels."""
    rng = np.random.default_rng(seed)
    coarse = rng.uniform(40.0, 200.0, (height_px // 30, width_px // 30))
    canvas = cv2.resize(coarse, (width_px, height_px), interpolation=cv2.INTER_CUBIC)
    for _ in range(boxes):
        place = (rng.uniform(0, width_px), rng.uniform(0, height_px))
        box = cv2.boxPoints((place, tuple(rng.uniform(4.0, 60.0, 2)), rng.uniform(0.0, 180.0)))
        cv2.fillPoly(canvas, [np.rint(box).astype(np.int32)], float(rng.uniform(10.0, 240.0)))
    return np.clip(canvas, 0.0, 255.0)


def as_taken(canvas, seed, blur_px=0.7, grey_sd=2.0):
    """Return grey levels as an 8-bit picture, blurred and noisy."""
    blurred = cv2.GaussianBlur(np.asarray(canvas, dtype=np.float64), (0, 0), blur_px)
    noisy = blurred + np.random.default_rng(seed).normal(0.0, grey_sd, blurred.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def random_squares(side_px, seed, width_px=1280, height_px=720):
    """Return a picture of black-bordered squares with random bits on white, and their number."""
    rng = np.random.default_rng(seed)
    canvas, pitch, fine = np.full((height_px, width_px), 190.0), int(side_px * 2 + 6), 8
    columns, rows = width_px // pitch, height_px // pitch
    for i in range(columns * rows):
        cells = np.pad(rng.integers(0, 2, (6, 6)), 1) * 150.0 + 40.0
        art = np.kron(np.pad(cells, 4, constant_values=190.0), np.ones((fine, fine)))
        scale = side_px / (8.0 * fine)
        turn, size = rng.uniform(0, 2 * math.pi), pitch - 2
        linear = scale * np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
        middle = size / 2 + rng.uniform(-0.5, 0.5, 2) - linear @ [art.shape[1] / 2, art.shape[0] / 2]
        smooth = cv2.GaussianBlur(art, (0, 0), 0.3 / scale)  # about a pixel's area
        warped = cv2.warpAffine(
            smooth, np.column_stack([linear, middle]), (size, size), borderMode=cv2.BORDER_CONSTANT, borderValue=190.0
        )
        y, x = (i // columns) * pitch, (i % columns) * pitch
        canvas[y : y + size, x : x + size] = warped
    return as_taken(canvas, seed), columns * rows


def word_levels(words, width_sd, contrast=150.0):
    """Return the cells' levels of codes (N, n, n) whose cells are that many sd of the blur wide, by its own integral.

    The mean over 3 places of each cell, a quarter of a cell apart, each the Gaussian-weighted mean of what surrounds
    it: white outside the black square. Kept apart from the decoder's own table of the same.
    """
    count = words.shape[1]
    black = np.pad(words.astype(np.float64), ((0, 0), (1, 1), (1, 1)))
    beyond = math.ceil(10.0 / width_sd) + 1  # cells on each side: what lies farther than ten sd weighs 1e-23
    white = np.pad(black, ((0, 0), (beyond, beyond), (beyond, beyond)), mode="constant", constant_values=1.0)
    share = np.zeros((count + 2, count + 2 + 2 * beyond))
    for row in range(count + 2):
        for offset in (-0.25, 0.0, 0.25):
            middle = beyond + row + 0.5 + offset
            steps = [
                math.erf((edge - middle) * width_sd / math.sqrt(2.0)) / 2.0 for edge in range(count + 3 + 2 * beyond)
            ]
            share[row] += np.diff(steps) / 3.0
    return 40.0 + contrast * (share @ white @ share.T)
