"""What hides what: worked by hand, and the slab test against a segment cut into small pieces."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fiducialkit import InputError
from fiducialkit.scene.occlusion import hidden_points, upright_box

UNIT = upright_box((0.0, 0.0, 0.0), (1.0, 1.0, 1.0))[None]


def hidden(start: tuple[float, ...], end: tuple[float, ...], boxes: np.ndarray = UNIT) -> bool:
    return bool(hidden_points(boxes, np.array(start, dtype=float), np.array([end], dtype=float))[0])


def oriented_box(centre: np.ndarray, rotation: Rotation, half: np.ndarray) -> np.ndarray:
    return np.concatenate([centre, rotation.as_matrix().T.ravel(), half])


def sampled(boxes: np.ndarray, start: np.ndarray, ends: np.ndarray, steps: int = 4001) -> tuple[np.ndarray, np.ndarray]:
    """Plain numpy twin: is some point of the segment inside, and by how much at best (largest depth below a face)."""
    shares = np.linspace(0.0, 1.0, steps)[:, None]
    depth = np.full(len(ends), -math.inf)
    for i, end in enumerate(ends):
        points = start + shares * (end - start)
        for box in boxes:
            inside = box[12:] - np.abs((points - box[:3]) @ box[3:12].reshape(3, 3).T)
            depth[i] = max(depth[i], inside.min(axis=1).max())
    return depth > 0.0, depth


@pytest.mark.parametrize(
    ("start", "end", "expected"),
    [
        ((-1, 0.5, 0.5), (2, 0.5, 0.5), True),  # straight through
        ((2, 0.5, 0.5), (-1, 0.5, 0.5), True),  # and back
        ((-1, -1, -1), (2, 2, 2), True),  # along the diagonal
        ((-1, 0.5, 0.5), (-0.1, 0.5, 0.5), False),  # ends before it
        ((2, 0.5, 0.5), (3, 0.5, 0.5), False),  # begins behind it
        ((-1, 1.5, 0.5), (2, 1.5, 0.5), False),  # passes beside it
        ((-1, 0.5, 1.01), (2, 0.5, 1.01), False),  # over it
        ((-1, 0.5, 0.99), (2, 0.5, 0.99), True),
        ((0.5, -1, 0.5), (0.5, 2, 0.5), True),  # along each axis, parallel to two pairs of faces
        ((0.5, 0.5, -1), (0.5, 0.5, 2), True),
        ((0.5, 1.5, -1), (0.5, 1.5, 2), False),
        ((0.5, 0.5, 0.5), (3, 0.5, 0.5), True),  # begins inside
        ((-1, 0.5, 0.5), (0.5, 0.5, 0.5), True),  # ends inside
        ((0.4, 0.5, 0.5), (0.6, 0.5, 0.5), True),  # wholly inside
        ((-1, 0.5, 0.5), (0, 0.5, 0.5), False),  # ends on the face: a marker stuck on it is seen
        ((1, 0.5, 0.5), (3, 0.5, 0.5), False),  # begins on a face and leaves
        ((0, 0.5, 0.5), (3, 0.5, 0.5), True),  # begins on a face and goes in
        ((-1, 0.5, 1), (2, 0.5, 1), False),  # slides along a face
        ((-1, 1, 1), (2, 1, 1), False),  # slides along an edge
        ((-0.5, 0.5, 0.5), (0.5, -0.5, 0.5), False),  # touches an edge at one point
        ((-0.5 + 1e-3, 0.5, 0.5), (0.5 + 1e-3, -0.5, 0.5), True),  # cuts it
        ((-0.5 - 1e-3, 0.5, 0.5), (0.5 - 1e-3, -0.5, 0.5), False),  # misses it
        ((-1, 1, 1), (1, -1, 1), False),  # touches the top edge's corner from the face plane
    ],
)
def test_worked_by_hand(start: tuple[float, ...], end: tuple[float, ...], expected: bool) -> None:
    assert hidden(start, end) is expected


def test_it_agrees_with_a_densely_sampled_segment() -> None:
    rng = np.random.default_rng(1)
    rotations = Rotation.random(12, rng=rng)
    boxes = np.array([oriented_box(rng.uniform(-2, 2, 3), rotations[i], rng.uniform(0.05, 0.8, 3)) for i in range(12)])
    checked = 0
    for start in rng.uniform(-4, 4, (8, 3)):
        ends = rng.uniform(-4, 4, (60, 3))
        expected, depth = sampled(boxes, start, ends)
        # a sample lies within half a step of the deepest point: nearer the surface than that nothing is decided
        undecided = np.abs(depth) < np.linalg.norm(ends - start, axis=1) / 8000
        found = hidden_points(boxes, start, ends)
        assert np.array_equal(found[~undecided], expected[~undecided])
        assert found[expected].all()
        checked += int((~undecided).sum())
    assert checked > 400
    assert 0.1 < expected.mean() < 0.9


def test_an_oriented_box_worked_by_hand() -> None:
    # a cube of side 2 turned by 45 degrees about z reaches sqrt 2 along x at y = 0, and nothing at x = y = 1
    turned = oriented_box(np.zeros(3), Rotation.from_euler("z", 45, degrees=True), np.ones(3))[None]
    assert hidden((1.41, 0, 5), (1.41, 0, -5), turned)
    assert not hidden((1.42, 0, 5), (1.42, 0, -5), turned)
    assert not hidden((0.95, 0.95, 5), (0.95, 0.95, -5), turned)
    upright = upright_box((-1, -1, -1), (1, 1, 1))[None]
    assert hidden((0.95, 0.95, 5), (0.95, 0.95, -5), upright)


def test_moving_everything_alike_changes_nothing() -> None:
    rng = np.random.default_rng(2)
    box = oriented_box(np.array([0.3, -0.2, 0.5]), Rotation.random(rng=rng), np.array([0.3, 0.6, 0.2]))
    start, ends = np.array([-2.0, 0.1, 0.4]), rng.uniform(-2, 2, (300, 3))
    turn, shift = Rotation.random(rng=rng), np.array([5.0, -3.0, 1.0])
    rows = turn.apply(box[3:12].reshape(3, 3))
    moved = np.concatenate([turn.apply(box[:3]) + shift, rows.ravel(), box[12:]])
    before = hidden_points(box[None], start, ends)
    assert np.array_equal(before, hidden_points(moved[None], turn.apply(start) + shift, turn.apply(ends) + shift))
    # and which end is called the start does not matter
    assert before.tolist() == [hidden(tuple(end), tuple(start), box[None]) for end in ends]
    assert 0 < before.sum() < 300


def test_any_one_of_several_boxes_hides() -> None:
    beside = upright_box((0, 5, 0), (1, 6, 1))
    assert hidden((-1, 0.5, 0.5), (2, 0.5, 0.5), np.array([beside, UNIT[0]]))
    assert not hidden((-1, 0.5, 0.5), (2, 0.5, 0.5), beside[None])
    assert not hidden((-1, 0.5, 0.5), (2, 0.5, 0.5), np.empty((0, 15)))


@pytest.mark.parametrize(
    ("corner_min", "corner_max"),
    [((0, 0, 0), (1, 1, 0)), ((1, 0, 0), (0, 1, 1)), ((0, 0, math.nan), (1, 1, 1)), ((0, 0), (1, 1))],
)
def test_a_box_without_inside_is_refused(corner_min: tuple[float, ...], corner_max: tuple[float, ...]) -> None:
    with pytest.raises(InputError, match="corner_m"):
        upright_box(corner_min, corner_max)


def test_inputs_of_a_wrong_shape_are_refused() -> None:
    with pytest.raises(InputError, match="ends: expected shape"):
        hidden_points(UNIT, np.zeros(3), np.zeros((2, 2)))
    with pytest.raises(InputError, match="boxes: expected shape"):
        hidden_points(np.zeros((1, 6)), np.zeros(3), np.zeros((2, 3)))
    with pytest.raises(InputError, match="start: expected finite"):
        hidden_points(UNIT, np.array([0, 0, np.nan]), np.zeros((2, 3)))
