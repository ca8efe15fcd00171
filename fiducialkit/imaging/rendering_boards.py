"""Pictures of calibration boards as a camera would take them, with the true corners beside them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import RigidTransform

from fiducialkit.arrays import BoolArray, ByteArray, FloatArray
from fiducialkit.imaging.rendering import render_bodies
from fiducialkit.imaging.rendering_bodies import Body, panel
from fiducialkit.imaging.rendering_settings import Motion, RenderSettings, check_kind, check_pose
from fiducialkit.imaging.rendering_times import placed, shot
from fiducialkit.scene.boards import Board
from fiducialkit.scene.camera import Camera
from fiducialkit.scene.transforms import parts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RenderedBoard:
    """A picture of a board and the truth about it.

    Attributes
    ----------
    image : ndarray of uint8, shape (height, width)
    points_px : ndarray, shape (N, 2)
        True places of `Board.points_board`, in its order: through the lens, at the middle of the exposure, on a rolling
        shutter of the point's own row. NaN where a point does not project. [px]
    marker_corners_px : ndarray, shape (M, 4, 2)
        Those of `Board.marker_corners_board`. [px]
    in_picture : ndarray of bool, shape (N,)
        Whether each point lies in the picture; none if the board shows its back.
    camera_from_board : RigidTransform
        At the middle of the exposure of the picture's middle row.
    linear : ndarray, shape (height, width)
        The picture before noise, tone curve and rounding. [linear grey levels]
    """

    image: ByteArray
    points_px: FloatArray
    marker_corners_px: FloatArray
    in_picture: BoolArray
    camera_from_board: RigidTransform
    linear: FloatArray = field(repr=False)


def board_body(board: Board, camera_from_board: RigidTransform, settings: RenderSettings | None = None) -> Body | None:
    """Return a board with its margin for `render_bodies`; None if it shows its back."""
    chosen = settings or RenderSettings()
    white, x_edges, y_edges = board.artwork()
    levels = np.where(white, chosen.white_reflectance, chosen.black_reflectance)
    rotation, centre = parts(camera_from_board)
    # the board's y runs down and its z away from the viewer, a panel's up and towards him
    return panel(rotation @ np.diag([1.0, -1.0, -1.0]), centre, levels, x_edges, -y_edges)


def render_board(
    board: Board,
    camera: Camera,
    camera_from_board: RigidTransform,
    *,
    settings: RenderSettings | None = None,
    seed: int = 0,
    velocity: Motion | None = None,
) -> RenderedBoard:
    """Return the picture that a camera takes of a board held before it.

    Parameters
    ----------
    board : Board
    camera : Camera
    camera_from_board : RigidTransform
        Identity turn: upright and square to the camera; see `scene.boards` for the board's frame.
    settings : RenderSettings, optional
        `margin_cells` does not count here: a board has its own margin.
    seed : int
        Of noise and background; the same seed gives the same bytes.
    velocity : Motion, optional
        The camera's own, along its axes; a board moved by hand is the camera moved the other way.

    Examples
    --------
    >>> from fiducialkit import Board, Camera, render_board
    >>> from fiducialkit.scene.transforms import rigid_transform
    >>> board = Board(kind="chessboard", squares_across=8, squares_down=6, square_m=0.03)
    >>> camera = Camera.from_field_of_view(320, 240, 60.0)
    >>> taken = render_board(board, camera, rigid_transform([[1, 0, 0], [0, 1, 0], [0, 0, 1]], [-0.12, -0.09, 0.4]))
    >>> taken.points_px.shape, bool(taken.in_picture.all())
    ((35, 2), True)
    """
    check_kind("board", board, Board)
    check_kind("camera", camera, Camera)
    check_pose("camera_from_board", camera_from_board)
    check_kind("settings", settings, RenderSettings, is_optional=True)
    check_kind("velocity", velocity, Motion, is_optional=True)
    chosen = settings or RenderSettings()
    twist = None if velocity is None else velocity.twist()
    body = board_body(board, camera_from_board, chosen)
    taken = render_bodies([] if body is None else [body], camera, chosen, seed=seed, twist=twist)
    rotation, translation = parts(camera_from_board)
    points = np.concatenate([board.points_board, board.marker_corners_board.reshape(-1, 3)])
    pixels, valid = placed(shot(camera, chosen, twist, [1.0]), points @ rotation.T + translation)
    pixels[~valid] = np.nan
    count = len(board.points_board)
    in_picture = camera.in_picture(np.nan_to_num(pixels[:count], nan=-1e9)) & (body is not None)
    return RenderedBoard(
        image=taken.image,
        points_px=pixels[:count],
        marker_corners_px=pixels[count:].reshape(-1, 4, 2),
        in_picture=in_picture,
        camera_from_board=camera_from_board,
        linear=taken.linear,
    )
