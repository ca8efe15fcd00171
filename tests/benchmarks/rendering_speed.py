"""How long a picture takes to render, against brute-force supersampling of the same picture in the same run.

Run: python tests/benchmarks/rendering_speed.py

1280 x 720 px, 12 markers, blur and noise on, one thread; processor time, so that other work on the machine counts less.
The brute force traces 32 x 32 rays for each pixel on a marker; it is timed at 8 x 8 and scaled up.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from fiducialkit import Camera, Field, render
from fiducialkit.imaging.backgrounds import Background
from fiducialkit.imaging.noise import PixelNoise
from fiducialkit.imaging.optical_blur import Focus
from fiducialkit.imaging.rendering_settings import Motion, RenderSettings
from fiducialkit.scene.camera import CameraTiming
from fiducialkit.scene.field import Marker
from fiducialkit.scene.markers import marker_family
from fiducialkit.scene.transforms import field_from_robot_on_floor, robot_from_camera_angles

sys.path.insert(0, str(Path(__file__).parents[1]))
import scenes


def wall():
    """Return a wall of 12 markers and a camera 2 m before it."""
    markers = tuple(
        Marker(
            marker_id=10 + i,
            position=(0.0, 0.6 + 0.5 * (i % 4), 0.4 + 0.5 * (i // 4)),
            size_m=0.25,
            facing_deg=15.0 * (i % 3 - 1),
            tilt_deg=5.0 * (i // 4),
        )
        for i in range(12)
    )
    layout = Field(name="wall", size=(4.0, 3.0), family=marker_family("36h11"), markers=markers)
    pose = field_from_robot_on_floor(2.0, 1.4, 181.0) * robot_from_camera_angles((0.0, 0.0, 0.9), 0.0, 0.0, 2.0)
    return layout, pose


def median_ms(work, count=15):
    work()
    times = []
    for _ in range(count):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return 1000.0 * float(np.median(times)), 1000.0 * min(times)


def brute_force_ms(layout, camera, pose):
    """Return the time of 32 x 32 rays a pixel of the markers' boxes, from 8 x 8 rays; blur and noise come on top."""
    scenes.SUBPIXELS = 8
    start = time.process_time()
    scenes.picture_of(layout, camera, pose, blur_px=0.0, grey_sd=0.0, seed=1)
    return 16.0 * 1000.0 * (time.process_time() - start)


def main():
    cv2.setNumThreads(1)
    layout, pose = wall()
    camera = Camera.from_field_of_view(1280, 720, 75.0)
    shown = len(render(layout, camera, pose).marker_id)
    print(f"1280 x 720 px, {shown} markers, one thread; ms of processor time a picture: median (best) of 15, warm")
    kinds = {
        "blur and noise": (camera, RenderSettings(), None),
        "textured background": (camera, RenderSettings(background=Background(kind="textured")), None),
        "bent lens": (replace(camera, distortion=(-0.13, 0.02, 4e-4, -3e-4, -8e-4)), RenderSettings(), None),
        "photon noise, sRGB": (
            camera,
            RenderSettings(noise=PixelNoise(gain_grey_per_electron=0.05), tone="srgb"),
            None,
        ),
        "depth of field": (
            camera,
            RenderSettings(focus=Focus(focal_length_mm=4.0, f_number=2.0, distance_m=1.0, pixel_pitch_um=3.0)),
            None,
        ),
        "smear of 7 px": (
            replace(camera, timing=CameraTiming(exposure_s=0.01)),
            RenderSettings(),
            Motion(velocity_m_per_s=(1.7, 0.0, 0.0)),
        ),
    }
    results = {}
    for name, (lens, settings, velocity) in kinds.items():

        def work(lens=lens, settings=settings, velocity=velocity):
            return render(layout, lens, pose, settings=settings, seed=1, velocity=velocity)

        results[name] = median_ms(work)
        steps = work().exposure_steps
        print(
            f"  {name:22s} {results[name][0]:7.1f} ({results[name][1]:.1f})" + (f", {steps} steps" if steps > 1 else "")
        )
    brute = brute_force_ms(layout, camera, pose)
    print(f"  32 x 32 rays a pixel   {brute:7.0f} (8 x 8 timed; rays on the markers only, without blur and noise)")
    print(f"ratio to the first line: {brute / results['blur and noise'][0]:.0f}")


if __name__ == "__main__":
    main()
