"""Choose camera mounts, find the robot's pose from square fiducial markers, and know how wrong it is."""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_PUBLIC = {
    "Camera": "fiducialkit.scene.camera",
    "load_camera": "fiducialkit.scene.camera_file",
    "Field": "fiducialkit.scene.field",
    "load_field": "fiducialkit.scene.field_file",
    "Robot": "fiducialkit.scene.robot",
    "load_robot": "fiducialkit.scene.robot_file",
    "draw_marker": "fiducialkit.scene.markers",
    "MarkerObservations": "fiducialkit.imaging.observations",
    "detect_markers": "fiducialkit.imaging.detection",
    "PoseSolution": "fiducialkit.solving.pose",
    "Background": "fiducialkit.imaging.backgrounds",
    "Focus": "fiducialkit.imaging.optical_blur",
    "Motion": "fiducialkit.imaging.rendering_settings",
    "PixelNoise": "fiducialkit.imaging.noise",
    "RenderSettings": "fiducialkit.imaging.rendering_settings",
    "RenderedPicture": "fiducialkit.imaging.rendering",
    "render": "fiducialkit.imaging.rendering",
    "Board": "fiducialkit.scene.boards",
    "load_board": "fiducialkit.scene.board_file",
    "BoardView": "fiducialkit.imaging.boards",
    "find_board": "fiducialkit.imaging.boards",
    "LensCalibration": "fiducialkit.solving.intrinsics_result",
    "calibrate_lens": "fiducialkit.solving.intrinsics",
    "views_from_table": "fiducialkit.solving.intrinsics_views",
    "next_view": "fiducialkit.solving.capture_guide",
    "RenderedBoard": "fiducialkit.imaging.rendering_boards",
    "render_board": "fiducialkit.imaging.rendering_boards",
    "marker_scale": "fiducialkit.solving.scale",
    "solve_marker": "fiducialkit.solving.planar",
    "solve_pose": "fiducialkit.solving.pose",
    "LogSightings": "fiducialkit.solving.pose_log",
    "PoseLog": "fiducialkit.solving.pose_log",
    "solve_poses": "fiducialkit.solving.pose_log",
    "Prior": "fiducialkit.solving.priors",
    "ConsideredErrors": "fiducialkit.solving.considered",
    "ExpectedPose": "fiducialkit.solving.uncertainty",
    "expected_pose": "fiducialkit.solving.uncertainty",
    "Study": "fiducialkit.planning.study",
    "load_study": "fiducialkit.planning.study_file",
    "MountComparison": "fiducialkit.planning.mount_study",
    "compare_mounts": "fiducialkit.planning.mount_study",
    "MountBox": "fiducialkit.planning.mount_boxes",
    "MountSearch": "fiducialkit.planning.mount_search",
    "search_mounts": "fiducialkit.planning.mount_search",
    "compare_lenses": "fiducialkit.planning.lens_choice",
    "sensitivity": "fiducialkit.planning.sensitivity",
    "filtered_arrivals": "fiducialkit.planning.approach_filter",
    "RenderedCheck": "fiducialkit.planning.rendered_tables",
    "rendered_check": "fiducialkit.planning.rendered_check",
    "ErrorBudget": "fiducialkit.planning.error_budget",
    "error_budget": "fiducialkit.planning.error_budget",
    "FiducialKitError": "fiducialkit.errors",
    "InputError": "fiducialkit.errors",
    "FileFormatError": "fiducialkit.errors",
    "NoPoseError": "fiducialkit.errors",
}

__all__ = sorted(_PUBLIC)


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'fiducialkit' has no attribute '{name}'")
    value = getattr(import_module(_PUBLIC[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_PUBLIC})
