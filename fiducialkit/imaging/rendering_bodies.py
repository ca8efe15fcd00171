"""What is drawn: panels with a pattern, boxes, the hall behind them; and which part of each is hidden by which.

All in the camera frame at the middle of the exposure. Everything is a set of convex polygons, each adding a reflectance
to what lies under it on the same body. Seen from the eye, a convex body hides whatever lies inside its shadow: behind
its front and inside the planes through the eye and its outline. Cutting polygons by those planes is exact for any lens.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.spatial.transform import RigidTransform

from fiducialkit.arrays import BoolArray, FloatArray, IntArray
from fiducialkit.imaging.rendering_cuts import (
    are_inside,
    box_faces,
    box_sides,
    common_part,
    difference,
    may_meet,
    panel_shadow,
)
from fiducialkit.imaging.rendering_kernels import move_points, moved
from fiducialkit.scene.transforms import parts

_TIE_M = 1e-6  # surfaces nearer to each other than this lie on each other: the one that comes first is on top
_EDGE_ON = 1e-6
_SHADE = np.array([0.8, 0.9, 1.0])  # of a box's faces across its own x, y, z: a lamp above tells them apart


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Body:
    """Something drawn, in the camera frame.

    Attributes
    ----------
    kind : {"panel", "box", "backdrop"}
        A backdrop is hidden by everything and hides nothing.
    polygons : ndarray, shape (P, 4, 3)
        Clockwise as the camera sees them; the first of a panel is its outline. None for a box. [m]
    reflectances : ndarray, shape (P,)
        What each polygon adds; of a box, its one reflectance.
    shares : ndarray, shape (P,)
        1 for a polygon that covers what is behind the body, 0 for one that lies on another polygon of it.
    box : ndarray, shape (15,), optional
        Row of `scene.occlusion`.
    is_fixed_to_camera : bool
        The robot's own structure moves along.
    marker_id, square : int, ndarray of shape (4, 3), optional
        Which marker it is, and the corners of its black square. [m]
    rotation, centre : ndarray, shape (3, 3), (3,), optional
        A panel's pose in the camera at the middle of the exposure. [m]
    """

    kind: Literal["panel", "box", "backdrop"]
    polygons: FloatArray
    reflectances: FloatArray
    shares: FloatArray
    box: FloatArray | None = None
    is_fixed_to_camera: bool = False
    marker_id: int | None = None
    square: FloatArray | None = None
    rotation: FloatArray | None = None
    centre: FloatArray | None = None


def panel(
    rotation: FloatArray, centre: FloatArray, reflectances: FloatArray, x_edges: FloatArray, y_edges: FloatArray
) -> Body | None:
    """Return a flat panel with a pattern of cells, or None if the camera sees its back or its edge.

    Parameters
    ----------
    rotation, centre : ndarray, shape (3, 3), (3,)
        Pose in the camera frame. The panel lies in its own z = 0, its face looks along z, x is to the right and y up
        for somebody who looks at it. [m]
    reflectances : ndarray, shape (rows, columns)
        Of the cells, the top row first.
    x_edges, y_edges : ndarray, shape (columns + 1,), (rows + 1,)
        Rising and falling. [m]
    """
    if not -(rotation[:, 2] @ centre) > _EDGE_ON:
        return None
    base = float(reflectances[0, 0])
    rows, columns = reflectances.shape
    changes = np.ones((rows, columns + 1), dtype=bool)
    changes[:, 1:-1] = reflectances[:, 1:] != reflectances[:, :-1]
    row, border = np.nonzero(changes)  # one run of equal cells from each border to the next in its row
    is_run = row[:-1] == row[1:]
    row, first, last = row[:-1][is_run], border[:-1][is_run], border[1:][is_run]
    added = reflectances[row, first] - base
    is_drawn = added != 0.0
    row, first, last = row[is_drawn], first[is_drawn], last[is_drawn]
    left, right = np.append(0, first), np.append(columns, last)
    top, bottom = np.append(0, row), np.append(rows, row + 1)
    x = np.asarray(x_edges)[np.column_stack([left, right, right, left])]
    y = np.asarray(y_edges)[np.column_stack([top, top, bottom, bottom])]
    polygons = x[..., None] * rotation[:, 0] + y[..., None] * rotation[:, 1] + centre
    shares = np.zeros(len(left))
    shares[0] = 1.0
    levels = np.append(base, added[is_drawn])
    return Body(kind="panel", polygons=polygons, reflectances=levels, shares=shares, rotation=rotation, centre=centre)


def box_body(box_camera: FloatArray, reflectance: float, *, is_fixed_to_camera: bool = False) -> Body:
    """Return a box given by its row in the camera frame."""
    return Body(
        kind="box",
        polygons=np.empty((0, 4, 3)),
        reflectances=np.array([reflectance]),
        shares=np.ones(1),
        box=box_camera,
        is_fixed_to_camera=is_fixed_to_camera,
    )


def backdrop(quads_camera: FloatArray, reflectances: FloatArray) -> Body:
    """Return surfaces (P, 4, 3) that stand behind everything; those that show their back are left out."""
    is_front = np.array([_is_clockwise(quad) for quad in quads_camera], dtype=bool)
    kept = quads_camera[is_front]
    return Body(kind="backdrop", polygons=kept, reflectances=reflectances[is_front], shares=np.ones(len(kept)))


def turned_box(box: FloatArray, camera_from_frame: RigidTransform) -> FloatArray:
    """Return a box's row in the camera frame, given in another."""
    rotation, translation = parts(camera_from_frame)
    centre = rotation @ box[:3] + translation
    return np.concatenate([centre, (box[3:12].reshape(3, 3) @ rotation.T).ravel(), box[12:]])


def body_at(body: Body, view: FloatArray, time_s: float) -> Body:
    """Return the body as the camera has it before it at another time."""
    if body.is_fixed_to_camera or time_s == 0.0:
        return body
    if body.box is not None:
        turn = np.empty((4, 3))
        tips = np.vstack([np.zeros(3), np.eye(3)])
        move_points(view, time_s, tips, turn)
        rotation = (turn[1:] - turn[0]).T
        centre = np.array(moved(view, time_s, *body.box[:3]))
        axes = body.box[3:12].reshape(3, 3) @ rotation.T
        return replace(body, box=np.concatenate([centre, axes.ravel(), body.box[12:]]))
    polygons = np.empty_like(body.polygons)
    move_points(view, time_s, body.polygons.reshape(-1, 3), polygons.reshape(-1, 3))
    square = body.square
    if square is not None:
        square = np.empty_like(square)
        move_points(view, time_s, body.square, square)
    return replace(body, polygons=polygons, square=square)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shape:
    """A body at one time: its polygons with what they add, and the planes of its shadow.

    `sides` pass through the eye. With the fronts they are `shadow_below`, for what comes later in the list and is
    hidden even where it lies on a front, and `shadow_above` for what comes earlier.
    """

    polygons: FloatArray
    reflectances: FloatArray
    shares: FloatArray
    outline: FloatArray
    sides: FloatArray
    shadow_below: FloatArray
    shadow_above: FloatArray
    is_backdrop: bool


def shape_of(body: Body) -> Shape:
    """Return the body's polygons and the planes of its shadow, seen from the origin."""
    polygons, reflectances, shares = body.polygons, body.reflectances, body.shares
    below = above = np.empty((0, 4))
    sides = 0
    if body.box is not None:
        polygons, shades, side_planes, fronts = _box_shape(body.box)
        reflectances, shares, sides = shades * float(body.reflectances[0]), np.ones(len(polygons)), len(side_planes)
        below, above = (_with_fronts(side_planes, fronts, tie) for tie in (_TIE_M, -_TIE_M))
    elif body.kind == "panel" and _is_clockwise(polygons[0]):
        below, above, sides = np.empty((5, 4)), np.empty((5, 4)), 4
        panel_shadow(polygons[0], _TIE_M, below, above)
    elif body.kind == "panel":  # turned its back meanwhile
        polygons, reflectances, shares = polygons[:0], reflectances[:0], shares[:0]
    points = polygons[:1] if body.kind == "panel" else polygons
    return Shape(
        polygons=polygons,
        reflectances=reflectances,
        shares=shares,
        outline=np.ascontiguousarray(points.reshape(-1, 3)),
        sides=below[:sides],
        shadow_below=below,
        shadow_above=above,
        is_backdrop=body.kind == "backdrop",
    )


def contains_eye(box: FloatArray) -> bool:
    """Return whether the camera is inside the box."""
    return bool((np.abs(box[3:12].reshape(3, 3) @ box[:3]) < box[12:]).all())


def _box_shape(box: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the front faces, their shades, and the side and front planes of the shadow."""
    quads, fronts, sides = np.empty((3, 4, 3)), np.empty((3, 4)), np.empty((6, 4))
    axes, seen = np.empty(3, dtype=np.int64), np.empty((3, 2), dtype=np.bool_)
    faces = box_faces(box, quads, fronts, axes, seen)
    edges = box_sides(box, seen, sides)
    return quads[:faces], _SHADE[axes[:faces]], sides[:edges], fronts[:faces]


def _with_fronts(sides: FloatArray, fronts: FloatArray, tie_m: float) -> FloatArray:
    planes = np.concatenate([sides, fronts])
    planes[len(sides) :, 3] += tie_m
    return planes


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    # numpy's own takes 40 us for three numbers
    (ax, ay, az), (bx, by, bz) = a.tolist(), b.tolist()
    return np.array([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])


def _is_clockwise(quad: FloatArray) -> bool:
    return bool(_cross(quad[1] - quad[0], quad[2] - quad[0]) @ quad[0] > 0.0)


def shadow(hider: Shape, number: int, target: Shape, target_number: int) -> FloatArray:
    """Return the planes of the space that `hider` hides from the eye, as it concerns `target`.

    What lies on the hider's front counts as behind it if the hider comes first in the list; a backdrop is
    behind everything.
    """
    if target.is_backdrop:
        return hider.sides
    return hider.shadow_below if number < target_number else hider.shadow_above


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pieces:
    """Convex polygons (P, V, 3) of `counts` corners, with what they add to level and share (P, 2)."""

    polygons: FloatArray
    counts: IntArray
    weights: FloatArray

    def inside(self, planes: FloatArray) -> Pieces:
        """Return what of them is on the inner side of all planes."""
        if are_inside(self.polygons, self.counts, planes):
            return self
        polygons, counts = common_part(self.polygons, self.counts, planes)
        kept = counts > 0
        longest = int(counts.max(initial=3))
        polygons = np.ascontiguousarray(polygons[kept, :longest])
        return Pieces(polygons=polygons, counts=counts[kept], weights=self.weights[kept])

    def outside(self, planes: FloatArray) -> Pieces:
        """Return what of them is not on the inner side of all planes."""
        pieces, counts, source, filled = difference(self.polygons, self.counts, planes)
        longest = int(counts[:filled].max(initial=3))
        polygons = np.ascontiguousarray(pieces[:filled, :longest])
        return Pieces(polygons=polygons, counts=counts[:filled], weights=self.weights[source[:filled]])


def pieces_of(shape: Shape) -> Pieces:
    """Return the whole of a body as pieces."""
    weights = np.column_stack([shape.reflectances, shape.shares])
    return Pieces(polygons=shape.polygons, counts=np.full(len(weights), 4, dtype=np.int64), weights=weights)


def visible_pieces(shapes: Sequence[Shape], number: int, view_planes: FloatArray) -> Pieces:
    """Return what no other body hides of one inside the space that is looked at."""
    target = shapes[number]
    pieces = pieces_of(target).inside(view_planes)
    for other, hider in enumerate(shapes):
        if not len(pieces.counts):
            break
        if other == number or hider.is_backdrop or not len(hider.sides):
            continue
        planes = shadow(hider, other, target, number)
        if may_meet(target.outline, planes):
            pieces = pieces.outside(planes)
    return pieces


def are_hidden(points_camera: FloatArray, shapes: Sequence[Shape], number: int) -> BoolArray:
    """Return which points (N, 3) of a body lie in the shadow of another."""
    hidden = np.zeros(len(points_camera), dtype=bool)
    for other, hider in enumerate(shapes):
        if other == number or hider.is_backdrop or not len(hider.sides):
            continue
        planes = shadow(hider, other, shapes[number], number)
        if may_meet(shapes[number].outline, planes):
            hidden |= (points_camera @ planes[:, :3].T + planes[:, 3] > 0.0).all(axis=1)
    return hidden
