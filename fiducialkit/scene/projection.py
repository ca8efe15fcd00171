"""The one compiled projection, with its Jacobians, for every lens model.

A camera is a row of numbers: ``fx, fy, cx, cy, r_valid, d0 ... d7`` (`PARAMETERS` long) and a model number.
brown and rational share one formula (brown: d5 = d6 = d7 = 0):

    x' = x (1 + d0 r^2 + d1 r^4 + d4 r^6) / (1 + d5 r^2 + d6 r^4 + d7 r^6) + 2 d2 x y + d3 (r^2 + 2 x^2)

fisheye bends the angle t = atan(r) to ``t (1 + d0 t^2 + d1 t^4 + d2 t^6 + d3 t^8)``. Nothing behind the camera, and
nothing beyond the radius `r_valid` where the model folds over, ever projects.

References
----------
Brown, "Close-range camera calibration", Photogrammetric Engineering 37 (1971) 855-866; Kannala and Brandt,
"A generic camera model and calibration method for conventional, wide-angle, and fish-eye lenses", IEEE PAMI
28 (2006) 1335-1340. The coefficient order is the one OpenCV documents. Derivatives: derived here.
"""

from __future__ import annotations

import math

import numpy as np

from fiducialkit.arrays import FloatArray
from fiducialkit.compiled import kernel

BROWN, RATIONAL, FISHEYE = 0, 1, 2
PARAMETERS = 13
INTRINSICS = 12  # fx, fy, cx, cy, d0 ... d7
_MIN_DEPTH_M = 1e-6


@kernel
def bend(model, parameters, x, y):
    """Return (x', y', dx'/dx, dx'/dy, dy'/dx, dy'/dy): the distorted direction and its derivatives."""
    r2 = x * x + y * y
    if model == FISHEYE:
        r = math.sqrt(r2)
        if r < 1e-8:
            return x, y, 1.0, 0.0, 0.0, 1.0
        t = math.atan(r)
        t2 = t * t
        k0, k1, k2, k3 = parameters[5], parameters[6], parameters[7], parameters[8]
        bent = t * (1.0 + t2 * (k0 + t2 * (k1 + t2 * (k2 + t2 * k3))))
        slope = 1.0 + t2 * (3.0 * k0 + t2 * (5.0 * k1 + t2 * (7.0 * k2 + t2 * 9.0 * k3)))
        scale = bent / r
        growth = (slope / (1.0 + r2) - scale) / r2  # d(scale)/dr / r
        return (
            x * scale,
            y * scale,
            scale + growth * x * x,
            growth * x * y,
            growth * x * y,
            scale + growth * y * y,
        )
    k0, k1, p0, p1, k2 = parameters[5], parameters[6], parameters[7], parameters[8], parameters[9]
    k3, k4, k5 = parameters[10], parameters[11], parameters[12]
    above = 1.0 + r2 * (k0 + r2 * (k1 + r2 * k2))
    below = 1.0 + r2 * (k3 + r2 * (k4 + r2 * k5))
    radial = above / below
    growth = 2.0 * ((k0 + r2 * (2.0 * k1 + r2 * 3.0 * k2)) - radial * (k3 + r2 * (2.0 * k4 + r2 * 3.0 * k5))) / below
    cross = growth * x * y + 2.0 * p0 * x + 2.0 * p1 * y
    return (
        x * radial + 2.0 * p0 * x * y + p1 * (r2 + 2.0 * x * x),
        y * radial + p0 * (r2 + 2.0 * y * y) + 2.0 * p1 * x * y,
        radial + growth * x * x + 2.0 * p0 * y + 6.0 * p1 * x,
        cross,
        cross,
        radial + growth * y * y + 6.0 * p0 * y + 2.0 * p1 * x,
    )


@kernel
def project_point(model, parameters, x, y, z):
    """Return (valid, u, v) of a point in the camera frame. [m -> px]"""
    if not z > _MIN_DEPTH_M:
        return False, math.nan, math.nan
    a = x / z
    b = y / z
    if not a * a + b * b < parameters[4] * parameters[4]:
        return False, math.nan, math.nan
    bent = bend(model, parameters, a, b)
    return True, parameters[0] * bent[0] + parameters[2], parameters[1] * bent[1] + parameters[3]


@kernel
def project_point_jacobian(model, parameters, x, y, z):
    """Return (valid, u, v, du/dx, du/dy, du/dz, dv/dx, dv/dy, dv/dz) of a point in the camera frame."""
    if not z > _MIN_DEPTH_M:
        return False, math.nan, math.nan, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    a = x / z
    b = y / z
    if not a * a + b * b < parameters[4] * parameters[4]:
        return False, math.nan, math.nan, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    bx, by, xx, xy, yx, yy = bend(model, parameters, a, b)
    fu = parameters[0] / z
    fv = parameters[1] / z
    return (
        True,
        parameters[0] * bx + parameters[2],
        parameters[1] * by + parameters[3],
        fu * xx,
        fu * xy,
        -fu * (xx * a + xy * b),
        fv * yx,
        fv * yy,
        -fv * (yx * a + yy * b),
    )


@kernel
def _intrinsics_rows(model, parameters, x, y, out):
    """Write du/d(fx, fy, cx, cy, d0 ... d7) and dv/d(...) of a direction (x, y, 1) into `out`, shape (2, 12)."""
    r2 = x * x + y * y
    fx, fy = parameters[0], parameters[1]
    bent = bend(model, parameters, x, y)
    out[:, :] = 0.0
    out[0, 0] = bent[0]
    out[1, 1] = bent[1]
    out[0, 2] = 1.0
    out[1, 3] = 1.0
    if model == FISHEYE:
        r = math.sqrt(r2)
        if r < 1e-8:
            return
        t = math.atan(r)
        power = t
        for k in range(4):
            power *= t * t
            out[0, 4 + k] = fx * x / r * power
            out[1, 4 + k] = fy * y / r * power
        return
    above = 1.0 + r2 * (parameters[5] + r2 * (parameters[6] + r2 * parameters[9]))
    below = 1.0 + r2 * (parameters[10] + r2 * (parameters[11] + r2 * parameters[12]))
    power = 1.0
    for k in range(3):
        power *= r2
        numerator = power / below
        denominator = -above * power / (below * below)
        column = 4 + k if k < 2 else 8
        out[0, column] = fx * x * numerator
        out[1, column] = fy * y * numerator
        out[0, 9 + k] = fx * x * denominator
        out[1, 9 + k] = fy * y * denominator
    out[0, 6] = fx * 2.0 * x * y
    out[1, 6] = fy * (r2 + 2.0 * y * y)
    out[0, 7] = fx * (r2 + 2.0 * x * x)
    out[1, 7] = fy * 2.0 * x * y


@kernel
def square_to_quadrilateral(corners, out):
    """Write the perspective (3, 3) that takes (0, 0), (1, 0), (1, 1), (0, 1) to the corners (x0, y0, ... y3).

    References
    ----------
    Heckbert, "Fundamentals of Texture Mapping and Image Warping", UCB/CSD 89/516 (1989), section 2.2.3.
    """
    x0, y0, x1, y1 = corners[0], corners[1], corners[2], corners[3]
    x2, y2, x3, y3 = corners[4], corners[5], corners[6], corners[7]
    sx, sy = x0 - x1 + x2 - x3, y0 - y1 + y2 - y3
    dx1, dy1, dx2, dy2 = x1 - x2, y1 - y2, x3 - x2, y3 - y2
    determinant = dx1 * dy2 - dx2 * dy1
    g = (sx * dy2 - dx2 * sy) / determinant
    h = (dx1 * sy - sx * dy1) / determinant
    out[0, 0], out[0, 1], out[0, 2] = x1 - x0 + g * x1, x3 - x0 + h * x3, x0
    out[1, 0], out[1, 1], out[1, 2] = y1 - y0 + g * y1, y3 - y0 + h * y3, y0
    out[2, 0], out[2, 1], out[2, 2] = g, h, 1.0


@kernel
def project_points(model, parameters, points, pixels, valid):
    """Project (N, 3) camera-frame points into `pixels` (N, 2) and `valid` (N,)."""
    for i in range(points.shape[0]):
        ok, u, v = project_point(model, parameters, points[i, 0], points[i, 1], points[i, 2])
        valid[i] = ok
        pixels[i, 0] = u
        pixels[i, 1] = v


@kernel
def project_points_jacobian(model, parameters, points, pixels, valid, by_point, by_intrinsics):
    """As `project_points`, with d(pixel)/d(point) (N, 2, 3) and d(pixel)/d(intrinsics) (N, 2, 12)."""
    for i in range(points.shape[0]):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        ok, u, v, ux, uy, uz, vx, vy, vz = project_point_jacobian(model, parameters, x, y, z)
        valid[i] = ok
        pixels[i, 0] = u
        pixels[i, 1] = v
        if not ok:
            by_point[i] = math.nan
            by_intrinsics[i] = math.nan
            continue
        by_point[i, 0, 0], by_point[i, 0, 1], by_point[i, 0, 2] = ux, uy, uz
        by_point[i, 1, 0], by_point[i, 1, 1], by_point[i, 1, 2] = vx, vy, vz
        _intrinsics_rows(model, parameters, x / z, y / z, by_intrinsics[i])


@kernel
def _unbend_radius(model, parameters, target):
    """Return r in [0, r_valid] whose radial distortion gives `target`, or -1 where none does.

    Safeguarded Newton (bisection when a step leaves the bracket): the radial curve rises up to r_valid.
    """
    if target == 0.0:
        return 0.0
    low = 0.0
    high = parameters[4]
    if not high < 1e6:
        high = 1.0
        while high < 1e6 and _radial(model, parameters, high) < target:
            high *= 2.0
    if not _radial(model, parameters, high) >= target:
        return -1.0
    r = min(target, 0.5 * (low + high))
    for _ in range(80):
        value = _radial(model, parameters, r)
        if value > target:
            high = r
        else:
            low = r
        slope = (_radial(model, parameters, r * (1.0 + 1e-6)) - value) / (r * 1e-6)
        step = r - (value - target) / slope if slope > 0.0 else -1.0
        if not low < step < high:
            step = 0.5 * (low + high)
        if abs(step - r) <= 1e-13 * r:
            return step
        r = step
    return r


@kernel
def _radial(model, parameters, r):
    r2 = r * r
    if model == FISHEYE:
        t = math.atan(r)
        t2 = t * t
        return t * (1.0 + t2 * (parameters[5] + t2 * (parameters[6] + t2 * (parameters[7] + t2 * parameters[8]))))
    above = 1.0 + r2 * (parameters[5] + r2 * (parameters[6] + r2 * parameters[9]))
    below = 1.0 + r2 * (parameters[10] + r2 * (parameters[11] + r2 * parameters[12]))
    return r * above / below


@kernel
def _unbend(model, parameters, u, v, x, y):
    """Return (found, x, y) of the direction that bends to (u, v), by Newton steps from (x, y).

    A step is halved until it stays where the model is one-to-one and brings the bent direction nearer.
    """
    bx, by, xx, xy, yx, yy = bend(model, parameters, x, y)
    error = math.hypot(u - bx, v - by)
    for _ in range(60):
        determinant = xx * yy - xy * yx
        if error == 0.0 or not determinant > 0.0:
            break
        step_x = (yy * (u - bx) - xy * (v - by)) / determinant
        step_y = (xx * (v - by) - yx * (u - bx)) / determinant
        share = 1.0
        better = False
        while share > 1e-6 and not better:
            tried = bend(model, parameters, x + share * step_x, y + share * step_y)
            tried_error = math.hypot(u - tried[0], v - tried[1])
            better = tried_error < error and tried[2] * tried[5] - tried[3] * tried[4] > 0.0
            if better:
                x += share * step_x
                y += share * step_y
                error = tried_error
                bx, by, xx, xy, yx, yy = tried
            share *= 0.5
        if not better:
            break
    found = error < 1e-9 and x * x + y * y < parameters[4] * parameters[4]
    return found, x, y


@kernel
def unproject_pixels(model, parameters, pixels, directions, converged):
    """Write the undistorted (x, y) of (x, y, 1) for each pixel; NaN and False where none projects there.

    The radial part is inverted first, safely; Newton steps on both coordinates then add the rest. A result
    stands only if it lies inside the valid radius and projects back within 1e-9 focal lengths.
    """
    for i in range(pixels.shape[0]):
        converged[i] = False
        directions[i] = math.nan
        u = (pixels[i, 0] - parameters[2]) / parameters[0]
        v = (pixels[i, 1] - parameters[3]) / parameters[1]
        bent_radius = math.sqrt(u * u + v * v)
        if not bent_radius < 1e6:
            continue
        r = _unbend_radius(model, parameters, bent_radius)
        if r < 0.0:
            # the image of the valid disc is not a circle under decentring: begin just inside and let Newton decide
            r = 0.97 * parameters[4]
        scale = r / bent_radius if bent_radius > 0.0 else 1.0
        found, x, y = _unbend(model, parameters, u, v, u * scale, v * scale)
        if found:
            directions[i, 0] = x
            directions[i, 1] = y
            converged[i] = True


def valid_radius(model: int, parameters: FloatArray) -> float:
    """Return the largest r = tan(angle from the axis) up to which the lens model is one-to-one.

    Beyond the fold two directions share a pixel, so the model describes no lens. The bent direction is the gradient
    of a potential (its Jacobian is symmetric), so it is one-to-one on a disc throughout which that Jacobian is
    positive definite. Decentring makes the fold other than a circle; the radius is where it comes nearest to
    the axis. Infinity without distortion, at most the tangent of 89.9 degrees otherwise. The margin is scanned in
    steps of 0.02 degrees and the fold placed by bisection.
    """
    if not parameters[5:].any():
        return math.inf
    angle = np.radians(np.linspace(0.0, 89.9, 4496))
    with np.errstate(all="ignore"):
        margin = _fold_margin(model, parameters, np.tan(angle))
    bad = np.flatnonzero(~(margin > 1e-9))
    if bad.size == 0:
        return math.tan(float(angle[-1]))
    low, high = float(angle[max(bad[0] - 1, 0)]), float(angle[bad[0]])
    for _ in range(60):
        middle = 0.5 * (low + high)
        with np.errstate(all="ignore"):
            margin = _fold_margin(model, parameters, np.array([math.tan(middle)]))
        if float(margin[0]) > 1e-9:
            low = middle
        else:
            high = middle
    return math.tan(low)


def _fold_margin(model: int, parameters: FloatArray, r: FloatArray) -> FloatArray:
    """Return what is above zero as long as no direction at radius r has reached the fold.

    fisheye: d(bent angle)/d(angle). Else the least determinant of the Jacobian round the circle. With the radial
    slope A, the radial factor B and q = r |(d2, d3)|, the Jacobian along and across the radius is
    ``[[A + 6 q c, -2 q s], [-2 q s, B + 2 q c]]``, (c, s) the cosine and sine of the angle from the direction
    (d3, d2); its determinant ``A B - 4 q^2 + 2 q c (A + 3 B) + 16 q^2 c^2`` is least at
    ``c = -min(1, (A + 3 B) / 16 q)``. Derived here.
    """
    d = parameters[5:]
    if model == FISHEYE:
        t2 = np.arctan(r) ** 2
        return np.asarray(1.0 + t2 * (3.0 * d[0] + t2 * (5.0 * d[1] + t2 * (7.0 * d[2] + t2 * 9.0 * d[3]))))
    r2 = r * r
    above = 1.0 + r2 * (d[0] + r2 * (d[1] + r2 * d[4]))
    below = 1.0 + r2 * (d[5] + r2 * (d[6] + r2 * d[7]))
    above_slope = 2.0 * r2 * (d[0] + r2 * (2.0 * d[1] + r2 * 3.0 * d[4]))
    below_slope = 2.0 * r2 * (d[5] + r2 * (2.0 * d[6] + r2 * 3.0 * d[7]))
    factor = above / below
    slope = (above + above_slope) / below - above * below_slope / below**2
    q = r * math.hypot(d[2], d[3])
    c = -np.minimum(1.0, (slope + 3.0 * factor) / np.maximum(16.0 * q, 1e-300))
    least = slope * factor - 4.0 * q**2 + 2.0 * q * c * (slope + 3.0 * factor) + 16.0 * q**2 * c**2
    return np.where((below > 0.0) & (slope > 0.0) & (factor > 0.0), least, -np.inf)
