"""Names of transforms and points, read from the syntax tree: inner words match and vanish.

``<to>_from_<from>`` is a transform (qualifiers stand in front: ``true_field_from_robot``), ``<thing>_<frame>`` a point
or a direction. The walk below infers frames through products, inverses, rotations and applications, and compares them
with the names that the results are given.
"""

from __future__ import annotations

import ast
from dataclasses import dataclass, field
from pathlib import Path

import pytest

import fiducialkit

FRAMES = ("field", "robot", "camera", "marker", "board", "points")
PREPOSITIONS = ("to", "for", "of", "by", "in", "per", "with", "on")  # to_camera is a direction towards it
PACKAGE = Path(fiducialkit.__file__).parent


def transform_of(name: str) -> tuple[str, str] | None:
    """Return (to, from) of a name, or None: plural and suffixed names (functions) count too."""
    words = name.strip("_").split("_")
    for i in range(1, len(words) - 1):
        to, origin = words[i - 1], words[i + 1]
        for plural in ("s", ""):
            if words[i] == "from" and to in FRAMES and origin.removesuffix(plural) in FRAMES:
                return to, origin.removesuffix(plural)
    return None


def point_of(name: str) -> str | None:
    """Return the frame of a point's name, or None."""
    words = name.strip("_").split("_")
    is_point = len(words) > 1 and words[-1] in FRAMES and "from" not in words and words[-2] not in PREPOSITIONS
    return words[-1] if is_point else None


def identifier(node: ast.expr) -> str:
    if isinstance(node, ast.Name):
        return node.id
    return node.attr if isinstance(node, ast.Attribute) else ""


@dataclass
class Walk(ast.NodeVisitor):
    """Collects mix-ups; `understood` counts the products and applications whose frames were all known."""

    faults: list[str] = field(default_factory=list)
    understood: int = 0
    functions: list[str] = field(default_factory=list)
    rotations: dict[str, tuple[str, str]] = field(default_factory=dict)  # names bound by `parts`, in one function
    _seen: set[int] = field(default_factory=set)

    def fault(self, node: ast.AST, text: str) -> None:
        self.faults.append(f"line {getattr(node, 'lineno', 0)}: {text}")

    def transform(self, node: ast.expr) -> tuple[str, str] | None:
        """Infer (to, from) of an expression."""
        if isinstance(node, ast.Subscript):
            return self.transform(node.value)
        if isinstance(node, ast.Attribute) and node.attr in ("rotation", "T"):
            inner = self.transform(node.value)
            return inner[::-1] if inner and node.attr == "T" else inner
        if isinstance(node, ast.Name | ast.Attribute):
            return self.rotations.get(identifier(node)) or transform_of(identifier(node))
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Attribute) and node.func.attr in ("inv", "as_matrix"):
                inner = self.transform(node.func.value)
                return inner[::-1] if inner and node.func.attr == "inv" else inner
            return transform_of(identifier(node.func))
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Mult | ast.MatMult):
            return self.product(node)
        return None

    def product(self, node: ast.BinOp) -> tuple[str, str] | None:
        left, right = self.transform(node.left), self.transform(node.right)
        if left is None or right is None:
            return None
        if id(node) not in self._seen:
            self._seen.add(id(node))
            self.understood += 1
            if left[1] != right[0]:
                self.fault(node, f"{'_from_'.join(left)} times {'_from_'.join(right)}")
        return left[0], right[1]

    def point(self, node: ast.expr) -> str | None:
        """Infer the frame of a point expression."""
        if isinstance(node, ast.Subscript):
            return self.point(node.value)
        if isinstance(node, ast.Name | ast.Attribute):
            return point_of(identifier(node))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            if node.func.attr in ("reshape", "copy", "ravel"):
                return self.point(node.func.value)
            if node.func.attr == "apply" and node.args:
                return self.application(node, self.transform(node.func.value), self.point(node.args[0]))
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.MatMult):
            turned = self.transform(node.right)
            if turned and self.transform(node.left) is None:  # rows of points: p @ R.T
                return self.application(node, turned[::-1], self.point(node.left))
            return self.application(node, self.transform(node.left), self.point(node.right))
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add | ast.Sub):
            return self.point(node.left) or self.point(node.right)
        return None

    def application(self, node: ast.expr, transform: tuple[str, str] | None, point: str | None) -> str | None:
        if transform is None:
            return None
        if point is not None and id(node) not in self._seen:
            self._seen.add(id(node))
            self.understood += 1
            if transform[1] not in (point, "points"):
                self.fault(node, f"{'_from_'.join(transform)} applied to a point in {point}")
        return transform[0]

    def bind(self, name: str, value: ast.expr) -> None:
        """Compare what a name says with what its value is."""
        transform, point = transform_of(name), point_of(name)
        if transform:
            found = self.transform(value)
            if found and found != transform and "points" not in (*found, *transform):
                self.fault(value, f"{name} is given {'_from_'.join(found)}")
        elif point:
            frame = self.point(value)
            if frame and frame != point and "points" not in (frame, point):
                self.fault(value, f"{name} is given a point in {frame}")

    def bind_each(self, target: ast.expr, value: ast.expr) -> None:
        if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple) and len(target.elts) == len(value.elts):
            for one, other in zip(target.elts, value.elts, strict=True):
                self.bind_each(one, other)
        elif isinstance(target, ast.Tuple) and isinstance(value, ast.Call) and identifier(value.func) == "parts":
            frames = self.transform(value.args[0])
            if frames:
                self.understood += 1
                self.rotations[identifier(target.elts[0])] = frames
        elif identifier(target):
            self.bind(identifier(target), value)

    def visit_Assign(self, node: ast.Assign) -> None:
        for target in node.targets:
            self.bind_each(target, node.value)
        self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.bind_each(node.target, node.value)
        self.generic_visit(node)

    def visit_NamedExpr(self, node: ast.NamedExpr) -> None:
        self.bind_each(node.target, node.value)
        self.generic_visit(node)

    def visit_keyword(self, node: ast.keyword) -> None:
        if node.arg:
            self.bind(node.arg, node.value)
        self.generic_visit(node)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        outside, self.rotations = self.rotations, {}
        self.functions.append(node.name)
        self.generic_visit(node)
        self.functions.pop()
        self.rotations = outside

    def visit_Return(self, node: ast.Return) -> None:
        if node.value is not None and self.functions:
            self.bind(self.functions[-1], node.value)
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        self.transform(node)
        self.point(node)
        self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        self.transform(node)
        self.point(node)
        self.generic_visit(node)


def walked(source: str) -> Walk:
    walk = Walk()
    walk.visit(ast.parse(source))
    return walk


@pytest.mark.parametrize(
    "source",
    [
        "x = field_from_robot * camera_from_robot",  # inner words differ
        "x = field_from_robot.inv() * robot_from_camera",
        "x = field_from_robot * robot_from_camera * marker_from_camera",
        "x = field_from_robot.rotation * camera_from_marker.rotation",
        "x = field_from_robot.rotation.as_matrix() @ camera_from_marker.rotation.as_matrix()",
        "x = self.field_from_robot * mounts[2].camera_from_robot",
        "field_from_marker = field_from_robot * robot_from_camera",  # the result's name
        "camera_from_field = field_from_camera",
        "camera_from_field: RigidTransform = field_from_camera",
        "robot_from_camera = robot_from_camera_angles(p, 0, 0, 0).inv()",  # inverse
        "camera_from_marker = camera_from_marker.inv()",
        "a, camera_from_marker = 1, marker_from_camera",
        "solve(robot_from_camera=camera_from_robot)",
        "def field_from_camera(x):\n    return field_from_robot * robot_from_marker",
        "def field_from_camera(x):\n    return camera_from_field",
        "x = field_from_marker.apply(corners_camera)",  # the point's frame
        "x = field_from_marker.inv().apply(corners_marker)",
        "x = camera_from_marker.rotation.as_matrix() @ out_field",
        "corners_marker = field_from_marker.apply(corners_marker)",  # the result's frame
        "corners_field = corners_camera",
        "show(point_robot=point_field)",
        "x = field_from_robot_on_floor(1, 2, 3) * camera_from_robot",
        "x = true_field_from_robot * camera_from_marker",
        "x = field_from_robot * robot_from_cameras[i] * robot_from_marker",
        "if (field_from_marker := field_from_camera):\n    pass",
        "rotation, t = parts(field_from_marker)\nx = corners_camera @ rotation.T + t",  # plain arrays
        "rotation, t = parts(field_from_marker)\ncorners_camera = corners_marker @ rotation.T + t",
        "rotation, t = parts(field_from_marker)\nx = rotation @ point_camera",
        "rotation, t = parts(field_from_marker.inv())\ncorners_field = square @ rotation.T + t",
        "def corners_field(m):\n    r, t = parts(m.camera_from_marker)\n    return square(m) @ r.T + t",
    ],
)
def test_each_seeded_mix_up_is_caught(source: str) -> None:
    assert len(walked(source).faults) == 1, walked(source).faults


@pytest.mark.parametrize(
    "source",
    [
        "field_from_camera = field_from_robot * robot_from_camera",
        "camera_from_field = (field_from_robot * robot_from_camera).inv()",
        "camera_from_marker = field_from_camera.inv() * field_from_marker",
        "robot_from_camera = camera_from_robot.inv()",
        "true_field_from_robot = field_from_camera * robot_from_camera.inv()",
        "corners_field = field_from_marker.apply(corners_marker)",
        "corners_camera = field_from_camera.inv().apply(field_from_marker.apply(corners_marker))",
        "camera = camera_from_keys(keys)",
        "nearest_camera = load_camera(path)",
        "pixels = project_with_jacobian(points_camera, camera_from_points)",
        "points_camera = camera_from_points.apply(points)",
        "out_field = field_from_marker.rotation.as_matrix()[:, 2]",
        "field_from_marker = field_from_marker_angles(position, 1, 2, 3)",
        "view_field = 2.0 * out_field",
        "to_camera = camera_in_field - centre_field",
        "rotation, t = parts(field_from_marker)\ncorners_field = corners_marker @ rotation.T + t",
        "rotation, t = parts(field_from_marker)\ncorners_marker = (corners_field - t) @ rotation",
        "def corners_field(m):\n    r, t = parts(m.field_from_marker)\n    return square(m) @ r.T + t",
        "def f():\n    r, t = parts(field_from_marker)\ndef g(r):\n    return r @ point_camera",
        "def field_from_camera(x):\n    return field_from_robot * robot_from_camera",
    ],
)
def test_right_names_raise_no_alarm(source: str) -> None:
    assert walked(source).faults == []


def test_the_package_and_its_tests_mix_no_frames() -> None:
    found, understood = [], 0
    tests = Path(__file__).parent
    for path in sorted([*PACKAGE.rglob("*.py"), *tests.rglob("*.py")]):
        walk = walked(path.read_text(encoding="utf-8"))
        found += [
            f"{path.relative_to(tests if path.is_relative_to(tests) else PACKAGE)}, {fault}" for fault in walk.faults
        ]
        understood += walk.understood
    assert found == []
    assert understood >= 10, "the walk understands hardly anything: were the names given up?"


def test_rvec_and_tvec_live_beside_opencv_only() -> None:
    # OpenCV's two vectors do not say which frame is which; they stay in the modules that call it
    for path in sorted(PACKAGE.rglob("*.py")):
        source = path.read_text(encoding="utf-8")
        names = {n.id for n in ast.walk(ast.parse(source)) if isinstance(n, ast.Name)}
        if {"rvec", "tvec", "rvecs", "tvecs"} & names:
            assert "import cv2" in source, path.relative_to(PACKAGE)
